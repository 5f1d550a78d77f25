"""The best solution under its limits, before anything is said of it."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from scipy.special import ndtr

from needlecalc.design.belief.law import Law
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.fit import MISSED_BY, NEARLY_FLAT, cost, fit, fit_from, smoothest
from needlecalc.design.inverse.limits import FLATS, LEAST_TURN_FLATS, Limits
from needlecalc.design.inverse.problem import Point, Problem
from needlecalc.design.inverse.target import HARDLY, Target
from needlecalc.design.inverse.uncertainty import IDLE_IS_RIGHT, idle_band, nut_u_mm, trimmed
from needlecalc.parts.setup import fuel_flow, fuel_flow_and_slopes
from needlecalc.units import FloatArray

CARRYING_ROUNDS = 8
FAR_ENOUGH = 0.5  # of the travel: a full load that ends lower says nothing of the tip
SUPPORT_SHARE = 0.15
WORTH_A_STROKE = 8.0  # standard errors of the hand: a smaller cut must show that it helps
LEAST_CUT_MM = 5e-4
UNTOUCHED_MM = LEAST_CUT_MM / 10.0  # less metal than this is none, and less of a turn of the nut too
# Metal, or a turn of the nut, must gain more than this of the expected loss: one band of ten nearer by 0.75 %.
WORTH_THE_WORK = 0.0075**2 / 10.0


@dataclass(frozen=True)
class Solution:
    """Removal and jet height found, with the problem they solve."""

    problem: Problem  # the problem, with the stations left free in the end
    smoothness: float  # smoothness chosen
    x: FloatArray  # (free + 1,) removal at every free station, then change of jet drop [mm]
    whole: Problem  # the same with every station that may be free
    by_mm: FloatArray  # (m, n) how far each band moves by each station, the needle as it is, in ln(lambda) [1/mm]
    supported: NDArray[np.bool_]  # (n,) stations the data speak for

    def removal_mm(self) -> FloatArray:
        """Removal at every station."""
        return self.problem.removal_mm(self.x)

    def drop_mm(self) -> float:
        """Jet drop found."""
        return self.problem.drop_mm(self.x)

    def diameters_mm(self, removal_mm: FloatArray) -> tuple[FloatArray, NDArray[np.bool_]]:
        """Diameters to file to for a removal, and which stations are touched at all."""
        learned, limits = self.problem.learned, self.problem.limits
        needle = learned.setup.carburettor.needle
        measured, stations = needle.diameters_mm, needle.stations_mm
        touched = np.abs(removal_mm) > UNTOUCHED_MM
        # A new blank is turned to what is believed of the needle; a filed one keeps the metal it has.
        wanted = np.where(touched | limits.new_blank, learned.present_mm() - removal_mm, measured)
        if not limits.new_blank:
            wanted = np.minimum(wanted, measured)
        # Rounding of the exact step must not show as a thousandth of a micron of reversed taper.
        wanted = np.minimum.accumulate(wanted)
        # Nor may what is believed of the present needle carry a cut past a limit on the diameters measured.
        if not limits.new_blank:
            wanted = np.maximum(wanted, measured - limits.max_cut_mm)
            for k, fall in enumerate(limits.steepest_fall_mm(stations, measured).tolist()):
                wanted[k + 1] = max(wanted[k + 1], wanted[k] - fall)
        least = np.where(limits.kept(wanted.size), measured, limits.least_mm(wanted.size))
        least = np.maximum.accumulate(least[::-1])[::-1]
        wanted = np.maximum(wanted, np.minimum(least, measured))
        return wanted, np.asarray(wanted != measured)

    def missed(self) -> FloatArray:
        """How far each band stays from its target."""
        return np.asarray(np.expm1(self.problem.misfit(self.x)))


def best_solution(learned: Learned, target: Target, limits: Limits, *, law: Law | None = None) -> Solution:
    """Best removal and jet height under the limits; ``law`` is that of the car with parts changed since the passes."""
    _, slopes = learned.slopes(learned.present_mm(), learned.setup.carburettor.jet.drop_mm)
    by_mm = np.abs(slopes[:, :-1])
    share = by_mm / by_mm.sum(axis=1, keepdims=True)
    # Stations close together share what one would carry alone.
    supported = (share >= np.minimum(SUPPORT_SHARE, 0.5 * share.max(axis=1, keepdims=True))).any(axis=0)
    inside = np.zeros(supported.size, dtype=bool)
    inside[np.flatnonzero(supported)[0] : np.flatnonzero(supported)[-1] + 1] = True
    whole = Problem.of(learned, target, limits, inside)
    if law is not None:
        whole = replace(whole, law=law)
    problem, x, smoothness = _idle_left_alone(whole, share) or (whole, *smoothest(whole))
    problem, x = _only_what_helps(problem, smoothness, x)
    problem, x = _on_whole_flats(problem, smoothness, x)
    problem, x = _no_less_than_a_hand_turns(problem, smoothness, x)
    problem, x = _no_worse_than_it_is(whole, problem, x)
    problem, x = _carried_on(problem, smoothness, x)
    # Rounding of the exact step must not turn the nut by a hair.
    x[-1] = np.clip(x[-1], *problem.drop_range_mm)
    return Solution(problem, smoothness, x, whole, by_mm, supported)


def carries_on(learned: Learned, target: Target, limits: Limits) -> bool:
    """Whether the last band is one of full load, far enough up for what it shows to hold on to the tip."""
    lift = learned.lift_mm()
    last = int(np.argmax(lift))
    far = float(lift[last]) >= FAR_ENOUGH * learned.setup.carburettor.air_valve.travel_mm()
    return limits.carry_on and not limits.new_blank and far and target.bands.load[last] == "full"


def _carried_on(problem: Problem, smoothness: float, x: FloatArray) -> tuple[Problem, FloatArray]:
    """The solution with the change of the last band carried on past it, where that is one of full load."""
    if not carries_on(problem.learned, problem.target, problem.limits):
        return problem, x
    problem = replace(problem, carried_mm=_carried_mm(problem, x))
    if problem.carried_mm.any():
        # What is carried on acts a little on the last bands too.
        x = fit(problem, smoothness, x)
        problem = replace(problem, carried_mm=_carried_mm(problem, x))
    return problem, x


def _carried_mm(problem: Problem, x: FloatArray) -> FloatArray:
    """Metal past the stations of the data that changes ln(fuel) there as the last band's is changed, beside the taper's."""
    learned, law, limits = problem.learned, problem.law, problem.limits
    setup, drop, present = law.setup, problem.drop_mm(x), law.in_jet(learned.present_mm())
    stations = setup.carburettor.needle.stations_mm
    tip = np.arange(stations.size) > int(np.flatnonzero(problem.inside)[-1])
    # Nothing is carried past a station that is kept.
    tip &= np.cumsum(tip & limits.kept(tip.size)) == 0
    total = problem.removal_mm(x)
    removal = total - problem.carried_mm
    last = int(np.argmax(learned.lift_mm()))
    lift = np.append(learned.lift_mm()[last], stations[tip] - drop - setup.carburettor.shoulder_offset_mm)
    known = np.full(lift.size, learned.bands.depression_pa[last])
    acting: dict[str, Any] = {"drop_mm": drop, "depression_pa": known, "parameters": law.parameters(None)}
    before = np.log(fuel_flow(setup, lift, diameters_mm=present, **acting).fuel_flow_g_s)
    most = np.maximum(np.clip(present - limits.least_mm(stations.size), 0.0, limits.max_cut_mm), removal)
    fall = limits.steepest_fall_mm(stations, present)
    for _ in range(CARRYING_ROUNDS):
        flow, by = fuel_flow_and_slopes(setup, lift, diameters_mm=law.in_jet(present - total), **acting)
        change = np.log(flow.fuel_flow_g_s) - before
        step = (change[0] - change[1:]) / -by.per_mm_diameter.sum(axis=-1)[1:]
        total[tip] = np.clip(total[tip] + step, removal[tip], most[tip])
        for k in np.flatnonzero(tip).tolist():
            steepest = present[k] - present[k - 1] + total[k - 1] + fall[k - 1]
            total[k] = max(min(total[k], steepest), removal[k])
    carried = total - removal
    return np.where((carried > LEAST_CUT_MM) & (change[0] > 0.0), carried, 0.0)


def _no_worse_than_it_is(whole: Problem, problem: Problem, x: FloatArray) -> tuple[Problem, FloatArray]:
    """The solution, or nothing at all where it takes some band farther outside what is permitted than any is now."""
    as_it_is = whole.left_alone()
    aim, counts = whole.target.lambda_target, whole.target.giving_way() == 1.0
    now, then = (
        float(whole.target.excess(np.exp(misfit) * aim)[counts].max())
        for misfit in (as_it_is.misfit(as_it_is.rest()), problem.misfit(x))
    )
    return (as_it_is, as_it_is.rest()) if then > max(now, 0.0) + HARDLY else (problem, x)


def _idle_left_alone(problem: Problem, share: FloatArray) -> tuple[Problem, FloatArray, float] | None:
    """Solution that moves neither the jet nor the stations of a tested band, if it serves all others."""
    tested = problem.target.tested
    if not tested.any():
        return None
    now = problem.misfit(problem.rest())
    if (np.abs(now[tested]) > IDLE_IS_RIGHT).any():
        return None
    others = problem.free & ~(share[tested] >= SUPPORT_SHARE).any(axis=0)
    left = problem.with_free(others, drop_range_mm=(0.0, 0.0))
    x, smoothness = smoothest(left)
    misfit = left.misfit(x)
    served = np.abs(misfit[problem.target.giving_way() == 1.0]) <= MISSED_BY
    return (left, x, smoothness) if served.all() else None


def _on_whole_flats(problem: Problem, smoothness: float, x: FloatArray) -> tuple[Problem, FloatArray]:
    """The better of the two settings of the nut next to the free one, where it turns by steps only."""
    if problem.limits.flats is None:
        return problem, x
    step = FLATS[problem.limits.flats] * problem.learned.setup.carburettor.jet.flat_mm
    low, high = problem.drop_range_mm
    tried = []
    for turns in {np.floor(x[-1] / step), np.ceil(x[-1] / step)}:
        drop = float(turns * step)
        if low - 1e-9 <= drop <= high + 1e-9:
            fixed = problem.with_free(problem.free, drop_range_mm=(drop, drop))
            there = fit(fixed, smoothness, np.append(x[:-1], drop))
            tried.append((cost(fixed, smoothness, there), drop, fixed, there))
    _, _, fixed, there = min(tried, key=lambda one: one[:2])
    return fixed, there


def _no_less_than_a_hand_turns(problem: Problem, smoothness: float, x: FloatArray) -> tuple[Problem, FloatArray]:
    """The solution with the jet left, where it would turn by less than anybody sets; a trimmed idle sets it anyway."""
    learned = problem.learned
    least = LEAST_TURN_FLATS * learned.setup.carburettor.jet.flat_mm
    if not 0.0 < abs(x[-1]) < least or idle_band(learned, problem.target) is not None:
        return problem, x
    left = problem.with_free(problem.free, drop_range_mm=(0.0, 0.0))
    return left, fit(left, smoothness, np.append(x[:-1], 0.0))


def _only_what_helps(problem: Problem, smoothness: float, x: FloatArray) -> tuple[Problem, FloatArray]:
    """The solution without the cuts that the hand's own error would make worthless."""
    hand = problem.learned.doubts.hand_mm
    point = problem.point(x)
    idle = idle_band(problem.learned, problem.target)
    put_right = idle is not None and abs(float(point.misfit[idle])) <= IDLE_IS_RIGHT
    whole, best = problem, _expected_loss(problem, point, put_right=put_right)
    while True:
        x = point.x
        removal = np.abs(problem.removal_mm(x))
        small = np.flatnonzero((removal > 0.0) & (removal < WORTH_A_STROKE * hand))
        for station in small[np.argsort(removal[small])].tolist():
            free = problem.free.copy()
            free[station] = False
            fewer = problem.with_free(free)
            start = np.append(np.delete(x[:-1], int(problem.free[:station].sum())), x[-1])
            if (fewer.room(start) < -1e-9).any():
                continue
            trial = fit_from(fewer, smoothness, fewer.point(start), NEARLY_FLAT)
            then = _expected_loss(fewer, trial, put_right=put_right)
            if then <= best + WORTH_THE_WORK:
                problem, point, best = fewer, trial, min(best, then)
                break
        else:
            break
    least = best + WORTH_THE_WORK
    as_it_is = problem.left_alone()
    left = as_it_is.point(as_it_is.rest())
    if _expected_loss(as_it_is, left, put_right=put_right) <= least:
        return as_it_is, left.x
    untouched = problem.with_free(np.zeros(problem.free.size, dtype=bool))
    alone = fit_from(untouched, smoothness, untouched.point(untouched.rest()))
    if _expected_loss(untouched, alone, put_right=put_right) <= least:
        return untouched, alone.x
    return problem, x if problem is whole else fit_from(problem, smoothness, point).x


