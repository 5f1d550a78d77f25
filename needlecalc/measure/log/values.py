"""Readings of a column -> the unit used inside, its name doubted by its values; columns of one meaning compared."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.columns import BY_KEY, NEEDED, Candidate
from needlecalc.measure.log.flags import LAMBDA_LEANEST, LAMBDA_RICHEST, RPM_ENGINE_ON
from needlecalc.measure.log.text import LogText
from needlecalc.measure.log.units import LogUnit, unit_from_text
from needlecalc.measure.log.words import ColumnFault, Note, Why, how_to_name, listed, quoted, said
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

# Common practice, no source: what most displays are set to (petrol without ethanol), and the standard atmosphere.
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
# Where no other unit of the trade could give such a highest reading; no column of these may go without.
_BY_TOP = {
    "throttle": ((0.0, 1.05, "fraction"), (3.0, 105.0, "percent")),
    "manifold_pressure": ((80.0, 350.0, "kPa"), (0.8, 3.5, "bar"), (900.0, 1100.0, "mbar")),
    "coolant": ((60.0, 125.0, "degC"), (140.0, 240.0, "degF")),
}
# Of the pressures that count from ambient, those that count upwards; and the highest a gauge of vacuum shows.
_UPWARDS = {"boost", "ladedruck", "suralimentation", "sovralimentazione"}
_DEEPEST_PA = 90e3
# An engine under this speed, not cranking, idles or nearly so: it burns there.
_IDLES_BELOW_RPM = 1500.0
_IDLE_ROWS = 5
_SHARE = 0.2
_NEARLY_ALL = 0.9
_STOICH_SPREAD = 0.08
_NARROW_BAND_V = (0.4, 1.2)


@dataclass(frozen=True)
class Reading:
    """A column in the unit used inside, the file's unit, what was assumed, and why it cannot be used, if so."""

    candidate: Candidate
    values: FloatArray
    unit: str = ""
    notes: tuple[Remark, ...] = ()
    fault: Remark | None = None


def take_reading(
    key: str,
    candidate: Candidate,
    raw: FloatArray,
    rpm: FloatArray | None,
    *,
    clock: Collection[int] = (),
    constants: tuple[float | None, float | None] = (None, None),
) -> Reading:
    """Column in the unit used inside, or why it cannot be used; ``rpm`` says where the engine runs, once it is known.

    ``clock`` are places of columns with times of day, ``constants`` the stoichiometric AFR and the ambient pressure stated.
    """
    afr_stoich, ambient_pa = constants
    if not np.isfinite(raw).any():
        return _refused(key, candidate, ColumnFault.NO_NUMBERS)
    if key == "time":
        return _time(candidate, raw, candidate.place in clock)
    if key == "rpm":
        return _rpm(candidate, raw)
    if key == "lambda":
        return _mixture(candidate, raw, np.full_like(raw, np.nan) if rpm is None else rpm, afr_stoich)
    unit, notes = candidate.unit, []
    if unit is None or unit.dimension != BY_KEY[key].dimension:
        if unit is not None and unit.dimension == "angle":
            return _refused(key, candidate, ColumnFault.DEGREES)
        top = float(np.nanquantile(raw, 0.999))
        label = next((label for low, high, label in _BY_TOP.get(key, ()) if low <= top <= high), None)
        if label is None:
            return _refused(key, candidate, ColumnFault.NO_UNIT, top=top)
        unit = unit_from_text(label)
        notes.append(Remark(Note.UNIT, numbers={"column": candidate.name, "top": top, "unit": label}))
    values = unit.convert(raw)
    if unit.label in ("cfm", "m3/h"):
        notes.append(Remark(Note.VOLUME, numbers={"column": candidate.name}))
    if key == "manifold_pressure":
        found = _absolute(candidate, unit, values, ambient_pa)
        if found.fault:
            return found
        values, notes = found.values, [*notes, *found.notes]
    low, high = _SANE[key]
    odd = (values < low) | (values > high)
    count = int(np.count_nonzero(odd))
    if count > 0.05 * np.count_nonzero(np.isfinite(values)):
        return _refused(key, candidate, ColumnFault.OUTSIDE, count=count, low=low, high=high)
    if count:
        values = np.where(odd, np.nan, values)
        about: dict[str, int | str] = {"column": candidate.name, "count": count, "label": BY_KEY[key].label}
        notes.append(Remark(Note.BLANKED, numbers=about))
    return Reading(candidate, values, unit.label, tuple(notes))


