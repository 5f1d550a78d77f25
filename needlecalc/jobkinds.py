"""What each key of a job file takes: number, text, true or false, a row of them, or a section; records made of them."""

from __future__ import annotations

import re
from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from difflib import get_close_matches
from functools import cache
from inspect import Parameter, signature
from pathlib import Path
from typing import Any, NamedTuple, TypeVar

from needlecalc.design.after.changes import AtHand
from needlecalc.design.belief.calibration import TrimReading
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.maketarget import make_target
from needlecalc.echo import LONGEST_NAME, LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.checks.engine import check_engine
from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.make import make_bands, typed_bands
from needlecalc.measure.drive.sweep import lean_limit, typed_sweep
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.cell import LARGEST_NUMBER
from needlecalc.measure.log.file import read_log
from needlecalc.parts.carburettor import AirValve, Carburettor, Jet, SlideValve
from needlecalc.parts.engine import Air, Engine, Fuel, VolumetricEfficiency
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.priors import Doubts, LiftDoubts
from needlecalc.report.document import Paper
from needlecalc.report.handover import Notes
from needlecalc.report.language import words_pages

Part = TypeVar("Part")

NUMBER, TEXT, FILE, YES_NO, TABLE = "a number", "text", "the name of a file", "true or false", "a section of its own"
NUMBERS, TEXTS, YES_NOS = "a row of numbers", "a row of texts", "a row of true and false"
WHOLES, TABLES = "a row of whole numbers", "a list of sections"

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
    "checks": (check_engine,),
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


class Own(NamedTuple):
    """A key that the job reads itself: the kinds it takes, what it is, and its range."""

    kinds: tuple[str, ...]
    about: str
    range: tuple[float, float] | None = None


# Uncertainties that a part holds itself: [doubts] may state them too.
DOUBTS_OF_PARTS = {
    "parallel_length_u_mm": "jet",
    "volumetric_efficiency_u": "engine",
    "volumetric_efficiency_shape_u": "engine",
}
_COLUMNS = {"*": Own((TEXT,), "Column of the log that carries this meaning; empty does without.")}
_UNITS = {"*": Own((TEXT,), "Unit of the column with this meaning.")}
_HEIGHT_M = (-500.0, 6000.0)
# Keys that the job reads itself.
OWN: Mapping[str, Mapping[str, Own]] = {
    "needle": {"file": Own((FILE,), "Needle table, CSV: station, distance_mm, diameter_mm.")},
    "log": {
        "file": Own((FILE,), "Log of the drive, text with delimiters."),
        "bank": Own((TEXT,), "Bank whose sensor this log holds, where each bank has one."),
        "others": Own((TABLES,), "Further drives, one [[log.others]] each, brought to the job's air and fuel and merged."),
    },
    "log.others": {
        "file": Own((FILE,), "Log of the other drive, or of the other bank."),
        "bank": Own((TEXT,), "Bank it was read at; drives of one bank are merged."),
        "air": Own((TABLE,), "Air of that day, as in [air]; the job's where left out."),
        "fuel": Own((TABLE,), "Fuel of that day, as in [fuel]; the job's where left out."),
    },
    **{f"{place}.columns": _COLUMNS for place in ("log", "log.others", "calibration")},
    **{f"{place}.units": _UNITS for place in ("log", "log.others", "calibration")},
    "bands": {
        "loads_kpa": Own((TABLE,), "Loads by manifold pressure: name = [from, to]."),
        "only_bank": Own((TEXT,), "Bank that this sheet is for, where each bank gets a profile of its own."),
    },
    "bands.loads_kpa": {"*": Own((NUMBERS,), "Manifold pressure of this load, from and to.")},
    "bands.loads_percent": {"*": Own((NUMBERS,), "Throttle of this load, from and to.")},
    "lift": {"air_valve": Own((TABLE,), "What was other in the air valve when the lifts were read.")},
    "checks": {
        "ignition": Own((TABLE,), "Readings of the ignition."),
        "mechanical": Own((TABLE,), "What was looked at by hand."),
        "sensor": Own((TABLE,), "Of the lambda sensor."),
        "twins": Own((TABLE,), "Readings of two or more carburettors side by side."),
        "limits": Own((TABLE,), "Other limits of the checks: [amber, red]."),
        "needle": Own((TABLE,), "Needle measured at its stations, for wear."),
        "gases": Own((TABLES,), "Readings of a gas analyser, one [[checks.gases]] each."),
        "override": Own((TEXT,), "Why a red check is overridden; it prints on the sheet."),
    },
    "lean_limits": {"*": Own((TABLE,), "A sweep, leaned step by step until the engine runs rough.")},
    "lean_limits.*": {"file": Own((FILE,), "Log of the sweep; leave out lambda_measured and rough then.")},
    "target": {
        "*": Own(
            (NUMBER, TABLE), "Lambda to reach at this load, or at load@rpm; or a section of lambda, rich, lean, weight."
        )
    },
    "target.*": {"*": Own((NUMBER,), "lambda, rich and lean (permitted), or weight.")},
    "limits.never_below_mm": {"*": Own((NUMBER,), "Least diameter at the station of this number.")},
    "micrometer": {
        "anvil_width_mm": Own((NUMBER,), "Width of the anvils along the needle.", (0.0, 15.0)),
        "face_on_mark": Own((TEXT,), "What of the anvils lies on the mark: centre, or thick_edge."),
    },
    "calibration": {
        "flats": Own((NUMBER,), "How far the jet was moved for this drive; positive lowered it.", (-24.0, 24.0)),
        "file": Own((FILE,), "Log of the drive with the jet moved."),
        "trims": Own((TABLES,), "Turns of the nut at idle, one [[calibration.trims]] each, in their order."),
    },
    "doubts": {
        "parallel_length_u_mm": Own((NUMBER,), "Parallel length of the jet's bore; may stand in [jet] too."),
        "volumetric_efficiency_u": Own(
            (NUMBER,), "Level of the volumetric efficiency, as a share; may stand in [engine] too."
        ),
        "volumetric_efficiency_shape_u": Own(
            (NUMBER,), "Its change from one running point to the next; may stand in [engine] too."
        ),
    },
    "history": {"file": Own((FILE,), "File that keeps the passes; it need not exist yet.")},
    "altitude": {
        "home_m": Own((NUMBER,), "Height of home above sea level.", _HEIGHT_M),
        "trip_m": Own((NUMBER, NUMBERS), "Heights that the car is driven to.", _HEIGHT_M),
        "acknowledged": Own((TEXT,), "Why a red warning of these places is accepted, and by whom."),
        "slope_percent": Own(
            (NUMBER,), "Slope of the road for uphill and downhill on the altitude card; 10 when not given.", (0.0, 40.0)
        ),
    },
    "handover.limits": {
        name: Own((TEXT,), f"Limit of the test as the tester's page prints it: {said}.")
        for name, said in words_pages.TESTED.items()
    },
}
SECTIONS = tuple(dict.fromkeys(name.partition(".")[0] for name in (*TAKEN_BY, *OWN)))

