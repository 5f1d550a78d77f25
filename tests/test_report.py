"""Sheets and plots show the design's own numbers."""

from __future__ import annotations

import csv
import io
import itertools
from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.report.pages import _bench, _how_sure


@pytest.fixture(scope="module")
def design():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    return nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.98, 1.12, 9), 0.95), setup)


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


def test_tolerance_turns_one_per_cent(design):
    # An error of the tolerance all over moves the touchiest band by one per cent.
    least = np.nanmin(design.tolerance_um) / 1000
    thicker = nc.Needle("off", design.needle.stations_mm, design.needle.diameters_mm + least)
    bands = design.target.bands
    change = nc.predict_lambda(design.setup, bands, needle=thicker, drop_mm=design.drop_mm) / design.lambda_predicted - 1
    assert change.max() == pytest.approx(0.01, abs=0.001)


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
    many = replace(design, flags=tuple(f"flag {k}: one more word of warning on the needle" for k in range(60)))
    assert pages_of(nc.grind_sheet(many), tmp_path / "s.pdf") == 4


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
    assert "all may go in one stage, as the chance that a band ends too rich is 3 %" in nc.grind_sheet(at_once).stop_line()
    for row, first in zip(nc.grind_sheet(held).band_table().rows, design.first_low, strict=True):
        assert row["lambda_first_low"] == first
    for row in nc.grind_sheet(at_once).band_table().rows:
        assert row["lambda_first_low"] == row["lambda_low"]
    nothing = replace(design, needle=design.present(), first_stop=design.present())
    assert nc.grind_sheet(nothing).stop_line() == "First stop: nothing is to be filed."


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


def test_readings_fit_the_page(design, tmp_path):
    assert pages_of(nc.grind_sheet(design, anvil_width_mm=6.35), tmp_path / "s.pdf") == 3
