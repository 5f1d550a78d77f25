"""Rows of a log: read as numbers, put in order of time, and flagged where they are no mixture."""

from __future__ import annotations

import io
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from functools import partial
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.cell import LARGEST_NUMBER, looks_like_number, number_from_cell, seconds_from_clock
from needlecalc.measure.log.columns import Note
from needlecalc.measure.log.table import LogText, RowFault, refuse, split_cells
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

QUICK_BYTES = 1_000_000  # up to here numpy alone is quicker than importing pandas
SECONDS_PER_DAY = 86400.0
# A clock that falls by more than half a day has passed midnight.
_MIDNIGHT_FALL_S = SECONDS_PER_DAY / 2
# Rows that must rise again after a fall before it counts as a restart of the logger's clock.
RESTART_ROWS = 10
# A pause this many usual steps long, and longer than a second, is told.
_PAUSE_STEPS = 10.0
_PAUSE_S = 1.0
FLAGS = (
    "fit for use",
    "engine off or cranking: rpm below 200",
    "rpm above 20000: no engine speed",
    "mixture reading saturated at its lean end: overrun, free air or the display's ceiling",
    "mixture reading saturated at its rich end: the display's floor",
    "leaner than lambda 1.8: no mixture that burns, so overrun, free air or misfire",
    "richer than lambda 0.5: no mixture that burns, or no reading yet",
    "mixture reading frozen while rpm changes",
)
FIT, ENGINE_OFF, RPM_TOO_HIGH, CEILING, FLOOR, TOO_LEAN, TOO_RICH, FROZEN = range(len(FLAGS))
# Common practice, no source: a warm petrol engine neither idles below 200 1/min nor burns outside these
# limits.
RPM_ENGINE_ON = 200.0
RPM_HIGHEST = 20000.0
LAMBDA_RICHEST = 0.5
LAMBDA_LEANEST = 1.8
# A reading this long at the log's extreme value, while rpm changes, is the display's end and no mixture.
_HELD_S = 1.0
_HELD_ROWS = 5
_PILE_UP = 3
# Values no more display steps apart than this, the inner one held for this share of the outer ones' rows, are one end.
_ADJOINING = 1.5
_AS_LONG = 0.1
# Share of the rows beyond a ceiling that may be glitches and do not hide it.
_GLITCHES = 0.001
# Steps of a display wider than this stand still of themselves: patience is longer.
_COARSE_LAMBDA = 0.02
_FAR_END = (0.7, 1.3)
_FROZEN_S = 5.0
_FROZEN_COARSE_S = 60.0
_FROZEN_ROWS = 20
_FROZEN_RUNS = 20.0


@dataclass(frozen=True)
class LogRows:
    """Readings of each column (NaN where a cell holds none), the line of each row from 1, and the rows dropped."""

    values: list[FloatArray]
    line: NDArray[np.int64]
    dropped: Counter[RowFault]


def read_rows(text: LogText, columns: Sequence[int], *, clock: Sequence[int] = ()) -> LogRows:
    """Numbers in some columns of a log, those in ``clock`` read as times of day."""
    dropped: Counter[RowFault] = Counter()
    most = text.raw.count(b"\n", text.start)
    line, values = np.empty(most, dtype=np.int64), [np.empty(most) for _ in columns]
    above, filled = text.first_line, 0
    for block in text.blocks():
        numbers = None if clock else _all_numbers(text, block, columns)
        if numbers is not None:
            count = len(numbers[0])
            places = np.arange(above, above + count)
        else:
            count = block.count(b"\n")
            rows = _table_rows(text, block, above, dropped)
            places = np.array([*rows], dtype=np.int64)
            numbers = [_numbers([cells[c] for cells in rows.values()], c in clock, text.decimal) for c in columns]
        end = filled + len(places)
        for whole, part in zip((line, *values), (places, *numbers), strict=True):
            whole[filled:end] = part
        above, filled = above + count, end
    for whole in (line, *values):
        whole.resize(filled, refcheck=False)
    for whole in values:
        whole[np.abs(whole) > LARGEST_NUMBER] = np.nan
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
            return list(numbers.T)
        import pandas as pd  # late: it takes as long to import as a short log takes to read

        # From pandas 3.1 on the parser rounds every number correctly by itself and warns of the argument.
        old = tuple(int(part) for part in pd.__version__.split(".")[:2]) < (3, 1)
        frame = pd.read_csv(
            pointed, sep=mark.decode(), header=None, usecols=list(columns), dtype=np.float64, keep_default_na=False,
            skip_blank_lines=False, float_precision="round_trip" if old else None,
        )  # fmt: skip
    except ValueError:
        return None
    return [frame[column].to_numpy() for column in columns]


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


