"""Tables, jobs, histories and logs spoilt at random, and the road each is read by; `draw` says where chance comes from."""

from __future__ import annotations

import copy
import inspect
import io
import json
import os
import tomllib
from collections.abc import Callable, Iterator
from contextlib import redirect_stderr, redirect_stdout
from pathlib import Path
from random import Random
from typing import Any

import numpy as np
from conftest import DATA, DIAMETERS_MM, STATIONS_MM
from right_calls import NAMES, WRONG, arguments, swept_log

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.echo import plain

CELLS = (
    "", "nan", "inf", "-inf", "1e999", "-1", "0", "1e-300", "2,4", "2.4 mm", "x" * 5000, "9" * 5000, "\x00", "\x1b[31m", '"',
    '"a', "\N{VULGAR FRACTION ONE HALF}", "1_0", "0x1", "--", "=1+1", "\ufeff", "\U0001f527", "1e3", "1.2.3", "#", "2.41",
    "13", "\u2028", "\N{ARABIC-INDIC DIGIT TWO}", "12:30", "2024-02-30", "None", "true", "\x85", "1e308",
)  # fmt: skip
HEADS = (
    "station", "distance_mm", "distance_in", "diameter_mm", "diameter_in", "measured_mm", "measured_in", "measured_2_mm",
    "time", "rpm", "lambda", "afr", "map", "lift_mm", "", "x",
)  # fmt: skip
HISTORIES = sorted((Path(__file__).parent / "histories").glob("*.json"))


def needle_table() -> str:
    rows = enumerate(zip(STATIONS_MM, DIAMETERS_MM, strict=True), start=1)
    return "station,distance_mm,diameter_mm\n" + "".join(f"{k},{z:.3f},{d:.4f}\n" for k, (z, d) in rows)


def readings_table() -> str:
    rows = enumerate(DIAMETERS_MM, start=1)
    return "station,measured_mm,measured_2_mm\n" + "".join(f"{k},{d - 0.004:.4f},{d - 0.003:.4f}\n" for k, d in rows)


def log_table() -> str:
    return swept_log()


def spoilt_table(text: str, draw: Random) -> bytes:
    """A table with some slips: of cells, lines, heads, dividers, units or bytes."""
    divider = ","
    rows = [line.split(divider) for line in text.splitlines()]
    for _ in range(draw.choice((1, 1, 1, 2, 4))):
        slip, row = draw.randrange(16), draw.randrange(len(rows)) if rows else 0
        column = draw.randrange(len(rows[row])) if rows and rows[row] else 0
        if not rows or not rows[row]:
            break
        if slip < 3:
            rows[row][column] = draw.choice(CELLS)
        elif slip == 3:
            del rows[row]
        elif slip == 4:
            rows.insert(row, list(rows[draw.randrange(len(rows))]))
        elif slip == 5:
            other = draw.randrange(len(rows))
            rows[row], rows[other] = rows[other], rows[row]
        elif slip == 6:
            del rows[row][column]
        elif slip == 7:
            rows[0][column % len(rows[0])] = draw.choice(HEADS)
        elif slip == 8:
            scale = draw.choice((25.4, 1 / 25.4, -1.0, 1e3, 0.0, 1.001))
            rows = [[_scaled(cell, scale) if n == column else cell for n, cell in enumerate(one)] for one in rows]
        elif slip == 9:
            rows = [[*one, draw.choice(HEADS) if n == 0 else draw.choice((*CELLS, *one))] for n, one in enumerate(rows)]
        elif slip == 10:
            rows.insert(row, [draw.choice(("", "# a remark", "mm", "-----", *CELLS))])
        elif slip == 11:
            divider = draw.choice((",", ";", "\t", "|", " ", ", "))
        elif slip == 12:
            rows = [[cell.replace(".", ",") for cell in one] for one in rows]
        elif slip == 13:
            rows = [one[::-1] for one in rows]
        elif slip == 14:
            rows[0] = [f" {head.title()} " for head in rows[0]]
        else:
            rows = [one[:column] + one[column + 1 :] for one in rows]
    written = draw.choice(("\n", "\n", "\n", "\r\n", "\r")).join(divider.join(one) for one in rows)
    return spoilt_bytes(written.encode(draw.choice(("utf-8",) * 29 + ("utf-16",)), "surrogatepass"), draw)


def spoilt_bytes(raw: bytes, draw: Random) -> bytes:
    """Now and then some bytes lost, changed or put between."""
    if draw.random() < 0.95 or not raw:
        return raw
    at, several = draw.randrange(len(raw)), draw.randint(1, 8)
    return draw.choice(
        (raw[:at], raw[:at] + bytes(draw.randrange(256) for _ in range(several)) + raw[at + several :], raw[at:])
    )


