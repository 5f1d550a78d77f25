"""The sign of air that did not pass the carburettor: lambda too lean by a share that falls with air flow."""

from __future__ import annotations

from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.gaussian import offset_squared_u
from needlecalc.measure.checks.check import Cause
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.setup import FlowParameters, Setup, fuel_flow, fuel_flow_and_slopes
from needlecalc.physics.airflow import leak_flow_g_s
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

LEAST_BANDS = 6
LEAST_FLOW_RATIO = 3.0
LEAST_LIFT_MM = 0.3
LEANEST_LAMBDA = 1.25  # beyond it engines miss, and the meter reads leaner than the mixture

MODEL_RANGE = 0.5  # of ln(air flow), over which the flow law errs alike
COMMON_SHARE_OF_LIFT = 0.7
ANY_SCALE = 1.0
ROUNDS = 6
# Lambda at full load moved by pulsation, by cylinders on one carburettor; cycle averages computed for this project.
PULSATION = {1: 0.10, 2: 0.03}
PULSATION_OF_MORE = 0.01
LIFT_STEP_MM = 0.05


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
    A needle that is lean at idle and a leak look alike in lambda alone.  They part where the needle's table
    says what it should give: generalised least squares of :math:`\ln\lambda` less that of the forward model on
    :math:`-\ln(1 - A\,\psi(p)/\dot m)`, the scale left free.  The covariance holds what is doubtful of the
    needle's own curve: every diameter, shoulder, bore length, eccentricity, viscosity, lift, throat,
    pulsation and the flow law.  The flow through the hole is less at full load, so holds at 1250 to 1750 rpm
    near full throttle beside light ones at equal air flow sharpen it most.

    Air drawn in after the exhaust valves gives the same sign; a gas analyser tells the two apart.

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
    columns = np.column_stack([model.doubts, pulsation * load**4, np.full(flow.size, ANY_SCALE)])
    apart = np.log(flow)[:, None] - np.log(flow)[None, :]
    noise = np.hypot(bands.lambda_se[keep] / bands.lambda_measured[keep], before.repeatability)
    covariance = columns @ columns.T + np.diag(noise**2 + model.by_lift_u**2)
    covariance += before.flow_shape**2 * np.exp(-0.5 * (apart / MODEL_RANGE) ** 2)
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
    if keep.sum() < LEAST_BANDS:
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
        np.column_stack(
            [
                doubts.table_offset_mm * slopes.per_mm_diameter.sum(axis=1),
                doubts.lift_zero_mm * slopes.per_mm_position,
                jet.parallel_length_u_mm * slopes.per_mm_length,
                doubts.viscosity * slopes.per_ln_viscosity,
                COMMON_SHARE_OF_LIFT * by_lift_u,
                doubts.lift.throat_trend_u * (height - height.mean()),
            ]
        ),
    ]
    if jet.mounting == "centred":
        offset = min(np.sqrt(offset_squared_u(0.0, doubts.eccentricity_u(jet.mounting))), 1.0)
        off = fuel_flow(setup, lift, depression_pa=known, parameters=FlowParameters(jet.parallel_length_mm, 1.0, offset))
        common.append(np.log(off.fuel_flow_g_s / flow.fuel_flow_g_s)[:, None])
    by_flow = step / (air - air_lower)
    return Expected(expected, np.hstack(common), slopes.per_mm_position, step / LIFT_STEP_MM, by_lift_u, by_flow)


def _air_g_s(setup: Setup, lift_mm: FloatArray, depression_pa: FloatArray) -> FloatArray:
    """Air that passes the throat at each lift, by the depression read there where one was."""
    valve, air = setup.carburettor.air_valve, setup.air
    return valve.air_flow_g_s(lift_mm, air, setup.carburettor.depression_pa(lift_mm, depression_pa))
