"""Steady samples of a drive: which rows speak for the needle, and why the others do not."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range, read_only
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.lag import Lag
from needlecalc.measure.drive.signals import (
    WARM_ABOVE_DEGC,
    cold_rows,
    filled,
    gap_s,
    load_signal,
    moves,
    opening,
    window_ends,
    window_mean,
)
from needlecalc.measure.log.columns import BY_KEY
from needlecalc.measure.log.file import FLAGS, Log
from needlecalc.measure.log.words import how_to_name
from needlecalc.show import Column, Shown, Table, counted
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


@dataclass(frozen=True, repr=False, eq=False)
class Steady(Shown):
    """Every row of a log with its fate; arrays have shape (n,), one entry a row of the log.

    Parameters
    ----------
    log : Log
        The drive.
    lag : Lag
        Lag taken out of lambda.
    lambda_burnt : array, shape (n,)
        Lambda at the moment the row's charge was burnt: the reading a lag later. [-]
    fate : array of int, shape (n,)
        0 where the row is steady and fit, else an index into ``reasons``.
    reasons : tuple of str
        "steady" and why rows were left out.
    assumptions : tuple of str
        What was taken for granted.
    """

    log: Log
    lag: Lag
    lambda_burnt: FloatArray
    fate: NDArray[np.int16]
    reasons: tuple[str, ...]
    assumptions: tuple[str, ...] = ()

    def __repr__(self) -> str:
        return f"Steady samples: {int((self.fate == 0).sum())} of {counted(self.fate.size, 'row')} of {self.log.name!r}"

    def dropped(self) -> tuple[tuple[str, int], ...]:
        """Rows left out, by reason.

        Returns
        -------
        tuple of (str, int)
            Reason and rows; those that left none out are not listed.
        """
        counts = np.bincount(self.fate, minlength=len(self.reasons))
        return tuple((reason, int(count)) for reason, count in zip(self.reasons[1:], counts[1:], strict=True) if count)

    def table(self) -> Table:
        """Fate of every row, to be shown.

        Returns
        -------
        Table
            One row a fate; the rows add up to those of the log.
        """
        rows = [{"fate": "steady", "rows": int((self.fate == 0).sum())}]
        rows += [{"fate": reason, "rows": count} for reason, count in self.dropped()]
        columns = (Column("fate", "fate"), Column("rows", "rows", "d"))
        return Table(f"Rows of {self.log.name}", columns, rows, notes=[repr(self.lag), *self.assumptions])


def steady_samples(
    log: Log,
    lag: Lag,
    *,
    steady_s: float = STEADY_S,
    settle_s: float = SETTLE_S,
    rpm_within: float = RPM_WITHIN,
    pressure_within_pa: float | None = None,
    throttle_within_percent: float = THROTTLE_WITHIN_PERCENT,
    lambda_within: float = LAMBDA_WITHIN,
    opening_rise: float = OPENING_RISE,
    warm_above_degc: float | None = None,
    overrun_above_rpm: float = OVERRUN_ABOVE_RPM,
    overrun_below_pa: float | None = None,
) -> Steady:
    """Rows of a log that are warm, under load and steady for long enough.

    Parameters
    ----------
    log : Log
        The drive.
    lag : Lag
        Lag of the lambda reading.
    steady_s : float
        Length of the window about a row that must be steady. [s]
    settle_s : float
        Time after an opening for which the damper still enriches. [s]
    rpm_within : float
        Greatest range of speed in the window, as a share of the speed (or of 1000). [-]
    pressure_within_pa : float or None
        Greatest range of manifold pressure in the window; 4000 where it was logged, if not given. [Pa]
    throttle_within_percent : float
        Greatest range of throttle in the window; asked only where no pressure was logged. [%]
    lambda_within : float
        Greatest change of lambda from the first half of the window to the second. [-]
    opening_rise : float
        Rise of air flow within ``settle_s`` that makes an opening, as a share. [-]
    warm_above_degc : float or None
        Least temperature of the coolant; 70 where it was logged, if not given. [degC]
    overrun_above_rpm, overrun_below_pa : float, float or None
        Overrun: speed above the one and manifold pressure below the other (28000 if not given); without logged
        pressure, a closed throttle. [1/min, Pa]

    Returns
    -------
    Steady
        The fate of every row; a row bad for several reasons counts under the first.

    Raises
    ------
    InputError
        If a limit is no sensible number, or one is asked for that the log has no column for.

    Notes
    -----
    Windows, 2.5 s after an opening and 70 degC are common practice, no source.  The damper resists the
    piston only upwards; closings need no more than the window.  Air flow is stood for by speed times
    manifold pressure (or throttle + 5 %), averaged over 0.5 s.
    """
    check_range(steady_s, "steady_s", 0.0, 60.0, cure="A few seconds will do.")
    check_range(settle_s, "settle_s", 0.0, 60.0, cure="The damper takes 2 to 3 s.")
    warm_degc = WARM_ABOVE_DEGC if warm_above_degc is None else warm_above_degc
    within_pa = PRESSURE_WITHIN_PA if pressure_within_pa is None else pressure_within_pa
    below_pa = OVERRUN_BELOW_PA if overrun_below_pa is None else overrun_below_pa
    check_range(warm_degc, "warm_above_degc", -40.0, 120.0, cure="70 degC is common.")
    check_range(rpm_within, "rpm_within", 0.0, 1.0, cure="It is a share; 4 % is 0.04.")
    check_range(within_pa, "pressure_within_pa", 0.0, 1e5, cure="It is in Pa; 1 kPa is 1000 Pa.")
    check_range(throttle_within_percent, "throttle_within_percent", 0.0, 100.0, cure="Some 4 % will do.")
    check_range(lambda_within, "lambda_within", 0.0, 1.0, cure="It is a lambda, some 0.05.")
    check_range(opening_rise, "opening_rise", 0.0, 100.0, cure="It is a share; a tenth is 0.1.")
    check_range(overrun_above_rpm, "overrun_above_rpm", 0.0, 2e4, cure="Revolutions a minute.")
    check_range(below_pa, "overrun_below_pa", 0.0, 1.2e5, cure="It is absolute, in Pa; 1 kPa is 1000 Pa.")
    _need(log, "coolant", log.coolant_degc, warm_above_degc=warm_above_degc)
    asked = {"pressure_within_pa": pressure_within_pa, "overrun_below_pa": overrun_below_pa}
    _need(log, "manifold_pressure", log.manifold_pressure_pa, **asked)
    time, pressure = log.time_s, log.manifold_pressure_pa
    burnt, answered = _undelayed(log, lag.seconds)
    first, last, whole = window_ends(time, steady_s / 2.0, steady_s / 2.0)
    here = np.arange(time.size)
    found: list[tuple[str, NDArray[np.bool_]]] = [
        (f"log: {words}", log.flag == code) for code, words in enumerate(FLAGS) if code
    ]
    found.append(("lambda lag reaches past the log's end or a gap", ~answered))
    notes: list[str] = []
    cold = cold_rows(log, warm_degc)
    found.append((f"coolant below {warm_degc:g} degC (choke, warm-up)", cold))
    if log.coolant_degc is None:
        notes.append("coolant was not logged: the engine is taken to be warm all along")
    if pressure is not None:
        found.append(("manifold pressure not a number there", ~np.isfinite(pressure)))
    found.append(("overrun: closed throttle at speed", _overrun(log, overrun_above_rpm, below_pa)))
    found.append(("too near the log's start or end or a gap", ~whole))
    mean_rpm = window_mean(log.rpm, first, last)
    wide = moves(time, log.rpm, rpm_within * np.maximum(mean_rpm, 1000.0), steady_s)
    found.append(("engine speed not steady", wide))
    if pressure is not None:
        moving = moves(time, filled(pressure), within_pa, steady_s)
        found.append(("manifold pressure not steady", moving))
    elif log.throttle_percent is not None:
        moving = moves(time, filled(log.throttle_percent), throttle_within_percent, steady_s)
        found.append(("throttle not steady", moving))
    else:
        notes.append("neither manifold pressure nor throttle was logged: openings show by engine speed alone")
    load = load_signal(log)
    flow = np.maximum(log.rpm, 100.0) * (1.0 if load is None else load[0])
    opened = opening(time, flow, rise=opening_rise, settle_s=settle_s)
    found.append((f"up to {settle_s:g} s after an opening (damper enriches)", opened))
    drift = np.abs(window_mean(burnt, first, here) - window_mean(burnt, here, last))
    found.append(("lambda not steady", drift > lambda_within))
    fate = np.zeros(time.size, dtype=np.int16)
    for code, (_, bad) in enumerate(found, start=1):
        fate[(fate == 0) & bad] = code
    fate.flags.writeable = False
    burnt.flags.writeable = False
    return Steady(log, lag, burnt, fate, ("steady", *(words for words, _ in found)), tuple(notes))


def _need(log: Log, meaning: str, column: FloatArray | None, **asked: object) -> None:
    """Refuse what was asked for by name where the log has no column to hold it against."""
    name = next((name for name, value in asked.items() if value is not None), None)
    if name is not None and column is None:
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
    near = (log.time_s[after] - log.time_s[before] <= gap_s(log.time_s)) & (later <= log.time_s[-1] + slack)
    fit = (log.flag[after] == 0) & (log.flag[before] == 0)
    return np.interp(later, log.time_s, log.lambda_measured), near & fit


def _overrun(log: Log, above_rpm: float, below_pa: float) -> NDArray[np.bool_]:
    fast = log.rpm > above_rpm
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
) -> tuple[list[str], NDArray[np.intp], str]:
    """Names of the loads, which of them each row runs under, and what is said of rows under none.

    Parameters
    ----------
    log : Log
        The drive.
    loads_pa : mapping or None
        Name of each load to its range of manifold pressure; the usual three when not given. [Pa]
    loads_percent : mapping or None
        The same by throttle, for logs without manifold pressure; both may be given. [%]
    idle_below_rpm : float
        Below this speed the load is "idle" whatever the pressure. [1/min]

    Returns
    -------
    list of str
        "idle", then the others; "all" where neither pressure nor throttle was logged.
    array of int, shape (n,)
        Index into them, -1 for none.
    str
        Why those rows are in no band.

    Raises
    ------
    InputError
        If loads are given only by what the log does not hold, or by throttle where manifold pressure counts, or the
        ends of one do not rise.
    """
    if loads_percent is None:
        _need(log, "manifold_pressure", log.manifold_pressure_pa, loads_pa=loads_pa)
    elif log.manifold_pressure_pa is None:
        _need(log, "throttle", log.throttle_percent, loads_percent=loads_percent)
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
    values, outside = np.zeros(log.rpm.size), "outside every load"
    if log.manifold_pressure_pa is not None:
        ranges = USUAL_LOADS_PA if loads_pa is None else loads_pa
        values, outside = log.manifold_pressure_pa, "manifold pressure outside every load"
    elif log.throttle_percent is not None:
        ranges = USUAL_LOADS_PERCENT if loads_percent is None else loads_percent
        values, outside = log.throttle_percent, "throttle outside every load"
    names = list(dict.fromkeys(["idle", *ranges]))
    load = np.full(log.rpm.size, -1, dtype=np.intp)
    for name, (low, high) in ranges.items():
        load[(values >= low) & (values < high)] = names.index(name)
    load[log.rpm < idle_below_rpm] = 0
    return names, load, outside
