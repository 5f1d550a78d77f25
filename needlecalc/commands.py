"""What each command does: from its words to what it prints and writes, and its exit code."""

from __future__ import annotations

import json
import os
import sys
from argparse import Namespace
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

import numpy as np

from needlecalc.design.after.outcome import compare_pass, unchanged
from needlecalc.design.after.progress import judge_cut, rescue
from needlecalc.design.after.rank import rank
from needlecalc.design.after.trip import read_route
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.history import History, Pass, read_history
from needlecalc.design.belief.learn import learn
from needlecalc.design.forward.predict import compare
from needlecalc.design.inverse.proposal import Design
from needlecalc.designfile import read_design
from needlecalc.echo import plain, shown, step
from needlecalc.errors import InputError, SolveError
from needlecalc.files import fingerprint, write_files, write_into
from needlecalc.job import Job
from needlecalc.jobfile import read_job
from needlecalc.jobkeys import key_tables, schema
from needlecalc.jobkinds import path_in
from needlecalc.jobnew import NEEDLE, copy_demo, new_job
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.measured import read_readings
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.needles import read_needles
from needlecalc.report import say
from needlecalc.report.document import Document
from needlecalc.report.drawing import compare_page, needle_dxf, profile_drawing
from needlecalc.report.sheet import GrindSheet, facts_of
from needlecalc.show import counted
from needlecalc.units import FloatArray
from needlecalc.version import made_line, now

USABLE, NOT_BY_FILING, LOCKED = 0, 3, 4
DESIGN, RANKED = "design.json", "rank.csv"
MOST_SHOWN = 10  # needles on the screen


def do_keys(asked: Namespace) -> int:
    """Every key of a job, or their JSON Schema."""
    tables = "" if asked.schema else "\n\n".join(one.text() for one in key_tables(asked.section))
    print(tables or json.dumps(schema(), indent=1))
    return USABLE


def do_new(asked: Namespace) -> int:
    """A job begun."""
    folder = Path(asked.folder)
    if asked.demo:
        print(f"The demo is ready: python -m needlecalc design {plain(str(copy_demo(folder)))}")
        return USABLE
    job, log = new_job(folder, log=Path(asked.log) if asked.log else None, slide=asked.slide)
    if log is not None:
        print(log.report(), end="\n\n")
    print(f"Written to {plain(str(folder))}: {job.name}, {NEEDLE}")
    print(f"Fill in each ? in {job.name} and the diameters in {NEEDLE}; then: python -m needlecalc design {plain(str(job))}")
    return USABLE


def _print(*said: object) -> None:
    """Each with an empty line below, at once: where a later step fails, it may be why."""
    for words in said:
        print(words, end="\n\n", flush=True)


def do_check(asked: Namespace) -> int:
    """Log, bands and checks: whether the engine is fit to be measured."""
    job = read_job(asked.job)
    found = job.checks(_bands(job, say=True))
    _print(found)
    return USABLE if _open(found) else LOCKED


def do_design(asked: Namespace) -> int:
    """The sheet, on screen and as files."""
    job, out = read_job(asked.job), _out(asked)
    bands = _bands(job, say=True)
    _print(*_jet_moves(job, bands))
    found = job.checks(bands)
    if not _open(found):
        _print(found)
        return LOCKED
    step("Solving")
    made = job.design(bands, found)
    sheet = job.sheet(made)
    step(f"Writing to {out}")
    hand = job.handover(made) if asked.handover else None
    pages = {} if hand is None else {"customer_page": hand.customer(), "tester_page": hand.tester()}
    if made.limits.new_blank:
        pages["needle_to_scale"] = profile_drawing(made.next_stage().needle, paper=job.paper())
    _write(sheet, out, pages)
    print(sheet.text())
    print(f"Written to {plain(str(out))}: {DESIGN}, grind_sheet.csv, .html, .pdf and .txt, profile.png")
    if pages:
        print(f"With them: {' and '.join(pages)}, each .html, .pdf and .txt{'; needle.dxf' * made.limits.new_blank}")
    if sheet.assumed is not None:
        stated = ", ".join(row["key"] for row in sheet.assumed.rows)
        print(f"To state what was assumed, write in {plain(Path(asked.job).name)}: {stated}.")
    if job.history_path() is not None:
        keep = f"python -m needlecalc learn {Path(asked.job).name} keeps this one"
        print(f"Before the job is changed for the next drive: {keep}.")
    return USABLE if made.met else NOT_BY_FILING


