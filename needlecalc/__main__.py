"""The command line: ``design``, ``measured`` at the bench, ``learn`` after the drive, and ``compare`` for two needles."""

from __future__ import annotations

import argparse
import io
import json
import os
import sys
from collections.abc import Iterator, Sequence
from contextlib import contextmanager
from pathlib import Path

import matplotlib
import numpy as np

from needlecalc.design.after.outcome import compare_pass
from needlecalc.design.after.progress import judge_cut
from needlecalc.design.after.refit import unchanged
from needlecalc.design.after.rescue import rescue
from needlecalc.design.belief.history import History, read_history
from needlecalc.design.belief.learn import learn
from needlecalc.design.forward.predict import compare
from needlecalc.design.inverse.twins import pair_check
from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError, NeedleCalcError, SolveError
from needlecalc.files import cannot_write, fingerprint, write_files
from needlecalc.job import Job, read_job
from needlecalc.jobfaults import JobFaults
from needlecalc.jobkeys import key_tables, schema
from needlecalc.jobnew import NEEDLE, copy_demo, new_job
from needlecalc.jobparts import path_in
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.measured import read_readings
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.report.facts import facts_of
from needlecalc.report.pages import pdf_of, profile_png_of
from needlecalc.report.sheet import GrindSheet
from needlecalc.show import counted
from needlecalc.units import FloatArray
from needlecalc.version import __version__, made_line, now

USABLE, BAD_INPUT, NOT_BY_FILING, LOCKED = 0, 2, 3, 4
CUT_SHORT = 1


def main(arguments: Sequence[str] | None = None) -> int:
    """Exit code of one command.

    Parameters
    ----------
    arguments : sequence of str or None
        The words of the command; those of the process when not given.

    Returns
    -------
    int
        0 usable, 1 output cut short by its reader, 2 bad input, 3 cannot be met by filing, or overcut, 4 locked by a
        red check.
    """
    parser = argparse.ArgumentParser(prog="needlecalc", description=__doc__)
    parser.add_argument("--version", action="version", version=f"needlecalc {__version__}")
    commands = parser.add_subparsers(dest="command", required=True)
    design = commands.add_parser("design", help="grind sheet from a job file")
    design.add_argument("job", help="job file, TOML")
    design.add_argument("--out", help="folder to write into, made where missing; 'out' beside the job when not given")
    bench = commands.add_parser("measured", help="where the file stands: micrometer readings against the first stop")
    bench.add_argument("job", help="job file, TOML, as it was for the design")
    bench.add_argument("readings", nargs="*", help="diameter at each station in mm, - where not measured")
    bench.add_argument("--file", help="the readings as a table instead: station, measured_mm, measured_2_mm")
    bench.add_argument("--file-down", action="store_true", help="take stations beyond a waist as filed down to it")
    bench.add_argument("--save", help="file to write the needle as measured into, CSV, for the job after the next drive")
    taught = commands.add_parser("learn", help="keep the job's drive as a pass and say what it taught")
    taught.add_argument("job", help="job file, TOML, with a [history]")
    taught.add_argument("--undo", action="store_true", help="forget the last pass kept, where it was a mistake")
    two = commands.add_parser("compare", help="two needle tables in the setup of a job")
    two.add_argument("first", help="needle table, CSV")
    two.add_argument("second", help="needle table, CSV")
    two.add_argument("--job", required=True, help="job file, TOML")
    keys = commands.add_parser("keys", help="every key of a job: kind, unit, default, range, what it is")
    keys.add_argument("section", nargs="?", help="one section, with those inside it; all when not given")
    keys.add_argument("--schema", action="store_true", help="a JSON Schema of the job instead, for editors")
    new = commands.add_parser("new", help="begin a job: a job file and a needle table to fill in")
    new.add_argument("folder", help="folder to write into, made where missing")
    how = new.add_mutually_exclusive_group()
    how.add_argument("--gauge", action="store_true", help="lambda read off a gauge, no logger (the usual)")
    how.add_argument("--log", help="log of a drive: its columns, units and bands go into the job")
    how.add_argument("--demo", action="store_true", help="the demo instead, ready to run")
    new.add_argument("--slide", action="store_true", help="for a slide that the throttle pulls, not a piston")
    asked, left = parser.parse_known_args(arguments)
    if asked.command == "measured":
        # Options may stand among the readings: what follows one comes back as left over.
        asked.readings += [word for word in left if not word.startswith("--")]
        left = [word for word in left if word.startswith("--")]
    if left:
        parser.error(f"unrecognized arguments: {plain(' '.join(left), LONGEST_NAME)}")
    if isinstance(sys.stdout, io.TextIOWrapper):
        sys.stdout.reconfigure(errors="backslashreplace")  # a name may hold letters the terminal cannot show
    matplotlib.use("Agg")
    try:
        for name, word in vars(asked).items():
            if isinstance(word, str) and "\0" in word:
                msg = f"{name} is {shown(word)}, but no file can have that name; check it."
                raise InputError(msg)
        if asked.command == "keys":
            print(
                json.dumps(schema(), indent=1)
                if asked.schema
                else "\n\n".join(one.text() for one in key_tables(asked.section))
            )
            return USABLE
        if asked.command == "new":
            return _new(asked)
        if asked.command == "design":
            return _design(asked.job, Path(asked.out) if asked.out else Path(asked.job).parent / "out")
        if asked.command == "measured":
            return _measured(asked)
        if asked.command == "learn":
            return _forget(asked.job) if asked.undo else _learn(asked.job)
        return _compare(asked)
    except BrokenPipeError:
        # The reader of our output (a pager, head) has seen enough; keep Python from complaining at exit.
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return CUT_SHORT
    except JobFaults as error:
        for fault in error.faults:
            print(f"needlecalc: {fault}", file=sys.stderr)
        return BAD_INPUT
    except NeedleCalcError as error:
        print(f"needlecalc: {error}", file=sys.stderr)
        return BAD_INPUT