def _expected_loss(problem: Problem, point: Point, *, put_right: bool) -> float:
    """What to expect of a band, by how much each matters, after hand and nut have erred: square misfit, and bands lost."""
    learned, target = problem.learned, problem.target
    misfit, slopes = point.misfit, point.by_needle
    touched = np.abs(problem.removal_mm(point.x)) > UNTOUCHED_MM
    variance = np.zeros(misfit.size)
    if touched.any() or abs(point.x[-1]) > UNTOUCHED_MM:
        # The nut puts idle right, unless idle gives way to the others; a car left as it is keeps the idle it has.
        idle = idle_band(learned, target)
        if idle is not None and put_right:
            misfit = trimmed(misfit[:, None], slopes[:, -1], idle)[:, 0]
        hand = (trimmed(slopes[:, :-1], slopes[:, -1], idle) * learned.doubts.hand_mm * touched) ** 2
        variance = hand.sum(axis=1) + (slopes[:, -1] * nut_u_mm(learned, slopes[:, -1], idle)) ** 2
    rich, lean = np.log(target.lambda_rich / target.lambda_target), np.log(target.lambda_lean / target.lambda_target)
    band_u = np.sqrt(variance + problem.reading_u() ** 2)
    lost = ndtr((rich - misfit) / band_u) + ndtr((misfit - lean) / band_u)
    # A needle that serves is not risked for a better mean.
    loss = misfit**2 + variance + ((lean - rich) / 2.0) ** 2 * lost
    return float(np.average(loss, weights=(target.weight / target.giving_way()) ** 2))
