"""Rows of a log -> numbers: clean stretches by the fast parser, others cell by cell, alike to the bit."""

from __future__ import annotations

import csv
import io
from collections import Counter
from collections.abc import Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass
from itertools import accumulate, pairwise
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.cell import (
    LARGEST_NUMBER,
    NO_READING,
    NO_READING_SPELLINGS,
    looks_like_number,
    number_from_cell,
    seconds_from_clock,
    seconds_from_clocks,
)
from needlecalc.measure.log.table import split_cells
from needlecalc.measure.log.text import FileBytes, LogText
from needlecalc.units import FloatArray

CUT = "last line has no line end, so it may be cut short"
NUL = "NUL bytes in the row"
FEWER = "fewer cells than the header"
MORE = "more cells than the header"
HEADER_AGAIN = "header repeated"
UNITS_AGAIN = "units row repeated"

_OTHER_HEADER = "another header"

# Bytes read in one go: each go costs a start, and too few goes leave a worker idle at the end.
_STRETCHES, _LEAST_BYTES, _MOST_BYTES = 6, 1 << 20, 1 << 24
# Rows handed back at a time: in few pieces, as workers wait for each other while one is handed over, yet bounded.
_FAST_ROWS = 1 << 18
# Bytes handed over (as many as pandas asks for) and counted at a time: few enough to stay in the processor's cache.
_WINDOW_BYTES = 1 << 18
_COUNT_BYTES = 1 << 18
_SLOW_LINES = 64
_SPLIT = 16
_LINE_END = 10
# From pandas 3.1 on the parser rounds every number correctly by itself and warns of the argument.
_EXACT: dict[str, Any] = (
    {} if tuple(int(part) for part in pd.__version__.split(".")[:2]) >= (3, 1) else {"float_precision": "round_trip"}
)


@dataclass(frozen=True)
class LogRows:
    """Numbers of some columns.

    Parameters
    ----------
    values : list of array, shape (n,)
        The readings of each column, NaN where a cell holds none. [as in the file]
    line : array of int, shape (n,)
        Line of each row in the file, from 1.
    dropped : dict of str to int
        Rows that are not in ``values``, by reason.
    """

    values: list[FloatArray]
    line: NDArray[np.int64]
    dropped: dict[str, int]


def read_rows(
    text: LogText,
    columns: Sequence[int],
    *,
    clock: Sequence[int] = (),
    fast: bool = True,
    pool: ThreadPoolExecutor | None = None,
) -> LogRows:
    """Numbers in some columns of a log.

    Parameters
    ----------
    text : LogText
        The log.
    columns : sequence of int
        Places of the columns, from 0.
    clock : sequence of int
        Those of them that hold clock times, read as seconds.
    fast : bool
        Whether clean stretches may go through the fast parser; the numbers are the same without.
    pool : ThreadPoolExecutor, optional
        Workers to share the stretches; one's own thread reads them all if not given.

    Returns
    -------
    LogRows
        Readings, lines and dropped rows.

    Raises
    ------
    LogFormatError
        If the columns change their order in mid-file.
    """
    end = text.raw.rfind(b"\n", text.start) + 1 or text.start
    tail = text.raw[end:].strip(b" \t\r\n\0\x1a")
    dropped: Counter[str] = Counter({CUT: 1} if tail else {})
    stretches = _stretches(text.raw, text.start, end)
    share = map if pool is None else pool.map
    marks = list(share(lambda bounds: _count(text.raw, text.delimiter, *bounds), stretches))
    above = [0, *accumulate(lines for lines, _ in marks)]
    reader = _Reader(text, list(columns), frozenset(clock), fast, above[-1])
    for lost in share(lambda k: reader.read(*stretches[k], *marks[k], above[k]), range(len(stretches))):
        dropped.update(lost)
    values, line, taken = reader.values, reader.line, reader.taken
    if not taken.all():
        values, line = [whole[taken] for whole in values], line[taken]
    return LogRows(values, line, dict(dropped))


def _too_large(numbers: FloatArray) -> bool:
    return bool((numbers > LARGEST_NUMBER).any() or (numbers < -LARGEST_NUMBER).any())


def _count(raw: FileBytes, delimiter: str, start: int, stop: int) -> tuple[int, int]:
    """Line ends and delimiters."""
    lines = delimiters = 0
    mark = ord(delimiter)
    for place in range(start, stop, _COUNT_BYTES):
        some = np.frombuffer(raw, np.uint8, min(_COUNT_BYTES, stop - place), place)
        lines += int(np.count_nonzero(some == _LINE_END))
        delimiters += int(np.count_nonzero(some == mark))
    return lines, delimiters