@dataclass(frozen=True)
class OrderedTime:
    """Seconds from the first row kept, which rows are kept, rows left out by reason, and what was assumed."""

    time_s: FloatArray
    keep: NDArray[np.bool_]
    dropped: Counter[RowFault]
    notes: tuple[Remark, ...]


def order_time(seconds: FloatArray, *, clock: bool = False) -> OrderedTime:
    """Time that starts at zero and rises with every row; ``clock`` says that it is a time of day.

    Coarse stamps are spread, midnight adds a day, a restart is set behind, and what still does not rise is dropped.
    """
    notes: list[Remark] = []
    time_s = seconds - seconds[:1]
    steps = np.diff(time_s)
    if len(steps) >= RESTART_ROWS and 2 * np.count_nonzero(steps == 0) > len(steps) and (steps > 0).any():
        time_s = _spread(time_s, steps)
        steps = np.diff(time_s)
        notes.append(Remark(Note.COARSE))
    if (steps <= 0).any():
        time_s, more = _continued(time_s, _usual(steps), clock)
        notes += more
    highest = np.maximum.accumulate(time_s)[:-1]
    keep = np.concatenate([[True], time_s[1:] > highest])
    repeats = int(np.count_nonzero(time_s[1:] == highest))
    dropped = Counter({RowFault.REPEATS: repeats, RowFault.BACKWARDS: int(np.count_nonzero(~keep)) - repeats})
    time_s = time_s[keep]
    steps = np.diff(time_s)
    if len(steps) and steps.max() > _PAUSE_S:
        count = int(np.count_nonzero(steps > max(_PAUSE_STEPS * _usual(steps), _PAUSE_S)))
        if count:
            notes.append(Remark(Note.PAUSES, numbers={"count": count, "longest": float(steps.max())}))
    return OrderedTime(time_s, keep, +dropped, tuple(notes))


def pasted_again(columns: list[FloatArray]) -> NDArray[np.bool_]:
    """Rows of blocks that stand in the file before the clock falls back: ten rows on end and more, alike in all columns."""
    seconds, *others = columns
    again = np.zeros(len(seconds), dtype=np.bool_)
    block = np.concatenate([[0], np.cumsum(seconds[1:] < seconds[:-1])])
    if not block[-1]:
        return again
    order = np.lexsort((block, *columns[::-1]))
    fresh = np.any([np.diff(column[order], prepend=np.nan) != 0 for column in columns], axis=0)
    earliest = block[order][fresh][np.cumsum(fresh) - 1]
    again[order] = block[order] > earliest
    edges = np.flatnonzero(np.diff(again, prepend=False, append=False))
    for start, stop in zip(edges[::2], edges[1::2], strict=True):
        # Where nothing but time, the first column, changes, it may as well be an engine at rest, twice.
        alive = any(np.ptp(column[start:stop]) > 0 for column in others)
        again[start:stop] = stop - start >= RESTART_ROWS and alive
    return again


def _usual(steps: FloatArray) -> float:
    rising = steps[steps > 0]
    return float(np.median(rising)) if len(rising) else 1.0


def _spread(seconds: FloatArray, steps: FloatArray) -> FloatArray:
    starts = np.concatenate([[0], np.flatnonzero(steps != 0) + 1])
    counts = np.diff(np.append(starts, len(seconds)))
    widths = np.diff(seconds[starts])
    usual = _usual(widths)
    widths = np.append(widths, usual)
    # A fall or a pause is not spread over: the stamp is taken to last as long as most do.
    widths = np.where((widths > 0) & (widths <= _PAUSE_STEPS * usual), widths, usual)
    place = np.arange(len(seconds)) - np.repeat(starts, counts)
    spread: FloatArray = seconds + place / np.repeat(counts, counts) * np.repeat(widths, counts)
    return spread


def _continued(seconds: FloatArray, usual: float, clock: bool) -> tuple[FloatArray, list[Remark]]:
    """Time that goes on over midnight and over restarts of the logger's clock."""
    logged = seconds.tolist()
    shifted = list(logged)
    offset, last = 0.0, -np.inf
    midnights = restarts = 0
    for place, stamp in enumerate(logged):
        if clock and last - (stamp + offset) > _MIDNIGHT_FALL_S:
            offset += SECONDS_PER_DAY
            midnights += 1
        if stamp + offset <= last and _restarts(logged, place, last - offset):
            offset = last + usual - stamp
            restarts += 1
        shifted[place] = stamp + offset
        last = max(last, stamp + offset)
    notes = []
    if midnights:
        notes.append(Remark(Note.MIDNIGHT, numbers={"count": midnights}))
    if restarts:
        notes.append(Remark(Note.RESTART, numbers={"count": restarts, "usual": usual}))
    return np.array(shifted), notes


def _restarts(logged: list[float], place: int, last: float) -> bool:
    ahead = logged[place : place + RESTART_ROWS]
    rising = len(ahead) == RESTART_ROWS and all(a <= b for a, b in pairwise(ahead))
    return rising and ahead[0] < ahead[-1] <= last


