"""The log as a whole: flags, fates, round trip, and that no bytes break it. All logs are invented."""

from __future__ import annotations

import hashlib
from collections import Counter
from dataclasses import replace

import numpy as np
import pandas as pd
import pytest
from hypothesis import HealthCheck, example, given, settings
from hypothesis import strategies as st
from log_cases import read

from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.log.file import FLAGS, Log, read_log
from needlecalc.measure.log.rows import (
    CEILING,
    ENGINE_OFF,
    FLOOR,
    FROZEN,
    RPM_TOO_HIGH,
    TOO_LEAN,
    TOO_RICH,
    flag_rows,
)

GOOD = b"Time (s),RPM,Lambda,Throttle (%)\n" + b"".join(
    b"%.1f,%d,%.3f,%.1f\n" % (5 + i / 10, 900 + 7 * i, 0.9 + i % 9 / 100, i % 40) for i in range(60)
)


CLOCK = b"Uhrzeit;Drehzahl;Lambda;Drosselklappe (%)\r\n" + b"".join(
    b"23:59:%02d,5;%d;0,%d;%d\r\n" % (i, 900 + 7 * i, 90 + i % 9, i % 40) for i in range(60)
)


def drive(n: int = 3000, seed: int = 3) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """A lively drive at 10 rows a second with a display of 0.001 lambda."""
    rng = np.random.default_rng(seed)
    rpm = 2500 + 800 * np.sin(np.arange(n) / 40) + rng.normal(0, 25, n)
    return np.arange(n) / 10, rpm, np.round(0.95 + rng.normal(0, 0.02, n), 3)


# --- flags --------------------------------------------------------------------------------------


def test_a_lively_drive_is_fit():
    assert not flag_rows(*drive()).any()


@pytest.mark.parametrize("ceiling", [1.1, 1.36, 1.523])
def test_ceiling_is_found_wherever_the_display_ends(ceiling):
    time_s, rpm, reading = drive()
    cut = (np.arange(len(rpm)) % 300) > 270
    reading[cut] = ceiling
    flag = flag_rows(time_s, rpm, reading)
    assert (flag[cut] == CEILING).all()
    assert not flag[~cut].any()


def test_far_out_a_ceiling_counts_at_steady_speed_too():
    time_s, rpm, reading = drive()
    rpm[:], reading[500:540], reading[900:940] = 2000.0, 1.4, 0.95
    flag = flag_rows(time_s, rpm, reading)
    assert (flag[500:540] == CEILING).all()
    assert np.count_nonzero(flag) == 40


def test_floor_and_a_glitch_beyond_the_ceiling():
    time_s, rpm, reading = drive()
    reading[100:140], reading[500:540], reading[900] = 0.68, 1.5, 1.6
    flag = flag_rows(time_s, rpm, reading)
    assert (flag[100:140] == FLOOR).all()
    assert (flag[500:540] == CEILING).all()
    assert flag[900] == CEILING
    assert np.count_nonzero(flag) == 81


@pytest.mark.parametrize(("end", "flag"), [(1.523, CEILING), (0.68, FLOOR)])
def test_a_display_at_its_end_all_the_way(end, flag):
    time_s, rpm, reading = drive()
    assert (flag_rows(time_s, rpm, np.full_like(reading, end)) == flag).all()


@pytest.mark.parametrize("reading_off", [1.5, 0.68])
def test_engine_off_reads_lean_or_rich_and_is_neither(reading_off):
    time_s, rpm, reading = drive()
    rpm[-100:], reading[-100:] = 0.0, reading_off
    assert np.flatnonzero(flag_rows(time_s, rpm, reading) == ENGINE_OFF).tolist() == list(range(2900, 3000))


def test_engine_off_free_air_and_nonsense():
    time_s, rpm, reading = drive()
    rpm[:20], rpm[50], reading[60], reading[70], reading[80] = 0.0, 60000.0, 16.0, 0.2, 0.0
    flag = flag_rows(time_s, rpm, reading)
    assert (flag[:20] == ENGINE_OFF).all()
    assert flag[[50, 60, 70, 80]].tolist() == [RPM_TOO_HIGH, TOO_LEAN, TOO_RICH, TOO_RICH]


