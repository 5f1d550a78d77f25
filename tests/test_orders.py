"""What the sheet says in sentences: which order, when, and never more than there is."""

from __future__ import annotations

import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup
from sheet_cases import at_once, changed, dark_of, forms, in_stages, left_alone, sheet_design, words_of

import needlecalc as nc
from needlecalc.design.inverse.notes import DesignRemark, remarks_of, why_the_jet
from needlecalc.design.inverse.proposal import Measurement, NextStep, Stages
from needlecalc.design.inverse.target import IdleTest, Why
from needlecalc.jobkeys import keys_of, sections
from needlecalc.report import say
from needlecalc.report.document import Picture, Weight, Words
from needlecalc.report.language import words_sheet


@pytest.fixture(scope="module")
def design():
    return sheet_design()


def test_sheet_carries_status_jet_and_cautions(design):
    text = " ".join(nc.grind_sheet(design).text().split())
    for words in (say.verdict(design)[0], "flats", "per side", "safety glasses", "local law", "poison", "extinguisher"):
        assert words in text
    # No column goes unexplained.
    for words in (
        "but for per side",
        "Within:",
        "Grey rows:",
        "Uncertainty:",
        "90 %: lambda lies inside",
        "mostly from",
    ):
        assert words in text
    assert "<table>" in nc.grind_sheet(design)._repr_html_()


def test_the_sheet_says_what_the_jet_is_turned_for():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    lifts, lean = np.linspace(2, 26, 9), np.full(9, 1.05)
    rich_idle, one_rich = lean.copy(), lean.copy()
    rich_idle[0], one_rich[2] = 0.88, 0.88
    load = ("idle", *("full",) * 8)
    for measured, kind, loads in (
        (rich_idle, DesignRemark.JET_FOR_IDLE, load),
        (one_rich, DesignRemark.JET_LEANS, load),
        (one_rich, DesignRemark.JET_LEANS, ("full",) * 9),
    ):
        design = nc.solve(asked(setup, lifts, measured, 0.95, load=loads), setup)
        assert design.flats() < -0.05
        why = why_the_jet(design)
        assert why.kind is kind
        assert say.remark(why) in say.jet_on_sheet(design)
        said = [one.kind for one in remarks_of(design)]
        assert (DesignRemark.IDLE_NOT_MEASURED in said) == ("idle" not in loads)
    assert why.bands == design.target.called(2)
    (idle,) = (words for words in nc.grind_sheet(design).warnings() if words.startswith("IDLE WAS NOT MEASURED"))
    assert "the nut makes it leaner too" in idle
    assert idle in " ".join(str(design).split())
    # The cure it names keeps the jet.
    kept = nc.solve(design.target, setup, limits=nc.Limits(drop_min_mm=1.6, drop_max_mm=1.6))
    assert (kept.flats(), why_the_jet(kept)) == (0.0, None)
    assert DesignRemark.IDLE_NOT_MEASURED not in [one.kind for one in remarks_of(kept)]
    left = nc.solve(asked(setup, lifts, np.full(9, 0.95), 0.95, load=load), setup)
    assert why_the_jet(left) is None


def test_the_sheet_says_where_to_stop_first(design):
    held = in_stages(design, final={"chance_rich": 0.2}, stop={"chance_rich": 0.04})
    what, stop, never, jet = nc.grind_sheet(held).orders()
    assert what.startswith("File stations")
    assert what.endswith("to the bold diameters, and no further.")
    assert stop.endswith("drive and read lambda before you take more.")
    assert never.startswith("Checks: none were made")  # graver than that metal cannot be put back
    assert jet.startswith("Jet: ")
    assert "20 % with all cut at once, 4 % at the first stop." in words_of(nc.grind_sheet(held), 1)
    once = nc.grind_sheet(at_once(design, final={"chance_rich": 0.03}))
    assert once.orders()[1].endswith("then drive and read lambda.")
    assert "Chance that the cut makes a band too rich: 3 %." in words_of(once, 1)
    for row, first in zip(nc.grind_sheet(held).band_table().rows, design.stop.low, strict=True):
        assert row["lambda_stop_low"] == first
    turned = left_alone(design, drop_mm=1.8)
    turned = nc.grind_sheet(changed(turned, final={"chance_rich": 0.03}))
    assert turned.orders()[:2] == (words_sheet.DO[Stages.NOTHING], "Turn the jet, then drive and read lambda.")
    assert "Chance that the turn makes a band too rich: 3 %." in words_of(turned, 1)
    left = nc.grind_sheet(left_alone(design)).orders()
    assert left[0] == "File nothing: the needle stays as it is."
    assert left[-1].startswith("Jet: leave")


