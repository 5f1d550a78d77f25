"""At the bench: what the readings say of the cut, and when to stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import NO_DOUBTS, SAME_DAY, asked, make_setup
from sheet_cases import changed, in_stages

import needlecalc as nc
from needlecalc.design.after.progress import NextStroke, StationState
from needlecalc.report import after, say

LIFTS, BEFORE = np.linspace(2, 26, 9), np.linspace(1.0, 1.1, 9)


@pytest.fixture(scope="module")
def design():
    setup = make_setup()
    target, tip_left = asked(setup, LIFTS, BEFORE, 0.95, lambda_se=0.004, lift_u_mm=0.2), nc.Limits(carry_on=False)
    return nc.solve(target, setup, doubts=nc.Doubts(**SAME_DAY), limits=tip_left)


def part_way(design, share):
    return (1 - share) * design.present().diameters_mm + share * design.stop.needle.diameters_mm


def test_lambda_by_now_is_that_of_the_needle_as_measured():
    # Without any doubt every car drawn is the same, and the forward model alone says what it does.
    setup = make_setup(parallel_length_u_mm=0.0)
    exact = nc.solve(asked(setup, LIFTS, BEFORE, 0.95, lambda_se=0.0, lift_u_mm=0.0), setup, doubts=NO_DOUBTS)
    found = nc.judge_cut(exact, part_way(exact, 0.4))
    bands = exact.target.bands
    np.testing.assert_allclose(found.lambda_now, nc.predict_lambda(setup, bands, needle=found.measured), rtol=1e-5)
    np.testing.assert_allclose(found.lambda_rest, nc.predict_lambda(setup, bands, needle=exact.stop.needle), rtol=1e-5)


def test_the_way_down_to_the_stop(design):
    shares = (0.0, 0.5, 0.9, 1.0)
    found = [nc.judge_cut(design, part_way(design, share)) for share in shares]
    assert [one.next_stroke for one in found] == [NextStroke.CARRY_ON] * 2 + [NextStroke.LIGHT_PASS, NextStroke.THERE]
    assert after.stroke(found[2]).startswith("One light pass at station")
    assert after.stroke(found[3]).startswith("Stop, measure lambda: no station is over its first stop")
    chances = [one.chance_rich_now for one in found]
    assert chances == sorted(chances)
    assert found[0].chance_rich_rest == pytest.approx(design.stop.chance_rich, abs=0.03)
    leaner = np.array([one.lambda_now for one in found])
    assert (np.diff(leaner, axis=0) < 0.0).all()
    for one, share in zip(found, shares, strict=True):
        np.testing.assert_allclose(
            one.to_go_um, (1 - share) * 1e3 * (design.present().diameters_mm - design.stop.needle.diameters_mm), atol=1e-9
        )


def test_what_hand_and_micrometer_cannot_tell_is_there(design):
    # Twice the root of 2.5^2 + 1.5^2 um.
    told = 2e-3 * np.hypot(2.5, 1.5)
    cut = design.needle.diameters_mm < design.present().diameters_mm
    for off, word in ((0.99 * told, "there"), (1.01 * told, "to go")):
        readings = np.where(cut, design.stop.needle.diameters_mm + off, design.present().diameters_mm)
        words = np.array(nc.judge_cut(design, readings).states)
        deep = 1e3 * (design.present().diameters_mm - readings) > 0.0
        assert set(words[cut & deep]) == {word}
        assert set(words[~cut]) == {"leave"}


def test_overcut_is_named_with_its_micrometres(design):
    readings = design.stop.needle.diameters_mm.copy()
    readings[5] = design.needle.diameters_mm[5] - 0.012
    found = nc.judge_cut(design, readings)
    assert found.overcut()
    assert found.next_stroke is NextStroke.OVERCUT
    assert after.stroke(found).startswith("Overcut at station 6 by 12 um: stop filing")
    assert found.at(StationState.OVERCUT) == (6,)
    assert found.over_um[5] == pytest.approx(12.0)
    readings[0] -= 0.02  # nothing was asked there
    assert "station 1 by 20 um, station 6 by 12 um" in after.stroke(nc.judge_cut(design, readings))


def test_past_the_stop_but_short_of_the_final_is_no_overcut(design):
    held = in_stages(design, stop={"needle": design.present(), "chance_rich": 0.5})
    readings = design.present().diameters_mm.copy()
    deepest = int(np.argmax(design.remove_um()))
    readings[deepest] = design.needle.diameters_mm[deepest]
    readings[deepest + 1 :] = np.minimum(readings[deepest + 1 :], readings[deepest] - 0.001)
    found = nc.judge_cut(held, readings)
    assert found.states[deepest] is StationState.PAST
    assert not found.overcut()
    assert after.stroke(found).endswith("past the stop already: no more there.")
    assert deepest + 1 in found.at(StationState.PAST)


def test_the_caution_for_full_load_is_said_again_before_the_drive(design):
    full = replace(design.target.bands, load=("full",) * 9)
    held = in_stages(design, target=replace(design.target, bands=full))
    there, carry_on = nc.judge_cut(held, held.stop_mm()), nc.judge_cut(held, part_way(design, 0.3))
    limit = held.target.leanest_full_load()
    assert (there.lambda_high > limit).any()
    line = say.remark(there.full_load())
    assert line.startswith("FULL LOAD")
    assert line.endswith("until it is 0.92 or richer. Stop on any pinking.")
    assert line in " ".join(str(there).split())
    assert carry_on.goes_on()
    assert carry_on.full_load() is None
    # Where nothing is left to take nobody is told what the rest would do.
    assert "with the rest down" in " ".join(str(carry_on).split())
    assert "with the rest down" not in " ".join(str(there).split())


def test_a_waist_names_the_word_that_files_down_to_it_and_inches_their_cure(design):
    waist = design.present().diameters_mm.copy()
    waist[5] = waist[8]
    with pytest.raises(nc.InputError, match=r"--file-down at the bench"):
        nc.judge_cut(design, waist)
    with pytest.raises(nc.InputError, match=r"inches times 25\.4"):
        nc.judge_cut(design, design.present().diameters_mm / 25.4)


def test_a_band_likely_too_rich_stops_the_file(design):
    strict = changed(design, target=replace(design.target, lambda_rich=np.full(9, 0.945)), stop={"chance_rich": 0.0})
    found = nc.judge_cut(strict, part_way(design, 0.9))
    assert found.next_stroke is NextStroke.RISK
    assert after.stroke(found).startswith("Stop, measure lambda: the chance that the cut has made a band too rich")


def test_nothing_asked_means_nothing_to_file():
    setup = make_setup()
    done = nc.solve(asked(setup, LIFTS, np.full(9, 0.95), 0.95), setup)
    readings = np.full(13, np.nan)
    readings[3] = done.present().diameters_mm[3]
    assert nc.judge_cut(done, readings).next_stroke is NextStroke.NOTHING


def test_stations_to_file_must_be_read(design):
    station = int(np.argmax(design.remove_um()))
    readings = part_way(design, 0.5)
    readings[station] = np.nan
    with pytest.raises(nc.InputError, match=f"Station {station + 1} was to be filed but has no reading"):
        nc.judge_cut(design, readings)


def test_a_new_blank_is_not_filed_from_the_present_needle():
    setup = make_setup()
    blank = nc.solve(asked(setup, LIFTS, BEFORE, 0.95), setup, limits=nc.Limits(new_blank=True))
    with pytest.raises(nc.InputError, match="This design is for a new blank"):
        nc.judge_cut(blank, blank.needle.diameters_mm)


def test_it_shows_itself(design):
    found = nc.judge_cut(design, part_way(design, 0.5))
    text = " ".join(str(found).split())
    for words in ("to go um", "Chance that the cut makes a band too rich", "no gloves at a chuck", "Wash, cool and measure"):
        assert words in text
    assert "<table>" in found._repr_html_()
    assert "as cut now" in found.band_table().text()
    assert repr(found).startswith("Progress: carry on")
    assert {"measured_mm", "to_go_um", "state"} <= set(found.rows()[0])
