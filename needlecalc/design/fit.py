"""The fit itself: removal at every station and jet height that bring all bands nearest their targets."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.learned import Learned
from needlecalc.design.leastsquares import least_squares_with_inequalities
from needlecalc.design.limits import Limits
from needlecalc.design.predict import fuel_of, pressure_per_mm_drop
from needlecalc.design.target import Target
from needlecalc.units import FloatArray

SMOOTHNESS_LADDER = np.logspace(1.5, -5.0, 14)
BEND_UNIT_MM = 0.01
DROP_RELUCTANCE_PER_MM = 0.3
REMOVAL_RELUCTANCE_PER_MM = 1e-3
ROUNDS = 25
SETTLED_MM = 1e-5
FLAT = 1e-8
NOTHING_TO_GAIN = 1e-11
SHARES = 0.4 ** np.arange(6)
FLOOR_OF_DOUBT = 1e-4
TEST_SLACK = 1e-5  # of ln lambda: the point that changes nothing must not lie on the very edge
SURE = 1.645  # standard uncertainties on one side: 95 %


@dataclass(frozen=True)
class Problem:
    """Everything that stays while removal and smoothness are sought.

    Parameters
    ----------
    learned : Learned
        The car as believed.
    target : Target
        What is asked.
    noise : array, shape (m,)
        Doubt of ln(lambda) now: how near the targets are worth meeting. [-]
    doubt : array, shape (m,)
        The same with the repeatability of a reading: how little each band weighs. [-]
    start : array, shape (m,)
        ln(lambda) plus gain times ln(fuel), which no needle changes. [-]
    care : array, shape (m,)
        How much each band matters; little where it gives way to another. [-]
    inside : array of bool, shape (n,)
        Stations the data speak for, and those between them.
    free : array of bool, shape (n,)
        Stations of these that may change.
    limits_matrix, limits_least, names
        Limits as rows of G x >= h, with their names.
    limits : Limits
        The limits behind them.
    drop_range_mm : tuple of float
        Least and greatest change of jet drop. [mm]
    tested : array, shape (m,)
        Misfit a band with a test must keep so that it passes with 95 % chance; minus infinity without one. [-]
    depression_pa : array, shape (m,)
        Depression over the jet at the lifts believed, which no needle changes. [Pa]
    """

    learned: Learned
    target: Target
    noise: FloatArray
    doubt: FloatArray
    start: FloatArray
    care: FloatArray
    inside: NDArray[np.bool_]
    free: NDArray[np.bool_]
    limits_matrix: FloatArray
    limits_least: FloatArray
    names: tuple[str, ...]
    limits: Limits
    drop_range_mm: tuple[float, float]
    tested: FloatArray
    depression_pa: FloatArray

    @classmethod
    def of(
        cls, learned: Learned, target: Target, limits: Limits, inside: NDArray[np.bool_], giving_way: FloatArray
    ) -> Problem:
        """The problem of a target, a car and its limits.

        Parameters
        ----------
        learned : Learned
            The car as believed.
        target : Target
            What is asked.
        limits : Limits
            What a file may do.
        inside : array of bool, shape (n,)
            Stations the data speak for, and those between them.
        giving_way : array, shape (m,)
            Factor on the doubt of bands that give way to others. [-]

        Returns
        -------
        Problem
            Ready to be solved.
        """
        setup = learned.setup
        drop = setup.carburettor.jet.drop_mm
        present = learned.present_mm()
        noise = np.maximum(learned.lambda_now_u(), FLOOR_OF_DOUBT) * giving_way
        doubt = np.hypot(noise, learned.doubts.repeatability * giving_way) / target.weight
        care = target.weight / giving_way
        # Beyond the data the tip follows only as far as the taper needs.
        free = inside | (np.arange(inside.size) > int(np.flatnonzero(inside)[-1]))
        free &= ~limits.kept(free.size)
        turn = _turn(learned)
        sure = np.hypot(learned.lambda_now_u(), learned.doubts.sensor_offset / target.lambda_rich)
        tested = np.where(target.tested, np.log(target.lambda_rich / target.lambda_target) + SURE * sure, -np.inf)
        lift = learned.on_needle(learned.lift_mm(), drop)
        depression = setup.carburettor.depression_pa(lift, learned.bands.depression_pa)
        rows = limits.inequalities(setup, free, *turn)
        blank = np.zeros(noise.size)
        problem = cls(learned, target, noise, doubt, blank, care, inside, free, *rows, limits, turn, tested, depression)
        fuel, _ = problem.fuel(present, drop)
        return replace(problem, start=np.log(learned.lambda_now()) + problem.gain() * fuel)

    def rest(self) -> FloatArray:
        """Solution that changes nothing, or no more than the range of the drop forces.

        Returns
        -------
        array, shape (free + 1,)
            Removal at every free station, then change of jet drop. [mm]
        """
        x = np.zeros(int(self.free.sum()) + 1)
        x[-1] = np.clip(0.0, *self.drop_range_mm)
        return x

    def least_misfit(self) -> FloatArray:
        """Misfit each tested band must keep: what its test needs, or what it has now where that is less.

        Returns
        -------
        array, shape (m,)
            Least misfit; minus infinity for bands without a test. [-]
        """
        if not np.isfinite(self.tested).any():
            return self.tested
        now, _ = self.misfit(self.rest())
        return np.minimum(self.tested, now - TEST_SLACK)

    def gain(self) -> float:
        """Flow gain believed.

        Returns
        -------
        float
            Change of fuel seen over change computed. [-]
        """
        return float(self.learned.mean[0])

    def fuel(self, diameters_mm: FloatArray, drop_mm: float) -> tuple[FloatArray, FloatArray]:
        """ln(fuel) of each band and its slopes by diameters and jet drop.

        Parameters
        ----------
        diameters_mm : array, shape (n,)
            True diameters. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (m,)
            ln(fuel). [-]
        array, shape (m, n + 1)
            Slopes. [1/mm]
        """
        lift, nature = self.learned.lift_and_nature(self.learned.mean)
        lift = self.learned.on_needle(lift, drop_mm)
        known = self.depression_pa
        # What is believed of neighbouring diameters may differ by a groove, in which a touching needle would not fit.
        turned = self.learned.in_jet(diameters_mm)
        flow, slopes = fuel_of(
            self.learned.setup, lift, diameters_mm=turned, drop_mm=drop_mm, depression_pa=known, nature=nature
        )
        head = pressure_per_mm_drop(self.learned.setup, lift, drop_mm=drop_mm, depression_pa=known)
        by_drop = slopes.per_mm_position + slopes.per_ln_pressure * head
        return np.log(flow.fuel_flow_g_s), np.column_stack([slopes.per_mm_diameter, by_drop])

    def true_diameters(self, x: FloatArray) -> FloatArray:
        """Diameters after a removal.

        Parameters
        ----------
        x : array, shape (free + 1,)
            Removal at every free station, then change of jet drop. [mm]

        Returns
        -------
        array, shape (n,)
            True diameters. [mm]
        """
        diameters = np.array(self.learned.present_mm())
        diameters[self.free] -= x[:-1]
        return self.learned.in_jet(diameters)

    def misfit(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """ln(lambda / target) of each band after a removal, and its slopes.

        Parameters
        ----------
        x : array, shape (free + 1,)
            Removal at every free station, then change of jet drop. [mm]

        Returns
        -------
        array, shape (m,)
            Misfit; positive is lean. [-]
        array, shape (m, free + 1)
            Slopes. [1/mm]
        """
        drop = self.learned.setup.carburettor.jet.drop_mm + float(x[-1])
        fuel, slopes = self.fuel(self.true_diameters(x), drop)
        # Metal beyond the data is not taken to help a band: it goes only where the taper asks for it.
        by_diameter = np.where(self.inside, slopes[:, :-1], 0.0)[:, self.free]
        by_x = self.gain() * np.column_stack([by_diameter, -slopes[:, -1]])
        return self.start - self.gain() * fuel - np.log(self.target.lambda_target), by_x

    def with_free(
        self,
        free: NDArray[np.bool_],
        limits: Limits | None = None,
        drop_range_mm: tuple[float, float] | None = None,
    ) -> Problem:
        """The same problem with other stations free, other limits or another range of the jet.

        Parameters
        ----------
        free : array of bool, shape (n,)
            Stations that may change.
        limits : Limits or None
            What a file may do; as before when not given.
        drop_range_mm : tuple of float or None
            Range of the change of jet drop; as before when not given. [mm]

        Returns
        -------
        Problem
            A new problem.
        """
        limits = limits or self.limits
        turn = drop_range_mm or self.drop_range_mm
        matrix, least, names = limits.inequalities(self.learned.setup, free, *turn)
        return replace(
            self,
            free=free,
            limits=limits,
            drop_range_mm=turn,
            limits_matrix=matrix,
            limits_least=least,
            names=names,
        )


def _turn(learned: Learned) -> tuple[float, float]:
    """Least and greatest change of jet drop: what the nut allows, and no band off the needle's table."""
    carburettor = learned.setup.carburettor
    low, high = carburettor.jet.drop_range_mm()
    drop = carburettor.jet.drop_mm
    stations, place = carburettor.needle.stations_mm, carburettor.position_mm(learned.lift_mm())
    # Nothing is known of the needle past its table.
    return max(low - drop, min(stations[0] - place.min(), 0.0)), min(high - drop, max(stations[-1] - place.max(), 0.0))