# Arguments that a job hands over in another way: as a section, or in another unit.
NOT_IN_A_JOB = {
    "needle": {"path"},
    "log": {"source"},
    "log.others": {"source"},
    "bands": {"lift_mm", "lift_u_mm", "loads_pa"},
    "calibration": {"source", "calibrate", "combine", "restate", "depression_pa"},
    "checks": {"engine_stated"},
    "target": {"lambda_by_load"},
}
MOST_KEYS = 22  # that a message lists
BLANK = "?"  # a value still to be filled in


class Kind(NamedTuple):
    """A kind of value: the annotations that ask for it, how it is written, and how JSON Schema says it."""

    asked: str
    cure: str
    schema: Mapping[str, Any]


def _row(entry: str) -> dict[str, Any]:
    return {"type": "array", "items": {"type": entry}}


KINDS = {
    NUMBER: Kind(r"float|int", "write it bare, as 2.54", {"type": "number"}),
    TEXT: Kind(r"str|Literal\[.*", "write it in quotes", {"type": "string"}),
    FILE: Kind(r"Path", 'write it in quotes, as "drive.csv"', {"type": "string"}),
    YES_NO: Kind(r"bool", "write it in small letters without quotes", {"type": "boolean"}),
    TABLE: Kind(r"Mapping.*|VolumetricEfficiency", "give it a heading [{where}] with its keys below", {"type": "object"}),
    TABLES: Kind("", "write [[{where}]], with double brackets, before each", _row("object")),
    NUMBERS: Kind(
        r"ArrayLike|FloatArray|Pair|(?:Sequence|tuple)\[float.*", "write it in brackets, as [1.0, 2.0]", {"type": "array"}
    ),
    WHOLES: Kind(r"tuple\[int.*", "write it in brackets, as [1, 2]", _row("integer")),
    TEXTS: Kind(r"Sequence\[str\]", 'write it in brackets, as ["idle", "full"]', _row("string")),
    YES_NOS: Kind(r"Sequence\[bool\]", "write it in brackets, as [false, true]", _row("boolean")),
}
# What JSON Schema calls a value, and its types here.
TYPES: Mapping[str, Any] = {"number": (int, float), "integer": int, "string": str, "boolean": bool, "object": Mapping}


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
    taken = keys_taken(pattern)
    for key, value in section.items():
        where, at = (f"{place}.{key}", (place, key)) if place else (key, (key, ""))
        kinds = taken.get(key, taken.get("*", ()))
        if kinds and (value == BLANK or not any(_is(value, kind) for kind in kinds)):
            rule = f"be {' or '.join(kinds)}; {KINDS[kinds[0]].cure.format(where=where)}"
            if kinds[0] == NUMBER and isinstance(value, str) and re.fullmatch(r"\s*[-+]?\d+,\d+\s*", value):
                rule = f"be a number; write it bare and with a decimal point, as {value.strip().replace(',', '.')}"
            if _too_large(value):
                rule = f"lie between -{LARGEST_NUMBER:g} and {LARGEST_NUMBER:g}; no quantity here is larger, so check it"
            if value == BLANK:
                rule = f"be {' or '.join(kinds)}; the ? stands where it is to be filled in"
            stands = f"[{plain(place, LONGEST_NAME)}] " if place else ""
            yield KindFault(*at, f"{stands}{plain(key, LONGEST_VALUE)} is {shown(value)}, but must {rule}.")
        elif not kinds:
            yield KindFault(*at, no_key(key, taken, plain(place, LONGEST_NAME)) if place else no_section(key))
        else:
            for one in value if TABLES in kinds else [value]:
                if isinstance(one, Mapping):
                    yield from kind_faults(one, where, pattern_of(f"{pattern}.{key}" if place else key))


