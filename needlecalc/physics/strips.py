"""Strips of the ring round a needle: the gap of each down the bore, its cubic and the root.

What the strips obey stands in :mod:`needlecalc.physics.annulus`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np

from needlecalc.errors import InputError
from needlecalc.physics.jetbore import BorePoints, mean_inverse_mm4, oval_across_mm, oval_reach_mm
from needlecalc.units import FloatArray

LOSS_AT_REST = 1.78
LOSS_FALL_PER_REYNOLDS = 9.4e-5
LOSS_REYNOLDS_CEILING = 4000.0
GREATEST_FALL = LOSS_FALL_PER_REYNOLDS * LOSS_REYNOLDS_CEILING
AZIMUTHS = 12
QUADRATICS = 2
NEWTON_STEPS = 30
NEWTON_TOLERANCE = 1e-7  # each step squares the error: after one so small it is that of rounding

_LEGENDRE_NODES, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(AZIMUTHS)
_COSINES = np.cos(np.pi * (_LEGENDRE_NODES + 1.0) / 2.0)
_SHARES = _LEGENDRE_WEIGHTS / 2.0


class JetAndFuel(NamedTuple):
    """Where the needle stands, in which jet, and what flows past it; every array broadcasts with the others."""

    position_mm: FloatArray
    bore_mm: FloatArray
    length_mm: FloatArray
    pressure_pa: FloatArray
    density_kg_m3: FloatArray
    viscosity_mm2_s: FloatArray
    eccentricity: FloatArray
    bore_least_mm: FloatArray | None = None  # None for a round jet


class Strips(NamedTuple):
    """One entry a strip, the last axis: its gaps down the bore, its cubic and the root."""

    gap_mm: FloatArray  # (p, ..., a)
    piece_mm: FloatArray  # (p - 1, ..., 1) from each point to the next
    wide_mm: FloatArray  # (..., a) bore plus shift of the strip, so that 2 r = wide - gap
    radius_mm: FloatArray  # (..., a) mean radius at the face
    reach_mm: FloatArray  # (..., 1) offset of a needle that touches
    by_gap: FloatArray | float  # (..., 1) growth of the reach by the gap at the face
    viscous_scale: FloatArray  # (..., a) what the mean of the gap is multiplied by
    resistance_per_mm: FloatArray  # (..., a)
    sigma: FloatArray  # (..., a)
    kappa: FloatArray  # (..., a)
    coefficient: FloatArray  # (..., a) the root u
    carried_mm2: FloatArray  # (..., a) flow of the strip over 2 pi times the velocity
    cosine: FloatArray  # (a,) of the azimuth
    velocity_mm_s: FloatArray  # (..., 1)


def strips_of(bore: BorePoints, known: JetAndFuel) -> Strips:
    """Cubic of each strip and its root; one strip where every azimuth is alike.

    InputError if the needle fills the jet, or nothing drives the fuel.
    """
    jet, least = known.bore_mm[..., None], None if known.bore_least_mm is None else known.bore_least_mm[..., None]
    pressure, density = known.pressure_pa[..., None], known.density_kg_m3[..., None]
    viscosity, eccentric = known.viscosity_mm2_s[..., None], known.eccentricity[..., None]
    if not (pressure > 0.0).all():
        msg = (
            "The fuel must be driven by a positive pressure: the depression is less than the head from "
            "the float level to the jet's face; check float_level_mm and the air valve."
        )
        raise InputError(msg)
    one_strip = least is None and not eccentric.any()
    cosine, share = (np.zeros(1), np.ones(1)) if one_strip else (_COSINES, _SHARES)
    diameter = bore.diameter_mm[..., None]
    gap = 0.5 * ((jet if least is None else least) - diameter)
    if not (gap > 0.0).all():
        msg = (
            f"The needle is up to {-2 * gap.min():.4f} mm thicker than the jet's bore inside the jet; a "
            "needle must leave a gap all round, so check bore, diameters and their units."
        )
        raise InputError(msg)
    across, reach = jet, gap[0]
    by_gap: FloatArray | float = 1.0
    if least is not None:
        across = oval_across_mm(jet, least, cosine)
        gap = 0.5 * (across - diameter)
        reach, per_mm_needle = oval_reach_mm(jet, least, diameter[0])
        by_gap = -2.0 * per_mm_needle
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
    return Strips(
        gaps, pieces, wide, radius, reach, by_gap, scale, resistance, sigma, kappa, root, carried, cosine, velocity
    )  # fmt: skip


def _root(sigma: FloatArray, kappa: FloatArray) -> FloatArray:
    """Root of (K0 - kappa u) u^2 + sigma u = 1, the loss held constant above the ceiling."""
    # With less loss the quadratic's root lies at or right of the cubic's, from where Newton falls to it
    # without overshoot, the cubic being convex and rising there.
    half = 0.5 * sigma
    square = half * half
    fall: FloatArray | float = GREATEST_FALL
    for _ in range(QUADRATICS):
        u = 1.0 / (half + np.sqrt(square + (LOSS_AT_REST - fall)))
        fall = np.minimum(kappa * u, GREATEST_FALL)
    u = 1.0 / (half + np.sqrt(square + (LOSS_AT_REST - fall)))
    falls = fall < GREATEST_FALL
    steep, rest = (kappa, LOSS_AT_REST) if np.all(falls) else (kappa * falls, LOSS_AT_REST - GREATEST_FALL * ~falls)
    for _ in range(NEWTON_STEPS):
        bent = steep * u
        step = (((rest - bent) * u + sigma) * u - 1.0) / ((2.0 * rest - 3.0 * bent) * u + sigma)
        u = u - step
        if (np.abs(step) <= NEWTON_TOLERANCE * u).all():
            break
    return u
