"""Bands: steady samples of a drive gathered by engine speed and load."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_range, read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.logfile import FLAGS, Log
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Shown, Table
from needlecalc.units import FloatArray

USUAL_RPM_EDGES = (500.0, 1100.0, 1750.0, 2250.0, 2750.0, 3250.0, 3750.0, 4250.0, 4750.0, 5250.0)
USUAL_LOADS_PA = {"light": (25e3, 70e3), "part": (70e3, 88e3), "full": (88e3, 115e3)}
IDLE_BELOW_RPM = 1100.0
GAP_SECONDS = 1.0
CORRELATION_SECONDS = 1.0


@dataclass(frozen=True, repr=False, eq=False)
class Bands(Shown):
    """Measured mixture by engine speed and load; arrays have shape (m,), one entry a band.

    Parameters
    ----------
    rpm, rpm_low, rpm_high : array, shape (m,)
        Mean speed and the edges of the band. [1/min]
    load : tuple of str
        Name of the load.
    count : array, shape (m,)
        Accepted samples.
    visits : array, shape (m,)
        Separate holds they come from.
    lambda_measured, lambda_spread, lambda_se : array, shape (m,)
        Mean, spread of samples and standard error of the mean, k=1. [-]
    manifold_pressure_pa, air_flow_g_s : array, shape (m,)
        Means; NaN where not logged. [Pa, g/s for the engine]
    lift_mm, lift_u_mm : array, shape (m,)
        Lift of the air valve and its standard uncertainty; NaN where not known. [mm]
    lift_source : tuple of str
        Where the lift comes from.
    dropped : tuple of (str, int)
        Rows of the log that are in no band, by reason.
    log : Log or None
        The log they come from.
    assumptions : tuple of str
        What was taken for granted.
    depression_pa : array, shape (m,)
        Depression over the jet where it was read, or computed under a slide; NaN where not known. [Pa]
    lift_common_u_mm : array, shape (m,)
        Part of ``lift_u_mm`` that all bands share: shift of each lift if the error they share is one sigma
        high; NaN where not known. [mm]
    throttle_percent : array, shape (m,)
        Mean throttle; NaN where not logged. [%]
    lift_setup : Setup or None
        Setup under which the lifts stand; None where nothing was said of it.
    """

    rpm: FloatArray
    rpm_low: FloatArray
    rpm_high: FloatArray
    load: tuple[str, ...]
    count: NDArray[np.int64]
    visits: NDArray[np.int64]
    lambda_measured: FloatArray
    lambda_spread: FloatArray
    lambda_se: FloatArray
    manifold_pressure_pa: FloatArray
    air_flow_g_s: FloatArray
    lift_mm: FloatArray
    lift_u_mm: FloatArray
    lift_source: tuple[str, ...]
    dropped: tuple[tuple[str, int], ...] = ()
    log: Log | None = None
    assumptions: tuple[str, ...] = ()
    depression_pa: FloatArray = field(default_factory=lambda: np.empty(0))
    lift_common_u_mm: FloatArray = field(default_factory=lambda: np.empty(0))
    throttle_percent: FloatArray = field(default_factory=lambda: np.empty(0))
    lift_setup: Setup | None = None

    def __post_init__(self) -> None:
        for name in ("lift_common_u_mm", "throttle_percent", "depression_pa"):
            values = getattr(self, name)
            object.__setattr__(self, name, values if len(values) else np.full(len(self.rpm), np.nan))
        for name in ("rpm", "rpm_low", "rpm_high", "lambda_measured", "lambda_spread", "lambda_se"):
            object.__setattr__(self, name, read_only(getattr(self, name), name))
        names = ("lift_mm", "lift_u_mm", "lift_common_u_mm", "depression_pa", "throttle_percent")
        for name in ("manifold_pressure_pa", "air_flow_g_s", *names):
            object.__setattr__(self, name, read_only(getattr(self, name), name, allow_nan=True))
        same_length("bands", rpm=self.rpm, load=self.load, lambda_measured=self.lambda_measured, lift_mm=self.lift_mm)
        same_length("bands", rpm=self.rpm, depression_pa=self.depression_pa)
        if not self.rpm.size:
            msg = "There is no band with enough steady samples; hold each speed for 5 s, or widen the bands."
            raise InputError(msg)
        low, high = float(self.lambda_measured.min()), float(self.lambda_measured.max())
        if low < 0.5 or high > 2.0:
            msg = f"lambda_measured runs from {low:g} to {high:g}, but must lie between 0.5 and 2; is it an AFR?"
            raise InputError(msg)

    def __repr__(self) -> str:
        return f"Bands: {self.rpm.size}, {int(self.count.sum())} samples, {self.rpm.min():.0f} to {self.rpm.max():.0f} rpm"

    def name(self, band: int) -> str:
        """Name of a band as sheets print it.

        Parameters
        ----------
        band : int
            Position, from 0.

        Returns
        -------
        str
            Speed and load.
        """
        return f"{self.rpm[band]:.0f} rpm {self.load[band]}"

    def table(self) -> Table:
        """Bands and the fate of all other rows, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("count", "samples", "d"),
            Column("visits", "visits", "d"),
            Column("lambda_measured", "lambda", ".3f"),
            Column("lambda_spread", "spread", ".3f"),
            Column("lambda_se", "std error", ".4f"),
            Column("manifold_pressure_kpa", "manifold kPa", ".0f"),
            Column("lift_mm", "lift mm", ".2f"),
            Column("lift_u_mm", "+- mm", ".2f"),
            *((Column("depression_pa", "depression Pa", ".0f"),) if np.isfinite(self.depression_pa).any() else ()),
        )
        rows = [
            {
                "rpm": float(self.rpm[b]),
                "load": self.load[b],
                "count": int(self.count[b]),
                "visits": int(self.visits[b]),
                "lambda_measured": float(self.lambda_measured[b]),
                "lambda_spread": float(self.lambda_spread[b]),
                "lambda_se": float(self.lambda_se[b]),
                "manifold_pressure_kpa": float(self.manifold_pressure_pa[b]) / 1e3,
                "lift_mm": float(self.lift_mm[b]),
                "lift_u_mm": float(self.lift_u_mm[b]),
                "depression_pa": float(self.depression_pa[b]),
            }
            for b in range(self.rpm.size)
        ]
        notes = [f"{count} rows in no band: {reason}" for reason, count in self.dropped if count]
        notes += [f"lift: {source}" for source in dict.fromkeys(self.lift_source) if source]
        return Table("Bands", columns, rows, notes=[*notes, *self.assumptions])


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

    Examples
    --------
    >>> typed_bands([900, 3000], [0.97, 1.12], lift_mm=[2.0, 9.0])
    Bands: 2, 2 samples, 900 to 3000 rpm
    """
    speed = read_only(rpm, "rpm")
    ratio = read_only(lambda_measured, "lambda_measured")
    count = same_length("typed bands", rpm=speed, lambda_measured=ratio)
    nan = np.full(count, np.nan)
    lift, flow, pressure = (
        nan if values is None else read_only(values, name, allow_nan=True)
        for name, values in (
            ("lift_mm", lift_mm),
            ("air_flow_g_s", air_flow_g_s),
            ("manifold_pressure_pa", manifold_pressure_pa),
        )
    )
    same_length("typed bands", rpm=speed, lift_mm=lift, air_flow_g_s=flow, manifold_pressure_pa=pressure)
    ones = np.ones(count, dtype=np.int64)
    return Bands(
        speed,
        speed,
        speed,
        tuple(load) if load is not None else ("full",) * count,
        ones,
        ones,
        ratio,
        np.zeros(count),
        np.broadcast_to(np.asarray(lambda_se, dtype=np.float64), (count,)),
        pressure,
        flow,
        lift,
        np.where(np.isnan(lift), np.nan, lift_u_mm),
        tuple("" if np.isnan(value) else "typed in" for value in lift),
        assumptions=("bands typed in",),
    )


def make_bands(
    log: Log,
    *,
    rpm_edges: Sequence[float] = USUAL_RPM_EDGES,
    loads_pa: Mapping[str, tuple[float, float]] | None = None,
    idle_below_rpm: float = IDLE_BELOW_RPM,
    lag_s: float = 0.3,
    steady_s: float = 2.0,
    rpm_within: float = 0.04,
    pressure_within_pa: float = 4000.0,
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
        Name of each load to its range of manifold pressure; the usual three when not given.  Without
        logged pressure every load is "all". [Pa]
    idle_below_rpm : float
        Below this speed the load is "idle" whatever the pressure. [1/min]
    lag_s : float
        Delay of the lambda reading behind the engine. [s]
    steady_s : float
        Length of the window that must be steady around a sample. [s]
    rpm_within : float
        Greatest range of speed in the window, as a share of the speed. [-]
    pressure_within_pa : float
        Greatest range of manifold pressure in the window. [Pa]
    least_count : int
        Least accepted samples of a band.

    Returns
    -------
    Bands
        Samples in bands and rows dropped add up to the rows of the log.

    Raises
    ------
    InputError
        If no band has enough samples, or the edges do not rise.
    """
    edges = read_only(rpm_edges, "rpm_edges")
    if edges.size < 2 or (np.diff(edges) <= 0.0).any():
        msg = "rpm_edges must rise and be at least two; list the speeds where one band ends and the next begins."
        raise InputError(msg)
    check_range(lag_s, "lag_s", 0.0, 5.0, cure="It is the delay of the sensor in seconds.")
    if log.rpm.size < 2:
        msg = f"log {log.name} has a single row, and a band needs readings held for seconds; log a drive."
        raise InputError(msg)
    loads = dict(USUAL_LOADS_PA if loads_pa is None else loads_pa)
    pressure = log.manifold_pressure_pa
    ratio, answered = _undelayed(log, lag_s)
    fate = np.array([f"log: {FLAGS[flag]}" if flag else "" for flag in log.flag], dtype=object)
    fate[(fate == "") & ~answered] = "lambda lag reaches past the log's end or a gap"
    wide = _window_range(log.time_s, log.rpm, steady_s) > rpm_within * np.maximum(log.rpm, 1000.0)
    fate[(fate == "") & wide] = "engine speed not steady"
    load = np.full(log.rpm.size, "all", dtype=object)
    if pressure is not None:
        moving = _window_range(log.time_s, pressure, steady_s) > pressure_within_pa
        fate[(fate == "") & moving] = "manifold pressure not steady"
        load[:] = ""
        for name, (low, high) in loads.items():
            load[(pressure >= low) & (pressure < high)] = name
    load[log.rpm < idle_below_rpm] = "idle"
    fate[(fate == "") & (load == "")] = "manifold pressure outside every load"
    place = np.searchsorted(edges, log.rpm, side="right") - 1
    fate[(fate == "") & ((place < 0) | (place >= edges.size - 1))] = "engine speed outside every band"
    columns: dict[str, list[float]] = {key: [] for key in ("rpm", "low", "high", "count", "visits")}
    names: list[str] = []
    figures: list[tuple[float, ...]] = []
    for slot in range(edges.size - 1):
        for name in dict.fromkeys(["idle", *loads, "all"]):
            here = np.flatnonzero((fate == "") & (place == slot) & (load == name))
            if not here.size:
                continue
            if here.size < least_count:
                fate[here] = f"fewer than {least_count} samples in the band"
                continue
            names.append(name)
            visits, held = _visits(log.time_s[here])
            for key, value in zip(
                columns, (log.rpm[here].mean(), edges[slot], edges[slot + 1], here.size, visits), strict=True
            ):
                columns[key].append(float(value))
            figures.append(_figures(log, here, ratio[here], visits, held))
    reasons = [str(reason) for reason in dict.fromkeys(fate.tolist()) if reason]
    table = np.array(figures, dtype=np.float64).reshape(-1, 8)
    return Bands(
        np.array(columns["rpm"]),
        np.array(columns["low"]),
        np.array(columns["high"]),
        tuple(names),
        np.array(columns["count"], dtype=np.int64),
        np.array(columns["visits"], dtype=np.int64),
        table[:, 0],
        table[:, 1],
        table[:, 2],
        table[:, 3],
        table[:, 4],
        table[:, 5],
        table[:, 6],
        tuple("logged" if np.isfinite(row[5]) else "" for row in table),
        tuple((reason, int((fate == reason).sum())) for reason in reasons),
        log,
        (f"lambda read {lag_s:g} s late, as stated; a window of {steady_s:g} s must be steady",),
        throttle_percent=table[:, 7],
    )


