"""Bands: counts add up, lag is taken out, lifts come from where they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_drive import synthetic_drive

import needlecalc as nc
from needlecalc.measure.drive.bands import LiftSource


def drive(holds, *, lag=0.0, noise=0.0, seed=0) -> nc.measure.Log:
    """Log of steady holds (rpm, Pa, lambda, seconds) at 10 Hz, lambda reported late."""
    rng = np.random.default_rng(seed)
    rpm = np.concatenate([np.full(s * 10, n) for n, _, _, s in holds]).astype(float)
    pressure = np.concatenate([np.full(s * 10, p) for _, p, _, s in holds]).astype(float)
    ratio = np.concatenate([np.full(s * 10, x) for _, _, x, s in holds])
    late = round(lag * 10)
    seen = np.concatenate([np.full(late, ratio[0]), ratio[: ratio.size - late]]) + rng.normal(0, noise, ratio.size)
    time = np.arange(rpm.size) / 10
    return nc.measure.Log(
        "made", "", time, rpm, seen, None, pressure, None, None, None,
        np.arange(rpm.size) + 2, np.zeros(rpm.size, dtype=np.int8), (), (), (),
    )  # fmt: skip


HOLDS = [(850, 40e3, 0.97, 10), (2000, 50e3, 1.02, 10), (2000, 95e3, 0.90, 10), (3000, 95e3, 0.95, 10)]


def test_lag_taken_out_leaves_each_hold_its_own_lambda():
    log = drive(HOLDS[::-1], lag=0.6)  # closings: nothing is left out for the damper
    right = nc.make_bands(log, lag_s=0.6, steady_s=0.4)
    np.testing.assert_allclose(sorted(right.lambda_measured), [0.90, 0.95, 0.97, 1.02], atol=1e-9)
    assert (right.lambda_spread < 1e-9).all()
    wrong = nc.make_bands(log, lag_s=0.0, steady_s=0.4)
    assert wrong.lambda_spread.max() > 0.005


@settings(max_examples=30, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(700, 5500), st.floats(20e3, 110e3), st.floats(0.8, 1.2), st.integers(1, 8)),
        min_size=2,
        max_size=8,
    ),
    st.floats(0.0, 1.0),
)
def test_counts_add_up_to_the_rows(holds, lag):
    log = drive([*holds, *HOLDS], noise=0.01)
    bands = nc.make_bands(log, lag_s=lag)
    assert int(bands.count.sum()) + sum(count for _, count in bands.dropped) == log.rpm.size


def test_standard_error_counts_visits_not_samples():
    # Mean of k visits that scatter by s has s / sqrt(k), some 8 % more by Student's t with 10 visits (textbook).
    ratio, between = [], []
    for seed in range(4):
        log, _ = synthetic_drive(seed, seconds=1500.0, between=0.02)
        bands = nc.make_bands(log, lag_s=0.4)
        ratio.append(np.mean(bands.lambda_se * np.sqrt(bands.visits) / 0.02))
        between.append(np.mean(bands.spread_between**2))
        assert (bands.effective_count < bands.count / 3).all()
    assert np.mean(ratio) == pytest.approx(1.04, abs=0.15)
    assert np.sqrt(np.mean(between)) == pytest.approx(0.02, rel=0.2)


def test_90_percent_intervals_hold_the_true_mean():
    # 25 made-up drives (the full table: tests/bench/band_coverage.py). Drives are independent, bands of one
    # drive nearly; 0.90 +- 0.055 is three binomial standard deviations of 270 bands, far outside the error
    # of plain standard errors (see the last line).
    held, plain = [], []
    for seed in range(1000, 1025):
        log, truth = synthetic_drive(seed)
        bands = nc.make_bands(log, lag_s=0.4)
        true = [truth[nearest(truth, bands.rpm[b], bands.manifold_pressure_pa[b])] for b in range(bands.rpm.size)]
        miss = np.abs(bands.lambda_measured - true)
        held += list(miss < 1.645 * bands.lambda_se)
        plain += list(miss < 1.645 * bands.lambda_spread / np.sqrt(bands.count))
    assert len(held) > 240
    assert np.mean(held) == pytest.approx(0.90, abs=3 * np.sqrt(0.09 / len(held)))
    assert np.mean(plain) < 0.5


def nearest(truth, rpm, pressure_pa):
    return min(truth, key=lambda hold: abs(hold[0] - rpm) + abs(hold[1] - pressure_pa) / 40)


def test_spikes_hardly_move_a_mean():
    log, _ = synthetic_drive(5)
    spiked = np.array(log.lambda_measured)
    spiked[::40] += 0.4  # misfires read lean
    clean, dirty = nc.make_bands(log, lag_s=0.4), nc.make_bands(replace(log, lambda_measured=spiked), lag_s=0.4)
    shared = [b for b in range(clean.rpm.size) if clean.name(b).split()[2] in dirty.load]
    assert len(shared) == dirty.rpm.size
    # 2.5 % of rows 0.4 too lean would lift a plain mean by 0.010.
    assert np.abs(dirty.lambda_measured - clean.lambda_measured).max() < 0.003


@settings(max_examples=10, deadline=None)
@given(st.floats(-1e4, 1e5))
def test_origin_of_time_changes_nothing(start):
    log, _ = synthetic_drive(7, seconds=120.0)
    here, there = nc.make_bands(log, lag_s=0.4), nc.make_bands(replace(log, time_s=log.time_s + start), lag_s=0.4)
    assert here.dropped == there.dropped
    np.testing.assert_allclose(here.lambda_measured, there.lambda_measured, atol=1e-6)


def test_loads_by_throttle_and_none():
    log, _ = synthetic_drive(8, load="throttle")
    assert {"light", "full"} <= set(nc.make_bands(log, lag_s=0.4).load)
    bare, _ = synthetic_drive(8, load="none")
    bands = nc.make_bands(bare)
    assert set(bands.load) == {"idle", "all"}
    assert "neither pressure, throttle nor air flow" in bands.lag.source
    assert bands.lag.seconds == 0.4


@pytest.mark.parametrize("drifts", [False, True])
def test_a_hold_that_sways_over_the_limit_of_two_loads_is_one_band(drifts):
    """88 kPa ends part load: a hold at 88.3 +- 0.8 kPa is full load; one that drifts from 80 to 95 kPa is of both."""
    rng, size = np.random.default_rng(3), 1200
    pressure = np.linspace(80e3, 95e3, size) if drifts else 88.3e3 + rng.normal(0.0, 800.0, size)
    rpm, seen = rng.normal(2500.0, 5.0, size), rng.normal(1.05, 0.005, size)
    log = nc.measure.Log(
        "held", "", np.arange(size) / 10, rpm, seen, None, pressure, None, None, None, np.arange(size) + 2,
        np.zeros(size, dtype=np.int8),
    )  # fmt: skip
    bands = nc.make_bands(log, lag_s=0.3)
    assert bands.load == (("part", "full") if drifts else ("full",))
    assert bands.count.sum() > 0.95 * size


def test_lag_of_the_log_stands_in_the_assumptions():
    log, _ = synthetic_drive(2, pipe_share=0.0)
    bands = nc.make_bands(log)
    assert "estimated from manifold pressure" in " ".join(str(bands).split())
    assert bands.lag.seconds == pytest.approx(0.4, abs=0.1)


def test_lift_is_averaged_as_lambda_is():
    log, _ = synthetic_drive(4)
    lift = 2.0 + log.rpm * log.manifold_pressure_pa / 2.5e7
    lift[::7] = np.nan
    bands = nc.make_bands(replace(log, lift_mm=lift), lag_s=0.4)
    np.testing.assert_allclose(bands.lift_mm, 2.0 + bands.rpm * bands.manifold_pressure_pa / 2.5e7, rtol=0.01)
    assert (bands.lift_u_mm > 0.0).all()


def test_refusals():
    log = drive(HOLDS)
    with pytest.raises(nc.InputError, match="rpm_edges must rise"):
        nc.make_bands(log, rpm_edges=[2000, 1000])
    with pytest.raises(nc.InputError, match="lag_s is 50"):
        nc.make_bands(log, lag_s=50)
    with pytest.raises(nc.InputError, match="no band with enough steady samples"):
        nc.make_bands(log, least_count=10000)
    with pytest.raises(nc.InputError, match="divide it by 14"):
        nc.typed_bands([900, 2000], [13.0, 14.0])


def test_a_band_with_the_engine_still_is_none():
    bands = nc.typed_bands([900.0, 3000.0], [1.0, 1.1], lift_mm=[2.0, 12.0])
    for still in (0.0, -900.0):
        with pytest.raises(nc.InputError, match="must be greater than 0"):
            replace(bands, rpm=np.array([still, 3000.0]))


def test_lift_typed_before_computed_and_both_with_doubt():
    setup = make_setup()
    setup = replace(setup, engine=replace(setup.engine, displacement_cm3=500.0))
    bands = nc.make_bands(drive(HOLDS), lag_s=0.0)
    computed = nc.with_lift(bands, setup)
    assert set(computed.lift_source) == {LiftSource.PRESSURE}
    assert "volumetric efficiency" in str(computed)
    assert (computed.lift_u_mm > 0.0).all()
    # The lift computed passes the air the engine draws.
    flow = setup.carburettor.air_valve.air_flow_g_s(computed.lift_mm, setup.air)
    manifold = bands.manifold_pressure_pa / (287.05287 * (setup.air.temperature_degc + 273.15))
    # A guessed filling is that of full load, less by the exhaust left behind (Heywood 1988, 6.2.1, from memory).
    filling = 0.80 * (1.0 - (setup.air.pressure_pa / bands.manifold_pressure_pa - 1.0) / (1.3 * 7.5))
    np.testing.assert_allclose(flow, 500e-6 * bands.rpm / 120 * filling * manifold * 1e3, rtol=1e-4)
    typed = nc.with_lift(bands, setup, lift_mm=[3.0, np.nan, 9.0, np.nan], calibrate=False)
    assert typed.lift_mm[0] == 3.0
    assert typed.lift_source[0] == LiftSource.TYPED
    assert typed.lift_mm[1] == computed.lift_mm[1]


def test_a_lift_that_cannot_be_had_is_refused():
    bands = nc.typed_bands([900, 4000], [1.0, 1.0])
    with pytest.raises(nc.InputError, match="no air flow and no manifold pressure"):
        nc.with_lift(bands, make_setup())
    torrent = replace(bands, air_flow_g_s=np.array([5.0, 500.0]))
    with pytest.raises(nc.InputError, match="more than the throat passes"):
        nc.with_lift(torrent, make_setup())
    with pytest.raises(nc.InputError, match="between 0 and the throat's bore"):
        nc.with_lift(bands, make_setup(), lift_mm=[3.0, 90.0])
    setup = make_setup()
    stopped = replace(setup.carburettor, air_valve=replace(setup.carburettor.air_valve, max_lift_mm=20.0))
    with pytest.raises(nc.InputError, match=r"lift is 27 mm, but the setup says that it ends at 20 mm \(max_lift_mm\)"):
        nc.with_lift(bands, replace(setup, carburettor=stopped), lift_mm=[3.0, 27.0])
    # A reading may lie above the stop by what it is read to.
    assert nc.with_lift(bands, replace(setup, carburettor=stopped), lift_mm=[3.0, 20.4]).lift_mm[1] == 20.4


@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"load": 5}, "load is 5, but must be a list of 2 names"),
        ({"load": "idle"}, "load is 'idle', but must be a list of 2 names"),
        ({"lambda_se": [0.01, 0.02, 0.03]}, "lambda_se holds 3 values, but must be one number, or one for each of the 2"),
        ({"lambda_se": "x"}, "lambda_se must be a row of plain numbers"),
        (
            {"manifold_pressure_pa": [40, 95]},
            "manifold_pressure_pa is 40 .entry 1 of 2., but must lie between .* 1 kPa is 1000 Pa",
        ),
        ({"air_flow_g_s": [3.0, -14.0]}, "air_flow_g_s is -14 .entry 2 of 2., but must be greater than 0"),
        ({"air_flow_g_s": [3.0, 10**400]}, "air_flow_g_s must be a row of plain numbers"),
    ],
)
def test_typed_columns_of_the_wrong_kind_are_named(wrong, words):
    with pytest.raises(nc.InputError, match=words):
        nc.typed_bands([900, 3000], [0.97, 1.12], **wrong)
