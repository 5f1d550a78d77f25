"""Rows of a log -> numbers: a block of plain numbers at once, any other block line by line by the rule for one cell."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.cell import LARGEST_NUMBER, looks_like_number, number_from_cell, seconds_from_clock
from needlecalc.measure.log.table import LogText, split_cells
from needlecalc.measure.log.words import RowFault, refuse
from needlecalc.units import FloatArray

QUICK_BYTES = 1_000_000  # up to here numpy alone is quicker than importing pandas


@dataclass(frozen=True)
class LogRows:
    """Readings of each column (NaN where a cell holds none), the line of each row from 1, and the rows dropped."""

    values: list[FloatArray]
    line: NDArray[np.int64]
    dropped: Counter[RowFault]


def read_rows(text: LogText, columns: Sequence[int], *, clock: Sequence[int] = ()) -> LogRows:
    """Numbers in some columns of a log, those in ``clock`` read as times of day.

    LogFormatError if the columns change their order in mid-file.
    """
    dropped: Counter[RowFault] = Counter()
    most = text.raw.count(b"\n", text.start)
    line, values = np.empty(most, dtype=np.int64), [np.empty(most) for _ in columns]
    above, filled = text.first_line, 0
    for block in text.blocks():
        numbers = None if clock else _all_numbers(text, block, columns)
        if numbers is not None:
            places = np.arange(above, above + len(numbers[0]))
        else:
            rows = _table_rows(text, block, above, dropped)
            places = np.array([*rows], dtype=np.int64)
            numbers = [_numbers([cells[c] for cells in rows.values()], c in clock, text.decimal) for c in columns]
        end = filled + len(places)
        for whole, part in zip((line, *values), (places, *numbers), strict=True):
            whole[filled:end] = part
        above, filled = above + block.count(b"\n"), end
    for whole in (line, *values):
        whole.resize(filled, refcheck=False)
    tail = text.raw[max(text.raw.rfind(b"\n") + 1, text.start) :]
    if tail.strip(b" \t\r\n\0\x1a"):
        dropped[RowFault.CUT] += 1
    return LogRows(values, line, dropped)


def _all_numbers(text: LogText, block: bytes, columns: Sequence[int]) -> list[FloatArray] | None:
    """The columns, where every line is a row and every cell of them a plain number; None elsewhere."""
    mark = text.table.delimiter.encode()
    others = bytes(set(range(256)) - set(mark + b'\n"\0'))
    row = mark * (text.table.width - 1) + b"\n"
    even = block.translate(None, others)
    rows = len(even) // len(row)
    # Behind the last name of a header that is short by one no cell may stand.
    spare = text.table.width > len(text.table.names) and block.count(mark + b"\n") != rows
    if even != row * rows or spare or (text.decimal == "," and b"." in block):
        return None
    pointed = io.BytesIO(block.replace(b",", b".") if text.decimal == "," else block)
    try:
        if len(block) < QUICK_BYTES:
            numbers = np.loadtxt(
                pointed, delimiter=mark.decode(), usecols=columns, comments=None, ndmin=2, encoding="latin1"
            )
            return list(np.where(np.abs(numbers) > LARGEST_NUMBER, np.nan, numbers).T)
        import pandas as pd  # late: it takes as long to import as a short log takes to read

        # From pandas 3.1 on the parser rounds every number correctly by itself and warns of the argument.
        old = tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1)
        frame = pd.read_csv(
            pointed, sep=mark.decode(), header=None, usecols=list(columns), dtype=np.float64, keep_default_na=False,
            skip_blank_lines=False, float_precision="round_trip" if old else None,
        )  # fmt: skip
    except ValueError:
        return None
    return [np.where(np.abs(frame[c]) > LARGEST_NUMBER, np.nan, frame[c]) for c in columns]


def _table_rows(text: LogText, block: bytes, above: int, dropped: Counter[RowFault]) -> dict[int, list[str]]:
    """Cells of the lines that are rows, by line, the first of which is ``above``; what is none is counted by its reason."""
    heads, units = text.table.names, text.table.units
    # A name that is a number, as a damaged header holds, tells no header from a row.
    known = {name for name in heads if name and not looks_like_number(name)}
    rows = {}
    for number, line in enumerate(block.decode().split("\n")[:-1], start=above):
        # A row of nothing but tabs is a row of empty cells where the tab divides them.
        if not line.strip(" \r\v\f\x1a"):
            continue
        cells = split_cells(line, text.table.delimiter)
        fault = None
        if "\0" in line:
            fault = RowFault.NUL
        elif len(cells) < len(heads):
            fault = RowFault.FEWER
        elif any(cells[len(heads) :]):
            fault = RowFault.MORE
        elif cells[: len(heads)] == heads:
            fault = RowFault.HEADER_AGAIN
        elif any(units) and cells[: len(heads)] == units:
            fault = RowFault.UNITS_AGAIN
        elif 2 * (met := sum(cell in known for cell in cells)) >= sum(map(bool, cells)) and met > 1:
            words = (
                f"a second header with other columns or another order than line {text.table.header + 1} stands in mid-file, "
                "so the rows below mean something else. Split the file there."
            )
            refuse(text.name, words, number)
        if fault is None:
            rows[number] = cells
        else:
            dropped[fault] += 1
    return rows


def _numbers(cells: list[str], clock: bool, decimal: str) -> FloatArray:
    """Cells of a column as numbers; each spelling is read once."""
    number = seconds_from_clock if clock else partial(number_from_cell, decimal=decimal)
    read = {cell: number(cell) for cell in set(cells)}
    return np.array([read[cell] for cell in cells], dtype=np.float64)
