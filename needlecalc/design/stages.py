"""The first cut: as near the design as the stated risk of a rich band allows."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np

from needlecalc.design.fit import Problem, fit
from needlecalc.design.sure import Outlook
from needlecalc.units import FloatArray

RISK = 0.05
HALVINGS = 12
MOST_LEAN = 4.0  # standard uncertainties to stay short of the target at most


@dataclass(frozen=True)
class FirstStage:
    """Where to stop first.

    Parameters
    ----------
    removal_mm : array, shape (n,)
        Metal to take off in the first stage. [mm]
    chance_rich_whole : float
        Chance that some band ends richer than permitted if all is cut at once. [-]
    chance_rich : float
        The same after the first stage. [-]
    held_back : float
        Standard uncertainties by which the first stage stays on the lean side; 0 when all can go at once. [-]
    lambda_drawn : array, shape (s, m)
        Lambda of the cars drawn, after the first stage. [-]
    """

    removal_mm: FloatArray
    chance_rich_whole: float
    chance_rich: float
    held_back: float
    lambda_drawn: FloatArray


def first_stage(problem: Problem, smoothness: float, x: FloatArray, seen: Outlook, *, risk: float = RISK) -> FirstStage:
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
    known well are cut nearly to size, bands known badly are held back.  Where even four are not enough, a
    share of that cut is taken off that is; where the needle is too rich before any cut, the four stand.
    """
    whole = np.zeros(problem.free.size)
    whole[problem.free] = x[:-1]
    spread = np.log(seen.lambda_drawn).std(axis=0)
    rich = problem.target.lambda_rich

    def chance(drawn: FloatArray) -> float:
        return float((drawn < rich).any(axis=1).mean())

    def held(times: float) -> tuple[FloatArray, FloatArray]:
        lean = Problem(**{**vars(problem), "start": problem.start - times * spread})
        short = np.zeros(problem.free.size)
        short[problem.free] = fit(lean, smoothness, x)[:-1]
        short = np.clip(np.minimum(short, whole), 0.0 if (whole >= 0.0).all() else None, None)
        return short, seen.moved(whole - short)

    at_once = chance(seen.lambda_drawn)
    if at_once <= risk or not whole.any():
        return FirstStage(whole, at_once, at_once, 0.0, seen.lambda_drawn)
    low, high = 0.0, MOST_LEAN
    short, drawn = held(high)
    for _ in range(HALVINGS):
        middle = (low + high) / 2.0
        trial, trial_drawn = held(middle)
        if chance(trial_drawn) <= risk:
            high, short, drawn = middle, trial, trial_drawn
        else:
            low = middle
        if high - low < 0.02:
            break
    if chance(drawn) > risk and (short > 0.0).any():
        # Bands that pull apart can be rich however lean all are aimed: take off a share of that cut only.
        short, drawn = _a_share_of(short, whole, seen, lambda trial: chance(trial) <= risk)
    return FirstStage(short, at_once, chance(drawn), high, drawn)


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
