"""Lambda held against what needle, jet and lifts as stated give: an air leak, and figures typed wrong."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.gaussian import NINETY, offset_squared_u
from needlecalc.measure.checks.check import Cause, Check, Verdict, graded, in_full, judged, worse
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.lift.estimates import readings_against_air
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import FlowParameters, Setup, fuel_flow, fuel_flow_and_slopes
from needlecalc.physics.airflow import leak_flow_g_s
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

COMMON_SHARE_OF_LIFT = 0.7
LEAST_LIFT_MM, LIFT_STEP_MM = 0.3, 0.05
# Of an air leak.
BANDS_FOR_A_LEAK = 6
LEAST_FLOW_RATIO = 3.0
LEANEST_LAMBDA = 1.25  # beyond it engines miss, and the meter reads leaner than the mixture
MODEL_RANGE = 0.5  # of ln(air flow), over which the flow law errs alike
ANY_SCALE = 1.0
ROUNDS = 6
# Lambda at full load moved by pulsation, by cylinders on one carburettor; cycle averages computed for this project.
PULSATION = {1: 0.10, 2: 0.03}
PULSATION_OF_MORE = 0.01
# Of slips of the pen.
ALONE = 0.1  # of the bend about a station: a slip leaves less once that station is set right, a kink of the taper a third
NEARLY_OPEN = 0.8  # of the pressure outside: a drive that came so far meant full load
LEAST_BANDS = 3
# What throat, flow law and meter leave open of lambda by needle and jet, k=1: its level, its change over a lift as great
# as the throat's bore, and humps about as wide as lift doubled, beside the repeatability.  Judgement.
LEVEL_U, TREND_U, HUMPS_U, HUMP_WIDTH, REPEAT_U = 0.3, 0.25, 0.02, 0.5, 0.01
BORE_STEP_MM = 0.01
MOST_SUSPECTS = 2
# Slips are no greater; the last is a share.
FARTHEST = {Cause.SUSPECT_BORE: 0.4, Cause.SUSPECT_PLACE: 10.0, Cause.SUSPECT_LIFTS: 8.0, Cause.SUSPECT_LEVEL: 0.7}


@dataclass(frozen=True)
class LeakSign:
    """An air leak as the bands show it.

    Parameters
    ----------
    area_mm2, area_u_mm2 : float
        Effective area of a hole behind the throttle that fits best, and its standard uncertainty. [mm2]
    idle_excess, idle_excess_u : float
        How much leaner it makes the band of least air flow, as a share. [-]
    bands : int
        Bands used.
    misfit : float
        Square misfit of needle and leak together over its degrees of freedom; 1 where both fit. [-]
    why_not : Cause or None
        Why nothing can be said; None where something can.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> leak_sign(road.bands, road.setup).bands
    11
    """

    area_mm2: float = float("nan")
    area_u_mm2: float = float("nan")
    idle_excess: float = float("nan")
    idle_excess_u: float = float("nan")
    bands: int = 0
    misfit: float = float("nan")
    why_not: Cause | None = None

    def significance(self) -> float:
        """Area over its uncertainty; above 2.33 a sound engine would show it once in a hundred."""
        return self.area_mm2 / self.area_u_mm2


def leak_sign(bands: Bands, setup: Setup, *, banks: int = 1, doubts: Doubts | None = None) -> LeakSign:
    r"""Leak that the shape of lambda over air flow speaks for, against the needle fitted.

    Parameters
    ----------
    bands : Bands
        Bands with lifts and manifold pressure, idle among them.
    setup : Setup
        Engine and carburettor with the needle and jet of the drive.
    banks : int
        Banks of the engine, where the bands are those of one of them.
    doubts : Doubts or None
        How far off needle, fuel and lift may be; the usual when not given.

    Returns
    -------
    LeakSign
        Area and idle excess with their uncertainties, or the reason why nothing can be said.

    Notes
    -----
    A needle that is lean at idle and a leak look alike in lambda alone.  They part where the needle's table says what it
    should give: generalised least squares of :math:`\ln\lambda` less that of the forward model on
    :math:`-\ln(1 - A\,\psi(p)/\dot m)`, the scale left free, the covariance that of all that is doubtful of the needle's own
    curve.  Holds at 1250 to 1750 rpm near full throttle beside light ones at equal air flow sharpen it most.  Air drawn in
    after the exhaust valves gives the same sign; a gas analyser tells the two apart.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> sign = leak_sign(road.bands, road.setup)
    >>> abs(sign.idle_excess) < 2.0 * sign.idle_excess_u  # no sign of a leak
    True
    """
    keep, why_not = _usable(bands, setup)
    if why_not is not None:
        return LeakSign(bands=int(keep.sum()), why_not=why_not)
    air, before = setup.air, doubts or Doubts()
    every_flow, every_hole = _flows(bands, setup, banks)
    pressure, flow, hole = bands.manifold_pressure_pa[keep], every_flow[keep], every_hole[keep]
    model = expected_lambda(bands, setup, keep, before)
    # A lift computed from the engine's air counts the leak in and stands too high; a lift read does not.
    computed = bands.lift_computed_alone()[keep]
    per_mm2 = hole / flow * np.where(computed, 1.0 - model.by_flow, 1.0)
    each = setup.engine.cylinders // setup.engine.carburettors
    pulsation = PULSATION.get(each, PULSATION_OF_MORE)
    load = np.minimum(pressure / air.pressure_pa, 1.0)
    noise = np.hypot(bands.lambda_se[keep] / bands.lambda_measured[keep], before.repeatability)
    moved = pulsation * load**4, np.full(flow.size, ANY_SCALE)
    covariance = model.covariance(moved, np.hypot(noise, model.by_lift_u), before.flow_shape, np.log(flow) / MODEL_RANGE)
    found = np.log(bands.lambda_measured[keep]) - model.ln_lambda
    area, variance = 0.0, 1.0
    for _ in range(ROUNDS):
        taken = np.clip(area * per_mm2, -0.5, 0.8)
        slope = per_mm2 / (1.0 - taken)
        weighted = np.linalg.solve(covariance, slope)
        variance = 1.0 / float(slope @ weighted)
        area += variance * float(weighted @ (found + np.log1p(-taken)))
        area = float(np.clip(area, -0.5 / per_mm2.max(), 0.8 / per_mm2.max()))
    left = found + np.log1p(-np.clip(area * per_mm2, -0.5, 0.8))
    misfit = float(left @ np.linalg.solve(covariance, left)) / (flow.size - 2)
    # The band of least flow may be too lean to be used above, and is still the one that suffers most.
    least = int(np.nanargmin(every_flow))
    worst_per_mm2 = float(every_hole[least] / every_flow[least])
    share = float(np.clip(area * worst_per_mm2, -0.5, 0.8))
    area_u = float(np.sqrt(variance))
    excess = 1.0 / (1.0 - share) - 1.0
    return LeakSign(area, area_u, excess, area_u * worst_per_mm2 / (1.0 - share) ** 2, int(flow.size), misfit)


def _flows(bands: Bands, setup: Setup, banks: int) -> tuple[FloatArray, FloatArray]:
    """Air of the engine, or of one bank, in each band, and what a hole of 1 mm2 lets in there; NaN without pressure."""
    air, pressure = setup.air, bands.manifold_pressure_pa
    computed = setup.engine.air_flow_g_s(bands.rpm, pressure, air, hold_edge=True)
    flow = np.where(np.isfinite(bands.air_flow_g_s), bands.air_flow_g_s, computed)
    hole = leak_flow_g_s(1.0, pressure, pressure_pa=air.pressure_pa, temperature_degc=air.temperature_degc)
    return np.where(np.isfinite(pressure), flow / banks, np.nan), hole


def on_needle(bands: Bands, setup: Setup) -> NDArray[np.bool_]:
    """Bands whose lift and depression are known and whose place lies on the needle, a step below it too."""
    needle, valve = setup.carburettor.needle, setup.carburettor.air_valve
    lift = np.nan_to_num(bands.lift_mm)
    place = setup.carburettor.position_mm(lift)
    keep = (lift >= LEAST_LIFT_MM) & (place >= needle.stations_mm[0] + LIFT_STEP_MM) & (place <= needle.stations_mm[-1])
    if isinstance(valve, SlideValve) and valve.usual_depression_pa is None:
        keep &= np.isfinite(bands.depression_pa)
    return np.asarray(keep)


def _usable(bands: Bands, setup: Setup) -> tuple[NDArray[np.bool_], Cause | None]:
    """Bands that can speak, and why they cannot."""
    known = np.isfinite(bands.lift_mm) & np.isfinite(bands.manifold_pressure_pa)
    keep = known & on_needle(bands, setup) & (bands.lambda_measured <= LEANEST_LAMBDA)
    if not known.any():
        return keep, Cause.NO_LIFT_OR_PRESSURE
    if keep.sum() < BANDS_FOR_A_LEAK:
        return keep, Cause.FEW_BANDS
    draw = bands.rpm[keep] * bands.manifold_pressure_pa[keep]
    if draw.max() < LEAST_FLOW_RATIO * draw.min():
        return keep, Cause.NARROW_FLOW
    return keep, None


class Expected(NamedTuple):
    """Lambda by the forward model in some bands, and what is doubtful of it."""

    ln_lambda: FloatArray  # but for its scale
    doubts: FloatArray  # each column moves all bands together
    per_mm_position: FloatArray  # of ln(fuel)
    per_mm_lift: FloatArray
    by_lift_u: FloatArray  # for one standard uncertainty of each lift
    by_flow: FloatArray  # slope by ln(air)

    def covariance(self, moved: Sequence[FloatArray], own_u: FloatArray, hump_u: float, place: FloatArray) -> FloatArray:
        """Covariance of its ln: what else moves all bands together, each band's own, and humps one wide along a place."""
        columns = np.column_stack([self.doubts, *moved])
        humps = hump_u**2 * np.exp(-0.5 * np.subtract.outer(place, place) ** 2)
        return np.asarray(columns @ columns.T + np.diag(own_u**2) + humps)


