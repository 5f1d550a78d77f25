"""What a solution is worth, judged by what is permitted in each band, and why a band is missed."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.inverse.alternatives import EASED_DROP_MM, NATURE, deepest, fit_again, multipliers
from needlecalc.design.inverse.fit import MISSED_BY, SMOOTHNESS_LADDER
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS, Limit, LimitKind
from needlecalc.design.inverse.solution import LEAST_CUT_MM, Solution
from needlecalc.remark import BandName

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
    """Cause of each miss: the first without which it is clearly less."""
    missed, problem = solution.missed(), solution.problem
    gives_way, u = problem.target.giving_way() > 1.0, problem.reading_u()
    causes: dict[int, tuple[Cause, Limit | None]] = {b: (Cause.OPPOSED, None) for b in named.tolist() if gives_way[b]}
    left = [b for b in named.tolist() if b not in causes]
    tried = _without(solution)
    while left and (one := next(tried, None)):
        cause, limit, then = one
        off = np.abs(then.missed())
        causes |= {b: (cause, limit) for b in left if off[b] < BETTERED * abs(missed[b])}
        left = [b for b in left if b not in causes]
    told = {b: Cause.READINGS if abs(missed[b]) <= TOLD_BY_READING * u[b] else Cause.OPPOSED for b in left}
    return causes | {b: (cause, None) for b, cause in told.items()}


def _without(solution: Solution) -> Iterator[tuple[Cause, Limit | None, Solution]]:
    """Each thing that may be the cause, and the solution sought again without it."""
    whole = fit_again(solution, solution.whole)
    yield Cause.HAND, None, whole
    problem, pushing = whole.problem, multipliers(whole)
    if any(limit.kind is LimitKind.NO_METAL_TO_ADD for limit in pushing):
        free = problem.inside & ~problem.limits.kept(problem.inside.size)
        yield Cause.METAL, None, fit_again(whole, problem.with_free(free, replace(problem.limits, new_blank=True)))
    own = next((limit for limit in pushing if limit.kind not in NATURE), None)
    if own is not None:
        jet_kept = own.station is None and np.ptp(problem.drop_range_mm) == 0.0
        limits = replace(deepest(problem.limits), steepest=STEEPEST, flats=None)
        every = problem.with_free(problem.inside | problem.free, limits, problem.eased_range_mm(EASED_DROP_MM))
        yield Cause.LIMIT, Limit(LimitKind.JET_KEPT) if jet_kept else own, fit_again(whole, every)
    yield Cause.READINGS, None, fit_again(whole, problem, ROUGHEST)


def _gaps(solution: Solution) -> tuple[tuple[float, float], ...]:
    """Lifts between bands so far apart that nothing is known of those between."""
    learned = solution.problem.learned
    lift = np.sort(learned.lift_mm())
    wide = DRIVEN_APART * float(np.median(np.diff(learned.setup.carburettor.needle.stations_mm)))
    return tuple((float(lift[k]), float(lift[k + 1])) for k in np.flatnonzero(np.diff(lift) > wide).tolist())
