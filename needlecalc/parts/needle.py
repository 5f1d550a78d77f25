"""The needle: stations, diameters, outline; and the table it is typed in: columns named with units, a line a station."""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, NoReturn

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_range, check_text, read_only, same_length
from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import MM_PER_INCH, FloatArray, inch_from_mm

if TYPE_CHECKING:
    from shapely.geometry import Polygon

UNITS = (("mm", 1.0), ("in", MM_PER_INCH))
SAME_MM = 0.0002  # what rounding to 0.0001 mm and to 0.00001 in can differ by
LEAST_DIAMETER_MM, GREATEST_DIAMETER_MM = 0.3, 6.0
LEAST_PITCH_MM = 0.5
LONGEST_SOURCE = 1000  # it names stations one by one
MEASURE_IT = "measure that station and type it."


@dataclass(frozen=True)
class TableFile:
    """Cells of a small table file; lines count from 1."""

    path: Path
    head_line: int
    heads: tuple[str, ...]  # in small letters
    lines: tuple[tuple[int, tuple[str, ...]], ...]  # line in the file and its cells, as many as there are heads
    decimal_comma: bool  # may stand for the point, as cells are divided by something else
    typed: tuple[str, ...] = ()  # the heads as they stand
    row: str = ""  # where the table is one row of the file: which; its lines are then the stations

    def refuse(self, words: str, line: int | None = None, column: str | None = None) -> NoReturn:
        """Say what is wrong with the file, and where."""
        place = [plain(self.path.name, LONGEST_NAME), self.row]
        place.append(f"{'station' if self.row else 'line'} {line}" if line else "")
        if column is not None and not (self.row and column.startswith("diameter")):
            place.append(f"column {plain(column, LONGEST_NAME)}")
        msg = f"{', '.join(filter(None, place))}: {words}"
        raise LogFormatError(msg, path=str(self.path), line=line, column=column)

    def length_column(self, what: str, settle: str) -> tuple[int, float] | None:
        """Column of a length and the factor to mm; None where neither mm nor inch is named.

        Several columns are one if they agree in every line; if not, the message ends with ``settle``.
        """
        found = [(n, factor) for unit, factor in UNITS for n, head in enumerate(self.heads) if head == f"{what}_{unit}"]
        for other in found[1:]:
            for line, cells in self.lines:
                pair = found[0], other
                read = [self.number(line, n, cells[n]) * to_mm for n, to_mm in pair if not self.blank(cells[n])]
                if not read or (len(read) == 2 and abs(read[0] - read[1]) <= SAME_MM):
                    continue
                held, also = (
                    f"column {n + 1}, {self.heads[n]}, holds {shown(cells[n]) if cells[n] else 'nothing'}" for n, _ in pair
                )
                cure = "rename the wrong one" if self.heads[found[0][0]] == self.heads[other[0]] else settle
                self.refuse(f"{held}, but {also}; {cure}.", line)
        return found[0] if found else None

    def blank(self, cell: str) -> bool:
        """Whether nothing was measured: an empty cell, or nan or inf as programs write it."""
        try:
            return not cell or not math.isfinite(self._float(cell))
        except ValueError:
            return False

    def number(self, line: int, column: int, cell: str, cure: str = "type a number.") -> float:
        """Number in a cell; a blank, or what is no number, is refused with its cure."""
        try:
            number = self._float(cell)
        except ValueError:
            got = f"{shown(cell)} is not a number" if cell else "nothing stands there"
            self.refuse(f"{got}; {cure}", line, self.heads[column])
        if not math.isfinite(number):
            self.refuse(f"{shown(cell)} is not measured; {cure}", line, self.heads[column])
        return number

    def _float(self, cell: str) -> float:
        if "_" in cell:  # Python would take 2_45 for 245
            raise ValueError
        return float(cell.replace(",", ".") if self.decimal_comma else cell)


