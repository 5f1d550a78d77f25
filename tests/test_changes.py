"""Changes tried before filing, invented: each against the forward model or a sum by hand, and what the sheet says."""

from __future__ import annotations

import tomllib
from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, asked, make_setup
from hypothesis import given
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.design.inverse.alternatives import Change

LIFTS = np.linspace(2.0, 24.0, 8)
PART = ("part",) * 8

# A slide carburettor, invented: needle jet 2.680 mm, taper 0.05 mm/mm, 2.300 mm at the jet's face with 4 mm open.
JET_MM, FACE_MM, TAPER, GROOVE_MM, WASHER_MM, OPEN_MM = 2.680, 2.300, 0.05, 0.9, 0.7, 4.0


def slide_setup(shift_mm: float = 0.0) -> nc.Setup:
    along = np.arange(13) * 3.0
    straight = nc.Needle("straight", along + shift_mm, FACE_MM + TAPER * (OPEN_MM + 2.0) - TAPER * along)
    slide = nc.SlideValve(throat_bore_mm=32.0, usual_depression_pa=1500.0)
    carburettor = nc.Carburettor(straight, nc.Jet(JET_MM, 0.0, parallel_length_mm=4.0), slide, shoulder_offset_mm=2.0)
    return nc.Setup(nc.Engine(250.0, 1), carburettor, name="slide (invented)")


def raised(setup: nc.Setup, by_mm: float) -> nc.Setup:
    offset = setup.carburettor.shoulder_offset_mm + by_mm
    return replace(setup, carburettor=replace(setup.carburettor, shoulder_offset_mm=offset))


def slide_design(lift_mm: float = OPEN_MM) -> nc.Design:
    bands = nc.typed_bands([4000.0], [1.06], lift_mm=[lift_mm], lift_u_mm=0.05)
    return nc.solve(nc.Target(bands, np.array([0.97])), slide_setup())


def fuel(setup: nc.Setup, lifts=LIFTS) -> np.ndarray:
    return nc.parts.fuel_flow(setup, lifts).fuel_flow_g_s


def test_one_groove_and_one_washer_by_hand_and_by_the_law():
    ring = JET_MM**2 - FACE_MM**2
    groove, washer = (JET_MM**2 - (FACE_MM - TAPER * by) ** 2 for by in (GROOVE_MM, WASHER_MM))
    assert 1.06 * ring / groove == pytest.approx(0.956, abs=5e-4)
    assert 1.06 * ring / washer == pytest.approx(0.977, abs=5e-4)
    at_hand = nc.AtHand(groove_mm=GROOVE_MM, groove=2, grooves=3, washers_mm=(WASHER_MM,), jet_bores_mm=(2.70,))
    found = nc.try_changes(slide_design(), at_hand)
    by = {(one.what.kind, round(one.what.amount, 3)): float(one.what.lambda_expected[0]) for one in found.tried}
    # The law has a viscous share on top of the plain area, so the same step enriches somewhat more.
    setup = slide_setup()
    for kind, step, plain in ((Change.GROOVE, GROOVE_MM, 0.956), (Change.WASHERS, WASHER_MM, 0.977)):
        by_model = 1.06 * fuel(setup, [OPEN_MM])[0] / fuel(raised(setup, step), [OPEN_MM])[0]
        assert by[kind, step] == pytest.approx(by_model, rel=1e-9)
        assert plain - 0.03 < by[kind, step] < plain
    assert by[Change.GROOVE, -GROOVE_MM] > 1.06
    assert by[Change.OTHER_JET, 0.02] < 1.06
    first = found.tried[0].what
    assert (first.kind, first.met) == (Change.GROOVE, True)
    assert "clip 1 groove down, needle higher by 0.9 mm" in str(found)


@given(st.floats(-3.0, 3.0), st.lists(st.floats(4.0, 20.0), min_size=1, max_size=5))
def test_a_groove_is_the_same_shift_of_the_table(by_mm, lifts):
    # The clip so much farther down holds the needle so much higher: its table counts from so much less.
    np.testing.assert_allclose(fuel(raised(slide_setup(3.0), by_mm), lifts), fuel(slide_setup(3.0 - by_mm), lifts))


