"""Patterns of faults in bands and in the log they come from."""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.windows import GAP_SECONDS
from needlecalc.measure.log.file import Log
from needlecalc.measure.log.flags import RPM_ENGINE_ON
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

RPM_WITHIN = 0.06
PRESSURE_WITHIN_PA = 6000.0
SETTLING_S = 1.5
LEAST_HOLD_S = 4.0
CORRELATION_S = 1.0
LEAST_HOLDS = 3
LEAST_SPREAD_SAMPLES = 30
LEAST_COOLANT_RANGE_DEGC = 8.0


class Found(NamedTuple):
    """A figure, its standard error and how many holds or bands it rests on; NaN where it cannot be had."""

    value: float
    error: float
    parts: int


NOTHING = Found(float("nan"), float("nan"), 0)


def holds(bands: Bands, band: int) -> list[NDArray[np.intp]]:
    """Rows of the log in each steady hold of a band, the settling left out.

    Parameters
    ----------
    bands : Bands
        Bands made from a log.
    band : int
        Position, from 0.

    Returns
    -------
    list of array of int
        Rows of each hold that lasts four seconds or more; none without a log.
    """
    log = bands.log
    if log is None:
        return []
    near = (log.flag == 0) & (np.abs(log.rpm / bands.rpm[band] - 1.0) < RPM_WITHIN)
    pressure = bands.manifold_pressure_pa[band]
    if log.manifold_pressure_pa is not None and np.isfinite(pressure):
        near &= np.abs(log.manifold_pressure_pa - pressure) < PRESSURE_WITHIN_PA
    rows = np.flatnonzero(near)
    if not rows.size:
        return []
    cut = np.flatnonzero((np.diff(rows) > 1) | (np.diff(log.time_s[rows]) > GAP_SECONDS)) + 1
    found = []
    for run in np.split(rows, cut):
        time = log.time_s[run]
        kept = run[time >= time[0] + SETTLING_S]
        if time[-1] - time[0] >= LEAST_HOLD_S and kept.size >= 3:
            found.append(kept)
    return found


def visits_scatter(bands: Bands) -> Found:
    """Scatter of lambda between separate holds of the same band.

    Parameters
    ----------
    bands : Bands
        Bands made from a log.

    Returns
    -------
    Found
        Pooled standard deviation of the holds' means, noise within a hold included. [-]
    """
    log = bands.log
    squares, freedom, used = 0.0, 0, 0
    for band in range(bands.rpm.size):
        means = [float(log.lambda_measured[hold].mean()) for hold in holds(bands, band)] if log is not None else []
        if len(means) >= 2:
            squares += float(((np.array(means) - np.mean(means)) ** 2).sum())
            freedom += len(means) - 1
            used += len(means)
    if not freedom:
        return NOTHING
    scatter = float(np.sqrt(squares / freedom))
    return Found(scatter, scatter / float(np.sqrt(2.0 * freedom)), used)


def starving(bands: Bands) -> Found:
    """Rise of lambda within holds at the greatest air flow, over that of all other holds.

    Parameters
    ----------
    bands : Bands
        Bands made from a log.

    Returns
    -------
    Found
        Slope; fuel that runs short makes it positive. [1/s]
    """
    top = _greatest_flow(bands)
    here = _rise(bands, [top])
    others = _rise(bands, [b for b in range(bands.rpm.size) if b != top and bands.load[b] != "idle"])
    if here.parts < 1:
        return NOTHING
    if others.parts < LEAST_HOLDS:
        return here
    return Found(here.value - others.value, float(np.hypot(here.error, others.error)), here.parts)


def idle_wander(bands: Bands) -> Found:
    """Spread of lambda at idle over the middle spread of the other bands.

    Parameters
    ----------
    bands : Bands
        Bands of a drive.

    Returns
    -------
    Found
        Ratio; a leak that opens and shuts makes it great. [-]
    """
    many = (bands.count >= LEAST_SPREAD_SAMPLES) & (bands.lambda_spread > 0.0)
    idle = np.array([load == "idle" for load in bands.load])
    if not (many & idle).any() or (many & ~idle).sum() < 3:
        return NOTHING
    usual = float(np.median(bands.lambda_spread[many & ~idle]))
    return Found(float(bands.lambda_spread[many & idle].max()) / usual, float("nan"), int((many & ~idle).sum()))


