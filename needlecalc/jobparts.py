"""Records from the sections of a job file: each key is a field, units in its name."""

from __future__ import annotations

from collections.abc import Callable, Collection, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, fields
from difflib import get_close_matches
from pathlib import Path
from typing import Any, TypeVar

from needlecalc.arrays import check_range, read_only
from needlecalc.echo import shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.jobfaults import Faults
from needlecalc.parts.carburettor import AirValve, Carburettor, Jet
from needlecalc.parts.engine import Air, Engine, Fuel, VolumetricEfficiency
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.units import PA_PER_KPA

Part = TypeVar("Part")


def only(section: Mapping[str, Any], known: set[str], name: str) -> None:
    """Refuse a key that means nothing.

    Parameters
    ----------
    section : mapping
        The section.
    known : set of str
        Keys it may have.
    name : str
        Its name, for the message.

    Raises
    ------
    InputError
        If it has another key.
    """
    unknown = sorted(set(section) - known)
    if unknown:
        msg = f"[{name}] has no key {shown(unknown[0])}; it knows {', '.join(sorted(known))}.{nearest(unknown[0], known)}"
        raise InputError(msg, argument=unknown[0])


def nearest(word: str, known: Collection[str]) -> str:
    """Words that name what was perhaps meant.

    Parameters
    ----------
    word : str
        The word typed.
    known : collection of str
        Words there are.

    Returns
    -------
    str
        Empty where none is near.

    Examples
    --------
    >>> nearest("bor_mm", {"bore_mm", "drop_mm"})
    ' Perhaps bore_mm is meant.'
    """
    found = close_word(word, known)
    return f" Perhaps {found} is meant." if found else ""


def close_word(word: str, known: Collection[str]) -> str:
    """The word that was perhaps meant; empty where none is near."""
    return next(iter(get_close_matches(word, known, n=1, cutoff=0.7)), "")


def path_in(folder: Path, given: str, name: str) -> Path:
    """Path that a job names.

    Parameters
    ----------
    folder : Path
        Folder of the job.
    given : str
        What the job says.
    name : str
        Section and key, for the message.

    Returns
    -------
    Path
        Relative to the job's folder.

    Raises
    ------
    InputError
        If it is empty or holds a sign no name of a file can have.
    """
    if not given or "\0" in given:
        msg = f'{name} is {shown(given)}, but must be the name of a file, written "drive.csv".'
        raise InputError(msg)
    return folder / given


def table_of(section: object, name: str) -> Mapping[str, Any]:
    """A section inside a section.

    Parameters
    ----------
    section : object
        What stands there.
    name : str
        Its name, for the message.

    Returns
    -------
    mapping
        The same.

    Raises
    ------
    InputError
        If it is no section.
    """
    if not isinstance(section, Mapping):
        msg = f"[{name}] must be a section of its own, written [{name}], with its keys below."
        raise InputError(msg)
    return section


@contextmanager
def named(name: str) -> Iterator[None]:
    """Put the section before what is wrong with its keys.

    Parameters
    ----------
    name : str
        Name of the section.

    Raises
    ------
    InputError
        As raised inside, with the section's name; a file's own trouble keeps its words.
    """
    try:
        yield
    except LogFormatError:
        raise
    except InputError as error:
        msg = f"[{name}] {error}"
        raise InputError(msg, argument=error.argument) from error


def built(kind: Callable[..., Part], section: Mapping[str, Any], name: str, **given: Any) -> Part:
    """Record from a section of the same keys.

    Parameters
    ----------
    kind : callable
        The record's class.
    section : mapping
        Its fields.
    name : str
        Name of the section, for the message.
    **given
        Fields that stand elsewhere.

    Returns
    -------
    record
        Built and checked.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a value impossible.
    """
    own = [item for item in fields(kind) if item.name not in given]  # type: ignore[arg-type]
    only(section, {item.name for item in own}, name)
    lacks = [
        item.name for item in own if item.name not in section and item.default is MISSING and item.default_factory is MISSING
    ]
    if lacks:
        msg = f"[{name}] lacks {', '.join(lacks)}; add {'it' if len(lacks) == 1 else 'them'}."
        raise InputError(msg)
    with named(name):
        return kind(**section, **given)


