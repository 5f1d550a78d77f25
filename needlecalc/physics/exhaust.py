r"""Dry exhaust gas, its CO, and lambda, each from the other.

One carbon atom of the fuel CH\ :sub:`y`\ O\ :sub:`z` burns in air. What oxygen is short by, CO and hydrogen share as the
water-gas reaction had it when it froze,

.. math:: K = \frac{[\mathrm{CO}]\,[\mathrm{H_2O}]}{[\mathrm{CO_2}]\,[\mathrm{H_2}]} .

Water is taken out before an analyser, so per cents are by volume of the dry gas.
"""

from __future__ import annotations

from typing import Final, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each
from needlecalc.errors import InputError
from needlecalc.physics.fuel import OXYGEN_SHARE_OF_AIR, PETROL_H_PER_C
from needlecalc.units import FloatArray

WATER_GAS_CONSTANT: Final = 3.5
NITROGEN_PER_OXYGEN: Final = (1.0 - OXYGEN_SHARE_OF_AIR) / OXYGEN_SHARE_OF_AIR  # argon counted as nitrogen
RICHEST_LAMBDA: Final = 0.6
LEANEST_LAMBDA: Final = 4.0
DRY_CURE = "It is per cent by volume of dry gas."


class DryExhaust(NamedTuple):
    """Composition of dry exhaust gas by volume; the five add up to 100 %."""

    co2_percent: FloatArray
    co_percent: FloatArray
    h2_percent: FloatArray
    o2_percent: FloatArray
    n2_percent: FloatArray  # with argon


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
        Oxygen that stays unused in the dry gas, 0 to 10; a real engine keeps 0.3 to 1. Where complete burning leaves
        more, that more is taken. [%]

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
    Carbon, hydrogen and oxygen balances with *K* make one quadratic in CO. *K* = 3.5 is common to the two classic
    formulas and is the equilibrium at some 1720 K. No hydrocarbons and no NO; at lambda near 1 the dissociation left in
    a real gas adds some 0.1 % CO. Common practice puts 1.2 % CO beside lambda 0.97, where this has 1.08 %.

    References
    ----------
    .. [1] Brettschneider, *Bosch Technische Berichte* 6 (1979) 4, 177-186 (constant 3.5).
    .. [2] Spindt, SAE paper 650507, 1965 (constant 3.5).

    Examples
    --------
    >>> gas = dry_exhaust(0.9)
    >>> print(f"CO {gas.co_percent:.2f}, CO2 {gas.co2_percent:.2f}, H2 {gas.h2_percent:.2f}")
    CO 3.69, CO2 12.88, H2 1.16
    """
    cure = "Give lambda, not an air-fuel ratio."
    ratio = check_each(lambda_ratio, "lambda_ratio", RICHEST_LAMBDA, LEANEST_LAMBDA, cure=cure)
    y, z, constant = checked_fuel(h_per_c, o_per_c, water_gas)
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
    r"""Lambda that goes with a CO and an O2 reading, CO2 not known.

    Parameters
    ----------
    co_percent, o2_percent : array_like, shape (...)
        CO and O2 by volume of the dry gas, 0 to 15. [%]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        As of :func:`dry_exhaust`. [-]

    Returns
    -------
    float or array, shape (...)
        Lambda. [-]

    Raises
    ------
    InputError
        If a value is out of range, or the readings belong to no mixture between lambda 0.6 and 4.

    Notes
    -----
    The exact inverse of :func:`dry_exhaust`: that the dry gas adds up to 100 % is one quadratic in CO2. At equal CO each
    0.1 % of oxygen raises lambda by some 0.0045, so CO alone tells lambda only where the oxygen is known; at zero CO
    lambda is 1 or leaner, as the oxygen says.

    References
    ----------
    .. [1] Brettschneider, *Bosch Technische Berichte* 6 (1979) 4, 177-186.

    Examples
    --------
    >>> print(f"{lambda_of_co_percent(1.2):.3f} and {lambda_of_co_percent(1.2, o2_percent=0.7):.3f}")
    0.967 and 0.997
    """
    co = check_each(co_percent, "co_percent", 0.0, 15.0, cure=DRY_CURE) / 100.0
    oxygen = check_each(o2_percent, "o2_percent", 0.0, 15.0, cure=DRY_CURE) / 100.0
    y, z, constant = checked_fuel(h_per_c, o_per_c, water_gas)
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
    ratio = oxygen_over_need(np.where(known, co2, 1.0), co, oxygen, y, z, constant)
    if not (known & (ratio >= RICHEST_LAMBDA - 1e-9) & (ratio <= LEANEST_LAMBDA + 1e-9)).all():
        msg = (
            "co_percent and o2_percent belong to no mixture between lambda 0.6 and 4; "
            "check the readings and that they are of dry gas in per cent."
        )
        raise InputError(msg)
    return ratio[()]


def oxygen_over_need(
    co2: FloatArray,
    co: FloatArray,
    oxygen: FloatArray,
    y: FloatArray,
    z: FloatArray,
    constant: FloatArray,
    unburnt_carbon: FloatArray | float = 0.0,
    nitric: FloatArray | float = 0.0,
) -> FloatArray:
    """Oxygen found in dry gas over what its carbon needs: Brettschneider's balance, all in one unit."""
    carbon = co2 + co
    hydrogen = y / 4.0 * constant * co2 / (constant * co2 + co) - z / 2.0
    found = co2 + co / 2.0 + oxygen + nitric / 2.0 + hydrogen * carbon
    return np.asarray(found / ((1.0 + y / 4.0 - z / 2.0) * (carbon + unburnt_carbon)))


def checked_fuel(h_per_c: ArrayLike, o_per_c: ArrayLike, water_gas: ArrayLike) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Atoms of the fuel and water-gas constant, if they are possible."""
    return (
        check_each(h_per_c, "h_per_c", 0.5, 4.0, cure="It counts hydrogen atoms for one carbon atom."),
        check_each(o_per_c, "o_per_c", 0.0, 1.0, cure="It counts oxygen atoms for one carbon atom."),
        check_each(water_gas, "water_gas", 0.5, 10.0, cure="The usual figure is 3.5."),
    )
