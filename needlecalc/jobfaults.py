"""All faults of a job file at once, each with its line, section and key."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from typing import Any

from needlecalc.echo import LONGEST_VALUE, plain
from needlecalc.errors import InputError, LogFormatError
from needlecalc.jobkinds import BLANK

_HEAD = re.compile(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*["']?([^\s="']+)["']?\s*=""")
_COMMA = re.compile(r"(\s*[\w.-]+\s*=\s*)([-+]?\d+),(\d+)(\s*(?:#.*)?)$")
_BARE_BLANK = re.compile(r"(\s*[\w.-]+\s*=\s*)\?(\s*(?:#.*)?)$")


class JobFaults(InputError):
    """A job file has faults: ``faults`` holds a sentence each, the message all of them."""

    def __init__(self, faults: Sequence[str]) -> None:
        numbered = " ".join(f"({k}) {fault}" for k, fault in enumerate(faults, start=1))
        super().__init__(faults[0] if len(faults) == 1 else f"{len(faults)} faults. {numbered}")
        self.faults = tuple(plain(fault) for fault in faults)


class Faults:
    """Faults found so far in a job file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._said: list[str] = []
        self._files: list[LogFormatError] = []  # a file's own trouble keeps its words and its kind
        self._places: set[str] = set()
        self._lines: dict[tuple[str, str], int] = {}
        self._written: dict[tuple[str, str], str] = {}

    def parsed(self, text: str) -> dict[str, Any]:
        """Content of a TOML text; numbers with a decimal comma are noted, and read on as if they had a point."""
        lines, place = text.splitlines(), ""
        for number, line in enumerate(lines, start=1):
            if head := _HEAD.match(line):
                place = head[1]
                self._lines.setdefault((place, ""), number)
            elif key := _KEY.match(line):
                self._lines.setdefault((place, key[1]), number)
        mended = [_BARE_BLANK.sub(rf'\1"{BLANK}"\2', line) for line in lines]
        try:
            return tomllib.loads("\n".join(mended) + "\n")
        except tomllib.TOMLDecodeError:
            for number, line in enumerate(mended, start=1):
                if found := _COMMA.match(line):
                    mended[number - 1] = _COMMA.sub(r"\1\2.\3\4", line)
                    value = f"{found[2]},{found[3]}"
                    wrong = f"{found[1].strip(' =')} is {plain(value, LONGEST_VALUE)}, but a number takes a decimal point"
                    self._said.append(f"{self.file}, line {number}: {wrong}; write {value.replace(',', '.')}.")
        try:
            return tomllib.loads("\n".join(mended) + "\n")
        except tomllib.TOMLDecodeError as error:
            self._said.append(f"{self.file} is not valid TOML: {error}; mend that place.")
            self.end()
            raise

    def read_as(self, written: Mapping[tuple[str, str], str]) -> None:
        """Take down which key each converted one was written as: its line is that one's, and the fault says so."""
        self._written = dict(written)

    def add(self, place: str, key: str, words: str) -> None:
        """Note a fault of a key in a section; of the section itself where the key is empty."""
        if (old := self._written.get((place, key))) is not None:
            words, key = f"{words} It is written as {old}.", old
        line = self._lines.get((place, key)) or self._lines.get((place, "")) or self._lines.get(("", place))
        self._places.add(place)
        self._said.append(f"{self.file}{f', line {line}' if line else ''}: {words}")

    def pass_over(self, place: str) -> None:
        """Say nothing of a section whose head was misspelt."""
        self._places.add(place)

    def hit(self, *places: str) -> bool:
        """Whether a section, or one inside it, has a fault already."""
        return any(found == place or found.startswith(f"{place}.") for found in self._places for place in places)

    @contextmanager
    def catching(self, place: str) -> Iterator[None]:
        """Note what a section's reader refuses, and go on; a section with a fault already is left at that."""
        try:
            yield
        except LogFormatError as error:
            self._places.add(place)
            self._said.append(str(error))
            self._files.append(error)
        except InputError as error:
            self.add(place, error.argument, str(error))

    def end(self) -> None:
        """Raise what was found, if anything."""
        if len(self._said) == len(self._files) == 1:
            raise self._files[0]
        if self._said:
            raise JobFaults(self._said)
