"""Every key of a job: kind, unit, default, range and what it is, from the tables and signatures that the reader uses."""

from __future__ import annotations

import ast
import re
import sys
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields, is_dataclass
from functools import cache
from inspect import Parameter, getdoc, getsource, isfunction, signature
from typing import Any

from needlecalc.errors import InputError
from needlecalc.gaussian import NINETY
from needlecalc.jobassumed import about, value_of
from needlecalc.jobfile import spellings
from needlecalc.jobkinds import (
    DOUBTS_OF_PARTS,
    KINDS,
    NUMBER,
    NUMBERS,
    OWN,
    TABLE,
    TABLES,
    TAKEN_BY,
    TEXT,
    Own,
    keys_taken,
    no_section,
)
from needlecalc.measure.drive.steady import LIMITS
from needlecalc.priors import DEPRESSION, FILLING, FOR_LIFT, PRIORS, REASONS, SLIDE_DEPRESSION
from needlecalc.show import Column, Table

UNITS = (
    ("_n_mm", "N/mm"), ("_g_s", "g/s"), ("per_s", "1/s"), ("_mm2", "mm2"), ("_cm3", "cm3"), ("_mm", "mm"), ("_um", "um"),
    ("_kpa", "kPa"), ("_pa", "Pa"), ("_kg", "kg"), ("_n", "N"), ("_degc", "degC"), ("_percent", "%"), ("_kohm", "kohm"),
    ("_ppm", "ppm"), ("_deg", "deg"), ("flats", "flats"), ("rpm", "1/min"), ("rpm_edges", "1/min"), ("_s", "s"), ("_m", "m"),
)  # fmt: skip


@dataclass(frozen=True)
class Key:
    """One key of a job."""

    section: str
    name: str  # * for any name
    kinds: tuple[str, ...]
    unit: str
    default: Any  # None where there is none, empty where the key is needed
    range: tuple[float, float] | None
    words: tuple[str, ...]  # those allowed; empty for any
    about: str


def sections() -> list[str]:
    """Names of all sections, those inside others after them."""
    return sorted({*TAKEN_BY, *OWN}, key=lambda name: name.split("."))


def keys_of(section: str) -> list[Key]:
    """Keys of a section, as the reader takes them."""
    return [_key(section, name, kinds) for name, kinds in keys_taken(section).items()]


def _key(section: str, name: str, kinds: tuple[str, ...]) -> Key:
    own = OWN.get(section, {}).get(name, Own((), ""))
    part = DOUBTS_OF_PARTS.get(name, section) if section == "doubts" else section
    made = TAKEN_BY.get(part, ())
    owner = next((one for one in made if name in signature(one).parameters), None)
    unit = next((unit for end, unit in UNITS if name.endswith(end)), "")
    if owner is None:
        return Key(section, name, kinds, unit, None, own.range, (), own.about)
    one = signature(owner).parameters[name]
    fact: Mapping[str, Any] = (
        next((item.metadata for item in fields(owner) if item.name == name), {}) if is_dataclass(owner) else {}
    )
    default = None if "factory" in repr(one.default) or (one.default is one.empty and len(made) > 1) else one.default
    if default is one.empty:
        default = next((prior.value for prior in PRIORS if (prior.section, prior.key) == (section, name)), default)
    listed = re.search(r"Literal\[(.*?)\]", str(one.annotation))
    words = ast.literal_eval(f"({listed[1]},)") if listed else fact.get("words", ())
    range_ = fact.get("range", _ranges(owner).get(name)) if NUMBER in kinds or NUMBERS in kinds else None
    about = own.about or _about(owner, name, fact)
    return Key(section, name, kinds, fact.get("unit") or unit, default, range_, tuple(words), about)


@cache
def _documented(owner: Any) -> dict[str, str]:
    """First sentence of each parameter in the docstring of a public name; of several named at once, each its own part."""
    text = getdoc(owner) or ""
    body = re.search(r"Parameters\n-+\n(.*?)(?:\n\n?[A-Z]\w+\n-+\n|\Z)", text, re.S)
    said: dict[str, str] = {}
    for heads, words in re.findall(r"(?m)^(\w[\w, ]*) : .*\n((?:^[ ]+.*\n?)+)", body[1] + "\n" if body else ""):
        sentence = re.split(r"(?<=\.)\s", re.sub(r"\s*\[[^\]]*\]$", "", " ".join(words.split())))[0]
        names, parts = heads.split(", "), sentence.rstrip(".").split("; ")
        each = parts if len(parts) == len(names) else parts[:1] * len(names)
        said |= {name: f"{part[0].upper()}{part[1:]}." for name, part in zip(names, each, strict=True)}
    return said


def _about(owner: Any, name: str, fact: Mapping[str, Any]) -> str:
    if "judges" in fact:
        return f"Amber and red limit of: {fact['judges']}."
    if name in REASONS:
        within = "" if (u := getattr(owner, name)) is None else f"; 90 % within {NINETY * u:.2g}"
        return f"{fact['what'].capitalize()}{within} ({REASONS[name]})."
    return str(fact.get("what", _documented(owner).get(name, "")))


