r"""Fuel flow through the ring between a tapering needle and its jet: laminar plus inertial.

The gap near idle is a few hundredths of a millimetre, so the fuel is held back by its viscosity
along the whole bore and not only by its inertia at the face.  Each strip of the ring at azimuth
:math:`\theta` carries a velocity :math:`v` at the jet's face with

.. math:: \Delta p = \tfrac12 K \rho v^2
          + \mu v\, h_0 r_0 \int_0^L \frac{12\,\mathrm dz}{r(z)\, h(z)^3},
          \qquad h = c(z) + e\, c_0 \cos\theta

where *c* is the concentric gap (in an oval jet that of the azimuth), *r* the mean radius of the ring,
*e* the eccentricity at the face and :math:`K = 1.78 - 9.4\times10^{-5}\,\min(Re, 4000)` the loss of entry,
of the developing profile and of the exit.  With :math:`u = v/\sqrt{2\Delta p/\rho}` this is one cubic a strip,
:math:`(K_0 - \kappa u)u^2 + \sigma u = 1`, whose root *u* is the strip's discharge coefficient.

The needle is straight between stations, so the integral is exact in closed form.  Every slope is
analytic.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.strips import (
    GREATEST_FALL,
    LOSS_AT_REST,
    BorePoints,
    JetAndFuel,
    Strips,
    mean_inverse_slopes_mm5,
    points_down_the_bore,
    slopes_at_stations,
    strips_of,
)
from needlecalc.units import FloatArray


class BoreFlow(NamedTuple):
    """Fuel flow of a needle in a jet, with what it is made of; all of the same shape."""

    fuel_flow_g_s: FloatArray
    effective_area_mm2: FloatArray
    metering_area_mm2: FloatArray
    discharge_coefficient: FloatArray
    viscous_fraction: FloatArray
    reynolds: FloatArray


class BoreSlopes(NamedTuple):
    """Slopes of ln(fuel flow); ``per_mm_diameter`` has one more axis, the stations."""

    per_mm_diameter: FloatArray
    per_mm_position: FloatArray
    per_mm_length: FloatArray
    per_eccentricity: FloatArray
    per_ln_viscosity: FloatArray
    per_ln_pressure: FloatArray


def bore_flow(
    position_mm: ArrayLike,
    stations_mm: ArrayLike,
    diameters_mm: ArrayLike,
    *,
    bore_mm: ArrayLike,
    length_mm: ArrayLike,
    pressure_pa: ArrayLike,
    density_kg_m3: ArrayLike,
    viscosity_mm2_s: ArrayLike,
    eccentricity: ArrayLike = 0.0,
    bore_least_mm: ArrayLike | None = None,
) -> BoreFlow:
    r"""Fuel flow and effective metering area of a needle standing in its jet.

    Parameters
    ----------
    position_mm : array_like, shape (...)
        Distance along the needle from its shoulder to the point at the jet's face. [mm]
    stations_mm : array_like, shape (n,)
        Distances of the stations from the shoulder, rising. [mm]
    diameters_mm : array_like, shape (..., n)
        Needle diameters at the stations; the leading axes broadcast with the other arguments. [mm]
    bore_mm : array_like, shape (...)
        Bore of the jet; the greatest one of an oval jet. [mm]
    length_mm : array_like, shape (...)
        Parallel length of the bore. [mm]
    pressure_pa : array_like, shape (...)
        Pressure difference that drives the fuel: depression less the head to the jet's face. [Pa]
    density_kg_m3 : array_like, shape (...)
        Density of the fuel. [kg/m3]
    viscosity_mm2_s : array_like, shape (...)
        Kinematic viscosity of the fuel. [mm2/s]
    eccentricity : array_like, shape (...)
        Offset of the needle over the gap at the face: 0 centred, 1 touching. [-]
    bore_least_mm : array_like, shape (...), or None
        Least bore of a jet worn oval, square to the greatest; None for a round jet. [mm]

    Returns
    -------
    BoreFlow
        Flow, effective and geometric area, discharge coefficient, viscous fraction and Reynolds
        number (of the mean velocity and twice the gap), each of the broadcast shape (...).

    Raises
    ------
    InputError
        If the needle fills the jet, or the face lies off the needle.

    Notes
    -----
    Agrees within 3.1 % in discharge coefficient (slopes not compared) with axisymmetric Navier-Stokes solutions computed for
    this project at gaps 0.06-0.67 mm, bore length 2-8 mm and tapers 0-0.03; *K* was fitted to nine of them. No bench data
    were available. Beyond Re of some 2000 the true flow is transitional. Strips do not exchange fuel, so the effect of
    eccentricity is uncertain by some 10 % of itself between the exact limits (viscous: 2.5 times at contact for a narrow
    gap; inertial: none).

    A needle off centre hangs parallel to the bore: the offset is :math:`e\,c_0` all the way down, a smaller share of
    the gap where that has opened. Touching, at 2.45 mm in a 2.54 mm jet and 0.016 taper, it passes 1.69 times the
    centred flow; were it to lean along the wall, 1.96 times (computed for this project, see tests). An oval jet is an
    ellipse, each azimuth of which acts as a round bore of its own width; an offset is then taken along the long axis.
    Below the last station the needle is taken to go on straight.

    References
    ----------
    .. [1] Bird, Stewart and Lightfoot, *Transport Phenomena*, 2nd ed., Wiley, 2002, section 2.4 and
       problem 2B.5 (laminar annulus and narrow slit; section numbers from memory).
    .. [2] Shah and London, *Laminar Flow Forced Convection in Ducts*, Academic Press, 1978 (loss of a
       developing slit flow, 1.674; from memory).

    Examples
    --------
    >>> flow = bore_flow(5.0, [0.0, 40.0], [2.48, 1.84], bore_mm=2.54, length_mm=4.0,
    ...                  pressure_pa=1950.0, density_kg_m3=745.0, viscosity_mm2_s=0.65)
    >>> print(f"{flow.fuel_flow_g_s:.4f} g/s, Cd {flow.discharge_coefficient:.3f}")
    0.2493 g/s, Cd 0.269
    """
    known = {
        "bore_mm": bore_mm,
        "length_mm": length_mm,
        "pressure_pa": pressure_pa,
        "density_kg_m3": density_kg_m3,
        "viscosity_mm2_s": viscosity_mm2_s,
        "eccentricity": eccentricity,
        "bore_least_mm": bore_least_mm,
    }
    return _flow(*_strips(position_mm, stations_mm, diameters_mm, known))


def bore_flow_and_slopes(
    position_mm: ArrayLike, stations_mm: ArrayLike, diameters_mm: ArrayLike, **jet_and_fuel: ArrayLike | None
) -> tuple[BoreFlow, BoreSlopes]:
    r"""Fuel flow together with every analytic slope of its logarithm.

    Parameters
    ----------
    position_mm, stations_mm, diameters_mm : array_like
        As in :func:`bore_flow`. [mm]
    **jet_and_fuel : array_like, shape (...)
        Jet and fuel, as :func:`bore_flow` takes them by name; the eccentricity stays the same share of the gap when
        the gap changes. [as there]

    Returns
    -------
    BoreFlow
        As from :func:`bore_flow`.
    BoreSlopes
        d ln(flow) by each argument; ``per_mm_diameter`` of shape (..., n) is the influence of every
        station, which reaches down the bore from the face.

    Raises
    ------
    InputError
        As in :func:`bore_flow`.

    Notes
    -----
    Follows from the cubic by implicit differentiation.  In the capped range (Re above 4000) the loss
    is constant.  At a break point of the needle the slope by position is the one below it.

    Examples
    --------
    >>> flow, slopes = bore_flow_and_slopes(5.0, [0.0, 40.0], [2.48, 1.84], bore_mm=2.54, length_mm=4.0,
    ...                  pressure_pa=1950.0, density_kg_m3=745.0, viscosity_mm2_s=0.65)
    >>> print(f"{slopes.per_mm_diameter.sum() * 0.01:.3f} per 0.01 mm all over")
    -0.156 per 0.01 mm all over
    """
    bore, strips, jet = _strips(position_mm, stations_mm, diameters_mm, jet_and_fuel)
    return _flow(bore, strips, jet), _slopes(bore, strips, jet.eccentricity)


def _strips(
    position_mm: ArrayLike, stations_mm: ArrayLike, diameters_mm: ArrayLike, jet_and_fuel: Mapping[str, ArrayLike | None]
) -> tuple[BorePoints, Strips, JetAndFuel]:
    known = {"position_mm": position_mm, "eccentricity": 0.0, **jet_and_fuel}
    jet = JetAndFuel(**{name: np.asarray(value, np.float64) for name, value in known.items() if value is not None})
    bore = points_down_the_bore(jet.position_mm, stations_mm, diameters_mm, jet.length_mm)
    return bore, strips_of(bore, jet), jet


def _flow(bore: BorePoints, strips: Strips, jet: JetAndFuel) -> BoreFlow:
    total = strips.carried_mm2.sum(axis=-1)
    round_mm = jet.bore_mm if jet.bore_least_mm is None else np.sqrt(jet.bore_mm * jet.bore_least_mm)
    diameter = bore.diameter_mm[0]
    geometric = np.pi / 4.0 * (round_mm**2 - diameter**2)
    effective = 2.0 * np.pi * total
    volume_mm3_s = effective * strips.velocity_mm_s[..., 0]
    flow = volume_mm3_s * jet.density_kg_m3 * 1e-6
    viscous = (strips.carried_mm2 * strips.sigma * strips.coefficient).sum(axis=-1) / total
    reynolds = volume_mm3_s / geometric * (round_mm - diameter) / jet.viscosity_mm2_s
    shape = np.broadcast_shapes(flow.shape, reynolds.shape)
    parts = (flow, effective, geometric, effective / geometric, viscous, reynolds)
    return BoreFlow(*(part if part.shape == shape else np.broadcast_to(part, shape) for part in parts))


def _slopes(bore: BorePoints, strips: Strips, eccentricity: FloatArray) -> BoreSlopes:
    """Chain rule through the strips: resistance, cubic, sum over the azimuth."""
    gap, wide, u = strips.gap_mm, strips.wide_mm, strips.coefficient
    scale = strips.viscous_scale
    pieces = scale * strips.piece_mm
    by_upper, by_lower, by_wide = mean_inverse_slopes_mm5(gap[:-1], gap[1:], wide)
    by_gap = np.zeros(np.broadcast_shapes(gap.shape, (1, *pieces.shape[1:])))
    by_gap[:-1] = pieces * by_upper
    by_gap[1:] += pieces * by_lower
    ends = gap[:: gap.shape[0] - 1]
    at_face, at_end = scale / ((wide - ends) * ends * ends * ends)
    # ln u by ln sigma and by ln kappa, from the cubic; the loss is constant above the ceiling.
    part = strips.carried_mm2 / strips.carried_mm2.sum(axis=-1, keepdims=True)
    bent = np.minimum(strips.kappa * u, GREATEST_FALL)
    steep = np.where(bent < GREATEST_FALL, bent, 0.0)
    stiffness = (2.0 * (LOSS_AT_REST - bent) - steep) * u + strips.sigma
    pull, push = -strips.sigma / stiffness, steep * u / stiffness
    # Share of ln Q that a strip's viscous integral brings, its gap and mean radius at the face, and an offset.
    of_integral = part * pull / strips.resistance_per_mm
    of_gap = part * (1.0 + pull + push) / gap[0]
    of_radius = part * (1.0 + pull) / strips.radius_mm
    of_shift = of_integral * (by_gap.sum(axis=0) + (pieces * by_wide).sum(axis=0)) + of_gap
    # The face itself carries gap, radius and the needle's offset too.
    swing = eccentricity[..., None] * strips.cosine * strips.by_gap
    face = -0.5 * (of_shift * swing + of_gap - 0.5 * of_radius).sum(axis=-1)
    points = -0.5 * (of_integral * by_gap).sum(axis=-1)
    points[0] += face
    to_end = (of_integral * at_end).sum(axis=-1)
    by_viscosity = (part * (pull - push)).sum(axis=-1)
    return BoreSlopes(
        slopes_at_stations(points, bore),
        to_end - (of_integral * at_face).sum(axis=-1) + bore.slope_face * face,
        to_end,
        (of_shift * strips.cosine * strips.reach_mm).sum(axis=-1),
        by_viscosity,
        0.5 - 0.5 * by_viscosity,
    )