def _scaled(cell: str, scale: float) -> str:
    try:
        return f"{float(cell) * scale:.6g}"
    except ValueError:
        return cell


def written(value: object) -> str:
    """Value in the words of a job file."""
    if isinstance(value, bool | str):
        return json.dumps(value)
    if isinstance(value, list):
        return f"[{', '.join(map(written, value))}]"
    if isinstance(value, dict):
        return f"{{{', '.join(f'{json.dumps(key)} = {written(inner)}' for key, inner in value.items())}}}"
    return repr(value)


def typed_job() -> dict[str, Any]:
    """A job with every section but a log's: what a file may hold."""
    job = tomllib.loads((DATA / "pass_van.toml").read_text(encoding="utf-8"))
    rpm, load = [900, 2000, 3000, 4000], ["idle", "full", "full", "full"]
    del job["log"]
    job["needle"] = {"file": "needle.csv", "name": "van as fitted"}
    job["bands"] = {"rpm": rpm, "lambda_measured": [0.98, 1.03, 1.05, 1.06], "load": load, "lambda_se": 0.004}
    job["lift"] = {"lift_mm": [4.0, 10.0, 16.0, 22.0], "lift_u_mm": 0.4}
    job["checks"]["limits"] = {"total_deg": [36.0, 41.0]}
    job["checks"]["twins"] = {"air": [1.0, 1.02]}
    job["checks"]["needle"] = {"diameters_mm": [round(float(d), 3) for d in DIAMETERS_MM]}
    job["lean_limits"] = {
        "crossing": {"load": "full", "rpm": 3000, "lambda_measured": [1.0, 1.1, 1.2], "rough": [False, False, True]}
    }
    job["target"] = {"idle_co_percent": 1.2, "full": 0.88, "full@3000": {"lambda": 0.9, "weight": 2.0}}
    job["limits"] = {"max_cut_mm": 0.2, "keep": [1], "never_below_mm": {"6": 1.9}, "flats": "half"}
    job["doubts"] = {"sensor_offset": 0.01, "hand_mm": 0.0025, "zero_u_mm": 0.1, "volumetric_efficiency_shape_u": 0.05}
    job["micrometer"] = {"anvil_width_mm": 6.0, "face_on_mark": "centre"}
    job["calibration"] = {"flats": 2.0, "rpm": rpm, "lambda_measured": [0.95, 1.0, 1.02, 1.03], "load": load}
    job["calibration"]["trims"] = [{"flats": 2.0, "lambda_before": 0.98, "lambda_after": 0.91, "turned_back": True}]
    job["history"] = {"file": "passes.json"}
    job["altitude"] = {"home_m": 300, "trip_m": [1500], "acknowledged": "A. N. Owner"}
    return job


def places(tree: object, at: tuple[Any, ...] = ()) -> Iterator[tuple[Any, ...]]:
    """Way down to every value of a tree."""
    inner = tree.items() if isinstance(tree, dict) else enumerate(tree) if isinstance(tree, list) else ()
    for key, value in inner:
        yield (*at, key)
        yield from places(value, (*at, key))


PLAIN = [one for one in WRONG.values() if isinstance(one, str | bool | int | float | list | dict | None)]


def spoilt_tree(whole: Any, draw: Random, slips: int, *, mildly: bool = False) -> Any:
    """A job or a history with so many of its values, keys or entries otherwise."""
    tree = copy.deepcopy(whole)
    values = [one for one in PLAIN if not isinstance(one, dict) or all(isinstance(key, str) for key in one)]
    for _ in range(slips):
        known = list(places(tree))
        if not known:
            break
        *way, last = draw.choice(known)
        here = tree
        for step in way:
            here = here[step]
        value, slip = here[last], draw.randrange(8)
        # A whole number of hundreds of digits is an odd input itself, but cannot be multiplied by a float.
        number = isinstance(value, int | float) and not isinstance(value, bool) and not abs(value) > 1e300
        if mildly and not number:
            continue
        if mildly or (number and slip < 4):
            here[last] = value * draw.choice(
                (0.5, 0.9, 1.1, 2.0, 10.0, 0.0, -1.0, 1e3) if not mildly else (0.7, 0.9, 1.1, 1.4, 2.5, 0)
            )
        elif slip < 5:
            here[last] = copy.deepcopy(draw.choice(values))
        elif slip == 5:
            del here[last]
        elif isinstance(here, dict):
            here[draw.choice(("x", "a" * 300, "a\x1b", "file", f"{last}_", "1"))] = here.pop(last)
        else:
            here.append(copy.deepcopy(value))
    return tree