def _open(found: Checks) -> bool:
    """Whether no red check locks the cut; if one does, it is said why."""
    try:
        found.gate()
    except SolveError as error:
        print(f'needlecalc: {error} In the job: override = "why the cut may go on" under [checks].', file=sys.stderr)
        return False
    return True


def _out(asked: Namespace) -> Path:
    return Path(asked.out) if asked.out else Path(asked.job).parent / "out"


def _bands(job: Job, *, say: bool = False) -> Bands:
    """Bands of the job's drive; with ``say`` its log and they are printed."""
    log = job.read_log()
    said = [words for words in (job.converted, log and log.report()) if words]
    _print(*said if say else ())
    step("Gathering bands")
    bands = job.bands(log)
    others = [words for one in job.other_drives for words in (one.log.report(), one.brought)]
    _print(*[*others, bands] if say else ())
    return bands


def _write(sheet: GrindSheet, out: Path, pages: Mapping[str, Document]) -> None:
    """All files are made before any is written: a failure leaves those of the last design."""
    from needlecalc.report.pages import profile_png_of  # late: only a design draws

    contents = {
        DESIGN: json.dumps(facts_of(sheet), indent=1, allow_nan=False).encode(),
        "grind_sheet.csv": sheet.csv().encode(),
        **_forms(sheet.document(), "grind_sheet"),
        "profile.png": profile_png_of(sheet),
    }
    for name, page in pages.items():
        contents |= _forms(page, name)
    if sheet.design.limits.new_blank:
        contents["needle.dxf"] = needle_dxf(sheet.design.next_stage().needle).encode()
    write_into(out, contents, f"--out {out}: the sheet")


def _forms(document: Document, name: str) -> dict[str, bytes]:
    """A document as each of its files."""
    from needlecalc.report.pages import pdf_of  # late: only paper draws

    return {
        f"{name}.pdf": pdf_of(document),
        f"{name}.html": document.html().encode(),
        f"{name}.txt": document.text().encode(),
    }


def do_measured(asked: Namespace) -> int:
    """Where the file stands, against the design that was stored."""
    job = read_job(asked.job)
    present = job.setup.carburettor.needle
    if bool(asked.file) == bool(asked.readings):
        found = "got the readings twice" if asked.file else "needs the readings"
        msg = f"measured {found}: list a diameter a station after the job, or name a table with --file, not both."
        raise InputError(msg)
    if asked.save and asked.file_down:
        msg = (
            "--file-down asks where filing on would lead, and there is no such needle yet to --save; file it down, measure "
            "it again, and save that."
        )
        raise InputError(msg)
    save = _place_to_save(asked, job) if asked.save else None
    readings = read_readings(asked.file, present) if asked.file else _typed(asked.readings, present.stations_mm.size)
    made = _stored(asked, job)
    diameters = job.diameters_mm(readings)
    progress = judge_cut(made, diameters, file_down=asked.file_down)
    if save is not None:
        log = made.target.bands.log
        _save_needle(progress.measured, save, made_line(now(), job.name, log.sha256 if log is not None else ""))
    print(progress, progress.band_table(), sep="\n\n")
    if save is not None:
        print(f"\nWritten to {plain(asked.save)}: the needle as measured; name it in the job for the next drive.")
    if not progress.overcut():
        return USABLE
    saved = rescue(made, diameters, file_down=asked.file_down)
    print("", saved, saved.band_table(), sep="\n\n")
    if (stations := saved.design_table()) is not None:
        print("", stations, sep="\n")
    return NOT_BY_FILING


