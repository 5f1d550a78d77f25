r"""Mean of :math:`1/(2 r h^3)` along a gap that opens in a straight line, exactly, with its slopes.

The width *w* is what gap and twice the mean radius of the ring add up to, :math:`w = h + 2r`; it stays the
same down a straight bore, so one gap at either end says everything.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.units import FloatArray

SERIES_BELOW = 0.03


def mean_inverse_mm4(first_mm: FloatArray, last_mm: FloatArray, wide_mm: FloatArray) -> FloatArray:
    r"""Mean of 1/((w - h) h^3) for a gap h going straight from one value to another.

    .. math:: \frac{1}{b - a}\int_a^b \frac{\mathrm dh}{(w - h)\,h^3}
              = \frac{a + b}{2a^2b^2w} + \frac{1}{abw^2}
              + \frac{1}{w^3}\left[\frac{\ln(b/a)}{b - a} + \frac{\ln\frac{w - a}{w - b}}{b - a}\right]

    Parameters
    ----------
    first_mm, last_mm : array, shape (...)
        Gap *a* at one end and *b* at the other, above 0. [mm]
    wide_mm : array, shape (...)
        Width *w*, above both. [mm]

    Returns
    -------
    array, shape (...)
        The mean. [1/mm4]

    Notes
    -----
    By partial fractions; the logarithms go by series where the ends are nearly alike, so a parallel gap
    loses no digits.

    Examples
    --------
    >>> print(mean_inverse_mm4(np.array(0.1), np.array(0.1), np.array(2.1)))
    500.0
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
    """Slopes of :func:`mean_inverse_mm4` by both gaps and by the width.

    Parameters
    ----------
    first_mm, last_mm : array, shape (...)
        Gap at either end, above 0. [mm]
    wide_mm : array, shape (...)
        Width, above both. [mm]

    Returns
    -------
    by_first, by_last, by_wide : array, shape (...)
        Slopes. [1/mm5]

    Examples
    --------
    >>> slopes = mean_inverse_slopes_mm5(np.array(0.1), np.array(0.1), np.array(2.1))
    >>> print(*(f"{slope:.0f}" for slope in slopes))
    -7375 -7375 -250
    """
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
    """Ratio artanh(t)/t, by series where t is small."""
    square, small, safe = _small(t)
    series = 1.0 + square * (1 / 3 + square * (1 / 5 + square * (1 / 7 + square / 9)))
    return np.where(small, series, 0.5 * np.log((1.0 + safe) / (1.0 - safe)) / safe)


def _areatanh_over_slope(t: FloatArray, ratio: FloatArray, steep: FloatArray) -> FloatArray:
    """Slope of artanh(t)/t from the ratio and the slope of artanh, by series where t is small."""
    square, small, safe = _small(t)
    series = t * (2 / 3 + square * (4 / 5 + square * (6 / 7 + square * 8 / 9)))
    return np.where(small, series, (steep - ratio) / safe)


def _small(t: FloatArray) -> tuple[FloatArray, NDArray[np.bool_], FloatArray]:
    """Square of t, where t is small, and t with something harmless in its place there."""
    square = t * t
    small = square < SERIES_BELOW**2
    return square, small, np.where(small, 0.5, t)
