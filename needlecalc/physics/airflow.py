r"""Air through a throat, under a slide or through a hole.

Air drawn from rest at :math:`p_0` through an opening where the pressure is :math:`p_0 - \Delta p` runs without loss or
heat up to the opening; its flow is that of constant density times a factor near 1.
"""

from __future__ import annotations

from collections.abc import Callable
from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each
from needlecalc.errors import InputError
from needlecalc.units import DRY_AIR_J_KG_K, FloatArray, kelvin_from_degc

HEAT_CAPACITY_RATIO_AIR: Final = 1.4
STEPS: Final = 50
CLOSE: Final = 1e-15  # of the place found
ROUNDING: Final = 1e-14  # of the flow squared: a flow computed at choking is not to miss it by a rounding
LEAST_MANIFOLD_SHARE: Final = 0.12
_COMPRESSION: Final = 8.5  # of an old engine; 7 to 10 moves the filling at idle by 4 %
_EXHAUST_RATIO: Final = 1.3  # of heat capacities, burnt gas
_SMALL: Final = 1e-200  # stands for no depression, where the formula is zero over zero
_POWER: Final = (HEAT_CAPACITY_RATIO_AIR - 1.0) / HEAT_CAPACITY_RATIO_AIR
# Depression over total pressure at which the throat runs at the speed of sound: 0.472.
CHOKED_SHARE: Final = 1.0 - (2.0 / (HEAT_CAPACITY_RATIO_AIR + 1.0)) ** (1.0 / _POWER)

Curve = Callable[[FloatArray], FloatArray]


def expansion_factor(depression_pa: ArrayLike, *, pressure_pa: ArrayLike) -> FloatArray:
    r"""Isentropic air flow over that of constant density.

    .. math:: \Phi = \sqrt{\frac{\gamma}{\gamma - 1}\, r^{2/\gamma}\,
              \frac{1 - r^{(\gamma - 1)/\gamma}}{1 - r}},\qquad r = 1 - \Delta p/p_0,\quad \gamma = 1.4

    Parameters
    ----------
    depression_pa : array_like, shape (...)
        Pressure ahead of the throat less the pressure in it; zero gives 1, NaN stays NaN. [Pa]
    pressure_pa : array_like, shape (...)
        Absolute total pressure :math:`p_0` ahead of the throat. [Pa]

    Returns
    -------
    float or array, shape (...)
        Expansion factor, near :math:`1 - 0.54\,\Delta p/p_0`: 0.989 at the usual 2 kPa. [-]

    Raises
    ------
    InputError
        If the depression is negative or chokes the throat (47 % of the pressure).

    References
    ----------
    .. [1] ISO 5167-3:2003, expansibility of a nozzle with the diameter ratio going to zero.
    .. [2] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 7.2 (from memory).

    Examples
    --------
    >>> print(f"{expansion_factor(2000.0, pressure_pa=101325.0):.5f}")
    0.98937
    """
    depression = check_each(depression_pa, "depression_pa", 0.0, allow_nan=True)
    share = np.asarray(depression / check_each(pressure_pa, "pressure_pa", 0.0, open_low=True))
    if np.any(share > CHOKED_SHARE):
        msg = (
            f"depression_pa is up to {np.nanmax(share):.1%} of pressure_pa, but the throat chokes at "
            f"{CHOKED_SHARE:.1%}; pressure_pa must be absolute, so check its unit."
        )
        raise InputError(msg)
    known = np.where(share == 0.0, _SMALL, share)
    return np.sqrt(_flow_squared(known) / known)[()]