def expected_lambda(bands: Bands, setup: Setup, keep: NDArray[np.bool_], doubts: Doubts) -> Expected:
    """What needle, jet and throat as stated give at the lifts of some bands."""
    jet = setup.carburettor.jet
    lift, known = bands.lift_mm[keep], bands.depression_pa[keep]
    flow, slopes = fuel_flow_and_slopes(setup, lift, depression_pa=known)
    lower = lift - LIFT_STEP_MM
    air, air_lower = (np.log(_air_g_s(setup, mm, known)) for mm in (lift, lower))
    expected = air - np.log(flow.fuel_flow_g_s)
    step = expected - air_lower + np.log(fuel_flow(setup, lower, depression_pa=known).fuel_flow_g_s)
    by_lift_u = step / LIFT_STEP_MM * np.nan_to_num(bands.lift_u_mm[keep])
    height = lift / setup.carburettor.air_valve.throat_bore_mm
    common = [
        doubts.table_mm * slopes.per_mm_diameter,
        doubts.table_offset_mm * slopes.per_mm_diameter.sum(axis=1),
        doubts.lift_zero_mm * slopes.per_mm_position,
        jet.parallel_length_u_mm * slopes.per_mm_length,
        doubts.viscosity * slopes.per_ln_viscosity,
        COMMON_SHARE_OF_LIFT * by_lift_u,
        doubts.lift.throat_trend_u * (height - height.mean()),
    ]
    if jet.mounting == "centred":
        offset = min(np.sqrt(offset_squared_u(0.0, doubts.eccentricity_u(jet.mounting))), 1.0)
        off = fuel_flow(setup, lift, depression_pa=known, parameters=FlowParameters(jet.parallel_length_mm, 1.0, offset))
        common.append(np.log(off.fuel_flow_g_s / flow.fuel_flow_g_s))
    by_flow = step / (air - air_lower)
    return Expected(expected, np.column_stack(common), slopes.per_mm_position, step / LIFT_STEP_MM, by_lift_u, by_flow)


