"""Facts of a pass as its file holds them: bands, needle, air and fuel, and back again."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, fields
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import numpy as np

from needlecalc.arrays import same_length
from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.drive.bands import COLUMNS, Bands, LiftSource
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.needle import Needle
from needlecalc.units import FloatArray
from needlecalc.version import __version__

EDITED = "the history was edited, so take it from a copy"
FORMAT = "needlecalc history 1"
LONGEST_WHOLE = 2**63 - 1
Part = TypeVar("Part", Needle, Air, Fuel)


@contextmanager
def refused_as(path: str | Path, where: str = "") -> Iterator[None]:
    """Put the file's name, and the place in it, before what is wrong with what it holds."""
    try:
        yield
    except (InputError, KeyError) as error:
        lacks = f"the history lacks {error}; it was cut or edited, so take it from a copy."
        msg = f"{plain(Path(path).name, LONGEST_NAME)}{where}: {lacks if isinstance(error, KeyError) else error}"
        raise LogFormatError(msg, path=str(path)) from error


def passes_in(path: str | Path) -> list[Any]:
    """What the file of a history holds of its passes; refused where it is no history, or one of another format."""

    def refuse(words: str, cause: Exception | None = None) -> NoReturn:
        msg = f"{plain(Path(path).name, LONGEST_NAME)}{words}"
        raise LogFormatError(msg, path=str(path)) from cause

    try:
        written = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        refuse(f": the history cannot be opened ({getattr(error, 'strerror', error)}); check its name and folder.", error)
    try:
        content = json.loads(written.decode())
    except (ValueError, RecursionError) as error:
        refuse(" is no history: it is not JSON; give the file History.save wrote.", error)
    stated = str(content.get("format")) if isinstance(content, dict) else ""
    if stated != FORMAT:
        if other := re.fullmatch(r"needlecalc history (\d{1,4})", stated):
            refuse(f" is a history of format {other[1]}, {_made_by(content)}")
        refuse(f" is no history: it does not say {FORMAT!r}; give the file History.save wrote.")
    listed = content.get("passes")
    if not isinstance(listed, list):
        refuse(": the history has no list of passes; it was cut or edited, so take it from a copy.")
    return listed


def _made_by(content: Mapping[str, Any]) -> str:
    """Who wrote a history of another format, and what to do about it."""
    made_by = content.get("made_by")
    version = str(made_by.get("needlecalc")) if isinstance(made_by, dict) else ""
    writer = f"needlecalc {version}" if re.fullmatch(r"\d[\w.+-]{0,29}", version) else "another needlecalc"
    return (
        f"written by {writer}; this is needlecalc {__version__}, which knows format {FORMAT.rpartition(' ')[2]}. Use the "
        "needlecalc that wrote it, or a newer one."
    )


def facts_of_bands(bands: Bands) -> dict[str, Any]:
    """Columns of some bands; logs and setups are kept elsewhere."""
    facts: dict[str, Any] = {
        name: [None if np.isnan(v) else v for v in column.tolist()] for name, column in bands.columns.items()
    }
    return facts | {
        "load": list(bands.load),
        "bank": list(bands.bank),
        "lift_source": [source.code() for source in bands.lift_source],
    }


def bands_of_facts(facts: object) -> Bands:
    """Bands from what :func:`facts_of_bands` wrote."""
    saved = a_value(facts, "bands", (dict,), "a table in braces")
    bands: dict[str, Any] = {}
    for name, column in COLUMNS.items():
        if name in saved or column.always or name in ("lift_mm", "lift_u_mm"):  # older files lack some others
            bands[name] = _numbers(saved[name], f"bands.{name}")
            same_length("bands", **{"rpm": bands["rpm"], name: bands[name]})
    bands["load"] = _row(saved["load"], "bands.load", (str,), "texts")
    bands["bank"] = _row(saved.get("bank", []), "bands.bank", (str,), "texts")
    sources = _row(saved["lift_source"], "bands.lift_source", (str,), "texts")
    bands["lift_source"] = [_lift_source(text, "bands.lift_source") for text in sources]
    return Bands(**bands)


def _lift_source(text: str, name: str) -> LiftSource:
    """Where a lift comes from; files of older versions said it in a sentence."""
    try:
        return LiftSource.of_code(text)
    except KeyError:
        pieces = re.split(r" \+ |, ", text)
        found = [source for words, source in _LIFT_SENTENCES.items() if any(piece.startswith(words) for piece in pieces)]
    if not found:
        msg = f"{name} holds {_shown(text)}, but must say where the lift comes from, such as 'typed'; {EDITED}."
        raise InputError(msg)
    return reduce(or_, found)


_LIFT_SENTENCES = {
    "typed in": LiftSource.TYPED,
    "logged": LiftSource.LOGGED,
    "computed from logged air flow": LiftSource.AIR_METER,
    "weighed against air meter": LiftSource.AIR_METER,
    "computed from manifold pressure": LiftSource.PRESSURE,
    "weighed against manifold pressure": LiftSource.PRESSURE,
    "computed from throttle": LiftSource.THROTTLE,
    "scaled to": LiftSource.SCALED,
}


def record_of_facts(kind: type[Part], facts: object) -> Part:
    """Needle, air or fuel from its fields."""
    name = kind.__name__.lower()
    table: Mapping[str, Any] = a_value(facts, name, (dict,), "a table in braces")
    known = {item.name: str(item.type) for item in fields(kind)}
    if odd := sorted(set(table) - set(known)):
        msg = f"{name} has {shown(odd[0])}, which it does not know; {EDITED}."
        raise InputError(msg)
    keys = dict.fromkeys([*(item.name for item in fields(kind) if item.default is MISSING), *table])
    return kind(**{key: _field(known[key], table[key], f"{name}.{key}") for key in keys})


def _field(note: str, value: object, name: str) -> Any:
    if note == "FloatArray":
        return _numbers(value, name)
    return a_value(value, name, (str,), "text") if note == "str" else a_value(value, name, (int, float), "a number")


def a_value(value: object, name: str, kinds: tuple[type, ...], words: str) -> Any:
    """A value, if it is of the kind it must be; true and false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, kinds):
        msg = f"{name} is {_shown(value)}, but must be {words}; {EDITED}."
        raise InputError(msg)
    return value


def _numbers(value: object, name: str) -> FloatArray:
    listed = _row(value, name, (int, float, type(None)), "numbers, null where one is not known")
    return np.array([np.nan if one is None else one for one in listed], dtype=np.float64)


def _row(value: object, name: str, kinds: tuple[type, ...], words: str) -> list[Any]:
    """A list of the kinds named; true and false are no numbers, nor is what no float can hold."""
    listed: list[Any] = a_value(value, name, (list,), f"a row of {words}")
    for place, one in enumerate(listed, start=1):
        too_long = isinstance(one, int) and abs(one) > LONGEST_WHOLE
        if isinstance(one, bool) or not isinstance(one, kinds) or too_long:
            msg = f"{name} holds {_shown(one)} as entry {place}, but must hold {words}; {EDITED}."
            raise InputError(msg)
    return listed


def _shown(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 40 else f"{text[:40]}..."
