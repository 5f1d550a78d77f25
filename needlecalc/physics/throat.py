"""The throat under a flat foot: how far a piston or a slide opens it.

The foot shuts the throat from above: what stays open is a segment of the round throat less the segment that
the bridge fills, or a rectangle.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray


def circular_throat_area_mm2(lift_mm: ArrayLike, *, bore_mm: ArrayLike, bridge_mm: ArrayLike = 0.0) -> FloatArray:
    r"""Open area of a round throat over a flat bridge, under a flat foot.

    .. math:: A = \frac{B^2}{4}\,[\Delta - \cos(\varphi_0 + \varphi_1)\sin\Delta],\qquad
              \Delta = \varphi_1 - \varphi_0

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Height of the foot above the bridge; NaN stays NaN. [mm]
    bore_mm : array_like, shape (...)
        Bore *B* of the throat. [mm]
    bridge_mm : array_like, shape (...)
        Height *b* of the bridge above the lowest point of the bore. [mm]

    Returns
    -------
    float or array, shape (...)
        Area; constant once the foot has left the bore at the top. [mm2]

    Raises
    ------
    InputError
        If the lift is negative, or the bridge fills the bore.

    Notes
    -----
    With :math:`\sin^2(\varphi_0/2) = b/B` and :math:`\sin^2(\varphi_1/2) = (b + y)/B`: the difference
    of two circular segments, written so that little cancels at a small lift over a bridge.

    References
    ----------
    .. [1] Bronshtein et al., *Handbook of Mathematics*, circular segment (from memory).

    Examples
    --------
    >>> print(f"{circular_throat_area_mm2(10.0, bore_mm=38.1, bridge_mm=3.0):.1f}")
    301.7
    """
    bore, bridge, foot = _throat_heights(lift_mm, bore_mm, bridge_mm)
    low, high = (2.0 * np.arcsin(np.sqrt(height / bore)) for height in (bridge, foot))
    angle = high - low
    return np.asarray(bore**2 / 4.0 * (angle - np.cos(low + high) * np.sin(angle)))[()]


def circular_throat_width_mm(lift_mm: ArrayLike, *, bore_mm: ArrayLike, bridge_mm: ArrayLike = 0.0) -> FloatArray:
    r"""Width of a round throat at the foot, which is the area's slope by lift.

    .. math:: \frac{\mathrm dA}{\mathrm dy} = 2\sqrt{t\,(B - t)},\qquad t = b + y

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Height of the foot above the bridge; NaN stays NaN. [mm]
    bore_mm : array_like, shape (...)
        Bore *B* of the throat. [mm]
    bridge_mm : array_like, shape (...)
        Height *b* of the bridge above the lowest point of the bore. [mm]

    Returns
    -------
    float or array, shape (...)
        Width; nought once the foot has left the bore at the top. [mm]

    Raises
    ------
    InputError
        If the lift is negative, or the bridge fills the bore.

    Examples
    --------
    >>> print(circular_throat_width_mm(19.05, bore_mm=38.1))
    38.1
    """
    bore, _, foot = _throat_heights(lift_mm, bore_mm, bridge_mm)
    return np.asarray(2.0 * np.sqrt(foot * (bore - foot)))[()]


def rectangular_throat_area_mm2(lift_mm: ArrayLike, *, width_mm: ArrayLike, height_mm: ArrayLike = np.inf) -> FloatArray:
    """Open area of a rectangular throat under a flat foot; its slope by lift is the width.

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Height of the foot above the floor of the throat; NaN stays NaN. [mm]
    width_mm : array_like, shape (...)
        Width of the throat. [mm]
    height_mm : array_like, shape (...)
        Height of the throat; infinite when the foot never leaves it. [mm]

    Returns
    -------
    float or array, shape (...)
        Area; constant once the foot has left the throat at the top. [mm2]

    Raises
    ------
    InputError
        If the lift is negative.

    Examples
    --------
    >>> print(rectangular_throat_area_mm2(5.0, width_mm=30.0, height_mm=34.0))
    150.0
    """
    lift = check_each(lift_mm, "lift_mm", 0.0, allow_nan=True, cure="Count it from the floor.")
    width = check_each(width_mm, "width_mm", 0.0, open_low=True)
    height = np.asarray(height_mm, dtype=np.float64)
    if not np.all(height > 0.0):
        msg = f"height_mm is {np.min(height):g}, but must be greater than 0; leave it out if it is not known."
        raise InputError(msg)
    return np.asarray(width * np.minimum(lift, height))[()]


def _throat_heights(
    lift_mm: ArrayLike, bore_mm: ArrayLike, bridge_mm: ArrayLike
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Bore, bridge, and height of the foot above the lowest point, no higher than the bore."""
    lift = check_each(lift_mm, "lift_mm", 0.0, allow_nan=True, cure="Count it from the bridge.")
    bore = check_each(bore_mm, "bore_mm", 0.0, open_low=True)
    bridge = check_each(bridge_mm, "bridge_mm", 0.0)
    if not np.all(bridge < bore):
        msg = (
            f"bridge_mm is up to {np.max(bridge):g}, but must be less than bore_mm ({np.min(bore):g}); "
            "measure the bridge from the lowest point of the bore."
        )
        raise InputError(msg)
    return bore, bridge, np.minimum(bridge + lift, bore)
