"""Units where people have them: a key of a job with another unit at its end is converted as it is read, and said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
from math import nan
from operator import mul
from typing import Any

from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.jobkinds import keys_taken, pattern_of
from needlecalc.parts.engine import Air
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


def converted(job: Mapping[str, Any]) -> tuple[dict[str, Any], dict[tuple[str, str], str]]:
    """A job with every key in the unit the reader takes, and which key each converted one was written as.

    A key that stands there in both units is left as it is, and refused later as one that means nothing.
    """
    written: dict[tuple[str, str], str] = {}
    outside = _section({name: job[name] for name in ("air", "altitude") if name in job}, "", {})
    return _section(job, "", written, _ambient_pa(outside)), written


def said(part: Mapping[str, Mapping[str, Any]], written: Mapping[tuple[str, str], str]) -> str:
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
