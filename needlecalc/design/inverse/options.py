"""What could be done where the target cannot be met, each way solved anew from end to end."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import read_only
from needlecalc.design.inverse.fit import MISSED_BY
from needlecalc.design.inverse.limits import LimitKind, Limits
from needlecalc.design.inverse.solution import Solution, best_solution
from needlecalc.design.inverse.verdict import FAR_OFF, verdict
from needlecalc.errors import SolveError
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Table
from needlecalc.units import FloatArray

JET_REACH_MM = 3.0
BORE_STEP_MM = 0.01
WIDEST_BORE_MM = 0.5  # larger than the present one
BORES_TRIED = 60
DEEPEST_CUT_MM = 2.0
THINNEST_MM = 0.3
CLEAR_OF_END_MM = 0.05
NEARER = 0.9  # of the worst miss of filing alone: what leaves more is no way


@dataclass(frozen=True, eq=False)
class Option:
    """Another way to the target, worked out.

    Parameters
    ----------
    what : str
        What to do.
    jet_drop_mm : float
        Jet drop it ends with. [mm]
    bore_mm : float
        Bore of the jet. [mm]
    status : str
        What it comes to, one sentence.
    met : bool
        Whether it meets the target, as a design of its own would say.
    worst_band : str
        Band that stays farthest from its target.
    worst_miss_percent : float
        How far; positive is lean. [%]
    largest_cut_um : float
        Most metal off any diameter, from the present needle or the thicker donor. [um]
    diameters_mm : array, shape (n,)
        Diameters it ends with. [mm]
    """

    what: str
    jet_drop_mm: float
    bore_mm: float
    status: str
    met: bool
    worst_band: str
    worst_miss_percent: float
    largest_cut_um: float
    diameters_mm: FloatArray

    def __str__(self) -> str:
        verb = "would do" if self.met else "would not do alone"
        return (
            f"{self.what} {verb}: worst miss then {self.worst_miss_percent:+.1f} % at {self.worst_band}, largest cut "
            f"{self.largest_cut_um:.0f} um."
        )


def options_table(options: tuple[Option, ...]) -> Table:
    """Options side by side, to be shown.

    Parameters
    ----------
    options : tuple of Option
        The options.

    Returns
    -------
    Table
        One row each.
    """
    columns = (
        Column("what", "option"),
        Column("jet_drop_mm", "jet drop mm", ".2f"),
        Column("bore_mm", "bore mm", ".2f"),
        Column("met", "met"),
        Column("worst_miss_percent", "worst miss %", "+.1f"),
        Column("worst_band", "at"),
        Column("largest_cut_um", "largest cut um", ".0f"),
    )
    notes = [f"{one.what}: {one.status}" for one in options]
    return Table("Options, each solved anew", columns, [vars(one) for one in options], notes=notes)


def work_out(solution: Solution) -> tuple[tuple[Option, ...], tuple[str, ...]]:
    """Options where a solution does not meet its target, each solved anew.

    Parameters
    ----------
    solution : Solution
        The least bad solution.

    Returns
    -------
    tuple of Option
        Those that meet the target, or come clearly nearer to it than the solution: the jet's height past its range, a
        thicker donor, deeper cuts, another bore; those that meet the target first.
    tuple of str
        One sentence for each that has no solution and is left out.
    """
    rich, lean = (solution.missed() < -MISSED_BY).any(), (solution.missed() > MISSED_BY).any()
    ways: list[tuple[str, Callable[[Solution], Option | None]]] = [("another height of the jet", _other_height)]
    if rich and not solution.problem.limits.new_blank:
        ways.append(("a thicker donor", _thicker_donor))
    if lean and _cut_is_limited(solution):
        ways.append(("a deeper cut", _deeper_cut))
    ways.append(("another bore of the jet", _other_bore))
    nearer = 100.0 * NEARER * float(np.abs(solution.missed()).max())
    found, left_out = [], []
    for name, way in ways:
        try:
            option = way(solution)
        except SolveError:
            left_out.append(f"Left out: with {name} the limits contradict each other, so it has no solution.")
            continue
        if option is not None and (option.met or abs(option.worst_miss_percent) < nearer):
            found.append(option)
    return tuple(sorted(found, key=lambda option: not option.met)), tuple(left_out)


def _again(solution: Solution, setup: Setup, limits: Limits) -> Solution:
    """The same car and target with other parts or limits, from what was measured with the old ones."""
    problem = solution.problem
    learned = replace(problem.learned, setup=setup)
    return best_solution(learned, problem.target, limits, law=problem.law.in_parts(setup))


def _option(what: str, then: Solution, largest_cut_mm: float | None = None) -> Option:
    problem, missed = then.problem, then.missed()
    off = np.flatnonzero(np.abs(missed) > MISSED_BY)
    names = problem.target.bands.names(off.tolist(), np.abs(missed))
    if np.abs(missed).max() > FAR_OFF:
        # Far off is not met whatever the reason; which limit is to blame would cost another solve.
        status, met = f"Not met: more than 2 % off at {names}.", False
    else:
        status, met, _ = verdict(problem, problem.limits, then.x)
    worst = int(np.argmax(np.abs(missed)))
    jet = problem.learned.setup.carburettor.jet
    cut = float(then.removal_mm().max(initial=0.0)) if largest_cut_mm is None else largest_cut_mm
    name = problem.target.bands.name(worst)
    return Option(
        what=what,
        jet_drop_mm=then.drop_mm(),
        bore_mm=jet.bore_mm,
        status=status,
        met=met,
        worst_band=name,
        worst_miss_percent=100.0 * float(missed[worst]),
        largest_cut_um=1e3 * max(cut, 0.0),
        diameters_mm=read_only(problem.learned.present_mm() - then.removal_mm(), "diameters_mm"),
    )


def _other_height(solution: Solution) -> Option | None:
    """Jet raised or lowered past the range stated, as far as needle and bridge go."""
    problem = solution.problem
    setup = problem.learned.setup
    jet, carburettor = setup.carburettor.jet, setup.carburettor
    lift, stations = problem.learned.lift_mm(), carburettor.needle.stations_mm
    off = carburettor.shoulder_offset_mm
    low = max(0.0, jet.drop_mm - JET_REACH_MM, float(stations[0] - off - lift.min()) + CLEAR_OF_END_MM)
    high = min(jet.drop_mm + JET_REACH_MM, float(stations[-1] - off - lift.max()) - CLEAR_OF_END_MM)
    now_low, now_high = jet.drop_range_mm()
    low, high = min(low, now_low), max(high, now_high)
    if low >= now_low and high <= now_high:
        return None
    free = replace(jet, drop_min_mm=low, drop_max_mm=high)
    limits = replace(problem.limits, drop_min_mm=None, drop_max_mm=None)
    then = _again(solution, replace(setup, carburettor=replace(carburettor, jet=free)), limits)
    by = then.drop_mm() - jet.drop_mm
    if abs(by) < 0.02:
        return None
    way = "Lowering" if by > 0.0 else "Raising"
    return _option(f"{way} the jet by {abs(by):.2f} mm ({abs(by) / jet.flat_mm:.1f} flats), and filing", then)


def _thicker_donor(solution: Solution) -> Option | None:
    """A donor just thick enough everywhere, found as if metal could be added, then filed."""
    problem = solution.problem
    then = _again(solution, problem.learned.setup, replace(problem.limits, new_blank=True))
    thicker = np.maximum(-then.removal_mm(), 0.0)
    where = thicker > 5e-4
    if not where.any():
        return None
    # Thicker below means thicker above: a donor tapers too.
    diameters = problem.learned.present_mm()
    donor = np.maximum.accumulate((diameters + thicker)[::-1])[::-1]
    cut = float((donor - (diameters - then.removal_mm())).max())
    most = int(np.argmax(thicker))
    at = f", most at {most + 1}" if where.sum() > 1 else ""
    return _option(f"A donor some {1e3 * thicker[most]:.0f} um thicker at {_listed(where)}{at}, then filed", then, cut)


def _cut_is_limited(solution: Solution) -> bool:
    """Whether a limit of the user's own stops the file anywhere."""
    problem = solution.problem
    at_limit = problem.limits_matrix @ solution.x - problem.limits_least < 1e-6
    stops = [limit.kind in (LimitKind.LARGEST_CUT, LimitKind.LEAST_DIAMETER) for limit in problem.limit_of_row]
    return bool((at_limit & np.array(stops)).any() or problem.limits.keep)


