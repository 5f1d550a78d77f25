"""Estimates of the lift: read, by sensor, or computed from air flow; and readings weighed against computed lifts."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import NDArray
from scipy.special import chdtrc, log_ndtr

from needlecalc.errors import InputError
from needlecalc.gaussian import Gaussian
from needlecalc.measure.drive.bands import Bands, DriveNote, LiftSource
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.engine import VolumetricEfficiency
from needlecalc.parts.setup import Setup
from needlecalc.physics.airflow import CHOKED_SHARE, leak_flow_g_s
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
# Of lifts by throttle and speed.
LEAST_READINGS = 6
MODEL_U = 0.03
LEAST_LIFT_MM = 0.3
BEYOND = 0.1
WORST_SHARE = 0.25
REFERENCE_RPM = 3000.0


@dataclass(frozen=True, eq=False)
class LiftEstimate:
    """Lifts of the bands, shape (m,), NaN where there is none; and the air flow they were computed from."""

    source: NDArray[Any]  # LiftSource of each
    mm: FloatArray
    common_u_mm: FloatArray  # shift of each lift if the error all bands share is one sigma high
    own_u_mm: FloatArray
    flow_g_s: FloatArray  # of one carburettor; empty for lifts that were read
    flow_u: float = 0.0  # shared uncertainty of the air flow, as a share
    flow_own_u: FloatArray | float = 0.0
    remarks: tuple[Remark, ...] = ()

    def u_mm(self) -> FloatArray:
        """Whole standard uncertainty, shared and own part together."""
        return np.hypot(self.common_u_mm, self.own_u_mm)

    def with_those_of(self, other: LiftEstimate, here: NDArray[np.bool_]) -> LiftEstimate:
        """The same, but at some bands the lifts of another estimate, and its remarks besides."""
        columns = ("source", "mm", "common_u_mm", "own_u_mm")
        taken = {name: np.where(here, getattr(other, name), getattr(self, name)) for name in columns}
        return replace(self, **taken, remarks=(*self.remarks, *other.remarks))


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


def _lift_and_slope(setup: Setup, flow_g_s: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lift that passes an air flow, and its slope by ln of that flow."""
    return setup.carburettor.air_valve.lift_mm(flow_g_s, setup.air), lift_shift_mm(setup, flow_g_s, 0.01) / 0.01


def _greatest_flow_g_s(setup: Setup) -> float:
    """Air flow of one carburettor at full travel."""
    valve = setup.carburettor.air_valve
    return float(valve.air_flow_g_s(valve.travel_mm(), setup.air))


def _passable_flow_g_s(setup: Setup, flow_g_s: FloatArray, share: FloatArray | float) -> FloatArray:
    """Air flow of one carburettor, cut to that at full travel where it is above it by two sigma of its share or less."""
    top = _greatest_flow_g_s(setup)
    within = (flow_g_s > top) & (flow_g_s <= top * (1.0 + BEYOND_SIGMAS * np.asarray(share)))
    return np.where(within, top, flow_g_s)


def by_reading(
    bands: Bands, doubts: LiftDoubts, *, lift_mm: FloatArray | None = None, lift_u_mm: float = LIFT_READ.u
) -> LiftEstimate:
    """Lifts read by hand (those given, else those of the bands), where there is none those of a sensor; none computed."""
    typed, logged = bands.lift_from(LiftSource.TYPED), bands.lift_from(LiftSource.LOGGED)
    read = typed | logged
    if (bands.lift_from(LiftSource.COMPUTED) & read).any():
        msg = "The lifts of these bands were already weighed against the air flow; start again from the bands before that."
        raise InputError(msg)
    lift, whole = np.where(read, bands.lift_mm, np.nan), np.where(read, bands.lift_u_mm, np.nan)
    # The log's figure is the scatter of the mean alone until the sensor's own uncertainty is joined to it, once.
    raw = logged & ~typed & ~np.isfinite(bands.lift_common_u_mm)
    whole = np.where(raw, np.hypot(np.nan_to_num(whole), doubts.sensor_u_mm), whole)
    if lift_mm is not None:
        given = np.isfinite(lift_mm)
        typed, lift, whole = typed | given, np.where(given, lift_mm, lift), np.where(given, lift_u_mm, whole)
    source = np.full(lift.size, LiftSource.NONE)
    source[logged], source[typed] = LiftSource.LOGGED, LiftSource.TYPED
    common = np.minimum(doubts.zero_u_mm, whole)
    return LiftEstimate(source, lift, common, np.sqrt(np.maximum(whole**2 - common**2, 0.0)), np.empty(0))


