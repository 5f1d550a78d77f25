"""The first cut: as near the design as the stated risk of a rich band allows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np

from needlecalc.design.inverse.fit import fit_from
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.uncertainty import Outlook
from needlecalc.design.wish.target import Target
from needlecalc.units import FloatArray

RISK = 0.05
TINY = 0.01  # held back by less than this is not worth a figure
METERS = 0.02  # of the strongest: a station that matters to a tested band
HALVINGS = 12
SHARES = (0.5, 0.25, 0.125)  # of a cut that is still too much
AS_RICH_BEFORE = 0.005  # of lambda: made richer by less is not made richer
MOST_LEAN = 4.0  # standard uncertainties to stay short of the target at most
HARDLY_MORE = 0.2  # of the risk
LEANER = 0.1  # of them, step by step, where the chance counted in full is greater than to first order


@dataclass(frozen=True)
class FirstStage:
    """Where to stop first.

    Parameters
    ----------
    removal_mm : array, shape (n,)
        Metal to take off in the first stage. [mm]
    chance_rich_whole : float
        Chance that the cut brings some band richer than permitted if all is cut at once; a band that would be so with
        no cut at all, and gets no richer by it, is not counted. [-]
    chance_rich : float
        The same after the first stage. [-]
    chance_least : float
        What stays of that however much metal is left on, where it is more than the risk; else 0. [-]
    held_back : float
        Standard uncertainties by which the first stage stays on the lean side; 0 when all can go at once. [-]
    lambda_drawn : array, shape (s, m)
        Lambda of the cars drawn, after the first stage. [-]
    """

    removal_mm: FloatArray
    chance_rich_whole: float
    chance_rich: float
    chance_least: float
    held_back: float
    lambda_drawn: FloatArray


def first_stage(
    problem: Problem,
    smoothness: float,
    x: FloatArray,
    seen: Outlook,
    after: Callable[[FloatArray], FloatArray],
    driven: FloatArray,
    *,
    risk: float = RISK,
) -> FirstStage:
    """First cut whose chance of a band richer than permitted stays below a risk.

    Parameters
    ----------
    problem : Problem
        The problem solved.
    smoothness : float
        Its smoothness.
    x : array, shape (free + 1,)
        Its solution. [mm]
    seen : Outlook
        Outlook of the whole cut.
    after : callable
        Lambda of each car after any removal, worked out in full, not to first order as ``seen`` gives it.
    driven : array, shape (s, m)
        Lambda of each car as it is driven now, worked out in full. [-]
    risk : float
        Greatest chance that any band ends richer than its permitted interval. [-]

    Returns
    -------
    FirstStage
        Removal of the first stage; nowhere more than that of the whole.

    Notes
    -----
    Every band is aimed a number of its own standard uncertainties lean of its target; the number is the
    least that brings the joint chance over all bands, counted on the cars drawn, below the risk.  Bands
    known well are cut nearly to size, bands known badly are held back.  A car whose band would be too rich, or fail
    its test, with no cut at all is not counted against a cut that makes it no richer.  Where the test is still in
    danger, less is taken off the stations that meter the tested band, then off all.  Where even four are not
    enough, a share of that cut is taken off.  Where the risk cannot be had so, no metal is held back in vain: to what
    stays however much is left on, the first stage may add half the risk.
    """
    here = problem.point(x)
    whole = np.zeros(problem.free.size)
    whole[problem.free] = x[:-1]
    spread = np.log(seen.lambda_drawn).std(axis=0)
    rich = problem.target.lambda_rich
    tested = problem.target.tested
    # Bands as the car is driven now, jet and all; a tested idle with the nut set as it will be after the cut.  To first
    # order for the search, which is exact enough near a band that is not cut, and in full for what is stated.
    uncut = np.where(tested, seen.moved(whole), seen.driven(whole, float(x[-1])))
    uncut_in_full = np.where(tested, after(np.zeros(whole.size)), driven) if tested.any() else driven

    # A test in danger before any cut must be in hardly more danger after it; in none at all would hold metal back for what
    # another draw of the cars would take away.
    fails_uncut = float(((uncut_in_full < rich) & tested).any(axis=1).mean())
    bearable = max(risk, fails_uncut + HARDLY_MORE * risk)

    def chance(drawn: FloatArray) -> float:
        return float((drawn < rich).any(axis=1).mean())

    def held(times: float) -> tuple[FloatArray, FloatArray]:
        # Held so far on the lean side, tests need no fence of their own.
        fenceless = np.full(spread.size, -np.inf)
        lean = replace(problem, law=problem.law.shifted(-times * spread), tested=fenceless)
        short = np.zeros(problem.free.size)
        missed = replace(here, misfit=here.misfit - times * spread)
        short[problem.free] = fit_from(lean, smoothness, missed).x[:-1]
        short = np.clip(np.minimum(short, whole), 0.0 if (whole >= 0.0).all() else -np.inf, None)
        return short, seen.moved(whole - short)

    def test_kept(short: FloatArray) -> tuple[FloatArray, FloatArray]:
        by_station = np.abs(here.by_needle[tested, :-1]).max(axis=0)
        meters = by_station > METERS * by_station.max()
        for share in (1.0, 0.75, 0.5, 0.25, 0.0):
            trial = _tapered(problem, np.where(meters, share * short, short))
            drawn = after(trial)
            if chance(np.where(tested, drawn, np.inf)) <= bearable:
                return trial, drawn
        for share in SHARES:
            drawn = after(share * trial)
            if chance(np.where(tested, drawn, np.inf)) <= bearable:
                return share * trial, drawn
        return np.zeros(short.size), after(np.zeros(short.size))

    def made_rich(drawn: FloatArray) -> float:
        return chance_made_rich(problem.target, drawn, uncut_in_full)

    def short_of(borne: float) -> tuple[FloatArray, FloatArray, float]:
        """The cut, lambda after it, and how far it is held back, that brings what may be borne and keeps the test."""
        short, drawn, times = whole, seen.lambda_drawn, 0.0
        if at_once > borne:
            low, times = 0.0, MOST_LEAN
            short, drawn = held(times)
            for _ in range(HALVINGS):
                middle = (low + times) / 2.0
                trial, trial_drawn = held(middle)
                if chance_made_rich(problem.target, trial_drawn, uncut) <= borne:
                    times, short, drawn = middle, trial, trial_drawn
                else:
                    low = middle
                if times - low < 0.02:
                    break
            if chance_made_rich(problem.target, drawn, uncut) > borne and (short > 0.0).any():
                # Bands that pull apart can be rich however lean all are aimed: take off a share of that cut only.
                short, drawn = _a_share_of(
                    short, whole, seen, lambda trial: chance_made_rich(problem.target, trial, uncut) <= borne
                )
            drawn = after(short)
            while times < MOST_LEAN and made_rich(drawn) > borne:
                times = min(times + LEANER, MOST_LEAN)
                short, _ = held(times)
                drawn = after(short)
        # A thicker blank is no danger to a test, and less of it would be one.
        if tested.any() and (whole >= 0.0).all():
            short, drawn = test_kept(short)
            for share in (0.75, *SHARES, 0.0):
                if made_rich(drawn) <= borne:
                    break
                short, drawn = share * short, after(share * short)
            leaner = np.median(np.log(drawn / seen.lambda_drawn), axis=0) / np.maximum(spread, 1e-9)
            times = max(times, float(leaner[tested].max()), TINY if (short < whole).any() else 0.0)
        return short, drawn, times

    at_once = made_rich(seen.lambda_drawn)
    test_fails = chance(np.where(tested, seen.lambda_drawn, np.inf)) > bearable
    if not (at_once > risk or test_fails) or not whole.any():
        return FirstStage(whole, at_once, at_once, 0.0, 0.0, seen.lambda_drawn)
    stays = 0.0
    short, drawn, times = short_of(risk)
    if made_rich(drawn) > risk:
        # It cannot be had: hold no metal back in vain.
        stays = min(made_rich(drawn), made_rich(after(np.zeros(whole.size))))
        short, drawn, times = short_of(stays + risk / 2.0)
    return FirstStage(short, at_once, made_rich(drawn), stays, times, drawn)


def chance_made_rich(target: Target, drawn: FloatArray, before: FloatArray) -> float:
    """Chance that a cut makes some band richer than permitted.

    Parameters
    ----------
    target : Target
        What is permitted.
    drawn : array, shape (s, m)
        Lambda of each car after the cut. [-]
    before : array, shape (s, m)
        Lambda of the same cars with no cut. [-]

    Returns
    -------
    float
        Chance; a band too rich before, and no richer after, is not counted, nor a test that fails anyway. [-]
    """
    rich = target.lambda_rich
    no_richer = target.tested | (drawn >= before * (1.0 - AS_RICH_BEFORE))
    return float(((drawn < rich) & ~((before < rich) & no_richer)).any(axis=1).mean())


def _tapered(problem: Problem, removal_mm: FloatArray) -> FloatArray:
    """The removal, less where metal left standing outwards would else make a waist."""
    present = problem.learned.present_mm()
    left = np.maximum.accumulate((present - removal_mm)[::-1])[::-1]
    return np.asarray(present - left)


def _a_share_of(
    short: FloatArray, whole: FloatArray, seen: Outlook, good: Callable[[FloatArray], bool]
) -> tuple[FloatArray, FloatArray]:
    """Greatest share of a cut that is good, and lambda after it; the cut itself where not even none is."""

    def part(share: float) -> tuple[FloatArray, FloatArray]:
        less = np.where(short > 0.0, share * short, short)
        return less, seen.moved(whole - less)

    if not good(part(0.0)[1]):
        return part(1.0)
    low, high = 0.0, 1.0
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        if good(part(middle)[1]):
            low = middle
        else:
            high = middle
    return part(low)
