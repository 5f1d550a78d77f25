"""Sheets and plots show the design's own numbers, and fit their paper."""

from __future__ import annotations

import csv
import ctypes
import html
import itertools
import re
from dataclasses import replace
from html.parser import HTMLParser

import numpy as np
import pypdfium2
import pytest
from conftest import DIAMETERS_MM
from sheet_cases import at_once, changed, dark_of, in_stages, paper_of, sheet_design, words_of, words_on_paper

import needlecalc as nc
from needlecalc.report.document import BOX, Page, Picture, Words, typeset
from needlecalc.report.language import words_pages
from needlecalc.report.pages import pdf_of
from needlecalc.show import Column


@pytest.fixture(scope="module")
def design():
    return sheet_design()


def test_csv_starts_as_promised_and_adds_up(design):
    text = nc.grind_sheet(design).csv()
    assert text.startswith("station,distance_mm,present_mm,asked_mm,remove_um")
    *stations, made = text.splitlines()
    assert made.startswith("# Made by needlecalc ")
    rows = list(csv.DictReader(stations))
    assert len(rows) == 13
    for row, exact in zip(rows, design.remove_um(), strict=True):
        assert float(row["remove_um"]) == pytest.approx(exact, abs=0.051)
        assert float(row["per_side_um"]) == pytest.approx(exact / 2, abs=0.051)
        assert 1e3 * (float(row["present_mm"]) - float(row["asked_mm"])) == pytest.approx(exact, abs=0.11)
        assert float(row["asked_mm"]) - 1e-9 <= float(row["first_stop_mm"]) <= float(row["present_mm"]) + 1e-9


def test_the_csv_of_a_blank_leaves_empty_what_comes_off_a_rod(design):
    def rows(made):
        return list(csv.DictReader(nc.grind_sheet(made, anvil_width_mm=6.0).csv().splitlines()[:-1]))

    filed, blank = rows(design), rows(changed(design, limits=replace(design.limits, new_blank=True)))
    off = ("remove_um", "per_side_um")
    cut = int(np.argmax(design.remove_um()))
    typed = ("measured_mm", "measured_2_mm")
    assert [key for key, cell in filed[cut].items() if not cell] == list(typed)
    assert list(filed[0]) == list(blank[0])
    for before, made in zip(filed, blank, strict=True):
        assert {made[key] for key in off} == {""}
        assert made["asked_mm"] == before["asked_mm"]
        assert made["present_mm"] == before["present_mm"]


def test_tolerance_turns_one_per_cent(design):
    # An error of the tolerance all over moves the touchiest band by one per cent.
    least = np.nanmin(design.stations.tolerance_um) / 1000
    thicker = nc.Needle("off", design.needle.stations_mm, design.needle.diameters_mm + least)
    bands = design.target.bands
    change = nc.predict_lambda(design.setup, bands, needle=thicker, drop_mm=design.drop_mm) / design.final.expected - 1
    assert change.max() == pytest.approx(0.01, abs=0.001)


def test_plots_hold_the_numbers_and_their_units(design):
    axes = nc.plot(design)
    assert axes.get_xlabel() == "distance from shoulder (mm)"
    assert axes.get_ylabel() == "needle radius (mm)"
    assert axes.get_title() == ""
    assert "stretched" in axes.get_label()
    np.testing.assert_allclose(axes.lines[0].get_ydata(), design.present().diameters_mm / 2)
    np.testing.assert_allclose(axes.lines[1].get_ydata(), design.needle.diameters_mm / 2)
    lambdas = nc.plot(design, "lambda")
    assert lambdas.get_xlabel() == "lift of the air valve (mm)"
    np.testing.assert_allclose(lambdas.lines[0].get_ydata(), design.target.lambda_target)
    comparison = nc.compare(design.setup, design.present(), design.needle)
    own = axes.figure.add_subplot()
    assert nc.plot(comparison, ax=own) is own


def with_much_to_say(sheet):
    """The sheet's pages with more to say than fits the first one."""
    document = sheet.document()
    first, *others = document.pages
    more = tuple(Words(f"Number {number}: {'drive there before you rely on it; ' * 9}") for number in range(20))
    return replace(document, pages=(Page(first.name, (*first.blocks, *more)), *others))