def read_table_file(path: Path, what: str, write: str) -> TableFile:
    """Cells of a file divided by commas, semicolons or tabs; lines with a # are remarks.

    LogFormatError if it cannot be opened, is no text, holds nothing (it then says what to ``write``), or a line has another
    number of cells than the header.
    """
    name = plain(path.name, LONGEST_NAME)
    try:
        text = path.read_text(encoding="utf-8-sig")
    except UnicodeDecodeError as error:
        msg = f"{name}: {what} cannot be read, it is not plain text; save it as CSV (UTF-8)."
        raise LogFormatError(msg, path=str(path)) from error
    except (OSError, ValueError) as error:
        msg = f"{name}: {what} cannot be read ({getattr(error, 'strerror', error)}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    numbered = enumerate(text.splitlines(), 1)
    # A spreadsheet puts a remark in quotes where it holds what divides cells.
    lines = [(n, line) for n, line in numbered if line.strip() and not line.lstrip(' \t"').startswith("#")]
    if not lines:
        msg = f"{name} holds no table; write {write}"
        raise LogFormatError(msg, path=str(path))
    divider = next((sign for sign in (";", "\t") if sign in lines[0][1]), ",")
    cut = [(n, _cells(path, n, line, divider)) for n, line in lines]
    (head_line, heads), rows = cut[0], cut[1:]
    table = TableFile(path, head_line, tuple(head.lower() for head in heads), tuple(rows), divider != ",", heads)
    for line, cells in rows:
        if len(cells) != len(heads):
            cure = "fill in or remove."
            if divider == "," and len(cells) > len(heads):
                cure = "a decimal comma divides cells too: write points, or divide all cells by semicolons."
            table.refuse(f"{counted(len(cells), 'cell')}, but the header has {len(heads)}; {cure}", line)
    return table


def _cells(path: Path, number: int, line: str, divider: str) -> tuple[str, ...]:
    try:
        return tuple(cell.strip() for cell in next(csv.reader([line], delimiter=divider)))
    except csv.Error as error:
        msg = f"{plain(path.name, LONGEST_NAME)}, line {number}: the cells cannot be told apart ({error}); retype that line."
        raise LogFormatError(msg, path=str(path), line=number) from error


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
    interpolated : tuple of int
        Stations, from 1, whose diameter nobody measured: it lies on the line between its neighbours.

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
    interpolated: tuple[int, ...] = ()

    def __post_init__(self) -> None:
        name = check_text(self.name, "name of a needle")
        source = check_text(self.source, "source of a needle", LONGEST_SOURCE)
        stations, diameters = read_only(self.stations_mm, "stations_mm"), read_only(self.diameters_mm, "diameters_mm")
        same_length(f"needle {name}", stations_mm=stations, diameters_mm=diameters)
        made = {"name": name, "source": source, "stations_mm": stations, "diameters_mm": diameters}
        for key, value in (made | {"interpolated": tuple(self.interpolated)}).items():
            object.__setattr__(self, key, value)
        for fault in self._faults():
            msg = f"Needle {name}: {fault}"
            raise InputError(msg)

    def _faults(self) -> Iterator[str]:
        """Why it can be no needle; nothing where it can."""
        stations, diameters = self.stations_mm, self.diameters_mm
        if any(not 1 <= station <= stations.size for station in self.interpolated):
            yield f"interpolated names {self.interpolated}, but stations run from 1 to {stations.size}."
        if stations.size < 2:
            yield f"it has {counted(stations.size, 'station')}, but a taper needs at least two; add stations."
        steps, thickest, thinnest = np.diff(stations), diameters.max(), diameters.min()
        if stations[0] < 0.0 or (steps <= 0.0).any():
            at = int(np.argmax(steps <= 0.0)) + 2 if (steps <= 0.0).any() else 1
            yield (
                f"station {at} stands at {stations[at - 1]:g} mm, but stations must rise from the shoulder (0 mm) "
                "towards the tip; check the order and the datum."
            )
        if thickest < LEAST_DIAMETER_MM:
            yield (
                f"its thickest diameter is {thickest:g} mm, which looks like inches; give diameters in mm, or name "
                "their column diameter_in (station_1_in and on where a row is a needle)."
            )
        if steps.max() < LEAST_PITCH_MM:
            yield (
                f"its stations are at most {steps.max():g} mm apart, which looks like inches; give distances in mm, or "
                "state distance_in in the table."
            )
        if thickest > GREATEST_DIAMETER_MM or thinnest < LEAST_DIAMETER_MM:
            yield (
                f"diameters run from {thinnest:g} to {thickest:g} mm, but must lie between {LEAST_DIAMETER_MM:g} and "
                f"{GREATEST_DIAMETER_MM:g} mm; check the unit."
            )
        if (rising := np.diff(diameters) > 1e-9).any():
            at = int(np.argmax(rising)) + 1
            yield (
                f"reversed taper {at} to {at + 1}, {diameters[at - 1]:.4f} to {diameters[at]:.4f} mm, but a needle never "
                "grows thicker towards its tip; check the two readings, or whether the table was typed from the tip."
            )

    def __repr__(self) -> str:
        return (
            f"Needle {self.name!r}: {self.stations_mm.size} stations, {self.stations_mm[0]:g} to "
            f"{self.stations_mm[-1]:g} mm from the shoulder, {self.diameters_mm[0]:.3f} to {self.diameters_mm[-1]:.3f} mm"
        )

    def table(self) -> Table:
        """Stations and diameters, one row a station."""
        columns = (
            Column("station", "station", "d", range(1, self.stations_mm.size + 1)),
            Column("distance_mm", "from shoulder mm", ".3f", self.stations_mm),
            Column("diameter_mm", "diameter mm", ".4f", self.diameters_mm),
            Column("diameter_in", "diameter in", ".5f", inch_from_mm(self.diameters_mm)),
        )
        guessed = ", ".join(map(str, self.interpolated))
        notes = (f"Not measured but interpolated: {guessed}.",) if guessed else ()
        return Table(f"Needle {self.called(self.source)}", columns, notes=notes)

    def called(self, source: str) -> str:
        """Name and source, once where they are the same."""
        return source if source.rpartition(".")[0] == self.name else f"{self.name} ({source})"

    def diameter_at_mm(self, distance_mm: ArrayLike) -> FloatArray:
        """Diameter at any distance from the shoulder, straight between stations; InputError off the table.

        >>> print(Needle("n", [0, 4], [2.4, 2.2]).diameter_at_mm(1.0))
        2.35
        """
        distance = np.asarray(distance_mm, dtype=np.float64)
        first, last = self.stations_mm[[0, -1]]
        if ((distance < first) | (distance > last)).any():
            msg = f"Needle {self.name} is known from {first:g} to {last:g} mm from its shoulder only; measure more stations."
            raise InputError(msg)
        return np.asarray(np.interp(distance, self.stations_mm, self.diameters_mm))

    def outline(self) -> Polygon:
        """Side view of the needle in mm: axis along x from the shoulder, radius along y.

        >>> print(f"{Needle('n', [0, 10], [2.0, 1.0]).outline().area:.1f} mm2")
        15.0 mm2
        """
        from shapely.geometry import Polygon  # late: slow to import

        upper = list(zip(self.stations_mm.tolist(), (self.diameters_mm / 2).tolist(), strict=True))
        return Polygon(upper + [(x, -r) for x, r in reversed(upper)])


