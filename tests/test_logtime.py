"""Time of a log put in order: repeats, restarts, midnight, coarse stamps, and units of time. All logs are invented."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st
from log_cases import read

from needlecalc.errors import LogFormatError
from needlecalc.measure.log.columns import Note
from needlecalc.measure.log.rows import order_time
from needlecalc.measure.log.table import RowFault
from needlecalc.show import in_words


def test_time_starts_at_zero_wherever_it_started():
    log = read(b"Time (s),RPM,Lambda\n5.0,900,0.9\n5.1,905,0.91\n", "x")
    assert log.time_s.tolist() == pytest.approx([0.0, 0.1])


@pytest.mark.parametrize(
    ("logged", "kept", "dropped"),
    [
        ([3, 4, 5], [0, 1, 2], {}),
        ([3, 4, 4, 5], [0, 1, 2], {RowFault.REPEATS: 1}),
        ([3, 4, 3.5, 5], [0, 1, 2], {RowFault.BACKWARDS: 1}),
        ([3, 4, 5, 105, 106], [0, 1, 2, 102, 103], {}),
    ],
)
def test_rows_out_of_order(logged, kept, dropped):
    ordered = order_time(np.array(logged, dtype=float))
    assert ordered.time_s.tolist() == kept
    assert ordered.dropped == dropped
    assert np.count_nonzero(ordered.keep) == len(kept)


def test_restart_of_the_clock_goes_on_behind():
    ordered = order_time(np.concatenate([np.arange(50.0), np.arange(20.0)]))
    np.testing.assert_array_equal(ordered.time_s, np.arange(70.0))
    assert "restarts 1 time:" in in_words(ordered.notes[0])
    assert not ordered.dropped


def test_one_stamp_that_leaps_ahead_costs_no_rows_even_where_stamps_repeat():
    stamps = np.arange(60) // 3 * 3.0 + np.arange(60) % 3 // 2  # every other step is a repeat
    ordered = order_time(np.where(np.arange(60) == 20, 9999.0, stamps))
    assert ordered.dropped == order_time(stamps).dropped
    assert "restarts 1 time:" in in_words(ordered.notes[0])


def test_midnight_needs_a_clock():
    stamps = np.array([86398.0, 86399.0, 0.0, 1.0])
    ordered = order_time(stamps, clock=True)
    assert ordered.time_s.tolist() == [0, 1, 2, 3]
    assert "passes midnight 1 time:" in in_words(ordered.notes[0])
    assert order_time(stamps).dropped == {RowFault.BACKWARDS: 2}


def test_coarse_stamps_are_spread():
    ordered = order_time(np.repeat(np.arange(10.0), 5))
    np.testing.assert_allclose(ordered.time_s, np.arange(50) / 5)
    assert [note.kind for note in ordered.notes] == [Note.COARSE]


def test_a_clock_that_stands_still_gives_one_row():
    ordered = order_time(np.full(30, 5.0))
    assert ordered.time_s.tolist() == [0.0]
    assert ordered.dropped == {RowFault.REPEATS: 29}


def test_pauses_are_told():
    (one,) = order_time(np.array([0.0, 1, 2, 62, 63, 64])).notes
    assert in_words(one) == "Pauses are left as they are: 1, the longest of 60 s."
    (several,) = order_time(np.array([0.0, 1, 2, 62, 63, 64, 104, 105, 106])).notes
    assert in_words(several) == "Pauses are left as they are: 2, the longest of 60 s."


@given(st.lists(st.floats(-1e16, 1e16), min_size=1, max_size=60), st.booleans())
@example([0.0, 86400.0, 0.0], True)
def test_time_always_rises_and_every_row_is_counted(stamps, clock):
    ordered = order_time(np.array(stamps), clock=clock)
    assert ordered.time_s[0] == 0.0
    assert (np.diff(ordered.time_s) > 0).all()
    assert np.count_nonzero(ordered.keep) == len(ordered.time_s)
    assert len(ordered.time_s) + sum(ordered.dropped.values()) == len(stamps)


@pytest.mark.parametrize(
    ("head", "stamps", "step"),
    [
        ("Time (ms)", [1000, 1100, 1200], 0.1),
        ("Time", [1000, 1100, 1200], 0.1),
        ("Time", [10.0, 10.1, 10.2], 0.1),
        ("Time (min)", [1, 2, 3], 60.0),
        ("Time", ["10:00:00.0", "10:00:00.5", "10:00:01.0"], 0.5),
        ("Time", ["23:59:59", "00:00:00", "00:00:01"], 1.0),
        ("Date / Time", ["2020-02-29 23:59:59", "2020-03-01 00:00:00", "2020-03-01 00:00:01"], 1.0),
        ("Datum und Uhrzeit", ["1.3.2020 9:59:59", "1.3.2020 10:00:00", "1.3.2020 10:00:01"], 1.0),
        ("Time", ["2020-02-29T10:00:00.5Z", "2020-02-29T10:00:01Z", "2020-02-29T10:00:01.5Z"], 0.5),
    ],
)
def test_units_of_time(head, stamps, step):
    rows = "".join(f"{stamp},900,1\n" for stamp in stamps)
    log = read(f"{head},RPM,Lambda\n{rows}".encode(), "x")
    np.testing.assert_allclose(log.time_s, [0, step, 2 * step], rtol=1e-9)
    assert len(log.assumptions) >= (head == "Time")


def test_time_that_fits_no_unit_is_refused():
    with pytest.raises(LogFormatError, match=r"step of 5 fits neither seconds nor milliseconds; units=\{'time': 'ms'"):
        read(b"Time,RPM,Lambda\n0,900,1\n5,900,1\n10,900,1\n", "x")
