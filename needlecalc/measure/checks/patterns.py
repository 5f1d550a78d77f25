"""Patterns of faults in bands and in the log they come from, and the verdicts on them."""

from __future__ import annotations

from dataclasses import replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.gaussian import NINETY
from needlecalc.measure.checks.check import Cause, Check, Verdict, judged, missing
from needlecalc.measure.checks.leaksign import LeakSign, leak_sign
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.signals import GAP_SECONDS
from needlecalc.measure.log.flags import CEILING, FROZEN, RPM_ENGINE_ON, TOO_LEAN
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
    checks = [*leak_checks(bands, setup, limits, doubts)]
    if bands is None:
        kinds = (CheckKind.WANDER, CheckKind.STARVATION, CheckKind.HOT_IDLE, CheckKind.STUCK, CheckKind.CEILING)
        checks += [*(missing(kind) for kind in kinds), _warm(None, coolant_degc, limits), missing(CheckKind.REPEAT)]
    else:
        checks += [_wander(bands, limits), _starvation(bands, limits), _hot_idle(bands, limits)]
        checks += [*_sensor(bands, limits), _warm(bands, coolant_degc, limits), _repeat(bands, limits)]
    return [*checks, _reach(bands, setup, limits)]


def leak_checks(bands: Bands | None, setup: Setup | None, limits: CheckLimits, doubts: Doubts) -> list[Check]:
    """Verdict on the sign of an air leak, on twins for each bank; green only where a leak of the red size would show."""
    kind = CheckKind.LEAK
    if bands is None or setup is None:
        return [missing(kind, Cause.NO_LIFT_OR_PRESSURE)]
    sides = {side: [b for b, bank in enumerate(bands.bank) if bank == side] for side in bands.bank}
    signs = {side: leak_sign(bands.only(own), setup, banks=len(sides), doubts=doubts) for side, own in sides.items()}
    return [_leak(sign, side, limits) for side, sign in signs.items()]


def _leak(sign: LeakSign, side: str, limits: CheckLimits) -> Check:
    kind = CheckKind.LEAK
    limit = limits.of(kind)
    if sign.why_not is not None:
        return missing(kind, sign.why_not, at=side, bands=sign.bands)
    numbers = {
        "value": sign.idle_excess,
        "value_u": sign.idle_excess_u,
        "area": sign.area_mm2,
        "area_u": sign.area_u_mm2,
    }
    if sign.misfit > WORST_MISFIT or sign.idle_excess > GREATEST_EXCESS:
        return missing(kind, Cause.NEITHER, at=side)
    # Red asks for all three: beyond chance, large enough to matter, and not of a size that nobody can tell.
    large = sign.idle_excess >= limit[0]
    if large and sign.significance() >= ONE_IN_TWENTY:
        told = sign.idle_excess >= ONE_IN_TWENTY * sign.idle_excess_u
        sure = told and sign.significance() >= ONE_IN_A_HUNDRED
        return Check(kind, Verdict.RED if sure else Verdict.AMBER, numbers, limit, side)
    high = sign.idle_excess + ONE_IN_TWENTY * sign.idle_excess_u
    if high < limit[1] and sign.significance() < ONE_IN_TWENTY:
        return Check(kind, Verdict.GREEN, numbers, limit, side)
    return missing(kind, Cause.TOO_SMALL_TO_SHOW, at=side, high=high)


def _wander(bands: Bands, limits: CheckLimits) -> Check:
    """Spread of lambda at idle over the middle spread of the other bands; a leak that opens and shuts makes it great."""
    many = (bands.count >= LEAST_SPREAD_SAMPLES) & (bands.lambda_spread > 0.0)
    idle = np.array([load == "idle" for load in bands.load])
    if not (many & idle).any() or (many & ~idle).sum() < 3:
        return missing(CheckKind.WANDER)
    times = float(bands.lambda_spread[many & idle].max() / np.median(bands.lambda_spread[many & ~idle]))
    return judged(CheckKind.WANDER, times, limits)


def _starvation(bands: Bands, limits: CheckLimits) -> Check:
    kind = CheckKind.STARVATION
    found = starving(bands)
    if found is None:
        return missing(kind)
    check = judged(kind, found.value, limits, value_u=found.error)
    if check.verdict != Verdict.GREEN and found.value >= CLEAR_OF_NOISE * found.error:
        return check
    if found.value + ONE_IN_TWENTY * found.error < limits.of(kind)[1]:
        return replace(check, verdict=Verdict.GREEN)
    return missing(kind, Cause.TOO_SHORT)


def _hot_idle(bands: Bands, limits: CheckLimits) -> Check:
    """Change of idle lambda from the coolest to the hottest hold."""
    kind, log = CheckKind.HOT_IDLE, bands.log
    if log is None or log.coolant_degc is None:
        return missing(kind)
    idle = [hold for b, load in enumerate(bands.load) if load == "idle" for hold in holds(bands, b)]
    heat = np.array([float(log.coolant_degc[hold].mean()) for hold in idle])
    ratio = np.array([float(log.lambda_measured[hold].mean()) for hold in idle])
    if heat.size < LEAST_HOLDS + 1 or not np.ptp(heat) >= LEAST_COOLANT_RANGE_DEGC:
        return missing(kind)
    change, error = (float(np.ptp(heat)) * part for part in _slope(heat, ratio, heat.size))
    check = judged(kind, -change, limits, value=change, value_u=error)
    return check if -change >= CLEAR_OF_NOISE * error else replace(check, verdict=Verdict.GREEN)