@pytest.fixture(scope="module")
def design():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    return nc.solve(asked(setup, LIFTS, np.linspace(0.98, 1.12, 8), 0.95, load=PART), setup)


def test_spring_and_shim_as_the_forward_model_has_them():
    setup = make_setup()  # the nut stays, so that the spring stands alone
    design = nc.solve(asked(setup, LIFTS, np.full(8, 1.08), 0.97, load=PART), setup)
    valve = setup.carburettor.air_valve
    found = nc.try_changes(design, nc.AtHand(spring_preload_n=(1.0,), spring_rate_n_mm=(0.02,), shims_mm=(5.0,)))
    by = {one.what.kind: one for one in found.tried}
    # By hand: 5 mm at 0.01 N/mm are 0.05 N more at no lift.
    others = {
        Change.SPRING: replace(valve, spring_preload_n=1.0, spring_rate_n_mm=0.02),
        Change.SHIM: replace(valve, spring_preload_n=1.25),
    }
    for kind, other in others.items():
        assert by[kind].setup.carburettor.air_valve == other
        expected = nc.predict_lambda(setup, design.target.bands, air_valve=other)
        np.testing.assert_allclose(by[kind].what.lambda_expected, expected, rtol=1e-9)


def test_height_of_needle_and_jet_do_the_same_and_the_bore_is_the_one_looked_for(design):
    found = nc.try_changes(design, nc.AtHand(holder_mm=(0.3,)))
    by = {one.what.kind: one for one in found.tried}
    assert by[Change.FILE].what.met
    assert by[Change.FILE].what.largest_cut_um == pytest.approx(design.remove_um().max())
    jet, holder = by[Change.JET].what, by[Change.HOLDER].what
    # With the nut free, 0.3 mm in the holder only spare 0.3 mm of it, but for the head of 0.3 mm of fuel.
    assert jet.drop_mm - holder.drop_mm == pytest.approx(0.3, abs=0.02)
    np.testing.assert_allclose(jet.lambda_expected, holder.lambda_expected, rtol=2e-3)
    bore = by[Change.OTHER_JET].what
    assert bore.bore_mm > 2.54
    assert bore.diameters_mm == pytest.approx(DIAMETERS_MM)
    own = {one.what.kind: one.what for one in nc.try_changes(design, nc.AtHand(jet_bores_mm=(bore.bore_mm,))).tried}
    np.testing.assert_allclose(own[Change.OTHER_JET].lambda_expected, bore.lambda_expected)


def test_those_that_serve_come_first_the_cheapest_of_them_first():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    bands = nc.typed_bands(np.linspace(900, 5000, 8), np.full(8, 1.0), lift_mm=LIFTS, load=PART)
    wanted = nc.predict_lambda(setup, bands, drop_mm=2.4)
    fixed = make_setup()
    design = nc.solve(nc.Target(bands, wanted), fixed)
    found = nc.try_changes(design, nc.AtHand(holder_mm=(0.8, -0.5), jet_bores_mm=(2.50,)), places={"up": 1800.0}, home=0.0)
    assert [one.what.met for one in found.tried] == sorted((one.what.met for one in found.tried), reverse=True)
    assert found.tried[0].what.kind is Change.HOLDER
    assert found.instead() is found.tried[0]
    missed = [abs(one.what.missed()[one.what.worst()]) for one in found.tried if not one.what.met]
    assert missed == sorted(missed)
    # At home, in the air of the drive, nothing changes; up there it is richer.
    first = found.tried[0]
    np.testing.assert_allclose(first.outlook.at("home").lambda_predicted, first.what.lambda_expected, rtol=1e-9)
    assert (first.outlook.at("up").lambda_predicted < first.what.lambda_expected).all()
    by_hand = nc.at_altitude(
        raised(fixed, 0.8), bands.having(lambda_measured=first.what.lambda_expected), None, {"up": 1800.0}
    )
    np.testing.assert_allclose(first.outlook.at("up").lambda_predicted, by_hand.at("up").lambda_predicted, rtol=1e-9)