def _new(asked: argparse.Namespace) -> int:
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


@contextmanager
def _told(said: list[str]) -> Iterator[None]:
    """Where a later step fails, print what was read and assumed until then: it may be why."""
    try:
        yield
    except NeedleCalcError:
        _print(said)
        raise


def _print(said: list[str]) -> None:
    for words in said:
        print(words, end="\n\n")


def _design(job_path: str, out: Path) -> int:
    job = read_job(job_path)
    said: list[str] = []
    with _told(said):
        bands = _bands(job, said)
        if (shift := job.jet_drive(bands)) is not None:
            said.append(str(shift))
        found = job.checks(bands)
        said.append(str(found))
        try:
            found.gate()
        except SolveError as error:
            _print(said)
            print(f'needlecalc: {error} In the job: [checks] override = "the reason".', file=sys.stderr)
            return LOCKED
        made = job.design(bands)
        sheet = job.sheet(made)
        _write(sheet, out)
    _print(said)
    print(sheet.text())
    print(f"Written to {plain(str(out))}: design.json, grind_sheet.csv, grind_sheet.pdf, grind_sheet.txt, profile.png")
    if job.history_path() is not None:
        print(
            f"Before the job is changed for the next drive: python -m needlecalc learn {Path(job_path).name} keeps this one."
        )
    return USABLE if made.met else NOT_BY_FILING


def _bands(job: Job, said: list[str]) -> Bands:
    """Bands of the job's drive; what its log and they tell goes on the list."""
    log = job.read_log()
    if log is not None:
        said.append(log.report())
    bands = job.bands(log)
    said.append(str(bands))
    return bands


