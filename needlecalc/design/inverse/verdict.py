"""The verdict in words: what conflicts, what is missed, what a limit forbids, and what could help."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.inverse.fit import MISSED_BY, smoothest
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.wish.target import Target
from needlecalc.measure.drive.bands import worst_of
from needlecalc.show import counted
from needlecalc.units import FloatArray

FAR_OFF = 0.05
GIVING_WAY = 10.0
BETTER_WITH_METAL = 0.7


def conflicts(target: Target) -> tuple[list[str], FloatArray]:
    """Sentences on bands that contradict each other, and a factor on the doubt of those that give way.

    Parameters
    ----------
    target : Target
        What is asked.

    Returns
    -------
    list of str
        One sentence each.
    array, shape (m,)
        1, and more for a band that gives way to a richer wish on its lift. [-]
    """
    giving_way = np.ones(target.lambda_target.size)
    giving_way[target.opposed()[:, 1]] = GIVING_WAY
    return list(target.contradictions()), giving_way


def verdict(problem: Problem, limits: Limits, x: FloatArray) -> tuple[str, bool, list[str]]:
    """What a solution is worth.

    Parameters
    ----------
    problem : Problem
        The problem.
    limits : Limits
        Limits it was solved under.
    x : array, shape (free + 1,)
        Its solution. [mm]

    Returns
    -------
    str
        Status, one sentence.
    bool
        Whether the job is met.
    list of str
        Advice, one sentence each.
    """
    bands = problem.target.bands
    misfit = problem.misfit(x)
    missed = np.expm1(misfit)
    blocked = _blocked(problem, limits, missed)
    off = np.abs(missed)
    named, more = worst_of(np.flatnonzero(off > MISSED_BY).tolist(), off)
    advice = [
        f"{bands.name(b)}: predicted {100 * missed[b]:+.1f} % from target ({'leaner' if missed[b] > 0 else 'richer'})."
        for b in named
    ]
    if more:
        advice.append(f"{more} more bands are predicted over {100 * MISSED_BY:.0f} % from target, these being the worst.")
    target = problem.target
    ratio = (1.0 + missed) * target.lambda_target
    past = ratio - target.lambda_lean
    named, more = worst_of(np.flatnonzero(past > 1e-6).tolist(), past)
    advice += [
        f"{bands.name(b)}: lambda {ratio[b]:.3f} is leaner than the {target.lambda_lean[b]:.3f} permitted." for b in named
    ]
    if more:
        advice.append(f"{more} more bands are leaner than permitted, these being the worst.")
    at_limit = problem.limits_matrix @ x - problem.limits_least < 1e-7
    jet = [name for name, on in zip(problem.names, at_limit, strict=True) if on and name.startswith("jet at")]
    low, high = problem.drop_range_mm
    if high > low and jet:
        advice.append(f"The {jet[0]} in the range stated; a wider range of the nut may serve.")
    if blocked.any():
        needs_metal = bool((missed[blocked] < 0.0).any())
        short = blocked & (missed < 0.0) if needs_metal else blocked
        names = bands.names(np.flatnonzero(short).tolist(), off)
        reason = "it needs metal added, which cannot be filed" if needs_metal else "a limit on the cut binds"
        return f"Cannot be met by filing: at {names} {reason}.", False, advice
    if off.max() > FAR_OFF:
        far = bands.names(np.flatnonzero(off > FAR_OFF).tolist(), off)
        advice.append("Measure the bands named again, or ask less of those that give way; one needle serves one lift.")
        return f"Cannot be met by filing: neighbouring lifts ask for different things, {far} stay far off.", False, advice
    worst = max(100 * off.max(), 0.1)  # nearer than that nobody measures
    if np.abs(x[:-1]).max(initial=0.0) < 5e-4:
        turn = float(x[-1]) / problem.learned.setup.carburettor.jet.flat_mm
        jet_words = "" if abs(x[-1]) < 0.02 else f" Turn the jet nut {abs(turn):.1f} flats {'down' if turn > 0 else 'up'}."
        return (
            f"Leave it: every band is within {worst:.1f} % of its target, and filing would not bring it nearer than the "
            f"hand can hold.{jet_words}",
            True,
            advice,
        )
    if (off > MISSED_BY).any():
        missing = int((off > MISSED_BY).sum())
        stay = f"{missing} of {counted(missed.size, 'band')} stay{'s' if missing == 1 else ''}"
        return f"Usable, but {stay} more than 2 % off target, named below.", True, advice
    kind = "a new blank" if limits.new_blank else "filing"
    return f"Usable: {kind} brings every band within {worst:.1f} % of its target.", True, advice


def _blocked(problem: Problem, limits: Limits, missed: FloatArray) -> NDArray[np.bool_]:
    """Bands that miss their target because of the limits, and would not with free metal."""
    if limits.new_blank or not (np.abs(missed) > MISSED_BY).any():
        return np.zeros(missed.size, dtype=bool)
    loose = problem.with_free(problem.inside, replace(limits, new_blank=True, max_cut_mm=2.0, never_below_mm={}))
    x, _ = smoothest(loose)
    misfit = loose.misfit(x)
    return np.asarray((np.abs(missed) > MISSED_BY) & (np.abs(misfit) < BETTER_WITH_METAL * np.abs(missed)))


def station_flags(supported: NDArray[np.bool_], inside: NDArray[np.bool_]) -> list[str]:
    """What to know of stations that no band speaks for.

    Parameters
    ----------
    supported, inside : array of bool, shape (n,)
        Stations the data speak for, and those between them too.

    Returns
    -------
    list of str
        One sentence each.
    """
    words = []
    outside = np.flatnonzero(~inside) + 1
    if outside.size:
        words.append(
            f"No data at {_stations(outside)}: load needed. They keep their metal, but for what the taper needs not "
            "to reverse; whatever runs there gets no leaner."
        )
    between = np.flatnonzero(inside & ~supported) + 1
    if between.size:
        words.append(f"No band stands at {_stations(between)}: blended between their neighbours.")
    return words


def _stations(numbers: NDArray[np.intp]) -> str:
    return f"station{'s' if numbers.size > 1 else ''} {', '.join(str(number) for number in numbers)}"
