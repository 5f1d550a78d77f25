r"""Air that an engine asks for, through a throat, under a slide or through a hole; the balance of the air valve's piston.

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
from needlecalc.units import DRY_AIR_J_KG_K, GRAVITY_M_S2, FloatArray, kelvin_from_degc

HEAT_CAPACITY_RATIO_AIR: Final = 1.4
STEPS: Final = 50
CLOSE: Final = 1e-15  # of the place found
ROUNDING: Final = 1e-14  # of the flow squared: a flow computed at choking is not to miss it by a rounding
SECONDS_TIMES_STROKES: Final = 120.0  # a four-stroke engine breathes once in two turns: 2 * 60 s
LEAST_MANIFOLD_SHARE: Final = 0.12
_COMPRESSION: Final = 8.5  # of an old engine; 7 to 10 moves the filling at idle by 4 %
_EXHAUST_RATIO: Final = 1.3  # of heat capacities, burnt gas
_SMALL: Final = 1e-200  # stands for no depression, where the formula is zero over zero
_POWER: Final = (HEAT_CAPACITY_RATIO_AIR - 1.0) / HEAT_CAPACITY_RATIO_AIR
# Depression over total pressure at which the throat runs at the speed of sound: 0.472.
CHOKED_SHARE: Final = 1.0 - (2.0 / (HEAT_CAPACITY_RATIO_AIR + 1.0)) ** (1.0 / _POWER)

Curve = Callable[[FloatArray], FloatArray]


def engine_air_flow_g_s(
    rpm: ArrayLike, *, displacement_cm3: ArrayLike, volumetric_efficiency: ArrayLike, density_kg_m3: ArrayLike
) -> FloatArray:
    r"""Air mass flow of a four-stroke engine from speed and volumetric efficiency.

    .. math:: \dot m = V_d\,\frac{n}{120}\,\eta_v\,\rho

    Parameters
    ----------
    rpm, displacement_cm3 : array_like, shape (...)
        Engine speed *n*, and swept volume of all cylinders. [1/min, cm3]
    volumetric_efficiency, density_kg_m3 : array_like, shape (...)
        Air drawn in over the air that fills the swept volume at this density, 0 to 1.5; NaN in any but the volume stays
        NaN. The density is that of outside air, or of air of manifold pressure and outside temperature. [-, kg/m3]

    Returns
    -------
    float or array, shape (...)
        Air mass flow of the whole engine; divide by the number of carburettors. [g/s]

    Notes
    -----
    On outside air some 0.2-0.3 at idle, 0.70-0.85 at full load of a two-valve engine; on manifold pressure it changes
    little with throttle (values from memory).

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 2.10 (from memory).

    Examples
    --------
    >>> flow = engine_air_flow_g_s(5000.0, displacement_cm3=2393.0, volumetric_efficiency=0.8, density_kg_m3=1.2)
    >>> print(f"{flow:.1f}")
    95.7
    """
    speed = check_each(rpm, "rpm", 0.0, allow_nan=True)
    volume = check_each(displacement_cm3, "displacement_cm3", 0.0, open_low=True)
    cure = "It is a share, so write 80 % as 0.8."
    efficiency = check_each(volumetric_efficiency, "volumetric_efficiency", 0.0, 1.5, allow_nan=True, cure=cure)
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True, allow_nan=True)
    return np.asarray(1e-3 * volume * speed / SECONDS_TIMES_STROKES * efficiency * density)[()]


def circular_throat_area_mm2(lift_mm: ArrayLike, *, bore_mm: ArrayLike, bridge_mm: ArrayLike = 0.0) -> FloatArray:
    r"""Open area of a round throat over a flat bridge, under a flat foot: the difference of two circular segments.

    .. math:: A = \frac{B^2}{4}\,[\Delta - \cos(\varphi_0 + \varphi_1)\sin\Delta],\qquad \Delta = \varphi_1 - \varphi_0,
              \qquad \sin^2\tfrac{\varphi_0}{2} = \tfrac{b}{B},\quad \sin^2\tfrac{\varphi_1}{2} = \tfrac{b + y}{B}

    Parameters
    ----------
    lift_mm, bore_mm, bridge_mm : array_like, shape (...)
        Height *y* of the foot above the bridge (NaN stays NaN), bore *B*, and height *b* of the bridge above the lowest
        point of the bore. [mm]

    Returns
    -------
    float or array, shape (...)
        Area; constant once the foot has left the bore at the top. [mm2]

    Raises
    ------
    InputError
        If the lift is negative, or the bridge fills the bore.

    References
    ----------
    .. [1] Bronshtein et al., *Handbook of Mathematics*, circular segment (from memory).

    Examples
    --------
    >>> print(f"{circular_throat_area_mm2(10.0, bore_mm=38.1, bridge_mm=3.0):.1f}")
    301.7
    """
    lift = check_each(lift_mm, "lift_mm", 0.0, allow_nan=True, cure="Count it from the bridge.")
    bore = check_each(bore_mm, "bore_mm", 0.0, open_low=True)
    bridge = check_each(bridge_mm, "bridge_mm", 0.0)
    if not np.all(bridge < bore):
        msg = (
            f"bridge_mm is up to {np.max(bridge):g}, but must be less than bore_mm ({np.min(bore):g}); "
            "measure the bridge from the lowest point of the bore."
        )
        raise InputError(msg)
    foot = np.minimum(bridge + lift, bore)
    low, high = (2.0 * np.arcsin(np.sqrt(height / bore)) for height in (bridge, foot))
    angle = high - low
    return np.asarray(bore**2 / 4.0 * (angle - np.cos(low + high) * np.sin(angle)))[()]


def piston_depression_pa(
    lift_mm: ArrayLike,
    *,
    piston_mass_kg: ArrayLike,
    spring_preload_n: ArrayLike,
    spring_rate_n_mm: ArrayLike,
    suction_area_mm2: ArrayLike,
    tilt_deg: ArrayLike = 0.0,
) -> FloatArray:
    r"""Depression that holds the piston of the air valve at a lift, the balance of forces on it.

    .. math:: \Delta p = \frac{m g \cos\beta + F_0 + k y}{A}

    Parameters
    ----------
    lift_mm, piston_mass_kg : array_like, shape (...)
        Lift *y* of the piston (NaN stays NaN), and mass *m* of piston, needle and rod. [mm, kg]
    spring_preload_n, spring_rate_n_mm : array_like, shape (...)
        Spring force :math:`F_0` at no lift and spring rate *k*. [N, N/mm]
    suction_area_mm2, tilt_deg : array_like, shape (...)
        Area *A* on which the depression lifts, the disc's less what the foot sees of the bridge's depression; and tilt
        :math:`\beta` of the chamber's axis from upright, 0 to 90. [mm2, deg]

    Returns
    -------
    float or array, shape (...)
        Depression of a piston at rest: the damper adds its drag while it rises. [Pa]

    Raises
    ------
    InputError
        If a value is out of its range, or nothing pulls the piston down.

    Examples
    --------
    A piston of 250 g and a spring of 1.25 N on a disc of 61 mm diameter:

    >>> depression = piston_depression_pa(0.0, piston_mass_kg=0.25, spring_preload_n=1.25, spring_rate_n_mm=0.0,
    ...                                   suction_area_mm2=2922.47)
    >>> print(f"{depression:.0f}")
    1267
    """
    lift = check_each(lift_mm, "lift_mm", -np.inf, allow_nan=True)
    mass = check_each(piston_mass_kg, "piston_mass_kg", 0.0)
    preload = check_each(spring_preload_n, "spring_preload_n", 0.0)
    rate = check_each(spring_rate_n_mm, "spring_rate_n_mm", 0.0)
    area = check_each(suction_area_mm2, "suction_area_mm2", 0.0, open_low=True)
    tilt = check_each(tilt_deg, "tilt_deg", 0.0, 90.0)
    force = mass * GRAVITY_M_S2 * np.cos(np.radians(tilt)) + preload + rate * lift
    if np.any(force <= 0.0):
        msg = (
            f"The piston is pulled down with {np.nanmin(force):g} N, but weight and spring must pull it; "
            "check piston_mass_kg and spring_preload_n."
        )
        raise InputError(msg)
    return np.asarray(force / area * 1e6)[()]


def expansion_factor(depression_pa: ArrayLike, *, pressure_pa: ArrayLike) -> FloatArray:
    r"""Isentropic air flow over that of constant density.

    .. math:: \Phi = \sqrt{\frac{\gamma}{\gamma - 1}\, r^{2/\gamma}\,
              \frac{1 - r^{(\gamma - 1)/\gamma}}{1 - r}},\qquad r = 1 - \Delta p/p_0,\quad \gamma = 1.4

    Parameters
    ----------
    depression_pa, pressure_pa : array_like, shape (...)
        Pressure ahead of the throat less that in it (zero gives 1, NaN stays NaN), and absolute total pressure ahead. [Pa]

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
    area_mm2, depression_pa : array_like, shape (...)
        Open area, and pressure ahead of it less that in it; NaN stays NaN. [mm2, Pa]
    density_kg_m3, discharge_coefficient : array_like, shape (...)
        Density ahead, and coefficient *C*: 0.6-0.85 for a gate across a throat (from memory). [kg/m3, -]
    pressure_pa : array_like, shape (...), or None
        Absolute pressure ahead, for :func:`expansion_factor`; None leaves that at 1. [Pa]

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
    area_mm2, manifold_pressure_pa : array_like, shape (...)
        Effective area, contraction included; absolute pressure in the manifold, NaN stays NaN. [mm2, Pa]
    pressure_pa, temperature_degc : array_like, shape (...)
        Air outside. [Pa, degC]

    Returns
    -------
    float or array, shape (...)
        Air flow by :func:`air_flow_g_s`; none where the manifold stands at or above the outside. Below a pressure ratio of
        0.528 it is choked, so that the excess of lambda falls as one over the air flow. [g/s]

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

    :math:`1 - (p_e/p_i - 1) / (\gamma (r_c - 1))`, :math:`r_c = 8.5`, :math:`\gamma = 1.3`, by the ratio of manifold to
    outside pressure, 1 where it is more; NaN stays NaN. Heywood 1988, section 6.2.1, the ideal cycle (from memory).

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
