"""Joint normal distribution on its root: against the matrices written out."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import norm

from needlecalc.gaussian import NINETY, Gaussian, triangle_of


@settings(max_examples=40, deadline=None)
@given(seed=st.integers(0, 10**6), size=st.integers(1, 8), reads=st.integers(1, 12))
def test_readings_update_as_the_matrices_say(seed, size, reads):
    rng = np.random.default_rng(seed)
    known = Gaussian(rng.normal(size=size), rng.normal(size=(size, size)))
    rows, noise = rng.normal(size=(reads, size)), rng.uniform(0.01, 2.0, reads)
    # P' = P - P H' inv(H P H' + R) H P (Tarantola, Inverse Problem Theory, section 3.2, from memory), written out.
    whole = known.covariance()
    expected = whole - whole @ rows.T @ np.linalg.solve(rows @ whole @ rows.T + np.diag(noise**2), rows @ whole)
    then = known.after(rows, noise)
    np.testing.assert_allclose(then.covariance(), expected, atol=1e-9 * np.abs(whole).max())
    np.testing.assert_array_equal(then.mean, known.mean)
    np.testing.assert_allclose(known.u_of(rows), np.sqrt(np.diag(rows @ whole @ rows.T)), rtol=1e-9)
    np.testing.assert_allclose(known.of(rows).covariance(), rows @ whole @ rows.T, atol=1e-9 * np.abs(whole).max())


def test_a_span_from_certain_to_wide_open_costs_no_digits():
    # The sum of two unknowns of variance 1 is read to 1e-6: their difference keeps its sqrt(2).
    then = Gaussian(np.zeros(2), np.eye(2)).after(np.ones((1, 2)), np.array([1e-6]))
    np.testing.assert_allclose(then.u_of(np.array([[1.0, 1.0], [1.0, -1.0]])), [1e-6, np.sqrt(2.0)], rtol=1e-9)


def test_precisions_add():
    # Gelman et al., Bayesian Data Analysis, 3rd ed., equation 2.12, from memory.
    then = Gaussian(np.zeros(1), np.array([[0.5]])).after(np.ones((1, 1)), np.array([0.3]))
    assert then.u()[0] ** -2 == pytest.approx(0.5**-2 + 0.3**-2, rel=1e-12)


def test_what_is_joined_knows_nothing_of_the_rest():
    rng = np.random.default_rng(3)
    known = Gaussian(np.ones(2), rng.normal(size=(2, 3)))
    more = known.joined(np.array([0.0, 2.0]))
    np.testing.assert_array_equal(more.mean, [1.0, 1.0, 0.0, 0.0])
    np.testing.assert_allclose(more.covariance()[:2, :2], known.covariance(), rtol=1e-12)
    np.testing.assert_allclose(more.covariance()[2:], [[0, 0, 0, 0], [0, 0, 0, 4.0]], atol=1e-12)


def test_draws_have_the_mean_and_covariance_and_like_quantities_draw_alike():
    rng = np.random.default_rng(1)
    known, rows = Gaussian(np.array([1.0, -2.0, 0.5]), rng.normal(size=(3, 3))), rng.normal(size=(2, 3))
    drawn = known.at(rng.standard_normal((40_000, 3)))
    # A correlation from n draws errs by no more than 1/sqrt(n), a mean by one standard uncertainty of it; five of these.
    assert (np.abs(drawn.mean(axis=0) - known.mean) < 5.0 * known.u() / 200.0).all()
    here = known.covariance() / np.outer(known.u(), known.u())
    assert np.abs(np.corrcoef(drawn.T) - here).max() < 5.0 / 200.0
    same = Gaussian(known.mean, known.root @ np.linalg.qr(rng.normal(size=(3, 3)))[0])
    np.testing.assert_allclose(same.of(rows).root, known.of(rows).root, atol=1e-12)


def test_ninety_per_cent_is_the_normal_distribution_s():
    assert norm.cdf(NINETY) - norm.cdf(-NINETY) == pytest.approx(0.9, abs=1e-4)


def test_a_triangle_is_the_root_of_cholesky_whatever_sign_rounding_gives():
    # R of QR is unique but for the signs of its rows; with a positive diagonal it is Cholesky's root (Golub and Van Loan,
    # Matrix Computations, theorem 5.2.3, from memory).
    rows = np.random.default_rng(3).standard_normal((9, 5))
    root = np.linalg.cholesky(rows.T @ rows).T
    for signs in (1.0, -1.0, np.resize([1.0, -1.0], (9, 1))):
        np.testing.assert_allclose(triangle_of(signs * rows), root, atol=1e-12)
