"""The needle as it is: micrometer readings, their noise levelled and their slips refused."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import isotonic_regression

from needlecalc.arrays import check_each, check_range
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.parts.needle import LEAST_DIAMETER_MM, Needle, read_table_file
from needlecalc.units import MM_PER_INCH, FloatArray

WITHIN_UM = 8.0
OVAL_UM = 10.0
MOST_MM = 25.0  # what the usual micrometer opens to
MOST_OFF_MM = 0.4  # more than any file takes between two measurements: a slip of the pen
WORTH_SAYING_MM = 5e-5
KEEP_ONE = "keep the right one"


def measured_needle(
    present: Needle,
    readings_mm: ArrayLike,
    *,
    name: str | None = None,
    within_um: float = WITHIN_UM,
    oval_um: float = OVAL_UM,
    filed: NDArray[np.bool_] | None = None,
    file_down: bool = False,
) -> Needle:
    r"""Needle from micrometer readings at the stations of the needle it was filed from.

    Parameters
    ----------
    present : Needle
        The needle before the file, as last measured.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station, at one angle or at two square to each other; NaN where none was taken.
        [mm]
    name : str or None
        Name of the needle; that of the present one with ", measured" when not given.
    within_um : float
        Reversed taper, or metal gained, that passes as noise of two readings; more is refused. [um]
    oval_um : float
        Greatest difference of the two angles. [um]
    filed : array of bool, shape (n,), or None
        Stations the file was meant for: each must be read, and the others keep their metal where not read.
        When not given, a station without a reading keeps its metal only between neighbours that lost none.
    file_down : bool
        True takes stations beyond a waist as filed down to it, instead of refusing the reversed taper.

    Returns
    -------
    Needle
        Its taper never reversed and nowhere thicker than the present; ``source`` says what was done to the
        readings.

    Raises
    ------
    InputError
        If readings are missing where the file was, look like inches or like a slip, show an oval, a reversed
        taper, or metal that grew.

    Notes
    -----
    Small reversals are levelled by isotonic regression, the nearest taper in the sense of least squares (Barlow et al.,
    *Statistical Inference under Order Restrictions*, Wiley, 1972, chapter 1, from memory); then no diameter may exceed the
    present one.  The usual ``within_um`` refuses one sound station in some ten thousand.

    Examples
    --------
    >>> stock = Needle("stock", [0, 3.175, 6.35, 9.525], [2.45, 2.41, 2.36, 2.34])
    >>> filed = measured_needle(stock, [2.451, 2.400, 2.331, 2.333])
    >>> print(filed.diameters_mm)
    [2.45 2.4 2.332 2.332]
    >>> filed.source
    'measured; reversals of up to 2.0 um levelled at stations 3 to 4; 1 thicker by up to 1.0 um taken as before'
    """
    check_range(within_um, "within_um", 0.0, 30.0, cure="It is in um; two readings differ by some 2.")
    check_range(oval_um, "oval_um", 0.0, 100.0, cure="It is in um, on diameter.")
    rows, before = _rows(present, readings_mm), present.diameters_mm
    angles, oval = np.isfinite(rows).sum(axis=0), 1e3 * np.abs(rows[0] - rows[-1])
    taken, mean = angles > 0, np.where(angles > 0, np.nansum(rows, axis=0) / np.maximum(angles, 1), np.nan)
    values = np.where(taken, mean, before)
    rise = values - np.minimum.accumulate(values)
    reversed_ = rise > 1e-3 * within_um
    for fault in _faults(present, mean, oval, within_um, oval_um, filed):
        raise InputError(fault)
    if reversed_.any() and not file_down:
        raise InputError(_waist(values, rise, reversed_))
    words = ["measured" if len(rows) == 1 else f"measured at two angles, {_most_oval(oval)}"]
    if not taken.all():
        words.append(f"not measured and taken as before: {_stations(~taken)}")
    if reversed_.any():
        values = np.where(reversed_, np.minimum.accumulate(values), values)
        words.append(f"filed down to the waist: {_stations(reversed_)}")
    level = np.asarray(isotonic_regression(values, increasing=False).x)
    moved = np.abs(level - values) > WORTH_SAYING_MM
    if moved.any():
        most = 1e3 * float((values - np.minimum.accumulate(values)).max())
        words.append(f"reversals of up to {most:.1f} um levelled at {_stations(moved)}")
    above = level - before > WORTH_SAYING_MM
    if above.any():
        most = 1e3 * float((level - before).max())
        words.append(f"{listed(np.flatnonzero(above) + 1)} thicker by up to {most:.1f} um taken as before")
    # The lesser of two falling tapers falls too.
    return Needle(name or f"{present.name}, measured", present.stations_mm, np.minimum(level, before), "; ".join(words))


def read_readings(path: str | Path, present: Needle) -> FloatArray:
    r"""Micrometer readings from a table file.

    Parameters
    ----------
    path : str or Path
        Text divided as for ``read_needle``.  Header: ``station`` (from 1) and ``measured_mm`` or ``measured_in``;
        ``measured_2_mm`` or ``measured_2_in`` for a second angle.  Other columns are passed over; an empty cell, nan or inf
        is a station not measured.
    present : Needle
        The needle before the file.

    Returns
    -------
    array, shape (n,) or (2, n)
        Readings in the order of the stations; NaN where there is none. [mm]

    Raises
    ------
    LogFormatError
        If a line cannot be read; the message names file, line and cure.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder, "bench.csv")
    ...     _ = file.write_text("station,measured_mm\n1,2.449\n2,2.398")
    ...     print(read_readings(file, Needle("filed", [0.0, 3.175], [2.45, 2.40])))
    [2.449 2.398]
    """
    path = Path(path)
    need = "a header with station and measured_mm (or measured_in), and a line a station."
    table = read_table_file(path, "the table of readings", need)
    heads, first = table.heads, table.length_column("measured", KEEP_ONE)
    if first is None or "station" not in heads:
        table.refuse(f"it needs {need}", table.head_line)
    use = [column for column in (first, table.length_column("measured_2", KEEP_ONE)) if column is not None]
    out = np.full((len(use), present.stations_mm.size), np.nan)
    at, seen = heads.index("station"), set[float]()
    for line, cells in table.lines:
        cell, cure = cells[at], "number the stations as the sheet does."
        station = table.number(line, at, cell, cure)
        if station not in range(1, out.shape[1] + 1) or station in seen:
            msg = f"{shown(cell)} must be a number from 1 to {out.shape[1]}, each once; {cure}"
            table.refuse(msg, line, "station")
        seen.add(station)
        for row, (column, factor) in enumerate(use):
            cell = cells[column]
            if not table.blank(cell):
                reading = table.number(line, column, cell, "type the reading, or leave it empty.")
                out[row, int(station) - 1] = factor * reading
    return out if len(use) > 1 else np.asarray(out[0])


def listed(numbers: Sequence[int] | NDArray[np.intp], to: str = " to ") -> str:
    """Numbers of stations, rising, as a sheet says them: 2, 5 to 7, 9."""
    runs: list[list[int]] = []
    for number in map(int, numbers):
        if runs and runs[-1][-1] == number - 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    return ", ".join(f"{run[0]}{to}{run[-1]}" if len(run) > 1 else str(run[0]) for run in runs)


def _stations(where: NDArray[np.bool_]) -> str:
    return f"station{'s' if where.sum() > 1 else ''} {listed(np.flatnonzero(where) + 1)}"


def _rows(present: Needle, readings_mm: ArrayLike) -> FloatArray:
    """Readings of one angle or two, a row each."""
    cure = "Give NaN at a station that was not measured."
    array = check_each(readings_mm, "readings_mm", 0.0, MOST_MM, open_low=True, allow_nan=True, cure=cure)
    count = present.stations_mm.size
    if array.shape not in ((count,), (1, count), (2, count)):
        msg = (
            f"readings_mm has shape {array.shape}, but needle {present.name} has {count} stations: give {count} readings, "
            f"or two rows of {count} for two angles, NaN where none was taken."
        )
        raise InputError(msg)
    if not np.isfinite(array).any():
        msg = "readings_mm holds no reading at all; measure at least the stations that were filed."
        raise InputError(msg)
    return np.atleast_2d(array)


def _faults(
    present: Needle, mean: FloatArray, oval: FloatArray, within_um: float, oval_um: float, filed: NDArray[np.bool_] | None
) -> Iterator[str]:
    """Why readings cannot be: inches, ovals, slips of the pen, gaps where metal may have gone, metal that grew."""
    before, taken = present.diameters_mm, np.isfinite(mean)
    if (small := mean < LEAST_DIAMETER_MM).any():
        at = int(np.argmax(small))
        yield (
            f"Station {at + 1} reads {mean[at]:g} mm, which looks like inches ({MM_PER_INCH * mean[at]:.4f} mm); give "
            "readings in mm, inches times 25.4, or as a table with measured_in at its head."
        )
    if (oval > oval_um).any():
        at = int(np.nanargmax(oval))
        yield (
            f"Station {at + 1} is oval by {oval[at]:.1f} um between the two angles, more than {oval_um:g} um: filed "
            "flat on one side, or one reading is wrong; read it again, then polish the thick way until it turns round."
        )
    lost = before - mean
    if np.nanmax(lost) > MOST_OFF_MM:
        at = int(np.nanargmax(lost))
        yield (
            f"Station {at + 1} reads {mean[at]:.4f} mm, {lost[at]:.2f} mm thinner than before ({before[at]:.4f} mm), more "
            "than any file takes at once; read it again, or type the needle as a new one."
        )
    for at in (at for at in np.flatnonzero(~taken).tolist() if filed is None or filed[at]):
        if filed is not None:
            yield f"Station {at + 1} was to be filed but has no reading; measure it, as the hand never stops where asked."
            continue
        for side in (*np.flatnonzero(taken[:at])[-1:], *(at + 1 + np.flatnonzero(taken[at + 1 :])[:1])):
            if 1e3 * lost[side] > within_um:
                yield (
                    f"Station {at + 1} has no reading, but its neighbour {side + 1} has lost {1e3 * lost[side]:.1f} um, so "
                    f"the file was there; measure station {at + 1} too."
                )
    if np.nanmin(lost) < -1e-3 * within_um:
        at = int(np.nanargmin(lost))
        yield (
            f"Station {at + 1} reads {mean[at]:.4f} mm, {-1e3 * lost[at]:.1f} um thicker than before the file "
            f"({before[at]:.4f} mm), but metal cannot grow: look for readings at mixed-up stations, a needle still warm, "
            "grit, or a micrometer off zero; if the old table was wrong, measure the needle before the next cut."
        )


def _waist(values: FloatArray, rise: FloatArray, reversed_: NDArray[np.bool_]) -> str:
    """What to do about a taper that is reversed."""
    at = int(np.argmax(reversed_))
    thin = int(np.argmin(values[:at]))
    return (
        f"Reversed taper {thin + 1} to {at + 1}: {values[thin]:.4f} mm, then {values[at]:.4f} mm, {1e3 * rise[at]:.1f} "
        f"um thicker towards the tip, more than readings differ by; read both again, and if station {thin + 1} is a "
        f"waist, file the stations beyond it down to {values[thin]:.4f} mm, blended over at least three stations; "
        "file_down (--file-down at the bench) tells where that leads."
    )


def _most_oval(oval: FloatArray) -> str:
    if not np.isfinite(oval).any():
        return "one angle each"
    at = int(np.nanargmax(oval))
    return f"most oval {oval[at]:.1f} um at station {at + 1}"
