"""Lag: told from the log within 0.1 s, or as given."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import DATA
from synthetic_drive import synthetic_drive
from virtual_engine import draw_engine

import needlecalc as nc
from needlecalc.measure.drive.bands import RowReason
from needlecalc.measure.drive.lag import MODEL_U_S


@pytest.mark.parametrize("lag_s", [0.2, 0.4, 0.6, 0.8, 1.0])
@pytest.mark.parametrize("seed", [0, 1])
def test_lag_of_a_made_up_drive(lag_s, seed):
    log, _ = synthetic_drive(seed, lag_s=lag_s, pipe_share=0.0)
    lag = nc.measure.find_lag(log)
    assert lag.source.startswith("estimated from manifold pressure")
    assert lag.seconds == pytest.approx(lag_s, abs=0.1)
    # Beyond what the model leaves out, the doubt is the fit's own: of the size of its errors, neither idle nor timid.
    own_u = np.sqrt(lag.seconds_u**2 - MODEL_U_S**2)
    assert 0.01 < own_u < 0.06
    assert abs(lag.seconds - lag_s) < 2.0 * own_u


@pytest.mark.parametrize("seed", [0, 1])
def test_the_doubt_of_a_lag_follows_the_noise_and_the_length_of_the_drive(seed):
    def own_u(**how):
        log, _ = synthetic_drive(seed, lag_s=0.6, pipe_share=0.0, **how)
        return np.sqrt(nc.measure.find_lag(log).seconds_u ** 2 - MODEL_U_S**2)

    usual = own_u()
    assert own_u(noise=0.002) < 0.8 * usual
    assert own_u(noise=0.02) > 1.2 * usual
    assert own_u(seconds=300.0) > 1.2 * usual


@pytest.mark.parametrize("seed", range(4))
def test_lag_of_a_virtual_engine(seed):
    # Its delay goes as 1/flow and its damper enriches; the judge's lag is that at the middling flow.
    engine = draw_engine(seed)
    drive = engine.drive(engine.start_diameters_mm, engine.jet_drop_mm, np.random.default_rng([seed, 5]), 600.0)
    size = drive["rpm"].size
    log = nc.measure.Log(
        "virtual", "", drive["time_s"], drive["rpm"], drive["lambda_measured"], None, drive["manifold_pressure_pa"],
        None, None, None, np.arange(size) + 2, np.zeros(size, dtype=np.int8), (), (), (),
    )  # fmt: skip
    true = engine.truth.sensor_delay_s + engine.truth.sensor_tau_s
    assert nc.measure.find_lag(log).seconds == pytest.approx(true, abs=0.1)


def test_uneven_rows_give_the_same_lag():
    log, _ = synthetic_drive(1, lag_s=0.6, pipe_share=0.0, rate_hz=15)
    keep = np.random.default_rng(0).random(log.rpm.size) < 0.8
    keep[0] = True
    names = ("time_s", "rpm", "lambda_measured", "manifold_pressure_pa", "line", "flag")
    thin = replace(log, **{name: getattr(log, name)[keep] for name in names})
    assert nc.measure.find_lag(thin).seconds == pytest.approx(0.6, abs=0.1)


@pytest.mark.parametrize("pause_s", [60.0, 7200.0, 1.7e9])
def test_a_pause_of_any_length_neither_tells_nor_costs(pause_s):
    # Two drives in one file, or a clock set on the road: rows on either side never meet.
    log, _ = synthetic_drive(1, lag_s=0.4, pipe_share=0.0)
    time_s = np.array(log.time_s)
    time_s[time_s.size // 2 :] += pause_s
    lag = nc.measure.find_lag(replace(log, time_s=time_s))
    assert lag.source.startswith("estimated")
    assert lag.seconds == pytest.approx(0.4, abs=0.1)


def test_what_a_log_cannot_tell_is_assumed_and_said():
    log, _ = synthetic_drive(0, seconds=120.0)
    still = replace(log, rpm=np.full(log.rpm.size, 2000.0), manifold_pressure_pa=np.full(log.rpm.size, 5e4))
    slow = replace(log, time_s=10 * log.time_s)
    noise = replace(log, lambda_measured=np.random.default_rng(0).normal(1.0, 0.01, log.rpm.size))
    short = replace(
        log,
        **{n: getattr(log, n)[:300] for n in ("time_s", "rpm", "lambda_measured", "manifold_pressure_pa", "line", "flag")},
    )
    unfit = replace(log, flag=np.full(log.rpm.size, 2, dtype=np.int8))
    for case, words in (
        (replace(log, manifold_pressure_pa=None), "neither pressure, throttle nor air flow"),
        (still, "speed and load hardly move"),
        (slow, "too slow to time it by"),
        (noise, "lambda hardly answers to speed and load"),
        (short, "too short to time it by"),
        (unfit, "too few rows are fit"),
    ):
        lag = nc.measure.find_lag(case)
        assert (lag.seconds, lag.seconds_u) == (0.4, 0.2)
        with pytest.raises(AssertionError, match=words):
            raise AssertionError(lag.source)


def test_a_lag_given_is_kept():
    log, _ = synthetic_drive(0, seconds=120.0)
    assert repr(nc.measure.find_lag(log, 0.7)) == "Lag 0.70 +- 0.10 s, as stated"
    own = nc.measure.Lag(0.3, 0.05, "tap test")
    assert nc.measure.find_lag(log, own) is own
    assert "tap test" in str(own)
    with pytest.raises(nc.InputError, match="lag_s is 50"):
        nc.measure.find_lag(log, 50.0)
    with pytest.raises(nc.InputError, match="lag_u_s is -1"):
        nc.measure.Lag(0.3, -1.0, "")


def test_lag_of_the_demo_drive_and_the_job_s_own_options(tmp_path):
    # data/make_drive.py delays by 0.2 s and takes a third of the step left each row, which lags by
    # 0.1 s (1 - share)/share = 0.2 s more.
    share = 1.0 / 3.0
    text = (DATA / "pass_van.toml").read_text(encoding="utf-8")
    assert "warm_above_degc = 82\n" in text
    text = text.replace("warm_above_degc = 82\n", "warm_above_degc = 83.0\nsettle_s = 3.0\n")
    for name in ("pass_van_needle.csv", "pass_van_drive.csv"):
        (tmp_path / name).write_bytes((DATA / name).read_bytes())
    (tmp_path / "job.toml").write_text(text, encoding="utf-8")
    job = nc.read_job(tmp_path / "job.toml")
    bands = job.bands(job.read_log())
    assert bands.lag.source.startswith("estimated from manifold pressure")
    assert bands.lag.seconds == pytest.approx(0.2 + 0.1 * (1.0 - share) / share, abs=0.1)
    assert {(reason.why, reason.limit) for reason, _ in bands.dropped} >= {(RowReason.OPENING, 3.0), (RowReason.COLD, 83.0)}
    assert bands.setup is job.setup
