"""The air valve: balance, throat, flow and lift, against definitions, shapely, tables and each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference
from scipy.integrate import quad
from shapely import Polygon, clip_by_rect

from needlecalc.errors import InputError
from needlecalc.physics.airflow import (
    air_flow_g_s,
    circular_throat_area_mm2,
    engine_air_flow_g_s,
    piston_depression_pa,
    rising_inverse,
)
from needlecalc.units import PA_PER

PA_PER_MMH2O, N_PER_OUNCE_FORCE = 9.80665, 0.45359237 / 16 * 9.80665  # NIST SP 811

BORE, BRIDGE, TOP = 38.1, 3.0, 33.0
TURN = np.linspace(0.0, 2.0 * np.pi, 200_000, endpoint=False)
ROUND = Polygon(np.column_stack([BORE / 2 * np.sin(TURN), BORE / 2 * (1.0 - np.cos(TURN))]))
AIR = {"density_kg_m3": 1.2, "discharge_coefficient": 0.7}


def balance(lift_mm, preload_n=1.25, rate_n_mm=0.03):
    return piston_depression_pa(
        lift_mm,
        piston_mass_kg=0.25,
        spring_preload_n=preload_n,
        spring_rate_n_mm=rate_n_mm,
        suction_area_mm2=2922.47,
    )


def flow_at(lift_mm, preload_n=1.25, rate_n_mm=0.03, pressure_pa=101325.0, **changed):
    area = circular_throat_area_mm2(lift_mm, bore_mm=BORE, bridge_mm=BRIDGE)
    depression = balance(lift_mm, preload_n, rate_n_mm)
    return air_flow_g_s(area, depression, pressure_pa=pressure_pa, **{**AIR, **changed})


# --- balance


def test_a_weight_alone_is_a_column_of_water():
    # 1 mm of water is 1 kgf/m2 by definition (NIST SP 811): 0.25 kg on 2500 mm2 is 100 mm.
    found = piston_depression_pa(
        7.0, piston_mass_kg=0.25, spring_preload_n=0.0, spring_rate_n_mm=0.0, suction_area_mm2=2500.0
    )
    assert found == pytest.approx(100.0 * PA_PER_MMH2O, rel=1e-14)


@pytest.mark.parametrize(("mass_kg", "ounces", "disc_mm"), [(0.25, 4.5, 61.0), (0.30, 8.0, 61.0), (0.35, 4.5, 50.8)])
def test_balance_in_pounds_and_inches(mass_kg, ounces, disc_mm):
    # The same sum in pounds per square inch, of 27.6799 inches of water each (NIST SP 811).
    pounds = mass_kg * 2.20462262 + ounces / 16.0
    inches_of_water = pounds / (np.pi / 4 * (disc_mm / 25.4) ** 2) * 27.6799
    found = piston_depression_pa(
        0.0,
        piston_mass_kg=mass_kg,
        spring_preload_n=ounces * N_PER_OUNCE_FORCE,
        spring_rate_n_mm=0.0,
        suction_area_mm2=np.pi / 4 * disc_mm**2,
    )
    assert found / PA_PER["inH2O"] == pytest.approx(inches_of_water, rel=2e-6)


def test_depression_s_parts():
    base = balance(0.0)
    assert balance(10.0) - base == pytest.approx(0.3 / 2922.47e-6, rel=1e-12)
    tilted = piston_depression_pa(
        0.0,
        piston_mass_kg=0.25,
        spring_preload_n=0.0,
        spring_rate_n_mm=0.0,
        suction_area_mm2=2500.0,
        tilt_deg=60.0,
    )
    assert tilted == pytest.approx(50.0 * PA_PER_MMH2O, rel=1e-12)
    np.testing.assert_array_equal(np.isnan(balance(np.array([0.0, np.nan]))), [False, True])


# --- throat


@pytest.mark.parametrize("row", read_reference("circular_segment"), ids=lambda row: str(row["depth_over_bore"]))
def test_segment_against_the_handbook(row):
    depth, area = float(row["depth_over_bore"]), float(row["area_over_bore_squared"])
    assert circular_throat_area_mm2(depth * 40.0, bore_mm=40.0) / 1600.0 == pytest.approx(area, abs=6e-5)


@pytest.mark.parametrize("bridge", [0.0, 0.5, 3.0, 12.0])
@pytest.mark.parametrize("lift", [0.05, 1.0, 5.0, 10.0, 20.0, 26.0])
def test_throat_against_a_shapely_outline(lift, bridge):
    opening = clip_by_rect(ROUND, -BORE, bridge, BORE, bridge + lift)
    ours = circular_throat_area_mm2(lift, bore_mm=BORE, bridge_mm=bridge)
    assert ours == pytest.approx(opening.area, rel=1e-7)


@pytest.mark.parametrize("lift", [1e-6, 1e-3, 0.3, 12.0, 35.1])
def test_throat_against_quadrature_of_its_width(lift):
    area, _ = quad(lambda y: 2.0 * np.sqrt((BRIDGE + y) * max(BORE - BRIDGE - y, 0.0)), 0.0, lift, epsabs=0, epsrel=1e-11)
    ours = circular_throat_area_mm2(lift, bore_mm=BORE, bridge_mm=BRIDGE)
    assert ours == pytest.approx(area, rel=1e-8)


def test_wide_open_and_beyond():
    full = circular_throat_area_mm2([BORE, BORE + 5.0], bore_mm=BORE)
    np.testing.assert_allclose(full, np.pi / 4 * BORE**2, rtol=1e-14)


# --- demand


def test_worked_example_of_air_demand():
    # Rajput, Internal Combustion Engines, example 11.1 (value from memory): four cylinders 100 x 120 mm at
    # 1800 rpm, efficiency 0.75, density 1.2: 0.0565 m3/s swept, so 0.0509 kg/s.
    flow = engine_air_flow_g_s(
        1800.0,
        displacement_cm3=4 * np.pi / 4 * 10.0**2 * 12.0,
        volumetric_efficiency=0.75,
        density_kg_m3=1.2,
    )
    assert flow == pytest.approx(50.9, abs=0.05)


@pytest.mark.parametrize(
    ("cm3", "rpm", "efficiency", "grams"),
    [(1622, 850, 0.25, 3.45), (2393, 900, 0.25, 5.38), (1622, 3000, 0.35, 17.0), (2393, 5000, 0.80, 95.7)],
)
def test_breaths_counted(cm3, rpm, efficiency, grams):
    # Counted by hand: half of rpm/60 breaths a second, each the swept litres times the efficiency at 1.2 g/l.
    flow = engine_air_flow_g_s(rpm, displacement_cm3=cm3, volumetric_efficiency=efficiency, density_kg_m3=1.2)
    assert flow == pytest.approx(grams, abs=0.051)
    assert flow == pytest.approx(rpm / 60 / 2 * cm3 / 1000 * efficiency * 1.2, rel=1e-14)


# --- flow and lift


def test_full_load_air_needs_half_of_the_bore():
    # 1.8 litres at 5500 rpm filling 0.8, through two throats, by hand: 39.6 g/s want 565 mm2 at 2 kPa.
    area = 39.6 / air_flow_g_s(1.0, 2000.0, density_kg_m3=1.225, discharge_coefficient=1.0)
    assert area == pytest.approx(565.0, rel=2e-3)


@given(st.floats(1e-4, 1.0))
def test_lift_to_flow_to_lift(part):
    lift = part * TOP
    assert rising_inverse(flow_at(lift), flow_at, 0.0, TOP) == pytest.approx(lift, rel=1e-9)


@given(st.floats(1e-3, 1.0))
def test_flow_to_lift_to_flow(part):
    flow = part * flow_at(TOP)
    assert flow_at(rising_inverse(flow, flow_at, 0.0, TOP)) == pytest.approx(flow, rel=1e-12)


def test_more_air_means_more_lift():
    lifts = rising_inverse(np.linspace(0.0, flow_at(TOP), 300), flow_at, 0.0, TOP)
    assert (np.diff(lifts) > 0.0).all()
    assert (lifts[0], lifts[-1]) == (0.0, TOP)


def test_flow_off_the_travel_gives_no_lift():
    least, most = flow_at(0.8), flow_at(TOP)
    lifts = rising_inverse([-1.0, 0.99 * least, least, most, 1.01 * most, np.nan], flow_at, 0.8, TOP)
    np.testing.assert_array_equal(lifts, [np.nan, np.nan, 0.8, TOP, np.nan, np.nan])


@given(st.floats(0.2, 5.0), st.floats(0.5, 80.0))
def test_a_carburettor_built_larger(scale, flow):
    # All lengths times s at the same depression: s^2 the air at s times the lift.
    def scaled(lift_mm):
        area = circular_throat_area_mm2(lift_mm, bore_mm=scale * BORE, bridge_mm=scale * BRIDGE)
        return air_flow_g_s(area, 1800.0, **AIR)

    def plain(lift_mm):
        return air_flow_g_s(circular_throat_area_mm2(lift_mm, bore_mm=BORE, bridge_mm=BRIDGE), 1800.0, **AIR)

    large = rising_inverse(scale**2 * flow, scaled, 0.0, scale * 35.0)
    small = rising_inverse(flow, plain, 0.0, 35.0)
    np.testing.assert_allclose(large, scale * small, rtol=1e-9)


def test_everything_broadcasts():
    bores = np.array([[31.75], [38.1]])
    assert circular_throat_area_mm2([1.0, 2.0, 3.0], bore_mm=bores).shape == (2, 3)
    flows = rising_inverse(
        [1.0, 5.0, 9.0],
        lambda lift: air_flow_g_s(circular_throat_area_mm2(lift, bore_mm=bores), 2000.0, **AIR),
        0.0,
        30.0,
    )
    assert flows.shape == (2, 3)
    assert (flows[0] > flows[1]).all()
    assert isinstance(flow_at(3.0), float)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: engine_air_flow_g_s(900.0, displacement_cm3=1600.0, volumetric_efficiency=80.0, density_kg_m3=1.2),
            r"volumetric_efficiency is 80, .* and 1\.5\. It is a share, so write 80 % as 0\.8",
        ),
        (lambda: balance(0.0, preload_n=-1.0), r"spring_preload_n is -1, but must be 0 or more"),
        (
            lambda: piston_depression_pa(
                0.0,
                piston_mass_kg=0.0,
                spring_preload_n=0.0,
                spring_rate_n_mm=0.1,
                suction_area_mm2=1.0,
            ),
            r"pulled down with 0 N, but .* check piston_mass_kg and spring_preload_n",
        ),
        (
            lambda: circular_throat_area_mm2(-0.1, bore_mm=38.0),
            r"lift_mm is -0\.1, but must be 0 or more and finite\. Count it from the bridge\.",
        ),
        (
            lambda: circular_throat_area_mm2(1.0, bore_mm=38.0, bridge_mm=40.0),
            r"bridge_mm is up to 40, but must be less than bore_mm \(38\); measure",
        ),
        (lambda: air_flow_g_s(-1.0, 10.0, **AIR), r"area_mm2 is -1, but must be 0 or more"),
        (lambda: air_flow_g_s(1.0, 60e3, pressure_pa=1e5, **AIR), r"the throat chokes at 47\.2%"),
        (lambda: rising_inverse(1.0, lambda y: -y, 0.0, 5.0), r"does not rise between 0 and 5"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
