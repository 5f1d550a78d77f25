"""Air through a hole behind the throttle."""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray, kelvin_from_degc

DRY_AIR_J_KG_K: Final = 287.05
HEAT_CAPACITY_RATIO: Final = 1.4
CRITICAL_RATIO: Final = (2.0 / (HEAT_CAPACITY_RATIO + 1.0)) ** (HEAT_CAPACITY_RATIO / (HEAT_CAPACITY_RATIO - 1.0))


def leak_flow_g_s(
    area_mm2: ArrayLike, manifold_pressure_pa: ArrayLike, *, pressure_pa: ArrayLike, temperature_degc: ArrayLike = 15.0
) -> FloatArray:
    r"""Air that a hole lets into the manifold.

    .. math:: \dot m = A\,p_0\sqrt{\frac{2\gamma}{(\gamma - 1) R T_0}\left(r^{2/\gamma} - r^{(\gamma + 1)/\gamma}\right)}

    Parameters
    ----------
    area_mm2 : array_like, shape (...)
        Effective area, contraction included. [mm2]
    manifold_pressure_pa : array_like, shape (...)
        Absolute pressure in the manifold. [Pa]
    pressure_pa : array_like, shape (...)
        Pressure of the air outside. [Pa]
    temperature_degc : array_like, shape (...)
        Temperature of the air outside. [degC]

    Returns
    -------
    float or array, shape (...)
        Air flow; none where the manifold stands at or above the outside. [g/s]

    Raises
    ------
    InputError
        If an area or pressure is below nought.

    Notes
    -----
    Below a pressure ratio of 0.528 the hole runs at the speed of sound and its flow no longer depends on
    the manifold: the excess of lambda then falls as one over the air flow.

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, appendix C (flow through
       a restriction; page from memory).

    Examples
    --------
    >>> print(f"{leak_flow_g_s(1.0, 40e3, pressure_pa=101325.0, temperature_degc=20.0):.3f} g/s")
    0.239 g/s
    """
    area = check_each(area_mm2, "area_mm2", 0.0, cure="It is in mm2.")
    inside = check_each(manifold_pressure_pa, "manifold_pressure_pa", 0.0, allow_nan=True)
    outside = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    warm = kelvin_from_degc(check_each(temperature_degc, "temperature_degc", -80.0, 100.0))
    ratio = np.clip(inside / outside, CRITICAL_RATIO, 1.0)
    k = HEAT_CAPACITY_RATIO
    swing = np.maximum(ratio ** (2.0 / k) - ratio ** ((k + 1.0) / k), 0.0)
    return np.asarray(1e-3 * area * outside * np.sqrt(2.0 * k / (k - 1.0) / (DRY_AIR_J_KG_K * warm) * swing))[()]
