r"""Petrol and its blends with ethanol: the air they need, density, viscosity, and what another fuel does to lambda.

At one lift and depression the fuel flow *m* follows :math:`\Delta p = a\,\nu\,m + b\,m^2/\rho` with *a* and *b* of the
gap alone. The first term is the viscous fraction :math:`\phi` of the whole: near idle it is close to 1 and viscosity
rules; at full load it is close to 0 and density rules.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each
from needlecalc.physics.air import DRY_AIR_KG_MOL
from needlecalc.units import FloatArray, kelvin_from_degc

OXYGEN_SHARE_OF_AIR: Final = 0.20946
CARBON, HYDROGEN, OXYGEN = 12.011, 1.008, 15.999  # atomic masses, kg/kmol
PETROL_H_PER_C: Final = 1.85
PETROL_KG_M3: Final = 745.0  # at 15 degC
PETROL_MM2_S: Final = 0.62  # at 20 degC
PETROL_VISCOSITY_PER_K: Final = -0.011
ETHANOL_H_PER_C: Final = 3.0
ETHANOL_O_PER_C: Final = 0.5
ETHANOL_KG_M3: Final = 793.6
ETHANOL_MM2_S: Final = 1.51
ETHANOL_EXPANSION_PER_K: Final = 1.08e-3
ETHANOL_VISCOSITY_PER_K: Final = -0.0188
VISCOSITY_DEGC: Final = 20.0
DENSITY_DEGC: Final = 15.0


class BlendAtoms(NamedTuple):
    """Hydrogen and oxygen atoms per carbon atom of a blend."""

    h_per_c: FloatArray
    o_per_c: FloatArray


def stoichiometric_afr(h_per_c: ArrayLike, o_per_c: ArrayLike = 0.0) -> FloatArray:
    r"""Mass of dry air that burns one mass of the fuel CH\ :sub:`y`\ O\ :sub:`z` completely.

    .. math:: \mathrm{AFR} = \frac{1 + y/4 - z/2}{0.20946}\;\frac{28.965}{12.011 + 1.008\,y + 15.999\,z}

    Parameters
    ----------
    h_per_c, o_per_c : array_like, shape (...)
        Hydrogen atoms *y* (0 to 4) and oxygen atoms *z* (0 to 2) per carbon atom. [-]

    Returns
    -------
    float or array, shape (...)
        Stoichiometric air-fuel ratio. [kg/kg]

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
    return np.asarray(air_kmol * 1e3 * DRY_AIR_KG_MOL / (CARBON + HYDROGEN * y + OXYGEN * z))[()]


def mass_share_of_ethanol(ethanol_percent: ArrayLike) -> FloatArray:
    """Mass share of ethanol in a blend with the usual petrol, stated by volume."""
    share = _volume_share(ethanol_percent)
    return np.asarray(share * ETHANOL_KG_M3 / (share * ETHANOL_KG_M3 + (1.0 - share) * PETROL_KG_M3))


def blend_atoms(ethanol_percent: ArrayLike) -> BlendAtoms:
    """Hydrogen and oxygen atoms per carbon atom of the usual petrol with ethanol; atoms add up.

    Parameters
    ----------
    ethanol_percent : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100. [%]

    Returns
    -------
    BlendAtoms
        Both ratios, as :func:`stoichiometric_afr` and the exhaust formulas take them.

    Examples
    --------
    >>> atoms = blend_atoms(10.0)
    >>> print(f"CH{atoms.h_per_c:.3f}O{atoms.o_per_c:.4f}, AFR {stoichiometric_afr(*atoms):.2f}")
    CH1.927O0.0333, AFR 13.99
    """
    mass = mass_share_of_ethanol(ethanol_percent)
    in_ethanol = mass / (CARBON + HYDROGEN * ETHANOL_H_PER_C + OXYGEN * ETHANOL_O_PER_C)
    in_petrol = (1.0 - mass) / (CARBON + HYDROGEN * PETROL_H_PER_C)
    share = in_ethanol / (in_ethanol + in_petrol)  # of all carbon atoms
    hydrogen = np.asarray(share * ETHANOL_H_PER_C + (1.0 - share) * PETROL_H_PER_C)
    return BlendAtoms(hydrogen[()], np.asarray(share * ETHANOL_O_PER_C)[()])


