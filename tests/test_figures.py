"""Figures printed as an order or stated as a probability, each worked out again here: 5 % of change is noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.design.inverse import fit
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.solve import prepared
from needlecalc.design.inverse.stages import _Search
from needlecalc.design.inverse.uncertainty import Cars, outlook

LIFTS = np.linspace(2.0, 25.0, 8)


@pytest.fixture(scope="module")
def design():
    """A design in stages: full throttle from lean to leaner, lifts and readings a little uncertain."""
    target = asked(make_setup(), LIFTS, np.linspace(1.05, 1.15, 8), 0.95, lambda_se=0.012, lift_u_mm=0.4)
    return nc.solve(target, make_setup(), doubts=nc.Doubts(flow_gain=0.15), with_alternatives=False)


def test_the_tolerance_turns_the_most_sensitive_band_by_one_per_cent(design):
    tolerance_mm = 1e-3 * np.nanmin(design.stations.tolerance_um)
    learned, drop = design.learned, design.setup.carburettor.jet.drop_mm
    thick, thin = (learned.law.log_lambda(learned.present_mm() + by, drop) for by in (tolerance_mm, -tolerance_mm))
    assert np.abs(thick - thin).max() / 2.0 == pytest.approx(0.01, rel=0.02)


def test_the_interval_of_a_stage_leaves_one_car_in_twenty_at_either_end(design):
    present = design.present().diameters_mm
    for stage in (design.stop, design.final):
        cut = stage.needle.diameters_mm < present
        cars = Cars.of(design.learned)
        seen = outlook(design.learned, design.target, stage.needle.diameters_mm, cut, design.drop_mm, cars=cars)
        drawn = seen.lambda_drawn
        np.testing.assert_allclose((drawn < stage.low).mean(axis=0), 0.05, atol=1.0 / len(drawn))
        np.testing.assert_allclose((drawn > stage.high).mean(axis=0), 0.05, atol=1.0 / len(drawn))


def test_the_smoothest_fit_misses_by_half_of_what_the_noise_explains():
    # A fit takes part of the noise up: with 100 bands chi-squared of 50 is taken, 52 is not, nor is 48 passed by.
    assert fit._chosen([90.0, 52.0, 49.0, 30.0], 0.0, 100) == 2
    assert fit._chosen([90.0, 52.0, 48.0, 30.0], 0.0, 100) == 2
    # Where nothing comes so near, chance alone: two standard deviations of chi-squared over the best, sqrt(2 x 50) = 10.
    assert fit._chosen([111.0, 109.5, 100.0], 100.0, 50) == 1
    assert fit._chosen([110.5, 110.5, 100.0], 100.0, 50) == 2


def test_a_cut_may_add_a_fifth_of_the_risk_to_the_danger_of_a_test():
    setup, load = make_setup(drop_min_mm=0.8, drop_max_mm=2.6), ["idle", *("part",) * 5]
    bands = nc.typed_bands(np.linspace(850, 4800, 6), [0.98, *(1.15,) * 5], lift_mm=np.linspace(4, 25, 6), load=load)
    target = nc.make_target(bands, idle_co_percent=1.2)
    problem = Problem.of(prepared(nc.learn(bands, setup), target, Limits()), target, Limits(), np.ones(13, dtype=bool))
    seen = outlook(problem.learned, target, problem.learned.present_mm(), np.zeros(13, dtype=bool), 1.6)

    def cars(failing):
        """Ten thousand cars, some of which fail the test at idle."""
        drawn = np.tile(target.lambda_target, (10_000, 1))
        drawn[:failing, 0] = target.lambda_rich[0] - 0.01
        return drawn

    for before, risk, most in ((1000, 0.05, 1100), (200, 0.05, 500), (1000, 0.2, 2000), (1990, 0.2, 2390)):
        driven = cars(before)
        search = _Search.of(problem, 0.1, problem.rest(), seen, lambda _, uncut=driven: uncut, driven, risk)
        assert not search.test_fails(cars(most - 2))
        assert search.test_fails(cars(most + 2))


def test_passes_are_refused_past_six_times_what_chance_and_three_readings_bring():
    setup = make_setup()
    target = asked(setup, LIFTS, np.full(8, 1.0), 0.95)
    learned = replace(nc.learn(target.bands, setup), spare=12)
    replace(learned, misfit=6.0 * 15 * 0.98).check_one_car()
    with pytest.raises(nc.SolveError, match="No car explains these passes"):
        replace(learned, misfit=6.0 * 15 * 1.02).check_one_car()