def by_air(bands: Bands, setup: Setup, doubts: LiftDoubts) -> tuple[LiftEstimate, ...]:
    """Lifts computed from air flow, the most direct first; none under a slide, which the throttle opens."""
    if isinstance(setup.carburettor.air_valve, SlideValve):
        return ()
    # Behind a nearly shut throttle no pulses of the cylinders reach the air valve.
    shut = bands.manifold_pressure_pa < OPEN_THROTTLE * setup.air.pressure_pa
    throat_own = np.hypot(doubts.throat_shape_u, np.where(shut, 0.0, doubts.pulsation_u))
    pumped, pumped_own, remarks = _pumped(bands, setup, doubts)
    found = []
    for source, flow, shared, own, said in (
        (LiftSource.AIR_METER, bands.air_flow_g_s, doubts.meter_u, doubts.meter_shape_u, ()),
        (LiftSource.PRESSURE, pumped, setup.engine.volumetric_efficiency_u, pumped_own, remarks),
    ):
        flow_u = float(np.hypot(shared, doubts.throat_share()))
        each = flow / setup.engine.carburettors
        found.append(_computed(source, setup, each, flow_u, np.hypot(own, throat_own), said))
    return tuple(found)


def _pumped(bands: Bands, setup: Setup, doubts: LiftDoubts) -> tuple[FloatArray, FloatArray, tuple[Remark, ...]]:
    """Air of the engine by manifold pressure and speed, NaN without pressure; its own uncertainty in each band, as a share.

    A band off the table of volumetric efficiency takes its edge, with more uncertainty and a remark.
    """
    engine, pressure, filling = setup.engine, bands.manifold_pressure_pa, setup.engine.volumetric_efficiency
    flow = engine.air_flow_g_s(bands.rpm, pressure, setup.air, hold_edge=True)
    own = engine.filling_shape_u(pressure / setup.air.pressure_pa)
    by_gauge = np.hypot(own, doubts.manifold_pressure_u_pa / pressure)
    if not isinstance(filling, VolumetricEfficiency):
        return flow, by_gauge, ()
    off = np.flatnonzero(np.isfinite(pressure) & ~filling.covers(bands.rpm, pressure))
    remarks = (Remark(DriveNote.EDGE_HELD, bands=bands.called(*off.tolist())),) if off.size else ()
    if filling.reference == "manifold":
        own = by_gauge  # on outside air the pressure only picks the place in the table
    return flow, np.hypot(own, filling.edge_u(bands.rpm, pressure)), remarks


def _computed(
    source: LiftSource,
    setup: Setup,
    flow_g_s: FloatArray,
    flow_u: float,
    own_u: FloatArray,
    remarks: tuple[Remark, ...],
) -> LiftEstimate:
    """Lifts by the air flow of one carburettor; NaN where the throat cannot pass it."""
    met = _passable_flow_g_s(setup, flow_g_s, np.hypot(flow_u, own_u))
    lift = setup.carburettor.air_valve.lift_mm(met, setup.air)
    common, own = (lift_shift_mm(setup, met, share) for share in (flow_u, np.minimum(own_u, 0.9)))
    return LiftEstimate(np.full(lift.size, source), lift, common, own, flow_g_s, flow_u, own_u, remarks)


