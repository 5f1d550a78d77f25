"""What each key of a job file takes: number, text, true or false, a row of them, or a section; records made of them."""

from __future__ import annotations

import inspect
import re
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from needlecalc.design.after.changes import AtHand
from needlecalc.design.belief.calibration import TrimReading
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.maketarget import make_target
from needlecalc.echo import LONGEST_NAME, LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.make import make_bands, typed_bands
from needlecalc.measure.drive.sweep import lean_limit, typed_sweep
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.cell import LARGEST_NUMBER
from needlecalc.measure.log.file import read_log
from needlecalc.parts.carburettor import AirValve, Carburettor, Jet
from needlecalc.parts.engine import Air, Engine, Fuel, VolumetricEfficiency
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.slide import SlideValve
from needlecalc.priors import Doubts, LiftDoubts
from needlecalc.report.document import Paper
from needlecalc.report.handover import Notes
from needlecalc.report.words_pages import TESTED

Part = TypeVar("Part")

# Whom each section is handed to: the annotations there say what each key takes.  A star stands for any name.
TAKEN_BY: Mapping[str, tuple[Callable[..., Any], ...]] = {
    "engine": (Engine,),
    "engine.volumetric_efficiency": (VolumetricEfficiency,),
    "needle": (Needle, read_needle),
    "jet": (Jet,),
    "air_valve": (AirValve,),
    "slide_valve": (SlideValve,),
    "carburettor": (Carburettor,),
    "fuel": (Fuel,),
    "air": (Air,),
    "log": (read_log,),
    "log.others": (read_log,),
    "log.others.air": (Air,),
    "log.others.fuel": (Fuel,),
    "bands": (typed_bands, make_bands),
    "lift": (with_lift,),
    "lift.air_valve": (AirValve,),
    "checks.ignition": (Ignition,),
    "checks.mechanical": (Mechanical,),
    "checks.sensor": (Sensor,),
    "checks.twins": (Twins,),
    "checks.limits": (CheckLimits,),
    "checks.gases": (GasReading,),
    "checks.needle": (NeedleReading,),
    "lean_limits.*": (typed_sweep, lean_limit),
    "target": (make_target,),
    "limits": (Limits,),
    "doubts": (Doubts, LiftDoubts),
    "calibration": (typed_bands, with_lift, read_log),
    "calibration.trims": (TrimReading,),
    "paper": (Paper,),
    "handover": (Notes,),
    "at_hand": (AtHand,),
}
# Uncertainties that a part holds itself: [doubts] may state them too.
DOUBTS_OF_PARTS = {
    "parallel_length_u_mm": "jet",
    "volumetric_efficiency_u": "engine",
    "volumetric_efficiency_shape_u": "engine",
}
# Keys that the job reads itself.
OWN: Mapping[str, Mapping[str, str]] = {
    "needle": {"file": "Path"},
    "log": {"file": "Path", "bank": "str"},
    "log.others": {"file": "Path", "bank": "str", "air": "Mapping", "fuel": "Mapping"},
    "log.others.columns": {"*": "str"},
    "log.others.units": {"*": "str"},
    "log.columns": {"*": "str"},
    "log.units": {"*": "str"},
    "calibration.columns": {"*": "str"},
    "calibration.units": {"*": "str"},
    "bands": {"loads_kpa": "Mapping", "only_bank": "str"},
    "bands.loads_kpa": {"*": "Sequence[float]"},
    "bands.loads_percent": {"*": "Sequence[float]"},
    "lift": {"air_valve": "Mapping"},
    "checks": {
        **dict.fromkeys(("ignition", "mechanical", "sensor", "twins", "limits", "needle"), "Mapping"),
        "override": "str",
    },
    "lean_limits": {"*": "Mapping"},
    "lean_limits.*": {"file": "Path"},
    "target.*": {"*": "float"},
    "limits.never_below_mm": {"*": "float"},
    "micrometer": {"anvil_width_mm": "float", "face_on_mark": "str"},
    "calibration": {"flats": "float", "file": "Path"},
    "doubts": dict.fromkeys(DOUBTS_OF_PARTS, "float"),
    "history": {"file": "Path"},
    "altitude": {"home_m": "float", "trip_m": "float | Sequence[float]", "acknowledged": "str", "slope_percent": "float"},
    "handover.limits": dict.fromkeys(TESTED, "str"),
}
SECTIONS = tuple(dict.fromkeys(name.partition(".")[0] for name in (*TAKEN_BY, *OWN)))