def as_toml(job: dict[str, Any]) -> str:
    return "".join(f"{json.dumps(key)} = {written(value)}\n" for key, value in job.items())


def as_json(tree: object) -> str:
    """Whole numbers of thousands of digits are written out too, as no program would."""
    return json.dumps(tree, default=str)


# The roads: each writes its input into a folder, reads it, and hands back arrays that must be finite.


def read_a_needle(draw: Random, folder: Path) -> list[Any]:
    (folder / "n.csv").write_bytes(spoilt_table(needle_table(), draw))
    pitch, fill = draw.choice((None, None, 3.175)), draw.random() < 0.5
    column = draw.choice((None,) * 8 + ("diameter_mm", "diameter_in", draw.choice(CELLS)))
    needle = nc.read_needle(folder / "n.csv", pitch_mm=pitch, fill_blanks=fill, diameter_column=column)
    str(needle)
    return [needle.stations_mm, needle.diameters_mm]


def read_some_readings(draw: Random, folder: Path) -> list[Any]:
    (folder / "r.csv").write_bytes(spoilt_table(readings_table(), draw))
    present = nc.Needle("n", STATIONS_MM, DIAMETERS_MM)
    readings = nc.parts.read_readings(folder / "r.csv", present)
    measured = nc.parts.measured_needle(present, readings, file_down=draw.random() < 0.5)
    return [measured.diameters_mm, np.nan_to_num(readings, nan=0.0)]


def read_a_history(draw: Random, folder: Path) -> list[Any]:
    whole = json.loads(draw.choice(HISTORIES).read_text(encoding="utf-8"))
    try:
        text = as_json(spoilt_tree(whole, draw, draw.choice((1, 1, 2))))
    except ValueError:  # a whole number that Python does not write
        text = "[" * 5000
    (folder / "p.json").write_bytes(spoilt_bytes(text.encode("utf-8", "surrogatepass"), draw))
    history = nc.read_history(folder / "p.json")
    str(history)
    return [
        one for kept in history.passes for one in (kept.bands.lambda_measured, kept.bands.lift_mm, kept.needle.diameters_mm)
    ]


def read_a_job(draw: Random, folder: Path) -> list[Any]:
    job = _job(draw, folder, spoilt_tree(typed_job(), draw, draw.choice((1, 1, 1, 2, 3))))
    bands = job.bands(job.read_log())
    str(job.checks(bands))
    target = job.target(bands)
    str(target), job.doubts(), job.lean_limits(), job.history_path()
    return [bands.lambda_measured, bands.lift_mm, bands.lift_u_mm, target.lambda_target, target.weight]


def _job(draw: Random, folder: Path, tree: dict[str, Any]) -> nc.Job:
    (folder / "needle.csv").write_text(needle_table(), encoding="utf-8")
    try:
        text = as_toml(tree)
    except ValueError:  # a whole number that Python does not write
        text = f"a = {'9' * 5000}"
    (folder / "job.toml").write_bytes(spoilt_bytes(text.encode("utf-8", "surrogatepass"), draw))
    return nc.read_job(folder / "job.toml")


def design_by_a_job(draw: Random, folder: Path) -> list[Any]:
    """A whole design and its sheet, from a job whose figures are off but could be meant."""
    job = _job(draw, folder, spoilt_tree(_short(typed_job(), draw), draw, draw.randint(1, 4), mildly=True))
    design = job.design(job.bands(job.read_log()))
    sheet = job.sheet(design)
    assert "nan" not in sheet.text().replace("nance", "")
    sheet.csv()
    stages = (design.final, design.stop)
    figures = [getattr(stage, what) for stage in stages for what in ("expected", "low", "high")]
    chances = [chance for stage in stages for chance in (stage.chance_rich, stage.chance_fails)]
    needles = [stage.needle.diameters_mm for stage in stages]
    return [*figures, *needles, np.array([*chances, design.drop_mm], dtype=float)]