def test_the_pdf_is_for_the_bench_how_uncertain_and_plots(design, tmp_path):
    nc.report.write_pdf(nc.grind_sheet(design), tmp_path / "s.pdf")
    with pypdfium2.PdfDocument(tmp_path / "s.pdf") as pdf:
        assert [round(side) for side in pdf[0].get_size()] == [595, 842]  # A4, ISO 216
        assert [one.get_title() for one in pdf.get_toc()] == ["For the bench", "How uncertain", "Plots"]
        assert pdf.get_metadata_value("Title") == "GRIND SHEET: job"
    assert b"/Lang (en)" in (tmp_path / "s.pdf").read_bytes()


def test_every_word_of_the_sheet_is_on_paper_and_once(design):
    for sheet in (nc.grind_sheet(design), nc.grind_sheet(design, anvil_width_mm=6.35)):
        said = " ".join(paper_of(sheet)).replace("\N{PLUS-MINUS SIGN}", "+-").replace("\N{MICRO SIGN}m", "um")
        for page in sheet.document().pages:
            for block in page.blocks:
                if isinstance(block, Words):
                    assert said.count(" ".join(block.text.split())) == 1, block.text
        for row in sheet.grid().table.rows:
            assert all(str(row[one.key]) in said for one in sheet.grid().table.columns if row[one.key] != BOX)
        assert "+-" not in " ".join(paper_of(sheet))
        assert not re.search(r"\d um\b", " ".join(paper_of(sheet)))


def test_each_page_says_which_it_is_and_what_made_it(design):
    sheet = nc.grind_sheet(design)
    pages = paper_of(sheet)
    assert len(pages) == 3
    for number, (said, name) in enumerate(zip(pages, ("For the bench", "How uncertain", "Plots"), strict=True), start=1):
        assert f"{name}, page {number} of 3" in said
        assert "needlecalc 0.1.0, " in said
        assert words_pages.GOES_ON not in said


def test_a_page_that_goes_on_says_so(design):
    first, second, *_ = words_on_paper(with_much_to_say(nc.grind_sheet(design)))
    assert "For the bench, page 1 of 4" in first
    assert "For the bench, page 2 of 4" in second
    assert words_pages.GOES_ON in first
    assert words_pages.GOES_ON not in second


def test_nothing_leaves_its_page(design):
    for document in (nc.grind_sheet(design).document(), with_much_to_say(nc.grind_sheet(design, anvil_width_mm=6.35))):
        with pypdfium2.PdfDocument(pdf_of(document)) as pdf:
            for page in pdf:
                wide, tall = page.get_size()
                for one in page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_TEXT]):
                    left, bottom, right, top = one.get_bounds()
                    assert 20.0 < left <= right < wide - 20.0
                    assert 10.0 < bottom <= top < tall - 10.0


def test_every_word_is_black_though_cells_before_it_are_grey(design):
    with pypdfium2.PdfDocument(pdf_of(nc.grind_sheet(design).document())) as pdf:
        for page in pdf:
            for one in page.get_objects(filter=[pypdfium2.raw.FPDF_PAGEOBJ_TEXT]):
                grey = [ctypes.c_uint(1) for _ in range(4)]
                pypdfium2.raw.FPDFPageObj_GetFillColor(one.raw, *grey)
                assert [part.value for part in grey] == [0, 0, 0, 255]


def test_hostile_words_stay_words_on_paper_and_in_html(design):
    name = "v\x1b[31m<script>alert('x')</script> {nb} **b** $\\frac$ \u202e \u4e2d " + "long" * 60
    learned = replace(design.learned, setup=replace(design.learned.setup, name=name))
    sheet = nc.grind_sheet(replace(design, learned=learned))
    said = " ".join(paper_of(sheet))
    for words in (
        "<script>alert('x')</script>",
        "{ nb} **b** $\\frac$",
        "\\x1b[31m",
        "\\u202e",
        "\N{REPLACEMENT CHARACTER}",
    ):
        assert words in said, words
    page = sheet.html()
    assert "<script" not in page
    assert "&lt;script&gt;alert(&#x27;x&#x27;)&lt;/script&gt;" in page
    assert "\x1b" not in page


