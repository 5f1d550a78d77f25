r"""Petrol and its blends with ethanol: density and viscosity, and how sure the viscosity is.

At one lift and depression the fuel flow *m* follows :math:`\Delta p = a\,\nu\,m + b\,m^2/\rho`, whose
first term is the viscous fraction :math:`\phi` of the whole.  Near idle :math:`\phi` is close to 1 and
viscosity rules; at full load it is close to 0 and density rules.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.limits import check_each
from needlecalc.physics.stoichiometry import ETHANOL_KG_M3, PETROL_KG_M3, checked_petrol_kg_m3, ethanol_volume_share
from needlecalc.units import FloatArray, kelvin_from_degc

PETROL_MM2_S: Final = 0.62
PETROL_MM2_S_HALF_WIDTH: Final = 0.10
PETROL_VISCOSITY_PER_K: Final = -0.011
PETROL_VISCOSITY_PER_K_HALF_WIDTH: Final = 0.0015
ETHANOL_EXPANSION_PER_K: Final = 1.08e-3
ETHANOL_MM2_S: Final = 1.51
ETHANOL_VISCOSITY_PER_K: Final = -0.0188
MIXING_RULE_HALF_WIDTH: Final = 0.10
VISCOSITY_DEGC: Final = 20.0
DENSITY_DEGC: Final = 15.0


def petrol_expansion_per_k(petrol_kg_m3: ArrayLike = PETROL_KG_M3) -> FloatArray:
    r"""Thermal expansion of petrol at 15 degC.

    .. math:: \alpha = \frac{346.4228}{\rho_{15}^2} + \frac{0.4388}{\rho_{15}}

    Parameters
    ----------
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Expansion of its volume: 1.21e-3 for the usual petrol. [1/K]

    Raises
    ------
    InputError
        If the density is none of petrol.

    Notes
    -----
    For petrol of 653 to 770 kg/m3.  The 9.5e-4 found in many tables is less than that of every main
    hydrocarbon in petrol (heptane 1.23e-3, octane 1.15e-3, toluene 1.07e-3 between 15 and 25 degC).

    References
    ----------
    .. [1] ISO 91-1 and ASTM D1250-80, *Petroleum measurement tables*, table 54B, generalised gasolines
       (constants from memory).

    Examples
    --------
    >>> print(f"{petrol_expansion_per_k(745.0):.2e}")
    1.21e-03
    """
    density = checked_petrol_kg_m3(petrol_kg_m3)
    return np.asarray(346.4228 / density**2 + 0.4388 / density)[()]


def fuel_density_kg_m3(
    ethanol_percent: ArrayLike, temperature_degc: ArrayLike, *, petrol_kg_m3: ArrayLike = PETROL_KG_M3
) -> FloatArray:
    r"""Density of petrol with ethanol at a temperature.

    .. math:: \rho_i(t) = \rho_{i,15}\,e^{-\alpha_i \vartheta (1 + 0.8 \alpha_i \vartheta)}, \qquad
              \vartheta = t - 15

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    temperature_degc : array_like, shape (...)
        Fuel temperature, -40 to 80. [degC]
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Density; volumes add up at every temperature. [kg/m3]

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    EN 228 allows petrol from 720 to 775 kg/m3 at 15 degC, so an unknown petrol is uncertain by some
    3.7 %.  Volumes do not quite add up: a blend swells by 0.1-0.2 %, which is left out.

    References
    ----------
    .. [1] ISO 91-1 and ASTM D1250-80, *Petroleum measurement tables*, table 54B (from memory).

    Examples
    --------
    >>> print(f"{fuel_density_kg_m3(0.0, 15.0):.0f} and {fuel_density_kg_m3(0.0, 35.0):.0f}")
    745 and 727
    """
    share, petrol = ethanol_volume_share(ethanol_percent), checked_petrol_kg_m3(petrol_kg_m3)
    warmer = _fuel_temperature(temperature_degc) - DENSITY_DEGC
    of_petrol = petrol_expansion_per_k(petrol) * warmer
    of_ethanol = ETHANOL_EXPANSION_PER_K * warmer
    mass = share * ETHANOL_KG_M3 + (1.0 - share) * petrol
    volume = share * np.exp(of_ethanol * (1.0 + 0.8 * of_ethanol))
    volume = volume + (1.0 - share) * np.exp(of_petrol * (1.0 + 0.8 * of_petrol))
    return np.asarray(mass / volume)[()]


def fuel_viscosity_mm2_s(
    ethanol_percent: ArrayLike, temperature_degc: ArrayLike, *, petrol_mm2_s: ArrayLike = PETROL_MM2_S
) -> FloatArray:
    r"""Kinematic viscosity of petrol with ethanol at a temperature.

    .. math:: \ln\nu = x \ln\nu_e + (1 - x) \ln\nu_p, \qquad
              \ln\frac{\nu_i(T)}{\nu_{i,20}} = -c_i\,T_{20}^2\left(\frac1T - \frac1{T_{20}}\right)

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    temperature_degc : array_like, shape (...)
        Fuel temperature, -40 to 80. [degC]
    petrol_mm2_s : array_like, shape (...)
        Kinematic viscosity of the petrol at 20 degC. [mm2/s]

    Returns
    -------
    float or array, shape (...)
        Kinematic viscosity; :func:`fuel_viscosity_uncertainty_mm2_s` says how sure. [mm2/s]

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    Petrol 0.62 mm2/s at 20 degC falling :math:`c` = 1.1 % per K there, ethanol 1.51 falling 1.88 % per
    K; the exponential in 1/T carries this to other temperatures, steeper in the cold.  Logarithms mix by
    volume, an approximation: 10 % ethanol gives 9 % more, where 5 to 10 % is reported.

    References
    ----------
    .. [1] Andrade, "The viscosity of liquids", *Nature* 125 (1930) 309-310 (the exponential in 1/T;
       citation from memory).
    .. [2] Arrhenius, *Zeitschrift für Physikalische Chemie* 1 (1887) 285-298 (mixing of logarithms;
       citation from memory).

    Examples
    --------
    >>> print(f"{fuel_viscosity_mm2_s(0.0, 20.0):.2f} and {fuel_viscosity_mm2_s(0.0, 40.0):.2f}")
    0.62 and 0.50
    """
    share = ethanol_volume_share(ethanol_percent)
    petrol = check_each(petrol_mm2_s, "petrol_mm2_s", 0.3, 1.5, cure="Petrol has 0.5 to 0.8 mm2/s at 20 degC.")
    steps = _inverse_temperature_steps_k(_fuel_temperature(temperature_degc))
    ln_petrol = np.log(petrol) + PETROL_VISCOSITY_PER_K * steps
    ln_ethanol = np.log(ETHANOL_MM2_S) + ETHANOL_VISCOSITY_PER_K * steps
    return np.asarray(np.exp(share * ln_ethanol + (1.0 - share) * ln_petrol))[()]


def fuel_viscosity_uncertainty_mm2_s(ethanol_percent: ArrayLike, temperature_degc: ArrayLike) -> FloatArray:
    """Viscosity uncertainty (k = 1) of an unknown petrol with ethanol.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    temperature_degc : array_like, shape (...)
        Fuel temperature, taken as exact. [degC]

    Returns
    -------
    float or array, shape (...)
        Standard uncertainty. [mm2/s]

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    Three rectangular parts, added in squares: petrol at 20 degC within 0.62 +- 0.10 mm2/s; its fall
    within 1.1 +- 0.15 % per K (heptane to octane); the mixing rule within 10 % at half and half, less
    towards the pure liquids.  The widths are judgements for this project.

    Examples
    --------
    >>> print(f"{fuel_viscosity_uncertainty_mm2_s(0.0, 20.0):.3f}")
    0.058
    """
    share = ethanol_volume_share(ethanol_percent)
    steps = _inverse_temperature_steps_k(_fuel_temperature(temperature_degc))
    of_petrol = (1.0 - share) * PETROL_MM2_S_HALF_WIDTH / PETROL_MM2_S
    of_fall = (1.0 - share) * PETROL_VISCOSITY_PER_K_HALF_WIDTH * steps
    of_mixing = 4.0 * share * (1.0 - share) * MIXING_RULE_HALF_WIDTH
    relative = np.sqrt((of_petrol**2 + of_fall**2 + of_mixing**2) / 3.0)
    return np.asarray(relative * fuel_viscosity_mm2_s(ethanol_percent, temperature_degc))[()]


def _fuel_temperature(temperature_degc: ArrayLike) -> FloatArray:
    return check_each(temperature_degc, "temperature_degc", -40.0, 80.0, cure="It is the fuel's, in degC.")


def _inverse_temperature_steps_k(celsius: FloatArray) -> FloatArray:
    """Temperature steps from 20 degC, shrunk as 1/T shrinks them; equal to t - 20 close to 20 degC."""
    reference = kelvin_from_degc(VISCOSITY_DEGC)
    return np.asarray(reference * (1.0 - reference / kelvin_from_degc(celsius)))