@cache
def _ranges(owner: Any) -> dict[str, tuple[float, float]]:
    """Ranges that keys are held to, by name, read from the calls themselves: the owner's, its room's, those it calls."""
    room = sys.modules[owner.__module__]
    called = {value.__module__ for value in vars(room).values() if isfunction(value)} - {room.__name__}
    others = [sys.modules[name] for name in sorted(called) if name.startswith("needlecalc.")]
    found = {name: (low, high) for name, (_, low, high, *_) in LIMITS.items()}  # of steadiness, which are in a table
    for one in (owner, room, *others):
        for name, low, high in _calls(getsource(one)):
            found.setdefault(name, (low, high))
    return found


def _calls(source: str) -> Iterator[tuple[str, float, float]]:
    for node in ast.walk(ast.parse(source)):
        if not (isinstance(node, ast.Call) and isinstance(node.func, ast.Name) and len(node.args) >= 4):
            continue
        if node.func.id in ("check_range", "check_each"):
            try:
                name, low, high = (ast.literal_eval(argument) for argument in node.args[1:4])
            except ValueError:  # an end that depends on another key
                continue
            yield str(name), float(low), float(high)


def key_tables(asked: str | None = None) -> list[Table]:
    """Keys of one section with those inside it, or of all, to be shown."""
    names = sections()
    if asked is not None:
        wanted = asked.strip("[]")
        names = [name for name in names if name == wanted or name.startswith(f"{wanted}.")]
        if not names:
            raise InputError(no_section(wanted))
    columns = tuple(Column(name, name) for name in ("key", "kind", "unit", "default", "range", "what it is"))
    tables = [Table(f"[{name}]", columns, [_row(key) for key in keys_of(name)], notes=_other_units(name)) for name in names]
    return [*tables, _assumed_table()] if "doubts" in names else tables


def _assumed_table() -> Table:
    """What is taken of the keys that a job leaves out, and how far off it may be."""
    columns = (Column("key", "left out"), Column("value", "taken", "g"), Column("u", "+-", "g"), Column("how", "to find it"))
    listed = [prior for prior in (*PRIORS, FILLING, DEPRESSION, SLIDE_DEPRESSION) if prior.u > 0.0]
    rows = [
        {"key": f"[{one.section}] {one.key}", "value": value_of(one), "u": one.u, "how": about(one)[1]} for one in listed
    ]
    notes = (
        "+- is one standard uncertainty, as above; it widens those of [doubts] that are not stated.",
        "No source: judgement.",
    )
    return Table("Taken where a job is silent", columns, rows, notes=notes)


def _others(key: Key) -> list[str]:
    return list(spellings(key.name)) if {NUMBER, NUMBERS} & set(key.kinds) else []


def _other_units(section: str) -> tuple[str, ...]:
    """One example of a key in another unit; nothing where no key has one."""
    for key in keys_of(section):
        if others := _others(key):
            return (f"A key may end in another unit, and is converted: {key.name} as {' or '.join(others)}.",)
    return ()


def _row(key: Key) -> dict[str, str]:
    return {
        "key": key.name.replace("*", "(any name)"),
        "kind": " or ".join(key.kinds),
        "unit": key.unit,
        "default": _usual(key),
        "range": ", ".join(key.words) if key.words else "" if key.range is None else f"{key.range[0]:g} to {key.range[1]:g}",
        "what it is": key.about,
    }


def _usual(key: Key) -> str:
    if any((prior.section, prior.key) == (key.section, key.name) for prior in FOR_LIFT):
        return "needed to compute lift"
    value = key.default
    if value is Parameter.empty:
        return "needed"
    if value is None or value == ():
        return ""
    return str(value).lower() if isinstance(value, bool) else f"{value:g}" if isinstance(value, float) else str(value)


def schema() -> dict[str, Any]:
    """JSON Schema of a job, for editors that check TOML."""
    dialect = "https://json-schema.org/draft/2020-12/schema"
    return {"$schema": dialect, "title": "Job of needlecalc", **_object("")}


def _object(section: str) -> dict[str, Any]:
    out: dict[str, Any] = {"type": "object", "properties": {}, "additionalProperties": False}
    for key in keys_of(section):
        made = _json(key)
        if key.name == "*":
            out["additionalProperties"] = made
        else:
            out["properties"][key.name] = made
            same = {"type": made.get("type", ["number", "array"]), "description": key.about}
            out["properties"] |= dict.fromkeys(_others(key), same)
    return out


def _json(key: Key) -> dict[str, Any]:
    inner, known = f"{key.section}.{key.name}".removeprefix("."), sections()
    kinds: list[dict[str, Any]] = []
    for kind in key.kinds:
        made = _object(inner) if kind == TABLE and inner in known else dict(KINDS[kind].schema)
        if kind == TABLES:
            made["items"] = _object(inner)
        if kind == NUMBER and key.range is not None:
            made |= {"minimum": key.range[0], "maximum": key.range[1]}
        if kind == TEXT and key.words:
            made["enum"] = list(key.words)
        kinds.append(made)
    out: dict[str, Any] = kinds[0] if len(kinds) == 1 else {"anyOf": kinds}
    if key.about:
        out["description"] = key.about
    if isinstance(key.default, bool | int | float | str) and key.default != "":
        out["default"] = key.default
    return out