def test_the_paper_is_as_the_shop_has_it(design):
    odd = nc.grind_sheet(design, paper=nc.Paper(size="letter", unit="inch", decimal="comma"))
    with pypdfium2.PdfDocument(pdf_of(odd.document())) as pdf:
        assert [round(side) for side in pdf[0].get_size()] == [612, 792]  # letter, ANSI Y14.1
    for row, exact in zip(odd.grid().table.rows, odd.station_rows(), strict=True):
        assert row["present"] == f"{exact['present_mm'] / 25.4:.4f}"
        assert row["off"] == ("" if exact["stop_off_um"] == 0.0 else f"{exact['stop_off_um'] / 25.4:.1f}")
    said = words_of(odd)
    assert f"{design.present().diameters_mm[0] / 25.4:.4f}".replace(".", ",") in said
    assert "take off" in said
    assert "thou" in said
    assert "0,92" in said
    # What is named stays as it is named.
    assert nc.__version__ in said
    for key, wrong in {"size": "A5", "unit": "cm", "decimal": "."}.items():
        with pytest.raises(nc.InputError, match=f"^{key} is '{wrong}', but must be '"):
            nc.Paper(**{key: wrong})


def test_the_html_is_whole_and_holds_the_same_words(design):
    sheet = nc.grind_sheet(design)
    page = sheet.html()
    parsed = HTMLParser()
    parsed.feed(page)
    parsed.close()
    assert page.startswith("<!DOCTYPE html>")
    assert page.count("<img alt='") == 4
    assert "http" not in page.replace("http://www.w3.org/", "")
    for line in sheet.orders():
        assert html.escape(typeset(line)) in page


def test_the_sheet_counts_down_to_the_first_stop_not_past_it(design):
    middle = (design.present().diameters_mm + design.needle.diameters_mm) / 2.0
    half = in_stages(design, stop={"needle": replace(design.needle, diameters_mm=middle)})
    sheet = nc.grind_sheet(half)
    told = 1e3 * half.least_difference_mm()
    for row, off in zip(sheet.station_rows(), half.remove_um() / 2.0, strict=True):
        exact = off if off >= told else 0.0
        assert row["stop_off_um"] == pytest.approx(exact, abs=1e-6)
        assert row["stop_side_um"] == pytest.approx(exact / 2.0, abs=1e-6)
        assert row["remove_um"] == pytest.approx(2.0 * off, abs=1e-6)
    for shown in (sheet.grid(), nc.grind_sheet(half, anvil_width_mm=6.35).grid()):
        keys = {column.key for column in shown.table.columns}
        assert {"stop", "off", "side", "hold", "angle_0", "angle_90"} <= keys
        assert "remove_um" not in keys
        assert shown.bold in ("stop", "stop_reads")
        for row, exact, alone in zip(shown.table.rows, sheet.station_rows(), sheet.left_alone(), strict=True):
            assert row["stop"] == ("leave" if alone else f"{exact['stop_mm']:.3f}")
            assert bool(row["off"]) != alone
        assert list(shown.shaded) == sheet.left_alone().tolist()
    # Drawn beside the two profiles, where it is not the asked one.
    for made, names in ((half, True), (at_once(design, stop={"needle": design.needle}), False)):
        assert ("at the STOP" in [line.get_label() for line in nc.plot(made, "lambda").lines]) == names
    # Bars to where the file stops, squares at the final diameters.
    cut = nc.plot(half, "cut")
    np.testing.assert_allclose(
        [bar.get_height() for bar in cut.patches], 1e3 * (half.present().diameters_mm - half.stop_mm())
    )


