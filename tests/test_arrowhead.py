"""Many bands and one car: the arrowhead distribution and its least squares against the dense matrices."""

from __future__ import annotations

import numpy as np
import pytest
from dense_belief import dense, dense_rows
from hypothesis import given, settings
from hypothesis import strategies as st

from needlecalc.design.belief import arrowhead
from needlecalc.design.belief.arrowhead import Arrowhead, BandRows, Spread
from needlecalc.design.belief.bandsquares import BandSquares

CAR, BANDS = 5, 7


def a_belief(rng, bands=BANDS, car=CAR):
    return Arrowhead(rng.normal(size=(car, car)), rng.normal(size=(bands, 2, car)), rng.normal(size=(bands, 2, 2)))


def some_rows(rng, bands=BANDS, car=CAR):
    return BandRows(rng.normal(size=(bands, car)), rng.normal(size=(bands, 2)))


@pytest.fixture
def rng():
    return np.random.default_rng(7)


@settings(max_examples=25, deadline=None)
@given(seed=st.integers(0, 10**6), bands=st.integers(1, 9), car=st.integers(1, 6), more=st.integers(0, 4))
def test_least_squares_band_by_band_is_that_of_the_whole_matrix(seed, bands, car, more):
    rng = np.random.default_rng(seed)
    own, by_car = rng.normal(size=(bands, 2 + more, 2)), rng.normal(size=(bands, 2 + more, car))
    misses, prior = rng.normal(size=(bands, 2 + more)), rng.normal(size=car)
    squares = BandSquares.begun(np.eye(car), prior, bands)
    for part in (slice(0, bands // 2), slice(bands // 2, bands)):
        squares.add(part, own[part], by_car[part], misses[part])
    rows = np.zeros((car + bands * (2 + more), car + 2 * bands))
    rows[:car, :car] = np.eye(car)
    for b in range(bands):
        here = slice(car + b * (2 + more), car + (b + 1) * (2 + more))
        rows[here, :car], rows[here, [car + b]], rows[here, [car + bands + b]] = by_car[b], own[b, :, :1], own[b, :, 1:]
    aim = -np.concatenate([prior, misses.ravel()])
    expected = np.linalg.lstsq(rows, aim, rcond=None)[0]
    step, own_step = squares.step(np.ones(car, dtype=bool))
    scale = max(np.abs(expected).max(), 1.0) * np.linalg.cond(rows)
    np.testing.assert_allclose(np.concatenate([step, own_step[:, 0], own_step[:, 1]]), expected, atol=1e-12 * scale)
    # An unknown of the car that may not move: its column is left out.
    free = np.arange(car) > 0
    step, own_step = squares.step(free)
    kept = np.append(free, np.ones(2 * bands, dtype=bool))
    expected = np.linalg.lstsq(rows[:, kept], aim, rcond=None)[0]
    assert step[0] == 0.0
    np.testing.assert_allclose(np.concatenate([step[1:], own_step[:, 0], own_step[:, 1]]), expected, atol=1e-12 * scale)
    # Covariance: inverse of the normal matrix, in units that are not all alike.
    car_scale, own_scale = np.exp(rng.normal(size=car)), np.array([2.0, 0.1])
    units = np.concatenate([car_scale, np.repeat(own_scale, bands)])
    whole = np.outer(units, units) * np.linalg.inv(rows.T @ rows)
    np.testing.assert_allclose(
        dense(squares.belief(car_scale, own_scale)), whole, rtol=1e-6, atol=1e-7 * np.abs(whole).max()
    )


def test_a_span_from_certain_to_wide_open_costs_no_digits():
    # One unknown of the car, one reading a band: 1e-6 against a prior of 1: a normal matrix would keep but 4 digits.
    doubt, bands = 1e-6, 3
    own = np.tile(np.array([[1.0, 0.0], [0.0, 1.0], [1.0 / doubt, 0.0]]), (bands, 1, 1))
    car = np.tile(np.array([[0.0], [0.0], [1.0 / doubt]]), (bands, 1, 1))
    squares = BandSquares.begun(np.eye(1), np.zeros(1), bands)
    squares.add(slice(0, bands), own, car, np.zeros((bands, 3)))
    known = squares.belief(np.ones(1), np.ones(2))
    # The sum of both is what was read: information 1/doubt^2 and the two priors, so variance 1/(1/doubt^2 + 1/2).
    one = Arrowhead(known.root, known.follow, known.own_root).u_of(
        BandRows(np.ones((bands, 1)), np.tile([1.0, 0.0], (bands, 1)))
    )
    np.testing.assert_allclose(one, doubt, rtol=1e-6)
    assert known.car_u()[0] == pytest.approx(0.5, rel=1e-6)  # four independent looks at it, the prior and three bands


def test_doubts_are_those_of_the_dense_matrix(rng):
    known, rows = a_belief(rng), some_rows(rng)
    whole = dense(known)
    np.testing.assert_allclose(known.car_u(), np.sqrt(np.diag(whole))[:CAR], rtol=1e-12)
    np.testing.assert_allclose(known.own_u().T.ravel(), np.sqrt(np.diag(whole))[CAR:], rtol=1e-12)
    every = dense_rows(rows)
    np.testing.assert_allclose(known.u_of(rows), np.sqrt(np.diag(every @ whole @ every.T)), rtol=1e-12)
    weights = rng.normal(size=(3, BANDS))
    sums = weights @ every
    own = weights[:, :, None] * rows.by_own
    np.testing.assert_allclose(
        known.u_of_sums(weights @ rows.by_car, own), np.sqrt(np.diag(sums @ whole @ sums.T)), rtol=1e-12
    )


def test_one_band_counted_with_the_car_changes_nothing(rng):
    known, rows = a_belief(rng), some_rows(rng)
    moved, moved_rows = known.promoted(3), rows.promoted(3)
    spread = [dense_rows(r) @ dense(k) @ dense_rows(r).T for k, r in ((known, rows), (moved, moved_rows))]
    np.testing.assert_allclose(spread[1], spread[0], rtol=1e-10, atol=1e-10)
    np.testing.assert_allclose(moved.own_u(), known.own_u(), rtol=1e-12)
    wide, wide_rows = known.widened(2.0), rows.widened(np.arange(BANDS))
    more = dense_rows(wide_rows) @ dense(wide) @ dense_rows(wide_rows).T
    np.testing.assert_allclose(more, spread[0] + 4.0 * np.outer(np.arange(BANDS), np.arange(BANDS)), rtol=1e-10, atol=1e-9)


@pytest.mark.parametrize("which", [[2], [0, 1, 2, 3, 4, 5, 6], [6, 1, 4]])
def test_readings_update_as_the_dense_matrix_does(rng, which):
    known, read = a_belief(rng), some_rows(rng).only(np.array(which))
    noise = rng.uniform(0.01, 2.0, len(which))
    # P' = P - P H' inv(H P H' + R) H P (Tarantola, section 3.2, from memory), on the whole matrix.
    whole, rows = dense(known), dense_rows(read, BANDS, np.array(which))
    gain = np.linalg.solve(rows @ whole @ rows.T + np.diag(noise**2), rows @ whole)
    expected = whole - whole @ rows.T @ gain
    then = known.after(np.array(which), read, noise)
    np.testing.assert_allclose(dense(then), expected, atol=1e-10 * np.abs(whole).max())
    # The root is a lower triangle again, so that like covariances are drawn alike.
    assert np.abs(np.triu(then.root, 1)).max() < 1e-12


def test_a_reading_of_the_car_alone_leaves_what_bands_keep_for_themselves(rng):
    known = a_belief(rng)
    row = BandRows(np.eye(1, CAR, 2), np.zeros((1, 2)))
    then = known.after(np.zeros(1, dtype=np.intp), row, np.array([0.3]))
    np.testing.assert_array_equal(then.own_root, known.own_root)
    np.testing.assert_array_equal(then.follow, known.follow)
    before, after = known.car_u()[2], then.car_u()[2]
    # Precisions add (Gelman et al., Bayesian Data Analysis, 3rd ed., equation 2.12, from memory).
    assert after**-2 == pytest.approx(before**-2 + 0.3**-2, rel=1e-10)


def test_draws_have_the_covariance_and_do_not_heed_how_the_bands_are_cut(rng, monkeypatch):
    known = a_belief(rng, bands=3)
    count = 40_000
    draw = np.random.default_rng(1)
    car = known.draw_car(draw, count)
    own = known.draw_own(draw, car, slice(None))
    together = np.concatenate([car, own[..., 0], own[..., 1]], axis=1)
    whole = dense(known)
    u = np.sqrt(np.diag(whole))
    # A correlation from n draws errs by no more than 1/sqrt(n); five of these.
    assert np.abs(np.corrcoef(together.T) - whole / np.outer(u, u)).max() < 5.0 / np.sqrt(count)
    np.testing.assert_allclose(together.std(axis=0), u, rtol=5.0 / np.sqrt(2.0 * count))
    again = np.random.default_rng(1)
    car = known.draw_car(again, count)
    cut = np.concatenate([known.draw_own(again, car, part) for part in (slice(0, 1), slice(1, 3))], axis=1)
    np.testing.assert_allclose(cut, own, atol=1e-12)
    spread = Spread(rng.normal(size=(5, 2)), rng.uniform(0.1, 1.0, 5))
    whole_draw = np.vstack([some for _, some in spread.drawn(count, seed=2)])
    covariance = spread.by_cause @ spread.by_cause.T + np.diag(spread.own_u**2)
    np.testing.assert_allclose(np.cov(whole_draw), covariance, atol=5.0 * spread.u().max() ** 2 / np.sqrt(count))
    np.testing.assert_allclose(spread.u(), np.sqrt(np.diag(covariance)), rtol=1e-12)
    monkeypatch.setattr(arrowhead, "AT_ONCE", 2)
    parts = list(spread.drawn(count, seed=2))
    assert [part.stop for part, _ in parts] == [2, 4, 5]
    np.testing.assert_allclose(np.vstack([some for _, some in parts]), whole_draw, atol=1e-12)
