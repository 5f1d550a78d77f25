"""Texts by language: rooms of texts hold the English ones, ``de.toml`` those of German under the same names."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, wraps
from pathlib import Path
from types import ModuleType
from typing import Any, TypeVar

Made = TypeVar("Made")
_spoken = ContextVar("_spoken", default="en")


@contextmanager
def spoken(language: str) -> Iterator[None]:
    """Every room of texts says its names in this language meanwhile."""
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


class Texts(ModuleType):
    """A room of texts: a name in capitals is that of the language spoken, where it has a text of that name."""

    def __getattribute__(self, name: str) -> Any:
        own, language = super().__getattribute__(name), _spoken.get()
        if not name.isupper() or language == "en":
            return own
        there = texts_of(language)[super().__getattribute__("__name__").rpartition(".")[2]]
        return alike(own, there[name]) if name in there else own


@cache
def texts_of(language: str) -> Mapping[str, Mapping[str, Any]]:
    """All texts of a language, by room and name."""
    return tomllib.loads((Path(__file__).parent / f"{language}.toml").read_text(encoding="utf-8"))


def alike(english: Any, other: Any) -> Any:
    """Texts as a file holds them, in the form and under the keys of the English ones."""
    if isinstance(english, dict):
        return {key: alike(one, other[str(key)]) for key, one in english.items()}
    if isinstance(english, str):
        return other
    return tuple(alike(*pair) for pair in zip(english, other, strict=True))
