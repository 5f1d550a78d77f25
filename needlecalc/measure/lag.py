"""Lag of the lambda reading behind the engine: from the log, from the pipe, or as given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.signal import lfilter

from needlecalc.arrays import check_range
from needlecalc.measure.logfile import Log
from needlecalc.measure.windows import gap_s, opening, window_ends, window_max
from needlecalc.physics.limits import check_each
from needlecalc.show import Column, Shown, Table
from needlecalc.units import FloatArray, kelvin_from_degc

USUAL_LAG_S, USUAL_LAG_U_S = 0.4, 0.2
STATED_LAG_U_S = 0.1
GAS_CONSTANT_J_MOL_K = 8.314462618
EXHAUST_KG_MOL = 0.0288
# Grids searched, s.
STEP_S = 0.05
LAGS_S = np.arange(1, 33) * STEP_S
DELAYS_S = np.arange(0, 33) * STEP_S
SENSORS_S = np.array([0.03, 0.06, 0.10, 0.15, 0.20, 0.25, 0.30, 0.35, 0.40, 0.50, 0.60, 0.75])
KNOTS = 24
BLOCK_S = 10.0
DRIFT_S = 12.0
RESAMPLES = 200
LEAST_BLOCKS = 8
# Fall of the piston and filling of the manifold are not told from the sensor: judgement.
MODEL_U_S = 0.04
WORST_U_S = 0.15
SLOWEST_STEP_S = 0.35
NEVER = 1e12


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

    def table(self) -> Table:
        """The lag, to be shown.

        Returns
        -------
        Table
            One row.
        """
        columns = (Column("lag_s", "lag s", ".2f"), Column("lag_u_s", "+- s", ".2f"), Column("source", "source"))
        row = {"lag_s": self.seconds, "lag_u_s": self.seconds_u, "source": self.source}
        return Table("Lag of the lambda reading", columns, [row])


def transport_lag_s(
    pipe_volume_cm3: ArrayLike,
    air_flow_g_s: ArrayLike,
    *,
    gas_temperature_degc: ArrayLike = 500.0,
    pressure_pa: ArrayLike = 101325.0,
    lambda_ratio: ArrayLike = 1.0,
    afr_stoich: ArrayLike = 14.3,
) -> FloatArray:
    r"""Time the exhaust takes from the valves to the sensor.

    .. math:: t = \frac{V\,p\,M}{R\,T\,\dot m_a\,(1 + 1/(\lambda\,\mathrm{AFR_{st}}))}

    Parameters
    ----------
    pipe_volume_cm3 : array_like, shape (...)
        Volume of manifold and pipe between valves and sensor, for all cylinders the flow passes. [cm3]
    air_flow_g_s : array_like, shape (...)
        Air flow of the cylinders behind that pipe. [g/s]
    gas_temperature_degc : array_like, shape (...)
        Mean temperature of the gas in it; some 330 degC at idle to 780 degC flat out. [degC]
    pressure_pa : array_like, shape (...)
        Its pressure. [Pa]
    lambda_ratio : array_like, shape (...)
        Lambda burnt. [-]
    afr_stoich : array_like, shape (...)
        Stoichiometric air-fuel ratio of the fuel. [-]

    Returns
    -------
    float or array, shape (...)
        Transport time; it goes as 1/flow. [s]

    Raises
    ------
    InputError
        If a value is not positive or not a number.

    Notes
    -----
    Plug flow of an ideal gas of 28.8 g/mol, no mixing on the way.

    References
    ----------
    .. [1] Derived for this project from the ideal gas law; temperatures are common practice, no source.

    Examples
    --------
    >>> print(f"{transport_lag_s(1134.0, 15.0, gas_temperature_degc=527.0):.3f} s")
    0.031 s
    """
    volume_m3 = check_each(pipe_volume_cm3, "pipe_volume_cm3", 0.0, 1e5, cure="A litre is 1000 cm3.") * 1e-6
    air_kg_s = check_each(air_flow_g_s, "air_flow_g_s", 0.0, open_low=True) * 1e-3
    kelvin = kelvin_from_degc(check_each(gas_temperature_degc, "gas_temperature_degc", 0.0, 1200.0))
    pressure = check_each(pressure_pa, "pressure_pa", 0.0, open_low=True)
    ratio = check_each(lambda_ratio, "lambda_ratio", 0.5, 3.0)
    stoich = check_each(afr_stoich, "afr_stoich", 6.0, 18.0)
    density = pressure * EXHAUST_KG_MOL / (GAS_CONSTANT_J_MOL_K * kelvin)
    return np.asarray(volume_m3 * density / (air_kg_s * (1.0 + 1.0 / (ratio * stoich))))[()]


def lag_from_pipe(
    pipe_volume_cm3: float,
    air_flow_g_s: float,
    *,
    rpm: float = 2500.0,
    sensor_s: float = 0.15,
    gas_temperature_degc: float = 500.0,
) -> Lag:
    """Lag from the pipe's volume, half a working cycle, and the sensor.

    Parameters
    ----------
    pipe_volume_cm3 : float
        Volume between valves and sensor. [cm3]
    air_flow_g_s : float
        Air flow in the middle of the drive. [g/s]
    rpm : float
        Engine speed there. [1/min]
    sensor_s : float
        Time in which sensor and meter follow 63 % of a step; 0.15 s is common practice with the
        smoothing most meters do, no source. [s]
    gas_temperature_degc : float
        Mean temperature of the gas. [degC]

    Returns
    -------
    Lag
        With an uncertainty of a third of itself: judgement.

    Examples
    --------
    >>> lag_from_pipe(1500.0, 15.0)
    Lag 0.22 +- 0.07 s, pipe of 1500 cm3 at 15 g/s, half a cycle at 2500 rpm, sensor 0.15 s
    """
    check_range(rpm, "rpm", 200.0, 12000.0, cure="It is the engine speed in the middle of the drive.")
    check_range(sensor_s, "sensor_s", 0.0, 3.0, cure="It is the time for 63 % of a step.")
    pipe = float(transport_lag_s(pipe_volume_cm3, air_flow_g_s, gas_temperature_degc=gas_temperature_degc))
    seconds = pipe + 0.5 * 120.0 / rpm + sensor_s
    words = f"pipe of {pipe_volume_cm3:g} cm3 at {air_flow_g_s:g} g/s, half a cycle at {rpm:g} rpm, sensor {sensor_s:g} s"
    return Lag(seconds, seconds / 3.0, words)


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
    Lambda is taken as a function of engine speed and load, piecewise linear in ln(speed x load) plus a
    parabola in both, seen through a delay and a first-order sensor.  Both are searched on a grid; the lag is
    their sum, interpolated between grid points by a parabola.  Rows up to 2.5 s after an opening are left
    out, as the damper's enrichment would pass for lag; closings carry the answer.  The piston's fall and the
    filling of the manifold (some 0.05 s) count as lag.  Residuals are taken less their mean over 12 s, and
    beyond two robust standard deviations count as two.  The uncertainty is from 200 resamplings of blocks of
    10 s, joined by 0.04 s.  Lags of 0.1 to 1.5 s are looked for.

    The part of the lag that is pipe grows as 1/flow (:func:`transport_lag_s`); here one lag stands for the
    drive, nearest to that of the low flows at which closings end.  With a long pipe it may lie 0.1 to 0.2 s
    above the lag at middling flow.  The mean of a band hardly depends on it, as its window is steady: it
    tells which rows to use.

    References
    ----------
    .. [1] Kunsch, H. R., "The jackknife and the bootstrap for general stationary observations", *Annals of
       Statistics* 17 (1989) 1217 (resampling of blocks; from memory).
    """
    if isinstance(lag_s, Lag):
        return lag_s
    if lag_s is not None:
        return Lag(
            check_range(lag_s, "lag_s", 0.0, 5.0, cure="It is the delay of the sensor in seconds."),
            STATED_LAG_U_S,
            "as stated",
        )
    found = _estimate(log)
    if isinstance(found, Lag):
        return found
    return Lag(USUAL_LAG_S, USUAL_LAG_U_S, f"assumed (common practice), as {found}")


