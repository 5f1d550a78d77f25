r"""Barometer readings: station pressure, pressure reduced to sea level, and the two mixed up.

The carburettor breathes the pressure on the spot.  A weather report, and most barometers on a wall, give
it reduced to sea level: at altitude a number that is far too high.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.physics.air import LAPSE_K_M, PRESSURE_EXPONENT, SEA_LEVEL_K, SEA_LEVEL_PA, geopotential_m
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray, kelvin_from_degc

# Sea-level pressure of nearly all weather; the deepest lows and highest highs lie outside.
WEATHER_LOW_PA: Final = 95000.0
WEATHER_HIGH_PA: Final = 105000.0
BAROMETER_VERDICTS: Final = (
    "fits as station pressure",
    "looks reduced to sea level: it is far too high for this altitude; convert it to station pressure",
    "fits both as station pressure and as sea-level pressure: the altitude is too small to tell",
    "fits neither as station pressure nor as sea-level pressure: check its unit and the altitude",
)

_HPA_CURE = "One hPa or mbar is 100 Pa."


class BarometerCheck(NamedTuple):
    """What a barometer reading can be at an altitude; ``verdict`` counts in ``BAROMETER_VERDICTS``."""

    verdict: NDArray[np.int8]
    implied_sea_level_pa: FloatArray  # sea-level pressure, if the reading is station pressure
    station_if_reduced_pa: FloatArray  # station pressure, if the reading was reduced to sea level


def sea_level_pressure_pa(
    station_pressure_pa: ArrayLike, altitude_m: ArrayLike, *, temperature_degc: ArrayLike | None = None
) -> FloatArray:
    r"""Barometer reading reduced to sea level, from the pressure on the spot.

    .. math:: p_0^{k} = p^{k} + 101325^{k}\,\frac{0.0065 H}{288.15}, \qquad
              p_0 = p\,(1 + 0.0065 H/T)^{1/k}, \qquad k = 0.0065 R/g

    Parameters
    ----------
    station_pressure_pa : array_like, shape (...)
        Pressure on the spot. [Pa]
    altitude_m : array_like, shape (...)
        Geometric height above sea level. [m]
    temperature_degc : array_like, shape (...), or None
        Air temperature on the spot, for a reading reduced by it (second formula, as weather services
        do); None for one reduced by the standard atmosphere (first formula, as altimeters do). [degC]

    Returns
    -------
    float or array, shape (...)
        Pressure reduced to sea level. [Pa]

    Raises
    ------
    InputError
        If pressure, height or temperature is out of range.

    Notes
    -----
    The two differ with the weather: at 1600 m and 30 degC by some 1.5 %.  Services differ further in
    the mean temperature they take, so above 1000 m read a barometer on the spot instead.

    References
    ----------
    .. [1] WMO-No. 8, *Guide to Instruments and Methods of Observation*, part I chapter 3 (from memory).
    .. [2] ICAO Doc 7488, *Manual of the ICAO Standard Atmosphere* (from memory).

    Examples
    --------
    >>> print(f"{sea_level_pressure_pa(83528.0, 1600.0):.0f} Pa")
    101325 Pa
    """
    pressure = check_each(
        station_pressure_pa,
        "station_pressure_pa",
        15e3,
        120e3,
        cure=f"It is pressure on the spot. {_HPA_CURE}",
    )
    height = geopotential_m(altitude_m)
    if temperature_degc is None:
        return _qnh_pa(pressure, height)
    return np.asarray(pressure * _column_ratio(height, temperature_degc))[()]


def station_pressure_pa(
    sea_level_pressure_pa: ArrayLike, altitude_m: ArrayLike, *, temperature_degc: ArrayLike | None = None
) -> FloatArray:
    r"""Pressure on the spot, from a barometer reading reduced to sea level.

    Parameters
    ----------
    sea_level_pressure_pa : array_like, shape (...)
        Pressure reduced to sea level, as weather reports give it. [Pa]
    altitude_m : array_like, shape (...)
        Geometric height above sea level. [m]
    temperature_degc : array_like, shape (...), or None
        Air temperature on the spot if the reading was reduced by it; None if it was reduced by the
        standard atmosphere. [degC]

    Returns
    -------
    float or array, shape (...)
        Pressure on the spot. [Pa]

    Raises
    ------
    InputError
        If pressure, height or temperature is out of range.

    Notes
    -----
    The inverse of :func:`sea_level_pressure_pa`; see there for how far the two ways differ.

    References
    ----------
    .. [1] WMO-No. 8, *Guide to Instruments and Methods of Observation*, part I chapter 3 (from memory).

    Examples
    --------
    >>> print(f"{station_pressure_pa(101325.0, 1600.0):.0f} Pa")
    83528 Pa
    """
    pressure = check_each(
        sea_level_pressure_pa,
        "sea_level_pressure_pa",
        85e3,
        115e3,
        cure=f"It is reduced to sea level. {_HPA_CURE}",
    )
    height = geopotential_m(altitude_m)
    if temperature_degc is None:
        return _unreduced_pa(pressure, height)
    return np.asarray(pressure / _column_ratio(height, temperature_degc))[()]


def barometer_check(pressure_pa: ArrayLike, altitude_m: ArrayLike) -> BarometerCheck:
    """Verdict on a pressure typed in as station pressure at an altitude.

    Parameters
    ----------
    pressure_pa : array_like, shape (...)
        The reading. [Pa]
    altitude_m : array_like, shape (...)
        Geometric height above sea level. [m]

    Returns
    -------
    BarometerCheck
        Index into ``BAROMETER_VERDICTS``, and the pressures that follow from either reading of it.

    Raises
    ------
    InputError
        If the reading is no air pressure, or the height out of range.

    Notes
    -----
    A reading fits where it means a sea-level pressure between 950 and 1050 hPa, reduced by the standard
    atmosphere.  The usual 1013 hPa is found out from some 305 m up.  At 1600 m the mistake is 21 % of
    density, 10 % of lambda.

    Examples
    --------
    >>> BAROMETER_VERDICTS[barometer_check(101300.0, 1600.0).verdict][:26]
    'looks reduced to sea level'
    """
    pressure = check_each(pressure_pa, "pressure_pa", 15e3, 120e3, cure=_HPA_CURE)
    height = geopotential_m(altitude_m)
    implied = _qnh_pa(pressure, height)
    as_station = (implied >= WEATHER_LOW_PA) & (implied <= WEATHER_HIGH_PA)
    as_sea_level = (pressure >= WEATHER_LOW_PA) & (pressure <= WEATHER_HIGH_PA) & (implied > WEATHER_HIGH_PA)
    both = as_station & (pressure >= WEATHER_LOW_PA) & (pressure <= WEATHER_HIGH_PA) & (height > 0.0)
    # At the shore the two readings are the same number, so there is nothing to tell apart.
    verdict = np.select([both, as_station, as_sea_level], [2, 0, 1], default=3).astype(np.int8)
    return BarometerCheck(verdict[()], implied, _unreduced_pa(pressure, height))


def looks_sea_level_reduced(pressure_pa: ArrayLike, altitude_m: ArrayLike) -> NDArray[np.bool_]:
    """Whether a pressure typed in as station pressure only fits as one reduced to sea level.

    Parameters
    ----------
    pressure_pa : array_like, shape (...)
        The reading. [Pa]
    altitude_m : array_like, shape (...)
        Geometric height above sea level. [m]

    Returns
    -------
    bool or array of bool, shape (...)
        True where the classic mistake was made; :func:`barometer_check` says more.

    Raises
    ------
    InputError
        If the reading is no air pressure, or the height out of range.

    Examples
    --------
    >>> print(looks_sea_level_reduced([101300.0, 83500.0], 1600.0))
    [ True False]
    """
    return np.asarray(barometer_check(pressure_pa, altitude_m).verdict == 1)[()]


def _qnh_pa(pressure: FloatArray, height: FloatArray) -> FloatArray:
    rise = SEA_LEVEL_PA ** (1.0 / PRESSURE_EXPONENT) * LAPSE_K_M * height / SEA_LEVEL_K
    return np.asarray((pressure ** (1.0 / PRESSURE_EXPONENT) + rise) ** PRESSURE_EXPONENT)[()]


def _unreduced_pa(pressure: FloatArray, height: FloatArray) -> FloatArray:
    rise = SEA_LEVEL_PA ** (1.0 / PRESSURE_EXPONENT) * LAPSE_K_M * height / SEA_LEVEL_K
    return np.asarray((pressure ** (1.0 / PRESSURE_EXPONENT) - rise) ** PRESSURE_EXPONENT)[()]


def _column_ratio(height: FloatArray, temperature_degc: ArrayLike) -> FloatArray:
    kelvin = kelvin_from_degc(
        check_each(temperature_degc, "temperature_degc", -40.0, 60.0, cure="It is in degrees Celsius.")
    )
    return np.asarray((1.0 + LAPSE_K_M * height / kelvin) ** PRESSURE_EXPONENT)