def setup_of(part: Mapping[str, Mapping[str, Any]], folder: Path, name: str, faults: Faults) -> Setup:
    """Setup of a job, parts built and checked; all their faults are raised at once.

    Parameters
    ----------
    part : mapping
        All sections of the job, empty where it has none.
    folder : Path
        Folder that its paths are relative to.
    name : str
        Name of the job.
    faults : Faults
        Those found before; the parts' own are added.

    Returns
    -------
    Setup
        The parts.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a part is impossible.
    """
    slide = "slide_valve" if part["slide_valve"] else "air_valve"
    makers: dict[str, Callable[[], Any]] = {
        "engine": lambda: _engine(part["engine"]),
        "needle": lambda: _needle(part["needle"], folder),
        "jet": lambda: built(Jet, part["jet"], "jet"),
        slide: lambda: _valve(part["air_valve"], part["slide_valve"]),
        "fuel": lambda: built(Fuel, part["fuel"], "fuel"),
        "air": lambda: _air(dict(part["air"])),
    }
    made: dict[str, Any] = {}
    for section, make in makers.items():
        if not faults.hit(section):
            with faults.catching(section):
                made[section] = make()
    if {"needle", "jet", slide} <= set(made) and not faults.hit("carburettor"):
        with faults.catching("carburettor"):
            given = {"needle": made["needle"], "jet": made["jet"], "air_valve": made[slide]}
            made["carburettor"] = built(Carburettor, part["carburettor"], "carburettor", **given)
    faults.end()
    return Setup(made["engine"], made["carburettor"], made["fuel"], made["air"], name)


def _air(section: dict[str, Any]) -> Air:
    if "altitude_m" in section and "pressure_pa" not in section:
        only(section, {"altitude_m", "temperature_degc", "humidity"}, "air")
        with named("air"):
            check_range(section["altitude_m"], "altitude_m", -500.0, 6000.0, cure="It is in metres above sea level.")
            return Air.at_altitude(**section)
    return built(Air, section, "air")


def _engine(section: Mapping[str, Any]) -> Engine:
    """Engine; its volumetric efficiency may be a table of its own, [engine.volumetric_efficiency]."""
    filling = section.get("volumetric_efficiency")
    if isinstance(filling, dict):
        keys = dict(filling)
        if "manifold_pressure_kpa" in keys:
            kpa = read_only(keys.pop("manifold_pressure_kpa"), "[engine.volumetric_efficiency] manifold_pressure_kpa")
            keys["manifold_pressure_pa"] = kpa * PA_PER_KPA
        section = {**section, "volumetric_efficiency": built(VolumetricEfficiency, keys, "engine.volumetric_efficiency")}
    return built(Engine, section, "engine")


def _valve(air_valve: Mapping[str, Any], slide_valve: Mapping[str, Any]) -> AirValve | SlideValve:
    if not slide_valve:
        return built(AirValve, air_valve, "air_valve")
    if air_valve:
        msg = "The job has both [air_valve] and [slide_valve]; keep the one your carburettor has."
        raise InputError(msg)
    return built(SlideValve, slide_valve, "slide_valve")


def _needle(section: Mapping[str, Any], folder: Path) -> Needle:
    if "file" in section:
        only(section, {"file", "name", "pitch_mm", "first_station_mm", "fill_blanks", "diameter_column"}, "needle")
        rest = {key: value for key, value in section.items() if key != "file"}
        path = path_in(folder, section["file"], "[needle] file")
        with named("needle"):
            return read_needle(path, **rest)
    return built(Needle, section, "needle")
