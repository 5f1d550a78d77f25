"""The verdict in words: what conflicts, what is missed, what a limit forbids, and what could help."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.readings import trusted
from needlecalc.design.inverse.fit import MISSED_BY, smoothest
from needlecalc.design.inverse.limits import FLATS, LEAST_TURN_FLATS, Limits
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.uncertainty import idle_aim, idle_band
from needlecalc.design.wish.target import Target, lean_at_full_load
from needlecalc.measure.drive.bands import Bands, worst_of
from needlecalc.show import counted
from needlecalc.units import FloatArray

FAR_OFF = 0.05
GIVING_WAY = 10.0
HARDLY = 5e-4  # of lambda: nobody reads as near
BETTER_WITH_METAL = 0.7
DRIVEN_APART = 2.0  # stations from band to band; what lies farther from both than one station was never driven


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
    outside = np.zeros(ratio.size, dtype=bool)
    for side, past, ends in (
        ("leaner", ratio - target.lambda_lean, target.lambda_lean),
        ("richer", target.lambda_rich - ratio, target.lambda_rich),
    ):
        outside |= past > HARDLY
        named, more = worst_of(np.flatnonzero(past > HARDLY).tolist(), past)
        advice += [f"{bands.name(b)}: lambda {ratio[b]:.3f} is {side} than the {ends[b]:.3f} permitted." for b in named]
        if more:
            advice.append(f"{more} more bands are {side} than permitted, these being the worst.")
    at_limit = problem.at_limits(x)
    jet = [limit.kind for limit, on in zip(problem.limit_of_row, at_limit, strict=True) if on and limit.station is None]
    low, high = problem.drop_range_mm
    if high > low and jet:
        advice.append(f"The {jet[0]} in the range stated; a wider range of the nut may serve.")
    advice += _step_of_nut(problem, x, ratio)
    usable = "Usable"
    if gaps := _not_driven(problem):
        usable = "Usable at the lifts driven"
        advice.append(
            f"Not driven: lifts from {', '.join(gaps)} (bands over two stations apart). Lambda between is not predicted, "
            "the needle only blended: drive there before you rely on it."
        )
    if blocked.any():
        needs_metal = bool((missed[blocked] < 0.0).any())
        short = blocked & (missed < 0.0) if needs_metal else blocked
        names = bands.names(np.flatnonzero(short).tolist(), off)
        reason = "it needs metal added, which cannot be filed" if needs_metal else "a limit on the needle binds"
        others = np.flatnonzero(~short & (off > FAR_OFF)).tolist()
        if others:
            reason += f", and neighbouring lifts ask for different things: {_off(bands, others, missed)}"
        return f"Cannot be met by filing: at {names} {reason}.", False, advice
    if off.max() > FAR_OFF:
        far = bands.names(np.flatnonzero(off > FAR_OFF).tolist(), off)
        advice.append("Measure the bands named again, or ask less of those that give way; one needle serves one lift.")
        return f"Cannot be met by filing: neighbouring lifts ask for different things, {far} stay far off.", False, advice
    worst = max(100 * off.max(), 0.1)  # nearer than that nobody measures
    if np.abs(x[:-1]).max(initial=0.0) < 5e-4:
        turn = float(x[-1]) / problem.learned.setup.carburettor.jet.flat_mm
        way = "down" if turn > 0.0 else "up"
        jet_words = "" if abs(turn) < LEAST_TURN_FLATS else f" Turn the jet nut {abs(turn):.1f} flats {way}."
        if outside.any():
            # A test not passed is no job done, however near it came.
            done = not (outside & target.tested).any()
            lead = "Leave it" if done else "Cannot be met by filing"
            return (
                f"{lead}: {_so_many(outside)} outside what is permitted, named below, and filing brings none of them "
                f"nearer than the hand can hold.{jet_words}",
                done,
                advice,
            )
        return (
            f"Leave it: every band is within {worst:.1f} % of its target, and filing would not bring it nearer than the "
            f"hand can hold.{jet_words}",
            True,
            advice,
        )
    if (off > MISSED_BY).any():
        return f"{usable}, but {_so_many(off > MISSED_BY)} more than 2 % off target, named below.", True, advice
    if outside.any():
        return f"{usable}, but {_so_many(outside)} outside what is permitted, named below.", True, advice
    kind = "a new blank" if limits.new_blank else "filing"
    return f"{usable}: {kind} brings every band within {worst:.1f} % of its target.", True, advice


def _so_many(which: NDArray[np.bool_]) -> str:
    """How many bands stay so."""
    count = int(which.sum())
    return f"{count} of {counted(which.size, 'band')} stay{'s' if count == 1 else ''}"


def full_load_caution(target: Target, expected: FloatArray, highest: FloatArray) -> str:
    """Caution for the drive that follows, where full load may run too lean on it.

    Parameters
    ----------
    target : Target
        Bands, and how lean full load may run.
    expected, highest : array, shape (m,)
        Lambda of each band on that drive, and the upper end of its 90 % interval. [-]

    Returns
    -------
    str
        The band whose lambda, or the upper end of its interval, is leanest of those leaner than full load bears; empty
        where none is.
    """
    bands, limit = target.bands, target.leanest_full_load()
    highest = np.maximum(highest, expected)
    full = np.array([load == "full" for load in bands.load])
    lean = np.flatnonzero(full & (highest > limit + HARDLY))
    if not lean.size:
        return ""
    worst = int(lean[np.argmax(highest[lean])])
    others = f", and {lean.size - 1} more" if lean.size > 1 else ""
    return (
        f"FULL LOAD {'runs' if (expected[lean] > limit).any() else 'may run'} too lean on the next drive: "
        f"{bands.name(worst)} at lambda {expected[worst]:.3f}, up to {highest[worst]:.3f}{others}; {limit:.2f} is the "
        f"leanest (common practice, no source). {lean_at_full_load(limit)}"
    )


def _off(bands: Bands, which: list[int], missed: FloatArray) -> str:
    """Bands with how far each stays off, the worst first."""
    named, more = worst_of(which, np.abs(missed))
    words = [f"{bands.name(b)} {abs(100 * missed[b]):.1f} % {'lean' if missed[b] > 0.0 else 'rich'}" for b in named]
    return f"{', '.join(words)}{f' and {more} more' if more else ''}"


def _not_driven(problem: Problem) -> list[str]:
    """Lifts between bands so far apart that nothing is known of those between."""
    lift = np.sort(problem.learned.lift_mm())
    wide = DRIVEN_APART * float(np.median(np.diff(problem.learned.setup.carburettor.needle.stations_mm)))
    return [f"{lift[k]:.1f} to {lift[k + 1]:.1f} mm" for k in np.flatnonzero(np.diff(lift) > wide).tolist()]


def _step_of_nut(problem: Problem, x: FloatArray, ratio: FloatArray) -> list[str]:
    """What one step does to idle, where the nut turns by steps only."""
    learned, target, flats = problem.learned, problem.target, problem.limits.flats
    idle = idle_band(learned, target)
    if flats is None or idle is None:
        return []
    step_mm = FLATS[flats] * learned.setup.carburettor.jet.flat_mm
    step = float(ratio[idle] * -np.expm1(-abs(problem.point(x).by_needle[idle, -1]) * step_mm))
    rich, lean = float(target.lambda_rich[idle]), float(target.lambda_lean[idle])
    aim = idle_aim(target, idle, float(ratio[idle]))
    words = (
        f"The nut turns by {flats} flats only: one step moves {target.bands.name(idle)} by some {step:.3f} lambda, where "
        f"{rich:.3f} to {lean:.3f} is permitted"
    )
    if step > lean - rich:
        return [f"{words}: it may jump over all of that; a nut that holds anywhere would not."]
    if step / 2.0 > aim - rich:
        return [
            f"{words}: it may stop up to {step / 2.0:.3f} beside {aim:.3f}, too rich then; take the step on the lean side."
        ]
    return [f"{words}."]


def _blocked(problem: Problem, limits: Limits, missed: FloatArray) -> NDArray[np.bool_]:
    """Bands that miss their target because of the limits, and would not with free metal."""
    if limits.new_blank or not (np.abs(missed) > MISSED_BY).any():
        return np.zeros(missed.size, dtype=bool)
    eased = replace(limits, new_blank=True, max_cut_mm=2.0, least_diameter_mm=0.2, steepest=0.2, keep=(), never_below_mm={})
    loose = problem.with_free(problem.inside, eased)
    x, _ = smoothest(loose)
    misfit = loose.misfit(x)
    return np.asarray((np.abs(missed) > MISSED_BY) & (np.abs(misfit) < BETTER_WITH_METAL * np.abs(missed)))


def test_flags(target: Target, fails: list[float], risk: float, *, cut: bool, in_stages: bool) -> list[str]:
    """How sure the bands with a test are to pass it.

    Parameters
    ----------
    target : Target
        What is asked.
    fails : list of float
        Chance that one of them fails if all is cut at once, and at the first stop. [-]
    risk : float
        Chance that may be borne. [-]
    cut, in_stages : bool
        Whether any metal comes off, and whether in stages.

    Returns
    -------
    list of str
        One sentence, or none where there is no test.
    """
    if not target.tested.any():
        return []
    chance = fails[1] if in_stages else fails[0]
    words = f"Test of {target.bands.names(np.flatnonzero(target.tested).tolist())}: chance to fail {100 * fails[0]:.0f} %"
    if in_stages:
        words += f" when all is cut, {100 * fails[1]:.0f} % at the first stop"
    elif cut:
        words += " after the cut"
    if chance <= risk:
        return [f"{words}."]
    return [
        f"{words}{', little of it by the cut' if cut else ''}. Aim farther from the limit (a larger idle_margin_co_percent "
        "or idle_margin_lambda in [target]), or know idle's lambda better."
    ]


def station_flags(
    target: Target,
    supported: NDArray[np.bool_],
    inside: NDArray[np.bool_],
    cut: NDArray[np.bool_],
    *,
    new_blank: bool,
) -> list[str]:
    """What to know of stations that no band speaks for.

    Parameters
    ----------
    target : Target
        What is asked.
    supported, inside : array of bool, shape (n,)
        Stations the data speak for, and those between them too.
    cut : array of bool, shape (n,)
        Stations whose diameter is to change.
    new_blank : bool
        Whether a blank is turned, rather than the present needle filed.

    Returns
    -------
    list of str
        One sentence each.
    """
    words = []
    outside, followed = np.flatnonzero(~inside) + 1, np.flatnonzero(~inside & cut) + 1
    if outside.size:
        but = ""
        if followed.size:
            other = "of another diameter" if new_blank else "cut too"
            but = f", but {_numbers(followed)}: {other}, only so that the taper neither reverses nor gets too steep"
        rest = "The blank follows the present needle there" if new_blank else "They stay as they are"
        past = "" if new_blank or cut[-1] or not cut.any() else _past_the_data(target)
        words.append(f"No data at {_stations(outside)}: no band reaches so far. {rest}{but}.{past}")
    between = np.flatnonzero(inside & ~supported) + 1
    if between.size:
        words.append(
            f"No band stands at {_stations(between)}: blended between {'their' if between.size > 1 else 'its'} neighbours."
        )
    return words


def _past_the_data(target: Target) -> str:
    """Where full throttle leads past the last band, to a needle left as lean as it was; empty where it is as asked."""
    bands = target.bands
    last = int(np.argmax(bands.lift_mm))
    lean = 100.0 * (float(bands.lambda_measured[last] / target.lambda_target[last]) - 1.0)
    if bands.load[last] != "full" or lean <= 100.0 * MISSED_BY:
        return ""
    return (
        f" Past {bands.name(last)} ({bands.lift_mm[last]:.0f} mm of lift) lambda stays some {lean:.0f} % leaner than asked: "
        "no full throttle beyond that speed until a drive has read it."
    )


def past_the_lean_limit(learned: Learned) -> list[str]:
    """Bands whose reading misfire makes leaner than the truth, and what they are taken for.

    Parameters
    ----------
    learned : Learned
        What is believed, with its bands.

    Returns
    -------
    list of str
        One sentence, or none.
    """
    bands = learned.bands
    taken = np.exp(trusted(bands, learned.doubts)[0])
    beyond = np.flatnonzero(learned.at_least).tolist()
    if not beyond:
        return []
    worst = max(beyond, key=lambda b: float(bands.lambda_measured[b] / taken[b]))
    more = 100.0 * float(bands.lambda_measured[worst] / taken[worst] - 1.0)
    return [
        f"Read beyond lambda {learned.doubts.lean_limit:g}, where misfire makes a meter read too lean: "
        f"{bands.names(beyond, bands.lambda_measured)}. Planned from less lean, {taken[worst]:.2f} for "
        f"{bands.lambda_measured[worst]:.2f} at {bands.name(worst)}; if the reading is right it ends up to {more:.0f} % "
        "leaner than predicted. Read it again after the cut, before any long pull."
    ]


def _stations(numbers: NDArray[np.intp]) -> str:
    return f"station{'s' if numbers.size > 1 else ''} {_numbers(numbers)}"


def _numbers(numbers: NDArray[np.intp]) -> str:
    return ", ".join(str(number) for number in numbers)
