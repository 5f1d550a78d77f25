"""Lines of a log -> its table: which delimiter, where header and units stand, how wide the rows are."""

from __future__ import annotations

import csv
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import NoReturn

from needlecalc.echo import shown
from needlecalc.measure.log.cell import NO_READING, looks_like_number, seconds_from_clock
from needlecalc.measure.log.columns import NEEDED, find_candidates
from needlecalc.measure.log.units import find_unit
from needlecalc.measure.log.words import refuse
from needlecalc.show import counted

HEADER_WITHIN_LINES = 200
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
# Quoted names may be broken over lines: a quote opens a cell and none closes it, until one does.
NAMES_WITHIN_LINES = 30
_OPENS = re.compile(r'(?:^|[,;\t])\s*"[^"]*$')
_CLOSES = re.compile(r'^[^"]*"\s*(?:[,;\t]|$)')
_WITH_UNIT = re.compile(r"[+-]?\d[\d.,]*\s*[^\W\d_%°/]{1,8}|[+-]?\d[\d.,]*\s*[%°]\w?")


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks around them taken off; a quoted cell may hold the delimiter.

    >>> split_cells('3.5, "14,7",,', ",")
    ['3.5', '14,7', '', '']
    """
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except csv.Error:
            pass  # A cell beyond the reader's length limit: such a line is no table row, split it plainly.
    return [cell.strip() for cell in line.split(delimiter)]


def whole_names(lines: Sequence[str]) -> tuple[list[str], set[int]]:
    """As many lines, names that were broken over several of them made whole, and the places of those joined to another.

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


@dataclass(frozen=True)
class LogTable:
    """A table in some lines; ``header``, ``begin`` (the line below header and units) and ``first`` row count from 0.

    ``width`` counts an empty cell behind a trailing delimiter; ``names`` and ``units`` are cells, ``rows`` those of the
    rows of that width. A table whose header does not fit its rows has no names.
    """

    delimiter: str
    header: int
    begin: int
    first: int
    width: int
    names: list[str]
    units: list[str]
    rows: list[list[str]]

    def needed(self) -> int:
        """How many of the columns that every log needs it seems to have."""
        found = find_candidates(self.names, self.names, self.units)
        return sum(bool(found[key]) for key in NEEDED)

    def size(self) -> int:
        """Cells in its rows."""
        return self.width * len(self.rows)


def _kind(cells: Sequence[str]) -> str:
    if len(cells) < 2 or not any(cells):
        return "other"
    filled = [cell for cell in cells if cell.lower() not in NO_READING]
    numbers = sum(looks_like_number(cell) or (":" in cell and seconds_from_clock(cell) >= 0) for cell in filled)
    return "void" if not filled else "data" if numbers and 2 * numbers >= len(filled) else "text"


def find_table(lines: Sequence[str], name: str) -> LogTable:
    """The log's table, its header within the first lines; of several the one with the columns needed, then the largest.

    LogFormatError if there is no header followed by rows, or if header and rows do not match.
    """
    tables: list[LogTable] = []
    seen: set[str] = set()
    for delimiter in DELIMITERS:
        rows = [split_cells(line, delimiter) for line in lines]
        kinds = [_kind(cells) for cells in rows]
        seen.update(kinds)
        # What is no row of a table may stand anywhere; below the header it is counted with the rows.
        filled = [place for place, kind in enumerate(kinds) if kind != "other"]
        for before, first in pairwise(filled):
            if kinds[before] == "text" and kinds[first] in ("data", "void") and before < HEADER_WITHIN_LINES + 2:
                tables += _table_at(delimiter, rows, kinds, filled, first)
    best = max((table for table in tables if table.names), key=lambda table: (table.needed(), table.size()), default=None)
    clash = max((table for table in tables if not table.names), key=LogTable.size, default=None)
    if clash and (best is None or (clash.size() > best.size() and best.needed() < len(NEEDED))):
        _refuse_clash(clash, lines, name)
    if best is None:
        _refuse_no_table(seen, lines, name)
    return best


