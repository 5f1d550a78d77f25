"""Reading a rising curve backwards: one bracket an entry, all entries at once."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.errors import InputError
from needlecalc.units import FloatArray

STEPS = 300
SMALL_SHARE = 1e-3  # of the range; an answer below it is as exact as an answer there

Curve = Callable[[FloatArray], FloatArray]


def rising_inverse(goal: ArrayLike, curve: Curve, low: ArrayLike, high: ArrayLike) -> FloatArray:
    r"""Place between two ends where a rising curve takes each value.

    Parameters
    ----------
    goal : array_like, shape (...)
        Wanted values; NaN stays NaN. [as the curve]
    curve : callable
        Value of the curve at an array of places; its result may have more axes, which broadcast.
    low, high : array_like, shape (...)
        Ends, low below high. [as the place]

    Returns
    -------
    array, shape (...)
        Place; NaN where the goal lies outside the values at both ends. [as the place]

    Raises
    ------
    InputError
        If the curve is seen to fall, to stand still from end to end, or to give NaN.

    Notes
    -----
    Inverse quadratic steps inside a bracket, halved instead wherever the curve is too bent for them
    [1]_.  Where the curve jumps over the goal the place is that of the jump; where it stands still at
    the goal, any place on the level.

    References
    ----------
    .. [1] Chandrupatla, A new hybrid quadratic/bisection algorithm for finding the zero of a nonlinear
       function without using derivatives, *Advances in Engineering Software* 28 (1997) 145-149.

    Examples
    --------
    >>> print(rising_inverse([4.0, 9.0, 200.0], np.square, 0.0, 10.0))
    [ 2. 3. nan]
    """
    wanted, start, end = np.broadcast_arrays(*(np.asarray(a, dtype=np.float64) for a in (goal, low, high)))
    least, most = (np.asarray(curve(stop.copy()), dtype=np.float64) for stop in (start, end))
    # A curve may bring axes of its own, such as one coefficient a row.
    wanted, start, end, least, most = np.broadcast_arrays(wanted, start, end, least, most)
    _refuse_falling(least < most, start, end)
    inside = (wanted > least) & (wanted < most)
    place = _between(curve, np.where(inside, wanted, 0.5 * (least + most)), start, end, least, most)
    place = np.where(inside, place, np.nan)
    return np.where(wanted == least, start, np.where(wanted == most, end, place))


def _between(
    curve: Curve, goal: FloatArray, low: FloatArray, high: FloatArray, least: FloatArray, most: FloatArray
) -> FloatArray:
    """Place where the curve passes the goal; a and b bracket it, c is the point left behind."""
    a, b = high, low
    miss_a, miss_b = most - goal, least - goal
    part = np.full(goal.shape, 0.5)
    place, found = low, np.zeros(goal.shape, dtype=np.bool_)
    for _ in range(STEPS):
        trial = a + part * (b - a)
        value = np.asarray(curve(trial), dtype=np.float64)
        _refuse_falling((value >= least) & (value <= most), low, high)
        miss = value - goal
        same = np.sign(miss) == np.sign(miss_a)
        c, miss_c = np.where(same, a, b), np.where(same, miss_a, miss_b)
        b, miss_b = np.where(same, b, a), np.where(same, miss_b, miss_a)
        a, miss_a = trial, miss
        nearer = np.abs(miss_a) < np.abs(miss_b)
        place = np.where(found, place, np.where(nearer, a, b))
        width = np.abs(b - a)
        margin = 2.0 * np.finfo(np.float64).eps * np.maximum(np.abs(place), SMALL_SHARE * (high - low))
        found |= (width <= 2.0 * margin) | (np.where(nearer, miss_a, miss_b) == 0.0)
        if found.all():
            break
        with np.errstate(divide="ignore", invalid="ignore"):  # where points coincide, halving is chosen
            position, level = (a - b) / (c - b), (miss_a - miss_b) / (miss_c - miss_b)
            smooth = ~found & (level**2 < position) & ((1.0 - level) ** 2 < 1.0 - position)
            quadratic = miss_a / (miss_b - miss_a) * miss_c / (miss_b - miss_c) + (c - a) / (b - a) * miss_a / (
                miss_c - miss_a
            ) * miss_b / (miss_c - miss_b)
        least_part = np.where(found, 0.5, margin / np.where(found, 1.0, width))
        part = np.clip(np.where(smooth, quadratic, 0.5), least_part, 1.0 - least_part)
    return place


def _refuse_falling(rises: NDArray[np.bool_], low: FloatArray, high: FloatArray) -> None:
    if not rises.all():
        msg = (
            f"The curve does not rise steadily between {np.min(low):g} and {np.max(high):g}, so its values "
            "do not tell a place on it; check the curve and both ends."
        )
        raise InputError(msg)
