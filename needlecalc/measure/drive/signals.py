"""Windows in time over a log whose rows need not be evenly spaced, and the signals looked at through them."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.file import Log
from needlecalc.units import FloatArray

GAP_SECONDS = 1.0
GAP_STEPS = 3.0
WARM_ABOVE_DEGC = 70.0
SMOOTH_S = 0.5  # over which the air flow is averaged to find openings
BLOCKS = 20.0  # times as long as the average, in which the noise is taken to be one
# A mean of fewer rows is judged as it stands; one of more may wander by so many of its standard errors.
LEAST_AVERAGED = 4
NOISE_SIGMAS = 3.0


def gap_s(time_s: FloatArray) -> float:
    """Longest step between rows that still counts as going on: one second, or three usual steps of a slow log."""
    return max(GAP_SECONDS, GAP_STEPS * float(np.median(np.diff(time_s))))


def window_ends(
    time_s: FloatArray, before_s: float, after_s: float
) -> tuple[NDArray[np.intp], NDArray[np.intp], NDArray[np.bool_]]:
    """First and last row of the window about each row, both inside, and whether neither the log's end nor a gap cuts it."""
    # A hundredth of a step forgives the rounding of times such as 0.1 + 0.2.
    slack = 0.01 * float(np.median(np.diff(time_s)))
    first = np.searchsorted(time_s, time_s - before_s - slack)
    last = np.searchsorted(time_s, time_s + after_s + slack) - 1
    # A row is in its own window, though seconds vanish beside a time such as 1e20.
    last = np.maximum(last, np.arange(time_s.size))
    gaps_before = np.concatenate([[0], np.cumsum(np.diff(time_s) > gap_s(time_s))])
    # A window is filled when its ends lie within one step of where they should.
    step = 100.0 * slack
    whole = (gaps_before[last] == gaps_before[first]) & (time_s - before_s >= time_s[0] - slack)
    whole &= (time_s + after_s <= time_s[-1] + slack) & (
        time_s[last] - time_s[first] >= before_s + after_s - 2.0 * step - slack
    )
    return first, last, whole


