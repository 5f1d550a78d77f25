"""The needle: stations, diameters, outline."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import ArrayLike
from shapely.geometry import Polygon

from needlecalc.arrays import read_only, same_length
from needlecalc.errors import InputError, LogFormatError
from needlecalc.show import Column, Shown, Table
from needlecalc.units import MM_PER_INCH, FloatArray, inch_from_mm

LEAST_DIAMETER_MM = 0.3
GREATEST_DIAMETER_MM = 6.0
LEAST_PITCH_MM = 0.5


@dataclass(frozen=True, repr=False, eq=False)
class Needle(Shown):
    """A metering needle: diameters at its stations, straight between them.

    Parameters
    ----------
    name : str
        What the user calls it.
    stations_mm : array_like, shape (n,)
        Distance of each station from the shoulder towards the tip, rising. [mm]
    diameters_mm : array_like, shape (n,)
        Diameter at each station, never rising away from the shoulder. [mm]
    source : str
        Where the numbers come from.

    Raises
    ------
    InputError
        If stations do not rise, the taper is reversed, or the numbers look like inches.

    Examples
    --------
    >>> Needle("short", [0, 3.175, 6.35], [2.27, 2.20, 2.14])
    Needle 'short': 3 stations, 0 to 6.35 mm from the shoulder, 2.270 to 2.140 mm
    """

    name: str
    stations_mm: FloatArray
    diameters_mm: FloatArray
    source: str = "typed in"

    def __post_init__(self) -> None:
        stations = read_only(self.stations_mm, "stations_mm")
        diameters = read_only(self.diameters_mm, "diameters_mm")
        same_length(f"needle {self.name}", stations_mm=stations, diameters_mm=diameters)
        object.__setattr__(self, "stations_mm", stations)
        object.__setattr__(self, "diameters_mm", diameters)
        if stations.size < 2:
            msg = f"Needle {self.name} has {stations.size} station, but a taper needs at least two; add stations."
            raise InputError(msg)
        steps = np.diff(stations)
        if stations[0] < 0.0 or (steps <= 0.0).any():
            at = int(np.argmax(steps <= 0.0)) + 2 if (steps <= 0.0).any() else 1
            msg = (
                f"Needle {self.name}: station {at} stands at {stations[at - 1]:g} mm, but stations must rise from "
                "the shoulder (0 mm) towards the tip; check the order and the datum."
            )
            raise InputError(msg)
        if diameters.max() < LEAST_DIAMETER_MM:
            msg = (
                f"Needle {self.name}: its thickest diameter is {diameters.max():g} mm, which looks like inches; "
                "give diameters in mm, or state diameter_in in the table."
            )
            raise InputError(msg)
        if steps.max() < LEAST_PITCH_MM:
            msg = (
                f"Needle {self.name}: its stations are at most {steps.max():g} mm apart, which looks like inches; "
                "give distances in mm, or state distance_in in the table."
            )
            raise InputError(msg)
        if diameters.max() > GREATEST_DIAMETER_MM or diameters.min() < LEAST_DIAMETER_MM:
            msg = (
                f"Needle {self.name}: diameters run from {diameters.min():g} to {diameters.max():g} mm, but must lie "
                f"between {LEAST_DIAMETER_MM:g} and {GREATEST_DIAMETER_MM:g} mm; check the unit."
            )
            raise InputError(msg)
        rising = np.diff(diameters) > 1e-9
        if rising.any():
            at = int(np.argmax(rising)) + 1
            msg = (
                f"Needle {self.name}: reversed taper {at} to {at + 1}, {diameters[at - 1]:.4f} to "
                f"{diameters[at]:.4f} mm, but a needle never grows thicker towards its tip; check the two "
                "readings, or whether the table was typed from the tip."
            )
            raise InputError(msg)

    def __repr__(self) -> str:
        return (
            f"Needle {self.name!r}: {self.stations_mm.size} stations, {self.stations_mm[0]:g} to "
            f"{self.stations_mm[-1]:g} mm from the shoulder, {self.diameters_mm[0]:.3f} to {self.diameters_mm[-1]:.3f} mm"
        )

    def table(self) -> Table:
        """Stations and diameters, to be shown.

        Returns
        -------
        Table
            One row a station.
        """
        columns = (
            Column("station", "station", "d"),
            Column("distance_mm", "from shoulder mm", ".3f"),
            Column("diameter_mm", "diameter mm", ".4f"),
            Column("diameter_in", "diameter in", ".5f"),
        )
        rows = [
            {
                "station": k,
                "distance_mm": float(z),
                "diameter_mm": float(d),
                "diameter_in": inch_from_mm(float(d)),
            }
            for k, (z, d) in enumerate(zip(self.stations_mm, self.diameters_mm, strict=True), 1)
        ]
        return Table(f"Needle {self.name} ({self.source})", columns, rows)

    def diameter_at_mm(self, distance_mm: ArrayLike) -> FloatArray:
        """Diameter at any distance, straight between stations.

        Parameters
        ----------
        distance_mm : array_like, shape (...)
            Distance from the shoulder, within the table. [mm]

        Returns
        -------
        array, shape (...)
            Diameter. [mm]

        Raises
        ------
        InputError
            If a distance lies off the table.

        Examples
        --------
        >>> print(Needle("n", [0, 4], [2.4, 2.2]).diameter_at_mm(1.0))
        2.35
        """
        distance = np.asarray(distance_mm, dtype=np.float64)
        if ((distance < self.stations_mm[0]) | (distance > self.stations_mm[-1])).any():
            msg = (
                f"Needle {self.name} is known from {self.stations_mm[0]:g} to {self.stations_mm[-1]:g} mm from its "
                "shoulder only; measure more stations."
            )
            raise InputError(msg)
        return np.asarray(np.interp(distance, self.stations_mm, self.diameters_mm))

    def outline(self) -> Polygon:
        """Side view of the needle: axis along x from the shoulder, radius along y.

        Returns
        -------
        shapely.geometry.Polygon
            Closed outline. [mm]

        Examples
        --------
        >>> print(f"{Needle('n', [0, 10], [2.0, 1.0]).outline().area:.1f} mm2")
        15.0 mm2
        """
        upper = list(zip(self.stations_mm.tolist(), (self.diameters_mm / 2).tolist(), strict=True))
        return Polygon(upper + [(x, -r) for x, r in reversed(upper)])


def read_needle(
    path: str | Path, *, name: str | None = None, pitch_mm: float | None = None, first_station_mm: float = 0.0
) -> Needle:
    """Needle from a table file whose header states the units.

    Parameters
    ----------
    path : str or Path
        Comma-separated text; lines starting with # are remarks.  Header: ``station``, then
        ``distance_mm`` or ``distance_in`` (or none, with the pitch given), and ``diameter_mm`` or
        ``diameter_in``.
    name : str or None
        Name of the needle; the file's stem when not given.
    pitch_mm : float or None
        Distance between stations, where the file gives no distances. [mm]
    first_station_mm : float
        Distance of station 1 from the shoulder, where the file gives no distances. [mm]

    Returns
    -------
    Needle
        As typed in the table.

    Raises
    ------
    LogFormatError
        If a line cannot be read; the message names file, line and cure.
    """
    path = Path(path)
    try:
        lines = path.read_text(encoding="utf-8-sig").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        msg = f"{path.name}: the needle table cannot be read ({error}); check its name and save it as plain text."
        raise LogFormatError(msg, path=str(path)) from error
    numbered = [(n, line) for n, line in enumerate(lines, 1) if line.strip() and not line.lstrip().startswith("#")]
    if not numbered:
        msg = f"{path.name} holds no table; write a header 'station,distance_mm,diameter_mm' and a line a station."
        raise LogFormatError(msg, path=str(path))
    head_line, head = numbered[0]
    heads = [cell.strip().lower() for cell in head.split(",")]
    diameter_column, diameter_factor = _unit_column(path, head_line, heads, "diameter")
    has_distance = any(cell.startswith("distance") for cell in heads)
    if not has_distance and pitch_mm is None:
        msg = (
            f"{path.name}, line {head_line}: there is no distance_mm or distance_in column; add one, or state "
            "the stations' pitch_mm and first_station_mm."
        )
        raise LogFormatError(msg, path=str(path), line=head_line)
    distances, diameters = [], []
    for number, (line, text) in enumerate(numbered[1:]):
        cells = [cell.strip() for cell in text.split(",")]
        if len(cells) != len(heads):
            msg = f"{path.name}, line {line}: {len(cells)} cells, but the header has {len(heads)}; fill in or remove."
            raise LogFormatError(msg, path=str(path), line=line)
        diameters.append(_number(path, line, heads[diameter_column], cells[diameter_column]) * diameter_factor)
        if has_distance:
            column, factor = _unit_column(path, head_line, heads, "distance")
            distances.append(_number(path, line, heads[column], cells[column]) * factor)
        else:
            distances.append(first_station_mm + number * float(pitch_mm or 0.0))
    return Needle(name or path.stem, np.array(distances), np.array(diameters), source=path.name)


def _unit_column(path: Path, line: int, heads: Sequence[str], what: str) -> tuple[int, float]:
    for unit, factor in (("mm", 1.0), ("in", MM_PER_INCH)):
        if f"{what}_{unit}" in heads:
            return heads.index(f"{what}_{unit}"), factor
    msg = f"{path.name}, line {line}: no column {what}_mm or {what}_in; name the column with its unit."
    raise LogFormatError(msg, path=str(path), line=line, column=what)


def _number(path: Path, line: int, column: str, cell: str) -> float:
    try:
        return float(cell)
    except ValueError as error:
        got = f"'{cell}'" if cell else "nothing"
        msg = f"{path.name}, line {line}, column {column}: {got} is not a number; measure that station and type it."
        raise LogFormatError(msg, path=str(path), line=line, column=column) from error
