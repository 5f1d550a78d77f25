"""A slide carburettor: depression from air flow and opening, lift only as measured, and the road to a design."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import DATA, DIAMETERS_MM, NO_DOUBTS, STATIONS_MM, make_setup
from hypothesis import given
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.physics.airflow import air_flow_g_s
from needlecalc.physics.annulus import bore_flow

SLIDE = nc.SlideValve(throat_bore_mm=34.0)
LIFTS = np.array([3.0, 8.0, 14.0, 20.0, 26.0])
FLOWS = np.array([2.0, 8.0, 18.0, 30.0, 42.0])


def slide_setup(slide=SLIDE, **jet) -> nc.Setup:
    setup = make_setup(**jet)
    return replace(setup, carburettor=replace(setup.carburettor, air_valve=slide))


def slide_bands(setup, *, flows=FLOWS, **typed):
    bands = nc.typed_bands(np.linspace(1500, 5500, 5), np.full(5, 1.08), lift_mm=LIFTS, air_flow_g_s=flows)
    return nc.with_lift(bands, setup, **typed)


def short_drive(setup, lambda_measured):
    """Idle, light and full load under a slide, with their lifts."""
    bands = nc.typed_bands(
        [1500, 2500, 5500],
        lambda_measured,
        lift_mm=[3.0, 8.0, 26.0],
        air_flow_g_s=[2.0, 8.0, 42.0],
        load=["idle", "light", "full"],
    )
    return nc.with_lift(bands, setup)


@given(st.floats(1.0, 30.0), st.floats(200.0, 8000.0))
def test_the_depression_draws_the_flow_it_was_computed_from(lift, depression):
    air = nc.Air()
    flow = air_flow_g_s(
        SLIDE.throat_area_mm2(lift),
        depression,
        density_kg_m3=air.density_kg_m3(),
        pressure_pa=air.pressure_pa,
        discharge_coefficient=SLIDE.discharge_coefficient,
    )
    assert SLIDE.depression_of_flow_pa(lift, flow, air) == pytest.approx(depression, rel=1e-9)


def test_depression_by_hand():
    # Half open, the throat is half of a 34 mm circle; incompressible: (flow / (C A))^2 / (2 rho), 1 % above by expansion.
    area = np.pi / 8 * 0.034**2
    by_hand = (0.010 / (0.75 * area)) ** 2 / (2 * nc.Air().density_kg_m3())
    assert SLIDE.depression_of_flow_pa(17.0, 10.0, nc.Air()) == pytest.approx(by_hand, rel=0.01)


def test_each_band_has_the_depression_of_its_air_flow_and_its_fuel():
    setup = slide_setup()
    bands = slide_bands(setup)
    np.testing.assert_allclose(bands.depression_pa, SLIDE.depression_of_flow_pa(LIFTS, FLOWS, setup.air))
    assert "depression Pa" in str(bands)
    fuel = nc.parts.fuel_flow(setup, LIFTS, depression_pa=bands.depression_pa)
    head = setup.fuel.density_kg_m3() * 9.80665 * 0.006
    direct = bore_flow(
        LIFTS + 1.6,
        STATIONS_MM,
        DIAMETERS_MM,
        bore_mm=2.54,
        length_mm=4.0,
        pressure_pa=bands.depression_pa - head,
        density_kg_m3=setup.fuel.density_kg_m3(),
        viscosity_mm2_s=setup.fuel.viscosity_mm2_s(),
    )
    np.testing.assert_allclose(fuel.fuel_flow_g_s, direct.fuel_flow_g_s)
    two = replace(setup, engine=nc.Engine(1500.0, 4, carburettors=2))
    np.testing.assert_allclose(slide_bands(two, flows=2 * FLOWS).depression_pa, bands.depression_pa)


def test_ratio_of_two_needles_hardly_depends_on_the_air_flow():
    setup = slide_setup()
    other = nc.Needle("thinner", STATIONS_MM, DIAMETERS_MM - 0.01)
    plain = nc.predict_lambda(setup, slide_bands(setup), needle=other)
    more = nc.predict_lambda(setup, slide_bands(setup, flows=1.1 * FLOWS), needle=other)
    np.testing.assert_allclose(more / plain, 1.0, atol=0.01)


def test_a_manometer_goes_before_the_air_flow_and_a_stated_depression_after():
    setup = slide_setup()
    read = slide_bands(setup, depression_pa=[900.0, np.nan, np.nan, np.nan, 2500.0])
    assert read.depression_pa[[0, 4]].tolist() == [900.0, 2500.0]
    np.testing.assert_allclose(read.depression_pa[1:4], slide_bands(setup).depression_pa[1:4])
    stated = slide_setup(replace(SLIDE, usual_depression_pa=1800.0))
    unknown = slide_bands(stated, flows=None)
    assert np.isnan(unknown.depression_pa).all()
    usual = nc.parts.fuel_flow(stated, LIFTS, depression_pa=unknown.depression_pa)
    typed = nc.parts.fuel_flow(stated, LIFTS, depression_pa=np.full(5, 1800.0))
    np.testing.assert_allclose(usual.fuel_flow_g_s, typed.fuel_flow_g_s)
    assert len(nc.compare(stated, stated.carburettor.needle, stated.carburettor.needle).rows()) == 13


def test_a_noiseless_drive_gives_back_the_other_needle():
    setup = slide_setup()
    lifts = np.linspace(0.5, 28.0, 30)
    steady = nc.SlideValve(throat_bore_mm=34.0, usual_depression_pa=1500.0).air_flow_g_s(lifts, setup.air)
    flows = steady * np.linspace(0.8, 1.4, 30)
    now = nc.typed_bands(lifts, np.full(30, 1.1), lift_mm=lifts, lift_u_mm=0.0, lambda_se=0.0, air_flow_g_s=flows)
    now = nc.with_lift(now, setup)
    off = np.interp(STATIONS_MM, [3.0, 12.0, 24.0, 40.0], [0.0, 30.0, 38.0, 38.0])
    wanted = nc.predict_lambda(setup, now, needle=nc.Needle("other", STATIONS_MM, DIAMETERS_MM - off / 1000))
    design = nc.solve(nc.Target(now, wanted), setup, doubts=NO_DOUBTS)
    assert design.met
    np.testing.assert_allclose(design.remove_um()[2:10], off[2:10], atol=1.0)


SLIDE_SECTION = """[slide_valve]
throat_bore_mm = 34.0
discharge_coefficient = 0.75
"""
SLIDE_BANDS = """[bands]
rpm = [1400, 2500, 4000, 5000]
lambda_measured = [0.97, 1.05, 1.10, 1.08]
load = ["light", "full", "full", "full"]
air_flow_g_s = [4.0, 14.0, 27.0, 36.0]
[lift]
lift_mm = [4.0, 12.0, 20.0, 25.0]
"""


def slide_job(folder, *, bands=SLIDE_BANDS, section=SLIDE_SECTION):
    """Demo job turned into an invented slide carburettor with bands typed in."""
    text = (DATA / "pass_van.toml").read_text()
    valve, rest = text.index("[air_valve]"), text.index("[carburettor]")
    log, target = text.index("[log]"), text.index("[target]")
    (folder / "pass_van_needle.csv").write_text((DATA / "pass_van_needle.csv").read_text())
    job = folder / "slide.toml"
    job.write_text(
        text[:valve]
        + section
        + text[rest:log]
        + bands
        + text[target:].replace("part = 0.95\n", "").replace("idle_co", "# co")
    )
    return job


def test_a_typed_slide_job_from_file_to_sheet(tmp_path):
    job = nc.read_job(slide_job(tmp_path))
    assert isinstance(job.setup.carburettor.air_valve, nc.SlideValve)
    design = job.design()
    assert design.met
    bands = design.target.bands
    assert np.isfinite(bands.depression_pa).all()
    # The asked needle in the forward model meets the targets.
    again = nc.predict_lambda(job.setup, bands, needle=design.needle, drop_mm=design.drop_mm)
    np.testing.assert_allclose(again, design.target.lambda_target, rtol=0.02)
    assert "GRIND SHEET" in job.sheet(design).text()


@pytest.mark.parametrize(
    ("old", "new", "match"),
    [
        ("lift_mm = [4.0, 12.0, 20.0, 25.0]", "", "Band 1400 rpm light: its lift was neither logged nor typed"),
        ("lift_mm = [4.0, 12.0,", "lift_mm = [4.0, nan,", "Band 2500 rpm full: its lift was neither logged nor typed"),
        ("air_flow_g_s = [4.0,", "air_flow_g_s = [400.0,", "400.0 g/s a carburettor is more than a slide open 4 mm passes"),
        ("lift_mm = [4.0,", "depression_pa = [2, 900, 900, 900]\nlift_mm = [4.0,", "depression_pa is 2, but must lie"),
        (
            "lift_mm = [4.0,",
            "depression_pa = [900]\nlift_mm = [4.0,",
            "depression_pa holds 1 value, but must hold one for each of 4 bands, in this order: 1400 rpm light, ",
        ),
        ("air_flow_g_s = [4.0,", "air_flow_g_s = [", "air_flow_g_s holds . value"),
    ],
)
def test_bands_of_a_slide_job_are_refused_clearly(tmp_path, old, new, match):
    assert old in SLIDE_BANDS
    job = nc.read_job(slide_job(tmp_path, bands=SLIDE_BANDS.replace(old, new)))
    with pytest.raises(nc.InputError, match=match):
        job.design()


def test_a_depression_nobody_stated_is_assumed_and_listed(tmp_path):
    job = nc.read_job(slide_job(tmp_path, bands=SLIDE_BANDS.replace("air_flow_g_s = [4.0, 14.0, 27.0, 36.0]", "")))
    sheet = " ".join(job.sheet(job.design()).text().split())
    assert any(prior.key == "usual_depression_pa" for prior in job.left_out)
    assert "depression over the jet, Pa" in sheet


def test_refusals(tmp_path):
    with pytest.raises(nc.InputError, match=r"both \[air_valve\] and \[slide_valve\]"):
        nc.read_job(slide_job(tmp_path, section=SLIDE_SECTION + "[air_valve]\nthroat_bore_mm = 38\n"))
    with pytest.raises(nc.InputError, match=r"\[slide_valve\] has no key 'piston_mass_kg'"):
        nc.read_job(slide_job(tmp_path, section=SLIDE_SECTION + "piston_mass_kg = 0.2\n"))
    with pytest.raises(nc.InputError, match="no lift follows from 5 g/s"):
        SLIDE.lift_mm(5.0, nc.Air())
    with pytest.raises(nc.InputError, match="state usual_depression_pa"):
        nc.parts.fuel_flow(slide_setup(), LIFTS)
    with pytest.raises(nc.InputError, match="A shut slide has no depression"):
        SLIDE.depression_of_flow_pa(0.0, 5.0, nc.Air())
    with pytest.raises(nc.InputError, match="looks like inches"):
        nc.SlideValve(throat_bore_mm=1.3)
    with pytest.raises(nc.InputError, match="cannot pass the bore"):
        nc.SlideValve(throat_bore_mm=34.0, max_lift_mm=40.0)
    with pytest.raises(nc.InputError, match="One inch of water"):
        nc.SlideValve(throat_bore_mm=34.0, usual_depression_pa=8.0)
    with pytest.raises(nc.InputError, match="has no piston or spring"):
        nc.predict_lambda(slide_setup(), slide_bands(slide_setup()), air_valve=make_setup().carburettor.air_valve)


def test_it_shows_itself():
    assert "\n" not in repr(SLIDE)
    assert {"fact": "discharge_coefficient", "value": 0.75} in SLIDE.rows()
    stated = replace(SLIDE, usual_depression_pa=2000.0)
    flow = stated.air_flow_g_s(17.0, nc.Air())
    assert stated.depression_of_flow_pa(17.0, flow, nc.Air()) == pytest.approx(2000.0)


def test_manifold_pressure_serves_as_well_as_an_air_meter():
    setup = slide_setup()
    manifold, rpm = np.full(5, 60e3), np.linspace(1500, 5500, 5)
    # Speed-density by hand: half the swept volume a turn, filled to 0.80 with air of the manifold, less by the exhaust
    # of 101.3 kPa left behind (Heywood 1988, 6.2.1, from memory).
    filled = 0.80 * (1.0 - (101325.0 / 60e3 - 1.0) / (1.3 * 7.5))
    flow = 1500e-6 * rpm / 120 * filled * manifold / (287.05287 * (setup.air.temperature_degc + 273.15)) * 1e3
    typed = nc.typed_bands(rpm, np.full(5, 1.0), lift_mm=LIFTS + 6.0, manifold_pressure_pa=manifold)
    expected = SLIDE.depression_of_flow_pa(LIFTS + 6.0, flow, setup.air)
    np.testing.assert_allclose(nc.with_lift(typed, setup).depression_pa, expected, rtol=1e-9)
