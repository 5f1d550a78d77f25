"""Make the invented family of needles: six tapers of ten needles each, all for one jet.

Run from this folder: ``python make_needles.py``.  Nothing is drawn at random, so the file comes out the same.

A taper says how quickly a needle falls away towards its tip, its number how thick it is near idle (01 and 02 thickest) and
where the quicker taper begins (even numbers a station later).  Nobody ever sold them.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

BORE_MM, PITCH_MM, STATIONS = 2.54, 3.175, 13
# Gap on diameter: narrow at the shoulder, then open by so much a station, at first a little less than towards the tip.
SHOULDER_GAP_MM, IDLE_GAP_MM, EARLY_MM = 0.055, 0.080, 0.069
LATE_MM = (0.084, 0.091, 0.098, 0.105, 0.112, 0.119)
THICKER = (-0.10, -0.05, 0.0, 0.05, 0.10)  # of the early taper: the thickest first
EARLY_STATIONS = (5, 6)  # last station of the early taper: odd numbers, even numbers
SHORT = 12  # stations of the needles of the steepest taper


def family() -> dict[str, list[float]]:
    """Diameters in mm at the stations, by the name of the needle."""
    needles = {}
    for taper, late in enumerate(LATE_MM, start=1):
        stations = SHORT if taper == len(LATE_MM) else STATIONS
        for thickness, more in enumerate(THICKER):
            for form, last in enumerate(EARLY_STATIONS):
                steps = np.where(np.arange(3, stations + 1) <= last, EARLY_MM * (1 + more), late)
                gap = np.r_[SHOULDER_GAP_MM, IDLE_GAP_MM, IDLE_GAP_MM + np.cumsum(steps)]
                number = 2 * thickness + form + 1
                needles[f"taper {taper} no. {number:02d}"] = np.round(BORE_MM - gap, 3).tolist()
    return needles


def lines() -> list[str]:
    """Lines of the table: a row a needle, blank where it has no station."""
    text = [
        "# Invented needles for an invented jet of 2.54 mm, made by make_needles.py: measured from nothing, sold by nobody"
    ]
    text.append(",".join(["needle", "pitch_mm", *(f"station_{k}_mm" for k in range(1, STATIONS + 1))]))
    for name, diameters in family().items():
        cells = [f"{one:.3f}" for one in diameters] + [""] * (STATIONS - len(diameters))
        text.append(",".join([name, f"{PITCH_MM:g}", *cells]))
    return text


if __name__ == "__main__":
    (Path(__file__).parent / "needles.csv").write_text("\n".join(lines()) + "\n", encoding="utf-8")
