"""A table typed by hand: a header that names its columns with their units, and a line a station."""

from __future__ import annotations

import csv
from dataclasses import dataclass
from pathlib import Path

from needlecalc.errors import LogFormatError
from needlecalc.show import counted
from needlecalc.units import MM_PER_INCH

UNITS = (("mm", 1.0), ("in", MM_PER_INCH))


@dataclass(frozen=True)
class TableFile:
    """Cells of a small table file.

    Parameters
    ----------
    path : Path
        The file.
    head_line : int
        Line of the header, from 1.
    heads : tuple of str
        Names of the columns, in small letters.
    lines : tuple of (int, tuple of str)
        Line in the file and its cells, as many as there are heads.
    decimal_comma : bool
        Whether a comma may stand for the decimal point, as cells are divided by something else.
    """

    path: Path
    head_line: int
    heads: tuple[str, ...]
    lines: tuple[tuple[int, tuple[str, ...]], ...]
    decimal_comma: bool

    def length_column(self, what: str) -> tuple[int, float] | None:
        """Column of a length and the factor to mm.

        Parameters
        ----------
        what : str
            Name without its unit.

        Returns
        -------
        tuple of int and float, or None
            None where neither mm nor inch is named.
        """
        return next(
            ((self.heads.index(f"{what}_{unit}"), factor) for unit, factor in UNITS if f"{what}_{unit}" in self.heads), None
        )

    def number(self, line: int, column: int, cell: str, cure: str) -> float:
        """Number in a cell.

        Parameters
        ----------
        line : int
            Line in the file.
        column : int
            Which column.
        cell : str
            What stands there.
        cure : str
            What to do if it is no number.

        Returns
        -------
        float
            The number. [as the column names]

        Raises
        ------
        LogFormatError
            If it is no number.
        """
        try:
            return float(cell.replace(",", ".") if self.decimal_comma else cell)
        except ValueError as error:
            head = self.heads[column]
            got = f"{cell!r} is not a number" if cell else "nothing stands there"
            msg = f"{self.path.name}, line {line}, column {head}: {got}; {cure}"
            raise LogFormatError(msg, path=str(self.path), line=line, column=head) from error


def read_table_file(path: Path, what: str) -> TableFile | None:
    """Cells of a table file.

    Parameters
    ----------
    path : Path
        Text whose cells are divided by commas, semicolons or tabs; lines starting with # are remarks.
    what : str
        What the file is, for the message.

    Returns
    -------
    TableFile or None
        None where the file holds nothing but remarks.

    Raises
    ------
    LogFormatError
        If it cannot be opened, is no text, or a line has another number of cells than the header.
    """
    try:
        text = path.read_text(encoding="utf-8-sig")
    except OSError as error:
        msg = f"{path.name}: {what} cannot be read ({error.strerror}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    except UnicodeDecodeError as error:
        msg = f"{path.name}: {what} cannot be read, it is not plain text; save it as CSV (UTF-8)."
        raise LogFormatError(msg, path=str(path)) from error
    lines = [(n, line) for n, line in enumerate(text.splitlines(), 1) if line.strip() and not line.lstrip().startswith("#")]
    if not lines:
        return None
    divider = next((sign for sign in (";", "\t") if sign in lines[0][1]), ",")
    cut = [(n, tuple(cell.strip() for cell in next(csv.reader([line], delimiter=divider)))) for n, line in lines]
    (head_line, heads), rows = cut[0], cut[1:]
    for line, cells in rows:
        if len(cells) != len(heads):
            cure = "fill in or remove."
            if divider == "," and len(cells) > len(heads):
                cure = "a decimal comma divides cells too: write points, or divide all cells by semicolons."
            msg = f"{path.name}, line {line}: {counted(len(cells), 'cell')}, but the header has {len(heads)}; {cure}"
            raise LogFormatError(msg, path=str(path), line=line)
    return TableFile(path, head_line, tuple(head.lower() for head in heads), tuple(rows), divider != ",")
