"""Exact least squares under inequalities: published examples, other solvers, and the conditions of the optimum."""

from __future__ import annotations

import warnings

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import LinearConstraint, lsq_linear, minimize, nnls

import needlecalc as nc
from needlecalc.design.inverse import fit as fit_room
from needlecalc.design.inverse.fit import least_squares_with_inequalities

SHARE = 1e-6  # of the cost: what counts as more
NO_BOUND = (np.empty((0, 2)), np.empty(0))


def kkt(e, f, g, h, x, force, tight=1e-8):
    """Karush-Kuhn-Tucker conditions, which a convex problem meets at its optimum and nowhere else."""
    size = max(1.0, float(np.abs(e.T @ e).max()), float(np.abs(e.T @ f).max()))
    assert (g @ x - h >= -tight * max(1.0, float(np.abs(h).max(initial=0.0)))).all()
    assert (force >= 0.0).all()
    np.testing.assert_allclose(e.T @ (e @ x - f), g.T @ force, atol=tight * size)
    np.testing.assert_allclose(force * (g @ x - h), 0.0, atol=tight * size)


def feasible(g, h, v):
    """The nearest point within the limits: SLSQP oversteps them by its rounding."""
    if (g @ v >= h).all():
        return v
    return least_squares_with_inequalities(np.eye(v.size), v, g, h + 1e-12 * np.abs(h))[0]


# --- published examples ----------------------------------------------------------------------------------------------


def test_haskell_and_hanson_with_equations_as_two_inequalities():
    # Haskell and Hanson, "An algorithm for linear least squares problems with equality and nonnegativity constraints",
    # Math. Programming 21 (1981), kind of problem: min |Ex - f|, Ax = b, x >= 0 (the form is theirs, from memory; the
    # figures are worked here by hand).  E = I, f = (1, 2, -1), x1 + x2 + x3 = 1, x >= 0: x3 sticks at 0, and the rest
    # is the nearest point of x1 + x2 = 1 to (1, 2), that is (0, 1); x1 just touches.
    a = np.array([[1.0, 1.0, 1.0]])
    g = np.vstack([a, -a, np.eye(3)])
    h = np.array([1.0, -1.0, 0.0, 0.0, 0.0])
    x, force = least_squares_with_inequalities(np.eye(3), np.array([1.0, 2.0, -1.0]), g, h)
    np.testing.assert_allclose(x, [0.0, 1.0, 0.0], atol=1e-10)
    kkt(np.eye(3), np.array([1.0, 2.0, -1.0]), g, h, x, force)


def test_nearest_point_of_the_simplex():
    # Projection on the simplex has a closed form: x = max(f - t, 0) with t from the sorted entries (Held, Wolfe and
    # Crowder, Math. Programming 6 (1974), from memory).
    rng = np.random.default_rng(4)
    for _ in range(10):
        f = rng.normal(size=7)
        down = np.sort(f)[::-1]
        level = (np.cumsum(down) - 1.0) / np.arange(1, 8)
        t = level[np.flatnonzero(down > level)[-1]]
        g = np.vstack([np.ones(7), -np.ones(7), np.eye(7)])
        x, _ = least_squares_with_inequalities(np.eye(7), f, g, np.array([1.0, -1.0] + [0.0] * 7))
        np.testing.assert_allclose(x, np.maximum(f - t, 0.0), atol=1e-10)


def test_rising_means_are_those_of_the_pool():
    # Monotone regression: adjacent violators are pooled to their mean (Barlow et al., Statistical Inference under Order
    # Restrictions, Wiley 1972, from memory).  The taper's own limit is of this kind.
    y = np.array([1.0, 3.0, 2.0, 2.0, 5.0, 4.0, 4.5, 6.0])
    x, force = least_squares_with_inequalities(np.eye(8), y, np.diff(np.eye(8), axis=0), np.zeros(7))
    np.testing.assert_allclose(x, [1, 7 / 3, 7 / 3, 7 / 3, 4.5, 4.5, 4.5, 6], atol=1e-12)
    assert (force > 1e-9).tolist() == [False, True, True, False, True, False, False]


