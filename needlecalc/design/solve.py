"""The inverse: station diameters and jet height that bring each band to its target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.design.doubts import Doubts
from needlecalc.design.fit import Problem, fit, response, smoothest
from needlecalc.design.learn import Learned, learn
from needlecalc.design.limits import Limits
from needlecalc.design.nextstep import measure_next
from needlecalc.design.proposal import Design
from needlecalc.design.stages import RISK, first_stage
from needlecalc.design.sure import idle_band, outlook, sources, trimmed
from needlecalc.design.target import Target
from needlecalc.design.verdict import conflicts, station_flags, verdict
from needlecalc.errors import InputError
from needlecalc.measure.gate import Checks, gated
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

SUPPORT_SHARE = 0.15
WORTH_A_STROKE = 3.0  # standard errors of the hand: a smaller cut must show that it helps
LEAST_CUT_MM = 5e-4


def solve(
    target: Target,
    setup: Setup,
    *,
    limits: Limits | None = None,
    learned: Learned | None = None,
    doubts: Doubts | None = None,
    risk: float = RISK,
    named_as: str | None = None,
    checks: Checks | None = None,
) -> Design:
    r"""Design that brings every band as near to its target as the limits allow.

    Parameters
    ----------
    target : Target
        Bands with lifts, and lambda asked of each.
    setup : Setup
        The setup of the first drive; its jet's drop range says how far the jet may move.
    limits : Limits or None
        Limits to keep; filing only, when not given.
    learned : Learned or None
        What earlier passes taught, the bands of the target being the last of them; without it the bands of
        the target are the only pass.
    doubts : Doubts or None
        How far off things may be, when nothing was learned yet; the usual when not given.
    risk : float
        Greatest chance that the first stage leaves any band richer than permitted. [-]
    named_as : str or None
        Name of the new needle.
    checks : Checks or None
        Checks before the cut; a red one that is not overridden locks the solver.

    Returns
    -------
    Design
        Diameters of all stations and jet drop, found together.  ``met`` is False where the limits forbid
        the target; the status says what could help.

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle, ``learned`` is of other bands, or ``risk`` is no chance.
    SolveError
        If the limits contradict each other, or a check is red and not overridden.

    Notes
    -----
    Least squares of :math:`\ln(\lambda/\lambda_t)` over the doubt of each band, plus the bend of the
    removal, under linear limits; each linear step is solved exactly.  The greatest smoothness that still
    meets the targets within the noise of lambda is taken (discrepancy principle).  Stations that carry less than
    15 % of every band's metering are left as they are beyond the data, and blended inside it.  A cut so
    small that the hand's own error would cost more than the cut gains is not asked for.
    """
    said_of_checks = gated(checks)
    limits = limits or Limits()
    check_range(risk, "risk", 0.0, 1.0, cure="It is a chance; 0.05 is one drive in twenty.")
    learned = learned or learn(target.bands, setup, doubts=doubts)
    _same_bands(target, learned)
    words, giving_way = conflicts(target)
    _, slopes = learned.slopes(learned.present_mm(), learned.setup.carburettor.jet.drop_mm)
    share = np.abs(slopes[:, :-1]) / np.abs(slopes[:, :-1]).sum(axis=1, keepdims=True)
    # Stations close together share what one would carry alone.
    supported = (share >= np.minimum(SUPPORT_SHARE, 0.5 * share.max(axis=1, keepdims=True))).any(axis=0)
    inside = np.zeros(supported.size, dtype=bool)
    inside[np.flatnonzero(supported)[0] : np.flatnonzero(supported)[-1] + 1] = True
    problem = Problem.of(learned, target, limits, inside, giving_way)
    x, smoothness = smoothest(problem)
    problem, x = _only_what_helps(problem, smoothness, x, limits)
    removal = np.zeros(supported.size)
    removal[problem.free] = x[:-1]
    asked_mm, cut = _asked(learned, removal, limits)
    drop = learned.setup.carburettor.jet.drop_mm + float(x[-1])
    seen = outlook(learned, target, asked_mm, cut, drop, new_blank=limits.new_blank)
    stage = first_stage(problem, smoothness, x, seen, risk=risk)
    first_mm, _ = _asked(learned, stage.removal_mm, limits)
    first_mm = np.where(cut, np.maximum(first_mm, asked_mm), asked_mm)
    misfit, _ = problem.misfit(x)
    predicted = np.exp(misfit) * target.lambda_target
    low, high = seen.interval()
    first = np.quantile(stage.lambda_drawn, [0.05, 0.5, 0.95], axis=0)
    status, met, advice = verdict(problem, limits, x)
    needle = learned.setup.carburettor.needle
    doubt_um, mostly = _diameter_doubt(problem, smoothness, x, cut)
    made = Design(
        learned=learned,
        target=target,
        needle=Needle(named_as or f"{needle.name} as asked", needle.stations_mm, asked_mm, source="proposed"),
        drop_mm=drop,
        first_stop=Needle(f"{needle.name} at the first stop", needle.stations_mm, first_mm, source="proposed"),
        chance_rich=stage.chance_rich_whole,
        chance_rich_first=stage.chance_rich,
        held_back=stage.held_back,
        lambda_predicted=np.asarray(predicted),
        lambda_low=low,
        lambda_high=high,
        first_predicted=first[1],
        first_low=first[0],
        first_high=first[2],
        diameter_u_um=doubt_um,
        largest_doubt=mostly,
        tolerance_um=_tolerance_um(slopes[:, :-1], share),
        supported=supported,
        status=status,
        met=met,
        flags=(*advice, *words, *station_flags(supported, inside), *target.cautions(), *said_of_checks),
        smoothness=smoothness,
        limits=limits,
        checks=checks,
    )
    # No measurement brings a chance down to nothing.
    if cut.any() and 0.001 <= risk <= 0.5 and (made.chance_rich > risk or made.held_back > 0.0):
        made = replace(made, flags=(*made.flags, measure_next(made, risk=risk).line()))
    return made


def _same_bands(target: Target, learned: Learned) -> None:
    asked, known = target.bands, learned.bands
    columns = ((asked.rpm, known.rpm), (asked.lift_mm, known.lift_mm), (asked.lambda_measured, known.lambda_measured))
    if asked.load != known.load or not all(np.array_equal(one, other) for one, other in columns):
        msg = (
            f"The target is for {asked!r}, but what was learned ends with {known!r}; make the target from the bands of the "
            "last pass."
        )
        raise InputError(msg)


def _asked(learned: Learned, removal_mm: FloatArray, limits: Limits) -> tuple[FloatArray, NDArray[np.bool_]]:
    """Diameters to file to, and which stations are touched at all."""
    measured = learned.setup.carburettor.needle.diameters_mm
    touched = np.abs(removal_mm) > LEAST_CUT_MM / 10.0
    # A new blank is turned to what is believed of the needle; a filed one keeps the metal it has.
    asked = np.where(touched | limits.new_blank, learned.present_mm() - removal_mm, measured)
    if not limits.new_blank:
        asked = np.minimum(asked, measured)
    # Rounding of the exact step must not show as a thousandth of a micron of reversed taper.
    asked = np.minimum.accumulate(asked)
    return asked, np.asarray(asked != measured)


def _only_what_helps(problem: Problem, smoothness: float, x: FloatArray, limits: Limits) -> tuple[Problem, FloatArray]:
    """The solution without the cuts that the hand's own error would make worthless."""
    hand = problem.learned.doubts.hand_mm
    loss = _expected_loss(problem, x)
    while True:
        removal = np.zeros(problem.free.size)
        removal[problem.free] = np.abs(x[:-1])
        small = np.flatnonzero((removal > 0.0) & (removal < WORTH_A_STROKE * hand))
        for station in small[np.argsort(removal[small])].tolist():
            free = problem.free.copy()
            free[station] = False
            fewer = problem.with_free(free, limits)
            start = np.append(np.delete(x[:-1], int(problem.free[:station].sum())), x[-1])
            if not _feasible(fewer, start):
                continue
            trial = fit(fewer, smoothness, start)
            then = _expected_loss(fewer, trial)
            if then <= loss:
                problem, x, loss = fewer, trial, then
                break
        else:
            break
    untouched = problem.with_free(np.zeros(problem.free.size, dtype=bool), limits)
    alone = fit(untouched, smoothness, np.zeros(1))
    if _expected_loss(untouched, alone) <= loss:
        return untouched, alone
    return problem, x


