"""At the bench: what the readings say of the cut, and when to stop."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import NO_DOUBTS, asked, make_setup

import needlecalc as nc

LIFTS, BEFORE = np.linspace(2, 26, 9), np.linspace(1.0, 1.1, 9)


@pytest.fixture(scope="module")
def design():
    setup = make_setup()
    return nc.solve(asked(setup, LIFTS, BEFORE, 0.95, lambda_se=0.004, lift_u_mm=0.2), setup)


def part_way(design, share):
    return (1 - share) * design.present().diameters_mm + share * design.first_stop.diameters_mm


def test_lambda_by_now_is_that_of_the_needle_as_measured():
    # Without any doubt every car drawn is the same, and the forward model alone says what it does.
    setup = make_setup(parallel_length_u_mm=0.0)
    exact = nc.solve(asked(setup, LIFTS, BEFORE, 0.95, lambda_se=0.0, lift_u_mm=0.0), setup, doubts=NO_DOUBTS)
    found = nc.judge_cut(exact, part_way(exact, 0.4))
    bands = exact.target.bands
    np.testing.assert_allclose(found.lambda_now, nc.predict_lambda(setup, bands, needle=found.measured), rtol=1e-5)
    np.testing.assert_allclose(found.lambda_rest, nc.predict_lambda(setup, bands, needle=exact.first_stop), rtol=1e-5)


def test_the_way_down_to_the_stop(design):
    shares = (0.0, 0.5, 0.9, 1.0)
    found = [nc.judge_cut(design, part_way(design, share)) for share in shares]
    assert [one.status.split()[0] for one in found] == ["Carry", "Carry", "One", "Stop,"]
    assert "One light pass at station" in found[2].status
    assert found[3].status.startswith("Stop, measure lambda: no station is over its first stop")
    chances = [one.chance_rich_now for one in found]
    assert chances == sorted(chances)
    assert found[0].chance_rich_rest == pytest.approx(design.chance_rich_first, abs=0.03)
    leaner = np.array([one.lambda_now for one in found])
    assert (np.diff(leaner, axis=0) < 0.0).all()
    for one, share in zip(found, shares, strict=True):
        np.testing.assert_allclose(
            one.to_go_um, (1 - share) * 1e3 * (design.present().diameters_mm - design.first_stop.diameters_mm), atol=1e-9
        )


def test_no_order_to_file_where_filing_cannot_do_it(design):
    waits = replace(design, met=False)
    for share in (0.0, 0.5, 0.9, 1.0):
        assert nc.judge_cut(waits, part_way(design, share)).status.startswith("File nothing more: filing alone does not")


def test_what_hand_and_micrometer_cannot_tell_is_there(design):
    # Twice the root of 2.5^2 + 1.5^2 um.
    told = 2e-3 * np.hypot(2.5, 1.5)
    cut = design.needle.diameters_mm < design.present().diameters_mm
    for off, word in ((0.99 * told, "there"), (1.01 * told, "to go")):
        readings = np.where(cut, design.first_stop.diameters_mm + off, design.present().diameters_mm)
        words = np.array(nc.judge_cut(design, readings).verdicts)
        deep = 1e3 * (design.present().diameters_mm - readings) > 0.0
        assert set(words[cut & deep]) == {word}
        assert set(words[~cut]) == {"leave"}


def test_overcut_is_named_with_its_micrometres(design):
    readings = design.first_stop.diameters_mm.copy()
    readings[5] = design.needle.diameters_mm[5] - 0.012
    found = nc.judge_cut(design, readings)
    assert found.overcut()
    assert found.status.startswith("Overcut at station 6 by 12 um: stop filing")
    assert found.verdicts[5] == "overcut"
    assert found.over_um[5] == pytest.approx(12.0)
    readings[0] -= 0.02  # nothing was asked there
    assert "station 1 by 20 um, station 6 by 12 um" in nc.judge_cut(design, readings).status


def test_past_the_stop_but_short_of_the_final_is_no_overcut(design):
    held = replace(design, first_stop=design.present(), chance_rich_first=0.5)
    readings = design.present().diameters_mm.copy()
    deepest = int(np.argmax(design.remove_um()))
    readings[deepest] = design.needle.diameters_mm[deepest]
    readings[deepest + 1 :] = np.minimum(readings[deepest + 1 :], readings[deepest] - 0.001)
    found = nc.judge_cut(held, readings)
    assert found.verdicts[deepest] == "past the stop"
    assert not found.overcut()
    assert found.status.endswith("past the stop already: no more there.")
    assert f" {deepest + 1}" in found.status


def test_the_caution_for_full_load_is_said_again_before_the_drive(design):
    held = replace(design, held_back=1.0)
    load = ("full",) * 9
    held = replace(held, target=replace(held.target, bands=replace(held.target.bands, load=load)))
    there, carry_on = nc.judge_cut(held, held.stop_mm()), nc.judge_cut(held, part_way(design, 0.3))
    limit = held.target.leanest_full_load()
    assert (there.lambda_high > limit).any()
    assert there.full_load_line().startswith("FULL LOAD")
    assert there.full_load_line().endswith("until it is read at 0.92 or richer; stop on any pinking.")
    assert there.full_load_line() in " ".join(str(there).split())
    assert carry_on.goes_on
    assert carry_on.full_load_line() == ""
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
    strict = replace(design, target=replace(design.target, lambda_rich=np.full(9, 0.945)), chance_rich_first=0.0)
    found = nc.judge_cut(strict, part_way(design, 0.9))
    assert found.status.startswith("Stop, measure lambda: the chance that the cut has made a band too rich")


def test_nothing_asked_means_nothing_to_file():
    setup = make_setup()
    done = nc.solve(asked(setup, LIFTS, np.full(9, 0.95), 0.95), setup)
    readings = np.full(13, np.nan)
    readings[3] = done.present().diameters_mm[3]
    assert nc.judge_cut(done, readings).status.startswith("Nothing to file")


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
    assert repr(found).startswith("Progress: Carry on")
    assert {"measured_mm", "to_go_um", "verdict"} <= set(found.rows()[0])
