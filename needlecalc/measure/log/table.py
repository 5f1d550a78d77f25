"""Bytes of a log -> text and its table: code page, delimiter, decimal mark, where header and units stand, how wide."""

from __future__ import annotations

import codecs
import csv
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from itertools import pairwise
from typing import NoReturn

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.cell import (
    NO_READING,
    decimal_mark,
    find_unit,
    looks_like_number,
    number_from_cell,
    seconds_from_clock,
)
from needlecalc.measure.log.columns import NEEDED, Note, find_candidates
from needlecalc.remark import Remark
from needlecalc.show import counted

HEADER_WITHIN_LINES = 200
DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}
SAMPLE_LINES = 120
_HEAD_BYTES = 1 << 20
_BLOCK_BYTES = 1 << 21
_BLANK = b" \t\r\n\0\x1a"
_BOM = codecs.BOM_UTF8
_CONTROLS = {code: " " for code in (*range(32), 127)}
# How files of open formats begin, what they are, and how their numbers come out.
_EXPORT = "Export the log as text (csv) from the logger's own program."
_FRAME = "Read it with a library that knows it, and hand read_log the DataFrame."
_FOREIGN = (
    (rb"PK\x03\x04", "a zip archive or a spreadsheet", "Unpack it, or save its sheet as csv."),
    (rb"\x1f\x8b", "a gzip archive", "Unpack it first."),
    (rb"%PDF-", "a PDF document", _EXPORT),
    (rb"MDF     ", "an MDF measurement file", _FRAME),
    (rb"\x89HDF\r\n\x1a\n", "an HDF5 file", _FRAME),
    (rb"PAR1", "a parquet file", _FRAME),
    (rb"SQLite format 3\x00", "an SQLite database", _FRAME),
    (rb"\x89PNG\r\n\x1a\n", "a PNG picture", _EXPORT),
    (rb"\s*<(!doctype\s+html|html)[\s>]", "an HTML page", _EXPORT),
    (rb"\s*<\?xml[\s>]", "an XML file", _EXPORT),
)
_WIDE = {
    "utf-32": (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE),
    "utf-16": (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE),
}


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


def refuse(name: str, words: str, line: int, column: str | None = None) -> NoReturn:
    """Say what is wrong with a file, and from which line on."""
    msg = f"{name}, line {line}: {words}"
    raise LogFormatError(msg, path=name, line=line, column=column)


def split_cells(line: str, delimiter: str) -> list[str]:
    """Cells of one line, blanks around them taken off; a quoted cell may hold the delimiter."""
    if '"' in line:
        try:
            return [cell.strip() for cell in next(csv.reader([line], delimiter=delimiter, skipinitialspace=True))]
        except csv.Error:
            pass  # A cell beyond the reader's length limit: such a line is no table row, split it plainly.
    return [cell.strip() for cell in line.split(delimiter)]


@dataclass(frozen=True)
class LogTable:
    """A table in some lines, which count from 0; one whose header does not fit its rows has no names."""

    delimiter: str
    header: int
    begin: int  # the line below header and units
    first: int  # row of numbers
    width: int  # cells of a row, an empty one behind a trailing delimiter too
    names: list[str]
    units: list[str]
    rows: list[list[str]]  # cells of the rows of that width

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
    """The log's table, its header within the first lines; of several the one with the columns needed, then the largest."""
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
        _refuse_no_table(seen, name)
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
    # The fullest line that is no row of units; where all could be one, as "rpm" and "lambda" are units too, the least so.
    ranked = sorted(heads, key=lambda place: (max(shares[place], 0.59), -sum(map(bool, rows[place])), -place))
    header = ranked[0]
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


def _refuse_no_table(seen: set[str], name: str) -> NoReturn:
    if "data" not in seen:
        words = "no rows of numbers stand behind a header, divided by comma, semicolon or tab. "
        words += "Export the log with its data, and keep units out of the cells."
    elif "text" not in seen:
        words = f"rows of numbers but no header; the columns' names must stand within the first {HEADER_WITHIN_LINES} lines."
    else:
        words = f"no header followed by rows of numbers stands within the first {HEADER_WITHIN_LINES} lines. "
        words += "Remove what stands above the header, keep units out of the cells, or export with comma, semicolon or tab."
    refuse(name, words, 1)


@dataclass(frozen=True)
class LogText:
    """A log's bytes (UTF-8) and the table in them, whose names are told apart; the rows begin at ``start``."""

    name: str
    raw: bytes
    table: LogTable
    names: tuple[str, ...]
    decimal: str
    start: int
    first_line: int
    notes: tuple[Remark, ...]

    def refuse(self, words: str, column: str | None = None) -> NoReturn:
        """Say what is wrong with the columns; the line is the header's."""
        refuse(self.name, words, self.table.header + 1, column)

    def is_clock(self, column: int) -> bool:
        """Whether more cells of the column are clock times than plain numbers."""
        cells = [row[column] for row in self.table.rows]
        return sum(seconds_from_clock(cell) >= 0 for cell in cells) > sum(looks_like_number(cell) for cell in cells)

    def blocks(self) -> Iterator[bytes]:
        """The rows in pieces of whole lines; what stands behind the last line end is left out."""
        start, end = self.start, self.raw.rfind(b"\n", self.start) + 1
        while start < end:
            stop = self.raw.rfind(b"\n", start, start + _BLOCK_BYTES) + 1 or self.raw.find(b"\n", start) + 1
            yield self.raw[start:stop]
            start = stop