def test_never_more_than_four_lines_stand_above_the_table(design):
    for made in forms(design).values():
        sheet = nc.grind_sheet(made)
        above = itertools.takewhile(lambda block: not isinstance(block, Picture), sheet.document().pages[0].blocks)
        lines = [block.text for block in above if block.weight is not Weight.TITLE]
        assert lines == list(sheet.orders())
        assert 1 <= len(lines) <= 4


def test_each_line_stands_once_and_names_no_key(design):
    keys = {key.name for section in sections() for key in keys_of(section)} - {"*"}
    for made in forms(design).values():
        sheet = nc.grind_sheet(made)
        blocks = [block for page in sheet.document().pages for block in page.blocks]
        lines = [block.text for block in blocks if isinstance(block, Words)]
        assert len(lines) == len(set(lines))
        said = set(re.findall(r"[a-z0-9]+(?:_[a-z0-9]+)+", sheet.text()))
        assert not said & keys, said


def test_the_headline_tells_the_target_needle_from_the_first_stop(design):
    aim = design.target.lambda_target
    for share, words in ((1.093, "9.3 % leaner than its target."), (0.96, "4.0 % richer than its target.")):
        first = np.where(np.arange(9) == 3, share, 1.01) * aim
        held = in_stages(design, stop={"expected": first})
        name = say.band(design.target.called(3)[0])
        said = f"{say.verdict(design)[0]} That is at the final diameters; at the first stop {name} is {words}"
        sheet = nc.grind_sheet(held)
        assert said in " ".join(sheet.text().split())
        assert said in words_of(sheet, 1)
        assert said in " ".join(str(held).split())
    assert say.verdict(at_once(design)) == say.verdict(design)[:1]


def test_what_comes_first_stands_on_the_first_page_once(design):
    now = nc.measure_next(design).steps[0].now
    measure = NextStep(Measurement.GAS, now, replace(now, lambda_u_percent=now.lambda_u_percent / 2))
    made = in_stages(design, drop_mm=1.9, next_step=measure)
    sheet = nc.grind_sheet(made)
    first = (sheet.not_to_do(), *sheet.warnings()[:2])
    starts = ["Checks", "IDLE WAS NOT MEASURED", "Before cutting"]
    assert [words.split(":")[0] for words in first] == starts
    # The gravest is the third order, the others are bold below the table.
    assert sheet.orders()[2] == first[0]
    assert sheet.before_lines() == first[2:]
    bold = [one.text for one in sheet.document().pages[0].blocks if isinstance(one, Words) and one.weight is Weight.GRAVE]
    assert bold[:2] == list(first[1:])
    for words in first:
        assert words_of(sheet).count(words) == 1, words
        assert " ".join(sheet.text().split()).count(words) == 1, words
    # Where nothing is turned nobody is told what that would do to idle.
    assert not any("IDLE" in words for words in nc.grind_sheet(changed(made, drop_mm=1.6)).warnings())


def test_words_of_a_cut_in_stages_stand_only_where_it_is_one(design):
    for stages, made in forms(design).items():
        assert made.stages() == stages
        sheet = nc.grind_sheet(made)
        said = " ".join(sheet.text().split())
        for words in ("FINAL:", "before you take more"):
            assert (words in said) == (stages is Stages.IN_STAGES), words
        # Nobody is told how to hold the file, or to write down what it did, where it stays in the drawer.
        for words in ("safety glasses", "STOP AT", "zero at"):
            assert (words in said) == (stages in ("at once", "in stages")), words
        assert ("refitted" in {column.key for column in sheet.to_fill_in().table.columns}) == (stages != "nothing")
        keys = [column.key for column in sheet.band_table().columns]
        assert ("lambda_stop" in keys) == (stages is Stages.IN_STAGES)
        assert "lambda_final" in keys
    turned = left_alone(design, drop_mm=1.9)
    assert turned.stages() is Stages.NOTHING
    assert "put the idle right" not in nc.grind_sheet(turned).text()  # no idle band in it