def _feasible(problem: Problem, x: FloatArray) -> bool:
    return bool((problem.limits_matrix @ x >= problem.limits_least - 1e-9).all())


def _expected_loss(problem: Problem, x: FloatArray) -> float:
    """Mean square misfit to expect after the hand has erred and the nut has put idle back."""
    misfit, _ = problem.misfit(x)
    learned = problem.learned
    drop = learned.setup.carburettor.jet.drop_mm + float(x[-1])
    _, slopes = learned.slopes(problem.true_diameters(x), drop)
    idle = idle_band(learned, problem.target)
    if idle is not None:
        misfit = misfit - slopes[:, -1] / slopes[idle, -1] * misfit[idle]
    touched = np.zeros(problem.free.size)
    touched[problem.free] = np.abs(x[:-1]) > LEAST_CUT_MM / 10.0
    hand = ((trimmed(slopes, idle)[:, :-1] * learned.doubts.hand_mm * touched) ** 2).sum(axis=1)
    return float((problem.care**2 * (misfit**2 + hand)).sum())


def _diameter_doubt(
    problem: Problem, smoothness: float, x: FloatArray, cut: NDArray[np.bool_]
) -> tuple[FloatArray, tuple[str, ...]]:
    """Standard uncertainty of each diameter asked, in um, and its largest source."""
    learned = problem.learned
    drop = learned.setup.carburettor.jet.drop_mm + float(x[-1])
    by_unknowns, _ = learned.slopes(problem.true_diameters(x), drop)
    moves = response(problem, smoothness, x)
    by_source = sources(learned, moves @ by_unknowns)
    offset = learned.doubts.sensor_offset / problem.target.lambda_target
    by_source["sensor"] = np.abs(moves @ offset)
    total = np.sqrt(sum(part**2 for part in by_source.values()))
    doubt = np.full(cut.size, np.nan)
    mostly = np.full(cut.size, "", dtype=object)
    names = list(by_source)
    largest = np.argmax(np.array([by_source[name] for name in names]), axis=0)
    doubt[problem.free] = 1e3 * np.hypot(total[:-1], learned.doubts.hand_mm)
    mostly[problem.free] = [
        names[k] if by_source[names[k]][row] > learned.doubts.hand_mm else "hand"
        for row, k in enumerate(largest[:-1].tolist())
    ]
    doubt[~cut], mostly[~cut] = np.nan, ""
    return doubt, tuple(str(name) for name in mostly)


def _tolerance_um(slopes: FloatArray, share: FloatArray) -> FloatArray:
    """Error all over that turns 1 % lambda in the touchiest band a station serves."""
    whole = np.abs(slopes).sum(axis=1)
    serves = share >= SUPPORT_SHARE
    worst = np.where(serves, whole[:, None], 0.0).max(axis=0)
    return np.where(worst > 0.0, 1e3 * 0.01 / np.where(worst > 0.0, worst, 1.0), np.nan)
