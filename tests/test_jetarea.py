"""Metering areas of round, oval and worn jets, against shapely outlines."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from shapely import Point, Polygon

from needlecalc.errors import InputError
from needlecalc.physics.jetarea import (
    annular_area_mm2,
    oval_jet_area_mm2,
    ring_radii_mm,
    worn_jet_area_mm2,
)

TURN = np.linspace(0.0, 2.0 * np.pi, 20_000, endpoint=False)


def outline(long_mm, short_mm, shift_mm=0.0):
    # Swollen so that the polygon's area is the ellipse's own.
    swell = np.sqrt(2.0 * np.pi / TURN.size / np.sin(2.0 * np.pi / TURN.size))
    return Polygon(np.column_stack([shift_mm + swell * long_mm / 2 * np.cos(TURN), swell * short_mm / 2 * np.sin(TURN)]))


@pytest.mark.parametrize(
    ("jet_inch", "area_mm2"), [(0.090, 4.104), (0.100, 5.067), (0.125, 7.917)], ids=["090", "100", "125"]
)
def test_jets_without_a_needle_to_speak_of(jet_inch, area_mm2):
    # Area of a circle by any table of circles, at three usual bores.
    assert annular_area_mm2(jet_inch * 25.4, 1e-6) == pytest.approx(area_mm2, abs=6e-4)


@pytest.mark.parametrize("shift", [0.0, 0.1, 0.169])
def test_ring_wherever_the_needle_stands(shift):
    ring = outline(2.54, 2.54).difference(outline(2.20, 2.20, shift))
    assert annular_area_mm2(2.54, 2.20) == pytest.approx(ring.area, rel=1e-6)


@pytest.mark.parametrize(("long", "short"), [(2.54, 2.54), (2.60, 2.54), (2.90, 2.30)])
def test_oval_jet(long, short):
    ring = outline(long, short).difference(outline(2.20, 2.20))
    assert oval_jet_area_mm2(long, short, 2.20) == pytest.approx(ring.area, rel=1e-6)


@pytest.mark.parametrize("groove", [1.5, 2.3, 2.5, 2.539])
@pytest.mark.parametrize("wear", [0.0, 0.005, 0.05, 0.3])
def test_worn_jet(groove, wear):
    shift = (2.54 - groove) / 2 + wear
    worn = outline(2.54, 2.54).union(outline(groove, groove, shift))
    ring = worn.area - np.pi / 4 * 2.20**2
    assert worn_jet_area_mm2(2.54, 2.20, groove_mm=groove, wear_mm=wear) == pytest.approx(ring, rel=2e-6)


@given(st.floats(0.3, 0.999), st.floats(0.1, 10.0), st.floats(0.0, 0.2))
def test_scale_and_new_jet(share, bore, wear_share):
    new = worn_jet_area_mm2(bore, share * bore, groove_mm=share * bore, wear_mm=0.0)
    assert new == pytest.approx(annular_area_mm2(bore, share * bore), abs=1e-7 * bore**2)
    unit, scaled = (
        worn_jet_area_mm2(size, share * size, groove_mm=share * size, wear_mm=0.5 * wear_share * share * size)
        for size in (1.0, bore)
    )
    assert scaled == pytest.approx(bore**2 * unit, rel=1e-9, abs=1e-7 * bore**2)


def test_wear_only_opens():
    areas = worn_jet_area_mm2(2.54, 2.20, groove_mm=2.48, wear_mm=np.linspace(0.0, 0.4, 41))
    assert (np.diff(areas) > 0.0).all()


def test_disc_removed_matches_shapely_s_own_circle():
    ring = Point(0, 0).buffer(1.27, quad_segs=2000).difference(Point(0.1, 0).buffer(1.1, quad_segs=2000))
    assert annular_area_mm2(2.54, 2.20) == pytest.approx(ring.area, rel=1e-6)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: annular_area_mm2(2.54, 2.54),
            r"needle_mm is 2\.54, but must be less than bore_mm \(2\.54\)",
        ),
        (lambda: annular_area_mm2([2.54, 2.0], 2.2), r"needle_mm is 2\.2, .* bore_mm \(2\) to leave a gap"),
        (lambda: ring_radii_mm(2.54, 0.0), r"needle_mm is 0, but must be greater than 0"),
        (
            lambda: oval_jet_area_mm2(2.5, 2.6, 2.2),
            r"long_bore_mm is down to 2\.5, but must not be less than",
        ),
        (lambda: oval_jet_area_mm2(2.9, 2.1, 2.2), r"needle_mm is 2\.2, .* less than short_bore_mm \(2\.1\)"),
        (
            lambda: worn_jet_area_mm2(2.54, 2.2, groove_mm=2.6, wear_mm=0.1),
            r"groove_mm is 2\.6, but must be less than bore_mm",
        ),
        (
            lambda: worn_jet_area_mm2(2.54, 2.2, groove_mm=1.0, wear_mm=0.6),
            r"wear_mm is up to 0\.6, but a groove cannot be deeper than half of groove_mm",
        ),
        (lambda: worn_jet_area_mm2(2.54, 2.2, groove_mm=2.2, wear_mm=-0.1), r"wear_mm is -0\.1, but"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
