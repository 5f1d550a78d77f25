"""The needle inside the jet's bore: where it changes taper, how wide an oval bore is; and the strips of the ring round it.

Parts of the working law in :mod:`needlecalc.physics.annulus`, where it is told what the strips obey. A jet worn oval is an
ellipse; a needle that leans rubs the jet in the direction it leans, so its offset is taken along the ellipse's long axis.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.errors import InputError
from needlecalc.units import FloatArray

ROUNDING_MM: Final = 1e-9
NEWTON_STEPS: Final = 30
SERIES_BELOW: Final = 0.03
SMALLEST: Final = 1e-300
THINNEST_MM: Final = 0.05  # a steep needle gone on past its table may end inside the bore
VISCOUS = 24.0  # 12 of a slit, whose mean radius is half of w - h in the mean of the gap below
LOSS_AT_REST = 1.78
LOSS_FALL_PER_REYNOLDS = 9.4e-5
LOSS_REYNOLDS_CEILING = 4000.0
GREATEST_FALL = LOSS_FALL_PER_REYNOLDS * LOSS_REYNOLDS_CEILING
AZIMUTHS = 12
QUADRATICS = 2
NEWTON_TOLERANCE = 1e-7  # each step squares the error: after one so small it is that of rounding
_LEGENDRE_NODES, _LEGENDRE_WEIGHTS = np.polynomial.legendre.leggauss(AZIMUTHS)
_COSINES = np.cos(np.pi * (_LEGENDRE_NODES + 1.0) / 2.0)
_SHARES = _LEGENDRE_WEIGHTS / 2.0


class BorePoints(NamedTuple):
    """Break points of the needle down the bore, and the stations that carry each; one row a point."""

    z_mm: FloatArray  # (p, ...)
    diameter_mm: FloatArray  # (p, ...)
    station: NDArray[np.intp]  # (p, ...) upper station of the segment a point lies on
    weight: FloatArray  # (p, ...) share of the next station
    slope_face: FloatArray  # (...) d diameter / d z at the face
    stations: int  # of the needle


def points_down_the_bore(
    position_mm: ArrayLike, stations_mm: ArrayLike, diameters_mm: ArrayLike, length_mm: ArrayLike
) -> BorePoints:
    """Break points of the needle from the jet's face to the end of its bore: face, stations inside, end.

    Rows with fewer stations than others repeat the end; past the last station the needle goes on straight.
    """
    stations = np.asarray(stations_mm, dtype=np.float64)
    diameters = np.asarray(diameters_mm, dtype=np.float64)
    length = np.asarray(length_mm, dtype=np.float64)
    face = np.asarray(position_mm, dtype=np.float64) + np.zeros(np.broadcast_shapes(length.shape, diameters.shape[:-1]))
    off = (face < stations[0] - ROUNDING_MM) | (face > stations[-1] + ROUNDING_MM) | np.isnan(face)
    if off.any():
        msg = (
            f"The jet's face would stand {np.asarray(face)[off].flat[0]:.3f} mm from the shoulder, off the "
            f"needle's table ({stations[0]:g} to {stations[-1]:g} mm); add stations, or check lift, jet drop "
            "and shoulder offset."
        )
        raise InputError(msg)
    # Lift and drop that add up to the last station in decimals need not do so in binary.
    face = np.minimum(np.maximum(face, stations[0]), stations[-1])
    end = face + length
    # A point belongs to the segment that starts at or above it; past the last station the last goes on.
    first, past = stations.searchsorted(face, side="right"), stations.searchsorted(end, side="left")
    knots = max(int((past - first).max(initial=0)), 0)
    station = np.empty((knots + 2, *face.shape), dtype=np.intp)
    z = np.empty(station.shape)
    station[0], station[-1] = first - 1, past - 1
    z[0], z[-1] = face, end
    for knot in range(knots):
        here = np.minimum(first + knot, past - 1)
        reached = first + knot < past
        station[knot + 1] = here
        z[knot + 1] = np.where(reached, stations[here], end)
    np.minimum(station, stations.size - 2, out=station)
    above = stations[station]
    weight = (z - above) / (stations[station + 1] - above)
    if diameters.ndim == 1:
        left, right = diameters[station], diameters[station + 1]
    else:
        rows = np.arange(0, diameters.size, stations.size).reshape(diameters.shape[:-1])
        here, table = rows + station, diameters.ravel()
        left, right = table[here], table[here + 1]
    rise = (right[0] - left[0]) / (stations[station[0] + 1] - above[0])
    diameter = np.maximum(left + weight * (right - left), THINNEST_MM)
    return BorePoints(z, diameter, station, weight, rise, stations.size)


def slopes_at_stations(per_point: FloatArray, points: BorePoints) -> FloatArray:
    """Slopes by the diameters at the break points, handed on to the two stations beside each, shape (..., n)."""
    shape, stations = per_point.shape[1:], points.stations
    rows = np.arange(0, int(np.prod(shape)) * stations, stations).reshape(shape)
    upper = (rows + points.station).ravel()
    next_share = points.weight * per_point
    shares = np.concatenate([(per_point - next_share).ravel(), next_share.ravel()])
    summed = np.bincount(np.concatenate([upper, upper + 1]), shares, rows.size * stations)
    return np.asarray(summed, dtype=np.float64).reshape(*shape, stations)


def oval_across_mm(long_mm: FloatArray, short_mm: FloatArray, cosine: FloatArray) -> FloatArray:
    """Width of an oval bore (an ellipse) across its centre at an azimuth from the long axis."""
    if not np.all(short_mm <= long_mm):
        least, most = np.max(short_mm), np.min(long_mm)
        msg = f"bore_least_mm is up to {least:g}, but must not be more than bore_mm ({most:g}); swap them."
        raise InputError(msg)
    square = cosine**2
    return np.asarray(long_mm * short_mm / np.sqrt(short_mm**2 * square + long_mm**2 * (1.0 - square)))


def oval_reach_mm(long_mm: FloatArray, short_mm: FloatArray, needle_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Farthest that a needle can stand off the centre of an oval bore along its long axis, and its slope by the needle.

    The least of (D - d) / 2x over x = |cos(azimuth)|, to the first order in the gap, as is all of the strip theory.
    """
    flat = (short_mm / long_mm) ** 2
    bulge = np.where(flat < 1.0, 1.0 - flat, 1.0)
    # With s^2 = 1 - (1 - D2^2/D1^2) x^2 the least of the ratio is the root of a cubic that falls on 0..1.
    s = np.ones(np.broadcast_shapes(needle_mm.shape, flat.shape))
    for _ in range(NEWTON_STEPS):
        s = s - (needle_mm * s**3 - 2.0 * short_mm * s**2 + short_mm) / ((3.0 * needle_mm * s - 4.0 * short_mm) * s)
    x = np.where(flat < 1.0, np.minimum(np.sqrt(np.maximum(1.0 - s**2, 0.0) / bulge), 1.0), 1.0)
    return (oval_across_mm(long_mm, short_mm, x) - needle_mm) / (2.0 * x), -1.0 / (2.0 * x)