def read_needle(
    path: str | Path,
    *,
    name: str | None = None,
    pitch_mm: float | None = None,
    first_station_mm: float = 0.0,
    fill_blanks: bool = False,
    diameter_column: str | None = None,
) -> Needle:
    r"""Needle from a table file whose header states the units.

    Parameters
    ----------
    path : str or Path
        Text whose cells are divided by commas, or by semicolons or tabs, and then with decimal commas as well as
        points; lines starting with # are remarks.  Header: ``station``, numbered 1, 2, 3 with none left out, then
        ``distance_mm`` or ``distance_in`` (or none, with the pitch given), and ``diameter_mm`` or ``diameter_in``.
    name : str or None
        Name of the needle; the file's stem when not given.
    pitch_mm : float or None
        Distance between stations, where the file gives no distances. [mm]
    first_station_mm : float
        Distance of station 1 from the shoulder, where the file gives no distances. [mm]
    fill_blanks : bool
        True takes a blank diameter (empty, nan or inf) as on the straight line between its measured neighbours, and
        marks it; a blank is refused otherwise.
    diameter_column : str or None
        Name of the column of diameters, ending in _mm or _in, where the table has several.

    Returns
    -------
    Needle
        As typed in the table.

    Raises
    ------
    LogFormatError
        If a line cannot be read; the message names file, line and cure.
    InputError
        If ``pitch_mm`` or ``first_station_mm`` is no length a needle could have.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder, "spare.csv")
    ...     _ = file.write_text("station,distance_mm,diameter_mm\n1,0,2.45\n2,3.175,2.40\n3,6.35,2.35")
    ...     read_needle(file)
    Needle 'spare': 3 stations, 0 to 6.35 mm from the shoulder, 2.450 to 2.350 mm
    """
    path = Path(path)
    table = read_table_file(path, "the needle table", "a header 'station,distance_mm,diameter_mm' and a line a station.")
    return needle_of(table, name or path.stem, path.name, pitch_mm, first_station_mm, fill_blanks, diameter_column)


