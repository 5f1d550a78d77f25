"""Comparison of two needles, station by station and band by band."""

from __future__ import annotations

import html

import numpy as np
import pypdfium2
import pytest
from conftest import DATA, DIAMETERS_MM, STATIONS_MM, make_setup

import needlecalc as nc
from needlecalc.__main__ import main

THIN = nc.Needle("thin", STATIONS_MM, DIAMETERS_MM - 0.02)


def test_thinner_needle_is_richer_everywhere_and_areas_are_geometry():
    setup = make_setup()
    bands = nc.typed_bands([900, 3000], [1.0, 1.0], lift_mm=[3.0, 15.0])
    result = nc.compare(setup, setup.carburettor.needle, THIN, bands=bands)
    frame = result.to_frame()
    np.testing.assert_allclose(frame["thicker_um"], -20.0)
    assert (frame["lambda_change_percent"] < 0).all()
    assert (frame["second_effective_mm2"] > frame["first_effective_mm2"]).all()
    np.testing.assert_allclose(frame["first_metering_mm2"], np.pi / 4 * (2.54**2 - DIAMETERS_MM**2))
    np.testing.assert_allclose(result.lambda_second, nc.predict_lambda(setup, bands, needle=THIN))
    same = nc.compare(setup, THIN, THIN)
    np.testing.assert_allclose(same.to_frame()["lambda_change_percent"], 0.0, atol=1e-12)


def test_needles_that_share_no_station_are_refused():
    short = nc.Needle("short", [50, 60], [1.2, 1.0])
    with pytest.raises(nc.InputError, match="share no station"):
        nc.compare(make_setup(), short, nc.Needle("other", [0, 10], [2.4, 2.2]))


def page_of(first, second, *, paper=None, **bands):
    setup = make_setup()
    read = nc.typed_bands([900, 2000, 3999], [1.0, 1.05, 1.1], lift_mm=[3.0, 9.0, 15.0], **bands)
    return nc.report.compare_page(nc.compare(setup, first, second, bands=read), paper=paper)


@pytest.mark.parametrize("paper", [None, nc.Paper(size="letter", decimal="comma")])
def test_two_needles_stand_on_one_page(paper, tmp_path):
    page = page_of(make_setup().carburettor.needle, THIN, paper=paper)
    nc.report.write_pdf(page, tmp_path / "compare.pdf")
    with pypdfium2.PdfDocument(tmp_path / "compare.pdf") as pdf:
        assert len(pdf) == 1
        said = " ".join(pdf[0].get_textpage().get_text_bounded().split())
    point = "," if paper else "."
    for number, diameter in enumerate(DIAMETERS_MM, start=1):
        row = f"{number} {STATIONS_MM[number - 1]:.3f} {diameter:.4f} {diameter - 0.02:.4f} -20.0".replace(".", point)
        assert row in said
    assert "4000 full" in said  # as people speak of it
    assert "3999" not in said
    # Each plot has its words: what is seen by nobody is heard.
    shown = page.html()
    alt = shown[shown.index("<img alt='") :]
    assert "How much thicker the second needle is, on diameter: -20 to -20" in alt
    assert "Lambda of each band; the second changes it by" in alt


def test_without_bands_the_page_has_no_lambda_by_band():
    page = nc.report.compare_page(nc.compare(make_setup(), THIN, THIN))
    assert "Lambda by band" not in page.text()
    assert "lambda by band" not in page.html().split("<figcaption>")[0]


def test_hostile_names_stay_words_on_the_page(tmp_path):
    name = "<script>alert('x')</script> {nb} $\\frac$ " + "long" * 20
    page = page_of(nc.Needle(name, STATIONS_MM, DIAMETERS_MM), THIN)
    assert "<script" not in page.html()
    assert html.escape("<script>alert('x')</script>") in page.html()
    nc.report.write_pdf(page, tmp_path / "compare.pdf")


def test_the_command_writes_the_page(tmp_path, capsys):
    needles = [str(DATA / f"pass_van{name}_needle.csv") for name in ("", "_second")]
    assert main(["compare", *needles, "--job", str(DATA / "pass_van.toml"), "--out", str(tmp_path / "page")]) == 0
    printed = capsys.readouterr().out
    assert "Two needles compared" in printed
    assert "compare.html, .pdf and .txt" in printed
    assert sorted(file.name for file in (tmp_path / "page").iterdir()) == ["compare.html", "compare.pdf", "compare.txt"]
    assert (tmp_path / "page" / "compare.txt").read_text() in printed
