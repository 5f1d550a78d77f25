"""Texts by language: ``en.json`` holds every text by room and name, ``de.json`` the same ones in German.

Figures go in by name. Beside each number of a remark a template may use its size (``off_abs``), its side (``off_side``:
lean or rich) and a plural s (``readings_s``); beside its bands ``band``, ``bands`` and ``other``, beside its stations
``stations``.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, wraps
from pathlib import Path
from typing import Any, TypeVar

Made = TypeVar("Made")
ENGLISH = "en"
KEYS: dict[str, Any] = {"True": True, "False": False, "-1": -1, "0": 0, "1": 1, "0.0": 0.0, "0.5": 0.5}
_spoken = ContextVar("_spoken", default=ENGLISH)


@contextmanager
def spoken(language: str) -> Iterator[None]:
    """Every room of texts speaks this language meanwhile."""
    before = _spoken.set(language)
    try:
        yield
    finally:
        _spoken.reset(before)


def in_its_language(method: Callable[..., Made]) -> Callable[..., Made]:
    """A method that speaks the language of its record's paper."""

    @wraps(method)
    def speaking(self: Any, *given: Any, **named: Any) -> Made:
        with spoken(self.paper.language):
            return method(self, *given, **named)

    return speaking


class Texts:
    """A room of texts; each name is a text, or texts by what they are about, in the language spoken or else in English."""

    def __init__(self, room: str) -> None:
        self.room = room

    def __getattr__(self, name: str) -> Any:
        there = texts_of(_spoken.get())
        try:
            return (there if self.room in there else texts_of(ENGLISH))[self.room][name]
        except KeyError:
            msg = f"There is no text {self.room}.{name}."
            raise AttributeError(msg) from None


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
words_sheet, words_slide, words_drive = Texts("words_sheet"), Texts("words_slide"), Texts("words_drive")