def mean_inverse_mm4(first_mm: FloatArray, last_mm: FloatArray, wide_mm: FloatArray) -> FloatArray:
    r"""Mean of 1/((w - h) h^3) in 1/mm4 for a gap h going straight from *a* to *b*; *w* is gap plus twice the mean radius.

    .. math:: \frac{a + b}{2a^2b^2w} + \frac{1}{abw^2} + \frac{1}{w^3 (b - a)}\ln\frac{b(w - a)}{a(w - b)}
    """
    product = first_mm * last_mm
    both = first_mm + last_mm
    # ln(b/a) and ln((w - a)/(w - b)) are twice an artanh each; their sum is one artanh again.
    per_rise = wide_mm / (both * wide_mm - 2.0 * product)
    logs = 2.0 * per_rise * _areatanh_over(per_rise * (last_mm - first_mm))
    far = 1.0 / wide_mm
    inverse = 1.0 / product
    return np.asarray(far * inverse * (0.5 * both * inverse + far) + far * far * far * logs)


def mean_inverse_slopes_mm5(
    first_mm: FloatArray, last_mm: FloatArray, wide_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Slopes of the mean in 1/mm5 by the gaps at both ends and by the width."""
    a, b = first_mm, last_mm
    product, both, far = a * b, a + b, 1.0 / wide_mm
    per_rise = wide_mm / (both * wide_mm - 2.0 * product)
    t = per_rise * (b - a)
    shape = _areatanh_over(t)
    # d(t shape)/dt, which takes the cancellation out of the slopes of the logarithms.
    steep, square = 1.0 / (1.0 - t * t), 2.0 * per_rise * per_rise
    fall = _areatanh_over_slope(t, shape, steep)
    logs_a = -square * ((1.0 - 2.0 * far * b) * steep + fall)
    logs_b = -square * ((1.0 - 2.0 * far * a) * steep - fall)
    inverse = 1.0 / product
    twice = inverse * inverse
    by_a = far * (far * (far * logs_a - twice * b) - twice * (0.5 + b * b * inverse))
    by_b = far * (far * (far * logs_b - twice * a) - twice * (0.5 + a * a * inverse))
    logs, logs_wide = 2.0 * per_rise * shape, 2.0 * far * far * product * square * steep
    by_wide = -far * far * (0.5 * both * twice + far * (2.0 * inverse + 3.0 * far * logs + logs_wide))
    return by_a, by_b, by_wide


def _areatanh_over(t: FloatArray) -> FloatArray:
    """Ratio artanh(t)/t, 1 at zero."""
    safe = np.where(t == 0.0, SMALLEST, t)
    return np.asarray(np.arctanh(safe) / safe)


def _areatanh_over_slope(t: FloatArray, ratio: FloatArray, steep: FloatArray) -> FloatArray:
    """Slope of artanh(t)/t from the ratio and the slope of artanh, by series where t is small and the two cancel."""
    square = t * t
    series = t * (2 / 3 + square * (4 / 5 + square * (6 / 7 + square * 8 / 9)))
    small = square < SERIES_BELOW**2
    return np.where(small, series, (steep - ratio) / np.where(small, 1.0, t))


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
    resistance = VISCOUS * gaps[0] * radius * (pieces * mean_inverse_mm4(gaps[:-1], gaps[1:], wide)).sum(axis=0)
    velocity = 1e3 * np.sqrt(2.0 * pressure / density)
    sigma = 2.0 * viscosity * resistance / velocity
    kappa = (2.0 * LOSS_FALL_PER_REYNOLDS) * velocity * gaps[0] / viscosity
    root = _root(sigma, kappa)
    carried = share * root * gaps[0] * radius
    return Strips(gaps, pieces, wide, radius, reach, by_gap, resistance, sigma, kappa, root, carried, cosine, velocity)


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
