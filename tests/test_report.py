"""Sheets and plots show the design's own numbers."""

from __future__ import annotations

import csv
import io
import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, asked, make_setup

import needlecalc as nc
from needlecalc.design.inverse.verdict import test_flags as flags_of_tests
from needlecalc.report.pages import ON_PAPER, ON_PAPER_WITH_READINGS, _bench, _how_sure
from needlecalc.report.paper import WRITE_IN


@pytest.fixture(scope="module")
def design():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    # No full load, and a risk at which nothing is held back: cautions of either would need a fourth page.
    part = ("part",) * 9
    return nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.98, 1.12, 9), 0.95, load=part), setup, risk=0.2)


def test_csv_starts_as_promised_and_adds_up(design):
    text = nc.grind_sheet(design).csv()
    assert text.startswith("station,distance_mm,present_mm,asked_mm,remove_um")
    rows = list(csv.DictReader(io.StringIO(text)))
    assert len(rows) == 13
    for row, exact in zip(rows, design.remove_um(), strict=True):
        assert float(row["remove_um"]) == pytest.approx(exact, abs=0.051)
        assert float(row["per_side_um"]) == pytest.approx(exact / 2, abs=0.051)
        assert 1e3 * (float(row["present_mm"]) - float(row["asked_mm"])) == pytest.approx(exact, abs=0.11)
        assert float(row["asked_mm"]) - 1e-9 <= float(row["first_stop_mm"]) <= float(row["present_mm"]) + 1e-9


def test_the_csv_leaves_empty_what_is_no_order(design):
    def rows(made):
        return list(csv.DictReader(io.StringIO(nc.grind_sheet(made, anvil_width_mm=6.0).csv())))

    filed, cannot = rows(design), rows(replace(design, met=False))
    blank = rows(replace(design, limits=replace(design.limits, new_blank=True)))
    off = ("remove_um", "per_side_um")
    ordered = (*off, "asked_mm", "first_stop_mm", "asked_in", "asked_reads_mm", "first_stop_reads_mm")
    cut = int(np.argmax(design.remove_um()))
    assert all(filed[cut][key] for key in ordered)
    assert list(filed[0]) == list(cannot[0]) == list(blank[0])
    for before, waiting, made in zip(filed, cannot, blank, strict=True):
        assert {waiting[key] for key in (*ordered, "tolerance_um")} == {""}
        assert {made[key] for key in off} == {""}
        assert made["asked_mm"] == before["asked_mm"]
        assert waiting["present_mm"] == made["present_mm"] == before["present_mm"]


def test_sheet_carries_status_jet_and_cautions(design):
    text = " ".join(nc.grind_sheet(design).text().split())
    for words in (design.status, "flats", "per side", "safety glasses", "local law", "poison", "extinguisher"):
        assert words in text
    # No column goes unexplained.
    for words in (
        "Place:",
        "Off dia:",
        "Hold +-:",
        "Sure +-:",
        "Measured:",
        "From, to: 90 %",
        "First stop:",
        "mostly comes from",
    ):
        assert words in text
    assert "<table>" in nc.grind_sheet(design)._repr_html_()


def test_the_sheet_says_what_the_jet_is_turned_for():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    lifts, lean = np.linspace(2, 26, 9), np.full(9, 1.05)
    rich_idle, one_rich = lean.copy(), lean.copy()
    rich_idle[0], one_rich[2] = 0.88, 0.88
    load = ("idle", *("full",) * 8)
    for measured, words, loads in (
        (rich_idle, "The nut, not the file, brings the idle to its target.", load),
        (one_rich, "No file makes 1925 rpm full leaner; the nut does.", load),
        (one_rich, "No file makes 1925 rpm full leaner; the nut does.", ("full",) * 9),
    ):
        design = nc.solve(asked(setup, lifts, measured, 0.95, load=loads), setup)
        assert design.flats() < -0.05
        assert words in design.jet_words()
        assert design.met == (words in nc.grind_sheet(design).jet_line())
        assert ("IDLE WAS NOT MEASURED: the nut makes it leaner" in design.idle_caution()) == ("idle" not in loads)
    assert "add it to the bands" in design.idle_caution()
    assert design.idle_caution() in " ".join(str(design).split())
    # The cure it names keeps the jet.
    kept = nc.solve(design.target, setup, limits=nc.Limits(drop_min_mm=1.6, drop_max_mm=1.6))
    assert (kept.flats(), kept.jet_reason(), kept.idle_caution()) == (0.0, "", "")
    left = nc.solve(asked(setup, lifts, np.full(9, 0.95), 0.95, load=load), setup)
    assert left.jet_reason() == ""


