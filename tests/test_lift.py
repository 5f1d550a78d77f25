"""Ways to the lift: hand-worked balances, readings that set the scale, stale readings, throttle and speed."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given, settings
from hypothesis import strategies as st
from lift_cases import KPA, RPM, case_setup, made_bands, scaled_lift, throttle_of, with_valve

import needlecalc as nc
from needlecalc.measure.lift.throttle import throttle_way
from needlecalc.measure.lift.ways import read_way

DOUBTS = nc.LiftDoubts()


# The air valve worked by hand: the area of the segment stands in tests/reference/circular_segment.csv and is
# checked in shapely elsewhere; the expansion factor 1 - 3/(4 gamma) dp/p is first order, good to 3e-4 here.
BORE, BRIDGE, LIFT = 38.1, 3.0, 10.0
OPEN_MM2 = 301.7
WIDTH_MM = 2.0 * np.sqrt(13.0 * (38.1 - 13.0))
DEPRESSION = (0.26 * 9.80665 + 1.2) / (np.pi / 4.0 * 0.060**2)


def hand_case() -> tuple[nc.Setup, nc.Bands]:
    """One band whose air just lifts the piston by 10 mm, and the setup."""
    setup = with_valve(make_setup(), throat_bore_mm=BORE, bridge_mm=BRIDGE, spring_rate_n_mm=0.0)
    density = 101325.0 / (287.05 * 288.15)
    flow = 0.7 * OPEN_MM2 * 1e-3 * np.sqrt(2.0 * density * DEPRESSION) * (1.0 - 0.75 / 1.4 * DEPRESSION / 101325.0)
    rpm = 120.0 * flow / (1500e-6 * 0.85 * 60e3 / (287.05 * 288.15) * 1e3)
    bands = nc.typed_bands([rpm], [1.0])
    return setup, replace(bands, manifold_pressure_pa=np.array([60e3]))


def test_lift_by_hand_from_manifold_pressure_and_speed():
    setup, bands = hand_case()
    got = nc.with_lift(bands, setup)
    assert got.lift_mm[0] == pytest.approx(LIFT, abs=5e-3)
    # One per cent of air moves the piston by A/A' per cent, and the valve's shares are 8, 5 and 4/2 per cent.
    shared = np.hypot(np.hypot(0.08, 0.05), 0.02)
    assert got.lift_common_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * shared, rel=0.01)
    # A number for the filling: 9 per cent from point to point; throat 2, gauge 700 Pa of 60 kPa, no pulses.
    own = np.sqrt(0.09**2 + 0.02**2 + (0.7 / 60.0) ** 2)
    assert got.lift_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * np.hypot(shared, own), rel=0.01)


def test_lift_by_hand_from_the_air_meter():
    setup, bands = hand_case()
    flow = setup.engine.air_flow_g_s(bands.rpm, bands.manifold_pressure_pa, setup.air)
    got = nc.with_lift(replace(bands, air_flow_g_s=flow), setup)
    assert got.lift_mm[0] == pytest.approx(LIFT, abs=5e-3)
    assert got.lift_source == ("computed from logged air flow",)
    assert got.lift_common_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * np.sqrt(0.03**2 + 0.05**2 + 0.02**2), rel=0.01)


def test_two_carburettors_take_half_the_air_each():
    setup, bands = hand_case()
    twins = replace(setup, engine=replace(setup.engine, displacement_cm3=3000.0, carburettors=2))
    assert nc.with_lift(bands, twins).lift_mm[0] == pytest.approx(LIFT, abs=5e-3)


def test_a_stronger_spring_by_hand():
    setup, bands = hand_case()
    # Depression half as much again by the spring: at equal air the area falls by its root.
    force = 0.26 * 9.80665 + 1.2
    stronger = with_valve(setup, spring_preload_n=1.2 + 0.5 * force)
    lift = nc.restate_lift([LIFT], setup, stronger)
    assert stronger.carburettor.air_valve.throat_area_mm2(lift)[0] == pytest.approx(OPEN_MM2 / np.sqrt(1.5), rel=0.006)
    np.testing.assert_allclose(nc.with_lift(bands, stronger).lift_mm, lift, atol=0.01)


def test_thinner_air_by_hand():
    setup, _ = hand_case()
    # The same volume of air of density rho: the area goes as the root of rho (Bernoulli).
    high = replace(setup, air=nc.Air(pressure_pa=75e3, temperature_degc=15.0))
    area = setup.carburettor.air_valve.throat_area_mm2(nc.restate_lift([LIFT], setup, high))[0]
    assert area == pytest.approx(OPEN_MM2 * np.sqrt(75.0 / 101.325), rel=0.004)


# ---------------------------------------------------------------- volumetric efficiency


TABLE = nc.VolumetricEfficiency([1000, 3000, 5000], [30e3, 100e3], [[0.6, 0.8], [0.7, 0.9], [0.6, 0.7]])


def test_table_between_its_entries_by_hand():
    assert TABLE.at(2000.0, 65e3) == pytest.approx((0.6 + 0.8 + 0.7 + 0.9) / 4.0)
    assert TABLE.at(3500.0, 100e3) == pytest.approx(0.75 * 0.9 + 0.25 * 0.7)
    assert np.isnan(TABLE.at([2000.0], [np.nan])).all()


@given(st.floats(1000.0, 5000.0), st.floats(30e3, 100e3))
def test_table_never_leaves_its_entries(rpm, pressure):
    assert TABLE.efficiency.min() - 1e-12 <= TABLE.at(rpm, pressure) <= TABLE.efficiency.max() + 1e-12
    assert TABLE.edge_doubt(rpm, pressure) == 0.0


def test_off_the_table_refused_or_edge_held_with_its_slope_as_doubt():
    with pytest.raises(nc.InputError, match=r"500 rpm at 65\.0 kPa lies off .* table \(1000 to 5000 rpm"):
        TABLE.at(500.0, 65e3)
    assert TABLE.at(500.0, 65e3, hold_edge=True) == pytest.approx(0.7)
    # Its slope there is 0.1 in 2000 rpm: 0.025 over 500.
    assert TABLE.edge_doubt(500.0, 65e3) == pytest.approx(0.025 / 0.7)
    setup = replace(case_setup(), engine=nc.Engine(1000.0, 4, volumetric_efficiency=TABLE))
    bands = nc.with_lift(made_bands(), setup)
    (note,) = [note for note in bands.assumptions if "edge is held" in note]
    assert note.endswith("850 rpm idle")
    wide = nc.VolumetricEfficiency([850, 1000, 3000, 5000], [30e3, 100e3], [[0.6, 0.8], *TABLE.efficiency])
    inside = nc.with_lift(made_bands(), replace(setup, engine=replace(setup.engine, volumetric_efficiency=wide)))
    assert inside.lift_mm[0] == bands.lift_mm[0]
    assert inside.lift_u_mm[0] < bands.lift_u_mm[0]
    assert inside.lift_u_mm[1] == bands.lift_u_mm[1]


def test_flat_table_is_the_number_and_outside_air_is_another_way_to_say_it():
    setup, bands = case_setup(), made_bands()
    number = nc.with_lift(bands, setup).lift_mm
    edges = np.linspace(800, 4200, 40), np.linspace(30e3, 100e3, 40)
    flat = nc.VolumetricEfficiency(*edges, np.full((40, 40), 0.85))
    outside = nc.VolumetricEfficiency(*edges, np.tile(0.85 * edges[1] / 101325.0, (40, 1)), reference="outside")
    # Moist air of the outside is 0.04 % denser by its equation of state than the ideal dry gas behind the throttle.
    for table, share in ((flat, 1e-9), (outside, 5e-4)):
        engine = replace(setup.engine, volumetric_efficiency=table)
        np.testing.assert_allclose(nc.with_lift(bands, replace(setup, engine=engine)).lift_mm, number, rtol=share)


@pytest.mark.parametrize(
    ("parts", "match"),
    [
        (([3000, 1000], [30e3, 100e3], [[0.6, 0.8], [0.6, 0.8]]), "rpm of the volumetric efficiency must rise"),
        (([1000, 3000], [30.0, 100.0], [[0.6, 0.8], [0.6, 0.8]]), "in Pa, and one kPa is 1000 Pa"),
        (([1000, 3000, 5000], [30e3, 100e3], [[0.6, 0.7, 0.8], [0.6, 0.7, 0.8]]), "3 x 2, but it has 2 rows of 3"),
        (([1000, 3000], [30e3, 100e3], [[0.6, 0.8], [0.6, 80.0]]), "3000 rpm and 100 kPa is 80, .* write 80 % as 0.8"),
        (([1000, 3000], [30e3, 100e3], 0.8), "efficiency must be one row of numbers"),
        (([1000, 3000], [30e3, 100e3], [[0.6, 0.8], [0.6, 0.8]], "sea level"), "reference is 'sea level'"),
    ],
)
def test_tables_refused(parts, match):
    with pytest.raises(nc.InputError, match=match):
        nc.VolumetricEfficiency(*parts)


# ---------------------------------------------------------------- readings and computed lifts


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
    assert "scaled to 3 lifts read" in scaled.lift_source[0]
    left_alone = nc.with_lift(bands, setup, lift_mm=few, calibrate=False)
    np.testing.assert_array_equal(left_alone.lift_mm[rest], plain.lift_mm[rest])


@settings(max_examples=25, deadline=None)
@given(st.floats(-0.25, 0.2), st.integers(1, 8))
def test_sure_readings_find_any_scale(scale, count):
    # Nothing but the scale can be wrong here, so the readings' scale is the true one.
    sure = nc.LiftDoubts(throat_shape_u=0.0, manifold_pressure_u_pa=0.0, pulsation_u=0.0, zero_u_mm=0.0)
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
    share = 0.08**2 + 0.05**2 + 0.02**2
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
    assert (np.diff(left[order]) > -1e-3).all()
    assert left[order[1]] < 0.75
    assert (left <= 1.0 + 1e-9).all()


def test_readings_far_off_the_doubt_are_named():
    setup, bands = case_setup(), made_bands()
    truth = scaled_lift(setup, bands, -0.45)
    got = nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 0, np.nan, truth))
    (note,) = [note for note in got.assumptions if "put the air flow" in note]
    assert "beyond its doubt of 10 %, so check volumetric efficiency, throat coefficient or spring" in note


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
    assert all("typed in, weighed against manifold pressure" in source for source in both.lift_source)
    for again in (nc.with_lift, nc.lift_agreement):
        with pytest.raises(nc.InputError, match="already weighed against the air flow"):
            again(both, setup)
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
    logged = made_bands(lift_mm=lift, lift_u_mm=np.full(RPM.size, 0.15), lift_source=("logged",) * RPM.size)
    once = nc.with_lift(logged, case_setup())
    np.testing.assert_allclose(once.lift_u_mm, 0.25)  # 3-4-5
    np.testing.assert_allclose(once.lift_common_u_mm, 0.1)
    np.testing.assert_array_equal(nc.with_lift(once, case_setup()).lift_u_mm, once.lift_u_mm)


@settings(max_examples=25, deadline=None)
@given(st.floats(0.4, 1.1), st.floats(0.0, 0.3), st.floats(0.01, 0.2))
def test_laws_of_the_doubt(level, level_u, more):
    setup, bands = case_setup(), made_bands()
    engine = replace(setup.engine, volumetric_efficiency=level, volumetric_efficiency_u=level_u, displacement_cm3=700.0)
    setup = replace(setup, engine=engine)
    got = nc.with_lift(bands, setup)
    assert (0.0 <= got.lift_common_u_mm).all()
    assert (got.lift_common_u_mm <= got.lift_u_mm).all()
    worse = nc.with_lift(bands, replace(setup, engine=replace(engine, volumetric_efficiency_u=level_u + more)))
    assert (worse.lift_common_u_mm >= got.lift_common_u_mm).all()
    np.testing.assert_array_equal(worse.lift_mm, got.lift_mm)
    # What is shared moves with the air flow: more of it at more lift.
    order = np.argsort(got.lift_mm)
    assert (np.diff(got.lift_common_u_mm[order]) > -1e-9).all()


def test_a_little_more_than_the_throat_passes_is_the_top_and_much_more_is_refused():
    setup = case_setup()
    valve = setup.carburettor.air_valve
    top = float(valve.air_flow_g_s(valve.travel_mm(), setup.air))
    bands = nc.with_lift(made_bands(air_flow_g_s=np.r_[np.full(8, 0.3 * top), 1.1 * top]), setup)
    assert bands.lift_mm[-1] == pytest.approx(valve.travel_mm())
    assert bands.lift_u_mm[-1] > 0.5
    assert any("piston taken at its top: 4000 rpm full" in note for note in bands.assumptions)
    with pytest.raises(nc.InputError, match=r"4000 rpm full: .* more than the throat passes"):
        nc.with_lift(made_bands(air_flow_g_s=np.r_[np.full(8, 0.3 * top), 1.3 * top]), setup)


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
    assert nc.lift_change(before, now) == words
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
    assert nc.lift_change(before, now) == ""
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
    there = nc.restate_lift([lift], before, now)
    assert nc.restate_lift(there, now, before)[0] == pytest.approx(lift, abs=1e-6)


def test_lifts_that_cannot_be_read_over():
    before = case_setup()
    with pytest.raises(nc.InputError, match=r"35 mm was read where the piston travels 30\.4 mm"):
        nc.restate_lift([35.0], before, before)
    weak = with_valve(before, spring_preload_n=0.0, piston_mass_kg=0.1)
    with pytest.raises(nc.InputError, match="more than the present parts pass"):
        nc.restate_lift([29.0], before, weak)


# ---------------------------------------------------------------- throttle and speed


def test_throttle_and_speed_between_readings():
    setup = case_setup()
    throttle = throttle_of(RPM, 1e3 * KPA, 101325.0, 0.85)
    bands = made_bands(throttle_percent=throttle, manifold_pressure_pa=np.full(RPM.size, np.nan))
    truth = scaled_lift(setup, made_bands(), 0.08)
    marks = truth.copy()
    marks[[2, 4, 7]] = np.nan
    got = nc.with_lift(bands, setup, lift_mm=marks, lift_u_mm=0.2)
    np.testing.assert_allclose(got.lift_mm, truth, rtol=0.04)
    assert "throttle and speed, set by 6 lifts read" in got.lift_source[2]
    assert (np.abs(got.lift_mm - truth) < 2.0 * got.lift_u_mm).all()
    np.testing.assert_allclose(got.lift_common_u_mm, 0.1)
    with pytest.raises(nc.InputError, match=r"needs 6 lifts read around it \(now 5\)"):
        nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 5, np.nan, marks))
    with pytest.raises(nc.InputError, match="850 rpm idle: no lift can be computed"):
        nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 0, np.nan, truth))
    reading, _ = read_way(bands, DOUBTS, lift_mm=np.where(np.arange(RPM.size) < 4, truth, np.nan))
    with pytest.raises(nc.InputError, match=r"only after 6 lifts read in the same drive .* but there are 4"):
        throttle_way(bands, setup, reading, DOUBTS)
    reading, _ = read_way(bands, DOUBTS, lift_mm=truth[::-1].copy())
    with pytest.raises(nc.InputError, match="check the throttle sensor's ends"):
        throttle_way(bands, setup, reading, DOUBTS)


# ---------------------------------------------------------------- the job file


JOB = """
[engine]
displacement_cm3 = 1500.0
cylinders = 4
[engine.volumetric_efficiency]
rpm = [800, 5000]
manifold_pressure_kpa = [30, 100]
efficiency = [[0.6, 0.8], [0.6, 0.8]]
[needle]
name = "stock"
stations_mm = [0.0, 36.0]
diameters_mm = [2.4, 1.7]
[jet]
bore_mm = 2.54
drop_mm = 1.6
[air_valve]
throat_bore_mm = 38.0
disc_diameter_mm = 60.0
piston_mass_kg = 0.26
spring_preload_n = 2.2
[bands]
rpm = [900, 2000, 3000]
lambda_measured = [0.97, 1.02, 1.05]
[lift]
lift_mm = [2.5, 6.0, 9.0]
restate = true
[lift.air_valve]
spring_preload_n = 1.2
[lift.doubts]
zero_u_mm = 0.05
"""


def test_typed_lifts_that_are_too_few_or_blank_name_their_band():
    bands = nc.typed_bands([850, 2500, 4000], [0.98, 1.05, 1.1], load=["idle", "part", "full"])
    each = "must hold one for each of 3 bands, in this order: 850 rpm idle, 2500 rpm part, 4000 rpm full; put nan where"
    for lifts, words in (([4.0, 12.0], "lift_mm holds 2 values"), ([4.0], "lift_mm holds 1 value")):
        with pytest.raises(nc.InputError, match=f"^{words}, but {each}"):
            nc.with_lift(bands, case_setup(), lift_mm=lifts)
        with pytest.raises(nc.InputError, match=f"^{words}, but {each}"):
            nc.lift_agreement(bands, case_setup(), lift_mm=lifts)
    with pytest.raises(
        nc.InputError, match=r"^Band 2500 rpm part: no lift can be computed, no air flow and no manifold"
    ) as caught:
        nc.with_lift(bands, case_setup(), lift_mm=[4.0, np.nan, 22.0])
    assert "log" not in str(caught.value)


def test_a_job_with_a_table_and_readings_of_another_spring(tmp_path):
    file = tmp_path / "job.toml"
    file.write_text(JOB)
    job = nc.read_job(file)
    assert job.setup.engine.volumetric_efficiency.at(3000.0, 65e3) == pytest.approx(0.7)
    bands = job.bands(None)
    weaker = with_valve(job.setup, spring_preload_n=1.2)
    np.testing.assert_allclose(bands.lift_mm, nc.restate_lift([2.5, 6.0, 9.0], weaker, job.setup))
    np.testing.assert_allclose(bands.lift_common_u_mm, 0.05)
    for old, new, match in [
        ("restate = true\n", "", "spring_preload_n 1.2, now 2.2"),
        ("spring_preload_n = 1.2", "spring = 1.2", r"\[lift.air_valve\] has no key 'spring'"),
        ("zero_u_mm = 0.05", "zero_u_mm = -1", "zero_u_mm is -1"),
        ("manifold_pressure_kpa = [30, 100]", "manifold_pressure_kpa = 30", "must be one row of numbers"),
    ]:
        assert old in JOB
        file.write_text(JOB.replace(old, new))
        with pytest.raises(nc.InputError, match=match):
            nc.read_job(file).bands(None)
