"""The lean limit: found in a sweep whose truth is known, and kept by the targets."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from test_bands import HOLDS, drive

import needlecalc as nc
from needlecalc.report import say

STEPS = np.array([0.92, 0.97, 1.02, 1.07, 1.12, 1.17, 1.22])


def sweep(limit: float, *, rough_rpm: float = 60.0, drop: float = 0.0, seed: int = 0, hold_s: float = 8.0) -> nc.measure.Log:
    """Log of a sweep: seven holds at 10 Hz, roughness or a fall of speed beyond the limit."""
    rng = np.random.default_rng(seed)
    rows = round(hold_s * 10)
    ratio = np.repeat(STEPS, rows)
    ratio = np.convolve(np.pad(ratio, 5, mode="edge"), np.full(11, 1 / 11), mode="valid")
    rough = np.repeat(STEPS > limit, rows)
    speed = 2500 * (1 - drop * rough) - 40 * (ratio - 0.92) + rng.normal(0, 8, ratio.size)
    speed += rough * rng.normal(0, rough_rpm, ratio.size)
    base = drive([(2500, 50e3, 1.0, STEPS.size * round(hold_s))])
    return replace(base, rpm=speed, lambda_measured=ratio + rng.normal(0, 0.008, ratio.size))


@pytest.mark.parametrize("seed", range(6))
@pytest.mark.parametrize("limit", [1.04, 1.09, 1.14])
def test_roughness_sets_the_limit(limit, seed):
    found = nc.lean_limit(sweep(limit, seed=seed), load="light")
    last, first = STEPS[STEPS <= limit][-1], STEPS[STEPS > limit][0]
    # The mean of a hold, its noise and the ends of its smoothing.
    assert found.lambda_limit[0] == pytest.approx(last, abs=0.012)
    assert found.lambda_rough[0] == pytest.approx(first, abs=0.012)
    assert found.rpm[0] == pytest.approx(2500, rel=0.01)


@pytest.mark.parametrize("shift", [0.0, 0.005, 0.01, 0.015])
def test_short_holds_are_not_cut_in_two(shift):
    log = sweep(1.09, hold_s=6.0)
    moved = replace(log, lambda_measured=log.lambda_measured + shift)
    assert nc.lean_limit(moved, load="light").lambda_limit[0] == pytest.approx(1.07 + shift, abs=0.012)


def test_a_fall_of_speed_sets_it_too():
    found = nc.lean_limit(sweep(1.09, rough_rpm=0.0, drop=0.06), load="light", rpm=2500)
    assert found.lambda_limit[0] == pytest.approx(1.07, abs=0.012)


def test_a_sweep_that_never_ran_rough_says_so():
    found = nc.lean_limit(sweep(2.0), load="light")
    assert found.lambda_limit[0] == pytest.approx(1.22, abs=0.012)
    assert np.isnan(found.lambda_rough[0])
    assert "the limit is as far as it went" in str(found)


def test_part_of_a_log_and_refusals():
    log = sweep(1.09)
    with pytest.raises(nc.InputError, match=r"(step|steps) held still long enough, but a sweep needs 3"):
        nc.lean_limit(log, load="light", end_s=10)
    with pytest.raises(nc.InputError, match="ran rough already"):
        nc.measure.typed_sweep([0.95, 1.0, 1.1], [True, True, True], load="light", rpm=2500)
    with pytest.raises(nc.InputError, match="state where the sweep stands"):
        nc.lean_limit(log, load="light", start_s=1e4)
    with pytest.raises(nc.InputError, match="fewer than 3 rows within 15% of 5000 rpm"):
        nc.lean_limit(log, load="light", rpm=5000)
    with pytest.raises(nc.InputError, match="needs 3"):
        nc.measure.typed_sweep([0.95, 1.0], [False, True], load="light", rpm=2500)
    with pytest.raises(nc.InputError, match="divide it by 14"):
        nc.measure.typed_sweep([13.0, 14.0, 15.0], [False, False, True], load="light", rpm=2500)
    with pytest.raises(nc.InputError, match="rough has 2"):
        nc.measure.typed_sweep([0.95, 1.0, 1.1], [False, True], load="light", rpm=2500)
    with pytest.raises(nc.InputError, match="rough_times is 1"):
        nc.lean_limit(log, load="light", rough_times=1)


def test_targets_stay_below_the_limit_and_say_why():
    bands = nc.make_bands(drive(HOLDS), lag_s=0.0)
    limits = nc.measure.typed_sweep(
        [1.06, 0.95, 1.01, 0.98], [True, False, False, False], load="light", rpm=2000, margin=0.04
    )
    assert limits.lambda_limit[0] == 1.01
    light = bands.load.index("light")
    capped, free = nc.make_target(bands, lean_limits=limits), nc.make_target(bands)
    assert free.lambda_target[light] == 1.00
    assert capped.lambda_target[light] == pytest.approx(0.97)
    assert say.remark(capped.why[light]) == "lean limit 1.01 less 0.04; 1.00 was asked"
    others = [b for b in range(bands.rpm.size) if b != light]
    np.testing.assert_array_equal(capped.lambda_target[others], free.lambda_target[others])
    # A target already richer is left alone, and so is another speed.
    assert nc.make_target(bands, lambda_by_load={"light": 0.95}, lean_limits=limits).lambda_target[light] == 0.95
    elsewhere = nc.make_target(bands, lean_limits=replace(limits, rpm=np.array([4000.0])))
    assert elsewhere.lambda_target[light] == 1.00


def test_several_sweeps_and_typed_bands():
    one = nc.measure.typed_sweep([0.95, 1.0, 1.1], [False, False, True], load="light", rpm=2500)
    both = one.joined(nc.measure.typed_sweep([0.93, 0.98, 1.05], [False, True, True], load="idle", rpm=850))
    assert repr(both) == "LeanLimits: light 2500 rpm 1.00, idle 850 rpm 0.93"
    bands = nc.typed_bands([850, 2600, 4000], [1.0, 1.0, 1.0], load=["idle", "light", "full"])
    target = nc.make_target(bands, lean_limits=both)
    np.testing.assert_allclose(target.lambda_target, [0.90, 0.97, 0.88])
    assert both.rows()[0]["lambda_most"] == pytest.approx(0.97)