def _table_at(delimiter: str, rows: list[list[str]], kinds: list[str], filled: list[int], first: int) -> list[LogTable]:
    """The table whose first row is known, or none."""
    below = [place for place in filled if place >= first]
    widths = Counter(len(rows[place]) for place in below if kinds[place] == "data")
    # The header and its units row stand next to the rows; of more lines of text only the nearest three count.
    above = [place for place in filled if place < first][-3:]
    while above and any(kinds[place] != "text" for place in above):
        above.pop(0)
    above = [place for place in above if place < HEADER_WITHIN_LINES]
    if not widths or not above:
        return []
    # Ties between widths go to the wider: a cut row is narrower.
    width = max(widths.items(), key=lambda item: (item[1], item[0]))[0]
    fitting = [rows[place] for place in below if kinds[place] in ("data", "void") and len(rows[place]) == width]
    spare = all(not cells[-1] for cells in fitting)
    heads = {place: n for place in above if (n := _fits(rows[place], width, spare))}
    if not heads:
        return [LogTable(delimiter, max(above), first, first, width, [], [], fitting)]
    shares = {place: _unit_share(rows[place]) for place in heads}
    ranked = sorted(heads, key=lambda place: (shares[place] >= 0.6, -sum(map(bool, rows[place])), -place))
    header = ranked[0]
    if len(heads) > 1 and all(share >= 0.6 for share in shares.values()):
        header = min(heads, key=lambda place: (shares[place], place))
    count = heads[header]
    under = next((place for place in ranked if place != header and shares[place] >= 0.6), None)
    names, units = ([*cells, *[""] * count][:count] for cells in (rows[header], [] if under is None else rows[under]))
    begin = max(header, header if under is None else under) + 1
    return [LogTable(delimiter, header, begin, first, width, names, units, fitting)]


def _fits(cells: Sequence[str], width: int, spare: bool) -> int:
    """How many columns a line can be the header of, 0 where it cannot."""
    count = max((place for place, cell in enumerate(cells, start=1) if cell), default=0)
    if count >= 2 and (count == width or (spare and count == width - 1)):
        return count
    # A delimiter behind the last name of a header, or a column without a name.
    return width if 2 <= count < width == len(cells) else 0


def _unit_share(cells: Sequence[str]) -> float:
    named = [cell for cell in cells if cell]
    return sum(find_unit(cell) is not None for cell in named) / max(len(named), 1)


def _refuse_clash(clash: LogTable, lines: Sequence[str], name: str) -> NoReturn:
    names = max(len(split_cells(lines[clash.header], delimiter)) for delimiter in DELIMITERS)
    words = (
        f"the header has {counted(names, 'name')}, but the rows from line {clash.first + 1} on have "
        f"{counted(clash.width, 'cell')}, so names and numbers cannot be matched. Where the comma is both decimal mark and "
        "delimiter, export with a semicolon; else mend the header."
    )
    refuse(name, words, clash.header + 1)


def _refuse_no_table(seen: set[str], lines: Sequence[str], name: str) -> NoReturn:
    for delimiter in DELIMITERS:
        rows = [split_cells(line, delimiter) for line in lines]
        dressed = [[cell for cell in cells if _WITH_UNIT.fullmatch(cell)] for cells in rows]
        found = [place for place, some in enumerate(dressed) if len(some) >= 2 and 2 * len(some) >= len(rows[place])]
        if len(found) >= 3:
            words = f"the cells hold units beside their numbers, such as {shown(dressed[found[0]][0])}; "
            refuse(name, f"{words}export plain numbers, with the units in the header.", found[0] + 1)
    if "data" not in seen:
        words = "no rows of numbers stand behind a header, divided by comma, semicolon or tab. Export the log with its data."
    elif "text" not in seen:
        words = f"rows of numbers but no header; the columns' names must stand within the first {HEADER_WITHIN_LINES} lines."
    else:
        words = f"no header followed by rows of numbers stands within the first {HEADER_WITHIN_LINES} lines. "
        words += "Remove what stands above the header, or export with comma, semicolon or tab."
    refuse(name, words, 1)
