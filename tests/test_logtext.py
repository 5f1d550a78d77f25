"""Where the table lies in a log's bytes, and its rows as numbers. All logs here are invented."""

from __future__ import annotations

import math
import re

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_cases import read

from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.log import table as logtext
from needlecalc.measure.log.cell import decimal_mark, number_from_cell, seconds_from_clock
from needlecalc.measure.log.columns import Note
from needlecalc.measure.log.rows import read_rows
from needlecalc.measure.log.table import RowFault, open_log

HEAD = "Time (s),Engine Speed (rpm),Lambda"
ROWS = "0.0,900,0.95\n0.1,910,0.96\n0.2,915,0.97\n"


def numbers(raw: bytes) -> list[list[float]]:
    text = open_log(raw, "x.csv")
    return [column.tolist() for column in read_rows(text, range(len(text.names))).values]


@pytest.mark.parametrize(
    ("cell", "decimal", "expected"),
    [
        ("14.7", ".", 14.7),
        ("14,7", ",", 14.7),
        (" 1e3 ", ".", 1000.0),
        ("−3.5", ".", -3.5),  # the true minus sign, U+2212
        ("1,234.5", ".", 1234.5),
        ("1.234.567,8", ",", 1234567.8),
        ("1'234.5", ".", 1234.5),
        ("1 234,5", ",", 1234.5),
        (".5", ".", 0.5),
        ("5.", ".", 5.0),
    ],
)
def test_number(cell, decimal, expected):
    assert number_from_cell(cell, decimal) == expected


@pytest.mark.parametrize(
    "cell", ["", "-", "NODATA", "n.a.", "14,7", "0x10", "1_000", "inf", "1e", "1e999", "12 34", "٣", "--5"]
)
def test_no_number(cell):
    assert math.isnan(number_from_cell(cell, "."))


@pytest.mark.parametrize(
    ("cell", "seconds"),
    [
        ("00:00:01", 1.0),
        ("23:59:59.5", 86399.5),
        ("10:00:00,25", 36000.25),
        ("1:30.5", 90.5),
        ("2024-05-01 01:00:00.000", 3600.0),
        ("01.05.2024 01:00:00", 3600.0),
        ("12:00:01 AM", 1.0),
        ("1:00:00 pm", 46800.0),
    ],
)
def test_clock(cell, seconds):
    assert seconds_from_clock(cell) == seconds


def test_a_mark_that_both_readings_allow_decides_nothing():
    assert [decimal_mark(cell) for cell in ("0,977", "1.234", "14.70", "100")] == [",", "", ".", ""]