def load_signal(log: Log) -> tuple[FloatArray, str] | None:
    """What stands for the air of one turn, and its name.

    Parameters
    ----------
    log : Log
        The drive.

    Returns
    -------
    tuple of array, shape (n,), and str, or None
        Manifold pressure, else throttle + 5 %, else air flow over speed; blanks filled from their
        neighbours.  None where none of them was logged. [Pa, % or g min/s]
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


def _estimate(log: Log) -> Lag | str:
    """The lag, or why the log does not tell it."""
    signal = load_signal(log)
    if signal is None:
        return "the log holds neither pressure, throttle nor air flow to time it by"
    step = float(np.median(np.diff(log.time_s)))
    if step > SLOWEST_STEP_S:
        return f"rows {step:.2g} s apart are too slow to time it by"
    step = max(step, STEP_S)
    time = np.arange(log.time_s[0], log.time_s[-1], step)
    if time.size < LEAST_BLOCKS * BLOCK_S / step:
        return f"a log of {log.time_s[-1] - log.time_s[0]:.0f} s is too short to time it by"
    rpm = np.interp(time, log.time_s, np.maximum(log.rpm, 100.0))
    load = np.interp(time, log.time_s, signal[0])
    flow = rpm * load
    use = _usable(log, time) & ~opening(time, flow, rise=0.2, settle_s=2.5)
    block = (time[use] / BLOCK_S).astype(np.intp)
    block = np.unique(block, return_inverse=True)[1]
    if use.sum() < 4 * KNOTS or block.max() + 1 < LEAST_BLOCKS:
        return "too few rows are fit to time it by"
    shape = _shape(rpm, load)
    if shape is None:
        return "speed and load hardly move"
    late = np.interp(time[use, None] + DELAYS_S, log.time_s, log.lambda_measured)
    misfit = _misfits(shape, late, use, block, time[use], step)
    rng = np.random.default_rng(0)
    blocks = misfit.shape[-1]
    draws = np.vstack([np.ones(blocks), rng.multinomial(blocks, np.full(blocks, 1.0 / blocks), RESAMPLES)])
    best = _best_lag((misfit @ draws.T).min(axis=0))
    spread = float(np.hypot(best[1:].std(), MODEL_U_S))
    if spread > WORST_U_S:
        return f"the log tells it only within {spread:.2f} s"
    at_end = best[0] <= LAGS_S[0] + STEP_S / 2 or best[0] >= LAGS_S[-1] - STEP_S / 2
    if at_end:
        return "no lag between 0.1 and 1.5 s fits the log best"
    return Lag(float(best[0]), spread, f"estimated from {signal[1]} and lambda in this log")


def _usable(log: Log, time: FloatArray) -> NDArray[np.bool_]:
    """Times that lie, with the seconds after them, in rows fit for use."""
    bad = (log.flag != 0).astype(np.float64)
    bad[:-1][np.diff(log.time_s) > gap_s(log.time_s)] = 1.0
    nearest = np.clip(np.searchsorted(log.time_s, time), 0, log.time_s.size - 1)
    # A bad row between two times must not slip through: the greatest of all rows passed counts.
    marked = np.concatenate([[bad[0]], window_max(bad, np.minimum(nearest[:-1] + 1, nearest[1:]), nearest[1:])])
    first, last, whole = window_ends(time, 2.0, float(DELAYS_S[-1]))
    return np.asarray(whole & (window_max(marked, first, last) == 0.0))


def _shape(rpm: FloatArray, load: FloatArray) -> FloatArray | None:
    """Columns of the steady lambda: hats in ln(flow), and a parabola in speed and load."""
    if np.ptp(np.quantile(np.log(rpm * load), [0.02, 0.98])) < 0.1:
        return None

    def even(values: FloatArray) -> FloatArray:
        return np.asarray((values - values.mean()) / max(float(values.std()), 1e-9))

    x, y, flow = even(np.log(rpm)), even(load), np.log(rpm * load)
    low, high = np.quantile(flow, [0.005, 0.995])
    knots = np.linspace(float(low), float(high), KNOTS)
    hats = [np.interp(flow, knots, row) for row in np.eye(KNOTS)]
    return np.stack([*hats, x, y, x * x, x * y, y * y], axis=1)


def _without_drift(rest: FloatArray, time: FloatArray) -> FloatArray:
    """Columns less their mean over 12 s: what is slower than a hold says nothing of the lag."""
    first, last, _ = window_ends(time, DRIFT_S / 2.0, DRIFT_S / 2.0)
    total = np.concatenate([np.zeros((1, rest.shape[1])), np.cumsum(rest, axis=0)])
    return np.asarray(rest - (total[last + 1] - total[first]) / (last - first + 1)[:, None])


def _misfits(
    shape: FloatArray,
    late: FloatArray,
    use: NDArray[np.bool_],
    block: NDArray[np.intp],
    time: FloatArray,
    step: float,
) -> FloatArray:
    """Clipped squares by sensor, lag and block; beyond all others where no delay makes that lag."""
    blocks = int(block.max()) + 1
    out = np.full((SENSORS_S.size, LAGS_S.size, blocks), NEVER)
    scale = 0.0
    # The sensor in the middle first: its best residuals set the scale for all.
    for place in np.argsort(np.abs(SENSORS_S - 0.15), kind="stable"):
        keep = np.exp(-step / SENSORS_S[place])
        share = (1.0 - keep) / 2.0
        seen = lfilter([share, share], [1.0, -keep], shape, axis=0)[use]
        # Directions of the small square matrix: an empty hat drops out, and it is far quicker than on the rows.
        size, way = np.linalg.eigh(seen.T @ seen)
        sound = size > 1e-10 * size[-1]
        solid = (seen @ way[:, sound]) / np.sqrt(size[sound])
        rest = _without_drift(late - solid @ (solid.T @ late), time)
        if not scale:
            scale = max(1.4826 * float(np.median(np.abs(rest), axis=0).min()), 1e-4)
        squares = np.minimum(np.abs(rest) / scale, 2.0) ** 2
        by_block = np.stack([np.bincount(block, column, blocks) for column in squares.T])
        lags = SENSORS_S[place] + DELAYS_S
        inside = (lags[0] <= LAGS_S) & (lags[-1] >= LAGS_S)
        after = np.clip(np.searchsorted(lags, LAGS_S[inside]), 1, lags.size - 1)
        part = ((LAGS_S[inside] - lags[after - 1]) / STEP_S)[:, None]
        out[place, inside] = (1.0 - part) * by_block[after - 1] + part * by_block[after]
    return out


def _best_lag(misfit: FloatArray) -> FloatArray:
    """Lag of least misfit, shape (draws,), from (lags, draws)."""
    at = np.clip(misfit.argmin(axis=0), 1, LAGS_S.size - 2)
    draw = np.arange(misfit.shape[1])
    low, here, high = misfit[at - 1, draw], misfit[at, draw], misfit[at + 1, draw]
    bend = np.maximum(low - 2.0 * here + high, 1e-12)
    return np.asarray(LAGS_S[at] + STEP_S * np.clip(0.5 * (low - high) / bend, -1.0, 1.0))
