"""Public names that import their room when they are first asked for, so that a package costs nothing to import."""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from importlib import import_module
from typing import Any


def lazy(package: str, rooms: Mapping[str, str]) -> tuple[Callable[[str], Any], Callable[[], list[str]]]:
    """``__getattr__`` and ``__dir__`` of a package, from the names that each room of ``needlecalc`` gives to it.

    The names of a room stand in one text, with blanks between.
    """
    home = {name: room for room, names in rooms.items() for name in names.split()}

    def getattr_(name: str) -> Any:
        if name not in home:
            msg = f"module {package!r} has no attribute {name!r}"
            raise AttributeError(msg)
        value = getattr(import_module(f"needlecalc.{home[name]}"), name)
        setattr(sys.modules[package], name, value)  # found at once the next time
        return value

    return getattr_, lambda: sorted(home)
