"""Patterns of faults in bands and in the log they come from, and the verdicts on them."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.gaussian import NINETY
from needlecalc.measure.checks.check import Cause, Check, Verdict, in_full, judged
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.measure.checks.plausible import LeakSign, leak_sign
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.samples import GAP_SECONDS
from needlecalc.measure.log.rows import CEILING, FROZEN, RPM_ENGINE_ON, TOO_LEAN
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

RPM_WITHIN = 0.06
PRESSURE_WITHIN_PA = 6000.0
SETTLING_S = 1.5
LEAST_HOLD_S = 4.0
CORRELATION_S = 1.0
LEAST_HOLDS = 3
LEAST_SPREAD_SAMPLES = 30
LEAST_COOLANT_RANGE_DEGC = 8.0
ONE_IN_A_HUNDRED, ONE_IN_TWENTY = 2.33, NINETY
CLEAR_OF_NOISE = 3.0
# No engine idles on half its air from a hole; beyond this the parts stated are in doubt.
WORST_MISFIT, GREATEST_EXCESS = 3.5, 1.0


class Figure(NamedTuple):
    """A figure, its standard error and how many holds or bands it rests on."""

    value: float
    error: float
    parts: int


def drive_checks(
    bands: Bands | None, setup: Setup | None, coolant_degc: float | None, limits: CheckLimits, doubts: Doubts
) -> list[Check]:
    """Leak, wander, starvation, rich when hot, sensor, warm engine, repeatability, reach; coolant as read by hand."""
    found = [] if bands is None else [*_of_drive(bands, limits), *_of_log(bands, limits)]
    heat = coolant_degc if bands is None else _coolest(bands, coolant_degc)
    if heat is not None:
        found.append(judged(CheckKind.WARM, heat, limits))
    if bands is None or setup is None:
        leaks = [Check(CheckKind.LEAK, causes=(Cause.NO_LIFT_OR_PRESSURE,))]
    else:
        sides = {side: [b for b, bank in enumerate(bands.bank) if bank == side] for side in bands.bank}
        leaks = [
            _leak(leak_sign(bands.only(own), setup, banks=len(sides), doubts=doubts), side, limits)
            for side, own in sides.items()
        ]
        found += _reach(bands, setup, limits)
    return [*leaks, *in_full(CheckKind.WANDER, CheckKind.REACH, found)]


def _leak(sign: LeakSign, side: str, limits: CheckLimits) -> Check:
    """Verdict on the sign of an air leak of one bank; green only where a leak of the red size would show."""
    kind, limit, excess = CheckKind.LEAK, limits.of(CheckKind.LEAK), sign.idle_excess
    if sign.why_not is not None:
        return Check(kind, numbers={"bands": sign.bands}, at=side, causes=(sign.why_not,))
    if sign.misfit > WORST_MISFIT or excess > GREATEST_EXCESS:
        return Check(kind, at=side, causes=(Cause.NEITHER,))
    numbers = {"value": excess, "value_u": sign.idle_excess_u, "area": sign.area_mm2, "area_u": sign.area_u_mm2}
    # Red asks for all three: beyond chance, large enough to matter, and not of a size that nobody can tell.
    beyond_chance, reach = sign.significance() >= ONE_IN_TWENTY, ONE_IN_TWENTY * sign.idle_excess_u
    if excess >= limit[0] and beyond_chance:
        sure = excess >= reach and sign.significance() >= ONE_IN_A_HUNDRED
        return Check(kind, Verdict.RED if sure else Verdict.AMBER, numbers, limit, side)
    if excess + reach < limit[1] and not beyond_chance:
        return Check(kind, Verdict.GREEN, numbers, limit, side)
    return Check(kind, numbers={"high": excess + reach}, at=side, causes=(Cause.TOO_SMALL_TO_SHOW,))


def _of_drive(bands: Bands, limits: CheckLimits) -> Iterator[Check]:
    """Spread of lambda at idle, starvation, scatter between visits."""
    # Idle over the middle spread of the other bands; a leak that opens and shuts makes it great.
    many = (bands.count >= LEAST_SPREAD_SAMPLES) & (bands.lambda_spread > 0.0)
    idle = np.array([load == "idle" for load in bands.load])
    if (many & idle).any() and (many & ~idle).sum() >= LEAST_HOLDS:
        times = float(bands.lambda_spread[many & idle].max() / np.median(bands.lambda_spread[many & ~idle]))
        yield judged(CheckKind.WANDER, times, limits)
    if (rise := starving(bands)) is not None:
        check = judged(CheckKind.STARVATION, rise.value, limits, value_u=rise.error)
        if check.verdict != Verdict.GREEN and rise.value >= CLEAR_OF_NOISE * rise.error:
            yield check
        elif rise.value + ONE_IN_TWENTY * rise.error < limits.of(check.kind)[1]:
            yield replace(check, verdict=Verdict.GREEN)
        else:
            yield Check(check.kind, causes=(Cause.TOO_SHORT,))
    if (scatter := visits_scatter(bands)) is not None and scatter.parts >= LEAST_HOLDS:
        yield judged(CheckKind.REPEAT, scatter.value, limits, visits=scatter.parts)


def _of_log(bands: Bands, limits: CheckLimits) -> Iterator[Check]:
    """Share of the running engine's rows with lambda stuck, and at its ceiling; idle from cool to hot."""
    if (log := bands.log) is None:
        return
    flag = log.flag[log.rpm >= RPM_ENGINE_ON]
    for kind, flags in ((CheckKind.STUCK, (FROZEN,)), (CheckKind.CEILING, (CEILING, TOO_LEAN))):
        yield judged(kind, float(np.isin(flag, flags).mean()) if flag.size else 0.0, limits)
    if log.coolant_degc is None:
        return
    idle = [hold for b, load in enumerate(bands.load) if load == "idle" for hold in holds(bands, b)]
    heat = np.array([float(log.coolant_degc[hold].mean()) for hold in idle])
    if heat.size > LEAST_HOLDS and np.ptp(heat) >= LEAST_COOLANT_RANGE_DEGC:
        ratio = np.array([float(log.lambda_measured[hold].mean()) for hold in idle])
        change, error = (float(np.ptp(heat)) * part for part in _slope(heat, ratio, heat.size))
        check = judged(CheckKind.HOT_IDLE, -change, limits, value=change, value_u=error)
        yield check if -change >= CLEAR_OF_NOISE * error else replace(check, verdict=Verdict.GREEN)