def _air_g_s(setup: Setup, lift_mm: FloatArray, depression_pa: FloatArray) -> FloatArray:
    """Air that passes the throat at each lift, by the depression read there where one was."""
    valve, air = setup.carburettor.air_valve, setup.air
    return valve.air_flow_g_s(lift_mm, air, setup.carburettor.depression_pa(lift_mm, depression_pa))


def plausible_checks(
    bands: Bands | None,
    setup: Setup | None,
    gases: Sequence[GasReading],
    limits: CheckLimits,
    doubts: Doubts,
    *,
    engine_stated: bool,
) -> list[Check]:
    """Needle table, pressure at full load, lifts against air flow, lambda against the parts, and that noted with the gas."""
    found = [] if setup is None else [_table(setup.carburettor.needle, limits)]
    if bands is not None and setup is not None:
        found += [*_loads(bands, setup, limits), *_against_parts(bands, setup, limits, doubts)]
        found += _lifts(bands, setup, limits, doubts) if engine_stated else []
    if bands is not None:
        found += _noted(bands, gases, limits)
    return in_full(CheckKind.TABLE, CheckKind.NOTED, found)


def _table(needle: Needle, limits: CheckLimits) -> Check:
    """One diameter off the curve of its neighbours to both sides: how far, at the station where that explains most."""
    x, count = needle.stations_mm, needle.stations_mm.size
    # Each row: how far a station stands thick of the straight line between its neighbours.
    rows = np.zeros((max(count - 2, 0), count))
    for k in range(count - 2):
        part = (x[k + 1] - x[k]) / (x[k + 2] - x[k])
        rows[k, k : k + 3] = part - 1.0, 1.0, -part
    bend = rows @ needle.diameters_mm
    off, at = 0.0, 0
    for station in range(2, count - 2):
        near = slice(station - 2, station + 1)
        by_station, seen = rows[near, station], bend[near]
        error = float(by_station @ seen / (by_station @ by_station))
        left = float(((seen - error * by_station) ** 2).sum())
        if abs(error) > abs(off) and left < ALONE * float(seen @ seen):
            off, at = error, station
    numbers = {"station": at + 1.0, "typed": float(needle.diameters_mm[at]), "smooth": float(needle.diameters_mm[at]) - off}
    return judged(CheckKind.TABLE, 1e3 * abs(off), limits, **numbers)