def test_frozen_sensor():
    time_s, rpm, reading = drive()
    reading[1000:1200] = 0.951
    flag = flag_rows(time_s, rpm, reading)
    assert np.count_nonzero(flag[1000:1200] == FROZEN) >= 199
    assert np.count_nonzero(flag) <= 202


def test_steady_speed_is_not_frozen():
    time_s, rpm, reading = drive()
    rpm[1000:1200], reading[1000:1200] = 2500.0, 0.951
    assert not flag_rows(time_s, rpm, reading).any()


@pytest.mark.parametrize("step", [0.05, 0.1])
def test_a_coarse_display_is_not_condemned(step):
    time_s, rpm, _ = drive()
    slow = 0.95 + 0.08 * np.sin(np.arange(len(rpm)) / 150)
    assert not flag_rows(time_s, rpm, np.round(slow / step) * step).any()


# --- the whole ----------------------------------------------------------------------------------


def total(log: Log) -> int:
    return sum(count for _, count in log.fates())


def test_a_log_written_last_row_first_is_turned_round():
    head, *rows = GOOD.splitlines(keepends=True)
    there, back = read(GOOD, "x"), read(b"".join([head, *reversed(rows)]), "x")
    np.testing.assert_array_equal(back.time_s, there.time_s)
    np.testing.assert_array_equal(back.lambda_measured, there.lambda_measured)
    assert back.line.tolist() == list(range(61, 1, -1))
    assert "The log is written last row first: its rows are turned round." in back.assumptions


