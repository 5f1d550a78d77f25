"""The inverse: station diameters and jet height that bring each band to its target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.binding import binding_limits
from needlecalc.design.inverse.fit import response
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.nextstep import measure_next
from needlecalc.design.inverse.options import work_out
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.solution import LEAST_CUT_MM, SUPPORT_SHARE, best_solution
from needlecalc.design.inverse.stages import RISK, first_stage
from needlecalc.design.inverse.uncertainty import Cars, Outlook, idle_aim, idle_band, outlook, sources
from needlecalc.design.inverse.verdict import (
    conflicts,
    past_the_lean_limit,
    station_flags,
    test_flags,
    verdict,
)
from needlecalc.design.wish.target import Target
from needlecalc.errors import InputError
from needlecalc.measure.checks.check import Checks, gated
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray


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
    with_options: bool = True,
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
    with_options : bool
        Whether to work out what could help where the target is not met, or what to measure where the cut is held
        back, which takes longer than the design itself; False for a great many designs.

    Returns
    -------
    Design
        Diameters of all stations and jet drop, found together.  ``met`` is False where the limits forbid
        the target; it is the least bad then, and ``options`` holds what could help, each solved anew.

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle, ``learned`` is of other bands, ``risk`` is no
        chance, or a limit names what is not there.
    SolveError
        If the limits contradict each other, no car explains the passes, or a check is red and not overridden.

    Notes
    -----
    Least squares of :math:`\ln(\lambda/\lambda_t)` over the doubt of each band, plus the bend of the
    removal, under linear limits; each linear step is solved exactly.  The greatest smoothness that still
    meets the targets within the noise of lambda is taken (discrepancy principle).  Stations that carry less than
    15 % of every band's metering are left as they are beyond the data, and blended inside it.  A cut so
    small that the hand's own error would cost more than the cut gains is not asked for.  A band with a test
    is kept where it passes with 95 % chance, or where it is now; an idle that stands right is left alone
    where the others can be served so.
    """
    said_of_checks = gated(checks)
    limits = limits or Limits()
    check_range(risk, "risk", 0.0, 1.0, cure="It is a chance; 0.05 is one drive in twenty.")
    learned = learned or learn(target.bands, setup, doubts=doubts)
    _same_bands(target, learned)
    learned.check_one_car()
    learned = replace(learned, setup=limits.confined(learned.setup))
    zero = target.sensor_zero
    if zero is not None:
        # Gas read beside the meter leaves less doubt of its zero than there was before.
        learned = replace(learned, doubts=replace(learned.doubts, sensor_offset=zero.u))
    words, _ = conflicts(target)
    found = best_solution(learned, target, limits)
    problem, smoothness, x = found.problem, found.smoothness, found.x
    _, slopes = learned.slopes(learned.present_mm(), learned.setup.carburettor.jet.drop_mm)
    asked_mm, cut = _asked(learned, found.removal_mm(), limits)
    drop = found.drop_mm()
    cars = Cars.of(learned)
    misfit = problem.misfit(x)
    predicted = np.exp(misfit) * target.lambda_target
    idle = idle_band(learned, target)
    idle_to = None if idle is None else idle_aim(target, idle, float(predicted[idle]))

    blank = limits.new_blank
    trims = blank or bool(cut.any()) or drop != learned.setup.carburettor.jet.drop_mm

    def seen_after(diameters_mm: FloatArray, touched: NDArray[np.bool_]) -> Outlook:
        return outlook(
            learned, target, diameters_mm, touched, drop, new_blank=blank, idle_to=idle_to, trims=trims, cars=cars
        )

    def after(removal_mm: FloatArray) -> FloatArray:
        return seen_after(*_asked(learned, removal_mm, limits)).lambda_drawn

    seen = seen_after(asked_mm, cut)

    stage = first_stage(problem, smoothness, x, seen, after, cars.driven(seen.offset), risk=risk)
    first_mm, _ = _asked(learned, stage.removal_mm, limits)
    first_mm = np.where(cut | blank, np.maximum(first_mm, asked_mm), asked_mm)
    low, high = seen.interval()
    first = np.quantile(stage.lambda_drawn, [0.05, 0.5, 0.95], axis=0)
    status, met, advice = verdict(problem, limits, x)
    binding = binding_limits(found)
    options, left_out = ((), ()) if met or not with_options else work_out(found)
    fails = [
        float((drawn < target.lambda_rich)[:, target.tested].any(axis=1).mean())
        for drawn in (seen.lambda_drawn, stage.lambda_drawn)
    ]
    needle = learned.setup.carburettor.needle
    by_unknowns, by_needle = learned.slopes(problem.true_diameters(x), drop)
    doubt_um, mostly = _diameter_doubt(problem, smoothness, x, cut, by_unknowns)
    made = Design(
        learned=learned,
        target=target,
        needle=Needle(named_as or f"{needle.name} as asked", needle.stations_mm, asked_mm, source="proposed"),
        drop_mm=drop,
        first_stop=Needle(f"{needle.name} at the first stop", needle.stations_mm, first_mm, source="proposed"),
        chance_rich=stage.chance_rich_whole,
        chance_rich_first=stage.chance_rich,
        chance_least=stage.chance_least,
        held_back=stage.held_back,
        lambda_predicted=np.asarray(predicted),
        lambda_low=low,
        lambda_high=high,
        first_predicted=first[1],
        first_low=first[0],
        first_high=first[2],
        diameter_u_um=doubt_um,
        largest_doubt=mostly,
        tolerance_um=_tolerance_um(slopes[:, :-1], found.share),
        idle_percent_per_um=_idle_per_um(target, by_needle[:, :-1]),
        supported=found.supported,
        status=status,
        met=met,
        flags=(
            *advice,
            *(str(option) for option in options),
            *left_out,
            *(str(limit) for limit in binding),
            *words,
            *test_flags(target, fails, risk, cut=met and bool(cut.any()), in_stages=met and stage.held_back > 0.0),
            *past_the_lean_limit(learned),
            *station_flags(target, found.supported, found.inside, cut, new_blank=blank),
            *filter(None, [learned.contradiction()]),
            *(zero.words()[:1] if zero and zero.readings else ()),
            *target.cautions(),
            *said_of_checks,
        ),
        smoothness=smoothness,
        limits=limits,
        binding=binding,
        options=options,
        chance_fails=fails[0],
        chance_fails_first=fails[1],
        checks=checks,
    )
    # No measurement brings a chance down to nothing.
    if met and with_options and cut.any() and 0.001 <= risk <= 0.5 and (made.chance_rich > risk or made.held_back > 0.0):
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
    # Nor may what is believed of the present needle carry a cut past a limit on the diameters measured.
    if not limits.new_blank:
        asked = np.maximum(asked, measured - limits.max_cut_mm)
        steepest = limits.steepest * np.diff(learned.setup.carburettor.needle.stations_mm)
        for k, fall in enumerate(np.maximum(steepest, measured[:-1] - measured[1:]).tolist()):
            asked[k + 1] = max(asked[k + 1], asked[k] - fall)
    least = np.full(asked.size, limits.least_diameter_mm)
    kept = limits.kept(asked.size)
    least[kept] = measured[kept]
    for number, diameter in limits.never_below_mm.items():
        least[number - 1] = max(least[number - 1], diameter)
    least = np.maximum.accumulate(least[::-1])[::-1]
    asked = np.maximum(asked, np.minimum(least, measured))
    return asked, np.asarray(asked != measured)