def test_golub_and_van_loan_least_squares_and_a_bound_that_binds():
    # Golub and Van Loan, Matrix Computations, 3rd ed., section 5.3.3 (from memory): A = [[1,1],[eps,0],[0,eps]] is the
    # example that breaks the normal equations, as eps^2 is lost beside 1.  b = A (1, 1) has the answer (1, 1).
    eps = 1e-7
    a = np.array([[1.0, 1.0], [eps, 0.0], [0.0, eps]])
    x, _ = least_squares_with_inequalities(a, a @ np.ones(2), *NO_BOUND)
    np.testing.assert_allclose(x, [1.0, 1.0], rtol=1e-8)
    # With x1 <= 1/2 the other takes what is left: x2 = (2 - 1/2 + eps^2) / (1 + eps^2), from one normal equation.
    x, force = least_squares_with_inequalities(a, a @ np.ones(2), np.array([[-1.0, 0.0]]), np.array([-0.5]))
    np.testing.assert_allclose(x, [0.5, (1.5 + eps**2) / (1 + eps**2)], rtol=1e-8)
    assert force[0] > 0.0


@pytest.mark.parametrize("seed", range(6))
def test_nonnegative_and_boxed_least_squares_agree_with_their_own_solvers(seed):
    # Lawson and Hanson, chapter 23: NNLS; Stark and Parker, Comput. Statist. 10 (1995): BVLS; both as scipy has them.
    rng = np.random.default_rng(seed)
    e, f = rng.normal(size=(15, 6)), rng.normal(size=15)
    x, force = least_squares_with_inequalities(e, f, np.eye(6), np.zeros(6))
    np.testing.assert_allclose(x, nnls(e, f)[0], atol=1e-9)
    kkt(e, f, np.eye(6), np.zeros(6), x, force)
    low, high = -rng.uniform(0, 0.3, 6), rng.uniform(0, 0.3, 6)
    g, h = np.vstack([np.eye(6), -np.eye(6)]), np.concatenate([low, -high])
    x, force = least_squares_with_inequalities(e, f, g, h)
    np.testing.assert_allclose(x, lsq_linear(e, f, (low, high), method="bvls", tol=1e-14).x, atol=1e-9)
    kkt(e, f, g, h, x, force)


@pytest.mark.parametrize("method", ["SLSQP", "trust-constr"])
def test_general_solvers_find_nothing_lower_under_general_inequalities(method):
    rng = np.random.default_rng(11)
    e, f, g = rng.normal(size=(12, 5)), rng.normal(size=12), rng.normal(size=(9, 5))
    h = g @ rng.normal(size=5) - rng.uniform(0.0, 0.4, 9)
    x, force = least_squares_with_inequalities(e, f, g, h)
    kkt(e, f, g, h, x, force)
    assert (force > 1e-6).sum() >= 2
    inside = least_squares_with_inequalities(np.eye(5), np.zeros(5), g, h)[0]
    options = {"SLSQP": {"ftol": 1e-14, "maxiter": 500}, "trust-constr": {"gtol": 1e-10, "xtol": 1e-12, "maxiter": 3000}}
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # scipy's own remarks on its steps
        other = minimize(
            lambda v: 0.5 * np.sum((e @ v - f) ** 2), inside, jac=lambda v: e.T @ (e @ v - f), hess=lambda v: e.T @ e,
            method=method, constraints=[LinearConstraint(g, h, np.inf)], options=options[method],
        )  # fmt: skip
    theirs = feasible(g, h, other.x)
    assert np.sum((e @ x - f) ** 2) <= np.sum((e @ theirs - f) ** 2) * (1 + SHARE)


@settings(max_examples=60, deadline=None)
@given(seed=st.integers(0, 10**6), rows=st.integers(1, 12), count=st.integers(1, 6), power=st.integers(-6, 6))
def test_conditions_of_the_optimum_hold_whatever_the_scale(seed, rows, count, power):
    rng = np.random.default_rng(seed)
    scale = 10.0**power
    e, f, g = rng.normal(size=(count + 3, count)), rng.normal(size=count + 3), rng.normal(size=(rows, count))
    h = g @ rng.normal(size=count) - rng.uniform(0.0, 1.0, rows)
    x, _ = least_squares_with_inequalities(e, f, g, h)
    kkt(e, f, g, h, *least_squares_with_inequalities(e, f, g, h))
    # In other units the answer is the same in those units.
    y, _ = least_squares_with_inequalities(e, f * scale, g, h * scale)
    np.testing.assert_allclose(y / scale, x, atol=1e-7)
    z, _ = least_squares_with_inequalities(e, f, g * 10.0 ** rng.integers(-6, 7, (rows, 1)), h_scaled(g, h, rng, seed))
    np.testing.assert_allclose(z, x, atol=1e-6)