@pytest.mark.parametrize(
    "raw",
    [
        pytest.param((HEAD + "\n" + ROWS).encode(), id="plain"),
        pytest.param(b"\xef\xbb\xbf" + (HEAD + "\n" + ROWS).encode(), id="BOM"),
        pytest.param((HEAD + "\n" + ROWS).encode("utf-16"), id="UTF-16 with BOM"),
        pytest.param((HEAD + "\n" + ROWS).encode("utf-16-le"), id="UTF-16 little end first, no BOM"),
        pytest.param((HEAD + "\n" + ROWS).encode("utf-16-be"), id="UTF-16 big end first, no BOM"),
        pytest.param((HEAD + "\n" + ROWS).encode("utf-32"), id="UTF-32"),
        pytest.param((HEAD + "\n" + ROWS).replace("\n", "\r\n").encode(), id="CRLF"),
        pytest.param((HEAD + "\n" + ROWS).replace("\n", "\r").encode(), id="CR"),
        pytest.param((HEAD + "\n" + ROWS).replace("\n", "\r\r\n").encode(), id="CR CR LF"),
        pytest.param((HEAD + "\r\n" + ROWS).encode(), id="mixed line ends"),
        pytest.param((HEAD + "\n" + ROWS).replace(",", ";").encode(), id="semicolon"),
        pytest.param((HEAD + "\n" + ROWS).replace(",", "\t").encode(), id="tab"),
        pytest.param((HEAD + "\n" + ROWS).replace(",", ";").replace(".", ",").encode(), id="decimal comma"),
        pytest.param((HEAD + "\n" + ROWS).replace(",", "\t").replace(".", ",").encode(), id="decimal comma, tabs"),
        pytest.param((HEAD + "\n" + ROWS).replace("\n", ",\n").encode(), id="trailing delimiters"),
        pytest.param((HEAD + "\n" + ROWS.replace("\n", ",\n")).encode(), id="trailing delimiters below"),
        pytest.param((HEAD + "\n" + ROWS).replace(",", " , ").encode(), id="blanks round the cells"),
        pytest.param(("Invented logger\nUnit 7, cold start\n\n" + HEAD + "\n" + ROWS).encode(), id="preamble"),
        pytest.param(("Rate,10\nSeats,2\nDoors,4\n" + HEAD + "\n" + ROWS).encode(), id="preamble with numbers"),
        pytest.param(("\n" * 29 + HEAD + "\n" + ROWS).encode(), id="header in line 30"),
        pytest.param((HEAD + "\ns,1/min,-\n" + ROWS).encode(), id="units below"),
        pytest.param(("s,1/min,-\n" + HEAD + "\n" + ROWS).encode(), id="units above"),
        pytest.param((HEAD + "\n\n" + ROWS.replace("\n", "\n\n")).encode(), id="blank lines"),
        pytest.param(
            "\n".join(
                ",".join(f'"{cell}"' for cell in line.split(",")) for line in (HEAD + "\n" + ROWS).splitlines()
            ).encode()
            + b"\n",
            id="all quoted",
        ),
        pytest.param(
            (HEAD + "\n" + ROWS.replace("0.95", '"0,95"').replace("0.96", '"0,96"').replace("0.97", '"0,97"'))
            .replace("0.0,", "0,")
            .replace("0.1,", '"0,1",')
            .replace("0.2,", '"0,2",')
            .encode(),
            id="quoted decimal comma",
        ),
        pytest.param((HEAD + "\n" + ROWS + HEAD + "\n").encode(), id="header repeated"),
        pytest.param(
            ("\ufeff" + HEAD + "\n" + ROWS[:13] + "\ufeff" + HEAD + "\n" + ROWS[13:]).encode(), id="two exports, each a BOM"
        ),
        pytest.param((HEAD + "\n" + ROWS[:13] + "\ufeff" + ROWS[13:]).encode(), id="a BOM before a row"),
        pytest.param((HEAD + "\n" + ROWS + "0.3,920,0.9").encode(), id="cut last row"),
        pytest.param((HEAD + "\n" + ROWS + "\0" * 40).encode(), id="NUL bytes at the end"),
        pytest.param((HEAD + "\n" + ROWS + "\x1a").encode(), id="end-of-file sign"),
    ],
)
def test_same_table_whatever_the_dress(raw):
    assert numbers(raw) == [[0.0, 0.1, 0.2], [900, 910, 915], [0.95, 0.96, 0.97]]


def test_latin_1_names():
    raw = "Temps (s);Régime;Température eau (°C);Richesse\n0;900;80;1\n1;905;80;1\n".encode("latin-1")
    text = open_log(raw, "x.csv")
    assert text.names == ("Temps (s)", "Régime", "Température eau (°C)", "Richesse")


def test_lines_count_from_one_through_preamble_and_blank_lines():
    raw = ("made up\n\n" + HEAD + "\ns,1/min,-\n\n" + ROWS.replace("0.1,", "\n0.1,")).encode()
    assert read_rows(open_log(raw, "x.csv"), [0]).line.tolist() == [6, 8, 9]


def test_a_line_of_other_signs_far_below_is_read_by_itself():
    raw = (HEAD + ",Note\n" + ROWS.replace("\n", ",x\n") * 3).encode() + "0.9,9\xa0000,0.98,\xe9\n".encode("latin-1")
    text = open_log(raw.replace(b"x\n", b"y" * 200_000 + b"\n"), "x.csv")
    assert read_rows(text, [0, 1, 2]).values[1].tolist()[-2:] == [915.0, 9000.0]


def test_what_stands_between_header_and_rows_is_counted():
    raw = (HEAD + "\ns,1/min,-\nlogging started\n" + ROWS).encode()
    rows = read_rows(open_log(raw, "x.csv"), [1])
    assert rows.values[0].tolist() == [900.0, 910.0, 915.0]
    assert rows.line.tolist() == [4, 5, 6]
    assert rows.dropped == {RowFault.FEWER: 1}