def test_tolerance_turns_one_per_cent(design):
    # An error of the tolerance all over moves the touchiest band by one per cent.
    least = np.nanmin(design.tolerance_um) / 1000
    thicker = nc.Needle("off", design.needle.stations_mm, design.needle.diameters_mm + least)
    bands = design.target.bands
    change = nc.predict_lambda(design.setup, bands, needle=thicker, drop_mm=design.drop_mm) / design.lambda_predicted - 1
    assert change.max() == pytest.approx(0.01, abs=0.001)


def test_hold_is_said_where_metal_comes_off_and_never_finer_than_the_hand(design):
    left = design.remove_um() == 0.0
    fine, hand = design.tolerance_um < 2.5, 1e3 * design.learned.doubts.hand_mm
    assert hand == pytest.approx(2.5)
    assert (left & np.isfinite(design.tolerance_um)).any()
    assert (~left & fine).any()
    assert (~left & ~fine & np.isfinite(design.tolerance_um)).any()
    sheet = nc.grind_sheet(design)
    for row, alone, tolerance in zip(sheet.station_rows(), left, design.tolerance_um, strict=True):
        if alone:
            assert row["hold"] == "-"
        elif np.isnan(tolerance):
            assert row["hold"] != "-"
        else:
            assert row["hold"] == ("2.5*" if tolerance < hand else f"{tolerance:.1f}")
    lines = list(csv.DictReader(io.StringIO(sheet.csv())))
    assert all(line["tolerance_um"] == "" for line, alone in zip(lines, left, strict=True) if alone)
    assert "2.5*: that would take less than a hand holds" in " ".join(sheet.text().split())
    coarse = nc.grind_sheet(replace(design, tolerance_um=design.tolerance_um + 10.0))
    assert "2.5*" not in coarse.text()


