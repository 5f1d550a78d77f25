"""Tables of many needles: a folder of them, or one with a line a station, a row a needle or a column a needle."""

from __future__ import annotations

import os
import re
from collections import Counter
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Literal

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError, LogFormatError
from needlecalc.parts.needle import Needle, TableFile, needle_of, read_table_file
from needlecalc.show import Column, Shown, Table, counted

STATION_HEAD = re.compile(r"(?:station[ _]?)?(\d+)(?:[ _](mm|in))?")
Unit = Literal["mm", "in"] | None


# Name of each needle, and its lines as a table of its own, with a line a station.
Owns = list[tuple[str, TableFile]]


@dataclass(frozen=True, repr=False, eq=False)
class NeedleTables(Shown):
    """Needles read from tables, and what was not read.

    Parameters
    ----------
    needles : tuple of Needle
        In the order of the tables; lengths of stations and diameters in [mm].
    refused : tuple of (str, str)
        Names of needles, or of whole files, that could not be read; and why.
    left_out : tuple of (str, str)
        Files, and a column of each that says nothing of a needle.

    Examples
    --------
    >>> NeedleTables((Needle("short", [0, 3.175], [2.27, 2.20]),), (("bent", "not measured"),))
    1 needle read, 1 refused
    """

    needles: tuple[Needle, ...]
    refused: tuple[tuple[str, str], ...]
    left_out: tuple[tuple[str, str], ...] = ()

    def __repr__(self) -> str:
        left = "; columns not read: " + ", ".join(f"{head} of {file}" for file, head in self.left_out)
        return f"{counted(len(self.needles), 'needle')} read, {len(self.refused)} refused{left if self.left_out else ''}"

    def table(self) -> Table:
        """What was read, a row a needle; what was refused and left out."""
        read, none = self.needles, [None] * len(self.refused)
        columns = (
            Column("needle", "needle", "", [*(one.name for one in read), *(name for name, _ in self.refused)]),
            Column("stations", "stations", "d", [*(one.stations_mm.size for one in read), *none]),
            Column("from_mm", "from mm", ".2f", [*(float(one.stations_mm[0]) for one in read), *none]),
            Column("to_mm", "to mm", ".2f", [*(float(one.stations_mm[-1]) for one in read), *none]),
            Column("thickest_mm", "thickest mm", ".4f", [*(float(one.diameters_mm[0]) for one in read), *none]),
            Column("thinnest_mm", "thinnest mm", ".4f", [*(float(one.diameters_mm[-1]) for one in read), *none]),
            Column("interpolated", "interpolated", "", [*(", ".join(map(str, one.interpolated)) for one in read), *none]),
            Column("source", "source", "", [*(one.source for one in read), *none]),
            Column("refused", "", "", [*[""] * len(read), *(why for _, why in self.refused)]),
        )
        return Table(repr(self), columns, notes=[f"{name} refused: {why}" for name, why in self.refused])


def read_needles(
    path: str | Path,
    *,
    unit: Unit = None,
    pitch_mm: float | None = None,
    first_station_mm: float = 0.0,
    fill_blanks: bool = False,
) -> NeedleTables:
    r"""Needles from one table of many, or from a folder of tables (``*.csv``).

    Parameters
    ----------
    path : str or Path
        Folder, or a text file divided as for :func:`read_needle`.  Its header is one of three: ``needle``, ``station`` and
        the columns of :func:`read_needle`, a line a station; ``needle`` and ``station_1_mm``, ``station_2_mm`` and on, a
        row a needle; or ``station``, perhaps ``distance_mm``, and a column a needle, named for it with its unit.  A table
        with no needle named holds one.  It may state ``pitch_mm`` and ``first_station_mm`` of each; ``source`` says
        where the numbers come from.
    unit : "mm", "in" or None
        Unit of diameters whose column names none.
    pitch_mm : float or None
        Distance between stations, where the table gives none. [mm]
    first_station_mm : float
        Distance of station 1 from the shoulder, where the table gives none. [mm]
    fill_blanks : bool
        True takes a blank between measured stations as on the straight line between them, and marks it.

    Returns
    -------
    NeedleTables
        Needles read; those refused, with file, line and cure; and the columns left out. Blanks past the last measured
        station only make a needle shorter.

    Raises
    ------
    LogFormatError
        If a single file cannot be read at all.
    InputError
        If the folder holds no table.

    Examples
    --------
    >>> from tempfile import TemporaryDirectory
    >>> with TemporaryDirectory() as folder:
    ...     file = Path(folder, "box.csv")
    ...     _ = file.write_text("needle,pitch_mm,station_1_mm,station_2_mm\nthin,3.175,2.40,2.31\nbent,3.175,2.40,2.3+")
    ...     read_needles(file)
    1 needle read, 1 refused
    """
    path = Path(path)
    if not os.path.isdir(path):
        return _read(path, unit, pitch_mm, first_station_mm, fill_blanks)
    files = sorted(path.glob("*.csv"))
    if not files:
        name = plain(path.name, LONGEST_NAME)
        msg = f"{name}: no needle tables in it (*.csv); check the folder's name, or save the tables there."
        raise InputError(msg)
    found = NeedleTables((), ())
    for file in files:
        try:
            one = _read(file, unit, pitch_mm, first_station_mm, fill_blanks)
        except LogFormatError as error:
            one = NeedleTables((), ((file.stem, str(error)),))
        found = NeedleTables(found.needles + one.needles, found.refused + one.refused, found.left_out + one.left_out)
    return found