def air_flow_g_s(
    area_mm2: ArrayLike,
    depression_pa: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    discharge_coefficient: ArrayLike,
    pressure_pa: ArrayLike | None = None,
) -> FloatArray:
    r"""Air mass flow that a depression draws through an opening.

    .. math:: \dot m = C A\, \Phi \sqrt{2 \rho\, \Delta p}

    Parameters
    ----------
    area_mm2 : array_like, shape (...)
        Open area; NaN stays NaN. [mm2]
    depression_pa : array_like, shape (...)
        Pressure ahead of the throat less the pressure in it; NaN stays NaN. [Pa]
    density_kg_m3 : array_like, shape (...)
        Density of the air ahead of the throat. [kg/m3]
    discharge_coefficient : array_like, shape (...)
        Coefficient *C*; 0.6-0.85 for a gate across a throat, changing with lift (from memory). [-]
    pressure_pa : array_like, shape (...), or None
        Absolute pressure ahead of the throat, for :func:`expansion_factor`; None leaves that at 1. [Pa]

    Returns
    -------
    float or array, shape (...)
        Mass flow. [g/s]

    Raises
    ------
    InputError
        If a value is negative, or the depression chokes the throat.

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 7.2 and appendix C (from memory).

    Examples
    --------
    >>> flow = air_flow_g_s(1.0, 2000.0, density_kg_m3=1.225, pressure_pa=101325.0, discharge_coefficient=1.0)
    >>> print(f"{flow:.5f}")
    0.06926
    """
    area = check_each(area_mm2, "area_mm2", 0.0, allow_nan=True)
    depression = check_each(depression_pa, "depression_pa", 0.0, allow_nan=True)
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    coefficient = check_each(discharge_coefficient, "discharge_coefficient", 0.0, open_low=True)
    flow = 1e-3 * coefficient * area * np.sqrt(2.0 * density * depression)
    if pressure_pa is not None:
        flow = flow * expansion_factor(depression, pressure_pa=pressure_pa)
    return np.asarray(flow)[()]


def slide_depression_pa(
    air_flow_g_s: ArrayLike,
    area_mm2: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    discharge_coefficient: ArrayLike,
    pressure_pa: ArrayLike,
) -> FloatArray:
    """Depression under a slide, from air flow and opening: the inverse of :func:`air_flow_g_s`.

    Parameters
    ----------
    air_flow_g_s : array_like, shape (...)
        Air mass flow through this carburettor; NaN stays NaN. [g/s]
    area_mm2, density_kg_m3, discharge_coefficient, pressure_pa : array_like, shape (...)
        As of that function. [mm2, kg/m3, -, Pa]

    Returns
    -------
    float or array, shape (...)
        Depression; NaN where the opening cannot pass the flow even when choked. [Pa]

    References
    ----------
    .. [1] As :func:`air_flow_g_s`.

    Examples
    --------
    >>> air = {"density_kg_m3": 1.225, "discharge_coefficient": 0.75, "pressure_pa": 101325.0}
    >>> print(f"{slide_depression_pa(20.0, 400.0, **air):.0f}")
    1850
    """
    flow = check_each(air_flow_g_s, "air_flow_g_s", 0.0, allow_nan=True)
    area = check_each(area_mm2, "area_mm2", 0.0, open_low=True, allow_nan=True, cure="A shut slide has no depression.")
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    coefficient = check_each(discharge_coefficient, "discharge_coefficient", 0.0, open_low=True)
    pressure = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    squared = np.asarray((1e3 * flow / (coefficient * area)) ** 2 / (2.0 * density * pressure))
    most = float(_flow_squared(np.asarray(CHOKED_SHARE)))
    squared = np.where((squared > most) & (squared <= most * (1.0 + ROUNDING)), most, squared)
    return np.asarray(rising_inverse(squared, _flow_squared, 0.0, CHOKED_SHARE) * pressure)[()]


