"""One cell of a log -> a number: decimal comma, grouped thousands, clock times, words for 'no reading'."""

from __future__ import annotations

import math
import re
from collections.abc import Sequence

import numpy as np

from needlecalc.units import FloatArray

# Beyond this no logger's number means anything, and arithmetic on it could overflow.
LARGEST_NUMBER = 1e16

_NO_READING = "- -- --- ---- nan na n/a n.a. n.a n.d. nd nodata no_data null none nil #n/a #na ? * . invalid".split()
NO_READING = frozenset(["", *_NO_READING, "no data", "k.a.", "s.d."])
NO_READING_SPELLINGS = tuple(
    sorted({form for word in NO_READING for form in (word, word.upper(), word.title(), word.capitalize())})
)

_NUMBER = {
    mark: re.compile(rf"[+-]?(?:\d+(?:{re.escape(mark)}\d*)?|{re.escape(mark)}\d+)(?:[eE][+-]?\d+)?") for mark in ".,"
}
# Thousands in threes: the other mark, an apostrophe, a blank or a no-break blank between them.
_GROUPED = {
    ".": re.compile(r"[+-]?[1-9]\d{0,2}(?:([,'’ \xa0\u202f])\d{3})(?:\1\d{3})*(?:\.\d*)?"),
    ",": re.compile(r"[+-]?[1-9]\d{0,2}(?:([.'’ \xa0\u202f])\d{3})(?:\1\d{3})*(?:,\d*)?"),
}
_PLAIN_CLOCK = re.compile(r"\d\d:\d\d:\d\d(?:\.\d{1,6})?", re.ASCII)
_CLOCK = re.compile(
    r"(?:(?:\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4})(?:[T ]\s*|\s+))?"
    r"(?:(\d{1,3}):)?(\d{1,3}):(\d{2})(?:[.,:](\d{1,9}))?\s*([ap]m)?(?:z|[+-]\d\d:?\d\d)?",
    re.IGNORECASE | re.ASCII,
)


def number_from_cell(cell: str, decimal: str) -> float:
    """Cell as a number, NaN where it holds none.

    Parameters
    ----------
    cell : str
        The cell, blanks around it allowed.
    decimal : str
        Decimal mark of the file, ``.`` or ``,``.

    Returns
    -------
    float
        The number, never infinite. [as named by the column]

    Examples
    --------
    >>> number_from_cell(" 1.234,5 ", ",")
    1234.5
    >>> number_from_cell("14,7", ".")
    nan
    """
    text = cell.strip().replace("−", "-")
    if not text.isascii():
        text = text.replace("\xa0", " ").replace("\u202f", " ").strip()
        if not text.isascii() and "’" not in text:
            return math.nan
    if not _NUMBER[decimal].fullmatch(text):
        if not _GROUPED[decimal].fullmatch(text):
            return math.nan
        text = re.sub(r"[,.'’ ]", lambda mark: mark[0] if mark[0] == decimal else "", text)
    number = float(text.replace(",", ".") if decimal == "," else text)
    return number if abs(number) <= LARGEST_NUMBER else math.nan


def looks_like_number(cell: str) -> bool:
    """Whether a cell is a number by either decimal mark.

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    bool
        True for a plain number, grouped thousands included.
    """
    text = cell.strip()
    return any(pattern.fullmatch(text) for pattern in (*_NUMBER.values(), *_GROUPED.values()))


def seconds_from_clock(cell: str) -> float:
    """Time of day in a cell such as ``10:03:07.25``, NaN where there is none.

    Parameters
    ----------
    cell : str
        Hours, minutes and seconds, or minutes and seconds; a date in front is passed over, am and pm count.

    Returns
    -------
    float
        Seconds since midnight, or since the watch was started. [s]

    Examples
    --------
    >>> seconds_from_clock("01:02:03.5")
    3723.5
    >>> seconds_from_clock("2:03")
    123.0
    """
    match = _CLOCK.fullmatch(cell.strip())
    if not match:
        return math.nan
    hours, minutes, seconds, fraction, half = match.groups()
    hour = int(hours or 0)
    if half and hours:
        hour = hour % 12 + (12 if half.lower() == "pm" else 0)
    return float(f"{hour * 3600 + int(minutes) * 60 + int(seconds)}.{fraction or 0}")


def seconds_from_clocks(cells: Sequence[str]) -> FloatArray:
    """Times of day of many cells, alike to ``seconds_from_clock`` to the bit.

    Parameters
    ----------
    cells : sequence of str
        The cells; those written like the first, as ``10:03:07.25``, are read together.

    Returns
    -------
    array, shape (n,)
        Seconds since midnight, NaN where there is none. [s]

    Examples
    --------
    >>> seconds_from_clocks(["01:02:03.5", "01:02:04.0", "?"])
    array([3723.5, 3724. , nan])
    """
    if not cells or not _PLAIN_CLOCK.fullmatch(cells[0]):
        return np.array([seconds_from_clock(cell) for cell in cells])
    text = np.array(cells, dtype=np.str_)
    signs = text.view(np.uint32).reshape(len(cells), -1)[:, : len(cells[0])].astype(np.int64)
    digits, pattern = signs - ord("0"), [sign.isdigit() for sign in cells[0]]
    longer = np.char.str_len(text) != len(cells[0])
    odd = longer | (signs[:, ~np.array(pattern)] != [ord(sign) for sign in cells[0] if not sign.isdigit()]).any(axis=1)
    odd |= ((digits < 0) | (digits > 9))[:, pattern].any(axis=1)
    # Whole numbers up to the last division keep it as exact as reading the text.
    decimals = max(len(cells[0]) - 9, 0)
    whole = np.zeros(len(cells), dtype=np.int64)
    for place, weight in zip((0, 1, 3, 4, 6, 7), (36000, 3600, 600, 60, 10, 1), strict=True):
        whole += digits[:, place] * weight
    for place in range(9, len(cells[0])):
        whole = 10 * whole + digits[:, place]
    seconds: FloatArray = whole / 10.0**decimals
    for row in np.flatnonzero(odd).tolist():
        seconds[row] = seconds_from_clock(cells[row])
    return seconds


def decimal_mark(cell: str) -> str:
    """Decimal mark that a cell can only be read with, empty where it leaves that open.

    Parameters
    ----------
    cell : str
        The cell.

    Returns
    -------
    str
        ``.``, ``,`` or nothing.

    Examples
    --------
    >>> decimal_mark("14,7"), decimal_mark("1,234"), decimal_mark("1,234.5")
    (',', '', '.')
    """
    text = cell.strip()
    if "." not in text and "," not in text:
        return ""
    readable = [mark for mark in ".," if _NUMBER[mark].fullmatch(text) or _GROUPED[mark].fullmatch(text)]
    return readable[0] if len(readable) == 1 else ""
