"""Lag of the lambda reading behind the engine: as given, else fitted to the closings of the drive, else the usual one."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache, partial

import numpy as np
from numpy.lib.stride_tricks import sliding_window_view
from numpy.typing import NDArray
from scipy.linalg import solve_toeplitz
from scipy.optimize import OptimizeResult, least_squares

from needlecalc.arrays import check_range
from needlecalc.gaussian import NINETY
from needlecalc.measure.drive import signals
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
KNOTS = 24
BLOCK_S = 10.0
LEAST_BLOCKS = 8
# Delay, sensor and pipe searched, s; together never beyond LONGEST_S.
LEAST_S, MOST_S = np.array([0.0, 0.02, 0.0]), np.array([1.6, 1.0, 0.6])
LONGEST_S = 1.6
TRY_DELAYS_S, TRY_SENSORS_S = np.arange(0.0, 1.5, 0.15), (0.05, 0.2, 0.5)
# A pipe of 1.5 l takes some 0.05 s at middling flow; sensors with their meters 0.1 to 0.4 s: judgement.
USUAL_PIPE_S, USUAL_SENSOR_S, SENSOR_FACTOR = 0.08, 0.2, 0.8
# Rows left out: so long before an opening shows in the flow, and after the damper has done.
OPENING_RISE, OPENS_BEFORE_S, SETTLE_S, FADES_S = 0.10, 0.5, 2.5, 1.0
# Longer than what one reading can look back on.
PAUSE_S = 10.0
WILD, FASTEST_RPM = 100.0, 20000.0
# Second difference of lambda from knot to knot: judgement.  A stiffer curve smears a steep step of the needle and reads
# the lag of the demo 0.1 s too short; a looser one doubles the scatter.
USUAL_BEND = 0.03
MEMORY, HUBER_AT, TRIAL_S, FORGOTTEN = 6, 1.5, 0.02, 1e-16
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
    the pipe (:math:`\int \dot m\,dt` over the transport is a constant) and a first-order sensor. What is left hangs
    together; both sides are filtered by its own autoregression of 6 rows, so that quick steps count and slow drift does
    not [1]_. Least squares are Huber's. Left out: readings that could still hold an opening (the damper's enrichment
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
    """The lag, its uncertainty from the scatter, and what stood for the load; or why the log does not tell it.

    The model and its sources stand at :func:`find_lag`.
    """
    drive = _even_drive(log)
    if isinstance(drive, str):
        return drive
    start = _nearest(drive)
    fit = _whitened_fit(drive, start, _use(drive, LONGEST_S), [start], nearly=100.0)
    if isinstance(fit, str):
        return fit
    # Once more with the residual's memory at the first answer, and fewer rows left out after openings.
    use = _use(drive, min(float(fit[0].sum()) + float(fit[0][1]), LONGEST_S))
    more_pipe = fit[0] + [-USUAL_PIPE_S, 0.0, USUAL_PIPE_S]
    fit = _whitened_fit(drive, fit[0], use, [fit[0], more_pipe])
    return fit if isinstance(fit, str) else (float(fit[0].sum()), fit[1], drive.signal)


@dataclass(frozen=True)
class _Drive:
    """A drive on an even clock."""

    step_s: float
    time: FloatArray
    reading: FloatArray
    shape: FloatArray  # columns of the steady lambda, shape (n, columns)
    rooms: FloatArray  # two of the shape's size to work in: large arrays made anew take longer than the sums
    flown: FloatArray  # time the gas so far would have taken at middling flow
    opened: FloatArray
    unfit: FloatArray
    signal: str

    def through_sensor(self, sensor_s: float, shape: FloatArray) -> FloatArray:
        """Columns of the steady lambda, or some sum of them, through a first-order sensor; a row a tick."""
        keep = np.exp(-self.step_s / sensor_s)
        # Straight between the ticks, so that it lags by its time constant however far they are apart.
        later = sensor_s / self.step_s * (1.0 - keep)
        late, part = self.rooms if shape.ndim > 1 else np.empty((2, *shape.shape))
        np.multiply(shape, 1.0 - later, out=late)
        late[1:] += np.multiply(shape[:-1], later - keep, out=part[1:])
        late[0] = shape[0]
        back = 1  # what is kept from tick to tick, summed over 1, 2, 4 ... ticks at once
        while keep > FORGOTTEN and back < self.time.size:
            late[back:] += np.multiply(late[:-back], keep, out=part[back:])
            back, keep = 2 * back, keep * keep
        return np.asarray(late)

    def through_pipe(self, late: FloatArray, delay_s: float, pipe_s: float, rows: NDArray[np.intp]) -> FloatArray:
        """The same through delay and pipe, at some ticks."""
        left_pipe = np.interp(self.time[rows] - delay_s, self.time, self.flown) - pipe_s
        left_engine = np.interp(left_pipe, self.flown, self.time)
        place = np.clip((left_engine - self.time[0]) / self.step_s, 0.0, self.time.size - 1.001)
        before = place.astype(np.intp)
        # A tick's columns lie side by side, and whole rows are taken much quicker than single numbers.
        read, change = late[before], self.rooms[1, : before.size] if late.ndim > 1 else np.empty(before.size)
        np.take(late, before + 1, axis=0, out=change, mode="clip")
        change -= read
        change *= (place - before).reshape(-1, *[1] * (late.ndim - 1))
        read += change
        return np.asarray(read)

    def as_read(self, parts: FloatArray, shape: FloatArray, rows: NDArray[np.intp]) -> FloatArray:
        """Columns, or some sum of them, through sensor, delay and pipe, at some ticks."""
        return self.through_pipe(self.through_sensor(float(parts[1]), shape), float(parts[0]), float(parts[2]), rows)


def _even_drive(log: Log) -> _Drive | str:
    """The drive on an even clock, or why it cannot serve."""
    signal = signals.load_signal(log)
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

    even = partial(signals.on_even_clock, clock_s=clock, time_s=time, mean_over_s=step if row_s < STEP_S else 0.0)
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
    opened = signals.opening(time, flow, rise=OPENING_RISE, settle_s=SETTLE_S)
    bad = ((log.flag != 0) | signals.cold_rows(log)).astype(np.float64)
    gap = apart > signals.gap_s(log.time_s)
    bad[:-1][gap] = bad[1:][gap] = 1.0  # and with them every tick between
    # A bad row between two ticks must not slip through: the worst of all rows passed counts.
    nearest = np.clip(np.searchsorted(clock, time), 0, clock.size - 1)
    unfit = np.concatenate([[bad[0]], signals.window_max(bad, np.minimum(nearest[:-1] + 1, nearest[1:]), nearest[1:])])
    reading = even(log.lambda_measured)
    off = np.abs(reading - np.median(sliding_window_view(np.pad(reading, 2), 5), axis=1))
    unfit, rooms = np.maximum(unfit, off > 6.0 * signals.spread_of(off) + 0.01), np.empty((2, *shape.shape))
    return _Drive(step, time, reading, shape, rooms, flown, opened.astype(np.float64), unfit, signal[1])


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
    first, last, _ = signals.window_ends(drive.time, reach_s + FADES_S, OPENS_BEFORE_S)
    began = drive.time > drive.time[0] + LONGEST_S + FADES_S
    fit = (signals.window_max(drive.opened, first, last) == 0.0) & (signals.window_max(drive.unfit, first, last) == 0.0)
    return np.asarray(began & fit & (drive.unfit == 0.0))


class _Columns:
    """Columns that explain a reading; an empty triangle drops out, and the small matrix is quicker than the rows."""

    def __init__(self, columns: FloatArray) -> None:
        size, vectors = np.linalg.eigh(columns.T @ columns)
        sound = size > 1e-10 * size[-1]
        self.columns, self.inverse = columns, (vectors[:, sound] / size[sound]) @ vectors[:, sound].T

    def share(self, reading: FloatArray) -> FloatArray:
        """How much of each column a reading holds, or each of several side by side."""
        return np.asarray(self.inverse @ (self.columns.T @ reading))

    def rest(self, reading: FloatArray) -> FloatArray:
        """What the columns leave of a reading."""
        return np.asarray(reading - self.columns @ self.share(reading))


def _nearest(drive: _Drive) -> FloatArray:
    """Delay and sensor of a coarse grid that leave least."""
    use = np.flatnonzero(_use(drive, LONGEST_S))
    best, found = np.inf, np.array([0.3, 0.2, 0.0])
    if use.size < 4 * KNOTS:
        return found
    for sensor in TRY_SENSORS_S:
        late = drive.through_sensor(sensor, drive.shape)
        for delay in TRY_DELAYS_S[TRY_DELAYS_S + sensor <= LONGEST_S]:
            rest = _Columns(drive.through_pipe(late, delay, 0.0, use)).rest(drive.reading[use])
            most = 3.0 * signals.spread_of(rest)
            left = float((np.clip(rest, -most, most) ** 2).sum())
            if left < best:
                best, found = left, np.array([delay, sensor, 0.0])
    return found


def _filter_of(rest: FloatArray, use: NDArray[np.bool_]) -> FloatArray:
    """Filter that takes the memory out of a residual (Yule-Walker over the rows in use)."""
    most = 3.0 * signals.spread_of(rest[use])
    clipped = np.where(use, np.clip(rest, -most, most), 0.0)
    lagged = [
        float(clipped[k:] @ clipped[: clipped.size - k]) / max(int((use[k:] & use[: use.size - k]).sum()), 1)
        for k in range(MEMORY + 1)
    ]
    lagged[0] = lagged[0] * 1.0001 + 1e-12
    return np.concatenate([[1.0], -solve_toeplitz(lagged[:MEMORY], lagged[1:])])


def _whitened_fit(
    drive: _Drive, at: FloatArray, use: NDArray[np.bool_], starts: list[FloatArray], nearly: float = 1.0
) -> tuple[FloatArray, float] | str:
    """Parts of the lag and the uncertainty of their sum; ``nearly`` times as far from the best as the last fit may end."""
    whole = use.copy()
    for k in range(1, MEMORY + 1):
        whole[k:] &= use[:-k]
    whole[:MEMORY] = False
    block = np.unique((drive.time[whole] / BLOCK_S).astype(np.intp), return_inverse=True)[1]
    if whole.sum() < 4 * KNOTS or block.max() + 1 < LEAST_BLOCKS:
        return "too few rows are fit to time it by"
    ticks = np.flatnonzero(use)
    shape = drive.as_read(at, drive.shape, ticks)
    rest = np.zeros(use.size)
    rest[use] = _Columns(shape).rest(drive.reading[use])
    memory = _filter_of(rest, use)
    rows = np.flatnonzero(whole[use][MEMORY:])

    def filtered(values: FloatArray) -> FloatArray:
        """Values at the ticks in use, each less what those before foretell."""
        rooms = drive.rooms if values.ndim > 1 else np.empty((2, drive.time.size))
        whitened, part = rooms[:, : len(values) - MEMORY]
        np.copyto(whitened, values[MEMORY:])
        for back in range(1, MEMORY + 1):
            whitened += np.multiply(values[MEMORY - back : -back], memory[back], out=part)
        return np.asarray(whitened[rows])

    reading = filtered(drive.reading[use])
    scale = max(signals.spread_of(_Columns(filtered(shape)).rest(reading)), 1e-6)
    # Rows that hold the curve smooth: its triangles' second differences.
    bends = np.zeros((KNOTS - 2, drive.shape.shape[1]))
    bends[:, :KNOTS] = np.diff(np.eye(KNOTS), 2, axis=0) * scale / USUAL_BEND
    padded = np.concatenate([reading, np.zeros(KNOTS - 2)])

    @lru_cache(maxsize=1)  # misfit and slopes are asked for at the same place
    def columns(*parts: float) -> _Columns:
        return _Columns(np.vstack([filtered(drive.as_read(np.array(parts), drive.shape, ticks)), bends]))

    def misfit(parts: FloatArray) -> FloatArray:
        priors = [parts[2] / USUAL_PIPE_S, np.log(parts[1] / USUAL_SENSOR_S) / SENSOR_FACTOR]
        return np.concatenate([columns(*parts).rest(padded) / scale, priors])

    def slopes(parts: FloatArray) -> FloatArray:
        """The curve is held while the parts move; what the columns can follow of that is taken off (Kaufman)."""
        curve = drive.shape @ columns(*parts).share(padded)
        moved = np.zeros((padded.size, parts.size))
        for k in range(parts.size):
            up, down = parts.copy(), parts.copy()
            up[k], down[k] = min(parts[k] + TRIAL_S, MOST_S[k]), max(parts[k] - TRIAL_S, LEAST_S[k])
            apart = drive.as_read(up, curve, ticks) - drive.as_read(down, curve, ticks)
            moved[: rows.size, k] = filtered(apart) / (up[k] - down[k])
        priors = [[0.0, 0.0, 1.0 / USUAL_PIPE_S], [0.0, 1.0 / (parts[1] * SENSOR_FACTOR), 0.0]]
        return np.vstack([columns(*parts).rest(moved) / -scale, priors])

    def solved(start: FloatArray) -> OptimizeResult:
        inside = np.clip(start, LEAST_S + 1e-3, MOST_S - 1e-3)
        return least_squares(
            misfit, inside, slopes, (LEAST_S, MOST_S), loss="huber", f_scale=HUBER_AT,
            x_scale=0.1, xtol=1e-4 * nearly, ftol=1e-6 * nearly, max_nfev=40,
        )  # fmt: skip

    best = min((solved(start) for start in starts), key=lambda one: float(one.cost))
    remains = scale * misfit(best.x)[: reading.size]
    noise = float(remains @ remains) / remains.size
    explained = (float(np.var(reading)) / noise - 1.0) * remains.size / drive.shape.shape[1]
    if explained < LEAST_F:
        return "lambda hardly answers to speed and load"
    if best.x[0] >= MOST_S[0] - 1e-3 or best.x.sum() > LONGEST_S:
        return f"no lag of up to {LONGEST_S:g} s fits the log best"
    return best.x, (1.0 + (SURE_F / explained) ** 2) * _spread(slopes(best.x), misfit(best.x), block)


def _spread(slope: FloatArray, misfit: FloatArray, block: NDArray[np.intp]) -> float:
    """Standard uncertainty of the sum of the parts; rows beyond those in blocks are priors."""
    rows, blocks = block.size, int(block.max()) + 1
    clipped, inside = np.clip(misfit, -HUBER_AT, HUBER_AT), np.abs(misfit) < HUBER_AT
    clipped[rows:], inside[rows:] = misfit[rows:], True
    inverse = np.linalg.pinv(slope.T @ (inside[:, None] * slope))
    pull = np.stack([np.bincount(block, column, blocks) for column in (slope[:rows] * clipped[:rows, None]).T], axis=1)
    pull = np.vstack([pull, slope[rows:]])  # priors scatter by one
    loose = inverse @ (pull.T @ pull * blocks / (blocks - slope.shape[1])) @ inverse
    noise = float(np.mean(clipped[:rows] ** 2) / np.mean(inside[:rows]))
    return float(np.sqrt(max(loose.sum(), inverse.sum() * max(noise, 0.0))))
