"""Micrometer on a taper against slow geometry, uncertainty sums against hand sums and a Monte Carlo draw."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference

from needlecalc.errors import InputError
from needlecalc.physics.gauge import (
    FLAT_FACE_MM,
    contact_position_mm,
    diameter_budget,
    diameters_from_readings_mm,
    micrometer_reading_mm,
)

PITCH_MM = 3.175
BLADE_FACE_MM = 0.75
MARKS_MM = PITCH_MM * np.arange(12)
# Invented needle: 2.2733 mm at the shoulder, steeper near idle.
NEEDLE_MM = 2.2733 - np.cumsum([0.0, 0.07, 0.066, 0.068, 0.068, 0.07, 0.072, 0.072, 0.071, 0.071, 0.071, 0.071])

falls = st.lists(st.floats(0.0, 0.1), min_size=11, max_size=11)
tables = falls.map(lambda steps: 2.3 - np.cumsum([0.0, *steps]))
widths = st.floats(0.0, 8.0)
faces = st.sampled_from(["centre", "thick_edge"])


def reading_by_outline(position_mm, diameters_mm, face_width_mm, offset_mm):
    """Slow oracle: the widest part of the needle's outline between two parallel faces."""
    far = 50.0  # the needle goes on as a cylinder beyond its ends
    z = np.concatenate([[-far], MARKS_MM, [far + MARKS_MM[-1]]])
    r = np.concatenate([diameters_mm[:1], diameters_mm, diameters_mm[-1:]]) / 2.0
    outline = shapely.Polygon(np.concatenate([np.column_stack([z, r]), np.column_stack([z, -r])[::-1]]))
    middle = position_mm + offset_mm
    slab = shapely.box(middle - face_width_mm / 2, -far, middle + face_width_mm / 2, far)
    _, low, _, high = outline.intersection(slab).bounds
    return high - low


@pytest.mark.parametrize("face_width_mm", [0.4, 0.75, 6.35, 7.9])
@pytest.mark.parametrize("waist", [False, True])
def test_reading_against_the_outline_between_two_faces(face_width_mm, waist):
    diameters = NEEDLE_MM.copy()
    if waist:
        diameters[5] -= 0.15  # thinner than its outer neighbour: the contact may lie towards the tip
    at = np.linspace(-1.0, MARKS_MM[-1] + 1.0, 41)
    for face, offset in [("centre", 0.0), ("thick_edge", face_width_mm / 2)]:
        ours = micrometer_reading_mm(at, MARKS_MM, diameters, face_width_mm=face_width_mm, face_on_mark=face)
        slow = [reading_by_outline(x, diameters, face_width_mm, offset) for x in at]
        np.testing.assert_allclose(ours, slow, atol=1e-12)


@pytest.mark.parametrize(
    ("face_width_mm", "slope", "error_um"),
    [(6.35, 0.004, 12.7), (6.35, 0.008, 25.4), (6.35, 0.016, 50.8), (6.35, 0.032, 101.6), (0.75, 0.016, 6.0)],
)
def test_straight_taper_reads_too_thick_by_half_a_face(face_width_mm, slope, error_um):
    # By hand: slope times half the width.
    diameters = 2.5 - slope * MARKS_MM
    reading = micrometer_reading_mm(12.7, MARKS_MM, diameters, face_width_mm=face_width_mm)
    assert 1e3 * (reading - (2.5 - slope * 12.7)) == pytest.approx(error_um, abs=1e-9)
    edge = micrometer_reading_mm(12.7, MARKS_MM, diameters, face_width_mm=face_width_mm, face_on_mark="thick_edge")
    assert edge == pytest.approx(2.5 - slope * 12.7, abs=1e-14)


def test_quarter_inch_face_on_an_eighth_inch_pitch_reads_the_mark_before():
    readings = micrometer_reading_mm(MARKS_MM, MARKS_MM, NEEDLE_MM, face_width_mm=FLAT_FACE_MM)
    np.testing.assert_allclose(readings[1:], NEEDLE_MM[:-1], atol=1e-14)


@given(tables, widths, faces)
def test_reading_is_the_diameter_at_the_contact(diameters, width, face):
    how = {"face_width_mm": width, "face_on_mark": face}
    contact = contact_position_mm(MARKS_MM, **how)
    expected = np.interp(contact, MARKS_MM, diameters)
    np.testing.assert_allclose(micrometer_reading_mm(MARKS_MM, MARKS_MM, diameters, **how), expected, atol=1e-14)


