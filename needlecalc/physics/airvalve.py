"""The air valve: what an engine asks for, the throat, and the balance of the piston.

Weight and spring push the piston down, the pressure difference on the suction disc lifts it. With a linear spring the
depression is a straight line of the lift, and a manometer gives it as well as a balance does.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each
from needlecalc.errors import InputError
from needlecalc.units import GRAVITY_M_S2, FloatArray

SECONDS_TIMES_STROKES: Final = 120.0  # a four-stroke engine breathes once in two turns: 2 * 60 s


def engine_air_flow_g_s(
    rpm: ArrayLike, *, displacement_cm3: ArrayLike, volumetric_efficiency: ArrayLike, density_kg_m3: ArrayLike
) -> FloatArray:
    r"""Air mass flow of a four-stroke engine from speed and volumetric efficiency.

    .. math:: \dot m = V_d\,\frac{n}{120}\,\eta_v\,\rho

    Parameters
    ----------
    rpm : array_like, shape (...)
        Engine speed *n*; NaN stays NaN, here as below. [1/min]
    displacement_cm3 : array_like, shape (...)
        Swept volume of all cylinders. [cm3]
    volumetric_efficiency : array_like, shape (...)
        Air drawn in over the air that fills the swept volume at ``density_kg_m3``, 0 to 1.5. [-]
    density_kg_m3 : array_like, shape (...)
        Density of the air that the efficiency refers to: outside air, or air of manifold pressure and outside
        temperature. [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Air mass flow of the whole engine; divide by the number of carburettors. [g/s]

    Notes
    -----
    On outside air some 0.2-0.3 at idle, 0.2-0.4 at light cruise, 0.70-0.85 at full load of a two-valve engine; on
    manifold pressure it changes little with throttle (values from memory).

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
    lift_mm : array_like, shape (...)
        Height *y* of the foot above the bridge; NaN stays NaN. [mm]
    bore_mm : array_like, shape (...)
        Bore *B* of the throat. [mm]
    bridge_mm : array_like, shape (...)
        Height *b* of the bridge above the lowest point of the bore. [mm]

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
    r"""Depression that holds the piston of the air valve at a lift.

    .. math:: \Delta p = \frac{m g \cos\beta + F_0 + k y}{A}

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Lift *y* of the piston; NaN stays NaN. [mm]
    piston_mass_kg : array_like, shape (...)
        Mass *m* of piston, needle and rod. [kg]
    spring_preload_n, spring_rate_n_mm : array_like, shape (...)
        Spring force :math:`F_0` at no lift and spring rate *k*. [N, N/mm]
    suction_area_mm2 : array_like, shape (...)
        Area *A* on which the depression lifts: the disc's less what the foot sees of the bridge's depression. [mm2]
    tilt_deg : array_like, shape (...)
        Tilt :math:`\beta` of the chamber's axis from upright, 0 to 90. [deg]

    Returns
    -------
    float or array, shape (...)
        Depression of a piston at rest: the damper adds its drag while it rises. [Pa]

    Raises
    ------
    InputError
        If a value is out of its range, or nothing pulls the piston down.

    References
    ----------
    .. [1] Balance of forces on the piston.

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
