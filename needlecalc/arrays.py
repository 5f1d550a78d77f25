"""Read-only float arrays and the plain checks that every record makes on construction."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import fields
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError
from needlecalc.units import FloatArray, as_inches


def read_only(values: ArrayLike, name: str, *, allow_nan: bool = False) -> FloatArray:
    """One-dimensional read-only copy of some finite numbers; a missing one (NaN) only with ``allow_nan``."""
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
    """Numbers of any shape as an array, if each lies in a range; the message quotes the first that does not.

    The upper end is allowed, the lower one unless ``open_low``; NaN is refused unless ``allow_nan``.
    """
    try:
        array = np.asarray(values, dtype=np.float64)
    except (TypeError, ValueError, OverflowError) as error:
        msg = f"{name} must be a number or an array of numbers, got {shown(values)}."
        raise InputError(msg, argument=name) from error
    if array.ndim == 0 and low < array.item() <= high and array.item() < np.inf:
        return array  # the usual number, without the cost of array arithmetic
    good = ((array > low) if open_low else (array >= low)) & (array <= high) & np.isfinite(array)
    if allow_nan:
        good |= np.isnan(array)
    if not good.all():
        first = int(np.argmax(~good.ravel()))
        where = f" (entry {first + 1} of {array.size})" if array.ndim else ""
        if np.isfinite(high) and not open_low:
            rule = f"lie between {low:g} and {high:g}"
        else:
            rule = f"be greater than {low:g}" if open_low else f"be {low:g} or more"
            rule += f" and at most {high:g}" if np.isfinite(high) else " and finite"
        msg = f"{name} is {array.ravel()[first]:g}{where}, but must {rule}. {cure}".rstrip()
        raise InputError(msg, argument=name)
    return array


def check_range(value: float, name: str, low: float, high: float, *, cure: str = "") -> float:
    """One number, if it is one and lies in a range, ends allowed."""
    if isinstance(value, bool) or not isinstance(value, (int, float, np.floating, np.integer)):
        msg = f"{name} must be a number, got {shown(value)}."
        raise InputError(msg, argument=name)
    try:
        number = float(value)
    except OverflowError:  # a whole number of hundreds of digits
        number = float("inf") if value > 0 else float("-inf")
    return float(check_each(number, name, low, high, cure=cure))


def within(low: float, high: float, cure: str, inches_below: float = 0.0) -> Mapping[str, Any]:
    """Metadata of a field whose number :func:`check_fields` holds to a range; a length so short is taken for inches."""
    return {"range": (low, high), "cure": cure, "inches_below": inches_below}


def one_of(*words: str, cure: str) -> Mapping[str, Any]:
    """Metadata of a field that takes one of some words."""
    return {"words": words, "cure": cure}


def check_fields(record: Any) -> None:
    """Hold each field of a record to the range or the words that its metadata state; a None or a row passes."""
    for item in fields(record):
        value, facts = getattr(record, item.name), item.metadata
        if value is None:
            continue
        if "words" in facts:
            check_choice(value, item.name, facts["words"], cure=facts["cure"])
        elif "range" in facts and not isinstance(value, tuple):
            inches = isinstance(value, (int, float)) and 0.0 < value < facts["inches_below"]
            check_range(value, item.name, *facts["range"], cure=as_inches(value) if inches else facts["cure"])


def check_choice(value: object, name: str, choices: Sequence[str], *, cure: str) -> None:
    """Refuse what is none of some words."""
    if not isinstance(value, str) or value not in choices:
        msg = f"{name} is {shown(value)}, but must be {' or '.join(map(repr, choices))}; {cure}"
        raise InputError(msg, argument=name)


def check_text(text: str, name: str, most: int = LONGEST_NAME) -> str:
    """What the user calls something, on one line and cut where it is longer than ``most``."""
    if not isinstance(text, str):
        msg = f"{name} must be text, got {shown(text)}."
        raise InputError(msg)
    return plain(text, most)


def same_length(name: str, **arrays: Sequence[object] | FloatArray) -> int:
    """Length shared by several arrays given by name; ``name`` is what they belong to, for the message."""
    lengths = {key: len(array) for key, array in arrays.items()}
    if len(set(lengths.values())) != 1:
        listed = ", ".join(f"{key} has {length}" for key, length in lengths.items())
        msg = f"{name}: the columns must be equally long, but {listed}; a decimal has a point, not a comma."
        raise InputError(msg)
    return next(iter(lengths.values()))
