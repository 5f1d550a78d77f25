r"""The air valve: its balance, the air that passes, and the lift an air flow takes.

Weight and spring push the piston down, the pressure difference on the suction disc lifts it, and the
foot, which sees part of the bridge's depression from below, pulls down again.  With a linear spring
the depression is a straight line of the lift, and a manometer gives it as well as a balance does.
The throat it opens is in :mod:`needlecalc.physics.throat`; a slide carburettor has the same throat, and its
depression is :func:`needlecalc.physics.isentropic.slide_depression_pa`.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.physics.isentropic import HEAT_CAPACITY_RATIO_AIR, air_flow_exponent, expansion_factor
from needlecalc.physics.limits import check_each
from needlecalc.physics.rising import Curve, rising_inverse
from needlecalc.units import GRAVITY_M_S2, FloatArray

MM2_PER_M2 = 1e6


def suction_area_mm2(disc_area_mm2: ArrayLike, *, foot_area_mm2: ArrayLike = 0.0, foot_share: ArrayLike = 0.0) -> FloatArray:
    r"""Area on which the depression lifts the piston.

    .. math:: A = A_\mathrm{disc} - c\,A_\mathrm{foot}

    Parameters
    ----------
    disc_area_mm2 : array_like, shape (...)
        Area of the suction disc. [mm2]
    foot_area_mm2 : array_like, shape (...)
        Area of the piston's foot that looks into the throat. [mm2]
    foot_share : array_like, shape (...)
        Share *c* of the bridge's depression that the foot sees on average. [-]

    Returns
    -------
    float or array, shape (...)
        Area. [mm2]

    Raises
    ------
    InputError
        If the share lies outside 0..1, or the foot takes away the whole disc.

    Notes
    -----
    The chamber's depression acts on the whole disc from above, the atmosphere on the ring below it, and
    *c* times the depression on the foot.  The share is rarely known and may change with lift, so a
    depression read from a manometer is worth more than one from this sum.

    Examples
    --------
    >>> print(suction_area_mm2(2922.0, foot_area_mm2=1194.0, foot_share=0.5))
    2325.0
    """
    disc = check_each(disc_area_mm2, "disc_area_mm2", 0.0, open_low=True)
    foot = check_each(foot_area_mm2, "foot_area_mm2", 0.0)
    share = check_each(foot_share, "foot_share", 0.0, 1.0)
    area = disc - share * foot
    if not np.all(area > 0.0):
        msg = (
            f"foot_share times foot_area_mm2 leaves {np.min(area):g} mm2 of the disc to lift the piston, but "
            "it must leave some; check disc_area_mm2 and foot_area_mm2."
        )
        raise InputError(msg)
    return np.asarray(area)[()]


def depression_pa(
    lift_mm: ArrayLike,
    *,
    piston_mass_kg: ArrayLike,
    spring_preload_n: ArrayLike,
    spring_rate_n_mm: ArrayLike,
    suction_area_mm2: ArrayLike,
    tilt_deg: ArrayLike = 0.0,
    friction_n: ArrayLike = 0.0,
) -> FloatArray:
    r"""Depression that holds the piston of the air valve at a lift.

    .. math:: \Delta p = \frac{m g \cos\beta + F_0 + k y + F_\mathrm{friction}}{A}

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Lift *y* of the piston; NaN stays NaN. [mm]
    piston_mass_kg : array_like, shape (...)
        Mass *m* of piston, needle and rod. [kg]
    spring_preload_n : array_like, shape (...)
        Spring force at no lift. [N]
    spring_rate_n_mm : array_like, shape (...)
        Spring rate *k*. [N/mm]
    suction_area_mm2 : array_like, shape (...)
        Area *A* on which the depression lifts, see :func:`suction_area_mm2`. [mm2]
    tilt_deg : array_like, shape (...)
        Tilt of the chamber's axis from upright. [deg]
    friction_n : array_like, shape (...)
        Friction against the motion: positive while rising, negative while falling. [N]

    Returns
    -------
    float or array, shape (...)
        Depression. [Pa]

    Raises
    ------
    InputError
        If a value is out of its range, or nothing pulls the piston down.

    Notes
    -----
    Holds for a piston at rest: the damper adds its drag while the piston rises.

    Examples
    --------
    A piston of 250 g and a spring of 1.25 N on a disc of 61 mm diameter:

    >>> depression = depression_pa(0.0, piston_mass_kg=0.25, spring_preload_n=1.25, spring_rate_n_mm=0.0,
    ...                            suction_area_mm2=2922.47)
    >>> print(f"{depression:.0f}")
    1267
    """
    lift = check_each(lift_mm, "lift_mm", -np.inf, allow_nan=True)
    mass = check_each(piston_mass_kg, "piston_mass_kg", 0.0)
    preload = check_each(spring_preload_n, "spring_preload_n", 0.0)
    rate = check_each(spring_rate_n_mm, "spring_rate_n_mm", 0.0)
    area = check_each(suction_area_mm2, "suction_area_mm2", 0.0, open_low=True)
    tilt = check_each(tilt_deg, "tilt_deg", 0.0, 90.0)
    friction = check_each(friction_n, "friction_n", -np.inf)
    force = mass * GRAVITY_M_S2 * np.cos(np.radians(tilt)) + preload + rate * lift + friction
    if np.any(force <= 0.0):
        msg = (
            f"The piston is pulled down with {np.nanmin(force):g} N, but weight, spring and friction_n must "
            "leave more than nothing; check piston_mass_kg and spring_preload_n."
        )
        raise InputError(msg)
    return np.asarray(force / area * MM2_PER_M2)[()]


def air_flow_g_s(
    area_mm2: ArrayLike,
    depression_pa: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    discharge_coefficient: ArrayLike,
    pressure_pa: ArrayLike | None = None,
    heat_capacity_ratio: ArrayLike = HEAT_CAPACITY_RATIO_AIR,
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
        Absolute pressure ahead of the throat, for the expansion factor; None leaves that at 1. [Pa]
    heat_capacity_ratio : array_like, shape (...)
        :math:`\gamma` of the air. [-]

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
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 7.2 and
       appendix C (from memory).

    Examples
    --------
    >>> flow = air_flow_g_s(
    ...     1.0, 2000.0, density_kg_m3=1.225, pressure_pa=101325.0, discharge_coefficient=1.0)
    >>> print(f"{flow:.5f}")
    0.06926
    """
    area = check_each(area_mm2, "area_mm2", 0.0, allow_nan=True)
    depression = check_each(depression_pa, "depression_pa", 0.0, allow_nan=True)
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    coefficient = check_each(discharge_coefficient, "discharge_coefficient", 0.0, open_low=True)
    flow = 1e-3 * coefficient * area * np.sqrt(2.0 * density * depression)
    if pressure_pa is not None:
        flow = flow * expansion_factor(depression, pressure_pa=pressure_pa, heat_capacity_ratio=heat_capacity_ratio)
    return np.asarray(flow)[()]


