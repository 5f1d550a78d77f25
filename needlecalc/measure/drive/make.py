"""Bands made from a log, or typed in as read off a gauge."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from numbers import Real
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_each, check_range, read_only, same_length
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource, RowReason
from needlecalc.measure.drive.lag import Lag, find_lag
from needlecalc.measure.drive.samples import band_means
from needlecalc.measure.drive.steady import (
    IDLE_BELOW_RPM,
    LAMBDA_WITHIN,
    OPENING_RISE,
    RPM_WITHIN,
    SETTLE_S,
    STEADY_S,
    Steady,
    load_of_rows,
    steady_samples,
)
from needlecalc.measure.log.file import Log
from needlecalc.priors import LAMBDA_READ
from needlecalc.remark import Remark, Severity
from needlecalc.show import counted, in_words
from needlecalc.units import FloatArray

USUAL_RPM_EDGES = (500.0, 1100.0, 1750.0, 2250.0, 2750.0, 3250.0, 3750.0, 4250.0, 4750.0, 5250.0)
# Pieces of a hold closer than this are one visit.
VISIT_GAP_S = 5.0
# Rows closer than this whose pressure only sways (standard deviation) are one hold: judgement.
HOLD_GAP_S, SWAY_PA = 1.0, 2000.0


class _Kept(NamedTuple):
    """A band with enough samples: its edges, its load and its rows of the log."""

    low: float
    high: float
    load: str
    rows: NDArray[np.intp]


def make_bands(
    log: Log,
    *,
    rpm_edges: Sequence[float] = USUAL_RPM_EDGES,
    loads_pa: Mapping[str, tuple[float, float]] | None = None,
    loads_percent: Mapping[str, tuple[float, float]] | None = None,
    idle_below_rpm: float = IDLE_BELOW_RPM,
    lag_s: float | Lag | None = None,
    steady_s: float = STEADY_S,
    settle_s: float = SETTLE_S,
    rpm_within: float = RPM_WITHIN,
    pressure_within_pa: float | None = None,
    throttle_within_percent: float | None = None,
    lambda_within: float = LAMBDA_WITHIN,
    opening_rise: float = OPENING_RISE,
    warm_above_degc: float | None = None,
    overrun_below_pa: float | None = None,
    least_count: int = 10,
) -> Bands:
    """Bands of steady samples from a log.

    Parameters
    ----------
    log : Log
        The drive.
    rpm_edges : sequence of float
        Edges of the bands, rising. [1/min]
    loads_pa : mapping or None
        Name of each load to its range of manifold pressure; the usual three when not given. [Pa]
    loads_percent : mapping or None
        Name of each load to its range of throttle, for logs without manifold pressure; both may be given.  With
        neither logged, every load is "all". [%]
    idle_below_rpm : float
        Below this speed the load is "idle" whatever the pressure. [1/min]
    lag_s : float, Lag or None
        Lag of the lambda reading behind the engine; estimated from the log when not given. [s]
    steady_s : float
        Length of the window that must be steady around a sample. [s]
    settle_s : float
        Time left out after an opening, for which the damper still enriches. [s]
    rpm_within : float
        Greatest move of speed in the window, as a share of the speed (or of 1000). [-]
    pressure_within_pa : float or None
        Greatest move of manifold pressure in the window; 4000 where it was logged, if not given. [Pa]
    throttle_within_percent : float or None
        Greatest move of throttle in the window, asked only where no pressure was logged; 4 if not given. [%]
    lambda_within : float
        Greatest change of lambda from one half of the window to the other. [-]
    opening_rise : float
        Rise of air flow that makes an opening, as a share. [-]
    warm_above_degc : float or None
        Least temperature of the coolant; 70 where it was logged, if not given. [degC]
    overrun_below_pa : float or None
        Manifold pressure below which a fast engine is overrunning; 28000 where it was logged, if not given. [Pa]
    least_count : int
        Least accepted samples of a band.

    Returns
    -------
    Bands
        Samples in bands and rows dropped add up to the rows of the log.

    Raises
    ------
    InputError
        If no band has enough samples, the edges do not rise, or the log has no column for what is asked.

    Notes
    -----
    Rules of steadiness: :func:`needlecalc.measure.drive.steady.steady_samples`; lag:
    :func:`needlecalc.measure.drive.lag.find_lag`; means and errors:
    :func:`needlecalc.measure.drive.samples.band_means`.  Pieces of a band less than 5 s apart are one visit.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> make_bands(road.log, warm_above_degc=82)
    Bands: 11, 2545 samples, 850 to 5000 rpm
    """
    edges = read_only(rpm_edges, "rpm_edges")
    if edges.size < 2 or (np.diff(edges) <= 0.0).any():
        msg = "rpm_edges must rise and be at least two; list the speeds where one band ends and the next begins."
        raise InputError(msg)
    check_range(least_count, "least_count", 1, 1e6, cure="It is a number of samples, some 10.")
    if log.rpm.size < 2:
        msg = f"log {log.name} has a single row, and a band needs readings held for seconds; log a drive."
        raise InputError(msg)
    steady = steady_samples(
        log,
        find_lag(log, lag_s),
        steady_s=steady_s,
        settle_s=settle_s,
        rpm_within=rpm_within,
        pressure_within_pa=pressure_within_pa,
        throttle_within_percent=throttle_within_percent,
        lambda_within=lambda_within,
        opening_rise=opening_rise,
        warm_above_degc=warm_above_degc,
        overrun_below_pa=overrun_below_pa,
    )
    names, load = load_of_rows(log, loads_pa=loads_pa, loads_percent=loads_percent, idle_below_rpm=idle_below_rpm)
    rows, kept = _by_speed_and_load(steady, edges, names, load, least_count)
    if not kept:
        why, count = max(rows.dropped(), key=lambda pair: pair[1])
        msg = f"There is no band with enough steady samples: {in_words(why)} ({count} rows). Hold each speed for 5 s."
        raise InputError(msg)
    if all(band.load != "idle" for band in kept):
        rows = replace(rows, remarks=(*steady.remarks, _no_idle(rows, idle_below_rpm)))
    return _bands(rows, kept)


def _by_speed_and_load(
    steady: Steady, edges: FloatArray, names: Sequence[str], load: NDArray[np.intp], least_count: int
) -> tuple[Steady, list[_Kept]]:
    """Steady rows sorted into bands, and those that are in none told why."""
    rpm, code = steady.log.rpm, np.array(steady.code)
    slot = np.searchsorted(edges, rpm, side="right") - 1
    outside = (slot < 0) | (slot >= edges.size - 1)
    ends = (LeftOut(RowReason.NO_LOAD), LeftOut(RowReason.NO_BAND), LeftOut(RowReason.FEW, least_count))
    no_load, no_band, few = range(len(steady.reasons), len(steady.reasons) + len(ends))
    load = _by_hold(steady, slot, load)
    code[(code == 0) & (load < 0)] = no_load
    code[(code == 0) & outside] = no_band
    kept = []
    for place in range(edges.size - 1):
        for one, name in enumerate(names):
            rows = np.flatnonzero((code == 0) & (slot == place) & (load == one))
            if rows.size >= least_count:
                kept.append(_Kept(float(edges[place]), float(edges[place + 1]), name, rows))
            else:
                code[rows] = few
    return replace(steady, code=code, reasons=(*steady.reasons, *ends)), kept


def _by_hold(steady: Steady, slot: NDArray[np.intp], load: NDArray[np.intp]) -> NDArray[np.intp]:
    """Load of each row; a hold that sways over the limit between two loads is under that of most of its rows."""
    rows, pressure = np.flatnonzero(steady.code == 0), steady.log.manifold_pressure_pa
    if pressure is None:
        return load
    apart, moved = np.diff(steady.log.time_s[rows]) > HOLD_GAP_S, np.diff(slot[rows]) != 0
    load = load.copy()
    for hold in np.split(rows, np.flatnonzero(apart | moved) + 1):
        found = np.bincount(load[hold] + 1)
        if np.count_nonzero(found) > 1 and pressure[hold].std() <= SWAY_PA:
            load[hold] = found.argmax() - 1
    return load


def _no_idle(steady: Steady, below_rpm: float) -> Remark:
    """That idle is missing, for how long the log idles, and what left most of that out."""
    log, code = steady.log, steady.code
    idling = (log.rpm < below_rpm) & (log.flag == 0)
    left_out = steady.reasons[int(np.bincount(code[idling], minlength=len(steady.reasons)).argmax())]
    seconds = float(idling.sum() * np.median(np.diff(log.time_s)))
    numbers: dict[str, float | int | str] = {"seconds": seconds, "below_rpm": below_rpm, "fate": str(left_out.why)}
    numbers |= {"limit": left_out.limit, "flag": left_out.flag}
    return Remark(DriveNote.NO_IDLE, Severity.CAUTION, numbers=numbers)


def _bands(steady: Steady, kept: list[_Kept]) -> Bands:
    """The record, from the rows of each band."""
    log, lag, rows = steady.log, steady.lag, [band.rows for band in kept]
    row, band = np.concatenate(rows), np.repeat(np.arange(len(rows)), [here.size for here in rows])
    visit = np.cumsum(np.diff(band, prepend=0).astype(bool) | (np.diff(log.time_s[row], prepend=0.0) > VISIT_GAP_S))
    step_s = float(np.median(np.diff(log.time_s)))
    means, correlation_s = band_means(steady.lambda_burnt[row], row, visit - visit[0], band, step_s=step_s)

    def logged(column: FloatArray | None) -> FloatArray:
        return np.full(row.size, np.nan) if column is None else column[row]

    lift = means.mean_of(logged(log.lift_mm))
    return Bands(
        load=[band.load for band in kept],
        rpm=means.mean_of(log.rpm[row]),
        rpm_low=[band.low for band in kept],
        rpm_high=[band.high for band in kept],
        count=[here.size for here in rows],
        visits=means.visits,
        effective_count=means.effective_count,
        lambda_measured=means.mean,
        lambda_spread=[steady.lambda_burnt[here].std(ddof=1) if here.size > 1 else 0.0 for here in rows],
        lambda_se=means.se,
        spread_within=means.spread_within,
        spread_between=means.spread_between,
        manifold_pressure_pa=means.mean_of(logged(log.manifold_pressure_pa)),
        air_flow_g_s=means.mean_of(logged(log.air_flow_g_s)),
        throttle_percent=means.mean_of(logged(log.throttle_percent)),
        lift_mm=lift,
        lift_u_mm=means.error_of(logged(log.lift_mm)),
        lift_source=[LiftSource.LOGGED if np.isfinite(value) else LiftSource.NONE for value in lift],
        log=log,
        lag=lag,
        samples=rows,
        dropped=steady.dropped(),
        remarks=[
            Remark(DriveNote.LAG, numbers={"seconds": lag.seconds, "seconds_u": lag.seconds_u, "source": lag.source}),
            Remark(DriveNote.CORRELATION, numbers={"seconds": correlation_s}),
            *steady.remarks,
        ],
    )


def typed_bands(
    rpm: ArrayLike,
    lambda_measured: ArrayLike,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    load: Sequence[str] | None = None,
    lambda_se: float | ArrayLike = LAMBDA_READ.u,
    air_flow_g_s: ArrayLike | None = None,
    manifold_pressure_pa: ArrayLike | None = None,
    bank: Sequence[str] | None = None,
) -> Bands:
    """Bands read off a gauge and typed in.

    Parameters
    ----------
    rpm, lambda_measured : array_like, shape (m,)
        Engine speed of each hold; lambda of each hold. [1/min, -]
    lift_mm : array_like, shape (m,), or None
        Lift read at each, where it was. [mm]
    lift_u_mm : float
        Standard uncertainty of those readings. [mm]
    load : sequence of str or None
        Name of the load of each hold; "full" when not given.
    lambda_se : float or array_like, shape (m,)
        Standard uncertainty of each lambda. [-]
    air_flow_g_s : array_like, shape (m,), or None
        Air flow of the engine at each, where it was read; NaN where not. [g/s]
    manifold_pressure_pa : array_like, shape (m,), or None
        Absolute manifold pressure at each, where it was read; NaN where not. [Pa]
    bank : sequence of str or None
        Bank, or carburettor, that each was read at, where each has a sensor of its own.

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
    each = f"the {counted(count, 'band')}"
    read = {
        name: np.full(count, np.nan) if values is None else _one_each(values, name, count, each)
        for name, values in given.items()
    }
    flow, pressure = read["air_flow_g_s"], read["manifold_pressure_pa"]
    check_each(flow, "air_flow_g_s", 0.0, 2000.0, open_low=True, allow_nan=True, cure="It is of the whole engine.")
    in_pa = "It is absolute, in Pa; 1 kPa is 1000 Pa."
    check_each(pressure, "manifold_pressure_pa", 5e3, 5e5, allow_nan=True, cure=in_pa)
    loads = ("full",) * count if load is None else _names(load, "load", count, "'idle' or 'full'")
    banks = () if bank is None else _names(bank, "bank", count, "'left' or 'right'")
    check_range(lift_u_mm, "lift_u_mm", 0.0, 10.0, cure="It is one sigma, in mm.")
    error = read_only([lambda_se] if isinstance(lambda_se, Real) else lambda_se, "lambda_se")
    check_each(error, "lambda_se", 0.0, 1.0, cure="It is one sigma, a lambda.")
    if error.size not in (1, count):
        msg = f"lambda_se holds {counted(error.size, 'value')}, but must be one number, or one for each of {each}."
        raise InputError(msg)
    lift = read["lift_mm"]
    return Bands(
        read,
        load=loads,
        bank=banks,
        rpm=speed,
        rpm_low=speed,
        rpm_high=speed,
        count=np.ones(count),
        visits=np.ones(count),
        lambda_measured=ratio,
        lambda_spread=np.zeros(count),
        lambda_se=np.broadcast_to(error, (count,)),
        lift_u_mm=np.where(np.isnan(lift), np.nan, lift_u_mm),
        lift_source=[LiftSource.NONE if np.isnan(value) else LiftSource.TYPED for value in lift],
        remarks=[Remark(DriveNote.TYPED)],
    )


