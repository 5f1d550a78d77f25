"""The fit itself: removal at every station and jet height that bring all bands nearest their targets."""

from __future__ import annotations

import numpy as np
from scipy.optimize import lsq_linear, nnls

from needlecalc.design.inverse.problem import Point, Problem
from needlecalc.errors import SolveError
from needlecalc.units import FloatArray

SMOOTHNESS_LADDER = np.logspace(1.5, -5.0, 14)
BEND_UNIT_MM = 0.01
DROP_COST_PER_MM = 0.3
REMOVAL_COST_PER_MM = 1e-3
ROUNDS = 40
SETTLED_MM = 1e-6
FLAT = 1e-9
NEARLY_FLAT = 1e-4  # of the cost: enough to tell one smoothness from the next
SHARES = 0.4 ** np.arange(1, 6)
MISSED_BY = 0.02  # of lambda: a band farther from its target is not met
HEIGHTS = 5  # of the jet's range, to start from anew
BETTER = 0.95  # of the cost
SHORTFALL = 0.25  # of what was promised
NOISE_LEFT = 0.5  # of what the noise explains: a fit takes part of the noise up, and less smoothing misses less
INFEASIBLE_BELOW = 1e-12
RANK_BELOW = 1e-13
OPTIMAL = 1e-10  # of a column's length: least slope at a minimum, as far as figures tell
CONTRADICTION = "The limits contradict each other, so no profile meets them all; relax the least gap or the largest cut."


def smoothest(problem: Problem) -> tuple[FloatArray, float]:
    """Solution of the greatest smoothness that meets the targets within the noise of lambda, and that smoothness."""
    point, smoothness = _down_the_ladder(problem, problem.point(problem.rest()))
    # Where a band crosses a station as the jet moves, the law has a kink, and a fit can stop at the wrong side of it.
    if np.abs(point.misfit).max() > MISSED_BY and np.ptp(problem.drop_range_mm) > SETTLED_MM:
        heights = np.linspace(*problem.drop_range_mm, HEIGHTS)
        starts = tuple(problem.point(np.append(problem.rest()[:-1], height)) for height in heights)
        other = _best_from(starts, problem, smoothness, NEARLY_FLAT)
        if cost(problem, smoothness, other.x) < BETTER * cost(problem, smoothness, point.x):
            point, smoothness = _down_the_ladder(problem, other)
    return point.x, smoothness


def _down_the_ladder(problem: Problem, rest: Point) -> tuple[Point, float]:
    """Fit of the greatest smoothness that serves, and that smoothness, from one start."""
    bands = problem.band_u.size
    rung, point, points, chis = 0, rest, [], []
    # Where only the jet moves, nothing is smoothed.
    for smoothness in SMOOTHNESS_LADDER[: None if problem.free.any() else 1].tolist():
        # A stiff removal can send the jet to one end of its nut, and a ridge keeps it there when it need not.
        at_an_end = bool(point.x[-1]) and problem.room(point.x)[-2:].min() < SETTLED_MM
        point = _best_from((point, rest) if at_an_end else (point,), problem, smoothness, NEARLY_FLAT)
        points.append(point)
        chis.append(float(((point.misfit / problem.drive_u) ** 2).sum()))
        # However much better the rougher ones may be, down to no misfit at all, they would not change the choice.
        rung = _chosen(chis, min(chis), bands)
        if rung == _chosen(chis, 0.0, bands):
            break
    smoothness = float(SMOOTHNESS_LADDER[rung])
    return _best_from((points[rung], rest), problem, smoothness, FLAT), smoothness


def _chosen(chis: list[float], best: float, bands: int) -> int:
    """First rung whose misfit the noise explains, or that the best allows; one past the last where none is."""
    # Bands at a limit or in conflict keep their misfit however rough the profile: compare with the best.
    allowed = max(NOISE_LEFT * bands, best + float(np.sqrt(2.0 * bands)))
    return next((rung for rung, chi in enumerate(chis) if chi <= allowed), len(chis))


def _best_from(starts: tuple[Point, ...], problem: Problem, smoothness: float, flat: float) -> Point:
    """Best of the fits from some starts."""
    smoothing = _smoothing_rows(problem, smoothness)
    ends = [fit_from(problem, smoothness, start, flat) for start in starts]
    return min(ends, key=lambda end: _cost(problem, end.misfit, smoothing @ end.x))