def lift_for_flow_mm(flow_g_s: ArrayLike, flow_at: Curve, low_mm: ArrayLike, high_mm: ArrayLike) -> FloatArray:
    r"""Lift at which a rising flow curve passes each flow.

    Parameters
    ----------
    flow_g_s : array_like, shape (...)
        Wanted flows; NaN stays NaN. [g/s]
    flow_at : callable
        Flow in g/s at an array of lifts in mm, rising with lift.
    low_mm, high_mm : array_like, shape (...)
        Ends of the travel: the lift at rest, and the one at which the piston meets its top. [mm]

    Returns
    -------
    float or array, shape (...)
        Lift.  NaN where the flow is less than the curve passes at the low end or more than at the high
        end: on a stop the piston no longer floats and the flow does not tell the lift. [mm]

    Raises
    ------
    InputError
        If the ends are not in order, or the curve does not rise between them.

    Notes
    -----
    Solved by :func:`needlecalc.physics.rising.rising_inverse`, as exactly as floats allow.  A pulsating
    flow passes less air at the same lift: divide it by its pulsation factor first.

    Examples
    --------
    >>> print(lift_for_flow_mm([8.0, 2000.0], lambda lift: lift**3, 0.0, 10.0))
    [ 2. nan]
    """
    flow = check_each(flow_g_s, "flow_g_s", -np.inf, allow_nan=True)
    low = check_each(low_mm, "low_mm", 0.0)
    high = check_each(high_mm, "high_mm", 0.0, open_low=True)
    if not np.all(low < high):
        msg = f"low_mm is up to {np.max(low):g}, but must be less than high_mm ({np.min(high):g}); check both."
        raise InputError(msg)
    return rising_inverse(flow, flow_at, low, high)[()]


