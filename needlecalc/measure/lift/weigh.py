"""Readings and computed lifts weighed against each other: the air flow's scale, and the best lifts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import DriveNote
from needlecalc.measure.lift.estimates import LiftEstimate, alike, lift_shift_mm, passable_flow_g_s
from needlecalc.parts.setup import Setup
from needlecalc.remark import Remark, Severity
from needlecalc.show import in_words
from needlecalc.units import FloatArray

STRANGE_SIGMAS = 2.5
ROUNDS = 20


@dataclass(frozen=True)
class Weighed:
    """Computed lifts after the readings have had their say; arrays have shape (m,).

    Parameters
    ----------
    readings : int
        Readings that had a say.
    scale, scale_u : float
        ln of true over computed air flow, and its standard uncertainty. [-]
    offset_mm, offset_u_mm : float
        Zero of the readings and its standard uncertainty. [mm]
    mm, u_mm, common_u_mm : array, shape (m,)
        Lift, its whole uncertainty, and the part that goes with the scale; NaN where no air flow is known. [mm]
    """

    readings: int
    scale: float
    scale_u: float
    offset_mm: float
    offset_u_mm: float
    mm: FloatArray
    u_mm: FloatArray
    common_u_mm: FloatArray

    def remark(self, estimate: LiftEstimate, bands: int) -> Remark:
        """What the readings said of the air flow, and how many bands it served; a caution where it is beyond its doubt."""
        numbers: dict[str, float | int | str] = {
            "readings": self.readings,
            "source": estimate.source.code(),
            "percent": 100.0 * float(np.expm1(self.scale)),
            "percent_u": 100.0 * self.scale_u,
            "zero_mm": self.offset_mm,
            "zero_u_mm": self.offset_u_mm,
            "bands": bands,
            "usual_percent": 100.0 * estimate.flow_u,
        }
        strange = abs(self.scale) > STRANGE_SIGMAS * estimate.flow_u
        return Remark(DriveNote.AIR_SCALED, Severity.CAUTION if strange else Severity.NOTE, numbers=numbers)


def weighed_lift(way: LiftEstimate, setup: Setup, read: tuple[LiftEstimate, LiftEstimate]) -> Weighed:
    r"""Scale of the air flow and best lifts by linear-Gaussian update; a band read by hand counts once.

    With the lift :math:`y(s)` at air flow :math:`e^s \dot m`, a reading is
    :math:`y(s) + d + z + e`: *s* shared, *d* the band's own, *z* the zero of the readings, *e* the error of
    one reading, all normal about zero; own errors are :func:`~needlecalc.measure.lift.estimates.alike` among
    neighbours, so a reading serves the bands beside it too.  The line through :math:`y(s)` is redrawn at each *s* found.
    """
    reading, sensor = read
    by_hand = np.isfinite(reading.mm)
    seen = np.where(by_hand, reading.mm, sensor.mm)
    seen_u = np.where(by_hand, reading.own_u_mm, sensor.own_u_mm)
    zeros = [float(np.nanmax(w.common_u_mm, initial=0.0)) for w in read]
    size = seen.size
    scale, valve = 0.0, setup.carburettor.air_valve
    for _ in range(ROUNDS):
        flow = way.flow_g_s * np.exp(scale)
        lift, slope = valve.lift_mm(flow, setup.air), lift_shift_mm(setup, flow, 0.01) / 0.01
        known = np.isfinite(lift)
        marks = np.flatnonzero(np.isfinite(seen) & known)
        if not marks.size:
            name, suspects = in_words(way.source)
            msg = (
                f"No lift read stands at a band whose air flow from the {name} passes the throat; check {suspects}, or set "
                "calibrate to false."
            )
            raise InputError(msg)
        own = np.where(known, way.own_u_mm, 0.0)
        own = np.where(np.isfinite(own), own, np.nanmax(way.own_u_mm))  # beyond the throat before it was scaled
        prior = np.zeros((3 + size, 3 + size))
        prior[[0, 1, 2], [0, 1, 2]] = way.flow_u**2, zeros[0] ** 2, zeros[1] ** 2
        prior[3:, 3:] = alike(np.where(known, lift, valve.travel_mm())) * np.outer(own, own)
        design = np.zeros((marks.size, 3 + size))
        design[:, 0] = slope[marks]
        design[np.arange(marks.size), np.where(by_hand[marks], 1, 2)] = 1.0
        design[np.arange(marks.size), 3 + marks] = 1.0
        goal = seen[marks] - lift[marks] + slope[marks] * scale
        spread = design @ prior @ design.T + np.diag(np.maximum(seen_u[marks], 1e-6) ** 2)
        gain = np.linalg.solve(spread, design @ prior).T
        found = gain @ goal
        moved, scale = abs(found[0] - scale), float(found[0])
        if moved < 1e-9:
            break
    covariance = prior - gain @ (design @ prior)
    scale_u = float(np.sqrt(covariance[0, 0]))
    met = passable_flow_g_s(setup, way.flow_g_s * np.exp(scale), np.hypot(scale_u, way.flow_own_u))
    lift, slope = valve.lift_mm(met, setup.air), lift_shift_mm(setup, met, 0.01) / 0.01
    reach = np.column_stack([np.where(np.isfinite(lift), slope, 0.0), np.zeros((size, 2)), np.eye(size)])
    variance = np.einsum("ij,jk,ik->i", reach, covariance, reach)
    doubt = np.sqrt(np.maximum(variance, 0.0))
    # What is left when the scale is known is each band's own: a Schur complement, so never negative.
    shared = np.maximum(reach @ covariance[:, 0], 0.0) / max(scale_u, 1e-12)
    zero = 1 if by_hand[marks].any() else 2
    return Weighed(
        int(marks.size),
        scale,
        scale_u,
        float(found[zero]),
        float(np.sqrt(covariance[zero, zero])),
        np.asarray(lift + found[3:]),
        doubt,
        np.minimum(shared, doubt),
    )
