"""Sheets as they print, kept whole: both demo drives, and a slide carburettor.

Refresh them by ``NEEDLECALC_GOLDEN=write python -m pytest tests/test_golden_sheets.py``, and read what changed.
"""

from __future__ import annotations

import os
import re
from datetime import UTC, datetime
from pathlib import Path

import pytest
from conftest import DATA
from test_slide import slide_setup

import needlecalc as nc

GOLDEN = Path(__file__).parent / "golden"
NOON = datetime(2025, 6, 1, 12, 0, tzinfo=UTC)
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def of_job(name, **paper):
    job = nc.read_job(DATA / name)
    design = job.design()
    return nc.grind_sheet(design, made_at=NOON, paper=nc.Paper(**paper))


def of_a_slide():
    setup = slide_setup(drop_min_mm=0.8, drop_max_mm=2.4)
    bands = nc.typed_bands(
        [1500, 2500, 3500, 4500, 5500],
        [1.0, 1.08, 1.08, 1.1, 1.1],
        lift_mm=[3.0, 8.0, 14.0, 20.0, 26.0],
        air_flow_g_s=[2.0, 8.0, 18.0, 30.0, 42.0],
        load=["idle", "light", "part", "full", "full"],
    )
    design = nc.solve(nc.make_target(nc.with_lift(bands, setup)), setup)
    return nc.grind_sheet(design, made_at=NOON)


SHEETS = {
    "pass_van": lambda: of_job("pass_van.toml"),
    "pass_van_second": lambda: of_job("pass_van_second.toml"),
    "slide": of_a_slide,
}


@pytest.mark.parametrize("name", SHEETS)
def test_the_sheet_prints_as_it_did(name):
    text, file = SHEETS[name]().text().partition("Made by ")[0], GOLDEN / f"{name}.txt"
    if os.environ.get("NEEDLECALC_GOLDEN") == "write":
        file.write_text(text)
    kept = file.read_text()
    # Words to the letter; figures may differ by one of their last digit, as processors round.
    assert shape(text) == shape(kept)
    for now, before in zip(NUMBER.findall(text), NUMBER.findall(kept), strict=True):
        last = 10.0 ** -len(now.partition(".")[2])
        assert float(now) == pytest.approx(float(before), abs=1.01 * last), (now, before)


def shape(text):
    """The words, each figure as one sign whatever its digits."""
    return NUMBER.sub("0", text).replace("-", "").split()


def test_pistons_are_spoken_of_once():
    said = " ".join((GOLDEN / "pass_van.txt").read_text().split())
    assert "FULL LOAD RUNS TOO LEAN NOW" in said
    assert "FULL LOAD may run too lean on the next drive" in said
    assert said.count("melt pistons") == said.count("Stop on any pinking") == 1


def test_a_slide_is_never_told_of_what_it_has_not():
    said = " ".join(of_a_slide().text().split())
    for words in ("bridge", "flats", " nut", "piston,", "shoulder"):
        assert words not in said, words
    for words in ("clip groove", "needle jet", "pilot circuit", "opening"):
        assert words in said, words
    assert "slide" in next(block.svg for block in of_a_slide().document().pages[0].blocks if hasattr(block, "svg"))
