"""Lines of a log -> its table: which delimiter, where header and units stand, how wide the rows are."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NoReturn

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.cell import NO_READING, looks_like_number, seconds_from_clock
from needlecalc.measure.log.units import find_unit
from needlecalc.show import counted

HEADER_WITHIN_LINES = 30
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
# Quoted names may be broken over lines: a quote opens a cell and none closes it, until one does.
NAMES_WITHIN_LINES = 30
_OPENS = re.compile(r'(?:^|[,;\t])\s*"[^"]*$')
_CLOSES = re.compile(r'^[^"]*"\s*(?:[,;\t]|$)')
_WITH_UNIT = re.compile(r"[+-]?\d[\d.,]*\s*[^\W\d_%°/]{1,8}|[+-]?\d[\d.,]*\s*[%°]\w?")


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks around them taken off.

    Parameters
    ----------
    line : str
        The line without its end.
    delimiter : str
        The delimiter.

    Returns
    -------
    list of str
        The cells; a quoted cell may hold the delimiter.

    Examples
    --------
    >>> split_cells('3.5, "14,7",,', ",")
    ['3.5', '14,7', '', '']
    """
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except csv.Error:
            # A cell beyond the reader's length limit: such a line is no table row, split it plainly.
            return [cell.strip() for cell in line.split(delimiter)]
    return [cell.strip() for cell in line.split(delimiter)]


def whole_names(lines: Sequence[str]) -> tuple[list[str], set[int]]:
    """Lines with names that were broken over several of them made whole.

    Parameters
    ----------
    lines : sequence of str
        First lines of the file.

    Returns
    -------
    list of str
        As many lines; what was joined to an earlier one is empty.
    set of int
        Places of those empty ones, from 0.

    Examples
    --------
    >>> whole_names(['"Time', '(s)","Speed"', "0.0,900"])
    (['"Time (s)","Speed"', '', '0.0,900'], {1})
    """
    whole, joined = list(lines), set()
    for place in range(min(len(lines), HEADER_WITHIN_LINES)):
        if place in joined or not _OPENS.search(lines[place]):
            continue
        text = lines[place]
        for more in range(place + 1, min(place + NAMES_WITHIN_LINES, len(lines))):
            if not _CLOSES.match(lines[more]) and '"' in lines[more]:
                break
            text = f"{text.rstrip()} {lines[more].lstrip()}"
            if '"' in lines[more] and not _OPENS.search(lines[more]):
                whole[place : more + 1] = [text, *[""] * (more - place)]
                joined |= set(range(place + 1, more + 1))
                break
    return whole, joined


@dataclass
class LogTable:
    """A table found in some lines; places count from 0.

    Parameters
    ----------
    delimiter : str
        One sign.
    header, begin, first : int
        Places of the header, of the line below it and its units, and of the first row.
    width : int
        Cells in most rows, an empty one behind a trailing delimiter counted.
    names, units : list of str
        Cells of the header and of the units row, empty where there is none.
    rows : list of list of str
        Cells of the rows of that width.
    score : int
        Cells in those rows: the largest table of several wins.
    """

    delimiter: str
    header: int
    begin: int
    first: int
    width: int
    names: list[str]
    units: list[str]
    rows: list[list[str]]
    score: int


def _kind(cells: Sequence[str]) -> str:
    if len(cells) < 2 or not any(cells):
        return "other"
    filled = [cell for cell in cells if cell.lower() not in NO_READING]
    if not filled:
        return "void"
    numbers = sum(looks_like_number(cell) or seconds_from_clock(cell) >= 0 for cell in filled)
    return "data" if numbers and 2 * numbers >= len(filled) else "text"


def _trimmed(cells: Sequence[str]) -> int:
    count = len(cells)
    while count and not cells[count - 1]:
        count -= 1
    return count


def find_table(lines: Sequence[str], name: str) -> LogTable:
    """Largest table that has its header within the first lines.

    Parameters
    ----------
    lines : sequence of str
        First lines of the file.
    name : str
        Its name, for messages.

    Returns
    -------
    LogTable
        Where it stands.

    Raises
    ------
    LogFormatError
        If there is no header followed by rows, or if header and rows do not match.
    """
    best: LogTable | None = None
    clash: tuple[int, int, int, int] | None = None
    seen = {"data": 0, "text": 0}
    for delimiter in DELIMITERS:
        rows = [split_cells(line, delimiter) for line in lines]
        kinds = [_kind(cells) for cells in rows]
        # What is no row of a table may stand anywhere; below the header it is counted with the rows.
        filled = [place for place, kind in enumerate(kinds) if kind != "other"]
        for before, first in pairwise(filled):
            seen["data"] += kinds[first] == "data"
            seen["text"] += kinds[before] == "text"
            if kinds[before] != "text" or kinds[first] not in ("data", "void"):
                continue
            if before >= HEADER_WITHIN_LINES + 2:
                break
            table = _table_at(delimiter, rows, kinds, filled, first)
            if table is None:
                continue
            if not table.names:
                clash = max(clash or (0, 0, 0, 0), (table.score, table.header, table.first, table.width))
            elif best is None or table.score > best.score:
                best = table
    if clash and (best is None or clash[0] > best.score):
        _refuse_clash(clash, lines, name)
    if best is None:
        _refuse_no_table(seen, lines, name)
    return best


