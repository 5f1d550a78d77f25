"""Time as logged -> seconds from zero, strictly rising: midnight, restarts, repeats, spikes."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.words import Note, RowFault
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

SECONDS_PER_DAY = 86400.0
# A clock that falls by more than half a day has passed midnight.
_MIDNIGHT_FALL_S = SECONDS_PER_DAY / 2
# Rows that must rise again after a fall before it counts as a restart of the logger's clock.
RESTART_ROWS = 10
# A pause this many usual steps long, and longer than a second, is told.
_PAUSE_STEPS = 10.0
_PAUSE_S = 1.0


@dataclass(frozen=True)
class OrderedTime:
    """Seconds from the first row kept, which rows are kept, rows left out by reason, and what was assumed."""

    time_s: FloatArray
    keep: NDArray[np.bool_]
    dropped: Counter[RowFault]
    notes: tuple[Remark, ...]


def order_time(seconds: FloatArray, *, clock: bool = False) -> OrderedTime:
    """Time that starts at zero and rises with every row; ``clock`` says that it is a time of day.

    The rules, in this order:

    1. Where more than half of the rows share their stamp with the row before, and the stamps rise at all, stamps
       are coarser than rows: rows of one stamp are spread evenly up to the next.
    2. A time of day that falls by more than half a day has passed midnight: a day is added.
    3. A row that leaps ahead by more than ten steps, the next one being back in line, is dropped.
    4. A fall after which at least ten rows rise again without reaching the old time is a restart of the
       logger's clock: what follows is set behind, one usual step later.
    5. Any other row that does not lie behind all before it is dropped, as a repeat or as running backwards.

    >>> order_time(np.array([7.0, 7.1, 7.1, 7.2])).time_s
    array([0. , 0.1, 0.2])
    """
    notes: list[Remark] = []
    keep = np.ones(len(seconds), dtype=np.bool_)
    dropped: Counter[RowFault] = Counter()
    time_s = seconds - seconds[:1]
    if (time_s[1:] <= time_s[:-1]).any():
        steps = np.diff(time_s)
        if len(steps) >= RESTART_ROWS and 2 * np.count_nonzero(steps == 0) > len(steps) and (steps > 0).any():
            time_s = _spread(time_s, steps)
            steps = np.diff(time_s)
            notes.append(Remark(Note.COARSE))
        if (steps <= 0).any():
            time_s, keep, dropped, more = _walk(time_s, _usual(steps), clock)
            notes += more
            time_s = time_s[keep] - time_s[keep][:1]
    # Where numbers are so large that steps vanish in rounding, the later row counts as a repeat.
    steps = np.diff(time_s)
    while (steps <= 0).any():
        rising = np.concatenate([[True], steps > 0])
        dropped[RowFault.REPEATS] += int(np.count_nonzero(~rising))
        keep[np.flatnonzero(keep)[~rising]] = False
        time_s = time_s[rising]
        steps = np.diff(time_s)
    if len(steps) and steps.max() > _PAUSE_S:
        count = int(np.count_nonzero(steps > max(_PAUSE_STEPS * _usual(steps), _PAUSE_S)))
        if count:
            notes.append(Remark(Note.PAUSES, numbers={"count": count, "longest": float(steps.max())}))
    return OrderedTime(time_s, keep, dropped, tuple(notes))


def runs_backwards(seconds: FloatArray) -> bool:
    """Whether a log was written last row first: time falls in nine steps of ten and more."""
    falls = seconds[1:] < seconds[:-1]
    return bool(len(falls) > 1 and np.count_nonzero(falls) >= 0.9 * len(falls))


def pasted_again(columns: list[FloatArray]) -> NDArray[np.bool_]:
    """Rows of blocks that stand in the file before the clock falls back: ten rows on end and more, alike in all columns.

    Time is the first column. A block in which nothing else changes may as well be an engine at rest, twice.
    """
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


def _walk(
    seconds: FloatArray, usual: float, clock: bool
) -> tuple[FloatArray, NDArray[np.bool_], Counter[RowFault], list[Remark]]:
    logged = seconds.tolist()
    shifted = list(logged)
    keep = np.ones(len(logged), dtype=np.bool_)
    dropped: Counter[RowFault] = Counter()
    offset, last = 0.0, -np.inf
    midnights = restarts = 0
    leap = max(_PAUSE_STEPS * usual, _PAUSE_S)
    for place, stamp in enumerate(logged):
        now = stamp + offset
        if clock and last - now > _MIDNIGHT_FALL_S:
            offset += SECONDS_PER_DAY
            now += SECONDS_PER_DAY
            midnights += 1
        if now > last:
            follows = logged[place + 1] + offset if place + 1 < len(logged) else np.inf
            # The first row has no row before it: it leaps if the next ones rise, far below it.
            behind = last if place else min(logged[1:3], default=np.inf)
            midnight = clock and now - follows > _MIDNIGHT_FALL_S
            if now - last > leap and behind <= follows <= now and not midnight and now - follows > leap:
                keep[place] = False
                dropped[RowFault.SPIKE] += 1
                continue
        elif _restarts(logged, place, last - offset):
            offset = last + usual - stamp
            now = last + usual
            restarts += 1
        else:
            keep[place] = False
            dropped[RowFault.REPEATS if now == last else RowFault.BACKWARDS] += 1
            continue
        shifted[place] = now
        last = now
    notes = []
    if midnights:
        notes.append(Remark(Note.MIDNIGHT, numbers={"count": midnights}))
    if restarts:
        notes.append(Remark(Note.RESTART, numbers={"count": restarts, "usual": usual}))
    return np.array(shifted), keep, dropped, notes


def _restarts(logged: list[float], place: int, last: float) -> bool:
    ahead = logged[place : place + RESTART_ROWS]
    rising = len(ahead) == RESTART_ROWS and all(a < b for a, b in pairwise(ahead))
    return rising and ahead[-1] <= last
