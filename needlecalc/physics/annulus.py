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
AZIMUTHS = 12
NEWTON_STEPS = 30
NEWTON_TOLERANCE = 1e-13

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
    """One row a strip: its gaps down the bore, its cubic and the root."""

    gap_mm: FloatArray  # (..., a, p)
    wide_mm: FloatArray  # (..., a, 1) bore plus shift of the strip, so that 2 r = wide - gap
    radius_mm: FloatArray  # (..., a) mean radius at the face
    reach_mm: FloatArray  # (..., 1) offset of a needle that touches
    by_bore: _Change
    by_bore_least: _Change
    by_gap: FloatArray  # (..., 1) growth of the reach by the gap at the face
    resistance_per_mm: FloatArray  # (..., a)
    sigma: FloatArray  # (..., a)
    kappa: FloatArray  # (..., a)
    coefficient: FloatArray  # (..., a) the root u
    stiffness: FloatArray  # (..., a) d(cubic)/du at the root
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
    gap = ((jet if least is None else least) - bore.diameter_mm) / 2.0
    if not (gap > 0.0).all():
        msg = (
            f"The needle is up to {-2 * gap.min():.4f} mm thicker than the jet's bore inside the jet; a "
            "needle must leave a gap all round, so check bore, diameters and their units."
        )
        raise InputError(msg)
    if least is None:
        across, reach, by_gap = jet, gap[..., :1], np.ones(1)
        by_bore, by_least = _Change(1.0, 0.5), _Change(0.0, 0.0)
    else:
        local = oval_across_mm(jet, least, cosine)
        touch = oval_reach_mm(jet, least, bore.diameter_mm[..., :1])
        across, reach, by_gap = local.across_mm, touch.reach_mm, -2.0 * touch.per_mm_needle
        by_bore = _Change(local.per_mm_long, touch.per_mm_long)
        by_least = _Change(local.per_mm_short, touch.per_mm_short)
    shift = eccentric * reach * cosine
    gaps = (across[..., None] - bore.diameter_mm[..., None, :]) / 2.0 + shift[..., None]
    wide = (across + shift)[..., None]
    radius = (across + bore.diameter_mm[..., :1]) / 4.0
    pieces = np.diff(bore.z_mm, axis=-1)[..., None, :]
    mean = mean_inverse_mm4(gaps[..., :-1], gaps[..., 1:], wide)
    resistance = 24.0 * gaps[..., 0] * radius * (pieces * mean).sum(axis=-1)
    velocity = 1e3 * np.sqrt(2.0 * pressure / density)
    sigma = 2.0 * viscosity * resistance / velocity
    reynolds_ideal = velocity * 2.0 * gaps[..., 0] / viscosity
    kappa = LOSS_FALL_PER_REYNOLDS * reynolds_ideal
    root, stiffness = _root(sigma, kappa, reynolds_ideal)
    return _Strips(
        gaps,
        wide,
        radius,
        reach,
        by_bore,
        by_least,
        by_gap,
        resistance,
        sigma,
        kappa,
        root,
        stiffness,
        share,
        cosine,
        velocity,
    )


