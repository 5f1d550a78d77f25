"""Sheets and plots show the design's own numbers, and fit their paper."""

from __future__ import annotations

import csv
import itertools
import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM
from sheet_cases import at_once, changed, in_stages, sheet_design, words_of

import needlecalc as nc
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.remark import Remark
from needlecalc.report.pages import ON_PAPER, ON_PAPER_WITH_READINGS, _bench, _how_sure
from needlecalc.report.paper import WRITE_IN


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
    assert all(filed[cut].values())
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


def with_many_remarks(design):
    """A design with more to say than fits one page."""
    kinds = [kind for kind in DesignRemark if kind in (DesignRemark.NOT_DRIVEN, DesignRemark.PAST_THE_DATA)]
    numbers = {"from_mm": 4.0, "to_mm": 21.0, "lift_mm": 25.0, "percent": 10.0}
    more = tuple(Remark(kind, bands=design.target.called(3), numbers=numbers) for kind in kinds for _ in range(12))
    return replace(design, remarks=(*design.remarks, *more))


def pages_of(sheet, path) -> int:
    nc.write_pdf(sheet, path)
    return path.read_bytes().count(b"/MediaBox [ 0 0 595.44 841.68 ]")


def test_pdf_is_a4_for_the_bench_how_sure_and_plots(design, tmp_path):
    assert pages_of(nc.grind_sheet(design), tmp_path / "s.pdf") == 3


def test_what_does_not_fit_a_page_goes_on_to_the_next(design, tmp_path):
    many = with_many_remarks(design)
    assert pages_of(nc.grind_sheet(many), tmp_path / "s.pdf") == 4


def test_a_page_that_goes_on_says_so(design):
    many = with_many_remarks(design)
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


def test_the_sheet_counts_down_to_the_first_stop_not_past_it(design):
    middle = (design.present().diameters_mm + design.needle.diameters_mm) / 2.0
    half = in_stages(design, stop={"needle": replace(design.needle, diameters_mm=middle)})
    sheet = nc.grind_sheet(half)
    told = 1e3 * half.told_mm()
    for row, off in zip(sheet.station_rows(), half.remove_um() / 2.0, strict=True):
        exact = off if off >= told else 0.0
        assert row["stop_off_um"] == pytest.approx(exact, abs=1e-6)
        assert row["stop_side_um"] == pytest.approx(exact / 2.0, abs=1e-6)
        assert row["remove_um"] == pytest.approx(2.0 * off, abs=1e-6)
    keys = [column.key for column in sheet.table().columns]
    assert "stop_off_um" in keys
    assert "stop_side_um" in keys
    assert "remove_um" not in keys
    for columns in (ON_PAPER, ON_PAPER_WITH_READINGS):
        assert {"stop_off_um", "stop_side_um", "tolerance"} <= {key for key, _, _ in columns}
        assert [key for key, _, _ in columns].count(WRITE_IN) == 2
    # Drawn beside the two profiles, where it is not the asked one.
    labels = [line.get_label() for line in nc.plot_profile(half).lines]
    assert "first stop" in labels
    once = at_once(design, stop={"needle": design.needle})
    assert "first stop" not in [line.get_label() for line in nc.plot_profile(once).lines]


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


def test_an_interval_beside_its_prediction_is_drawn(design):
    # Where every doubt pulls one way a prediction can lie outside its interval; the plot must not stop at that.
    odd = changed(design, final={"low": design.final.expected + 0.002, "high": design.final.expected + 0.03})
    axes = nc.plot_lambda(odd)
    order = np.argsort(design.target.bands.lift_mm)
    np.testing.assert_allclose(axes.lines[-1].get_ydata(), design.final.expected[order])
    (bars,) = axes.collections
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
    assert "Micrometer: what one shows whose anvils are 6.35 mm wide" in " ".join(sheet.text().split())
    assert sheet.csv().splitlines()[0].endswith("data,present_reads_mm,first_stop_reads_mm,asked_reads_mm")
    assert sheet.csv().splitlines()[1].endswith(",,,")
    for exact in ({"anvil_width_mm": 0.0}, {"anvil_width_mm": 6.35, "face_on_mark": "thick_edge"}):
        for row in nc.grind_sheet(design, **exact).station_rows():
            assert row["target_reads_mm"] == pytest.approx(row["target_mm"], abs=1e-12)
    assert "Micrometer:" not in nc.grind_sheet(design).text()
    for wrong, match in (({"anvil_width_mm": 40.0}, "blades 0.75"), ({"face_on_mark": "edge"}, "'centre' or 'thick_edge'")):
        with pytest.raises(nc.InputError, match=match):
            nc.grind_sheet(design, **wrong)


def test_a_station_left_beside_a_cut_shows_what_wide_anvils_will_read(design):
    sheet = nc.grind_sheet(design, anvil_width_mm=6.35)
    said = words_of(_bench(sheet).pages[0])
    told = [
        row
        for row in sheet.station_rows()
        if row["remove_um"] == 0.0 and row["target_reads_mm"] < row["present_reads_mm"] - 1e-4
    ]
    assert told
    for row in told:
        assert f"leave {row['target_reads_mm']:.4f}" in said


def test_readings_fit_the_page(design, tmp_path):
    assert pages_of(nc.grind_sheet(design, anvil_width_mm=6.35), tmp_path / "s.pdf") == 3
