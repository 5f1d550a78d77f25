"""Readings of a column -> the unit used inside, its name doubted by its values; twins compared."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.columns import BY_KEY, NEEDED, Candidate, how_to_name
from needlecalc.measure.log.flags import LAMBDA_LEANEST, LAMBDA_RICHEST
from needlecalc.measure.log.units import LogUnit, unit_from_text
from needlecalc.show import counted
from needlecalc.units import FloatArray

# Common practice, no source: what most displays are set to (petrol without ethanol), and the standard
# atmosphere.
AFR_STOICH_USUAL = 14.7
AMBIENT_USUAL_PA = 101325.0

# What a reading can be; beyond lies a fault, and the cell counts as empty.
_SANE = {
    "throttle": (-10.0, 130.0),
    "manifold_pressure": (5e3, 5e5),
    "air_flow": (-5.0, 2000.0),
    "lift": (-5.0, 60.0),
    "coolant": (-50.0, 200.0),
}
# Of the pressures that count from ambient, those that count upwards.
_UPWARDS = {"boost", "ladedruck", "suralimentation", "sovralimentazione"}
_SHARE = 0.2
_STOICH_SPREAD = 0.08
_NARROW_BAND_V = (0.4, 1.2)


@dataclass(frozen=True)
class Reading:
    """A column in the unit used inside.

    Parameters
    ----------
    candidate : Candidate
        Where it comes from.
    values : array, shape (n,)
        Readings. [s, 1/min, lambda, percent, Pa, g/s, mm or degC]
    unit : str
        Unit in the file.
    notes : tuple of str
        What was assumed or found.
    refused : str
        Why it cannot be used, empty if it can.
    """

    candidate: Candidate
    values: FloatArray
    unit: str
    notes: tuple[str, ...] = ()
    refused: str = ""


def take_reading(
    key: str,
    candidate: Candidate,
    raw: FloatArray,
    *,
    clock: bool = False,
    afr_stoich: float | None = None,
    ambient_pa: float | None = None,
) -> Reading:
    """Column in the unit used inside, or why it cannot be used.

    Parameters
    ----------
    key : str
        What the column means.
    candidate : Candidate
        The column.
    raw : array, shape (n,)
        Its numbers, NaN where there is none; may be changed in place. [as in the file]
    clock : bool
        Whether they are clock times.
    afr_stoich : float, optional
        Stoichiometric AFR an AFR column was made with. [1]
    ambient_pa : float, optional
        Ambient pressure a gauge pressure counts from. [Pa]

    Returns
    -------
    Reading
        The readings, or why there are none.
    """
    if not np.isfinite(raw).any():
        return Reading(candidate, raw, "", refused="it holds no numbers")
    if key == "time":
        return _time(candidate, raw, clock)
    if key == "rpm":
        return _rpm(candidate, raw)
    if key == "lambda":
        return _mixture(candidate, raw, afr_stoich)
    unit, notes, refused = _unit_by_values(key, candidate, raw)
    if unit is None:
        return Reading(candidate, raw, "", refused=refused)
    values = unit.convert(raw)
    if key == "manifold_pressure":
        values, more, refused = _absolute(candidate, unit, values, ambient_pa)
        if refused:
            return Reading(candidate, values, unit.label, refused=refused)
        notes += more
    low, high = _SANE[key]
    if np.nanmin(values) < low or np.nanmax(values) > high:
        odd = (values < low) | (values > high)
        count = int(np.count_nonzero(odd))
        if count > 0.05 * np.count_nonzero(np.isfinite(values)):
            beyond = f"{count} of its readings {'lies' if count == 1 else 'lie'} outside {low:g} to {high:g}"
            refused = f"{beyond}, so it measures something else"
            return Reading(candidate, values, unit.label, refused=refused)
        values = np.where(odd, np.nan, values)
        notes.append(f"{counted(count, 'reading')} of {candidate.name!r} left blank: no possible {BY_KEY[key].label}.")
    return Reading(candidate, values, unit.label, tuple(notes))


def _time(candidate: Candidate, raw: FloatArray, clock: bool) -> Reading:
    if clock:
        return Reading(candidate, raw, "hh:mm:ss", (f"{candidate.name!r} is read as a time of day.",))
    if candidate.unit is not None and candidate.unit.dimension == "time" and candidate.unit.label != "hh:mm:ss":
        return Reading(candidate, candidate.unit.convert(raw), candidate.unit.label)
    steps = np.diff(raw[np.isfinite(raw)])
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    label = "s" if 2e-4 < usual <= 2 or not usual else "ms" if 10 <= usual <= 2000 else ""
    if not label:
        refused = f"it states no unit and its usual step of {usual:.3g} fits neither seconds nor milliseconds"
        return Reading(candidate, raw, "", refused=f"{refused}; units={{'time': 'ms'}} or 's' or 'day' settles it")
    note = f"{candidate.name!r} states no unit: its usual step of {usual:.3g} is taken for {label}."
    return Reading(candidate, unit_from_text(label).convert(raw), label, (note,))


def _rpm(candidate: Candidate, raw: FloatArray) -> Reading:
    unit = candidate.unit if candidate.unit is not None and candidate.unit.dimension == "speed" else None
    label = unit.label if unit else "1/min"
    highest = float(np.nanmax(raw))
    if unit is None and 0 < highest <= 20:
        note = f"{candidate.name!r} states no unit and never exceeds {highest:g}: read in thousands."
        return Reading(candidate, raw * 1000.0, "1000/min", (note,))
    return Reading(candidate, unit.convert(raw) if unit else raw, label)


def _mixture(candidate: Candidate, raw: FloatArray, afr_stoich: float | None) -> Reading:
    stoich = AFR_STOICH_USUAL if afr_stoich is None else afr_stoich
    positive = np.count_nonzero(raw > 0)
    lean, rich = LAMBDA_LEANEST, LAMBDA_RICHEST
    as_lambda = np.count_nonzero(raw >= rich) - np.count_nonzero(raw > lean)
    as_afr = np.count_nonzero(raw >= rich * stoich) - np.count_nonzero(raw > lean * stoich)
    words = candidate.words()
    by_name = "phi" if {"phi", "eqr", "richesse", "equivalence"} & words else "lambda"
    by_name = "AFR" if not {"lambda", "luftzahl"} & words and {"afr", "air", "fuel"} & words else by_name
    stated = candidate.unit.label if candidate.unit and candidate.unit.dimension == "mixture" else by_name
    label = stated
    notes = []
    if not candidate.unit_given:
        sure = candidate.unit is not None and candidate.unit.dimension == "mixture"
        volts, top = _NARROW_BAND_V
        if np.nanmax(raw) <= top and np.count_nonzero(raw < volts) > _SHARE * np.count_nonzero(np.isfinite(raw)):
            refused = "its values stay below 1.2 and often below 0.4: the volts of a narrow-band sensor, not lambda"
            return Reading(candidate, raw, "", refused=refused)
        if max(as_lambda, as_afr) < _SHARE * positive or not positive:
            refused = f"its values (median {_middle(raw)}) are neither lambda nor AFR; counts and volts are no use"
            return Reading(candidate, raw, "", refused=refused)
        found = "AFR" if as_afr > as_lambda else "phi" if stated == "phi" else "lambda"
        if found != stated:
            says = f"is given in {stated}" if sure else f"says {stated} by its name"
            notes.append(f"{candidate.name!r} {says}, but its values (median {_middle(raw)}) are {found}: read as {found}.")
        elif sure and found != by_name and by_name in ("AFR", "lambda") and {"afr", "lambda"} & words:
            notes.append(f"{candidate.name!r} says {by_name} by its name but is given in {found}, as its values are.")
        label = found
    if label == "AFR":
        source = "the usual setting of a display (common practice)" if afr_stoich is None else "as stated"
        cure = "; afr_stoich= sets another" if afr_stoich is None else ""
        notes.append(f"AFR is divided by {stoich:g} to give lambda, {source}{cure}.")
        return Reading(candidate, raw / stoich, label, tuple(notes))
    if label == "phi":
        notes.append(f"{candidate.name!r} is the equivalence ratio: lambda is one divided by it.")
        values = np.full_like(raw, np.nan)
        np.divide(1.0, raw, out=values, where=raw > 1e-9)
        return Reading(candidate, values, label, tuple(notes))
    return Reading(candidate, raw, label, tuple(notes))


def _middle(raw: FloatArray) -> str:
    return f"{float(np.nanmedian(raw)):.4g}"


def _unit_by_values(key: str, candidate: Candidate, raw: FloatArray) -> tuple[LogUnit | None, list[str], str]:
    unit = candidate.unit
    wanted = BY_KEY[key].dimension
    cure = f"units={{{key!r}: ...}} settles it"
    if unit is not None and unit.dimension == wanted:
        return unit, [], ""
    if unit is not None and unit.dimension == "angle":
        return (
            None,
            [],
            f"it is in degrees, and percent of what is not known; units={{{key!r}: '%'}} reads it as percent",
        )
    guess = ""
    top = float(np.nanquantile(raw, 0.999))
    if key == "throttle":
        guess = "fraction" if top <= 1.05 else "percent" if 3 < top <= 105 else ""
    elif key == "manifold_pressure":
        # Only where no other unit of the trade could give such a highest reading.
        guess = "kPa" if 80 <= top <= 350 else "bar" if 0.8 <= top <= 3.5 else "mbar" if 900 <= top <= 1100 else ""
    elif key == "coolant":
        guess = "degC" if 60 <= top <= 125 else ""
    if not guess:
        return None, [], f"it states no unit, and its values (highest {top:.4g}) leave it open; {cure}"
    note = f"{candidate.name!r} states no unit: its values (highest {top:.4g}) are taken for {guess}."
    return unit_from_text(guess), [note], ""


def _absolute(
    candidate: Candidate, unit: LogUnit, values: FloatArray, ambient_pa: float | None
) -> tuple[FloatArray, list[str], str]:
    ambient = AMBIENT_USUAL_PA if ambient_pa is None else ambient_pa
    cure = "units={'manifold_pressure': 'psi gauge'} or 'inHg vacuum' (with its own unit) settles it"
    said = "stated" if ambient_pa is not None else "the standard atmosphere; ambient_pa= sets another"
    words = candidate.words()
    from_ambient = {"gauge", "gage", "rel", "relative", "relativ"} & words
    downwards = bool({"vacuum", "vac"} & words) or (candidate.rank == 2 and not _UPWARDS & words)
    if unit.absolute and from_ambient and not candidate.unit_given:
        return values, [], f"its name says {min(from_ambient)} and its unit absolute; {cure}"
    if unit.absolute:
        return values, [], ""
    if unit.gauge and unit.factor > 0.0 and downwards and not candidate.unit_given and np.nanmedian(values) > 0.0:
        return values, [], f"its name means a vacuum but its unit says gauge: it may count down or up; {cure}"
    if unit.gauge:
        note = f"{candidate.name!r} counts from ambient pressure, taken as {ambient:g} Pa ({said})."
        return values + ambient, [note], ""
    gauge_name = candidate.rank == 2 or bool(from_ambient or downwards or "boost" in words)
    if candidate.unit_given:
        return values, [], ""
    # A single glitch below zero does not make a gauge pressure.
    low = float(np.nanquantile(values, 0.001)) if np.nanmin(values) < 0 else 0.0
    if -1.05e5 < low < -1e4:
        note = (
            f"{candidate.name!r} falls to {low / 1e3:.3g} kPa, so it counts from ambient pressure, "
            f"taken as {ambient:g} Pa ({said})."
        )
        return values + ambient, [note], ""
    if gauge_name and not {"absolute", "abs"} & words:
        return (
            values,
            [],
            f"boost or vacuum may count from ambient pressure either way, and its values leave it open; {cure}",
        )
    return values, [], ""


def choose(key: str, readings: Sequence[Reading], path: str, header_line: int) -> tuple[Reading | None, str, list[str]]:
    """Column to use of several candidates, why, and what to tell.

    Parameters
    ----------
    key : str
        What the columns mean.
    readings : sequence of Reading
        Candidates of equal rank.
    path : str
        Name of the file, for messages.
    header_line : int
        Line of its header.

    Returns
    -------
    tuple of Reading or None, str and list of str
        The choice, why, and sentences about what was not used.

    Raises
    ------
    LogFormatError
        If a needed meaning has no usable column, or if candidates differ.
    """
    label = BY_KEY[key].label
    usable = [reading for reading in readings if not reading.refused]
    notes = [f"{r.candidate.name!r} is not used as {label}: {r.refused}." for r in readings if r.refused]
    if not usable:
        if key in NEEDED and readings:
            first = readings[0]
            msg = (
                f"{path}, line {header_line}: column {first.candidate.name!r} cannot serve as {label}: {first.refused}. "
                f"Name another: {how_to_name(key)}."
            )
            raise LogFormatError(msg, path=path, line=header_line, column=first.candidate.name)
        return None, "", notes
    plain = [reading for reading in usable if not reading.candidate.filtered]
    if plain and len(plain) < len(usable):
        others = ", ".join(repr(r.candidate.name) for r in usable if r.candidate.filtered)
        notes.append(f"{others}: filtered twin, not used as {label}.")
        usable = plain
    if usable[0].candidate.rank == 2 and key == "throttle":
        notes.append("The driver's pedal stands in for the throttle, for want of a throttle column in percent.")
    if len(usable) == 1:
        return usable[0], usable[0].candidate.why, notes
    ranked = sorted(usable, key=_merit)
    best = ranked[0]
    if any(not _agree(key, best, other) for other in ranked[1:]):
        names = [reading.candidate.name for reading in usable]
        msg = (
            f"{path}, line {header_line}: {len(names)} columns could be the {label} and they differ: "
            f"{', '.join(map(repr, names))}. Say which: {how_to_name(key, names[0])}"
            f"{'' if key in NEEDED else '; an empty name does without'}."
        )
        raise LogFormatError(msg, path=path, line=header_line, column=names[0])
    others = ", ".join(repr(reading.candidate.name) for reading in ranked[1:])
    return best, f"{best.candidate.why}; {others} carries the same", notes


def _merit(reading: Reading) -> tuple[bool, int, int, str, float]:
    # What needs no stated constant first, then fewer gaps, then finer steps: places in the file never decide.
    finite = reading.values[np.isfinite(reading.values)]
    plain = reading.unit in ("AFR", "hh:mm:ss", "phi")
    return (
        plain,
        -len(finite),
        -len(np.unique(finite)),
        reading.candidate.name.split(" [")[0],
        float(finite.sum()),
    )


def _agree(key: str, one: Reading, other: Reading) -> bool:
    both = np.isfinite(one.values) & np.isfinite(other.values)
    if not both.any():
        return False
    a, b = one.values[both], other.values[both]
    if key == "time":
        a, b = a - a[0], b - b[0]
        return bool(np.max(np.abs(a - b)) <= max(1.0, 0.01 * float(np.ptp(a))))
    if key == "lambda":
        burning = (a >= LAMBDA_RICHEST) & (a <= LAMBDA_LEANEST)
        a, b = a[burning], b[burning]
        if not len(a):
            return False
        if one.unit != other.unit:
            # Another stoichiometric AFR in the display is a constant ratio near one, not another quantity.
            ratio = float(np.median(a)) / max(float(np.median(b)), 1e-9)
            b = b * ratio if abs(ratio - 1.0) <= _STOICH_SPREAD else b
    scale = float(np.median(np.abs(a)))
    apart = np.abs(a - b)
    return bool(np.median(apart) <= 0.01 * scale and np.quantile(apart, 0.9) <= 0.03 * scale + 1e-12)
