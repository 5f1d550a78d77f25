"""Petrol and its blends with ethanol: air demand, density, viscosity."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.units import FloatArray

AIR_KG_KMOL = 28.965
OXYGEN_SHARE_OF_AIR = 0.20946
CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999
PETROL_H_PER_C = 1.85
PETROL_KG_M3 = 745.0
ETHANOL_KG_M3 = 793.6
PETROL_MM2_S = 0.62
ETHANOL_MM2_S = 1.51
PETROL_EXPANSION_PER_K = 9.5e-4
PETROL_VISCOSITY_PER_K = -0.011
ETHANOL_VISCOSITY_PER_K = -0.019


def stoichiometric_afr(h_per_c: ArrayLike, o_per_c: ArrayLike = 0.0) -> FloatArray:
    r"""Mass of air that burns one mass of the fuel CH\ :sub:`y`\ O\ :sub:`z` completely.

    Parameters
    ----------
    h_per_c, o_per_c : array_like, shape (...)
        Hydrogen and oxygen atoms per carbon atom. [-]

    Returns
    -------
    array, shape (...)
        Stoichiometric air-fuel ratio by mass. [kg/kg]

    Notes
    -----
    .. math:: \mathrm{AFR} = \frac{(1 + y/4 - z/2)}{0.20946} \frac{28.965}{12.011 + 1.008 y + 15.999 z}

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 3.4 (from memory).

    Examples
    --------
    >>> print(f"octane {stoichiometric_afr(18 / 8):.2f}, ethanol {stoichiometric_afr(3, 0.5):.2f}")
    octane 15.13, ethanol 9.00
    """
    y, z = np.asarray(h_per_c, dtype=np.float64), np.asarray(o_per_c, dtype=np.float64)
    oxygen = 1.0 + y / 4.0 - z / 2.0
    return np.asarray(oxygen / OXYGEN_SHARE_OF_AIR * AIR_KG_KMOL / (CARBON + HYDROGEN * y + OXYGEN * z))


def ethanol_mass_share(ethanol_percent: ArrayLike, petrol_kg_m3: float = PETROL_KG_M3) -> FloatArray:
    """Mass share of ethanol in a blend stated by volume.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    petrol_kg_m3 : float
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    array, shape (...)
        Mass share. [-]

    Examples
    --------
    >>> print(f"{ethanol_mass_share(10.0):.4f}")
    0.1058
    """
    share = np.asarray(ethanol_percent, dtype=np.float64) / 100.0
    return np.asarray(share * ETHANOL_KG_M3 / (share * ETHANOL_KG_M3 + (1.0 - share) * petrol_kg_m3))


def blend_afr(ethanol_percent: ArrayLike) -> FloatArray:
    """Stoichiometric air-fuel ratio of petrol with ethanol.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC. [%]

    Returns
    -------
    array, shape (...)
        Air-fuel ratio; masses of air add up. [kg/kg]

    Examples
    --------
    >>> print(f"{blend_afr(10.0):.2f}")
    13.99
    """
    share = ethanol_mass_share(ethanol_percent)
    petrol, ethanol = stoichiometric_afr(PETROL_H_PER_C), stoichiometric_afr(3.0, 0.5)
    return np.asarray(share * ethanol + (1.0 - share) * petrol)


def fuel_density_kg_m3(ethanol_percent: ArrayLike, temperature_degc: ArrayLike) -> FloatArray:
    """Density of petrol with ethanol at a temperature.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC. [%]
    temperature_degc : array_like, shape (...)
        Fuel temperature, -20 to 60. [degC]

    Returns
    -------
    array, shape (...)
        Density: ideal mixing at 15 degC and 0.095 % per K, a usual figure for petrol. [kg/m3]

    Notes
    -----
    EN 228 allows petrol from 720 to 775 kg/m3, so an unknown petrol is uncertain by some 2 %.

    Examples
    --------
    >>> print(f"{fuel_density_kg_m3(0.0, 15.0):.0f}")
    745
    """
    share = np.asarray(ethanol_percent, dtype=np.float64) / 100.0
    at_15 = share * ETHANOL_KG_M3 + (1.0 - share) * PETROL_KG_M3
    return np.asarray(at_15 * (1.0 - PETROL_EXPANSION_PER_K * (np.asarray(temperature_degc) - 15.0)))


def fuel_viscosity_mm2_s(ethanol_percent: ArrayLike, temperature_degc: ArrayLike) -> FloatArray:
    """Kinematic viscosity of petrol with ethanol at a temperature.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume. [%]
    temperature_degc : array_like, shape (...)
        Fuel temperature, -20 to 60. [degC]

    Returns
    -------
    array, shape (...)
        Kinematic viscosity; petrols differ by some 15 %. [mm2/s]

    Notes
    -----
    Petrol 0.62 mm2/s at 20 degC falling 1.1 % per K, ethanol 1.51 falling 1.9 % per K; blends by the
    mean of logarithms weighted by volume, an approximation good to some 10 %.

    Examples
    --------
    >>> print(f"{fuel_viscosity_mm2_s(0.0, 20.0):.2f}")
    0.62
    """
    share = np.asarray(ethanol_percent, dtype=np.float64) / 100.0
    warmer = np.asarray(temperature_degc, dtype=np.float64) - 20.0
    petrol = np.log(PETROL_MM2_S) + PETROL_VISCOSITY_PER_K * warmer
    ethanol = np.log(ETHANOL_MM2_S) + ETHANOL_VISCOSITY_PER_K * warmer
    return np.asarray(np.exp(share * ethanol + (1.0 - share) * petrol))
