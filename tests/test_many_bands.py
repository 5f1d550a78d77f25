"""Thousands of bands: the same answer as for few, and memory in proportion to them."""

from __future__ import annotations

import tracemalloc
from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup
from dense_belief import dense

import needlecalc as nc
from needlecalc.design.belief import arrowhead, liftpattern, readings
from needlecalc.design.inverse.fit import Problem, response
from needlecalc.design.inverse.foresight import Foresight
from needlecalc.measure.drive.bands import LiftSource


def job(count, source=LiftSource.TYPED, **jet):
    """A smooth drive over all lifts, whatever the number of bands."""
    setup = make_setup(**{"drop_min_mm": 0.8, "drop_max_mm": 2.6, **jet})
    lift = np.linspace(2.0, 26.0, count)
    load = ("idle", *("part",) * (count - 1))
    target = asked(setup, lift, 1.02 + 0.002 * lift, 0.96, lift_u_mm=0.6, lambda_se=0.006, load=load)
    bands = replace(target.bands, lift_source=(source,) * count, lift_common_u_mm=0.02 * lift)
    return nc.Target(bands, target.lambda_target, target.why), setup


@pytest.mark.parametrize("source", [LiftSource.TYPED, LiftSource.PRESSURE])
def test_what_is_learned_is_the_same_however_the_bands_are_cut(source, monkeypatch):
    target, setup = job(40, source)
    whole = nc.learn(target.bands, setup)
    monkeypatch.setattr(arrowhead, "AT_ONCE", 7)
    cut = nc.learn(target.bands, setup)
    np.testing.assert_allclose(cut.mean, whole.mean, atol=1e-12)
    np.testing.assert_allclose(dense(cut.belief), dense(whole.belief), atol=1e-12)


def test_knots_between_the_lifts_hardly_matter(monkeypatch):
    # 60 computed lifts on 48 knots, against a knot at every one, which is exact (test_liftpattern.py).
    target, setup = job(60, LiftSource.PRESSURE)
    few = nc.solve(target, setup, with_options=False)
    monkeypatch.setattr(liftpattern, "MOST_KNOTS", 60)
    exact = nc.solve(target, setup, with_options=False)
    assert few.learned.place.knots == 48
    assert exact.learned.place.knots == 60
    np.testing.assert_allclose(few.needle.diameters_mm, exact.needle.diameters_mm, atol=1e-6)
    np.testing.assert_allclose(few.lambda_predicted, exact.lambda_predicted, atol=1e-6)
    np.testing.assert_allclose(
        few.learned.u()[few.learned.place.lift()], exact.learned.u()[exact.learned.place.lift()], rtol=1e-4
    )
    cut = np.isfinite(exact.diameter_u_um)
    np.testing.assert_allclose(few.diameter_u_um[cut], exact.diameter_u_um[cut], rtol=5e-3)
    now = [Foresight.of(design).promise(Foresight.of(design).belief, 0.05) for design in (few, exact)]
    assert now[0].variance_sum == pytest.approx(now[1].variance_sum, rel=5e-3)


def test_ten_times_the_bands_with_a_tenth_of_the_information_each_make_the_same_needle():
    # 20 bands, and 200 over the same lifts, each reading ten times less sure in variance: the same weight on every lift.
    few, setup = job(20)
    many, _ = job(200)
    many = nc.Target(replace(many.bands, lambda_se=many.bands.lambda_se * np.sqrt(10.0)), many.lambda_target, many.why)
    one, other = (nc.solve(t, setup, with_options=False) for t in (few, many))
    np.testing.assert_allclose(other.needle.diameters_mm, one.needle.diameters_mm, atol=0.003)
    assert other.drop_mm == pytest.approx(one.drop_mm, abs=0.1)
    assert other.met
    assert one.met


def peak_mb(call):
    tracemalloc.start()
    call()
    _, peak = tracemalloc.get_traced_memory()
    tracemalloc.stop()
    return peak / 1e6


def test_memory_goes_with_the_bands_and_not_with_their_square():
    # One matrix of bands by bands would take 128 MB for 4000 of them, and four times that of 2000.
    taken = []
    for count in (2000, 4000):
        target, setup = job(count, LiftSource.PRESSURE)
        learned = nc.learn(target.bands, setup)
        problem = Problem.of(learned, target, nc.Limits(), np.ones(13, dtype=bool), np.ones(count))
        x = problem.rest()
        jobs = (
            lambda t=target, s=setup: nc.learn(t.bands, s),
            learned.lambda_now_u,
            lambda p=problem, x=x: response(p, 1.0, x),
            target.contradictions,
            lambda t=target: readings.same_bands(t.bands, t.bands),
        )
        taken.append([peak_mb(call) for call in jobs])
    small, large = np.array(taken)
    assert large.max() < 60.0
    assert (large < 2.3 * small + 1.0).all(), (small, large)


def test_hundreds_of_bands_are_designed_for_and_spoken_of_in_few_words():
    target, setup = job(300)
    # Every third band asks for what its neighbours on the same lift do not.
    aim = np.where(np.arange(300) % 3 == 0, 0.90, target.lambda_target)
    design = nc.solve(nc.Target(target.bands, aim, target.why), setup, with_options=False)
    assert any("more bands give way" in flag for flag in design.flags)
    assert len(design.flags) < 40
    assert max(len(flag) for flag in (*design.flags, design.status)) < 600
    steps = nc.measure_next(design)
    assert len(steps.steps) == 4
    assert max(len(step.sentence()) for step in steps.steps) < 400
