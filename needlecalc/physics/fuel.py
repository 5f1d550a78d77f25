r"""Petrol and its blends with ethanol: air demand, density, viscosity, and what a change of fuel does.

At one lift and depression the fuel flow *m* follows :math:`\Delta p = a\,\nu\,m + b\,m^2/\rho`, whose
first term is the viscous fraction :math:`\phi` of the whole.  Near idle :math:`\phi` is close to 1 and
viscosity rules; at full load it is close to 0 and density rules.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray, kelvin_from_degc

AIR_KG_KMOL: Final = 28.965
OXYGEN_SHARE_OF_AIR: Final = 0.20946
CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999  # atomic masses, kg/kmol
PETROL_H_PER_C: Final = 1.85
PETROL_KG_M3: Final = 745.0
PETROL_MM2_S: Final = 0.62
PETROL_MM2_S_HALF_WIDTH: Final = 0.10
PETROL_VISCOSITY_PER_K: Final = -0.011
PETROL_VISCOSITY_PER_K_HALF_WIDTH: Final = 0.0015
ETHANOL_H_PER_C: Final = 3.0
ETHANOL_O_PER_C: Final = 0.5
ETHANOL_KG_M3: Final = 793.6
ETHANOL_EXPANSION_PER_K: Final = 1.08e-3
ETHANOL_MM2_S: Final = 1.51
ETHANOL_VISCOSITY_PER_K: Final = -0.0188
MIXING_RULE_HALF_WIDTH: Final = 0.10
VISCOSITY_DEGC: Final = 20.0
DENSITY_DEGC: Final = 15.0


class BlendAtoms(NamedTuple):
    """Hydrogen and oxygen atoms per carbon atom of a blend."""

    h_per_c: FloatArray
    o_per_c: FloatArray


def stoichiometric_afr(h_per_c: ArrayLike, o_per_c: ArrayLike = 0.0) -> FloatArray:
    r"""Mass of air that burns one mass of the fuel CH\ :sub:`y`\ O\ :sub:`z` completely.

    .. math:: \mathrm{AFR} = \frac{1 + y/4 - z/2}{0.20946}\;\frac{28.965}{12.011 + 1.008\,y + 15.999\,z}

    Parameters
    ----------
    h_per_c, o_per_c : array_like, shape (...)
        Hydrogen atoms *y* (0 to 4) and oxygen atoms *z* (0 to 2) per carbon atom. [-]

    Returns
    -------
    float or array, shape (...)
        Stoichiometric air-fuel ratio by mass, dry air. [kg/kg]

    Raises
    ------
    InputError
        If a ratio is outside its range.

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 3.4 (from memory).

    Examples
    --------
    >>> print(f"octane {stoichiometric_afr(18 / 8):.2f}, ethanol {stoichiometric_afr(3, 0.5):.2f}")
    octane 15.13, ethanol 9.00
    """
    y = check_each(h_per_c, "h_per_c", 0.0, 4.0, cure="It counts hydrogen atoms for one carbon atom.")
    z = check_each(o_per_c, "o_per_c", 0.0, 2.0, cure="It counts oxygen atoms for one carbon atom.")
    air_kmol = (1.0 + y / 4.0 - z / 2.0) / OXYGEN_SHARE_OF_AIR
    return np.asarray(air_kmol * AIR_KG_KMOL / (CARBON + HYDROGEN * y + OXYGEN * z))[()]


def lambda_of_afr(afr: ArrayLike, *, afr_stoich: ArrayLike) -> FloatArray:
    r"""Lambda of an air-fuel ratio: :math:`\lambda = \mathrm{AFR}/\mathrm{AFR_{st}}`.

    Parameters
    ----------
    afr : array_like, shape (...)
        Air-fuel ratio by mass. [kg/kg]
    afr_stoich : array_like, shape (...)
        Stoichiometric ratio the AFR was made with.  For the AFR of a meter's display this is the meter's
        own figure, often 14.7, whatever is in the tank. [kg/kg]

    Returns
    -------
    float or array, shape (...)
        Lambda. [-]

    Raises
    ------
    InputError
        If a ratio is not positive, or ``afr_stoich`` lies outside 5 to 20.

    Examples
    --------
    >>> print(f"{lambda_of_afr(13.23, afr_stoich=14.7):.3f}")
    0.900
    """
    ratio = check_each(afr, "afr", 0.0, open_low=True)
    return np.asarray(ratio / _afr_stoich(afr_stoich))[()]


def afr_of_lambda(lambda_ratio: ArrayLike, *, afr_stoich: ArrayLike) -> FloatArray:
    r"""Air-fuel ratio of a lambda: :math:`\mathrm{AFR} = \lambda\,\mathrm{AFR_{st}}`.

    Parameters
    ----------
    lambda_ratio : array_like, shape (...)
        Lambda. [-]
    afr_stoich : array_like, shape (...)
        Stoichiometric ratio to state the AFR with. [kg/kg]

    Returns
    -------
    float or array, shape (...)
        Air-fuel ratio by mass. [kg/kg]

    Raises
    ------
    InputError
        If lambda is not positive, or ``afr_stoich`` lies outside 5 to 20.

    Examples
    --------
    >>> print(f"{afr_of_lambda(0.9, afr_stoich=14.7):.2f}")
    13.23
    """
    ratio = check_each(lambda_ratio, "lambda_ratio", 0.0, open_low=True)
    return np.asarray(ratio * _afr_stoich(afr_stoich))[()]


def ethanol_mass_share(ethanol_percent: ArrayLike, petrol_kg_m3: ArrayLike = PETROL_KG_M3) -> FloatArray:
    r"""Mass share of ethanol in a blend stated by volume.

    .. math:: \xi = \frac{x \rho_e}{x \rho_e + (1 - x) \rho_p}

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Mass share. [-]

    Raises
    ------
    InputError
        If a value is out of range.

    Examples
    --------
    >>> print(f"{ethanol_mass_share(10.0):.4f}")
    0.1058
    """
    share, petrol = _volume_share(ethanol_percent), _petrol_density(petrol_kg_m3)
    return np.asarray(share * ETHANOL_KG_M3 / (share * ETHANOL_KG_M3 + (1.0 - share) * petrol))[()]


def blend_atoms(
    ethanol_percent: ArrayLike,
    *,
    petrol_h_per_c: ArrayLike = PETROL_H_PER_C,
    petrol_kg_m3: ArrayLike = PETROL_KG_M3,
) -> BlendAtoms:
    """Hydrogen and oxygen atoms per carbon atom of petrol with ethanol.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    petrol_h_per_c : array_like, shape (...)
        Hydrogen atoms per carbon atom of the petrol, which is taken to hold no oxygen. [-]
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    BlendAtoms
        Both ratios; atoms add up.

    Raises
    ------
    InputError
        If a value is out of range.

    Examples
    --------
    >>> atoms = blend_atoms(10.0)
    >>> print(f"CH{atoms.h_per_c:.3f}O{atoms.o_per_c:.4f}")
    CH1.927O0.0333
    """
    mass = ethanol_mass_share(ethanol_percent, petrol_kg_m3)
    petrol_y = check_each(petrol_h_per_c, "petrol_h_per_c", 1.0, 3.0, cure="Petrol has about 1.85.")
    in_ethanol = mass / (CARBON + HYDROGEN * ETHANOL_H_PER_C + OXYGEN * ETHANOL_O_PER_C)
    in_petrol = (1.0 - mass) / (CARBON + HYDROGEN * petrol_y)
    share = in_ethanol / (in_ethanol + in_petrol)  # of all carbon atoms
    hydrogen = np.asarray(share * ETHANOL_H_PER_C + (1.0 - share) * petrol_y)
    return BlendAtoms(hydrogen[()], np.asarray(share * ETHANOL_O_PER_C)[()])


def blend_afr(
    ethanol_percent: ArrayLike,
    *,
    petrol_h_per_c: ArrayLike = PETROL_H_PER_C,
    petrol_kg_m3: ArrayLike = PETROL_KG_M3,
) -> FloatArray:
    """Stoichiometric air-fuel ratio of petrol with ethanol.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    petrol_h_per_c : array_like, shape (...)
        Hydrogen atoms per carbon atom of the petrol. [-]
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Air-fuel ratio by mass; masses of air add up. [kg/kg]

    Raises
    ------
    InputError
        If a value is out of range.

    Examples
    --------
    >>> print(f"{blend_afr(10.0):.2f}")
    13.99
    """
    share = ethanol_mass_share(ethanol_percent, petrol_kg_m3)
    ethanol = stoichiometric_afr(ETHANOL_H_PER_C, ETHANOL_O_PER_C)
    return np.asarray(share * ethanol + (1.0 - share) * stoichiometric_afr(petrol_h_per_c))[()]


def oxygen_mass_percent(ethanol_percent: ArrayLike, *, petrol_kg_m3: ArrayLike = PETROL_KG_M3) -> FloatArray:
    """Oxygen by mass in petrol with ethanol.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]
    petrol_kg_m3 : array_like, shape (...)
        Density of the petrol at 15 degC. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Oxygen by mass; EN 228 allows 3.7 % in petrol with up to 10 % ethanol, 2.7 % with up to 5 %. [%]

    Raises
    ------
    InputError
        If a value is out of range.

    References
    ----------
    .. [1] EN 228, *Automotive fuels - Unleaded petrol* (limits from memory).

    Examples
    --------
    >>> print(f"{oxygen_mass_percent(10.0):.2f} %")
    3.68 %
    """
    in_ethanol = OXYGEN * ETHANOL_O_PER_C / (CARBON + HYDROGEN * ETHANOL_H_PER_C + OXYGEN * ETHANOL_O_PER_C)
    return np.asarray(100.0 * in_ethanol * ethanol_mass_share(ethanol_percent, petrol_kg_m3))[()]


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
    density = _petrol_density(petrol_kg_m3)
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
    share, petrol = _volume_share(ethanol_percent), _petrol_density(petrol_kg_m3)
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
    share = _volume_share(ethanol_percent)
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
    share = _volume_share(ethanol_percent)
    steps = _inverse_temperature_steps_k(_fuel_temperature(temperature_degc))
    of_petrol = (1.0 - share) * PETROL_MM2_S_HALF_WIDTH / PETROL_MM2_S
    of_fall = (1.0 - share) * PETROL_VISCOSITY_PER_K_HALF_WIDTH * steps
    of_mixing = 4.0 * share * (1.0 - share) * MIXING_RULE_HALF_WIDTH
    relative = np.sqrt((of_petrol**2 + of_fall**2 + of_mixing**2) / 3.0)
    return np.asarray(relative * fuel_viscosity_mm2_s(ethanol_percent, temperature_degc))[()]


def _volume_share(ethanol_percent: ArrayLike) -> FloatArray:
    return check_each(ethanol_percent, "ethanol_percent", 0.0, 100.0, cure="State it in per cent by volume.") / 100.0


def _petrol_density(petrol_kg_m3: ArrayLike) -> FloatArray:
    return check_each(petrol_kg_m3, "petrol_kg_m3", 650.0, 800.0, cure="Petrol has 720 to 775 kg/m3 at 15 degC.")


def _fuel_temperature(temperature_degc: ArrayLike) -> FloatArray:
    return check_each(temperature_degc, "temperature_degc", -40.0, 80.0, cure="It is the fuel's, in degC.")


def _afr_stoich(afr_stoich: ArrayLike) -> FloatArray:
    return check_each(afr_stoich, "afr_stoich", 5.0, 20.0, cure="Petrol has about 14.6, ethanol 9.0.")


def _inverse_temperature_steps_k(celsius: FloatArray) -> FloatArray:
    """Temperature steps from 20 degC, shrunk as 1/T shrinks them; equal to t - 20 close to 20 degC."""
    reference = kelvin_from_degc(VISCOSITY_DEGC)
    return np.asarray(reference * (1.0 - reference / kelvin_from_degc(celsius)))
