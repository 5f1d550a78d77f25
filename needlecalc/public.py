"""Public names: written once, in the stub beside each ``__init__``; imported at the first use, held to their annotations.

Where an argument of another kind would crash, a sentence says it and the cure.
"""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Callable, Collection, Mapping, Sequence
from contextlib import suppress
from functools import cache, wraps
from importlib import import_module
from inspect import Parameter, isfunction, signature
from numbers import Integral, Real
from os import PathLike
from pathlib import Path
from types import NoneType, SimpleNamespace, UnionType
from typing import Any, Literal, Union, get_args, get_origin, get_type_hints

from needlecalc.echo import shown
from needlecalc.errors import InputError, NeedleCalcError

SPACES = ("", ".parts", ".measure", ".measure.checks", ".design", ".report")  # where names are held to their annotations
_held: dict[str, Any] = {}
_PACKAGES = ("needlecalc", "needlecalc.measure")  # what is imported from these is a space itself
_WORDS = {float: "a number", int: "a whole number", str: "text", bool: "True or False", list: "plain numbers"}
_MOST_MAKERS = 2
LARGEST_WHOLE = 10**308


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
        _held[name] = _checked(getattr(import_module(room), name))
        for other in _words_of(_held[name]) & _rooms().keys():
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


def _checked(made: Any) -> Any:
    """A public function, or a record with its methods, that answers an argument of the wrong kind with a sentence.

    A function's own sentences come first; a foreign exception is answered only where an argument is of the wrong kind.
    A record's class stays the same object.
    """
    if not isinstance(made, type):
        return _guarded(made, made.__name__)
    if issubclass(made, BaseException):
        return made
    for key, method in _methods(made).items():
        own = method.__func__ if isinstance(method, classmethod) else method
        if not hasattr(own, "__wrapped__"):
            held = _guarded(own, made.__name__ if key == "__init__" else key)
            setattr(made, key, classmethod(held) if isinstance(method, classmethod) else held)
    return made


def _words_of(made: Any) -> set[str]:
    """Words in the annotations of a public function, or of a record and its methods: the records one gets by it."""
    own = _methods(made).values() if isinstance(made, type) else (made,)
    return set(re.findall(r"\w+", " ".join(str(signature(getattr(one, "__func__", one))) for one in own)))


def _methods(record: type) -> dict[str, Any]:
    """How the record is made, and its public methods, those of its bases among them."""
    bases = [vars(base) for base in reversed(record.__mro__) if base.__module__.startswith("needlecalc.")]
    own = {key: one for base in bases for key, one in base.items() if isfunction(one) or isinstance(one, classmethod)}
    return {key: one for key, one in own.items() if key == "__init__" or key[0] != "_"}


def _guarded(function: Any, name: str) -> Any:
    asked = signature(function)
    notes = {key: one.annotation for key, one in asked.parameters.items() if isinstance(one.annotation, str)}
    if not notes:
        return function

    @cache
    def kind(key: str) -> Any:
        if "Array" in notes[key]:
            # Rows of numbers; how many and of what size is looked at further on.
            return list | None if "None" in notes[key] else list
        names = vars(sys.modules[function.__module__])
        try:
            return get_type_hints(SimpleNamespace(__annotations__={key: notes[key]}), names)[key]
        except NameError:  # a class of a library that is imported only where it is used
            return notes[key].removesuffix(" | None")

    def misfit(given: Mapping[str, Any]) -> str:
        for key in filter(notes.__contains__, given):
            parameter = asked.parameters[key]
            for value in given[key] if parameter.kind is Parameter.VAR_POSITIONAL else [given[key]]:
                if value is not parameter.default and not _fits(value, kind(key)):
                    return _sentence(name, key, value, kind(key))
        return ""

    @wraps(function)
    def inside(*given: Any, **named: Any) -> Any:
        try:
            made = function(*given, **named)
        except NeedleCalcError:
            raise
        except Exception as error:  # goes on as it was, but where an argument of the wrong kind explains it
            with suppress(TypeError):  # arguments that it does not take: what Python says of them stands
                if wrong := misfit(asked.bind_partial(*given, **named).arguments):
                    raise InputError(wrong) from error
            raise
        # What a record holds, as it has put it right itself, is used long after it was made: it is looked at now.
        if function.__name__ == "__init__" and (wrong := misfit(vars(given[0]))):
            raise InputError(wrong)
        return made

    return inside


