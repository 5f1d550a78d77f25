"""Public names: written once, in the stub beside each ``__init__``; imported at the first use, held to their annotations."""

from __future__ import annotations

import ast
from collections.abc import Callable
from functools import cache
from importlib import import_module
from inspect import signature
from pathlib import Path
from typing import Any

from needlecalc.kinds import checked, words_of

SPACES = ("", ".parts", ".measure", ".measure.checks", ".design", ".report")  # where names are held to their annotations
_held: dict[str, Any] = {}
_PACKAGES = ("needlecalc", "needlecalc.measure")  # what is imported from these is a space itself


def face(space: str, file: str) -> tuple[list[str], Callable[[str], Any], Callable[[], list[str]]]:
    """``__all__``, ``__getattr__`` and ``__dir__`` of a package whose public names stand in the stub beside ``file``."""
    homes = _homes(file)
    names = [name for name, room in homes.items() if room not in _PACKAGES and name[0] != "_"]

    def get(name: str) -> Any:
        if name not in homes:
            msg = f"module {space!r} has no attribute {name!r}"
            raise AttributeError(msg)
        return public(homes[name], name) if name in names else import_module(f"{homes[name]}.{name}")

    return names, get, lambda: sorted(homes)


def public(room: str, name: str) -> Any:
    """A public name, with every record one gets by it, held to the kinds it is annotated with."""
    if name not in _held:
        _held[name] = checked(getattr(import_module(room), name), _makers)
        for other in words_of(_held[name]) & _rooms().keys():
            public(_rooms()[other][0], other)
    return _held[name]


@cache
def _homes(file: str) -> dict[str, str]:
    """Public names of one stub, and the room each comes from."""
    stub = ast.parse(Path(file).with_suffix(".pyi").read_text(encoding="utf-8"))
    return {one.name: str(node.module) for node in stub.body if isinstance(node, ast.ImportFrom) for one in node.names}


@cache
def _rooms() -> dict[str, tuple[str, str]]:
    """Every public name: its room, and how it is written after ``nc.``."""
    found: dict[str, tuple[str, str]] = {}
    for space in SPACES:
        package = import_module(f"needlecalc{space}")
        short = f"{space.split('.')[-1]}." if space else ""
        found |= {name: (_homes(str(package.__file__))[name], short + name) for name in package.__all__}
    return found


@cache
def _makers(record: str) -> list[str]:
    """Public functions that hand back such a record; the record itself where there is none."""
    rooms = _rooms()
    functions = [(public(room, name), said) for name, (room, said) in rooms.items() if name[0].islower()]
    found = [said for function, said in functions if signature(function).return_annotation == record]
    return found or [said for name, (_, said) in rooms.items() if name == record]
