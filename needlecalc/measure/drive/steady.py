"""Steady samples of a drive: which rows count for the needle, and why the others do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range, read_only
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive import samples
from needlecalc.measure.drive.bands import DriveNote, LeftOut, RowReason
from needlecalc.measure.drive.lag import Lag
from needlecalc.measure.log.columns import BY_KEY, how_to_name
from needlecalc.measure.log.file import Log
from needlecalc.measure.log.rows import FLAGS
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

USUAL_LOADS_PA = {"light": (25e3, 70e3), "part": (70e3, 88e3), "full": (88e3, 115e3)}
# Where only the throttle was logged, %; a rough guess, as full air comes early at low speed.
USUAL_LOADS_PERCENT = {"light": (-5.0, 20.0), "part": (20.0, 60.0), "full": (60.0, 110.0)}
IDLE_BELOW_RPM = 1100.0
STEADY_S = 2.0
SETTLE_S = 2.5
RPM_WITHIN = 0.04
PRESSURE_WITHIN_PA = 4000.0
THROTTLE_WITHIN_PERCENT = 4.0
LAMBDA_WITHIN = 0.05
OPENING_RISE = 0.10
# A closed throttle at speed: no fuel is asked for, and what the idle passage gives may not burn.
OVERRUN_ABOVE_RPM = 1800.0
OVERRUN_BELOW_PA = 28e3
CLOSED_THROTTLE_PERCENT = 2.0


@dataclass(frozen=True, eq=False)
class Steady:
    """Every row of a log with the place in ``reasons`` of why it is left out, 0 where it is steady and fit."""

    log: Log
    lag: Lag
    lambda_burnt: FloatArray  # the reading a lag later, when what was burnt at the row reached the sensor
    code: NDArray[np.int16]
    reasons: tuple[LeftOut, ...]
    remarks: tuple[Remark, ...] = ()

    def dropped(self) -> tuple[tuple[LeftOut, int], ...]:
        """Rows left out, by reason; reasons that left none out are not listed."""
        counts = np.bincount(self.code, minlength=len(self.reasons))
        return tuple((reason, int(count)) for reason, count in zip(self.reasons[1:], counts[1:], strict=True) if count)


def steady_samples(log: Log, lag: Lag, **asked: float | None) -> Steady:
    """Rows of a log that are warm, under load and steady for long enough; limits as ``make_bands`` names them.

    A row bad for several reasons counts under the first. The limits are common practice, no source.
    """
    limits = {name: _limit(log, name, asked.get(name)) for name in LIMITS}
    steady_s, settle_s, warm_degc = (limits[name] for name in ("steady_s", "settle_s", "warm_above_degc"))
    time, pressure, load = log.time_s, log.manifold_pressure_pa, samples.load_signal(log)
    burnt, answered = _undelayed(log, lag.seconds)
    first, last, whole = samples.window_ends(time, steady_s / 2.0, steady_s / 2.0)
    here = np.arange(time.size)
    speed_within = limits["rpm_within"] * np.maximum(samples.window_mean(log.rpm, first, last), 1000.0)
    held: list[tuple[RowReason, FloatArray, FloatArray | float]] = [(RowReason.SPEED, log.rpm, speed_within)]
    if pressure is not None:
        held.append((RowReason.PRESSURE, samples.filled(pressure), limits["pressure_within_pa"]))
    elif log.throttle_percent is not None:
        held.append((RowReason.THROTTLE, samples.filled(log.throttle_percent), limits["throttle_within_percent"]))
    flow = np.maximum(log.rpm, 100.0) * (1.0 if load is None else load[0])
    drift = np.abs(samples.window_mean(burnt, first, here) - samples.window_mean(burnt, here, last))
    found = [
        *((LeftOut(RowReason.FLAGGED, flag=flag), log.flag == flag) for flag in range(1, len(FLAGS))),
        (LeftOut(RowReason.NO_ANSWER), ~answered),
        (LeftOut(RowReason.COLD, warm_degc), samples.cold_rows(log, warm_degc)),
        *([] if pressure is None else [(LeftOut(RowReason.NO_PRESSURE), ~np.isfinite(pressure))]),
        (LeftOut(RowReason.OVERRUN), _overrun(log, limits["overrun_below_pa"])),
        (LeftOut(RowReason.EDGE), ~whole),
        *((LeftOut(why), samples.moves(time, values, within, steady_s)) for why, values, within in held),
        (LeftOut(RowReason.OPENING, settle_s), samples.opening(time, flow, rise=limits["opening_rise"], settle_s=settle_s)),
        (LeftOut(RowReason.LAMBDA), drift > limits["lambda_within"]),
    ]
    not_logged = {DriveNote.NO_COOLANT: log.coolant_degc is None, DriveNote.SPEED_ALONE: len(held) == 1}
    code = np.zeros(time.size, dtype=np.int16)
    for place, (_, bad) in enumerate(found, start=1):
        code[(code == 0) & bad] = place
    remarks = tuple(Remark(kind) for kind, missing in not_logged.items() if missing)
    code.flags.writeable = burnt.flags.writeable = False
    return Steady(log, lag, burnt, code, (LeftOut(RowReason.STEADY), *(reason for reason, _ in found)), remarks)


# Each limit: what it is where none is asked for, its range, what to do about a wrong one, and the column it needs, if any.
LIMITS = {
    "steady_s": (STEADY_S, 0.0, 60.0, "A few seconds will do.", ""),
    "settle_s": (SETTLE_S, 0.0, 60.0, "The damper takes 2 to 3 s.", ""),
    "rpm_within": (RPM_WITHIN, 0.0, 1.0, "It is a share; 4 % is 0.04.", ""),
    "lambda_within": (LAMBDA_WITHIN, 0.0, 1.0, "It is a lambda, some 0.05.", ""),
    "opening_rise": (OPENING_RISE, 0.0, 100.0, "It is a share; a tenth is 0.1.", ""),
    "warm_above_degc": (samples.WARM_ABOVE_DEGC, -40.0, 120.0, "70 degC is common.", "coolant"),
    "pressure_within_pa": (PRESSURE_WITHIN_PA, 0.0, 1e5, "It is in Pa; 1 kPa is 1000 Pa.", "manifold_pressure"),
    "overrun_below_pa": (OVERRUN_BELOW_PA, 0.0, 1.2e5, "It is absolute, in Pa; 1 kPa is 1000 Pa.", "manifold_pressure"),
    "throttle_within_percent": (THROTTLE_WITHIN_PERCENT, 0.0, 100.0, "Some 4 % will do.", "throttle"),
}


def _limit(log: Log, name: str, asked: float | None) -> float:
    """A limit in its range, the usual one where none was asked for; refused where the log has nothing to hold against it."""
    usual, low, high, cure, column = LIMITS[name]
    if asked is None:
        return usual
    check_range(asked, name, low, high, cure=cure)
    if column:
        _need(log, column, name)
    return asked


def _need(log: Log, meaning: str, name: str) -> None:
    """Refuse what was asked for by name where the log has no column for it."""
    columns = {"coolant": log.coolant_degc, "manifold_pressure": log.manifold_pressure_pa, "throttle": log.throttle_percent}
    if columns[meaning] is None:
        others = f"columns not used: {', '.join(map(repr, log.unused)) or 'none'}"
        msg = (
            f"{name} is asked for, but log {log.name} has no {BY_KEY[meaning].label} ({others}); "
            f"name its column, {how_to_name(meaning)}, or leave {name} out."
        )
        raise InputError(msg)


def _undelayed(log: Log, lag_s: float) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Lambda moved to the moment it was burnt, and whether a usable reading stands there."""
    later = log.time_s + lag_s
    slack = 0.01 * float(np.median(np.diff(log.time_s)))
    after = np.minimum(np.searchsorted(log.time_s, later - slack), log.time_s.size - 1)
    before = np.maximum(after - 1, 0)
    near = (log.time_s[after] - log.time_s[before] <= samples.gap_s(log.time_s)) & (later <= log.time_s[-1] + slack)
    fit = (log.flag[after] == 0) & (log.flag[before] == 0)
    return np.interp(later, log.time_s, log.lambda_measured), near & fit


