"""Windows in time over a log whose rows need not be evenly spaced."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.units import FloatArray

GAP_SECONDS = 1.0
GAP_STEPS = 3.0


def gap_s(time_s: FloatArray) -> float:
    """Longest step between rows that still counts as going on.

    Parameters
    ----------
    time_s : array, shape (n,)
        Times of the rows, rising. [s]

    Returns
    -------
    float
        One second, or three usual steps of a slow log. [s]

    Examples
    --------
    >>> gap_s(np.arange(5.0))
    3.0
    """
    return max(GAP_SECONDS, GAP_STEPS * float(np.median(np.diff(time_s))))


def window_ends(
    time_s: FloatArray, before_s: float, after_s: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
    """First and last row of the window about each row, and whether the log fills it.

    Parameters
    ----------
    time_s : array, shape (n,)
        Times of the rows, rising. [s]
    before_s, after_s : float
        Reach of the window either side. [s]

    Returns
    -------
    first, last : array of int, shape (n,)
        Rows at its ends, both inside.
    whole : array of bool, shape (n,)
        False where the log's end or a gap cuts it.

    Examples
    --------
    >>> first, last, whole = window_ends(np.arange(5.0), 1.0, 1.0)
    >>> print(first, last, whole)
    [0 0 1 2 3] [1 2 3 4 4] [False  True  True  True False]
    """
    # A hundredth of a step forgives the rounding of times such as 0.1 + 0.2.
    slack = 0.01 * float(np.median(np.diff(time_s)))
    first = np.searchsorted(time_s, time_s - before_s - slack)
    last = np.searchsorted(time_s, time_s + after_s + slack) - 1
    # A row is in its own window, though seconds vanish beside a time such as 1e20.
    last = np.maximum(last, np.arange(time_s.size))
    gaps_before = np.concatenate([[0], np.cumsum(np.diff(time_s) > gap_s(time_s))])
    # A window is filled when its ends lie within one step of where they should.
    step = 100.0 * slack
    whole = (gaps_before[last] == gaps_before[first]) & (time_s - before_s >= time_s[0] - slack)
    whole &= (time_s + after_s <= time_s[-1] + slack) & (
        time_s[last] - time_s[first] >= before_s + after_s - 2.0 * step - slack
    )
    return first, last, whole


def window_max(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Greatest value in each window.

    Parameters
    ----------
    values : array, shape (n,)
        The values. [as named]
    first, last : array of int, shape (m,)
        Rows at the ends of the windows, both inside.

    Returns
    -------
    array, shape (m,)
        Greatest value. [as named]

    Notes
    -----
    Two overlapping runs of a power of two cover each window, so the time is n log n for any length.

    Examples
    --------
    >>> print(window_max(np.array([3.0, 1.0, 2.0]), np.array([0, 1]), np.array([1, 2])))
    [3. 2.]
    """
    length = last - first + 1
    level = np.floor(np.log2(length)).astype(np.intp)
    out = np.empty(first.size)
    run = np.array(values, dtype=np.float64)
    for power in range(int(level.max(initial=0)) + 1):
        here = level == power
        out[here] = np.maximum(run[first[here]], run[last[here] - (1 << power) + 1])
        ahead = np.minimum(np.arange(run.size) + (1 << power), run.size - 1)
        run = np.maximum(run, run[ahead])
    return out


def window_range(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Greatest less least value in each window.

    Parameters
    ----------
    values : array, shape (n,)
        The values. [as named]
    first, last : array of int, shape (m,)
        Rows at the ends of the windows, both inside.

    Returns
    -------
    array, shape (m,)
        The range. [as named]

    Examples
    --------
    >>> print(window_range(np.array([3.0, 1.0, 2.0]), np.array([0, 1]), np.array([1, 2])))
    [2. 1.]
    """
    return window_max(values, first, last) + window_max(-values, first, last)


def window_mean(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Mean of each window.

    Parameters
    ----------
    values : array, shape (n,)
        The values. [as named]
    first, last : array of int, shape (m,)
        Rows at the ends of the windows, both inside.

    Returns
    -------
    array, shape (m,)
        The mean. [as named]

    Examples
    --------
    >>> print(window_mean(np.array([3.0, 1.0, 2.0]), np.array([0, 1]), np.array([1, 2])))
    [2. 1.5]
    """
    middle = float(np.mean(values))
    total = np.concatenate([[0.0], np.cumsum(values - middle)])
    return np.asarray((total[last + 1] - total[first]) / (last - first + 1) + middle)


def opening(time_s: FloatArray, flow: FloatArray, *, rise: float, settle_s: float) -> NDArray[np.bool_]:
    """Rows at which the air flow has risen lately, so that a damper still enriches.

    Parameters
    ----------
    time_s : array, shape (n,)
        Times of the rows. [s]
    flow : array, shape (n,)
        Air flow or what stands for it, positive. [any]
    rise : float
        Share by which it must be above its least value in the time before. [-]
    settle_s : float
        That time. [s]

    Returns
    -------
    array of bool, shape (n,)
        True at an opening and for the time after it.

    Examples
    --------
    >>> opening(np.arange(6.0), np.array([1.0, 1.0, 2.0, 2.0, 2.0, 2.0]), rise=0.1, settle_s=2.0)
    array([False, False,  True,  True, False, False])
    """
    first, _, _ = window_ends(time_s, settle_s, 0.0)
    here = np.arange(time_s.size)
    least = -window_max(-flow, first, here)
    return np.asarray(flow > (1.0 + rise) * least)