def typed_each(values: ArrayLike, bands: Bands, name: str) -> FloatArray:
    """Readings typed in for bands there are already, one each, NaN where none was taken.

    >>> print(typed_each([4.0, np.nan], typed_bands([900, 2000], [0.97, 1.05]), "lift_mm"))
    [ 4. nan]
    """
    order = ", ".join(bands.name(band) for band in range(bands.rpm.size))
    return _one_each(values, name, bands.rpm.size, f"{counted(bands.rpm.size, 'band')}, in this order: {order}")


def _one_each(values: ArrayLike, name: str, count: int, each: str) -> FloatArray:
    """Readings, one for each of some bands, NaN where none was taken."""
    readings = read_only(values, name, allow_nan=True)
    if readings.size != count:
        rule = f"must hold one for each of {each}; put nan where none was read"
        msg = f"{name} holds {counted(readings.size, 'value')}, but {rule}."
        raise InputError(msg)
    return readings


def _names(given: object, name: str, count: int, such: str) -> tuple[str, ...]:
    """A name for each band."""
    names = tuple(given) if isinstance(given, Sequence | np.ndarray) and not isinstance(given, str) else ()
    if len(names) != count or not all(isinstance(one, str) for one in names):
        msg = f"{name} is {shown(given)}, but must be a list of {counted(count, 'name')}, one for each band, such as {such}."
        raise InputError(msg)
    return names