def test_duplicate_and_empty_names():
    text = open_log(b"Time,AFR,AFR,,AFR [2]\n0,1,2,3,4\n1,1,2,3,4\n", "x.csv")
    assert text.names == ("Time", "AFR", "AFR [3]", "column 4", "AFR [2]")


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"0.3,920\n", RowFault.FEWER),
        (b"0.3,920,1,7\n", RowFault.MORE),
        (b"0.3,9\x0020,1\n", RowFault.NUL),
        (HEAD.encode() + b"\n", RowFault.HEADER_AGAIN),
        (b"s,1/min,-\n", RowFault.UNITS_AGAIN),
        (b"0.3,920,14", RowFault.CUT),
        (b"0.3,9", RowFault.CUT),
    ],
)
def test_each_lost_row_has_its_reason(line, reason):
    raw = (HEAD + "\ns,1/min,-\n" + ROWS).encode() + line
    rows = read_rows(open_log(raw, "x.csv"), [0, 1, 2])
    assert rows.dropped == {reason: 1}
    assert len(rows.line) == 3


def test_grouped_thousands_need_a_decision_that_is_said():
    raw = b"Zeit;Drehzahl;Lambda\n0;1,100;1\n1;1,200;1\n"
    text = open_log(raw, "x.csv")
    assert text.decimal == ","
    assert [note.kind for note in text.notes] == [Note.LAYOUT, Note.COMMA_ASSUMED]
    assert read_rows(open_log(raw, "x.csv", decimal="."), [1]).values[0].tolist() == [1100.0, 1200.0]


def test_decimal_comma_first_seen_far_below():
    rows = "".join(f"{i};900;1\n" for i in range(400)) + "400;900;0,95\n"
    text = open_log(("Zeit;Drehzahl;Lambda\n" + rows).encode(), "x.csv")
    assert read_rows(text, [2]).values[0][-1] == 0.95


@pytest.mark.parametrize(
    ("raw", "words", "line"),
    [
        (b"", "the file is empty", 1),
        (b"\0\0\0\n\n", "the file is empty", 1),
        (b"Time,RPM,Lambda\n", "no rows of numbers stand behind a header", 1),
        (b"just a letter to a friend\nwith two lines\n", "no rows of numbers stand behind a header", 1),
        (b"0,900,1\n1,900,1\n", "rows of numbers but no header", 1),
        (b"\x89\x01\x02\x03\x04\x05\x06\x07" * 30, "this is a binary file", 1),
        (
            b"\n" * 200 + b"Time,RPM,Lambda\n0,900,1\n1,900,1\n",
            "no header followed by rows of numbers stands within",
            1,
        ),
        (
            b"Time,RPM,Lambda\n0,0,900,0,95\n0,1,900,0,96\n",
            "header has 3 names, but the rows .* have 5 cells",
            1,
        ),
        (b"Time,RPM,Lambda,Note\n0,900,1\n1,900,1\n", "header has 4 names, but the rows .* have 3 cells", 1),
        (b"Zeit;Drehzahl;Lambda\n0,1;900;1.05\n0,2;900;1.06\n", "both decimal points and decimal commas", 2),
    ],
)
def test_refusals(raw, words, line):
    with pytest.raises(LogFormatError, match=words) as caught:
        open_log(raw, "x.csv")
    assert (caught.value.path, caught.value.line) == ("x.csv", line)


def test_decimal_must_be_a_mark():
    for decimal in (";", "", 3, ["."]):
        with pytest.raises(InputError, match=r"decimal is .*, but must be"):
            read((HEAD + "\n" + ROWS).encode(), decimal=decimal)


def test_other_header_in_mid_file_is_refused():
    raw = (HEAD + "\n" + ROWS + "Engine Speed (rpm),Time (s),Lambda\n" + ROWS).encode()
    with pytest.raises(LogFormatError, match=r"line 5: a second header .* Split the file") as caught:
        read_rows(open_log(raw, "x.csv"), [0])
    assert caught.value.line == 5


def test_a_row_of_numbers_is_no_header_though_names_are_numbers():
    raw = b"Time (s),RPM,Lambda,TPS,0.95,0.96,0.97\n" + b"0.1,900,0.95,0.95,0.95,0.95,0.96\n" * 3
    assert read_rows(open_log(raw, "x.csv"), [2]).values[0].tolist() == [0.95] * 3


_CELL = st.one_of(
    st.text("0123456789.+-eE ,x\t'", max_size=8),
    st.floats(allow_nan=True).map(repr),
    st.floats(-1e4, 1e4).map(lambda number: f"{number:.3f}"),
    st.sampled_from(["", "-", "NODATA", "n.a.", "nan", "NaN", "inf", "-Infinity", "True", "1_0", "0x1A", "1e", "°", "1e17"]),
)


