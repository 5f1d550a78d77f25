r"""Dry exhaust gas, its CO, and lambda, each from the other; and what an analyser and a lambda meter tell of them.

One carbon atom of the fuel CH\ :sub:`y`\ O\ :sub:`z` burns in air. What oxygen is short by, CO and hydrogen share as the
water-gas reaction had it when it froze,

.. math:: K = \frac{[\mathrm{CO}]\,[\mathrm{H_2O}]}{[\mathrm{CO_2}]\,[\mathrm{H_2}]} .

Water is taken out before an analyser, so per cents are by volume of the dry gas.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_choice, check_each
from needlecalc.errors import InputError
from needlecalc.physics.fuel import OXYGEN_SHARE_OF_AIR, PETROL_H_PER_C
from needlecalc.units import STANDARD_PA, FloatArray

WATER_GAS_CONSTANT: Final = 3.5
NITROGEN_PER_OXYGEN: Final = (1.0 - OXYGEN_SHARE_OF_AIR) / OXYGEN_SHARE_OF_AIR  # argon counted as nitrogen
RICHEST_LAMBDA: Final = 0.6
LEANEST_LAMBDA: Final = 4.0
DRY_CURE = "It is per cent by volume of dry gas."

# The analyser's standard petrol, and the carbon that one ppm of hexane on its scale stands for.
ANALYSER_H_PER_C: Final = 1.7261
ANALYSER_O_PER_C: Final = 0.0176
ANALYSER_K1_PERCENT_PER_PPM: Final = 6.0e-4
CARBON_OF_HYDROCARBON: Final = {"hexane": 6.0, "propane": 3.0}
LEAST_CARBON_SUM_PERCENT: Final = 12.0  # common practice, no source
# Largest errors allowed of a good analyser, absolute and as a share, the greater holds: OIML R 99, class I (from memory).
CO_ERROR_PERCENT, CO2_ERROR_PERCENT, O2_ERROR_PERCENT, HC_ERROR_PPM = 0.06, 0.5, 0.1, 12.0
ERROR_SHARE: Final = 0.05
METHOD_LAMBDA_U: Final = 0.005  # fuel and water-gas constant unlike those of the formula; judgement, no source
BARRIER_PA: Final = 48e3  # of a planar wideband sensor (from memory): pressure at which both kinds of diffusion count alike

HydrocarbonScale = Literal["hexane", "propane"]


class DryExhaust(NamedTuple):
    """Composition of dry exhaust gas by volume; the five add up to 100 %."""

    co2_percent: FloatArray
    co_percent: FloatArray
    h2_percent: FloatArray
    o2_percent: FloatArray
    n2_percent: FloatArray  # with argon


class Dilution(NamedTuple):
    """How much air stands in a dry exhaust sample beside the burnt gas."""

    sum_percent: FloatArray  # CO2 + CO as read
    undiluted_sum_percent: FloatArray  # the same of this CO/CO2 ratio without any air
    air_share: FloatArray  # of the dry sample, by volume
    o2_of_air_percent: FloatArray  # oxygen that this air brings
    diluted: NDArray[np.bool_]  # the sum is below 12 %


def dry_exhaust(
    lambda_ratio: ArrayLike,
    *,
    h_per_c: ArrayLike = PETROL_H_PER_C,
    o_per_c: ArrayLike = 0.0,
    water_gas: ArrayLike = WATER_GAS_CONSTANT,
    residual_o2_percent: ArrayLike = 0.0,
) -> DryExhaust:
    r"""Dry exhaust of a mixture, rich or lean, by the frozen water-gas balance.

    Parameters
    ----------
    lambda_ratio : array_like, shape (...)
        Lambda, 0.6 to 4. [-]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        Hydrogen and oxygen atoms per carbon atom of the fuel, 0.5 to 4 and 0 to 1; water-gas constant *K*, 0.5 to 10. [-]
    residual_o2_percent : array_like, shape (...)
        Oxygen left unused in the dry gas, 0 to 10, or what complete burning leaves where that is more. [%]

    Returns
    -------
    DryExhaust
        CO2, CO, H2, O2 and N2 (with argon) in per cent by volume.

    Raises
    ------
    InputError
        If a value is out of range, or so little oxygen is left that soot would form.

    Notes
    -----
    Carbon, hydrogen and oxygen balances with *K* make one quadratic in CO; no hydrocarbons, no NO, no dissociation. Common
    practice puts 1.2 % CO beside lambda 0.97, where this has 1.08 %.

    References
    ----------
    .. [1] Brettschneider, *Bosch Technische Berichte* 6 (1979) 4, 177-186, and Spindt, SAE paper 650507, 1965: constant 3.5,
       the equilibrium at some 1720 K.

    Examples
    --------
    >>> gas = dry_exhaust(0.9)
    >>> print(f"CO {gas.co_percent:.2f}, CO2 {gas.co2_percent:.2f}, H2 {gas.h2_percent:.2f}")
    CO 3.69, CO2 12.88, H2 1.16
    """
    cure = "Give lambda, not an air-fuel ratio."
    ratio = check_each(lambda_ratio, "lambda_ratio", RICHEST_LAMBDA, LEANEST_LAMBDA, cure=cure)
    y, z, constant = _checked_fuel(h_per_c, o_per_c, water_gas)
    residual = check_each(residual_o2_percent, "residual_o2_percent", 0.0, 10.0, cure=DRY_CURE)
    burnt_o2 = 1.0 + y / 4.0 - z / 2.0
    nitrogen = NITROGEN_PER_OXYGEN * ratio * burnt_o2
    # All for one carbon atom.  Free oxygen n = f (total - co) / (1 - 3 f) keeps the quadratic a quadratic.
    water = 2.0 * ratio * burnt_o2 + z - 2.0
    total = 1.0 + y / 2.0 - water + nitrogen
    share = residual / 100.0 / (1.0 - 3.0 * residual / 100.0)
    slope = 1.0 + 2.0 * share
    hydrogen_at_no_co = y / 2.0 - water + 2.0 * share * total
    lack = np.maximum(hydrogen_at_no_co, 0.0)  # nothing is short on the lean side
    b = y / 2.0 - hydrogen_at_no_co + constant * (slope + lack)
    co = 2.0 * constant * lack / (b + np.sqrt(b**2 + 4.0 * slope * (1.0 - constant) * constant * lack))
    if not (co < 1.0).all():
        msg = "lambda_ratio is too rich for this fuel: no oxygen is left for CO2, soot would form; check it."
        raise InputError(msg)
    hydrogen = lack - slope * co
    short = hydrogen_at_no_co > 0.0
    oxygen = np.where(short, share * (total - co), (ratio - 1.0) * burnt_o2)
    # Rounding may leave a hair below zero at lambda 1.
    oxygen, hydrogen = np.maximum(oxygen, 0.0), np.where(short, np.maximum(hydrogen, 0.0), 0.0)
    percent = 100.0 / (1.0 + hydrogen + oxygen + nitrogen)
    parts = (1.0 - co, co, hydrogen, oxygen, nitrogen)
    return DryExhaust(*(np.asarray(part * percent)[()] for part in parts))


def lambda_of_co_percent(
    co_percent: ArrayLike,
    *,
    h_per_c: ArrayLike = PETROL_H_PER_C,
    o_per_c: ArrayLike = 0.0,
    water_gas: ArrayLike = WATER_GAS_CONSTANT,
    o2_percent: ArrayLike = 0.0,
) -> FloatArray:
    r"""Lambda that goes with a CO and an O2 reading, CO2 not known: the exact inverse of :func:`dry_exhaust`.

    Parameters
    ----------
    co_percent, o2_percent : array_like, shape (...)
        CO and O2 by volume of the dry gas, 0 to 15. [%]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        As of :func:`dry_exhaust`. [-]

    Returns
    -------
    float or array, shape (...)
        Lambda; at equal CO each 0.1 % of oxygen raises it by some 0.0045, and without CO it is 1 or leaner. [-]

    Raises
    ------
    InputError
        If a value is out of range, or the readings belong to no mixture between lambda 0.6 and 4.

    Examples
    --------
    >>> print(f"{lambda_of_co_percent(1.2):.3f} and {lambda_of_co_percent(1.2, o2_percent=0.7):.3f}")
    0.967 and 0.997
    """
    co = check_each(co_percent, "co_percent", 0.0, 15.0, cure=DRY_CURE) / 100.0
    oxygen = check_each(o2_percent, "o2_percent", 0.0, 15.0, cure=DRY_CURE) / 100.0
    y, z, constant = _checked_fuel(h_per_c, o_per_c, water_gas)
    # 1 = co2 + co + o2 + h2 + n2, times (K co2 + co): a co2^2 + b co2 + c = 0.
    per_co2 = 1.0 + NITROGEN_PER_OXYGEN * (1.0 - z / 2.0)
    without = co + oxygen - 1.0 + NITROGEN_PER_OXYGEN * (co / 2.0 + oxygen - z * co / 2.0)
    of_hydrogen = NITROGEN_PER_OXYGEN * y / 4.0
    a = constant * (per_co2 + of_hydrogen)
    b = constant * without + co * per_co2 + co * y / 2.0 + of_hydrogen * constant * co
    c = co * without + y / 2.0 * co**2
    inside = b**2 - 4.0 * a * c
    co2 = (-b + np.sqrt(np.maximum(inside, 0.0))) / (2.0 * a)
    known = (inside >= 0.0) & (co2 > 0.0)
    ratio = _oxygen_over_need(np.where(known, co2, 1.0), co, oxygen, (y, z, constant))
    if not (known & (ratio >= RICHEST_LAMBDA - 1e-9) & (ratio <= LEANEST_LAMBDA + 1e-9)).all():
        msg = (
            "co_percent and o2_percent belong to no mixture between lambda 0.6 and 4; "
            "check the readings and that they are of dry gas in per cent."
        )
        raise InputError(msg)
    return ratio[()]


def _oxygen_over_need(
    co2: FloatArray,
    co: FloatArray,
    oxygen: FloatArray,
    fuel: tuple[FloatArray, FloatArray, FloatArray],
    unburnt_carbon: FloatArray | float = 0.0,
) -> FloatArray:
    """Oxygen found in dry gas over what its carbon needs: Brettschneider's balance, all in one unit."""
    carbon, (y, z, constant) = co2 + co, fuel
    hydrogen = y / 4.0 * constant * co2 / (constant * co2 + co) - z / 2.0
    found = co2 + co / 2.0 + oxygen + hydrogen * carbon
    return np.asarray(found / ((1.0 + y / 4.0 - z / 2.0) * (carbon + unburnt_carbon)))