def window_max(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Greatest value in each window."""
    ends = np.stack([first, last + 1], axis=1).ravel()
    return np.asarray(np.maximum.reduceat(np.append(values, values[-1:]), ends)[::2], dtype=np.float64)


def window_range(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Greatest less least value in each window."""
    return window_max(values, first, last) + window_max(-values, first, last)


def window_mean(values: FloatArray, first: NDArray[np.intp], last: NDArray[np.intp]) -> FloatArray:
    """Mean of each window."""
    middle = float(np.mean(values))
    total = np.concatenate([[0.0], np.cumsum(values - middle)])
    return np.asarray((total[last + 1] - total[first]) / (last - first + 1) + middle)


def noise(time_s: FloatArray, values: FloatArray, block_s: float = BLOCKS * SMOOTH_S) -> FloatArray:
    """Scatter from row to row about each row, k=1: by second differences, so that no steady move counts.

    The median of a block, so that a few quick moves do not count either.
    """
    if values.size < 3:
        return np.zeros(values.size)
    bend = np.abs(np.diff(values, 2))
    block = ((time_s[1:-1] - time_s[0]) / block_s).astype(np.intp)
    starts = np.flatnonzero(np.concatenate([[True], np.diff(block) > 0]))
    middles = np.array([np.median(part) for part in np.split(bend, starts[1:])])
    # The median of |x'' | is 0.6745 of its spread, which is the root of 6 times that of x.
    each = np.repeat(middles / (0.6745 * np.sqrt(6.0)), np.diff(np.append(starts, bend.size)))
    return np.asarray(each[np.clip(np.arange(values.size) - 1, 0, each.size - 1)])


def smoothed(time_s: FloatArray, values: FloatArray, over_s: float = SMOOTH_S) -> tuple[FloatArray, FloatArray]:
    """Mean over a time about each row, and how far noise alone may move it: 0 where few rows are averaged."""
    first, last, _ = window_ends(time_s, over_s / 2.0, over_s / 2.0)
    count = last - first + 1
    error = noise(time_s, values, BLOCKS * over_s) / np.sqrt(count)
    return window_mean(values, first, last), np.where(count >= LEAST_AVERAGED, NOISE_SIGMAS * error, 0.0)


def spread_of(rest: FloatArray) -> float:
    """Spread of values about zero, k=1, by their median, which odd ones hardly move."""
    return 1.4826 * float(np.median(np.abs(rest)))


def without_spikes(values: FloatArray) -> FloatArray:
    """Values with every single row that stands out replaced by the middle one of itself and its neighbours."""
    if values.size < 3:
        return values
    inner = np.median(np.stack([values[:-2], values[1:-1], values[2:]]), axis=0)
    return np.concatenate([values[:1], inner, values[-1:]])


def moves(time_s: FloatArray, values: FloatArray, within: FloatArray | float, window_s: float) -> NDArray[np.bool_]:
    """Rows about which a signal moves by more than a range, once single spikes and noise are taken out of it.

    It is averaged over a quarter of the window, and allowed what noise may still move such averages.
    """
    smooth, may_move = smoothed(time_s, without_spikes(values), window_s / 4.0)
    first, last, _ = window_ends(time_s, window_s / 2.0, window_s / 2.0)
    return np.asarray(window_range(smooth, first, last) > within + may_move)


def opening(time_s: FloatArray, flow: FloatArray, *, rise: float, settle_s: float) -> NDArray[np.bool_]:
    """Rows at which the smoothed air flow has risen by a share within a time before, so that a damper still enriches."""
    smooth, may_move = smoothed(time_s, flow)
    first, _, _ = window_ends(time_s, settle_s, 0.0)
    least = -window_max(-smooth, first, np.arange(time_s.size))
    return np.asarray(smooth > (1.0 + rise) * least + may_move)


def load_signal(log: Log) -> tuple[FloatArray, str] | None:
    """What stands for the air of one turn, and its name: manifold pressure, else throttle + 5 %, else air flow over speed.

    Blanks are filled from their neighbours; None where none of them was logged.
    """
    signals = (
        ("manifold pressure", log.manifold_pressure_pa),
        ("throttle", None if log.throttle_percent is None else np.maximum(log.throttle_percent, 0.0) + 5.0),
        ("air flow", None if log.air_flow_g_s is None else log.air_flow_g_s / np.maximum(log.rpm, 100.0)),
    )
    for name, raw in signals:
        if raw is None:
            continue
        good = np.isfinite(raw) & (raw > 0.0)
        if good.sum() > 0.5 * raw.size:
            return np.asarray(np.interp(log.time_s, log.time_s[good], raw[good])), name
    return None


def filled(values: FloatArray) -> FloatArray:
    """Blanks filled with the last value before them (the first after, at the start); zeros where all are blank."""
    good = np.isfinite(values)
    if not good.any():
        return np.zeros(values.size)
    last = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    return np.asarray(values[np.where(last < 0, int(np.argmax(good)), last)])


def cold_rows(log: Log, warm_above_degc: float = WARM_ABOVE_DEGC) -> NDArray[np.bool_]:
    """Rows with the coolant below a temperature: choke or warm-up; none where it was not logged."""
    if log.coolant_degc is None or not np.isfinite(log.coolant_degc).any():
        return np.zeros(log.rpm.size, dtype=bool)
    return np.asarray(filled(log.coolant_degc) < warm_above_degc)


def on_even_clock(values: FloatArray, clock_s: FloatArray, time_s: FloatArray, *, mean_over_s: float = 0.0) -> FloatArray:
    """Values of rows at other times: straight between them, or their mean over so long, the slope of a running integral."""
    if mean_over_s == 0.0:
        return np.asarray(np.interp(time_s, clock_s, values))
    total = np.concatenate([[0.0], np.cumsum((values[1:] + values[:-1]) / 2.0 * np.diff(clock_s))])
    first, last = (np.clip(time_s + side * mean_over_s / 2.0, 0.0, clock_s[-1]) for side in (-1.0, 1.0))
    return np.asarray((np.interp(last, clock_s, total) - np.interp(first, clock_s, total)) / (last - first))