def _diameter_doubt(
    problem: Problem, smoothness: float, x: FloatArray, cut: NDArray[np.bool_], by_unknowns: FloatArray
) -> tuple[FloatArray, tuple[str, ...]]:
    """Standard uncertainty of each diameter asked, in um, and its largest source."""
    learned = problem.learned
    moves = response(problem, smoothness, x)
    by_source = sources(learned, moves @ by_unknowns)
    offset = learned.doubts.sensor_offset / problem.target.lambda_target
    by_source["sensor"] = np.abs(moves @ offset)
    # All sources together: after a pass they lean on each other, and their squares would add up to more.
    joint = learned.estimate.u_of(moves @ by_unknowns)
    total = np.hypot(joint, by_source["sensor"])
    doubt = np.full(cut.size, np.nan)
    mostly = np.full(cut.size, "", dtype=object)
    names = list(by_source)
    largest = np.argmax(np.array([by_source[name] for name in names]), axis=0)
    doubt[problem.free] = 1e3 * np.hypot(total[:-1], learned.doubts.hand_mm)
    mostly[problem.free] = [
        names[k] if by_source[names[k]][row] > learned.doubts.hand_mm else "hand"
        for row, k in enumerate(largest[:-1].tolist())
    ]
    # What a limit holds does not tell how far off the right diameter is.
    untold = ~cut | problem.held_by_a_limit(x)
    doubt[untold], mostly[untold] = np.nan, ""
    return doubt, tuple(str(name) for name in mostly)


def _tolerance_um(slopes: FloatArray, share: FloatArray) -> FloatArray:
    """Error all over that turns 1 % lambda in the touchiest band a station serves."""
    whole = np.abs(slopes).sum(axis=1)
    serves = share >= SUPPORT_SHARE
    worst = np.where(serves, whole[:, None], 0.0).max(axis=0)
    return np.where(worst > 0.0, 1e3 * 0.01 / np.where(worst > 0.0, worst, 1.0), np.nan)


def _idle_per_um(target: Target, slopes: FloatArray) -> FloatArray:
    """Change of idle's lambda for each um taken off a station, in per cent; NaN where no idle was measured."""
    idle = target.bands.idle()
    if idle is None:
        return np.full(slopes.shape[1], np.nan)
    return np.asarray(-100.0 * 1e-3 * slopes[idle])
