"""The only place where a unit is converted: inches, flats, AFR and degF stop at this border.

Sources: the inch (25.4 mm exactly), the pound (0.45359237 kg exactly) and standard gravity
(9.80665 m/s2 exactly) are definitions, BIPM SI brochure 9th edition and NIST SP 811 (2008)
appendix B; the conventional inch of water (249.08891 Pa, at 4 degC) is NIST SP 811 appendix B.8.
"""

from __future__ import annotations

from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

FloatArray = NDArray[np.float64]
Number = TypeVar("Number", float, FloatArray)

MM_PER_INCH = 25.4
GRAVITY_M_S2 = 9.80665
DRY_AIR_J_KG_K = 287.05287  # ISO 2533:1975
PA_PER_INH2O = 249.08891
PA_PER_MMH2O = 9.80665
PA_PER_INHG = 3386.389
PA_PER_MMHG = 133.3224
PA_PER_PSI = 6894.757
PA_PER_BAR = 1e5
PA_PER_KPA = 1e3
PA_PER_HPA = 1e2
KG_PER_OUNCE = 0.45359237 / 16
N_PER_OUNCE_FORCE = KG_PER_OUNCE * GRAVITY_M_S2
G_S_PER_KG_H = 1 / 3.6
G_S_PER_LB_MIN = 453.59237 / 60
KELVIN_AT_0_DEGC = 273.15
FLATS_PER_TURN = 6


def mm_from_inch(inch: Number) -> Number:
    """Length in mm from inches.

    Parameters
    ----------
    inch : float or array
        Length. [inch]

    Returns
    -------
    float or array
        Length. [mm]

    Examples
    --------
    >>> mm_from_inch(0.125)
    3.175
    """
    return inch * MM_PER_INCH


def inch_from_mm(mm: Number) -> Number:
    """Length in inches from mm.

    Parameters
    ----------
    mm : float or array
        Length. [mm]

    Returns
    -------
    float or array
        Length. [inch]

    Examples
    --------
    >>> round(inch_from_mm(2.54), 4)
    0.1
    """
    return mm / MM_PER_INCH


def degc_from_degf(degf: Number) -> Number:
    """Temperature in degrees Celsius from Fahrenheit.

    Parameters
    ----------
    degf : float or array
        Temperature. [degF]

    Returns
    -------
    float or array
        Temperature. [degC]

    Examples
    --------
    >>> degc_from_degf(212.0)
    100.0
    """
    return (degf - 32.0) / 1.8


def kelvin_from_degc(degc: Number) -> Number:
    """Absolute temperature from degrees Celsius.

    Parameters
    ----------
    degc : float or array
        Temperature. [degC]

    Returns
    -------
    float or array
        Temperature. [K]

    Examples
    --------
    >>> kelvin_from_degc(15.0)
    288.15
    """
    return degc + KELVIN_AT_0_DEGC


def mm_per_flat(threads_per_inch: float) -> float:
    """Jet travel for one flat (a sixth of a turn) of the jet nut.

    Parameters
    ----------
    threads_per_inch : float
        Pitch of the jet nut's thread; count it on your own nut. [1/inch]

    Returns
    -------
    float
        Jet travel per flat. [mm]

    Examples
    --------
    >>> round(mm_per_flat(26), 4)
    0.1628
    """
    return MM_PER_INCH / threads_per_inch / FLATS_PER_TURN