def _overrun(log: Log, below_pa: float) -> NDArray[np.bool_]:
    """Rows of a fast engine with its throttle closed: by manifold pressure, else by the throttle."""
    fast = log.rpm > OVERRUN_ABOVE_RPM
    if log.manifold_pressure_pa is not None:
        return fast & (log.manifold_pressure_pa < below_pa)
    if log.throttle_percent is None:
        return np.zeros(log.rpm.size, dtype=bool)
    # The sensor's zero is its own: idling shows where closed is.
    idling = (log.rpm < 1200.0) & np.isfinite(log.throttle_percent)
    closed = CLOSED_THROTTLE_PERCENT
    if idling.sum() >= 20:
        closed = float(np.median(log.throttle_percent[idling])) + 1.0
    return np.asarray(fast & (log.throttle_percent <= closed))


def load_of_rows(
    log: Log,
    *,
    loads_pa: Mapping[str, tuple[float, float]] | None = None,
    loads_percent: Mapping[str, tuple[float, float]] | None = None,
    idle_below_rpm: float = IDLE_BELOW_RPM,
) -> tuple[list[str], NDArray[np.intp]]:
    """Names of the loads ("idle" first; "all" where no load was logged), and which each row runs under, -1 for none."""
    if loads_percent is None:
        if loads_pa is not None:
            _need(log, "manifold_pressure", "loads_pa")
    elif log.manifold_pressure_pa is None:
        _need(log, "throttle", "loads_percent")
    elif loads_pa is None:
        msg = (
            f"loads_percent is asked for, but log {log.name} has manifold pressure, by which its loads are told; give "
            "loads_pa (in a job file loads_kpa), or do without the pressure, columns={'manifold_pressure': ''}."
        )
        raise InputError(msg)
    check_range(idle_below_rpm, "idle_below_rpm", 0.0, 5000.0, cure="Revolutions a minute.")
    for argument, given in (("loads_pa", loads_pa), ("loads_percent", loads_percent)):
        for name, ends in (given or {}).items():
            pair = read_only(ends, f"{argument} of {name!r}")
            if pair.size != 2 or not pair[0] < pair[1]:
                rule = "must be two numbers, the lower end first, then the upper"
                msg = f"{argument} of {shown(name)} is {shown(list(ends))}, but {rule}."
                raise InputError(msg)
    ranges: Mapping[str, tuple[float, float]] = {"all": (-np.inf, np.inf)}
    values = np.zeros(log.rpm.size)
    if log.manifold_pressure_pa is not None:
        ranges, values = USUAL_LOADS_PA if loads_pa is None else loads_pa, log.manifold_pressure_pa
    elif log.throttle_percent is not None:
        ranges, values = USUAL_LOADS_PERCENT if loads_percent is None else loads_percent, log.throttle_percent
    names = list(dict.fromkeys(["idle", *ranges]))
    load = np.full(log.rpm.size, -1, dtype=np.intp)
    for name, (low, high) in ranges.items():
        load[(values >= low) & (values < high)] = names.index(name)
    load[log.rpm < idle_below_rpm] = 0
    return names, load
