"""What can be found in a log, how a user settles it, and how a file is refused."""

from __future__ import annotations

import json
from collections.abc import Iterable
from enum import StrEnum
from typing import NoReturn

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import LogFormatError
from needlecalc.show import counted

MOST_NAMES = 40


class RowFault(StrEnum):
    """Why a row of the file is not in the log."""

    CUT = "last line has no line end, so it may be cut short"
    NUL = "NUL bytes in the row"
    FEWER = "fewer cells than the header"
    MORE = "more cells than the header"
    HEADER_AGAIN = "header repeated"
    UNITS_AGAIN = "units row repeated"
    NO_TIME = "no number for the time"
    NO_RPM = "no number for the engine speed"
    NO_MIXTURE = "no number for the mixture"
    PASTED = "row of a block that stands in the file twice"
    REPEATS = "time repeats the row before"
    BACKWARDS = "time runs backwards"


def how_to_state(table: str, key: str, value: str) -> str:
    """How the user names a column or its unit himself, in a call and in a job file."""
    cut = plain(value, LONGEST_NAME)
    return f"{table}={{{key!r}: {cut!r}}} (in a job file {key} = {json.dumps(cut, ensure_ascii=False)} under [log.{table}])"


def how_to_name(key: str, name: str = "...") -> str:
    """How the user names a column himself."""
    return how_to_state("columns", key, name)


# Why a column cannot be used.
ColumnFault = StrEnum(
    "ColumnFault",
    "NO_NUMBERS STEP VOLTS STUCK NO_MIXTURE NO_UNIT OUTSIDE TWO_ZEROS EITHER_WAY DIFFER FILTERED LONGER_NAME",
)
# What was assumed or found.
Note = StrEnum(
    "Note",
    "LAYOUT COMMA_ASSUMED PASTED COARSE MIDNIGHT RESTART PAUSES CLOCK TIME_UNIT THOUSANDS UNIT "
    "HEAD_LIES AFR_USUAL AFR_STATED PHI GAUGE GAUGE_SEEN VACUUM VOLUME PEDAL BLANKED NO_NUMBERS_LEFT",
)


def quoted(name: str) -> str:
    """Name of a column in quotes, cut where it is very long."""
    return repr(plain(name, LONGEST_NAME))


def listed(names: Iterable[str]) -> str:
    """Names of columns, the first ones where there are many."""
    every = [plain(name, LONGEST_NAME) for name in names]
    more = len(every) - MOST_NAMES
    return ", ".join(every[:MOST_NAMES]) + (f" and {counted(more, 'more column')}" if more > 0 else "")


def refuse(name: str, words: str, line: int, column: str | None = None) -> NoReturn:
    """Say what is wrong with a file, and from which line on."""
    msg = f"{name}, line {line}: {words}"
    raise LogFormatError(msg, path=name, line=line, column=column)
