"""Air that petrol and its blends with ethanol need, from the atoms they are made of."""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray

AIR_KG_KMOL: Final = 28.965
OXYGEN_SHARE_OF_AIR: Final = 0.20946
CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999  # atomic masses, kg/kmol
PETROL_H_PER_C: Final = 1.85
PETROL_KG_M3: Final = 745.0
ETHANOL_H_PER_C: Final = 3.0
ETHANOL_O_PER_C: Final = 0.5
ETHANOL_KG_M3: Final = 793.6


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
    share, petrol = ethanol_volume_share(ethanol_percent), checked_petrol_kg_m3(petrol_kg_m3)
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


def ethanol_volume_share(ethanol_percent: ArrayLike) -> FloatArray:
    """Ethanol by volume as a share, if it is possible.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume. [%]

    Returns
    -------
    array, shape (...)
        The share. [-]

    Raises
    ------
    InputError
        If it is not 0 to 100.
    """
    return check_each(ethanol_percent, "ethanol_percent", 0.0, 100.0, cure="State it in per cent by volume.") / 100.0


def checked_petrol_kg_m3(petrol_kg_m3: ArrayLike) -> FloatArray:
    """Density of a petrol, if it is possible.

    Parameters
    ----------
    petrol_kg_m3 : array_like, shape (...)
        Density at 15 degC. [kg/m3]

    Returns
    -------
    array, shape (...)
        The density. [kg/m3]

    Raises
    ------
    InputError
        If it is none of petrol.
    """
    return check_each(petrol_kg_m3, "petrol_kg_m3", 650.0, 800.0, cure="Petrol has 720 to 775 kg/m3 at 15 degC.")


def _afr_stoich(afr_stoich: ArrayLike) -> FloatArray:
    return check_each(afr_stoich, "afr_stoich", 5.0, 20.0, cure="Petrol has about 14.6, ethanol 9.0.")
