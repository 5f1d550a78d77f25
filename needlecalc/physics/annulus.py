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

import math
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.borepoints import BorePoints, points_down_the_bore, slopes_at_stations
from needlecalc.physics.gapintegral import mean_inverse_mm4, mean_inverse_slopes_mm5
from needlecalc.physics.ovalbore import oval_across_mm, oval_reach_mm
from needlecalc.units import FloatArray

LOSS_AT_REST = 1.78
LOSS_FALL_PER_REYNOLDS = 9.4e-5
LOSS_REYNOLDS_CEILING = 4000.0
GREATEST_FALL = LOSS_FALL_PER_REYNOLDS * LOSS_REYNOLDS_CEILING
AZIMUTHS = 12
STRIPS_AT_ONCE = 3000  # far longer arrays are got from the system anew at every step, three times slower
NEWTON_STEPS = 30
NEWTON_TOLERANCE = 1e-7  # each step squares the error: after one so small it is that of rounding

_LEGENDRE_NODES, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(AZIMUTHS)
_COSINES = np.cos(np.pi * (_LEGENDRE_NODES + 1.0) / 2.0)
_SHARES = _LEGENDRE_WEIGHTS / 2.0


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
    per_mm_bore: FloatArray
    per_eccentricity: FloatArray
    per_ln_viscosity: FloatArray
    per_ln_pressure: FloatArray
    per_ln_density: FloatArray
    per_mm_bore_least: FloatArray  # 0 for a round jet, where ``per_mm_bore`` moves the whole bore


class _Change(NamedTuple):
    """How the bore at each strip, and the offset of the needle, move by one mm of something."""

    across: FloatArray | float  # (..., a)
    reach: FloatArray | float  # (..., 1)


