"""What a user typed, as a message, a table or a sheet may repeat it: on one line, no control characters, cut where long."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterator, Mapping
from datetime import date, datetime, time

LONGEST_NAME = 80
LONGEST_VALUE = 40
MOST_DIGITS = 4000  # Python writes no whole number of more than 4300
# Controls, line and paragraph separators, marks without width or that turn the direction of writing, halves of a pair.
_NOT_TO_PRINT = re.compile(r"[\x00-\x1f\x7f-\x9f\u200b\u200e\u200f\u2028-\u202e\u2060\u2066-\u2069\ud800-\udfff\ufeff]")


def step(words: str) -> None:
    """One line of progress, on stderr and only where that is a terminal: results stand alone on stdout."""
    if sys.stderr is not None and sys.stderr.isatty():
        print(f"{plain(words)} ...", file=sys.stderr, flush=True)


def plain(text: str, most: int | None = None) -> str:
    r"""Text on one line, safe to print: a control character as a backslash and its number.

    Parameters
    ----------
    text : str
        What the user typed.
    most : int or None
        Length beyond which it is cut, three points at its end; whole when not given.

    Returns
    -------
    str
        The same text where it is short and plain.

    Examples
    --------
    >>> print(plain("van\n\x1b[31m needle", 12))
    van\n\x1b...
    """
    safe = _NOT_TO_PRINT.sub(lambda found: repr(found[0])[1:-1], text)
    return safe if most is None or len(safe) <= most else f"{safe[: most - 3]}..."


def shown(value: object) -> str:
    """Value as a job file writes it, text in quotes, cut where it is long.

    Parameters
    ----------
    value : object
        The value.

    Returns
    -------
    str
        Its text.

    Examples
    --------
    >>> shown([True, "idle", {"a": 1}])
    "[true, 'idle', {a = 1}]"
    """
    text = ""
    for piece in _pieces(value):
        text += piece
        if len(text) > LONGEST_VALUE:
            return f"{plain(text[:LONGEST_VALUE])}..."
    return plain(text)


def _pieces(value: object) -> Iterator[str]:
    if value is None:
        yield "nothing"
    elif isinstance(value, bool):
        yield str(value).lower()
    elif isinstance(value, Mapping):
        yield "{"
        for place, (key, inner) in enumerate(value.items()):
            yield f"{', ' if place else ''}{key} = "
            yield from _pieces(inner)
        yield "}"
    elif isinstance(value, list | tuple):
        yield "["
        for place, inner in enumerate(value):
            yield ", " if place else ""
            yield from _pieces(inner)
        yield "]"
    elif isinstance(value, date | datetime | time):
        yield value.isoformat()
    elif isinstance(value, float):
        yield repr(float(value))
    elif isinstance(value, int) and abs(value) >= 10**MOST_DIGITS:
        yield f"a whole number of more than {MOST_DIGITS} digits"
    else:
        yield repr(value)