def richer_when_hot(bands: Bands) -> Found:
    """Change of idle lambda from the coolest to the hottest hold.

    Parameters
    ----------
    bands : Bands
        Bands made from a log with coolant temperature.

    Returns
    -------
    Found
        Change; negative where it turns rich. [-]
    """
    log = bands.log
    if log is None or log.coolant_degc is None:
        return NOTHING
    idle = [hold for b, load in enumerate(bands.load) if load == "idle" for hold in holds(bands, b)]
    heat = np.array([float(log.coolant_degc[hold].mean()) for hold in idle])
    ratio = np.array([float(log.lambda_measured[hold].mean()) for hold in idle])
    if heat.size < LEAST_HOLDS + 1 or np.ptp(heat) < LEAST_COOLANT_RANGE_DEGC:
        return NOTHING
    slope, error = _slope(heat, ratio, heat.size)
    return Found(slope * float(np.ptp(heat)), error * float(np.ptp(heat)), heat.size)


def flagged_share(log: Log, flags: Sequence[int]) -> float:
    """Share of the running engine's rows that carry one of some flags.

    Parameters
    ----------
    log : Log
        The log.
    flags : sequence of int
        Places in ``log.flags.FLAGS``.

    Returns
    -------
    float
        Share. [-]
    """
    running = log.rpm >= RPM_ENGINE_ON
    return float(np.isin(log.flag[running], flags).mean()) if running.any() else 0.0


def coolest_degc(bands: Bands) -> float:
    """Coolant in the coolest twentieth of the holds' rows.

    Parameters
    ----------
    bands : Bands
        Bands of a drive.

    Returns
    -------
    float
        Temperature; NaN where not logged. [degC]
    """
    log = bands.log
    if log is None or log.coolant_degc is None:
        return float("nan")
    rows = [hold for b in range(bands.rpm.size) for hold in holds(bands, b)]
    if not rows:
        return float("nan")
    heat = log.coolant_degc[np.concatenate(rows)]
    heat = heat[np.isfinite(heat)]
    return float(np.percentile(heat, 5.0)) if heat.size else float("nan")


def reach(bands: Bands, setup: Setup) -> tuple[float, float, float]:
    """How far along the needle the jet's face came.

    Parameters
    ----------
    bands : Bands
        Bands with lifts, one at least.
    setup : Setup
        Carburettor.

    Returns
    -------
    float
        Number of the station, with a fraction. [-]
    float
        Place from the shoulder. [mm]
    float
        Greatest lift over the travel of the piston. [-]
    """
    carburettor = setup.carburettor
    stations = carburettor.needle.stations_mm
    lift = float(np.nanmax(bands.lift_mm))
    place = float(carburettor.position_mm(lift))
    number = float(np.interp(place, stations, np.arange(1.0, stations.size + 1.0)))
    return number, place, lift / carburettor.air_valve.travel_mm()


def _greatest_flow(bands: Bands) -> int:
    pressure = bands.manifold_pressure_pa
    draw = bands.rpm * np.where(np.isfinite(pressure), pressure, 1.0) if np.isfinite(pressure).all() else bands.rpm
    return int(np.argmax(draw))


def _rise(bands: Bands, which: list[int]) -> Found:
    """Mean slope of lambda over time within holds, weighted by what each can tell."""
    log = bands.log
    if log is None:
        return NOTHING
    slopes, errors = [], []
    for band in which:
        for hold in holds(bands, band):
            time, ratio = log.time_s[hold], log.lambda_measured[hold]
            independent = float(time[-1] - time[0]) / CORRELATION_S + 1.0
            slope, error = _slope(time, ratio, min(independent, hold.size))
            slopes.append(slope)
            errors.append(max(error, 1e-6))
    if not slopes:
        return NOTHING
    weight = 1.0 / np.array(errors) ** 2
    mean = float((weight * slopes).sum() / weight.sum())
    inside = float(1.0 / np.sqrt(weight.sum()))
    # Holds that disagree by more than their noise widen the error.
    excess = float((weight * (np.array(slopes) - mean) ** 2).sum()) / max(len(slopes) - 1, 1)
    return Found(mean, inside * max(1.0, float(np.sqrt(excess))), len(slopes))


def _slope(x: FloatArray, y: FloatArray, independent: float) -> tuple[float, float]:
    """Slope of a straight line and its standard error, for samples of which only so many are independent."""
    away = x - x.mean()
    square = float((away**2).sum())
    if square <= 0.0:
        return 0.0, float("inf")
    slope = float((away * y).sum() / square)
    left = y - y.mean() - slope * away
    freedom = max(independent - 2.0, 1.0)
    variance = float((left**2).mean()) * independent / freedom
    return slope, float(np.sqrt(variance / square * x.size / independent))
