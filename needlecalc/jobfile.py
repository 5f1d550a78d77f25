"""The job file read: TOML, units where people have them, all faults at once, each with its line; the parts made of it."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from functools import partial
from math import nan
from operator import mul
from pathlib import Path
from typing import Any

from needlecalc.echo import LONGEST_NAME, LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.job import Job
from needlecalc.jobassumed import completed, doubts_of
from needlecalc.jobdrive import air_of
from needlecalc.jobkinds import (
    BLANK,
    DOUBTS_OF_PARTS,
    SECTIONS,
    TAKEN_BY,
    built,
    close_word,
    file_in,
    keys_taken,
    kind_faults,
    pattern_of,
)
from needlecalc.parts.carburettor import Carburettor
from needlecalc.parts.engine import Air
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.setup import Setup
from needlecalc.units import GAUGE_AFR, GRAVITY_M_S2, KG_PER_OUNCE, MM_PER_INCH, PA_PER, degc_from_degf

# By what is measured: the end of a key to how much of the first of them one is.  Exact, or as units has them.
PRESSURES = {f"_{unit.lower()}": pa for unit, pa in PA_PER.items()}
DIMENSIONS: tuple[Mapping[str, float], ...] = (
    PRESSURES,
    {"_mm": 1.0, "_in": MM_PER_INCH, "_thou": MM_PER_INCH / 1000.0},
    {"_kg": 1.0, "_g": 1e-3, "_oz": KG_PER_OUNCE},
    {"_n": 1.0, "_ozf": KG_PER_OUNCE * GRAVITY_M_S2},
    {"_cm3": 1.0, "_cc": 1.0, "_l": 1e3, "_cuin": MM_PER_INCH**3 / 1e3},
    {"_m": 1.0, "_ft": 12.0 * MM_PER_INCH / 1e3},
)
VACUUM, PRESSURE = "manifold_vacuum", "manifold_pressure_pa"
LAMBDAS = {f"lambda_{when}": f"afr_{when}" for when in ("measured", "before", "after")}  # as a gauge shows them
_HEAD = re.compile(r"\s*\[\[?\s*([^\[\]]+?)\s*\]\]?\s*(?:#.*)?$")
_KEY = re.compile(r"""\s*["']?([^\s="']+)["']?\s*=""")
_VALUE = re.compile(r"""(\s*([\w.-]+)\s*=\s*)([^"'#]*?)(\s*(?:#.*)?)$""")
_WORD = r"[^\W\d][\w .-]*"
_BARE_BLANK = re.compile(r"(\s*[\w.-]+\s*=\s*)\?(\s*(?:#.*)?)$")


def _meant(value: str) -> tuple[str, str]:
    """A value that is no TOML as it was meant, and the rule it breaks; both empty where it may be right."""
    if re.fullmatch(r"[-+]?\d+,\d+", value):
        return value.replace(",", "."), "a number takes a decimal point"
    if value in ("True", "False"):
        return value.lower(), "it is written small"
    if value not in ("true", "false", "nan", "inf") and re.fullmatch(rf"{_WORD}|\[\s*{_WORD}(,\s*{_WORD})*\]", value):
        return re.sub(_WORD, lambda word: f'"{word[0].strip()}"', value), "text stands in quotes"
    return "", ""


class JobFaults(InputError):
    """A job file has faults: ``faults`` holds a sentence each, the message all of them."""

    def __init__(self, faults: Sequence[str]) -> None:
        numbered = " ".join(f"({k}) {fault}" for k, fault in enumerate(faults, start=1))
        super().__init__(faults[0] if len(faults) == 1 else f"{len(faults)} faults. {numbered}")
        self.faults = tuple(plain(fault) for fault in faults)


class Faults:
    """Faults found so far in a job file."""

    def __init__(self, file: str) -> None:
        self.file = file
        self._said: list[str] = []
        self._files: list[LogFormatError] = []  # a file's own trouble keeps its words and its kind
        self._places: set[str] = set()
        self._lines: dict[tuple[str, str], int] = {}
        self.written: Mapping[tuple[str, str], str] = {}  # which key each converted one was written as

    def parsed(self, text: str) -> dict[str, Any]:
        """Content of a TOML text; decimal commas and text without quotes are noted, and read on as they were meant."""
        lines, place = text.splitlines(), ""
        for number, line in enumerate(lines, start=1):
            if head := _HEAD.match(line):
                place = head[1]
                self._lines.setdefault((place, ""), number)
            elif key := _KEY.match(line):
                self._lines.setdefault((place, key[1]), number)
        mended = [_BARE_BLANK.sub(rf'\1"{BLANK}"\2', line) for line in lines]
        try:
            return tomllib.loads("\n".join(mended) + "\n")
        except tomllib.TOMLDecodeError:
            for number, line in enumerate(mended, start=1):
                found = _VALUE.match(line)
                value, rule = _meant(found[3]) if found else ("", "")
                if found and rule:
                    mended[number - 1] = f"{found[1]}{value}{found[4]}"
                    wrong = f"{found[2]} is {plain(found[3], LONGEST_VALUE)}, but {rule}"
                    self._said.append(f"{self.file}, line {number}: {wrong}; write {plain(value)}.")
        try:
            return tomllib.loads("\n".join(mended) + "\n")
        except tomllib.TOMLDecodeError as error:
            raise JobFaults([*self._said, f"{self.file} is not valid TOML: {error}; mend that place."]) from error

    def add(self, place: str, key: str, words: str) -> None:
        """Note a fault of a key in a section; of the section itself where the key is empty."""
        if (old := self.written.get((place, key))) is not None:
            words, key = f"{words} It is written as {old}, and converted.", old
        line = self._lines.get((place, key)) or self._lines.get((place, "")) or self._lines.get(("", place))
        self._places.add(place)
        self._said.append(f"{self.file}{f', line {line}' if line else ''}: {words}")

    def pass_over(self, place: str) -> None:
        """Say nothing of a section whose head was misspelt."""
        self._places.add(place)

    def hit(self, *places: str) -> bool:
        """Whether a section, or one inside it, has a fault already."""
        return any(found == place or found.startswith(f"{place}.") for found in self._places for place in places)

    @contextmanager
    def catching(self, place: str) -> Iterator[None]:
        """Note what a section's reader refuses, and go on; a section with a fault already is left at that."""
        try:
            yield
        except LogFormatError as error:
            self._places.add(place)
            self._said.append(str(error))
            self._files.append(error)
        except InputError as error:
            self.add(place, error.argument, str(error))

    def end(self) -> None:
        """Raise what was found, if anything."""
        if len(self._said) == len(self._files) == 1:
            raise self._files[0]
        if self._said:
            raise JobFaults(self._said)


def read_job(path: str | Path) -> Job:
    """Job from a TOML file.

    Parameters
    ----------
    path : str or Path
        The job file; units are in its key names, paths in it are relative to its folder.

    Returns
    -------
    Job
        Parts built and checked; the log is read by the job's own methods.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a part is impossible; the message names section and cure.

    Examples
    --------
    >>> from needlecalc.jobnew import demo_folder
    >>> read_job(demo_folder() / "pass_van.toml").name
    'pass-road van (invented)'
    """
    path = Path(path)
    file = plain(path.name, LONGEST_NAME)
    try:
        text = path.read_bytes()
    except (OSError, ValueError) as error:
        msg = f"{file}: the job file cannot be opened ({getattr(error, 'strerror', error)}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    faults = Faults(file)
    try:
        content = faults.parsed(text.decode("utf-8-sig"))
    except JobFaults:
        raise
    except (ValueError, RecursionError) as error:
        deep = "it holds a number of thousands of digits, or brackets nested hundreds deep"
        reason = str(error) if isinstance(error, UnicodeDecodeError) else deep
        msg = f"{file} is not valid TOML: {reason}; mend that place."
        raise LogFormatError(msg, path=str(path)) from error
    content, faults.written = converted(content)
    for wrong in kind_faults(content):
        faults.add(*wrong)
    for unknown in content.keys() - keys_taken("").keys():
        faults.pass_over(close_word(unknown, SECTIONS))
    name = path.stem if faults.hit("name") else content.get("name", path.stem)
    # Of a section with a fault nothing more is said, so what it leaves out need not be filled in.
    part = {section: {} if faults.hit(section) else content.get(section, {}) for section in SECTIONS}
    for key in part["doubts"].keys() & DOUBTS_OF_PARTS.keys():
        section = DOUBTS_OF_PARTS[key]
        if key in part[section]:
            faults.add("doubts", key, f"[doubts] {key} stands in [{section}] too; keep the one that counts.")
        part[section] = {**part[section], key: part["doubts"].pop(key)}
    part, left_out = completed(part)
    setup = setup_of(part, path.parent, name, faults)
    return Job(setup.name, path.parent, setup, part, left_out, said_of(part, faults.written))


def setup_of(part: Mapping[str, Mapping[str, Any]], folder: Path, name: str, faults: Faults) -> Setup:
    """Setup of a job, parts built and checked with what else can be; all their faults are raised at once."""
    valve = "slide_valve" if part["slide_valve"] else "air_valve"
    if part["slide_valve"] and part["air_valve"]:
        words = "The job has both [air_valve] and [slide_valve]; keep the one your carburettor has."
        faults.add(valve, "", words)
    makers: dict[str, Callable[[], Any]] = {
        "needle": lambda: _needle(part["needle"], folder, name),
        "air": lambda: air_of(part["air"]),
        "doubts": lambda: doubts_of(part["doubts"]),
    }
    made: dict[str, Any] = {}
    for section in ("engine", "needle", "jet", valve, "fuel", "air", "doubts", "limits", "at_hand", "paper", "handover"):
        if not faults.hit(section):
            with faults.catching(section):
                own = makers.get(section)
                made[section] = own() if own else built(TAKEN_BY[section][0], part[section], section)
    if {"needle", "jet", valve} <= made.keys() and not faults.hit("carburettor"):
        with faults.catching("carburettor"):
            fitted = {"needle": made["needle"], "jet": made["jet"], "air_valve": made[valve]}
            made["carburettor"] = built(Carburettor, part["carburettor"], "carburettor", **fitted)
    faults.end()
    return Setup(made["engine"], made["carburettor"], made["fuel"], made["air"], name)


def _needle(section: Mapping[str, Any], folder: Path, car: str) -> Needle:
    """Needle as written or in a file; one that its file calls just needle is named after the car."""
    if "file" not in section:
        return built(Needle, section, "needle")
    path = file_in(folder, section, "needle")
    named = {"name": car, **section} if path.stem == "needle" else section
    return built(read_needle, named, "needle", beside={"file"}, path=path)


def converted(job: Mapping[str, Any]) -> tuple[dict[str, Any], dict[tuple[str, str], str]]:
    """A job with every key in the unit the reader takes, and which key each converted one was written as.

    A key that stands there in both units is left as it is, and refused later as one that means nothing.
    """
    written: dict[tuple[str, str], str] = {}
    outside = _section({name: job[name] for name in ("air", "altitude") if name in job}, "", {})
    return _section(job, "", written, _ambient_pa(outside)), written


def said_of(part: Mapping[str, Mapping[str, Any]], written: Mapping[tuple[str, str], str]) -> str:
    """What was converted, for the screen; empty where nothing was."""
    found = []
    for (place, key), old in written.items():
        keys: Any = part
        for name in place.split("."):
            keys = keys[name]
        found.append(f"[{plain(place, LONGEST_NAME)}] {old} is {key} = {shown(_rounded(keys[key]))}")
    return f"Converted: {'; '.join(found)}." if found else ""


def spellings(key: str, ambient_pa: float = nan) -> dict[str, Callable[[float], float]]:
    """The same key in the other units it may be written in, each with what turns a number into the key's own unit.

    ``ambient_pa`` is what a manifold vacuum counts down from.
    """
    if key in LAMBDAS:
        return {LAMBDAS[key]: partial(mul, 1.0 / GAUGE_AFR)}
    if key.endswith("_degc"):
        return {f"{key.removesuffix('_degc')}_degf": degc_from_degf}
    if key.endswith("_n_mm"):  # N/mm is no length
        return {}
    units, end = next(((units, end) for units in DIMENSIONS for end in units if key.endswith(end)), ({}, ""))
    stem = key.removesuffix(end)
    found = {f"{stem}{other}": partial(mul, size / units[end]) for other, size in units.items() if other != end}
    vacuums = {f"{VACUUM}{one}": partial(_below, ambient_pa, pa) for one, pa in PRESSURES.items() if key == PRESSURE}
    return {**found, **vacuums}


def _section(
    keys: Mapping[str, Any], place: str, written: dict[tuple[str, str], str], ambient_pa: float = nan
) -> dict[str, Any]:
    known = keys_taken(pattern_of(place))
    others = {other: (key, convert) for key in known for other, convert in spellings(key, ambient_pa).items()}
    out: dict[str, Any] = {}
    for key, value in keys.items():
        where = f"{place}.{key}" if place else key
        if isinstance(value, Mapping):
            out[key] = _section(value, where, written, ambient_pa)
        elif isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
            out[key] = [_section(one, where, {}, ambient_pa) for one in value]
        elif key in known or "*" in known or key not in others or others[key][0] in (*keys, *out):
            out[key] = value
        else:
            new, convert = others[key]
            out[new], written[place, new] = _each(value, convert), key
    return out


def _below(ambient_pa: float, pa: float, vacuum: float) -> float:
    return ambient_pa - pa * vacuum


def _each(value: Any, convert: Callable[[float], float]) -> Any:
    """A number, or each of a row, converted; anything else stays, and is refused for what it is."""
    if isinstance(value, list):
        return [_each(one, convert) for one in value]
    return convert(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def _ambient_pa(outside: Mapping[str, Any]) -> float:
    """Pressure of the air that a vacuum counts down from; NaN where what is stated is no number, and refused as such."""
    try:
        air = outside.get("air", {})
        height = air.get("altitude_m") if air else outside.get("altitude", {}).get("home_m")
        if "pressure_pa" in air or height is None:
            return float(air.get("pressure_pa", Air().pressure_pa))
        return Air.at_altitude(float(height)).pressure_pa
    except (AttributeError, TypeError, ValueError):
        return nan


def _rounded(value: Any) -> Any:
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return float(f"{value:.4g}") if isinstance(value, int | float) else value