def test_the_best_needle_at_hand_and_a_donor_stand_among_them(design, tmp_path):
    # The design's own needle is in the folder: it serves as it is, by the same law.
    setup = design.setup
    for needle in (design.needle, replace(design.needle, name="fat", diameters_mm=design.needle.diameters_mm + 0.05)):
        rows = [f"{k},{z},{d}" for k, (z, d) in enumerate(zip(needle.stations_mm, needle.diameters_mm, strict=True), 1)]
        name = needle.name.replace(" ", "_")
        (tmp_path / f"{name}.csv").write_text("\n".join(["station,distance_mm,diameter_mm", *rows]) + "\n")
    found = nc.try_changes(design, nc.AtHand(needles=tmp_path), places={"up": 1500.0})
    needle = next(one for one in found.tried if one.what.kind is Change.NEEDLE)
    assert needle.what.met
    assert needle.setup.carburettor.needle.name == "stock_at_its_target"
    np.testing.assert_allclose(needle.what.lambda_expected, design.final.expected, rtol=2e-3)
    assert found.instead() is needle
    assert "needle stock_at_its_target" in str(found)
    # Too rich everywhere: a donor is worked out with the design, and stands after what takes no metal.
    rich = nc.solve(asked(setup, LIFTS, np.full(8, 0.85), 0.97, load=PART), make_setup())
    donor = next(one for one in nc.try_changes(rich, places={"up": 1500.0}).tried if one.what.kind is Change.DONOR)
    assert (donor.setup.carburettor.needle.diameters_mm > DIAMETERS_MM + 0.004).any()
    assert (donor.outlook.at("up").lambda_predicted < donor.what.lambda_expected).all()


def test_what_does_not_go_with_needle_or_jet_is_left_out_and_the_rest_stands():
    # 2 mm open and 2 mm of offset: 5 mm lower the jet stands above the shoulder; 2.2 mm of bore do not pass the needle.
    at_hand = nc.AtHand(groove_mm=0.9, groove=1, grooves=2, washers_mm=(-5.0,), jet_bores_mm=(2.2, 2.7))
    found = nc.try_changes(slide_design(lift_mm=2.0), at_hand)
    why = {one.numbers["what"]: one.numbers["why"] for one in found.left_out}
    assert "must be thinner than its jet" in why["another jet"]
    assert "leaves the needle's table" in why["washers"]
    assert len(why) == len(found.left_out) == 2
    assert {one.what.kind for one in found.tried} == {Change.GROOVE, Change.OTHER_JET, Change.FILE}


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"groove_mm": 0.9}, "groove_mm, groove and grooves go together"),
        ({"groove_mm": 0.9, "groove": 4, "grooves": 3}, "groove is 4, but must lie between 1 and 3"),
        ({"spring_preload_n": (1.0,)}, "spring_preload_n holds 1 value and spring_rate_n_mm 0; give both"),
        ({"jet_bores_mm": (0.1,)}, "jet_bores_mm is 0.1"),
    ],
)
def test_parts_that_cannot_be_are_refused(given, words):
    with pytest.raises(nc.InputError, match=words):
        nc.AtHand(**given)


def test_parts_of_another_carburettor_are_refused(design):
    with pytest.raises(nc.InputError, match="A piston holds its needle by the shoulder"):
        nc.try_changes(design, nc.AtHand(washers_mm=(0.5,)))
    with pytest.raises(nc.InputError, match="A slide has neither spring nor needle holder"):
        nc.try_changes(slide_design(), nc.AtHand(shims_mm=(1.0,)))
    plain = replace(design.setup.carburettor.air_valve, spring_rate_n_mm=0.0)
    setup = replace(design.setup, carburettor=replace(design.setup.carburettor, air_valve=plain))
    rigid = nc.solve(design.target, setup)
    with pytest.raises(nc.InputError, match="state spring_rate_n_mm of the air valve"):
        nc.try_changes(rigid, nc.AtHand(shims_mm=(1.0,)))