# Arguments that a job hands over in another way: as a section, or in another unit.
NOT_IN_A_JOB = {
    "needle": {"path"},
    "log": {"source"},
    "log.others": {"source"},
    "bands": {"lift_mm", "lift_u_mm", "loads_pa"},
    "lift": {"doubts"},
    "doubts": {"lift"},
    "calibration": {"source", "calibrate", "combine", "restate", "doubts", "depression_pa"},
    "target": {"lambda_by_load"},
}
MOST_KEYS = 22  # that a message lists
LISTS = ("calibration.trims", "checks.gases", "log.others")  # of sections
BLANK = "?"  # a value still to be filled in
NUMBER, TEXT, FILE, YES_NO, TABLE = "a number", "text", "the name of a file", "true or false", "a section of its own"
NUMBERS, TEXTS, YES_NOS = "a row of numbers", "a row of texts", "a row of true and false"
WHOLES = "a row of whole numbers"
CURES = {
    NUMBER: "write it bare, as 2.54",
    TEXT: "write it in quotes",
    FILE: 'write it in quotes, as "drive.csv"',
    YES_NO: "write it in small letters without quotes",
    TABLE: "give it a heading [{where}] with its keys below",
    NUMBERS: "write it in brackets, as [1.0, 2.0]",
    WHOLES: "write it in brackets, as [1, 2]",
    TEXTS: 'write it in brackets, as ["idle", "full"]',
    YES_NOS: "write it in brackets, as [false, true]",
}
_KINDS = (
    (r"float|int", NUMBER),
    (r"str|Literal\[.*", TEXT),
    (r"Path", FILE),
    (r"bool", YES_NO),
    (r"Mapping.*|VolumetricEfficiency", TABLE),
    (r"ArrayLike|FloatArray|Pair|(?:Sequence|tuple)\[float.*", NUMBERS),
    (r"tuple\[int.*", WHOLES),
    (r"Sequence\[str\]", TEXTS),
    (r"Sequence\[bool\]", YES_NOS),
)


class KindFault(NamedTuple):
    """A value of another kind than its key takes, or a key that means nothing: where, and the sentence."""

    place: str  # as in checks.ignition
    key: str
    words: str


def kind_faults(section: Mapping[str, Any], place: str = "", pattern: str = "") -> Iterator[KindFault]:
    """Every value of another kind than its key takes, before anything is made of it.

    ``place`` is where the section stands, as in ``checks.ignition``, ``pattern`` its name in the tables above; both are
    empty for the whole job.

    >>> next(kind_faults({"jet": {"bore_mm": [2.54]}})).words
    '[jet] bore_mm is [2.54], but must be a number; write it bare, as 2.54.'
    """
    taken = kinds_taken(pattern)
    for key, value in section.items():
        where, name = (f"{place}.{key}", f"{pattern}.{key}") if place else (key, key)
        kinds = taken.get(key, taken.get("*", ()))
        if kinds and not any(_is(value, kind) for kind in kinds):
            rule = f"be {' or '.join(kinds)}; {CURES[kinds[0]].format(where=where)}"
            if kinds[0] == NUMBER and isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+,\d+\s*", value):
                rule = f"be a number; write it bare and with a decimal point, as {value.strip().replace(',', '.')}"
            if _too_large(value):
                rule = f"lie between -{LARGEST_NUMBER:g} and {LARGEST_NUMBER:g}; no quantity here is larger, so check it"
            if value == BLANK:
                rule = f"be {' or '.join(kinds)}; the ? stands where it is to be filled in"
            stands = f"[{plain(place, LONGEST_NAME)}] " if place else ""
            yield KindFault(place, key, f"{stands}{plain(key, LONGEST_VALUE)} is {shown(value)}, but must {rule}.")
        elif place and not kinds and name not in LISTS and f"{pattern}.*" not in (*TAKEN_BY, *OWN):
            lists = [one.removeprefix(f"{pattern}.") for one in LISTS if one.startswith(f"{pattern}.")]
            yield KindFault(place, key, no_key(key, {*keys_taken(pattern), *lists}, plain(place, LONGEST_NAME)))
        elif isinstance(value, Mapping):
            yield from kind_faults(value, where, name if name in TAKEN_BY or name in OWN else f"{pattern}.*")
        elif name in LISTS and isinstance(value, list):
            for one in value:
                if isinstance(one, Mapping):
                    yield from kind_faults(one, where, name)


def pattern_of(place: str) -> str:
    """Name in the tables above of the section that stands at a place, such as ``lean_limits.*`` for any sweep."""
    if place in TAKEN_BY or place in OWN:
        return place
    return f"{place.rpartition('.')[0]}.*" if "." in place else place