class _Strips(NamedTuple):
    """One entry a strip, the last axis: its gaps down the bore, its cubic and the root."""

    gap_mm: FloatArray  # (p, ..., a)
    piece_mm: FloatArray  # (p - 1, ..., 1) from each point to the next
    wide_mm: FloatArray  # (..., a) bore plus shift of the strip, so that 2 r = wide - gap
    radius_mm: FloatArray  # (..., a) mean radius at the face
    reach_mm: FloatArray  # (..., 1) offset of a needle that touches
    by_bore: _Change
    by_bore_least: _Change | None  # None in a round jet
    by_gap: FloatArray | float  # (..., 1) growth of the reach by the gap at the face
    viscous_scale: FloatArray  # (..., a) what the mean of the gap is multiplied by
    resistance_per_mm: FloatArray  # (..., a)
    sigma: FloatArray  # (..., a)
    kappa: FloatArray  # (..., a)
    coefficient: FloatArray  # (..., a) the root u
    carried_mm2: FloatArray  # (..., a) flow of the strip over 2 pi times the velocity
    share: FloatArray  # (a,)
    cosine: FloatArray  # (a,)
    velocity_mm_s: FloatArray  # (..., 1)


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
    Agrees within 3.1 % in discharge coefficient (slopes not compared) with axisymmetric
    Navier-Stokes solutions computed for this project at gaps 0.06-0.67 mm, bore length 2-8 mm and
    tapers 0-0.03; *K* was fitted to nine of them.  No bench data were available.  Beyond Re of some
    2000 the true flow is transitional.  Strips do not exchange fuel, so the effect of eccentricity is
    uncertain by some 10 % of itself between the exact limits (viscous: 2.5 times at contact for a
    narrow gap; inertial: none).

    A needle off centre stands parallel to the bore: the offset is :math:`e\,c_0` all the way down, a
    smaller share of the gap where that has opened, since a needle hung from a rigid piston moves as a
    whole.  Were the share kept instead, as if the needle leaned along the wall, a touching needle would
    pass 1.96 times the centred flow at 2.45 mm in a 2.54 mm jet and 0.016 taper; as it is, it passes 1.69
    times (both computed for this project, see tests).

    An oval jet is an ellipse, the same all the way down, each azimuth of which acts as a round bore of its
    own width; an offset is then taken along the long axis, see
    :func:`~needlecalc.physics.ovalbore.oval_reach_mm`.

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
    diameters = np.asarray(diameters_mm, dtype=np.float64)
    given = {
        "position_mm": position_mm,
        "bore_mm": bore_mm,
        "length_mm": length_mm,
        "pressure_pa": pressure_pa,
        "density_kg_m3": density_kg_m3,
        "viscosity_mm2_s": viscosity_mm2_s,
        "eccentricity": eccentricity,
        "bore_least_mm": bore_least_mm,
    }
    whole = {name: np.asarray(value, dtype=np.float64) for name, value in given.items() if value is not None}
    shape = np.broadcast_shapes(diameters.shape[:-1], *(array.shape for array in whole.values()))
    strips = AZIMUTHS if bore_least_mm is not None or whole["eccentricity"].any() else 1
    at_once = max(STRIPS_AT_ONCE // (strips * max(math.prod(shape[1:]), 1)), 1)
    if not shape or shape[0] <= at_once:
        return _flow_at_once(stations_mm, diameters, **whole)
    flows = []
    for start in range(0, shape[0], at_once):
        here = slice(start, start + at_once)
        some = {
            name: array[here] if array.ndim == len(shape) and array.shape[0] > 1 else array for name, array in whole.items()
        }
        needles = diameters[here] if diameters.ndim == len(shape) + 1 and diameters.shape[0] > 1 else diameters
        flows.append(_flow_at_once(stations_mm, needles, **some))
    return BoreFlow(*(np.concatenate(parts) for parts in zip(*flows, strict=True)))


def _flow_at_once(
    stations_mm: ArrayLike,
    diameters_mm: ArrayLike,
    *,
    position_mm: ArrayLike,
    bore_mm: ArrayLike,
    length_mm: ArrayLike,
    pressure_pa: ArrayLike,
    density_kg_m3: ArrayLike,
    viscosity_mm2_s: ArrayLike,
    eccentricity: ArrayLike,
    bore_least_mm: ArrayLike | None = None,
) -> BoreFlow:
    """Flow of so many entries as the processor's cache holds."""
    bore = points_down_the_bore(position_mm, stations_mm, diameters_mm, length_mm)
    strips = _strips(bore, bore_mm, pressure_pa, density_kg_m3, viscosity_mm2_s, eccentricity, bore_least_mm)
    return _flow(bore, strips, bore_mm, bore_least_mm, density_kg_m3, viscosity_mm2_s)


def bore_flow_and_slopes(
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
) -> tuple[BoreFlow, BoreSlopes]:
    r"""Fuel flow together with every analytic slope of its logarithm.

    Parameters
    ----------
    position_mm, stations_mm, diameters_mm : array_like
        As in :func:`bore_flow`. [mm]
    bore_mm, length_mm : array_like, shape (...)
        As in :func:`bore_flow`. [mm]
    pressure_pa : array_like, shape (...)
        As in :func:`bore_flow`. [Pa]
    density_kg_m3 : array_like, shape (...)
        As in :func:`bore_flow`. [kg/m3]
    viscosity_mm2_s : array_like, shape (...)
        As in :func:`bore_flow`. [mm2/s]
    eccentricity : array_like, shape (...)
        As in :func:`bore_flow`; it stays the same share of the gap when the gap changes. [-]
    bore_least_mm : array_like, shape (...), or None
        As in :func:`bore_flow`. [mm]

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
    bore = points_down_the_bore(position_mm, stations_mm, diameters_mm, length_mm)
    strips = _strips(bore, bore_mm, pressure_pa, density_kg_m3, viscosity_mm2_s, eccentricity, bore_least_mm)
    flow = _flow(bore, strips, bore_mm, bore_least_mm, density_kg_m3, viscosity_mm2_s)
    stations = np.asarray(stations_mm, dtype=np.float64).size
    slopes = _slopes(bore, strips, np.asarray(eccentricity, dtype=np.float64), stations)
    return flow, slopes


def _strips(
    bore: BorePoints,
    bore_mm: ArrayLike,
    pressure_pa: ArrayLike,
    density_kg_m3: ArrayLike,
    viscosity_mm2_s: ArrayLike,
    eccentricity: ArrayLike,
    bore_least_mm: ArrayLike | None,
) -> _Strips:
    """Cubic of each strip and its root."""
    jet = np.asarray(bore_mm, dtype=np.float64)[..., None]
    pressure = np.asarray(pressure_pa, dtype=np.float64)[..., None]
    density = np.asarray(density_kg_m3, dtype=np.float64)[..., None]
    viscosity = np.asarray(viscosity_mm2_s, dtype=np.float64)[..., None]
    eccentric = np.asarray(eccentricity, dtype=np.float64)[..., None]
    if not (pressure > 0.0).all():
        msg = (
            "The fuel must be driven by a positive pressure: the depression is less than the head from "
            "the float level to the jet's face; check float_level_mm and the air valve."
        )
        raise InputError(msg)
    least = None if bore_least_mm is None else np.asarray(bore_least_mm, dtype=np.float64)[..., None]
    one_strip = least is None and not np.any(eccentric)
    cosine, share = (np.zeros(1), np.ones(1)) if one_strip else (_COSINES, _SHARES)
    diameter = bore.diameter_mm[..., None]
    gap = 0.5 * ((jet if least is None else least) - diameter)
    if not (gap > 0.0).all():
        msg = (
            f"The needle is up to {-2 * gap.min():.4f} mm thicker than the jet's bore inside the jet; a "
            "needle must leave a gap all round, so check bore, diameters and their units."
        )
        raise InputError(msg)
    by_gap: FloatArray | float
    if least is None:
        across, reach, by_gap = jet, gap[0], 1.0
        by_bore, by_least = _Change(1.0, 0.5), None
    else:
        local = oval_across_mm(jet, least, cosine)
        touch = oval_reach_mm(jet, least, diameter[0])
        across, reach, by_gap = local.across_mm, touch.reach_mm, -2.0 * touch.per_mm_needle
        by_bore = _Change(local.per_mm_long, touch.per_mm_long)
        by_least = _Change(local.per_mm_short, touch.per_mm_short)
        gap = 0.5 * (across - diameter)
    shift = eccentric * reach * cosine
    gaps = gap if one_strip else gap + shift
    wide = across + shift
    radius = 0.25 * (across + diameter[0])
    pieces = (bore.z_mm[1:] - bore.z_mm[:-1])[..., None]
    scale = 24.0 * gaps[0] * radius
    resistance = scale * (pieces * mean_inverse_mm4(gaps[:-1], gaps[1:], wide)).sum(axis=0)
    velocity = 1e3 * np.sqrt(2.0 * pressure / density)
    sigma = 2.0 * viscosity * resistance / velocity
    kappa = (2.0 * LOSS_FALL_PER_REYNOLDS) * velocity * gaps[0] / viscosity
    root = _root(sigma, kappa)
    carried = share * root * gaps[0] * radius
    return _Strips(
        gaps,
        pieces,
        wide,
        radius,
        reach,
        by_bore,
        by_least,
        by_gap,
        scale,
        resistance,
        sigma,
        kappa,
        root,
        carried,
        share,
        cosine,
        velocity,
    )


def _root(sigma: FloatArray, kappa: FloatArray) -> FloatArray:
    """Root of (K0 - kappa u) u^2 + sigma u = 1, the loss held constant above the ceiling."""
    # With less loss the quadratic's root lies at or right of the cubic's, from where Newton falls to it
    # without overshoot, the cubic being convex and rising there.
    square = sigma * sigma
    capped = 2.0 / (sigma + np.sqrt(square + 4.0 * (LOSS_AT_REST - GREATEST_FALL)))
    fall = np.minimum(kappa * capped, GREATEST_FALL)
    u = 2.0 / (sigma + np.sqrt(square + 4.0 * (LOSS_AT_REST - fall)))
    steep = np.where(fall < GREATEST_FALL, kappa, 0.0)
    rest = np.where(fall < GREATEST_FALL, LOSS_AT_REST, LOSS_AT_REST - GREATEST_FALL)
    for _ in range(NEWTON_STEPS):
        bent = steep * u
        step = (((rest - bent) * u + sigma) * u - 1.0) / ((2.0 * rest - 3.0 * bent) * u + sigma)
        u = u - step
        if (np.abs(step) <= NEWTON_TOLERANCE * u).all():
            break
    return u


def _flow(
    bore: BorePoints,
    strips: _Strips,
    bore_mm: ArrayLike,
    bore_least_mm: ArrayLike | None,
    density_kg_m3: ArrayLike,
    viscosity_mm2_s: ArrayLike,
) -> BoreFlow:
    total = strips.carried_mm2.sum(axis=-1)
    jet = np.asarray(bore_mm, dtype=np.float64)
    round_mm = jet if bore_least_mm is None else np.sqrt(jet * np.asarray(bore_least_mm, dtype=np.float64))
    diameter = bore.diameter_mm[0]
    geometric = np.pi / 4.0 * (round_mm**2 - diameter**2)
    effective = 2.0 * np.pi * total
    volume_mm3_s = effective * strips.velocity_mm_s[..., 0]
    flow = volume_mm3_s * np.asarray(density_kg_m3) * 1e-6
    viscous = (strips.carried_mm2 * strips.sigma * strips.coefficient).sum(axis=-1) / total
    reynolds = volume_mm3_s / geometric * (round_mm - diameter) / np.asarray(viscosity_mm2_s)
    shape = np.broadcast_shapes(flow.shape, reynolds.shape)
    parts = (flow, effective, geometric, effective / geometric, viscous, reynolds)
    return BoreFlow(*(part if part.shape == shape else np.broadcast_to(part, shape) for part in parts))


def _slopes(bore: BorePoints, strips: _Strips, eccentricity: FloatArray, stations: int) -> BoreSlopes:
    """Chain rule through the strips: resistance, cubic, sum over the azimuth."""
    gap, wide, u = strips.gap_mm, strips.wide_mm, strips.coefficient
    scale = strips.viscous_scale
    pieces = scale * strips.piece_mm
    by_upper, by_lower, by_wide = mean_inverse_slopes_mm5(gap[:-1], gap[1:], wide)
    by_gap = np.zeros(np.broadcast_shapes(gap.shape, (1, *pieces.shape[1:])))
    by_gap[:-1] = pieces * by_upper
    by_gap[1:] += pieces * by_lower
    by_width, by_all = (pieces * by_wide).sum(axis=0), by_gap.sum(axis=0)
    ends = gap[:: gap.shape[0] - 1]
    at_face, at_end = scale / ((wide - ends) * ends**3)
    # ln u by ln sigma and by ln kappa, from the cubic; the loss is constant above the ceiling.
    part = strips.carried_mm2 / strips.carried_mm2.sum(axis=-1, keepdims=True)
    bent = np.minimum(strips.kappa * u, GREATEST_FALL)
    steep = np.where(bent < GREATEST_FALL, bent, 0.0)
    stiffness = (2.0 * (LOSS_AT_REST - bent) - steep) * u + strips.sigma
    pull, push = -strips.sigma / stiffness, steep * u / stiffness
    # Share of ln Q that a strip's viscous integral brings, and gap and mean radius at the face.
    of_integral = part * pull / strips.resistance_per_mm
    of_gap = part * (1.0 + pull + push) / gap[0]
    of_radius = part * (1.0 + pull) / strips.radius_mm
    of_shift = of_integral * (by_all + by_width) + of_gap
    lean = eccentricity[..., None] * strips.cosine

    def by_jet(change: _Change) -> FloatArray:
        wider = of_integral * (0.5 * by_all + by_width) + 0.5 * of_gap + 0.25 * of_radius
        return np.asarray((change.across * wider + change.reach * lean * of_shift).sum(axis=-1))

    # The face itself carries gap, radius and the needle's offset too.
    swing = lean * strips.by_gap
    face = -0.5 * (of_shift * swing + of_gap - 0.5 * of_radius).sum(axis=-1)
    points = -0.5 * (of_integral * by_gap).sum(axis=-1)
    points[0] += face
    to_end = (of_integral * at_end).sum(axis=-1)
    by_viscosity = (part * (pull - push)).sum(axis=-1)
    return BoreSlopes(
        slopes_at_stations(points, bore, stations),
        to_end - (of_integral * at_face).sum(axis=-1) + bore.slope_face * face,
        to_end,
        by_jet(strips.by_bore),
        (of_shift * strips.cosine * strips.reach_mm).sum(axis=-1),
        by_viscosity,
        0.5 - 0.5 * by_viscosity,
        0.5 + 0.5 * by_viscosity,
        np.zeros_like(by_viscosity) if strips.by_bore_least is None else by_jet(strips.by_bore_least),
    )
