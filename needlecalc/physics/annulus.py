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

The needle is straight between stations, so the integral is exact in closed form; every slope is analytic. Its exact limit
is fully developed laminar flow, :math:`Q = J\,\Delta p/(\mu L)`, the conductance *J* a matter of shape alone.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import polygamma

from needlecalc.arrays import check_each
from needlecalc.errors import InputError
from needlecalc.physics.strips import (
    GREATEST_FALL,
    LOSS_AT_REST,
    VISCOUS,
    BorePoints,
    JetAndFuel,
    Strips,
    mean_inverse_slopes_mm5,
    points_down_the_bore,
    slopes_at_stations,
    strips_of,
)
from needlecalc.units import FloatArray

SMALL_ECCENTRICITY: Final = 1e-9  # below it the flow is that of a centred needle to the last digit
SERIES_TERMS: Final = 24  # summed one by one before the Euler-Maclaurin tail takes over
RATIO_TERMS: Final = 14  # of the series for a narrow ring, whose widest gap here is 0.2 of the mean radius


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
    bore_mm, length_mm : array_like, shape (...)
        Bore of the jet, the greatest one of an oval jet, and its parallel length. [mm]
    pressure_pa : array_like, shape (...)
        Pressure difference that drives the fuel: depression less the head to the jet's face. [Pa]
    density_kg_m3, viscosity_mm2_s : array_like, shape (...)
        Density and kinematic viscosity of the fuel. [kg/m3, mm2/s]
    eccentricity : array_like, shape (...)
        Offset of the needle over the gap at the face: 0 centred, 1 touching. [-]
    bore_least_mm : array_like, shape (...), or None
        Least bore of a jet worn oval, square to the greatest; None for a round jet. [mm]

    Returns
    -------
    BoreFlow
        Flow, areas, discharge coefficient, viscous fraction, Reynolds number of the mean velocity and twice the gap: (...).

    Raises
    ------
    InputError
        If the needle fills the jet, or the face lies off the needle.

    Notes
    -----
    Within 3.1 % in discharge coefficient (slopes not compared) of axisymmetric Navier-Stokes solutions computed for this
    project at gaps 0.06-0.67 mm, bore length 2-8 mm and tapers 0-0.03; *K* was fitted to nine of them. No bench data were
    available; beyond Re of some 2000 the true flow is transitional. Strips do not exchange fuel, so the effect of
    eccentricity is uncertain by some 10 % of itself between the exact limits.

    A needle off centre hangs parallel to the bore. An oval jet is an ellipse, each azimuth of which acts as a round bore of
    its own width. Below the last station the needle is taken to go on straight.

    References
    ----------
    .. [1] Bird, Stewart and Lightfoot, *Transport Phenomena*, 2nd ed., Wiley, 2002, section 2.4, problem 2B.5 (from memory).
    .. [2] Shah and London, *Laminar Flow Forced Convection in Ducts*, Academic Press, 1978 (loss of a developing slit flow,
       1.674; from memory).

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
        As from :func:`bore_flow`, which says too what is refused.
    BoreSlopes
        d ln(flow) by each argument, from the cubic by implicit differentiation; ``per_mm_diameter`` of shape (..., n) is
        the influence of every station, which reaches down the bore from the face. At a break point of the needle the
        slope by position is the one below it.

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
    scale = VISCOUS * gap[0] * strips.radius_mm
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


