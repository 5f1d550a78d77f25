"""The whole problem of a needle: its optimum certified, and by general solvers."""

from __future__ import annotations

import itertools
from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from scipy.optimize import minimize, nnls
from test_least_squares import feasible

import needlecalc as nc
from needlecalc.design.inverse.fit import cost, fit, least_squares_with_inequalities, response, smoothest
from needlecalc.design.inverse.problem import Problem

SHARE = 1e-6  # of the cost: what counts as more


# --- the whole design ------------------------------------------------------------------------------------------------


def problem_of(measured, wanted=0.95, lifts=None, limits=None, jet=None, se=0.01):
    setup = make_setup(**(jet or {}))
    lifts = np.linspace(2, 26, len(measured)) if lifts is None else lifts
    target = asked(setup, lifts, measured, wanted, lambda_se=se)
    learned = nc.learn(target.bands, setup)
    return Problem.of(learned, target, limits or nc.Limits(), np.ones(STATIONS_MM.size, dtype=bool))


def test_another_height_of_the_jet_is_found_where_the_near_one_does_not_serve():
    # Bands that pull apart: downhill from the present height the fit stops 0.3 mm up, at a kink, at a cost of 75.
    stations = np.arange(16) * 2.54
    needle = nc.Needle("sixteen", stations, np.interp(stations, [0.0, 6.35, 15.9, 38.1], [2.45, 2.36, 2.19, 1.66]))
    setup = make_setup(drop_min_mm=0.4, drop_max_mm=2.5).with_needle(needle)
    lifts, wanted = [2.0, 5.74, 6.65, 9.26, 12.48], [0.95, 0.89, 1.0, 0.98, 0.884]
    target = asked(setup, lifts, [1.014, 1.084, 0.904, 0.964, 1.051], wanted, lift_u_mm=0.5, lambda_se=0.02)
    learned = nc.learn(target.bands, setup)
    inside = stations < 26.0
    problem = Problem.of(learned, target, nc.Limits(), inside)
    x, smoothness = smoothest(problem)
    for height in np.linspace(*problem.drop_range_mm, 9):
        start = problem.rest()
        start[-1] = height
        assert cost(problem, smoothness, x) <= 1.05 * cost(problem, smoothness, fit(problem, smoothness, start))


def residuals(problem, smoothness):
    """What the fit squares and adds, written afresh from its description: misfit over doubt, bend and size of a removal."""
    setup, bands, drop = problem.learned.setup, problem.target.bands, problem.learned.setup.carburettor.jet.drop_mm
    lean = np.log(
        bands.lambda_measured / problem.target.lambda_target * nc.parts.fuel_flow(setup, bands.lift_mm).fuel_flow_g_s
    )
    # Of the mean, then of one more reading.
    doubt = np.hypot(np.hypot(bands.lambda_se / bands.lambda_measured, 0.004), 0.004)

    def at(x):
        removal = x[:-1]
        flow = nc.parts.fuel_flow(setup, bands.lift_mm, diameters_mm=DIAMETERS_MM - removal, drop_mm=drop + x[-1])
        bend = np.sqrt(smoothness) * np.diff(removal[problem.inside], 2) / 0.01
        return np.concatenate([(lean - np.log(flow.fuel_flow_g_s)) / doubt, bend, 1e-3 * removal, [0.3 * x[-1]]])

    return at


def total(squared, x):
    return float((squared(x) ** 2).sum())


def kinks(problem):
    """Turns of the jet at which a band crosses a station: there the slope of the misfit by the turn jumps."""
    places = problem.learned.setup.carburettor.position_mm(problem.target.bands.lift_mm)
    return np.unique(STATIONS_MM[:, None] - places)


def gap(squared, x, g, h, edges, step=1e-6):
    """How much lower than at x the cost can get within the limits, at most, as a share of it.

    Weak duality: whatever multipliers of zero or more the limits are given, no point within them costs less than the
    Lagrangian at its least.  That least is known in closed form where the residuals are straight, as they nearly are
    between one kink and the next; so each such piece of the jet's range that x lies in or within 1 um of is looked at.
    The multipliers are those of the nearest point by non-negative least squares; poor ones could only widen the gap.
    """
    cost = total(squared, x)
    turn, worst = np.eye(x.size)[-1], 0.0
    for low, high in itertools.pairwise(edges):
        if not low - 1e-3 <= x[-1] <= high + 1e-3:
            continue
        at = x + (np.clip(x[-1], low, high) - x[-1]) * turn
        inwards = 1.0 if high - at[-1] > at[-1] - low else -1.0
        there = squared(at)
        slopes = [(squared(at + move) - squared(at - move)) / (2 * step) for move in step * np.eye(x.size)[:-1]]
        slopes.append((squared(at + inwards * step * turn) - there) / (inwards * step))
        rows, least = np.vstack([g, turn, -turn]), np.append(h, [low, -high])
        q, r = np.linalg.qr(np.column_stack(slopes))
        steep, moved = q.T @ there, np.linalg.solve(r.T, rows.T).T
        # In z = r d + steep the limits are moved z >= need, and |z|^2 - force (moved z - need) is least in closed form.
        need = moved @ steep - np.maximum(rows @ at - least, 0.0)
        force = np.zeros(need.size)
        if (scale := need.max()) > 0.0:
            weights, _ = nnls(np.vstack([moved.T, need / scale]), np.append(np.zeros(x.size), 1.0))
            force = 2.0 * scale * weights / (1.0 - need @ weights / scale)
        bound = there @ there - steep @ steep - (moved.T @ force / 2.0) @ (moved.T @ force / 2.0) + need @ force
        worst = max(worst, cost - bound)
    return worst / cost


