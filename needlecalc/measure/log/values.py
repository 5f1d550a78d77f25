"""Readings of a column -> the unit used inside, its name doubted by its values; columns of one meaning compared."""

from __future__ import annotations

from collections.abc import Collection, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.cell import LogUnit, unit_from_text
from needlecalc.measure.log.columns import BY_KEY, NEEDED, Candidate, ColumnFault, Note, Why, how_to_name, listed, quoted
from needlecalc.measure.log.rows import LAMBDA_LEANEST, LAMBDA_RICHEST, RPM_ENGINE_ON
from needlecalc.measure.log.table import LogText
from needlecalc.remark import Remark
from needlecalc.show import in_words
from needlecalc.units import GAUGE_AFR, STANDARD_PA, FloatArray

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
    # Over 118 degC water boils in spite of its cap; below, what is cold in degC is colder still in degF.
    "coolant": ((-40.0, 118.0, "degC"), (118.0, 240.0, "degF")),
}
# Of the pressures that count from ambient, those that count upwards; and the highest a gauge of vacuum shows.
_UPWARDS = {"boost", "ladedruck", "suralimentation", "sovralimentazione"}
_DEEPEST_PA, _DEEPEST_INHG = 90e3, 30.0
# An engine under this speed, not cranking, idles or nearly so: it burns there.
_IDLES_BELOW_RPM = 1500.0
_IDLE_ROWS = 5
_SHARE = 0.2
_NEARLY_ALL = 0.9
_STOICH_SPREAD = 0.08
# A narrow-band sensor never shows more, and often less than this; free air is the most a display of lambda shows.
_VOLTS_TOP, _VOLTS_LEAN = 1.2, 0.4
_FREE_AIR = 20.0
# Words that say what a column of mixture is.
_MIXTURES = {
    "phi": {"phi", "eqr", "richesse", "equivalence"},
    "lambda": {"lambda", "luftzahl"},
    "AFR": {"afr", "air", "fuel"},
}


@dataclass(frozen=True, eq=False)
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
    afr_stoich: float | None = None,
    ambient_pa: float | None = None,
) -> Reading:
    """Column in the unit used inside, or why it cannot be used; ``clock`` are the places of columns with times of day."""
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
        top = float(np.nanquantile(raw, 0.999))
        label = next((label for low, high, label in _BY_TOP.get(key, ()) if low <= top <= high), None)
        if label is None:
            return _refused(key, candidate, ColumnFault.NO_UNIT, top=top, example=_example(key, candidate, top))
        unit = unit_from_text(label)
        notes.append(_note(Note.UNIT, candidate, top=top, unit=label))
    reading = Reading(candidate, unit.convert(raw), unit.label, tuple(notes))
    if key == "manifold_pressure":
        reading = _absolute(reading, unit, ambient_pa)
    if unit.label in ("cfm", "m3/h"):
        reading = replace(reading, notes=(*reading.notes, _note(Note.VOLUME, candidate)))
    return reading if reading.fault else _sane(key, reading)


def _example(key: str, candidate: Candidate, top: float) -> str:
    """Unit that such a column may have; what counts from ambient pressure says so."""
    if candidate.why is not Why.STAND_IN or key != "manifold_pressure":
        return BY_KEY[key].example
    return "psi gauge" if _UPWARDS & set(candidate.words) else f"{'inHg' if top <= _DEEPEST_INHG else 'mmHg'} vacuum"


def _sane(key: str, reading: Reading) -> Reading:
    """The reading without those of its values that cannot be."""
    low, high = _SANE[key]
    odd = (reading.values < low) | (reading.values > high)
    count = int(np.count_nonzero(odd))
    if count > 0.05 * np.count_nonzero(np.isfinite(reading.values)):
        return _refused(key, reading.candidate, ColumnFault.OUTSIDE, count=count, low=low, high=high)
    if not count:
        return reading
    note = _note(Note.BLANKED, reading.candidate, count=count, label=BY_KEY[key].label)
    return replace(reading, values=np.where(odd, np.nan, reading.values), notes=(*reading.notes, note))


def _note(kind: Note | ColumnFault, candidate: Candidate, **numbers: float | str) -> Remark:
    return Remark(kind, numbers={"column": candidate.name, **numbers})


def _refused(key: str, candidate: Candidate, kind: ColumnFault, **numbers: float | str) -> Reading:
    return Reading(candidate, np.empty(0), fault=_note(kind, candidate, key=key, **numbers))