def _deeper_cut(solution: Solution) -> Option | None:
    """Every limit on the cut lifted."""
    problem = solution.problem
    limits = replace(problem.limits, max_cut_mm=DEEPEST_CUT_MM, least_diameter_mm=THINNEST_MM, keep=(), never_below_mm={})
    then = _again(solution, problem.learned.setup, limits)
    more = then.removal_mm() - solution.removal_mm()
    where = more > 5e-4
    if not where.any():
        return None
    what = f"Cutting up to {1e3 * more.max():.0f} um more at {_listed(where)}, past the limits stated"
    return _option(what, then)


def _other_bore(solution: Solution) -> Option | None:
    """The bore next to the present one with which no band that missed asks for what filing cannot give."""
    problem = solution.problem
    setup = problem.learned.setup
    carburettor, missed = setup.carburettor, solution.missed()
    jet, needle = carburettor.jet, carburettor.needle
    smaller = bool((missed < -MISSED_BY).any())
    clear = float(needle.diameters_mm.max()) + 2.0 * problem.limits.least_gap_mm
    end = clear if smaller else jet.bore_mm + WIDEST_BORE_MM
    if smaller and clear > jet.bore_mm - BORE_STEP_MM:
        return None
    short = missed < -MISSED_BY if smaller else missed > MISSED_BY
    for bore in np.linspace(jet.bore_mm, end, BORES_TRIED)[1:].tolist():
        trial = _with_bore(setup, bore)
        untouched = problem.with_setup(trial)
        left = untouched.misfit(solution.x if not smaller else untouched.rest())
        if ((left[short] > 0.0) if smaller else (left[short] < 0.0)).all():
            break
    bore = round((np.floor if smaller else np.ceil)(bore / BORE_STEP_MM) * BORE_STEP_MM, 6)
    bore = max(bore, round(float(np.ceil(clear / BORE_STEP_MM)) * BORE_STEP_MM, 6))
    then = _again(solution, _with_bore(setup, bore), problem.limits)
    return _option(f"A jet of {bore:.2f} mm bore in place of {jet.bore_mm:.2f} mm, needle filed", then)


def _with_bore(setup: Setup, bore_mm: float) -> Setup:
    jet = setup.carburettor.jet
    # A new jet is round.
    other = replace(jet, bore_mm=bore_mm, bore_least_mm=None)
    return replace(setup, carburettor=replace(setup.carburettor, jet=other))


def _listed(where: NDArray[np.bool_]) -> str:
    """Stations in words, runs joined."""
    numbers = (np.flatnonzero(where) + 1).tolist()
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    words = [f"{run[0]}" if len(run) == 1 else f"{run[0]} to {run[-1]}" for run in runs]
    return f"station{'s' if len(numbers) > 1 else ''} {', '.join(words)}"
