"""From the bytes of a log to a table of cells: encoding, delimiter, header, units row."""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pandas as pd

from needlecalc.errors import LogFormatError
from needlecalc.units import FloatArray

HEADER_WITHIN_LINES = 30
DELIMITERS = (";", "\t", ",")
NUMBER = re.compile(r"^\s*[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d+)?\s*$")
CLOCK = re.compile(r"^\s*(\d{1,2}):(\d{2}):(\d{2}(?:[.,]\d+)?)\s*$")
SECONDS_PER_MINUTE, SECONDS_PER_HOUR = 60.0, 3600.0


@dataclass(frozen=True)
class LogText:
    """Cells of a log as text, with where they stand.

    Parameters
    ----------
    heads : tuple of str
        Column names as written.
    units : tuple of str
        Units from a row of their own, or empty.
    cells : pandas.DataFrame
        One column a head, by position, every cell text.
    line : array, shape (n,)
        Line in the file of each row, from 1.
    decimal : str
        The decimal mark, "." or ",".
    delimiter : str
        What separates cells.
    short_rows : int
        Rows left out because they have fewer or more cells than the header.
    repeated_heads : int
        Rows left out because they repeat the header.
    """

    heads: tuple[str, ...]
    units: tuple[str, ...]
    cells: pd.DataFrame
    line: FloatArray
    decimal: str
    delimiter: str
    short_rows: int
    repeated_heads: int


def read_log_text(data: bytes, path: Path) -> LogText:
    """Cells of a delimited text log.

    Parameters
    ----------
    data : bytes
        The file.
    path : Path
        Its name, for messages.

    Returns
    -------
    LogText
        Header, units and cells, all as text.

    Raises
    ------
    LogFormatError
        If no header followed by rows of numbers is found.
    """
    try:
        text = data.decode("utf-8-sig")
    except UnicodeDecodeError:
        text = data.decode("latin-1")
    if "\x00" in text:
        msg = f"{path.name}: the file holds NUL bytes, so it is not plain text; export the log again as CSV text."
        raise LogFormatError(msg, path=str(path))
    lines = text.splitlines()
    header, delimiter = _find_header(lines, path)
    heads = [head.strip() for head in _split(lines[header], delimiter)]
    while heads and not heads[-1]:
        heads.pop()
    first = header + 1
    units = tuple("" for _ in heads)
    below = [cell.strip() for cell in _split(lines[first], delimiter)] if first < len(lines) else []
    if below and not any(_is_number(cell) for cell in below):
        units = tuple((below + [""] * len(heads))[: len(heads)])
        first += 1
    rows, numbers, short, repeated = [], [], 0, 0
    for number, cells in enumerate(csv.reader(io.StringIO("\n".join(lines[first:])), delimiter=delimiter), first + 1):
        while len(cells) > len(heads) and not cells[-1].strip():
            cells.pop()
        if not cells or not any(cell.strip() for cell in cells):
            continue
        if [cell.strip() for cell in cells] == heads:
            repeated += 1
        elif len(cells) != len(heads):
            short += 1
        else:
            rows.append(cells)
            numbers.append(number)
    if not rows:
        msg = f"{path.name}, line {header + 1}: a header but no row of data below it; check that the log was recorded."
        raise LogFormatError(msg, path=str(path), line=header + 1)
    cells_frame = pd.DataFrame(rows, dtype=str)
    commas = sum(bool(re.fullmatch(r"\s*-?\d+,\d+\s*", cell)) for row in rows[:200] for cell in row)
    decimal = "," if delimiter != "," and commas else "."
    return LogText(
        tuple(heads), units, cells_frame, np.array(numbers, dtype=np.float64), decimal, delimiter, short, repeated
    )


def numbers_of(cells: pd.Series[str], decimal: str) -> FloatArray:
    """Numbers in a column of text; NaN where a cell is not a number.

    Parameters
    ----------
    cells : pandas.Series of str, shape (n,)
        The cells.
    decimal : str
        The decimal mark.

    Returns
    -------
    array, shape (n,)
        Values in the column's own unit; clock times become seconds. [as written]
    """
    text = cells.str.strip()
    clock = text.str.extract(CLOCK)
    if clock[0].notna().mean() > 0.5:
        hours, minutes = pd.to_numeric(clock[0]), pd.to_numeric(clock[1])
        seconds = pd.to_numeric(clock[2].str.replace(",", ".", regex=False))
        return np.array(hours * SECONDS_PER_HOUR + minutes * SECONDS_PER_MINUTE + seconds, dtype=np.float64)
    if decimal == ",":
        text = text.str.replace(",", ".", regex=False)
    return np.array(pd.to_numeric(text, errors="coerce"), dtype=np.float64)


def _is_number(cell: str) -> bool:
    return bool(NUMBER.match(cell) or CLOCK.match(cell))


def _split(line: str, delimiter: str) -> list[str]:
    return next(csv.reader([line], delimiter=delimiter), [])


def _find_header(lines: list[str], path: Path) -> tuple[int, str]:
    """First line of names whose next lines hold as many cells, most of them numbers."""
    for index, line in enumerate(lines[:HEADER_WITHIN_LINES]):
        for delimiter in DELIMITERS:
            cells = _split(line, delimiter)
            names = [cell for cell in cells if cell.strip() and not _is_number(cell)]
            if len(names) < 2 or len(names) < 0.7 * len([cell for cell in cells if cell.strip()]):
                continue
            for below in lines[index + 1 : index + 4]:
                row = _split(below, delimiter)
                numbers = sum(_is_number(cell) for cell in row)
                if len(row) >= len(names) and numbers >= max(2, 0.4 * len(names)):
                    return index, delimiter
    msg = (
        f"{path.name}: no header with rows of numbers below it within the first {HEADER_WITHIN_LINES} lines; export "
        "the log as text with one line of column names."
    )
    raise LogFormatError(msg, path=str(path), line=1)
