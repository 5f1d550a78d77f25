"""Lambda of a rich exhaust from its CO, and back."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.fuel import PETROL_H_PER_C
from needlecalc.units import FloatArray

WATER_GAS_CONSTANT = 3.5
NITROGEN_PER_OXYGEN = 3.773


def co_percent_of_lambda(
    lambda_ratio: ArrayLike,
    *,
    h_per_c: float = PETROL_H_PER_C,
    water_gas: float = WATER_GAS_CONSTANT,
) -> FloatArray:
    r"""CO in the dry exhaust of a rich mixture without left-over oxygen.

    Parameters
    ----------
    lambda_ratio : array_like, shape (...)
        Lambda, 0.7 to 1. [-]
    h_per_c : float
        Hydrogen atoms per carbon atom of the fuel. [-]
    water_gas : float
        Constant of the water-gas balance, CO H2O / (CO2 H2). [-]

    Returns
    -------
    array, shape (...)
        CO by volume of the dry exhaust. [%]

    Raises
    ------
    InputError
        If lambda lies outside 0.7 to 1.

    Notes
    -----
    Carbon, hydrogen and oxygen balances closed by the frozen water-gas equilibrium: one quadratic.  A
    real engine keeps some oxygen; each 0.1 % of it hides some 0.0045 lambda at equal CO.

    References
    ----------
    .. [1] Brettschneider, *Bosch Technische Berichte* 6 (1979) 4, 177-186 (constant 3.5).

    Examples
    --------
    >>> print(f"{co_percent_of_lambda(0.97):.2f}")
    1.08
    """
    ratio = np.asarray(lambda_ratio, dtype=np.float64)
    if not ((ratio >= 0.7) & (ratio <= 1.0)).all():
        msg = "CO tells lambda only from 0.7 to 1.0; above 1.0 measure oxygen or use a lambda sensor."
        raise InputError(msg)
    oxygen = 2.0 * ratio * (1.0 + h_per_c / 4.0)
    # co + co2 = 1; h2o = oxygen - 2 + co; h2 = h/2 - h2o; co h2o = K co2 h2, a quadratic in co.
    water = oxygen - 2.0
    a = 1.0 - water_gas
    b = water + water_gas * (h_per_c / 2.0 - water + 1.0)
    c = -water_gas * (h_per_c / 2.0 - water)
    co = 2.0 * -c / (b + np.sqrt(np.maximum(b * b - 4.0 * a * c, 0.0)))
    hydrogen = h_per_c / 2.0 - water - co
    nitrogen = NITROGEN_PER_OXYGEN * oxygen / 2.0
    return np.asarray(100.0 * co / (1.0 + hydrogen + nitrogen))


def lambda_of_co_percent(co_percent: float, *, h_per_c: float = PETROL_H_PER_C) -> float:
    """Lambda that goes with a CO reading, no oxygen left over.

    Parameters
    ----------
    co_percent : float
        CO by volume of the dry exhaust, 0 to 11. [%]
    h_per_c : float
        Hydrogen atoms per carbon atom of the fuel. [-]

    Returns
    -------
    float
        Lambda. [-]

    Raises
    ------
    InputError
        If the reading lies outside what a rich mixture gives.

    Examples
    --------
    >>> print(f"{lambda_of_co_percent(1.2):.3f}")
    0.967
    """
    from scipy.optimize import brentq

    top = float(co_percent_of_lambda(0.7, h_per_c=h_per_c))
    if not 0.0 <= co_percent <= top:
        msg = f"co_percent is {co_percent:g}, but must lie between 0 and {top:.1f} % by volume; check the reading."
        raise InputError(msg)
    return float(brentq(lambda r: float(co_percent_of_lambda(r, h_per_c=h_per_c)) - co_percent, 0.7, 1.0))