def _undelayed(log: Log, lag_s: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Lambda moved to the moment it was burnt, and whether a usable reading stands there."""
    later = log.time_s + lag_s
    after = np.minimum(np.searchsorted(log.time_s, later), log.time_s.size - 1)
    before = np.maximum(after - 1, 0)
    near = (log.time_s[after] - log.time_s[before] <= GAP_SECONDS) & (later <= log.time_s[-1])
    fit = (log.flag[after] == 0) & (log.flag[before] == 0)
    return np.interp(later, log.time_s, log.lambda_measured), near & fit


def _window_range(time: FloatArray, values: FloatArray, length_s: float) -> FloatArray:
    """Greatest less least value within half the length either side; infinite where the window is cut."""
    from numpy.lib.stride_tricks import sliding_window_view

    step = float(np.median(np.diff(time)))
    reach = max(round(length_s / 2.0 / step), 1)
    out = np.full(values.size, np.inf)
    if values.size > 2 * reach:
        windows = sliding_window_view(values, 2 * reach + 1)
        whole = time[2 * reach :] - time[: -2 * reach] <= length_s + GAP_SECONDS
        out[reach:-reach] = np.where(whole, windows.max(axis=1) - windows.min(axis=1), np.inf)
    return out


def _visits(time: FloatArray) -> tuple[int, float]:
    """Number of separate holds and their total length."""
    steps = np.diff(time)
    return int((steps > GAP_SECONDS).sum()) + 1, float(steps[steps <= GAP_SECONDS].sum())


def _figures(log: Log, here: NDArray[np.intp], ratio: FloatArray, visits: int, held_s: float) -> tuple[float, ...]:
    """Mean, spread, standard error, pressure, air flow, lift and its scatter, throttle of one band."""
    spread = float(ratio.std(ddof=1))
    # Samples closer than the correlation time tell the same thing again.
    independent = max(visits, min(here.size, held_s / CORRELATION_SECONDS + visits))

    def mean(array: FloatArray | None) -> float:
        return float("nan") if array is None else float(array[here].mean())

    lift_scatter = float("nan") if log.lift_mm is None else float(log.lift_mm[here].std(ddof=1) / np.sqrt(independent))
    return (
        float(ratio.mean()),
        spread,
        spread / float(np.sqrt(independent)),
        mean(log.manifold_pressure_pa),
        mean(log.air_flow_g_s),
        mean(log.lift_mm),
        lift_scatter,
        mean(log.throttle_percent),
    )
