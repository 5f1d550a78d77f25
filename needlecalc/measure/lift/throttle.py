"""Lift from throttle and speed alone, by a small model that lifts read in the same drive have set.

The engine pumps what the throttle passes: at the manifold pressure r times the outside one
    K (c + 1 - cos(pi a / 2)) psi(r) = V n r,
a the opening from 0 to 1, psi the isentropic flow of a nozzle over its choked flow. V, K and c only join one running
point to the next: they are fitted to the lifts read.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, DriveNote, LiftSource
from needlecalc.measure.lift.estimates import LiftEstimate, lift_shift_mm
from needlecalc.parts.engine import VolumetricEfficiency
from needlecalc.parts.setup import Setup
from needlecalc.physics.airflow import CHOKED_SHARE, leak_flow_g_s
from needlecalc.priors import LiftDoubts
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

LEAST_READINGS = 6
MODEL_U = 0.03
LEAST_LIFT_MM = 0.3
BEYOND = 0.1
WORST_SHARE = 0.25
REFERENCE_RPM = 3000.0


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
    """Lifts computed from throttle and speed, after six or more lifts read in the same drive.

    A band with a reading takes the lift that the others predict, NaN at the least and the greatest; NaN also where no
    throttle was logged, and where speed or air flow lie beyond the readings.
    """
    throttle = bands.throttle_percent
    marks = np.flatnonzero(np.isfinite(read.mm) & np.isfinite(throttle))
    if marks.size < LEAST_READINGS:
        msg = (
            f"Throttle and speed tell the lift only after {LEAST_READINGS} lifts read in the same drive at bands with "
            f"logged throttle, but there are {marks.size}; read more with a marker rod and type lift_mm in."
        )
        raise InputError(msg)
    valve, air = setup.carburettor.air_valve, setup.air
    rpm, opening, guess = bands.rpm[marks], throttle[marks], _guess(setup)
    seen = np.log(valve.air_flow_g_s(np.maximum(read.mm[marks], LEAST_LIFT_MM), air))
    read_u = read.u_mm()[marks] / (lift_shift_mm(setup, np.exp(seen), 0.01) / 0.01)
    seen_u = np.hypot(read_u, MODEL_U)
    model = _fitted(guess, rpm, opening, seen, seen_u)
    known, flow = np.isfinite(throttle), _flow_g_s(model, bands.rpm, throttle)
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
    flow[known & ~(_near(bands.rpm, rpm) & _near(flow, np.exp(seen)))] = np.nan
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
