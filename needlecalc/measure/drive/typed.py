"""Bands read off a gauge and typed in: as good a way in as a log."""

from __future__ import annotations

from collections.abc import Sequence
from numbers import Real

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_each, check_range, read_only, same_length
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, DriveNote, LiftSource
from needlecalc.remark import Remark
from needlecalc.show import counted
from needlecalc.units import FloatArray


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

    Raises
    ------
    InputError
        If a row is no row of numbers, not as long as the others, or holds what cannot be.

    Examples
    --------
    >>> typed_bands([900, 3000], [0.97, 1.12], lift_mm=[2.0, 9.0])
    Bands: 2, 2 samples, 900 to 3000 rpm
    """
    speed, ratio = read_only(rpm, "rpm"), read_only(lambda_measured, "lambda_measured")
    count = same_length("typed bands", rpm=speed, lambda_measured=ratio)
    given = {"lift_mm": lift_mm, "air_flow_g_s": air_flow_g_s, "manifold_pressure_pa": manifold_pressure_pa}
    read = {
        name: np.full(count, np.nan) if values is None else read_only(values, name, allow_nan=True)
        for name, values in given.items()
    }
    check_each(
        read["air_flow_g_s"], "air_flow_g_s", 0.0, 2000.0, open_low=True, allow_nan=True, cure="It is of the whole engine."
    )
    in_pa = "It is absolute, in Pa; 1 kPa is 1000 Pa."
    check_each(read["manifold_pressure_pa"], "manifold_pressure_pa", 5e3, 5e5, allow_nan=True, cure=in_pa)
    same_length("typed bands", rpm=speed, **read)
    loads = ("full",) * count if load is None else tuple(load) if isinstance(load, Sequence | np.ndarray) else ()
    if len(loads) != count or isinstance(load, str) or not all(isinstance(name, str) for name in loads):
        rule = f"must be a list of {counted(count, 'name')}, one for each band, such as 'idle' or 'full'."
        msg = f"load is {shown(load)}, but {rule}"
        raise InputError(msg)
    check_range(lift_u_mm, "lift_u_mm", 0.0, 10.0, cure="It is one sigma, in mm.")
    doubt = read_only([lambda_se] if isinstance(lambda_se, Real) else lambda_se, "lambda_se")
    check_each(doubt, "lambda_se", 0.0, 1.0, cure="It is one sigma, a lambda.")
    if doubt.size not in (1, count):
        each = counted(count, "band")
        msg = f"lambda_se holds {counted(doubt.size, 'value')}, but must be one number, or one for each of the {each}."
        raise InputError(msg)
    lift = read["lift_mm"]
    return Bands(
        read,
        load=loads,
        rpm=speed,
        rpm_low=speed,
        rpm_high=speed,
        count=np.ones(count),
        visits=np.ones(count),
        lambda_measured=ratio,
        lambda_spread=np.zeros(count),
        lambda_se=np.broadcast_to(doubt, (count,)),
        lift_u_mm=np.where(np.isnan(lift), np.nan, lift_u_mm),
        lift_source=[LiftSource.NONE if np.isnan(value) else LiftSource.TYPED for value in lift],
        remarks=[Remark(DriveNote.TYPED)],
    )


def typed_each(values: ArrayLike, bands: Bands, name: str) -> FloatArray:
    """Readings typed in for bands there are already, one each, NaN where none was taken.

    >>> print(typed_each([4.0, np.nan], typed_bands([900, 2000], [0.97, 1.05]), "lift_mm"))
    [ 4. nan]
    """
    readings = read_only(values, name, allow_nan=True)
    if readings.size != bands.rpm.size:
        listed = ", ".join(bands.name(band) for band in range(bands.rpm.size))
        each = f"one for each of {counted(bands.rpm.size, 'band')}, in this order: {listed}"
        msg = f"{name} holds {counted(readings.size, 'value')}, but must hold {each}; put nan where none was read."
        raise InputError(msg)
    return readings
