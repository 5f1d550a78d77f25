"""The one check that formulas make on floats and arrays: every entry a number inside its range."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.units import FloatArray


def check_each(
    values: ArrayLike,
    name: str,
    low: float,
    high: float = np.inf,
    *,
    open_low: bool = False,
    allow_nan: bool = False,
    cure: str = "",
) -> FloatArray:
    """Numbers as an array, if every entry lies inside a range.

    Parameters
    ----------
    values : array_like, shape (...)
        The numbers. [as named]
    name : str
        Their public name, unit included, for the message.
    low, high : float
        The range; the upper end is allowed. [as named]
    open_low : bool
        Whether the lower end itself is refused.
    allow_nan : bool
        Whether a missing number (NaN) may stand; it is handed on as it is.
    cure : str
        What to do about it, added to the message.

    Returns
    -------
    array, shape (...)
        The same numbers as float64. [as named]

    Raises
    ------
    InputError
        If an entry is not a number or lies outside; the message quotes the first such entry.

    Examples
    --------
    >>> print(check_each([0.5, 1.0], "foot_share", 0.0, 1.0))
    [0.5 1. ]
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        msg = f"{name} must be a number or an array of numbers, got {shown(values)}."
        raise InputError(msg) from error
    if array.ndim == 0 and low < array.item() <= high and array.item() < np.inf:
        return array  # the usual number, without the cost of array arithmetic
    above_low = array > low if open_low else array >= low
    good = above_low & (array <= high) & np.isfinite(array)
    if allow_nan:
        good |= np.isnan(array)
    if not good.all():
        first = int(np.argmax(~good.ravel()))
        where = f" (entry {first + 1} of {array.size})" if array.ndim else ""
        rule = f"greater than {low:g}" if open_low else f"{low:g} or more"
        rule += f" and at most {high:g}" if np.isfinite(high) else " and finite"
        msg = f"{name} is {array.ravel()[first]:g}{where}, but must be {rule}. {cure}".rstrip()
        raise InputError(msg)
    return array