def _time(candidate: Candidate, raw: FloatArray, clock: bool) -> Reading:
    unit = candidate.unit
    if clock:
        return Reading(candidate, raw, "hh:mm:ss", (_note(Note.CLOCK, candidate),))
    if unit is not None and unit.dimension == "time" and unit.label != "hh:mm:ss":
        return Reading(candidate, unit.convert(raw), unit.label)
    steps = np.diff(raw[np.isfinite(raw)])
    usual = float(np.median(steps[steps > 0])) if (steps > 0).any() else 0.0
    label = "s" if 2e-4 < usual <= 2 or not usual else "ms" if 10 <= usual <= 2000 else ""
    if not label:
        return _refused("time", candidate, ColumnFault.STEP, step=usual)
    note = _note(Note.TIME_UNIT, candidate, step=usual, unit=label)
    return Reading(candidate, unit_from_text(label).convert(raw), label, (note,))


def _rpm(candidate: Candidate, raw: FloatArray) -> Reading:
    if candidate.unit is not None and candidate.unit.dimension == "speed":
        return Reading(candidate, candidate.unit.convert(raw), candidate.unit.label)
    top = float(np.nanmax(raw))
    if 0 < top <= 20:
        return Reading(candidate, raw * 1000.0, "1000/min", (_note(Note.THOUSANDS, candidate, top=top),))
    return Reading(candidate, raw, "1/min")


def _mixture(candidate: Candidate, raw: FloatArray, rpm: FloatArray, afr_stoich: float | None) -> Reading:
    stoich = GAUGE_AFR if afr_stoich is None else afr_stoich
    stated = next((label for label, words in _MIXTURES.items() if not words.isdisjoint(candidate.words)), "")
    if candidate.unit is not None and candidate.unit.dimension == "mixture":
        stated = candidate.unit.label
    label, notes = stated if candidate.unit_given else _kind_of_mixture(raw, rpm, stated, stoich), []
    if not label:
        return _no_mixture(candidate, raw[np.isfinite(raw)])
    if stated and label != stated:
        notes.append(_note(Note.HEAD_LIES, candidate, stated=stated, found=label, middle=float(np.nanmedian(raw))))
    if label == "AFR":
        notes.append(Remark(Note.AFR_USUAL if afr_stoich is None else Note.AFR_STATED, numbers={"stoich": stoich}))
        return Reading(candidate, raw / stoich, label, tuple(notes))
    if label == "phi":
        values = np.full_like(raw, np.nan)
        np.divide(1.0, raw, out=values, where=raw > 1e-9)
        return Reading(candidate, values, label, (*notes, _note(Note.PHI, candidate)))
    return Reading(candidate, raw, label, tuple(notes))


def _kind_of_mixture(raw: FloatArray, rpm: FloatArray, stated: str, stoich: float) -> str:
    """What the readings are, empty where none: by where the engine idles, since it burns there, else below their highest.

    Overrun shows values of AFR under a lambda, never the other way round: some rows that are a lambda settle it.
    """
    positive = raw > 0
    running = positive & (rpm >= RPM_ENGINE_ON)
    running = running if running.any() else positive
    burning = raw[running]
    if np.nanmax(raw) <= _VOLTS_TOP and _share(burning, 0.0, _VOLTS_LEAN) > _SHARE:
        return ""
    idle = raw[running & (rpm <= _IDLES_BELOW_RPM)]
    idles = len(idle) >= _IDLE_ROWS
    rows = idle if idles else burning[burning < np.max(burning, initial=0.0)]
    if _share(rows, LAMBDA_RICHEST, LAMBDA_LEANEST) >= _SHARE:
        return "phi" if stated == "phi" else "lambda"
    enough = _NEARLY_ALL if stated in ("lambda", "phi") and not idles else _SHARE
    if _share(rows, LAMBDA_RICHEST * stoich, LAMBDA_LEANEST * stoich) >= enough:
        return "AFR"
    # An engine that never idles may be all overrun: then the name counts, if such readings can bear it.
    one = stoich if stated == "AFR" else 1.0
    return stated if not idles and _share(burning, LAMBDA_RICHEST * one, _FREE_AIR * one) >= _SHARE else ""


def _share(rows: FloatArray, low: float, high: float) -> float:
    return float(np.mean((rows >= low) & (rows <= high))) if len(rows) else 0.0


