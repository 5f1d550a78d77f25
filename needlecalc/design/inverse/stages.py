"""The first cut: as near the design as the stated risk of a rich band allows."""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from needlecalc.design.inverse.fit import fit_from
from needlecalc.design.inverse.problem import Point, Problem
from needlecalc.design.inverse.solution import UNTOUCHED_MM, Solution
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import Outlook, filed_u_mm, idle_band
from needlecalc.units import FloatArray

RISK = 0.05
TINY = 0.01  # a lean margin of less than this is not worth a figure
METERS = 0.02  # of the strongest: a station that matters to a tested band
MARGINS = np.linspace(0.0, 4.0, 81)  # standard uncertainties to stay short of the target
SHARES = np.linspace(1.0, 0.0, 101)  # of a cut that is too much even so
AS_RICH_BEFORE = 0.005  # of lambda: made richer by less is not made richer
HARDLY_MORE = 0.2  # of the risk


@dataclass(frozen=True, eq=False)
class FirstStage:
    """Where to stop first."""

    removal_mm: FloatArray  # (n,) metal to take off in the first stage; nowhere more than that of the whole cut [mm]
    seen: Outlook  # the cars drawn, after it
    chance_rich_whole: float  # chance that the cut makes a band too rich if all is cut at once [-]
    chance_rich: float  # the same after the first stage; a band as rich without any cut is not counted [-]
    chance_least: float = 0.0  # chance that no cut can avoid, where it is above the risk; else 0 [-]
    # standard uncertainties by which the first stage stays on the lean side; 0 when all can go at once [-]
    lean_margin: float = 0.0


def first_stage(
    found: Solution, after: Callable[[FloatArray], Outlook], uncut: FloatArray, *, risk: float = RISK
) -> FirstStage:
    """First cut that brings no more than the risk; ``after`` is the outlook after a removal, ``uncut`` lambda with none."""
    whole = found.removal_mm()
    search = _Search(found, after(whole), after, uncut, risk)
    at_once = search.made_rich(search.seen)
    if not _told(whole) or (search.bears(search.seen, risk) and not search.test_fails(search.seen)):
        return FirstStage(whole, search.seen, at_once, at_once)
    least, borne = 0.0, risk
    short, margin = search.bearing(borne)
    stays = search.made_rich(after(short))
    if stays > risk:
        # It cannot be had: leave no metal on in vain, and add no more than half of it to what stays anyway.
        least = min(stays, search.made_rich(after(np.zeros(whole.size))))
        borne = least + risk / 2.0
        short, margin = search.bearing(borne)
    # What nobody can tell from the whole cut is the whole cut, as far as the risk bears it.
    alike = np.where(np.abs(whole - short) < filed_u_mm(found.problem.learned.doubts), whole, short)
    if (alike != short).any() and search.only_files:
        seen = after(alike)
        if search.bears(seen, borne) and not search.test_fails(seen):
            short = alike
    seen = after(short)
    return FirstStage(short, seen, at_once, search.made_rich(seen), least, margin if _told(whole - short) else 0.0)