def _loads(bands: Bands, setup: Setup, limits: CheckLimits) -> Iterator[Check]:
    """Full load by its manifold pressure, and by its air a turn against that of light load."""
    light, full = (np.array([load == called for load in bands.load]) for called in ("light", "full"))
    # Greatest pressure over that outside, of the full-load bands; of all bands where none is called so.
    share = bands.manifold_pressure_pa / setup.air.pressure_pa
    open_wide = share[np.isfinite(share) & (full if (np.isfinite(share) & full).any() else share >= NEARLY_OPEN)]
    if open_wide.size:
        yield judged(CheckKind.FULL_PRESSURE, float(open_wide.max()), limits)
    # By the lifts: the light band that takes most over the full-load band that takes least.
    taken = setup.carburettor.air_valve.throat_area_mm2(bands.lift_mm) / bands.rpm
    if np.isfinite(taken[light]).any() and np.isfinite(taken[full]).any():
        most, least = int(np.nanargmax(np.where(light, taken, np.nan))), int(np.nanargmin(np.where(full, taken, np.nan)))
        named = dict(zip(("light", "full"), bands.called(most, least), strict=True))
        yield judged(CheckKind.LOADS, float(taken[most] / taken[least]), limits, **named)


def _against_parts(bands: Bands, setup: Setup, limits: CheckLimits, doubts: Doubts) -> Iterator[Check]:
    r"""Lambda against what needle, jet and lifts as stated give: all bands together, and each against all others.

    With r = ln of measured over expected lambda and C its covariance, the misfit is r C^-1 r over the bands, and a band
    stands :math:`(C^{-1} r)_k / \sqrt{C^{-1}_{kk}}` of its uncertainties off what the others foretell.
    """
    if (keep := on_needle(bands, setup)).sum() < LEAST_BANDS:
        return
    lift, lambdas = bands.lift_mm[keep], bands.lambda_measured[keep]
    model = expected_lambda(bands, setup, keep, doubts)
    left = np.log(lambdas * setup.fuel.afr()) - model.ln_lambda
    height = lift / setup.carburettor.air_valve.throat_bore_mm
    own_lift = np.sqrt(1.0 - COMMON_SHARE_OF_LIFT**2) * model.by_lift_u
    own = np.hypot(np.hypot(bands.lambda_se[keep] / lambdas, REPEAT_U), own_lift)
    moved = np.full(lift.size, LEVEL_U), TREND_U * (height - height.mean())
    weight = np.linalg.inv(model.covariance(moved, own, HUMPS_U, np.log(lift) / HUMP_WIDTH))
    pull = weight @ left
    misfit = float(left @ pull) / left.size
    off = pull / np.sqrt(np.diag(weight))
    odd = int(np.argmax(np.abs(off)))
    read, (band,) = float(lambdas[odd]), bands.called(int(np.flatnonzero(keep)[odd]))
    foretold = read * float(np.exp(-pull[odd] / weight[odd, odd]))
    yield judged(CheckKind.ODD_BAND, abs(float(off[odd])), limits, band=band, read=read, foretold=foretold)
    # How far each part alone would have to be other than stated, and what misfit that takes away.
    known, wider = bands.depression_pa[keep], setup.with_jet(bore_mm=setup.carburettor.jet.bore_mm + BORE_STEP_MM)
    fuels = [fuel_flow(one, lift, depression_pa=known).fuel_flow_g_s for one in (setup, wider)]
    signs = {
        Cause.SUSPECT_BORE: np.log(fuels[0] / fuels[1]) / BORE_STEP_MM,
        Cause.SUSPECT_PLACE: -model.per_mm_position,
        Cause.SUSPECT_LIFTS: model.per_mm_lift,
        Cause.SUSPECT_LEVEL: np.ones(lift.size),
    }
    numbers, taken_away = {}, {Cause.ONE_BAND: float(off[odd]) ** 2 / left.size}
    for cause, sign in signs.items():
        sure = float(sign @ weight @ sign)
        by = float(sign @ pull) / sure
        numbers[cause.name.lower()] = by
        taken_away[cause] = by**2 * sure / left.size if abs(by) < FARTHEST[cause] else 0.0
    enough = [cause for cause, one in taken_away.items() if misfit - one < limits.parts_misfit[0]]
    causes = sorted(enough, key=lambda cause: -taken_away[cause])[:MOST_SUSPECTS] or [Cause.NO_ONE_PART]
    check = judged(CheckKind.PARTS, misfit, limits, *causes, **numbers)
    yield replace(check, causes=()) if check.verdict is Verdict.GREEN else check


