"""Steady samples: each kind of unfit row is found, counted once, and nothing else is lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from synthetic_drive import drive_with_noisy_idle, synthetic_drive

import needlecalc as nc
from needlecalc.measure.drive.bands import DriveNote, LeftOut, RowReason
from needlecalc.measure.drive.samples import gap_s, noise, opening, window_ends, window_max, window_mean, window_range
from needlecalc.measure.drive.steady import steady_samples
from needlecalc.measure.log.columns import ColumnFault, Note
from needlecalc.measure.log.rows import FROZEN
from needlecalc.remark import Severity
from needlecalc.report.language import words_drive
from needlecalc.report.measured import left_out_words

NO_LAG = nc.measure.Lag(0.0, 0.0, "none")


def held(seconds=60.0, rpm=2500.0, pressure_pa=50e3, **columns) -> nc.measure.Log:
    """One long hold at 10 Hz."""
    size = round(seconds * 10)
    log = nc.measure.Log(
        "held", "", np.arange(size) / 10, np.full(size, rpm), np.full(size, 1.0), None, np.full(size, pressure_pa),
        None, None, None, np.arange(size) + 2, np.zeros(size, dtype=np.int8), (), (), (),
    )  # fmt: skip
    return replace(log, **columns)


def changed(log: nc.measure.Log, name: str, where: slice, value) -> nc.measure.Log:
    array = np.array(getattr(log, name))
    array[where] = value
    return replace(log, **{name: array})


def rows(log: nc.measure.Log, fate: str, lag=NO_LAG, **options) -> int:
    return sum(count for reason, count in steady_samples(log, lag, **options).dropped() if reason.why == RowReason[fate])


def test_a_hold_is_steady_but_for_its_ends():
    steady = steady_samples(held(), NO_LAG)
    assert (steady.code == 0).sum() == 580
    assert steady.dropped() == ((LeftOut(RowReason.EDGE), 20),)


def test_an_opening_costs_its_time_and_a_closing_only_the_window():
    up, down = changed(held(), "manifold_pressure_pa", slice(300, None), 95e3), held(pressure_pa=95e3)
    down = changed(down, "manifold_pressure_pa", slice(300, None), 50e3)
    # Averaging over 0.5 s rounds the edge by 0.2 s; the window has taken its own second first.
    assert rows(up, "OPENING") == pytest.approx(15, abs=3)
    assert rows(up, "OPENING", settle_s=4.0) == pytest.approx(30, abs=3)
    assert rows(down, "OPENING") == 0
    # A second either side, and what the average over a quarter of the window carries beyond.
    assert rows(up, "PRESSURE") == rows(down, "PRESSURE") == pytest.approx(22, abs=2)


def test_an_opening_by_speed_alone_counts_too():
    log = replace(changed(held(), "rpm", slice(300, None), 3500.0), manifold_pressure_pa=None)
    assert rows(log, "OPENING") == pytest.approx(15, abs=3)
    assert steady_samples(log, NO_LAG).remarks[-1].kind == DriveNote.SPEED_ALONE


def test_cold_rows_are_dropped_by_the_coolant():
    size = 600
    coolant = np.linspace(20.0, 90.0, size)
    warm = int((coolant >= 70.0).sum())
    assert rows(held(coolant_degc=coolant), "COLD") == size - warm
    blank = np.where(np.arange(size) % 10 == 0, coolant, np.nan)  # a slow column, blanks between
    assert rows(held(coolant_degc=blank), "COLD") == pytest.approx(size - warm, abs=10)
    assert rows(held(coolant_degc=coolant), "COLD", warm_above_degc=40.0) < size - warm
    assert [remark.kind for remark in steady_samples(held(), NO_LAG).remarks] == [DriveNote.NO_COOLANT]


def test_overrun_by_pressure_or_by_a_closed_throttle():
    assert rows(changed(held(), "manifold_pressure_pa", slice(200, 400), 22e3), "OVERRUN") == 200
    assert rows(held(rpm=900.0, pressure_pa=27e3), "OVERRUN") == 0
    throttle = np.full(600, 12.0)
    throttle[200:400] = 0.5
    assert rows(held(throttle_percent=throttle, manifold_pressure_pa=None), "OVERRUN") == 200
    idling = changed(held(throttle_percent=throttle + 6.0, manifold_pressure_pa=None), "rpm", slice(0, 100), 850.0)
    idling = changed(idling, "throttle_percent", slice(0, 100), 6.5)  # a sensor whose zero is not at nought
    assert rows(idling, "OVERRUN") == 200


def test_moving_speed_throttle_and_lambda():
    assert rows(changed(held(), "rpm", slice(300, 301), 2700.0), "SPEED") == 0  # one row is a spike
    assert rows(changed(held(), "rpm", slice(300, 306), 2700.0), "SPEED") == pytest.approx(28, abs=3)
    throttle = np.full(600, 12.0)
    throttle[300:306] = 20.0
    assert rows(held(throttle_percent=throttle, manifold_pressure_pa=None), "THROTTLE") == pytest.approx(28, abs=3)
    assert 0 < rows(changed(held(), "lambda_measured", slice(300, None), 1.2), "LAMBDA") <= 20


def test_flags_gaps_blanks_and_the_end():
    log = changed(held(), "flag", slice(100, 110), FROZEN)
    assert rows(log, "FLAGGED") == 10
    assert rows(held(), "NO_ANSWER", lag=nc.measure.Lag(2.0, 0.1, "long")) == 20
    assert rows(changed(held(), "manifold_pressure_pa", slice(50, 60), np.nan), "NO_PRESSURE") == 10
    torn = changed(held(), "time_s", slice(300, None), np.arange(300, 600) / 10 + 5.0)
    # A second either side of each end and of the gap, less the rows that lie on its edge.
    assert rows(torn, "EDGE") == pytest.approx(40, abs=5)
    with pytest.raises(nc.InputError, match="steady_s is -1"):
        steady_samples(held(), NO_LAG, steady_s=-1.0)
    with pytest.raises(nc.InputError, match="settle_s is 90"):
        steady_samples(held(), NO_LAG, settle_s=90.0)
    with pytest.raises(nc.InputError, match="warm_above_degc is 300"):
        steady_samples(held(), NO_LAG, warm_above_degc=300.0)


@pytest.mark.parametrize(
    ("columns", "asked", "words"),
    [
        ({}, {"warm_above_degc": 82.0}, "warm_above_degc is asked for, but log held has no coolant temperature .columns "
            r"not used: 'Heat 3 \(degC\)', 'x'\); name its column, columns=\{'coolant'.*or leave warm_above_degc out"),
        ({"manifold_pressure_pa": None}, {"overrun_below_pa": 3e4}, "overrun_below_pa is .* no manifold absolute pressure"),
        ({"manifold_pressure_pa": None}, {"pressure_within_pa": 3e3}, "pressure_within_pa is .* no manifold absolute"),
        ({"manifold_pressure_pa": None}, {"loads_pa": {"light": (3e4, 7e4)}}, "loads_pa is .* no manifold absolute"),
        ({"manifold_pressure_pa": None}, {"loads_percent": {"light": (0, 30)}}, "loads_percent is asked for.* no throttle"),
        ({}, {"loads_percent": {"light": (0, 30)}}, "loads_percent is .* manifold pressure, by which its loads are told"),
    ],
)  # fmt: skip
def test_a_filter_asked_for_is_never_dropped(columns, asked, words):
    log = held(unused=("Heat 3 (degC)", "x"), **columns)
    with pytest.raises(nc.InputError, match=words):
        nc.make_bands(log, **asked)
    # What nobody asked for is left out with a note.
    assert nc.make_bands(log).rpm.size == 1


@pytest.mark.parametrize("wrong", [float("nan"), -1.0, 1e9])
@pytest.mark.parametrize(
    "name",
    [
        "rpm_within",
        "pressure_within_pa",
        "lambda_within",
        "opening_rise",
        "overrun_below_pa",
        "idle_below_rpm",
        "least_count",
    ],
)
def test_a_limit_that_would_let_all_or_nothing_through_is_refused(name, wrong):
    with pytest.raises(nc.InputError, match=f"^{name} is .*, but must lie between"):
        nc.make_bands(held(), **{name: wrong})


@pytest.mark.parametrize("ends", [(7e4, 3e4), (3e4, 3e4), (3e4,), (3e4, 5e4, 7e4), (3e4, float("nan"))])
@pytest.mark.parametrize("argument", ["loads_pa", "loads_percent"])
def test_a_load_has_a_lower_end_and_an_upper(argument, ends):
    both = {"loads_pa": {"light": (3e4, 7e4)}, "loads_percent": {"light": (0.0, 30.0)}}
    with pytest.raises(nc.InputError, match=f"{argument} of 'light'"):
        nc.make_bands(held(), **(both | {argument: {"light": ends}}))


NUMBERS = ("rpm", "lambda_measured", "throttle_percent", "manifold_pressure_pa", "air_flow_g_s", "lift_mm", "coolant_degc")


@pytest.mark.parametrize("name", ["time_s", *NUMBERS])
def test_a_reading_too_large_for_any_sum_is_refused_at_the_door(name):
    log = held(throttle_percent=np.full(600, 12.0), air_flow_g_s=np.full(600, 9.0), lift_mm=np.full(600, 8.0))
    log = replace(log, coolant_degc=np.full(600, 80.0))
    for value in (1e300, -1e300):
        with pytest.raises(
            nc.InputError,
            match=rf"^{name} of log held is -?1e\+300 \(entry 600 of 600\), but .* No reading is beyond 1e\+22:",
        ):
            changed(log, name, slice(599, 600), value)
    # The largest that passes spoils its own band at most; warnings of an overflow are errors here.
    nc.make_bands(changed(log, name, slice(599, 600) if name == "time_s" else slice(300, 301), 9e21))


def test_loads_by_either_measure_go_with_a_log_of_either_kind():
    loads = {"loads_pa": {"cruise": (3e4, 7e4)}, "loads_percent": {"cruise": (5.0, 30.0)}}
    by_throttle = held(manifold_pressure_pa=None, throttle_percent=np.full(600, 12.0))
    assert [nc.make_bands(log, **loads).load for log in (held(), by_throttle)] == [("cruise",)] * 2


@pytest.mark.parametrize("sensors", [{}, {"rate_hz": 50}, {"load": "throttle"}, {"pressure_noise_pa": 1000.0}])
def test_a_calm_idle_is_found_however_noisy_the_sensors(sensors):
    found, share = 0, []
    for seed in range(40):
        log, _, _, calm = drive_with_noisy_idle(seed, **sensors)
        steady = steady_samples(log, nc.measure.Lag(0.4, 0.1, "known"))
        share.append((steady.code[calm] == 0).mean())
        found += "idle" in nc.make_bands(log, lag_s=0.4).load
    assert found >= 38
    # All but its first and last second and what the smoothing rounds: 0.9 of 25 s.
    assert np.median(share) > 0.85


def test_noise_lets_no_real_move_through():
    for seed in range(20):
        log, speed, pressure, _ = drive_with_noisy_idle(seed)
        fate = steady_samples(log, nc.measure.Lag(0.4, 0.1, "known")).code
        # What speed and pressure really do within a second, without noise: the limits, and what a mean of half a second
        # may hide at the window's ends.
        first, last, _ = window_ends(log.time_s, 0.8, 0.8)
        moved = window_range(speed, first, last) > 1.25 * 0.04 * np.maximum(speed, 1000.0)
        moved |= window_range(pressure, first, last) > 1.25 * 4000.0
        assert moved.sum() > 100
        assert not (moved & (fate == 0)).any()
        first, _, _ = window_ends(log.time_s, 2.2, 0.0)
        opened = speed * pressure > 1.15 * -window_max(-speed * pressure, first, np.arange(speed.size))
        assert not (opened & (fate == 0)).any()


def test_noise_is_that_of_the_sensor_and_not_of_moves():
    rng = np.random.default_rng(0)
    time = np.arange(3000) / 10
    ramps = 50e3 + 4e3 * np.abs(time % 20 - 10)
    seen = ramps + rng.normal(0, 600.0, time.size)
    assert np.median(noise(time, seen)) == pytest.approx(600.0, rel=0.1)
    assert noise(time, ramps).max() < 1e-6
    assert (noise(time[:2], seen[:2]) == 0.0).all()


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 50), st.floats(0.0, 1.5), st.floats(0.5, 4.0))
def test_every_row_has_one_fate(seed, lag_s, steady_s):
    log, _ = synthetic_drive(seed, seconds=40.0)
    steady = steady_samples(log, nc.measure.Lag(lag_s, 0.1, "drawn"), steady_s=steady_s)
    assert (steady.code == 0).sum() + sum(count for _, count in steady.dropped()) == log.rpm.size


@settings(max_examples=10, deadline=None)
@given(st.sampled_from([1.0, 2.0, 4.0, 8.0]))
def test_time_scaled_with_all_its_windows_changes_nothing(scale):
    log, _ = synthetic_drive(3, seconds=80.0, rate_hz=20)
    slow = replace(log, time_s=log.time_s * scale)
    # The mean over 0.5 s that finds openings is the one fixed time; switched off by a rise never reached.
    options = {"opening_rise": 99.0}
    here = steady_samples(log, nc.measure.Lag(0.3, 0.1, "drawn"), steady_s=2.0, settle_s=2.5, **options)
    there = steady_samples(
        slow, nc.measure.Lag(0.3 * scale, 0.1, "drawn"), steady_s=2.0 * scale, settle_s=2.5 * scale, **options
    )
    np.testing.assert_array_equal(here.code, there.code)
    np.testing.assert_allclose(here.lambda_burnt, there.lambda_burnt, atol=1e-9)


@settings(max_examples=50, deadline=None)
@given(st.lists(st.floats(0.01, 3.0), min_size=3, max_size=40), st.floats(0.0, 4.0), st.floats(0.0, 4.0), st.integers(0, 99))
def test_windows_against_plain_loops(steps, before, after, seed):
    time = np.cumsum(steps)
    values = np.random.default_rng(seed).normal(size=time.size)
    first, last, whole = window_ends(time, before, after)
    for k in range(time.size):
        part = values[first[k] : last[k] + 1]
        assert window_max(values, first, last)[k] == part.max()
        assert window_range(values, first, last)[k] == pytest.approx(np.ptp(part))
        assert window_mean(values, first, last)[k] == pytest.approx(part.mean(), abs=1e-9)
        if whole[k]:
            assert np.diff(time[first[k] : last[k] + 1]).max(initial=0.0) <= gap_s(time)
    # Rows two seconds apart: nothing is averaged, so an opening is what it is in the rows themselves.
    slow = np.arange(time.size) * 2.0
    first, _, _ = window_ends(slow, before, 0.0)
    risen = opening(slow, np.exp(values), rise=0.1, settle_s=before)
    for k in range(time.size):
        assert risen[k] == (np.exp(values[k]) > 1.1 * np.exp(values[first[k] : k + 1]).min())


LETS_IN = {
    RowReason.COLD: ({"coolant_degc": np.full(600, 60.0)}, {"warm_above_degc": 50.0}),
    RowReason.OVERRUN: ({"manifold_pressure_pa": np.full(600, 27e3)}, {"overrun_below_pa": 20e3}),
    RowReason.SPEED: ({"rpm": 2500.0 + 200.0 * np.sin(np.arange(600) / 5.0)}, {"rpm_within": 0.3}),
    RowReason.PRESSURE: ({"manifold_pressure_pa": 50e3 + 4e3 * np.sin(np.arange(600) / 5.0)}, {"pressure_within_pa": 1e4}),
    RowReason.THROTTLE: (
        {"manifold_pressure_pa": None, "throttle_percent": 15.0 + 4.0 * np.sin(np.arange(600) / 5.0)},
        {"throttle_within_percent": 20.0, "opening_rise": 2.0},
    ),
    RowReason.OPENING: ({"manifold_pressure_pa": 35e3 + 160.0 * np.arange(600.0).clip(0, 60)}, {"settle_s": 0.0}),
    RowReason.LAMBDA: ({"lambda_measured": 1.0 + 0.2 * np.sin(np.arange(600) / 7.0)}, {"lambda_within": 0.5}),
    RowReason.EDGE: ({}, {"steady_s": 0.2}),
    RowReason.NO_LOAD: ({"manifold_pressure_pa": np.full(600, 120e3)}, {"loads_pa": {"blown": (115e3, 200e3)}}),
    RowReason.NO_BAND: ({"rpm": np.full(600, 5800.0)}, {"rpm_edges": (5500.0, 6000.0)}),
}


@pytest.mark.parametrize("fate", LETS_IN)
def test_the_key_that_is_named_lets_the_rows_in(fate):
    columns, options = LETS_IN[fate]
    log = held(**{**columns, **{name: np.full(600, value) for name, value in columns.items() if np.isscalar(value)}})

    def out(**given):
        try:
            return sum(count for reason, count in nc.make_bands(log, lag_s=0.0, **given).dropped if reason.why == fate)
        except nc.InputError as error:
            return int(str(error).split("(")[-1].split(" rows")[0])  # no band: the message counts them

    assert out() > 0
    assert out(**options) < out()
    key = next(iter(options))
    assert key in left_out_words(LeftOut(fate))


def test_a_log_without_a_band_says_what_left_it_out_and_what_lets_it_in():
    cold = held(coolant_degc=np.full(600, 60.0))
    with pytest.raises(nc.InputError, match=r"coolant below 70 degC .*; warm_above_degc lets them in \(\d+ rows\)"):
        nc.make_bands(cold)
    assert nc.make_bands(cold, warm_above_degc=50.0).rpm.size == 1


def test_every_fate_and_every_note_has_words():
    assert set(words_drive.ROW_REASONS) == set(RowReason)
    assert set(words_drive.NOTES) == set(DriveNote)
    assert set(words_drive.LOG_NOTES) == set(Note)
    assert set(words_drive.COLUMN_FAULTS) == set(ColumnFault)


def test_a_missing_idle_says_why_and_what_it_costs():
    log, _, _, _ = drive_with_noisy_idle(3)
    moving = replace(log, rpm=np.where(log.rpm < 1100.0, log.rpm + 60.0 * np.sin(3.0 * log.time_s), log.rpm))
    (remark,) = [one for one in nc.make_bands(moving, lag_s=0.4).remarks if one.kind == DriveNote.NO_IDLE]
    assert remark.severity == Severity.CAUTION
    assert remark.numbers["fate"] == RowReason.SPEED
    assert remark.numbers["seconds"] == pytest.approx(26.0, abs=3.0)
    bands = nc.make_bands(replace(log, rpm=np.maximum(log.rpm, 1200.0)), lag_s=0.4)
    text = " ".join(str(bands).split())
    assert "the log never runs below 1100 rpm" in text
    assert "rest on what is usual alone" in text
    assert not [one for one in nc.make_bands(log, lag_s=0.4).remarks if one.kind == DriveNote.NO_IDLE]