def _write(sheet: GrindSheet, out: Path) -> None:
    """All files are made before any is written: a failure leaves those of the last design."""
    contents = {
        "design.json": json.dumps(facts_of(sheet), indent=1, allow_nan=False).encode(),
        "grind_sheet.csv": sheet.csv().encode(),
        "grind_sheet.pdf": pdf_of(sheet),
        "grind_sheet.txt": sheet.text().encode(),
        "profile.png": profile_png_of(sheet),
    }
    what = f"--out {out}: the sheet"
    try:
        out.mkdir(parents=True, exist_ok=True)
    except OSError as error:
        raise cannot_write(what, error) from error
    write_files({out / name: content for name, content in contents.items()}, what)


def _measured(asked: argparse.Namespace) -> int:
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
    said: list[str] = []
    with _told(said):
        made = job.design(_bands(job, said))
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


def _place_to_save(asked: argparse.Namespace, job: Job) -> Path:
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
    out = []
    for station, word in enumerate(words, start=1):
        try:
            out.append(float("nan") if word == "-" else float(word))
        except ValueError as error:
            msg = f"The reading of station {station} is {shown(word)}, not a number; type mm with a point, or - for none."
            raise InputError(msg) from error
    return np.array(out)


def _history_path(job: Job) -> Path:
    path = job.history_path()
    if path is None:
        msg = 'The job keeps no passes; add [history] with file = "passes.json" to it.'
        raise InputError(msg)
    return path


def _forget(job_path: str) -> int:
    job = read_job(job_path)
    path = _history_path(job)
    last_read = fingerprint(path)
    if not path.exists():
        msg = f"{path.name}: no pass is kept yet, so there is none to forget."
        raise InputError(msg)
    before = list(read_history(path).passes)
    forgotten = [before.pop()]
    while before and before[-1].jet_drive:
        forgotten.insert(0, before.pop())
    _print([str(one) for one in forgotten])
    if before:
        History(tuple(before)).save(path, job=job.name, last_read=last_read)
    else:
        write_files({path: None}, f"{path.name}: the history", last_read=last_read)
    left = f"{counted(len(before), 'pass', 'passes')} kept" if before else "none is kept, and the file is no more"
    print(f"Forgotten: {counted(len(forgotten), 'pass', 'passes')}, printed above; in {plain(path.name)} {left}.")
    return USABLE


def _learn(job_path: str) -> int:
    job = read_job(job_path)
    path = _history_path(job)
    last_read = fingerprint(path)
    said: list[str] = []
    with _told(said):
        bands = _bands(job, said)
        passes = job.passes(bands)
        if (shift := job.jet_drive(bands)) is not None:
            said.append(str(shift))
        *earlier, here = passes.passes
        # A drive with the jet moved belongs to the present one: no cut lies between.
        while earlier and earlier[-1].jet_drive:
            earlier.pop()
        learned = learn(passes, job.setup, doubts=job.doubts())
        if not earlier:
            judged = "The first pass: there is nothing to compare it with yet."
        elif unchanged(before := learn(History(tuple(earlier)), job.setup, doubts=job.doubts()), here.needle, here.drop_mm):
            judged = "Needle and jet are those of the pass before: the drive adds to its readings, no cut is judged."
        else:
            judged = str(compare_pass(before, bands, needle=here.needle, drop_mm=here.drop_mm))
        passes.save(path, job=job.name, last_read=last_read)
    _print([*said, str(passes), judged, str(learned)])
    print(f"Written: {plain(path.name)}, {counted(len(passes.passes), 'pass', 'passes')}.")
    return USABLE


def _compare(asked: argparse.Namespace) -> int:
    job = read_job(asked.job)
    first, second = read_needle(asked.first), read_needle(asked.second)
    has_data = bool(job.settings["log"]) or "rpm" in job.settings["bands"]
    said: list[str] = []
    with _told(said):
        bands = _bands(job, said) if has_data else None
        result = compare(job.setup, first, second, bands=bands)
    print(result)
    if bands is not None:
        print()
        print(result.band_table().text())
    if job.setup.engine.carburettors > 1 and np.array_equal(first.stations_mm, second.stations_mm):
        print(f"\n{pair_check(first, second, setup=job.setup)!r}")
    return USABLE


if __name__ == "__main__":
    sys.exit(main())