def _refused(key: str, candidate: Candidate, kind: ColumnFault, **numbers: float | str) -> Reading:
    about = {"column": candidate.name, "key": key, "label": BY_KEY[key].label, "example": BY_KEY[key].example, **numbers}
    return Reading(candidate, np.empty(0), fault=Remark(kind, numbers=about))


def _time(candidate: Candidate, raw: FloatArray, clock: bool) -> Reading:
    if clock:
        return Reading(candidate, raw, "hh:mm:ss", (Remark(Note.CLOCK, numbers={"column": candidate.name}),))
    if candidate.unit is not None and candidate.unit.dimension == "time" and candidate.unit.label != "hh:mm:ss":
        return Reading(candidate, candidate.unit.convert(raw), candidate.unit.label)
    steps = np.diff(raw[np.isfinite(raw)])
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    label = "s" if 2e-4 < usual <= 2 or not usual else "ms" if 10 <= usual <= 2000 else ""
    if not label:
        return _refused("time", candidate, ColumnFault.STEP, step=usual)
    note = Remark(Note.TIME_UNIT, numbers={"column": candidate.name, "step": usual, "unit": label})
    return Reading(candidate, unit_from_text(label).convert(raw), label, (note,))


def _rpm(candidate: Candidate, raw: FloatArray) -> Reading:
    unit = candidate.unit if candidate.unit is not None and candidate.unit.dimension == "speed" else None
    top = float(np.nanmax(raw))
    if unit is None and 0 < top <= 20:
        note = Remark(Note.THOUSANDS, numbers={"column": candidate.name, "top": top})
        return Reading(candidate, raw * 1000.0, "1000/min", (note,))
    return Reading(candidate, unit.convert(raw) if unit else raw, unit.label if unit else "1/min")


def _mixture(candidate: Candidate, raw: FloatArray, rpm: FloatArray, afr_stoich: float | None) -> Reading:
    stoich = AFR_STOICH_USUAL if afr_stoich is None else afr_stoich
    words = set(candidate.words)
    named = "phi" if {"phi", "eqr", "richesse", "equivalence"} & words else ""
    named = named or ("lambda" if {"lambda", "luftzahl"} & words else "AFR" if {"afr", "air", "fuel"} & words else "")
    unit = candidate.unit.label if candidate.unit is not None and candidate.unit.dimension == "mixture" else ""
    stated = unit or named
    label, notes = stated, []
    if not candidate.unit_given:
        found = _seen(raw, rpm, stated, stoich)
        if isinstance(found, ColumnFault):
            rows = raw[np.isfinite(raw)]
            values, counts = np.unique(rows, return_counts=True)
            most = int(np.argmax(counts))
            if found is ColumnFault.NO_MIXTURE and 2 * counts[most] > len(rows) > 1:
                share = 100 * counts[most] / len(rows)
                return _refused("lambda", candidate, ColumnFault.STUCK, share=float(share), value=float(values[most]))
            return _refused("lambda", candidate, found, middle=float(np.median(rows)))
        label = found
        if stated and label != stated:
            kind = Note.UNIT_LIES if unit else Note.NAME_LIES
            about: dict[str, float | str] = {
                "column": candidate.name,
                "stated": stated,
                "found": label,
                "middle": float(np.nanmedian(raw)),
            }
            notes.append(Remark(kind, numbers=about))
        elif unit and named != unit and {"afr", "lambda"} & words:
            notes.append(Remark(Note.UNIT_OVER_NAME, numbers={"column": candidate.name, "named": named, "found": label}))
    if label == "AFR":
        notes.append(Remark(Note.AFR_USUAL if afr_stoich is None else Note.AFR_STATED, numbers={"stoich": stoich}))
        return Reading(candidate, raw / stoich, label, tuple(notes))
    if label == "phi":
        notes.append(Remark(Note.PHI, numbers={"column": candidate.name}))
        values = np.full_like(raw, np.nan)
        np.divide(1.0, raw, out=values, where=raw > 1e-9)
        return Reading(candidate, values, label, tuple(notes))
    return Reading(candidate, raw, label, tuple(notes))


