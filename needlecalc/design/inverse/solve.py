"""The inverse: station diameters and jet height that bring each band to its target."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import Source
from needlecalc.design.inverse.alternatives import active_limits, alternatives
from needlecalc.design.inverse.fit import response
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.nextstep import measure_next, metal_share
from needlecalc.design.inverse.notes import remarks_of
from needlecalc.design.inverse.proposal import Design, Measurement, NextStep, Stage, Stages, Stations
from needlecalc.design.inverse.solution import SUPPORT_SHARE, UNTOUCHED_MM, Solution, best_solution
from needlecalc.design.inverse.stages import RISK, first_stage
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import Cars, Outlook, filed_u_mm, idle_aim, lambda_uncut, outlook, sources
from needlecalc.design.inverse.verdict import judged
from needlecalc.errors import InputError
from needlecalc.gaussian import NINETY, Gaussian
from needlecalc.measure.checks.check import Checks
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray


def solve(
    target: Target,
    setup: Setup,
    *,
    limits: Limits | None = None,
    learned: Learned | None = None,
    doubts: Doubts | None = None,
    risk: float = RISK,
    checks: Checks | None = None,
    with_alternatives: bool = True,
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
    checks : Checks or None
        Checks before the cut; a red one that is not overridden locks the solver.
    with_alternatives : bool
        Whether to solve again with one thing changed where a band stays outside what is permitted, and to weigh what to
        measure where the first stop is held short, which takes longer than the design itself; False for a great many
        designs.

    Returns
    -------
    Design
        Diameters of all stations and jet drop, found together.  ``met`` is False where a band stays outside what is
        permitted; the verdict then names it and why, and ``alternatives`` holds what could help, each solved again.

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle, ``learned`` is of other bands, ``risk`` is no
        chance, or a limit names what is not there.
    SolveError
        If the limits contradict each other, no car explains the passes, or a check is red and not overridden.

    Notes
    -----
    Least squares of :math:`\ln(\lambda/\lambda_t)` over the uncertainty of each band, plus the bend of the
    removal, under linear limits; each linear step is solved exactly.  The greatest smoothness that still
    meets the targets within the noise of lambda is taken (discrepancy principle).  Stations that carry less than
    15 % of every band's metering are left as they are beyond the data, and blended inside it.  A cut so
    small that the hand's own error would cost more than the cut gains is not asked for, nor one that takes a band
    farther outside what is permitted than any is now.  A band with a test
    is kept where it passes with 95 % chance, or where it is now; an idle that stands right is left alone
    where the others can be served so.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> solve(road.target, road.setup, checks=road.checks)
    Design: usable, worst band 0.7 % off target
    """
    if checks is not None:
        checks.gate()
    limits = limits or Limits()
    check_range(risk, "risk", 0.0, 1.0, cure="It is a chance; 0.05 is one drive in twenty.")
    learned = prepared(learned or learn(target.bands, setup, doubts=doubts), target, limits)
    found = best_solution(learned, target, limits)
    made, found = _planned(found, risk, checks)
    others, unsolved = ((), ()) if made.met or not with_alternatives else alternatives(found)
    made = replace(made, alternatives=(*others, *active_limits(found)))
    made = replace(made, remarks=(*remarks_of(made), *unsolved))
    held_short = made.final.chance_rich > risk or made.lean_margin > 0.0 or learned.little_known()
    if with_alternatives and held_short and made.stages() is not Stages.NOTHING:
        made = replace(made, next_step=_measured_next(made))
    return made


def _measured_next(made: Design) -> NextStep:
    """The measurement that helps most: where little is known of the car, by the design solved again after it."""
    found = measure_next(made)
    weighed = list(zip(found.steps, found.known, strict=True))
    if not made.learned.little_known():
        return found.steps[0]
    # A jet drive confirms the car besides, which no variance counts.
    tried = [one for one in weighed if one is weighed[0] or one[0].what is Measurement.JET_DRIVE]
    return min((_solved_after(made, *one) for one in tried), key=lambda step: step.then.miss_percent)


def _solved_after(made: Design, step: NextStep, known: Gaussian) -> NextStep:
    """A measurement with what it brings at the first stop: the design solved again with what would then be known."""
    # The best values stay, as nobody knows what the reading will say.
    zero = made.learned.place.size()
    left = known.of(np.eye(zero + 1, known.mean.size))
    learned = replace(
        made.learned,
        estimate=Gaussian(made.learned.mean, left.root[:zero]),
        doubts=replace(made.learned.doubts, sensor_offset=float(left.u()[zero])),
    )
    confirmed = replace(made.limits, unconfirmed=1.0) if step.what is Measurement.JET_DRIVE else made.limits
    again, _ = _planned(best_solution(learned, made.target, confirmed), made.risk, None)
    now, then = (
        replace(promise, first_stop_share=metal_share(one), miss_percent=miss_percent(one))
        for promise, one in ((step.now, made), (step.then, again))
    )
    return replace(step, now=now, then=then)


def miss_percent(made: Design) -> float:
    """Distance of lambda from its target to expect after the first cut, root mean square over cars and bands."""
    stop, off = made.stop, np.log(made.stop.expected / made.target.lambda_target)
    return 100.0 * float(np.sqrt(np.mean(off**2 + (np.log(stop.high / stop.low) / (2.0 * NINETY)) ** 2)))