def needle_of(
    table: TableFile, name: str, source: str, pitch_mm: float | None, first_mm: float, fill: bool, column: str | None
) -> Needle:
    """Needle of a table with a line a station, as ``read_needle`` takes it."""
    if pitch_mm is not None:
        check_range(pitch_mm, "pitch_mm", 0.1, 50.0, cure="It is from one station to the next, in mm.")
    check_range(first_mm, "first_station_mm", -5.0, 50.0, cure="It is from the shoulder, in mm.")
    at, to_mm = _diameters(table, column)
    z = _distances(table, pitch_mm, first_mm)
    d = np.full(z.size, np.nan)
    ask = "fill_blanks=True (fill_blanks = true under [needle] of a job) draws a line between its neighbours"
    no_such = "" if table.row else "Delete the line if the needle has no such station; "
    for number, (line, cells) in enumerate(table.lines):
        blank = table.blank(cells[at])
        if not (fill and blank):
            cure = f"{MEASURE_IT} {no_such}{ask}." if blank else MEASURE_IT
            d[number] = table.number(line, at, cells[at], cure) * to_mm
        elif number in (0, len(table.lines) - 1):
            table.refuse("the first and the last station must be measured.", line, table.heads[at])
    blanks = np.isnan(d)
    if blanks.any():
        d[blanks] = np.interp(z[blanks], z[~blanks], d[~blanks])
    guessed = tuple((np.flatnonzero(blanks) + 1).tolist())
    return Needle(name, z, d, source=source, interpolated=guessed)


def _diameters(table: TableFile, asked: str | None) -> tuple[int, float]:
    """Column of the diameters and its factor to mm."""
    if asked is None:
        return _length(table, "diameter", "say which one counts with diameter_column")
    head = asked.strip().lower()
    for unit, factor in UNITS:
        if head.endswith(f"_{unit}") and table.heads.count(head) == 1:
            return table.heads.index(head), factor
    listed = plain(", ".join(table.heads), 4 * LONGEST_NAME)
    msg = f"diameter_column is {shown(asked)}, but must name one column that ends in _mm or _in; there are {listed}."
    table.refuse(msg, table.head_line)


def _distances(table: TableFile, pitch_mm: float | None, first_station_mm: float) -> FloatArray:
    """Distance of each station: as the table gives it, or by the pitch; the stations numbered 1, 2, 3."""
    by_table = any(head.startswith("distance") for head in table.heads)
    if not by_table and pitch_mm is None:
        cure = "add one, or state pitch_mm (pitch_mm = 3.175 under [needle] of a job), from one station to the next."
        msg = f"there is no distance_mm or distance_in column; {cure}"
        table.refuse(msg, table.head_line)
    if "station" in table.heads:
        at = table.heads.index("station")
        add = "add the line left out, its diameter empty if it was not measured"
        cure = f"number them 1, 2, 3 from the shoulder, as the sheet does, or {add}." if by_table else f"{add}."
        for number, (line, cells) in enumerate(table.lines, start=1):
            if (found := table.number(line, at, cells[at], "number the stations 1, 2, 3 from the shoulder.")) != number:
                msg = f"{found:g} stands where station {number} must: none left out, none twice, in their order; {cure}"
                table.refuse(msg, line, "station")
    elif not by_table:
        msg = "there is no station column, so a line left out would not show; number the stations 1, 2, 3 from the shoulder."
        table.refuse(msg, table.head_line)
    if not by_table:
        return np.asarray(first_station_mm + np.arange(len(table.lines)) * (pitch_mm or 0.0), dtype=np.float64)
    column, to_mm = _length(table, "distance", "take the wrong one out")
    return np.array([table.number(line, column, cells[column], MEASURE_IT) * to_mm for line, cells in table.lines])


def _length(table: TableFile, what: str, settle: str) -> tuple[int, float]:
    found = table.length_column(what, settle)
    if found is None:
        msg = f"no column {what}_mm or {what}_in; name the column with its unit."
        table.refuse(msg, table.head_line)
    return found