def _seen(raw: FloatArray, rpm: FloatArray, stated: str, stoich: float) -> str | ColumnFault:
    """What the readings are: by where the engine idles, since it burns there, else by all but the highest of them.

    Overrun shows values of AFR under a lambda, never the other way round: some rows that are a lambda settle it.
    """
    positive = raw > 0
    running = positive & (rpm >= RPM_ENGINE_ON)
    running = running if running.any() else positive
    volts, top = _NARROW_BAND_V
    if np.nanmax(raw) <= top and np.count_nonzero(raw[running] < volts) > _SHARE * np.count_nonzero(running):
        return ColumnFault.VOLTS
    idle = raw[running & (rpm <= _IDLES_BELOW_RPM)]
    idles = len(idle) >= _IDLE_ROWS
    rows = idle if idles else raw[running & (raw < np.max(raw[running], initial=0.0))]

    def share(low: float, high: float) -> float:
        return float(np.mean((rows >= low) & (rows <= high))) if len(rows) else 0.0

    if share(LAMBDA_RICHEST, LAMBDA_LEANEST) >= _SHARE:
        return "phi" if stated == "phi" else "lambda"
    enough = _NEARLY_ALL if stated in ("lambda", "phi") and not idles else _SHARE
    if share(LAMBDA_RICHEST * stoich, LAMBDA_LEANEST * stoich) >= enough:
        return "AFR"
    # An engine that never idles may be all overrun: then the name counts, if such readings can bear it.
    one = stoich if stated == "AFR" else 1.0
    possible = np.mean((raw[running] >= LAMBDA_RICHEST * one) & (raw[running] <= 20.0 * one)) if running.any() else 0.0
    return stated if stated and not idles and possible >= _SHARE else ColumnFault.NO_MIXTURE


def _absolute(candidate: Candidate, unit: LogUnit, values: FloatArray, ambient_pa: float | None) -> Reading:
    """The pressure counted from zero, or why it stays open from where it counts."""
    key, words = "manifold_pressure", set(candidate.words)
    ambient = AMBIENT_USUAL_PA if ambient_pa is None else ambient_pa
    about: dict[str, float | str] = {"column": candidate.name, "ambient": ambient, "stated": ambient_pa is not None}
    gauge = bool({"gauge", "gage", "rel", "relative", "relativ"} & words)
    vacuum = bool({"vacuum", "vac"} & words or (candidate.why is Why.STAND_IN and not _UPWARDS & words))
    doubted = not candidate.unit_given
    if doubted and ((unit.zero == "absolute" and gauge) or (unit.zero == "gauge" and vacuum and np.nanmedian(values) > 0.0)):
        return _refused(key, candidate, ColumnFault.TWO_ZEROS)
    if unit.zero in ("gauge", "vacuum"):
        return Reading(candidate, values + ambient, notes=(Remark(Note.GAUGE, numbers=about),))
    if unit.zero or not doubted:
        return Reading(candidate, values)
    # A single glitch below zero does not make a gauge pressure.
    low = float(np.nanquantile(values, 0.001)) if np.nanmin(values) < 0.0 else 0.0
    if -1.05e5 < low < -1e4:
        return Reading(candidate, values + ambient, notes=(Remark(Note.GAUGE_SEEN, numbers={**about, "low": low / 1e3}),))
    plain = not {"absolute", "abs"} & words
    if plain and vacuum and not gauge and -1e3 <= low and np.nanquantile(values, 0.999) <= _DEEPEST_PA:
        return Reading(candidate, ambient - values, notes=(Remark(Note.VACUUM, numbers={**about, "unit": unit.label}),))
    if plain and (candidate.why is Why.STAND_IN or gauge or vacuum):
        return _refused(key, candidate, ColumnFault.EITHER_WAY)
    return Reading(candidate, values)