def prepared(learned: Learned, target: Target, limits: Limits) -> Learned:
    """What is known of the car as a design takes it: one car, the jet within its limits, the meter's zero as gas left it."""
    _same_bands(target, learned)
    learned.check_one_car()
    learned = replace(learned, setup=limits.confined(learned.setup))
    if target.sensor_zero is None:
        return learned
    # Gas read beside the meter leaves less uncertainty of its zero than there was before.
    return replace(learned, doubts=replace(learned.doubts, sensor_offset=target.sensor_zero.u))


def _same_bands(target: Target, learned: Learned) -> None:
    asked, known = target.bands, learned.bands
    columns = ((asked.rpm, known.rpm), (asked.lift_mm, known.lift_mm), (asked.lambda_measured, known.lambda_measured))
    if asked.load != known.load or not all(np.array_equal(one, other) for one, other in columns):
        msg = (
            f"The target is for {asked!r}, but what was learned ends with {known!r}; make the target from the bands of the "
            "last pass."
        )
        raise InputError(msg)


def _planned(found: Solution, risk: float, checks: Checks | None) -> tuple[Design, Solution]:
    """The design of a solution, and what is left of it: diameters a file can make, in stages, and how uncertain each is."""
    problem, x, blank = found.problem, found.x, found.problem.limits.new_blank
    learned, target, limits = problem.learned, problem.target, problem.limits
    final_mm, cut = found.diameters_mm(found.removal_mm())
    drop, cars, expected = found.drop_mm(), Cars.of(learned), np.exp(problem.misfit(x)) * target.lambda_target
    idle_to = idle_aim(learned, target, expected)
    trims = blank or bool(cut.any()) or abs(float(x[-1])) > UNTOUCHED_MM

    def after(removal_mm: FloatArray) -> Outlook:
        filed = found.diameters_mm(removal_mm)
        return outlook(learned, target, *filed, drop, new_blank=blank, idle_to=idle_to, trims=trims, cars=cars)

    uncut = lambda_uncut(learned, target, drop, idle_to=idle_to, trims=trims, cars=cars)
    first = first_stage(found, after, uncut, risk=risk)
    left_mm = found.removal_mm() - first.removal_mm
    if not blank and 0.0 < left_mm.max() < filed_u_mm(learned.doubts) and first.chance_rich <= risk:
        # Nobody could tell the first stop from the target: one cut is enough, the leaner of the two.
        nearer = np.append(first.removal_mm[problem.free], x[-1])
        carried = np.where(problem.free, 0.0, first.removal_mm)
        nearer_problem = replace(problem, carried_mm=carried)
        return _planned(replace(found, problem=nearer_problem, x=nearer), risk, checks)
    stop_mm, _ = found.diameters_mm(first.removal_mm)
    stop_mm = np.where(cut | blank, np.maximum(stop_mm, final_mm), final_mm)
    name, stations_mm = learned.setup.carburettor.needle.name, learned.setup.carburettor.needle.stations_mm
    final = Needle(f"{name} at its target", stations_mm, final_mm, source="proposed")
    stop = Needle(f"{name} at the first stop", stations_mm, stop_mm, source="proposed")
    made = Design(
        learned=learned,
        target=target,
        limits=limits,
        risk=risk,
        drop_mm=drop,
        final=_stage(final, target, after(found.removal_mm()), first.chance_rich_whole, expected),
        stop=_stage(stop, target, first.seen, first.chance_rich),
        lean_margin=first.lean_margin,
        chance_least=first.chance_least,
        stations=_stations(found, cut),
        verdict=judged(found),
        checks=checks,
    )
    return made, found


def _stage(needle: Needle, target: Target, seen: Outlook, chance_rich: float, expected: FloatArray | None = None) -> Stage:
    """A needle with what the cars drawn say of it; the nut is set on one day, the interval is of another."""
    if expected is None:
        expected = np.median(seen.lambda_drawn * np.exp(seen.other_day), axis=0)
    fails = float((seen.lambda_drawn < target.lambda_rich)[:, target.tested].any(axis=1).mean())
    return Stage(needle, expected, *seen.interval(), chance_rich, fails)


def _stations(found: Solution, cut: NDArray[np.bool_]) -> Stations:
    """How uncertain each target diameter is, and what it serves."""
    problem, learned, target = found.problem, found.problem.learned, found.problem.target
    by_unknowns, by_needle = learned.slopes(problem.true_diameters(found.x), found.drop_mm())
    moves = response(problem, found.smoothness, found.x)[:-1]
    by_source = sources(learned, moves @ by_unknowns)
    by_source[Source.METER_ZERO] = np.abs(moves @ (learned.doubts.sensor_offset / target.lambda_target))
    by_source[Source.HAND] = np.full(len(moves), learned.doubts.hand_mm)
    # What a limit holds does not tell how far off the right diameter is.
    told = (cut & ~problem.held_by_a_limit(found.x) & (problem.carried_mm == 0.0))[problem.free]
    told_um = {source: np.full(cut.size, np.nan) for source in by_source}
    for source, mm in by_source.items():
        told_um[source][problem.free] = np.where(told, 1e3 * mm, np.nan)
    # An error all over that turns the most sensitive band a station serves by 1 % lambda.
    whole = found.by_mm.sum(axis=1, keepdims=True)
    worst = np.where(found.by_mm >= SUPPORT_SHARE * whole, whole, 0.0).max(axis=0)
    tolerance_um = 1e3 * 0.01 / np.where(worst > 0.0, worst, np.nan)
    idle = target.bands.idle()
    idle_percent = np.full(cut.size, np.nan) if idle is None else -100.0 * 1e-3 * by_needle[idle, :-1]
    return Stations(told_um, tolerance_um, np.asarray(idle_percent), found.supported)
