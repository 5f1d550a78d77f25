"""Bytes of a log -> text with a table in it: encoding, line ends, names, decimal mark, where the rows begin."""

from __future__ import annotations

import codecs
import mmap
import os
import re
from collections import Counter
from collections.abc import Sequence
from contextlib import suppress
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.cell import decimal_mark, looks_like_number, number_from_cell, seconds_from_clock
from needlecalc.measure.log.table import DELIMITERS, HEADER_WITHIN_LINES, LogTable, find_table, whole_names

SAMPLE_LINES = 120
_HEAD_BYTES = 1 << 20
_RETURN, _LINE_END = b"\r\n"
_BLANK = b" \t\r\n\0\x1a"

# The bytes of a file, as ``file_bytes`` holds them.
FileBytes = bytes | mmap.mmap


@dataclass(frozen=True)
class LogText:
    """A log's bytes and the shape of the table in them.

    Parameters
    ----------
    name : str
        File name, no folder.
    raw : bytes or mmap
        The text in one byte a delimiter (UTF-16 is recoded), lines ending in LF or CRLF.
    encoding : str
        Encoding of the head of ``raw``.
    delimiter, decimal : str
        One sign each.
    names : tuple of str
        Columns as the file names them; a name met again gets its count in square brackets.
    header_cells, units : tuple of str
        Cells of the header and of the units row (empty texts where there is none), one a column.
    header_line : int
        Line of the header, from 1.
    start : int
        Where in ``raw`` the line below the header and its units begins.
    first_line : int
        That line, from 1.
    width : int
        Cells in most rows, an empty one behind a trailing delimiter counted.
    sample : tuple of tuple of str
        Cells of the first rows.
    notes : tuple of str
        What had to be assumed.
    """

    name: str
    raw: FileBytes
    encoding: str
    delimiter: str
    decimal: str
    names: tuple[str, ...]
    header_cells: tuple[str, ...]
    units: tuple[str, ...]
    header_line: int
    start: int
    first_line: int
    width: int
    sample: tuple[tuple[str, ...], ...]
    notes: tuple[str, ...]

    def decoded(self, line: bytes) -> str:
        """One line of ``raw`` as text.

        Parameters
        ----------
        line : bytes
            The line.

        Returns
        -------
        str
            By the file's encoding, or sign by sign where a line does not follow it.
        """
        try:
            return line.decode(self.encoding)
        except UnicodeDecodeError:
            return line.decode("latin-1")

    def is_clock(self, column: int) -> bool:
        """Whether a column holds clock times.

        Parameters
        ----------
        column : int
            Its place, from 0.

        Returns
        -------
        bool
            True if more cells of the sample are clock times than plain numbers.
        """
        cells = [row[column] for row in self.sample]
        clocks = sum(seconds_from_clock(cell) >= 0 for cell in cells)
        return clocks > sum(looks_like_number(cell) for cell in cells)


def file_bytes(path: Path) -> FileBytes:
    """What stands in a file.

    Parameters
    ----------
    path : Path
        The file.

    Returns
    -------
    bytes or mmap
        A copy in memory, which no change of the file can reach.

    Raises
    ------
    OSError
        If the file cannot be opened or read.
    """
    with path.open("rb") as file:
        size = os.fstat(file.fileno()).st_size
        if size < _HEAD_BYTES or not hasattr(mmap, "MADV_HUGEPAGE"):
            return file.read()
        # Large pages of memory are filled in half the time; a system built without them refuses, and serves small ones.
        room = mmap.mmap(-1, size, mmap.MAP_PRIVATE | mmap.MAP_ANONYMOUS)
        with suppress(OSError):
            room.madvise(mmap.MADV_HUGEPAGE)
        there = file.readinto(room)
        return room if there == size else room[:there]


def open_log(raw: FileBytes, name: str, *, decimal: str | None = None) -> LogText:
    """Shape of the table in a log's bytes.

    Parameters
    ----------
    raw : bytes or mmap
        The file.
    name : str
        Its name, for messages.
    decimal : str, optional
        Decimal mark, ``.`` or ``,``; found from the cells if not given.

    Returns
    -------
    LogText
        Encoding, delimiter, decimal mark, names, units and where the rows begin.

    Raises
    ------
    LogFormatError
        If the file is empty, binary, without a header, without rows, or if header and rows do not match.
    """
    text, encoding, skip = _one_byte_text(raw, name)
    # A header stands within the first lines; what a huge first line hides is no header.
    head = text[skip : skip + _HEAD_BYTES]
    pieces = head.split(b"\n", HEADER_WITHIN_LINES + SAMPLE_LINES)
    if len(head) == _HEAD_BYTES or len(pieces) > HEADER_WITHIN_LINES + SAMPLE_LINES:
        pieces.pop()
    lines = [piece.decode(encoding, errors="replace").replace("\0", "").rstrip("\r") for piece in pieces]
    _refuse_binary(lines, name)
    lines, joined = whole_names(lines)
    table = find_table(lines, name)
    begin = next(place for place in range(table.begin, len(lines) + 1) if place not in joined)
    start = skip + sum(len(piece) + 1 for piece in pieces[:begin])
    sample = tuple(tuple(row[: len(table.names)]) for row in table.rows)
    mark, notes = _decimal(decimal, table, text, start, name)
    layout = (
        f"The header is line {table.header + 1}, the rows begin in line {table.first + 1}; cells are divided by "
        f"{DELIMITERS[table.delimiter]}, numbers have a decimal {'comma' if mark == ',' else 'point'}, "
        f"the encoding is {encoding.upper()}."
    )
    return LogText(
        name=name,
        raw=text,
        encoding=encoding,
        delimiter=table.delimiter,
        decimal=mark,
        names=_distinct(table.names),
        header_cells=tuple(table.names),
        units=tuple(table.units),
        header_line=table.header + 1,
        start=start,
        first_line=begin + 1,
        width=table.width,
        sample=sample,
        notes=(layout, *notes),
    )