def run_a_command(draw: Random, folder: Path) -> list[Any]:
    """The command line: what it prints is fit for a terminal, and it ends with a code of its own."""
    odd_name, job = draw.choice(("van", "a\x1b[31m", r"$\frac{1}{$", "\n", "x" * 300)), _short(typed_job(), draw)
    job["bands"]["lambda_measured"] = [0.96, 1.02, 1.04, 1.05]
    kept = draw.choice(("kept.json", "kept\x1b[31m.json"))
    tree = spoilt_tree({**job, "name": odd_name, "history": {"file": kept}}, draw, draw.randrange(3), mildly=True)
    (folder / "job.toml").write_bytes(as_toml(tree).encode("utf-8", "surrogatepass"))
    (folder / "needle.csv").write_text(needle_table(), encoding="utf-8")
    (folder / "n.csv").write_bytes(spoilt_table(needle_table(), draw))
    (folder / "l.csv").write_bytes(spoilt_table(log_table(), draw))
    (folder / "r.csv").write_bytes(
        spoilt_table(readings_table(), draw) if draw.random() < 0.7 else readings_table().encode()
    )
    whole = json.loads(draw.choice(HISTORIES).read_text(encoding="utf-8"))
    (folder / kept).write_text(json.dumps(spoilt_tree(whole, draw, draw.randrange(2), mildly=True)), encoding="utf-8")
    typed = [draw.choice((f"{d - 0.003:.4f}", f"{d - 0.003:.4f}", "-", *CELLS[:9])) for d in DIAMETERS_MM]
    words = draw.choice(
        (
            ["measured", "job.toml", "--file", "r.csv", *draw.choice(([], ["--save", "saved.csv"], ["--file-down"]))],
            ["measured", "job.toml", *typed],
            ["learn", "job.toml"],
            ["learn", "job.toml", "--undo"],
            ["compare", "n.csv", "needle.csv", "--job", "job.toml"],
            ["keys", draw.choice((*job, *CELLS))],
            ["new", f"made {draw.random()}", "--log", "l.csv"],
        )
    )
    home, said = Path.cwd(), io.StringIO()
    try:
        os.chdir(folder)
        with redirect_stdout(said), redirect_stderr(said):
            code = main([str(folder / word) if word.endswith((".csv", ".toml")) else word for word in words])
    except SystemExit as end:  # the words are no command
        code = end.code
    finally:
        os.chdir(home)
    assert code in (0, 2, 3, 4), code
    assert all(plain(line) == line for line in said.getvalue().split("\n")), said.getvalue()
    if code == 2:
        raise nc.InputError(said.getvalue().splitlines()[-1])
    return []


def _short(job: dict[str, Any], draw: Random) -> dict[str, Any]:
    """The job without some of the sections that it may go without."""
    for name in ("altitude", "calibration", "limits", "lean_limits", "checks", "doubts", "micrometer", "air", "fuel"):
        if draw.random() < 0.4:
            del job[name]
    del job["history"]
    return job


def read_a_log(draw: Random, folder: Path) -> list[Any]:
    lines = log_table().splitlines(keepends=True)
    start = draw.randrange(len(lines) - 60)
    (folder / "l.csv").write_bytes(spoilt_table(lines[0] + "".join(lines[start : start + 60]), draw))
    columns = draw.choice((None, None, None, {"time": draw.choice(HEADS)}, {draw.choice(HEADS): draw.choice(CELLS)}))
    units = draw.choice((None, None, None, {"time": draw.choice(CELLS)}, {"lambda": "afr"}))
    log = nc.read_log(folder / "l.csv", columns=columns, units=units, decimal=draw.choice((None, None, ".", ",", "x")))
    str(log), log.report()
    return [log.time_s, log.rpm[log.flag == 0], log.lambda_measured[log.flag == 0]]


def call_with_a_wrong_kind(draw: Random, calls: dict[str, dict[str, Any]], names: tuple[str, ...]) -> list[Any]:
    name = draw.choice(names)
    keys = list(arguments(name))
    wrong = {draw.choice(keys): draw.choice(list(WRONG.values())) for _ in range(draw.randint(1, 2))}
    NAMES[name](**{**calls[name], **wrong})
    return []


def methods(calls: dict[str, dict[str, Any]]) -> list[tuple[Callable[..., Any], list[inspect.Parameter]]]:
    """Public methods that take something, of the records that the right calls hold, with what they take."""
    held = {
        type(one): one for given in calls.values() for one in given.values() if type(one).__module__.startswith("needlecalc")
    }
    held[nc.Bands] = calls["make_target"]["bands"]
    found = []
    for one in held.values():
        for name, method in inspect.getmembers(one, inspect.ismethod):
            taken = [
                by
                for by in inspect.signature(method).parameters.values()
                if by.default is by.empty and by.kind is not by.VAR_KEYWORD
            ]
            if name[0] != "_" and taken and name != "save":
                found.append((method, taken))
    return found


def call_a_method_with_a_wrong_kind(
    draw: Random, known: list[tuple[Callable[..., Any], list[inspect.Parameter]]]
) -> list[Any]:
    method, taken = draw.choice(known)
    given = {by: draw.choice(list(WRONG.values())) for by in taken}
    loose = [value for by, value in given.items() if by.kind is by.VAR_POSITIONAL]
    method(*loose, **{by.name: value for by, value in given.items() if by.kind is not by.VAR_POSITIONAL})
    return []