def open_log(raw: bytes, name: str, *, decimal: str | None = None) -> LogText:
    """Shape of the table in a log's bytes, the decimal mark found where it is not given; refused where there is none."""
    if not raw[:4096].strip(_BLANK) and not raw.strip(_BLANK):
        refuse(name, "the file is empty; a log needs a header and rows. Export it again.", 1)
    _refuse_foreign(raw, name)
    text, encoding = _as_utf8(raw)
    # A header stands within the first lines; what a huge first line hides is no header.
    head = text[:_HEAD_BYTES]
    pieces = head.split(b"\n", HEADER_WITHIN_LINES + SAMPLE_LINES)
    if len(head) == _HEAD_BYTES or len(pieces) > HEADER_WITHIN_LINES + SAMPLE_LINES:
        pieces.pop()
    lines = [piece.decode(errors="replace").replace("\0", "") for piece in pieces]
    _refuse_binary("".join(lines)[:65536], name)
    table = find_table(lines, name)
    start = sum(len(piece) + 1 for piece in pieces[: table.begin])
    mark, assumed = (decimal, False) if decimal else _decimal(table, text, start, name)
    layout: dict[str, int | str] = {
        "header": table.header + 1,
        "first": table.first + 1,
        "delimiter": DELIMITERS[table.delimiter],
        "mark": "comma" if mark == "," else "point",
        "encoding": encoding,
    }
    notes = (Remark(Note.LAYOUT, numbers=layout), *([Remark(Note.COMMA_ASSUMED)] if assumed else []))
    return LogText(name, text, table, _distinct(table.names), mark, start, table.begin + 1, notes)


def _as_utf8(raw: bytes) -> tuple[bytes, str]:
    """The text as UTF-8 with no byte order marks and no lone carriage returns, and the encoding it came in."""
    encoding = _wide_encoding(raw[:4096])
    if encoding:
        # Half a character at the end belongs to a cut line, and a line without its end is dropped later.
        raw = raw.decode(encoding, "replace").encode("utf-8", "replace")
    elif not raw.isascii():
        try:
            raw.decode()
        except UnicodeDecodeError:
            encoding = "latin-1"
    if encoding == "latin-1":
        # Only what is no ASCII is written anew, or a long log would stand in memory once more.
        raw = re.sub(rb"[\x80-\xff]+", lambda signs: signs[0].decode("latin-1").encode(), raw)
    if not raw.isascii():
        raw = raw.replace(_BOM, b"")
    if b"\r" in raw:
        raw = raw.replace(b"\r\r\n", b"\n").replace(b"\r\n", b"\n").replace(b"\r", b"\n")
    return raw, (encoding or "utf-8").upper()


def _wide_encoding(head: bytes) -> str:
    for encoding, marks in _WIDE.items():
        if head.startswith(marks):
            return encoding
    # Without a mark every other byte of plain text is zero.
    even, odd, most = head[0::2].count(0), head[1::2].count(0), 0.35 * len(head)
    if min(even, odd) >= 0.025 * len(head) or max(even, odd) <= most:
        return ""
    return "utf-16-le" if odd > even else "utf-16-be"


def _refuse_foreign(raw: bytes, name: str) -> None:
    for begin, what, cure in _FOREIGN:
        if re.match(begin, raw.removeprefix(_BOM)[:400], re.IGNORECASE):
            refuse(name, f"this is {what}, not a log as text. {cure}", 1)


def _refuse_binary(text: str, name: str) -> None:
    control = sum(text.count(chr(code)) for code in (*range(32), 127) if chr(code) not in "\t\v\f\x1a\x1b")
    if control > 0.005 * len(text) + 1:
        words = f"this is a binary file, not text: {control} of its first {len(text)} signs cannot be printed. {_EXPORT}"
        refuse(name, words, 1)


def _distinct(names: Sequence[str]) -> tuple[str, ...]:
    """Names told apart: one met again gets its count, an empty one its place."""
    cleaned = [name.translate(_CONTROLS) for name in names]
    result: list[str] = []
    for place, given in enumerate(cleaned, start=1):
        name = base = given or f"column {place}"
        count = 1
        while name in result or (count > 1 and name in cleaned):
            count += 1
            name = f"{base} [{count}]"
        result.append(name)
    return tuple(result)


def _decimal(table: LogTable, text: bytes, start: int, name: str) -> tuple[str, bool]:
    """The decimal mark, and whether it is but assumed."""
    marks = {decimal_mark(cell) for row in table.rows for cell in row} - {""}
    if len(marks) == 2:
        words = "from here on, both decimal points and decimal commas stand in the rows. "
        cure = "Say which holds with decimal='.' or decimal=',' (in a job file the same under [log])."
        refuse(name, f"{words}{cure}", table.first + 1)
    if marks or table.delimiter == ",":
        return next(iter(marks), "."), False
    # Whole numbers only so far: the first number further down that leaves no choice decides.
    later = re.compile(rb"(?<![\d.,:])\d{1,9}([.,])(?:\d{1,2}|\d{4,12})(?![\d.,:])").search(text, start)
    if later:
        return later[1].decode(), False
    assumed = any(number_from_cell(cell, ",") < 1000 and "," in cell for row in table.rows for cell in row)
    return "," if assumed else ".", assumed
