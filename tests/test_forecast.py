"""Emission forecast and hydrocarbons, invented: idle against the limit of its test, and what high hydrocarbons forbid."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import found

import needlecalc as nc
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.target import ForecastResult, TargetRemark, Why
from needlecalc.physics.exhaust import dry_exhaust
from needlecalc.report import say


def bands(idle=0.915):
    return nc.typed_bands([850, 3000], [idle, 0.95], lift_mm=[2.0, 12.0], load=["idle", "full"])


def seen(target, *idle):
    return target.forecast(*(np.array([value, 0.88]) for value in idle))


def test_idle_of_0_915_with_an_interval_against_three_and_a_half_per_cent_is_not_proven():
    # 3.1 %, 2.4 to 3.9 %: ideal dry exhaust by the table of physics/exhaust.py.
    one = seen(nc.make_target(bands(), idle_co_percent=3.5), 0.915, 0.895, 0.935)
    assert one.result is ForecastResult.NOT_PROVEN
    assert (one.co_percent, one.co_low, one.co_high) == pytest.approx((3.1, 2.4, 3.9), abs=0.05)


@pytest.mark.parametrize(
    ("low", "high", "result"),
    [(0.91, 0.95, ForecastResult.PASSES), (0.86, 0.90, ForecastResult.FAILS), (0.90, 0.95, ForecastResult.NOT_PROVEN)],
)
def test_all_of_the_interval_must_lie_on_one_side(low, high, result):
    # 3.5 % is lambda 0.905 in ideal dry gas.
    one = seen(nc.make_target(bands(0.93), idle_co_percent=3.5), (low + high) / 2, low, high)
    assert one.result is result
    assert one.test.edge == pytest.approx(0.905, abs=1e-3)
    # Common practice, no source: lambda 0.97 goes with about 1.2 % CO.
    assert float(dry_exhaust(0.97).co_percent) == pytest.approx(1.2, abs=0.2)


def test_the_zero_of_the_meter_is_taken_off_and_no_limit_is_said():
    gas = nc.checks.GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.99)
    zero = nc.checks.sensor_zero([gas])
    one = seen(nc.make_target(bands(), sensor_zero=zero), 0.95, 0.94, 0.96)
    assert zero.mean > 0.005
    assert one.lambda_expected == pytest.approx(0.95 - zero.mean)
    assert one.co_percent == pytest.approx(float(dry_exhaust(0.95 - zero.mean).co_percent))
    assert (one.result, one.test) == (ForecastResult.NO_LIMIT, None)
    no_idle = nc.typed_bands([3000], [0.95], lift_mm=[12.0])
    assert nc.make_target(no_idle).forecast(*np.array([[0.9], [0.9], [0.9]])) is None


def test_the_sheet_says_it_with_its_interval(case):
    job = nc.read_job(case)
    design = job.design()
    one, idle = design.forecast(design.next_stage()), design.target.bands.idle()
    assert one.lambda_low == pytest.approx(design.stop.low[idle] - design.target.sensor_zero.mean)
    (told,) = found(design, DesignRemark.TEST_IN_DANGER)
    chance = f"Chance to fail {100 * design.stop.chance_fails:.0f} % on the next drive"
    text = f"Idle test, CO limit 1.2 %: NOT PROVEN. {chance}, CO up to {one.co_high:.1f} %."
    assert text in say.remark(told)
    assert text in " ".join(job.sheet(design).text().split())
    # Its lambda and the interval stand with those of the other bands, as the meter shows them.
    shown = job.sheet(design).band_table().rows[idle]["stop_span"]
    assert shown == f"{design.stop.low[idle]:.2f} to {design.stop.high[idle]:.2f}"
    # At least 1.2 %, as the limit is; the interval holds it.
    assert one.co_low < 1.2 < one.co_high


def test_high_hydrocarbons_keep_idle_no_leaner_than_it_is():
    # The idle test asks for 0.93 and more; at 0.915 with 3400 ppm leaning is no cure.
    plain = nc.make_target(bands(0.90))
    assert plain.lambda_target[0] == pytest.approx(0.93)
    high = nc.make_target(bands(0.90), idle_hc_ppm=700.0)
    assert high.lambda_target[0] == pytest.approx(0.90)
    assert high.lambda_lean[0] == pytest.approx(0.90)
    assert high.why[0].kind is Why.HC_HIGH
    (told,) = high.remarks()
    assert told.kind is TargetRemark.HC_HIGH
    assert "leaned no further: its hydrocarbons are high, 700 ppm against 600" in say.remark(told)
    assert nc.make_target(bands(0.90), idle_hc_ppm=700.0, idle_hc_limit_ppm=1200.0).remarks() == ()
    # Idle that may run richer stays free to.
    rich = nc.make_target(bands(0.97), idle_hc_ppm=700.0)
    assert rich.lambda_target[0] == pytest.approx(0.93)
    assert rich.remarks() == ()


def test_a_limit_that_needs_it_leaner_goes_before_and_is_said():
    both = nc.make_target(bands(0.90), idle_co_percent=2.0, idle_hc_ppm=700.0)
    assert both.lambda_target[0] == pytest.approx(both.lambda_rich[0])
    assert both.test.edge == pytest.approx(both.lambda_rich[0])
    (told,) = both.remarks()
    assert told.kind is TargetRemark.HC_AGAINST_CO
    assert "Leaning may fail that test" in say.remark(told)


def test_a_job_states_the_limit_beside_the_reading(case):
    text = case.read_text()
    reading = text.index("[[checks.gases]]")
    here = text[reading:].split("\n\n")[0]
    case.write_text(text.replace(here, here.replace("hc_ppm = ", "hc_limit_ppm = 100\nhc_ppm = 1")))
    job = nc.read_job(case)
    gas = nc.checks.GasReading(**job.settings["checks"]["gases"][0])
    assert gas.hc_ppm > gas.hc_limit_ppm == 100
    bands_ = job.bands(job.read_log())
    target = job.target(bands_)
    assert target.lambda_lean[bands_.idle()] == pytest.approx(
        max(bands_.lambda_measured[bands_.idle()], target.lambda_rich[0])
    )
    check = job.checks(bands_).named("HC limit at idle")
    assert check.verdict == "amber"
    assert "leaning raises it further" in check.words().todo
    with pytest.raises(nc.InputError, match="hc_limit_ppm is -1"):
        nc.checks.GasReading(hc_limit_ppm=-1.0)


def test_the_testers_page_names_the_limit(case):
    text = case.read_text()
    case.write_text(text.replace("hc_ppm = 140", "hc_ppm = 140\nhc_limit_ppm = 1200", 1))
    job = nc.read_job(case)
    page = " ".join(job.handover(job.design()).tester().text().split())
    assert "at most 1200" in page
    assert "at most 1.2" in page