def test_the_note_on_idle_stands_where_the_nut_trims_one():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    load = ("idle", *("full",) * 8)
    design = nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.95, 1.12, 9), 0.95, load=load), setup)
    for stages, made in forms(design).items():
        assert ("put the idle right" in " ".join(nc.grind_sheet(made).text().split())) == (stages != "nothing")


def test_chances_of_a_test_are_said_of_the_cut_there_is():
    bands = nc.typed_bands([850, 3000], [1.0, 1.05], lift_mm=[2.0, 11.0], load=["idle", "full"])
    target = nc.make_target(bands, idle_lambda_least=0.97)
    design = nc.solve(target, make_setup(), with_alternatives=False)
    chances = {"final": {"chance_fails": 0.2}, "stop": {"chance_fails": 0.1}}

    def said_of(made):
        (one,) = (one for one in made.remarks if one.kind in (DesignRemark.TEST, DesignRemark.TEST_IN_DANGER))
        return one.kind, say.remark(one)

    kind, words = said_of(in_stages(design, **chances))
    assert kind is DesignRemark.TEST_IN_DANGER
    assert words.startswith(
        "Idle test, lambda 0.97 or more: NOT PROVEN. Chance to fail 10 % on the next drive, lambda down to 0."
    )
    assert words.endswith(". Aim farther from the limit, or know the lambda of idle better.")
    assert len(re.findall(r"\d+\.?\d*", words)) == 3
    assert "Chance to fail 20 % on the next drive" in said_of(at_once(design, **chances))[1]
    assert "Chance to fail 20 % on the next drive" in said_of(changed(left_alone(design), **chances))[1]
    kind, words = said_of(in_stages(design, risk=0.15, **chances))
    assert kind is DesignRemark.TEST
    assert "Aim farther" not in words
    assert words.startswith("Idle test, lambda 0.97 or more: NOT PROVEN. Chance to fail 10 %")


def test_a_turn_finer_than_the_trim_of_idle_is_not_asked(design):
    jet = design.setup.carburettor.jet
    for flats, words in ((0.2, "Jet: leave its face 1.60 mm"), (0.3, "Jet: LOWER (richer) by 0.3 flats")):
        made = changed(design, drop_mm=jet.drop_mm + flats * jet.flat_mm)
        assert say.jet_on_sheet(made).startswith(words)


def test_where_filing_cannot_help_the_sheet_says_so_and_what_could():
    setup = make_setup()
    rich = nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.95, 0.80, 9), 0.95), setup)
    assert not rich.met
    assert rich.stages() is Stages.NOTHING
    assert len(rich.ways_out()) > 1
    sheet = nc.grind_sheet(rich)
    assert say.verdict(rich)[0].startswith(
        "Do not file. 5000 rpm full stays 15.8 % rich of its target, outside what you permit"
    )
    said = words_of(sheet)
    # What could help stands on the first page, once.
    for number, one in enumerate(rich.ways_out(), start=1):
        assert f"Alternative {number}. " in said
        assert " ".join(sheet.text().split()).count(say.alternative(one, rich)) == 1
    # No stop, nothing to take off, nothing dark.
    for words in ("STOP", "take off", "per side um"):
        assert words not in said
    assert not dark_of(sheet)
    labels = [line.get_label() for line in nc.plot(rich).lines]
    assert labels.count("now") == 1
    assert not nc.plot(rich, "cut").patches
    assert "at the STOP" not in [line.get_label() for line in nc.plot(rich, "lambda").lines]
    bare = nc.grind_sheet(changed(rich, alternatives=()))
    assert words_sheet.NO_ALTERNATIVE in " ".join(bare.text().split())
    assert "DECIDE FIRST" not in nc.grind_sheet(at_once(sheet_design())).text()


