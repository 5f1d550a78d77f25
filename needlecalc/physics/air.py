"""Standard atmosphere and the density of moist air."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.units import GRAVITY_M_S2, FloatArray, kelvin_from_degc

EARTH_RADIUS_M = 6356766.0
SEA_LEVEL_PA = 101325.0
SEA_LEVEL_K = 288.15
LAPSE_K_M = 0.0065
DRY_AIR_J_KG_K = 287.05287
TROPOPAUSE_M = 11000.0


class Atmosphere(NamedTuple):
    """State of the standard atmosphere at a height."""

    pressure_pa: FloatArray
    temperature_k: FloatArray
    density_kg_m3: FloatArray


def standard_atmosphere(altitude_m: ArrayLike) -> Atmosphere:
    r"""Pressure, temperature and density of the standard atmosphere.

    Parameters
    ----------
    altitude_m : array_like, shape (...)
        Geometric height above sea level, -1000 to 11000. [m]

    Returns
    -------
    Atmosphere
        Pressure in Pa, temperature in K, dry density in kg/m3.

    Raises
    ------
    InputError
        If a height lies outside the troposphere.

    Notes
    -----
    With geopotential height :math:`H = rz/(r+z)`: :math:`T = 288.15 - 0.0065 H`,
    :math:`p = 101325\,(T/288.15)^{g/(R\,0.0065)}`.

    References
    ----------
    .. [1] ISO 2533:1975, *Standard Atmosphere*; the same below 11 km as *U.S. Standard Atmosphere, 1976*.

    Examples
    --------
    >>> print(f"{standard_atmosphere(1600.0).pressure_pa:.0f} Pa")
    83528 Pa
    """
    height = np.asarray(altitude_m, dtype=np.float64)
    geopotential = EARTH_RADIUS_M * height / (EARTH_RADIUS_M + height)
    if not ((height >= -1000.0) & (geopotential <= TROPOPAUSE_M)).all():
        msg = "altitude_m must lie between -1000 and 11000 m, where roads and this formula are; check its unit."
        raise InputError(msg)
    temperature = SEA_LEVEL_K - LAPSE_K_M * geopotential
    pressure = SEA_LEVEL_PA * (temperature / SEA_LEVEL_K) ** (GRAVITY_M_S2 / (DRY_AIR_J_KG_K * LAPSE_K_M))
    return Atmosphere(pressure, temperature, pressure / (DRY_AIR_J_KG_K * temperature))


def moist_air_density_kg_m3(pressure_pa: ArrayLike, temperature_degc: ArrayLike, humidity: ArrayLike = 0.0) -> FloatArray:
    r"""Density of moist air after CIPM-2007.

    Parameters
    ----------
    pressure_pa : array_like, shape (...)
        Station pressure, as a barometer on the spot reads it, not reduced to sea level. [Pa]
    temperature_degc : array_like, shape (...)
        Air temperature. [degC]
    humidity : array_like, shape (...)
        Relative humidity, 0 to 1. [-]

    Returns
    -------
    array, shape (...)
        Density. [kg/m3]

    Raises
    ------
    InputError
        If humidity is not a share, or the pressure not one met on a road.

    Notes
    -----
    Stated for 600-1100 hPa and 15-27 degC, where it holds to some 2e-5; against reference humid air it
    keeps within 1e-4 from 0 to 35 degC.

    References
    ----------
    .. [1] Picard, Davis, Gläser and Fujii, "Revised formula for the density of moist air (CIPM-2007)",
       *Metrologia* 45 (2008) 149-155.

    Examples
    --------
    >>> print(f"{moist_air_density_kg_m3(101325.0, 20.0, 0.5):.4f}")
    1.1993
    """
    pressure = np.asarray(pressure_pa, dtype=np.float64)
    celsius = np.asarray(temperature_degc, dtype=np.float64)
    share = np.asarray(humidity, dtype=np.float64)
    if not ((share >= 0.0) & (share <= 1.0)).all():
        msg = "humidity must be a share from 0 to 1; divide per cent by 100."
        raise InputError(msg)
    if not ((pressure >= 40e3) & (pressure <= 120e3)).all():
        msg = "pressure_pa must lie between 40000 and 120000 Pa; one hPa or mbar is 100 Pa."
        raise InputError(msg)
    kelvin = kelvin_from_degc(celsius)
    saturation = np.exp(1.2378847e-5 * kelvin**2 - 1.9121316e-2 * kelvin + 33.93711047 - 6343.1645 / kelvin)
    enhancement = 1.00062 + 3.14e-8 * pressure + 5.6e-7 * celsius**2
    vapour = share * enhancement * saturation / pressure
    ratio = pressure / kelvin
    compressibility = (
        1.0
        - ratio
        * (
            1.58123e-6
            - 2.9331e-8 * celsius
            + 1.1043e-10 * celsius**2
            + (5.707e-6 - 2.051e-8 * celsius) * vapour
            + (1.9898e-4 - 2.376e-6 * celsius) * vapour**2
        )
        + ratio**2 * (1.83e-11 - 0.765e-8 * vapour**2)
    )
    dry_kg_mol, water_kg_mol, gas_j_mol_k = 28.96546e-3, 18.01528e-3, 8.314472
    dry = pressure * dry_kg_mol / (compressibility * gas_j_mol_k * kelvin)
    return np.asarray(dry * (1.0 - vapour * (1.0 - water_kg_mol / dry_kg_mol)))
