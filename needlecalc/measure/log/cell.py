"""One cell of a log as a number or a time of day: the one rule for every spelling."""

from __future__ import annotations

import math
import re

# Beyond this no logger's number means anything, and arithmetic on it could overflow.
LARGEST_NUMBER = 1e16

_WORDS = "- -- --- ---- nan na n/a n.a. n.a n.d. nd nodata no_data null none nil #n/a #na ? * . invalid k.a. s.d."
NO_READING = frozenset(["", *_WORDS.split(), "no data"])

# Thousands in threes: the other mark, an apostrophe, a blank or a no-break blank between them.
_GROUPING = {".": ",'’ \xa0\u202f", ",": ".'’ \xa0\u202f"}
_NUMBER = {
    mark: re.compile(
        rf"[+-]?(?:\d+|[1-9]\d{{0,2}}([{signs}])\d{{3}}(?:\1\d{{3}})*|(?=[{mark}]\d))(?:[{mark}]\d*)?(?:[eE][+-]?\d+)?",
        re.ASCII,
    )
    for mark, signs in _GROUPING.items()
}
_PLAIN = {mark: str.maketrans({mark: ".", **dict.fromkeys(signs)}) for mark, signs in _GROUPING.items()}

_MONTH = (
    "(?:jan|ene|gen|f[eé]v|feb|m[aä]r|mrz|apr|avr|abr|mai|may|mag|jun|jui|giu|jul|lug|aug|ao[uû]|ago|sep|set|oct|okt|ott|"
    r"nov|dec|d[eé]c|dez|dic)[^\W\d_]*\.?"
)
_DATE = (
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}|"
    rf"(?:[^\W\d_]{{2,10}}[.,]*\s+)?(?:\d{{1,2}}\.?[-/ ]\s*{_MONTH}[-/ ,]\s*\d{{2,4}}|{_MONTH}\s+\d{{1,2}}(?:,?\s+\d{{4}})?)"
)
_CLOCK = re.compile(
    rf"(?:(?:{_DATE})(?:[T ]\s*|,?\s+))?(?:(\d{{1,3}}):)?(\d{{1,3}}):(\d{{2}})(?:[.,:](\d{{1,9}}))?\s*([ap]m)?"
    r"(?:\s*(?:z|utc|gmt|[+-]\d\d:?\d\d))?(?:\s+\d{4})?",
    re.IGNORECASE,
)


def number_from_cell(cell: str, decimal: str) -> float:
    """Cell as a number by the file's decimal mark, NaN where it holds none; never infinite.

    >>> number_from_cell(" 1.234,5 ", ","), number_from_cell("14,7", ".")
    (1234.5, nan)
    """
    text = cell.strip().replace("−", "-")
    if not _NUMBER[decimal].fullmatch(text):
        return math.nan
    number = float(text.translate(_PLAIN[decimal]))
    return number if abs(number) <= LARGEST_NUMBER else math.nan


def looks_like_number(cell: str) -> bool:
    """Whether a cell is a number by either decimal mark."""
    text = cell.strip()
    return any(pattern.fullmatch(text) for pattern in _NUMBER.values())


def decimal_mark(cell: str) -> str:
    """Decimal mark that a cell can only be read with, empty where it leaves that open.

    >>> decimal_mark("14,7"), decimal_mark("1,234"), decimal_mark("1,234.5")
    (',', '', '.')
    """
    text = cell.strip()
    readable = [mark for mark, pattern in _NUMBER.items() if pattern.fullmatch(text)]
    return readable[0] if len(readable) == 1 else ""


def seconds_from_clock(cell: str) -> float:
    """Seconds since midnight, or since a watch was started; a date in front is passed over. NaN where there is none.

    >>> seconds_from_clock("5-May-2030 1:02:03.5 pm"), seconds_from_clock("2:03")
    (46923.5, 123.0)
    """
    match = _CLOCK.fullmatch(cell.strip())
    if not match:
        return math.nan
    hours, minutes, seconds, fraction, half = match.groups()
    hour = int(hours or 0)
    if half and hours:
        hour = hour % 12 + (12 if half.lower() == "pm" else 0)
    return float(f"{hour * 3600 + int(minutes) * 60 + int(seconds)}.{int(fraction or 0):0{len(fraction or '0')}d}")