def _one_byte_text(raw: FileBytes, name: str) -> tuple[FileBytes, str, int]:
    if not raw[:4096].strip(_BLANK) and not raw[:].strip(_BLANK):
        msg = f"{name} is empty; a log needs a header and rows. Export it again."
        raise LogFormatError(msg, path=name, line=1)
    encoding, skip = "utf-8", 0
    wide = _wide_encoding(raw[:4096])
    if wide:
        # Half a character at the end belongs to a cut line, and a line without its end is dropped later.
        raw = str(raw, wide, "replace").removeprefix("\ufeff").encode("utf-8")
    else:
        skip = 3 if raw[:3] == codecs.BOM_UTF8 else 0
        # The head, with the header in it, decides; a row further down that differs is decoded by itself.
        try:
            codecs.getincrementaldecoder("utf-8")().decode(raw[:_HEAD_BYTES])
        except UnicodeDecodeError:
            encoding = "latin-1"
    if _lone_return(raw):
        raw = re.sub(rb"\r+\n|\r", b"\n", raw)
    return raw, encoding, skip


def _lone_return(raw: FileBytes) -> bool:
    for place in range(0, len(raw), _HEAD_BYTES // 4):
        some = np.frombuffer(raw, np.uint8, min(_HEAD_BYTES // 4 + 1, len(raw) - place), place)
        returns = some == _RETURN
        if returns.any() and (
            (returns[-1] and place + len(some) == len(raw)) or (returns[:-1] & (some[1:] != _LINE_END)).any()
        ):
            return True
    return False


def _wide_encoding(head: bytes) -> str:
    if head.startswith((codecs.BOM_UTF32_LE, codecs.BOM_UTF32_BE)):
        return "utf-32"
    if head.startswith((codecs.BOM_UTF16_LE, codecs.BOM_UTF16_BE)):
        return "utf-16"
    even, odd = head[0::2].count(0), head[1::2].count(0)
    half = len(head) / 2
    if odd > 0.7 * half and even < 0.05 * half:
        return "utf-16-le"
    if even > 0.7 * half and odd < 0.05 * half:
        return "utf-16-be"
    return ""


def _refuse_binary(lines: Sequence[str], name: str) -> None:
    text = "".join(lines)[:65536]
    control = sum(text.count(chr(code)) for code in range(32) if chr(code) not in "\t\v\f\x1a\x1b")
    control += text.count("\x7f")
    if control > 0.005 * len(text) + 1:
        msg = (
            f"{name} is a binary file, not text: {control} of its first {len(text)} signs cannot be printed. "
            "Export the log as text (csv) from the logger's own program."
        )
        raise LogFormatError(msg, path=name, line=1)


def _distinct(names: Sequence[str]) -> tuple[str, ...]:
    taken: set[str] = set()
    result = []
    for place, given in enumerate(names, start=1):
        name = base = given or f"column {place}"
        count = 1
        while name in taken or (count > 1 and name in names):
            count += 1
            name = f"{base} [{count}]"
        taken.add(name)
        result.append(name)
    return tuple(result)


def _decimal(given: str | None, table: LogTable, text: FileBytes, start: int, name: str) -> tuple[str, tuple[str, ...]]:
    if given is not None:
        if given not in (".", ","):
            msg = f"decimal is {given!r}, but must be '.' or ','."
            raise LogFormatError(msg, path=name)
        return given, ()
    marks = Counter(decimal_mark(cell) for row in table.rows for cell in row)
    if marks["."] and marks[","]:
        msg = (
            f"{name}: from line {table.first + 1} on, both decimal points and decimal commas stand in the rows. "
            "Say which holds with decimal='.' or decimal=','."
        )
        raise LogFormatError(msg, path=name, line=table.first + 1)
    if marks[","]:
        return ",", ()
    if marks["."] or table.delimiter == ",":
        return ".", ()
    # Whole numbers only so far: the first number further down that leaves no choice decides.
    later = re.compile(rb"(?<![\d.,:])\d{1,9}([.,])(?:\d{1,2}|\d{4,12})(?![\d.,:])").search(text, start)
    if later and later[1] == b",":
        return ",", ()
    grouped = any(number_from_cell(cell, ",") < 1000 and "," in cell for row in table.rows for cell in row)
    if not later and grouped:
        return ",", ("Numbers such as 1,234 are read with a decimal comma; decimal='.' reads thousands.",)
    return ".", ()