def test_a_spring_that_lifts_the_piston_to_its_stop_is_left_out_and_said():
    setup = make_setup()
    design = nc.solve(asked(setup, LIFTS + 6.0, np.full(8, 1.08), 0.97, load=PART), setup)
    found = nc.try_changes(design, nc.AtHand(spring_preload_n=(0.0, 1.4), spring_rate_n_mm=(0.0, 0.01)))
    assert [one.numbers["amount"] for one in found.left_out] == [0.0]
    assert Change.SPRING in [one.what.kind for one in found.tried]
    text = " ".join(str(found).split())
    assert "Left out: another spring, 0. Band " in text
    assert "with the other air valve the piston would meet a stop" in text


def test_a_job_states_its_parts_and_the_sheet_says_what_spares_the_file(case):
    case.write_text(
        case.read_text()
        + "\n[at_hand]\njet_bores_in = [0.1]\nholder_mm = 0.3\nspring_preload_ozf = [4.5]\nspring_rate_n_mm = [0.01]\n"
        + "[altitude]\nhome_m = 300.0\ntrip_m = [1600.0]\n"
    )
    job = nc.read_job(case)
    design = job.design()
    found = job.changes(design)
    assert found.at_hand.jet_bores_mm == (2.54,)
    assert found.at_hand.spring_preload_n == pytest.approx((1.251,), abs=1e-3)  # 4.5 ounces-force
    sheet = job.sheet(design)
    text = " ".join(sheet.text().split())
    assert "Changes tried before filing" in text
    assert "No change without the file keeps every band inside what you permit: the file is the last resort." in text
    assert "full load at home" in text
    assert "WITHOUT THE FILE" not in text
    wide = replace(design.target, lambda_rich=0.5 * design.target.lambda_rich, lambda_lean=2.0 * design.target.lambda_lean)
    easy = nc.try_changes(replace(design, target=wide), found.at_hand)
    told = " ".join(replace(sheet, changes=easy).text().split())
    assert "WITHOUT THE FILE: " in told
    assert "keeps every band inside what you permit, at worst" in told


def test_a_wrong_key_of_parts_is_told_with_its_line(case):
    text = case.read_text() + "\n[at_hand]\ngroove_mm = 0.9\n"
    case.write_text(text)
    with pytest.raises(nc.InputError, match=r"line \d+: \[at_hand\] groove_mm, groove and grooves go together"):
        nc.read_job(case)
    case.write_text(text.replace("groove_mm = 0.9", "washers_mm = [0.5]"))
    job = nc.read_job(case)
    with pytest.raises(nc.InputError, match=r"\[at_hand\] A piston holds its needle"):
        job.changes(job.design())


@pytest.mark.parametrize(("kind", "step"), [((), "holder_mm"), (("--slide",), "groove_mm")])
def test_a_new_job_shows_what_can_be_stated(tmp_path, kind, step):
    assert main(["new", str(tmp_path / "car"), *kind]) == 0
    text = (tmp_path / "car" / "job.toml").read_text()
    shown = text[text.index("# [at_hand]") :].replace("# ", "", 1).replace("\n# ", "\n")
    given = tomllib.loads(shown)["at_hand"]
    assert step in given
    nc.AtHand(**given)


def test_a_change_far_too_rich_to_run_is_still_told():
    # A jet of 2.80 mm for 2.68 beside a needle that nearly fills it: far under lambda 0.5 by the law.
    design = slide_design(lift_mm=0.2)
    found = nc.try_changes(design, nc.AtHand(jet_bores_mm=(2.9,)), places={"up": 1500.0})
    (jet,) = (one.what for one in found.tried if one.what.kind is Change.OTHER_JET)
    assert jet.lambda_expected[0] < 0.5
    assert not jet.met
    assert found.left_out == ()