def _table_at(delimiter: str, rows: list[list[str]], kinds: list[str], filled: list[int], first: int) -> LogTable | None:
    body = [rows[place] for place in filled if place >= first and kinds[place] in ("data", "void")]
    data = [rows[place] for place in filled if place >= first and kinds[place] == "data"]
    if not data:
        return None
    # Ties between widths go to the wider: a cut row is narrower.
    width = max(Counter(len(cells) for cells in data).items(), key=lambda item: (item[1], item[0]))[0]
    fitting = [cells for cells in body if len(cells) == width]
    spare = all(not cells[-1] for cells in fitting)
    wanted = {width} | ({width - 1} if spare else set())
    # The header and its units row stand next to the rows; of more lines of text only the nearest three count.
    above = [place for place in filled if place < first][-3:]
    while above and any(kinds[place] != "text" for place in above):
        above.pop(0)
    above = [place for place in above if place < HEADER_WITHIN_LINES]
    score = width * sum(len(cells) == width for cells in data)
    heads = {place: n for place in above if (n := _fits(rows[place], wanted, width, spare))}
    if not heads:
        return LogTable(delimiter, max(above, default=first), first, first, width, [], [], [], score) if above else None
    shares = {place: _unit_share(rows[place]) for place in heads}
    ranked = sorted(heads, key=lambda place: (shares[place] >= 0.6, -_filled(rows[place]), -place))
    header = ranked[0]
    if len(heads) > 1 and all(share >= 0.6 for share in shares.values()):
        header = min(heads, key=lambda place: (shares[place], place))
    count = heads[header]
    below = next((place for place in ranked if place != header and shares[place] >= 0.6), None)
    units = [] if below is None else rows[below]
    return LogTable(
        delimiter,
        header,
        max(header, header if below is None else below) + 1,
        first,
        width,
        _padded(rows[header], count),
        _padded(units, count),
        [cells for cells in fitting if len(cells) >= count],
        score,
    )


def _fits(cells: Sequence[str], wanted: set[int], width: int, spare: bool) -> int:
    count = _trimmed(cells)
    if count in wanted and count >= 2:
        return width - 1 if spare and count == width - 1 else count
    # A delimiter behind the last name of a header, or a column without a name.
    return width if count >= 2 and count < width == len(cells) else 0


def _padded(cells: Sequence[str], count: int) -> list[str]:
    return [*cells, *[""] * count][:count]


def _filled(cells: Sequence[str]) -> int:
    return sum(bool(cell) for cell in cells)


def _unit_share(cells: Sequence[str]) -> float:
    named = [cell for cell in cells if cell]
    return sum(find_unit(cell) is not None for cell in named) / max(len(named), 1)


def _refuse_clash(clash: tuple[int, int, int, int], lines: Sequence[str], name: str) -> None:
    _, header, first, width = clash
    counts = sorted({len(split_cells(lines[header], delimiter)) for delimiter in DELIMITERS})
    names = counted(counts[-1], "name")
    msg = (
        f"{name}, line {header + 1}: the header has {names}, but the rows from line {first + 1} on have "
        f"{counted(width, 'cell')}, so names and numbers cannot be matched. Where the comma is both decimal mark and "
        "delimiter, export with a semicolon; else mend the header."
    )
    raise LogFormatError(msg, path=name, line=header + 1)


def _holds_units(cells: Sequence[str]) -> bool:
    dressed = sum(_WITH_UNIT.fullmatch(cell) is not None for cell in cells)
    return dressed >= 2 and 2 * dressed >= len(cells)


def _refuse_no_table(seen: dict[str, int], lines: Sequence[str], name: str) -> NoReturn:
    for delimiter in DELIMITERS:
        with_units = [place for place, line in enumerate(lines) if _holds_units(split_cells(line, delimiter))]
        if len(with_units) >= 3:
            first = split_cells(lines[with_units[0]], delimiter)
            cell = next(cell for cell in first if _WITH_UNIT.fullmatch(cell))
            msg = (
                f"{name}, line {with_units[0] + 1}: the cells hold units beside their numbers, such as {cell!r}; "
                "export plain numbers, with the units in the header."
            )
            raise LogFormatError(msg, path=name, line=with_units[0] + 1)
    if seen["data"] and not seen["text"]:
        msg = (
            f"{name} has rows of numbers but no header; a line with the columns' names must stand within the first "
            f"{HEADER_WITHIN_LINES} lines."
        )
    elif seen["data"]:
        msg = (
            f"{name} has no header followed by rows of numbers within its first {HEADER_WITHIN_LINES} lines. "
            "Remove what stands above the header, or export with comma, semicolon or tab."
        )
    else:
        msg = (
            f"{name} holds no rows of numbers behind a header, divided by comma, semicolon or tab. "
            "Export the log again, with its data."
        )
    raise LogFormatError(msg, path=name, line=1)