@given(tables, st.floats(0.0, PITCH_MM * 0.9), faces)
def test_diameters_come_back_from_their_readings(diameters, width, face):
    how = {"face_width_mm": width, "face_on_mark": face}
    readings = micrometer_reading_mm(MARKS_MM, MARKS_MM, diameters, **how)
    # Rounding of a reading may make it rise by a hair where the needle is parallel.
    back = diameters_from_readings_mm(np.minimum.accumulate(readings), MARKS_MM, **how)
    np.testing.assert_allclose(back, diameters, atol=1e-9)


def test_thick_edge_on_the_mark_needs_no_correction_at_any_width():
    readings = micrometer_reading_mm(MARKS_MM, MARKS_MM, NEEDLE_MM, face_width_mm=7.9, face_on_mark="thick_edge")
    np.testing.assert_array_equal(
        diameters_from_readings_mm(readings, MARKS_MM, face_width_mm=7.9, face_on_mark="thick_edge"), readings
    )
    np.testing.assert_allclose(readings, NEEDLE_MM, atol=1e-14)


def test_a_wrong_reading_spreads_as_stated():
    readings = micrometer_reading_mm(MARKS_MM, MARKS_MM, NEEDLE_MM, face_width_mm=BLADE_FACE_MM)
    wrong = readings.copy()
    wrong[4] += 0.001
    spread = diameters_from_readings_mm(wrong, MARKS_MM, face_width_mm=BLADE_FACE_MM)
    spread -= diameters_from_readings_mm(readings, MARKS_MM, face_width_mm=BLADE_FACE_MM)
    assert 1e3 * spread[4] == pytest.approx(1.13, abs=0.01)
    assert spread[5] / spread[4] == pytest.approx(-0.13, abs=0.01)


@given(tables, widths, st.floats(0.0, 35.0))
def test_wider_faces_never_read_thinner(diameters, width, position):
    narrow = micrometer_reading_mm(position, MARKS_MM, diameters, face_width_mm=width)
    wide = micrometer_reading_mm(position, MARKS_MM, diameters, face_width_mm=width + 0.5)
    knife = micrometer_reading_mm(position, MARKS_MM, diameters, face_width_mm=0.0)
    assert wide >= narrow - 1e-15
    assert narrow >= knife - 1e-15
    assert knife == np.interp(position, MARKS_MM, diameters)


@pytest.mark.parametrize("row", read_reference("micrometer_budget"))
def test_budget_against_sums_by_hand(row):
    budget = diameter_budget(
        row["slope"],
        accuracy_limit_mm=1e-3 * row["accuracy_um"],
        resolution_mm=1e-3 * row["resolution_um"],
        repeat_mm=1e-3 * row["repeat_um"],
        position_error_mm=row["position_mm"],
        form_mm=1e-3 * row["form_um"],
        zero_mm=1e-3 * row["zero_um"],
    )
    assert 1e3 * budget.expanded_mm == pytest.approx(row["expanded_um"], abs=1e-3)
    assert budget.expanded_mm == 2 * budget.standard_mm
    assert np.sqrt(sum(part**2 for part in budget.rows.values())) == pytest.approx(budget.standard_mm, rel=1e-14)


def test_budget_against_drawn_measurements():
    # JCGM 101:2008 in small: draw every cause, read the needle through the micrometer, take the spread.
    rng = np.random.default_rng(11)
    n, slope = 200_000, 0.016
    true_mm = 2.2 + rng.uniform(0.0, 0.002, n)  # anywhere between two steps of the reading
    at = 12.7 + rng.uniform(-0.1, 0.1, n)
    shown = true_mm - slope * (at - 12.7)
    for half_width in (0.004, 0.001, 0.001):  # instrument, form, zero
        shown += rng.uniform(-half_width, half_width, n)
    shown += rng.normal(0.0, 0.0015, n)
    shown = 0.002 * np.round(shown / 0.002)
    budget = diameter_budget(slope)
    assert budget.standard_mm == pytest.approx((shown - true_mm).std(), rel=0.01)
    assert np.mean(np.abs(shown - true_mm) <= budget.expanded_mm) == pytest.approx(0.95, abs=0.02)


