"""Plots on paper show what those on screen show: same points, bars and names, inside their frame, legend off the points."""

from __future__ import annotations

import re
from xml.etree import ElementTree

import numpy as np
import pytest
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.report.captions import TALL, WIDE
from needlecalc.report.chart import Chart, svg_of
from needlecalc.report.plot import PLOTS, panel, picture

SVG = "{http://www.w3.org/2000/svg}"
HALF_A_LETTER = 4.32  # from the middle of a number to the line it stands on
LIFTS = np.linspace(2.0, 25.0, 8)
PAPER = [(nc.Design, part) for part in PLOTS[nc.Design]] + [
    (nc.design.Comparison, part) for part in PLOTS[nc.design.Comparison]
]


@pytest.fixture(scope="module")
def records():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    target = asked(setup, LIFTS, np.linspace(1.0, 1.15, 8), 0.95, lambda_se=0.012, lift_u_mm=0.4)
    design = nc.solve(target, setup, with_alternatives=False)
    return {nc.Design: design, nc.design.Comparison: nc.compare(setup, design.present(), design.needle, bands=target.bands)}


def words(svg):
    """Words of a drawing, with their place and which end of them stands there."""
    return [
        (one.text, float(one.get("x")), float(one.get("y")), one.get("text-anchor"))
        for one in ElementTree.fromstring(svg).iter(f"{SVG}text")
    ]


def axis(svg, anchor):
    """Numbers along the axis across ("middle") or up ("end"), and their places."""
    found = [
        (float(said), x if anchor == "middle" else y - HALF_A_LETTER)
        for said, x, y, there in words(svg)
        if there == anchor and said and said[-1].isdigit()
    ]
    return np.array(found).T


@pytest.mark.parametrize(("kind", "part"), PAPER, ids=lambda one: getattr(one, "__name__", one))
def test_the_page_shows_the_points_of_the_screen(records, kind, part):
    """Squares and their like drawn on the page are read back over the numbers of its axes."""
    svg, ax = picture(records[kind], part).svg, nc.plot(records[kind], part)
    (across, x_places), (up, y_places) = axis(svg, "middle"), axis(svg, "end")
    drawn = ElementTree.fromstring(svg)
    ways = " ".join(one.get("d") for one in drawn.iter(f"{SVG}path"))
    places = [(float(x), float(y)) for x, y in re.findall(r"M([\d.]+) ([\d.]+)m-", ways)]
    bars = [(float(one.get("x")) + float(one.get("width")) / 2.0, float(one.get("y"))) for one in drawn.iter(f"{SVG}rect")]
    seen = np.array([(np.interp(x, x_places, across), y) for x, y in places + bars])
    shown = np.concatenate(
        [line.get_xydata() for line in ax.get_lines() if line.get_marker() in ("o", "s")] or [np.zeros((0, 2))]
    )
    for x, y in shown[np.isfinite(shown).all(axis=1)].tolist():
        if not across[0] <= x <= across[-1]:
            continue
        wanted = np.interp(y, up, y_places) if up[0] <= y <= up[-1] else None
        near = np.abs(seen[:, 0] - x) < 0.003 * np.ptp(across)
        assert near.any()
        assert wanted is None or np.abs(seen[near, 1] - wanted).min() < 0.1
    said = [one[0] for one in words(svg)]
    assert {ax.get_xlabel(), ax.get_ylabel(), *ax.get_legend_handles_labels()[1]} <= set(said)


@pytest.mark.parametrize(("kind", "part"), PAPER, ids=lambda one: getattr(one, "__name__", one))
def test_all_stands_inside_the_picture_and_the_legend_above_the_points(records, kind, part):
    svg = picture(records[kind], part).svg
    wide, tall = 72.0 * WIDE, 72.0 * TALL
    numbers = [(x, y) for way in re.findall(r' d="([^"]+)"', svg) for x, y in re.findall(r"[ML]([\d.-]+) ([\d.-]+)", way)]
    places = np.array(numbers, dtype=float)
    assert (places > 0.0).all()
    assert (places < [wide, tall]).all()
    names = [(said, x, y) for said, x, y, anchor in words(svg) if anchor == "start"]
    top = min(float(y) for y in re.findall(r"M[\d.]+ ([\d.]+)V", svg))
    assert all(y < top or y < 72.0 * 0.4 for _, _, y in names)
    rows = {y: [(x, said) for said, x, there in names if there == y] for _, _, y in names}
    for row in rows.values():
        for (x, said), (after, _) in zip(sorted(row), sorted(row)[1:], strict=False):
            assert x + 0.5 * 12.0 * len(said) * 0.9 < after
        assert all(x > 0.0 for x, _ in row)


def test_a_panel_holds_each_part_at_half_the_width(records):
    both = panel(records[nc.design.Comparison], ("profile", "difference", "areas"), "three")
    one = picture(records[nc.design.Comparison], "profile")
    assert both.shape() == pytest.approx(one.shape())  # two by two
    moved = re.findall(r'<g transform="translate\(([\d.]+),([\d.]+)\)">', both.svg)
    assert [(float(x), float(y)) for x, y in moved] == [(0, 0), (72 * WIDE, 0), (0, 72 * TALL)]


def test_numbers_of_an_axis_are_round_few_and_cover_the_data():
    rng = np.random.default_rng(1)
    for span in 10.0 ** rng.uniform(-4, 4, 200):
        low = rng.uniform(-1.0, 1.0) * 10.0 * span
        chart = Chart(WIDE, TALL, (0.8, 0.1, 0.4, 0.6))
        chart.plot([low, low + span], [low, low + span], color="0.45")
        for anchor in ("middle", "end"):
            numbers, places = axis(svg_of([chart]), anchor)
            assert 2 <= numbers.size <= 11
            steps = np.diff(numbers)
            share = steps.mean() / 10.0 ** np.floor(np.log10(steps.mean()) + 1e-9)
            assert np.abs(np.array([1.0, 2.0, 2.5, 5.0]) - share).min() < 0.02
            assert np.allclose(steps, steps.mean(), rtol=1e-6, atol=1e-9)
            assert numbers[0] - steps[0] <= low
            assert numbers[-1] + steps[0] >= low + span
            assert np.allclose(np.diff(places), np.diff(places).mean(), atol=0.02)


def test_one_point_and_a_name_with_signs_of_markup_are_drawn():
    chart = Chart(WIDE, TALL, (0.8, 0.1, 0.4, 0.6))
    chart.plot([3.0], [0.0], label="<b> & 'c'", color="0.45", marker="x")
    chart.axhline(0.5, color="black", linewidth=0.8)
    assert "<b> & 'c'" in [said for said, *_ in words(svg_of([chart]))]