@settings(max_examples=300, deadline=None)
@given(st.lists(_CELL, max_size=12), st.sampled_from(["\n", "\r\n", ";\n"]), st.sampled_from([".", ","]))
def test_a_cell_means_the_same_in_any_company(cells, end, decimal):
    cells = [cell for cell in cells if "\t" not in cell]
    raw = end.join(["Time;RPM;Lambda", "0;900;1", *(f"1;{cell};1" for cell in cells), ""]).encode()
    log = read_rows(open_log(raw, "x.csv", decimal=decimal), [1])
    np.testing.assert_array_equal(log.values[0], [900.0, *(number_from_cell(cell, decimal) for cell in cells)])


@pytest.mark.parametrize("block", [1 << 10, 1 << 22])
@pytest.mark.parametrize("last", ["", ",", ",ok", ",-"])
def test_dirt_in_a_long_log_costs_only_its_own_rows(monkeypatch, last, block):
    monkeypatch.setattr(logtext, "_BLOCK_BYTES", block)
    lines = [
        f"10:{i // 600:02d}:{i // 10 % 60:02d}.{i % 10},{'' if i % 9 == 8 else 900 + i},0.95{last}" for i in range(5000)
    ]
    there = read_rows(open_log("\r\n".join([HEAD + last, *lines, ""]).encode(), "x.csv"), [0, 1, 2], clock=[0])
    np.testing.assert_array_equal(there.line, np.arange(2, 5002))
    np.testing.assert_allclose(there.values[0], 36000 + np.arange(5000) / 10, rtol=1e-12)
    assert np.isnan(there.values[1][8::9]).all()
    assert not there.dropped
    # The delimiters of the three that are lost add up to those of three good rows.
    lines[1234], lines[1235] = lines[1234] + ",7", "10:02:03.5,900"
    lines[2345], lines[3456] = "oops", f'10:05:45.6,"text",0.9{last}'
    text = open_log("\r\n".join([HEAD + last, *lines, ""]).encode(), "x.csv")
    rows = read_rows(text, [0, 1, 2], clock=[0])
    assert rows.dropped == {RowFault.FEWER: 2, RowFault.MORE: 1}
    assert sorted(set(range(2, 5002)) - set(rows.line.tolist())) == [1236, 1237, 2347]
    assert rows.values[0][rows.line == 3458] == 36345.6
    assert np.isnan(rows.values[1][rows.line == 3458])
    kept = np.isin(there.line, rows.line) & (there.line != 3458)
    for a, b in zip(there.values, rows.values, strict=True):
        np.testing.assert_array_equal(a[kept], b[rows.line != 3458])


@pytest.mark.parametrize("cell", ['"910"', "9\x0010", "910\x00"])
def test_a_quote_or_nul_among_clock_times(cell):
    raw = f"Time,RPM\n10:00:00,900\n10:00:01,{cell}\n10:00:02,915\n".encode()
    rows = read_rows(open_log(raw, "x.csv"), [0, 1], clock=[0])
    assert rows.values[1].tolist() == ([900, 910, 915] if '"' in cell else [900, 915])
    assert rows.dropped == ({} if '"' in cell else {RowFault.NUL: 1})


def test_quoted_cells_with_delimiters_and_quotes_inside():
    raw = b'Time,RPM,Note,Lambda\n0,"1,900","a ""b"", c",0.95\n1, "2 000",,"0.96"\n2,2100,"open,0.97\n'
    rows = read_rows(open_log(raw, "x.csv", decimal="."), [0, 1, 3])
    assert [column.tolist() for column in rows.values] == [[0, 1], [1900, 2000], [0.95, 0.96]]
    assert rows.dropped == {RowFault.FEWER: 1}


def test_a_quote_that_never_closes_swallows_nothing():
    text = open_log(('"a note, open\n' + HEAD + "\n" + ROWS).encode(), "x.csv")
    assert text.names == ("Time (s)", "Engine Speed (rpm)", "Lambda")


@pytest.mark.parametrize("row", ["0.1 s;910 rpm;0.96", "0,1s\t910rpm\t96 %"])
def test_units_in_the_cells_are_refused_with_the_cure(row):
    separator = ";" if ";" in row else "\t"
    head = separator.join(("time", "rpm", "lambda"))
    with pytest.raises(LogFormatError, match=r"x\.csv, line 1: no .*rows of numbers.* keep units out of the cells"):
        open_log("\n".join([head, *[row] * 5, ""]).encode(), "x.csv")
    bare = re.sub(r"(?<=\d) ?[a-z%]+", "", row)
    assert open_log("\n".join([head, *[bare] * 5, ""]).encode(), "x.csv").names == ("time", "rpm", "lambda")
