"""Zero of the lambda meter by an exhaust analyser, and what it does to targets and doubts."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from conftest import SAME_DAY, make_setup

import needlecalc as nc
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.physics.exhaust import brettschneider_lambda, dry_exhaust, lambda_of_co_percent

LIFTS = [2.4, 6.0, 11.0, 17.0]
LOADS = ("idle", "light", "part", "full")


def gas_of(true_lambda: float, meter: float, **changed) -> nc.checks.GasReading:
    """An invented analyser that errs nowhere, beside a meter."""
    dry = dry_exhaust(true_lambda)
    known = {"co_percent": float(dry.co_percent), "co2_percent": float(dry.co2_percent), "o2_percent": float(dry.o2_percent)}
    return nc.checks.GasReading(**known | {"hc_ppm": 0.0, "lambda_measured": meter} | changed)


def bands_of(lambda_measured, load=LOADS):
    return nc.typed_bands([850, 2000, 3000, 4500], lambda_measured, lift_mm=LIFTS, lift_u_mm=0.2, lambda_se=0.004, load=load)


def test_a_reading_is_weighed_against_what_was_believed():
    # Inverse variances (Gauss): prior 0.010; the analyser's doubt by OIML R 99 class I from memory, 0.005 of display.
    gas = gas_of(0.97, 0.99)
    zero = nc.checks.sensor_zero([gas])
    by_gas = brettschneider_lambda(gas.co2_percent, gas.co_percent, gas.o2_percent, hc_ppm=0.0, hc_as="hexane")
    assert by_gas == pytest.approx(0.97, abs=0.002)
    told = np.hypot(nc.checks.sensor_zero([gas], before_u=0.1).u, 0.0)
    told = 1.0 / np.sqrt(1.0 / told**2 - 1.0 / 0.1**2)
    assert zero.u == pytest.approx(1.0 / np.sqrt(1.0 / told**2 + 1.0 / 0.01**2), rel=1e-6)
    assert zero.mean == pytest.approx((0.99 - by_gas) * (zero.u / told) ** 2, rel=1e-6)
    assert 0.005 < told < 0.009


def test_over_many_meters_the_zero_is_held_as_often_as_stated():
    rng = np.random.default_rng(5)
    held = []
    for _ in range(400):
        truth, off = rng.uniform(0.93, 0.985), rng.normal(0.0, 0.010)
        gas = gas_of(truth, truth + off + rng.normal(0.0, 0.005))
        # Errors allowed by OIML R 99 class I (from memory), evenly spread.
        co = max(gas.co_percent + rng.uniform(-1, 1) * max(0.06, 0.05 * gas.co_percent), 0.0)
        co2 = gas.co2_percent * (1.0 + 0.05 * rng.uniform(-1, 1))
        gas = replace(gas, co_percent=co, co2_percent=co2, o2_percent=max(rng.uniform(-0.1, 0.1), 0.0))
        zero = nc.checks.sensor_zero([gas])
        if zero.readings:
            held.append(abs(zero.mean - off) < 1.645 * zero.u)
    assert len(held) > 300
    assert 0.86 <= np.mean(held) <= 0.97  # binomial 99 % about 90, and the 0.005 for the method, which errs nowhere here


@pytest.mark.parametrize(
    ("changed", "why"),
    [
        ({"o2_percent": None}, "lacks O2"),
        ({"co2_percent": 9.0, "co_percent": 1.0}, "CO \\+ CO2 of only 10.0 %"),
        ({"co2_percent": 13.0, "o2_percent": 2.0}, "air beside its CO"),
        ({"co_percent": 0.1, "co2_percent": 13.0, "lambda_measured": 1.15}, "lean with little CO"),
        ({"co_percent": 0.0, "co2_percent": 0.0}, "no carbon"),
    ],
)
def test_gas_that_says_nothing_is_left_out_with_its_reason(changed, why):
    zero = nc.checks.sensor_zero([gas_of(0.97, 0.99, **changed)])
    assert (zero.mean, zero.u, zero.readings) == (0.0, 0.010, 0)
    (said,) = zero.words()
    assert re.search(why, said)


def test_gas_without_the_meter_is_not_for_the_zero():
    assert nc.checks.sensor_zero([gas_of(0.97, 0.99, lambda_measured=None)]) == nc.checks.SensorZero()


def test_targets_and_limits_move_with_the_meter():
    bands, zero = bands_of([0.985, 1.05, 1.06, 1.02]), nc.checks.SensorZero(0.012, 0.006, 1)
    plain = nc.make_target(bands, idle_lambda_least=0.95, idle_margin_lambda=0.02)
    moved = nc.make_target(bands, idle_lambda_least=0.95, idle_margin_lambda=0.02, sensor_zero=zero)
    # Idle passes as it is either way, so it stays; its limit lies where this meter shows it.
    assert moved.lambda_target[0] == pytest.approx(plain.lambda_target[0])
    np.testing.assert_allclose(moved.lambda_target[1:], plain.lambda_target[1:] + 0.012, atol=1e-12)
    np.testing.assert_allclose(moved.lambda_rich, plain.lambda_rich + 0.012, atol=1e-12)
    assert moved.leanest_full_load() == pytest.approx(0.932)
    assert any("0.012 +- 0.006 too lean" in note for note in moved.table().notes)


def test_oxygen_left_over_moves_the_edge_of_a_co_limit():
    bands = bands_of([1.00, 1.05, 1.06, 1.02])
    for oxygen in (0.0, 0.5):
        target = nc.make_target(bands, idle_co_percent=1.2, idle_o2_percent=oxygen)
        assert target.lambda_rich[0] == pytest.approx(float(lambda_of_co_percent(1.2, o2_percent=oxygen)))
    with pytest.raises(nc.InputError, match="idle_o2_percent"):
        nc.make_target(bands, idle_co_percent=1.2, idle_o2_percent=5.0)


def test_a_gas_reading_narrows_what_the_design_says_of_the_test():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    bands = bands_of([0.985, 1.05, 1.06, 1.02])
    chances, widths = [], []
    for zero in (None, nc.checks.SensorZero(0.0, 0.004, 1)):
        target = nc.make_target(bands, idle_lambda_least=0.965, idle_margin_lambda=0.02, sensor_zero=zero)
        design = nc.solve(target, setup, doubts=nc.Doubts(**SAME_DAY), with_alternatives=False)
        chances.append(design.final.chance_fails)
        widths.append(design.final.high - design.final.low)
        assert any(one.kind is DesignRemark.METER_ZERO for one in design.remarks) == (zero is not None)
    assert chances[1] < chances[0]
    # Each width is that of 400 cars drawn, good to 4 %.
    assert widths[1][0] < 0.8 * widths[0][0]
    assert widths[1].sum() < widths[0].sum()