def test_a_station_between_bands_is_held_as_the_finer_of_its_neighbours(design):
    own = design.tolerance_um.copy()
    cut = np.flatnonzero(design.remove_um() > 0.0)
    middle = int(cut[len(cut) // 2])
    own[middle - 1 : middle + 2] = 7.0, np.nan, 5.0
    assert nc.grind_sheet(replace(design, tolerance_um=own)).station_rows()[middle]["hold"] == "5.0"
    blank = replace(design, limits=nc.Limits(new_blank=True))
    assert all(row["hold"] != "-" for row in nc.grind_sheet(blank).station_rows())


def test_plots_hold_the_numbers_and_their_units(design):
    axes = nc.plot_profile(design)
    assert axes.get_xlabel() == "distance from shoulder (mm)"
    assert axes.get_ylabel() == "needle radius (mm)"
    assert "stretched" in axes.get_title()
    np.testing.assert_allclose(axes.lines[0].get_ydata(), design.present().diameters_mm / 2)
    np.testing.assert_allclose(axes.lines[1].get_ydata(), design.needle.diameters_mm / 2)
    assert nc.plot_areas(design).get_ylabel() == "metering area (mm$^2$)"
    lambdas = nc.plot_lambda(design)
    assert lambdas.get_xlabel() == "lift of the air valve (mm)"
    np.testing.assert_allclose(lambdas.lines[1].get_ydata(), design.target.lambda_target)
    comparison = nc.compare(design.setup, design.present(), design.needle)
    own = axes.figure.add_subplot()
    assert nc.plot_comparison(comparison, ax=own) is own


def pages_of(sheet, path) -> int:
    nc.write_pdf(sheet, path)
    return path.read_bytes().count(b"/MediaBox [ 0 0 595.44 841.68 ]")


def test_pdf_is_a4_for_the_bench_how_sure_and_plots(design, tmp_path):
    assert pages_of(nc.grind_sheet(design), tmp_path / "s.pdf") == 3


def test_what_does_not_fit_a_page_goes_on_to_the_next(design, tmp_path):
    many = replace(design, flags=tuple(f"flag {k}: one more word of warning on the needle" for k in range(45)))
    assert pages_of(nc.grind_sheet(many), tmp_path / "s.pdf") == 4


def test_a_page_that_goes_on_says_so(design):
    many = replace(design, flags=tuple(f"flag {k}: one more word of warning on the needle" for k in range(45)))
    first, second = _bench(nc.grind_sheet(many)).pages
    assert [words.get_text() for words in first.texts if words.get_weight() == "bold"] == ["GOES ON OVERLEAF"]
    assert not any("GOES ON" in words.get_text() for words in second.texts)
    (only,) = _bench(nc.grind_sheet(design)).pages
    assert not any("GOES ON" in words.get_text() for words in only.texts)


def test_nothing_leaves_its_page_or_its_cell(design):
    for sheet in (nc.grind_sheet(design), nc.grind_sheet(design, anvil_width_mm=6.35)):
        for paper in (_bench(sheet), _how_sure(sheet)):
            for page in paper.pages:
                page.draw_without_rendering()
                axes = page.axes[0]
                within = axes.get_window_extent()
                boxes = [patch.get_window_extent() for patch in axes.patches]
                for words in axes.texts:
                    extent = words.get_window_extent()
                    assert within.x0 < extent.x0, words
                    assert extent.x1 < within.x1, words
                    assert within.y0 < extent.y0, words
                    assert extent.y1 < within.y1, words
                    if words.get_ha() == "center":
                        middle = (extent.x0 + extent.x1) / 2, (extent.y0 + extent.y1) / 2
                        assert any(box.contains(*middle) and box.x0 <= extent.x0 and extent.x1 <= box.x1 for box in boxes), (
                            words
                        )


def test_the_sheet_says_where_to_stop_first(design):
    assert "First stop: nothing is to be filed" not in nc.grind_sheet(design).stop_line()
    held = replace(design, held_back=1.0, chance_rich=0.2, chance_rich_first=0.04)
    assert "and no further" in nc.grind_sheet(held).stop_line()
    assert "20 % with all cut at once and 4 % there" in nc.grind_sheet(held).stop_line()
    at_once = replace(design, held_back=0.0, chance_rich=0.03)
    assert nc.grind_sheet(at_once).stop_line().startswith("First stop: the asked diameters, all in one stage.")
    assert "The chance that the cut makes a band too rich is 3 %" in nc.grind_sheet(at_once).stop_line()
    for row, first in zip(nc.grind_sheet(held).band_table().rows, design.first_low, strict=True):
        assert row["lambda_first_low"] == first
    for row in nc.grind_sheet(at_once).band_table().rows:
        assert row["lambda_first_low"] == row["lambda_low"]
    turned = replace(design, needle=design.present(), first_stop=design.present(), drop_mm=1.8, chance_rich=0.03)
    assert nc.grind_sheet(turned).stop_line() == (
        "First stop: nothing is to be filed. The chance that the turn makes a band too rich is 3 %. Turn the jet, then "
        "drive and measure lambda."
    )
    nothing = replace(turned, drop_mm=design.setup.carburettor.jet.drop_mm)
    assert nc.grind_sheet(nothing).stop_line() == "First stop: nothing is to be filed."


def test_the_headline_tells_the_asked_needle_from_the_first_stop(design):
    aim = design.target.lambda_target
    for share, words in ((1.093, "9.3 % leaner than its target."), (0.96, "4.0 % richer than its target.")):
        first = np.where(np.arange(9) == 3, share, 1.01) * aim
        held = replace(design, held_back=1.0, first_predicted=first)
        said = f"{held.status} That is with all off; the first stop leaves {design.target.bands.name(3)} {words}"
        sheet = nc.grind_sheet(held)
        assert said in " ".join(sheet.text().split())
        assert said in words_of(_bench(sheet).pages[0])
        assert said in " ".join(str(held).split())
    for made in (replace(design, held_back=0.0), replace(design, held_back=1.0, met=False)):
        assert made.headline() == made.status


def words_of(page) -> str:
    return " ".join(" ".join(words.get_text().split()) for words in page.axes[0].texts)


def test_what_comes_first_stands_bold_above_the_orders_on_the_first_page(design):
    measure = "Before cutting: a drive with the jet lowered by 1 flat would bring the doubt down."
    made = replace(design, drop_mm=1.9, held_back=1.0, flags=(*design.flags, measure))
    sheet = nc.grind_sheet(made)
    first = sheet.before_lines()
    assert [words.split(":")[0] for words in first] == ["Checks", "IDLE WAS NOT MEASURED", "Before cutting"]
    text, page = " ".join(sheet.text().split("Lambda by band")[0].split()), _bench(sheet).pages[0]
    bold = " ".join(words.get_text() for words in page.axes[0].texts if words.get_weight() == "bold")
    for words in first:
        assert text.count(words) == 1
        assert text.index(words) < text.index("Jet: LOWER")
        assert words_of(page).index(words) < words_of(page).index("Jet: LOWER")
        assert words in bold
    # Where nothing is to be turned or cut yet, nobody is told what that would do to idle.
    assert not any("IDLE" in words for words in nc.grind_sheet(replace(made, met=False)).before_lines())


def forms(design):
    """The same design as each sheet there is."""
    kept = replace(design, needle=design.present(), first_stop=design.present(), held_back=0.0)
    return {
        "in stages": replace(design, held_back=1.0),
        "at once": replace(design, held_back=0.0),
        "nothing": replace(kept, drop_mm=design.setup.carburettor.jet.drop_mm),
        "not yet": replace(design, met=False, held_back=1.0),
    }


def test_words_of_a_cut_in_stages_stand_only_where_it_is_one(design):
    of_stages = (
        "FIRST STOP",
        "after the next drive only",
        "with ALL",
        "All off",
        "when all is cut",
        "stop at the first stop",
    )
    for stages, made in forms(design).items():
        assert made.stages() == stages
        sheet = nc.grind_sheet(made)
        text = " ".join(sheet.text().split())
        paper = [words_of(page) for page in (*_bench(sheet).pages, *_how_sure(sheet).pages)]
        for said in (text, " ".join(paper)):
            assert ("FIRST" in said and "after the next drive only" in text) == (stages == "in stages")
            for words in of_stages:
                assert stages == "in stages" or words not in said, words
            # Nobody is told how to hold the file, or to write down what it did, where it stays in the drawer.
            assert ("safety glasses" in said) == (stages in ("at once", "in stages"))
            assert ("before the cut ____" in said) == (stages in ("at once", "in stages"))
        keys = [column.key for column in sheet.band_table().columns]
        assert ("lambda_first" in keys) == (stages == "in stages")
        assert "lambda_predicted" in keys
    turned = replace(forms(design)["nothing"], drop_mm=1.9)
    assert turned.stages() == "nothing"
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
    for cut, in_stages, words in (
        (True, True, "chance to fail 20 % when all is cut, 10 % at the first stop; little"),
        (True, False, "chance to fail 20 % after the cut; little"),
        (False, False, "chance to fail 20 %; aim farther"),
    ):
        (flag,) = flags_of_tests(target, [0.2, 0.1], 0.05, cut=cut, in_stages=in_stages)
        assert words in flag
    assert flags_of_tests(target, [0.2, 0.1], 0.15, cut=True, in_stages=True)[0].endswith("10 % at the first stop.")


def test_the_sheet_counts_down_to_the_first_stop_not_past_it(design):
    half = replace(
        design,
        held_back=1.0,
        first_stop=replace(design.needle, diameters_mm=(design.present().diameters_mm + design.needle.diameters_mm) / 2.0),
    )
    sheet = nc.grind_sheet(half)
    told = 1e3 * half.told_mm()
    for row, off in zip(sheet.station_rows(), half.remove_um() / 2.0, strict=True):
        exact = off if off >= told else 0.0
        assert row["first_off_um"] == pytest.approx(exact, abs=1e-6)
        assert row["first_side_um"] == pytest.approx(exact / 2.0, abs=1e-6)
        assert row["remove_um"] == pytest.approx(2.0 * off, abs=1e-6)
    keys = [column.key for column in sheet.table().columns]
    assert "first_off_um" in keys
    assert "first_side_um" in keys
    assert "remove_um" not in keys
    for columns in (ON_PAPER, ON_PAPER_WITH_READINGS):
        assert {"first_off_um", "first_side_um", "hold"} <= {key for key, _, _ in columns}
        assert [key for key, _, _ in columns].count(WRITE_IN) == 2
    # Drawn beside the two profiles, where it is not the asked one.
    labels = [line.get_label() for line in nc.plot_profile(half).lines]
    assert "first stop" in labels
    at_once = replace(design, first_stop=design.needle)
    assert "first stop" not in [line.get_label() for line in nc.plot_profile(at_once).lines]


def test_no_first_stop_is_nearer_than_can_be_told(design):
    present, asked_mm = design.present().diameters_mm, design.needle.diameters_mm
    told, cut = design.told_mm(), np.flatnonzero(design.remove_um() > 30.0)
    stop = (present + asked_mm) / 2.0
    stop[cut[0]] = present[cut[0]] - 0.5 * told
    stop = np.maximum(np.minimum.accumulate(stop), asked_mm)
    made = replace(design, held_back=1.0, first_stop=replace(design.needle, diameters_mm=stop))
    row = nc.grind_sheet(made).station_rows()[cut[0]]
    assert (row["first_stop_mm"], row["first_off_um"]) == (present[cut[0]], 0.0)
    assert row["asked_mm"] < present[cut[0]]
    # Where it may be told the stop stays, and so does the last cut however small.
    assert (made.stop_mm()[cut[1:]] == stop[cut[1:]]).all()
    assert (replace(made, first_stop=design.needle).stop_mm() == asked_mm).all()
    # At the bench no reading is wanted there.
    readings = made.stop_mm().copy()
    readings[cut[0]] = np.nan
    assert nc.judge_cut(made, readings).verdicts[cut[0]] == "leave"
    readings[cut[1]] = np.nan
    with pytest.raises(nc.InputError, match=f"Station {cut[1] + 1} was to be filed"):
        nc.judge_cut(made, readings)


def test_a_turn_finer_than_the_trim_of_idle_is_not_asked(design):
    jet = design.setup.carburettor.jet
    for flats, words in ((0.2, "Jet: leave its face 1.60 mm"), (0.3, "Jet: LOWER (richer) by 0.3 flats")):
        made = replace(design, drop_mm=jet.drop_mm + flats * jet.flat_mm)
        assert nc.grind_sheet(made).jet_line().startswith(words)


def test_the_sheet_says_which_end_is_which(design):
    sheet = nc.grind_sheet(design)
    assert f"station 1 by the shank, thick ({DIAMETERS_MM[0]:.4f} mm); station 13 by the tip" in " ".join(
        sheet.text().split()
    )
    (page,) = _bench(sheet).pages
    at = {words.get_text(): words.get_position()[0] for words in page.axes[0].texts}
    assert at["SHANK"] < at["TIP"]
    # What is dark is what the first stop files.
    filed = np.flatnonzero(design.stop_mm() < design.present().diameters_mm)
    dark = [patch for patch in page.axes[0].patches if patch.get_facecolor()[:3] == (0.6, 0.6, 0.6)]
    assert dark
    places = np.array([line.get_xdata()[0] for line in page.axes[0].lines])
    inside = [
        any(patch.get_path().get_extents().x0 <= x <= patch.get_path().get_extents().x1 for patch in dark) for x in places
    ]
    assert np.flatnonzero(inside).tolist() == filed.tolist()
    assert "shank left, tip right" in nc.plot_profile(design).get_title()
    text = sheet.text()
    for words in (
        "Instrument ____",
        "zero reads ____",
        "washed and cold [ ]",
        "Shoulder out of the piston: before the cut ____",
    ):
        assert words in text


def test_text_and_paper_keep_their_width_and_signs(design):
    for sheet in (nc.grind_sheet(design), nc.grind_sheet(design, anvil_width_mm=6.35)):
        widest = max(map(len, sheet.text().splitlines()))
        assert widest <= (100 if sheet.anvil_width_mm is None else 130)
        for page in (*_bench(sheet).pages, *_how_sure(sheet).pages):
            said = " ".join(words.get_text() for words in page.axes[0].texts)
            assert "+-" not in said
            assert not re.search(r"\d um\b", said)


def test_a_sheet_that_filing_cannot_meet_says_to_wait(design):
    waits = nc.grind_sheet(replace(design, met=False))
    assert "FILE NOTHING YET" in waits.text()
    (page, *_) = _bench(waits).pages
    assert any("FILE NOTHING YET" in words.get_text() for words in page.axes[0].texts)
    assert "FILE NOTHING YET" not in nc.grind_sheet(design).text()


def test_where_filing_cannot_do_it_nothing_reads_as_an_order():
    setup = make_setup()
    rich = nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.95, 0.80, 9), 0.95), setup)
    assert not rich.met
    assert len(rich.options) > 1
    sheet = nc.grind_sheet(rich)
    (page, *_) = _bench(sheet).pages
    said = words_of(page)
    # The ways out stand on the first page, once.
    for number, option in enumerate(rich.options, start=1):
        assert f"Way {number}. " in said
        assert " ".join(sheet.text().split()).count(str(option)) == 1
    # No stop, nothing to take off, no box to write in, nothing dark, nothing heavy among the rows.
    for words in ("FIRST", "ASKED", "per side", "measured at", "leave", "SURE"):
        assert words not in said
    assert not [patch for patch in page.axes[0].patches if patch.get_facecolor()[:3] == (0.6, 0.6, 0.6)]
    figures = [words for words in page.axes[0].texts if re.fullmatch(r"[\d.]+", words.get_text())]
    assert figures
    assert {words.get_weight() for words in figures} == {"normal"}
    labels = [line.get_label() for line in nc.plot_profile(rich).lines]
    assert "asked" not in labels
    assert "first stop" not in labels
    assert "nearest by filing alone" in labels
    bare = nc.grind_sheet(replace(rich, options=()))
    assert "No way nearer to the target was found" in " ".join(bare.text().split())


