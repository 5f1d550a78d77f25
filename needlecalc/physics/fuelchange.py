r"""Lambda after a change of fuel or of its temperature, at the same lift and depression.

The fuel flow *m* follows :math:`\Delta p = a\,\nu\,m + b\,m^2/\rho` with *a* and *b* of the gap alone.  The
viscous fraction :math:`\phi = a\,\nu\,m/\Delta p` of the old fuel says all that must be known of the gap.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.physics.limits import check_each
from needlecalc.units import FloatArray


def fuel_flow_factor(
    viscous_fraction: ArrayLike, *, density_ratio: ArrayLike = 1.0, viscosity_ratio: ArrayLike = 1.0
) -> FloatArray:
    r"""Fuel mass flow after a change of fuel, over that before.

    .. math:: (1-\phi)\,\frac{x^2}{r_\rho} + \phi\,r_\nu\,x = 1

    Parameters
    ----------
    viscous_fraction : array_like, shape (...)
        Share of the pressure difference that viscosity took with the old fuel, 0 to 1. [-]
    density_ratio : array_like, shape (...)
        Density of the new fuel over the old. [-]
    viscosity_ratio : array_like, shape (...)
        Kinematic viscosity of the new fuel over the old. [-]

    Returns
    -------
    float or array, shape (...)
        Factor *x* on the mass flow. [-]

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a ratio outside 0.1 to 10.

    Notes
    -----
    Exact for any change where *a* and *b* stay; so exact in both limits, :math:`\sqrt{r_\rho}` of an
    orifice and :math:`1/r_\nu` of a viscous gap.  In a needle's gap *b* falls slightly with Reynolds number,
    so wide gaps feel viscosity more than this says: for 20 % of viscosity the flow differs from that of
    :func:`needlecalc.physics.annulus.bore_flow` by 0.4 % at :math:`\phi` = 0.5, 1 % at 0.2, 2 % at 0.1.
    Where needle and jet are known, ask that one.  The head below the jet grows with density: some 0.1 %
    more.

    References
    ----------
    .. [1] Derived for this project from the pressure balance of the gap.

    Examples
    --------
    >>> print(f"{fuel_flow_factor(0.0, density_ratio=1.1025):.3f}")
    1.050
    >>> print(f"{fuel_flow_factor(1.0, viscosity_ratio=1.25):.3f}")
    0.800
    """
    fraction = check_each(viscous_fraction, "viscous_fraction", 0.0, 1.0, cure="It is a share of the pressure.")
    inertial = (1.0 - fraction) / _ratio(density_ratio, "density_ratio")
    viscous = fraction * _ratio(viscosity_ratio, "viscosity_ratio")
    # The root written so that neither limit divides nought by nought.
    return np.asarray(2.0 / (viscous + np.sqrt(viscous**2 + 4.0 * inertial)))[()]


def lambda_factor_of_fuel(
    viscous_fraction: ArrayLike,
    *,
    afr_ratio: ArrayLike = 1.0,
    density_ratio: ArrayLike = 1.0,
    viscosity_ratio: ArrayLike = 1.0,
) -> FloatArray:
    r"""Lambda after a change of fuel, over that before, at the same lift and air.

    .. math:: \frac{\lambda'}{\lambda} = \frac{1}{r_\mathrm{AFR}\;x(\phi, r_\rho, r_\nu)}

    Parameters
    ----------
    viscous_fraction : array_like, shape (...)
        Share of the pressure difference that viscosity took with the old fuel, 0 to 1. [-]
    afr_ratio : array_like, shape (...)
        Stoichiometric air-fuel ratio of the new fuel over the old. [-]
    density_ratio : array_like, shape (...)
        Density of the new fuel over the old. [-]
    viscosity_ratio : array_like, shape (...)
        Kinematic viscosity of the new fuel over the old. [-]

    Returns
    -------
    float or array, shape (...)
        Factor on lambda; above 1 is leaner. [-]

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a ratio outside 0.1 to 10.

    Notes
    -----
    *x* is :func:`fuel_flow_factor`; its range of validity holds here.

    References
    ----------
    .. [1] Derived for this project from the pressure balance of the gap.

    Examples
    --------
    >>> print(f"{lambda_factor_of_fuel(0.0, afr_ratio=13.986 / 14.575, density_ratio=749.9 / 745):.4f}")
    1.0387
    """
    flow = fuel_flow_factor(viscous_fraction, density_ratio=density_ratio, viscosity_ratio=viscosity_ratio)
    return np.asarray(1.0 / (_ratio(afr_ratio, "afr_ratio") * flow))[()]


def ln_lambda_shift_of_fuel(
    viscous_fraction: ArrayLike,
    *,
    ln_afr_step: ArrayLike = 0.0,
    ln_density_step: ArrayLike = 0.0,
    ln_viscosity_step: ArrayLike = 0.0,
) -> FloatArray:
    r"""Shift of ln(lambda) for small steps of the fuel's properties: the slope law.

    .. math:: \mathrm d\ln\lambda = -\mathrm d\ln\mathrm{AFR_{st}}
              - \frac{(1-\phi)\,\mathrm d\ln\rho - \phi\,\mathrm d\ln\nu}{2 - \phi}

    Parameters
    ----------
    viscous_fraction : array_like, shape (...)
        Share of the pressure difference that viscosity takes, 0 to 1. [-]
    ln_afr_step : array_like, shape (...)
        Step of ln(stoichiometric air-fuel ratio). [-]
    ln_density_step : array_like, shape (...)
        Step of ln(density). [-]
    ln_viscosity_step : array_like, shape (...)
        Step of ln(kinematic viscosity). [-]

    Returns
    -------
    float or array, shape (...)
        Shift of ln(lambda); positive is leaner. [-]

    Raises
    ------
    InputError
        If the fraction is outside 0 to 1 or a step is not finite.

    Notes
    -----
    For uncertainty sums and steps of a few per cent; :func:`lambda_factor_of_fuel` holds for any step.

    References
    ----------
    .. [1] Derived for this project from the pressure balance of the gap.

    Examples
    --------
    >>> print(f"{ln_lambda_shift_of_fuel(0.96, ln_viscosity_step=-0.11):.3f}")
    -0.102
    """
    fraction = check_each(viscous_fraction, "viscous_fraction", 0.0, 1.0, cure="It is a share of the pressure.")
    afr = check_each(ln_afr_step, "ln_afr_step", -10.0, 10.0)
    density = check_each(ln_density_step, "ln_density_step", -10.0, 10.0)
    viscosity = check_each(ln_viscosity_step, "ln_viscosity_step", -10.0, 10.0)
    return np.asarray(-afr - ((1.0 - fraction) * density - fraction * viscosity) / (2.0 - fraction))[()]


def _ratio(value: ArrayLike, name: str) -> FloatArray:
    return check_each(value, name, 0.1, 10.0, cure="It is new over old.")
