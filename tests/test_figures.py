"""Figures printed as an order or stated as a probability, each worked out again here: 5 % of change is noticed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, NO_DOUBTS, asked, make_setup
from scipy.stats import norm

import needlecalc as nc
from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.after.outcome import Diagnosis, refitted, touched
from needlecalc.design.after.progress import WayOut, _way_out
from needlecalc.design.inverse import fit, verdict
from needlecalc.design.inverse.alternatives import Change, alternative
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.problem import Problem
from needlecalc.design.inverse.solution import best_solution
from needlecalc.design.inverse.solve import prepared
from needlecalc.design.inverse.stages import _Search, chance_made_rich
from needlecalc.design.inverse.uncertainty import Cars, nut_u_mm, outlook
from needlecalc.measure.drive import lag

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
        drawn = seen.lambda_drawn * np.exp(seen.other_day)
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
    found = best_solution(prepared(nc.learn(bands, setup), target, Limits()), target, Limits())
    learned = found.problem.learned
    seen = outlook(learned, target, learned.present_mm(), np.zeros(13, dtype=bool), 1.6)

    def cars(failing):
        """Ten thousand cars, some of which fail the test at idle."""
        drawn = np.tile(target.lambda_target, (10_000, 1))
        drawn[:failing, 0] = target.lambda_rich[0] - 0.01
        return drawn

    for before, risk, most in ((1000, 0.05, 1100), (200, 0.05, 500), (1000, 0.2, 2000), (1990, 0.2, 2390)):
        search = _Search(found, seen, lambda _: seen, cars(before), risk)
        assert not search.test_fails(replace(seen, lambda_drawn=cars(most - 2)))
        assert search.test_fails(replace(seen, lambda_drawn=cars(most + 2)))


def test_passes_are_refused_past_four_times_what_chance_and_three_readings_bring():
    setup = make_setup()
    target = asked(setup, LIFTS, np.full(8, 1.0), 0.95)
    learned = replace(nc.learn(target.bands, setup), degrees_of_freedom=12)
    replace(learned, misfit=4.0 * 15 * 0.98).check_one_car()
    with pytest.raises(nc.SolveError, match="No car explains these passes"):
        replace(learned, misfit=4.0 * 15 * 1.02).check_one_car()


def test_a_tested_band_is_aimed_to_pass_with_95_per_cent_chance():
    setup = make_setup()
    bands = nc.typed_bands([850, 3000], [0.98, 1.05], lift_mm=[4.0, 14.0], load=["idle", "part"], lambda_se=0.01)
    target = nc.make_target(bands, idle_lambda_least=0.95)
    learned = nc.learn(bands, setup)
    least = Problem.of(learned, target, Limits(), np.ones(13, dtype=bool)).tested[0]
    u = np.hypot(learned.lambda_now_u()[0], learned.doubts.sensor_offset / 0.95)
    assert norm.cdf((least - np.log(0.95 / target.lambda_target[0])) / u) == pytest.approx(0.95, abs=0.001)


def test_a_station_that_meters_15_per_cent_of_a_band_counts_as_measured():
    setup = make_setup()
    lifts = np.linspace(9.0, 11.0, 401)
    share = nc.metering(setup, lifts).station_share[:, 5]
    for near, counts in ((0.147, False), (0.153, True)):
        lift = float(lifts[np.argmin(np.abs(share - near))])
        target = asked(setup, [lift], [1.05], 0.95)
        assert best_solution(nc.learn(target.bands, setup), target, Limits()).supported[5] == counts


def test_a_band_made_richer_by_half_a_per_cent_is_made_richer():
    target = asked(make_setup(), [10.0], [0.85], 0.95)
    before = np.full((1, 1), 0.85)
    assert chance_made_rich(target, before * (1.0 - 0.0048), before) == 0.0
    assert chance_made_rich(target, before * (1.0 - 0.0052), before) == 1.0


def test_a_nut_turned_by_steps_stays_evenly_spread_about_its_place():
    # The standard deviation of an even spread is its width over the root of 12.
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6, step_flats=1.0)
    target = asked(setup, [3.0, 14.0], [0.9, 1.05], 0.95, load=("idle", "part"), lambda_se=0.0)
    learned = nc.learn(target.bands, setup, doubts=NO_DOUBTS)
    width = 2.0 * setup.carburettor.jet.farthest_off_mm()
    assert width == pytest.approx(setup.carburettor.jet.flat_mm)
    assert nut_u_mm(learned, np.array([-0.5, -0.1]), 0) == pytest.approx(width / np.sqrt(12.0), rel=1e-6)


def test_a_miss_within_two_uncertainties_of_a_reading_is_put_down_to_the_reading(monkeypatch):
    setup = make_setup()
    target = asked(setup, LIFTS, 1.05 + 0.04 * (-1.0) ** np.arange(8), 0.95, lambda_se=0.02)
    found = best_solution(nc.learn(target.bands, setup), target, Limits())
    band = int(np.argmax(np.abs(found.missed())))
    # Nothing that is solved again helps: what is left is judged by the reading.
    monkeypatch.setattr(verdict, "fit_again", lambda solution, *_: solution)
    monkeypatch.setattr(verdict, "multipliers", lambda _: {})
    for times, cause in ((1.95, verdict.Cause.READINGS), (2.05, verdict.Cause.OPPOSED)):
        noise = np.full(8, abs(found.missed()[band]) / times)
        judged = verdict.judged(replace(found, problem=replace(found.problem, drive_u=noise)))
        (one,) = (one for one in judged.missed if one.band == target.called(band)[0])
        assert one.cause is cause


def test_the_interval_of_a_needle_under_the_file_leaves_one_car_in_twenty_at_either_end(design):
    found = nc.judge_cut(design, design.stop_mm())
    learned, now = design.learned, found.measured
    seen = outlook(
        learned,
        design.target,
        now.diameters_mm,
        touched(learned, now),
        design.drop_mm,
        error_mm=learned.doubts.micrometer_mm,
        cars=Cars.of(learned),
    )
    drawn = seen.lambda_drawn * np.exp(seen.other_day)
    np.testing.assert_allclose((drawn < found.lambda_low).mean(axis=0), 0.05, atol=0.0026)
    np.testing.assert_allclose((drawn > found.lambda_high).mean(axis=0), 0.05, atol=0.0026)


@pytest.fixture(scope="module")
def outcome(design):
    driven = replace(design.target.bands, lambda_measured=design.stop.expected)
    return nc.compare_pass(design, driven)


def test_the_interval_of_a_prediction_holds_nine_readings_in_ten(design, outcome):
    own = np.hypot(0.012 / outcome.lambda_measured, design.learned.doubts.repeatability)
    car = refitted(design.learned, design.stop.needle, design.drop_mm)
    total = np.hypot(car.lambda_now_u(), own)
    for end in (outcome.lambda_low, outcome.lambda_high):
        times = np.abs(np.log(end / outcome.lambda_predicted)) / total
        np.testing.assert_allclose(norm.cdf(times) - norm.cdf(-times), 0.90, atol=0.003)


def test_a_fifth_of_the_bands_may_stray_a_little_without_a_word(outcome):
    def diagnosis(bands, strays, far=1.2):
        half = np.full(bands, 0.02)
        off = np.where(np.arange(bands) < strays, far, 0.3) * half
        known = {"lambda_predicted": np.ones(bands), "lambda_low": np.exp(-half), "lambda_high": np.exp(half)}
        return replace(outcome, lambda_measured=np.exp(off), **known).diagnosis

    assert diagnosis(10, 2) is Diagnosis.HOLDS
    assert diagnosis(14, 3) is not Diagnosis.HOLDS
    assert diagnosis(10, 2, 1.49) is Diagnosis.HOLDS
    assert diagnosis(10, 2, 1.51) is not Diagnosis.HOLDS


def test_the_interval_of_a_ranked_needle_is_that_of_the_one_error_there_is():
    # The meter's zero alone is uncertain: 90 % lie within 1.645 of it, of 4000 cars drawn.
    setup = make_setup(parallel_length_u_mm=0.0)
    doubts = replace(NO_DOUBTS, sensor_offset=0.02)
    target = asked(setup, LIFTS, np.full(8, 1.05), 0.95, lambda_se=0.0, lift_u_mm=0.0)
    one = nc.rank([setup.carburettor.needle], target, nc.learn(target.bands, setup, doubts=doubts)).best()
    half = np.log(one.lambda_high / one.lambda_low) / 2.0
    np.testing.assert_allclose(half, norm.ppf(0.95) * 0.02 / 1.05, rtol=0.025)


def test_a_way_out_within_two_per_cent_serves(design):
    def found(kind, off):
        aim = design.target.lambda_target
        return alternative(kind, design.learned, design.target, 1.6, DIAMETERS_MM, aim * (1.0 + off))

    far = found(Change.NONE, 0.03)
    assert _way_out(found(Change.NONE, 0.0195), far, far) is WayOut.LEAVE
    assert _way_out(found(Change.NONE, 0.0205), found(Change.BEST_JET, -0.0195), far) is WayOut.JET


def test_past_lambda_1_15_an_engine_misfires_at_altitude(design):
    bands = replace(design.target.bands, load=("part",) * 8)
    there = nc.at_altitude(design.setup, bands, None, 1500.0)
    for lean, kinds in ((1.14, []), (1.16, [AltitudeRemark.MISFIRES])):
        place = replace(there.places[1], lambda_predicted=np.full(8, lean))
        home = replace(there.places[0], lambda_predicted=np.full(8, 0.95))
        assert [one.kind for one in replace(there, places=(home, place)).remarks()] == kinds


def test_a_loose_lag_is_said_by_its_90_per_cent_interval(monkeypatch):
    monkeypatch.setattr(lag, "fit_lag", lambda _: (0.3, 0.1, "throttle"))
    spread = np.hypot(0.1, 0.04)
    assert f"good to {norm.ppf(0.95) * spread:.2f} s only" in lag.find_lag(None).source


def test_many_gas_readings_lessen_only_the_wander_of_the_display():
    # A display that wanders by 0.005: sixteen readings leave a sixteenth of its variance, and all of the analyser's.
    gas = nc.checks.GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.98)

    def told(count):
        return 1.0 / (1.0 / nc.checks.sensor_zero([gas] * count).u ** 2 - 1.0 / 0.010**2)

    assert told(1) - told(16) == pytest.approx(0.005**2 * 15.0 / 16.0, rel=0.02)