def test_a_band_too_rich_before_any_cut_is_named_at_the_stop(design):
    measured = design.target.bands.lambda_measured.copy()
    measured[2] = design.target.lambda_rich[2] - 0.01
    driven = replace(design.target.bands, lambda_measured=measured)
    held = replace(design, held_back=1.0, target=replace(design.target, bands=driven))
    name = design.target.bands.name(2)
    assert f"Too rich as driven, before any cut: {name}." in nc.grind_sheet(held).stop_line()


def test_full_load_that_runs_lean_on_the_next_drive_is_cautioned_where_to_stop(design):
    rich = np.full(9, 0.88)
    safe = {"first_predicted": rich, "first_high": rich + 0.03, "lambda_predicted": rich, "lambda_high": rich + 0.03}
    full = replace(design.target, bands=replace(design.target.bands, load=("full",) * 9))
    held = replace(design, held_back=1.0, target=full, **safe)
    assert nc.grind_sheet(held).full_load_line() == ""
    name = full.bands.name(4)
    one = np.where(np.arange(9) == 4, 0.05, 0.0)
    for changed, words in (
        (
            {"first_predicted": rich + one, "first_high": rich + one + 0.03},
            f"runs too lean on the next drive: {name} at lambda 0.930, up to 0.960",
        ),
        ({"first_high": rich + one + 0.01}, f"may run too lean on the next drive: {name} at lambda 0.880, up to 0.940;"),
        ({"first_high": rich + 0.06}, "up to 0.940, and 8 more;"),
    ):
        sheet = nc.grind_sheet(replace(held, **changed))
        line = sheet.full_load_line()
        assert words in line
        assert "0.92 is the leanest (common practice, no source)" in line
        assert "until it is read at 0.92 or richer; stop on any pinking" in line
        assert line in " ".join(sheet.text().split())
        assert "".join(line.split()) in "".join(words_of(_bench(sheet).pages[0]).split())
    # All cut at once, it is the asked needle that counts; other loads may run lean; what is no order is not driven.
    at_once = replace(held, held_back=0.0, first_high=rich + 0.06)
    assert nc.grind_sheet(at_once).full_load_line() == ""
    assert "may run too lean" in nc.grind_sheet(replace(at_once, lambda_high=rich + 0.06)).full_load_line()
    assert nc.grind_sheet(replace(held, target=design.target, first_high=rich + 0.06)).full_load_line() == ""
    assert nc.grind_sheet(replace(held, met=False, first_high=rich + 0.06)).full_load_line() == ""


