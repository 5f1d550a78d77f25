"""Where a log comes from: under a table of settings, an open file, a DataFrame, another kind of file; wrong arguments."""

from __future__ import annotations

import gzip
import io
import zipfile

import numpy as np
import pandas as pd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from log_cases import BASE, LAMBDA, RPM, SECONDS, N, kinds, made, read, rows_of

import needlecalc as nc
from needlecalc.measure.log.columns import Note

# --- where the table lies -----------------------------------------------------------------------


@pytest.mark.parametrize("count", [5, 60, 150])
@pytest.mark.parametrize("gap", ["", "\n"])
def test_a_table_of_settings_above_the_log_is_skipped(count, gap):
    settings_above = "Setting,Value,Step\n" + "".join(f"gain {k},{k},0.5\n" for k in range(count)) + gap
    log = read((settings_above + "Time (s),RPM,Lambda\n" + rows_of(0, 20)).encode())
    assert log.rpm.size == 20
    assert log.line[0] == count + 3 + len(gap)
    curve = "x,y,z\n" + "".join(f"{k},{k * k},{k}\n" for k in range(count)) + gap
    assert read((curve + "Time (s),RPM,Lambda\n" + rows_of(0, 20)).encode()).rpm.size == 20


def archive(name: str) -> bytes:
    file = io.BytesIO()
    with zipfile.ZipFile(file, "w") as made_zip:
        made_zip.writestr(name, "Time,RPM,Lambda\n0,900,1\n")
    return file.getvalue()


@pytest.mark.parametrize(
    ("raw", "words"),
    [
        (archive("log.csv"), "a zip archive or a spreadsheet, not a log as text. Unpack it"),
        (gzip.compress(b"Time,RPM,Lambda\n0,900,1\n", mtime=0), "a gzip archive"),
        (b"%PDF-1.7\n%\xe2\xe3", "a PDF document"),
        (b"<!DOCTYPE html>\n<html><body>log</body></html>", "an HTML page"),
        (b"\xef\xbb\xbf <html lang='en'>", "an HTML page"),
        (b'<?xml version="1.0"?><log/>', "an XML file"),
        (b"MDF     4.10    " + b"\0" * 48, "an MDF measurement file, .* hand read_log the DataFrame"),
        (b"\x89HDF\r\n\x1a\n" + b"\0" * 20, "an HDF5 file"),
        (b"PAR1\x15\x04", "a parquet file"),
        (b"SQLite format 3\0", "an SQLite database"),
        (b"\x89PNG\r\n\x1a\n\0\0", "a PNG picture"),
    ],
    ids=lambda value: value if isinstance(value, str) else "file",
)  # fmt: skip
def test_files_of_another_kind_are_named(raw, words):
    # The first bytes are those of the open formats' own specifications.
    with pytest.raises(nc.LogFormatError, match=f"van.csv, line 1: this is {words}"):
        read(raw, "van.csv")


def test_text_that_begins_like_another_kind_is_a_log():
    assert read(b"PKW log\n<html> says nobody\nTime,RPM,Lambda\n0,900,1\n1,900,1\n").rpm.size == 2


# --- other ways in and out ----------------------------------------------------------------------


@pytest.mark.parametrize("kind", [io.StringIO, lambda text: io.BytesIO(text.encode())])
def test_open_files(kind, tmp_path):
    text = "Time (s),RPM,Lambda\n" + rows_of(0, 20)
    log = nc.read_log(kind(text))
    assert (log.name, log.rpm.size) == ("open file", 20)
    (tmp_path / "drive.csv").write_text(text)
    with (tmp_path / "drive.csv").open("rb") as file:
        same = nc.read_log(file)
    assert (same.name, same.sha256) == ("drive.csv", log.sha256)
    with pytest.raises(nc.LogFormatError, match=r"drive.csv cannot be opened: .*closed file"):
        nc.read_log(file)


def test_a_frame_reads_as_its_file_does():
    text = "Time (s),RPM,AFR,Coolant (degF)\n" + "".join(f"{k / 10},{900 + k},{13 + k % 9 / 7:.3f},185\n" for k in range(60))
    there, here = read(text.encode()), nc.read_log(pd.read_csv(io.StringIO(text)))
    pd.testing.assert_frame_equal(here.to_frame(), there.to_frame())
    assert here.name == "DataFrame"
    assert here.columns == there.columns


@pytest.mark.parametrize(
    "index",
    [
        pd.Index(SECONDS, name="timestamps"),
        pd.date_range("2031-05-05 23:59:58", periods=N, freq="100ms"),
        pd.date_range("2031-05-05 23:59:58", periods=N, freq="100ms", tz="Europe/Berlin"),
        pd.to_timedelta(SECONDS + 7, unit="s"),
    ],
)
def test_a_frame_whose_index_is_the_time(index):
    frame = pd.DataFrame({"RPM": RPM, "Lambda": LAMBDA, "note": "a;b"}, index=index)
    log = nc.read_log(frame)
    np.testing.assert_allclose(log.time_s, SECONDS, atol=1e-9)
    np.testing.assert_array_equal(log.lambda_measured, LAMBDA)
    assert frame.columns.tolist() == ["RPM", "Lambda", "note"]


def test_a_frame_with_columns_of_two_levels_and_numbers_as_text():
    frame = pd.DataFrame({("Time", "s"): SECONDS, ("Engine", "RPM"): RPM, ("Lambda", ""): [f"{x:.3f}" for x in LAMBDA]})
    np.testing.assert_array_equal(nc.read_log(frame, columns={"time": "Time s"}).lambda_measured, LAMBDA)
    with pytest.raises(nc.LogFormatError, match="DataFrame, line 1: the file is empty"):
        nc.read_log(pd.DataFrame())


