"""Estimates of the lift: read, by sensor, or computed from air flow; and readings weighed against computed lifts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from scipy.special import chdtrc, log_ndtr

from needlecalc.errors import InputError
from needlecalc.gaussian import Gaussian
from needlecalc.measure.drive.bands import Bands, DriveNote, LiftSource
from needlecalc.parts.engine import VolumetricEfficiency
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.priors import LIFT_READ, LiftDoubts
from needlecalc.remark import Remark, Severity
from needlecalc.show import in_words
from needlecalc.units import FloatArray

BEYOND_SIGMAS = 2.0
ALIKE_SHARE = 0.9  # of the variance of a computed lift that its neighbours share
ALIKE_OVER = 0.7  # ratio of lifts, in ln, over which they do
OPEN_THROTTLE = 0.8  # of the outside pressure: above it the pulses of the cylinders reach the air valve
STRANGE_SIGMAS = 2.5
ROUNDS = 20
LEAST_FOR_SHIFT_AND_SHARE = 4


@dataclass(frozen=True, eq=False)
class LiftEstimate:
    """Lifts of one source, shape (m,), NaN where it gives none; ``flow_g_s`` is empty for lifts that were read."""

    source: LiftSource
    mm: FloatArray
    common_u_mm: FloatArray  # shift of each lift if the error all bands share is one sigma high
    own_u_mm: FloatArray
    flow_g_s: FloatArray  # of one carburettor
    flow_u: float = 0.0  # shared uncertainty of the air flow, as a share
    flow_own_u: FloatArray | float = 0.0
    remarks: tuple[Remark, ...] = ()

    def u_mm(self) -> FloatArray:
        """Whole standard uncertainty, shared and own part together."""
        return np.hypot(self.common_u_mm, self.own_u_mm)


def alike(lift_mm: FloatArray) -> FloatArray:
    """Correlation of the own errors of computed lifts, shape (m, m): each errs much as its neighbours do."""
    out = ALIKE_SHARE * nearness(lift_mm)
    np.fill_diagonal(out, 1.0)
    return np.asarray(out)


def nearness(lift_mm: FloatArray) -> FloatArray:
    """Correlation of what computed lifts share with their neighbours alone, shape (m, m)."""
    # Filling, throat and pulses change little from one running point to the next: judgement, no source.
    apart = np.abs(np.subtract.outer(np.log(lift_mm + 1.0), np.log(lift_mm + 1.0)))
    return np.asarray(np.exp(-apart / ALIKE_OVER))


def lift_shift_mm(setup: Setup, flow_g_s: FloatArray, share: FloatArray | float) -> FloatArray:
    """Shift of the lift when the air flow of one carburettor is a share more; next to the top stop that of the step down."""
    # One solve for all three: the solver's rounds cost the same for any number of flows.
    flows = np.stack([flow_g_s * (1.0 + share), flow_g_s, flow_g_s * (1.0 - share)])
    high, here, low = setup.carburettor.air_valve.lift_mm(flows, setup.air)
    return np.asarray(np.where(np.isfinite(high), (high - low) / 2.0, here - low))


def greatest_flow_g_s(setup: Setup) -> float:
    """Air flow of one carburettor at full travel."""
    valve = setup.carburettor.air_valve
    return float(valve.air_flow_g_s(valve.travel_mm(), setup.air))


def passable_flow_g_s(setup: Setup, flow_g_s: FloatArray, share: FloatArray | float) -> FloatArray:
    """Air flow of one carburettor, cut to that at full travel where it is above it by two sigma of its share or less."""
    top = greatest_flow_g_s(setup)
    within = (flow_g_s > top) & (flow_g_s <= top * (1.0 + BEYOND_SIGMAS * np.asarray(share)))
    return np.where(within, top, flow_g_s)


def by_reading(
    bands: Bands, doubts: LiftDoubts, *, lift_mm: FloatArray | None = None, lift_u_mm: float = LIFT_READ.u
) -> tuple[LiftEstimate, LiftEstimate]:
    """Lifts read by hand (those given, else those of the bands), and lifts of a sensor; computed ones are left out."""
    typed, logged = bands.lift_from(LiftSource.TYPED), bands.lift_from(LiftSource.LOGGED)
    if (bands.lift_from(LiftSource.COMPUTED) & (typed | logged)).any():
        msg = "The lifts of these bands were already weighed against the air flow; start again from the bands before that."
        raise InputError(msg)
    logged &= ~typed
    by_hand, by_hand_u = np.where(typed, bands.lift_mm, np.nan), np.where(typed, bands.lift_u_mm, np.nan)
    by_sensor, by_sensor_u = np.where(logged, bands.lift_mm, np.nan), np.where(logged, bands.lift_u_mm, np.nan)
    if lift_mm is not None:
        given = np.isfinite(lift_mm)
        by_hand, by_hand_u = np.where(given, lift_mm, by_hand), np.where(given, lift_u_mm, by_hand_u)
    # The log's figure is the scatter of the mean alone until the sensor's own uncertainty is joined to it, once.
    raw = np.isfinite(by_sensor) & ~np.isfinite(bands.lift_common_u_mm)
    by_sensor_u = np.where(raw, np.hypot(np.nan_to_num(by_sensor_u), doubts.sensor_u_mm), by_sensor_u)

    def estimate(source: LiftSource, lift: FloatArray, whole: FloatArray) -> LiftEstimate:
        common = np.minimum(doubts.zero_u_mm, whole)
        return LiftEstimate(source, lift, common, np.sqrt(np.maximum(whole**2 - common**2, 0.0)), np.empty(0))

    return estimate(LiftSource.TYPED, by_hand, by_hand_u), estimate(LiftSource.LOGGED, by_sensor, by_sensor_u)


def by_air(bands: Bands, setup: Setup, doubts: LiftDoubts) -> tuple[LiftEstimate, ...]:
    """Lifts computed from air flow, the most direct first; none under a slide, which the throttle opens."""
    slide = isinstance(setup.carburettor.air_valve, SlideValve)
    return () if slide else (by_air_meter(bands, setup, doubts), by_manifold(bands, setup, doubts))


def by_air_meter(bands: Bands, setup: Setup, doubts: LiftDoubts) -> LiftEstimate:
    """Lifts computed from the logged air flow; NaN where none was logged or the throat cannot pass it."""
    own = np.hypot(np.hypot(doubts.meter_shape_u, doubts.throat_shape_u), _pulsation_share(bands, setup, doubts))
    shared = float(np.hypot(doubts.meter_u, doubts.throat_share()))
    return _computed(LiftSource.AIR_METER, setup, bands.air_flow_g_s, shared, own)


def by_manifold(bands: Bands, setup: Setup, doubts: LiftDoubts) -> LiftEstimate:
    """Lifts computed from manifold pressure and speed (speed-density); NaN where no pressure was logged.

    A band off the table of volumetric efficiency takes its edge, with more uncertainty and a remark.
    """
    engine, pressure = setup.engine, bands.manifold_pressure_pa
    flow = engine.air_flow_g_s(bands.rpm, pressure, setup.air, hold_edge=True)
    gauge: FloatArray = doubts.manifold_pressure_u_pa / pressure
    own = np.hypot(
        np.hypot(engine.filling_shape_u(pressure / setup.air.pressure_pa), doubts.throat_shape_u),
        _pulsation_share(bands, setup, doubts),
    )
    remarks: tuple[Remark, ...] = ()
    filling = engine.volumetric_efficiency
    if isinstance(filling, VolumetricEfficiency):
        if filling.reference == "outside":
            gauge = np.zeros(pressure.shape)  # the pressure then only picks the place in the table
        own = np.hypot(own, filling.edge_u(bands.rpm, pressure))
        off = np.flatnonzero(np.isfinite(pressure) & ~filling.covers(bands.rpm, pressure))
        if off.size:
            remarks = (Remark(DriveNote.EDGE_HELD, bands=bands.called(*off.tolist())),)
    shared = float(np.hypot(engine.volumetric_efficiency_u, doubts.throat_share()))
    return _computed(LiftSource.PRESSURE, setup, flow, shared, np.hypot(own, gauge), remarks)


def _computed(
    source: LiftSource,
    setup: Setup,
    flow_g_s: FloatArray,
    flow_u: float,
    own_u: FloatArray,
    remarks: tuple[Remark, ...] = (),
) -> LiftEstimate:
    each = np.asarray(flow_g_s / setup.engine.carburettors)
    met = passable_flow_g_s(setup, each, np.hypot(flow_u, own_u))
    lift = setup.carburettor.air_valve.lift_mm(met, setup.air)
    common, own = (lift_shift_mm(setup, met, share) for share in (flow_u, np.minimum(own_u, 0.9)))
    return LiftEstimate(source, lift, common, own, each, flow_u, own_u, remarks)


def held_to_throat(estimate: LiftEstimate, setup: Setup) -> LiftEstimate:
    r"""The same with its air flow scaled down as far as a throat tells that passes no more than at full travel.

    Of :math:`s \sim N(0, \sigma^2)`, ln of true over computed flow at the band of most flow, only
    :math:`s \le s_0` is possible: mean :math:`-\sigma h`, variance :math:`\sigma^2 (1 - h (h + s_0/\sigma))`, with
    :math:`h = \varphi/\Phi` at :math:`s_0/\sigma` (truncated normal).  The shared error takes its part of both.
    """
    known = np.isfinite(estimate.flow_g_s)
    if not known.any() or not estimate.flow_u:
        return estimate
    band = int(np.argmax(np.where(known, estimate.flow_g_s, -np.inf)))
    own = np.broadcast_to(np.asarray(estimate.flow_own_u), known.shape)
    whole_u = float(np.hypot(estimate.flow_u, own[band]))
    end = float(np.log(greatest_flow_g_s(setup) / estimate.flow_g_s[band])) / whole_u
    h = float(np.exp(-0.5 * end**2 - log_ndtr(end))) / np.sqrt(2.0 * np.pi)
    part = (estimate.flow_u / whole_u) ** 2
    shared = estimate.flow_u * float(np.sqrt(1.0 - part * h * (h + end)))
    flow = estimate.flow_g_s * np.exp(-part * whole_u * h)
    held = _computed(estimate.source, setup, flow * setup.engine.carburettors, shared, own, estimate.remarks)
    if end > 0.0:
        return held
    percent = 100.0 * float(np.expm1(-end * whole_u))
    severity = Severity.CAUTION if end < -BEYOND_SIGMAS else Severity.NOTE
    numbers = {"percent": percent, "percent_u": 100.0 * whole_u}
    return replace(held, remarks=(*held.remarks, Remark(DriveNote.THROAT_PASSES_LESS, severity, numbers=numbers)))


def _pulsation_share(bands: Bands, setup: Setup, doubts: LiftDoubts) -> FloatArray:
    """Uncertainty by pulses: none behind a nearly shut throttle, which keeps them from the air valve."""
    shut = bands.manifold_pressure_pa < OPEN_THROTTLE * setup.air.pressure_pa
    return np.where(shut, 0.0, doubts.pulsation_u)


def weighed_lift(estimate: LiftEstimate, setup: Setup, read: tuple[LiftEstimate, LiftEstimate], serves: int) -> LiftEstimate:
    """Lifts with the air flow scaled by lifts read, a band read by hand counting once; the bands served are for the remark.

    A reading is the lift at the scaled air flow, plus the band's own error (alike among neighbours, so that it serves those
    beside it too), plus the zero of the readings, plus its own error. The slopes are taken anew at each scale found.
    """
    reading, sensor = read
    by_hand = np.isfinite(reading.mm)
    seen = np.where(by_hand, reading.mm, sensor.mm)
    seen_u = np.where(by_hand, reading.own_u_mm, sensor.own_u_mm)
    zeros = [float(np.nanmax(one.common_u_mm, initial=0.0)) for one in read]
    scale, valve, size = 0.0, setup.carburettor.air_valve, seen.size
    for _ in range(ROUNDS):
        flow = estimate.flow_g_s * np.exp(scale)
        lift, slope = valve.lift_mm(flow, setup.air), lift_shift_mm(setup, flow, 0.01) / 0.01
        known = np.isfinite(lift)
        marks = np.flatnonzero(np.isfinite(seen) & known)
        if not marks.size:
            name, suspects = in_words(estimate.source)
            msg = (
                f"No lift read stands at a band whose air flow from the {name} passes the throat; check {suspects}, or set "
                "calibrate to false."
            )
            raise InputError(msg)
        own = np.where(known, estimate.own_u_mm, 0.0)
        own = np.where(np.isfinite(own), own, np.nanmax(estimate.own_u_mm))  # beyond the throat before it was scaled
        root = np.diag([estimate.flow_u, *zeros, *np.zeros(size)])
        root[3:, 3:] = own[:, None] * np.linalg.cholesky(alike(np.where(known, lift, valve.travel_mm())))
        slopes = np.zeros((marks.size, 3 + size))
        slopes[:, 0] = slope[marks]
        slopes[np.arange(marks.size), np.where(by_hand[marks], 1, 2)] = 1.0
        slopes[np.arange(marks.size), 3 + marks] = 1.0
        away = seen[marks] - lift[marks] + slope[marks] * scale
        found = Gaussian(np.zeros(3 + size), root).after(slopes, np.maximum(seen_u[marks], 1e-6), away)
        moved, scale = abs(found.mean[0] - scale), float(found.mean[0])
        if moved < 1e-9:
            break
    u = found.u()
    met = passable_flow_g_s(setup, estimate.flow_g_s * np.exp(scale), np.hypot(u[0], estimate.flow_own_u))
    lift, slope = valve.lift_mm(met, setup.air), lift_shift_mm(setup, met, 0.01) / 0.01
    reach = np.column_stack([np.where(np.isfinite(lift), slope, 0.0), np.zeros((size, 2)), np.eye(size)])
    whole_u = found.u_of(reach)
    shared = np.maximum(reach @ found.root @ found.root[0], 0.0) / max(u[0], 1e-12)
    common, zero = np.minimum(shared, whole_u), 1 if by_hand[marks].any() else 2
    numbers: dict[str, float | int | str] = {
        "readings": marks.size,
        "source": estimate.source.code(),
        "percent": 100.0 * float(np.expm1(scale)),
        "percent_u": 100.0 * float(u[0]),
        "zero_mm": float(found.mean[zero]),
        "zero_u_mm": float(u[zero]),
        "bands": serves,
        "usual_percent": 100.0 * estimate.flow_u,
    }
    severity = Severity.CAUTION if abs(scale) > STRANGE_SIGMAS * estimate.flow_u else Severity.NOTE
    return replace(
        estimate,
        source=estimate.source | LiftSource.SCALED,
        mm=np.asarray(lift + found.mean[3:]),
        common_u_mm=common,
        own_u_mm=np.sqrt(np.maximum(whole_u**2 - common**2, 0.0)),
        remarks=(Remark(DriveNote.AIR_SCALED, severity, numbers=numbers), *estimate.remarks),
    )


class ShiftAndShare(NamedTuple):
    """How far computed lifts stand above those read, the air flow being too great by a share; and the chance of the rest."""

    ln_share: float
    shift_mm: float
    shift_u_mm: float
    chance: float


def readings_against_air(bands: Bands, setup: Setup, doubts: LiftDoubts) -> ShiftAndShare | None:
    """Share and shift that bring lifts computed from air flow to those read; None under a slide, or with too few of both."""
    if (bands.lift_from(LiftSource.COMPUTED) & bands.lift_from(LiftSource.READ)).any():
        return None  # already weighed against each other
    computed = by_air(bands, setup, doubts)
    for read in by_reading(bands, doubts):
        for estimate in computed:
            # More air than the throat passes tells too, so the flow is asked for, not the lift.
            at = np.flatnonzero(np.isfinite(read.mm) & (estimate.flow_g_s > 0.0))
            if at.size >= LEAST_FOR_SHIFT_AND_SHARE:
                own = np.where(np.isfinite(estimate.mm), estimate.own_u_mm, np.nanmax(estimate.own_u_mm, initial=1.0))
                own_u_mm = np.maximum(np.hypot(own, read.own_u_mm)[at], 1e-6)
                return _shift_and_share(setup, estimate.flow_g_s[at], read.mm[at], own_u_mm)
    return None


def _shift_and_share(setup: Setup, flow_g_s: FloatArray, read_mm: FloatArray, own_u_mm: FloatArray) -> ShiftAndShare:
    """Weighted least squares, repeated about the share found."""
    valve, top, ln_share = setup.carburettor.air_valve, greatest_flow_g_s(setup), 0.0
    for _ in range(ROUNDS):
        flow = np.minimum(flow_g_s * np.exp(-ln_share), top)
        above = valve.lift_mm(flow, setup.air) - read_mm
        rows = np.column_stack([lift_shift_mm(setup, flow, 0.01) / 0.01, np.ones(above.size)]) / own_u_mm[:, None]
        covariance = np.linalg.inv(rows.T @ rows)
        found = covariance @ (rows.T @ (above / own_u_mm))
        if abs(found[0]) < 1e-6:
            break
        ln_share += float(np.clip(found[0], -0.3, 0.3))
    left = above / own_u_mm - rows @ found
    chance = float(chdtrc(above.size - 2, left @ left))
    return ShiftAndShare(ln_share, float(found[1]), float(np.sqrt(covariance[1, 1])), chance)