def spoiled(x, g, h, size):
    """The solution with one station, the jet or all of them moved so far, then brought back within the limits."""
    moves = np.vstack([np.eye(x.size), -np.eye(x.size), np.random.default_rng(5).choice([-1.0, 1.0], (6, x.size))])
    return [feasible(g, h, x + size * move) for move in moves]


def certify(squared, x, g, h, edges):
    """x is the optimum, and the certificate can tell: it fails what is spoiled as soon as that costs more."""
    assert (g @ x >= h - 1e-9).all()
    assert gap(squared, x, g, h, edges) < SHARE / 2
    least = total(squared, x)
    for size in (0.001, 0.003, 0.01):
        worse = [other for other in spoiled(x, g, h, size) if total(squared, other) > least * (1 + SHARE)]
        assert len(worse) > x.size / 2  # both ways along each, but where a limit or a flat direction is met
        assert min(gap(squared, other, g, h, edges) for other in worse) > SHARE / 2


CASES = {
    "lean all over": ({"measured": np.linspace(1.0, 1.1, 9)}, 0.1),
    "jet free": ({"measured": np.linspace(1.0, 1.1, 9), "jet": {"drop_min_mm": 0.8, "drop_max_mm": 2.5}}, 0.1),
    "biased, rough": ({"measured": np.linspace(1.1, 1.0, 9), "jet": {"mounting": "biased"}}, 1e-3),
    "must stop at metal": ({"measured": np.array([1.1, 0.9, 1.05, 0.92, 1.0, 1.1, 0.9, 1.0, 1.05])}, 1e-3),
    "largest cut binds": ({"measured": np.full(9, 1.2), "limits": nc.Limits(max_cut_mm=0.03)}, 1e-2),
    "new blank": ({"measured": np.linspace(0.85, 1.1, 9), "limits": nc.Limits(new_blank=True)}, 1e-2),
}


@pytest.mark.parametrize("name", CASES)
def test_the_whole_design_is_the_optimum(name):
    given_, smoothness = CASES[name]
    problem = problem_of(**given_)
    x = fit(problem, smoothness, problem.rest())
    g, h = problem.rows.matrix, problem.rows.least

    squared = residuals(problem, smoothness)
    certify(squared, x, g, h, kinks(problem))
    for start in (problem.rest(), feasible(g, h, np.random.default_rng(3).uniform(0.0, 0.1, x.size))):
        assert total(squared, x) <= general_solver(squared, start, g, h) * (1 + SHARE)
        assert total(squared, x) <= total(squared, fit(problem, smoothness, start)) * (1 + SHARE)


def general_solver(squared, start, g, h, unit=0.01):
    """Least cost by sequential quadratic programming with its own finite differences, in steps of 10 um.

    It stops early, on some processors more than on others: it may be beaten, but must not win.
    """
    other = minimize(
        lambda v: total(squared, feasible(g, h, v * unit)), start / unit, method="SLSQP",
        constraints={"type": "ineq", "fun": lambda v: g @ v - h / unit, "jac": lambda v: g},
        options={"ftol": 1e-11, "maxiter": 300},
    )  # fmt: skip
    return total(squared, feasible(g, h, other.x * unit))


def test_where_it_starts_does_not_matter():
    problem = problem_of(np.linspace(1.0, 1.1, 9), jet={"drop_min_mm": 0.8, "drop_max_mm": 2.5})
    size = int(problem.free.sum()) + 1
    zero = fit(problem, 0.1, np.zeros(size))
    rng = np.random.default_rng(2)
    for _ in range(3):
        start = least_squares_with_inequalities(
            np.eye(size), rng.uniform(0.0, 0.15, size), problem.rows.matrix, problem.rows.least
        )[0]
        np.testing.assert_allclose(fit(problem, 0.1, start), zero, atol=1e-5)