def _read(path: Path, unit: Unit, pitch_mm: float | None, first_station_mm: float, fill_blanks: bool) -> NeedleTables:
    """Needles of one file."""
    write = "a header 'needle,pitch_mm,station_1_mm,station_2_mm' and a row a needle."
    table = read_table_file(path, "the needle table", write)
    if unit is not None:
        table = replace(table, heads=tuple(f"{head}_{unit}" if head == "diameter" else head for head in table.heads))
    used = {"needle", "station", "source", "pitch_mm", "pitch_in", "first_station_mm", "first_station_in"}
    if "needle" in table.heads and "station" in table.heads:
        owns = _by_line(table)
    elif "needle" in table.heads:
        owns = _by_row(table, unit)
        used |= {head for head in table.heads if STATION_HEAD.fullmatch(head)}
    elif "station" in table.heads and not any(head.startswith("diameter") for head in table.heads):
        owns = _by_column(table, unit)
        used |= set(table.heads)
    else:
        owns = [(path.stem, table)]
    needles, refused = [], []
    named = Counter(name for name, _ in owns)
    for name, own in owns:
        try:
            if not name or named[name] > 1:
                own.refuse(f"{name} is named twice; rename one." if name else "no needle is named there; give it a name.")
            source = ", ".join(filter(None, (path.name, own.row, _stated(own, "source"))))
            pitch, first = _length(own, "pitch"), _length(own, "first_station")
            known = pitch or pitch_mm, first_station_mm if first is None else first, fill_blanks, None
            needles.append(needle_of(_to_its_end(own), name, source, *known))
        except InputError as error:
            refused.append((name or path.stem, str(error)))
    left = [head for head in table.heads if head not in used and not head.startswith(("distance_", "diameter_")) and needles]
    return NeedleTables(tuple(needles), tuple(refused), tuple((path.name, head) for head in left))


def _by_line(table: TableFile) -> Owns:
    """A line a station, the needle named in each."""
    groups: dict[str, list[tuple[int, tuple[str, ...]]]] = {}
    at = table.heads.index("needle")
    for line in table.lines:
        groups.setdefault(line[1][at], []).append(line)
    return [(name, replace(table, lines=tuple(lines))) for name, lines in groups.items()]


def _by_row(table: TableFile, unit: Unit) -> Owns:
    """A row a needle, a column a station."""
    stations = [(n, found) for n, head in enumerate(table.heads) if (found := STATION_HEAD.fullmatch(head))]
    units = {found[2] or unit for _, found in stations}
    if len(units) != 1 or None in units:
        table.refuse(
            "name the columns of the diameters station_1_mm, station_2_mm and on, or all of them _in.", table.head_line
        )
    others = [n for n, head in enumerate(table.heads) if not STATION_HEAD.fullmatch(head)]
    heads = ("station", f"diameter_{units.pop()}", *(table.heads[n] for n in others))
    owns: Owns = []
    for line, cells in table.lines:
        rest = [cells[n] for n in others]
        lines = tuple((int(found[1]), (found[1], cells[n], *rest)) for n, found in stations)
        owns.append(
            (cells[table.heads.index("needle")], replace(table, heads=heads, lines=lines, head_line=0, row=f"line {line}"))
        )
    return owns


def _by_column(table: TableFile, unit: Unit) -> Owns:
    """A column a needle, a line a station."""
    shared = [n for n, head in enumerate(table.heads) if head == "station" or head.startswith("distance_")]
    owns: Owns = []
    for column, head in enumerate(table.typed):
        if column in shared:
            continue
        name, _, end = head.rpartition("_")
        name, own_unit = (name, end.lower()) if end.lower() in ("mm", "in") else (head, unit)
        heads = (*(table.heads[n] for n in shared), f"diameter_{own_unit}" if own_unit else "diameter")
        lines = [(k, (*(cells[n] for n in shared), cells[column])) for k, (_, cells) in enumerate(table.lines, start=1)]
        owns.append((name, replace(table, heads=heads, lines=tuple(lines), head_line=0, row=f"column {head}")))
    return owns


def _to_its_end(table: TableFile) -> TableFile:
    """The table up to the last station that was measured."""
    at = [n for n, head in enumerate(table.heads) if head.startswith("diameter")]
    lines = list(table.lines)
    while lines and all(table.blank(lines[-1][1][n]) for n in at):
        lines.pop()
    return replace(table, lines=tuple(lines or table.lines))


def _stated(table: TableFile, head: str) -> str:
    """What the first line says that says anything in a column; empty where none does."""
    at = [n for n, one in enumerate(table.heads) if one == head]
    return next((cells[n] for _, cells in table.lines for n in at if cells[n]), "")


def _length(table: TableFile, what: str) -> float | None:
    """Length in mm that the table states for the needle as a whole; None where it states none."""
    column = table.length_column(what, "take the wrong one out")
    if column is None or not (cell := _stated(table, table.heads[column[0]])):
        return None
    return table.number(table.lines[0][0], column[0], cell) * column[1]
