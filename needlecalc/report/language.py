"""Texts by language: a room of texts, such as ``words_pages``, has a neighbour of the same names in each other language."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from contextlib import contextmanager
from contextvars import ContextVar
from functools import cache, wraps
from importlib import import_module
from importlib.util import find_spec
from types import ModuleType
from typing import Any, TypeVar

Made = TypeVar("Made")
ENGLISH = "en"
_spoken = ContextVar("_spoken", default=ENGLISH)


@contextmanager
def spoken(language: str) -> Iterator[None]:
    """Every room of texts says its names in this language meanwhile, and in English what nobody has translated."""
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
    """A room of texts: a name in capitals is that of the neighbour in the language spoken, where there is one."""

    def __getattribute__(self, name: str) -> Any:
        own = super().__getattribute__(name)
        if not name.isupper() or _spoken.get() == ENGLISH:
            return own
        return getattr(_neighbour(super().__getattribute__("__name__"), _spoken.get()), name, own)


def language_of(room: ModuleType) -> str:
    """The language spoken, where the room has it; English elsewhere."""
    return _spoken.get() if _neighbour(room.__name__, _spoken.get()) else ENGLISH


@cache
def _neighbour(room: str, language: str) -> ModuleType | None:
    return import_module(f"{room}_{language}") if find_spec(f"{room}_{language}") else None