@given(st.floats(-0.06, 0.06), st.floats(0.0, 0.01), st.floats(0.0, 0.01))
def test_budget_grows_with_each_part(slope, part, more):
    for name in (
        "accuracy_limit_mm",
        "resolution_mm",
        "repeat_mm",
        "position_error_mm",
        "form_mm",
        "zero_mm",
    ):
        low, high = (diameter_budget(slope, **{name: value}).standard_mm for value in (part, part + more))
        assert high >= low * (1 - 1e-15)
    assert diameter_budget(slope).standard_mm == diameter_budget(-slope).standard_mm


def test_everything_broadcasts():
    several = np.stack([NEEDLE_MM, NEEDLE_MM - 0.01])
    assert micrometer_reading_mm(several, MARKS_MM, NEEDLE_MM).shape == (2, 12)
    assert diameters_from_readings_mm(several, MARKS_MM, face_width_mm=0.75).shape == (2, 12)
    budget = diameter_budget(np.array([0.008, 0.016]), accuracy_limit_mm=np.array([[0.004], [0.002]]))
    assert budget.expanded_mm.shape == (2, 2)
    assert isinstance(micrometer_reading_mm(6.0, MARKS_MM, NEEDLE_MM), float)
    assert isinstance(diameter_budget(0.016).standard_mm, float)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: micrometer_reading_mm(0, [0, 3, 3], [2.3, 2.2, 2.1]),
            "stations_mm must be two or more distances",
        ),
        (
            lambda: micrometer_reading_mm(0, [0, 3], [2.3, 2.2, 2.1]),
            "stations_mm has 2 entries but diameters_mm has 3",
        ),
        (lambda: micrometer_reading_mm(0, [0, 3], 2.3), "stations_mm has 2 entries but diameters_mm has 1"),
        (lambda: micrometer_reading_mm(0, [0, 3], [2.3, -2.2]), r"diameters_mm is -2.2 \(entry 2 of 2\)"),
        (
            lambda: micrometer_reading_mm(np.nan, [0, 3], [2.3, 2.2]),
            "position_mm is nan.*mm from the shoulder",
        ),
        (lambda: micrometer_reading_mm(0, [0, 3], [2.3, 2.2], face_width_mm=-1), "face_width_mm is -1"),
        (lambda: micrometer_reading_mm(0, [0, 3], [2.3, 2.2], face_on_mark="left"), "face_on_mark is 'left'"),
        (lambda: contact_position_mm(0.0, face_width_mm=250.0), "face_width_mm is 250.*Flat anvils"),
        (lambda: micrometer_reading_mm(0, [0, 3], [[2.3, 2.2]]), r"diameters_mm must be one row .* shape \(1, 2\)"),
        (lambda: diameter_budget(16.0), "slope is 16.*mm of diameter for one mm of length"),
        (
            lambda: diameters_from_readings_mm([2.2, 2.3], [0, 3], face_width_mm=0.75),
            "rises towards the tip at mark 2",
        ),
        (
            lambda: diameters_from_readings_mm([2.3, 2.2], [0, PITCH_MM]),
            "6.35, wider than the 3.175 mm between",
        ),
        (lambda: diameters_from_readings_mm([2.3, 2.2], [3, 0]), "marks_mm must be two or more distances"),
        (lambda: diameters_from_readings_mm([2.3], [0, 3]), "marks_mm has 2 entries but readings_mm has 1"),
        (
            lambda: diameters_from_readings_mm([2.3, 2.2], [0, 3], face_width_mm=np.array([0.4, 0.75])),
            "face_width_mm must be a number",
        ),
        (lambda: diameter_budget(0.016, accuracy_limit_mm=4.0), "accuracy_limit_mm is 4.*one um is 0.001"),
        (lambda: diameter_budget(0.016, resolution_mm=-1), "resolution_mm is -1"),
        (lambda: diameter_budget(0.016, repeat_mm=-1), "repeat_mm is -1"),
        (lambda: diameter_budget(0.016, position_error_mm=-1), "position_error_mm is -1"),
        (lambda: diameter_budget(0.016, form_mm=-1), "form_mm is -1"),
        (lambda: diameter_budget(0.016, zero_mm=-1), "zero_mm is -1"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(InputError, match=message):
        call()
