"""Texts by language, and names of bands and stations in it: ``en.json`` holds every text, ``de.json`` the same in German.

Figures go in by name. Beside each number of a remark a template may use its size (``off_abs``), its side (``off_side``:
lean or rich) and a plural s (``readings_s``); beside its bands ``band``, ``bands`` and ``other``, beside its stations
``stations``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterable, Iterator, Sequence
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, wraps
from pathlib import Path
from typing import Any, TypeVar

from needlecalc.measure.drive.bands import NAMED_IN_FULL, WORST_NAMED
from needlecalc.parts.measured import listed
from needlecalc.remark import BandName

Made = TypeVar("Made")
ENGLISH = "en"
KEYS: dict[str, Any] = {"True": True, "False": False, "-1": -1, "0": 0, "1": 1, "0.0": 0.0, "0.5": 0.5}
_spoken = ContextVar("_spoken", default=(ENGLISH, False))


@contextmanager
def spoken(language: str = "", *, slide: bool = False) -> Iterator[None]:
    """Every room of texts speaks this language meanwhile, or that of before; where a slide carries the needle, of it."""
    before = _spoken.set((language or _spoken.get()[0], slide))
    try:
        yield
    finally:
        _spoken.reset(before)


def in_its_language(method: Callable[..., Made]) -> Callable[..., Made]:
    """A method that speaks the language of its record's paper."""

    @wraps(method)
    def speaking(self: Any, *given: Any, **named: Any) -> Made:
        with spoken(self.paper.language, slide=getattr(self, "slide", False)):
            return method(self, *given, **named)

    return speaking


class Texts:
    """A room of texts; each name is a text, or texts by what they are about, in the language spoken or else in English."""

    def __init__(self, room: str) -> None:
        self.room = room

    def __getattr__(self, name: str) -> Any:
        language, slide = _spoken.get()
        there = texts_of(language)
        there = there if self.room in there else texts_of(ENGLISH)
        try:
            said = there[self.room][name]
        except KeyError:
            msg = f"There is no text {self.room}.{name}."
            raise AttributeError(msg) from None
        return _or_own(said, there["words_slide"].get(self.room, {}).get(name)) if slide else said


def _or_own(said: Any, own: Any) -> Any:
    """Texts, each in the words of its own that a slide has for it."""
    if isinstance(said, dict):
        return {key: _or_own(value, (own or {}).get(key)) for key, value in said.items()}
    return said if own is None else own


@cache
def texts_of(language: str) -> dict[str, dict[str, Any]]:
    """All texts of a language, by room and name."""
    said: dict[str, dict[str, Any]] = _read(json.loads((Path(__file__).parent / f"{language}.json").read_text("utf-8")))
    return said


def _read(value: Any) -> Any:
    """Texts as a file holds them; answers and numbers that they are about are such again."""
    if isinstance(value, dict):
        return {KEYS.get(key, key): _read(one) for key, one in value.items()}
    return tuple(map(_read, value)) if isinstance(value, list) else value


words, words_after, words_checks = Texts("words"), Texts("words_after"), Texts("words_checks")
words_pages, words_plot = Texts("words_pages"), Texts("words_plot")
words_sheet, words_drive = Texts("words_sheet"), Texts("words_drive")

SAID_EVEN_RPM, NEAR_RPM = 50.0, 5.0  # 3999 is said 4000


def rpm(speed: float) -> float:
    """Speed as people speak of it: the next fifty where it is as near as a hold."""
    even = round(speed / SAID_EVEN_RPM) * SAID_EVEN_RPM
    return even if abs(speed - even) <= NEAR_RPM else speed


def band(name: BandName) -> str:
    """Speed and load, and the bank where there are two."""
    return words.BAND.format(rpm=rpm(name.rpm), load=load(name.load), bank=name.bank).rstrip()


def load(name: str) -> str:
    """A load; one of the user's own is called as he called it."""
    return words.LOADS.get(name, name)


def bands(names: Sequence[BandName]) -> str:
    """Names in a row: all where they are few, else the first and how many more."""
    shown = names if len(names) <= NAMED_IN_FULL else names[:WORST_NAMED]
    more = words.AND_MORE.format(count=len(names) - len(shown)) if len(shown) < len(names) else ""
    return ", ".join(map(band, shown)) + more


def by_load(names: Sequence[BandName]) -> str:
    """Bands in a row, speeds of one load together; of very many only how many."""
    if len(names) > NAMED_IN_FULL:
        return words.BANDS.format(count=len(names))
    loads: dict[str, list[str]] = {}
    for name in names:
        loads.setdefault(f"{load(name.load)} {name.bank}".rstrip(), []).append(f"{rpm(name.rpm):.0f}")
    joined = {of: words.AND.join(", ".join(speeds).rsplit(", ", 1)) for of, speeds in loads.items()}
    return "; ".join(words.SPEEDS.format(speeds=speeds, load=of) for of, speeds in joined.items())


def stations(numbers: Iterable[int]) -> str:
    """Stations in a row, runs joined."""
    numbers = sorted(numbers)
    return (words.STATIONS if len(numbers) > 1 else words.STATION).format(stations=listed(numbers, words.TO))


def side(off: float) -> str:
    """Which way a miss goes."""
    return words.LEAN if off > 0.0 else words.RICH


def upper(said: str) -> str:
    """The same with a capital first."""
    return f"{said[:1].upper()}{said[1:]}"