def _fits(value: object, kind: Any) -> bool:
    origin, inner = get_origin(kind), get_args(kind)
    if kind is Any:
        return True
    if isinstance(kind, str):
        return value is None or kind in [one.__name__ for one in type(value).__mro__]
    if kind is list:
        return _are_numbers(value)
    if origin in (Union, UnionType):
        return any(_fits(value, one) for one in inner)
    if origin is Literal:
        return isinstance(value, tuple({type(one) for one in inner}))
    if kind is bool or type(value).__name__ in ("bool", "bool_"):
        return kind is bool and type(value).__name__ in ("bool", "bool_")
    if kind is float or kind is int:
        too_long = isinstance(value, int) and abs(value) > LARGEST_WHOLE  # for a float
        return isinstance(value, Real if kind is float else Integral) and not too_long
    if inner and issubclass(origin, Mapping):
        fit = isinstance(value, Mapping)
        return fit and all(_fits(key, inner[0]) and _fits(one, inner[1]) for key, one in value.items())  # type: ignore[attr-defined]
    if inner and (origin is tuple or issubclass(origin, Sequence)):
        if isinstance(value, str | bytes | Mapping) or not isinstance(value, Collection) or getattr(value, "ndim", 1) != 1:
            return False
        kinds = [one for one in inner if one is not ...]
        return all(type(one) in kinds for one in value) or all(any(_fits(one, each) for each in kinds) for one in value)
    return isinstance(value, origin or kind)


def _are_numbers(value: object) -> bool:
    import numpy as np  # here, as the package itself imports nothing before it is needed

    try:
        return not isinstance(value, str | None) and np.asarray(value, dtype=np.float64) is not None
    except (TypeError, ValueError, OverflowError):
        return False


def _sentence(name: str, key: str, value: object, kind: Any) -> str:
    got = _named(type(value)) if type(value).__module__.startswith("needlecalc.") else shown(value)
    made = [one for record in _records(kind) for one in _makers(record)][:_MOST_MAKERS]
    cure = f"; make one with {' or '.join(made)}" if made else ""
    return f"{name}: {key} is {got}, but must be {_words(kind)}{cure}."


def _words(kind: Any) -> str:
    origin, inner = get_origin(kind), get_args(kind)
    if origin in (Union, UnionType):
        return " or ".join(dict.fromkeys(_words(one) for one in inner if one is not NoneType))
    if origin is Literal:
        return " or ".join(map(repr, inner))
    if inner and issubclass(origin, Mapping):
        return f"a dict of {_words(inner[0])} to {_words(inner[1])}"
    if inner and (origin is tuple or issubclass(origin, Sequence)):
        return f"a list, each entry {' or '.join(dict.fromkeys(_words(one) for one in inner if one is not ...))}"
    if isinstance(kind, str):
        return _named(kind)
    if issubclass(origin or kind, PathLike):
        return "the name of a file"
    return _WORDS.get(kind) or _named(kind)


def _named(kind: Any) -> str:
    name = getattr(kind, "__name__", kind)
    return f"{'an' if name[0] in 'AEIOU' else 'a'} {name}"


def _records(kind: Any) -> list[str]:
    """Names of our own records that an annotation allows."""
    own = [kind.__name__] if getattr(kind, "__module__", "").startswith("needlecalc.") else []
    return own + [name for one in get_args(kind) for name in _records(one)]