def choose(
    key: str, readings: Sequence[Reading], running: NDArray[np.bool_], text: LogText
) -> tuple[Reading | None, tuple[str, ...], list[Remark]]:
    """Column to use of several candidates, names of those that carry the same, and what to tell of the others.

    LogFormatError if a needed meaning has no usable column, or its best ones differ while the engine runs.
    """
    faults = [reading.fault for reading in readings if reading.fault]
    usable = [reading for reading in readings if not reading.fault]
    if not usable:
        if key in NEEDED and faults:
            name = str(faults[0].numbers["column"])
            text.refuse(f"{said(faults[0])} Name another: {how_to_name(key)}.", name)
        return None, (), faults

    plain = [reading for reading in usable if not reading.candidate.is_filtered()] or usable
    best = min(reading.candidate.why for reading in plain)
    told = [reading.fault for reading in readings if reading.fault and reading.candidate.why <= best]

    def leave(reading: Reading, kind: ColumnFault, **numbers: str) -> None:
        told.extend(filter(None, [_refused(key, reading.candidate, kind, **numbers).fault]))

    for reading in usable:
        if reading not in plain:
            leave(reading, ColumnFault.FILTERED)
        elif best is Why.EXACT_NAME and reading.candidate.why is Why.NAME:
            leave(reading, ColumnFault.LONGER_NAME)
    ranked = [reading for reading in plain if reading.candidate.why == best]
    ranked = sorted(ranked, key=_merit) if len(ranked) > 1 else ranked
    first, names = ranked[0], [reading.candidate.name for reading in ranked]
    if all(_agree(key, first, other, running) for other in ranked[1:]):
        if best is Why.STAND_IN and key == "throttle":
            told.append(Remark(Note.PEDAL))
        return first, tuple(names[1:]), told
    if key in NEEDED:
        words = (
            f"{len(names)} columns could be the {BY_KEY[key].label} and they differ: {listed(map(quoted, sorted(names)))}. "
        )
        text.refuse(f"{words}Say which: {how_to_name(key, min(names))}.", min(names))
    for reading in ranked:
        leave(reading, ColumnFault.DIFFER, other=next(name for name in sorted(names) if name != reading.candidate.name))
    return None, (), told


def _merit(reading: Reading) -> tuple[bool, int, int, str, float]:
    # What needs no stated constant first, then fewer gaps, then finer steps: places in the file never decide.
    finite = reading.values[np.isfinite(reading.values)]
    plain = reading.unit in ("AFR", "hh:mm:ss", "phi")
    return plain, -len(finite), -len(np.unique(finite)), reading.candidate.name.split(" [")[0], float(finite.sum())


def _agree(key: str, one: Reading, other: Reading, running: NDArray[np.bool_]) -> bool:
    """Whether two columns carry the same while the engine runs."""
    both = np.isfinite(one.values) & np.isfinite(other.values) & (running if key != "time" else True)
    a, b = one.values[both], other.values[both]
    if key == "time" and len(a):
        a, b = a - a[0], b - b[0]
        return bool(np.max(np.abs(a - b)) <= max(1.0, 0.01 * float(np.ptp(a))))
    if key == "lambda":
        burning = (a >= LAMBDA_RICHEST) & (a <= LAMBDA_LEANEST)
        a, b = a[burning], b[burning]
        if len(a) and one.unit != other.unit:
            # Another stoichiometric AFR in the display is a constant ratio near one, not another quantity.
            ratio = float(np.median(a)) / max(float(np.median(b)), 1e-9)
            b = b * ratio if abs(ratio - 1.0) <= _STOICH_SPREAD else b
    if not len(a):
        return False
    scale, apart = float(np.median(np.abs(a))), np.abs(a - b)
    return bool(np.median(apart) <= 0.01 * scale and np.quantile(apart, 0.9) <= 0.03 * scale + 1e-12)