def _coolest(bands: Bands, by_hand_degc: float | None) -> float | None:
    """Coolant in the coolest twentieth of the holds' rows, else as read by hand."""
    if (log := bands.log) is None or log.coolant_degc is None:
        return by_hand_degc
    rows = [hold for b in range(bands.rpm.size) for hold in holds(bands, b)] or [np.flatnonzero(log.flag == 0)]
    logged = log.coolant_degc[np.concatenate(rows)]
    return float(np.nanpercentile(logged, 5.0)) if np.isfinite(logged).any() else by_hand_degc


def _reach(bands: Bands, setup: Setup, limits: CheckLimits) -> Iterator[Check]:
    """How far along the needle the jet's face came; too little is no fault, but no cut is proposed beyond."""
    if np.isfinite(bands.lift_mm).any():
        carburettor, lift = setup.carburettor, float(np.nanmax(bands.lift_mm))
        stations, place = carburettor.needle.stations_mm, float(carburettor.position_mm(lift))
        station = float(np.interp(place, stations, np.arange(1.0, stations.size + 1.0)))
        share = lift / carburettor.air_valve.travel_mm()
        check = judged(CheckKind.REACH, share, limits, station=station, place=place)
        yield check if check.verdict is Verdict.GREEN else replace(check, verdict=Verdict.AMBER)


def holds(bands: Bands, band: int) -> list[NDArray[np.intp]]:
    """Rows of the log in each steady hold of a band of four seconds or more, the settling left out."""
    log = bands.log
    if log is None:
        return []
    near = (log.flag == 0) & (np.abs(log.rpm / bands.rpm[band] - 1.0) < RPM_WITHIN)
    pressure = bands.manifold_pressure_pa[band]
    if log.manifold_pressure_pa is not None and np.isfinite(pressure):
        near &= np.abs(log.manifold_pressure_pa - pressure) < PRESSURE_WITHIN_PA
    rows = np.flatnonzero(near)
    cut = np.flatnonzero((np.diff(rows) > 1) | (np.diff(log.time_s[rows]) > GAP_SECONDS)) + 1
    runs = [run for run in np.split(rows, cut) if run.size and np.ptp(log.time_s[run]) >= LEAST_HOLD_S]
    settled = [run[log.time_s[run] >= log.time_s[run[0]] + SETTLING_S] for run in runs]
    return [run for run in settled if run.size >= 3]


def visits_scatter(bands: Bands) -> Figure | None:
    """Pooled standard deviation of the means of separate holds of one band, noise within a hold included."""
    if (log := bands.log) is None:
        return None
    means = [[log.lambda_measured[hold].mean() for hold in holds(bands, band)] for band in range(bands.rpm.size)]
    again = [found for found in means if len(found) >= 2]
    freedom = sum(len(found) - 1 for found in again)
    if not freedom:
        return None
    scatter = float(np.sqrt(sum(np.var(found) * len(found) for found in again) / freedom))
    return Figure(scatter, scatter / float(np.sqrt(2.0 * freedom)), sum(map(len, again)))


def starving(bands: Bands) -> Figure | None:
    """Rise of lambda a second within holds at the greatest air flow, over that of all other holds."""
    pressure = bands.manifold_pressure_pa
    top = int(np.argmax(bands.rpm * pressure if np.isfinite(pressure).all() else bands.rpm))
    here = _rise(bands, [top])
    others = _rise(bands, [b for b in range(bands.rpm.size) if b != top and bands.load[b] != "idle"])
    if here is None or others is None or others.parts < LEAST_HOLDS:
        return here
    return Figure(here.value - others.value, float(np.hypot(here.error, others.error)), here.parts)


def _rise(bands: Bands, which: list[int]) -> Figure | None:
    """Mean slope of lambda over time within holds, weighted by what each can tell."""
    runs = [hold for band in which for hold in holds(bands, band)]
    if (log := bands.log) is None or not runs:
        return None
    found = []
    for hold in runs:
        time = log.time_s[hold]
        independent = float(time[-1] - time[0]) / CORRELATION_S + 1.0
        found.append(_slope(time, log.lambda_measured[hold], min(independent, hold.size)))
    slopes, errors = np.array(found).T
    weight = 1.0 / np.maximum(errors, 1e-6) ** 2
    mean = float((weight * slopes).sum() / weight.sum())
    # Holds that disagree by more than their noise widen the error.
    excess = float((weight * (slopes - mean) ** 2).sum()) / max(slopes.size - 1, 1)
    return Figure(mean, max(1.0, float(np.sqrt(excess))) / float(np.sqrt(weight.sum())), slopes.size)


def _slope(x: FloatArray, y: FloatArray, independent: float) -> tuple[float, float]:
    """Slope of a straight line and its standard error, for samples of which only so many are independent."""
    away = x - x.mean()
    square = float((away**2).sum())
    if square <= 0.0:
        return 0.0, float("inf")
    slope = float((away * y).sum() / square)
    left = y - y.mean() - slope * away
    return slope, float(np.sqrt((left**2).sum() / square / max(independent - 2.0, 1.0)))
