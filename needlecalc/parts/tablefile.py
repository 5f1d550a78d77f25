"""A table typed by hand: a header that names its columns with their units, and a line a station."""

from __future__ import annotations

import csv
import math
from dataclasses import dataclass
from pathlib import Path
from typing import NoReturn

from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import LogFormatError
from needlecalc.show import counted
from needlecalc.units import MM_PER_INCH

UNITS = (("mm", 1.0), ("in", MM_PER_INCH))
SAME_MM = 0.0002  # what rounding to 0.0001 mm and to 0.00001 in can differ by


@dataclass(frozen=True)
class TableFile:
    """Cells of a small table file; lines count from 1."""

    path: Path
    head_line: int
    heads: tuple[str, ...]  # in small letters
    lines: tuple[tuple[int, tuple[str, ...]], ...]  # line in the file and its cells, as many as there are heads
    decimal_comma: bool  # may stand for the point, as cells are divided by something else

    def refuse(self, words: str, line: int | None = None, column: str | None = None) -> NoReturn:
        """Say what is wrong with the file, and where."""
        place = [plain(self.path.name, LONGEST_NAME)]
        place += [] if line is None else [f"line {line}"]
        place += [] if column is None else [f"column {plain(column, LONGEST_NAME)}"]
        msg = f"{', '.join(place)}: {words}"
        raise LogFormatError(msg, path=str(self.path), line=line, column=column)

    def length_column(self, what: str, settle: str) -> tuple[int, float] | None:
        """Column of a length and the factor to mm; None where neither mm nor inch is named.

        Several columns are one if they agree in every line; if not, the message ends with ``settle``.
        """
        found = [(n, factor) for unit, factor in UNITS for n, head in enumerate(self.heads) if head == f"{what}_{unit}"]
        for other, to_mm in found[1:]:
            first, factor = found[0]
            for line, cells in self.lines:
                one, two = cells[first], cells[other]
                if self.blank(one) and self.blank(two):
                    continue
                if not (self.blank(one) or self.blank(two)):
                    apart = self.number(line, first, one) * factor - self.number(line, other, two) * to_mm
                    if abs(apart) <= SAME_MM:
                        continue
                names = self.heads[first], self.heads[other]
                held = [
                    f"column {n + 1}, {name}, holds {shown(cells[n]) if cells[n] else 'nothing'}"
                    for n, name in zip((first, other), names, strict=True)
                ]
                cure = "rename the wrong one" if names[0] == names[1] else settle
                self.refuse(f"{held[0]}, but {held[1]}; {cure}.", line)
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


def read_table_file(path: Path, what: str) -> TableFile | None:
    """Cells of a file divided by commas, semicolons or tabs; None where it holds nothing but remarks (lines with a #).

    LogFormatError if it cannot be opened, is no text, or a line has another number of cells than the header.
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
        return None
    divider = next((sign for sign in (";", "\t") if sign in lines[0][1]), ",")
    cut = [(n, _cells(path, n, line, divider)) for n, line in lines]
    (head_line, heads), rows = cut[0], cut[1:]
    table = TableFile(path, head_line, tuple(head.lower() for head in heads), tuple(rows), divider != ",")
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