def test_the_smoothness_chosen_is_the_greatest_that_meets_the_noise():
    bump = np.array([1.0, 1.0, 1.02, 1.1, 1.12, 1.1, 1.02, 1.0, 1.0])
    problem = problem_of(bump, se=0.02)
    x, smoothness = smoothest(problem)
    chi = ((problem.misfit(x) / problem.drive_u) ** 2).sum()
    rough = ((problem.misfit(fit(problem, smoothness / 1e3, x)) / problem.drive_u) ** 2).sum()
    assert chi <= max(9.0, rough + np.sqrt(18.0))
    stiffer = fit(problem, smoothness * 10**0.5, x)
    assert ((problem.misfit(stiffer) / problem.drive_u) ** 2).sum() > chi
    # Less noise asks for a nearer fit and allows more bend.
    near, less = smoothest(problem_of(bump, se=0.0005))
    assert less < smoothness
    assert np.abs(problem.misfit(near)).max() < np.abs(problem.misfit(x)).max()


def test_response_is_how_the_solution_moves():
    problem = problem_of(np.linspace(1.02, 1.1, 9))
    x = fit(problem, 0.1, np.zeros(int(problem.free.sum()) + 1))
    moves = response(problem, 0.1, x)
    for band in (0, 4, 8):
        leaner = np.zeros(9)
        leaner[band] = 1e-4
        other = replace(problem, law=problem.law.shifted(leaner))
        seen = (fit(other, 0.1, x) - x) / 1e-4
        np.testing.assert_allclose(moves[:, band], seen, atol=0.04 * np.abs(moves[:, band]).max())


def test_believed_errors_that_make_a_groove_do_not_stop_a_touching_needle():
    problem = problem_of(np.linspace(1.0, 1.1, 9), jet={"mounting": "biased"})
    grooved = np.array(problem.learned.present_mm())
    grooved[6] = grooved[5] + 4e-4
    fuel, _, slopes = problem.law.slopes(grooved, problem.learned.setup.carburettor.jet.drop_mm)
    assert np.isfinite(fuel).all()
    assert np.isfinite(slopes).all()


def test_tip_beyond_the_data_follows_the_taper_and_the_rest_is_the_optimum():
    # The needle's tip is cut no more than the taper needs; what it then does to the bands counts all the same.
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    target = asked(setup, np.linspace(2, 24, 9), np.linspace(0.9, 1.14, 9), 0.84, lambda_se=0.01)
    inside = np.arange(STATIONS_MM.size) <= 8
    problem = Problem.of(nc.learn(target.bands, setup), target, nc.Limits(), inside)
    fall, residuals_of_all = -np.diff(DIAMETERS_MM), residuals(problem, 0.1)

    def whole(v):
        removal = np.append(v[:-1], np.zeros(4))
        for k in range(9, 13):
            removal[k] = max(0.0, removal[k - 1] - fall[k - 1])
        return np.append(removal, v[-1])

    def squared(v):
        return residuals_of_all(whole(v))

    x = fit(problem, 0.1, problem.rest())
    assert x[9] > 0.01
    own = np.append(inside, True)
    v = x[own]
    np.testing.assert_allclose(whole(v), x, atol=1e-8)
    alone = ~problem.rows.matrix[:, ~own].any(axis=1)  # the tip keeps the limits by the way it follows
    g, h = problem.rows.matrix[alone][:, own], problem.rows.least[alone]
    assert (problem.rows.matrix @ x >= problem.rows.least - 1e-9).all()
    certify(squared, v, g, h, kinks(problem))
    for start in (np.zeros(10), np.append(np.full(9, 0.02), 0.3)):
        assert total(squared, v) <= general_solver(squared, start, g, h) * (1 + SHARE)


@pytest.mark.parametrize("smoothness", [1.0, 0.1, 0.01])
@pytest.mark.parametrize("seed", [0, 12, 16])
def test_a_band_that_crosses_a_station_does_not_stop_the_fit(seed, smoothness):
    # Where a band's place passes a station, the slope by the jet's height jumps: the best may lie at such a kink.
    measured = 1.08 + 0.04 * np.random.default_rng(seed).standard_normal(9)
    problem = problem_of(measured, jet={"drop_min_mm": 0.8, "drop_max_mm": 2.5}, se=0.004)
    x = fit(problem, smoothness, problem.rest())
    least = cost(problem, smoothness, x)
    g, h = problem.rows.matrix, problem.rows.least
    assert gap(residuals(problem, smoothness), x, g, h, kinks(problem)) < SHARE / 2
    # With the jet fixed anywhere near, the rest fitted anew, none is better.
    low, high = problem.drop_range_mm
    for drop in float(x[-1]) + np.array([-0.05, -0.01, -1e-3, 1e-3, 0.01, 0.05]):
        if low <= drop <= high:
            fixed = problem.with_free(problem.free, drop_range_mm=(drop, drop))
            assert cost(fixed, smoothness, fit(fixed, smoothness, np.append(x[:-1], drop))) >= least * (1 - 1e-7)