def fuel_density_kg_m3(ethanol_percent: ArrayLike, temperature_degc: ArrayLike) -> FloatArray:
    r"""Density of petrol with ethanol at a temperature; volumes add up at every temperature.

    .. math:: \rho_i(t) = \rho_{i,15}\,e^{-\alpha_i \vartheta (1 + 0.8 \alpha_i \vartheta)}, \qquad \vartheta = t - 15

    Parameters
    ----------
    ethanol_percent, temperature_degc : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100, and fuel temperature, -40 to 80. [%, degC]

    Returns
    -------
    float or array, shape (...)
        Density. EN 228 allows petrol 720 to 775 kg/m3 at 15 degC (745 here); a blend swells by 0.1-0.2 %, which is left
        out. Petrol expands by :math:`\alpha = 346.4228/\rho^2 + 0.4388/\rho`. [kg/m3]

    References
    ----------
    .. [1] ISO 91-1 and ASTM D1250-80, *Petroleum measurement tables*, table 54B, generalised gasolines
       (constants from memory).

    Examples
    --------
    >>> print(f"{fuel_density_kg_m3(0.0, 15.0):.0f} and {fuel_density_kg_m3(0.0, 35.0):.0f}")
    745 and 727
    """
    share = _volume_share(ethanol_percent)
    warmer = _fuel_temperature(temperature_degc) - DENSITY_DEGC
    of_petrol = (346.4228 / PETROL_KG_M3**2 + 0.4388 / PETROL_KG_M3) * warmer
    of_ethanol = ETHANOL_EXPANSION_PER_K * warmer
    mass = share * ETHANOL_KG_M3 + (1.0 - share) * PETROL_KG_M3
    volume = share * np.exp(of_ethanol * (1.0 + 0.8 * of_ethanol))
    volume = volume + (1.0 - share) * np.exp(of_petrol * (1.0 + 0.8 * of_petrol))
    return np.asarray(mass / volume)[()]


def fuel_viscosity_mm2_s(ethanol_percent: ArrayLike, temperature_degc: ArrayLike) -> FloatArray:
    r"""Kinematic viscosity of petrol with ethanol at a temperature.

    .. math:: \ln\nu = x \ln\nu_e + (1 - x) \ln\nu_p, \qquad
              \ln\frac{\nu_i(T)}{\nu_{i,20}} = -c_i\,T_{20}^2\left(\frac1T - \frac1{T_{20}}\right)

    Parameters
    ----------
    ethanol_percent, temperature_degc : array_like, shape (...)
        Ethanol by volume at 15 degC, 0 to 100, and fuel temperature, -40 to 80. [%, degC]

    Returns
    -------
    float or array, shape (...)
        Kinematic viscosity: petrol 0.62 mm2/s at 20 degC falling *c* = 1.1 % per K there, ethanol 1.51 falling 1.88 %. An
        unknown petrol lies within 0.10 of it (judgement); 10 % ethanol gives 9 % more, where 5 to 10 % is reported. [mm2/s]

    References
    ----------
    .. [1] Andrade, "The viscosity of liquids", *Nature* 125 (1930) 309-310 (citation from memory).
    .. [2] Arrhenius, *Zeitschrift für Physikalische Chemie* 1 (1887) 285-298 (citation from memory).

    Examples
    --------
    >>> print(f"{fuel_viscosity_mm2_s(0.0, 20.0):.2f} and {fuel_viscosity_mm2_s(0.0, 40.0):.2f}")
    0.62 and 0.50
    """
    share = _volume_share(ethanol_percent)
    kelvin, reference = kelvin_from_degc(_fuel_temperature(temperature_degc)), kelvin_from_degc(VISCOSITY_DEGC)
    steps = reference * (1.0 - reference / kelvin)  # t - 20 close to 20 degC
    ln_petrol = np.log(PETROL_MM2_S) + PETROL_VISCOSITY_PER_K * steps
    ln_ethanol = np.log(ETHANOL_MM2_S) + ETHANOL_VISCOSITY_PER_K * steps
    return np.asarray(np.exp(share * ln_ethanol + (1.0 - share) * ln_petrol))[()]


