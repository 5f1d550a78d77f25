"""The log reader by its public door: small invented files as loggers write them, read from disk.

Cells, rows and bytes are tested in test_logtext.py, names and units in test_logcolumns.py, time in
test_logtime.py, flags in test_logfile.py.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import DATA
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.measure.drive.bands import RowReason
from needlecalc.measure.drive.steady import steady_samples
from needlecalc.measure.log.rows import CEILING, ENGINE_OFF, FLAGS, TOO_LEAN, TOO_RICH

ROWS = [(k / 10, 2000 + k, 0.95 + 0.001 * (k % 7)) for k in range(20)]


def text(head="time_s,engine rpm,lambda", rows=ROWS, separator=",", decimal="."):
    lines = [head.replace(",", separator)]
    lines += [separator.join(f"{v:.3f}".replace(".", decimal) for v in row) for row in rows]
    return "\n".join(lines) + "\n"


def read(tmp_path: Path, content, **options) -> nc.measure.Log:
    file = tmp_path / "drive.csv"
    file.write_bytes(content if isinstance(content, bytes) else content.encode())
    return nc.read_log(file, **options)


@pytest.mark.parametrize(
    "content",
    [
        text(),
        text(separator=";"),
        text(separator=";", decimal=","),
        text(separator="\t"),
        text().encode("utf-8-sig"),
        text().replace("\n", "\r\n"),
        "Drive of a van\nmade on a Tuesday\n\n" + text(),
        text(head="time,engine rpm,lambda\ns,rpm,-"),
        text(head="Zeit (s),Drehzahl (1/min),Lambda"),
        text(head="Time [s],Engine Speed [rpm],Air-Fuel λ"),
        text().replace("\n", ",\n"),
        text() + "time_s,engine rpm,lambda\n",
    ],
    ids=["comma", "semi", "decimal", "tab", "bom", "crlf", "preamble", "units", "german", "greek", "trailing", "repeat"],
)
def test_one_drive_written_many_ways(tmp_path, content):
    log = read(tmp_path, content)
    np.testing.assert_allclose(log.rpm, [row[1] for row in ROWS])
    np.testing.assert_allclose(log.lambda_measured, [row[2] for row in ROWS])
    np.testing.assert_allclose(log.time_s, [row[0] for row in ROWS], atol=1e-9)
    assert (log.flag == 0).all()


def test_decoys_never_win(tmp_path):
    head = "time_s,rpm limit,target lambda,lambda trim,engine rpm,rpm/s,lambda,lambda volts (V)"
    rows = [(t, 6500, 0.88, 1.02, n, 10, x, 0.7) for t, n, x in ROWS]
    log = read(tmp_path, text(head, rows))
    chosen = {choice.meaning: choice.column for choice in log.columns}
    assert chosen["rpm"] == "engine rpm"
    assert chosen["lambda"] == "lambda"


def test_a_lambda_column_that_holds_afr_is_caught_and_said(tmp_path):
    rows = [(t, n, 14.7 * x) for t, n, x in ROWS]
    log = read(tmp_path, text(rows=rows))
    np.testing.assert_allclose(log.lambda_measured, [row[2] for row in ROWS], atol=1e-4)
    report = " ".join(log.report().split())
    assert "says lambda, but its values (median 14.01) are AFR: read as AFR" in report
    assert "AFR is divided by 14.7" in report
    richer = read(tmp_path, text(rows=rows), afr_stoich=14.0)
    np.testing.assert_allclose(richer.lambda_measured, log.lambda_measured * 14.7 / 14.0)


def test_units_are_converted_and_columns_overridden(tmp_path):
    head = "time (ms),engine rpm,lambda,lambda two,manifold (psi),coolant (degF),air flow (kg/h)"
    rows = [(1000 * t, n, x, x + 0.1, 10.0, 185.0, 36.0) for t, n, x in ROWS]
    assert read(tmp_path, text(head, rows)).lambda_measured[0] == 0.95
    log = read(tmp_path, text(head, rows), columns={"lambda": "lambda two"})
    assert log.lambda_measured[0] == pytest.approx(1.05)
    assert log.time_s[-1] == pytest.approx(1.9)
    assert log.manifold_pressure_pa[0] == pytest.approx(68947.57)
    assert log.coolant_degc[0] == pytest.approx(85.0)
    assert log.air_flow_g_s[0] == pytest.approx(10.0)


def test_saturated_and_impossible_readings_are_set_aside_and_counted(tmp_path):
    rows = [(k / 10, 2000 if k < 80 else 0, 1.40 if 20 <= k < 40 else 0.95 + 0.001 * (k % 5)) for k in range(100)]
    content = text(rows=rows) + "10.0,2000,\n10.1,2000,-3\n9.0,2000,0.95\n11.0,2000\n"
    log = read(tmp_path, content)
    assert (log.flag == CEILING).sum() == 20
    assert (log.flag == ENGINE_OFF).sum() == 20
    # A mixture below nothing is kept for all to see, but never used.
    assert log.flag[log.lambda_measured == -3.0].tolist() == [TOO_RICH]
    assert dict(log.dropped) == {
        "no number for the mixture": 1,
        "time runs backwards": 1,
        "fewer cells than the header": 1,
    }
    assert log.rpm.size + sum(count for _, count in log.dropped) == 104
    assert sum(count for _, count in log.fates()) == 104


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("", "drive.csv, line 1: the file is empty"),
        ("time_s,engine rpm,lambda\n", "no rows of numbers stand behind a header"),
        (text(head="time_s,engine rpm,oil"), "no column is a measured mixture"),
        (text(head="time_s,speed,lambda"), "no column is an engine speed"),
        (
            text(rows=[(t, n, 512.0) for t, n, _ in ROWS]),
            "100 % of its rows stand at 512, no lambda and no AFR: the sensor is stuck",
        ),
        (text(head="time (weeks),engine rpm,lambda"), "no column is a time"),
    ],
    ids=["empty", "header only", "no mixture", "no rpm", "counts", "no time"],
)
def test_refusals(tmp_path, content, match):
    with pytest.raises(nc.LogFormatError, match=match):
        read(tmp_path, content)
    with pytest.raises(nc.LogFormatError, match="line 1: columns says rpm is 'x', but the header has no such name"):
        read(tmp_path, text(), columns={"rpm": "x"})
    with pytest.raises(nc.InputError, match="'speed' is not a meaning; known are"):
        read(tmp_path, text(), columns={"speed": "x"})
    with pytest.raises(nc.LogFormatError, match="cannot be opened"):
        nc.read_log(tmp_path / "none.csv")


def test_nul_bytes_cost_only_their_row(tmp_path):
    lines = text().splitlines(keepends=True)
    lines[5] = lines[5].replace("2004", "20\x0004")
    log = read(tmp_path, "".join(lines) + "\0\0")
    assert log.line.tolist() == [2, 3, 4, 5, *range(7, 22)]
    assert dict(log.dropped) == {"NUL bytes in the row": 1}


def test_rows_removed_and_rows_flagged_are_counted_apart(tmp_path):
    # Ten rows stand as they are, then three that no reading can be made of and four that are kept to be seen.
    usual = [f"{k / 10},{2000 + k},0.95" for k in range(10)]
    removed = ["1.0,2010,", "1.1,,0.95", "0.3,2010,0.95"]
    flagged = ["1.2,0,0.95", "1.3,90,0.95", "1.4,2014,2.5", "1.5,2015,0.2"]
    log = read(tmp_path, "\n".join(["time_s,engine rpm,lambda", *usual, *removed, *flagged, ""]))
    # Flagged rows are in the arrays, each with its line; removed ones are in none and have no flag.
    assert log.line.tolist() == [*range(2, 12), *range(15, 19)]
    assert log.flag.tolist() == [0] * 10 + [ENGINE_OFF, ENGINE_OFF, TOO_LEAN, TOO_RICH]
    assert log.lambda_measured[-2:].tolist() == [2.5, 0.2]
    assert sum(count for _, count in log.dropped) == 3
    # Each row has one fate, with its reason, and the words say which of the two it met.
    fates = dict(log.fates())
    assert fates == {
        "fit for use": 10,
        "kept, flagged: engine off or cranking: rpm below 200": 2,
        f"kept, flagged: {FLAGS[TOO_LEAN]}": 1,
        f"kept, flagged: {FLAGS[TOO_RICH]}": 1,
        "dropped: no number for the engine speed": 1,
        "dropped: no number for the mixture": 1,
        "dropped: time runs backwards": 1,
    }
    report = log.report()
    assert "17 rows, 14 kept, 10 fit for use." in report
    assert all(reason in report for reason in fates)
    # Whoever goes on counts the flagged ones again, as log rows in no band, and never the removed ones.
    steady = steady_samples(log, nc.measure.Lag(0.0, 0.0, "none"))
    assert steady.code.size == 14
    assert sum(count for reason, count in steady.dropped() if reason.why == RowReason.FLAGGED) == 4


def test_one_row_is_a_log(tmp_path):
    log = read(tmp_path, text(rows=ROWS[:1]))
    assert (log.time_s.tolist(), log.rpm.tolist(), log.lambda_measured.tolist()) == ([0.0], [2000.0], [0.95])
    with pytest.raises(nc.InputError, match=r"drive.csv has a single row, and a band needs"):
        nc.make_bands(log)


@settings(max_examples=150, deadline=None)
@given(st.data())
def test_any_bytes_give_a_log_or_a_format_error(tmp_path_factory, data):
    good = text().encode()
    cut = data.draw(st.integers(0, len(good)))
    content = data.draw(st.one_of(st.binary(max_size=200), st.just(good[:cut]))) + data.draw(st.binary(max_size=30))
    try:
        log = read(tmp_path_factory.mktemp("fuzz"), content)
    except nc.LogFormatError:
        return
    assert log.rpm.size >= 1
    assert (np.diff(log.time_s) > 0).all()


def test_the_demo_drive_keeps_every_row_in_view():
    log = nc.read_log(DATA / "pass_van_drive.csv")
    bands = nc.make_bands(log, lag_s=0.4)
    assert int(bands.count.sum()) + sum(count for _, count in bands.dropped) == log.rpm.size


def test_a_job_hands_every_key_of_its_log_on(tmp_path):
    for file in DATA.glob("pass_van*"):
        (tmp_path / file.name).write_bytes(file.read_bytes())
    rows = "".join(f"{t:.1f};{n};{12.6 + x:.2f};13,0;{-20 - t:.1f}\n".replace(".", ",") for t, n, x in ROWS)
    (tmp_path / "front.csv").write_text("Zeit;Drehzahl;AFR left;AFR right;MAP\n" + rows, encoding="utf-8")
    job = tmp_path / "pass_van.toml"
    stated = (
        'file = "front.csv"\ncolumns = { lambda = "AFR left" }\nunits = { manifold_pressure = "kPa gauge" }\n'
        'afr_stoich = 14.0\ndecimal = ","\nambient_kpa = 90.0\n'
    )
    job.write_text(job.read_text().replace('file = "pass_van_drive.csv"\n', stated))
    log = nc.read_job(job).read_log()
    assert log.lambda_measured[0] == pytest.approx(13.55 / 14.0)
    assert log.manifold_pressure_pa[0] == pytest.approx(70e3)
    job.write_text(job.read_text().replace("ambient_kpa", "ambient_air"))
    with pytest.raises(nc.InputError, match=r"no key 'ambient_air'; it knows afr_stoich, ambient_pa, bank, columns"):
        nc.read_job(job).read_log()
