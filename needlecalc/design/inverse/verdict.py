"""What a solution is worth, judged by what is permitted in each band, and why a band is missed."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.inverse.alternatives import DEEPEST_CUT_MM, EASED_DROP_MM, NATURE, THINNEST_MM, fit_again, multipliers
from needlecalc.design.inverse.fit import MISSED_BY, SMOOTHNESS_LADDER
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS, Limit, LimitKind
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.solution import LEAST_CUT_MM, Solution
from needlecalc.remark import BandName
from needlecalc.units import FloatArray

BETTERED = 0.7  # of the miss: what leaves more is not the cause
TOLD_BY_READING = 2.0  # standard uncertainties of a reading
ROUGHEST = float(SMOOTHNESS_LADDER[-1])
STEEPEST = 0.2
DRIVEN_APART = 2.0  # stations from band to band; what lies farther from both than one station was never driven


class VerdictKind(StrEnum):
    """What a solution is worth."""

    USABLE = "usable"
    USABLE_OFF = "usable, but off target"
    TURN_ONLY = "turn the nut only"
    LEAVE = "leave it"
    BETTER = "better, but outside what is permitted"
    DO_NOT_FILE = "filing cannot help"


class Cause(StrEnum):
    """Why a band is missed."""

    METAL = "more metal needed than there is"
    LIMIT = "a limit is active"
    OPPOSED = "different things asked at one lift"
    READINGS = "readings too coarse"
    HAND = "finer than the hand"


@dataclass(frozen=True)
class Missed:
    """One band that is farther from its target than 2 %, or outside what is permitted."""

    band: BandName
    off: float  # how far it stays from its target; positive is lean [-]
    lambda_expected: float  # its lambda, and the end of what is permitted on that side [-]
    permitted: float
    outside: bool  # whether it ends outside what is permitted
    cause: Cause  # why
    limit: Limit | None  # the active limit that is the cause
    reading_u: float  # standard uncertainty of lambda as it was read [-]


@dataclass(frozen=True)
class Verdict:
    """What a design is worth."""

    kind: VerdictKind  # in one word
    worst: float  # how far the band stays from its target that misses most, either way [-]
    missed: tuple[Missed, ...] = ()  # bands that miss, those outside what is permitted first, then the worst first
    # lifts between bands so far apart that nothing is known of those between [mm]
    gaps_mm: tuple[tuple[float, float], ...] = ()

    @property
    def met(self) -> bool:
        """Whether every band ends inside what is permitted."""
        return not any(one.outside for one in self.missed)


def judged(solution: Solution) -> Verdict:
    """Verdict on a solution."""
    problem, missed = solution.problem, solution.missed()
    target = problem.target
    expected, off = (1.0 + missed) * target.lambda_target, np.abs(missed)
    outside = target.outside(expected)
    files = bool((np.abs(solution.x[:-1]) > LEAST_CUT_MM).any())
    flat = problem.learned.setup.carburettor.jet.flat_mm
    turns = abs(float(solution.x[-1])) >= LEAST_TURN_FLATS * flat
    if outside.any():
        kind = VerdictKind.BETTER if files or turns else VerdictKind.DO_NOT_FILE
    elif not files:
        kind = VerdictKind.TURN_ONLY if turns else VerdictKind.LEAVE
    else:
        kind = VerdictKind.USABLE_OFF if (off > MISSED_BY).any() else VerdictKind.USABLE
    named = np.flatnonzero(outside | (off > MISSED_BY))
    named = named[np.lexsort((-off[named], ~outside[named]))]
    causes = _causes(solution, named)
    reading_u = problem.reading_u() * expected
    found = tuple(
        Missed(
            target.called(b)[0],
            float(missed[b]),
            float(expected[b]),
            float((target.lambda_lean if missed[b] > 0.0 else target.lambda_rich)[b]),
            bool(outside[b]),
            *causes[b],
            float(reading_u[b]),
        )
        for b in named.tolist()
    )
    return Verdict(kind, float(off.max()), found, _gaps(solution))


def _causes(solution: Solution, named: NDArray[np.intp]) -> dict[int, tuple[Cause, Limit | None]]:
    """Cause of each miss: each tried by solving once more without it."""
    if not named.size:
        return {}
    missed, problem = solution.missed(), solution.problem
    left = {int(b) for b in named}
    causes: dict[int, tuple[Cause, Limit | None]] = {}

    def blame(cause: Cause, without: FloatArray, limit: Limit | None = None) -> None:
        for b in tuple(left):
            if abs(without[b]) < BETTERED * abs(missed[b]):
                causes[b] = (cause, limit)
                left.discard(b)

    gives_way = problem.target.giving_way() > 1.0
    for b in tuple(left):
        if gives_way[b]:
            causes[b] = (Cause.OPPOSED, None)
            left.discard(b)
    whole = fit_again(solution, solution.whole)
    blame(Cause.HAND, whole.missed())
    pushing, limits, kept = multipliers(whole), whole.problem.limits, whole.problem.limits.kept(solution.inside.size)
    if any(limit.kind is LimitKind.NO_METAL_TO_ADD for limit in pushing):
        thicker = whole.problem.with_free(solution.inside & ~kept, replace(limits, new_blank=True))
        blame(Cause.METAL, fit_again(whole, thicker).missed())
    own = next((limit for limit in pushing if limit.kind not in NATURE), None)
    if own is not None and own.station is None and np.ptp(whole.problem.drop_range_mm) == 0.0:
        own = Limit(LimitKind.JET_KEPT)
    if own is not None:
        blame(Cause.LIMIT, fit_again(whole, _unlimited(whole)).missed(), own)
    if left:
        blame(Cause.READINGS, fit_again(whole, whole.problem, ROUGHEST).missed())
    u = problem.reading_u()
    for b in left:
        causes[b] = (Cause.READINGS if abs(missed[b]) <= TOLD_BY_READING * u[b] else Cause.OPPOSED, None)
    return causes


def _unlimited(whole: Solution) -> Problem:
    """The problem without what the user allows only, the jet a little past its range."""
    problem = whole.problem
    deep = replace(problem.limits, max_cut_mm=DEEPEST_CUT_MM, least_diameter_mm=THINNEST_MM, steepest=STEEPEST)
    limits = replace(deep, keep=(), never_below_mm={}, flats=None)
    (low, high), ends = problem.drop_range_mm, problem.on_table_mm()
    wider = min(low, max(low - EASED_DROP_MM, ends[0])), max(high, min(high + EASED_DROP_MM, ends[1]))
    return problem.with_free(problem.inside | problem.free, limits, wider)


def _gaps(solution: Solution) -> tuple[tuple[float, float], ...]:
    """Lifts between bands so far apart that nothing is known of those between."""
    learned = solution.problem.learned
    lift = np.sort(learned.lift_mm())
    wide = DRIVEN_APART * float(np.median(np.diff(learned.setup.carburettor.needle.stations_mm)))
    return tuple((float(lift[k]), float(lift[k + 1])) for k in np.flatnonzero(np.diff(lift) > wide).tolist())
