"""The air valve: its balance, the throat it opens and the air that passes."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.units import GRAVITY_M_S2, FloatArray

HEAT_RATIO = 1.4
BISECTIONS = 60


def depression_pa(
    lift_mm: ArrayLike,
    *,
    piston_mass_kg: ArrayLike,
    spring_preload_n: ArrayLike,
    spring_rate_n_mm: ArrayLike,
    suction_area_mm2: ArrayLike,
    tilt_deg: ArrayLike = 0.0,
) -> FloatArray:
    r"""Depression that holds the piston of the air valve at a lift.

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Lift of the piston. [mm]
    piston_mass_kg : array_like, shape (...)
        Piston with needle and rod. [kg]
    spring_preload_n : array_like, shape (...)
        Spring force at no lift. [N]
    spring_rate_n_mm : array_like, shape (...)
        Spring rate. [N/mm]
    suction_area_mm2 : array_like, shape (...)
        Area the depression lifts: disc less the share of the foot it pulls on. [mm2]
    tilt_deg : array_like, shape (...)
        Tilt of the chamber's axis from upright. [deg]

    Returns
    -------
    array, shape (...)
        Depression. [Pa]

    Notes
    -----
    .. math:: \Delta p = (m g \cos\beta + F_0 + k y)/A

    Friction is left out; it shows as a spread of lift.

    Examples
    --------
    >>> held = depression_pa(0.0, piston_mass_kg=0.25, spring_preload_n=1.25, spring_rate_n_mm=0.0,
    ...                      suction_area_mm2=2922.47)
    >>> print(f"{held:.0f}")
    1267
    """
    weight = np.asarray(piston_mass_kg) * GRAVITY_M_S2 * np.cos(np.radians(tilt_deg))
    force = weight + np.asarray(spring_preload_n) + np.asarray(spring_rate_n_mm) * np.asarray(lift_mm)
    return np.asarray(force / (np.asarray(suction_area_mm2) * 1e-6))


def circular_throat_area_mm2(lift_mm: ArrayLike, *, bore_mm: float, bridge_mm: float = 0.0) -> FloatArray:
    r"""Open area of a round throat over a flat bridge, under a flat piston foot.

    Parameters
    ----------
    lift_mm : array_like, shape (...)
        Lift of the foot above the bridge. [mm]
    bore_mm : float
        Bore of the throat. [mm]
    bridge_mm : float
        Height of the bridge above the bottom of the bore. [mm]

    Returns
    -------
    array, shape (...)
        Area; constant once the foot is above the bore. [mm2]

    Notes
    -----
    Difference of two circular segments, :math:`S(t) = R^2\arccos((R-t)/R) - (R-t)\sqrt{2Rt-t^2}`.

    Examples
    --------
    >>> print(f"{circular_throat_area_mm2(10.0, bore_mm=38.1, bridge_mm=3.0):.1f}")
    301.7
    """
    radius = bore_mm / 2.0

    def segment(height: FloatArray) -> FloatArray:
        t = np.clip(height, 0.0, bore_mm)
        return np.asarray(radius**2 * np.arccos((radius - t) / radius) - (radius - t) * np.sqrt(t * (bore_mm - t)))

    lift = np.maximum(np.asarray(lift_mm, dtype=np.float64), 0.0)
    return segment(bridge_mm + lift) - segment(np.asarray(bridge_mm))


def air_flow_g_s(
    area_mm2: ArrayLike,
    depression: ArrayLike,
    *,
    density_kg_m3: ArrayLike,
    pressure_pa: ArrayLike,
    discharge_coefficient: ArrayLike,
) -> FloatArray:
    r"""Air mass flow through the throat, isentropic.

    Parameters
    ----------
    area_mm2 : array_like, shape (...)
        Open area. [mm2]
    depression : array_like, shape (...)
        Depression at the throat. [Pa]
    density_kg_m3 : array_like, shape (...)
        Density of the air before the throat. [kg/m3]
    pressure_pa : array_like, shape (...)
        Pressure of the air before the throat. [Pa]
    discharge_coefficient : array_like, shape (...)
        Share of the ideal flow that passes. [-]

    Returns
    -------
    array, shape (...)
        Air flow. [g/s]

    Notes
    -----
    .. math:: \dot m = C A \sqrt{\frac{2\gamma}{\gamma-1}\, p\rho\,(r^{2/\gamma} - r^{1+1/\gamma})},
              \quad r = 1 - \Delta p/p

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, 1988, appendix C (from memory).

    Examples
    --------
    >>> flow = air_flow_g_s(1.0, 2000.0, density_kg_m3=1.225, pressure_pa=101325.0,
    ...                     discharge_coefficient=1.0)
    >>> print(f"{flow:.5f}")
    0.06926
    """
    ratio = 1.0 - np.asarray(depression) / np.asarray(pressure_pa)
    head = ratio ** (2.0 / HEAT_RATIO) - ratio ** (1.0 + 1.0 / HEAT_RATIO)
    ideal = np.sqrt(2.0 * HEAT_RATIO / (HEAT_RATIO - 1.0) * np.asarray(pressure_pa) * np.asarray(density_kg_m3) * head)
    return np.asarray(np.asarray(discharge_coefficient) * np.asarray(area_mm2) * 1e-3 * ideal)


def lift_for_flow_mm(
    flow_g_s: ArrayLike, flow_at: Callable[[FloatArray], FloatArray], low_mm: float, high_mm: float
) -> FloatArray:
    """Lift at which a rising flow curve passes each flow.

    Parameters
    ----------
    flow_g_s : array_like, shape (...)
        Wanted flows. [g/s]
    flow_at : callable
        Flow in g/s at an array of lifts in mm, rising.
    low_mm, high_mm : float
        Ends of the travel. [mm]

    Returns
    -------
    array, shape (...)
        Lift; NaN where the flow lies outside what the travel passes. [mm]

    Examples
    --------
    >>> print(f"{lift_for_flow_mm(8.0, lambda lift: lift**3, 0.0, 10.0):.3f}")
    2.000
    """
    flow = np.asarray(flow_g_s, dtype=np.float64)
    low, high = np.full(flow.shape, low_mm), np.full(flow.shape, high_mm)
    inside = (flow >= flow_at(low)) & (flow <= flow_at(high))
    for _ in range(BISECTIONS):
        middle = (low + high) / 2.0
        below = flow_at(middle) < flow
        low, high = np.where(below, middle, low), np.where(below, high, middle)
    return np.where(inside, (low + high) / 2.0, np.nan)


def engine_air_flow_g_s(
    rpm: ArrayLike,
    *,
    displacement_cm3: ArrayLike,
    volumetric_efficiency: ArrayLike,
    density_kg_m3: ArrayLike,
) -> FloatArray:
    r"""Air a four-stroke engine draws.

    Parameters
    ----------
    rpm : array_like, shape (...)
        Engine speed. [1/min]
    displacement_cm3 : array_like, shape (...)
        Swept volume of the engine. [cm3]
    volumetric_efficiency : array_like, shape (...)
        Share of the swept volume filled at the density given. [-]
    density_kg_m3 : array_like, shape (...)
        Density the efficiency refers to: the manifold's, or the ambient air's. [kg/m3]

    Returns
    -------
    array, shape (...)
        Air flow, :math:`V n/120\;\eta\rho`. [g/s]

    Examples
    --------
    >>> flow = engine_air_flow_g_s(3000.0, displacement_cm3=1622.0, volumetric_efficiency=0.35,
    ...                            density_kg_m3=1.2)
    >>> print(f"{flow:.1f}")
    17.0
    """
    volume_m3 = np.asarray(displacement_cm3) * 1e-6
    cycles = np.asarray(rpm, dtype=np.float64) / 120.0
    return np.asarray(volume_m3 * cycles * np.asarray(volumetric_efficiency) * np.asarray(density_kg_m3) * 1e3)
