"""The first cut: as near the design as the stated risk of a rich band allows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from needlecalc.design.inverse.fit import fit_from
from needlecalc.design.inverse.problem import Point, Problem
from needlecalc.design.inverse.solution import Solution
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import Outlook, filed_u_mm
from needlecalc.units import FloatArray

RISK = 0.05
TINY = 0.01  # a lean margin of less than this is not worth a figure
METERS = 0.02  # of the strongest: a station that matters to a tested band
HALVINGS = 12
NEAR_ENOUGH = 0.02  # of the lean margin, in standard uncertainties
SHARES = (0.5, 0.25, 0.125)  # of a cut that is still too much
AS_RICH_BEFORE = 0.005  # of lambda: made richer by less is not made richer
MOST_LEAN = 4.0  # standard uncertainties to stay short of the target at most
HARDLY_MORE = 0.2  # of the risk
LEANER = 0.1  # of them, step by step, where the chance counted in full is greater than to first order


@dataclass(frozen=True)
class FirstStage:
    """Where to stop first."""

    removal_mm: FloatArray  # (n,) metal to take off in the first stage; nowhere more than that of the whole cut [mm]
    chance_rich_whole: float  # chance that the cut makes a band too rich if all is cut at once [-]
    chance_rich: float  # the same after the first stage; a band as rich without any cut is not counted [-]
    chance_least: float  # chance that no cut can avoid, where it is above the risk; else 0 [-]
    # standard uncertainties by which the first stage stays on the lean side; 0 when all can go at once [-]
    lean_margin: float
    lambda_drawn: FloatArray  # (s, m) lambda of the cars drawn, after the first stage [-]


def first_stage(
    found: Solution,
    seen: Outlook,
    after: Callable[[FloatArray], FloatArray],
    driven: FloatArray,
    *,
    risk: float = RISK,
) -> FirstStage:
    """First cut whose chance of a band richer than permitted stays below a risk.

    ``seen`` is the outlook of the whole cut, ``after`` lambda of each car after any removal and ``driven`` as it is driven
    now, both worked out in full, not to first order.

    On a car that nothing has confirmed, no band may end richer than permitted even if its change were so many times as
    great as ``limits.unconfirmed`` says.

    Every band is aimed a number of its own standard uncertainties lean of its target; the number is the least that brings
    the joint chance over all bands, counted on the cars drawn, below the risk.  Where a test is still in danger, less is
    taken off the stations that meter the tested band, then off all.  Where even four are not enough, a share of that cut is
    taken off.  Where the risk cannot be had so, no metal is left on in vain: to what stays however much is left on, the
    first stage may add half the risk.
    """
    search = _Search.of(found, seen, after, driven, risk)
    whole, at_once = search.whole, search.made_rich(seen.lambda_drawn)
    good = search.bears(seen.lambda_drawn, risk) and not search.test_fails(seen.lambda_drawn)
    if good or not whole.any():
        return FirstStage(whole, at_once, at_once, 0.0, 0.0, seen.lambda_drawn)
    least, borne = 0.0, risk
    short, drawn, margin = search.bearing(borne)
    if search.made_rich(drawn) > risk:
        # It cannot be had: leave no metal on in vain.
        least = min(search.made_rich(drawn), search.made_rich(after(np.zeros(whole.size))))
        borne = least + risk / 2.0
        short, drawn, margin = search.bearing(borne)
    # What nobody can tell from the whole cut is the whole cut, as far as the risk bears it.
    alike = np.where(np.abs(whole - short) < filed_u_mm(found.problem.learned.doubts), whole, short)
    if (alike != short).any() and (whole >= 0.0).all():
        drawn_alike = after(alike)
        if search.bears(drawn_alike, borne) and not search.test_fails(drawn_alike):
            short, drawn = alike, drawn_alike
    return FirstStage(short, at_once, search.made_rich(drawn), least, margin, drawn)


@dataclass(frozen=True)
class _Search:
    """What the search for the first cut needs again and again."""

    found: Solution
    here: Point
    whole: FloatArray
    seen: Outlook
    after: Callable[[FloatArray], FloatArray]
    spread: FloatArray
    uncut: FloatArray
    uncut_in_full: FloatArray
    bearable: float
    log_now: FloatArray  # (m,) ln(lambda) as driven now, the middle of the cars
    times: float  # how many times as strongly a cut may work; 1 on a car that was confirmed

    @classmethod
    def of(
        cls,
        found: Solution,
        seen: Outlook,
        after: Callable[[FloatArray], FloatArray],
        driven: FloatArray,
        risk: float,
    ) -> _Search:
        """Bands as the car is driven now, jet and all; a tested idle with the nut set as it will be after the cut.

        To first order for the search, which is exact enough near a band that is not cut, and in full for what is stated.
        """
        whole, x, target = found.removal_mm(), found.x, found.problem.target
        spread = np.log(seen.lambda_drawn).std(axis=0)
        rich, tested = target.lambda_rich, target.tested
        uncut = np.where(tested, seen.moved(whole), seen.driven(whole, float(x[-1])))
        in_full = np.where(tested, after(np.zeros(whole.size)), driven) if tested.any() else driven
        # A test in danger before any cut must be in hardly more danger after it; in none at all would leave metal on for
        # what another draw of the cars would take away.
        fails = float(((in_full < rich) & tested).any(axis=1).mean())
        bearable = max(risk, fails + HARDLY_MORE * risk)
        learned, limits = found.problem.learned, found.problem.limits
        times = 1.0 if learned.confirmed() or (whole < 0.0).any() else limits.unconfirmed
        now = np.median(np.log(driven), axis=0)
        return cls(found, found.problem.point(x), whole, seen, after, spread, uncut, in_full, bearable, now, times)

    def made_rich(self, drawn: FloatArray) -> float:
        """Chance that a cut makes some band too rich."""
        return chance_made_rich(self.found.problem.target, drawn, self.uncut_in_full)

    def too_strong(self, drawn: FloatArray) -> bool:
        """Whether some band the file enriches ends richer than permitted if all changes were so many times as great."""
        if self.times == 1.0:
            return False
        change = np.minimum(np.median(np.log(drawn), axis=0) - self.log_now, 0.0)
        least = np.log(self.found.problem.target.lambda_rich)
        # A band too rich before any cut does not hold the others back.
        rich = (self.log_now + self.times * change < least) & (self.log_now >= least)
        if self.seen.nut is not None:
            rich[self.seen.nut.idle] = False  # the nut sets it, however strongly the cut works
        return bool(rich.any())

    def bears(self, drawn: FloatArray, borne: float) -> bool:
        """Whether a cut brings no more than what may be borne."""
        return self.made_rich(drawn) <= borne and not self.too_strong(drawn)

    def test_fails(self, drawn: FloatArray) -> bool:
        """Whether a test is in more danger than may be borne."""
        target = self.found.problem.target
        return float(((drawn < target.lambda_rich) & target.tested).any(axis=1).mean()) > self.bearable

    def lean_by(self, margin: float) -> tuple[FloatArray, FloatArray]:
        """The cut aimed so many standard uncertainties lean, and lambda after it to first order."""
        # Aimed so far on the lean side, tests need no fence of their own.
        fenceless = np.full(self.spread.size, -np.inf)
        problem, last = self.found.problem, int(np.argmax(self.found.problem.learned.lift_mm()))
        whole = self.log_now[last] - float(np.median(np.log(self.seen.lambda_drawn[:, last])))
        less = np.clip(margin * self.spread[last] / whole, 0.0, 1.0) if whole > 0.0 else 0.0
        carried = (1.0 - less) * problem.carried_mm
        lean = replace(problem, law=problem.law.shifted(-margin * self.spread), tested=fenceless, carried_mm=carried)
        missed = replace(self.here, misfit=self.here.misfit - margin * self.spread)
        short = np.zeros(self.whole.size)
        short[self.found.problem.free] = fit_from(lean, self.found.smoothness, missed).x[:-1]
        short += self._carried(short)
        short = np.clip(np.minimum(short, self.whole), 0.0 if (self.whole >= 0.0).all() else -np.inf, None)
        return short, self.seen.moved(self.whole - short)

    def _carried(self, short: FloatArray) -> FloatArray:
        """What is carried on past the last band after a smaller cut: as much less as the last station of the data has."""
        carried, last = self.found.problem.carried_mm, int(np.flatnonzero(self.found.inside)[-1])
        return carried * short[last] / self.whole[last] if carried.any() and self.whole[last] > 0.0 else carried

    def bearing(self, borne: float) -> tuple[FloatArray, FloatArray, float]:
        """The cut, lambda after it, and its lean margin, that brings what may be borne and keeps the test."""
        short, drawn, margin = self.whole, self.seen.lambda_drawn, 0.0
        if not self.bears(drawn, borne):
            short, margin = self._least_lean(borne)
            drawn = self.after(short)
            while margin < MOST_LEAN and not self.bears(drawn, borne):
                margin = min(margin + LEANER, MOST_LEAN)
                short, _ = self.lean_by(margin)
                drawn = self.after(short)
        tested = self.found.problem.target.tested
        # A thicker blank is no danger to a test, and less of it would be one.
        if tested.any() and (self.whole >= 0.0).all():
            short, drawn = self._test_kept(short)
            for share in (0.75, *SHARES, 0.0):
                if self.made_rich(drawn) <= borne:
                    break
                short, drawn = share * short, self.after(share * short)
            leaner = np.median(np.log(drawn / self.seen.lambda_drawn), axis=0) / np.maximum(self.spread, 1e-9)
            margin = max(margin, float(leaner[tested].max()), TINY if (short < self.whole).any() else 0.0)
        return short, drawn, margin

    def _least_lean(self, borne: float) -> tuple[FloatArray, float]:
        """The cut of the least lean margin that brings what may be borne to first order, and that margin."""
        target, (low, margin) = self.found.problem.target, (0.0, MOST_LEAN)
        short, drawn = self.lean_by(margin)
        for _ in range(HALVINGS):
            middle = (low + margin) / 2.0
            trial, trial_drawn = self.lean_by(middle)
            if chance_made_rich(target, trial_drawn, self.uncut) <= borne and not self.too_strong(trial_drawn):
                margin, short, drawn = middle, trial, trial_drawn
            else:
                low = middle
            if margin - low < NEAR_ENOUGH:
                break
        if chance_made_rich(target, drawn, self.uncut) > borne and (short > 0.0).any():
            # Bands that pull apart can be rich however lean all are aimed: take off a share of that cut only.
            short = self._a_share_of(short, borne)
        return short, margin

    def _a_share_of(self, short: FloatArray, borne: float) -> FloatArray:
        """Greatest share of a cut that brings what may be borne; the cut itself where not even none does."""

        def good(less: FloatArray) -> bool:
            return chance_made_rich(self.found.problem.target, self.seen.moved(self.whole - less), self.uncut) <= borne

        def part(share: float) -> FloatArray:
            return np.where(short > 0.0, share * short, short)

        if not good(part(0.0)):
            return short
        low, high = 0.0, 1.0
        for _ in range(HALVINGS):
            middle = (low + high) / 2.0
            low, high = (middle, high) if good(part(middle)) else (low, middle)
        return part(low)

    def _test_kept(self, short: FloatArray) -> tuple[FloatArray, FloatArray]:
        """As much of a cut as keeps the test, less first where the tested band is metered; and lambda after it."""
        by_station = np.abs(self.here.by_needle[self.found.problem.target.tested, :-1]).max(axis=0)
        meters = by_station > METERS * by_station.max()
        trial = short
        for share in (1.0, 0.75, 0.5, 0.25, 0.0):
            trial = _tapered(self.found.problem, np.where(meters, share * short, short))
            drawn = self.after(trial)
            if not self.test_fails(drawn):
                return trial, drawn
        for share in (*SHARES, 0.0):
            drawn = self.after(share * trial)
            if not self.test_fails(drawn):
                return share * trial, drawn
        return np.zeros(short.size), drawn


def chance_made_rich(target: Target, drawn: FloatArray, before: FloatArray) -> float:
    """Chance that a cut makes some band richer than permitted, by lambda of the same cars after and before it.

    A band too rich before, and no richer after, is not counted, nor a test that fails anyway.
    """
    rich = target.lambda_rich
    no_richer = target.tested | (drawn >= before * (1.0 - AS_RICH_BEFORE))
    return float(((drawn < rich) & ~((before < rich) & no_richer)).any(axis=1).mean())


def _tapered(problem: Problem, removal_mm: FloatArray) -> FloatArray:
    """The removal, less where metal left standing outwards would else make a waist."""
    present = problem.learned.present_mm()
    left = np.maximum.accumulate((present - removal_mm)[::-1])[::-1]
    return np.asarray(present - left)