def lift_per_ln_air_flow_mm(
    area_mm2: ArrayLike,
    width_mm: ArrayLike,
    *,
    depression_pa: ArrayLike,
    depression_rise_pa_mm: ArrayLike = 0.0,
    pressure_pa: ArrayLike | None = None,
    heat_capacity_ratio: ArrayLike = HEAT_CAPACITY_RATIO_AIR,
) -> FloatArray:
    r"""Slope of the lift by ln(air flow): 1 % more air lifts the piston by 1 % of it.

    .. math:: \frac{\mathrm dy}{\mathrm d\ln\dot m} =
              \left[\frac{A'(y)}{A(y)} + n\,\frac{\Delta p'(y)}{\Delta p(y)}\right]^{-1}

    Parameters
    ----------
    area_mm2 : array_like, shape (...)
        Open area at the lift; NaN stays NaN. [mm2]
    width_mm : array_like, shape (...)
        Width of the throat at the foot, the area's slope. [mm]
    depression_pa : array_like, shape (...)
        Depression at this lift. [Pa]
    depression_rise_pa_mm : array_like, shape (...)
        Rise of the depression with lift: 1e6 times spring rate over suction area. [Pa/mm]
    pressure_pa : array_like, shape (...), or None
        Absolute pressure ahead of the throat; None leaves the expansion factor at 1. [Pa]
    heat_capacity_ratio : array_like, shape (...)
        :math:`\gamma` of the air. [-]

    Returns
    -------
    float or array, shape (...)
        Slope. [mm]

    Raises
    ------
    InputError
        If a value is out of its range, or neither width nor spring makes the flow rise with lift.

    Notes
    -----
    *n* is :func:`~needlecalc.physics.isentropic.air_flow_exponent`, a half.  At the same air flow a
    small change of ln(depression), by spring or piston mass, moves the lift by minus *n* times this
    slope; one of ln(air density) by minus half of it; one of ln(discharge coefficient) by minus all of it.

    Examples
    --------
    >>> print(lift_per_ln_air_flow_mm(150.0, 30.0, depression_pa=2000.0))
    5.0
    """
    area = check_each(area_mm2, "area_mm2", 0.0, open_low=True, allow_nan=True)
    width = check_each(width_mm, "width_mm", 0.0, allow_nan=True)
    depression = check_each(depression_pa, "depression_pa", 0.0, open_low=True, allow_nan=True)
    rise = check_each(depression_rise_pa_mm, "depression_rise_pa_mm", 0.0)
    exponent = air_flow_exponent(depression, pressure_pa=pressure_pa, heat_capacity_ratio=heat_capacity_ratio)
    steepness = width / area + exponent * rise / depression
    if np.any(steepness <= 0.0):
        msg = (
            "width_mm and depression_rise_pa_mm are both 0: with the throat wide open the flow no longer "
            "rises with lift and does not tell it; leave such lifts out."
        )
        raise InputError(msg)
    return np.asarray(1.0 / steepness)[()]


def lift_after_change_mm(
    lift_mm: ArrayLike, flow_before: Curve, flow_after: Curve, low_mm: ArrayLike, high_mm: ArrayLike
) -> FloatArray:
    """Lift after a change of spring, piston or throat, the engine breathing the same air.

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Lift before the change, between the ends of the travel; NaN stays NaN. [mm]
    flow_before, flow_after : callable
        Flow in g/s at an array of lifts in mm, rising, before and after the change.
    low_mm, high_mm : array_like, shape (...)
        Ends of the travel. [mm]

    Returns
    -------
    float or array, shape (...)
        Lift after the change; NaN where the piston would meet a stop. [mm]

    Raises
    ------
    InputError
        If a lift lies off the travel, or a curve does not rise.

    Examples
    --------
    Half as much depression again, under a slot-shaped throat:

    >>> print(lift_after_change_mm(9.0, lambda y: y * 2.0, lambda y: y * 2.0 * 1.5**0.5, 0.0, 30.0).round(3))
    7.348
    """
    lift = check_each(lift_mm, "lift_mm", 0.0, allow_nan=True)
    if np.any((lift < np.asarray(low_mm)) | (lift > np.asarray(high_mm))):
        msg = (
            f"lift_mm runs from {np.nanmin(lift):g} to {np.nanmax(lift):g}, but must lie between low_mm and "
            "high_mm, the ends of the travel; check them."
        )
        raise InputError(msg)
    return lift_for_flow_mm(flow_before(lift), flow_after, low_mm, high_mm)
