"""Bands read off a gauge and typed in: as good a way in as a log."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands


def typed_bands(
    rpm: ArrayLike,
    lambda_measured: ArrayLike,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    load: Sequence[str] | None = None,
    lambda_se: float | ArrayLike = 0.01,
    air_flow_g_s: ArrayLike | None = None,
    manifold_pressure_pa: ArrayLike | None = None,
) -> Bands:
    """Bands read off a gauge and typed in.

    Parameters
    ----------
    rpm, lambda_measured : array_like, shape (m,)
        Engine speed and lambda of each hold. [1/min, -]
    lift_mm : array_like, shape (m,), or None
        Lift read at each, where it was. [mm]
    lift_u_mm : float
        Standard uncertainty of those readings. [mm]
    load : sequence of str or None
        Name of the load of each; "full" when not given.
    lambda_se : float or array_like, shape (m,)
        Standard uncertainty of each lambda. [-]
    air_flow_g_s : array_like, shape (m,), or None
        Air flow of the engine at each, where it was read; NaN where not. [g/s]
    manifold_pressure_pa : array_like, shape (m,), or None
        Absolute manifold pressure at each, where it was read; NaN where not. [Pa]

    Returns
    -------
    Bands
        The table as bands of one sample each.

    Examples
    --------
    >>> typed_bands([900, 3000], [0.97, 1.12], lift_mm=[2.0, 9.0])
    Bands: 2, 2 samples, 900 to 3000 rpm
    """
    speed = read_only(rpm, "rpm")
    ratio = read_only(lambda_measured, "lambda_measured")
    count = same_length("typed bands", rpm=speed, lambda_measured=ratio)
    nan = np.full(count, np.nan)
    lift, flow, pressure = (
        nan if values is None else read_only(values, name, allow_nan=True)
        for name, values in (
            ("lift_mm", lift_mm),
            ("air_flow_g_s", air_flow_g_s),
            ("manifold_pressure_pa", manifold_pressure_pa),
        )
    )
    same_length("typed bands", rpm=speed, lift_mm=lift, air_flow_g_s=flow, manifold_pressure_pa=pressure)
    loads = ("full",) * count if load is None else tuple(load) if isinstance(load, Sequence | np.ndarray) else ()
    if len(loads) != count or isinstance(load, str) or not all(isinstance(name, str) for name in loads):
        msg = f"load is {load!r}, but must be a list of {count} names, one for each band, such as 'idle' or 'full'."
        raise InputError(msg)
    doubt = read_only(np.atleast_1d(np.asarray(lambda_se)), "lambda_se")
    if doubt.size not in (1, count):
        msg = f"lambda_se holds {doubt.size} values, but must be one number, or one for each of the {count} bands."
        raise InputError(msg)
    ones = np.ones(count, dtype=np.int64)
    return Bands(
        speed,
        speed,
        speed,
        loads,
        ones,
        ones,
        ratio,
        np.zeros(count),
        np.broadcast_to(doubt, (count,)),
        pressure,
        flow,
        lift,
        np.where(np.isnan(lift), np.nan, lift_u_mm),
        tuple("" if np.isnan(value) else "typed in" for value in lift),
        assumptions=("bands typed in",),
    )
