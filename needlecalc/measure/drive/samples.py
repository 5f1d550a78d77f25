"""Samples of a drive: windows over rows that need not be evenly spaced, and robust means of visits to bands."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from needlecalc.gaussian import NINETY
from needlecalc.measure.log.file import Log
from needlecalc.units import FloatArray

Rows = NDArray[np.intp]
GAP_SECONDS = 1.0
GAP_STEPS = 3.0
WARM_ABOVE_DEGC = 70.0
SMOOTH_S = 0.5  # over which the air flow is averaged to find openings
BLOCKS = 20.0  # times as long as the average, in which the noise is taken to be one
# A mean of fewer rows is judged as it stands; one of more may wander by so many of its standard errors.
LEAST_AVERAGED = 4
NOISE_SIGMAS = 3.0
HUBER_AT = 1.345
# Repeatability of one sensor on one day, lambda, and how many visits that guess is worth: judgement.
USUAL_BETWEEN, USUAL_BETWEEN_VISITS = 0.004, 2.0
# So many visits' worth of the whole drive's scatter is mixed into that of each band: judgement.
SHARED_VISITS = 4.0
LONGEST_CORRELATION_S = 10.0
FEWEST_FOR_CORRELATION = 50
ASSUMED_CORRELATION_S = 1.0


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


def stretch(freedom: FloatArray | float) -> FloatArray:
    """How much wider than the normal 90 % interval Student's is, by degrees of freedom."""
    return np.asarray(stdtrit(np.maximum(freedom, 1.0), 0.95) / NINETY)


def group_mean(values: FloatArray, weight: FloatArray, group: Rows) -> FloatArray:
    """Weighted mean of each group by what is known in it; NaN where nothing is."""
    known = np.isfinite(values)
    total, weights = (np.bincount(group, known * weight * part) for part in (np.nan_to_num(values), 1.0))
    return np.asarray(np.divide(total, weights, out=np.full(total.size, np.nan), where=weights > 0.0))


@dataclass(frozen=True)
class BandMeans:
    """Robust means of bands; mean +- 1.645 se is meant to hold the true mean in 90 % of drives.

    The spreads are those of samples inside a visit, and of visits beyond what that explains, k=1; ``weight`` is that of
    each sample in the mean of its ``band``.
    """

    mean: FloatArray
    se: FloatArray
    spread_within: FloatArray
    spread_between: FloatArray
    effective_count: FloatArray
    visits: FloatArray
    weight: FloatArray
    band: Rows

    def mean_of(self, samples: FloatArray) -> FloatArray:
        """Means of another column of the same samples with the same weights; NaN where it was not logged."""
        return group_mean(samples, self.weight, self.band)

    def error_of(self, samples: FloatArray) -> FloatArray:
        """Standard errors of such means by the independent samples; NaN where fewer than two were logged."""
        logged = [samples[(self.band == b) & np.isfinite(samples)] for b in range(self.mean.size)]
        spread = np.array([values.std(ddof=1) if values.size > 1 else np.nan for values in logged])
        return np.asarray(spread / np.sqrt(self.effective_count))


def robust_values(values: FloatArray, visit: Rows, band: Rows) -> FloatArray:
    """Samples drawn in so that the plain mean of each visit is Huber's, which spikes hardly move; the scale is the band's.

    Pseudo-values: Huber, *Robust Statistics*, Wiley, 1981, sections 4.2 and 6.3 (sections from memory).
    """
    middle = np.array([np.median(part) for part in np.split(values, np.flatnonzero(np.diff(visit)) + 1)])
    scale = np.array([spread_of((values - middle[visit])[band == b]) for b in range(int(band[-1]) + 1)])[band]
    spread = scale > 1e-9 * max(float(np.abs(middle).max()), 1e-9)
    scale = np.where(spread, scale, 1.0)
    for _ in range(50):
        clipped = np.clip((values - middle[visit]) / scale, -HUBER_AT, HUBER_AT)
        inside = np.bincount(visit, np.abs(clipped) < HUBER_AT)
        step = np.bincount(visit, scale * clipped) / np.maximum(inside, 1.0)
        middle = middle + step
        if (np.abs(step)[visit] < 1e-9 * scale).all():
            break
    clipped = np.clip((values - middle[visit]) / scale, -HUBER_AT, HUBER_AT)
    share = np.bincount(band, np.abs(clipped) < HUBER_AT) / np.bincount(band)
    return np.where(spread, middle[visit] + scale * clipped / share[band], values)