@dataclass(frozen=True, eq=False)
class _Search:
    """What the search for the first cut needs again and again."""

    found: Solution
    seen: Outlook  # of the whole cut
    after: Callable[[FloatArray], Outlook]
    uncut: FloatArray
    risk: float

    @cached_property
    def here(self) -> Point:
        """The whole cut, with its slopes."""
        return self.found.problem.point(self.found.x)

    @cached_property
    def whole(self) -> FloatArray:
        """Metal of the whole cut."""
        return self.found.removal_mm()

    @property
    def only_files(self) -> bool:
        """Whether no metal is added: a thicker blank is no danger to a test, and less of it would be one."""
        # A bound kept to rounding only adds none.
        return bool((self.whole > -UNTOUCHED_MM).all())

    @cached_property
    def spread(self) -> FloatArray:
        """Standard deviation of ln(lambda) of each band over the cars."""
        return np.asarray(np.log(self.seen.lambda_drawn).std(axis=0))

    @cached_property
    def log_now(self) -> FloatArray:
        """ln(lambda) with no cut, the middle of the cars."""
        return np.asarray(np.median(np.log(self.uncut), axis=0))

    def made_rich(self, seen: Outlook) -> float:
        """Chance that a cut makes some band too rich."""
        return chance_made_rich(self.found.problem.target, seen.lambda_drawn, self.uncut)

    def too_strong(self, seen: Outlook) -> bool:
        """Whether, on a car nothing has confirmed, a band ends too rich if all changes were so many times as great."""
        problem = self.found.problem
        if problem.learned.confirmed() or not self.only_files:
            return False
        times, least = problem.limits.unconfirmed, np.log(problem.target.lambda_rich)
        change = np.minimum(np.median(np.log(seen.lambda_drawn), axis=0) - self.log_now, 0.0)
        # A band too rich before any cut does not hold the others back.
        rich = (self.log_now + times * change < least) & (self.log_now >= least)
        if (idle := idle_band(problem.learned, problem.target)) is not None:
            rich[idle] = False  # the nut sets it, however strongly the cut works
        return times > 1.0 and bool(rich.any())

    def bears(self, seen: Outlook, borne: float) -> bool:
        """Whether a cut brings no more than what may be borne."""
        return self.made_rich(seen) <= borne and not self.too_strong(seen)

    def test_fails(self, seen: Outlook) -> bool:
        """Whether a test is in more danger than may be borne: in hardly more than before any cut, where that is more."""
        bearable = max(self.risk, self._chance_fails(self.uncut) + HARDLY_MORE * self.risk)
        return self._chance_fails(seen.lambda_drawn) > bearable

    def _chance_fails(self, drawn: FloatArray) -> float:
        target = self.found.problem.target
        return float(((drawn < target.lambda_rich) & target.tested).any(axis=1).mean())

    def lean_by(self, margin: float) -> FloatArray:
        """The cut aimed so many standard uncertainties lean."""
        # Aimed so far on the lean side, tests need no fence of their own.
        fenceless = np.full(self.spread.size, -np.inf)
        problem, last = self.found.problem, int(np.argmax(self.found.problem.learned.lift_mm()))
        whole = self.log_now[last] - float(np.median(np.log(self.seen.lambda_drawn[:, last])))
        less = np.clip(margin * self.spread[last] / whole, 0.0, 1.0) if whole > 0.0 else 0.0
        carried = (1.0 - less) * problem.carried_mm
        lean = replace(problem, law=problem.law.shifted(-margin * self.spread), tested=fenceless, carried_mm=carried)
        missed = replace(self.here, misfit=self.here.misfit - margin * self.spread)
        short = np.zeros(self.whole.size)
        short[problem.free] = fit_from(lean, self.found.smoothness, missed).x[:-1]
        short += self._carried(short)
        return np.clip(np.minimum(short, self.whole), 0.0 if self.only_files else -np.inf, None)

    def _carried(self, short: FloatArray) -> FloatArray:
        """What is carried on past the last band after a smaller cut: as much less as the last station of the data has."""
        carried, last = self.found.problem.carried_mm, int(np.flatnonzero(self.found.problem.inside)[-1])
        return carried * short[last] / self.whole[last] if carried.any() and self.whole[last] > 0.0 else carried

    def bearing(self, borne: float) -> tuple[FloatArray, float]:
        """The cut that brings what may be borne and keeps the test, and by how much its bands are aimed lean."""

        def good(short: FloatArray) -> bool:
            return self.bears(self.after(short), borne)

        short, margin = self.whole, 0.0
        if not good(short):
            margin = _first(MARGINS, lambda lean: good(self.lean_by(lean)))
            short = leanest = self.lean_by(margin)

            def part(share: float) -> FloatArray:
                return np.where(leanest > 0.0, share * leanest, leanest)

            if margin == MARGINS[-1] and not good(short) and good(part(0.0)):
                # Bands that pull apart can be rich however lean all are aimed: take off a share of that cut only.
                short = part(_first(SHARES, lambda share: good(part(share))))
        tested = self.found.problem.target.tested
        if tested.any() and self.only_files:
            short = self._test_kept(short, borne)
            leaner = np.median(np.log(self.after(short).lambda_drawn / self.seen.lambda_drawn), axis=0)
            leaner = leaner / np.maximum(self.spread, 1e-9)
            margin = max(margin, float(leaner[tested].max()), TINY if (short < self.whole).any() else 0.0)
        return short, margin

    def _test_kept(self, short: FloatArray, borne: float) -> FloatArray:
        """As much of a cut as keeps the test, less first where the tested band is metered."""
        by_station = np.abs(self.here.by_needle[self.found.problem.target.tested, :-1]).max(axis=0)
        meters = by_station > METERS * by_station.max()
        less = [np.where(meters, share * short, short) for share in (1.0, 0.75, 0.5, 0.25, 0.0)]
        less = [_tapered(self.found.problem, one) for one in less]
        less += [share * less[-1] for share in (0.5, 0.25, 0.125, 0.0)]
        for trial in less[:-1]:
            seen = self.after(trial)
            if self.made_rich(seen) <= borne and not self.test_fails(seen):
                return trial
        return less[-1]


def _told(metal_mm: FloatArray) -> bool:
    """Whether there is any metal, rounding apart."""
    return bool((np.abs(metal_mm) > UNTOUCHED_MM).any())


def _first(values: FloatArray, good: Callable[[float], bool]) -> float:
    """The first value that is good, all after it being so too; the last where none is."""
    return float(values[bisect_left(values[:-1].tolist(), True, key=good)])


def chance_made_rich(target: Target, drawn: FloatArray, before: FloatArray) -> float:
    """Chance that a cut makes some band richer than permitted, by lambda of the same cars after and before it."""
    # A band too rich before, and no richer after, is not counted, nor a test that fails anyway.
    rich = target.lambda_rich
    no_richer = target.tested | (drawn >= before * (1.0 - AS_RICH_BEFORE))
    return float(((drawn < rich) & ~((before < rich) & no_richer)).any(axis=1).mean())


def _tapered(problem: Problem, removal_mm: FloatArray) -> FloatArray:
    """The removal, less where metal left standing outwards would else make a waist."""
    present = problem.learned.present_mm()
    left = np.maximum.accumulate((present - removal_mm)[::-1])[::-1]
    return np.asarray(present - left)