def _lifts(bands: Bands, setup: Setup, limits: CheckLimits, doubts: Doubts) -> Iterator[Check]:
    """Lifts read against those computed: a shift or a share that parts and efficiency do not explain, or an odd one."""
    if (found := readings_against_air(bands, setup, doubts.lift)) is None:
        return
    shift = abs(found.shift_mm)
    sizes = {
        Cause.LIFTS_SHIFTED: graded(shift, limits.lift_shift_mm) if shift > NINETY * found.shift_u_mm else Verdict.GREEN,
        Cause.AIR_OFF: graded(abs(found.ln_share), limits.air_share),
        Cause.LIFT_ODD: graded(found.chance, limits.lift_chance),
    }
    verdict = worse(*sizes.values())
    causes = tuple(cause for cause, one in sizes.items() if one is verdict)[:1] if verdict is not Verdict.GREEN else ()
    numbers = {"value": -found.shift_mm, "percent": 100.0 * float(np.expm1(found.ln_share))}
    yield Check(CheckKind.LIFTS, verdict, numbers, limits.lift_shift_mm, causes=causes)


def _noted(bands: Bands, gases: Sequence[GasReading], limits: CheckLimits) -> Iterator[Check]:
    """Lambda noted beside the gas at idle against that of the drive at idle."""
    noted = [gas.lambda_measured for gas in gases if gas.at == "idle" and gas.lambda_measured is not None]
    if noted and (idle := bands.idle()) is not None:
        driven, read = float(bands.lambda_measured[idle]), float(np.mean(noted))
        yield judged(CheckKind.NOTED, abs(float(np.log(driven / read))), limits, driven=driven, noted=read)
