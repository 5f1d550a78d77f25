"""The only place where a unit is converted: inches, AFR and degF stop at this border.

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
KG_PER_OUNCE = 0.45359237 / 16
PA_PER = {
    "Pa": 1.0, "kPa": 1e3, "hPa": 1e2, "mbar": 1e2, "bar": 1e5, "psi": 6894.757, "inHg": 3386.389, "mmHg": 133.3224,
    "inH2O": 249.08891,
}  # fmt: skip
PA_PER_KPA = PA_PER["kPa"]
G_S_PER_KG_H = 1 / 3.6
G_S_PER_LB_MIN = 453.59237 / 60
KELVIN_AT_0_DEGC = 273.15
FLATS_PER_TURN = 6
GAUGE_AFR = 14.7  # what gauges multiply lambda with, whatever the fuel (common practice, no source)
STANDARD_PA = 101325.0  # ISO 2533:1975


def inch_from_mm(mm: Number) -> Number:
    """Length in inches from mm."""
    return mm / MM_PER_INCH


def as_inches(value: float) -> str:
    """What a number of inches is in mm, for a message.

    >>> as_inches(0.09)
    'It looks like inches; 0.09 in is 2.286 mm.'
    """
    return f"It looks like inches; {value:g} in is {MM_PER_INCH * value:.4g} mm."


def degc_from_degf(degf: Number) -> Number:
    """Temperature in degrees Celsius from Fahrenheit."""
    return (degf - 32.0) / 1.8


def kelvin_from_degc(degc: Number) -> Number:
    """Absolute temperature from degrees Celsius."""
    return degc + KELVIN_AT_0_DEGC