def keys_taken(pattern: str) -> dict[str, tuple[str, ...]]:
    """Keys that a job may write in a section, each with its kinds."""
    hidden = NOT_IN_A_JOB.get(pattern, set())
    return {key: kinds for key, kinds in kinds_taken(pattern).items() if kinds and key not in hidden}


def kinds_taken(pattern: str) -> dict[str, tuple[str, ...]]:
    """Kinds each key of a section may have; those not listed are looked at elsewhere."""
    notes: dict[str, str] = {}
    for made in TAKEN_BY.get(pattern, ()):
        for name, parameter in inspect.signature(made).parameters.items():
            notes.setdefault(name, str(parameter.annotation))
    notes.update(OWN.get(pattern, {}))
    return {key: _kinds(note) for key, note in notes.items()}


def _kinds(note: str) -> tuple[str, ...]:
    """Kinds that an annotation such as ``float | None`` allows a job to write."""
    parts = [part for part in note.split(" | ") if part != "None"]
    return tuple(dict.fromkeys(kind for part in parts for form, kind in _KINDS if re.fullmatch(form, part)))


def _too_large(value: object) -> bool:
    # Beyond it sums overflow; nan stands for a reading that was not taken.
    return isinstance(value, (int, float)) and abs(value) > LARGEST_NUMBER


def _is(value: object, kind: str) -> bool:
    if kind == NUMBER:
        return isinstance(value, (int, float)) and not isinstance(value, bool) and not _too_large(value)
    if kind in (TEXT, FILE, YES_NO, TABLE):
        return isinstance(value, {TEXT: str, FILE: str, YES_NO: bool, TABLE: Mapping}[kind])
    if kind == NUMBERS:
        # One number for a row of one is understood further on, or refused there; rows of rows make a table.
        return _is(value, NUMBER) or (isinstance(value, list) and all(_is(one, NUMBERS) for one in value))
    if kind == WHOLES:
        return isinstance(value, list) and all(_is(one, NUMBER) and isinstance(one, int) for one in value)
    inner = TEXT if kind == TEXTS else YES_NO
    return isinstance(value, list) and all(_is(one, inner) for one in value)


def only(section: Mapping[str, Any], known: Collection[str], name: str) -> None:
    """Refuse a key that means nothing."""
    if unknown := sorted(set(section) - set(known)):
        raise InputError(no_key(unknown[0], known, name), argument=unknown[0])


def no_key(key: str, known: Collection[str], name: str) -> str:
    """The sentence for a key that means nothing in a section."""
    many = f"python -m needlecalc keys {name} lists those it knows"
    knows = f"it knows {', '.join(sorted(known))}" if len(known) <= MOST_KEYS else many
    meant = f" Perhaps the section [{key}] is meant." if key in SECTIONS else nearest(key, known)
    return f"[{name}] has no key {shown(key)}; {knows}.{meant}"


def nearest(word: str, known: Collection[str]) -> str:
    """Words that name what was perhaps meant; empty where none is near.

    >>> nearest("bor_mm", {"bore_mm", "drop_mm"})
    ' Perhaps bore_mm is meant.'
    """
    found = close_word(word, known)
    return f" Perhaps {found} is meant." if found else ""


def close_word(word: str, known: Collection[str]) -> str:
    """The word that was perhaps meant; empty where none is near."""
    return next(iter(get_close_matches(word, known, n=1, cutoff=0.7)), "")


def path_in(folder: Path, given: str, name: str) -> Path:
    """Path that a job names, relative to its folder; refused where no file can have that name."""
    if not given or "\0" in given:
        msg = f'{name} is {shown(given)}, but must be the name of a file, written "drive.csv".'
        raise InputError(msg)
    return folder / given


@contextmanager
def named(name: str) -> Iterator[None]:
    """Put the section before what is wrong with its keys; a file's own trouble keeps its words."""
    try:
        yield
    except LogFormatError:
        raise
    except InputError as error:
        msg = f"[{name}] {error}"
        raise InputError(msg, argument=error.argument) from error


def built(kind: Callable[..., Part], section: Mapping[str, Any], name: str, **given: Any) -> Part:
    """Record from a section of the same keys, and from fields that stand elsewhere."""
    own = [item for item in fields(kind) if item.name not in given]  # type: ignore[arg-type]
    only(section, {item.name for item in own}, name)
    needed = (item.name for item in own if item.default is MISSING and item.default_factory is MISSING)
    if lacks := [key for key in needed if key not in section]:
        msg = f"[{name}] lacks {', '.join(lacks)}; add {'it' if len(lacks) == 1 else 'them'}."
        raise InputError(msg)
    with named(name):
        return kind(**section, **given)