def h_scaled(g, h, rng, seed):
    """Bounds of rows multiplied by the powers of ten the caller drew."""
    again = np.random.default_rng(seed)
    count = g.shape[1]
    for size in ((count + 3, count), count + 3, (g.shape[0], count), count):
        again.normal(size=size)
    again.uniform(0.0, 1.0, g.shape[0])
    return h * (10.0 ** again.integers(-6, 7, (g.shape[0], 1)))[:, 0]


# --- degenerate ones -------------------------------------------------------------------------------------------------


def test_columns_that_say_the_same_are_refused():
    for e in (np.ones((4, 2)), np.zeros((4, 2)), np.ones((1, 2)), np.array([[1.0, 1.0], [1.0, 1.0 + 1e-16], [2.0, 2.0]])):
        with pytest.raises(nc.SolveError, match=r"do not determine every unknown of the fit.*give more bands or free less"):
            least_squares_with_inequalities(e, np.zeros(e.shape[0]), np.eye(2), np.zeros(2))


def test_said_twice_is_said_once():
    f = np.array([-1.0, 2.0])
    once, _ = least_squares_with_inequalities(np.eye(2), f, np.eye(2), np.zeros(2))
    g = np.vstack([np.eye(2)] * 5 + [1e3 * np.eye(2), 1e-3 * np.eye(2), np.eye(2)])
    h = np.concatenate([np.zeros(14), [-5.0, -5.0]])
    x, force = least_squares_with_inequalities(np.eye(2), f, g, h)
    np.testing.assert_allclose(x, once, atol=1e-12)
    kkt(np.eye(2), f, g, h, x, force)


def test_a_row_of_noughts_holds_or_does_not():
    e, f = np.eye(2), np.array([-1.0, 2.0])
    g = np.vstack([np.eye(2), np.zeros((2, 2))])
    x, force = least_squares_with_inequalities(e, f, g, np.array([0.0, 0.0, -3.0, 0.0]))
    np.testing.assert_allclose(x, [0.0, 2.0], atol=1e-14)
    assert force.tolist()[2:] == [0.0, 0.0]
    with pytest.raises(nc.SolveError, match="limits contradict each other"):
        least_squares_with_inequalities(e, f, g, np.array([0.0, 0.0, 0.0, 1e-3]))


def test_no_limit_at_all_and_one_unknown():
    rng = np.random.default_rng(0)
    e, f = rng.normal(size=(6, 2)), rng.normal(size=6)
    x, force = least_squares_with_inequalities(e, f, *NO_BOUND)
    np.testing.assert_allclose(x, np.linalg.lstsq(e, f, rcond=None)[0], atol=1e-12)
    assert force.size == 0
    x, force = least_squares_with_inequalities(np.array([[2.0]]), np.array([2.0]), np.array([[1.0]]), np.array([3.0]))
    assert (x[0], force[0]) == (pytest.approx(3.0), pytest.approx(8.0))  # 2 (2 * 3 - 2)


@pytest.mark.parametrize("size", [1e-6, 1e-3, 1.0, 1e3])
def test_limits_a_hair_apart_and_a_hair_across(size):
    # x >= 1 and x <= 1 + d: met for any d of 0 or more, at one end; contradicted below.
    g = np.array([[1.0], [-1.0]])
    for gap in (0.0, 1e-3 * size, size):
        x, _ = least_squares_with_inequalities(np.eye(1), np.zeros(1), g, np.array([size, -(size + gap)]))
        assert x[0] == pytest.approx(size, rel=1e-9)
    with pytest.raises(nc.SolveError, match="limits contradict each other"):
        least_squares_with_inequalities(np.eye(1), np.zeros(1), g, np.array([size, -0.999 * size]))


def test_opposite_limits_stay_opposite_to_the_last_bit(monkeypatch):
    # A bit's difference, as a matrix kernel may make it by a row's place, turned an equation into a contradiction that
    # was balanced by forces of 1e13, and the answer broke it by 4e-3.
    seen = []
    monkeypatch.setattr(fit_room, "nnls", lambda system, *given, **more: seen.append(system) or nnls(system, *given, **more))
    rng = np.random.default_rng(0)
    for _ in range(300):
        count, rows = rng.integers(2, 18, 2)
        e, f, g, x = (rng.normal(size=size) for size in ((count + 3, count), count + 3, (2 * rows + 1, count), count))
        g[1:-1:2] = -g[2::2]
        h = g @ x
        h[0] -= rng.uniform()
        found, _ = least_squares_with_inequalities(e, f, g, h - 1e-13)
        assert (g @ found >= h - 1e-8).all()
        np.testing.assert_array_equal(seen[-1][:-1, 1:-1:2], -seen[-1][:-1, 2::2])
    assert len(seen) == 300