def correlation_rows(values: FloatArray, row: Rows, visit: Rows, band: Rows, longest: int) -> float:
    """Rows of the log that tell as much as one independent sample: at least one, at most a quarter of a usual visit.

    One plus twice the sum of the correlations over a window of five times the result: Sokal, "Monte Carlo methods in
    statistical mechanics", in *Functional Integration*, Plenum, 1997 (from memory).
    """
    count = np.bincount(visit)
    rest = values - (np.bincount(visit, values) / count)[visit]
    spread = np.sqrt(np.bincount(band, rest**2) / np.bincount(band))[band]
    size = int(row.max()) + 1
    signal, share, visit_of = np.zeros(size), np.zeros(size), np.full(size, -1, dtype=np.intp)
    moves = spread > 1e-12
    signal[row[moves]] = rest[moves] / spread[moves]
    share[row], visit_of[row[moves]] = 1.0 / count[visit], visit[moves]
    products, pairs, taken = np.zeros(longest + 1), np.zeros(longest + 1), np.zeros(longest + 1)
    for later in range(min(longest, size - 1) + 1):
        ahead, behind = slice(later, size), slice(0, size - later)
        met = (visit_of[ahead] == visit_of[behind]) & (visit_of[ahead] >= 0)
        products[later] = (signal[ahead] * signal[behind])[met].sum()
        pairs[later], taken[later] = met.sum(), share[ahead][met].sum()
    if pairs[0] == 0.0:
        return 1.0
    # Longer than a quarter of a usual visit cannot be told; it shows as scatter between visits.
    most = max(1.0, pairs[0] / taken[0] / 4.0)
    rows_each = 1.0
    for _ in range(20):
        # Taking the visit's mean away lowers every product by T/n of the variance.
        level = (products + rows_each * taken * products[0] / pairs[0]) / np.maximum(pairs, 1.0)
        time = 1.0 + 2.0 * np.cumsum(level[1:] / level[0])
        ends = np.flatnonzero(np.arange(1, longest + 1) >= 5.0 * time)
        rows_each = float(np.clip(time[ends[0]] if ends.size else time[-1], 1.0, most))
    return rows_each


def band_means(values: FloatArray, row: Rows, visit: Rows, band: Rows, *, step_s: float) -> tuple[BandMeans, float]:
    """Means of the bands of a drive, and the correlation time in s.

    Of each sample stand there its row of the log, its visit and its band, both numbered from 0 and never falling.
    Random effects: variance between visits by moments (DerSimonian and Laird, *Controlled Clinical Trials* 7 (1986) 177),
    degrees of freedom by Satterthwaite (*Biometrics Bulletin* 2 (1946) 110); both from memory.
    """
    robust, rows_each = robust_values(values, visit, band), max(1.0, ASSUMED_CORRELATION_S / step_s)
    if values.size >= FEWEST_FOR_CORRELATION:
        rows_each = correlation_rows(robust, row, visit, band, max(2, round(LONGEST_CORRELATION_S / step_s)))
    count = np.bincount(visit).astype(np.float64)
    mean, independent = np.bincount(visit, robust) / count, np.maximum(count / rows_each, 1.0)
    of_band = band[np.flatnonzero(np.diff(visit, prepend=-1))]

    def by_band(of_visit: FloatArray) -> FloatArray:
        return np.asarray(np.bincount(of_band, of_visit), dtype=np.float64)

    visits = by_band(np.ones(count.size))

    # Spread inside visits, drawn a little to that of the drive; a visit's mean takes one independent sample's worth away.
    squares = np.bincount(band, (robust - mean[visit]) ** 2)
    left = by_band(count * (1.0 - 1.0 / np.maximum(independent, 1.0 + 1e-9)))
    free = by_band(independent - 1.0)
    pooled = squares.sum() / left.sum() if left.sum() > 0.0 else 0.0
    own = np.divide(squares, left, out=np.full(squares.size, pooled), where=free > 0.5)
    within_free = free + np.minimum(SHARED_VISITS, max(float(free.sum()), 1e-9))
    within = (free * own + (within_free - free) * pooled) / within_free
    scatter = within[of_band] / independent

    # Variance between visits beyond their own scatter, drawn to that of the drive too.
    free = visits - 1.0
    excess, carries = between_visits(mean, scatter, of_band)
    own = np.divide(excess, carries, out=np.zeros(visits.size), where=free > 0.0)
    usual = USUAL_BETWEEN_VISITS * USUAL_BETWEEN**2
    drive = max(float((free * own).sum() + usual) / (float(free.sum()) + USUAL_BETWEEN_VISITS), 0.0)
    between_free = free + min(SHARED_VISITS, float(free.sum()) + USUAL_BETWEEN_VISITS)
    between = np.maximum((free * own + (between_free - free) * drive) / between_free, 0.0)

    weight = 1.0 / (between[of_band] + scatter + 1e-18)
    share = weight / by_band(weight)[of_band]
    by_between = by_band(share**2) * between
    by_within = by_band(share**2 * scatter)
    freedom = (by_between + by_within) ** 2 / (by_between**2 / between_free + by_within**2 / within_free + 1e-36)
    means = BandMeans(
        by_band(share * mean),
        stretch(freedom) * np.sqrt(by_between + by_within),
        np.sqrt(within),
        np.sqrt(between),
        by_band(independent),
        visits,
        (share / count)[visit],
        band,
    )
    return means, rows_each * step_s


def between_visits(mean: FloatArray, variance: FloatArray, group: Rows) -> tuple[FloatArray, FloatArray]:
    """How far the means of each group scatter beyond their variances, and what a variance between them would add to that."""
    weight = 1.0 / (variance + 1e-18)
    total = np.bincount(group, weight)
    centre = np.bincount(group, weight * mean) / total
    excess = np.bincount(group, weight * (mean - centre[group]) ** 2) - (np.bincount(group) - 1.0)
    return excess, total - np.bincount(group, weight**2) / total