@pytest.mark.parametrize("first_s", [43195, 86398])  # the second passes midnight
def test_last_row_first_with_coarse_stamps_of_a_clock(first_s):
    seconds = (first_s + np.arange(200) // 10) % 86400
    stamps = [f"{s // 3600:02d}:{s // 60 % 60:02d}:{s % 60:02d}" for s in seconds.tolist()]
    rows = [f"{stamp},{900 + 7 * place},13.5\n" for place, stamp in enumerate(stamps)]
    there, back = (read("".join(["Time,RPM,AFR\n", *some]).encode(), "x") for some in (rows, rows[::-1]))
    np.testing.assert_array_equal(back.rpm, there.rpm)
    np.testing.assert_allclose(back.time_s, there.time_s)
    assert len(back.rpm) == 200
    assert not back.dropped


def test_every_row_has_a_fate():
    raw = (
        b"Zeit;Drehzahl;Lambda\n0,0;900;0,95\n0,1;-;0,95\n0,2;905;n.a.\n0,3;907;0,96\n0,3;908;0,97\n"
        b"Zeit;Drehzahl;Lambda\n\n0,4;100;2,5\nhalf a line\n0,5;910;0,9"
    )
    log = read(raw, "x.csv")
    assert log.line.tolist() == [2, 5, 9]
    assert dict(log.dropped) == {
        "no number for the engine speed": 1,
        "no number for the mixture": 1,
        "time repeats the row before": 1,
        "header repeated": 1,
        "fewer cells than the header": 1,
        "last line has no line end, so it may be cut short": 1,
    }
    assert total(log) == 9
    report = log.report()
    for words in (
        "x.csv",
        log.sha256,
        "Drehzahl",
        "decimal comma",
        *dict(log.dropped),
        "all rows of the file",
    ):
        assert words in report


def test_columns_that_are_not_used_are_listed():
    def noted(names):
        log = read(f"time (s),rpm,lambda,{names}\n1,900,1,14.7,3\n2,900,1,14.7,3\n".encode(), "x")
        return [note for note in log.table().notes if "not used:" in note]

    assert noted("lambda target,oil (bar)") == ["2 columns not used: 'lambda target', 'oil (bar)'."]
    assert noted("throttle (%),oil (bar)") == ["1 column not used: 'oil (bar)'."]
    # A twin that carries the same, and a column refused by its values, are not used either.
    assert noted("AFR,lift") == ["2 columns not used: 'AFR', 'lift'."]
    assert noted("throttle (%),lift (mm)") == []


def test_a_cut_number_that_still_parses_never_counts():
    log = read(GOOD + b"11.0,1320,1", "x")
    assert len(log.rpm) == 60
    log = read(GOOD + b"11.0,1320,0.9,3", "x")
    assert len(log.rpm) == 60


def test_nothing_usable_is_refused():
    with pytest.raises(
        LogFormatError,
        match=r"line 1: no row below holds a number for time, .* at once \(50 %: no number for the engine speed\)",
    ):
        read(b"Time,RPM,Lambda\n0,900,-\n1,-,0.9\n", "x", units={"time": "s"})
    with pytest.raises(LogFormatError, match=r"line 1: no row below can be used \(100 %: last line"):
        read(b"Time,RPM,Lambda\n0,900,1", "x")


def test_read_log_hashes_names_and_freezes(tmp_path):
    path = tmp_path / "drive.csv"
    path.write_bytes(GOOD)
    log = read_log(path)
    assert log.name == "drive.csv"
    assert log.sha256 == hashlib.sha256(GOOD).hexdigest()
    assert repr(log) == "Log('drive.csv', 60 rows over 6 s, 60 fit for use)"
    for array in (log.time_s, log.rpm, log.lambda_measured, log.throttle_percent, log.line, log.flag):
        with pytest.raises(ValueError, match="read-only"):
            array[0] = 1
    assert [row["meaning"] for row in log.rows()] == ["time", "engine speed", "mixture", "throttle"]
    assert "<table>" in log._repr_html_()
    assert log.lift_mm is None


def test_no_such_file(tmp_path):
    with pytest.raises(LogFormatError, match=r"gone.csv cannot be opened: No such file .* Check the path") as caught:
        read_log(tmp_path / "gone.csv")
    assert caught.value.path.endswith("gone.csv")


@pytest.mark.parametrize(
    "dress",
    [
        pytest.param(lambda text: text.encode(), id="plain"),
        pytest.param(lambda text: text.encode("utf-8-sig"), id="BOM"),
        pytest.param(lambda text: text.encode("utf-16"), id="UTF-16"),
        pytest.param(lambda text: text.replace("\n", "\r").encode(), id="CR"),
        pytest.param(lambda text: text.replace("\n", "\r\n").encode() + b"5000,9", id="CRLF, cut"),
        pytest.param(lambda text: text.replace("Lambda", "Lambda,°C").replace("\n", ",\n").encode("latin-1"), id="Latin-1"),
        pytest.param(lambda text: text.replace("5.5,", "nought,").replace("77.7,", '"77.7",').encode(), id="dirt"),
        pytest.param(lambda text: text.replace("0,9", "0,\0009", 3).encode(), id="NUL"),
    ],
)
def test_a_long_file_reads_as_its_bytes_do(tmp_path, dress):
    text = "Time (s),RPM,Lambda\n" + "".join(f"{i / 10:.1f},{900 + i % 99},{0.9 + i % 9 / 100:.2f}\n" for i in range(70_000))
    raw = dress(text)
    path = tmp_path / "long.csv"
    path.write_bytes(raw)
    log, same = read_log(path, units={"time": "s"}), read(raw, "long.csv", units={"time": "s"})
    assert log.report() == same.report()
    for field in ("time_s", "rpm", "lambda_measured", "line", "flag"):
        np.testing.assert_array_equal(getattr(log, field), getattr(same, field))
    assert log.sha256 == hashlib.sha256(raw).hexdigest()
    assert total(log) == 70_000 + raw.endswith(b"9")


def test_a_long_file_of_blanks_is_empty(tmp_path):
    path = tmp_path / "long.csv"
    path.write_bytes(b"\n" * (1 << 21))
    with pytest.raises(LogFormatError, match="is empty; a log needs"):
        read_log(path)


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"time_s": np.arange(60)[::-1]}, "row 2 is 58 s, but time must rise"),
        ({"rpm": np.ones(3)}, "columns must be equally long"),
        ({"flag": np.full(60, len(FLAGS))}, "must be a place in FLAGS"),
        ({"lambda_measured": np.full(60, np.nan)}, "lambda_measured: entry 1 is nan"),
    ],
)
def test_record_checks_itself(changes, words):
    with pytest.raises(InputError, match=words):
        replace(read(GOOD, "x"), **changes)


