"""After the drive: predicted against measured, the gain of the pass, and what to believe of it."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import DIAMETERS_MM, NO_DOUBTS, SAME_DAY, STATIONS_MM, make_setup
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.design.after.outcome import Diagnosis
from needlecalc.design.inverse.uncertainty import Cars

LIFTS = np.linspace(3.0, 24.0, 8)
RPM = np.linspace(900.0, 4500.0, 8)
SETUP = make_setup()


def drive(lambda_measured, lift_mm=LIFTS, **others):
    some = slice(0, np.size(lambda_measured))
    options = {"lambda_se": 0.003, "lift_u_mm": 0.1, **others}
    return nc.typed_bands(RPM[some], lambda_measured, lift_mm=np.asarray(lift_mm)[some], **options)


def filed(off_um):
    return nc.Needle("filed", STATIONS_MM, np.minimum.accumulate(DIAMETERS_MM - np.asarray(off_um) / 1000))


SMOOTH = filed([0, 4, 7, 11, 15, 20, 25, 30, 40, 45, 50, 50, 50])
HUMPED = filed([0, 0, 0, 0, 30, 45, 30, 0, 0, 45, 60, 45, 0])
ONE_DAY = nc.Doubts(**SAME_DAY)
FIRST = nc.learn(drive(np.full(8, 1.08)), SETUP, doubts=ONE_DAY)


def predicted(needle, lift_mm=LIFTS, now=1.08):
    return nc.predict_lambda(SETUP, drive(np.full(8, now), lift_mm), needle=needle)


def needle_for(aim):
    """Needle that the model says brings 1.08 to the aim in every band."""
    bands = drive(np.full(8, 1.08), lambda_se=0.0, lift_u_mm=0.0)
    return nc.solve(nc.Target(bands, np.full(8, aim)), SETUP, doubts=NO_DOUBTS).needle


def words(found):
    """What the pass is said to have taught."""
    return found.table().intro[0]


def test_predicted_1018_measured_1038():
    # Worked by hand: ln(1.038 / 1.08) / ln(1.018 / 1.08) = 0.03967 / 0.05912 = 0.67.
    needle = needle_for(1.018)
    found = nc.compare_pass(FIRST, drive(np.full(8, 1.038)), needle=needle, drop_mm=1.6)
    np.testing.assert_allclose(found.lambda_before, 1.08, rtol=1e-9)
    np.testing.assert_allclose(found.lambda_predicted, 1.018, atol=5e-4)
    np.testing.assert_allclose(found.gain, 0.67, atol=0.01)
    assert found.gain_all == pytest.approx(0.671, abs=0.005)
    text = " ".join(str(found).split())
    assert "The pass did 0.67 of what was computed, so one per cent of lambda takes 1.49 times the metal computed" in text
    assert "the next cut is deeper than the old figures say" in text
    assert "<table>" in found._repr_html_()
    assert {"gain", "inside", "lambda_measured"} <= set(found.to_frame().columns)
    # Believed with it: less effect than before, but not all of that at once.
    gains = [one.gain() for one in (found.before, found.after)]
    assert gains[0] == 1.0
    assert found.gain_all < gains[1] < 0.99


def test_less_effect_than_computed_asks_for_a_deeper_next_cut():
    found = nc.compare_pass(FIRST, drive(np.full(8, 1.038)), needle=needle_for(1.018), drop_mm=1.6)
    after = found.after
    target = nc.Target(drive(np.full(8, 1.038)), np.full(8, 0.98))
    taught = nc.solve(target, after.setup, learned=after)
    fresh = nc.solve(target, after.setup)  # the same drive by the old figures
    # What remains is the lambda measured, within the doubt of a reading (k=1).
    np.testing.assert_allclose(after.lambda_now(), 1.038, rtol=5e-3)
    cut = (fresh.remove_um() > 5.0) & fresh.stations.supported & taught.stations.supported
    assert cut.sum() >= 5
    assert (taught.remove_um()[cut] > 1.02 * fresh.remove_um()[cut]).all()


@settings(max_examples=15, deadline=None)
@given(scale=st.floats(0.3, 1.5), gain=st.floats(0.2, 1.8))
def test_gain_is_what_was_put_in(scale, gain):
    needle = nc.Needle("n", STATIONS_MM, DIAMETERS_MM - scale * (DIAMETERS_MM - SMOOTH.diameters_mm))
    expected = predicted(needle)
    exact = nc.compare_pass(FIRST, drive(expected), needle=needle, drop_mm=1.6)
    np.testing.assert_allclose(exact.lambda_predicted, expected, rtol=1e-6)
    told = np.isfinite(exact.gain)
    np.testing.assert_allclose(exact.gain[told], 1.0, atol=1e-4)
    assert exact.inside.all()
    assert words(exact).startswith("The model holds: all 8 bands")
    other = nc.compare_pass(FIRST, drive(1.08 * (expected / 1.08) ** gain), needle=needle, drop_mm=1.6)
    np.testing.assert_allclose(other.gain[told], gain, atol=1e-3)


def test_a_common_share_is_believed_of_the_flow():
    expected = predicted(SMOOTH)
    found = nc.compare_pass(FIRST, drive(1.08 * (expected / 1.08) ** 0.67), needle=SMOOTH, drop_mm=1.6)
    assert "All moved by the same share, 0.67 of what was computed: believe the flow gain." in words(found)
    assert not found.inside.all()


@pytest.mark.parametrize("scale", [0.7, 1.3])
def test_a_pattern_with_lift_is_believed_of_the_lift(scale):
    found = nc.compare_pass(FIRST, drive(predicted(HUMPED, LIFTS * scale)), needle=HUMPED, drop_mm=1.6)
    assert "The misses follow the lift" in words(found)
    assert ("above" if scale > 1.0 else "below") in words(found)


def test_a_shifted_needle_is_told_from_a_scale():
    found = nc.compare_pass(FIRST, drive(predicted(HUMPED, LIFTS + 2.0)), needle=HUMPED, drop_mm=1.6)
    assert "further out of the jet than believed" in words(found)


def test_no_single_cause_means_a_fault_first():
    wild = predicted(SMOOTH) + 0.05 * np.array([1, -1] * 4)
    found = nc.compare_pass(FIRST, drive(wild), needle=SMOOTH, drop_mm=1.6)
    assert "No single cause explains them" in words(found)
    assert "look for a fault first" in words(found)
    assert "times the metal computed" not in str(found)


def test_the_wrong_way():
    found = nc.compare_pass(FIRST, drive(1.08**2 / predicted(SMOOTH)), needle=SMOOTH, drop_mm=1.6)
    assert "The pass moved lambda the wrong way" in str(found)


@pytest.mark.parametrize(("share", "moved"), [(0.0, "Lambda hardly moved"), (-0.3, "Lambda moved -0.30 of what was comp")])
def test_no_flow_gain_is_believed_that_no_law_has(share, moved):
    read = 1.08 * (predicted(SMOOTH) / 1.08) ** share
    found = nc.compare_pass(FIRST, drive(read), needle=SMOOTH, drop_mm=1.6)
    assert found.diagnosis is Diagnosis.NO_LAW
    assert moved in words(found)
    assert "believe the flow gain" not in words(found)
    assert "mixed-up log, needle, jet height or lift" in words(found)


def test_one_band_cannot_tell():
    one = nc.learn(drive([1.08]), SETUP, doubts=ONE_DAY)
    found = nc.compare_pass(one, drive([1.079]), needle=SMOOTH, drop_mm=1.6)
    assert "One band cannot tell" in words(found)


def test_too_small_a_change_has_no_gain():
    found = nc.compare_pass(FIRST, drive(np.full(8, 1.079)), needle=filed([0] + [0.2] * 12), drop_mm=1.6)
    assert np.isnan(found.gain).all()
    assert np.isnan(found.gain_all)
    assert words(found).startswith("The model holds")


def test_intervals_hold_nine_in_ten():
    # Cars drawn from what was believed, and a reading of each: the interval must hold 90 % of them.
    rng = np.random.default_rng(4)
    cars = Cars.of(FIRST, 400).law.unknowns
    number = FIRST.place.needle(0)
    true = SMOOTH.diameters_mm - rng.normal(0.0, FIRST.doubts.micrometer_mm, (400, 13))
    true = np.where(SMOOTH.diameters_mm == DIAMETERS_MM, DIAMETERS_MM - cars[:, number], true)
    log = FIRST.log_lambda(cars, true, 1.6)
    own = np.hypot(0.003 / 1.0, FIRST.doubts.repeatability)
    read = np.exp(log + own * rng.standard_normal(log.shape))
    found = nc.compare_pass(FIRST, drive(predicted(SMOOTH)), needle=SMOOTH, drop_mm=1.6)
    inside = ((read > found.lambda_low) & (read < found.lambda_high)).mean()
    assert 0.86 < inside < 0.94


def test_a_design_stands_for_what_was_believed_and_cut():
    target = nc.Target(drive(np.full(8, 1.08)), np.full(8, 1.0))
    design = nc.solve(target, SETUP)
    found = nc.compare_pass(design, drive(design.stop.expected))
    np.testing.assert_allclose(found.lambda_predicted, design.stop.expected, atol=0.01)
    assert words(found).startswith("The model holds")


def test_bands_are_matched_by_load_and_speed():
    back = drive(predicted(SMOOTH))
    fewer = back.only([5, 2])
    found = nc.compare_pass(FIRST, fewer, needle=SMOOTH, drop_mm=1.6)
    np.testing.assert_allclose(found.lambda_predicted, predicted(SMOOTH)[[5, 2]], rtol=1e-6)


@pytest.mark.parametrize(
    ("options", "match"),
    [
        ({}, "needs the needle and drop_mm of the drive"),
        ({"needle": nc.Needle("stock", STATIONS_MM, DIAMETERS_MM), "drop_mm": 1.6}, "Neither needle nor jet has changed"),
        ({"needle": nc.Needle("n", STATIONS_MM + 1.0, DIAMETERS_MM), "drop_mm": 1.6}, "has other stations than stock"),
    ],
)
def test_what_cannot_be_compared(options, match):
    with pytest.raises(nc.InputError, match=match):
        nc.compare_pass(FIRST, drive(np.full(8, 1.0)), **options)


def test_drives_without_a_band_in_common():
    other = nc.typed_bands(RPM, np.full(8, 1.0), lift_mm=LIFTS, load=["light"] * 8)
    with pytest.raises(nc.InputError, match="No band of this drive was read in the drive before"):
        nc.compare_pass(FIRST, other, needle=SMOOTH, drop_mm=1.6)


def test_lifts_tried_past_the_end_of_the_needle_do_not_stop_it():
    low = np.r_[0.3, LIFTS[1:]]
    before = nc.learn(drive(np.full(8, 1.08), low), make_setup(drop_mm=0.1))
    found = nc.compare_pass(before, drive(np.full(8, 1.0), low), needle=SMOOTH, drop_mm=0.1)
    assert found.band.size == 8


def test_a_moved_jet_alone_is_a_pass_too():
    lambda_then = nc.predict_lambda(SETUP, drive(np.full(8, 1.08)), drop_mm=1.9)
    found = nc.compare_pass(FIRST, drive(lambda_then), needle=SETUP.carburettor.needle, drop_mm=1.9)
    np.testing.assert_allclose(found.lambda_predicted, lambda_then, rtol=1e-5)


def test_a_cut_that_no_band_sees_is_blamed_on_no_law():
    # Only the tip was filed, and no band goes so far: whatever a drive reads then, it tells nothing of the flow law.
    cut = {"needle": filed(np.r_[np.zeros(12), 20.0]), "drop_mm": 1.6}
    known = {"lift_mm": [4.0, 8.0, 12.0], "lambda_se": 0.01, "lift_u_mm": 0.3}
    before = nc.learn(drive(np.full(3, 1.04), **known), SETUP)
    high = nc.compare_pass(before, drive(np.full(3, 1.04), **known), **cut).lambda_high[2]
    found = nc.compare_pass(before, drive([1.04, 1.04, 1.005 * high], **known), **cut)
    assert next(one.size for one in found.causes if one.diagnosis is Diagnosis.GAIN) == 0.0
    assert found.inside.tolist() == [True, True, False]
    assert found.causes[0].misfit <= 4.0  # no more than one cause could explain
    assert found.diagnosis is Diagnosis.NO_CAUSE