def pattern_of(place: str) -> str:
    """Name in the tables above of the section that stands at a place, such as ``lean_limits.*`` for any sweep."""
    if place in TAKEN_BY or place in OWN:
        return place
    return f"{place.partition('.')[0]}.*" if "." in place else place


@cache
def keys_taken(pattern: str) -> Mapping[str, tuple[str, ...]]:
    """Keys that a job may write in a section, each with its kinds; of the job itself where no section is named."""
    if not pattern:
        return {"name": (TEXT,), **dict.fromkeys(SECTIONS, (TABLE,))}
    notes: dict[str, str] = {}
    for make in TAKEN_BY.get(pattern, ()):
        for name, parameter in signature(make).parameters.items():
            if name not in NOT_IN_A_JOB.get(pattern, ()):
                notes.setdefault(name, str(parameter.annotation))
    found = {key: kinds for key, note in notes.items() if (kinds := _kinds(note))}
    return found | {key: own.kinds for key, own in OWN.get(pattern, {}).items()}


def _kinds(note: str) -> tuple[str, ...]:
    """Kinds that an annotation such as ``float | None`` allows a job to write."""
    parts = [part for part in note.split(" | ") if part != "None"]
    return tuple(dict.fromkeys(kind for part in parts for kind, one in KINDS.items() if re.fullmatch(one.asked, part)))


def _too_large(value: object) -> bool:
    # Beyond it sums overflow; nan stands for a reading that was not taken.
    return isinstance(value, (int, float)) and abs(value) > LARGEST_NUMBER


def _is(value: object, kind: str) -> bool:
    if kind == NUMBERS:
        # One number for a row of one is understood further on, or refused there; rows of rows make a table.
        return _is(value, NUMBER) or (isinstance(value, list) and all(_is(one, NUMBERS) for one in value))
    schema = KINDS[kind].schema
    if schema["type"] == "array":
        return isinstance(value, list) and all(_has_type(one, schema["items"]["type"]) for one in value)
    return _has_type(value, schema["type"])


def _has_type(value: object, name: str) -> bool:
    """Whether a value is what JSON Schema calls so; true and false are no numbers."""
    return isinstance(value, TYPES[name]) and isinstance(value, bool) == (name == "boolean") and not _too_large(value)


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


def no_section(name: str) -> str:
    """The sentence for a section that means nothing."""
    return f"[{plain(name, LONGEST_VALUE)}] is no section of a job; they are {', '.join(SECTIONS)}.{nearest(name, SECTIONS)}"


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


def file_in(folder: Path, section: Mapping[str, Any], name: str, like: str = "drive.csv") -> Path:
    """File that a section of a job names."""
    if "file" not in section:
        msg = f'The job\'s [{name}] names no file; write file = "{like}".'
        raise InputError(msg)
    return path_in(folder, section["file"], f"[{name}] file")


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


def built(
    make: Callable[..., Part],
    section: Mapping[str, Any],
    name: str,
    *,
    beside: Collection[str] = (),
    lack: str = "",
    **given: Any,
) -> Part:
    """What a section is handed to, made of its keys and of what is given besides; so are the sections inside it.

    Keys ``beside`` are read elsewhere; ``lack`` is what may be done instead where keys are missing.
    """
    taken, of_job = signature(make).parameters, keys_taken(pattern_of(name))
    own = {key: value for key, value in section.items() if key not in beside}
    keys = [key for key in taken if key not in given and key in of_job]
    only(own, {*keys, *beside}, name)
    if lacks := [key for key in keys if taken[key].default is Parameter.empty and key not in own]:
        msg = f"[{name}] lacks {', '.join(lacks)}; add {'it' if len(lacks) == 1 else 'them'}{lack}."
        raise InputError(msg)
    for key in own:
        own[key] = _inside(own[key], f"{name}.{key}")
    with named(name):
        return make(**own, **given)


def _inside(value: Any, name: str) -> Any:
    """A section inside another, or a list of them, made of its keys; another value as it is."""
    if name in TAKEN_BY and isinstance(value, Mapping):
        return built(TAKEN_BY[name][0], value, name)
    if name in TAKEN_BY and isinstance(value, list):
        return [built(TAKEN_BY[name][0], one, name) for one in value]
    return value
