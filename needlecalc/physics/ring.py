r"""The ring round a needle in a round jet: exact laminar flow through it, centred or not.

Fully developed laminar flow in a channel of any section obeys :math:`Q = J\,\Delta p/(\mu L)`, where the conductance *J*
is a length to the fourth power and a matter of shape alone. The working law is in :mod:`needlecalc.physics.annulus`; these
are the limits that it must meet, and the leakage of any close fit: a spool in its bore, a plunger, a needle valve.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike
from scipy.special import polygamma

from needlecalc.arrays import check_each
from needlecalc.errors import InputError
from needlecalc.units import FloatArray

SMALL_ECCENTRICITY: Final = 1e-9  # below it the flow is that of a centred needle to the last digit
SERIES_TERMS: Final = 24  # summed one by one before the Euler-Maclaurin tail takes over
RATIO_TERMS: Final = 14  # of the series for a narrow ring, whose widest gap here is 0.2 of the mean radius


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
        Conductance, for :func:`laminar_flow_g_s`. [mm4]

    Raises
    ------
    InputError
        If the needle does not leave a gap, or the eccentricity lies outside 0..1.

    Notes
    -----
    The series converges slowly near contact. Summed the other way round it is
    :math:`\tfrac12\sum_{k\ge0}\sinh^{-2}(\beta + k(\beta - \alpha))`; 24 terms of that and an Euler-Maclaurin tail are
    exact to 1e-13 of the sum. At contact it becomes
    :math:`J = \tfrac{\pi}{8}[R_2^4 - R_1^4 - 4R_1^2R_2^2\,\psi_1(R_2/(R_2 - R_1))]` with the trigamma function. Rounding
    grows as the square of radius over gap: some 1e-12 of *J* at a gap of 0.06 mm in a 2.5 mm jet, 1e-9 at a micrometre.

    References
    ----------
    .. [1] Piercy, Hooper and Winny, Viscous flow through pipes with cores, *Philosophical Magazine* 15 (1933) 647-676
       (pages from memory).
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
    # sinh(beta - alpha) = b M / (R1 R2): the difference without cancellation.
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
    r"""Mass flow through a long channel at a pressure difference.

    .. math:: \dot m = \frac{J\,\Delta p}{L\,\nu}

    Parameters
    ----------
    conductance_mm4 : array_like, shape (...)
        Conductance *J* of the section. [mm4]
    pressure_pa, length_mm : array_like, shape (...)
        Pressure difference over the length, and the length *L*. [Pa, mm]
    viscosity_mm2_s : array_like, shape (...)
        Kinematic viscosity :math:`\nu`. [mm2/s]

    Returns
    -------
    float or array, shape (...)
        Mass flow, fully developed: no loss at entry and exit, so an upper bound in a short jet. [g/s]

    References
    ----------
    .. [1] The definition of conductance; density cancels, and in these units no factor is left.

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
