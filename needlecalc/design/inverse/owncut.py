"""A cut of the user's own: taken as it is, or refused with one that a file can make."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only, same_length
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle
from needlecalc.show import counted
from needlecalc.units import FloatArray

SHARE_OF_NEIGHBOUR = 0.5
SHOWN_MM = 5e-5


def own_cut(needle: Needle, diameters_mm: ArrayLike, *, named_as: str | None = None) -> Needle:
    """The needle after a cut the user thought of himself.

    Parameters
    ----------
    needle : Needle
        The needle as it is.
    diameters_mm : array_like, shape (n,)
        Diameters wanted at its stations. [mm]
    named_as : str or None
        Name of the new needle.

    Returns
    -------
    Needle
        With those diameters.

    Raises
    ------
    InputError
        If metal would have to be added, or the cut makes a waist; the message holds the blended alternative.

    Examples
    --------
    >>> stock = Needle("stock", [0, 3, 6, 9], [2.4, 2.3, 2.2, 2.1])
    >>> print(own_cut(stock, [2.4, 2.29, 2.19, 2.1]).diameters_mm)
    [2.4  2.29 2.19 2.1 ]
    """
    wanted = _wanted(needle, diameters_mm)
    rising = np.diff(wanted) > 1e-9
    if rising.any():
        at = int(np.argmax(rising)) + 1
        other = blended(needle, wanted)
        changed = np.flatnonzero(needle.diameters_mm - other.diameters_mm > SHOWN_MM)
        figures = ", ".join(f"{k + 1}: {other.diameters_mm[k]:.4f}" for k in changed.tolist())
        msg = (
            f"The cut asked of needle {needle.name} makes a waist: reversed taper {at} to {at + 1}, {wanted[at - 1]:.4f} to "
            f"{wanted[at]:.4f} mm; a file cannot hold it and fuel turns sharply there. Blended over "
            f"{counted(changed.size, 'station')} instead, as blended() gives it: {figures} mm."
        )
        raise InputError(msg)
    return Needle(named_as or f"{needle.name} as cut", needle.stations_mm, wanted, source="the user's own cut")


def blended(needle: Needle, diameters_mm: ArrayLike, *, named_as: str | None = None) -> Needle:
    """A cut spread over at least three stations, so that it leaves no waist.

    Parameters
    ----------
    needle : Needle
        The needle as it is.
    diameters_mm : array_like, shape (n,)
        Diameters wanted at its stations. [mm]
    named_as : str or None
        Name of the new needle.

    Returns
    -------
    Needle
        Nowhere thicker than wanted.

    Raises
    ------
    InputError
        If metal would have to be added.

    Notes
    -----
    Every station gives up at least half of what its neighbours were asked for, and what the taper then needs
    not to reverse.

    Examples
    --------
    >>> stock = Needle("stock", [0, 3, 6, 9, 12], [2.4, 2.3, 2.2, 2.1, 2.0])
    >>> print(blended(stock, [2.4, 2.3, 2.08, 2.1, 2.0]).diameters_mm)
    [2.4 2.24 2.08 2.04 2. ]
    """
    removal = needle.diameters_mm - _wanted(needle, diameters_mm)
    spread = removal.copy()
    spread[:-1] = np.maximum(spread[:-1], SHARE_OF_NEIGHBOUR * removal[1:])
    spread[1:] = np.maximum(spread[1:], SHARE_OF_NEIGHBOUR * removal[:-1])
    diameters = np.minimum.accumulate(needle.diameters_mm - spread)
    return Needle(named_as or f"{needle.name} blended", needle.stations_mm, diameters, source="blended")


def _wanted(needle: Needle, diameters_mm: ArrayLike) -> FloatArray:
    wanted = read_only(diameters_mm, "diameters_mm")
    same_length(f"cut of needle {needle.name}", stations=needle.stations_mm, diameters_mm=wanted)
    added = wanted - needle.diameters_mm
    if (added > 1e-9).any():
        at = int(np.argmax(added))
        msg = (
            f"The cut asked of needle {needle.name} needs metal added, which cannot be filed: {1e3 * added[at]:.1f} um at "
            f"station {at + 1}; take a thicker donor, or raise the jet."
        )
        raise InputError(msg)
    return wanted
