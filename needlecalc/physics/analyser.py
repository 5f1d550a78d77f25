"""What an exhaust analyser tells: lambda with its uncertainty, and air that leaked into the sample."""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_choice, check_each
from needlecalc.errors import InputError
from needlecalc.physics.exhaust import DRY_CURE, NITROGEN_PER_OXYGEN, WATER_GAS_CONSTANT, checked_fuel, oxygen_over_need
from needlecalc.physics.fuel import OXYGEN_SHARE_OF_AIR, PETROL_H_PER_C
from needlecalc.units import STANDARD_PA, FloatArray

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


class Dilution(NamedTuple):
    """How much air stands in a dry exhaust sample beside the burnt gas."""

    sum_percent: FloatArray  # CO2 + CO as read
    undiluted_sum_percent: FloatArray  # the same of this CO/CO2 ratio without any air
    air_share: FloatArray  # of the dry sample, by volume
    o2_of_air_percent: FloatArray  # oxygen that this air brings
    diluted: NDArray[np.bool_]  # the sum is below 12 %


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
        What the hydrocarbon reading counts; the analyser's plate says. One ppm as propane counts half the carbon. [-]
    h_per_c, o_per_c, water_gas : array_like, shape (...)
        As of :func:`dry_exhaust`; the defaults are the analysers' own fuel. [-]
    k1_percent_per_ppm : array_like, shape (...)
        *K1*: per cent of carbon for one ppm as hexane. 6e-4 counts six atoms; some analysers take 12e-4 for petrol,
        whose hydrocarbons infrared sees by half. [%/ppm]

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
    .. [1] Brettschneider, "Berechnung des Luftverhältnisses lambda von Luft-Kraftstoff-Gemischen und des
       Einflusses von Messfehlern auf lambda", *Bosch Technische Berichte* 6 (1979) 4, 177-186.
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
    y, z, constant = checked_fuel(h_per_c, o_per_c, water_gas)
    carbon = k1 * hydrocarbons * CARBON_OF_HYDROCARBON[hc_as] / CARBON_OF_HYDROCARBON["hexane"]
    return oxygen_over_need(co2, co, oxygen, y, z, constant, carbon, nitric / 1e4)[()]


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
        Standard uncertainty of lambda. [-]

    Notes
    -----
    Each reading is off by no more than OIML R 99 allows of class I, evenly spread (so over the root of three); the slopes
    are differences over those errors; 0.005 more is for the formula's fuel and water-gas constant (judgement). Air
    that leaked into the sample is not in it.

    References
    ----------
    .. [1] OIML R 99-1 / ISO 3930, *Instruments for measuring vehicle exhaust emissions* (errors of class I from memory).
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
        Sum, sum without air, share of air, the oxygen it brings, and whether the sum is below 12 %.

    Notes
    -----
    *S* is 15.3 % at lambda 1 and 16.6 % at 0.90, from the balances of :func:`dry_exhaust`. A leak after the engine,
    unburnt mixture and lean running all show as air: a lean mixture falls to 12 % only at lambda 1.26, where a warm petrol
    engine hardly runs, hence the limit (common practice, no source). A share well below zero is an instrument fault.

    Examples
    --------
    >>> found = dilution(9.0, 1.5)
    >>> print(f"air {found.air_share:.2f}, diluted {found.diluted}")
    air 0.34, diluted True
    """
    co2, co = _checked_carbon(co2_percent, co_percent)
    y, z, constant = checked_fuel(h_per_c, o_per_c, water_gas)
    carbon = co2 + co
    to_water = constant * co2 / (constant * co2 + co)
    used_oxygen = (co2 + co / 2.0) / carbon + y / 4.0 * to_water - z / 2.0
    undiluted = 100.0 / (1.0 + y / 2.0 * (1.0 - to_water) + NITROGEN_PER_OXYGEN * used_oxygen)
    air = 1.0 - carbon / undiluted
    return Dilution(
        np.asarray(carbon)[()],
        np.asarray(undiluted)[()],
        np.asarray(air)[()],
        np.asarray(100.0 * OXYGEN_SHARE_OF_AIR * air)[()],
        np.asarray(carbon < LEAST_CARBON_SUM_PERCENT)[()],
    )


def meter_reading(lambda_true: ArrayLike, pressure_pa: ArrayLike) -> FloatArray:
    r"""Lambda that a wideband meter set at sea level shows where the exhaust has another pressure.

    Parameters
    ----------
    lambda_true : array_like, shape (...)
        Lambda of the mixture, 0.6 to 2. [-]
    pressure_pa : array_like, shape (...)
        Absolute pressure at the sensor, 30e3 to 300e3. [Pa]

    Returns
    -------
    array, shape (...)
        Lambda shown: nearer to 1 under less pressure, farther from it under more. [-]

    Raises
    ------
    InputError
        If a value is out of range.

    Notes
    -----
    The pump current is limited by a barrier in which gas diffuses as between walls and as among molecules, in series:
    :math:`I \propto (1 - 1/\lambda)\,p/(k + p)`, with *k* of 48 kPa.  A controller that knows the pressure takes this out.
    20 kPa of back pressure make 0.88 read 0.874; such changes are left to the uncertainty of the meter's gain.

    References
    ----------
    .. [1] Pollard and Present, "On gaseous self-diffusion in long capillary tubes", Phys. Rev. 73 (1948) 762 (from
       memory); *k* of a planar sensor from memory, no source seen.

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
    """CO2 and CO as read, if there is any carbon in them."""
    co2 = check_each(co2_percent, "co2_percent", 0.0, 25.0, cure=DRY_CURE)
    co = check_each(co_percent, "co_percent", 0.0, 25.0, cure=DRY_CURE)
    if not (co2 + co > 0.0).all():
        msg = "co2_percent and co_percent are both 0: no exhaust is read; check probe and hose."
        raise InputError(msg)
    return co2, co