def _stored(asked: Namespace, job: Job) -> Design:
    """The design stored in the folder of outputs; solved where none was stored yet, which is said."""
    file = _out(asked) / DESIGN
    stored = file.exists() or bool(asked.out)
    bands = _bands(job, say=not stored)
    if stored:
        return read_design(file, job, bands)
    step("Solving")
    print(f"No design is stored in {plain(str(file.parent))}, so it is solved now.", end="\n\n")
    return job.design(bands)


def _place_to_save(asked: Namespace, job: Job) -> Path:
    """Where to save the needle: over nothing but the table of another."""
    path = path_in(Path(), asked.save, "--save")
    own = [Path(asked.job), job.history_path(), asked.file and Path(asked.file)]
    if os.path.realpath(path) in {os.path.realpath(one) for one in own if one}:
        msg = f"--save {plain(path.name)}: that is the job, its history or the readings themselves; name a new file."
        raise InputError(msg)
    if path.exists():
        try:
            read_needle(path)
        except InputError as error:
            msg = f"--save {plain(path.name)}: what is there now is no needle table, so it stays; name a new file."
            raise InputError(msg) from error
    return path


def _save_needle(needle: Needle, path: Path, made: str) -> None:
    lines = [f"# {plain(needle.name)}: {plain(needle.source)}", f"# {made}", "station,distance_mm,diameter_mm"]
    table = enumerate(zip(needle.stations_mm, needle.diameters_mm, strict=True), start=1)
    lines += [f"{station},{distance:.10g},{diameter:.10g}" for station, (distance, diameter) in table]
    write_files({path: ("\n".join(lines) + "\n").encode()}, f"--save {path.name}: the needle table")


def _typed(words: Sequence[str], stations: int) -> FloatArray:
    """Readings typed after the job, a station each."""
    if len(words) != stations:
        got = counted(len(words), "reading")
        msg = f"measured got {got}, but the needle has {stations} stations; give - where none was taken."
        raise InputError(msg)
    cure = "type mm with a point, or - for none"
    found = [
        float("nan") if word == "-" else _number(word, f"The reading of station {station}", cure)
        for station, word in enumerate(words, start=1)
    ]
    return np.array(found)


def _number(word: str, what: str, cure: str) -> float:
    try:
        return float(word)
    except ValueError as error:
        msg = f"{what} is {shown(word)}, not a number; {cure}."
        raise InputError(msg) from error


def do_learn(asked: Namespace) -> int:
    """The drive kept as a pass, or the last one forgotten."""
    job = read_job(asked.job)
    path = job.history_path()
    if path is None:
        msg = 'The job keeps no passes; add [history] with file = "passes.json" to it.'
        raise InputError(msg)
    (_forget if asked.undo else _learn)(job, path, fingerprint(path))
    return USABLE


def _before_last(passes: Sequence[Pass]) -> int:
    """How many passes were before the last drive; drives with the jet moved belong to the one after them, no cut between."""
    count = len(passes) - 1
    while count and passes[count - 1].jet_drive:
        count -= 1
    return count


def _forget(job: Job, path: Path, last_read: str) -> None:
    if not path.exists():
        msg = f"{path.name}: no pass is kept yet, so there is none to forget."
        raise InputError(msg)
    passes = read_history(path).passes
    kept = _before_last(passes)
    _print(*passes[kept:])
    if kept:
        History(passes[:kept]).save(path, job=job.name, last_read=last_read)
    else:
        write_files({path: None}, f"{path.name}: the history", last_read=last_read)
    left = f"{counted(kept, 'pass', 'passes')} kept" if kept else "none is kept, and the file is no more"
    print(f"Forgotten: {counted(len(passes) - kept, 'pass', 'passes')}, printed above; in {plain(path.name)} {left}.")


def _jet_moves(job: Job, bands: Bands) -> list[JetShift]:
    """What the drive with the jet moved found, and each turn of the nut at idle."""
    return [one for one in (job.jet_drive(bands), *job.trim_shifts(bands)) if one is not None]