def _root(sigma: FloatArray, kappa: FloatArray, reynolds_ideal: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Root of (K0 - kappa u) u^2 + sigma u = 1, the loss held constant above the ceiling."""
    floor = LOSS_AT_REST - LOSS_FALL_PER_REYNOLDS * LOSS_REYNOLDS_CEILING
    # With the least loss the quadratic's root lies at or right of the cubic's, from where Newton falls
    # to it without overshoot, the cubic being convex and rising there.
    capped = 2.0 / (sigma + np.sqrt(sigma**2 + 4.0 * floor))
    over = capped * reynolds_ideal >= LOSS_REYNOLDS_CEILING
    u = capped
    for _ in range(NEWTON_STEPS):
        value = ((LOSS_AT_REST - kappa * u) * u + sigma) * u - 1.0
        step = np.where(over, 0.0, value / ((2.0 * LOSS_AT_REST - 3.0 * kappa * u) * u + sigma))
        u = u - step
        if np.all(np.abs(step) <= NEWTON_TOLERANCE * u):
            break
    stiffness = np.where(over, 2.0 * floor * u + sigma, (2.0 * LOSS_AT_REST - 3.0 * kappa * u) * u + sigma)
    return u, stiffness


def _flow(
    bore: BorePoints,
    strips: _Strips,
    bore_mm: ArrayLike,
    bore_least_mm: ArrayLike | None,
    density_kg_m3: ArrayLike,
    viscosity_mm2_s: ArrayLike,
) -> BoreFlow:
    carried = strips.share * strips.coefficient * strips.gap_mm[..., 0] * strips.radius_mm
    total = carried.sum(axis=-1)
    jet = np.asarray(bore_mm, dtype=np.float64)
    round_mm = jet if bore_least_mm is None else np.sqrt(jet * np.asarray(bore_least_mm, dtype=np.float64))
    diameter = bore.diameter_mm[..., 0]
    geometric = np.pi / 4.0 * (round_mm**2 - diameter**2)
    effective = 2.0 * np.pi * total
    volume_mm3_s = effective * strips.velocity_mm_s[..., 0]
    flow = volume_mm3_s * np.asarray(density_kg_m3) * 1e-6
    viscous = (carried * strips.sigma * strips.coefficient).sum(axis=-1) / total
    reynolds = volume_mm3_s / geometric * (round_mm - diameter) / np.asarray(viscosity_mm2_s)
    shape = np.broadcast_shapes(flow.shape, reynolds.shape)
    parts = (flow, effective, geometric, effective / geometric, viscous, reynolds)
    return BoreFlow(*(np.broadcast_to(part, shape) for part in parts))


def _slopes(bore: BorePoints, strips: _Strips, eccentricity: FloatArray, stations: int) -> BoreSlopes:
    """Chain rule through the strips: resistance, cubic, sum over the azimuth."""
    gap, wide, radius = strips.gap_mm, strips.wide_mm, strips.radius_mm
    face_gap = gap[..., 0]
    scale = 24.0 * face_gap * radius
    pieces = scale[..., None] * np.diff(bore.z_mm, axis=-1)[..., None, :]
    by_upper, by_lower, by_wide = mean_inverse_slopes_mm5(gap[..., :-1], gap[..., 1:], wide)
    by_gap = np.zeros(np.broadcast_shapes(gap.shape, (*pieces.shape[:-1], 1)))
    by_gap[..., :-1] += pieces * by_upper
    by_gap[..., 1:] += pieces * by_lower
    by_width = (pieces * by_wide).sum(axis=-1)
    by_shift = by_gap.sum(axis=-1) + by_width
    integrand = scale[..., None] / ((wide - gap) * gap**3)
    u = strips.coefficient
    carried = strips.share * u * face_gap * radius
    part = carried / carried.sum(axis=-1, keepdims=True)
    # ln u by ln sigma and by ln kappa, from the cubic; the loss is constant above the ceiling.
    pull = -strips.sigma / strips.stiffness
    over = strips.kappa * u >= LOSS_FALL_PER_REYNOLDS * LOSS_REYNOLDS_CEILING
    push = np.where(over, 0.0, strips.kappa * u**2 / strips.stiffness)

    def slope(d_integral: FloatArray, d_gap: FloatArray | float, d_radius: FloatArray | float) -> FloatArray:
        """Change of ln Q for a change of the viscous integral, and of gap and radius at the face."""
        d_resistance = d_integral / strips.resistance_per_mm + d_gap / face_gap + d_radius / radius
        d_strip = pull * d_resistance + (1.0 + push) * d_gap / face_gap + d_radius / radius
        return np.asarray((part * d_strip).sum(axis=-1))

    lean = eccentricity[..., None] * strips.cosine
    swing = lean * strips.by_gap  # shift of a strip per mm of gap at the face

    def by_jet(change: _Change) -> FloatArray:
        wider, moved = change.across, lean * change.reach
        spread = wider * (0.5 * by_gap.sum(axis=-1) + by_width) + by_shift * moved
        return slope(spread, 0.5 * wider + moved, 0.25 * wider)

    points = [
        slope(
            -0.5 * (by_gap[..., point] + at_face * by_shift * swing),
            -0.5 * at_face * (1.0 + swing),
            0.25 * at_face,
        )
        for point, at_face in enumerate([1.0] + [0.0] * (gap.shape[-1] - 1))
    ]
    # Moving the face down the needle opens the concentric gap there by half the fall in diameter.
    tightening = -0.5 * bore.slope_face[..., None]
    by_viscosity = (part * (pull - push)).sum(axis=-1)
    return BoreSlopes(
        slopes_at_stations(np.stack(points, axis=-1), bore, stations),
        slope(
            integrand[..., -1] - integrand[..., 0] + by_shift * swing * tightening,
            tightening * (1.0 + swing),
            -0.5 * tightening,
        ),
        slope(integrand[..., -1], 0.0, 0.0),
        by_jet(strips.by_bore),
        slope(by_shift * strips.cosine * strips.reach_mm, strips.cosine * strips.reach_mm, 0.0),
        by_viscosity,
        0.5 - 0.5 * by_viscosity,
        0.5 + 0.5 * by_viscosity,
        by_jet(strips.by_bore_least),
    )