def test_a_band_that_stays_outside_leaves_the_order_and_names_the_miss():
    # A limit of the user's own stops the cut short of the last bands: the others are filed all the same.
    setup = make_setup()
    target = asked(setup, np.linspace(2, 25, 8), np.linspace(0.96, 1.30, 8), 0.95)
    design = nc.solve(target, setup, limits=nc.Limits(max_cut_mm=0.10))
    assert not design.met
    assert design.remove_um().max() > 50.0
    sheet = nc.grind_sheet(design)
    text = " ".join(sheet.text().split())
    worst = design.verdict.missed[0]
    assert f"Better, but not right. {say.band(worst.band)} stays {100 * worst.off:.1f} % lean of its target" in text
    assert "limit is active, the largest cut at station" in text
    assert "DECIDE FIRST" in text
    assert "Turning needle: safety glasses" in text
    assert any(cell["target_mm"] < cell["present_mm"] for cell in sheet.station_rows())


def test_a_band_too_rich_before_any_cut_is_named_at_the_stop(design):
    measured = design.target.bands.lambda_measured.copy()
    measured[2] = design.target.lambda_rich[2] - 0.01
    driven = replace(design.target.bands, lambda_measured=measured)
    held = in_stages(design, target=replace(design.target, bands=driven))
    name = say.band(design.target.called(2)[0])
    assert f"Too rich as driven, before any cut: {name}." in words_of(nc.grind_sheet(held), 1)


def test_full_load_that_runs_lean_on_the_next_drive_is_cautioned_where_to_stop(design):
    rich = np.full(9, 0.88)
    safe = {"expected": rich, "high": rich + 0.03}
    full = replace(design.target, bands=replace(design.target.bands, load=("full",) * 9))
    held = in_stages(design, target=full, stop=safe, final=safe)
    assert nc.grind_sheet(held).full_load_line() == ""
    name = say.band(full.called(4)[0])
    one = np.where(np.arange(9) == 4, 0.05, 0.0)
    for stop, words in (
        (
            {"expected": rich + one, "high": rich + one + 0.03},
            f"runs too lean on the next drive: {name} at lambda 0.93, up to 0.96",
        ),
        ({"high": rich + one + 0.01}, f"may run too lean on the next drive: {name} at lambda 0.88, up to 0.94;"),
        ({"high": rich + 0.06}, "up to 0.94, and 8 more;"),
    ):
        sheet = nc.grind_sheet(changed(held, stop=stop))
        line = sheet.full_load_line()
        assert words in line
        assert "0.92 is the leanest (common practice, no source)" in line
        assert line.endswith("There too only short pulls.")  # it is too lean now, and that says how far pistons bear it
        not_now = nc.grind_sheet(replace(changed(held, stop=stop), remarks=())).full_load_line()
        assert "until it is 0.92 or richer. Stop on any pinking" in not_now
        assert line in " ".join(sheet.text().split())
        assert words_of(sheet).count(line) == 1
    # All cut at once, it is the target needle that counts; other loads may run lean.
    once = at_once(held, stop={"high": rich + 0.06})
    assert nc.grind_sheet(once).full_load_line() == ""
    assert "may run too lean" in nc.grind_sheet(changed(once, final={"high": rich + 0.06})).full_load_line()
    assert nc.grind_sheet(changed(held, target=design.target, stop={"high": rich + 0.06})).full_load_line() == ""


def test_the_sheet_of_a_blank_leaves_no_station_out():
    setup = make_setup()
    target = asked(setup, np.linspace(2, 26, 9), np.linspace(0.90, 1.02, 9), 0.95)
    blank = nc.solve(target, setup, limits=nc.Limits(new_blank=True))
    assert (blank.remove_um() < 0.0).any()
    sheet = nc.grind_sheet(blank)
    said = words_of(sheet)
    for diameter, final in zip(blank.stop_mm(), blank.needle.diameters_mm, strict=True):
        assert f"{diameter:.3f}" in said
        assert f"{final:.3f}" in words_of(sheet, 1)
    # Nobody knows how thick the rod is, so nothing is told to be left or taken off.
    assert "leave" not in {row["stop"] for row in sheet.grid().table.rows}
    for words in ("Grey rows", "take off"):
        assert words not in said
    assert not dark_of(sheet)
    assert not {"off", "side"} & {column.key for column in sheet.table().columns}
    # No metal stays on a rod that is not turned yet.
    assert "The blank follows the present needle there" in " ".join(sheet.text().split())
    assert "They stay as they are" not in sheet.text()
    # What is thinner than now is told; no metal comes off a rod that is not turned yet.
    assert nc.plot(blank, "cut").get_ylabel().startswith("thinner than now")


