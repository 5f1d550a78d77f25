"""Lifts read: weighed against computed ones, and when they are stale."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from lift_cases import RPM, case_setup, made_bands, scaled_lift, with_valve
from scipy.stats import truncnorm

import needlecalc as nc
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.measure.lift.estimates import readings_against_air

DOUBTS = nc.measure.LiftDoubts()


def test_readings_set_the_scale_of_the_rest():
    setup, bands = case_setup(), made_bands()
    truth = scaled_lift(setup, bands, -0.12)
    few = np.where(np.isin(np.arange(RPM.size), (1, 4, 7)), truth, np.nan)
    plain, scaled = nc.with_lift(bands, setup), nc.with_lift(bands, setup, lift_mm=few, lift_u_mm=0.15)
    rest = np.isnan(few)
    # Prior 9.6 % against three readings good to 9 % of air each, the bands' own error included: most of it is found.
    assert (np.abs(scaled.lift_mm - truth)[rest] < 0.5 * np.abs(plain.lift_mm - truth)[rest]).all()
    assert (scaled.lift_u_mm < plain.lift_u_mm)[rest].all()
    np.testing.assert_array_equal(scaled.lift_mm[~rest], truth[~rest])
    (note,) = [note for note in scaled.assumptions if "put the air flow" in note]
    assert "3 lifts read" in note
    assert "serves 6 bands" in note
    assert scaled.lift_source[0] == LiftSource.PRESSURE | LiftSource.SCALED
    assert "scaled to lifts read" in str(scaled)
    left_alone = nc.with_lift(bands, setup, lift_mm=few, calibrate=False)
    np.testing.assert_array_equal(left_alone.lift_mm[rest], plain.lift_mm[rest])


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.25, 0.2), st.integers(1, 8))
def test_sure_readings_find_any_scale(scale, count):
    # Nothing but the scale can be wrong here, so the readings' scale is the true one.
    sure = nc.measure.LiftDoubts(throat_shape_u=0.0, manifold_pressure_u_pa=0.0, pulsation_u=0.0, zero_u_mm=0.0)
    setup = case_setup()
    setup = replace(setup, engine=replace(setup.engine, volumetric_efficiency_shape_u=0.0))
    bands = made_bands()
    truth = scaled_lift(setup, bands, scale)
    marks = np.where(np.arange(RPM.size) < count, truth, np.nan)
    got = nc.with_lift(bands, setup, lift_mm=marks, lift_u_mm=1e-3, doubts=sure)
    np.testing.assert_allclose(got.lift_mm, truth, atol=0.02)


def test_one_reading_by_hand():
    # One reading y +- u meets one computed lift L +- (c shared, b own): the scale takes c/(c2 + b2 + u2) of the
    # difference (Gauss, for a slope that hardly bends), and the own error of another band, which is alike by the
    # share 0.9 exp(-|ln ratio|/0.7), takes its covariance over the same sum.
    setup, bands = case_setup(), made_bands()
    plain = nc.with_lift(bands, setup)
    share = 0.09**2 + 0.10**2 + 0.02**2
    own2 = plain.lift_u_mm**2 - plain.lift_common_u_mm**2
    slope = plain.lift_common_u_mm / np.sqrt(share)
    k, off = 4, 0.05
    marks = np.full(RPM.size, np.nan)
    marks[k] = plain.lift_mm[k] + off
    got = nc.with_lift(bands, setup, lift_mm=marks, lift_u_mm=0.3)
    alike = 0.9 * np.exp(-np.abs(np.log((plain.lift_mm + 1.0) / (plain.lift_mm[k] + 1.0))) / 0.7)
    together = slope * slope[k] * share + alike * np.sqrt(own2 * own2[k])
    expected = together * off / (plain.lift_common_u_mm[k] ** 2 + own2[k] + 0.3**2)
    rest = np.arange(RPM.size) != k
    np.testing.assert_allclose((got.lift_mm - plain.lift_mm)[rest], expected[rest], rtol=0.02)


def test_a_reading_serves_the_bands_beside_it_most():
    setup, bands = case_setup(), made_bands()
    plain = nc.with_lift(bands, setup)
    marks = np.full(RPM.size, np.nan)
    marks[4] = plain.lift_mm[4]
    got = nc.with_lift(bands, setup, lift_mm=marks, lift_u_mm=0.1)
    left = got.lift_u_mm / plain.lift_u_mm
    order = np.argsort(np.abs(np.log((plain.lift_mm + 1.0) / (plain.lift_mm[4] + 1.0))))
    # The band's own part differs by how far its throttle is open, and with it what its neighbour tells of it.
    assert (np.diff(left[order]) > -0.1).all()
    assert np.corrcoef(np.arange(left.size), left[order])[0, 1] > 0.8
    assert left[order[1]] < 0.75
    assert (left <= 1.0 + 1e-9).all()


def test_readings_far_off_the_doubt_are_named():
    setup, bands = case_setup(), made_bands()
    truth = scaled_lift(setup, bands, -0.55)
    got = nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 0, np.nan, truth))
    (note,) = [note for note in got.assumptions if "put the air flow" in note]
    assert "beyond its uncertainty of 14 %, so check volumetric efficiency, throat coefficient or spring" in note


def test_readings_only_where_the_throat_cannot_pass_the_air():
    setup = case_setup()
    top = float(setup.carburettor.air_valve.air_flow_g_s(30.4, setup.air))
    bands = made_bands(air_flow_g_s=np.r_[np.full(8, 0.3 * top), 2.0 * top])
    with pytest.raises(nc.InputError, match="No lift read stands at a band whose air flow from the air meter passes"):
        nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 8, 25.0, np.nan))


def test_readings_weighed_against_the_computed_lift():
    setup, bands = case_setup(), made_bands()
    rng = np.random.default_rng(5)
    truth = scaled_lift(setup, bands, 0.05)
    read = truth + rng.normal(0.0, 0.3, RPM.size)
    alone, both = nc.with_lift(bands, setup, lift_mm=read), nc.with_lift(bands, setup, lift_mm=read, combine=True)
    np.testing.assert_array_equal(alone.lift_mm, read)
    assert (both.lift_u_mm < alone.lift_u_mm).all()
    assert (both.lift_common_u_mm <= both.lift_u_mm).all()
    assert set(both.lift_source) == {LiftSource.TYPED | LiftSource.PRESSURE}
    with pytest.raises(nc.InputError, match="already weighed against the air flow"):
        nc.with_lift(both, setup)
    assert readings_against_air(both, setup, DOUBTS) is None
    with pytest.raises(nc.InputError, match="combine needs an air flow"):
        nc.with_lift(made_bands(manifold_pressure_pa=np.full(RPM.size, np.nan)), setup, lift_mm=read, combine=True)


def test_asked_twice_it_says_the_same():
    setup, bands = case_setup(), made_bands()
    marks = np.where(np.arange(RPM.size) < 3, scaled_lift(setup, bands, 0.1), np.nan)
    once = nc.with_lift(bands, setup, lift_mm=marks)
    twice = nc.with_lift(once, setup)
    for name in ("lift_mm", "lift_u_mm", "lift_common_u_mm"):
        np.testing.assert_allclose(getattr(twice, name), getattr(once, name), rtol=1e-12)
    assert twice.lift_source == once.lift_source
    assert twice.assumptions == once.assumptions


def test_a_sensor_counts_its_doubt_once():
    lift = np.linspace(2.0, 20.0, RPM.size)
    logged = made_bands(lift_mm=lift, lift_u_mm=np.full(RPM.size, 0.15), lift_source=(LiftSource.LOGGED,) * RPM.size)
    once = nc.with_lift(logged, case_setup())
    np.testing.assert_allclose(once.lift_u_mm, 0.25)  # 3-4-5
    np.testing.assert_allclose(once.lift_common_u_mm, 0.1)
    np.testing.assert_array_equal(nc.with_lift(once, case_setup()).lift_u_mm, once.lift_u_mm)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.4, 1.1), st.floats(0.0, 0.3), st.floats(0.01, 0.2))
def test_laws_of_the_doubt(level, level_u, more):
    setup, bands = case_setup(), made_bands()
    engine = replace(setup.engine, volumetric_efficiency=level, volumetric_efficiency_u=level_u, displacement_cm3=250.0)
    setup = replace(setup, engine=engine)
    got = nc.with_lift(bands, setup)
    assert (0.0 <= got.lift_common_u_mm).all()
    assert (got.lift_common_u_mm <= got.lift_u_mm).all()
    worse = nc.with_lift(bands, replace(setup, engine=replace(engine, volumetric_efficiency_u=level_u + more)))
    assert (worse.lift_common_u_mm >= got.lift_common_u_mm).all()
    # But for the very end of the throat, which tells the more of an air flow the less is known of it.
    np.testing.assert_allclose(worse.lift_mm, got.lift_mm, rtol=5e-3)
    # What is shared moves with the air flow: more of it at more lift.
    order = np.argsort(got.lift_mm)
    assert (np.diff(got.lift_common_u_mm[order]) > -1e-9).all()


def test_air_that_the_throat_cannot_pass_is_taken_for_less_as_far_as_that_can_be():
    setup = case_setup()
    valve = setup.carburettor.air_valve
    top = float(valve.air_flow_g_s(valve.travel_mm(), setup.air))

    def at(share):
        return nc.with_lift(made_bands(air_flow_g_s=np.r_[np.full(8, 0.3 * top), share * top]), setup)

    # A normal error of 10.9 % shared and 4.7 % own, cut off where the throat ends: its mean and spread, from scipy.
    shared, own = np.sqrt(0.03**2 + 0.10**2 + 0.02**2), np.sqrt(0.01**2 + 0.04**2 + 0.02**2)
    whole = np.hypot(shared, own)
    ends = truncnorm(-np.inf, -np.log(1.1) / whole, scale=whole)
    part = (shared / whole) ** 2
    flow = 0.3 * top * np.exp(part * ends.mean())
    bands = at(1.1)
    np.testing.assert_allclose(bands.lift_mm[:8], valve.lift_mm(flow, setup.air), rtol=1e-9)
    left_u = shared * np.sqrt(1.0 - part * (1.0 - ends.var() / whole**2))
    slope = (valve.lift_mm(1.001 * flow, setup.air) - valve.lift_mm(0.999 * flow, setup.air)) / 0.002
    np.testing.assert_allclose(bands.lift_common_u_mm[:8], left_u * slope, rtol=0.02)
    assert 0.95 * valve.travel_mm() < bands.lift_mm[-1] <= valve.travel_mm()
    assert bands.lift_u_mm[-1] > 0.5
    for share, percent in ((1.1, 10), (1.4, 40)):
        assert any(f"is up to {percent} % more than the throat passes at full" in note for note in at(share).assumptions)
    assert not any("more than the throat passes" in note for note in at(0.9).assumptions)
    with pytest.raises(nc.InputError, match=r"4000 rpm full: .* more than the throat passes"):
        at(2.5)


# ---------------------------------------------------------------- stale readings


@pytest.mark.parametrize(
    ("changed", "words"),
    [
        ({"spring_preload_n": 2.2}, "spring_preload_n 1.2, now 2.2"),
        ({"spring_rate_n_mm": 0.03}, "spring_rate_n_mm 0.01, now 0.03"),
        ({"piston_mass_kg": 0.3}, "piston_mass_kg 0.26, now 0.3"),
        ({"disc_diameter_mm": 63.0}, "disc_diameter_mm 60, now 63"),
    ],
)
def test_readings_of_other_parts_are_stale(changed, words):
    before, bands = case_setup(), made_bands()
    now = with_valve(before, **changed)
    lift = scaled_lift(before, bands, 0.0)
    assert nc.measure.lift_change(before, now) == words
    with pytest.raises(nc.InputError, match=f"read under other parts or air: {words}; read them anew"):
        nc.with_lift(bands, now, lift_mm=lift, lift_setup=before)
    # Read over at equal air they are what the present parts would have shown.
    got = nc.with_lift(bands, now, lift_mm=lift, lift_setup=before, restate=True)
    np.testing.assert_allclose(got.lift_mm, scaled_lift(now, bands, 0.0), atol=1e-6)
    assert any("read over at equal air" in note for note in got.assumptions)
    # Lifts that stand in bands belong to their lambda: neither may be carried to other parts.
    kept = nc.with_lift(bands, before, lift_mm=lift)
    assert kept.lift_setup is before
    with pytest.raises(nc.InputError, match=f"with them their lambda, belong to other parts: {words}"):
        nc.with_lift(kept, now)


def test_what_does_not_make_readings_stale():
    before, bands = case_setup(), made_bands()
    lift = scaled_lift(before, bands, 0.0)
    now = with_valve(before, discharge_coefficient=0.74, damper_oil="SAE 30")
    assert nc.measure.lift_change(before, now) == ""
    got = nc.with_lift(bands, now, lift_mm=lift, lift_setup=before)
    np.testing.assert_array_equal(got.lift_mm, lift)
    assert any("damper oil not named, now SAE 30; steady lifts stand" in note for note in got.assumptions)
    assert not any("damper oil" in note for note in nc.with_lift(bands, before, lift_mm=lift).assumptions)


def test_readings_of_another_days_air():
    before, bands = case_setup(), made_bands()
    lift = scaled_lift(before, bands, 0.0)
    now = replace(before, air=nc.Air(temperature_degc=30.0))
    with pytest.raises(nc.InputError, match=r"air density -(4\.9|5\.0) %"):
        nc.with_lift(bands, now, lift_mm=lift, lift_setup=before)
    warmer = nc.with_lift(bands, now, lift_mm=lift, lift_setup=before, restate=True)
    assert (warmer.lift_mm < lift).all()


@settings(max_examples=30, deadline=None)
@given(st.floats(0.5, 18.0), st.floats(0.5, 4.0), st.floats(0.15, 0.4))
def test_read_over_and_back(lift, preload, mass):
    before = case_setup()
    now = with_valve(before, spring_preload_n=preload, piston_mass_kg=mass)
    there = nc.measure.restate_lift([lift], before, now)
    assert nc.measure.restate_lift(there, now, before)[0] == pytest.approx(lift, abs=1e-6)


def test_lifts_that_cannot_be_read_over():
    before = case_setup()
    with pytest.raises(nc.InputError, match=r"35 mm was read where the piston travels 30\.4 mm"):
        nc.measure.restate_lift([35.0], before, before)
    weak = with_valve(before, spring_preload_n=0.0, piston_mass_kg=0.1)
    with pytest.raises(nc.InputError, match="more than the present parts pass"):
        nc.measure.restate_lift([29.0], before, weak)
