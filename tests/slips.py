"""Slips of the pen that a user makes in a job, each worked into a copy of the demo.

The first twelve came with the task of catching them, the other twelve were chosen before any check was written.
"""

from __future__ import annotations

import csv
import re
import shutil
from collections.abc import Callable
from pathlib import Path

DATA = Path(__file__).parent.parent / "data"
JOB, NEEDLE, LOG = "pass_van.toml", "pass_van_needle.csv", "pass_van_drive.csv"
MARKERS = "[nan, nan, 8.9, nan, nan, 15.4, nan, 21.8, nan, nan, 28.4]"
Slip = Callable[[Path], None]


def demo_in(folder: Path) -> Path:
    """A copy of the demo's job; its path."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in (JOB, NEEDLE, LOG):
        shutil.copy(DATA / name, folder / name)
    return folder / JOB


def _typed(key: str, value: object) -> Slip:
    """Another value of one key of the job."""

    def slip(folder: Path) -> None:
        text, count = re.subn(rf"(?m)^{key} = .*$", f"{key} = {value}", (folder / JOB).read_text(encoding="utf-8"))
        assert count == 1, f"{key} stands {count} times in the job"
        (folder / JOB).write_text(text, encoding="utf-8")

    return slip


def _needle(change: Callable[[int, float, float], tuple[float, float]]) -> Slip:
    """Other figures in the needle table: station, distance and diameter in, distance and diameter out."""

    def slip(folder: Path) -> None:
        lines = (folder / NEEDLE).read_text(encoding="utf-8").splitlines()
        head = lines.index("station,distance_mm,diameter_mm")
        rows = [line.split(",") for line in lines[head + 1 :]]
        out = []
        for number, place, diameter in rows:
            where, across = change(int(number), float(place), float(diameter))
            out.append(f"{number},{where:.4f},{across:.4f}")
        (folder / NEEDLE).write_text("\n".join([*lines[: head + 1], *out]) + "\n", encoding="utf-8")

    return slip


def _log(column: str, change: Callable[[float], float], name: str | None = None) -> Slip:
    """Another scale of one column of the log, and another name."""

    def slip(folder: Path) -> None:
        with (folder / LOG).open(encoding="utf-8", newline="") as file:
            rows = list(csv.reader(file, delimiter=";"))
        place = rows[0].index(column)
        for row in rows[1:]:
            if row[place]:
                row[place] = f"{change(float(row[place].replace(',', '.'))):.4f}".replace(".", ",")
        rows[0][place] = name or column
        with (folder / LOG).open("w", encoding="utf-8", newline="") as file:
            csv.writer(file, delimiter=";").writerows(rows)

    return slip


def _markers(change: Callable[[list[str]], list[str]]) -> Slip:
    lifts = MARKERS.strip("[]").split(", ")
    return _typed("lift_mm", "[" + ", ".join(change(list(lifts))) + "]")


def _moved(by: float) -> Slip:
    return _markers(lambda lifts: [one if one == "nan" else f"{float(one) + by:.1f}" for one in lifts])


def _one_station(station: int, diameter_mm: float) -> Slip:
    return _needle(lambda number, place, diameter: (place, diameter_mm if number == station else diameter))


def _swapped(lifts: list[str]) -> list[str]:
    lifts[5], lifts[7] = lifts[7], lifts[5]
    return lifts


def _fuel_hot(folder: Path) -> None:
    text = (folder / JOB).read_text(encoding="utf-8")
    assert text.count("temperature_degc = 28.0") == 1
    (folder / JOB).write_text(text.replace("temperature_degc = 28.0", "temperature_degc = 82.0"), encoding="utf-8")


SLIPS: dict[str, Slip] = {
    "station 11 typed 1.573 for 1.753": _one_station(11, 1.573),
    "station 8 typed 1.950 for 2.005": _one_station(8, 1.950),
    "lifts all 3 mm too great": _moved(3.0),
    "lifts all 3 mm too small": _moved(-3.0),
    "lifts one band early": _markers(lambda lifts: [*lifts[1:], "nan"]),
    "shoulder offset 3.175 for 0": _typed("shoulder_offset_mm", 3.175),
    "jet height 6.1 for 1.6": _typed("drop_mm", 6.1),
    "light and full swapped": _typed("loads_kpa", "{ full = [40, 70], part = [70, 88], light = [88, 110] }"),
    "preload in lbf for N": _typed("spring_preload_n", 0.49),
    "rate in lb/in for N/mm": _typed("spring_rate_n_mm", 0.114),
    "two carburettors for one": _typed("carburettors", 2),
    "AFR on a scale of 14.08": _log("lambda", lambda value: 14.08 * value, "AFR"),
    "bore 2.64 for 2.54": _typed("bore_mm", 2.64),
    "radii for diameters": _needle(lambda _, place, diameter: (place, diameter / 2.0)),
    "distances in inch": _needle(lambda _, place, diameter: (place / 25.4, diameter)),
    "float level 60 for 6": _typed("float_level_mm", 60.0),
    "displacement 2150 for 1250": _typed("displacement_cm3", 2150),
    "throat 24 for 42": _typed("throat_bore_mm", 24.0),
    "disc radius for diameter": _typed("disc_diameter_mm", 33.0),
    "piston mass 0.034 for 0.34": _typed("piston_mass_kg", 0.034),
    "speed read twice too high": _log("engine_rpm", lambda value: 2.0 * value),
    "manifold pressure 10 kPa low": _log("manifold_kpa", lambda value: value - 10.0),
    "fuel 82 degF typed as degC": _fuel_hot,
    "two lifts swapped": _markers(_swapped),
}
