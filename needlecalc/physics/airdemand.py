r"""Air that a four-stroke engine asks for, and what its pulses do to the metering.

The piston of the air valve is too heavy to follow single pulses: its balance sets the mean depression,
while the air follows the square root of the depression of the moment.  So a pulsating flow passes less
air at a lift than a steady one, by the pulsation factor

.. math:: F = \frac{\overline{\sqrt{\Delta p}}}{\sqrt{\overline{\Delta p}}}
            = \frac{\overline{|q|}}{\sqrt{\overline{q^2}}}.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray, kelvin_from_degc

GAS_CONSTANT_DRY_AIR_J_KGK = 287.05
SECONDS_TIMES_STROKES = 120.0  # a four-stroke engine breathes once in two turns: 2 * 60 s


def engine_air_flow_g_s(
    rpm: ArrayLike,
    *,
    displacement_cm3: ArrayLike,
    volumetric_efficiency: ArrayLike,
    density_kg_m3: ArrayLike,
) -> FloatArray:
    r"""Air mass flow of a four-stroke engine from speed and volumetric efficiency.

    .. math:: \dot m = V_d\,\frac{n}{120}\,\eta_v\,\rho

    Parameters
    ----------
    rpm : array_like, shape (...)
        Engine speed *n*. [1/min]
    displacement_cm3 : array_like, shape (...)
        Swept volume of all cylinders. [cm3]
    volumetric_efficiency : array_like, shape (...)
        Air drawn in over the air that fills the swept volume at ``density_kg_m3``. [-]
    density_kg_m3 : array_like, shape (...)
        Density of the air that the efficiency refers to; outside air if throttling counts in it.
        [kg/m3]

    Returns
    -------
    float or array, shape (...)
        Air mass flow of the whole engine; divide by the number of carburettors. [g/s]

    Raises
    ------
    InputError
        If a value is negative, or the efficiency above 1.5 (a percentage, most likely).

    Notes
    -----
    On outside air some 0.2-0.3 at idle, 0.2-0.4 at light cruise, 0.70-0.85 at full load of a two-valve
    engine (values from memory).

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, section 2.10 (from
       memory).

    Examples
    --------
    >>> flow = engine_air_flow_g_s(
    ...     5000.0, displacement_cm3=2393.0, volumetric_efficiency=0.8, density_kg_m3=1.2)
    >>> print(f"{flow:.1f}")
    95.7
    """
    speed = check_each(rpm, "rpm", 0.0, allow_nan=True)
    volume = check_each(displacement_cm3, "displacement_cm3", 0.0, open_low=True)
    efficiency = _efficiency(volumetric_efficiency)
    density = check_each(density_kg_m3, "density_kg_m3", 0.0, open_low=True)
    return np.asarray(1e-3 * volume * speed / SECONDS_TIMES_STROKES * efficiency * density)[()]


def speed_density_air_flow_g_s(
    rpm: ArrayLike,
    *,
    displacement_cm3: ArrayLike,
    volumetric_efficiency: ArrayLike,
    manifold_pressure_pa: ArrayLike,
    manifold_temperature_degc: ArrayLike,
    gas_constant_j_kgk: ArrayLike = GAS_CONSTANT_DRY_AIR_J_KGK,
) -> FloatArray:
    r"""Air mass flow of a four-stroke engine from manifold pressure and temperature.

    .. math:: \dot m = V_d\,\frac{n}{120}\,\eta_v\,\frac{p_m}{R\,T_m}

    Parameters
    ----------
    rpm : array_like, shape (...)
        Engine speed. [1/min]
    displacement_cm3 : array_like, shape (...)
        Swept volume of all cylinders. [cm3]
    volumetric_efficiency : array_like, shape (...)
        Air drawn in over the air that fills the swept volume at manifold conditions. [-]
    manifold_pressure_pa : array_like, shape (...)
        Absolute manifold pressure; NaN stays NaN. [Pa]
    manifold_temperature_degc : array_like, shape (...)
        Temperature of the charge in the manifold. [degC]
    gas_constant_j_kgk : array_like, shape (...)
        Gas constant of the air. [J/(kg K)]

    Returns
    -------
    float or array, shape (...)
        Air mass flow of the whole engine. [g/s]

    Raises
    ------
    InputError
        If a value is out of its range.

    Notes
    -----
    This efficiency refers to the manifold and changes little with throttle; the one of
    :func:`engine_air_flow_g_s` on outside air falls with it.  Fuel vapour in the manifold takes up
    some per cent of the volume; it counts in the efficiency.

    References
    ----------
    .. [1] Heywood, *Internal Combustion Engine Fundamentals*, McGraw-Hill, 1988, sections 2.10 and 6.2
       (from memory).

    Examples
    --------
    >>> flow = speed_density_air_flow_g_s(850.0, displacement_cm3=1622.0, volumetric_efficiency=0.75,
    ...     manifold_pressure_pa=35e3, manifold_temperature_degc=35.0)
    >>> print(f"{flow:.2f}")
    3.41
    """
    pressure = check_each(
        manifold_pressure_pa,
        "manifold_pressure_pa",
        0.0,
        open_low=True,
        allow_nan=True,
        cure="It is absolute: a gauge reading needs the barometer added.",
    )
    temperature = check_each(manifold_temperature_degc, "manifold_temperature_degc", -80.0, 200.0)
    gas_constant = check_each(gas_constant_j_kgk, "gas_constant_j_kgk", 0.0, open_low=True)
    density = pressure / (gas_constant * kelvin_from_degc(temperature))
    # NaN may stand in the pressure but not in a density, so it goes round the check there.
    known = np.where(np.isnan(density), 1.0, density)
    flow = engine_air_flow_g_s(
        rpm,
        displacement_cm3=displacement_cm3,
        volumetric_efficiency=volumetric_efficiency,
        density_kg_m3=known,
    )
    return np.asarray(flow * (density / known))[()]


def half_sine_pulsation_factor(cylinders: int) -> float:
    r"""Pulsation factor where each cylinder draws a half sine and nothing smooths it.

    Parameters
    ----------
    cylinders : int
        Evenly firing four-stroke cylinders that share one carburettor.

    Returns
    -------
    float
        Pulsation factor. [-]

    Raises
    ------
    InputError
        If there is no cylinder.

    Notes
    -----
    With up to four cylinders the pulses do not overlap and
    :math:`F = \sqrt{N}\,\sqrt2/\pi`; with more, the overlap of two half sines *d* apart,
    :math:`\tfrac12[(\pi - d)\cos d + \sin d]`, is summed over all pairs.  This is the worst case: a
    plenum, and above all a nearly shut throttle, lead towards 1.

    Examples
    --------
    >>> print([round(half_sine_pulsation_factor(n), 3) for n in (1, 2, 3, 4, 6)])
    [0.45, 0.637, 0.78, 0.9, 0.999]
    """
    if isinstance(cylinders, bool) or not isinstance(cylinders, (int, np.integer)) or cylinders < 1:
        msg = (
            f"cylinders is {shown(cylinders)}, but must be a whole number, 1 or more; count those that breathe "
            "through this carburettor."
        )
        raise InputError(msg)
    apart = 4.0 * np.pi * np.arange(cylinders) / cylinders
    apart = np.minimum(apart, 4.0 * np.pi - apart)
    overlap = np.where(apart < np.pi, 0.5 * ((np.pi - apart) * np.cos(apart) + np.sin(apart)), 0.0).sum()
    mean = cylinders * 2.0 / (4.0 * np.pi)
    mean_square = cylinders * overlap / (4.0 * np.pi)
    return float(mean / np.sqrt(mean_square))


def sine_pulsation_factor(amplitude: ArrayLike) -> FloatArray:
    r"""Pulsation factor of a flow ``1 + a sin``.

    .. math:: F = 1/\sqrt{1 + a^2/2}

    Parameters
    ----------
    amplitude : array_like, shape (...)
        Amplitude *a* over the mean flow; beyond 1 the flow would reverse. [-]

    Returns
    -------
    float or array, shape (...)
        Pulsation factor. [-]

    Raises
    ------
    InputError
        If the amplitude lies outside 0..1.

    Examples
    --------
    >>> print(f"{sine_pulsation_factor(0.5):.3f}")
    0.943
    """
    swing = check_each(amplitude, "amplitude", 0.0, 1.0, cure="Give it over the mean flow.")
    return np.asarray(1.0 / np.sqrt(1.0 + swing**2 / 2.0))[()]


def pulsation_factor(air_flow_g_s: ArrayLike, *, axis: int = -1) -> FloatArray:
    r"""Pulsation factor of a sampled cycle.

    .. math:: F = \overline{|q|} / \sqrt{\overline{q^2}}

    Parameters
    ----------
    air_flow_g_s : array_like, shape (..., n)
        Air flow at evenly spaced moments of one whole cycle; its unit cancels. [g/s]
    axis : int
        Axis of time.

    Returns
    -------
    float or array
        Pulsation factor, 1 for a steady flow. [-]

    Raises
    ------
    InputError
        If a sample is not a number, or the flow is nought all through.

    Examples
    --------
    >>> print(pulsation_factor([1.0, 0.0, 1.0, 0.0]).round(4))
    0.7071
    """
    flow = _cycle(air_flow_g_s, axis)
    return np.asarray(np.abs(flow).mean(axis=axis) / np.sqrt((flow**2).mean(axis=axis)))[()]


def pulsation_lambda_factor(factor: ArrayLike, viscous_fraction: ArrayLike) -> FloatArray:
    r"""Lambda under small pulses over lambda in steady flow, at the same lift.

    .. math:: \frac{\lambda}{\lambda_\mathrm{steady}} =
              1 - (1 - F)\left[1 - \frac{8\,(1 - \varphi)}{(2 - \varphi)^3}\right]

    Parameters
    ----------
    factor : array_like, shape (...)
        Pulsation factor *F* of the air. [-]
    viscous_fraction : array_like, shape (...)
        Share :math:`\varphi` of the fuel's driving pressure that viscosity takes, in steady flow. [-]

    Returns
    -------
    float or array, shape (...)
        Lambda factor: below 1 is richer. [-]

    Raises
    ------
    InputError
        If a value lies outside 0..1 (the factor above 0).

    Notes
    -----
    Second order in the amplitude, so for *F* above some 0.95; for bigger pulses use
    :func:`cycle_lambda_factor`.  An inertial jet (:math:`\varphi = 0`) loses as much fuel as air, a
    viscous one none.  The fuel is taken to follow each moment, the air never to reverse.

    Examples
    --------
    >>> print(pulsation_lambda_factor(0.978, [0.0, 0.5, 0.95]).round(3))
    [1. 1.004 0.986]
    """
    air = check_each(factor, "factor", 0.0, 1.0, open_low=True)
    viscous = check_each(viscous_fraction, "viscous_fraction", 0.0, 1.0)
    return np.asarray(1.0 - (1.0 - air) * (1.0 - 8.0 * (1.0 - viscous) / (2.0 - viscous) ** 3))[()]


def cycle_lambda_factor(air_flow_g_s: ArrayLike, viscous_fraction: ArrayLike, *, axis: int = -1) -> FloatArray:
    r"""Lambda of a sampled cycle over lambda in steady flow, at the same lift.

    Parameters
    ----------
    air_flow_g_s : array_like, shape (..., n)
        Air flow at evenly spaced moments of one whole cycle; its unit cancels. [g/s]
    viscous_fraction : array_like, shape (...)
        Share :math:`\varphi` of the fuel's driving pressure that viscosity takes, in steady flow; it
        broadcasts with the cycles. [-]
    axis : int
        Axis of time.

    Returns
    -------
    float or array, shape (...)
        Lambda factor: below 1 is richer. [-]

    Raises
    ------
    InputError
        If a sample is not a number or the flow is nought all through, or the fraction lies outside 0..1.

    Notes
    -----
    The depression of the moment is :math:`x = q^2/\overline{q^2}` of its mean, the fuel *u* of its
    steady value follows from :math:`\varphi u + (1 - \varphi) u^2 = x`, and the factor is
    :math:`F/\bar u`.  Air that blows back counts as air drawn in: it takes up fuel again.

    Examples
    --------
    >>> crank = np.linspace(0.0, 4.0 * np.pi, 720, endpoint=False)
    >>> single = np.where(crank < np.pi, np.sin(crank), 0.0)
    >>> print(cycle_lambda_factor(single, [0.1, 0.5, 0.9]).round(3))
    [0.976 0.847 0.596]
    """
    flow = np.moveaxis(_cycle(air_flow_g_s, axis), axis, -1)
    viscous = check_each(viscous_fraction, "viscous_fraction", 0.0, 1.0)[..., None]
    depression = flow**2 / (flow**2).mean(axis=-1, keepdims=True)
    # The root written without cancellation, so that both pure cases come out exactly.
    fuel = 2.0 * depression / (viscous + np.sqrt(viscous**2 + 4.0 * (1.0 - viscous) * depression) + _TINY)
    return np.asarray(np.sqrt(depression).mean(axis=-1) / fuel.mean(axis=-1))[()]


_TINY = np.finfo(np.float64).tiny  # keeps nought over nought at nought: no depression, no fuel


def _efficiency(volumetric_efficiency: ArrayLike) -> FloatArray:
    return check_each(
        volumetric_efficiency,
        "volumetric_efficiency",
        0.0,
        1.5,
        cure="It is a share, so write 80 % as 0.8.",
    )


def _cycle(air_flow_g_s: ArrayLike, axis: int) -> FloatArray:
    flow = check_each(air_flow_g_s, "air_flow_g_s", -np.inf)
    if flow.ndim == 0 or not np.all(np.any(flow != 0.0, axis=axis)):
        msg = "air_flow_g_s must hold one cycle's samples, and not only zeros; check the samples and the axis."
        raise InputError(msg)
    return flow
