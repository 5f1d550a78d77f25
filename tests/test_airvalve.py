"""The air valve: balance, throat, flow and lift, against definitions, shapely, tables and each other."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference
from scipy.integrate import quad
from shapely import Polygon, clip_by_rect

from needlecalc.errors import InputError
from needlecalc.physics.airvalve import (
    air_flow_g_s,
    depression_pa,
    lift_after_change_mm,
    lift_for_flow_mm,
    lift_per_ln_air_flow_mm,
    suction_area_mm2,
)
from needlecalc.physics.throat import circular_throat_area_mm2, circular_throat_width_mm, rectangular_throat_area_mm2
from needlecalc.units import N_PER_OUNCE_FORCE, PA_PER_INH2O, PA_PER_MMH2O

BORE, BRIDGE, TOP = 38.1, 3.0, 33.0
TURN = np.linspace(0.0, 2.0 * np.pi, 200_000, endpoint=False)
ROUND = Polygon(np.column_stack([BORE / 2 * np.sin(TURN), BORE / 2 * (1.0 - np.cos(TURN))]))
AIR = {"density_kg_m3": 1.2, "discharge_coefficient": 0.7}


def balance(lift_mm, preload_n=1.25, rate_n_mm=0.03):
    return depression_pa(
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
    found = depression_pa(7.0, piston_mass_kg=0.25, spring_preload_n=0.0, spring_rate_n_mm=0.0, suction_area_mm2=2500.0)
    assert found == pytest.approx(100.0 * PA_PER_MMH2O, rel=1e-14)


@pytest.mark.parametrize(("mass_kg", "ounces", "disc_mm"), [(0.25, 4.5, 61.0), (0.30, 8.0, 61.0), (0.35, 4.5, 50.8)])
def test_balance_in_pounds_and_inches(mass_kg, ounces, disc_mm):
    # The same sum in pounds per square inch, of 27.6799 inches of water each (NIST SP 811).
    pounds = mass_kg * 2.20462262 + ounces / 16.0
    inches_of_water = pounds / (np.pi / 4 * (disc_mm / 25.4) ** 2) * 27.6799
    found = depression_pa(
        0.0,
        piston_mass_kg=mass_kg,
        spring_preload_n=ounces * N_PER_OUNCE_FORCE,
        spring_rate_n_mm=0.0,
        suction_area_mm2=np.pi / 4 * disc_mm**2,
    )
    assert found / PA_PER_INH2O == pytest.approx(inches_of_water, rel=2e-6)


@pytest.mark.parametrize("share", [0.0, 0.4, 1.0])
def test_suction_area_is_what_the_pressures_leave(share):
    # Pressures on every face of the piston, added up: disc above, ring below, foot below.
    disc, foot, chamber, depression = 2922.47, 1194.59, 101325.0, 1500.0
    down = (chamber - depression) * disc
    up = chamber * (disc - foot) + (chamber - share * depression) * foot
    found = suction_area_mm2(disc, foot_area_mm2=foot, foot_share=share)
    assert found == pytest.approx((up - down) / depression, rel=1e-11)


def test_depression_s_parts():
    base = balance(0.0)
    assert balance(10.0) - base == pytest.approx(0.3 / 2922.47e-6, rel=1e-12)
    tilted = depression_pa(
        0.0,
        piston_mass_kg=0.25,
        spring_preload_n=0.0,
        spring_rate_n_mm=0.0,
        suction_area_mm2=2500.0,
        tilt_deg=60.0,
    )
    assert tilted == pytest.approx(50.0 * PA_PER_MMH2O, rel=1e-12)
    rising, falling = (
        depression_pa(
            5.0,
            piston_mass_kg=0.25,
            spring_preload_n=1.25,
            spring_rate_n_mm=0.03,
            suction_area_mm2=2922.47,
            friction_n=friction,
        )
        for friction in (0.05, -0.05)
    )
    assert falling < balance(5.0) < rising
    assert rising + falling == pytest.approx(2.0 * balance(5.0), rel=1e-14)
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


@given(st.floats(0.01, 0.98), st.floats(0.0, 0.9), st.floats(20.0, 60.0))
def test_width_is_the_slope_of_the_area(part, bridge_share, bore):
    bridge = bridge_share * bore
    lift = part * (bore - bridge)
    step = 1e-5 * min(lift, bore - bridge - lift)
    high, low = (circular_throat_area_mm2(lift + side, bore_mm=bore, bridge_mm=bridge) for side in (step, -step))
    width = circular_throat_width_mm(lift, bore_mm=bore, bridge_mm=bridge)
    assert (high - low) / (2.0 * step) == pytest.approx(width, rel=1e-5)


def test_wide_open_and_beyond():
    full = circular_throat_area_mm2([BORE, BORE + 5.0], bore_mm=BORE)
    np.testing.assert_allclose(full, np.pi / 4 * BORE**2, rtol=1e-14)
    np.testing.assert_array_equal(circular_throat_width_mm([0.0, BORE, 50.0], bore_mm=BORE), 0.0)
    np.testing.assert_array_equal(
        rectangular_throat_area_mm2([0.0, 5.0, 40.0, np.nan], width_mm=30.0, height_mm=34.0),
        [0.0, 150.0, 1020.0, np.nan],
    )


# --- flow and lift


def test_full_load_air_needs_half_of_the_bore():
    # 1.8 litres at 5500 rpm filling 0.8, through two throats, by hand: 39.6 g/s want 565 mm2 at 2 kPa.
    area = 39.6 / air_flow_g_s(1.0, 2000.0, density_kg_m3=1.225, discharge_coefficient=1.0)
    assert area == pytest.approx(565.0, rel=2e-3)


@given(st.floats(1e-4, 1.0))
def test_lift_to_flow_to_lift(part):
    lift = part * TOP
    assert lift_for_flow_mm(flow_at(lift), flow_at, 0.0, TOP) == pytest.approx(lift, rel=1e-9)


@given(st.floats(1e-3, 1.0))
def test_flow_to_lift_to_flow(part):
    flow = part * flow_at(TOP)
    assert flow_at(lift_for_flow_mm(flow, flow_at, 0.0, TOP)) == pytest.approx(flow, rel=1e-12)


def test_more_air_means_more_lift():
    lifts = lift_for_flow_mm(np.linspace(0.0, flow_at(TOP), 300), flow_at, 0.0, TOP)
    assert (np.diff(lifts) > 0.0).all()
    assert (lifts[0], lifts[-1]) == (0.0, TOP)


def test_flow_off_the_travel_gives_no_lift():
    least, most = flow_at(0.8), flow_at(TOP)
    lifts = lift_for_flow_mm([-1.0, 0.99 * least, least, most, 1.01 * most, np.nan], flow_at, 0.8, TOP)
    np.testing.assert_array_equal(lifts, [np.nan, np.nan, 0.8, TOP, np.nan, np.nan])


@given(st.floats(0.2, 5.0), st.floats(0.5, 80.0))
def test_a_carburettor_built_larger(scale, flow):
    # All lengths times s at the same depression: s^2 the air at s times the lift.
    def scaled(lift_mm):
        area = circular_throat_area_mm2(lift_mm, bore_mm=scale * BORE, bridge_mm=scale * BRIDGE)
        return air_flow_g_s(area, 1800.0, **AIR)

    def plain(lift_mm):
        return air_flow_g_s(circular_throat_area_mm2(lift_mm, bore_mm=BORE, bridge_mm=BRIDGE), 1800.0, **AIR)

    large = lift_for_flow_mm(scale**2 * flow, scaled, 0.0, scale * 35.0)
    small = lift_for_flow_mm(flow, plain, 0.0, 35.0)
    np.testing.assert_allclose(large, scale * small, rtol=1e-9)


@pytest.mark.parametrize("rate", [0.0, 0.03, 0.2])
@pytest.mark.parametrize("pressure", [None, 101325.0])
@pytest.mark.parametrize("lift", [0.3, 4.0, 15.0, 30.0])
def test_sensitivity_is_the_slope_of_the_inverse(lift, pressure, rate):
    def curve(lift_mm):
        return flow_at(lift_mm, rate_n_mm=rate, pressure_pa=pressure)

    flow = curve(lift)
    up, down = (lift_for_flow_mm(flow * np.exp(step), curve, 0.0, TOP) for step in (1e-5, -1e-5))
    ours = lift_per_ln_air_flow_mm(
        circular_throat_area_mm2(lift, bore_mm=BORE, bridge_mm=BRIDGE),
        circular_throat_width_mm(lift, bore_mm=BORE, bridge_mm=BRIDGE),
        depression_pa=balance(lift, rate_n_mm=rate),
        depression_rise_pa_mm=rate / 2922.47 * 1e6,
        pressure_pa=pressure,
    )
    assert ours == pytest.approx((up - down) / 2e-5, rel=1e-6)


def test_spring_change_under_a_slot():
    # Area times sqrt(depression) stays, and a slot's area is in proportion to lift: 10 mm become 8.
    def slot(depression):
        return lambda lift: air_flow_g_s(rectangular_throat_area_mm2(lift, width_mm=30.0), depression, **AIR)

    found = lift_after_change_mm([10.0, np.nan], slot(1600.0), slot(2500.0), 0.0, 34.0)
    np.testing.assert_allclose(found, [8.0, np.nan], rtol=1e-12)
    assert np.isnan(lift_after_change_mm(30.0, slot(2500.0), slot(1600.0), 0.0, 34.0))


def test_small_changes_follow_the_sensitivity():
    lift = np.array([2.0, 8.0, 20.0])
    slope = lift_per_ln_air_flow_mm(
        circular_throat_area_mm2(lift, bore_mm=BORE, bridge_mm=BRIDGE),
        circular_throat_width_mm(lift, bore_mm=BORE, bridge_mm=BRIDGE),
        depression_pa=balance(lift),
        depression_rise_pa_mm=0.03 / 2922.47 * 1e6,
    )

    def before(lift_mm):
        return flow_at(lift_mm, pressure_pa=None)

    def stiffer(lift_mm):
        return flow_at(lift_mm, preload_n=1.25 + 1e-4, pressure_pa=None)

    def denser(lift_mm):
        return flow_at(lift_mm, pressure_pa=None, density_kg_m3=1.2 * (1.0 + 1e-5))

    by_spring = lift_after_change_mm(lift, before, stiffer, 0.0, TOP) - lift
    rise_of_ln_depression = 1e-4 / 2922.47e-6 / balance(lift)
    np.testing.assert_allclose(by_spring, -0.5 * slope * rise_of_ln_depression, rtol=1e-3)
    by_density = lift_after_change_mm(lift, before, denser, 0.0, TOP) - lift
    np.testing.assert_allclose(by_density, -0.5 * slope * 1e-5, rtol=1e-3)


def test_everything_broadcasts():
    bores = np.array([[31.75], [38.1]])
    assert circular_throat_area_mm2([1.0, 2.0, 3.0], bore_mm=bores).shape == (2, 3)
    assert circular_throat_width_mm([1.0, 2.0, 3.0], bore_mm=bores).shape == (2, 3)
    flows = lift_for_flow_mm(
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
        (lambda: suction_area_mm2(100.0, foot_area_mm2=60.0, foot_share=1.2), r"foot_share is 1\.2, but"),
        (
            lambda: suction_area_mm2(100.0, foot_area_mm2=150.0, foot_share=1.0),
            r"leaves -50 mm2 of the disc to lift the piston, .* check disc_area_mm2 and foot_area_mm2",
        ),
        (lambda: balance(0.0, preload_n=-1.0), r"spring_preload_n is -1, but must be 0 or more"),
        (
            lambda: depression_pa(
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
            lambda: circular_throat_width_mm(1.0, bore_mm=38.0, bridge_mm=40.0),
            r"bridge_mm is up to 40, but must be less than bore_mm \(38\); measure",
        ),
        (lambda: rectangular_throat_area_mm2(-1.0, width_mm=3.0), r"lift_mm is -1, .* from the floor"),
        (
            lambda: rectangular_throat_area_mm2(1.0, width_mm=3.0, height_mm=0.0),
            r"height_mm is 0, but must be greater than 0; leave it out",
        ),
        (lambda: air_flow_g_s(-1.0, 10.0, **AIR), r"area_mm2 is -1, but must be 0 or more"),
        (lambda: air_flow_g_s(1.0, 60e3, pressure_pa=1e5, **AIR), r"the throat chokes at 47\.2%"),
        (lambda: lift_for_flow_mm(1.0, flow_at, 5.0, 5.0), r"low_mm is up to 5, but must be less than high"),
        (lambda: lift_for_flow_mm(1.0, lambda y: -y, 0.0, 5.0), r"does not rise steadily between 0 and 5"),
        (
            lambda: lift_after_change_mm(9.0, flow_at, flow_at, 0.0, 5.0),
            r"lift_mm runs from 9 to 9, but must lie between low_mm and high_mm",
        ),
        (
            lambda: lift_per_ln_air_flow_mm(1140.0, 0.0, depression_pa=2000.0),
            r"width_mm and depression_rise_pa_mm are both 0: .* leave such lifts out",
        ),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