def lambda_factor_of_fuel(
    viscous_fraction: ArrayLike,
    *,
    afr_ratio: ArrayLike = 1.0,
    density_ratio: ArrayLike = 1.0,
    viscosity_ratio: ArrayLike = 1.0,
) -> FloatArray:
    r"""Lambda after a change of fuel over that before, at the same lift, depression and air.

    .. math:: \frac{\lambda'}{\lambda} = \frac{1}{r_\mathrm{AFR}\,x}, \qquad
              (1-\phi)\,\frac{x^2}{r_\rho} + \phi\,r_\nu\,x = 1

    Parameters
    ----------
    viscous_fraction : array_like, shape (...)
        Share :math:`\phi` of the pressure difference that viscosity took with the old fuel, 0 to 1. [-]
    afr_ratio, density_ratio, viscosity_ratio : array_like, shape (...)
        Stoichiometric air-fuel ratio, density and kinematic viscosity of the new fuel over the old, 0.1 to 10. [-]

    Returns
    -------
    float or array, shape (...)
        Factor on lambda; above 1 is leaner. For 20 % of viscosity it differs from :func:`bore_flow`, which to ask where
        needle and jet are known, by 0.4 % at :math:`\phi` = 0.5 and 2 % at 0.1. [-]

    References
    ----------
    .. [1] Derived for this project from the pressure balance of the gap; *x* is the factor on the mass flow of fuel.

    Examples
    --------
    >>> print(f"{lambda_factor_of_fuel(0.0, afr_ratio=13.986 / 14.575, density_ratio=749.9 / 745):.4f}")
    1.0387
    """
    fraction = check_each(viscous_fraction, "viscous_fraction", 0.0, 1.0, cure="It is a share of the pressure.")
    inertial = (1.0 - fraction) / _ratio(density_ratio, "density_ratio")
    viscous = fraction * _ratio(viscosity_ratio, "viscosity_ratio")
    # One over x; the root is written so that neither limit divides zero by zero.
    return np.asarray((viscous + np.sqrt(viscous**2 + 4.0 * inertial)) / 2.0 / _ratio(afr_ratio, "afr_ratio"))[()]


def _volume_share(ethanol_percent: ArrayLike) -> FloatArray:
    return check_each(ethanol_percent, "ethanol_percent", 0.0, 100.0, cure="State it in per cent by volume.") / 100.0


def _fuel_temperature(temperature_degc: ArrayLike) -> FloatArray:
    return check_each(temperature_degc, "temperature_degc", -40.0, 80.0, cure="It is the fuel's, in degC.")


def _ratio(value: ArrayLike, name: str) -> FloatArray:
    return check_each(value, name, 0.1, 10.0, cure="It is new over old.")


def slope_head_mm(float_ahead_mm: ArrayLike, slope_percent: ArrayLike) -> FloatArray:
    r"""Head of fuel that a slope of the road adds at the jet, :math:`h = L \sin(\arctan(s))`.

    Parameters
    ----------
    float_ahead_mm, slope_percent : array_like, shape (...)
        How far the float chamber lies ahead of the jet, along the car, negative behind it, -300 to 300; rise of the road
        over its run, positive uphill, -40 to 40. [mm, %]

    Returns
    -------
    array, shape (...)
        How much higher the fuel stands at the jet; positive is richer. Braking and pulling away add :math:`L a / g`. [mm]

    Raises
    ------
    InputError
        If a value is out of range.

    References
    ----------
    .. [1] Hydrostatics: the free surface of a liquid at rest is level (any textbook).

    Examples
    --------
    >>> print(slope_head_mm(70.0, [10.0, -10.0]).round(2))
    [ 6.97 -6.97]
    """
    ahead = check_each(float_ahead_mm, "float_ahead_mm", -300.0, 300.0, cure="Measure from jet to float along the car.")
    slope = check_each(slope_percent, "slope_percent", -40.0, 40.0, cure="10 rises 10 m on 100 m.")
    return np.asarray(ahead * np.sin(np.arctan(slope / 100.0)))
