r"""Mean of :math:`1/(2 r h^3)` along a gap that opens in a straight line, exactly, with its slopes.

The width *w* is what gap and twice the mean radius of the ring add up to, :math:`w = h + 2r`; it stays the
same down a straight bore, so one gap at either end says everything.
"""

from __future__ import annotations

import numpy as np

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
    a, b, wide = first_mm, last_mm, wide_mm
    both, product, rise = a + b, a * b, b - a
    far = 2.0 * wide - both
    # ln(b/a) and ln((w - a)/(w - b)) are twice an artanh each; their sum is one artanh again.
    per_rise = (1.0 / both + 1.0 / far) / (1.0 + rise / both * (rise / far))
    logs = 2.0 * per_rise * _areatanh_over(rise * per_rise)
    return np.asarray(((both / (2.0 * product**2) * wide + 1.0 / product) * wide + logs) / wide**3)


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
    a, b, wide = first_mm, last_mm, wide_mm
    narrow_a, narrow_b = _mean_reciprocal_slopes(a, b)
    far_a, far_b = _mean_reciprocal_slopes(wide - a, wide - b)
    by_a = -(1.0 / (2.0 * a**2 * b**2) + 1.0 / (a**3 * b)) / wide - 1.0 / (a**2 * b) / wide**2 + (narrow_a - far_a) / wide**3
    by_b = -(1.0 / (2.0 * a**2 * b**2) + 1.0 / (a * b**3)) / wide - 1.0 / (a * b**2) / wide**2 + (narrow_b - far_b) / wide**3
    logs = _mean_reciprocal(a, b) + _mean_reciprocal(wide - a, wide - b)
    by_wide = (
        -(a + b) / (2.0 * a**2 * b**2) / wide**2 - 2.0 / (a * b) / wide**3 - 3.0 * logs / wide**4 + (far_a + far_b) / wide**3
    )
    return by_a, by_b, by_wide


def _mean_reciprocal(a: FloatArray, b: FloatArray) -> FloatArray:
    """Mean of 1/h for h from a to b: ln(b/a)/(b - a), without cancellation where a is near b."""
    return 2.0 * _areatanh_over((b - a) / (a + b)) / (a + b)


def _mean_reciprocal_slopes(a: FloatArray, b: FloatArray) -> tuple[FloatArray, FloatArray]:
    total = a + b
    t = (b - a) / total
    shape, fall = _areatanh_over(t), _areatanh_over_slope(t)
    common = -2.0 * shape / total**2
    return common - 4.0 * fall * b / total**3, common + 4.0 * fall * a / total**3


def _areatanh_over(t: FloatArray) -> FloatArray:
    """Ratio artanh(t)/t, by series where t is small."""
    square = t * t
    small = square < SERIES_BELOW**2
    safe = np.where(small, 0.5, t)
    series = 1.0 + square * (1 / 3 + square * (1 / 5 + square * (1 / 7 + square / 9)))
    return np.where(small, series, np.arctanh(safe) / safe)


def _areatanh_over_slope(t: FloatArray) -> FloatArray:
    """Slope of artanh(t)/t, by series where t is small."""
    square = t * t
    small = square < SERIES_BELOW**2
    safe = np.where(small, 0.5, t)
    series = t * (2 / 3 + square * (4 / 5 + square * (6 / 7 + square * 8 / 9)))
    return np.where(small, series, (1.0 / (1.0 - safe * safe) - np.arctanh(safe) / safe) / safe)