def test_lawson_and_hanson_curve_fit():
    # Lawson and Hanson, Solving Least Squares Problems, section 23.7 (from memory): a line through four points,
    # slope and value at 0 not negative, value at 1 at most one: slope 0.621, value 0.379.
    t, w = np.array([0.25, 0.5, 0.5, 0.8]), np.array([0.5, 0.6, 0.7, 1.2])
    x, force = least_squares_with_inequalities(
        np.column_stack([t, np.ones(4)]), w, np.array([[1.0, 0.0], [0.0, 1.0], [-1.0, -1.0]]), np.array([0.0, 0.0, -1.0])
    )
    np.testing.assert_allclose(x, [0.621, 0.379], atol=1e-3)
    assert force[2] > 0.0


@pytest.mark.parametrize("seed", range(10))
def test_optimum_meets_kkt_and_scipy_finds_nothing_lower(seed):
    rng = np.random.default_rng(seed)
    e, f, g = rng.normal(size=(20, 8)), rng.normal(size=20), rng.normal(size=(12, 8))
    h = -rng.uniform(0.0, 0.5, 12)
    x, force = least_squares_with_inequalities(e, f, g, h)
    assert (g @ x >= h - 1e-9).all()
    assert (force >= 0.0).all()
    np.testing.assert_allclose(e.T @ (e @ x - f), g.T @ force, atol=1e-8)
    np.testing.assert_allclose(force * (g @ x - h), 0.0, atol=1e-8)
    other = minimize(
        lambda v: 0.5 * np.sum((e @ v - f) ** 2), np.zeros(8), method="SLSQP",
        constraints={"type": "ineq", "fun": lambda v: g @ v - h}, options={"ftol": 1e-14, "maxiter": 500},
    )  # fmt: skip
    # Where it oversteps a limit by its rounding, it is drawn towards the middle, which keeps them all.
    theirs = other.x * min(1.0, float((h[g @ other.x < h] / (g @ other.x)[g @ other.x < h]).min(initial=1.0)))
    assert np.sum((e @ x - f) ** 2) <= np.sum((e @ theirs - f) ** 2) * (1 + 1e-6)
    boxed, _ = least_squares_with_inequalities(e, f, np.vstack([np.eye(8), -np.eye(8)]), np.full(16, -0.1))
    np.testing.assert_allclose(boxed, lsq_linear(e, f, (-0.1, 0.1), method="bvls", tol=1e-14).x, atol=1e-6)


def test_limits_that_contradict_each_other():
    with pytest.raises(nc.SolveError, match="limits contradict"):
        least_squares_with_inequalities(np.eye(1), np.zeros(1), np.array([[1.0], [-1.0]]), np.array([1.0, 0.0]))


def test_least_squares_where_limits_are_all_but_opposite():
    # Each unknown held within a hair or in a wide box, and columns of very unlike size.
    rng = np.random.default_rng(7)
    for trial in range(300):
        n = int(rng.integers(2, 12))
        e = rng.normal(size=(n + 6, n)) * np.logspace(0, -rng.uniform(0, 6), n)
        f, inside = rng.normal(size=n + 6), rng.uniform(-1.0, 1.0, n)
        room = np.where(rng.uniform(size=n) < 0.5, 10.0 ** -rng.uniform(3, 12, n), 1.0)
        taper = np.eye(n)[:-1] - np.eye(n)[1:]
        matrix = np.vstack([np.eye(n), -np.eye(n), taper])
        bounds = np.r_[inside, -inside - room, taper @ inside]
        x, force = least_squares_with_inequalities(e, f, matrix, bounds)
        assert (matrix @ x >= bounds - 1e-8).all(), trial
        assert (force >= 0.0).all(), trial
        # Stationary: the slope of half the squares is what the limits push with.
        slope = e.T @ (e @ x - f)
        np.testing.assert_allclose(slope, matrix.T @ force, atol=1e-7 * np.linalg.norm(f), err_msg=str(trial))
