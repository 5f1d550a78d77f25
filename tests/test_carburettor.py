"""The air valve against shapely, a textbook example and its own inverse."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given
from hypothesis import strategies as st
from scipy.optimize import brentq
from shapely.geometry import Point, box

import needlecalc as nc
from needlecalc.physics.airflow import air_flow_g_s, circular_throat_area_mm2, engine_air_flow_g_s, piston_depression_pa

VALVE = nc.AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2)


@pytest.mark.parametrize("lift", [1.0, 5.0, 10.0, 20.0, 33.0])
def test_throat_is_the_disc_cut_by_two_flats_in_shapely(lift):
    disc = Point(0.0, 19.05).buffer(19.05, quad_segs=2000)
    cut = disc.intersection(box(-30.0, 3.0, 30.0, 3.0 + lift))
    assert circular_throat_area_mm2(lift, bore_mm=38.1, bridge_mm=3.0) == pytest.approx(cut.area, rel=1e-5)


def test_balance_by_hand():
    # 0.30 kg and 2.224 N on a full disc of 61 mm: (0.30 * 9.80665 + 2.224) / 2922.47 mm2.
    got = piston_depression_pa(
        0.0, piston_mass_kg=0.30, spring_preload_n=2.224, spring_rate_n_mm=0.0, suction_area_mm2=np.pi / 4 * 61.0**2
    )
    assert got == pytest.approx((0.30 * 9.80665 + 2.224) / (np.pi / 4 * 0.061**2), rel=1e-12)


def test_throat_suction_of_a_textbook_example():
    # Rajput, Internal Combustion Engines, ex. 11.1 (values from memory): 4 cylinders 0.1 x 0.12 m at 1800 rpm,
    # volumetric efficiency 0.75, air 1.2 kg/m3, choke 28 mm, coefficient 0.8: suction 4447.6 Pa, incompressible.
    swept = 4 * np.pi / 4 * 10.0**2 * 12.0
    flow = engine_air_flow_g_s(1800.0, displacement_cm3=swept, volumetric_efficiency=0.75, density_kg_m3=1.2)
    area = np.pi / 4 * 28.0**2
    suction = (float(flow) * 1e-3 / (0.8 * area * 1e-6)) ** 2 / (2 * 1.2)
    assert suction == pytest.approx(4447.61, rel=1e-5)
    # The isentropic law gives that flow less the expansion, some 3/(4 gamma) of the pressure ratio.
    isentropic = air_flow_g_s(area, suction, density_kg_m3=1.2, pressure_pa=101325.0, discharge_coefficient=0.8)
    assert isentropic / flow == pytest.approx(1 - 0.75 / 1.4 * suction / 101325.0, abs=5e-4)


@given(st.floats(0.5, 29.0))
def test_lift_of_the_flow_of_a_lift(lift):
    air = nc.Air()
    assert VALVE.lift_mm(VALVE.air_flow_g_s(lift, air), air) == pytest.approx(lift, abs=1e-6)


def test_flow_beyond_the_travel_has_no_lift():
    assert np.isnan(VALVE.lift_mm(500.0, nc.Air()))


LIFTS = np.array([1.5, 6.0, 12.0, 20.0, 26.0])


@given(lift=st.floats(1.0, 25.0), added_kg=st.floats(0.001, 0.3), added_n=st.floats(0.0, 3.0))
def test_a_heavier_piston_sits_lower_under_a_higher_depression(lift, added_kg, added_n):
    air = nc.Air()
    heavier = replace(VALVE, piston_mass_kg=0.26 + added_kg, spring_preload_n=1.2 + added_n)
    (after,) = nc.measure.restate_lift([lift], with_valve(VALVE), with_valve(heavier))
    assert after < lift
    assert heavier.depression_pa(after) > VALVE.depression_pa(lift)
    assert heavier.air_flow_g_s(after, air) == pytest.approx(VALVE.air_flow_g_s(lift, air), rel=1e-9)
    assert nc.measure.restate_lift([after], with_valve(heavier), with_valve(VALVE)) == pytest.approx([lift], abs=1e-6)


def with_valve(valve) -> nc.Setup:
    setup = make_setup()
    return replace(setup, carburettor=replace(setup.carburettor, air_valve=valve))


def test_lambda_under_another_spring_is_the_fuel_of_the_other_lift():
    setup, air = with_valve(VALVE), nc.Air()
    bands = nc.typed_bands(np.linspace(1000, 5000, 5), np.full(5, 0.95), lift_mm=LIFTS)
    stronger = replace(VALVE, spring_preload_n=2.0, spring_rate_n_mm=0.02)
    found = nc.predict_lambda(setup, bands, air_valve=stronger)
    # Apart: bracketed root of the air flow, then the fuel of both setups.
    for b, lift in enumerate(LIFTS):
        flow = VALVE.air_flow_g_s(lift, air)
        other = brentq(lambda y, flow=flow: stronger.air_flow_g_s(y, air) - flow, 0.1, 30.0, xtol=1e-12)
        before, after = (
            float(nc.parts.fuel_flow(s, [y]).fuel_flow_g_s[0]) for s, y in ((setup, lift), (with_valve(stronger), other))
        )
        assert found[b] == pytest.approx(0.95 * before / after, rel=1e-9)
    np.testing.assert_allclose(nc.predict_lambda(setup, bands, air_valve=VALVE), 0.95, rtol=1e-9)


def test_a_depression_once_read_changes_in_proportion():
    setup = with_valve(VALVE)
    bands = nc.typed_bands(np.linspace(1000, 5000, 5), np.full(5, 0.95), lift_mm=LIFTS)
    heavier = replace(VALVE, piston_mass_kg=0.4)
    read = nc.with_lift(bands, setup, depression_pa=VALVE.depression_pa(LIFTS))
    plain, known = (nc.predict_lambda(setup, these, air_valve=heavier) for these in (bands, read))
    np.testing.assert_allclose(known, plain, rtol=1e-12)
    more = nc.with_lift(bands, setup, depression_pa=1.2 * VALVE.depression_pa(LIFTS))
    assert (np.abs(nc.predict_lambda(setup, more, air_valve=heavier) / plain - 1) < 0.02).all()


def test_a_piston_on_its_stop_is_refused():
    setup = with_valve(VALVE)
    bands = nc.typed_bands([3000, 5000], [0.95, 0.95], lift_mm=[10.0, 29.5])
    lighter = replace(VALVE, piston_mass_kg=0.1)
    with pytest.raises(nc.InputError, match="Band 5000 rpm full: with the other air valve the piston would meet a stop"):
        nc.predict_lambda(setup, bands, air_valve=lighter)


def test_a_manometer_serves_where_it_was_read_and_the_balance_elsewhere():
    setup = with_valve(VALVE)
    bands = nc.typed_bands(np.linspace(1000, 5000, 5), np.full(5, 0.95), lift_mm=LIFTS)
    read = nc.with_lift(bands, setup, depression_pa=[np.nan, np.nan, 1700.0, np.nan, np.nan])
    got = setup.carburettor.depression_pa(LIFTS, read.depression_pa)
    np.testing.assert_allclose(got, np.where(LIFTS == 12.0, 1700.0, VALVE.depression_pa(LIFTS)))


def test_a_jet_trimmed_a_hair_past_the_end_stated_stands_where_it_stands():
    ends = {"drop_min_mm": 0.8, "drop_max_mm": 3.0, "flat_mm": 0.16}
    assert nc.Jet(bore_mm=2.54, drop_mm=3.015, **ends).drop_range_mm() == (0.8, 3.015)
    assert nc.Jet(bore_mm=2.54, drop_mm=0.785, **ends).drop_range_mm() == (0.785, 3.0)
    with pytest.raises(nc.InputError, match=r"the nut's range is 0\.8 to 3 mm"):
        nc.Jet(bore_mm=2.54, drop_mm=3.1, **ends)
