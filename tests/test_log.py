"""The log reader on small invented specimens, one a quirk, and on any text at all."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from conftest import DATA
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc

ROWS = [(k / 10, 2000 + k, 0.95 + 0.001 * (k % 7)) for k in range(20)]


def text(head="time_s,engine rpm,lambda", rows=ROWS, separator=",", decimal="."):
    lines = [head.replace(",", separator)]
    lines += [separator.join(f"{v:.3f}".replace(".", decimal) for v in row) for row in rows]
    return "\n".join(lines) + "\n"


def read(tmp_path: Path, content, **options) -> nc.Log:
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
    assert "holds AFR" in log.report()
    assert "14.7" in log.report()
    richer = read(tmp_path, text(rows=rows), afr_stoich=14.0)
    np.testing.assert_allclose(richer.lambda_measured, log.lambda_measured * 14.7 / 14.0)


def test_units_are_converted_and_columns_overridden(tmp_path):
    head = "time (ms),engine rpm,lambda,lambda two,manifold (psi),coolant (degF),air flow (kg/h)"
    rows = [(1000 * t, n, x, x + 0.1, 10.0, 185.0, 36.0) for t, n, x in ROWS]
    with pytest.raises(nc.LogFormatError, match=r"'lambda' and 'lambda two' could all be lambda; settle it with columns="):
        read(tmp_path, text(head, rows))
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
    assert (log.flag == 2).sum() == 20
    assert (log.flag == 1).sum() == 20
    fates = dict(log.dropped)
    assert fates["time, rpm or lambda is not a number"] == 1
    assert fates["lambda or rpm impossible"] == 1
    assert fates["time runs backwards or stands"] == 1
    assert fates["cells missing or too many"] == 1
    assert log.rpm.size + sum(fates.values()) == 104


@pytest.mark.parametrize(
    ("content", "match"),
    [
        ("", "no header with rows of numbers"),
        ("time_s,engine rpm,lambda\n", "no header with rows of numbers"),
        (text(head="time_s,engine rpm,oil"), "no column for lambda"),
        (text(head="time_s,speed,lambda"), "no column for rpm"),
        (text(rows=[(t, n, 512.0) for t, n, _ in ROWS]), "not raw counts or volts"),
        (text().encode() + b"\x00\x00", "NUL bytes"),
        (text(head="time (weeks),engine rpm,lambda"), "no column for time"),
    ],
)
def test_refusals(tmp_path, content, match):
    with pytest.raises(nc.LogFormatError, match=match):
        read(tmp_path, content)
    with pytest.raises(nc.LogFormatError, match="has no column 'x'"):
        read(tmp_path, text(), columns={"rpm": "x"})
    with pytest.raises(nc.LogFormatError, match="the meanings are"):
        read(tmp_path, text(), columns={"speed": "x"})
    with pytest.raises(nc.LogFormatError, match="cannot be opened"):
        nc.read_log(tmp_path / "none.csv")


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
    assert log.rpm.size >= 2
    assert (np.diff(log.time_s) > 0).all()


def test_the_demo_drive_keeps_every_row_in_view():
    log = nc.read_log(DATA / "pass_van_drive.csv")
    bands = nc.make_bands(log, lag_s=0.4)
    assert int(bands.count.sum()) + sum(count for _, count in bands.dropped) == log.rpm.size
