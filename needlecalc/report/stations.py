"""What a design says of each station and band, and a sheet of each station, as columns and as CSV."""

from __future__ import annotations

import csv
import io
from typing import Any

import numpy as np

from needlecalc.design.inverse.proposal import Design
from needlecalc.physics.gauge import FaceOnMark, contact_position_mm, micrometer_reading_mm
from needlecalc.report.tables import station_columns
from needlecalc.show import Column, Row
from needlecalc.units import FloatArray, inch_from_mm

# Columns of the CSV, with the heads that other programs read.  The last two are empty: readings are typed there.
CSV_HEADS = {
    "station": "station",
    "distance_mm": "distance_mm",
    "present_mm": "present_mm",
    "target_mm": "asked_mm",
    "remove_um": "remove_um",
    "per_side_um": "per_side_um",
    "stop_mm": "first_stop_mm",
    "tolerance_um": "tolerance_um",
    "present_in": "present_in",
    "target_in": "asked_in",
    "data": "data",
}
CSV_READINGS = {
    "present_reads_mm": "present_reads_mm",
    "stop_reads_mm": "first_stop_reads_mm",
    "target_reads_mm": "asked_reads_mm",
}
TO_TYPE = ("measured_mm", "measured_2_mm")
OFF_A_ROD = ("remove_um", "per_side_um")  # nobody knows how thick the rod of a blank is


def facts_of_stations(design: Design, width_mm: float | None, face: FaceOnMark) -> tuple[Column, ...]:
    """Columns of figures at full precision; what the micrometer reads is NaN where nobody knows its anvils."""
    given: dict[str, Any] = {column.key: column for column in station_columns(design)}
    present, stop, target = (np.asarray(given[key].values) for key in ("present_mm", "stop_mm", "target_mm"))
    off = 1e3 * (present - stop)
    tolerance = tolerance_um(design)
    hand = hand_um(design)
    reads = {
        f"{name}_reads_mm": _readings_mm(design, diameters, width_mm, face)
        for name, diameters in (("present", present), ("stop", stop), ("target", target))
    }
    return (
        *given.values(),
        Column("stop_off_um", "", ".1f", off),
        Column("stop_side_um", "", ".1f", off / 2.0),
        Column("stop_in", "", ".5f", inch_from_mm(stop)),
        Column("hold_um", "", ".1f", np.fmax(tolerance, hand) + 0.0 * tolerance),
        Column("finer", "", "", tolerance < hand),
        *(Column(key, "", ".4f", values) for key, values in reads.items()),
    )


def hand_um(design: Design) -> float:
    """Standard error of a filed diameter, in um."""
    return 1e3 * design.learned.doubts.hand_mm


def tolerance_um(design: Design) -> FloatArray:
    """Error that changes the most sensitive band by 1 % lambda, in um; NaN where no metal comes off.

    Of a station between bands or beyond them the finer of its next neighbours' that have one.
    """
    own = design.stations.tolerance_um
    known = np.flatnonzero(np.isfinite(own))
    if not known.size:
        return own
    at = np.arange(own.size)
    before = own[known[np.maximum(np.searchsorted(known, at, side="right") - 1, 0)]]
    after = own[known[np.minimum(np.searchsorted(known, at), known.size - 1)]]
    worked = (design.remove_um() != 0.0) | design.limits.new_blank
    return np.where(worked, np.minimum(before, after), np.nan)


def _readings_mm(design: Design, diameters_mm: FloatArray, width_mm: float | None, face: FaceOnMark) -> FloatArray:
    """What the micrometer reads at each station; NaN where it would stand over the shoulder, or is not known."""
    if width_mm is None:
        return np.full(diameters_mm.size, np.nan)
    stations = design.needle.stations_mm
    readings = micrometer_reading_mm(stations, stations, diameters_mm, face_width_mm=width_mm, face_on_mark=face)
    contact = contact_position_mm(stations, face_width_mm=width_mm, face_on_mark=face)
    return np.where(contact >= stations[0] - 1e-9, readings, np.nan)


def csv_of(design: Design, columns: tuple[Column, ...], rows: list[Row], made: str, *, readings: bool) -> str:
    """Stations as CSV: a header line, a line a station, and last a remark (``#``) that says what made it.

    ``remove_um`` counts down to ``asked_mm``, past the first stop where there is one; of a new blank, which is turned
    from a rod, it is left empty.  ``tolerance_um`` may be finer than a hand holds; the sheet prints there what the hand
    holds, marked.  ``measured_mm`` and ``measured_2_mm`` are empty: the readings at two angles are typed there.
    """
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    heads = CSV_HEADS | (CSV_READINGS if readings else {})
    writer.writerow([*heads.values(), *TO_TYPE])
    forms = {column.key: column.form for column in columns}
    empty = OFF_A_ROD if design.limits.new_blank else ()
    left = dict(zip(range(len(rows)), design.remove_um() == 0.0, strict=True))
    for number, row in enumerate(rows):
        unknown = {*empty, *(("tolerance_um",) if left[number] else ())}
        cells = ["" if key in unknown else _cell(row[key], forms[key]) for key in heads]
        writer.writerow([*cells, *("" for _ in TO_TYPE)])
    return f"{out.getvalue()}# {made}\n"


def _cell(value: float | bool, form: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value != value else format(value, form)
