"""A needle at another altitude: density law, lift mapped anew, the second check at home and its red warning."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from ambiance import Atmosphere
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from scipy.optimize import brentq
from sheet_cases import at_once, changed, in_stages, left_alone, paper_of, words_of

import needlecalc as nc
from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.inverse.proposal import Stages
from needlecalc.report import after
from needlecalc.report.language import words_sheet

LIFTS = np.array([2.5, 5.0, 9.0, 13.0, 18.0, 24.0])
LOADS = ("idle", "light", "light", "full", "full", "full")


def bands_at(lambda_measured, lift_mm=LIFTS, load=LOADS):
    return nc.typed_bands(np.linspace(900, 4500, len(lift_mm)), lambda_measured, lift_mm=lift_mm, load=load)


def on_the_mountain(height_m=2600.0, **jet):
    return replace(make_setup(**jet), air=nc.Air.at_altitude(height_m))


def wanting_flat_lambda(setup):
    """Bands whose fuel follows the air exactly: lambda does not change with lift."""
    flow = nc.parts.fuel_flow(setup, LIFTS)
    ratio = setup.carburettor.air_valve.air_flow_g_s(LIFTS, setup.air) / flow.fuel_flow_g_s
    return ratio / ratio.mean()


@pytest.mark.parametrize("height_m", [0.0, 500.0, 1600.0, 3000.0])
def test_lambda_follows_the_root_of_the_density_and_the_needle_at_the_new_lift(height_m):
    # The density law at equal lift times lambda as the needle gives it at the lift there: lambda0(y') sqrt(rho'/rho) over
    # lambda0(y).  Densities from the package ambiance.  Expansion in the throat, some 0.3 %, is left out.
    setup = on_the_mountain()

    def shape(lift):
        flow = nc.parts.fuel_flow(setup, lift)
        return setup.carburettor.air_valve.air_flow_g_s(lift, setup.air) / flow.fuel_flow_g_s

    there = nc.at_altitude(setup, bands_at(np.full(6, 0.9)), None, height_m).places[1]
    root = np.sqrt(Atmosphere(height_m).density[0] / Atmosphere(2600.0).density[0])
    np.testing.assert_allclose(there.lambda_predicted, 0.9 * root * shape(there.lift_mm) / shape(LIFTS), rtol=0.004)


def test_lift_is_mapped_by_the_balance_and_lambda_by_the_fuel_there():
    # Worked again from the balance: A(y') sqrt(dp(y')) / (A(y) sqrt(dp(y))) = sqrt(rho'/rho), expansion left out.
    setup = make_setup()
    valve = setup.carburettor.air_valve
    bands = bands_at(np.full(6, 0.95))
    there = nc.at_altitude(setup, bands, None, 2000.0).places[1]
    ratio = Atmosphere(2000.0).density[0] / Atmosphere(0.0).density[0]

    def passes(lift):
        return float(valve.throat_area_mm2(lift) * np.sqrt(valve.depression_pa(lift)))

    for b, lift in enumerate(LIFTS):
        expected = brentq(lambda y, lift=lift: passes(y) - np.sqrt(ratio) * passes(lift), 0.01, 30.0)
        assert there.lift_mm[b] == pytest.approx(expected, rel=3e-3)
        assert there.lift_mm[b] < lift
        fuel = [nc.parts.fuel_flow(setup, [y]).fuel_flow_g_s[0] for y in (lift, there.lift_mm[b])]
        assert there.lambda_predicted[b] == pytest.approx(0.95 * ratio * fuel[0] / fuel[1], rel=1e-3)


def test_only_dry_air_burns():
    # Hot damp air of the same place: lambda falls with the vapour's share too (CIPM-2007 density is tested elsewhere).
    setup = make_setup()
    bands = bands_at(np.full(6, 0.95))
    damp = nc.Air(101325.0, 35.0, 0.8)
    dry = nc.Air(101325.0 * damp.density_kg_m3() / nc.Air(101325.0, 35.0).density_kg_m3(), 35.0)
    there = nc.at_altitude(setup, bands, None, {"damp": damp, "dry": dry})
    share = there.at("damp").lambda_predicted / there.at("dry").lambda_predicted
    # Water over dry air at 35 degC, 80 %: 0.622 * 4499 / (101325 - 4499) (steam table value 5.624 kPa, from memory).
    assert share == pytest.approx(1.0 / (1.0 + 0.622 * 4499.0 / (101325.0 - 4499.0)), rel=1e-3)


def test_a_needle_cut_at_2600_m_is_red_at_sea_level():
    # Full load at lambda 0.95 at 2600 m: root of 1.225 / 0.9470 kg/m3 (ambiance) makes 1.0805 of it at the same lift; the
    # piston also rises into thicker air, so the needle's shape comes on top.
    same_lift = 0.95 * np.sqrt(Atmosphere(0.0).density[0] / Atmosphere(2600.0).density[0])
    assert same_lift == pytest.approx(1.08, abs=0.005)
    setup = on_the_mountain()
    flat = wanting_flat_lambda(setup)
    full = np.array([load == "full" for load in LOADS])
    bands = bands_at(np.where(full, 0.95, 0.98) * flat / np.where(full, flat[full].mean(), flat[~full].mean()))
    outlook = nc.at_altitude(setup, bands, None, 2600.0, home=0.0)
    home = outlook.at("home").lambda_predicted[full]
    assert home.mean() == pytest.approx(1.08, abs=0.03)
    assert outlook.needs_acknowledging()
    (red,) = [one for one in outlook.red() if one.numbers["place"] == "home"]
    assert red.numbers["expected"] == home.max()
    assert (red.numbers["of"], len(red.bands)) == (3, 3)
    text = " ".join(str(outlook).split())
    assert "Set again before descending" in text
    assert "leaner than lambda 0.92 anywhere" in text


def test_the_sheet_of_a_red_design_must_be_signed(tmp_path):
    setup = on_the_mountain(drop_min_mm=0.8, drop_max_mm=2.5)
    target = asked(setup, LIFTS, [0.98, 1.05, 1.08, 1.08, 1.08, 1.08], [0.95, 1.0, 1.0, 0.95, 0.95, 0.95], load=LOADS)
    design = nc.solve(target, setup)
    outlook = nc.at_altitude(setup, target.bands, design, 2600.0, home=0.0)
    np.testing.assert_allclose(outlook.places[0].lambda_predicted, design.final.expected, rtol=1e-9)
    np.testing.assert_allclose(outlook.at("2600 m").lambda_predicted, design.final.expected, rtol=2e-4)
    assert (outlook.at("home").lambda_low < outlook.at("home").lambda_predicted).all()
    # Round number of the case: 0.95 on the mountain is about 1.08 at sea level; the needle's shape moves it a little.
    assert outlook.at("home").lambda_predicted[3:].mean() == pytest.approx(1.08, abs=0.03)
    sheet = nc.grind_sheet(design, altitude=outlook)
    text = " ".join(sheet.text().split())
    assert text.index("RED: FULL LOAD TOO LEAN") < text.index("needlecalc ")
    assert sheet.orders()[2] == "File nothing before the red warning below is signed."
    assert "Read and accepted: ____" in text
    assert "Lambda by altitude" in text
    signed = nc.grind_sheet(design, altitude=outlook, acknowledged="stays above 2000 m, owner")
    assert "Read and accepted: stays above 2000 m, owner" in " ".join(signed.text().split())
    nc.report.write_pdf(sheet, tmp_path / "s.pdf")
    assert any("RED: FULL LOAD TOO LEAN" in page for page in paper_of(sheet)[:1])
    # No red without a descent; nothing to sign.
    stays = nc.at_altitude(setup, bands_at(np.full(6, 0.88)), None, 2600.0)
    assert not stays.needs_acknowledging()
    assert "signed" not in nc.grind_sheet(design, altitude=stays).text()


def test_idle_co_rises_on_the_mountain():
    setup = make_setup()
    outlook = nc.at_altitude(setup, bands_at(np.array([0.97, 1.0, 1.0, 0.88, 0.88, 0.88])), None, 2000.0)
    # Ideal dry exhaust: lambda 0.97 has 1.08 % CO, 0.8788 has 4.5 % (computed for this project, see tests/test_exhaust.py).
    assert outlook.places[0].idle_co_percent == pytest.approx(1.08, abs=0.02)
    assert outlook.places[1].idle_co_percent > 3.0
    assert "CO at idle" in str(outlook)
    assert AltitudeRemark.FOULS in [one.kind for one in outlook.remarks()]
    assert np.isnan(nc.at_altitude(setup, bands_at([0.9], [9.0], ("full",)), None, 0.0).places[0].idle_co_percent)


def test_misfire_is_told_where_part_load_gets_too_lean():
    outlook = nc.at_altitude(on_the_mountain(), bands_at(np.full(6, 1.1)), None, 0.0)
    assert AltitudeRemark.MISFIRES in [one.kind for one in outlook.remarks()]


def test_a_piston_at_its_stop_stays_there_and_a_slide_stays_open():
    setup = on_the_mountain()
    top = setup.carburettor.air_valve.travel_mm()
    home = nc.at_altitude(setup, bands_at([0.9], [top], ("full",)), None, 0.0).places[1]
    assert home.lift_mm[0] == top
    # A fixed throat: air and an inertial jet both follow the root of their density and depression, so lambda follows the
    # root of the air's density; viscosity leaves a little.
    root = np.sqrt(Atmosphere(0.0).density[0] / Atmosphere(2600.0).density[0])
    assert home.lambda_predicted[0] / 0.9 == pytest.approx(root, rel=0.02)
    valve = nc.SlideValve(throat_bore_mm=30.0, usual_depression_pa=1500.0)
    slide = replace(setup, carburettor=replace(setup.carburettor, air_valve=valve))
    there = nc.at_altitude(slide, bands_at([0.9], [18.0], ("full",)), None, 0.0).places[1]
    assert there.lift_mm[0] == 18.0
    assert there.lambda_predicted[0] / 0.9 == pytest.approx(root, rel=0.03)


def test_other_needles_and_drops_are_carried_along():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    bands = bands_at(np.full(6, 0.95))
    thinner = nc.Needle("thinner", STATIONS_MM, DIAMETERS_MM - 0.01)
    outlook = nc.at_altitude(setup, bands, thinner, setup.air, drop_mm=2.0)
    np.testing.assert_allclose(
        outlook.places[1].lambda_predicted, nc.predict_lambda(setup, bands, needle=thinner, drop_mm=2.0), rtol=1e-9
    )
    assert outlook.needle == "thinner"
    assert "no red warning" in repr(outlook) or outlook.needs_acknowledging()
    assert "kg/m3" in repr(outlook.places[0])
    assert len(outlook.places[0].rows()) == 6


def test_bad_input():
    setup = make_setup()
    with pytest.raises(nc.InputError, match="has no lift"):
        nc.at_altitude(setup, nc.typed_bands([900], [1.0]), None, 1000.0)
    outlook = nc.at_altitude(setup, bands_at(np.full(6, 0.9)), None, 1000.0)
    with pytest.raises(nc.InputError, match="has no place 'moon'; it has the drive, 1000 m"):
        outlook.at("moon")
    design = nc.solve(asked(setup, LIFTS, np.full(6, 1.05), 0.95), setup)
    with pytest.raises(nc.InputError, match="equally long"):
        nc.at_altitude(setup, bands_at([0.9], [9.0], ("full",)), design, 1000.0)


@pytest.mark.parametrize(
    ("section", "match"),
    [
        ("trip_m = 2600", "the needle is checked at home too"),
        ("home_m = 0\nwhere = 1", "has no key 'where'"),
        ("home_m = 9000", "metres above sea level"),
        ("home_m = 0\ntrip_m = [true]", r"\[altitude\] trip_m is \[true\], but must be a number or a row of numbers"),
    ],
)
def test_a_job_that_misstates_its_altitudes(case, section, match):
    case.write_text(case.read_text() + f"\n[altitude]\n{section}\n")
    with pytest.raises(nc.InputError, match=match):
        (job := nc.read_job(case)).sheet(job.design())


def test_a_job_names_home_and_trip(case):
    case.write_text(case.read_text() + '\n[altitude]\nhome_m = 0\ntrip_m = [1500, 2600]\nacknowledged = "owner"\n')
    job = nc.read_job(case)
    sheet = job.sheet(job.design())
    assert sheet.altitude is not None
    assert [place.name for place in sheet.altitude.places] == ["the drive", "1500 m", "2600 m", "home"]
    assert "Read and accepted: owner" in " ".join(sheet.text().split())


def said_of(found):
    """The one line that some remarks make."""
    (said,) = after.at_altitudes(found)
    return said


def held_back(design):
    """The design held back all the way: nothing off at the first stop, the bands as driven."""
    now = design.learned.lambda_now()
    held = {"needle": replace(design.present(), name="held"), "expected": now, "low": now - 0.05, "high": now + 0.05}
    return in_stages(design, stop=held)


@pytest.fixture(scope="module")
def rich_enough():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    target = asked(setup, LIFTS, [0.98, 1.05, 1.08, 1.0, 1.0, 1.0], [0.95, 1.0, 1.0, 0.85, 0.85, 0.85], load=LOADS)
    return at_once(nc.solve(target, setup, risk=1.0))


def test_where_metal_comes_off_in_stages_the_first_stop_is_judged_everywhere(rich_enough):
    setup, bands = rich_enough.setup, rich_enough.target.bands
    whole = nc.at_altitude(setup, bands, rich_enough, 1500.0, home=0.0)
    assert (whole.stop, whole.red()) == (None, ())
    held = held_back(rich_enough)
    outlook = nc.at_altitude(setup, bands, held, 1500.0, home=0.0)
    # The drive's air leaves the design's own figures; elsewhere the first stop is the needle now on the car, turned as told.
    np.testing.assert_allclose(outlook.stop.places[0].lambda_predicted, held.stop.expected, rtol=1e-9)
    np.testing.assert_allclose(outlook.places[1].lambda_predicted, whole.places[1].lambda_predicted)
    ratio = outlook.stop.places[1].lambda_predicted / held.stop.expected
    present = nc.at_altitude(setup, bands, held.present(), 1500.0, drop_mm=held.drop_mm)
    np.testing.assert_allclose(ratio, present.places[1].lambda_predicted / present.places[0].lambda_predicted, rtol=0.01)
    red = outlook.red()
    assert [one.numbers["place"] for one in red] == ["the drive", "1500 m", "home"]
    assert "; home at the FIRST STOP (up to" in said_of(red)
    # Whichever is leaner rules.
    leaner_after = replace(outlook, places=outlook.stop.places, stop=replace(outlook, stop=None))
    assert said_of(leaner_after.red()).count("at the target diameters (") == 3
    assert [row["stop_3"] for row in outlook.rows()] == outlook.stop.at("home").lambda_predicted.tolist()
    text = " ".join(nc.grind_sheet(held, altitude=outlook).text().split())
    assert "1500 m home the drive 1500 m home STOP STOP STOP FINAL FINAL FINAL" in text.replace("rpm load ", "")
    assert "File nothing before the red warning below is signed." in text
    lean = replace(
        outlook.stop, places=tuple(replace(p, lambda_predicted=p.lambda_predicted + 0.2) for p in outlook.stop.places)
    )
    said = after.at_altitudes(replace(outlook, stop=lean).remarks())
    assert any(re.match(r"Misfires, leaner than lambda 1\.15: .*home at the FIRST STOP \(", words) for words in said)


def test_a_page_gives_one_order_for_full_load_that_runs_lean(rich_enough):
    held = held_back(rich_enough)
    for zero, leanest in ((0.0, "0.92"), (0.02, "0.94")):
        # A meter that shows 0.02 too much has the limit where it shows it.
        off = nc.checks.SensorZero(mean=zero, u=0.005) if zero else None
        made = replace(held, target=replace(held.target, sensor_zero=off))
        outlook = nc.at_altitude(made.setup, made.target.bands, made, 1500.0, home=0.0)
        sheet = nc.grind_sheet(made, altitude=outlook)
        said = said_of(outlook.red())
        assert said.startswith(f"FULL LOAD TOO LEAN, leaner than lambda {leanest}, pistons can melt: the drive at")
        assert said.endswith("Short pulls only, to read lambda. Stop on any pinking.")
        assert said.count("FIRST STOP") >= 2
        assert words_of(sheet).count("FULL LOAD") == words_of(sheet).count("melt") == 1
        assert sheet.full_load_line().endswith(
            f"{leanest} is the leanest (common practice, no source). There too only short pulls."
        )


def test_full_load_that_only_may_run_lean_at_a_place_is_cautioned_there(rich_enough):
    outlook = nc.at_altitude(rich_enough.setup, rich_enough.target.bands, rich_enough, 2600.0)

    def ending_at(middle, high, **stop):
        full = np.array(LOADS) == "full"
        places = tuple(
            replace(p, lambda_predicted=np.where(full, middle, 0.95), lambda_high=np.where(full, high, 1.0))
            for p in outlook.places
        )
        return replace(outlook, places=places, **stop)

    def may_run_lean(found):
        may = [one for one in found.remarks() if one.kind is AltitudeRemark.FULL_LOAD_MAY_BE_LEAN]
        return {one.numbers["place"]: said_of([one]) for one in may}

    sure, unsure, red = ending_at(0.90, 0.92), ending_at(0.915, 0.94), ending_at(0.93, 0.96)
    assert (sure.red(), may_run_lean(sure)) == ((), {})
    assert unsure.red() == ()
    assert list(may_run_lean(unsure)) == ["the drive", "2600 m"]
    words = may_run_lean(unsure)["2600 m"]
    assert words.startswith("Full load may be leaner than lambda 0.92: 2600 m (up to 0.94). Short pulls only")
    # Red goes before; the first stop counts here too; a needle without a design has no interval.
    assert (len(red.red()), may_run_lean(red)) == (2, {})
    held = ending_at(0.90, 0.91, stop=unsure)
    assert "2600 m at the FIRST STOP (up to 0.94)" in may_run_lean(held)["2600 m"]
    assert may_run_lean(ending_at(0.915, np.nan)) == {}
    # On the sheet it stands with the other altitudes, for the drive's own air at the first stop; nothing is to be signed.
    sheet = nc.grind_sheet(rich_enough, altitude=unsure)
    assert sheet.altitude_line() == (words,)
    assert sheet.red_lines() == ()
    # Beside a red one they stand together, and how far pistons bear it is said there.
    beside = replace(red, places=(*unsure.places[:1], *red.places[1:]))
    (line,) = nc.grind_sheet(rich_enough, altitude=beside).altitude_line()
    assert line == "Full load may be leaner than lambda 0.92: the drive (up to 0.94). There too only short pulls."


def test_only_a_needle_to_be_filed_or_a_jet_to_be_turned_is_signed_for(rich_enough):
    held = held_back(rich_enough)
    outlook = nc.at_altitude(held.setup, held.target.bands, held, 1500.0, home=0.0)
    assert len(outlook.red()) == 3
    red = f"RED: {said_of(outlook.red())}".replace("melt: ", "melt: now (up to 1.00); ")  # as driven
    assert nc.grind_sheet(held, altitude=outlook).red_lines()[:-1] == (red,)
    # Nothing to file: the facts stand, but no cut is signed for.
    left = left_alone(held)
    assert left.stages() is Stages.NOTHING
    sheet = nc.grind_sheet(left, altitude=outlook)
    assert sheet.red_lines() == (red,)
    assert "signed" not in sheet.text()
    assert "Lambda by altitude" in sheet.text()
    # A jet turned can melt a piston as well as a cut.
    turned = nc.grind_sheet(changed(left, drop_mm=left.drop_mm - 0.2), altitude=outlook)
    assert turned.red_lines()[-1].startswith("Read and accepted: ____")
    assert words_sheet.SIGN_FIRST[False] in turned.orders()
