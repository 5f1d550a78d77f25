"""Bytes of a log -> text with a table in it: encoding, line ends, names, decimal mark, where the rows begin."""

from __future__ import annotations

import codecs
import re
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import NoReturn

from needlecalc.measure.log.cell import decimal_mark, looks_like_number, number_from_cell, seconds_from_clock
from needlecalc.measure.log.table import DELIMITERS, HEADER_WITHIN_LINES, LogTable, find_table, whole_names
from needlecalc.measure.log.words import Note, refuse
from needlecalc.remark import Remark

SAMPLE_LINES = 120
_HEAD_BYTES = 1 << 20
_BLOCK_BYTES = 1 << 21
_BLANK = b" \t\r\n\0\x1a"
_BOM = codecs.BOM_UTF8
_CONTROLS = {code: " " for code in (*range(32), 127)}
# A byte that is no UTF-8 is read as Latin-1.
_LATIN_1 = {0xDC00 + byte: byte for byte in range(128, 256)}

# How files of open formats begin, what they are, and how their numbers come out.
_EXPORT = "Export the log as text (csv) from the logger's own program."
_UNPACK = "Unpack it first."
_FRAME = "Read it with a library that knows it, and hand read_log the DataFrame."
_FOREIGN = (
    (b"PK\x03\x04", "a zip archive or a spreadsheet", "Unpack it, or save its sheet as csv."),
    (b"\x1f\x8b", "a gzip archive", _UNPACK),
    (b"BZh", "a bzip2 archive", _UNPACK),
    (b"\xfd7zXZ\0", "an xz archive", _UNPACK),
    (b"7z\xbc\xaf\x27\x1c", "a 7z archive", _UNPACK),
    (b"\x28\xb5\x2f\xfd", "a zstd archive", _UNPACK),
    (b"%PDF-", "a PDF document", _EXPORT),
    (b"MDF     ", "an MDF measurement file", _FRAME),
    (b"UnFinMF ", "an MDF measurement file that was not closed", _FRAME),
    (b"\x89HDF\r\n\x1a\n", "an HDF5 file", _FRAME),
    (b"PAR1", "a parquet file", _FRAME),
    (b"ARROW1", "an Arrow file", _FRAME),
    (b"SQLite format 3\0", "an SQLite database", _FRAME),
    (b"\xd0\xcf\x11\xe0\xa1\xb1\x1a\xe1", "an office document of the old binary kind", "Save its sheet as csv."),
    (b"\x89PNG\r\n\x1a\n", "a PNG picture", _EXPORT),
    (b"\xff\xd8\xff", "a JPEG picture", _EXPORT),
)
_MARKUP = re.compile(rb"\s*<(!doctype\s+html|html|\?xml)[\s>]", re.IGNORECASE)
_WIDE = {
    "utf-32": (codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE),
    "utf-16": (codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE),
}


@dataclass(frozen=True)
class LogText:
    """A log's bytes (UTF-8, lines ending in LF or CRLF) and the table in them, whose names are told apart.

    The rows begin at ``start``, in line ``first_line``, from 1.
    """

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
        yield from _blocks(self.raw, self.start, self.raw.rfind(b"\n", self.start) + 1)


def _blocks(raw: bytes, start: int, end: int) -> Iterator[bytes]:
    while start < end:
        stop = raw.rfind(b"\n", start, min(start + _BLOCK_BYTES, end)) + 1 or raw.find(b"\n", start, end) + 1 or end
        yield raw[start:stop]
        start = stop


def open_log(raw: bytes, name: str, *, decimal: str | None = None) -> LogText:
    """Shape of the table in a log's bytes, the decimal mark found where it is not given.

    LogFormatError if the file is empty, binary, without a header, without rows, or if header and rows do not match.
    """
    if not raw[:4096].strip(_BLANK) and not raw.strip(_BLANK):
        refuse(name, "the file is empty; a log needs a header and rows. Export it again.", 1)
    _refuse_foreign(raw, name)
    text, encoding = _as_utf8(raw)
    # A header stands within the first lines; what a huge first line hides is no header.
    head = text[:_HEAD_BYTES]
    pieces = head.split(b"\n", HEADER_WITHIN_LINES + SAMPLE_LINES)
    if len(head) == _HEAD_BYTES or len(pieces) > HEADER_WITHIN_LINES + SAMPLE_LINES:
        pieces.pop()
    lines = [piece.decode(errors="replace").replace("\0", "").rstrip("\r") for piece in pieces]
    _refuse_binary("".join(lines)[:65536], name)
    lines, joined = whole_names(lines)
    table = find_table(lines, name)
    begin = next(place for place in range(table.begin, len(lines) + 1) if place not in joined)
    start = sum(len(piece) + 1 for piece in pieces[:begin])
    mark, assumed = (decimal, False) if decimal else _decimal(table, text, start, name)
    layout: dict[str, int | str] = {
        "header": table.header + 1,
        "first": table.first + 1,
        "delimiter": DELIMITERS[table.delimiter],
        "mark": "comma" if mark == "," else "point",
        "encoding": encoding,
    }
    notes = (Remark(Note.LAYOUT, numbers=layout), *([Remark(Note.COMMA_ASSUMED)] if assumed else []))
    return LogText(name, text, table, _distinct(table.names), mark, start, begin + 1, notes)


def _as_utf8(raw: bytes) -> tuple[bytes, str]:
    """The text as UTF-8 with no byte order marks and no lone carriage returns, and the encoding it came in."""
    encoding = _wide_encoding(raw[:4096])
    if encoding:
        # Half a character at the end belongs to a cut line, and a line without its end is dropped later.
        raw = raw.decode(encoding, "replace").encode("utf-8", "replace")
    elif not raw.isascii():
        mended = b"".join(map(_mended, _blocks(raw, 0, len(raw))))
        raw, encoding = mended, "utf-8" if mended == raw else "latin-1"
    if not raw.isascii():
        raw = raw.replace(_BOM, b"")
    if b"\r" in raw and raw.count(b"\r") != raw.count(b"\r\n"):
        raw = re.sub(rb"\r+\n|\r", b"\n", raw)
    return raw, (encoding or "utf-8").upper()


def _mended(block: bytes) -> bytes:
    try:
        block.decode()
    except UnicodeDecodeError:
        return block.decode("utf-8", "surrogateescape").translate(_LATIN_1).encode()
    return block


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
    markup = _MARKUP.match(raw.removeprefix(_BOM)[:400])
    found = [(what, cure) for begin, what, cure in _FOREIGN if raw.startswith(begin)]
    if markup:
        found.append(("an XML file" if markup[1].startswith(b"?") else "an HTML page", _EXPORT))
    for what, cure in found:
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
        refuse(
            name,
            f"{words}Say which holds with decimal='.' or decimal=',' (in a job file the same under [log]).",
            table.first + 1,
        )
    if marks or table.delimiter == ",":
        return next(iter(marks), "."), False
    # Whole numbers only so far: the first number further down that leaves no choice decides.
    later = re.compile(rb"(?<![\d.,:])\d{1,9}([.,])(?:\d{1,2}|\d{4,12})(?![\d.,:])").search(text, start)
    if later:
        return later[1].decode(), False
    assumed = any(number_from_cell(cell, ",") < 1000 and "," in cell for row in table.rows for cell in row)
    return "," if assumed else ".", assumed