def held_to_throat(estimate: LiftEstimate, setup: Setup) -> LiftEstimate:
    r"""The same with its air flow scaled down as far as a throat tells that passes no more than at full travel.

    Of :math:`s \sim N(0, \sigma^2)`, ln of true over computed flow at the band of most flow, only
    :math:`s \le s_0` is possible: mean :math:`-\sigma h`, variance :math:`\sigma^2 (1 - h (h + s_0/\sigma))`, with
    :math:`h = \varphi/\Phi` at :math:`s_0/\sigma` (truncated normal).  The shared error takes its part of both.
    """
    if not estimate.flow_u:
        return estimate
    band = int(np.nanargmax(estimate.flow_g_s))
    own = np.broadcast_to(estimate.flow_own_u, estimate.flow_g_s.shape)
    whole_u = float(np.hypot(estimate.flow_u, own[band]))
    end = float(np.log(_greatest_flow_g_s(setup) / estimate.flow_g_s[band])) / whole_u
    h = float(np.exp(-0.5 * end**2 - log_ndtr(end))) / np.sqrt(2.0 * np.pi)
    part = (estimate.flow_u / whole_u) ** 2
    shared = estimate.flow_u * float(np.sqrt(1.0 - part * h * (h + end)))
    remarks = estimate.remarks
    if end <= 0.0:
        numbers = {"percent": 100.0 * float(np.expm1(-end * whole_u)), "percent_u": 100.0 * whole_u}
        severity = Severity.CAUTION if end < -BEYOND_SIGMAS else Severity.NOTE
        remarks = (*remarks, Remark(DriveNote.THROAT_PASSES_LESS, severity, numbers=numbers))
    flow = estimate.flow_g_s * np.exp(-part * whole_u * h)
    return _computed(estimate.source[band], setup, flow, shared, own, remarks)


