r"""Standard atmosphere, barometers, moist air, and what they do to lambda.

A constant-depression carburettor meters volume: at one lift the air follows :math:`\sqrt{\rho}` while the fuel does
not know of it, so

.. math:: \lambda \propto \frac{\sqrt{\rho}}{1 + w}

with :math:`\rho` the density of the moist air and *w* its water vapour over its dry air, by mass.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each
from needlecalc.units import DRY_AIR_J_KG_K, GRAVITY_M_S2, STANDARD_PA, FloatArray, kelvin_from_degc

EARTH_RADIUS_M: Final = 6356766.0
SEA_LEVEL_K: Final = 288.15
LAPSE_K_M: Final = 0.0065
LOWEST_M: Final = -1000.0
TROPOPAUSE_M: Final = 11019.1  # geometric; geopotential 11000
PRESSURE_EXPONENT: Final = GRAVITY_M_S2 / (DRY_AIR_J_KG_K * LAPSE_K_M)  # 5.25588

DRY_AIR_KG_MOL: Final = 28.96546e-3  # with 0.04 % carbon dioxide
WATER_KG_MOL: Final = 18.01528e-3
GAS_J_MOL_K: Final = 8.314472

_HPA_CURE = "One hPa or mbar is 100 Pa."


class Atmosphere(NamedTuple):
    """State of the standard atmosphere at a height: Pa, K, kg/m3."""

    pressure_pa: FloatArray
    temperature_k: FloatArray
    density_kg_m3: FloatArray


def standard_atmosphere(altitude_m: ArrayLike) -> Atmosphere:
    r"""Pressure, temperature and density of the standard atmosphere.

    .. math:: T = 288.15 - 0.0065\,H, \qquad p = 101325\,(T/288.15)^{g/(0.0065 R)}, \qquad
              \rho = \frac{p}{R T}, \qquad H = \frac{r z}{r + z},\quad r = 6356.766\ \mathrm{km}

    Parameters
    ----------
    altitude_m : array_like, shape (...)
        Geometric height *z* above sea level, as a map or a satellite receiver gives it, -1000 to 11019. [m]

    Returns
    -------
    Atmosphere
        Pressure in Pa, temperature in K, density of dry air in kg/m3.

    References
    ----------
    .. [1] ISO 2533:1975, *Standard Atmosphere*; below 11 km the same as *U.S. Standard Atmosphere, 1976*.

    Examples
    --------
    >>> print(f"{standard_atmosphere(1600.0).pressure_pa:.0f} Pa")
    83528 Pa
    """
    temperature = SEA_LEVEL_K - LAPSE_K_M * _geopotential_m(altitude_m)
    pressure = STANDARD_PA * (temperature / SEA_LEVEL_K) ** PRESSURE_EXPONENT
    return Atmosphere(pressure[()], temperature[()], (pressure / (DRY_AIR_J_KG_K * temperature))[()])


def sea_level_pressure_pa(station_pressure_pa: ArrayLike, altitude_m: ArrayLike) -> FloatArray:
    r"""Barometer reading reduced to sea level by the standard atmosphere, from the pressure on the spot.

    .. math:: p_0^{k} = p^{k} + 101325^{k}\,\frac{0.0065 H}{288.15}, \qquad k = 0.0065 R/g

    Parameters
    ----------
    station_pressure_pa, altitude_m : array_like, shape (...)
        Pressure on the spot, 15000 to 120000, and geometric height above sea level. [Pa, m]

    Returns
    -------
    float or array, shape (...)
        Pressure reduced to sea level. Weather services reduce by the day's temperature: at 1600 m and 30 degC their
        figure is some 1.5 % off this one. [Pa]

    References
    ----------
    .. [1] ICAO Doc 7488, *Manual of the ICAO Standard Atmosphere* (from memory).

    Examples
    --------
    >>> print(f"{sea_level_pressure_pa(83528.0, 1600.0):.0f} Pa")
    101325 Pa
    """
    cure = f"It is pressure on the spot. {_HPA_CURE}"
    pressure = check_each(station_pressure_pa, "station_pressure_pa", 15e3, 120e3, cure=cure)
    return _reduced_pa(pressure, _geopotential_m(altitude_m))


def station_pressure_pa(sea_level_pressure_pa: ArrayLike, altitude_m: ArrayLike) -> FloatArray:
    """Pressure on the spot, which the carburettor breathes, from a barometer reading: :func:`sea_level_pressure_pa` undone.

    Parameters
    ----------
    sea_level_pressure_pa, altitude_m : array_like, shape (...)
        Pressure reduced to sea level, 85000 to 115000, and geometric height above sea level. [Pa, m]

    Returns
    -------
    float or array, shape (...)
        Pressure on the spot. [Pa]

    Examples
    --------
    >>> print(f"{station_pressure_pa(101325.0, 1600.0):.0f} Pa")
    83528 Pa
    """
    cure = f"It is reduced to sea level. {_HPA_CURE}"
    pressure = check_each(sea_level_pressure_pa, "sea_level_pressure_pa", 85e3, 115e3, cure=cure)
    return _reduced_pa(pressure, -_geopotential_m(altitude_m))


def saturation_pressure_pa(temperature_degc: ArrayLike) -> FloatArray:
    r"""Saturation pressure of water vapour over liquid water, :math:`p_{sv} = \exp(A T^2 + B T + C + D/T)`.

    Parameters
    ----------
    temperature_degc : array_like, shape (...)
        Temperature, -40 to 60; below freezing over supercooled water, as weather reports mean it. [degC]

    Returns
    -------
    float or array, shape (...)
        Saturation pressure; within 0.01 % of the reference equation for water from 0 to 50 degC. [Pa]

    References
    ----------
    .. [1] Picard et al., "Revised formula for the density of moist air (CIPM-2007)", *Metrologia* 45 (2008) 149, A1.1.

    Examples
    --------
    >>> print(f"{saturation_pressure_pa(20.0):.1f} Pa")
    2339.2 Pa
    """
    kelvin = kelvin_from_degc(_temperature(temperature_degc))
    return np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6343.1645 / kelvin)[()]


def humidity_ratio(pressure_pa: ArrayLike, temperature_degc: ArrayLike, humidity: ArrayLike) -> FloatArray:
    r"""Mass of water vapour for one mass of dry air, after CIPM-2007 as :func:`moist_air_density_kg_m3`.

    .. math:: w = \frac{M_v}{M_a}\,\frac{x_v}{1 - x_v}, \qquad x_v = h\,f(p, t)\,\frac{p_{sv}(t)}{p}

    Parameters
    ----------
    pressure_pa, temperature_degc, humidity : array_like, shape (...)
        Station pressure, air temperature and relative humidity, ranges as there. [Pa, degC, -]

    Returns
    -------
    float or array, shape (...)
        Humidity ratio *w*. [kg/kg]

    Examples
    --------
    >>> print(f"{humidity_ratio(101325.0, 20.0, 0.5):.5f}")
    0.00729
    """
    vapour = _vapour_share(*_moist(pressure_pa, temperature_degc, humidity))
    return np.asarray(WATER_KG_MOL / DRY_AIR_KG_MOL * vapour / (1.0 - vapour))[()]


def moist_air_density_kg_m3(pressure_pa: ArrayLike, temperature_degc: ArrayLike, humidity: ArrayLike = 0.0) -> FloatArray:
    r"""Density of moist air after CIPM-2007.

    .. math:: \rho = \frac{p M_a}{Z R T}\left[1 - x_v\left(1 - \frac{M_v}{M_a}\right)\right]

    Parameters
    ----------
    pressure_pa : array_like, shape (...)
        Station pressure, as a barometer on the spot reads it, not reduced to sea level; 40000 to 120000. [Pa]
    temperature_degc, humidity : array_like, shape (...)
        Air temperature, -40 to 60, and relative humidity *h*, 0 to 1; :math:`x_v` as of :func:`humidity_ratio`. [degC, -]

    Returns
    -------
    float or array, shape (...)
        Density, of air with 0.04 % carbon dioxide: within 2.2e-5 (k = 1) at 600-1100 hPa and 15-27 degC, for which it is
        stated, and within 2e-4 of reference humid air from -20 to 50 degC and 55 to 108 kPa. [kg/m3]

    References
    ----------
    .. [1] Picard, Davis, Gläser and Fujii, "Revised formula for the density of moist air (CIPM-2007)",
       *Metrologia* 45 (2008) 149-155.

    Examples
    --------
    >>> print(f"{moist_air_density_kg_m3(101325.0, 20.0, 0.5):.4f}")
    1.1993
    """
    pressure, celsius, share = _moist(pressure_pa, temperature_degc, humidity)
    vapour = _vapour_share(pressure, celsius, share)
    ratio = pressure / kelvin_from_degc(celsius)
    first = (
        1.58123e-6
        - 2.9331e-8 * celsius
        + 1.1043e-10 * celsius**2
        + (5.707e-6 - 2.051e-8 * celsius) * vapour
        + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2
    )
    compressibility = 1.0 - ratio * first + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
    dry = ratio * DRY_AIR_KG_MOL / (compressibility * GAS_J_MOL_K)
    return np.asarray(dry * (1.0 - vapour * (1.0 - WATER_KG_MOL / DRY_AIR_KG_MOL)))[()]


def lambda_factor_of_air(
    density_kg_m3: ArrayLike,
    humidity_ratio: ArrayLike = 0.0,
    *,
    reference_density_kg_m3: ArrayLike,
    reference_humidity_ratio: ArrayLike = 0.0,
) -> FloatArray:
    r"""Lambda over that in a reference air, at the same lift and with the same fuel.

    .. math:: \frac{\lambda}{\lambda_0} = \sqrt{\frac{\rho}{\rho_0}}\;\frac{1 + w_0}{1 + w}

    Parameters
    ----------
    density_kg_m3, reference_density_kg_m3 : array_like, shape (...)
        Density of the moist air, and of the reference air. [kg/m3]
    humidity_ratio, reference_humidity_ratio : array_like, shape (...)
        Water vapour over dry air of both, by mass. [kg/kg]

    Returns
    -------
    float or array, shape (...)
        Factor on lambda; below 1 is richer. On the road the engine takes thinner air at a lower lift, so the needle's shape
        comes on top. [-]

    References
    ----------
    .. [1] Derived for this project from Bernoulli's equation; only the dry air burns.

    Examples
    --------
    >>> print(f"{lambda_factor_of_air(1.04764, reference_density_kg_m3=1.225):.4f}")
    0.9248
    """
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    reference = check_each(reference_density_kg_m3, "reference_density_kg_m3", 0.0, open_low=True)
    water = check_each(humidity_ratio, "humidity_ratio", 0.0, 1.0)
    reference_water = check_each(reference_humidity_ratio, "reference_humidity_ratio", 0.0, 1.0)
    return np.asarray(np.sqrt(density / reference) * (1.0 + reference_water) / (1.0 + water))[()]


def _geopotential_m(altitude_m: ArrayLike) -> FloatArray:
    cure = "Roads and this formula end there; check its unit."
    height = check_each(altitude_m, "altitude_m", LOWEST_M, TROPOPAUSE_M, cure=cure)
    return np.asarray(EARTH_RADIUS_M * height / (EARTH_RADIUS_M + height))


def _reduced_pa(pressure: FloatArray, height: FloatArray) -> FloatArray:
    """Pressure of the standard atmosphere so far lower, a height below zero being higher."""
    rise = STANDARD_PA ** (1.0 / PRESSURE_EXPONENT) * LAPSE_K_M * height / SEA_LEVEL_K
    return np.asarray((pressure ** (1.0 / PRESSURE_EXPONENT) + rise) ** PRESSURE_EXPONENT)[()]


def _temperature(temperature_degc: ArrayLike) -> FloatArray:
    return check_each(temperature_degc, "temperature_degc", -40.0, 60.0, cure="It is in degrees Celsius.")


def _moist(pressure_pa: ArrayLike, temperature_degc: ArrayLike, humidity: ArrayLike) -> tuple[FloatArray, ...]:
    return (
        check_each(pressure_pa, "pressure_pa", 40e3, 120e3, cure=_HPA_CURE),
        _temperature(temperature_degc),
        check_each(humidity, "humidity", 0.0, 1.0, cure="It is a share; divide per cent by 100."),
    )


def _vapour_share(pressure: FloatArray, celsius: FloatArray, humidity: FloatArray) -> FloatArray:
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2
    return np.asarray(humidity * enhancement * saturation_pressure_pa(celsius) / pressure)