def _sensor(bands: Bands, limits: CheckLimits) -> list[Check]:
    """Share of the running engine's rows with lambda stuck, and at the meter's ceiling."""
    if bands.log is None:
        return [missing(CheckKind.STUCK), missing(CheckKind.CEILING)]
    flag = bands.log.flag[bands.log.rpm >= RPM_ENGINE_ON]

    def share(*flags: int) -> float:
        return float(np.isin(flag, flags).mean()) if flag.size else 0.0

    return [
        judged(CheckKind.STUCK, share(FROZEN), limits),
        judged(CheckKind.CEILING, share(CEILING, TOO_LEAN), limits),
    ]


def _warm(bands: Bands | None, by_hand_degc: float | None, limits: CheckLimits) -> Check:
    """Coolant in the coolest twentieth of the holds' rows, else as read by hand."""
    heat = by_hand_degc
    if bands is not None and bands.log is not None and bands.log.coolant_degc is not None:
        rows = [hold for b in range(bands.rpm.size) for hold in holds(bands, b)] or [np.flatnonzero(bands.log.flag == 0)]
        logged = bands.log.coolant_degc[np.concatenate(rows)]
        if np.isfinite(logged).any():
            heat = float(np.nanpercentile(logged, 5.0))
    return judged(CheckKind.WARM, heat, limits)


def _repeat(bands: Bands, limits: CheckLimits) -> Check:
    found = visits_scatter(bands)
    if found is None or found.parts < LEAST_HOLDS:
        return missing(CheckKind.REPEAT)
    return judged(CheckKind.REPEAT, found.value, limits, visits=found.parts)


def _reach(bands: Bands | None, setup: Setup | None, limits: CheckLimits) -> Check:
    """How far along the needle the jet's face came; too little is no fault, but no cut is proposed beyond."""
    if bands is None or setup is None or not np.isfinite(bands.lift_mm).any():
        return missing(CheckKind.REACH)
    carburettor = setup.carburettor
    stations, lift = carburettor.needle.stations_mm, float(np.nanmax(bands.lift_mm))
    place = float(carburettor.position_mm(lift))
    station = float(np.interp(place, stations, np.arange(1.0, stations.size + 1.0)))
    share = lift / carburettor.air_valve.travel_mm()
    check = judged(CheckKind.REACH, share, limits, station=station, place=place)
    return check if check.verdict is Verdict.GREEN else replace(check, verdict=Verdict.AMBER)


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
    if not rows.size:
        return []
    cut = np.flatnonzero((np.diff(rows) > 1) | (np.diff(log.time_s[rows]) > GAP_SECONDS)) + 1
    found = []
    for run in np.split(rows, cut):
        time = log.time_s[run]
        kept = run[time >= time[0] + SETTLING_S]
        if time[-1] - time[0] >= LEAST_HOLD_S and kept.size >= 3:
            found.append(kept)
    return found


def visits_scatter(bands: Bands) -> Figure | None:
    """Pooled standard deviation of the means of separate holds of one band, noise within a hold included."""
    log = bands.log
    if log is None:
        return None
    squares, freedom, used = 0.0, 0, 0
    for band in range(bands.rpm.size):
        means = [float(log.lambda_measured[hold].mean()) for hold in holds(bands, band)]
        if len(means) >= 2:
            squares += float(np.var(means)) * len(means)
            freedom += len(means) - 1
            used += len(means)
    scatter = float(np.sqrt(squares / freedom)) if freedom else 0.0
    return Figure(scatter, scatter / float(np.sqrt(2.0 * freedom)), used) if freedom else None


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
    log = bands.log
    if log is None:
        return None
    slopes, errors = [], []
    for hold in (hold for band in which for hold in holds(bands, band)):
        time, ratio = log.time_s[hold], log.lambda_measured[hold]
        independent = float(time[-1] - time[0]) / CORRELATION_S + 1.0
        slope, error = _slope(time, ratio, min(independent, hold.size))
        slopes.append(slope)
        errors.append(max(error, 1e-6))
    if not slopes:
        return None
    weight = 1.0 / np.array(errors) ** 2
    mean = float((weight * slopes).sum() / weight.sum())
    # Holds that disagree by more than their noise widen the error.
    excess = float((weight * (np.array(slopes) - mean) ** 2).sum()) / max(len(slopes) - 1, 1)
    return Figure(mean, max(1.0, float(np.sqrt(excess))) / float(np.sqrt(weight.sum())), len(slopes))


def _slope(x: FloatArray, y: FloatArray, independent: float) -> tuple[float, float]:
    """Slope of a straight line and its standard error, for samples of which only so many are independent."""
    away = x - x.mean()
    square = float((away**2).sum())
    if square <= 0.0:
        return 0.0, float("inf")
    slope = float((away * y).sum() / square)
    left = y - y.mean() - slope * away
    variance = float((left**2).mean()) * independent / max(independent - 2.0, 1.0)
    return slope, float(np.sqrt(variance / square * x.size / independent))