def weighed_lift(estimate: LiftEstimate, setup: Setup, read: LiftEstimate, serves: int) -> LiftEstimate:
    """Lifts with the air flow scaled by lifts read; the number of bands served is for the remark.

    A reading is the lift at the scaled air flow, plus the band's own error (alike among neighbours, so that it serves those
    beside it too), plus the zero of the readings, plus its own error. The slopes are taken anew at each scale found.
    """
    by_hand, size = read.source == LiftSource.TYPED, read.mm.size
    zeros = [float(np.nanmax(read.common_u_mm[here], initial=0.0)) for here in (by_hand, ~by_hand)]
    scale = 0.0
    for _ in range(ROUNDS):
        lift, slope = _lift_and_slope(setup, estimate.flow_g_s * np.exp(scale))
        known = np.isfinite(lift)
        marks = np.flatnonzero(np.isfinite(read.mm) & known)
        if not marks.size:
            name, suspects = in_words(estimate.source[0])
            msg = (
                f"No lift read stands at a band whose air flow from the {name} passes the throat; check {suspects}, or set "
                "calibrate to false."
            )
            raise InputError(msg)
        own = np.where(known, estimate.own_u_mm, 0.0)
        own = np.where(np.isfinite(own), own, np.nanmax(estimate.own_u_mm))  # beyond the throat before it was scaled
        alike = ALIKE_SHARE * nearness(np.where(known, lift, setup.carburettor.air_valve.travel_mm()))
        np.fill_diagonal(alike, 1.0)
        # Unknown are ln of the scale, the zero of the hand's and of the sensor's readings, and each band's own error.
        root = np.diag([estimate.flow_u, *zeros, *np.zeros(size)])
        root[3:, 3:] = own[:, None] * np.linalg.cholesky(alike)
        slopes = np.column_stack([slope, by_hand, ~by_hand, np.eye(size)])[marks]
        away = read.mm[marks] - lift[marks] + slope[marks] * scale
        found = Gaussian(np.zeros(3 + size), root).after(slopes, np.maximum(read.own_u_mm[marks], 1e-6), away)
        moved, scale = abs(found.mean[0] - scale), float(found.mean[0])
        if moved < 1e-9:
            break
    u = found.u()
    met = _passable_flow_g_s(setup, estimate.flow_g_s * np.exp(scale), np.hypot(u[0], estimate.flow_own_u))
    lift, slope = _lift_and_slope(setup, met)
    reach = np.column_stack([np.where(np.isfinite(lift), slope, 0.0), np.zeros((size, 2)), np.eye(size)])
    whole_u = found.u_of(reach)
    common = np.minimum(np.maximum(reach @ found.root @ found.root[0], 0.0) / max(u[0], 1e-12), whole_u)
    zero = 1 if by_hand[marks].any() else 2
    numbers: dict[str, float | int | str] = {
        "readings": marks.size,
        "source": estimate.source[0].code(),
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


def _flow_g_s(model: FloatArray, rpm: FloatArray, throttle_percent: FloatArray) -> FloatArray:
    """Air of one carburettor by ln of the pumping and of the throttle in g/s, and ln of the opening when shut."""
    ln_pumping, ln_throttle, ln_shut = model
    turns = rpm / REFERENCE_RPM
    opening = np.exp(ln_shut) + 1.0 - np.cos(np.pi / 200.0 * throttle_percent)
    demand = np.log(opening / turns) + ln_throttle - ln_pumping
    return np.asarray(np.exp(ln_pumping) * turns * np.interp(demand, _LN_DEMAND, _RATIO))


def _nozzle() -> tuple[FloatArray, FloatArray]:
    """Manifold over outside pressure by ln of what the throttle could pass over what is pumped."""
    critical = 1.0 - CHOKED_SHARE
    ratio = np.concatenate([np.geomspace(0.02, critical, 60), 1.0 - np.geomspace(CHOKED_SHARE, 1e-5, 240)[1:]])
    flow = leak_flow_g_s(1.0, 1e5 * ratio, pressure_pa=1e5)
    return np.log(ratio * flow[0] / flow), ratio


_LN_DEMAND, _RATIO = _nozzle()


def by_throttle(bands: Bands, setup: Setup, read: LiftEstimate, doubts: LiftDoubts) -> LiftEstimate:
    r"""Lifts computed from throttle and speed, after six or more lifts read in the same drive.

    The engine pumps what the throttle passes: :math:`K (c + 1 - \cos(\pi a / 2))\,\psi(r) = V n r` at the manifold pressure
    *r* times the outside one, *a* the opening from 0 to 1, :math:`\psi` the flow of a nozzle over its choked flow; *V*, *K*
    and *c* are fitted to the lifts read. A band with a reading takes the lift that the others predict, NaN at the least and
    the greatest; NaN also where no throttle was logged, and where speed or air flow lie beyond the readings.
    """
    throttle = bands.throttle_percent
    marks = np.flatnonzero(np.isfinite(read.mm) & np.isfinite(throttle))
    valve, air = setup.carburettor.air_valve, setup.air
    rpm, opening, guess = bands.rpm[marks], throttle[marks], _guess(setup)
    seen = np.log(valve.air_flow_g_s(np.maximum(read.mm[marks], LEAST_LIFT_MM), air))
    read_u = read.u_mm()[marks] / (lift_shift_mm(setup, np.exp(seen), 0.01) / 0.01)
    seen_u = np.hypot(read_u, MODEL_U)
    model = _fitted(guess, rpm, opening, seen, seen_u)
    flow = _flow_g_s(model, bands.rpm, throttle)
    miss = np.full(marks.size, np.nan)
    for k in range(marks.size):
        rest = np.arange(marks.size) != k
        flow[marks[k]] = np.nan
        if seen[rest].min() < seen[k] < seen[rest].max():  # an end left out would be predicted from one side only
            alone = _fitted(guess, rpm[rest], opening[rest], seen[rest], seen_u[rest])
            flow[marks[k]] = _flow_g_s(alone, rpm[k : k + 1], opening[k : k + 1])[0]
            miss[k] = np.log(flow[marks[k]]) - seen[k]
    # The misses hold the readings' own errors too, which the model is not to answer for.
    share = max(float(np.sqrt(np.maximum(np.nanmean(miss**2 - read_u**2), 0.0))), MODEL_U)
    if share > WORST_SHARE:
        worst = int(np.nanargmax(np.abs(miss)))
        msg = (
            f"Throttle and speed miss the air flow of the lifts read by {100 * share:.0f} %, more than "
            f"{100 * WORST_SHARE:.0f} %, worst at {bands.name(int(marks[worst]))}; check the throttle sensor's ends and "
            "that reading, or read the other bands too."
        )
        raise InputError(msg)
    flow[~(_near(bands.rpm, rpm) & _near(flow, np.exp(seen)))] = np.nan
    own = lift_shift_mm(setup, flow, share)
    zero = np.where(np.isfinite(flow), doubts.zero_u_mm, np.nan)
    remark = Remark(DriveNote.BY_THROTTLE, numbers={"readings": int(marks.size), "percent": 100.0 * share})
    source = np.full(flow.size, LiftSource.THROTTLE)
    return LiftEstimate(source, valve.lift_mm(flow, air), zero, own, flow, remarks=(remark,))


def _guess(setup: Setup) -> FloatArray:
    """First guess: the engine's pumping, a throttle twice its need, a hundredth open when shut."""
    filling = setup.engine.volumetric_efficiency
    level = float(filling.efficiency[:, -1].mean()) if isinstance(filling, VolumetricEfficiency) else filling
    litres_s = setup.engine.displacement_cm3 * 1e-3 * REFERENCE_RPM / 120.0 / setup.engine.carburettors
    pumping = np.log(litres_s * level * setup.air.density_kg_m3())
    return np.array([pumping, pumping + np.log(2.0), np.log(0.01)])


def _fitted(guess: FloatArray, rpm: FloatArray, throttle: FloatArray, seen: FloatArray, seen_u: FloatArray) -> FloatArray:
    """Model nearest the flows seen; loose ties to the guess keep what no reading tells finite."""
    from scipy.optimize import least_squares  # imported late: slow

    looseness = np.array([0.2, 1.5, 1.5])

    def misses(x: FloatArray) -> FloatArray:
        return np.concatenate([(np.log(_flow_g_s(x, rpm, throttle)) - seen) / seen_u, (x - guess) / looseness])

    return np.asarray(least_squares(misses, guess).x)


def _near(values: FloatArray, seen: FloatArray) -> NDArray[np.bool_]:
    """Whether speeds or flows lie among those of the readings, or a little beyond."""
    return np.asarray((values >= (1.0 - BEYOND) * seen.min()) & (values <= (1.0 + BEYOND) * seen.max()))


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
    read, computed = by_reading(bands, doubts), by_air(bands, setup, doubts)
    for source in (LiftSource.TYPED, LiftSource.LOGGED):
        for estimate in computed:
            # More air than the throat passes tells too, so the flow is asked for, not the lift.
            at = np.flatnonzero((read.source == source) & np.isfinite(read.mm) & (estimate.flow_g_s > 0.0))
            if at.size >= LEAST_FOR_SHIFT_AND_SHARE:
                own = np.where(np.isfinite(estimate.mm), estimate.own_u_mm, np.nanmax(estimate.own_u_mm, initial=1.0))
                own_u_mm = np.maximum(np.hypot(own, read.own_u_mm)[at], 1e-6)
                return _shift_and_share(setup, estimate.flow_g_s[at], read.mm[at], own_u_mm)
    return None


def _shift_and_share(setup: Setup, flow_g_s: FloatArray, read_mm: FloatArray, own_u_mm: FloatArray) -> ShiftAndShare:
    """Weighted least squares, repeated about the share found."""
    top, ln_share = _greatest_flow_g_s(setup), 0.0
    for _ in range(ROUNDS):
        lift, slope = _lift_and_slope(setup, np.minimum(flow_g_s * np.exp(-ln_share), top))
        above = (lift - read_mm) / own_u_mm
        rows = np.column_stack([slope, np.ones(lift.size)]) / own_u_mm[:, None]
        covariance = np.linalg.inv(rows.T @ rows)
        found = covariance @ (rows.T @ above)
        if abs(found[0]) < 1e-6:
            break
        ln_share += float(np.clip(found[0], -0.3, 0.3))
    left = above - rows @ found
    chance = float(chdtrc(above.size - 2, left @ left))
    return ShiftAndShare(ln_share, float(found[1]), float(np.sqrt(covariance[1, 1])), chance)
