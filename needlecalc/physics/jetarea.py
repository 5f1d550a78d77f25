"""Geometric metering area: the ring a needle leaves open in a round, an oval or a worn jet.

What flows through it is not in proportion to it near idle; see :mod:`needlecalc.physics.annulus`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray


def ring_radii_mm(
    bore_mm: ArrayLike,
    needle_mm: ArrayLike,
    *,
    bore_name: str = "bore_mm",
    needle_name: str = "needle_mm",
) -> tuple[FloatArray, FloatArray]:
    """Outer and inner radius of a ring, once it is sure that there is one.

    Parameters
    ----------
    bore_mm : array_like, shape (...)
        Bore of the jet. [mm]
    needle_mm : array_like, shape (...)
        Diameter of what stands in it. [mm]
    bore_name, needle_name : str
        Public names of both, for the message.

    Returns
    -------
    outer_mm, inner_mm : array, shape (...)
        Radii of the broadcast shape. [mm]

    Raises
    ------
    InputError
        If no gap is left, or a diameter is not above nought.

    Examples
    --------
    >>> outer_mm, inner_mm = ring_radii_mm(2.54, 2.20)
    >>> print(outer_mm, inner_mm)
    1.27 1.1
    """
    bore = check_each(bore_mm, bore_name, 0.0, open_low=True)
    needle = check_each(needle_mm, needle_name, 0.0, open_low=True)
    bore, needle = np.broadcast_arrays(bore, needle)
    full = ~(needle < bore)
    if np.any(full):
        thick, around = needle[full].flat[0], bore[full].flat[0]
        msg = (
            f"{needle_name} is {thick:g}, but must be less than {bore_name} ({around:g}) to leave a gap; "
            "check both, and their units."
        )
        raise InputError(msg)
    return bore / 2.0, needle / 2.0


def annular_area_mm2(bore_mm: ArrayLike, needle_mm: ArrayLike) -> FloatArray:
    r"""Geometric area of the ring between a round jet and its needle, wherever the needle stands.

    .. math:: A = \frac{\pi}{4}\,(D^2 - d^2)

    Parameters
    ----------
    bore_mm : array_like, shape (...)
        Bore *D* of the jet. [mm]
    needle_mm : array_like, shape (...)
        Diameter *d* of the needle. [mm]

    Returns
    -------
    float or array, shape (...)
        Area. [mm2]

    Raises
    ------
    InputError
        If the needle does not leave a gap, or has no diameter.

    Examples
    --------
    >>> print(f"{annular_area_mm2(2.54, 2.20):.3f}")
    1.266
    """
    outer, inner = ring_radii_mm(bore_mm, needle_mm)
    return np.asarray(np.pi * (outer - inner) * (outer + inner))[()]


def oval_jet_area_mm2(long_bore_mm: ArrayLike, short_bore_mm: ArrayLike, needle_mm: ArrayLike) -> FloatArray:
    r"""Geometric area of the ring between an oval jet and a round needle inside it.

    .. math:: A = \frac{\pi}{4}\,(D_1 D_2 - d^2)

    Parameters
    ----------
    long_bore_mm : array_like, shape (...)
        Greatest bore :math:`D_1`. [mm]
    short_bore_mm : array_like, shape (...)
        Least bore :math:`D_2`, square to it. [mm]
    needle_mm : array_like, shape (...)
        Diameter *d* of the needle. [mm]

    Returns
    -------
    float or array, shape (...)
        Area. [mm2]

    Raises
    ------
    InputError
        If the bores are in the wrong order, or the needle does not pass the short one.

    Notes
    -----
    The jet is taken as an ellipse.

    Examples
    --------
    >>> print(f"{oval_jet_area_mm2(2.60, 2.54, 2.20):.3f}")
    1.385
    """
    long = check_each(long_bore_mm, "long_bore_mm", 0.0, open_low=True)
    short, inner = (2.0 * radius for radius in ring_radii_mm(short_bore_mm, needle_mm, bore_name="short_bore_mm"))
    if not np.all(long >= short):
        msg = f"long_bore_mm is down to {np.min(long):g}, but must not be less than short_bore_mm."
        raise InputError(msg)
    return np.asarray(np.pi / 4.0 * (long * short - inner**2))[()]


def worn_jet_area_mm2(bore_mm: ArrayLike, needle_mm: ArrayLike, *, groove_mm: ArrayLike, wear_mm: ArrayLike) -> FloatArray:
    r"""Geometric area of the ring where a needle has rubbed a groove into one side of the jet.

    Parameters
    ----------
    bore_mm : array_like, shape (...)
        Bore *D* of the jet as new. [mm]
    needle_mm : array_like, shape (...)
        Diameter of the needle at the jet's face. [mm]
    groove_mm : array_like, shape (...)
        Diameter *g* of the groove, that of the part of the needle which cut it. [mm]
    wear_mm : array_like, shape (...)
        Greatest depth *w* of the groove beyond the bore; 0 is a new jet. [mm]

    Returns
    -------
    float or array, shape (...)
        Area of the bore and the groove together, less the needle's. [mm2]

    Raises
    ------
    InputError
        If the needle or the groove is not thinner than the bore, or the groove is deeper than its own
        radius.

    Notes
    -----
    Bore and groove are circles whose centres lie :math:`(D - g)/2 + w` apart; what the groove adds is
    its circle less the lens that both share.

    Examples
    --------
    >>> print(worn_jet_area_mm2(2.54, 2.20, groove_mm=2.48, wear_mm=[0.0, 0.02, 0.05]).round(3))
    [1.266 1.296 1.363]
    """
    outer, inner = ring_radii_mm(bore_mm, needle_mm)
    _, cut = ring_radii_mm(bore_mm, groove_mm, needle_name="groove_mm")
    wear = check_each(wear_mm, "wear_mm", 0.0)
    if not np.all(wear <= cut):
        msg = f"wear_mm is up to {np.max(wear):g}, but a groove cannot be deeper than half of groove_mm."
        raise InputError(msg)
    apart = outer - cut + wear
    # Half angles of the lens at either centre; rounding may carry a cosine just past 1 at no wear.
    at_bore = np.arccos(np.clip((apart**2 + outer**2 - cut**2) / (2.0 * apart * outer), -1.0, 1.0))
    at_cut = np.arccos(np.clip((apart**2 + cut**2 - outer**2) / (2.0 * apart * cut), -1.0, 1.0))
    lens = outer**2 * (at_bore - np.sin(at_bore) * np.cos(at_bore))
    lens = lens + cut**2 * (at_cut - np.sin(at_cut) * np.cos(at_cut))
    return np.asarray(np.pi * (outer**2 + cut**2 - inner**2) - lens)[()]
