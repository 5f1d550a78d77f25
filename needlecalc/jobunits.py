"""Units where people have them: a key of a job with another unit at its end is converted as it is read, and said."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from functools import partial
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
ENDS = sorted({end for units in DIMENSIONS for end in units} | {"_degf"}, key=len, reverse=True)


def converted(part: Mapping[str, Mapping[str, Any]]) -> tuple[dict[str, dict[str, Any]], dict[tuple[str, str], str]]:
    """Sections of a job with every key in the unit the reader takes, and which key each converted one was written as.

    A key that stands there in both units is left as it is, and refused later as one that means nothing.
    """
    written: dict[tuple[str, str], str] = {}
    made = {section: _section(keys, section, written) for section, keys in part.items()}
    for section in ("bands", "calibration"):
        keys = made[section]
        for key in [key for key in keys if key.rpartition("_")[0] == VACUUM and f"_{key.rpartition('_')[2]}" in PRESSURES]:
            ambient, pa = _ambient_pa(made), PRESSURES[f"_{key.rpartition('_')[2]}"]
            if PRESSURE not in keys and ambient is not None:
                keys[PRESSURE] = _each(keys.pop(key), partial(_below, ambient, pa))
                written[section, PRESSURE] = key
    return made, written


def said(part: Mapping[str, Mapping[str, Any]], written: Mapping[tuple[str, str], str]) -> str:
    """What was converted, for the screen; empty where nothing was."""
    found = []
    for (place, key), old in written.items():
        keys: Any = part
        for name in place.split("."):
            keys = keys[name]
        found.append(f"[{plain(place, LONGEST_NAME)}] {old} is {key} = {shown(_rounded(keys[key]))}")
    return f"Converted: {'; '.join(found)}." if found else ""


def other_units(key: str) -> list[str]:
    """The same key in the other units it may be written in."""
    if key in LAMBDAS:
        return [LAMBDAS[key]]
    vacuums = [f"{VACUUM}{end}" for end in PRESSURES] if key == PRESSURE else []
    if key.endswith("_degc"):
        return [f"{key.removesuffix('_degc')}_degf"]
    for units in DIMENSIONS:
        for end in units:
            # N/mm is no length.
            if key.endswith(end) and not key.endswith("_n_mm"):
                return [f"{key.removesuffix(end)}{other}" for other in units if other != end] + vacuums
    return []


def _section(keys: Mapping[str, Any], place: str, written: dict[tuple[str, str], str]) -> dict[str, Any]:
    known = keys_taken(pattern_of(place))
    out: dict[str, Any] = {}
    for key, value in keys.items():
        if isinstance(value, Mapping):
            out[key] = _section(value, f"{place}.{key}", written)
            continue
        if isinstance(value, list) and value and all(isinstance(one, Mapping) for one in value):
            out[key] = [_section(one, f"{place}.{key}", {}) for one in value]
            continue
        new, convert = (key, None) if key in known or "*" in known else _target(key, known)
        if convert is None or new in keys or new in out:
            out[key] = value
        else:
            out[new] = _each(value, convert)
            written[place, new] = key
    return out


def _target(key: str, known: Mapping[str, Any]) -> tuple[str, Callable[[float], float] | None]:
    """The known key that this one is in another unit, and how to convert; none where there is none."""
    for ratio in (ratio for ratio, afr in LAMBDAS.items() if afr == key and ratio in known):
        return ratio, partial(mul, 1.0 / GAUGE_AFR)
    for end in (end for end in ENDS if key.endswith(end)):
        stem = key.removesuffix(end)
        if end == "_degf":
            if f"{stem}_degc" in known:
                return f"{stem}_degc", degc_from_degf
            continue
        for units in (units for units in DIMENSIONS if end in units):
            for other in (other for other in units if f"{stem}{other}" in known):
                return f"{stem}{other}", partial(mul, units[end] / units[other])
    return key, None


def _below(ambient_pa: float, pa: float, vacuum: float) -> float:
    return ambient_pa - pa * vacuum


def _each(value: Any, convert: Callable[[float], float]) -> Any:
    """A number, or each of a row, converted; anything else stays, and is refused for what it is."""
    if isinstance(value, list):
        return [_each(one, convert) for one in value]
    return convert(value) if isinstance(value, int | float) and not isinstance(value, bool) else value


def _ambient_pa(part: Mapping[str, Mapping[str, Any]]) -> float | None:
    """Pressure of the air that a vacuum counts down from; None where what is stated is no number."""
    air, home = part["air"], part["altitude"].get("home_m")
    height = air.get("altitude_m", None if air else home)
    stated = air.get("pressure_pa", Air().pressure_pa if height is None else None)
    try:
        return float(stated) if stated is not None else Air.at_altitude(float(height)).pressure_pa
    except (TypeError, ValueError):
        return None


def _rounded(value: Any) -> Any:
    if isinstance(value, list):
        return [_rounded(one) for one in value]
    return float(f"{value:.4g}") if isinstance(value, int | float) else value
