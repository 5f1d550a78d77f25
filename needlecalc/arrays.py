"""Read-only float arrays and the plain checks that every record makes on construction."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError
from needlecalc.units import FloatArray


def read_only(values: ArrayLike, name: str, *, allow_nan: bool = False) -> FloatArray:
    """One-dimensional read-only copy of some numbers.

    Parameters
    ----------
    values : array_like, shape (n,)
        The numbers, in whatever unit the name says. [as named]
    name : str
        What they are called, for the message.
    allow_nan : bool
        Whether a missing number (NaN) is allowed.

    Returns
    -------
    array, shape (n,)
        A copy that cannot be written to. [as named]

    Raises
    ------
    InputError
        If they are not one row of finite numbers.
    """
    try:
        # A row of numbers that nobody can write to any more is taken as it is: a copy would double a long log.
        closed = isinstance(values, np.ndarray) and values.base is None and not values.flags.writeable
        array = np.asarray(values, dtype=np.float64) if closed else np.array(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        msg = f"{name} must be a row of plain numbers, but one of them is not a number: {shown(values)}."
        raise InputError(msg) from error
    if array.ndim != 1:
        found = f"is {shown(values)}" if array.ndim == 0 else f"has shape {array.shape}"
        msg = f"{name} must be one row of numbers, as in [1, 2, 3], but it {found}."
        raise InputError(msg)
    bad = np.isinf(array) if allow_nan else ~np.isfinite(array)
    if bad.any():
        where = int(np.argmax(bad))
        msg = f"{name}: entry {where + 1} is {array[where]}, but every entry must be a finite number."
        raise InputError(msg)
    array.flags.writeable = False
    return array


def check_range(value: float, name: str, low: float, high: float, *, cure: str = "") -> float:
    """One number, if it lies inside a range.

    Parameters
    ----------
    value : float
        The number. [as named]
    name : str
        Its public name, unit included, for the message.
    low, high : float
        The range, ends allowed. [as named]
    cure : str
        What to do about it, added to the message.

    Returns
    -------
    float
        The same number. [as named]

    Raises
    ------
    InputError
        If it is not a finite number or lies outside.
    """
    if isinstance(value, bool) or not isinstance(value, (int, float, np.floating, np.integer)):
        msg = f"{name} must be a number, got {shown(value)}."
        raise InputError(msg)
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = float("inf") if value > 0 else float("-inf")
    if not np.isfinite(number) or not low <= number <= high:
        msg = f"{name} is {number:g}, but must lie between {low:g} and {high:g}."
        raise InputError(f"{msg} {cure}".rstrip())
    return number


def check_text(text: str, name: str, most: int = LONGEST_NAME) -> str:
    """What the user calls something, on one line and no longer than a sheet can bear.

    Parameters
    ----------
    text : str
        As typed.
    name : str
        What it is, for the message.
    most : int
        Length beyond which it is cut.

    Returns
    -------
    str
        The same, control characters written out.

    Raises
    ------
    InputError
        If it is no text.
    """
    if not isinstance(text, str):
        msg = f"{name} must be text, got {shown(text)}."
        raise InputError(msg)
    return plain(text, most)


def same_length(name: str, **arrays: Sequence[object] | FloatArray) -> int:
    """Length shared by several arrays.

    Parameters
    ----------
    name : str
        What they belong to, for the message.
    **arrays : array
        The arrays by name. [as named]

    Returns
    -------
    int
        Their common length.

    Raises
    ------
    InputError
        If they differ.
    """
    lengths = {key: len(array) for key, array in arrays.items()}
    if len(set(lengths.values())) != 1:
        listed = ", ".join(f"{key} has {length}" for key, length in lengths.items())
        msg = f"{name}: the columns must be equally long, but {listed}."
        raise InputError(msg)
    return next(iter(lengths.values()))
