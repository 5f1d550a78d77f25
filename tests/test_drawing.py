"""The drawing to scale and the DXF, measured back: within 1 um of the table, times the scale."""

from __future__ import annotations

import ctypes
import json
import re

import numpy as np
import pypdfium2
import pypdfium2.raw as pdfium
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM
from hypothesis import given
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.report.document import Picture

NEEDLE = nc.Needle("stock", STATIONS_MM, DIAMETERS_MM)
MM_PER_POINT = 25.4 / 72.0  # a point is 1/72 in (ISO 32000, default user space)
UM = 1e-3


def svg_of(page):
    (picture,) = (block for block in page.pages[0].blocks if isinstance(block, Picture))
    assert re.search(rf'width="{picture.wide_mm:g}mm" height="([\d.]+)mm" viewBox="0 0 {picture.wide_mm:g} \1"', picture.svg)
    return picture.svg


def path_of(svg, name):
    return np.array(re.findall(r"[ML] ([\d.-]+) ([\d.-]+)", re.search(rf'id="{name}" d="([^"]+)"', svg)[1]), dtype=float)


def measured(outline, length, radius):
    """Stations and diameters of an outline on paper: there and back along both sides."""
    upper, lower = np.split(outline[:-1] if len(outline) % 2 else outline, 2)
    lower = lower[::-1]
    np.testing.assert_allclose(upper[:, 0], lower[:, 0], atol=UM)
    return (upper[:, 0] - upper[0, 0]) / length, np.abs(upper[:, 1] - lower[:, 1]) / radius


needles = st.builds(
    lambda gaps, thick, steps: nc.Needle(
        "drawn", np.cumsum([0.0, *gaps]), np.maximum(thick - np.cumsum([0.0, *steps[: len(gaps)]]), 0.3)
    ),
    st.lists(st.floats(0.6, 6.0), min_size=2, max_size=16),
    st.floats(1.0, 6.0),
    st.lists(st.floats(0.0, 0.2), min_size=16, max_size=16),
)


@given(needles, st.sampled_from([0.5, 1.0, 1.5]), st.sampled_from([5.0, 12.5, 20.0]))
def test_the_svg_measures_as_the_table(needle, length, radius):
    page = nc.report.profile_drawing(needle, length_scale=length, radius_scale=radius)
    places, diameters = measured(path_of(svg_of(page), "outline"), length, radius)
    np.testing.assert_allclose(places, needle.stations_mm - needle.stations_mm[0], atol=UM)
    np.testing.assert_allclose(diameters, needle.diameters_mm, atol=UM)
    assert np.ptp(path_of(svg_of(page), "ruler")[:, 0]) == pytest.approx(100.0)
    assert f"length {length:g}:1, radius {radius:g}:1" in page.text()


def points_of(path):
    """Points of a path on its page, in mm."""
    matrix = path.get_matrix()
    out = []
    for number in range(pdfium.FPDFPath_CountSegments(path)):
        x, y = ctypes.c_float(), ctypes.c_float()
        pdfium.FPDFPathSegment_GetPoint(pdfium.FPDFPath_GetPathSegment(path, number), x, y)
        out.append(matrix.on_point(x.value, y.value))
    return MM_PER_POINT * np.array(out)


@pytest.mark.parametrize("size", ["A4", "letter"])
def test_the_pdf_measures_as_the_table(size, tmp_path):
    page = nc.report.profile_drawing(NEEDLE, paper=nc.Paper(size=size))
    nc.report.write_pdf(page, tmp_path / "drawing.pdf")
    with pypdfium2.PdfDocument(tmp_path / "drawing.pdf") as pdf:
        assert len(pdf) == 1
        paths = [points_of(one) for one in pdf[0].get_objects(filter=[pdfium.FPDF_PAGEOBJ_PATH])]
    corners = 2 * DIAMETERS_MM.size
    (outline,) = [one for one in paths if corners <= len(one) <= corners + 1]
    places, diameters = measured(outline[:corners], 2.0, 20.0)
    np.testing.assert_allclose(places, STATIONS_MM, atol=UM)
    np.testing.assert_allclose(diameters, DIAMETERS_MM, atol=UM)
    level = [one for one in paths if len(one) == 2 and np.ptp(one[:, 1]) < UM and np.ptp(one[:, 0]) > 80.0]
    assert min(abs(np.ptp(one[:, 0]) - 100.0) for one in level) < 0.01


