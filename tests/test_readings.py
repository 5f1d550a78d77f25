"""Readings of all passes: which band of one drive is which of another, and how computed lifts err alike."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from conftest import make_setup
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.design.belief.learn import ROUNDING
from needlecalc.design.belief.readings import SAME_SPEED, readings_of, same_bands
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.measure.lift.estimates import ALIKE_OVER, nearness


def pair_by_pair(bands, other):
    """The rule in its plainest words: each in turn takes the nearest speed of its load that is not yet taken."""
    taken, out = set(), []
    for k in range(other.rpm.size):
        near = [
            (abs(bands.rpm[b] / other.rpm[k] - 1.0), b)
            for b in range(bands.rpm.size)
            if (bands.load[b], bands.bank[b]) == (other.load[k], other.bank[k])
            and abs(bands.rpm[b] / other.rpm[k] - 1.0) < SAME_SPEED
            and b not in taken
        ]
        out.append(min(near)[1] if near else -1)
        taken.add(out[-1])
    return out


SPEEDS = st.lists(st.integers(80, 130).map(lambda v: 10.0 * v), min_size=1, max_size=25)


@settings(max_examples=150, deadline=None)
@given(rpm=SPEEDS, other=SPEEDS, seed=st.integers(0, 1000))
def test_the_nearest_speed_of_the_same_load_that_is_left(rpm, other, seed):
    rng = np.random.default_rng(seed)
    one, two = (
        nc.typed_bands(speeds, np.ones(len(speeds)), load=rng.choice(["part", "full"], len(speeds)).tolist())
        for speeds in (rpm, other)
    )
    assert same_bands(one, two).tolist() == pair_by_pair(one, two)
    assert same_bands(one, one).tolist() == list(range(len(rpm)))


def test_readings_of_a_pass_stand_in_the_order_of_the_last():
    setup = make_setup()
    needle = setup.carburettor.needle
    first = nc.typed_bands([3000, 900], [1.05, 0.98], lift_mm=[9.0, 2.0])
    last = nc.typed_bands([900, 2000, 3000], [0.99, 1.02, 1.06], lift_mm=[2.1, 6.0, 9.1])
    one, two = readings_of(nc.History((nc.Pass(needle, 1.6, first), nc.Pass(needle, 1.6, last))), nc.Doubts())
    np.testing.assert_allclose(np.exp(one.log_lambda), [0.98, np.nan, 1.05])
    np.testing.assert_allclose(one.lift, [2.0, np.nan, 9.0])
    np.testing.assert_allclose(two.lift, [2.1, 6.0, 9.1])
    # Lifts that were read err each by itself.
    assert not one.lift_alike[[0, 2]].any()
    assert not two.lift_alike.any()


def test_the_error_computed_lifts_share_has_the_exponential_correlation():
    rng = np.random.default_rng(1)
    for lift in (np.sort(rng.uniform(0.0, 40.0, 20)), np.array([3.0]), np.array([2.0, 2.0 + 1e-12, 30.0]), np.empty(0)):
        place = np.log(lift + 1.0)
        root = np.linalg.cholesky(nearness(lift) + ROUNDING * np.eye(lift.size))
        np.testing.assert_allclose(root @ root.T, np.exp(-np.abs(np.subtract.outer(place, place)) / ALIKE_OVER), atol=1e-11)


def test_computed_lifts_err_as_the_exponential_correlation_says():
    # After one pass lambda tells nothing of the lift, so the doubts of the lifts are those stated: nine tenths of the
    # variance of a computed lift go with exp(-|d ln(lift + 1)|/0.7), the rest is its own, and the prior is 30 mm wide.
    setup = make_setup()
    lift = np.array([2.0, 3.0, 7.0, 15.0, 25.0])
    typed = nc.typed_bands(np.linspace(900, 5000, 5), np.full(5, 1.05), lift_mm=lift, lift_u_mm=0.8)
    source = tuple(LiftSource[at] for at in ("PRESSURE", "PRESSURE", "TYPED", "PRESSURE", "PRESSURE"))
    learned = nc.learn(replace(typed, lift_source=source), setup, doubts=nc.Doubts(lift_zero_mm=0.2))
    alike = np.array([True, True, False, True, True])
    apart = np.abs(np.subtract.outer(np.log(lift + 1.0), np.log(lift + 1.0)))
    share = 0.9 * np.outer(alike, alike) * np.exp(-apart / 0.7)
    np.fill_diagonal(share, 1.0)
    stated = 0.8**2 * share + 0.2**2
    expected = np.linalg.inv(np.linalg.inv(stated) + np.eye(5) / 30.0**2)
    place = learned.place.lift()
    np.testing.assert_allclose(learned.estimate.covariance()[place, place], expected, rtol=1e-9)