def test_the_sheet_says_which_end_is_which(design):
    sheet = nc.grind_sheet(design)
    assert f"station 1 by the shank, thick ({DIAMETERS_MM[0]:.3f} mm); station 13 by the tip" in words_of(sheet)
    (said,) = paper_of(sheet)[:1]
    assert "SHANK" in said
    assert "TIP" in said
    # What is dark is what the first stop files.
    filed = np.flatnonzero(design.stop_mm() < design.present().diameters_mm)
    (view,) = (block for block in sheet.document().pages[0].blocks if isinstance(block, Picture))
    places = [float(x) for x in re.findall(r'<line x1="([\d.]+)"', view.svg)]
    dark = dark_of(sheet)
    inside = [any(first <= x <= last for first, last in dark) for x in places]
    assert np.flatnonzero(inside).tolist() == filed.tolist()
    assert "shank left and tip right" in nc.plot(design).get_label()
    # Two stations left alone show the zero of the instrument, and the shoulder is measured before and after.
    first, second = (np.flatnonzero(sheet.left_alone()[1:]) + 1)[:2]
    heads = [" ".join(column.head.split()) for column in sheet.to_fill_in().table.columns]
    for at in (first, second):
        assert f"zero at station {at + 1}: {DIAMETERS_MM[at]:.3f} mm?" in heads
    assert {"instrument", "its zero mm", "shoulder out, before mm", "shoulder refitted, the same"} <= set(heads)


def test_text_keeps_its_width(design):
    for sheet in (nc.grind_sheet(design), nc.grind_sheet(design, anvil_width_mm=6.35)):
        assert max(map(len, sheet.text().splitlines())) <= 110


def test_an_interval_beside_its_prediction_is_drawn(design):
    # Where every doubt pulls one way a prediction can lie outside its interval; the plot must not stop at that.
    odd = changed(design, final={"low": design.final.expected + 0.002, "high": design.final.expected + 0.03})
    axes = nc.plot(odd, "lambda")
    order = np.argsort(design.target.bands.lift_mm)
    np.testing.assert_allclose(axes.lines[-1].get_ydata(), design.final.expected[order])
    bars = axes.collections[-1]
    ends = np.array([path.vertices[:, 1] for path in bars.get_paths()])
    np.testing.assert_allclose(ends[:, 0], odd.final.low[order])
    np.testing.assert_allclose(ends[:, 1], odd.final.high[order])


def test_readings_of_a_flat_micrometer(design):
    # The sheet's own note by hand: centred anvils stand with their thick edge half a width towards the shoulder.
    sheet = nc.grind_sheet(design, anvil_width_mm=6.35)
    rows = sheet.station_rows()
    assert np.isnan(rows[0]["target_reads_mm"])
    for above, row in itertools.pairwise(rows):
        # Half of 6.35 mm is one pitch: the reading is the diameter one station up.
        for key in ("present", "target", "stop"):
            assert row[f"{key}_reads_mm"] == pytest.approx(above[f"{key}_mm"], abs=1e-9)
    assert "Micrometer: what yours shows there, its faces 6.35 mm wide" in words_of(sheet)
    assert (
        sheet.csv()
        .splitlines()[0]
        .endswith("data,present_reads_mm,first_stop_reads_mm,asked_reads_mm,measured_mm,measured_2_mm")
    )
    assert sheet.csv().splitlines()[1].endswith(",,,,,")
    for exact in ({"anvil_width_mm": 0.0}, {"anvil_width_mm": 6.35, "face_on_mark": "thick_edge"}):
        for row in nc.grind_sheet(design, **exact).station_rows():
            assert row["target_reads_mm"] == pytest.approx(row["target_mm"], abs=1e-12)
    assert "Micrometer:" not in nc.grind_sheet(design).text()
    for wrong, match in (({"anvil_width_mm": 40.0}, "blades 0.75"), ({"face_on_mark": "edge"}, "'centre' or 'thick_edge'")):
        with pytest.raises(nc.InputError, match=match):
            nc.grind_sheet(design, **wrong)


def test_a_station_left_beside_a_cut_shows_what_wide_anvils_will_read(design):
    sheet = nc.grind_sheet(design, anvil_width_mm=6.35)
    told = [
        (row, shown)
        for row, shown in zip(sheet.station_rows(), sheet.grid().table.rows, strict=True)
        if row["stop_off_um"] == 0.0 and row["stop_reads_mm"] < row["present_reads_mm"] - 1e-4
    ]
    assert told
    for row, shown in told:
        assert (shown["stop"], shown["stop_reads"]) == ("leave", f"{row['stop_reads_mm']:.3f}")


def test_readings_fit_the_page(design):
    assert len(paper_of(nc.grind_sheet(design, anvil_width_mm=6.35))) == 3