def concentric_conductance_mm4(bore_mm: ArrayLike, needle_mm: ArrayLike) -> FloatArray:
    r"""Conductance of the ring round a centred needle, exact.

    .. math:: J = \frac{\pi}{8}\left[R_2^4 - R_1^4 - \frac{(R_2^2 - R_1^2)^2}{\ln(R_2/R_1)}\right]

    Parameters
    ----------
    bore_mm, needle_mm : array_like, shape (...)
        Bore of the jet, :math:`2R_2`, and diameter of the needle, :math:`2R_1`. [mm]

    Returns
    -------
    float or array, shape (...)
        Conductance, for :func:`laminar_flow_g_s`. [mm4]

    References
    ----------
    .. [1] Bird, Stewart and Lightfoot, *Transport Phenomena*, 2nd ed., Wiley, 2002, section 2.4 (from memory).

    Examples
    --------
    >>> print(f"{concentric_conductance_mm4(2.54, 2.20):.6f}")
    0.003049
    """
    outer, inner = _radii_mm(bore_mm, needle_mm)
    # pi R^4 t [t^2 + 1 - t / artanh t] with t the gap over twice the mean radius, by series where it is narrow,
    # so that nothing cancels: (artanh t - t) / t^3 = 1/3 + t^2/5 + t^4/7 + ...
    mean, t = (outer + inner) / 2.0, (outer - inner) / (outer + inner)
    small = np.minimum(t, 0.2)
    series = sum(small ** (2 * k) / (2 * k + 3) for k in range(RATIO_TERMS))
    # artanh t is half of ln(R2/R1), which keeps its digits round a hair, where t rounds to 1.
    wide = np.maximum(t, 0.1)
    excess = np.where(t <= 0.2, series, (np.log(outer / inner) / 2.0 - wide) / wide**3)
    bracket = t**2 * (1.0 + excess / (1.0 + t**2 * excess))
    return np.asarray(np.pi * mean**4 * t * bracket)[()]


def eccentric_conductance_mm4(bore_mm: ArrayLike, needle_mm: ArrayLike, eccentricity: ArrayLike) -> FloatArray:
    r"""Conductance of the ring round a needle off centre, exact.

    .. math:: J = \frac{\pi}{8}\left[R_2^4 - R_1^4 - \frac{4b^2M^2}{\beta - \alpha}
              - 8b^2M^2\sum_{n=1}^\infty \frac{n\,e^{-n(\beta + \alpha)}}{\sinh n(\beta - \alpha)}\right]

    with :math:`F = (R_2^2 - R_1^2 + b^2)/2b`, :math:`M^2 = F^2 - R_2^2`, :math:`\sinh\alpha = M/R_2` and
    :math:`\sinh\beta = M/R_1`; near 1 + 1.5 e^2 times the centred one for a narrow gap.

    Parameters
    ----------
    bore_mm, needle_mm : array_like, shape (...)
        Bore of the jet, :math:`2R_2`, and diameter of the needle, :math:`2R_1`. [mm]
    eccentricity : array_like, shape (...)
        Offset *b* of the needle over the concentric gap: 0 centred, 1 touching. [-]

    Returns
    -------
    float or array, shape (...)
        Conductance, for :func:`laminar_flow_g_s`; rounding is some 1e-12 of it at a gap of 0.06 mm in a 2.5 mm jet and grows
        as the square of radius over gap. [mm4]

    Raises
    ------
    InputError
        If the needle does not leave a gap, or the eccentricity lies outside 0..1.

    References
    ----------
    .. [1] Piercy, Hooper and Winny, *Philosophical Magazine* 15 (1933) 647-676 (pages from memory).
    .. [2] White, *Viscous Fluid Flow*, McGraw-Hill, section 3-3 (from memory).

    Examples
    --------
    >>> print(eccentric_conductance_mm4(2.54, 2.20, [0.0, 0.3, 0.6, 0.9]).round(6))
    [0.003049 0.00346 0.00469 0.006734]
    """
    outer, inner = _radii_mm(bore_mm, needle_mm)
    share = check_each(eccentricity, "eccentricity", 0.0, 1.0, cure="It is the offset over the gap when centred.")
    outer, inner, share = np.broadcast_arrays(outer, inner, share)
    gap, both = outer - inner, outer + inner
    between = np.where((share > SMALL_ECCENTRICITY) & (share < 1.0), share, 0.5)
    # (1 - e)(1 + e) keeps its digits near contact, where c^2 - b^2 would lose them.
    offset = between * gap
    squared = gap**2 * (1.0 - between) * (1.0 + between) * (both**2 - offset**2)  # 4 b^2 M^2
    root = np.sqrt(squared) / 2.0  # b M
    # The series the other way round: half the sum of 1/sinh^2(beta + k (beta - alpha)), trigamma at contact;
    # sinh(beta - alpha) = b M / (R1 R2), the difference without cancellation.
    step = np.arcsinh(root / (outer * inner))
    total = _sum_inverse_sinh_squared(np.arcsinh(root / (offset * inner)), step)
    solid = gap * both * (outer**2 + inner**2)  # R2^4 - R1^4
    inside = solid - squared / step - squared * total
    touching = solid - 4.0 * (outer * inner) ** 2 * polygamma(1, outer / gap)
    exact = np.pi / 8.0 * np.where(share < 1.0, inside, touching)
    return np.where(share > SMALL_ECCENTRICITY, exact, concentric_conductance_mm4(2.0 * outer, 2.0 * inner))[()]


