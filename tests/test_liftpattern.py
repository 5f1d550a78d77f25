"""How computed lifts err alike: the exponential correlation itself, and what few knots lose of it."""

from __future__ import annotations

import numpy as np
import pytest

from needlecalc.design.belief.liftpattern import MOST_KNOTS, LiftPattern
from needlecalc.measure.lift.ways import ALIKE_OVER, ALIKE_SHARE, alike


def correlation(lift):
    place = np.log(lift + 1.0)
    return np.exp(-np.abs(np.subtract.outer(place, place)) / ALIKE_OVER)


def test_at_its_knots_the_correlation_is_exact():
    rng = np.random.default_rng(1)
    for lift in (rng.uniform(0.0, 40.0, 20), np.array([3.0]), np.array([5.0, 5.0, 9.0]), np.array([2.0, 2.0 + 1e-12, 30.0])):
        by = LiftPattern.through(lift).at(lift)
        np.testing.assert_allclose(by @ by.T, correlation(lift), atol=1e-12)
        # With the share that is each lift's own it is what lifts are weighed by, where they are read and computed.
        np.testing.assert_allclose(
            ALIKE_SHARE * by @ by.T + (1.0 - ALIKE_SHARE) * np.eye(lift.size), alike(lift), atol=1e-12
        )


def test_between_and_past_the_knots_it_is_the_best_linear_prediction():
    # Rasmussen and Williams, Gaussian Processes for Machine Learning, 2006, equations 2.25 and 2.26 without noise (from
    # memory): mean k' inv(K) f and variance k - k' inv(K) k.
    knots = np.array([1.0, 4.0, 4.5, 12.0, 30.0])
    lift = np.array([0.2, 1.0, 2.0, 4.2, 4.5, 20.0, 29.0, 30.0, 38.0])
    pattern = LiftPattern.through(knots)
    whole = correlation(np.concatenate([knots, lift]))
    gram, cross = whole[:5, :5], whole[5:, :5]
    weights = np.linalg.solve(gram, cross.T).T
    by = pattern.at(lift)
    np.testing.assert_allclose(by, weights @ np.linalg.cholesky(gram), atol=1e-12)
    np.testing.assert_allclose((by**2).sum(axis=1), np.diag(weights @ cross.T), rtol=1e-12)
    assert ((by**2).sum(axis=1) <= 1.0 + 1e-12).all()


@pytest.mark.parametrize("count", [60, 5000])
def test_many_lifts_lose_little_on_few_knots(count):
    lift = np.linspace(1.5, 34.0, count)
    pattern = LiftPattern.through(lift)
    assert pattern.knots.size == MOST_KNOTS
    some = lift[:: max(count // 200, 1)]
    by = pattern.at(some)
    left = 1.0 - (by**2).sum(axis=1)
    # Half way between knots a share tanh(d/2) is lost, d being their distance over the correlation length: the
    # Ornstein-Uhlenbeck bridge, (1 - a^2)/(1 + a^2) with a = exp(-d/2).
    apart = np.diff(pattern.knots)[0] / ALIKE_OVER
    assert left.max() <= np.tanh(apart / 2.0) + 1e-12
    assert left.mean() < 0.03
    off = by @ by.T + np.diag(left) - correlation(some)
    assert np.abs(off).max() <= np.tanh(apart / 2.0) + 1e-12


def test_without_computed_lifts_there_is_no_pattern():
    assert LiftPattern.through(np.empty(0)).at(np.array([3.0, 5.0])).shape == (2, 0)
