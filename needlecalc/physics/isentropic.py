r"""How the expansion of air lowers its flow through an opening, and the depression a flow makes.

Air drawn from rest at :math:`p_0` through an opening where the pressure is :math:`p_0 - \Delta p` runs
without loss or heat up to the opening; its flow is that of constant density times a factor near 1.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray

HEAT_CAPACITY_RATIO_AIR = 1.4
NEWTON_STEPS = 100
NEWTON_TOLERANCE = 4e-16
ROUNDING = 1e-14  # of the flow squared: a flow computed at choking is not to miss it by a rounding
_SMALL = 1e-200  # stands for no depression, where both formulas are nought over nought


def expansion_factor(
    depression_pa: ArrayLike,
    *,
    pressure_pa: ArrayLike,
    heat_capacity_ratio: ArrayLike = HEAT_CAPACITY_RATIO_AIR,
) -> FloatArray:
    r"""Isentropic air flow over that of constant density.

    .. math:: \Phi = \sqrt{\frac{\gamma}{\gamma - 1}\, r^{2/\gamma}\,
              \frac{1 - r^{(\gamma - 1)/\gamma}}{1 - r}},\qquad r = 1 - \Delta p/p_0

    Parameters
    ----------
    depression_pa : array_like, shape (...)
        Pressure ahead of the throat less the pressure in it; zero gives 1, NaN stays NaN. [Pa]
    pressure_pa : array_like, shape (...)
        Absolute total pressure :math:`p_0` ahead of the throat. [Pa]
    heat_capacity_ratio : array_like, shape (...)
        :math:`\gamma` of the air. [-]

    Returns
    -------
    float or array, shape (...)
        Expansion factor. [-]

    Raises
    ------
    InputError
        If the depression is negative or chokes the throat (47 % of the pressure for air).

    Notes
    -----
    Near :math:`1 - \tfrac{3}{4\gamma}\Delta p/p_0`.  Air taken from rest, no approach velocity.  At the
    usual 2 kPa it is 0.989, so it matters for the flow itself and hardly for a ratio of two flows.

    References
    ----------
    .. [1] ISO 5167-3:2003, expansibility of a nozzle with the diameter ratio going to zero.
    .. [2] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 7.2 (from
       memory).

    Examples
    --------
    >>> print(f"{expansion_factor(2000.0, pressure_pa=101325.0):.5f}")
    0.98937
    """
    share, gamma = _pressure_share(depression_pa, pressure_pa, heat_capacity_ratio)
    known = np.where(share == 0.0, _SMALL, share)
    return np.sqrt(_flow_squared(known, gamma) / known)[()]


def air_flow_exponent(
    depression_pa: ArrayLike,
    *,
    pressure_pa: ArrayLike | None = None,
    heat_capacity_ratio: ArrayLike = HEAT_CAPACITY_RATIO_AIR,
) -> FloatArray:
    r"""Slope of ln(air flow) by ln(depression) through a fixed opening.

    .. math:: \frac{\mathrm d\ln\dot m}{\mathrm d\ln\Delta p} = \frac{x}{r}
              \left[\frac{m}{2}\,\frac{r^m}{1 - r^m} - \frac{1}{\gamma}\right],\qquad
              x = 1 - r = \frac{\Delta p}{p_0},\quad m = \frac{\gamma - 1}{\gamma}

    Parameters
    ----------
    depression_pa : array_like, shape (...)
        Pressure ahead of the throat less the pressure in it. [Pa]
    pressure_pa : array_like, shape (...), or None
        Absolute total pressure ahead of the throat; None takes the density as constant. [Pa]
    heat_capacity_ratio : array_like, shape (...)
        :math:`\gamma` of the air. [-]

    Returns
    -------
    float or array, shape (...)
        A half for constant density, less with expansion, nought when choked. [-]

    Raises
    ------
    InputError
        If the depression is negative or chokes the throat.

    Examples
    --------
    >>> print(f"{air_flow_exponent(2000.0, pressure_pa=101325.0):.4f}")
    0.4892
    """
    if pressure_pa is None:
        return 0.5 + 0.0 * check_each(depression_pa, "depression_pa", 0.0, allow_nan=True)
    share, gamma = _pressure_share(depression_pa, pressure_pa, heat_capacity_ratio)
    return _exponent(np.where(share == 0.0, _SMALL, share), gamma)[()]


def slide_depression_pa(
    air_flow_g_s: ArrayLike,
    area_mm2: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    discharge_coefficient: ArrayLike,
    pressure_pa: ArrayLike | None = None,
    heat_capacity_ratio: ArrayLike = HEAT_CAPACITY_RATIO_AIR,
) -> FloatArray:
    r"""Depression under a slide: it follows from air flow and opening.

    Parameters
    ----------
    air_flow_g_s : array_like, shape (...)
        Air mass flow through this carburettor; NaN stays NaN. [g/s]
    area_mm2 : array_like, shape (...)
        Open area under the slide. [mm2]
    density_kg_m3 : array_like, shape (...)
        Density of the air ahead of the throat. [kg/m3]
    discharge_coefficient : array_like, shape (...)
        Coefficient of the opening. [-]
    pressure_pa : array_like, shape (...), or None
        Absolute total pressure ahead of the throat; None takes the density as constant. [Pa]
    heat_capacity_ratio : array_like, shape (...)
        :math:`\gamma` of the air. [-]

    Returns
    -------
    float or array, shape (...)
        Depression; NaN where the opening cannot pass the flow even when choked, which only a known
        ``pressure_pa`` can tell. [Pa]

    Raises
    ------
    InputError
        If the flow is negative or the area is not positive.

    Notes
    -----
    With expansion :math:`\Phi^2 x = k^2` is solved for :math:`x = \Delta p/p_0`.  The left side rises
    and is concave up to choking, so Newton's steps from :math:`x = k^2` climb to the root and never
    pass it.

    Examples
    --------
    >>> print(f"{slide_depression_pa(39.55, 565.0, density_kg_m3=1.225, discharge_coefficient=1.0):.0f}")
    2000
    """
    flow = check_each(air_flow_g_s, "air_flow_g_s", 0.0, allow_nan=True)
    area = check_each(area_mm2, "area_mm2", 0.0, open_low=True, allow_nan=True, cure="A shut slide has no depression.")
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    coefficient = check_each(discharge_coefficient, "discharge_coefficient", 0.0, open_low=True)
    plain = (1e3 * flow / (coefficient * area)) ** 2 / (2.0 * density)
    if pressure_pa is None:
        return np.asarray(plain)[()]
    pressure = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    gamma = check_each(heat_capacity_ratio, "heat_capacity_ratio", 1.0, open_low=True)
    wanted, gamma = np.broadcast_arrays(plain / pressure, gamma)
    choked = _choked_share(gamma)
    passes = wanted <= _flow_squared(choked, gamma) * (1.0 + ROUNDING)
    goal = np.where(passes & (wanted > 0.0), wanted, _SMALL)
    share = goal
    for _ in range(NEWTON_STEPS):
        value = _flow_squared(share, gamma)
        slope = 2.0 * value * _exponent(share, gamma) / share
        miss = np.maximum(goal - value, 0.0)
        step = np.where(miss > 0.0, miss / np.maximum(slope, np.finfo(np.float64).tiny), 0.0)
        moved = np.minimum(share + step, choked)
        if np.all(moved - share <= NEWTON_TOLERANCE * share):
            break
        share = moved
    share = np.where(wanted > 0.0, share, 0.0)
    return np.where(passes, share * pressure, np.nan)[()]


def _pressure_share(
    depression_pa: ArrayLike, pressure_pa: ArrayLike, heat_capacity_ratio: ArrayLike
) -> tuple[FloatArray, FloatArray]:
    """Depression over total pressure, short of choking, and gamma, of one shape."""
    depression = check_each(depression_pa, "depression_pa", 0.0, allow_nan=True)
    pressure = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    gamma = check_each(heat_capacity_ratio, "heat_capacity_ratio", 1.0, open_low=True)
    share, gamma = np.broadcast_arrays(depression / pressure, gamma)
    if np.any(share > _choked_share(gamma)):
        msg = (
            f"depression_pa is up to {np.nanmax(share):.1%} of pressure_pa, but the throat chokes at "
            f"{np.min(_choked_share(gamma)):.1%}; pressure_pa must be absolute, so check its unit."
        )
        raise InputError(msg)
    return share, gamma


def _choked_share(gamma: FloatArray) -> FloatArray:
    """Depression over total pressure at which the throat runs at the speed of sound."""
    return np.asarray(1.0 - (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0)))


def _flow_squared(share: FloatArray, gamma: FloatArray) -> FloatArray:
    """Expansion factor squared times the pressure share: the flow squared, without its constants."""
    log_ratio = np.log1p(-share)
    power = (gamma - 1.0) / gamma
    return np.asarray(np.exp(2.0 / gamma * log_ratio) * -np.expm1(power * log_ratio) / power)


def _exponent(share: FloatArray, gamma: FloatArray) -> FloatArray:
    """Slope of ln(flow) by ln(depression)."""
    power = (gamma - 1.0) / gamma
    log_ratio = power * np.log1p(-share)
    swing = -0.5 * power * np.exp(log_ratio) / np.expm1(log_ratio)
    return np.asarray(share / (1.0 - share) * (swing - 1.0 / gamma))
