"""Robust means of visits to bands, and their uncertainty when samples hang together."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import stdtrit

from needlecalc.gaussian import NINETY
from needlecalc.measure.drive.signals import spread_of
from needlecalc.units import FloatArray

HUBER_AT = 1.345
# Repeatability of one sensor on one day, lambda, and how many visits that guess is worth: judgement.
USUAL_BETWEEN, USUAL_BETWEEN_VISITS = 0.004, 2.0
# So many visits' worth of the whole drive's scatter is mixed into that of each band: judgement.
SHARED_VISITS = 4.0
LONGEST_CORRELATION_S = 10.0
FEWEST_FOR_CORRELATION = 50
ASSUMED_CORRELATION_S = 1.0

Rows = NDArray[np.intp]


def stretch(freedom: float) -> float:
    """How much wider than the normal 90 % interval Student's is, by degrees of freedom."""
    return float(stdtrit(max(freedom, 1.0), 0.95)) / NINETY


@dataclass(frozen=True)
class BandMean:
    """Robust mean of one band; mean +- 1.645 se is meant to hold the true mean in 90 % of drives.

    The spreads are those of samples inside a visit, and of visits beyond what that explains, k=1; ``weight``, shape (n,),
    is that of each sample in the mean.
    """

    mean: float
    se: float
    spread_within: float
    spread_between: float
    effective_count: float
    weight: FloatArray

    def mean_of(self, column: FloatArray | None, rows: Rows) -> float:
        """Mean of another column over the same samples with the same weights; NaN where it was not logged."""
        if column is None or not np.isfinite(column[rows]).any():
            return float("nan")
        good = np.isfinite(column[rows])
        return float(np.average(column[rows][good], weights=self.weight[good]))

    def error_of(self, column: FloatArray | None, rows: Rows) -> float:
        """Standard error of such a mean by the independent samples; NaN where fewer than two were logged."""
        if column is None or np.isfinite(column[rows]).sum() < 2:
            return float("nan")
        return float(np.nanstd(column[rows], ddof=1) / np.sqrt(self.effective_count))


def robust_values(values: FloatArray, visit: Rows) -> FloatArray:
    """Samples drawn in so that the plain mean of each visit (numbered from 0) is Huber's, which spikes hardly move.

    Pseudo-values: Huber, *Robust Statistics*, Wiley, 1981, sections 4.2 and 6.3 (sections from memory).
    """
    visits = int(visit.max()) + 1
    middle = np.array([np.median(values[visit == v]) for v in range(visits)])
    scale = spread_of(values - middle[visit])
    if scale <= 1e-9 * max(float(np.abs(middle).max()), 1e-9):
        return np.array(values)
    for _ in range(50):
        clipped = np.clip((values - middle[visit]) / scale, -HUBER_AT, HUBER_AT)
        inside = np.bincount(visit, np.abs(clipped) < HUBER_AT, visits)
        step = scale * np.bincount(visit, clipped, visits) / np.maximum(inside, 1.0)
        middle = middle + step
        if np.abs(step).max() < 1e-9 * scale:
            break
    clipped = np.clip((values - middle[visit]) / scale, -HUBER_AT, HUBER_AT)
    share = float((np.abs(clipped) < HUBER_AT).mean())
    return np.asarray(middle[visit] + scale * clipped / share)


def correlation_rows(values: Sequence[FloatArray], visits: Sequence[Rows], rows: Sequence[Rows], longest: int) -> float:
    """Rows of the log that tell as much as one independent sample: at least one, at most a quarter of a usual visit.

    One plus twice the sum of the correlations over a window of five times the result: Sokal, "Monte Carlo methods in
    statistical mechanics", in *Functional Integration*, Plenum, 1997 (from memory).
    """
    size = max(int(row[-1]) for row in rows) + 1
    signal, share, visit_of, told = np.zeros(size), np.zeros(size), np.full(size, -1, dtype=np.intp), 0
    for value, visit, row in zip(values, visits, rows, strict=True):
        count = np.bincount(visit)
        rest = value - (np.bincount(visit, value) / count)[visit]
        spread = float(np.sqrt(np.mean(rest**2)))
        if spread > 1e-12:
            signal[row], share[row], visit_of[row] = rest / spread, 1.0 / count[visit], told + visit
            told += count.size
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


