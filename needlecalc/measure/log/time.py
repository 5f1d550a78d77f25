"""Time as logged -> seconds from zero, strictly rising: midnight, restarts, repeats, spikes."""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
from numpy.typing import NDArray

from needlecalc.show import counted
from needlecalc.units import FloatArray

REPEATS = "time repeats the row before"
BACKWARDS = "time runs backwards"
SPIKE = "time leaps ahead for one row only"

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
    """Time put in order.

    Parameters
    ----------
    time_s : array, shape (m,)
        Seconds from the first row kept, strictly rising. [s]
    keep : array of bool, shape (n,)
        Which rows are kept.
    dropped : dict of str to int
        Rows left out, by reason.
    notes : tuple of str
        What was assumed.
    """

    time_s: FloatArray
    keep: NDArray[np.bool_]
    dropped: dict[str, int]
    notes: tuple[str, ...]


def order_time(seconds: FloatArray, *, clock: bool = False) -> OrderedTime:
    """Time that starts at zero and rises with every row.

    Parameters
    ----------
    seconds : array, shape (n,)
        Time of each row as logged, finite. [s]
    clock : bool
        Whether it is a time of day.

    Returns
    -------
    OrderedTime
        Seconds, the rows kept, and what was done.

    Notes
    -----
    The rules, in this order:

    1. Where more than half of the rows share their stamp with the row before, and the stamps rise at all, stamps
       are coarser than rows: rows of one stamp are spread evenly up to the next.
    2. A time of day that falls by more than half a day has passed midnight: a day is added.
    3. A row that leaps ahead by more than ten steps, the next one being back in line, is dropped.
    4. A fall after which at least ten rows rise again without reaching the old time is a restart of the
       logger's clock: what follows is set behind, one usual step later.
    5. Any other row that does not lie behind all before it is dropped, as a repeat or as running backwards.

    Examples
    --------
    >>> import numpy as np
    >>> order_time(np.array([7.0, 7.1, 7.1, 7.2])).time_s
    array([0. , 0.1, 0.2])
    """
    notes: list[str] = []
    keep = np.ones(len(seconds), dtype=np.bool_)
    dropped: Counter[str] = Counter()
    time_s = seconds - seconds[:1]
    if (time_s[1:] <= time_s[:-1]).any():
        steps = np.diff(time_s)
        if len(steps) >= RESTART_ROWS and 2 * np.count_nonzero(steps == 0) > len(steps) and (steps > 0).any():
            time_s = _spread(time_s, steps)
            steps = np.diff(time_s)
            notes.append("Time stamps are coarser than the rows: rows that share a stamp are spread evenly up to the next.")
        if (steps <= 0).any():
            time_s, keep, dropped, more = _walk(time_s, _usual(steps), clock)
            notes += more
            time_s = time_s[keep] - time_s[keep][:1]
    # Where numbers are so large that steps vanish in rounding, the later row counts as a repeat.
    steps = np.diff(time_s)
    while (steps <= 0).any():
        rising = np.concatenate([[True], steps > 0])
        dropped[REPEATS] += int(np.count_nonzero(~rising))
        keep[np.flatnonzero(keep)[~rising]] = False
        time_s = time_s[rising]
        steps = np.diff(time_s)
    if len(steps) and steps.max() > _PAUSE_S:
        long = steps > max(_PAUSE_STEPS * _usual(steps), _PAUSE_S)
        if long.any():
            count = int(np.count_nonzero(long))
            left = f"of {steps.max():.4g} s is left as it is"
            if count > 1:
                left = f"in the log, the longest of {steps.max():.4g} s, are left as they are"
            notes.append(f"{counted(count, 'pause')} {left}.")
    return OrderedTime(time_s, keep, dict(dropped), tuple(notes))


def runs_backwards(seconds: FloatArray) -> bool:
    """Whether a log was written last row first.

    Parameters
    ----------
    seconds : array, shape (n,)
        Time of each row as logged, finite. [s]

    Returns
    -------
    bool
        True if time falls in nine steps of ten and more.

    Examples
    --------
    >>> import numpy as np
    >>> runs_backwards(np.array([3.0, 2.0, 1.0]))
    True
    """
    falls = seconds[1:] < seconds[:-1]
    return bool(len(falls) > 1 and np.count_nonzero(falls) >= 0.9 * len(falls))


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


def _walk(seconds: FloatArray, usual: float, clock: bool) -> tuple[FloatArray, NDArray[np.bool_], Counter[str], list[str]]:
    logged = seconds.tolist()
    shifted = list(logged)
    keep = np.ones(len(logged), dtype=np.bool_)
    dropped: Counter[str] = Counter()
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
                dropped[SPIKE] += 1
                continue
        elif _restarts(logged, place, last - offset):
            offset = last + usual - stamp
            now = last + usual
            restarts += 1
        else:
            keep[place] = False
            dropped[REPEATS if now == last else BACKWARDS] += 1
            continue
        shifted[place] = now
        last = now
    notes = []
    if midnights:
        notes.append(f"The clock passes midnight {counted(midnights, 'time')}: a day is added each time.")
    if restarts:
        notes.append(
            f"The logger's clock restarts {counted(restarts, 'time')}: what follows is set one usual step "
            f"({usual:.3g} s) behind what went before."
        )
    return np.array(shifted), keep, dropped, notes


def _restarts(logged: list[float], place: int, last: float) -> bool:
    ahead = logged[place : place + RESTART_ROWS]
    if len(ahead) < RESTART_ROWS:
        return False
    rising = all(a < b for a, b in pairwise(ahead))
    return rising and ahead[-1] <= last