def test_the_sheet_of_a_blank_leaves_no_station_out():
    setup = make_setup()
    target = asked(setup, np.linspace(2, 26, 9), np.linspace(0.90, 1.02, 9), 0.95)
    blank = nc.solve(target, setup, limits=nc.Limits(new_blank=True))
    assert (blank.remove_um() < 0.0).any()
    sheet = nc.grind_sheet(blank)
    (page, *_) = _bench(sheet).pages
    said = words_of(page)
    for diameter in blank.needle.diameters_mm:
        assert f"{diameter:.4f}" in said
    # Nobody knows how thick the rod is, so nothing is told to be left or taken off.
    for words in ("leave as it is", "leave leave", "per side", "dark: where metal comes off"):
        assert words not in said
    assert "first_off_um" not in [column.key for column in sheet.table().columns]
    assert "Off dia" not in sheet.text()
    labels = [patch.get_label() for patch in nc.plot_profile(blank).collections]
    assert "between the two" in labels
    assert "to come off" not in labels


def test_an_interval_beside_its_prediction_is_drawn(design):
    # Where every doubt pulls one way a prediction can lie outside its interval; the plot must not stop at that.
    odd = replace(design, lambda_low=design.lambda_predicted + 0.002, lambda_high=design.lambda_predicted + 0.03)
    axes = nc.plot_lambda(odd)
    order = np.argsort(design.target.bands.lift_mm)
    np.testing.assert_allclose(axes.lines[-1].get_ydata(), design.lambda_predicted[order])
    (bars,) = axes.collections
    ends = np.array([path.vertices[:, 1] for path in bars.get_paths()])
    np.testing.assert_allclose(ends[:, 0], odd.lambda_low[order])
    np.testing.assert_allclose(ends[:, 1], odd.lambda_high[order])