def _stretches(raw: FileBytes, start: int, end: int) -> list[tuple[int, int]]:
    """Bounds of stretches of whole lines, a few for each worker."""
    size = min(max((end - start) // _STRETCHES, _LEAST_BYTES), _MOST_BYTES)
    bounds = []
    while start < end:
        stop = raw.rfind(b"\n", start, min(start + size, end)) + 1
        if not stop:
            stop = raw.find(b"\n", start) + 1
        bounds.append((start, stop))
        start = stop
    return bounds


class _Window(io.TextIOBase):
    """Some of the bytes as an open text file; Latin-1 turns each byte into one sign, so any cut will do."""

    def __init__(self, raw: FileBytes, start: int, stop: int) -> None:
        self.raw, self.place, self.stop = memoryview(raw), start, stop

    def read(self, size: int | None = -1, /) -> str:
        most = _WINDOW_BYTES if size is None or size < 0 else min(size, _WINDOW_BYTES)
        end = min(self.stop, self.place + most)
        some = str(self.raw[self.place : end], "latin-1")
        self.place = end
        if '"' in some or "\0" in some:
            # Raised, not cut off: pandas loses its way in an empty text with a type for each column.
            msg = "quotes and NUL bytes are for the careful reader"
            raise ValueError(msg)
        return some


class _Reader:
    """Writes each row where its line belongs, so nothing is held twice; ``taken`` leaves gaps for lost lines."""

    def __init__(self, text: LogText, columns: list[int], clock: frozenset[int], fast: bool, lines: int) -> None:
        self.text = text
        self.columns = columns
        self.clock = clock
        self.values: list[FloatArray] = [np.empty(lines) for _ in columns]
        self.line = np.arange(text.first_line, text.first_line + lines, dtype=np.int64)
        self.taken = np.ones(lines, dtype=np.bool_)
        self.header = list(text.header_cells)
        # A name that is a number, as a damaged header holds, tells no header from a row.
        self.names = {cell for cell in self.header if not looks_like_number(cell)}
        self.units = list(text.units)
        self.trailing = text.width - len(self.header)
        # A clock is read as text, where signs beyond ASCII would not be what they were.
        self.fast = fast and self.trailing in (0, 1) and (not clock or np.frombuffer(text.raw, np.uint8).max() < 128)
        self.row_marks = text.delimiter.encode() * (text.width - 1) + b"\n"
        self.not_marks = bytes(sorted(set(range(256)) - set(self.row_marks)))
        last = text.width - 1
        # The last column tells a row cut short, which the fast parser would fill up in silence.
        numeric = not self.trailing and any(looks_like_number(row[last]) for row in text.sample)
        self.guard = last if numeric and last not in clock else None
        # Where one cell is blank others will be: then the quicker way is not tried.
        self.blanks = any(
            row[column].lower() in NO_READING for row in text.sample for column in columns if column not in clock
        )
        wanted = sorted({*columns, *([] if self.guard is None else [self.guard])})
        numbers = [column for column in wanted if column not in clock]
        spellings = list(NO_READING_SPELLINGS)
        self.options: dict[str, Any] = {
            "sep": text.delimiter,
            "decimal": text.decimal,
            "header": None,
            "names": list(range(text.width)),
            "usecols": wanted,
            "index_col": False,
            "dtype": {column: "object" if column in clock else "float64" for column in wanted} if clock else "float64",
            "na_filter": False,
            "skip_blank_lines": False,
            "quoting": csv.QUOTE_NONE,
            "engine": "c",
            "low_memory": True,
            "chunksize": _FAST_ROWS,
            **_EXACT,
        }
        self.with_blanks: dict[str, Any] = {
            **self.options,
            "na_filter": True,
            "keep_default_na": False,
            "na_values": {column: spellings for column in numbers} if clock else spellings,
        }

    def read(self, start: int, stop: int, lines: int, delimiters: int, first: int) -> Counter[str]:
        """Rows of some bytes into the arrays from ``first`` on; what comes back is the rows lost."""
        if not self.fast:
            return self._slow(start, stop, first)
        if self._fast(start, stop, lines, delimiters, first):
            return Counter()
        # Few lines are read sooner with care than in many small tries.
        raw = self.text.raw
        if lines <= _SPLIT * _SLOW_LINES or raw[start:stop].count(b'"') >= lines:
            return self._slow(start, stop, first)
        ends = np.flatnonzero(np.frombuffer(raw, np.uint8, stop - start, start) == _LINE_END) + 1
        cuts = np.unique(np.linspace(0, lines, _SPLIT + 1).astype(int)).tolist()
        offsets = (start + np.concatenate([[0], ends])[cuts]).tolist()
        lost: Counter[str] = Counter()
        for (a, b), above in zip(pairwise(offsets), cuts, strict=False):
            lost.update(self.read(a, b, *_count(raw, self.text.delimiter, a, b), first + above))
        return lost

    def _fast(self, start: int, stop: int, lines: int, delimiters: int, first: int) -> bool:
        if delimiters != lines * (self.text.width - 1):
            return False
        if self.guard is None and not self._even(start, stop):
            return False
        short = None if self.blanks else self._parse(start, stop, lines, first, self.options)
        if short is None:
            short = self._parse(start, stop, lines, first, self.with_blanks)
            self.blanks |= short is not None
        # With all delimiters there and no row too short, none is too long.
        return short is not None and (not short or self._even(start, stop))

    def _parse(self, start: int, stop: int, lines: int, first: int, options: dict[str, Any]) -> bool | None:
        """Whether a row may be too short, None where a cell is no plain number: the careful reader says what it is."""
        close, short = first, False
        try:
            with pd.read_csv(_Window(self.text.raw, start, stop), **options) as frames:
                for frame in frames:
                    place, close = close, close + len(frame)
                    if close > first + lines:
                        return None
                    for column, whole in zip(self.columns, self.values, strict=True):
                        cells = frame[column]
                        if column in self.clock:
                            whole[place:close] = seconds_from_clocks(cells.tolist())
                            continue
                        numbers = cells.to_numpy()
                        if not -LARGEST_NUMBER <= numbers.min() <= numbers.max() <= LARGEST_NUMBER and _too_large(numbers):
                            return None
                        whole[place:close] = numbers
                    short |= self.guard is not None and bool(np.isnan(frame[self.guard].to_numpy()).any())
        except (ValueError, pd.errors.ParserError):
            return None
        return short if close == first + lines else None

    def _even(self, start: int, stop: int) -> bool:
        # Delimiters and line ends alone follow each other as they do in an unbroken table. Where most rows end
        # in a delimiter, each must: what stood behind it would be a cell too many.
        chunk = self.text.raw[start:stop]
        marks = chunk.translate(None, self.not_marks)
        count = len(marks) // self.text.width
        if marks != self.row_marks * count:
            return False
        delimiter = self.text.delimiter.encode()
        return not self.trailing or chunk.count(delimiter + b"\n") + chunk.count(delimiter + b"\r\n") == count

    def _slow(self, start: int, stop: int, first: int) -> Counter[str]:
        dropped: Counter[str] = Counter()
        kept: list[list[float]] = []
        line: list[int] = []
        pieces = self.text.raw[start:stop].split(b"\n")[:-1]
        for place, piece in enumerate(pieces, start=self.text.first_line + first):
            # Exports set end to end bring their byte order marks along.
            row = self.text.decoded(piece).removeprefix("\ufeff")
            # A row of nothing but tabs is a row of empty cells where the tab divides them.
            if not row.strip(" \r\v\f\x1a"):
                continue
            reason, cells = self._judge(row)
            if reason == _OTHER_HEADER:
                self._refuse_other_header(place)
            if reason:
                dropped[reason] += 1
                continue
            kept.append([self._number(cells[column], column) for column in self.columns])
            line.append(place)
        close = first + len(kept)
        columns = np.array(kept, dtype=np.float64).reshape(len(kept), len(self.columns)).T
        for whole, some in zip(self.values, columns, strict=True):
            whole[first:close] = some
        self.line[first:close] = line
        self.taken[close : first + len(pieces)] = False
        return dropped

    def _refuse_other_header(self, line: int) -> None:
        text = self.text
        msg = (
            f"{text.name}, line {line}: a second header with other columns or another order than line "
            f"{text.header_line} stands in mid-file, so the rows below mean something else. Split the file there."
        )
        raise LogFormatError(msg, path=text.name, line=line)

    def _number(self, cell: str, column: int) -> float:
        return seconds_from_clock(cell) if column in self.clock else number_from_cell(cell, self.text.decimal)

    def _judge(self, row: str) -> tuple[str, list[str]]:
        if "\0" in row:
            return NUL, []
        cells = split_cells(row.rstrip("\r"), self.text.delimiter)
        wanted = len(self.header)
        if len(cells) < wanted:
            return FEWER, []
        if any(cells[wanted:]):
            return MORE, []
        cells = cells[:wanted]
        if cells == self.header:
            return HEADER_AGAIN, []
        if any(self.units) and cells == self.units:
            return UNITS_AGAIN, []
        named = [cell for cell in cells if cell]
        if len(named) > 1 and 2 * sum(cell in self.names for cell in named) >= len(named):
            return _OTHER_HEADER, []
        return "", cells