def flag_rows(time_s: FloatArray, rpm: FloatArray, lambda_measured: FloatArray) -> NDArray[np.int8]:
    """Flag of each row: 0 where it is fit for use, else its place in ``FLAGS``; limits are common practice, no source."""
    flag = np.zeros(len(time_s), dtype=np.int8)
    if not len(time_s):
        return flag
    runs = _Runs(time_s, rpm, lambda_measured)
    # What stands further down overrules.
    for which, rows in (
        (FROZEN, runs.frozen()),
        (TOO_LEAN, lambda_measured > LAMBDA_LEANEST),
        (TOO_RICH, lambda_measured < LAMBDA_RICHEST),
        (CEILING, runs.at_end(lean=True)),
        (FLOOR, runs.at_end(lean=False)),
        (RPM_TOO_HIGH, rpm > RPM_HIGHEST),
        (ENGINE_OFF, rpm < RPM_ENGINE_ON),
    ):
        if rows.any():
            flag[rows] = which
    return flag


class _Runs:
    """Stretches of rows over which the reading stays the same to the last digit."""

    def __init__(self, time_s: FloatArray, rpm: FloatArray, reading: FloatArray) -> None:
        self.rpm, self.reading = rpm, reading
        bounds = np.concatenate([[0], np.flatnonzero(reading[1:] != reading[:-1]) + 1, [len(reading)]])
        self.start, self.stop = bounds[:-1], bounds[1:]
        self.duration_s = time_s[self.stop - 1] - time_s[self.start]
        # The display's step, from readings that can be a mixture; some ten thousand rows show them all.
        some = reading[:: len(reading) // 50_000 + 1]
        steps = np.diff(np.unique(some[(some > LAMBDA_RICHEST) & (some < LAMBDA_LEANEST)]))
        self.step = float(np.quantile(steps, 0.1)) if len(steps) else np.inf

    def _held(self, seconds: float, rows: int) -> NDArray[np.int64]:
        return np.flatnonzero((self.duration_s >= seconds) & (self.stop - self.start >= rows))

    def _rpm_moves(self, run: int, least: float, share: float) -> bool:
        rpm = self.rpm[self.start[run] : self.stop[run]]
        return bool(np.ptp(rpm) >= max(least, share * float(np.mean(np.abs(rpm)))))

    def frozen(self) -> NDArray[np.bool_]:
        """Rows over which the reading stays the same to the last digit for far longer than usual, while rpm changes."""
        marked = np.zeros(len(self.reading), dtype=np.bool_)
        usual = float(np.median(self.duration_s)) if len(self.duration_s) >= 10 else 0.0
        patience = _FROZEN_S if self.step <= _COARSE_LAMBDA else _FROZEN_COARSE_S
        for run in self._held(max(patience, _FROZEN_RUNS * usual), _FROZEN_ROWS).tolist():
            if self._rpm_moves(run, 200.0, 0.15):
                marked[self.start[run] : self.stop[run]] = True
        return marked

    def at_end(self, lean: bool) -> NDArray[np.bool_]:
        """Rows on the display's ceiling or floor, found by where readings pile up, and those beyond it."""
        none = np.zeros(len(self.reading), dtype=np.bool_)
        outward = self.reading if lean else -self.reading
        held = self._held(_HELD_S, _HELD_ROWS)
        lowest, highest = _FAR_END
        far = (self.reading[self.start[held]] >= highest) | (self.reading[self.start[held]] <= lowest)
        # Far out no mixture stays the same to the last digit; near lambda one it can, while rpm does.
        telling = [run for run, out in zip(held.tolist(), far, strict=True) if out or self._rpm_moves(run, 20.0, 0.02)]
        levels = np.unique(outward[self.start[telling]])[::-1]
        end = float(levels[0] if lean else -levels[0]) if len(levels) else np.nan
        coarse = self.step > _COARSE_LAMBDA and lowest < end < highest
        if not len(levels) or (end > 1.0) != lean or coarse:
            return none
        step = self.step if np.isfinite(self.step) else _COARSE_LAMBDA
        rows = np.array([np.count_nonzero(outward == level) for level in levels])
        apart = np.flatnonzero((np.diff(levels) < -_ADJOINING * step) | (rows[1:] < _AS_LONG * np.cumsum(rows)[:-1]))
        for edge in levels[: apart[0] + 1 if len(apart) else None][::-1]:
            beyond: NDArray[np.bool_] = outward >= edge
            inside = np.count_nonzero(~beyond & (edge - outward <= 5 * step))
            piled = np.count_nonzero(outward == edge) >= _PILE_UP * inside
            if piled and np.count_nonzero(outward > levels[0]) <= _GLITCHES * len(outward):
                return beyond
        return none