def band_means(
    values: Sequence[FloatArray], visits: Sequence[Rows], rows: Sequence[Rows], *, step_s: float
) -> tuple[list[BandMean], float]:
    """Mean of each band of a drive from its samples, their visits and rows, and the correlation time in s.

    Random effects: variance between visits by moments (DerSimonian and Laird, *Controlled Clinical Trials* 7 (1986) 177),
    degrees of freedom by Satterthwaite (*Biometrics Bulletin* 2 (1946) 110); both from memory.
    """
    robust = [robust_values(value, visit) for value, visit in zip(values, visits, strict=True)]
    if sum(value.size for value in values) < FEWEST_FOR_CORRELATION:
        rows_each = max(1.0, ASSUMED_CORRELATION_S / step_s)
    else:
        rows_each = correlation_rows(robust, visits, rows, max(2, round(LONGEST_CORRELATION_S / step_s)))
    count = [np.bincount(visit).astype(np.float64) for visit in visits]
    mean = [np.bincount(visit, value) / number for value, visit, number in zip(robust, visits, count, strict=True)]
    independent = [np.maximum(number / rows_each, 1.0) for number in count]
    within, within_free = _within(robust, visits, mean, independent, count)
    scatter = [spread**2 / number for spread, number in zip(within, independent, strict=True)]
    between, between_free = _between(mean, scatter)
    out = []
    for b in range(len(values)):
        weight = 1.0 / (between[b] + scatter[b] + 1e-18)
        share = weight / weight.sum()
        variance_between = float((share**2).sum()) * between[b]
        variance_within = float((share**2 * scatter[b]).sum())
        variance = variance_between + variance_within
        free = variance**2 / (variance_between**2 / between_free[b] + variance_within**2 / within_free[b] + 1e-36)
        out.append(
            BandMean(
                float(share @ mean[b]),
                stretch(free) * float(np.sqrt(variance)),
                float(within[b]),
                float(np.sqrt(between[b])),
                float(independent[b].sum()),
                (share / count[b])[visits[b]],
            )
        )
    return out, rows_each * step_s


def between_visits(mean: FloatArray, variance: FloatArray) -> tuple[float, float]:
    """How far means scatter beyond their own variances, and what a variance between them would add to that (moments)."""
    weight = 1.0 / (variance + 1e-18)
    centre = float(weight @ mean / weight.sum())
    excess = float(weight @ (mean - centre) ** 2) - (mean.size - 1.0)
    return excess, float(weight.sum() - (weight**2).sum() / weight.sum())


def _within(
    values: Sequence[FloatArray],
    visits: Sequence[Rows],
    mean: Sequence[FloatArray],
    independent: Sequence[FloatArray],
    count: Sequence[FloatArray],
) -> tuple[FloatArray, FloatArray]:
    """Spread inside visits by band, drawn a little to that of the drive, and its degrees of freedom."""
    squares = np.array([float(((v - m[k]) ** 2).sum()) for v, m, k in zip(values, mean, visits, strict=True)])
    # The mean of a visit takes one independent sample's worth of its squares away.
    left = np.array(
        [float((n * (1.0 - 1.0 / np.maximum(i, 1.0 + 1e-9))).sum()) for n, i in zip(count, independent, strict=True)]
    )
    free = np.array([float((i - 1.0).sum()) for i in independent])
    pooled = squares.sum() / left.sum() if left.sum() > 0.0 else 0.0
    own = np.divide(squares, left, out=np.full(squares.size, pooled), where=free > 0.5)
    extra = np.minimum(SHARED_VISITS, max(float(free.sum()), 1e-9))
    spread = np.sqrt((free * own + extra * pooled) / (free + extra))
    return spread, free + extra


def _between(mean: Sequence[FloatArray], scatter: Sequence[FloatArray]) -> tuple[FloatArray, FloatArray]:
    """Variance between visits by band beyond their own scatter, and its degrees of freedom."""
    excess, carries = np.array([between_visits(m, s) for m, s in zip(mean, scatter, strict=True)]).T
    free = np.array([m.size - 1.0 for m in mean])
    own = np.divide(excess, carries, out=np.zeros(len(mean)), where=free > 0.0)
    drive = float((free * own).sum() + USUAL_BETWEEN_VISITS * USUAL_BETWEEN**2) / (float(free.sum()) + USUAL_BETWEEN_VISITS)
    shared = min(SHARED_VISITS, float(free.sum()) + USUAL_BETWEEN_VISITS)
    mixed = np.maximum((free * own + shared * max(drive, 0.0)) / (free + shared), 0.0)
    return mixed, free + shared
