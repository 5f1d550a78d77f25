"""Lag of the lambda reading behind the engine: as given, else fitted to the closings of the drive, else the usual one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import partial

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.optimize import lsq_linear

from needlecalc.arrays import check_range
from needlecalc.gaussian import NINETY
from needlecalc.measure.drive import samples
from needlecalc.measure.log.file import Log
from needlecalc.show import Shown
from needlecalc.units import FloatArray

USUAL_LAG_S, USUAL_LAG_U_S = 0.4, 0.2
STATED_LAG_U_S = 0.1
# Fall of the piston, filling of the manifold and wet walls are not told from the sensor: judgement.
MODEL_U_S = 0.04
# Beyond the first the estimate says so, beyond the second the usual lag is taken.
TIGHT_S, WORST_U_S = 0.1, 0.12
STEP_S = 0.05
SLOWEST_STEP_S = 0.35
BLOCK_S = 10.0
LEAST_BLOCKS = 8
# Delay, sensor and pipe, s: where the search starts and ends; together never beyond LONGEST_S.
START_S = np.array([0.4, 0.2, 0.05])
LEAST_S, MOST_S = np.array([0.0, 0.02, 0.0]), np.array([1.6, 1.0, 0.6])
LONGEST_S = 1.6
# A pipe of 1.5 l takes some 0.05 s at middling flow; sensors with their meters 0.1 to 0.4 s: judgement.
USUAL_S, USUAL_U_S = np.array([0.0, 0.2, 0.05]), np.array([np.inf, 0.16, 0.08])
# Rows left out: so long before an opening shows in the flow, and after the damper has done.
OPENING_RISE, OPENS_BEFORE_S, SETTLE_S, FADES_S = 0.10, 0.5, 2.5, 1.0
# Longer than what one reading can look back on.
PAUSE_S = 10.0
WILD, FASTEST_RPM = 100.0, 20000.0
# Second difference of lambda from knot to knot: judgement.  A stiffer curve smears a steep step of the needle and reads
# the lag of the demo 0.1 s too short; a looser one doubles the scatter.
KNOTS, USUAL_BEND, USUAL_NOISE = 24, 0.03, 0.01
MEMORY, HUBER_AT, FORGOTTEN = 6, 1.5, 1e-16
# A slope is taken over the first; a round goes a share of its way, or the corners of the curve throw it to and fro.
TRIAL_S, SHARE, ROUNDS = 0.02, 0.65, 12
# What the fit explains over what noise would for each column (1 for noise alone).  Below the second the curve takes noise
# for signal and the uncertainty comes out too small: 120 s drives and noise of 0.06 ask for twice it at 60.
LEAST_F, SURE_F = 20.0, 60.0


@dataclass(frozen=True, repr=False)
class Lag(Shown):
    """Time by which the lambda reading follows the engine.

    Parameters
    ----------
    seconds, seconds_u : float
        The lag and its standard uncertainty. [s]
    source : str
        Where it comes from.

    Examples
    --------
    >>> Lag(0.4, 0.1, "as stated")
    Lag 0.40 +- 0.10 s, as stated
    """

    seconds: float
    seconds_u: float
    source: str

    def __post_init__(self) -> None:
        check_range(self.seconds, "lag_s", 0.0, 5.0, cure="It is the delay of the sensor in seconds.")
        check_range(self.seconds_u, "lag_u_s", 0.0, 5.0, cure="It is a standard uncertainty in seconds.")

    def __repr__(self) -> str:
        return f"Lag {self.seconds:.2f} +- {self.seconds_u:.2f} s, {self.source}"


def find_lag(log: Log, lag_s: float | Lag | None = None) -> Lag:
    r"""Lag of a log: as given, else estimated from the log, else the usual one.

    Parameters
    ----------
    log : Log
        The drive.
    lag_s : float, Lag or None
        The lag, where it is known; 0.1 s of uncertainty is added to a bare number. [s]

    Returns
    -------
    Lag
        Its ``source`` says which of the three it is, and why none could be estimated.

    Raises
    ------
    InputError
        If the number given is no lag.

    Notes
    -----
    The lag meant is the shift that brings readings in line with what caused them: the mean of the response to a
    short puff of mixture, which is delay + transport + time constant of the sensor, at middling flow (the geometric
    mean of the log's 5 % and 95 % points of speed times load). The mean of a band hardly depends on it, as its window is
    steady: it tells which rows to use.

    Steady lambda is piecewise linear in ln(speed x load) plus a parabola in both, seen through a delay, plug flow along
    the pipe (:math:`\int \dot m\,dt` over the transport is a constant) and a first-order sensor. Curve and lag are
    fitted together by least squares, linear about the last answer (Gauss and Newton) and Huber's. What is left hangs
    together; both sides are filtered by its own autoregression of 6 rows, so that quick steps count and slow drift does
    not [1]_. Left out: readings that could still hold an opening (the damper's enrichment
    would pass for lag), rows that are flagged or cold, and single spikes.

    The uncertainty is the larger of that of the fit and of that from the scatter of its gradient over blocks of 10 s
    [2]_, widened where lambda's answer hardly stands out of the noise, and joined by 0.04 s for what the model leaves out:
    the piston's fall, the filling of the manifold, and fuel on the walls. An estimate whose 90 % interval is wider than
    +- 0.1 s says so; beyond 0.12 s of standard uncertainty the usual lag is taken.

    References
    ----------
    .. [1] Cochrane and Orcutt, *JASA* 44 (1949) 32 (from memory).
    .. [2] White, *Econometrica* 48 (1980) 817 (from memory).

    Examples
    --------
    >>> from needlecalc.example import road
    >>> print(round(find_lag(road.log).seconds, 1))
    0.3
    """
    if isinstance(lag_s, Lag):
        return lag_s
    if lag_s is not None:
        return Lag(lag_s, STATED_LAG_U_S, "as stated")
    found = fit_lag(log)
    if not isinstance(found, str):
        seconds, scatter_s, signal = found
        spread = float(np.hypot(scatter_s, MODEL_U_S))
        if spread <= WORST_U_S:
            loose = f", good to {NINETY * spread:.2f} s only" if NINETY * spread > TIGHT_S else ""
            return Lag(seconds, spread, f"estimated from {signal} and lambda in this log{loose}")
        found = f"the log tells it only within {spread:.2f} s"
    return Lag(USUAL_LAG_S, USUAL_LAG_U_S, f"assumed (common practice), as {found}")


def fit_lag(log: Log) -> tuple[float, float, str] | str:
    """The lag, its uncertainty from the scatter, and what stood for the load; or why the log does not tell it."""
    drive = _even_drive(log)
    if isinstance(drive, str):
        return drive
    parts, reach, no_memory = START_S, LONGEST_S, np.ones(1)
    # Once as if what is left had no memory; then with it, and with fewer rows left out after openings.
    for remembered, nearly_s in ((0, 0.03), (MEMORY, 0.003)):
        use = _use(drive, reach)
        rows = np.convolve(~use, np.ones(remembered + 1))[: use.size] == 0.0
        block = np.unique(drive.time[rows] // BLOCK_S, return_inverse=True)[1]
        if rows.sum() < 4 * KNOTS or block.max() + 1 < LEAST_BLOCKS:
            return "too few rows are fit to time it by"
        memory = _memory_of(_fit(drive, parts, use, no_memory).rest, use) if remembered else no_memory
        fit = _fit(drive, parts, rows, memory)
        for _ in range(ROUNDS):
            fit, last = _fit(drive, parts, rows, memory, fit), parts
            parts = np.clip(parts + SHARE * fit.off_s, LEAST_S, MOST_S)
            if np.abs(parts - last).max() < nearly_s:
                break
        reach = min(float(parts.sum() + parts[1]), LONGEST_S)
    varies = float(np.var(_whitened(drive.reading, memory)[rows]))
    explained = (varies / float(np.mean(fit.rest**2)) - 1.0) * fit.rest.size / drive.shape.shape[1]
    if explained < LEAST_F:
        return "lambda hardly answers to speed and load"
    if parts[0] >= MOST_S[0] - 1e-3 or parts.sum() > LONGEST_S:
        return f"no lag of up to {LONGEST_S:g} s fits the log best"
    return float(parts.sum()), (1.0 + (SURE_F / explained) ** 2) * fit.spread_s(block), drive.signal


@dataclass(frozen=True)
class _Drive:
    """A drive on an even clock."""

    step_s: float
    time: FloatArray
    reading: FloatArray
    shape: FloatArray  # columns of the steady lambda, shape (n, columns)
    flown: FloatArray  # time the gas so far would have taken at middling flow
    unfit: FloatArray  # 1 where lambda is not that of the curve, else 0
    signal: str

    def as_read(self, parts: FloatArray, steady: FloatArray) -> FloatArray:
        """Steady lambda, or columns of it, through sensor, delay and pipe."""
        delay_s, sensor_s, pipe_s = parts
        keep = np.exp(-self.step_s / sensor_s)
        # Straight between the ticks, so that it lags by its time constant however far they are apart.
        later = sensor_s / self.step_s * (1.0 - keep)
        late = (1.0 - later) * steady
        late[1:] += (later - keep) * steady[:-1]
        late[0] = steady[0]
        back = 1  # what is kept from tick to tick, summed over 1, 2, 4 ... ticks at once
        while keep > FORGOTTEN and back < self.time.size:
            late[back:] += keep * late[:-back]
            back, keep = 2 * back, keep * keep
        left_pipe = np.interp(self.time - delay_s, self.time, self.flown) - pipe_s
        left_engine = np.interp(left_pipe, self.flown, self.time)
        place = np.clip((left_engine - self.time[0]) / self.step_s, 0.0, self.time.size - 1.001)
        before = place.astype(np.intp)
        share = (place - before).reshape(-1, *[1] * (late.ndim - 1))
        return np.asarray(late[before] + share * (late[before + 1] - late[before]))


def _even_drive(log: Log) -> _Drive | str:
    """The drive on an even clock, or why it cannot serve."""
    signal = samples.load_signal(log)
    if signal is None:
        return "the log holds neither pressure, throttle nor air flow to time it by"
    apart = np.diff(log.time_s)
    row_s = float(np.median(apart))
    if row_s > SLOWEST_STEP_S:
        return f"rows {row_s:.2g} s apart are too slow to time it by"
    # A pause of hours, or a clock set on the road, is no more than long enough for nothing to reach across it.
    clock = np.concatenate([[0.0], np.cumsum(np.minimum(apart, PAUSE_S))])
    step = max(row_s, STEP_S)
    time = np.arange(0.0, clock[-1] + step / 2.0, step)
    if time.size < LEAST_BLOCKS * BLOCK_S / step:
        return f"a log of {clock[-1]:.0f} s is too short to time it by"

    even = partial(samples.on_even_clock, clock_s=clock, time_s=time, mean_over_s=step if row_s < STEP_S else 0.0)
    # One wild reading must not drown all others in a running sum.
    wild = WILD * float(np.median(signal[0]))
    rpm, load = even(np.clip(log.rpm, 100.0, FASTEST_RPM)), even(np.minimum(signal[0], wild))
    flow = rpm * load
    shape = _shape(rpm, load)
    if shape is None:
        return "speed and load hardly move"
    low, high = np.quantile(flow, [0.05, 0.95])
    share = flow / np.sqrt(low * high)
    flown = np.concatenate([[0.0], np.cumsum((share[1:] + share[:-1]) / 2.0)]) * step
    opened = samples.opening(time, flow, rise=OPENING_RISE, settle_s=SETTLE_S)
    bad = ((log.flag != 0) | samples.cold_rows(log)).astype(np.float64)
    gap = apart > samples.gap_s(log.time_s)
    bad[:-1][gap] = bad[1:][gap] = 1.0  # and with them every tick between
    # A bad row between two ticks must not slip through: the worst of all rows passed counts.
    nearest = np.clip(np.searchsorted(clock, time), 0, clock.size - 1)
    unfit = np.concatenate([[bad[0]], samples.window_max(bad, np.minimum(nearest[:-1] + 1, nearest[1:]), nearest[1:])])
    reading = even(log.lambda_measured)
    off = np.abs(reading - np.median(sliding_window_view(np.pad(reading, 2), 5), axis=1))
    unfit = np.maximum(unfit, opened | (off > 6.0 * samples.spread_of(off) + 0.01))
    return _Drive(step, time, reading, shape, flown, unfit, signal[1])


def _shape(rpm: FloatArray, load: FloatArray) -> FloatArray | None:
    """Columns of the steady lambda: triangles in ln(flow), and a parabola in speed and load."""
    flow = np.log(rpm * load)
    if np.ptp(np.quantile(flow, [0.02, 0.98])) < 0.1:
        return None
    x, y = ((column - column.mean()) / max(float(column.std()), 1e-9) for column in (np.log(rpm), load))
    low, high = np.quantile(flow, [0.005, 0.995])
    knots = np.linspace(float(low), float(high), KNOTS)
    triangles = [np.interp(flow, knots, row) for row in np.eye(KNOTS)]
    return np.stack([*triangles, x, y, x * x, x * y, y * y], axis=1)


def _use(drive: _Drive, reach_s: float) -> NDArray[np.bool_]:
    """Readings whose causes, up to so long ago, are fit and no opening."""
    first, last, _ = samples.window_ends(drive.time, reach_s + FADES_S, OPENS_BEFORE_S)
    began = drive.time > drive.time[0] + LONGEST_S + FADES_S
    return np.asarray(began & (samples.window_max(drive.unfit, first, last) == 0.0))


@dataclass(frozen=True)
class _Fit:
    """A round of least squares about some parts of the lag; rows and priors weigh by their own spread."""

    curve: FloatArray  # steady lambda at every tick
    off_s: FloatArray  # by how much each part is off
    rest: FloatArray  # what is left of the rows
    scale: float  # spread of that
    columns: FloatArray
    inverse: FloatArray

    def spread_s(self, block: NDArray[np.intp]) -> float:
        """Standard uncertainty of the sum of the parts: the larger of that by the noise and by the scatter of blocks."""
        blocks, parts = int(block.max()) + 1, slice(-self.off_s.size, None)
        clipped = np.clip(self.rest / self.scale, -HUBER_AT, HUBER_AT)
        pull = np.stack([np.bincount(block, column * clipped, blocks) for column in self.columns[: block.size].T], axis=1)
        # Priors scatter by one.
        pull = np.vstack([pull * np.sqrt(blocks / (blocks - self.off_s.size)), self.columns[block.size :]])
        loose = self.inverse @ (pull.T @ pull) @ self.inverse
        noise = float(np.mean(clipped**2))
        return float(np.sqrt(max(loose[parts, parts].sum(), self.inverse[parts, parts].sum() * noise)))


def _fit(drive: _Drive, parts: FloatArray, rows: NDArray[np.bool_], memory: FloatArray, last: _Fit | None = None) -> _Fit:
    """The curve, and how far the parts are off by the slopes of the last curve; without one they are held."""
    reading = _whitened(drive.reading, memory)[rows]
    columns = _whitened(drive.as_read(parts, drive.shape), memory)[rows]
    slopes, scale, weight = np.zeros((reading.size, parts.size)), USUAL_NOISE, np.ones(reading.size)
    if last is not None:
        scale, weight = last.scale, 1.0 / np.maximum(np.abs(last.rest) / (HUBER_AT * last.scale), 1.0)
        for k in range(parts.size):
            up, down = parts.copy(), parts.copy()
            up[k], down[k] = min(parts[k] + TRIAL_S, MOST_S[k]), max(parts[k] - TRIAL_S, LEAST_S[k])
            apart = drive.as_read(up, last.curve) - drive.as_read(down, last.curve)
            slopes[:, k] = _whitened(apart, memory)[rows] / (up[k] - down[k])
    # Behind the rows stand what holds the curve smooth, its triangles' second differences, and the parts' priors.
    curves = columns.shape[1]
    priors = np.zeros((KNOTS - 2 + parts.size, curves + parts.size))
    priors[: KNOTS - 2, :KNOTS] = np.diff(np.eye(KNOTS), 2, axis=0) / USUAL_BEND
    priors[KNOTS - 2 :, curves:] = np.diag(1.0 / USUAL_U_S)
    every = np.vstack([np.hstack([columns, slopes]) / scale, priors])
    seen = np.concatenate([reading / scale, np.zeros(KNOTS - 2), (USUAL_S - parts) / USUAL_U_S])
    weighed = every * np.concatenate([weight, np.ones(len(priors))])[:, None]
    inverse = np.linalg.pinv(weighed.T @ every, rcond=1e-10, hermitian=True)
    found = inverse @ (weighed.T @ seen)
    rest = reading - columns @ found[:curves]
    spread = max(samples.spread_of(rest), 1e-6)
    # The parts that fit best within their bounds, the curve following them.
    size, turn = np.linalg.eigh(inverse[curves:, curves:])
    root = turn.T / np.sqrt(np.maximum(size, 1e-12))[:, None]
    off_s = lsq_linear(root, root @ found[curves:], (LEAST_S - parts, MOST_S - parts)).x
    return _Fit(drive.shape @ found[:curves], off_s, rest, spread, every, inverse)


def _memory_of(rest: FloatArray, use: NDArray[np.bool_]) -> FloatArray:
    """Filter that takes the memory out of what is left of the ticks in use (Yule-Walker)."""
    clipped = np.zeros(use.size)
    most = 3.0 * samples.spread_of(rest)
    clipped[use] = np.clip(rest, -most, most)
    pairs = [max(int((use[k:] & use[: use.size - k]).sum()), 1) for k in range(MEMORY + 1)]
    lagged = [float(clipped[k:] @ clipped[: use.size - k]) / pairs[k] for k in range(MEMORY + 1)]
    lagged[0] = lagged[0] * 1.0001 + 1e-12
    return np.concatenate([[1.0], -solve_toeplitz(lagged[:MEMORY], lagged[1:])])


def _whitened(values: FloatArray, memory: FloatArray) -> FloatArray:
    """Values at every tick, each less what those before foretell."""
    out = np.array(values)
    for back in range(1, memory.size):
        out[back:] += memory[back] * values[:-back]
    return out
