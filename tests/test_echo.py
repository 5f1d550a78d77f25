"""Names and cells as the user typed them: wherever they are repeated, on one line, short, and never taken for a formula."""

from __future__ import annotations

import io
import re
import sys
import unicodedata

import numpy as np
import pytest
from conftest import DIAMETERS_MM, STATIONS_MM, asked, make_setup
from door_cases import change, typed_job
from hypothesis import given
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.__main__ import main
from needlecalc.echo import LONGEST_VALUE, plain, shown
from needlecalc.report.pages import write_pdf
from needlecalc.show import Column, Table

NASTY = "a\x1b[31m\nb\r\tc\x00d\u202ee\u2028f\udc80g"


def raw(text: str, but: str = "") -> set[str]:
    """Characters that no terminal, table or sheet may be handed, but for these."""
    return {sign for sign in text if unicodedata.category(sign) in ("Cc", "Cs", "Zl", "Zp") and sign not in but}


@given(st.text(st.characters(exclude_categories=()), max_size=200), st.integers(4, 90))
def test_text_on_one_line(text, most):
    safe = plain(text, most)
    assert not raw(safe)
    assert len(safe) <= most
    assert plain(text) == text or raw(text) or any(unicodedata.category(sign) == "Cf" for sign in text)
    assert plain(safe) == safe


VALUES = st.recursive(
    st.none() | st.booleans() | st.integers() | st.floats() | st.text(max_size=60) | st.dates(),
    lambda inner: st.lists(inner) | st.dictionaries(st.text(max_size=9), inner),
)


@given(VALUES)
def test_values_are_shown_short(value):
    said = shown(value)
    assert not raw(said)
    assert len(said) <= 10 * LONGEST_VALUE + 3  # each of the signs kept may be written as a number


def test_values_without_end():
    endless: list[object] = []
    endless.append(endless)
    assert shown(endless) == "[" * (LONGEST_VALUE) + "..."
    assert shown(10**5000) == "a whole number of more than 4000 digits"
    assert shown(np.float64(2.5)) == "2.5"
    assert shown(np.arange(1e6)).startswith("array([")
    assert shown(None) == "nothing"


def test_messages_and_tables_hold_no_control_characters():
    assert not raw(str(nc.InputError(NASTY)))
    table = Table(NASTY, (Column("a", NASTY),), [{"a": NASTY}], (NASTY,), (NASTY,))
    assert not raw(table.text(), "\n") | raw(table.html())
    needle = nc.Needle(NASTY, [0.0, 3.0], [2.4, 2.3], source=NASTY)
    bands = nc.typed_bands([900.0], [1.0], load=[NASTY])
    for record in (needle, bands, nc.Setup(make_setup().engine, make_setup().carburettor, name=NASTY)):
        assert not raw(repr(record)) | raw(str(record), "\n")
    assert len(nc.Needle("n" * 5000, [0.0, 3.0], [2.4, 2.3]).name) == 80


@pytest.mark.parametrize("kind", [nc.Needle, lambda name, *rest: nc.typed_bands([900.0], [1.0], load=[name])])
@pytest.mark.parametrize("name", [3, None, b"n", ["n"]])
def test_a_name_is_text(kind, name):
    with pytest.raises(nc.InputError, match=r"must be (text|a list of 1 name)"):
        kind(name, [0.0, 3.0], [2.4, 2.3])


def test_a_name_is_no_formula(tmp_path):
    name = r"$\frac{1}{$ or $\notaword$, {}%s_^" + "\x1b\n"
    setup = make_setup().with_needle(nc.Needle(name, STATIONS_MM, DIAMETERS_MM))
    setup = nc.Setup(setup.engine, setup.carburettor, name=name)
    design = nc.solve(asked(setup, [3.0, 8.0, 14.0, 20.0], [1.02, 1.03, 1.04, 1.05], 0.97), setup, with_alternatives=False)
    write_pdf(nc.grind_sheet(design), tmp_path / "sheet.pdf")
    assert f"Needle {plain(name)} from its side" in nc.plot(design).get_label()
    nc.plot(nc.compare(setup, design.present(), design.needle)).figure.canvas.draw()
    assert not raw(nc.grind_sheet(design).text(), "\n")


def test_a_job_and_a_needle_with_odd_names_at_the_door(case, tmp_path, capsys):
    typed_job(case)
    odd = r'name = "van\u001b[31m\n2 $\\frac{1}{$"'
    case.write_text(re.sub(r"^name = .*$", odd.replace("\\", r"\\"), case.read_text(), flags=re.MULTILINE))
    assert main(["design", str(case), "--out", str(tmp_path / "out")]) in (0, 3)
    printed = capsys.readouterr().out
    assert not raw(printed, "\n")
    assert r", van\x1b[31m\n2 $\frac{1}{$" in " ".join(printed.split())
    present = nc.read_job(case).setup.carburettor.needle
    saved = tmp_path / "saved.csv"
    readings = [f"{d:.4f}" for d in present.diameters_mm]
    assert main(["measured", str(case), *readings, "--save", str(saved)]) in (0, 3)
    assert not raw(capsys.readouterr().out + saved.read_text(), "\n")
    np.testing.assert_allclose(nc.read_needle(saved).diameters_mm, present.diameters_mm, atol=1e-4)


@pytest.mark.parametrize(
    "words",
    [
        ["design", "a\0b", "--out", "out"],
        ["learn", "a\0b"],
        ["measured", "{job}", "--file", "a\0b"],
        ["compare", "a\0b", "c", "--job", "{job}"],
        ["design", "{job}", "--out", "a\0b"],
        ["measured", "{job}", "--file", "{needle}", "--save", "a\0b"],
        ["design", "n" * 5000, "--out", "out"],
        ["measured", "{job}", "\x1b" * 5000, *["-"] * 12],
    ],
)
def test_no_file_can_have_that_name(case, tmp_path, capsys, words):
    typed_job(case)
    readings = tmp_path / "readings.csv"
    needle = nc.read_job(case).setup.carburettor.needle
    readings.write_text("station,measured_mm\n" + "".join(f"{k},{d}\n" for k, d in enumerate(needle.diameters_mm, 1)))
    assert main([word.format(job=case, needle=readings) for word in words]) == 2
    said = capsys.readouterr().err
    assert said.count("\n") == 1
    assert not raw(said, "\n")
    assert len(said) < 500


def test_a_terminal_that_cannot_show_a_letter(case, tmp_path, monkeypatch):
    typed_job(case)
    table = case.parent / "pass_van_needle.csv"
    other = tmp_path / "nádel-針.csv"
    other.write_text(table.read_text())
    out = io.TextIOWrapper(io.BytesIO(), encoding="ascii")
    monkeypatch.setattr(sys, "stdout", out)
    assert main(["compare", str(table), str(other), "--job", str(case)]) == 0
    out.flush()
    assert rb"n\xe1del-\u91dd" in out.buffer.getvalue()


def test_a_job_saved_with_a_mark_of_its_byte_order(case):
    case.write_bytes(b"\xef\xbb\xbf" + case.read_bytes())
    assert nc.read_job(case).name


def test_a_meter_whose_zero_is_known_for_sure(case):
    change(case, "[target]", "[doubts]\nsensor_offset = 0\n[target]")
    target = nc.read_job(case).target(nc.read_job(case).bands(nc.read_job(case).read_log()))
    assert (target.sensor_zero.mean, target.sensor_zero.u, target.sensor_zero.readings) == (0.0, 0.0, 0)
