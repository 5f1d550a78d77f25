"""Bands: counts add up, lag is taken out, lifts come from where they say."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import make_setup
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc


def drive(holds, *, lag=0.0, noise=0.0, seed=0) -> nc.Log:
    """Log of steady holds (rpm, Pa, lambda, seconds) at 10 Hz, lambda reported late."""
    rng = np.random.default_rng(seed)
    rpm = np.concatenate([np.full(s * 10, n) for n, _, _, s in holds]).astype(float)
    pressure = np.concatenate([np.full(s * 10, p) for _, p, _, s in holds]).astype(float)
    ratio = np.concatenate([np.full(s * 10, x) for _, _, x, s in holds])
    late = round(lag * 10)
    seen = np.concatenate([np.full(late, ratio[0]), ratio[: ratio.size - late]]) + rng.normal(0, noise, ratio.size)
    time = np.arange(rpm.size) / 10
    return nc.Log(
        "made", "", time, rpm, seen, None, pressure, None, None, None,
        np.arange(rpm.size) + 2, np.zeros(rpm.size, dtype=np.int8), (), (), (),
    )  # fmt: skip


HOLDS = [(850, 40e3, 0.97, 10), (2000, 50e3, 1.02, 10), (2000, 95e3, 0.90, 10), (3000, 95e3, 0.95, 10)]


def test_lag_taken_out_leaves_each_hold_its_own_lambda():
    log = drive(HOLDS, lag=0.6)
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


def test_standard_error_counts_holds_not_samples():
    few = nc.make_bands(drive(HOLDS, noise=0.01), lag_s=0.0)
    band = few.load.index("full")
    # 10 s at 10 Hz are some ten independent samples, not a hundred.
    assert few.lambda_se[band] == pytest.approx(few.lambda_spread[band] / np.sqrt(few.count[band] / 10 + 1), rel=0.05)


def test_refusals():
    log = drive(HOLDS)
    with pytest.raises(nc.InputError, match="rpm_edges must rise"):
        nc.make_bands(log, rpm_edges=[2000, 1000])
    with pytest.raises(nc.InputError, match="lag_s is 50"):
        nc.make_bands(log, lag_s=50)
    with pytest.raises(nc.InputError, match="no band with enough steady samples"):
        nc.make_bands(log, least_count=10000)
    with pytest.raises(nc.InputError, match="is it an AFR"):
        nc.typed_bands([900, 2000], [13.0, 14.0])


def test_lift_typed_before_computed_and_both_with_doubt():
    setup = make_setup()
    bands = nc.make_bands(drive(HOLDS), lag_s=0.0)
    computed = nc.with_lift(bands, setup)
    assert all("volumetric efficiency" in source for source in computed.lift_source)
    assert (computed.lift_u_mm > 0.0).all()
    # The lift computed passes the air the engine draws.
    flow = setup.carburettor.air_valve.air_flow_g_s(computed.lift_mm, setup.air)
    manifold = bands.manifold_pressure_pa / (287.05 * (setup.air.temperature_degc + 273.15))
    np.testing.assert_allclose(flow, 1500e-6 * bands.rpm / 120 * 0.85 * manifold * 1e3, rtol=1e-9)
    typed = nc.with_lift(bands, setup, lift_mm=[3.0, np.nan, 9.0, np.nan], calibrate=False)
    assert typed.lift_mm[0] == 3.0
    assert typed.lift_source[0] == "typed in"
    assert typed.lift_mm[1] == computed.lift_mm[1]


def test_a_lift_that_cannot_be_had_is_refused():
    bands = nc.typed_bands([900, 4000], [1.0, 1.0])
    with pytest.raises(nc.InputError, match="no air flow and no manifold pressure"):
        nc.with_lift(bands, make_setup())
    torrent = replace(bands, air_flow_g_s=np.array([5.0, 500.0]))
    with pytest.raises(nc.InputError, match="more than the throat passes"):
        nc.with_lift(torrent, make_setup())
    with pytest.raises(nc.InputError, match="within the throat's bore"):
        nc.with_lift(bands, make_setup(), lift_mm=[3.0, 90.0])
