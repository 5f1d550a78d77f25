"""Rows of a log -> numbers, block by block: uneven lines are mended or dropped first, then the block is parsed."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.cell import LARGEST_NUMBER, NO_READING, looks_like_number, number_from_cell, seconds_from_clock
from needlecalc.measure.log.table import LogText, split_cells
from needlecalc.measure.log.words import RowFault, refuse
from needlecalc.units import FloatArray

# Words for "no reading", spelt as loggers do, so that a column with some of them is still parsed as numbers.
_BLANKS = sorted({form for word in NO_READING for form in (word, word.upper(), word.title(), word.capitalize())})
QUICK_BYTES = 2_000_000  # up to here numpy alone is quicker than importing pandas


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
    reader = _Reader(text, columns, frozenset(clock))
    lines = sum(np.count_nonzero(np.frombuffer(block, np.uint8) == ord("\n")) for block in text.blocks())
    values: list[FloatArray] = [np.empty(lines) for _ in columns]
    line = np.empty(lines, dtype=np.int64)
    above, filled = text.first_line, 0
    for block in text.blocks():
        some, rows, count = reader.take(block, above)
        for whole, part in zip((*values, line), (*some, above + rows), strict=True):
            whole[filled : filled + len(rows)] = part
        above, filled = above + count, filled + len(rows)
    for whole in values:
        whole.resize(filled, refcheck=False)
    line.resize(filled, refcheck=False)
    tail = text.raw[max(text.raw.rfind(b"\n") + 1, text.start) :]
    if tail.strip(b" \t\r\n\0\x1a"):
        reader.dropped[RowFault.CUT] += 1
    return LogRows(values, line, reader.dropped)


class _Reader:
    """Reads blocks of whole lines; counts what it drops."""

    def __init__(self, text: LogText, columns: Sequence[int], clock: frozenset[int]) -> None:
        self.text, self.table, self.columns, self.clock = text, text.table, columns, clock
        self.dropped: Counter[RowFault] = Counter()
        self.options: dict[str, Any] = {
            "sep": text.table.delimiter,
            "decimal": text.decimal,
            "header": None,
            "names": list(range(text.table.width)),
            "usecols": sorted(columns),
            "index_col": False,
            "keep_default_na": False,
            "na_values": _BLANKS,
            "skip_blank_lines": False,
            "quoting": csv.QUOTE_NONE,
            "low_memory": False,
        }

    def take(self, block: bytes, above: int) -> tuple[list[FloatArray], NDArray[np.int64], int]:
        """Numbers of each column, places of the rows they stand in, and how many lines there are; the first is ``above``."""
        ends = np.flatnonzero(np.frombuffer(block, np.uint8) == ord("\n"))
        starts = np.concatenate([[0], ends[:-1] + 1])
        uneven = self._uneven(block, starts, ends)
        pieces, place, odd = [], 0, {}
        for row in np.flatnonzero(uneven).tolist():
            pieces.append(block[place : starts[row]])
            odd[row], place = self._cells(block[starts[row] : ends[row]], above + row), ends[row] + 1
        values = self._parse(b"".join([*pieces, block[place:]]))
        keep = np.ones(len(ends), dtype=np.bool_)
        if odd:
            values = [self._with(odd, some, uneven, column) for some, column in zip(values, self.columns, strict=True)]
            keep[list(odd)] = [bool(cells) for cells in odd.values()]
        # A row without any number may be a header pasted in between.
        void = keep & ~uneven
        for some in values:
            void &= np.isnan(some)
        for row in np.flatnonzero(void).tolist():
            keep[row] = bool(self._cells(block[starts[row] : ends[row]], above + row))
        return (values if keep.all() else [some[keep] for some in values]), np.flatnonzero(keep), len(ends)

    def _with(self, odd: dict[int, list[str]], even: FloatArray, uneven: NDArray[np.bool_], column: int) -> FloatArray:
        """The numbers of a column with those of the uneven lines in their places."""
        whole = np.empty(len(uneven))
        whole[~uneven] = even
        whole[uneven] = [self._number(cells[column], column) if cells else np.nan for cells in odd.values()]
        return whole

    def _uneven(self, block: bytes, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> NDArray[np.bool_]:
        """Lines that are no plain rows: another number of delimiters, quotes, NUL bytes, or a cell behind the last name."""
        signs = np.frombuffer(block, np.uint8)

        def in_each_line(sign: str) -> NDArray[np.integer[Any]]:
            there = (signs == ord(sign)).view(np.uint8)
            counts = np.add.reduceat(there, starts, dtype=np.uint8)
            # Small numbers are counted in a third of the time; where they do not suffice the sum tells.
            small = int(counts.sum()) == np.count_nonzero(there)
            return counts if small else np.add.reduceat(there, starts, dtype=np.int64)

        uneven: NDArray[np.bool_] = in_each_line(self.table.delimiter) != self.table.width - 1
        for sign in '"\0':
            if sign.encode() in block:
                uneven |= in_each_line(sign) > 0
        if self.table.width > len(self.table.names):
            last = np.where(signs[ends - 1] == ord("\r"), signs[ends - 2], signs[ends - 1])
            uneven |= last != ord(self.table.delimiter)
        return uneven

    def _cells(self, line: bytes, number: int) -> list[str]:
        """Cells of a line that is a row; none, and the reason counted, of one that is not."""
        heads, units = self.table.names, self.table.units
        row = line.decode()
        # A row of nothing but tabs is a row of empty cells where the tab divides them.
        if not row.strip(" \r\v\f\x1a"):
            return []
        cells = split_cells(row.rstrip("\r"), self.table.delimiter)
        named = [cell for cell in cells if cell]
        # A name that is a number, as a damaged header holds, tells no header from a row.
        known = sum(cell in heads and not looks_like_number(cell) for cell in named)
        fault = None
        if "\0" in row:
            fault = RowFault.NUL
        elif len(cells) < len(heads):
            fault = RowFault.FEWER
        elif any(cells[len(heads) :]):
            fault = RowFault.MORE
        elif cells[: len(heads)] == heads:
            fault = RowFault.HEADER_AGAIN
        elif any(units) and cells[: len(heads)] == units:
            fault = RowFault.UNITS_AGAIN
        elif len(named) > 1 and 2 * known >= len(named):
            words = (
                f"a second header with other columns or another order than line {self.table.header + 1} stands in mid-file, "
                "so the rows below mean something else. Split the file there."
            )
            refuse(self.text.name, words, number)
        if fault is not None:
            self.dropped[fault] += 1
        return [] if fault else cells[: len(heads)]

    def _parse(self, even: bytes) -> list[FloatArray]:
        if not even:
            return [np.empty(0) for _ in self.columns]
        if len(even) < QUICK_BYTES and (numbers := self._all_numbers(even)) is not None:
            return numbers
        import pandas as pd  # late: it takes as long to import as a short log takes to read

        # From pandas 3.1 on the parser rounds every number correctly by itself and warns of the argument.
        old = tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1)
        frame = pd.read_csv(io.BytesIO(even), **self.options, float_precision="round_trip" if old else None)
        return [self._numbers(frame[column], column) for column in self.columns]

    def _all_numbers(self, even: bytes) -> list[FloatArray] | None:
        """The columns, where every cell is a plain number and every line a row; None elsewhere."""
        if self.clock or (self.text.decimal == "," and b"." in even):
            return None
        pointed = even.replace(b",", b".") if self.text.decimal == "," else even
        try:
            table = np.loadtxt(
                io.BytesIO(pointed),
                delimiter=self.table.delimiter,
                usecols=self.columns,
                comments=None,
                ndmin=2,
                encoding="latin1",
            )
        except ValueError:
            return None
        if len(table) != even.count(b"\n"):
            return None
        return list(np.where(np.abs(table) > LARGEST_NUMBER, np.nan, table).T.copy())

    def _numbers(self, cells: Any, column: int) -> FloatArray:
        """What was parsed as numbers, and all else by the rule for one cell; each spelling is read once."""
        if cells.dtype.kind in "iuf" and column not in self.clock:
            numbers: FloatArray = cells.to_numpy(np.float64)
            beyond = np.abs(numbers) > LARGEST_NUMBER
            return np.where(beyond, np.nan, numbers) if beyond.any() else numbers
        texts = [str(cell) for cell in cells.tolist()]
        read = {text: self._number(text, column) for text in set(texts)}
        return np.array([read[text] for text in texts])

    def _number(self, cell: str, column: int) -> float:
        return seconds_from_clock(cell) if column in self.clock else number_from_cell(cell, self.text.decimal)
