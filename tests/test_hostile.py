"""Inputs at the edge of sense: a design whose figures stand, or one clear sentence; never a crash, never nonsense."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from any_setup import any_case, broken, not_finite
from conftest import DIAMETERS_MM, NO_DOUBTS, STATIONS_MM, asked, make_setup

import needlecalc as nc
from needlecalc.design.belief import law
from needlecalc.report import say

NUT = {"drop_min_mm": 0.8, "drop_max_mm": 2.5}
TIP_MM = 38.1 - 1.6
SPREAD = np.linspace(2.0, 26.0, 9)
HUGE = nc.Doubts(
    repeatability=0.1, sensor_offset=0.1, flow_gain=0.5, viscosity=0.5, eccentricity=1.0, lift_zero_mm=2.0, table_mm=0.05,
    micrometer_mm=0.05, hand_mm=0.05, sensor_gain=0.5, fuel_temperature_k=30.0, table_offset_mm=0.05,
)  # fmt: skip


def fine(count):
    stations = np.linspace(0.0, 38.1, count)
    return nc.Needle("fine", stations, np.interp(stations, STATIONS_MM, DIAMETERS_MM))


CASES = {
    "one band": {"lift": [10.0]},
    "one band, jet free": {"lift": [10.0], "jet": NUT},
    "two bands": {"lift": [5.0, 10.0]},
    "all at one lift": {"lift": [10.0] * 5},
    "all at one lift, asking for different things": {"lift": [10.0] * 4, "measured": [1.05, 0.98, 1.1, 0.97]},
    "two stations": {"needle": nc.Needle("two", [0.0, 40.0], [2.45, 1.6])},
    "stations half a millimetre apart": {"needle": fine(72)},
    "biased, jet free, idle": {"jet": {**NUT, "mounting": "biased"}, "load": ["idle"] + ["full"] * 8},
    "worn oval": {"jet": {"bore_least_mm": 2.50}},
    "a hundredth of a gap": {"jet": {"bore_mm": 2.46}},
    "a hundredth of a gap, biased": {"jet": {"bore_mm": 2.46, "mounting": "biased"}},
    "a very short jet": {"jet": {"parallel_length_mm": 0.2, "parallel_length_u_mm": 0.5}},
    "huge doubts": {"doubts": HUGE},
    "huge doubts, jet free, idle": {"doubts": HUGE, "jet": NUT, "load": ["idle"] + ["full"] * 8},
    "no doubts": {"doubts": NO_DOUBTS, "lift_u_mm": 0.0, "lambda_se": 0.0},
    "lift hardly known, near the stop": {"lift": [0.1, 5.0, 10.0], "lift_u_mm": 3.0},
    "at the very tip": {"lift": [20.0, 30.0, TIP_MM]},
    "at the very tip, jet free": {"lift": [20.0, 30.0, TIP_MM], "jet": NUT},
    "at the shoulder": {"lift": [0.0, 5.0, 10.0], "jet": {"drop_mm": 0.0}},
    "right already": {"measured": 0.95},
    "a third too lean": {"measured": 1.25},
    "a third too rich": {"measured": 0.70, "wanted": 1.0},
    "a third too rich, new blank": {"measured": 0.70, "wanted": 1.0, "limits": nc.Limits(new_blank=True)},
    "no cut allowed": {"limits": nc.Limits(max_cut_mm=0.0)},
    "least diameter above the needle": {"limits": nc.Limits(least_diameter_mm=2.5)},
    "no risk at all": {"risk": 0.0},
}


@pytest.mark.parametrize("name", CASES)
def test_a_design_with_figures_that_stand(name):
    case = dict(CASES[name])
    setup = make_setup(**case.pop("jet", {}))
    setup = setup.with_needle(case.pop("needle", setup.carburettor.needle))
    lift, measured, wanted = case.pop("lift", SPREAD), case.pop("measured", 1.05), case.pop("wanted", 0.95)
    how = {key: case.pop(key) for key in ("doubts", "limits", "risk") if key in case}
    target = asked(setup, lift, np.broadcast_to(measured, np.shape(lift)), wanted, **case)
    design = nc.solve(target, setup, **how)
    for stage in (design.final, design.stop):
        assert np.isfinite([stage.expected, stage.low, stage.high]).all()
    assert (design.final.low <= design.final.high).all()
    low, high = setup.carburettor.jet.drop_range_mm()
    assert low - 1e-9 <= design.drop_mm <= high + 1e-9
    # What is predicted is what the forward model says of that very needle and jet.
    forward = nc.predict_lambda(setup, target.bands, needle=design.needle, drop_mm=design.drop_mm)
    forward *= design.learned.lambda_now() / target.bands.lambda_measured  # past the lean limit a meter reads too lean
    np.testing.assert_allclose(design.final.expected, forward, rtol=2e-4)
    if not design.limits.new_blank:
        assert (design.needle.diameters_mm <= design.present().diameters_mm).all()
    assert (design.stop.needle.diameters_mm >= design.needle.diameters_mm).all()
    assert say.verdict(design)[0].endswith(".")
    assert "nan" not in str(design)
    assert design.met == bool((target.excess(design.final.expected) <= 5e-4).all())


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (
            {"lift_u_mm": np.full(9, np.nan)},
            r"Band 900 rpm full: lift_u_mm is nan, but an uncertainty must be zero or more; state it",
        ),
        ({"lift_u_mm": np.full(9, -0.2)}, r"lift_u_mm is -0\.2, but an uncertainty must be zero or more"),
        ({"lambda_se": np.full(9, -0.01)}, r"lambda_se is -0\.01, but an uncertainty must be zero or more"),
        ({"lift_mm": np.full(9, np.nan)}, r"Band 900 rpm full has no lift"),
        (
            {"lift_mm": SPREAD + 12.0},
            r"lift of 38\.00 mm puts the jet's face 39\.60 mm from the shoulder, off the needle's table",
        ),
    ],
)
def test_bands_that_say_too_little_or_nonsense(change, words):
    setup = make_setup()
    target = asked(setup, SPREAD, np.full(9, 1.05), 0.95)
    with pytest.raises(nc.InputError, match=words):
        nc.solve(replace(target, bands=replace(target.bands, **change)), setup)


@pytest.mark.parametrize("wish", [-1.0, 0.0, 14.7])
def test_a_target_that_is_no_lambda(wish):
    with pytest.raises(nc.InputError, match=r"lambda_target runs from .* but must lie between 0\.5 and 2\. .* divide it by"):
        asked(make_setup(), SPREAD, np.full(9, 1.05), wish)


@pytest.mark.parametrize("others", [([5.0, 10.0], [1.05, 1.0]), (SPREAD + 1.0, np.full(9, 1.05))])
def test_what_was_learned_of_other_bands_is_refused(others):
    setup = make_setup()
    learned = nc.learn(asked(setup, SPREAD, np.full(9, 1.05), 0.95).bands, setup)
    with pytest.raises(
        nc.InputError, match=r"what was learned ends with Bands: 9.*make the target from the bands of the last pass"
    ):
        nc.solve(asked(setup, *others, 0.95), setup, learned=learned)


def test_a_bore_that_reaches_past_a_thin_tip():
    # Carried on straight the needle would end, and have less than no diameter, inside the bore.
    steep = nc.Needle("steep", np.arange(12) * 3.0, np.interp(np.arange(12) * 3.0, [0, 15, 24, 33], [2.45, 2.0, 1.2, 0.66]))
    setup = make_setup(drop_mm=1.0, parallel_length_mm=14.0, parallel_length_u_mm=5.0).with_needle(steep)
    design = nc.solve(asked(setup, [3.0, 10.0, 20.0, 31.5], np.full(4, 1.05), 0.95), setup)
    assert not not_finite(design)
    assert not broken(design)


def test_a_flow_that_is_no_number_is_an_error_not_a_band_that_is_not_rich(monkeypatch):
    setup = make_setup()
    target = asked(setup, SPREAD, np.full(9, 1.05), 0.95)
    whole, learned = law.fuel_flow, nc.learn(target.bands, setup)

    def broken_at_the_fourth(*given, **how):
        flow = whole(*given, **how)
        fuel = np.array(flow.fuel_flow_g_s)
        fuel[..., 3] = np.nan
        return flow._replace(fuel_flow_g_s=fuel)

    monkeypatch.setattr(law, "fuel_flow", broken_at_the_fourth)
    with pytest.raises(nc.SolveError, match=r"no number at 2438 rpm full, 11\.0 mm of lift; check needle table, bore and"):
        nc.solve(target, setup, learned=learned)


def test_any_setup_gives_a_design_that_keeps_its_limits_or_a_sentence():
    # The same over 500 setups: bench/random_setups.py.
    designs = 0
    for seed in range(30):
        try:
            target, setup, how = any_case(np.random.default_rng(seed))
            design = nc.solve(target, setup, **how)
        except nc.NeedleCalcError:
            continue
        designs += 1
        assert not not_finite(design), seed
        assert not broken(design), seed
    assert designs > 20