def test_dirty_rows_change_no_clean_one():
    lines = GOOD.splitlines(keepends=True)
    dirty = read(b"".join([*lines[:20], b"text,more,text,here\n", b"\n", *lines[20:]]), "x")
    clean = read(GOOD, "x")
    np.testing.assert_array_equal(dirty.lambda_measured, clean.lambda_measured)
    np.testing.assert_array_equal(dirty.time_s, clean.time_s)


_NUMBERS = st.floats(-1e6, 1e6).map(repr)


@settings(max_examples=150, deadline=None)
@given(
    st.lists(
        st.tuples(
            st.floats(0, 1e5).map(repr),
            st.floats(0, 9000).map(repr),
            st.one_of(st.floats(0.6, 1.6), st.sampled_from([16.0, 1.523])).map(repr),
            st.one_of(st.floats(0, 100).map(repr), st.just("")),
            st.one_of(st.floats(1e4, 1e5).map(repr), st.just("-")),
        ),
        min_size=1,
        max_size=30,
    )
)
def test_round_trip(rows):
    head = "time (s),rpm (1/min),AFR,throttle (%),manifold absolute pressure (Pa)\n"
    cells = [(*row[:2], repr(14.7 * float(row[2])), *row[3:]) for row in rows]
    raw = (head + "".join(",".join(row) + "\n" for row in cells)).encode()
    # Stated, since mixtures mostly of free air would be doubted.
    log = read(raw, "x", units={"lambda": "AFR"})
    again = read(log.to_frame().to_csv(index=False).encode(), "x", units={"rpm": "1/min", "lambda": "lambda"})
    pd.testing.assert_frame_equal(again.to_frame().drop(columns="line"), log.to_frame().drop(columns="line"))
    assert total(log) == len(rows)


def read_anything(raw: bytes) -> None:
    log, refusal = None, None
    try:
        log = read(raw, "fuzz.csv")
    except LogFormatError as error:
        refusal = error
    if log is None:
        assert refusal.path == "fuzz.csv"
        assert str(refusal).endswith((".", ")"))
    else:
        assert (np.diff(log.time_s) > 0).all()
        assert len(log.line) == len(set(log.line.tolist()))
        assert log.report()
        assert len(log.to_frame()) == len(log.line)


@settings(max_examples=200, deadline=5000)
@given(st.binary(max_size=600))
def test_any_bytes_give_a_log_or_one_sentence(raw):
    read_anything(raw)


@settings(max_examples=200, deadline=5000)
@given(
    st.text("0123456789.,;\t\n\r\"'-:+eE tTimerpmlabdAFR(s)\0\ufeffλ", max_size=300),
    st.sampled_from(["utf-8", "utf-16"]),
)
def test_any_table_like_text_gives_a_log_or_one_sentence(text, encoding):
    read_anything(b"Time,RPM,Lambda\n" * (encoding == "utf-8") + text.encode(encoding))


@settings(max_examples=300, deadline=5000, suppress_health_check=[HealthCheck.too_slow])
@given(
    st.sampled_from([GOOD, CLOCK]),
    st.lists(st.tuples(st.integers(0, len(GOOD)), st.integers(0, 12), st.binary(max_size=6)), max_size=6),
)
@example(CLOCK, [(40, 0, b'"')])
def test_mutated_logs_give_a_log_or_one_sentence(raw, cuts):
    for place, width, new in cuts:
        raw = raw[:place] + new + raw[place + width :]
    read_anything(raw)


def test_flags_are_named_apart():
    assert FLAGS[0] == "fit for use"
    assert max(Counter(FLAGS).values()) == 1
