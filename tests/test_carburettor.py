"""The air valve against shapely, a textbook example and its own inverse."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely.geometry import Point, box

import needlecalc as nc
from needlecalc.physics.airdemand import engine_air_flow_g_s
from needlecalc.physics.airvalve import air_flow_g_s, circular_throat_area_mm2, depression_pa

VALVE = nc.AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2)


@pytest.mark.parametrize("lift", [1.0, 5.0, 10.0, 20.0, 33.0])
def test_throat_is_the_disc_cut_by_two_flats_in_shapely(lift):
    disc = Point(0.0, 19.05).buffer(19.05, quad_segs=2000)
    cut = disc.intersection(box(-30.0, 3.0, 30.0, 3.0 + lift))
    assert circular_throat_area_mm2(lift, bore_mm=38.1, bridge_mm=3.0) == pytest.approx(cut.area, rel=1e-5)


def test_balance_by_hand():
    # 0.30 kg and 2.224 N on a full disc of 61 mm: (0.30 * 9.80665 + 2.224) / 2922.47 mm2.
    got = depression_pa(
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