def test_readings_of_a_flat_micrometer(design):
    # The sheet's own note by hand: centred anvils stand with their thick edge half a width towards the shoulder.
    sheet = nc.grind_sheet(design, anvil_width_mm=6.35)
    rows = sheet.station_rows()
    assert np.isnan(rows[0]["asked_reads_mm"])
    for above, row in itertools.pairwise(rows):
        # Half of 6.35 mm is one pitch: the reading is the diameter one station up.
        for key in ("present", "asked", "first_stop"):
            assert row[f"{key}_reads_mm"] == pytest.approx(above[f"{key}_mm"], abs=1e-9)
    assert "READS: what a micrometer shows whose anvils are 6.35 mm wide" in " ".join(sheet.text().split())
    assert sheet.csv().splitlines()[0].endswith("data,present_reads_mm,first_stop_reads_mm,asked_reads_mm")
    assert sheet.csv().splitlines()[1].endswith(",,,")
    for exact in ({"anvil_width_mm": 0.0}, {"anvil_width_mm": 6.35, "face_on_mark": "thick_edge"}):
        for row in nc.grind_sheet(design, **exact).station_rows():
            assert row["asked_reads_mm"] == pytest.approx(row["asked_mm"], abs=1e-12)
    assert "READS" not in nc.grind_sheet(design).text()
    for wrong, match in (({"anvil_width_mm": 40.0}, "blades 0.75"), ({"face_on_mark": "edge"}, "'centre' or 'thick_edge'")):
        with pytest.raises(nc.InputError, match=match):
            nc.grind_sheet(design, **wrong)


def test_a_station_left_beside_a_cut_shows_what_wide_anvils_will_read(design):
    sheet = nc.grind_sheet(design, anvil_width_mm=6.35)
    said = words_of(_bench(sheet).pages[0])
    told = [
        row
        for row in sheet.station_rows()
        if row["remove_um"] == 0.0 and row["asked_reads_mm"] < row["present_reads_mm"] - 1e-4
    ]
    assert told
    for row in told:
        assert f"leave {row['asked_reads_mm']:.4f}" in said


def test_readings_fit_the_page(design, tmp_path):
    assert pages_of(nc.grind_sheet(design, anvil_width_mm=6.35), tmp_path / "s.pdf") == 3
