"""One change, solved again: a limit eased, another jet height, a thicker donor, a deeper cut, another bore."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np

from needlecalc.design.belief.learned import Learned
from needlecalc.design.forward.predict import under_other_valve
from needlecalc.design.inverse.fit import MISSED_BY, fit, forces
from needlecalc.design.inverse.limits import Limit, LimitKind, Limits
from needlecalc.design.inverse.problem import Problem, drops_on_table_mm
from needlecalc.design.inverse.solution import LEAST_CUT_MM, Solution, best_solution
from needlecalc.design.inverse.target import Target
from needlecalc.errors import SolveError
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.setup import Setup
from needlecalc.remark import Remark, Severity
from needlecalc.units import FloatArray

EASED_CUT_MM = 0.010
EASED_DROP_MM = 0.3
WORTH_EASING = 0.01  # a band nearer its target than this needs nothing eased
WORTH_SAYING = 0.005
MOST_LIMITS = 4
JET_REACH_MM = 3.0
LEAST_TURN_MM = 0.02
BORE_STEP_MM = 0.01
WIDEST_BORE_MM = 0.5  # larger than the present one
DEEPEST_CUT_MM = 2.0
THINNEST_MM = 0.3
CLEAR_OF_END_MM = 0.05
NEARER = 0.9  # of the worst miss: an alternative that leaves more is none
NATURE = (LimitKind.NO_METAL_TO_ADD, LimitKind.NO_REVERSED_TAPER)  # no user sets these


class Change(StrEnum):
    """What was changed before solving again."""

    LIMIT = "limit eased"
    HEIGHT = "jet past its range"
    DONOR = "thicker donor"
    DEEPER = "deeper cut"
    BORE = "another bore"
    # Tried before filing.
    JET = "jet height"
    GROOVE = "clip groove"
    WASHERS = "washers"
    HOLDER = "needle in its holder"
    SHIM = "shim under the spring"
    SPRING = "another spring"
    OTHER_JET = "another jet"
    NEEDLE = "another needle"
    FILE = "file"
    # Of a needle cut too deep.
    NONE = "left as it is"
    JET_FOR_BAND = "jet for one band"
    BEST_JET = "best jet height"
    JET_AND_FILE = "jet and file"
    SPARE_RICHER = "spare for richer targets"


class Unsolved(StrEnum):
    """Why a change is left out."""

    LIMITS = "limits contradict each other"
    NO_FIT = "does not go with needle, jet or lift"


@dataclass(frozen=True, eq=False)
class Alternative:
    """One change, solved again; arrays of bands have shape (m,).

    Parameters
    ----------
    kind : Change
        What was changed.
    drop_mm, bore_mm : float
        Jet drop and bore it ends with. [mm]
    diameters_mm : array, shape (n,)
        Diameters it ends with. [mm]
    lambda_expected, lambda_target : array, shape (m,)
        Lambda of each band, and what it is held against: the job's own targets, or those of another use. [-]
    met : bool
        Whether every band ends inside what is permitted.
    band : int
        The band it is about: the one that gains most, or else misses most.
    before : float
        How far that band stays from its target without the change; positive is lean. [-]
    largest_cut_um : float
        Most metal off any diameter, from the present needle or the thicker donor. [um]
    amount : float
        Size of the change: mm of metal, taper, jet height or bore; m of altitude; factor on the targets.
    stations : tuple of int
        Stations that the change is about, from 1; the one changed most first.
    limit : Limit or None
        The limit that was eased.
    multiplier : float
        Its multiplier: fall of half the fit's sum of squares per millimetre; NaN where none. [1/mm]

    Examples
    --------
    >>> from needlecalc import Limits, solve
    >>> from needlecalc.example import road
    >>> held = solve(road.target, road.setup, checks=road.checks, limits=Limits(max_cut_mm=0.02))
    >>> held.alternatives[0].kind.value
    'deeper cut'
    """

    kind: Change
    drop_mm: float
    bore_mm: float
    diameters_mm: FloatArray
    lambda_expected: FloatArray
    lambda_target: FloatArray
    met: bool
    band: int
    before: float = float("nan")
    largest_cut_um: float = 0.0
    amount: float = float("nan")
    stations: tuple[int, ...] = ()
    limit: Limit | None = None
    multiplier: float = float("nan")

    def missed(self) -> FloatArray:
        """How far each band stays from its target, as a share; positive is lean."""
        return np.asarray(self.lambda_expected / self.lambda_target - 1.0)

    def worst(self) -> int:
        """Band that misses most."""
        return int(np.argmax(np.abs(self.missed())))


def alternative(
    kind: Change,
    car: Learned,
    target: Target,
    drop_mm: float,
    diameters_mm: FloatArray,
    lambda_expected: FloatArray,
    *,
    lambda_target: FloatArray | None = None,
    band: int | None = None,
    **figures: Any,
) -> Alternative:
    """A needle at a jet height, judged; it is about the band that misses most unless one is named."""
    aim = target.lambda_target if lambda_target is None else lambda_target
    about = int(np.argmax(np.abs(lambda_expected / aim - 1.0))) if band is None else band
    met, bore = not target.outside(lambda_expected).any(), car.setup.carburettor.jet.bore_mm
    return Alternative(kind, drop_mm, bore, diameters_mm, lambda_expected, aim, met, about, **figures)


def _changed(kind: Change, before: Solution, then: Solution, **figures: Any) -> Alternative:
    """A solution with one thing changed, beside the one before."""
    car, target, removal = then.problem.learned, then.problem.target, then.removal_mm()
    expected, diameters = (1.0 + then.missed()) * target.lambda_target, car.present_mm() - removal
    largest = {"largest_cut_um": 1e3 * max(float(removal.max(initial=0.0)), 0.0)}
    one = alternative(kind, car, target, then.drop_mm(), diameters, expected, **(largest | figures))
    return replace(one, before=float(before.missed()[one.band]))


def solved_again(learned: Learned, target: Target, limits: Limits, setup: Setup | None = None) -> Solution:
    """The same car and target with other limits or parts, from what was measured with the old ones."""
    setup = setup or learned.setup
    valve = setup.carburettor.air_valve
    if isinstance(valve, SlideValve) or valve == learned.setup.carburettor.air_valve:
        return best_solution(replace(learned, setup=setup), target, limits, law=learned.law.in_parts(setup))
    # Under another spring the piston floats elsewhere at the same air, and the depression there is another.
    lift, depression = under_other_valve(learned.setup, learned.bands.having(lift_mm=learned.lift_mm()), valve)
    mean = learned.mean.copy()
    mean[learned.place.lift()] = lift
    bands = learned.bands.having(lift_mm=lift, depression_pa=depression)
    there = replace(learned, setup=setup, bands=bands, estimate=replace(learned.estimate, mean=mean))
    law = there.law.shifted(learned.law.without_fuel - there.law.without_fuel)
    return best_solution(there, target, limits, law=law)


def fit_again(solution: Solution, problem: Problem, smoothness: float | None = None) -> Solution:
    """The same solution sought again in a problem with one thing changed."""
    smoothness = solution.smoothness if smoothness is None else smoothness
    start = np.append(solution.removal_mm()[problem.free], np.clip(solution.x[-1], *problem.drop_range_mm))
    return replace(solution, problem=problem, smoothness=smoothness, x=fit(problem, smoothness, start))


def multipliers(solution: Solution) -> dict[Limit, float]:
    """Limits that hold a solution back, each with its positive multiplier, the greatest first."""
    force = forces(solution.problem, solution.smoothness, solution.x)
    least = 1e-9 * max(float(force.max(initial=0.0)), 1e-300)
    found = {limit: float(push) for limit, push in zip(solution.problem.rows.limits, force, strict=True) if push > least}
    return dict(sorted(found.items(), key=lambda one: -one[1]))


def active_limits(solution: Solution) -> tuple[Alternative, ...]:
    """Limits that are active and worth easing, the most helpful first, each a fit solved again with that one eased."""
    problem, missed = solution.problem, solution.missed()
    if np.abs(missed).max() < WORTH_EASING:
        return ()
    (low, high), (lower, higher) = problem.drop_range_mm, problem.eased_range_mm(EASED_DROP_MM)
    eased = []
    for limit, multiplier in multipliers(solution).items():
        of_jet, by_mm = limit.station is None, EASED_CUT_MM
        if limit.kind is LimitKind.NO_REVERSED_TAPER or (of_jet and problem.limits.flats):
            continue
        if of_jet:
            by_mm = low - lower if limit.kind is LimitKind.JET_AT_ITS_HIGHEST else higher - high
        least = problem.rows.least.copy()
        least[problem.rows.limits.index(limit)] -= by_mm
        called = Limit(LimitKind.JET_KEPT) if of_jet and low == high else limit
        eased.append((called, by_mm, multiplier, replace(problem, rows=problem.rows._replace(least=least))))
    for station in problem.limits.keep:
        if problem.inside[station - 1]:
            free = problem.free.copy()
            free[station - 1] = True
            others = tuple(number for number in problem.limits.keep if number != station)
            other = problem.with_free(free, replace(problem.limits, keep=others))
            eased.append((Limit(LimitKind.STATION_KEPT, station), np.nan, np.nan, other))
    found = []
    for limit, by_mm, multiplier, other in eased:
        then = fit_again(solution, other)
        gain = np.where(np.abs(missed) > WORTH_EASING, np.abs(missed) - np.abs(then.missed()), 0.0)
        band = int(np.argmax(gain))
        if gain[band] >= WORTH_SAYING:
            stations = (limit.station,) if limit.station else ()
            # A station that was kept is filed by what helps.
            amount = float(then.removal_mm()[np.array(stations) - 1].max()) if np.isnan(by_mm) else by_mm
            figures = {"amount": amount, "limit": limit, "multiplier": multiplier}
            found.append(_changed(Change.LIMIT, solution, then, band=band, stations=stations, **figures))
    found.sort(key=lambda one: abs(one.missed()[one.band]) - abs(one.before))
    return tuple(found[:MOST_LIMITS])


def alternatives(solution: Solution) -> tuple[tuple[Alternative, ...], tuple[Remark, ...]]:
    """What serves, or comes clearly nearer, with one thing changed, each solved again; and what has no solution."""
    tries: dict[Change, Callable[[Solution], Alternative | None]] = {
        Change.HEIGHT: _other_height,
        Change.DONOR: _thicker_donor,
        Change.DEEPER: _deeper_cut,
        Change.BORE: _other_bore,
    }
    nearer = NEARER * float(np.abs(solution.missed()).max())
    found, unsolved = [], []
    for kind, attempt in tries.items():
        try:
            one = attempt(solution)
        except SolveError:
            # The design itself stands; this alternative of it is left out, and the sheet says so.
            unsolved.append(Remark(Unsolved.LIMITS, Severity.NOTE, numbers={"what": kind.value}))
            continue
        if one is not None and (one.met or abs(one.missed()[one.worst()]) < nearer):
            found.append(one)
    return tuple(sorted(found, key=lambda one: not one.met)), tuple(unsolved)


def _other_height(solution: Solution) -> Alternative | None:
    """Jet raised or lowered past the range stated, as far as needle and bridge go."""
    problem = solution.problem
    setup = problem.learned.setup
    jet = setup.carburettor.jet
    on_table = drops_on_table_mm(setup, problem.learned.lift_mm())
    low = max(0.0, jet.drop_mm - JET_REACH_MM, on_table[0] + CLEAR_OF_END_MM)
    high = min(jet.drop_mm + JET_REACH_MM, on_table[1] - CLEAR_OF_END_MM)
    now_low, now_high = jet.drop_range_mm()
    low, high = min(low, now_low), max(high, now_high)
    if low >= now_low and high <= now_high:
        return None
    limits = replace(problem.limits, drop_min_mm=None, drop_max_mm=None)
    then = solved_again(problem.learned, problem.target, limits, setup.with_jet(drop_min_mm=low, drop_max_mm=high))
    by = then.drop_mm() - jet.drop_mm
    return None if abs(by) < LEAST_TURN_MM else _changed(Change.HEIGHT, solution, then, amount=by)


def _thicker_donor(solution: Solution) -> Alternative | None:
    """A donor just thick enough everywhere, found as if metal could be added, then filed."""
    problem = solution.problem
    if problem.limits.new_blank or not (solution.missed() < -MISSED_BY).any():
        return None
    then = solved_again(problem.learned, problem.target, replace(problem.limits, new_blank=True))
    thicker = np.maximum(-then.removal_mm(), 0.0)
    if not (thicker > LEAST_CUT_MM).any():
        return None
    # Thicker below means thicker above: a donor tapers too.
    diameters = problem.learned.present_mm()
    donor = np.maximum.accumulate((diameters + thicker)[::-1])[::-1]
    cut = 1e3 * float((donor - (diameters - then.removal_mm())).max())
    figures = {"largest_cut_um": cut, "amount": float(thicker.max()), "stations": _most_first(thicker)}
    return _changed(Change.DONOR, solution, then, **figures)


def _most_first(change: FloatArray) -> tuple[int, ...]:
    """Stations changed, from 1, the one changed most first."""
    most = int(np.argmax(change)) + 1
    return (most, *(k + 1 for k in np.flatnonzero(change > LEAST_CUT_MM).tolist() if k + 1 != most))


def deepest(limits: Limits) -> Limits:
    """The limits without those of the user's own on the cut."""
    return replace(limits, max_cut_mm=DEEPEST_CUT_MM, least_diameter_mm=THINNEST_MM, keep=(), never_below_mm={})