def test_to_frame_gives_the_rows_under_house_names():
    log = made(
        {**BASE, "MAP (kPa)": 40.0, "TPS (%)": 20.0, "Lift (inch)": 0.25, "MAF (kg/h)": 36.0, "Coolant (degF)": 185.0}
    )
    frame = log.to_frame()
    assert frame.columns.tolist() == [
        "time_s", "rpm", "lambda_measured", "throttle_percent", "manifold_pressure_pa", "air_flow_g_s", "lift_mm",
        "coolant_degc", "line", "flag",
    ]  # fmt: skip
    again = nc.read_log(frame)
    pd.testing.assert_frame_equal(again.to_frame().drop(columns="line"), frame.drop(columns="line"))
    assert not any(kind is not Note.LAYOUT for kind in kinds(again))


# --- wrong arguments ----------------------------------------------------------------------------

LOG = ("Time (s),RPM,Lambda\n" + rows_of(0, 20)).encode()


@pytest.mark.parametrize(
    ("options", "words"),
    [
        ({"columns": {"time": 3}}, r"columns: time is 3, but must be a text, as in columns=\{'time': '...'\}"),
        ({"columns": {"time": None}}, r"columns: time is (None|nothing), but must be a text"),
        ({"columns": {3: "RPM"}}, "columns: 3 is not a meaning; known are time, rpm"),
        ({"columns": "RPM"}, "columns is 'RPM', but must pair a meaning with a text"),
        ({"columns": [("rpm", "RPM")]}, "columns is .*, but must pair a meaning with a text"),
        ({"units": {"rpm": 1000}}, "units: rpm is 1000, but must be a text"),
        ({"units": {"rpm": ""}}, "units: '' is not a known unit"),
        ({"units": 5}, "units is 5, but must pair"),
        ({"afr_stoich": "14.7"}, "afr_stoich must be a number, got '14.7'"),
        ({"afr_stoich": [14.7]}, "afr_stoich must be a number"),
        ({"ambient_pa": True}, "ambient_pa must be a number, got true"),
        ({"ambient_pa": float("nan")}, "ambient_pa is nan, but must lie"),
        ({"decimal": b","}, "decimal is b',', but must be"),
        ({"columns": {"time": "x" * 5000}}, "columns says time is 'xxx"),
        ({"units": {"time": "\x1b[31m" + "x" * 5000}}, "is not a known unit"),
        ({"columns": {"rpm\n" * 2000: ""}}, "is not a meaning"),
        ({"afr_stoich": "x\n" * 5000}, "afr_stoich must be a number"),
    ],
)
def test_wrong_kinds_of_argument_are_ours_to_say(options, words):
    with pytest.raises(nc.InputError, match=words) as caught:
        read(LOG, **options)
    assert len(str(caught.value)) < 600
    assert str(caught.value).isprintable()


@pytest.mark.parametrize(
    "source", [None, 3, 3.5, ["drive.csv"], {"time": [1]}, b"drive.csv", np.zeros((3, 3)), "a\0b", ".", ""]
)
def test_wrong_kinds_of_source_are_ours_to_say(source):
    with pytest.raises(nc.InputError, match=r"read_log takes the path of a file|cannot be opened") as caught:
        nc.read_log(source)
    assert str(caught.value).isprintable()


def test_a_file_that_gives_something_else_or_fails():
    class Odd:
        def __init__(self, given):
            self.given = given

        def read(self):
            if isinstance(self.given, Exception):
                raise self.given
            return self.given

    with pytest.raises(nc.InputError, match="open file gives 3 when read, but must give text or bytes"):
        nc.read_log(Odd(3))
    for error in (OSError("gone"), UnicodeDecodeError("utf-8", b"\xff", 0, 1, "no such sign")):
        with pytest.raises(nc.LogFormatError, match=r"open file cannot be opened: .*(gone|no such sign)"):
            nc.read_log(Odd(error))


def test_long_and_odd_names_stay_short_in_messages_and_their_cure_works():
    long, odd = "Lambda " + "x" * 5000, "Lambda \x1b[31m\x07rear"
    table = f"Time (s),RPM,{long},{odd}\n" + "".join(f"{k},{900 + k},0.9{k},1.1{k}\n" for k in range(9))
    with pytest.raises(nc.LogFormatError, match="2 columns could be the mixture") as caught:
        read(table.encode())
    message = str(caught.value)
    assert message.isprintable()
    assert len(message) < 600
    example = message.split("columns={'lambda': '")[1].split("'}")[0]
    log = read(table.encode(), columns={"lambda": example})
    assert log.report().replace("\n", " ").isprintable()
    assert len(log.report()) < 4000
    with pytest.raises(nc.LogFormatError, match="no column is an engine speed") as caught:
        read(
            ("Time (s),Lambda," + ",".join(f"channel {k}" for k in range(300)) + "\n" + "1,0.9" + ",2" * 300 + "\n").encode()
        )
    assert len(str(caught.value)) < 1500
    assert "and 262 more columns" in str(caught.value)


_TEXT_OR_NOT = st.one_of(st.none(), st.integers(), st.text(max_size=8), st.sampled_from(["RPM", "Lambda", "s", "AFR"]))


@settings(max_examples=150, deadline=None)
@given(
    st.one_of(_TEXT_OR_NOT, st.dictionaries(st.sampled_from(["rpm", "time", "x", 3]), _TEXT_OR_NOT, max_size=3)),
    st.sampled_from(["columns", "units", "afr_stoich", "ambient_pa", "decimal"]),
)
def test_any_argument_gives_a_log_or_our_own_error(value, argument):
    try:
        log = read(LOG, **{argument: value})
    except nc.InputError:
        return
    assert log.rpm.size <= 20