def test_a_full_load_too_lean_as_it_runs_comes_first(design):
    def first_of(read):
        bands = replace(design.target.bands, load=(*("part",) * 6, *("full",) * 3), lambda_measured=read)
        sheet = nc.grind_sheet(changed(design, target=replace(design.target, bands=bands)))
        return (sheet.not_to_do(), *sheet.warnings())

    read = np.array([1.1] * 6 + [0.90, 1.031, 1.052])
    (line,) = (line for line in first_of(read) if "TOO LEAN NOW" in line)
    assert line.startswith("FULL LOAD RUNS TOO LEAN NOW, at lambda 1.03 to 1.05. It can melt pistons:")
    assert not any("TOO LEAN NOW" in line for line in first_of(np.minimum(read, [1.2] * 6 + [0.92] * 3)))


@pytest.mark.parametrize("tested", [False, True])
def test_a_jet_that_idle_trims_is_not_turned_twice(tested):
    # At the first stop idle is trimmed on a needle that is not the last: the last height of the jet is for later.
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    load = ("idle", *("part",) * 3, *("full",) * 4)
    target = asked(setup, np.linspace(3, 25, 8), np.linspace(0.97, 1.15, 8), 0.9, load=load, lambda_se=0.012, lift_u_mm=0.6)
    target = replace(target, test=IdleTest(Why.LAMBDA_TEST, 0.85, 0.85, 0.9) if tested else None)
    design = nc.solve(target, setup, with_alternatives=False)
    turned = in_stages(design, drop_mm=setup.carburettor.jet.drop_mm - 0.2)
    assert turned.stages() is Stages.IN_STAGES
    line, once = say.jet_on_sheet(turned), say.jet_on_sheet(at_once(turned))
    if not tested:
        # One day shows the car and its fuel together: the nut is set where idle should be right, and half of the miss stays.
        first = f"Jet: set its face {turned.trim().drop_mm:.2f} mm below the bridge"
        assert line.startswith(first)
        assert "After the cut read idle: bring it half the way to lambda 0.90; note flats" in line
        assert "At the final diameters it is to stand 1.40 mm below it." in line
        assert "At the final diameters" not in once
        return
    assert line.startswith(f"Jet: turn it only to trim idle. After the cut trim idle to lambda {turned.idle_to():.2f}")
    assert "At the final diameters it is to stand some 1.2 flats higher than now, 1.40 mm below the bridge." in line
    assert once.startswith("Jet: RAISE (leaner) by 1.2 flats, from 1.60 to 1.40 mm")


def test_where_little_is_known_of_the_car_the_experiment_comes_before_the_file():
    lifts, lean = np.linspace(3, 25, 8), np.linspace(1.0, 1.12, 8)

    def orders(**jet):
        setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6, **jet)
        design = nc.solve(asked(setup, lifts, lean, 0.92, load=("idle", *("full",) * 7)), setup)
        sheet = nc.grind_sheet(design)
        return design, sheet.orders(), sheet.warnings()

    guessed, first, besides = orders(parallel_length_mm=3.5, parallel_length_u_mm=1.5)
    assert guessed.learned.little_known()
    assert guessed.next_step.helps()
    assert first[0].startswith("Before cutting: ")
    assert not any(line.startswith("Before cutting: ") for line in besides)
    known, first, _ = orders(parallel_length_mm=4.0, parallel_length_u_mm=0.3)
    assert not known.learned.little_known()
    assert not first[0].startswith("Before cutting: ")