def _deeper_cut(solution: Solution) -> Alternative | None:
    """Every limit of the user's own on the cut lifted, where one stops the file."""
    problem = solution.problem
    stopped = problem.held_by_a_limit(solution.x).any() or problem.limits.keep
    if not stopped or not (solution.missed() > MISSED_BY).any():
        return None
    then = solved_again(problem.learned, problem.target, deepest(problem.limits))
    more = then.removal_mm() - solution.removal_mm()
    if not (more > LEAST_CUT_MM).any():
        return None
    return _changed(Change.DEEPER, solution, then, amount=float(more.max()), stations=_most_first(more))


def _other_bore(solution: Solution) -> Alternative | None:
    """The bore next to the present one with which no band that missed asks for what filing cannot give."""
    problem, missed = solution.problem, solution.missed()
    setup = problem.learned.setup
    present = setup.carburettor.jet.bore_mm
    clear = float(setup.carburettor.needle.diameters_mm.max()) + 2.0 * problem.limits.least_gap_mm
    smaller = bool((missed < -MISSED_BY).any())
    if smaller and clear > present - BORE_STEP_MM:
        return None
    here, least, most = (round(mm / BORE_STEP_MM, 3) for mm in (present, clear, present + WIDEST_BORE_MM))
    if smaller:
        steps = range(math.ceil(here) - 1, math.ceil(least) - 1, -1)
    else:
        steps = range(math.floor(here) + 1, math.floor(most) + 1)
    short = missed < -MISSED_BY if smaller else missed > MISSED_BY

    def with_bore(bore_mm: float) -> Setup:
        return setup.with_jet(bore_mm=bore_mm, bore_least_mm=None)

    def serves(bore_mm: float) -> bool:
        untouched = problem.with_setup(with_bore(bore_mm))
        left = untouched.misfit(untouched.rest() if smaller else solution.x)[short]
        return bool((left > 0.0).all() if smaller else (left < 0.0).all())

    bores = [round(step * BORE_STEP_MM, 6) for step in steps]
    bore = next(filter(serves, bores), bores[-1])
    then = solved_again(problem.learned, problem.target, problem.limits, with_bore(bore))
    return _changed(Change.BORE, solution, then, amount=bore - present)