def _learn(job: Job, path: Path, last_read: str) -> None:
    bands = _bands(job, say=True)
    history = job.passes(bands)
    _print(*_jet_moves(job, bands))
    earlier, here = history.passes[: _before_last(history.passes)], history.passes[-1]
    step("Learning")
    car = learn(history, job.setup, doubts=job.doubts())
    judged: object = "The first pass: there is nothing to compare it with yet."
    if earlier:
        before = learn(History(earlier), job.setup, doubts=job.doubts())
        judged = "Needle and jet are those of the pass before: the drive adds to its readings, no cut is judged."
        if not unchanged(before, here.needle, here.drop_mm):
            judged = compare_pass(before, bands, needle=here.needle, drop_mm=here.drop_mm)
    history.save(path, job=job.name, last_read=last_read)
    _print(history, judged, car)
    print(f"Written: {plain(path.name)}, {counted(len(history.passes), 'pass', 'passes')}.")


def do_compare(asked: Namespace) -> int:
    """Two needles side by side."""
    job = read_job(asked.job)
    first, second = read_needle(asked.first), read_needle(asked.second)
    has_data = bool(job.settings["log"]) or "rpm" in job.settings["bands"]
    result = compare(job.setup, first, second, bands=_bands(job) if has_data else None)
    page = compare_page(result, paper=job.paper())
    print(page.text())
    if job.setup.engine.carburettors > 1 and np.array_equal(first.stations_mm, second.stations_mm):
        print(say.pair(result, job.limits().match_um), end="\n\n")
    if asked.out:
        write_into(Path(asked.out), _forms(page, "compare"), f"--out {asked.out}: the comparison")
        print(f"Written to {plain(asked.out)}: compare.html, .pdf and .txt")
    return USABLE


def do_rank(asked: Namespace) -> int:
    """Needles at hand, by how near each comes to the target unfiled, or as donors."""
    from needlecalc.report.axes import drawn  # late: only what is drawn needs it
    from needlecalc.report.plot import plot

    job, out = read_job(asked.job), _out(asked)
    bands = _bands(job)
    step("Ranking")
    read = read_needles(asked.needles, unit=asked.unit, pitch_mm=asked.pitch_mm)
    found = rank(read, job.target(bands), job.learned(bands))
    found.best()
    shown = found.donors() if asked.donors else found
    made = made_line(now(), job.name, bands.log.sha256 if bands.log is not None else "")
    table = f"{shown.to_frame().to_csv(index=False, float_format='%.6g', lineterminator=chr(10))}# {made}\n"
    write_into(out, {RANKED: table.encode(), "rank.png": drawn(plot(found), "png")}, f"--out {out}: the ranking")
    print(f"{read!r}.\n\n{replace(shown, needles=shown.needles[:MOST_SHOWN], refused=shown.refused[:MOST_SHOWN])}")
    if rest := sum(max(len(some) - MOST_SHOWN, 0) for some in (shown.needles, shown.refused)):
        print(f"{counted(rest, 'needle')} more in {RANKED}.")
    print(f"Written to {plain(str(out))}: {RANKED}, rank.png")
    return USABLE if found.of_use() else NOT_BY_FILING


def do_altitude(asked: Namespace) -> int:
    """The design at other altitudes, with the second check at home."""
    job = read_job(asked.job)
    heights = [_number(word, "The height", "type metres above sea level, such as 1800") for word in asked.heights]
    route = read_route(asked.route) if asked.route else None
    if route is not None and not heights and "trip_m" not in job.settings["altitude"]:
        heights = [float(route.height_m.max())]
    outlook = job.altitude(_stored(asked, job), heights)
    if outlook is None:
        msg = "altitude needs a height: type it after the job in m, or write home_m and trip_m under [altitude]."
        raise InputError(msg)
    card = job.altitude_card(outlook, route)
    out = _out(asked)
    write_into(out, _forms(card.document(), "altitude_card"), f"--out {out}: the altitude card")
    print(outlook, card.text(), sep="\n\n")
    print(f"Written to {plain(str(out))}: altitude_card.html, .pdf and .txt")
    return NOT_BY_FILING if outlook.red() else USABLE
