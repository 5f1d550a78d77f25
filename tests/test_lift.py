"""Ways to the lift: hand-worked balances, volumetric efficiency, throttle and speed, the job file."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given
from hypothesis import strategies as st
from lift_cases import KPA, RPM, case_setup, made_bands, scaled_lift, throttle_of, with_valve

import needlecalc as nc
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.measure.lift.estimates import by_reading, by_throttle

DOUBTS = nc.measure.LiftDoubts()


# The air valve worked by hand: the area of the segment stands in tests/reference/circular_segment.csv and is
# checked in shapely elsewhere; the expansion factor 1 - 3/(4 gamma) dp/p is first order, good to 3e-4 here.
BORE, BRIDGE, LIFT = 38.1, 3.0, 10.0
OPEN_MM2 = 301.7
WIDTH_MM = 2.0 * np.sqrt(13.0 * (38.1 - 13.0))
DEPRESSION = (0.26 * 9.80665 + 1.2) / (np.pi / 4.0 * 0.060**2)


def hand_case() -> tuple[nc.Setup, nc.Bands]:
    """One band whose air just lifts the piston by 10 mm, and the setup."""
    setup = with_valve(make_setup(), throat_bore_mm=BORE, bridge_mm=BRIDGE, spring_rate_n_mm=0.0)
    density = 101325.0 / (287.05287 * 288.15)
    flow = 0.7 * OPEN_MM2 * 1e-3 * np.sqrt(2.0 * density * DEPRESSION) * (1.0 - 0.75 / 1.4 * DEPRESSION / 101325.0)
    # Filling at full load, less by exhaust of 101.3 kPa left behind at 60 kPa (Heywood 1988, 6.2.1, from memory).
    filling = 0.80 * (1.0 - (101.325 / 60.0 - 1.0) / (1.3 * 7.5))
    rpm = 120.0 * flow / (1500e-6 * filling * 60e3 / (287.05287 * 288.15) * 1e3)
    bands = nc.typed_bands([rpm], [1.0])
    return setup, replace(bands, manifold_pressure_pa=np.array([60e3]))


def test_lift_by_hand_from_manifold_pressure_and_speed():
    setup, bands = hand_case()
    got = nc.with_lift(bands, setup)
    assert got.lift_mm[0] == pytest.approx(LIFT, abs=5e-3)
    # One per cent of air moves the piston by A/A' per cent, and the valve's shares are 9, 10 and 4/2 per cent.
    shared = np.hypot(np.hypot(0.09, 0.10), 0.02)
    assert got.lift_common_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * shared, rel=0.01)
    # A number for the filling: 6 per cent from point to point and half of its fall; throat 4, gauge 700 Pa of 60 kPa.
    own = np.sqrt(0.06**2 + (0.5 * 0.0706) ** 2 + 0.04**2 + (0.7 / 60.0) ** 2)
    assert got.lift_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * np.hypot(shared, own), rel=0.01)


def test_lift_by_hand_from_the_air_meter():
    setup, bands = hand_case()
    flow = setup.engine.air_flow_g_s(bands.rpm, bands.manifold_pressure_pa, setup.air)
    got = nc.with_lift(replace(bands, air_flow_g_s=flow), setup)
    assert got.lift_mm[0] == pytest.approx(LIFT, abs=5e-3)
    assert got.lift_source == (LiftSource.AIR_METER,)
    assert got.lift_common_u_mm[0] == pytest.approx(OPEN_MM2 / WIDTH_MM * np.sqrt(0.03**2 + 0.10**2 + 0.02**2), rel=0.01)


def test_two_carburettors_take_half_the_air_each():
    setup, bands = hand_case()
    twins = replace(setup, engine=replace(setup.engine, displacement_cm3=3000.0, carburettors=2))
    assert nc.with_lift(bands, twins).lift_mm[0] == pytest.approx(LIFT, abs=5e-3)


def test_a_stronger_spring_by_hand():
    setup, bands = hand_case()
    # Depression half as much again by the spring: at equal air the area falls by its root.
    force = 0.26 * 9.80665 + 1.2
    stronger = with_valve(setup, spring_preload_n=1.2 + 0.5 * force)
    lift = nc.measure.restate_lift([LIFT], setup, stronger)
    assert stronger.carburettor.air_valve.throat_area_mm2(lift)[0] == pytest.approx(OPEN_MM2 / np.sqrt(1.5), rel=0.006)
    np.testing.assert_allclose(nc.with_lift(bands, stronger).lift_mm, lift, atol=0.01)


def test_thinner_air_by_hand():
    setup, _ = hand_case()
    # The same volume of air of density rho: the area goes as the root of rho (Bernoulli).
    high = replace(setup, air=nc.Air(pressure_pa=75e3, temperature_degc=15.0))
    area = setup.carburettor.air_valve.throat_area_mm2(nc.measure.restate_lift([LIFT], setup, high))[0]
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
    assert TABLE.edge_u(rpm, pressure) == 0.0


def test_off_the_table_refused_or_edge_held_with_its_slope_as_doubt():
    with pytest.raises(nc.InputError, match=r"500 rpm at 65\.0 kPa lies off .* table \(1000 to 5000 rpm"):
        TABLE.at(500.0, 65e3)
    assert TABLE.at(500.0, 65e3, hold_edge=True) == pytest.approx(0.7)
    # Its slope there is 0.1 in 2000 rpm: 0.025 over 500.
    assert TABLE.edge_u(500.0, 65e3) == pytest.approx(0.025 / 0.7)
    setup = replace(case_setup(), engine=nc.Engine(1000.0, 4, volumetric_efficiency=TABLE))
    bands = nc.with_lift(made_bands(), setup)
    (note,) = [note for note in bands.assumptions if "edge is held" in note]
    assert note.endswith("850 rpm idle")
    wide = nc.VolumetricEfficiency([850, 1000, 3000, 5000], [30e3, 100e3], [[0.6, 0.8], *TABLE.efficiency])
    inside = nc.with_lift(made_bands(), replace(setup, engine=replace(setup.engine, volumetric_efficiency=wide)))
    assert inside.lift_mm[0] == bands.lift_mm[0]
    assert inside.lift_u_mm[0] < bands.lift_u_mm[0]
    assert inside.lift_u_mm[1] == bands.lift_u_mm[1]


def test_a_table_can_say_what_a_number_says_and_outside_air_is_another_way_to_say_it():
    setup, bands = case_setup(), made_bands()
    same = {"volumetric_efficiency_u": 0.09, "volumetric_efficiency_shape_u": 0.06}
    number = nc.with_lift(bands, replace(setup, engine=replace(setup.engine, **same))).lift_mm
    edges = np.linspace(800, 4200, 40), np.unique(bands.manifold_pressure_pa)
    filling = 0.80 * (1.0 - (101325.0 / edges[1] - 1.0) / (1.3 * 7.5))
    flat = nc.VolumetricEfficiency(*edges, np.tile(filling, (40, 1)))
    outside = nc.VolumetricEfficiency(*edges, np.tile(filling * edges[1] / 101325.0, (40, 1)), reference="outside")
    # Moist air of the outside is 0.04 % denser by its equation of state than the ideal dry gas behind the throttle.
    for table, share in ((flat, 1e-9), (outside, 5e-4)):
        engine = replace(setup.engine, volumetric_efficiency=table, **same)
        np.testing.assert_allclose(nc.with_lift(bands, replace(setup, engine=engine)).lift_mm, number, rtol=share)


@pytest.mark.parametrize(
    ("parts", "match"),
    [
        (([3000, 1000], [30e3, 100e3], [[0.6, 0.8], [0.6, 0.8]]), "rpm of the volumetric efficiency must rise"),
        (([1000, 3000], [30.0, 100.0], [[0.6, 0.8], [0.6, 0.8]]), "in Pa; one kPa is 1000 Pa"),
        (([1000, 3000, 5000], [30e3, 100e3], [[0.6, 0.7, 0.8], [0.6, 0.7, 0.8]]), "3 x 2, but it is 2 x 3"),
        (
            ([1000, 3000], [30e3, 100e3], [[0.6, 0.8], [0.6, 80.0]]),
            r"efficiency is 80 \(entry 4 of 4\), .* write 80 % as 0\.8",
        ),
        (([1000, 3000], [30e3, 100e3], 0.8), "2 x 2, but it is one number"),
        (([1000, 3000], [30e3, 100e3], [[0.6, 0.8], [0.6, 0.8]], "sea level"), "reference is 'sea level'"),
    ],
)
def test_tables_refused(parts, match):
    with pytest.raises(nc.InputError, match=match):
        nc.VolumetricEfficiency(*parts)


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
    assert got.lift_source[2] == LiftSource.THROTTLE
    assert "throttle and speed, set by 6 lifts read" in str(got)
    assert (np.abs(got.lift_mm - truth) < 2.0 * got.lift_u_mm).all()
    np.testing.assert_allclose(got.lift_common_u_mm, 0.1)
    with pytest.raises(nc.InputError, match=r"needs 6 lifts read around it \(now 5\)"):
        nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 5, np.nan, marks))
    with pytest.raises(nc.InputError, match="850 rpm idle: no lift can be computed"):
        nc.with_lift(bands, setup, lift_mm=np.where(np.arange(RPM.size) == 0, np.nan, truth))
    reading = by_reading(bands, DOUBTS, lift_mm=truth[::-1].copy())
    with pytest.raises(nc.InputError, match="check the throttle sensor's ends"):
        by_throttle(bands, setup, reading, DOUBTS)


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
[doubts]
zero_u_mm = 0.05
"""


def test_typed_lifts_that_are_too_few_or_blank_name_their_band():
    bands = nc.typed_bands([850, 2500, 4000], [0.98, 1.05, 1.1], load=["idle", "part", "full"])
    each = "must hold one for each of 3 bands, in this order: 850 rpm idle, 2500 rpm part, 4000 rpm full; put nan where"
    for lifts, words in (([4.0, 12.0], "lift_mm holds 2 values"), ([4.0], "lift_mm holds 1 value")):
        with pytest.raises(nc.InputError, match=f"^{words}, but {each}"):
            nc.with_lift(bands, case_setup(), lift_mm=lifts)
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
    np.testing.assert_allclose(bands.lift_mm, nc.measure.restate_lift([2.5, 6.0, 9.0], weaker, job.setup))
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
