"""Readings and computed lifts weighed against each other: the air flow's scale, and the best lifts."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.errors import InputError
from needlecalc.measure.lift.ways import LiftWay, alike, lift_shift_mm, passable_flow_g_s
from needlecalc.parts.setup import Setup
from needlecalc.show import counted
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
    strange : bool
        Whether the scale lies beyond the doubt of the air flow.
    offset_mm, offset_u_mm : float
        Zero of the readings and its standard uncertainty. [mm]
    lift_mm, u_mm, common_u_mm : array, shape (m,)
        Lift, its whole doubt, and the part that goes with the scale; NaN where no air flow is known. [mm]
    """

    readings: int
    scale: float
    scale_u: float
    strange: bool
    offset_mm: float
    offset_u_mm: float
    lift_mm: FloatArray
    u_mm: FloatArray
    common_u_mm: FloatArray

    def sentence(self, way: LiftWay, bands: int) -> str:
        """What the readings said of the air flow.

        Parameters
        ----------
        way : LiftWay
            The way that was scaled.
        bands : int
            Bands served by it.

        Returns
        -------
        str
            A sentence.
        """
        share, doubt = 100.0 * (np.exp(self.scale) - 1.0), 100.0 * self.scale_u
        read = counted(self.readings, "lift")
        served = counted(bands, "band")
        words = (
            f"{read} read put the air flow from the {way.name} {share:+.1f} % (+- {doubt:.1f} %) and their own zero "
            f"{self.offset_mm:+.2f} mm (+- {self.offset_u_mm:.2f} mm); the air flow so scaled serves {served}"
        )
        if self.strange:
            words += f"; that is beyond its doubt of {100.0 * way.flow_u:.0f} %, so check {way.suspects}, and the readings"
        return words


def weighed_lift(way: LiftWay, setup: Setup, read: tuple[LiftWay, LiftWay]) -> Weighed:
    r"""Scale of the air flow and best lifts by linear-Gaussian update.

    Parameters
    ----------
    way : LiftWay
        Computed lifts.
    setup : Setup
        Carburettor and air.
    read : tuple of LiftWay
        Readings by hand and of a sensor; a band read by hand counts once.

    Returns
    -------
    Weighed
        The scale found, and lifts at it.

    Raises
    ------
    InputError
        If no reading stands at a band whose lift can be computed.

    Notes
    -----
    With the lift :math:`y(s)` at air flow :math:`e^s \dot m`, a reading is
    :math:`y(s) + d + z + e`: *s* shared, *d* the band's own, *z* the zero of the readings, *e* the error of
    one reading, all normal about nought; own errors are :func:`~needlecalc.measure.lift.ways.alike` among
    neighbours, so a reading serves the bands beside it too.  The line through :math:`y(s)` is redrawn at each *s* found.
    """
    reading, sensor = read
    by_hand = np.isfinite(reading.lift_mm)
    seen = np.where(by_hand, reading.lift_mm, sensor.lift_mm)
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
            msg = (
                f"No lift read stands at a band whose air flow from the {way.name} passes the throat; check "
                f"{way.suspects}, or set calibrate to false."
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
        abs(scale) > STRANGE_SIGMAS * way.flow_u,
        float(found[zero]),
        float(np.sqrt(covariance[zero, zero])),
        np.asarray(lift + found[3:]),
        doubt,
        np.minimum(shared, doubt),
    )