def test_a_zero_has_no_sign_and_a_needle_called_as_its_file_is_named_once():
    column = Column("off", "off", "+.1f")
    assert [column.text(value) for value in (0.04, -0.04, 0.0, 0.06, -1.0)] == ["0.0", "0.0", "0.0", "+0.1", "-1.0"]
    assert nc.Needle("needle", [0, 10], [2.4, 2.2], source="needle.csv").table().title == "Needle needle.csv"
    assert nc.Needle("stock", [0, 10], [2.4, 2.2], source="needle.csv").table().title == "Needle stock (needle.csv)"


def test_hold_is_said_where_metal_comes_off_and_never_finer_than_the_hand(design):
    left = design.remove_um() == 0.0
    fine, hand = design.stations.tolerance_um < 2.5, 1e3 * design.learned.doubts.hand_mm
    assert hand == pytest.approx(2.5)
    assert (left & np.isfinite(design.stations.tolerance_um)).any()
    assert (~left & fine).any()
    assert (~left & ~fine & np.isfinite(design.stations.tolerance_um)).any()
    sheet = nc.grind_sheet(design)
    for row, alone, tolerance in zip(sheet.grid().table.rows, left, design.stations.tolerance_um, strict=True):
        if alone:
            assert row["hold"] == ""
        elif np.isnan(tolerance):
            assert row["hold"]
        else:
            held = max(tolerance, hand)
            assert row["hold"] == (f"{held:.0f}" if held >= 10.0 else f"{held:.1f}") + "*" * bool(tolerance < hand)
    lines = list(csv.DictReader(sheet.csv().splitlines()[:-1]))
    assert all(line["tolerance_um"] == "" for line, alone in zip(lines, left, strict=True) if alone)
    assert "*: no hand files finer than 2.5 um" in " ".join(sheet.text().split())
    coarse = nc.grind_sheet(changed(design, stations={"tolerance_um": design.stations.tolerance_um + 10.0}))
    assert "2.5*" not in coarse.text()


def test_a_station_between_bands_is_held_as_the_finer_of_its_neighbours(design):
    own = design.stations.tolerance_um.copy()
    cut = np.flatnonzero(design.remove_um() > 0.0)
    middle = int(cut[len(cut) // 2])
    own[middle - 1 : middle + 2] = 7.0, np.nan, 5.0
    assert nc.grind_sheet(changed(design, stations={"tolerance_um": own})).station_rows()[middle]["hold_um"] == 5.0
    blank = changed(design, limits=nc.Limits(new_blank=True))
    assert all(row["hold"] for row in nc.grind_sheet(blank).grid().table.rows)


def test_no_first_stop_is_nearer_than_can_be_told(design):
    present, asked_mm = design.present().diameters_mm, design.needle.diameters_mm
    told, cut = design.least_difference_mm(), np.flatnonzero(design.remove_um() > 30.0)
    stop = (present + asked_mm) / 2.0
    stop[cut[0]] = present[cut[0]] - 0.5 * told
    stop = np.maximum(np.minimum.accumulate(stop), asked_mm)
    made = in_stages(design, stop={"needle": replace(design.needle, diameters_mm=stop)})
    row = nc.grind_sheet(made).station_rows()[cut[0]]
    assert (row["stop_mm"], row["stop_off_um"]) == (present[cut[0]], 0.0)
    assert row["target_mm"] < present[cut[0]]
    # Where it may be told the stop stays, and so does the last cut however small.
    assert (made.stop_mm()[cut[1:]] == stop[cut[1:]]).all()
    assert (changed(made, stop={"needle": design.needle}).stop_mm() == asked_mm).all()
    # Nor is a tenth of a micron ordered, where that is all there is before the next drive.
    hair, more = (present - np.where(np.arange(present.size) == cut[0], off, 0.0) for off in (1e-4, 1e-3))
    least = [in_stages(design, stop={"needle": replace(design.needle, diameters_mm=one)}).stop_mm() for one in (hair, more)]
    assert (least[0] == present).all()
    assert (least[1] == more).all()
    # At the bench no reading is wanted there.
    readings = made.stop_mm().copy()
    readings[cut[0]] = np.nan
    assert nc.judge_cut(made, readings).states[cut[0]] == "leave"
    readings[cut[1]] = np.nan
    with pytest.raises(nc.InputError, match=f"Station {cut[1] + 1} was to be filed"):
        nc.judge_cut(made, readings)