def _checked_fuel(h_per_c: ArrayLike, o_per_c: ArrayLike, water_gas: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Atoms of the fuel and water-gas constant, if they are possible."""
    return (
        check_each(h_per_c, "h_per_c", 0.5, 4.0, cure="It counts hydrogen atoms for one carbon atom."),
        check_each(o_per_c, "o_per_c", 0.0, 1.0, cure="It counts oxygen atoms for one carbon atom."),
        check_each(water_gas, "water_gas", 0.5, 10.0, cure="The usual figure is 3.5."),
    )


def brettschneider_lambda(
    co2_percent: ArrayLike,
    co_percent: ArrayLike,
    o2_percent: ArrayLike,
    *,
    hc_ppm: ArrayLike,
    hc_as: HydrocarbonScale,
    no_ppm: ArrayLike = 0.0,
    h_per_c: ArrayLike = ANALYSER_H_PER_C,
    o_per_c: ArrayLike = ANALYSER_O_PER_C,
    water_gas: ArrayLike = WATER_GAS_CONSTANT,
    k1_percent_per_ppm: ArrayLike = ANALYSER_K1_PERCENT_PER_PPM,
) -> FloatArray:
    r"""Lambda from a four- or five-gas analyser, after Brettschneider.

    .. math:: \lambda = \frac{[\mathrm{CO_2}] + \frac{[\mathrm{CO}]}{2} + [\mathrm{O_2}]
              + \frac{[\mathrm{NO}]}{2} + \left(\frac{y}{4}\,\frac{K}{K + [\mathrm{CO}]/[\mathrm{CO_2}]}
              - \frac{z}{2}\right)([\mathrm{CO_2}] + [\mathrm{CO}])}
              {\left(1 + \frac{y}{4} - \frac{z}{2}\right)
              ([\mathrm{CO_2}] + [\mathrm{CO}] + K_1 [\mathrm{HC}])}

    Parameters
    ----------
    co2_percent, co_percent, o2_percent : array_like, shape (...)
        Readings of the dry gas by volume. [%]
    hc_ppm, no_ppm : array_like, shape (...)
        Hydrocarbons and NO by volume. [ppm]
    hc_as : {"hexane", "propane"}
        What the hydrocarbon reading counts, as the analyser's plate says; one ppm as propane is half the carbon. [-]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        As of :func:`dry_exhaust`; the defaults are the analysers' own fuel. [-]
    k1_percent_per_ppm : array_like, shape (...)
        *K1*: per cent of carbon for one ppm as hexane; some analysers take 12e-4 for petrol. [%/ppm]

    Returns
    -------
    float or array, shape (...)
        Lambda; air that leaks in raises it as if the engine had breathed it. [-]

    Raises
    ------
    InputError
        If a reading is out of range, no carbon is read at all, or ``hc_as`` is neither word.

    References
    ----------
    .. [1] Brettschneider, "Berechnung des Luftverhältnisses lambda", *Bosch Technische Berichte* 6 (1979) 4, 177-186.
    .. [2] OIML R 99 / ISO 3930, *Instruments for measuring vehicle exhaust emissions* (H/C and O/C from memory).

    Examples
    --------
    >>> print(f"{brettschneider_lambda(13.2, 3.0, 0.6, hc_ppm=250.0, hc_as='hexane'):.4f}")
    0.9338
    """
    check_choice(hc_as, "hc_as", tuple(CARBON_OF_HYDROCARBON), cure="see the analyser's plate.")
    co2, co = _checked_carbon(co2_percent, co_percent)
    oxygen = check_each(o2_percent, "o2_percent", 0.0, 25.0, cure=DRY_CURE)
    hydrocarbons = check_each(hc_ppm, "hc_ppm", 0.0, 50e3, cure="One per cent is 10000 ppm.")
    nitric = check_each(no_ppm, "no_ppm", 0.0, 10e3, cure="One per cent is 10000 ppm.")
    k1 = check_each(k1_percent_per_ppm, "k1_percent_per_ppm", 0.0, 0.01, cure="The usual figure is 6e-4.")
    carbon = k1 * hydrocarbons * CARBON_OF_HYDROCARBON[hc_as] / CARBON_OF_HYDROCARBON["hexane"]
    # One molecule of NO holds half as much oxygen as one of O2; ppm to per cent.
    oxygen = oxygen + nitric / 1e4 / 2.0
    return _oxygen_over_need(co2, co, oxygen, _checked_fuel(h_per_c, o_per_c, water_gas), carbon)[()]


def gas_lambda_uncertainty(
    co2_percent: ArrayLike, co_percent: ArrayLike, o2_percent: ArrayLike, *, hc_ppm: ArrayLike, hc_as: HydrocarbonScale
) -> FloatArray:
    """Standard uncertainty (k = 1) of :func:`brettschneider_lambda` of a gas read with a good analyser.

    Parameters
    ----------
    co2_percent, co_percent, o2_percent, hc_ppm, hc_as
        As of :func:`brettschneider_lambda`. [%, ppm]

    Returns
    -------
    float or array, shape (...)
        Standard uncertainty of lambda; air that leaked into the sample is not in it. [-]

    References
    ----------
    .. [1] OIML R 99-1 / ISO 3930, *Instruments for measuring vehicle exhaust emissions*: no reading is off by more than
       class I allows (from memory), evenly spread; 0.005 more is for the formula's fuel and constant (judgement).
    .. [2] JCGM 100, *Guide to the expression of uncertainty in measurement*, 2008, 4.3.7 and 5.1.2.

    Examples
    --------
    >>> print(f"{gas_lambda_uncertainty(14.4, 0.9, 0.5, hc_ppm=210.0, hc_as='hexane'):.4f}")
    0.0057
    """
    readings = [np.asarray(one, dtype=np.float64) for one in (co2_percent, co_percent, o2_percent, hc_ppm)]
    floors = (CO2_ERROR_PERCENT, CO_ERROR_PERCENT, O2_ERROR_PERCENT, HC_ERROR_PPM)
    total = np.asarray(METHOD_LAMBDA_U**2)
    for k, floor in enumerate(floors):
        error = np.maximum(floor, ERROR_SHARE * readings[k])
        ends = [[*readings[:k], np.maximum(readings[k] + sign * error, 0.0), *readings[k + 1 :]] for sign in (1.0, -1.0)]
        high, low = (brettschneider_lambda(*gas[:3], hc_ppm=gas[3], hc_as=hc_as) for gas in ends)
        width = ends[0][k] - ends[1][k]
        total = total + ((high - low) / width * error) ** 2 / 3.0
    return np.asarray(np.sqrt(total))[()]


def dilution(
    co2_percent: ArrayLike,
    co_percent: ArrayLike,
    *,
    h_per_c: ArrayLike = PETROL_H_PER_C,
    o_per_c: ArrayLike = 0.0,
    water_gas: ArrayLike = WATER_GAS_CONSTANT,
) -> Dilution:
    r"""Air in an exhaust sample, from the sum of its carbon gases.

    .. math:: a = 1 - \frac{[\mathrm{CO_2}] + [\mathrm{CO}]}{S(r)}, \qquad
              r = \frac{[\mathrm{CO}]}{[\mathrm{CO_2}]}

    Parameters
    ----------
    co2_percent, co_percent : array_like, shape (...)
        Readings of the dry gas by volume. [%]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        As of :func:`dry_exhaust`. [-]

    Returns
    -------
    Dilution
        Sum, sum without air (*S*: 15.3 % at lambda 1, 16.6 at 0.90), share of air, the oxygen it brings, and whether the sum
        is below 12 % (common practice, no source). Unburnt mixture and lean running show as air too, but a lean mixture
        falls to 12 % only at lambda 1.26; a share far below zero is an instrument fault.

    Examples
    --------
    >>> found = dilution(9.0, 1.5)
    >>> print(f"air {found.air_share:.2f}, diluted {found.diluted}")
    air 0.34, diluted True
    """
    co2, co = _checked_carbon(co2_percent, co_percent)
    y, z, constant = _checked_fuel(h_per_c, o_per_c, water_gas)
    carbon = co2 + co
    to_water = constant * co2 / (constant * co2 + co)
    used_oxygen = (co2 + co / 2.0) / carbon + y / 4.0 * to_water - z / 2.0
    undiluted = 100.0 / (1.0 + y / 2.0 * (1.0 - to_water) + NITROGEN_PER_OXYGEN * used_oxygen)
    air = 1.0 - carbon / undiluted
    diluted = np.asarray(carbon < LEAST_CARBON_SUM_PERCENT)[()]
    return Dilution(carbon, undiluted, air, 100.0 * OXYGEN_SHARE_OF_AIR * air, diluted)


def meter_reading(lambda_true: ArrayLike, pressure_pa: ArrayLike) -> FloatArray:
    r"""Lambda that a wideband meter set at sea level shows where the exhaust has another pressure.

    Parameters
    ----------
    lambda_true, pressure_pa : array_like, shape (...)
        Lambda of the mixture, 0.6 to 2, and absolute pressure at the sensor, 30e3 to 300e3. [-, Pa]

    Returns
    -------
    array, shape (...)
        Lambda shown: nearer to 1 under less pressure, farther from it under more. A controller that knows the pressure
        takes this out. [-]

    References
    ----------
    .. [1] Pollard and Present, "On gaseous self-diffusion in long capillary tubes", Phys. Rev. 73 (1948) 762 (from memory):
       :math:`I \propto (1 - 1/\lambda)\,p/(k + p)`, *k* of a planar sensor 48 kPa (from memory, no source seen).

    Examples
    --------
    >>> print(meter_reading([0.88, 1.10], 73.7e3).round(3))
    [0.892 1.088]
    """
    true = check_each(lambda_true, "lambda_true", 0.6, 2.0, cure="It is a lambda.")
    pressure = check_each(pressure_pa, "pressure_pa", 30e3, 300e3, cure="It is absolute, in Pa.")
    gain = (pressure / (BARRIER_PA + pressure)) / (STANDARD_PA / (BARRIER_PA + STANDARD_PA))
    return np.asarray(1.0 / (1.0 - gain * (1.0 - 1.0 / true)))


def _checked_carbon(co2_percent: ArrayLike, co_percent: ArrayLike) -> tuple[FloatArray, FloatArray]:
    """CO2 and CO as read, if there is carbon in them."""
    co2 = check_each(co2_percent, "co2_percent", 0.0, 25.0, cure=DRY_CURE)
    co = check_each(co_percent, "co_percent", 0.0, 25.0, cure=DRY_CURE)
    if not (co2 + co > 0.0).all():
        msg = "co2_percent and co_percent are both 0: no exhaust is read; check probe and hose."
        raise InputError(msg)
    return co2, co
