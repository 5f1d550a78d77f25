"""From a log to bands: steady samples gathered by engine speed and load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range, read_only
from needlecalc.errors import InputError
from needlecalc.measure.drive.averages import band_means
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.drive.lag import Lag, find_lag
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
from needlecalc.show import counted
from needlecalc.units import FloatArray

USUAL_RPM_EDGES = (500.0, 1100.0, 1750.0, 2250.0, 2750.0, 3250.0, 3750.0, 4250.0, 4750.0, 5250.0)
# Pieces of a hold closer than this are one visit.
VISIT_GAP_S = 5.0


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
        The same by throttle, for logs without manifold pressure; both may be given.  With neither logged,
        every load is "all". [%]
    idle_below_rpm : float
        Below this speed the load is "idle" whatever the pressure. [1/min]
    lag_s : float, Lag or None
        Lag of the lambda reading behind the engine; estimated from the log when not given. [s]
    steady_s : float
        Length of the window that must be steady around a sample. [s]
    settle_s : float
        Time left out after an opening. [s]
    rpm_within : float
        Greatest range of speed in the window, as a share of the speed. [-]
    pressure_within_pa : float or None
        Greatest range of manifold pressure in the window; 4000 where it was logged, if not given. [Pa]
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
    :func:`needlecalc.measure.drive.averages.band_means`.  Pieces of a band less than 5 s apart are one visit.
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
        lambda_within=lambda_within,
        opening_rise=opening_rise,
        warm_above_degc=warm_above_degc,
        overrun_below_pa=overrun_below_pa,
    )
    names, load, outside = load_of_rows(log, loads_pa=loads_pa, loads_percent=loads_percent, idle_below_rpm=idle_below_rpm)
    left = dict(steady.dropped())
    fit = steady.fate == 0
    left[outside] = int((fit & (load < 0)).sum())
    fit = fit & (load >= 0)
    slot = np.searchsorted(edges, log.rpm, side="right") - 1
    inside = (slot >= 0) & (slot < edges.size - 1)
    left["engine speed outside every band"] = int((fit & ~inside).sum())
    fit &= inside
    places = [(s, n) for s in range(edges.size - 1) for n in range(len(names))]
    found = [np.flatnonzero(fit & (slot == s) & (load == n)) for s, n in places]
    few = f"fewer than {counted(least_count, 'sample')} in the band"
    left[few] = sum(rows.size for rows in found if rows.size < least_count)
    kept = [
        (s, names[n], rows) for (s, n), rows in zip(places, found, strict=True) if rows.size and rows.size >= least_count
    ]
    return _bands(steady, edges, kept, tuple((reason, count) for reason, count in left.items() if count))


def _visits(time: FloatArray) -> NDArray[np.intp]:
    """Visit of each sample of a band, from 0."""
    return np.concatenate([[0], np.cumsum(np.diff(time) > VISIT_GAP_S)]).astype(np.intp)


def _bands(
    steady: Steady, edges: FloatArray, kept: list[tuple[int, str, NDArray[np.intp]]], dropped: tuple[tuple[str, int], ...]
) -> Bands:
    """The record, from the rows of each band."""
    log = steady.log
    if not kept:
        msg = "There is no band with enough steady samples; hold each speed for 5 s, or widen the bands."
        raise InputError(msg)
    rows = [here for _, _, here in kept]
    visits = [_visits(log.time_s[here]) for here in rows]
    step_s = float(np.median(np.diff(log.time_s)))
    means, correlation_s = band_means([steady.lambda_burnt[here] for here in rows], visits, rows, step_s=step_s)

    def mean(array: FloatArray | None) -> FloatArray:
        return np.array([part.mean_of(array, here) for here, part in zip(rows, means, strict=True)])

    lift = mean(log.lift_mm)
    return Bands(
        mean(log.rpm),
        np.array([edges[slot] for slot, _, _ in kept]),
        np.array([edges[slot + 1] for slot, _, _ in kept]),
        tuple(name for _, name, _ in kept),
        np.array([here.size for here in rows], dtype=np.int64),
        np.array([int(visit[-1]) + 1 for visit in visits], dtype=np.int64),
        np.array([part.mean for part in means]),
        np.array([steady.lambda_burnt[here].std(ddof=1) if here.size > 1 else 0.0 for here in rows]),
        np.array([part.se for part in means]),
        mean(log.manifold_pressure_pa),
        mean(log.air_flow_g_s),
        lift,
        np.array([part.error_of(log.lift_mm, here) for here, part in zip(rows, means, strict=True)]),
        tuple(LiftSource.LOGGED if np.isfinite(value) else LiftSource.NONE for value in lift),
        dropped,
        log,
        (
            f"lambda read {steady.lag.seconds:.2f} +- {steady.lag.seconds_u:.2f} s late, {steady.lag.source}",
            f"samples hang together for {correlation_s:.2g} s; standard errors count visits and are widened for few of them",
            *steady.assumptions,
        ),
        throttle_percent=mean(log.throttle_percent),
        effective_count=np.array([part.effective_count for part in means]),
        spread_within=np.array([part.spread_within for part in means]),
        spread_between=np.array([part.spread_between for part in means]),
        lag=steady.lag,
    )
