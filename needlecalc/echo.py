"""What a user typed, as a message, a table or a sheet may repeat it: on one line, no control characters, cut where long."""

from __future__ import annotations

import re
import sys
from collections.abc import Iterable, Mapping
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
    r"""Text on one line, safe to print: a control character as a backslash and its number; cut where longer than ``most``.

    >>> print(plain("van\n\x1b[31m needle", 12))
    van\n\x1b...
    """
    safe = _NOT_TO_PRINT.sub(lambda found: repr(found[0])[1:-1], text)
    return safe if most is None or len(safe) <= most else f"{safe[: most - 3]}..."


def shown(value: object) -> str:
    """Value as a job file writes it, text in quotes, cut where it is long.

    >>> shown([True, "idle", {"a": 1}])
    "[true, 'idle', {a = 1}]"
    """
    text = _written(value, LONGEST_VALUE)
    return plain(text) if len(text) <= LONGEST_VALUE else f"{plain(text[:LONGEST_VALUE])}..."


def _written(value: object, room: int) -> str:
    """The same whole where it fits into the room, else some more than the room."""
    if isinstance(value, Mapping):
        return _row("{}", ((f"{key} = ", one) for key, one in value.items()), room)
    if isinstance(value, list | tuple):
        return _row("[]", (("", one) for one in value), room)
    if value is None or isinstance(value, bool):
        return "nothing" if value is None else str(value).lower()
    if isinstance(value, date | datetime | time):
        return value.isoformat()
    if isinstance(value, int) and abs(value) >= 10**MOST_DIGITS:
        return f"a whole number of more than {MOST_DIGITS} digits"
    return repr(float(value) if isinstance(value, float) else value)


def _row(ends: str, entries: Iterable[tuple[str, object]], room: int) -> str:
    text = ends[0]
    for head, one in entries:
        if len(text) > room:
            break
        text += f"{', ' if len(text) > 1 else ''}{head}{_written(one, room - len(text))}"
    return text + ends[1]