def dxf_pairs(text):
    lines = text.splitlines()
    return list(zip(map(int, lines[::2]), lines[1::2], strict=True))


def test_the_dxf_is_closed_in_mm_and_measures_as_the_table():
    # Read by the published group codes: 0 begins an entity, 8 its layer, 10 and 20 a point, 70 = 1 a closed polyline.
    pairs = dxf_pairs(nc.report.needle_dxf(NEEDLE))
    assert pairs[0][0] == 999  # a remark
    assert [value for code, value in pairs if code == 0 and value != "VERTEX"] == [
        "SECTION", "ENDSEC", "SECTION", "POLYLINE", "SEQEND", "LINE", "ENDSEC", "EOF",
    ]  # fmt: skip
    assert (1, "AC1009") in pairs  # release 12
    assert (70, "1") in pairs
    corners = [k for k, pair in enumerate(pairs) if pair == (0, "VERTEX")]
    outline = np.array([[float(pairs[k + 2][1]), float(pairs[k + 3][1])] for k in corners])
    assert [pairs[k + 2][0] for k in corners] == [10] * len(corners)
    places, diameters = measured(outline, 1.0, 1.0)
    np.testing.assert_allclose(places, STATIONS_MM, atol=UM)
    np.testing.assert_allclose(diameters, DIAMETERS_MM, atol=UM)
    area = 0.5 * abs(np.dot(outline[:, 0], np.roll(outline[:, 1], 1)) - np.dot(outline[:, 1], np.roll(outline[:, 0], 1)))
    assert area == pytest.approx(NEEDLE.outline().area, rel=1e-6)


def test_a_name_cannot_break_the_dxf():
    odd = nc.Needle("a\n  0\nEOF\n$'\x1b", STATIONS_MM, DIAMETERS_MM)
    pairs = dxf_pairs(nc.report.needle_dxf(odd))
    assert [value for code, value in pairs if code == 0].count("EOF") == 1


def test_what_is_too_large_for_the_paper_is_told_and_the_cure_works():
    with pytest.raises(nc.InputError, match=r"length_scale 6 .* 229 mm long on paper, but 173 mm is the most"):
        nc.report.profile_drawing(NEEDLE, length_scale=6.0)
    with pytest.raises(nc.InputError, match=r"radius_scale 80 .* 196 mm thick on paper"):
        nc.report.profile_drawing(NEEDLE, radius_scale=80.0)
    nc.report.profile_drawing(NEEDLE, length_scale=4.5, radius_scale=50.0)
    # Where nothing is said a long needle is drawn smaller.
    long = nc.Needle("long", STATIONS_MM * 3.0, DIAMETERS_MM)
    assert "length 1:1, radius 20:1" in nc.report.profile_drawing(long).text()
    assert "length 2:1, radius 20:1" in nc.report.profile_drawing(NEEDLE).text()
    with pytest.raises(nc.InputError, match="length_scale"):
        nc.report.profile_drawing(NEEDLE, length_scale=float("nan"))


def test_a_design_of_a_blank_comes_with_both(case, capsys):
    text = case.read_text()
    case.write_text(f"{text}\n[limits]\nnew_blank = true\n")
    assert main(["design", str(case)]) in (0, 3)
    assert "With them: needle_to_scale, each .html, .pdf and .txt; needle.dxf" in capsys.readouterr().out
    out = case.parent / "out"
    stop = json.loads((out / "design.json").read_text())["stop_mm"]
    pairs = dxf_pairs((out / "needle.dxf").read_text())
    up = [float(pairs[k + 3][1]) for k, pair in enumerate(pairs) if pair == (0, "VERTEX")]
    np.testing.assert_allclose(np.array(up[: len(stop)]) * 2.0, stop, atol=UM)
    assert f"{stop[0]:.4f}" in (out / "needle_to_scale.txt").read_text()
