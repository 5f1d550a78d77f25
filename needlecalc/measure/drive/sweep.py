"""The lean limit: the leanest mixture that still runs smoothly, from a sweep at a held running point."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_each, check_range, check_text, read_only, same_length
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import AFR_CURE
from needlecalc.measure.drive.samples import smoothed
from needlecalc.measure.log.file import Log
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

# Common practice, no source.
MARGIN = 0.03
ROUGH_TIMES = 2.0
DROP_SHARE = 0.03
STEP_LAMBDA = 0.02
LEAST_STEP_S = 3.0
SMOOTHED_S = 2.0
SETTLED_LAMBDA_PER_S = 0.01
SLOW_S = 2.0
RPM_AWAY = 0.15


@dataclass(frozen=True, repr=False, eq=False)
class LeanLimits(Shown):
    """Leanest smooth lambda at each running point; arrays have shape (k,), one entry a sweep.

    Parameters
    ----------
    load : tuple of str
        Load of each sweep, as the bands name it.
    rpm : array, shape (k,)
        Engine speed. [1/min]
    lambda_limit : array, shape (k,)
        Leanest lambda that ran smoothly. [-]
    lambda_rough : array, shape (k,)
        First lambda leaner than it that ran rough; NaN where the sweep ended before. [-]
    margin : float
        How far targets stay below the limit. [-]
    source : tuple of str
        Where each comes from.

    Examples
    --------
    >>> limits = typed_sweep([0.95, 1.02, 1.10, 1.16], [False, False, False, True], load="light", rpm=2500)
    >>> limits.lambda_limit, limits.lambda_rough
    (array([1.1]), array([1.16]))
    """

    load: tuple[str, ...]
    rpm: FloatArray
    lambda_limit: FloatArray
    lambda_rough: FloatArray
    margin: float = MARGIN
    source: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in ("rpm", "lambda_limit", "lambda_rough"):
            object.__setattr__(self, name, read_only(getattr(self, name), name, allow_nan=name == "lambda_rough"))
        same_length("lean limits", load=self.load, rpm=self.rpm, lambda_limit=self.lambda_limit, source=self.source)
        check_range(self.margin, "margin", 0.0, 0.3, cure="It is a lambda, some 0.03.")

    def __repr__(self) -> str:
        points = ", ".join(
            f"{load} {rpm:.0f} rpm {x:.2f}" for load, rpm, x in zip(self.load, self.rpm, self.lambda_limit, strict=True)
        )
        return f"LeanLimits: {points}"

    def joined(self, other: LeanLimits) -> LeanLimits:
        """These sweeps and others together; the margin of the first counts."""
        arrays = ("rpm", "lambda_limit", "lambda_rough")
        both: dict[str, Any] = {name: np.concatenate([getattr(self, name), getattr(other, name)]) for name in arrays}
        return replace(self, load=self.load + other.load, source=self.source + other.source, **both)

    def most(self, load: str, rpm_low: float, rpm_high: float) -> tuple[float, int] | None:
        """Leanest target a band may have: limit less margin, and which sweep it comes from; None where no sweep was made.

        A band typed in reaches 10 % either way; the lowest counts where several sweeps meet.
        """
        if rpm_high - rpm_low < 1.0:
            rpm_low, rpm_high = 0.9 * rpm_low, 1.1 * rpm_high
        here = [k for k, name in enumerate(self.load) if name == load and rpm_low <= self.rpm[k] <= rpm_high]
        if not here:
            return None
        least = min(here, key=lambda k: float(self.lambda_limit[k]))
        return float(self.lambda_limit[least]) - self.margin, least


def typed_sweep(
    lambda_measured: ArrayLike, rough: Sequence[bool], *, load: str, rpm: float, margin: float = MARGIN
) -> LeanLimits:
    """Lean limit from a table: the mixture leaned step by step, each step felt smooth or rough.

    Parameters
    ----------
    lambda_measured : array_like, shape (n,)
        Lambda of each step, in any order. [-]
    rough : sequence of bool
        Whether it ran rough there.
    load : str
        Load, as the bands name it.
    rpm : float
        Engine speed. [1/min]
    margin : float
        How far targets stay below the limit. [-]

    Returns
    -------
    LeanLimits
        One sweep.

    Raises
    ------
    InputError
        If there are fewer than three steps, or the richest ran rough already.

    Examples
    --------
    >>> typed_sweep([0.95, 1.02, 1.10, 1.16], [False, False, False, True], load="light", rpm=2500)
    LeanLimits: light 2500 rpm 1.10
    """
    ratio = read_only(lambda_measured, "lambda_measured")
    same_length("sweep", lambda_measured=ratio, rough=rough)
    check_range(rpm, "rpm", 300.0, 9000.0, cure="Revolutions a minute.")
    check_each(ratio, "lambda_measured", 0.5, 2.0, cure=AFR_CURE)
    marks = np.array([bool(mark) for mark in rough])
    limit, from_rough = _limit(ratio, marks, f"{load} {rpm:.0f} rpm")
    return LeanLimits((load,), np.array([rpm]), np.array([limit]), np.array([from_rough]), margin, ("typed in",))


def lean_limit(
    log: Log,
    *,
    load: str,
    rpm: float | None = None,
    start_s: float = 0.0,
    end_s: float | None = None,
    rough_times: float = ROUGH_TIMES,
    drop_share: float = DROP_SHARE,
    margin: float = MARGIN,
) -> LeanLimits:
    """Lean limit from the log of a sweep: throttle held, mixture leaned step by step.

    Parameters
    ----------
    log : Log
        The sweep, or a drive that holds it.
    load : str
        Load, as the bands name it.
    rpm : float or None
        Engine speed at the start; the middle one of the stretch when not given. [1/min]
    start_s, end_s : float, float or None
        Where in the log the sweep begins; where it ends. [s]
    rough_times : float
        Quick wander of engine speed, over that of the smoothest step, from which a step is rough. [-]
    drop_share : float
        Fall of engine speed below the best richer step from which a step is rough. [-]
    margin : float
        How far targets stay below the limit. [-]

    Returns
    -------
    LeanLimits
        One sweep; the limit is the lambda of the leanest smooth step.

    Raises
    ------
    InputError
        If fewer than three steps stand still long enough, or the richest ran rough already.

    Notes
    -----
    Rows are gathered by their smoothed lambda in classes 0.02 wide, each begun at the richest row that is in
    none, so a hold is not cut in two; rows where lambda moves are left out.  The
    wander is that about a running mean of 2 s, so the slow fall of speed does not count in it.

    Examples
    --------
    >>> import numpy as np
    >>> import pandas as pd
    >>> from needlecalc import read_log
    >>> time = np.arange(0.0, 60.0, 0.1)
    >>> step = (time // 10).astype(int)
    >>> wander = np.where(step == 5, 60.0, 5.0) * np.sin(9.0 * time)
    >>> log = read_log(pd.DataFrame({"Time (s)": time, "RPM": 2500 + wander, "Lambda": 0.95 + 0.05 * step}))
    >>> lean_limit(log, load="light")
    LeanLimits: light 2500 rpm 1.15
    """
    check_range(rough_times, "rough_times", 1.1, 10.0, cure="It is a ratio, some 2.")
    check_range(drop_share, "drop_share", 0.005, 0.3, cure="It is a share, some 0.03.")
    load = check_text(load, "load")
    check_range(start_s, "start_s", -1e6, 1e6, cure="It is in seconds.")
    if end_s is not None:
        check_range(end_s, "end_s", -1e6, 1e6, cure="It is in seconds.")
    inside = (log.time_s >= start_s) & (log.time_s <= (np.inf if end_s is None else end_s)) & (log.flag == 0)
    where = f"{plain(log.name, LONGEST_NAME)}, {load} sweep"
    if not inside.any():
        msg = f"{where}: no row fit for use between start_s {start_s:g} and end_s {end_s}; state where the sweep stands."
        raise InputError(msg)
    middle = float(np.median(log.rpm[inside])) if rpm is None else check_range(rpm, "rpm", 300.0, 9000.0)
    inside &= np.abs(log.rpm / middle - 1.0) <= RPM_AWAY
    if inside.sum() < 3:
        msg = f"{where}: fewer than 3 rows within {RPM_AWAY:.0%} of {middle:.0f} rpm; state rpm or the stretch of the sweep."
        raise InputError(msg)
    time, speed, ratio = log.time_s[inside], log.rpm[inside], log.lambda_measured[inside]
    smooth = smoothed(time, ratio, SMOOTHED_S)[0]
    half = SMOOTHED_S / 2.0
    drift = np.abs(np.interp(time + half, time, smooth) - np.interp(time - half, time, smooth)) / SMOOTHED_S
    quick = speed - smoothed(time, speed, SLOW_S)[0]
    spacing = float(np.median(np.diff(time)))
    settled = drift < SETTLED_LAMBDA_PER_S
    steps: list[tuple[float, float, float]] = []
    begin = -np.inf
    while (settled & (smooth > begin + STEP_LAMBDA)).any():
        begin = float(smooth[settled & (smooth > begin + STEP_LAMBDA)].min())
        here = settled & (smooth >= begin) & (smooth <= begin + STEP_LAMBDA)
        if here.sum() * spacing >= LEAST_STEP_S:
            steps.append((float(smooth[here].mean()), float(quick[here].std()), float(speed[here].mean())))
    table = np.array(steps, dtype=np.float64).reshape(-1, 3)
    wander, mean_speed = table[:, 1], table[:, 2]
    if table.shape[0] >= 3:
        # The smoothest half are the measure: a sweep always starts where the engine is content.
        usual = float(np.median(np.sort(wander)[: max(table.shape[0] // 2, 1)]))
        best = np.maximum.accumulate(mean_speed)
        rough = (wander > rough_times * max(usual, 1e-9)) | (mean_speed < (1.0 - drop_share) * best)
    else:
        rough = np.zeros(table.shape[0], dtype=bool)
    limit, from_rough = _limit(table[:, 0], rough, where)
    source = f"log {log.name}, {table.shape[0]} steps"
    return LeanLimits((load,), np.array([middle]), np.array([limit]), np.array([from_rough]), margin, (source,))


def _limit(ratio: FloatArray, rough: NDArray[np.bool_], where: str) -> tuple[float, float]:
    """Leanest lambda before the first rough step, and that step."""
    if ratio.size < 3:
        held = f"{counted(ratio.size, 'step')} held still long enough"
        msg = f"{where}: {held}, but a sweep needs 3; hold each setting for 5 s or more."
        raise InputError(msg)
    order = np.argsort(ratio)
    if rough[order][0]:
        msg = f"{where}: the richest step, lambda {ratio.min():.2f}, ran rough already; look for a fault, or start richer."
        raise InputError(msg)
    first = int(np.argmax(rough[order])) if rough.any() else ratio.size
    limit = float(ratio[order][first - 1])
    return limit, float(ratio[order][first]) if first < ratio.size else float("nan")