def leak_flow_g_s(
    area_mm2: ArrayLike, manifold_pressure_pa: ArrayLike, *, pressure_pa: ArrayLike, temperature_degc: ArrayLike = 15.0
) -> FloatArray:
    """Air that a hole lets into the manifold.

    Parameters
    ----------
    area_mm2 : array_like, shape (...)
        Effective area, contraction included. [mm2]
    manifold_pressure_pa : array_like, shape (...)
        Absolute pressure in the manifold; NaN stays NaN. [Pa]
    pressure_pa, temperature_degc : array_like, shape (...)
        Air outside. [Pa, degC]

    Returns
    -------
    float or array, shape (...)
        Air flow by :func:`air_flow_g_s`; none where the manifold stands at or above the outside. [g/s]

    Notes
    -----
    Below a pressure ratio of 0.528 the hole runs at the speed of sound and its flow no longer depends on the manifold:
    the excess of lambda then falls as one over the air flow.

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, appendix C (page from memory).

    Examples
    --------
    >>> print(f"{leak_flow_g_s(1.0, 40e3, pressure_pa=101325.0, temperature_degc=20.0):.3f} g/s")
    0.239 g/s
    """
    inside = check_each(manifold_pressure_pa, "manifold_pressure_pa", 0.0, allow_nan=True)
    outside = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    kelvin = kelvin_from_degc(check_each(temperature_degc, "temperature_degc", -80.0, 100.0))
    depression = np.clip(outside - inside, 0.0, CHOKED_SHARE * (1.0 - ROUNDING) * outside)
    density = outside / (DRY_AIR_J_KG_K * kelvin)
    return air_flow_g_s(area_mm2, depression, density_kg_m3=density, discharge_coefficient=1.0, pressure_pa=outside)


def throttled_share(manifold_share: ArrayLike) -> FloatArray:
    r"""Filling of an engine on the air of its manifold, over that at full load: exhaust left behind lessens it.

    .. math:: 1 - \frac{p_e/p_i - 1}{\gamma\,(r_c - 1)},\qquad r_c = 8.5,\quad \gamma = 1.3

    Parameters
    ----------
    manifold_share : array_like, shape (...)
        Manifold pressure over the pressure outside, 1 where it is more; NaN stays NaN. [-]

    Returns
    -------
    float or array, shape (...)
        Share of the filling; 0.8 at a third. [-]

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 6.2.1, the ideal cycle (from
       memory).

    Examples
    --------
    >>> print(throttled_share([0.33, 0.6, 1.0]).round(2))
    [0.79 0.93 1.  ]
    """
    share = check_each(manifold_share, "manifold_share", 0.0, allow_nan=True, open_low=True)
    # Nearer to a vacuum the engine would draw nothing.
    left = 1.0 / np.clip(share, LEAST_MANIFOLD_SHARE, 1.0) - 1.0
    return np.asarray(1.0 - left / (_EXHAUST_RATIO * (_COMPRESSION - 1.0)))


def rising_inverse(goal: ArrayLike, curve: Curve, low: float, high: float) -> FloatArray:
    """Place between two ends where a rising curve takes each value; NaN where it does not.

    By the method of Ridders, *IEEE Transactions on Circuits and Systems* 26 (1979) 979 (from memory).
    """
    least, most = np.asarray(curve(np.asarray(low))), np.asarray(curve(np.asarray(high)))
    if not (least < most).all():
        msg = f"The curve does not rise between {low:g} and {high:g}; check the curve and both ends."
        raise InputError(msg)
    asked = np.asarray(goal, dtype=np.float64)
    wanted = np.clip(asked, least, most)
    place = below = np.full(wanted.shape, low)
    above, short, over = np.full(wanted.shape, high), least - wanted, most - wanted
    for _ in range(STEPS):
        before, middle = place, (below + above) / 2.0
        off = curve(middle) - wanted
        place = middle - (above - below) / 2.0 * off / np.maximum(np.sqrt(off**2 - short * over), _SMALL)
        places = np.stack([below, middle, place, above])
        offs = np.stack([short, off, curve(place) - wanted, over])
        # On a rising curve the highest place that is too low is also the nearest to what is wanted.
        below, short = np.where(offs < 0.0, places, low).max(axis=0), np.where(offs < 0.0, offs, least - wanted).max(axis=0)
        above, over = np.where(offs < 0.0, high, places).min(axis=0), np.where(offs < 0.0, most - wanted, offs).min(axis=0)
        if not (np.abs(place - before) > CLOSE * np.abs(place)).any():
            break
    return np.where(asked == least, low, np.where(asked == most, high, np.where(asked == wanted, place, np.nan)))


def _flow_squared(share: FloatArray) -> FloatArray:
    """Expansion factor squared times the pressure share: the flow squared, without its constants."""
    log_ratio = np.log1p(-share)
    return np.asarray(np.exp(2.0 / HEAT_CAPACITY_RATIO_AIR * log_ratio) * -np.expm1(_POWER * log_ratio) / _POWER)