def laminar_flow_g_s(
    conductance_mm4: ArrayLike, *, pressure_pa: ArrayLike, length_mm: ArrayLike, viscosity_mm2_s: ArrayLike
) -> FloatArray:
    r"""Mass flow through a long channel at a pressure difference, :math:`\dot m = J\,\Delta p/(L\,\nu)`: what defines *J*.

    Parameters
    ----------
    conductance_mm4, pressure_pa, length_mm, viscosity_mm2_s : array_like, shape (...)
        Conductance *J*, pressure difference over the length *L*, kinematic viscosity. [mm4, Pa, mm, mm2/s]

    Returns
    -------
    float or array, shape (...)
        Mass flow, fully developed: no loss at entry and exit, so an upper bound in a short jet. [g/s]

    Examples
    --------
    Leakage of hydraulic oil (46 mm2/s) past a 12 mm spool, 8 um slack on diameter, over 10 mm at 100 bar, as it touches:

    >>> conductance = eccentric_conductance_mm4(12.0, 11.992, 1.0)
    >>> print(f"{laminar_flow_g_s(conductance, pressure_pa=1e7, length_mm=10.0, viscosity_mm2_s=46.0):.4f}")
    0.0109
    """
    conductance = check_each(conductance_mm4, "conductance_mm4", 0.0)
    pressure = check_each(pressure_pa, "pressure_pa", 0.0)
    length = check_each(length_mm, "length_mm", 0.0, open_low=True)
    viscosity = check_each(viscosity_mm2_s, "viscosity_mm2_s", 0.0, open_low=True)
    return np.asarray(conductance * pressure / (length * viscosity))[()]


def _radii_mm(bore_mm: ArrayLike, needle_mm: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """Outer and inner radius of one shape, once it is sure that there is a ring."""
    bore = check_each(bore_mm, "bore_mm", 0.0, open_low=True)
    needle = check_each(needle_mm, "needle_mm", 0.0, open_low=True)
    bore, needle = np.broadcast_arrays(bore, needle)
    full = ~(needle < bore)
    if np.any(full):
        thick, around = needle[full].flat[0], bore[full].flat[0]
        msg = (
            f"needle_mm is {thick:g}, but must be less than bore_mm ({around:g}) to leave a gap; "
            "check both, and their units."
        )
        raise InputError(msg)
    return bore / 2.0, needle / 2.0


def _sum_inverse_sinh_squared(start: FloatArray, step: FloatArray) -> FloatArray:
    """Sum of 1/sinh^2(start + k step) over k from 0 on: terms one by one, then Euler-Maclaurin."""
    k = np.arange(SERIES_TERMS)
    places = start[..., None] + k * step[..., None]
    total = (4.0 * np.exp(-2.0 * places) / np.expm1(-2.0 * places) ** 2).sum(axis=-1)
    edge = start + SERIES_TERMS * step
    fall = np.exp(-2.0 * edge)
    rest = -np.expm1(-2.0 * edge)
    coth, value = (1.0 + fall) / rest, 4.0 * fall / rest**2
    first = -2.0 * coth * value
    third = -8.0 * coth * (3.0 * coth**2 - 2.0) * value
    fifth = -coth * (720.0 * coth**4 - 960.0 * coth**2 + 272.0) * value
    tail = 2.0 * fall / rest / step + value / 2.0
    return np.asarray(total + tail - step * first / 12.0 + step**3 * third / 720.0 - step**5 * fifth / 30240.0)