def smoothest(problem: Problem) -> tuple[FloatArray, float]:
    """Solution of the greatest smoothness that meets the targets within the noise of lambda.

    Parameters
    ----------
    problem : Problem
        The problem.

    Returns
    -------
    array, shape (free + 1,)
        Removal at every free station, then change of jet drop. [mm]
    float
        Smoothness chosen.

    Notes
    -----
    Discrepancy principle: of a ladder of smoothness weights the greatest whose misfit is no more than the
    noise explains, or than the best any weight reaches allows.
    """
    x = problem.rest()
    tried = []
    for smoothness in SMOOTHNESS_LADDER:
        x = _better(problem, float(smoothness), x)
        misfit, _ = problem.misfit(x)
        # Bands at a limit or in conflict keep their misfit however rough the profile: compare with the best.
        tried.append((x, float(smoothness), float(((misfit / problem.noise) ** 2).sum())))
    best = min(chi for _, _, chi in tried)
    bands = float(problem.doubt.size)
    allowed = max(bands, best + np.sqrt(2.0 * bands))
    for x, smoothness, chi in tried:
        if chi <= allowed:
            return x, smoothness
    return tried[-1][0], tried[-1][1]


def _better(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """Best fit from where the stiffer one ended and, if the jet met an end there, from the needle as it is."""
    # A stiff removal can send the jet to one end of its nut, and a ridge keeps it there when it need not.
    room = [row @ x - least for row, least in zip(problem.limits_matrix[-2:], problem.limits_least[-2:], strict=True)]
    starts = (x, problem.rest()) if x[-1] and min(room) < SETTLED_MM else (x,)
    return min((fit(problem, smoothness, start) for start in starts), key=lambda end: cost(problem, smoothness, end))


def fit(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """Best removal and jet height at one smoothness.

    Parameters
    ----------
    problem : Problem
        The problem.
    smoothness : float
        Weight of the bend of the removal.
    x : array, shape (free + 1,)
        Where to start. [mm]

    Returns
    -------
    array, shape (free + 1,)
        Removal at every free station, then change of jet drop. [mm]

    Notes
    -----
    Gauss-Newton; each linear step is solved exactly under all limits.
    """
    keeps = _keeps(problem, smoothness)
    tests = problem.least_misfit()
    misfit, slopes = problem.misfit(x)
    cost = _cost(problem, misfit, keeps @ x, tests)
    for _ in range(ROUNDS):
        best, _ = _linear_step(problem, keeps, tests, x, misfit, slopes)
        step = best - x
        # What the straightened law promises is all that can be gained here.
        promised = _cost(problem, misfit + slopes @ step, keeps @ best, tests)
        if cost - promised < NOTHING_TO_GAIN * cost:
            break
        # Both ends meet the limits, so every point between does; halve until the true cost falls.
        for share in SHARES:
            trial = x + share * step
            misfit_then, slopes_then = problem.misfit(trial)
            cost_then = _cost(problem, misfit_then, keeps @ trial, tests)
            if cost_then <= cost:
                break
        else:
            return x
        gained = cost - cost_then
        x, misfit, slopes, cost = trial, misfit_then, slopes_then, cost_then
        # Where a band crosses a station the cost has a kink, at which steps shrink for ever.
        if np.abs(share * step).max() < SETTLED_MM or gained < FLAT * cost:
            break
    return x


def forces(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """How hard each limit holds the solution back.

    Parameters
    ----------
    problem : Problem
        The problem.
    smoothness : float
        Smoothness of the solution.
    x : array, shape (free + 1,)
        The solution. [mm]

    Returns
    -------
    array, shape (k,)
        Multiplier of each limit, in the order of ``problem.names``; zero where it does not bind. [1/mm]
    """
    misfit, slopes = problem.misfit(x)
    _, force = _linear_step(problem, _keeps(problem, smoothness), problem.least_misfit(), x, misfit, slopes)
    return force[: len(problem.names)]


def _linear_step(
    problem: Problem, keeps: FloatArray, tests: FloatArray, x: FloatArray, misfit: FloatArray, slopes: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Exact solution of the linear problem around x, with the multipliers of limits and tests."""
    rows = np.vstack([slopes / problem.doubt[:, None], keeps])
    aims = np.concatenate([(slopes @ x - misfit) / problem.doubt, np.zeros(keeps.shape[0])])
    held = np.isfinite(tests)
    bounds = (tests - misfit + slopes @ x)[held]
    if (bounds > slopes[held] @ x + 1e-12).any():
        # A bend of the law must not shut out the point that changes nothing.
        bounds = np.minimum(bounds, slopes[held] @ problem.rest())
    matrix = np.vstack([problem.limits_matrix, slopes[held]])
    return least_squares_with_inequalities(rows, aims, matrix, np.concatenate([problem.limits_least, bounds]))


def response(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """How far the solution moves when a band turns out leaner.

    Parameters
    ----------
    problem : Problem
        The problem.
    smoothness : float
        Smoothness of the solution.
    x : array, shape (free + 1,)
        The solution. [mm]

    Returns
    -------
    array, shape (free + 1, m)
        Change of removal and jet drop per unit of ln(lambda); what is at a limit stays there. [mm]
    """
    misfit, slopes = problem.misfit(x)
    rows = np.vstack([slopes / problem.doubt[:, None], _keeps(problem, smoothness)])
    at_limit = problem.limits_matrix @ x - problem.limits_least < 1e-7
    binding = np.vstack([problem.limits_matrix[at_limit], slopes[misfit - problem.least_misfit() < 1e-6]])
    moves = np.eye(x.size)
    if binding.size:
        _, sizes, right = np.linalg.svd(np.linalg.qr(binding, mode="r"))
        moves = right[int((sizes > 1e-9 * sizes[0]).sum()) :].T
    if not moves.size:
        return np.zeros((x.size, problem.doubt.size))
    # Rows as many as the bands, columns but as many as the moves: never a matrix of bands by bands.
    q, r = np.linalg.qr(rows @ moves)
    return np.asarray(moves @ np.linalg.solve(r, -q[: problem.doubt.size].T / problem.doubt))


def _keeps(problem: Problem, smoothness: float) -> FloatArray:
    """Rows that keep the removal smooth and small."""
    count = int(problem.free.sum()) + 1
    inner = int(problem.inside[problem.free].sum())
    bend = np.zeros((max(inner - 2, 0), count))
    stations = problem.learned.setup.carburettor.needle.stations_mm[problem.free]
    for k in range(bend.shape[0]):
        left, right = stations[k + 1] - stations[k], stations[k + 2] - stations[k + 1]
        mean = (left + right) / 2.0
        bend[k, k : k + 3] = [mean / left, -mean / left - mean / right, mean / right]
    bend *= np.sqrt(smoothness) / BEND_UNIT_MM
    reluctance = np.full(count, REMOVAL_RELUCTANCE_PER_MM)
    reluctance[-1] = DROP_RELUCTANCE_PER_MM
    return np.vstack([bend, np.diag(reluctance)])


def cost(problem: Problem, smoothness: float, x: FloatArray) -> float:
    """What the fit makes least: misfit over doubt, and what keeps the removal smooth and small.

    Parameters
    ----------
    problem : Problem
        The problem.
    smoothness : float
        Weight of the bend of the removal.
    x : array, shape (free + 1,)
        Any removal and change of drop. [mm]

    Returns
    -------
    float
        Sum of squares. [-]
    """
    misfit, _ = problem.misfit(x)
    return _cost(problem, misfit, _keeps(problem, smoothness) @ x, problem.least_misfit())


def _cost(problem: Problem, misfit: FloatArray, kept: FloatArray, tests: FloatArray) -> float:
    # A test missed costs more than any target met could gain.
    short = np.maximum(tests - misfit, 0.0).sum() * 10.0 / problem.doubt.min() ** 2
    return float(((misfit / problem.doubt) ** 2).sum() + (kept**2).sum() + short)
