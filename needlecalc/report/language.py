"""Texts by language: a room of texts, such as ``words_pages``, has a neighbour of the same names for each other language."""

from __future__ import annotations

from importlib import import_module
from importlib.util import find_spec
from types import ModuleType
from typing import Any


def texts(room: ModuleType, language: str) -> Any:
    """The room in a language; in English where nobody has translated it."""
    other = f"{room.__name__}_{language}"
    return import_module(other) if find_spec(other) else room