def _no_mixture(candidate: Candidate, rows: FloatArray) -> Reading:
    """Why rows that are neither lambda nor AFR are not."""
    values, counts = np.unique(rows, return_counts=True)
    value, share = float(values[np.argmax(counts)]), 100.0 * float(counts.max()) / len(rows)
    if share > 50.0 and len(rows) > 1:
        return _refused("lambda", candidate, ColumnFault.STUCK, share=share, value=value)
    kind = ColumnFault.VOLTS if values[-1] <= _VOLTS_TOP else ColumnFault.NO_MIXTURE
    return _refused("lambda", candidate, kind, middle=float(np.median(rows)))


def _absolute(reading: Reading, unit: LogUnit, ambient_pa: float | None) -> Reading:
    """The pressure counted from zero, or why it stays open from where it counts."""
    candidate, values, words = reading.candidate, reading.values, set(reading.candidate.words)
    ambient = STANDARD_PA if ambient_pa is None else ambient_pa

    def counted(values: FloatArray, kind: Note, zero: str = "", **numbers: float | str) -> Reading:
        note = _note(kind, candidate, ambient=ambient, stated=ambient_pa is not None, **numbers)
        # The unit as it must be stated for the same reading.
        label = f"{unit.label} {zero}" if zero else unit.label
        return replace(reading, values=values, unit=label, notes=(*reading.notes, note))

    gauge = bool({"gauge", "gage", "rel", "relative", "relativ"} & words)
    vacuum = bool({"vacuum", "vac"} & words or (candidate.why is Why.STAND_IN and not _UPWARDS & words))
    if not candidate.unit_given:
        up_or_down = unit.zero == "gauge" and vacuum and np.nanmedian(values) > 0.0
        if up_or_down or (unit.zero == "absolute" and gauge):
            return _refused("manifold_pressure", candidate, ColumnFault.TWO_ZEROS)
    if unit.zero in ("gauge", "vacuum"):
        return counted(values + ambient, Note.GAUGE)
    if unit.zero or candidate.unit_given:
        return reading
    # A single glitch below zero does not make a gauge pressure.
    low = float(np.nanquantile(values, 0.001)) if np.nanmin(values) < 0.0 else 0.0
    if -1.05e5 < low < -1e4:
        return counted(values + ambient, Note.GAUGE_SEEN, "gauge", low=low / 1e3)
    if {"absolute", "abs"} & words or not (candidate.why is Why.STAND_IN or gauge or vacuum):
        return reading
    if vacuum and not gauge and low >= -1e3 and np.nanquantile(values, 0.999) <= _DEEPEST_PA:
        return counted(ambient - values, Note.VACUUM, "vacuum", unit=unit.label)
    return _refused("manifold_pressure", candidate, ColumnFault.EITHER_WAY)


def choose(
    key: str, readings: Sequence[Reading], running: NDArray[np.bool_], text: LogText
) -> tuple[Reading | None, tuple[str, ...], list[Remark]]:
    """Column to use of several candidates, names of those that carry the same, and what to tell of the others."""
    usable = [reading for reading in readings if not reading.fault]
    faults = [(reading.candidate, reading.fault) for reading in readings if reading.fault]
    if not usable:
        if key in NEEDED and faults:
            text.refuse(f"{in_words(faults[0][1])} Name another: {how_to_name(key)}.", faults[0][0].name)
        return None, (), [fault for _, fault in faults]
    plain = [reading for reading in usable if not reading.candidate.is_filtered()] or usable
    best = min(reading.candidate.why for reading in plain)
    remarks = [fault for candidate, fault in faults if candidate.why <= best]
    for candidate in (reading.candidate for reading in usable):
        if candidate.is_filtered() and plain is not usable:
            remarks.append(_note(ColumnFault.FILTERED, candidate, key=key))
        elif best is Why.EXACT_NAME and candidate.why is Why.NAME:
            remarks.append(_note(ColumnFault.LONGER_NAME, candidate, key=key))
    ranked = [reading for reading in plain if reading.candidate.why == best]
    first, *others = sorted(ranked, key=_merit) if len(ranked) > 1 else ranked
    if all(_agree(key, first, other, running) for other in others):
        if best is Why.STAND_IN and key == "throttle":
            remarks.append(Remark(Note.PEDAL))
        return first, tuple(other.candidate.name for other in others), remarks
    names = sorted(reading.candidate.name for reading in ranked)
    if key in NEEDED:
        words = f"{len(names)} columns could be the {BY_KEY[key].label} and they differ: {listed(map(quoted, names))}."
        text.refuse(f"{words} Say which: {how_to_name(key, names[0])}.", names[0])
    for name, other in zip(names, [names[1], *names], strict=False):
        remarks.append(Remark(ColumnFault.DIFFER, numbers={"column": name, "key": key, "other": other}))
    return None, (), remarks


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
