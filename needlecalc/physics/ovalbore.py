r"""A jet worn oval: its local width round the needle, and how far the needle can lean in it.

The bore is an ellipse.  A needle that leans rubs the jet along its own way, so the offset is taken along
the ellipse's long axis, :math:`\theta = 0`.
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray

NEWTON_STEPS = 30


class Across(NamedTuple):
    """Width of an oval bore across its centre at some azimuth, with its slopes."""

    across_mm: FloatArray
    per_mm_long: FloatArray
    per_mm_short: FloatArray


class Reach(NamedTuple):
    """Farthest offset of a needle along the long axis, with its slopes."""

    reach_mm: FloatArray
    per_mm_long: FloatArray
    per_mm_short: FloatArray
    per_mm_needle: FloatArray


def oval_across_mm(long_bore_mm: ArrayLike, short_bore_mm: ArrayLike, cosine: ArrayLike) -> Across:
    r"""Width of an oval bore across its centre, and its slopes.

    .. math:: D(\theta) = \frac{D_1 D_2}{\sqrt{D_2^2\cos^2\theta + D_1^2\sin^2\theta}}

    Parameters
    ----------
    long_bore_mm : array_like, shape (...)
        Greatest bore :math:`D_1`. [mm]
    short_bore_mm : array_like, shape (...)
        Least bore :math:`D_2`, square to it. [mm]
    cosine : array_like, shape (...)
        Cosine of the azimuth from the long axis. [-]

    Returns
    -------
    Across
        Width and slopes by both bores, of the broadcast shape.

    Raises
    ------
    InputError
        If the bores are in the wrong order.

    Examples
    --------
    >>> print(oval_across_mm(2.60, 2.54, [1.0, 0.0]).across_mm)
    [2.6  2.54]
    """
    long = check_each(long_bore_mm, "bore_mm", 0.0, open_low=True)
    short = check_each(short_bore_mm, "bore_least_mm", 0.0, open_low=True)
    if not np.all(short <= long):
        msg = f"bore_least_mm is up to {np.max(short):g}, but must not be more than bore_mm ({np.min(long):g}); swap them."
        raise InputError(msg)
    square = np.asarray(cosine, dtype=np.float64) ** 2
    root = np.sqrt(short**2 * square + long**2 * (1.0 - square))
    return Across(
        np.asarray(long * short / root),
        np.asarray(short**3 * square / root**3),
        np.asarray(long**3 * (1.0 - square) / root**3),
    )


def oval_reach_mm(long_bore_mm: ArrayLike, short_bore_mm: ArrayLike, needle_mm: ArrayLike) -> Reach:
    r"""Farthest that a needle can stand off the centre of an oval bore, along its long axis.

    .. math:: \min_{0 < x \le 1} \frac{D(x) - d}{2x}, \qquad x = |\cos\theta|

    Parameters
    ----------
    long_bore_mm : array_like, shape (...)
        Greatest bore. [mm]
    short_bore_mm : array_like, shape (...)
        Least bore, square to it. [mm]
    needle_mm : array_like, shape (...)
        Diameter *d* of the needle, less than the least bore. [mm]

    Returns
    -------
    Reach
        Offset and its slopes, of the broadcast shape.

    Raises
    ------
    InputError
        If the bores are in the wrong order.

    Notes
    -----
    The needle touches at the end of the long axis where the oval is slight, :math:`(D_1 - d)/2`, and at
    two places beside it where the oval is more than the least gap.  To the first order in the gap, as is
    all of the strip theory that it serves.  The slopes are those at the place of contact.

    Examples
    --------
    >>> print(oval_reach_mm(2.56, 2.54, 2.40).reach_mm.round(4), oval_reach_mm(2.64, 2.54, 2.50).reach_mm.round(4))
    0.08 0.0622
    """
    needle = np.asarray(needle_mm, dtype=np.float64)
    ends = oval_across_mm(long_bore_mm, short_bore_mm, 1.0)
    long, short = np.asarray(long_bore_mm, dtype=np.float64), np.asarray(short_bore_mm, dtype=np.float64)
    flat = (short / long) ** 2
    bulge = np.where(flat < 1.0, 1.0 - flat, 1.0)
    # With s^2 = 1 - (1 - D2^2/D1^2) x^2 the least of the ratio is the root of a cubic that falls on 0..1.
    s = np.ones(np.broadcast_shapes(needle.shape, flat.shape, ends.across_mm.shape))
    for _ in range(NEWTON_STEPS):
        s = s - (needle * s**3 - 2.0 * short * s**2 + short) / ((3.0 * needle * s - 4.0 * short) * s)
    x = np.where(flat < 1.0, np.minimum(np.sqrt(np.maximum(1.0 - s**2, 0.0) / bulge), 1.0), 1.0)
    here = oval_across_mm(long, short, x)
    return Reach(
        np.asarray((here.across_mm - needle) / (2.0 * x)),
        np.asarray(here.per_mm_long / (2.0 * x)),
        np.asarray(here.per_mm_short / (2.0 * x)),
        np.asarray(-1.0 / (2.0 * x)),
    )