def fit(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """Best removal and jet height at one smoothness."""
    return fit_from(problem, smoothness, problem.point(x)).x


def fit_from(problem: Problem, smoothness: float, point: Point, flat: float = FLAT) -> Point:
    """Best removal and jet height at one smoothness, from a point on, where no step gains more than a share of the cost."""
    smoothing = _smoothing_rows(problem, smoothness)
    cost = _cost(problem, point.misfit, smoothing @ point.x)
    reach = np.inf
    for _ in range(ROUNDS):
        best, _ = _linear_step(problem, smoothing, point, reach)
        step = best - point.x
        # What the straightened law promises is all that can be gained here.
        promised = cost - _cost(problem, point.misfit + point.slopes @ step, smoothing @ best)
        if promised < flat * cost:
            break
        trial = problem.point(best)
        gained = cost - _cost(problem, trial.misfit, smoothing @ best)
        turned = abs(float(step[-1]))
        if gained < 0.0 and turned < SETTLED_MM:
            # The law bends more than it turns; every point between meets the limits, as both ends do.
            trial, gained = _part_of_the_way(problem, smoothing, point, step, cost)
        # The law is all but straight in the removal, but where a band crosses a station it has a kink in the jet's
        # height, so it is the jet that must not go too far at once.
        if gained < SHORTFALL * promised:
            reach = max(turned / 4.0, SETTLED_MM)
        elif gained > (1.0 - SHORTFALL) * promised and turned > 0.99 * reach:
            reach *= 2.0
        if gained < 0.0:
            if turned < SETTLED_MM:
                break
            continue
        point, cost = trial, cost - gained
        if np.abs(step).max() < SETTLED_MM or (gained < flat * cost and turned < reach / 2.0):
            break
    return point


def _part_of_the_way(
    problem: Problem, smoothing: FloatArray, point: Point, step: FloatArray, cost: float
) -> tuple[Point, float]:
    """As much of a step as lowers the cost, and by how much; a loss where none does."""
    gained = -np.inf
    for share in SHARES.tolist():
        x = point.x + share * step
        gained = cost - _cost(problem, problem.misfit(x), smoothing @ x)
        if gained >= 0.0:
            return problem.point(x), gained
    return point, gained


def forces(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """How hard each limit holds the solution back."""
    _, force = _linear_step(problem, _smoothing_rows(problem, smoothness), problem.point(x), np.inf)
    return force[: len(problem.rows.limits)]


def _linear_step(problem: Problem, smoothing: FloatArray, point: Point, reach_mm: float) -> tuple[FloatArray, FloatArray]:
    """Exact solution of the linear problem around a point, the jet within reach, with multipliers of limits and tests."""
    slopes, there, drop, tests = point.slopes, point.slopes @ point.x, float(point.x[-1]), problem.least_misfit
    rows = np.concatenate([slopes / problem.band_u[:, None], smoothing])
    aims = np.concatenate([(there - point.misfit) / problem.band_u, np.zeros(smoothing.shape[0])])
    matrix, least = problem.rows.matrix, problem.rows.least.copy()
    # The last bit of a height may lie outside the nut's range; what is within reach must not.
    inside = min(max(drop, least[-2]), -least[-1])
    least[-2:] = np.maximum(least[-2:], [inside - reach_mm, -inside - reach_mm])
    kept = np.isfinite(tests)
    if kept.any():
        bounds = (tests - point.misfit + there)[kept]
        if (bounds > there[kept] + 1e-12).any():
            # A bend of the law must not shut out the point that changes nothing.
            rest = problem.rest()
            bounds = np.minimum(bounds, slopes[kept] @ rest)
            # Nor the point itself, where that one is out of the jet's reach.
            bounds = bounds if abs(rest[-1] - drop) <= reach_mm else np.minimum(bounds, there[kept])
        matrix, least = np.concatenate([matrix, slopes[kept]]), np.concatenate([least, bounds])
    return least_squares_with_inequalities(rows, aims, matrix, least)


def response(problem: Problem, smoothness: float, x: FloatArray) -> FloatArray:
    """How far the solution moves when a band turns out leaner."""
    here = problem.point(x)
    misfit, slopes = here.misfit, here.slopes
    rows = np.vstack([slopes / problem.band_u[:, None], _smoothing_rows(problem, smoothness)])
    active = np.vstack([problem.rows.matrix[problem.at_limits(x)], slopes[misfit - problem.least_misfit < 1e-6]])
    moves = np.eye(x.size)
    if active.size:
        _, sizes, right = np.linalg.svd(np.linalg.qr(active, mode="r"))
        moves = right[int((sizes > 1e-9 * sizes[0]).sum()) :].T
    if not moves.size:
        return np.zeros((x.size, problem.band_u.size))
    # Rows as many as the bands, columns but as many as the moves: never a matrix of bands by bands.
    q, r = np.linalg.qr(rows @ moves)
    return np.asarray(moves @ np.linalg.solve(r, -q[: problem.band_u.size].T / problem.band_u))


def _smoothing_rows(problem: Problem, smoothness: float) -> FloatArray:
    """Rows that keep the removal smooth, all along the stations inside the data, and small."""
    count = int(problem.free.sum()) + 1
    inside = np.flatnonzero(problem.inside)
    gaps = np.diff(problem.learned.setup.carburettor.needle.stations_mm[inside])
    mean, row = (gaps[:-1] + gaps[1:]) / 2.0, np.arange(max(gaps.size - 1, 0))
    # Nothing is taken off a station left alone, and the profile bends there like anywhere else.
    every, first = np.zeros((row.size, problem.free.size)), inside[: row.size]
    every[row, first], every[row, first + 2] = mean / gaps[:-1], mean / gaps[1:]
    every[row, first + 1] = -every[row, first] - every[row, first + 2]
    bend = np.zeros((row.size, count))
    bend[:, :-1] = every[:, problem.free] * np.sqrt(smoothness) / BEND_UNIT_MM
    small = np.full(count, REMOVAL_COST_PER_MM)
    small[-1] = DROP_COST_PER_MM
    return np.concatenate([bend, np.diag(small)])


def cost(problem: Problem, smoothness: float, x: FloatArray) -> float:
    """What the fit makes least: misfit over uncertainty, and what keeps the removal smooth and small."""
    return _cost(problem, problem.misfit(x), _smoothing_rows(problem, smoothness) @ x)


def _cost(problem: Problem, misfit: FloatArray, kept: FloatArray) -> float:
    # A test missed costs more than any target met could gain.
    short = np.maximum(problem.least_misfit - misfit, 0.0).sum() * 10.0 / problem.band_u.min() ** 2
    missed = misfit / problem.band_u
    return float(missed @ missed + kept @ kept + short)


def least_squares_with_inequalities(
    matrix: FloatArray, wanted: FloatArray, bounds_matrix: FloatArray, bounds: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Vector *x* least in |Ex - f| under Gx >= h, with the multiplier of each inequality (zero where it is not active)."""
    # Problem LSI turned by an orthogonal factorisation into a least distance problem, and that into non-negative least
    # squares (Lawson and Hanson, Solving Least Squares Problems, SIAM, 1995, chapter 23).
    count = matrix.shape[1]
    # With f as a last column the factor holds Q^T f as well, and Q is never formed.
    factor = np.asarray(np.linalg.qr(np.column_stack([matrix, wanted]), mode="r"))
    r, aimed = factor[:count, :count], factor[:count, count]
    diagonal, length = np.abs(np.diag(r)), np.linalg.norm(matrix, axis=0)
    if diagonal.size < count or (diagonal <= RANK_BELOW * length).any():
        msg = (
            "The bands do not determine every unknown of the fit, so it has no single answer; give more bands or free less."
        )
        raise SolveError(msg)
    force = np.zeros(bounds.size)
    # A row of zeros asks nothing of the vector: it holds or it does not.
    asks = bounds_matrix.any(axis=1)
    if (bounds[~asks] > 0.0).any():
        raise SolveError(CONTRADICTION)
    bounds_matrix, bounds = bounds_matrix[asks], bounds[asks]
    # In z = R x - Q^T f the least vector is zero, and the limits are those below.
    # Limits that are opposite must stay so to the last bit. Matrix kernels may round a row by its place; einsum does not.
    moved = np.einsum("ij,jk->ik", bounds_matrix, np.linalg.inv(r))
    need = bounds - np.einsum("ij,j->i", moved, aimed)
    if (need <= 0.0).all():
        return np.linalg.solve(r, aimed), force
    size = np.linalg.norm(moved, axis=1)
    # Scaled by what is farthest from being met: beside the room of what is met with ease nnls loses the small figures.
    scale = float(np.max(need / size))
    system = np.vstack([(moved / size[:, None]).T, need / size / scale])
    aim = np.zeros(system.shape[0])
    aim[-1] = 1.0
    rest = system @ (weights := _non_negative(system, aim)) - aim
    if -rest[-1] < INFEASIBLE_BELOW:
        raise SolveError(CONTRADICTION)
    step = rest[:-1] / -rest[-1] * scale
    force[asks] = weights / -rest[-1] * scale / size
    return np.linalg.solve(r, aimed + step), force


def _non_negative(system: FloatArray, aim: FloatArray) -> FloatArray:
    """Weights of no less than zero least in |system w - aim|."""
    most = 50 * system.shape[1]
    try:
        weights = nnls(system, aim, maxiter=most)[0]
    except RuntimeError:  # it went round in circles
        weights = np.full(system.shape[1], np.nan)
    slope = system.T @ (system @ weights - aim)
    # Where two limits are all but opposite nnls can return weights that are no minimum: another way round then.
    if not (slope >= -OPTIMAL * np.linalg.norm(system, axis=0)).all():
        weights = lsq_linear(system, aim, (0.0, np.inf), method="bvls", tol=1e-15, max_iter=most).x
    return np.asarray(weights)
