"""Sheets and pages as they print, kept whole: both demo drives, a slide carburettor; card and pages in each language.

Refresh them by ``NEEDLECALC_GOLDEN=write python -m pytest tests/test_golden_sheets.py``, and read what changed.
"""

from __future__ import annotations

import os
import re
from dataclasses import replace
from datetime import UTC, datetime
from functools import cache, partial
from pathlib import Path

import numpy as np
import pytest
from conftest import DATA
from test_slide import short_drive, slide_setup

import needlecalc as nc
from needlecalc.design.after.trip import Route

GOLDEN = Path(__file__).parent / "golden"
NOON = datetime(2025, 6, 1, 12, 0, tzinfo=UTC)
FOOT = re.compile(r"(?<=\n)(?=Made by |needlecalc \d)")
NUMBER = re.compile(r"\d+(?:\.\d+)?")


def of_job(name, **paper):
    job = nc.read_job(DATA / name)
    design = job.design()
    return nc.grind_sheet(design, made_at=NOON, paper=nc.Paper(**paper))


def of_a_slide(language="en"):
    setup = slide_setup(drop_min_mm=0.8, drop_max_mm=2.4)
    bands = nc.typed_bands(
        [1500, 2500, 3500, 4500, 5500],
        [1.0, 1.08, 1.08, 1.1, 1.1],
        lift_mm=[3.0, 8.0, 14.0, 20.0, 26.0],
        air_flow_g_s=[2.0, 8.0, 18.0, 30.0, 42.0],
        load=["idle", "light", "part", "full", "full"],
    )
    design = nc.solve(nc.make_target(nc.with_lift(bands, setup)), setup)
    return nc.grind_sheet(design, made_at=NOON, paper=nc.Paper(language=language))


@cache
def two_drives():
    """The demo's second drive, the first one kept; its design."""
    first, second = (nc.read_job(DATA / name) for name in ("pass_van.toml", "pass_van_second.toml"))
    bands = [job.bands(job.read_log()) for job in (first, second)]
    passes = [
        nc.Pass(job.setup.carburettor.needle, job.setup.carburettor.jet.drop_mm, one)
        for job, one in zip((first, second), bands, strict=True)
    ]
    learned = nc.learn(nc.History(tuple(passes)), second.setup)
    return second, nc.solve(second.target(bands[1]), second.setup, learned=learned, with_alternatives=False)


def outlook_of(design, **places):
    cut = replace(design.setup.carburettor, float_ahead_mm=70.0)
    return nc.at_altitude(replace(design.setup, carburettor=cut), design.target.bands, design, places, home=590.0)


def card_of(language):
    outlook = outlook_of(two_drives()[1], **{"1200 m": 1200.0, "2600 m": 2600.0})
    route = Route(np.array([0.0, 8.0, 15.0, 22.0]), np.array([590.0, 1200.0, 2600.0, 900.0]))
    return nc.AltitudeCard(outlook, route=route, made_at=NOON, paper=nc.Paper(language=language))


def pages_of(language):
    _, design = two_drives()
    notes = nc.report.Notes("Ruckelt bei 3000/min", "zu mager", "", {"hc_ppm": "1200"})
    outlook = outlook_of(design, **{"2600 m": 2600.0})
    gas = nc.checks.GasReading(co_percent=0.6, co2_percent=14.7, o2_percent=0.3, hc_ppm=140.0)
    paper = nc.Paper(language=language)
    return nc.Handover(design, notes=notes, outlook=outlook, gas=gas, co_limit_percent=1.2, paper=paper, made_at=NOON)


def of_a_slide_card():
    setup = slide_setup(drop_min_mm=0.8, drop_max_mm=2.4)
    outlook = nc.at_altitude(setup, short_drive(setup, [0.96, 1.0, 0.87]), None, {"2400 m": 2400.0})
    return nc.AltitudeCard(outlook, made_at=NOON)


def of_two_needles(language="en"):
    job = nc.read_job(DATA / "pass_van.toml")
    stock = job.setup.carburettor.needle
    filed = nc.Needle("filed", stock.stations_mm, stock.diameters_mm - np.linspace(0.0, 0.06, 13), source="measured")
    found = nc.compare(job.setup, stock, filed, bands=job.bands(job.read_log()))
    return nc.report.compare_page(found, made_at=NOON, paper=nc.Paper(language=language))


SHEETS = {
    **{f"card_{language}": partial(card_of, language) for language in ("en", "de")},
    **{f"customer_{language}": lambda language=language: pages_of(language).customer() for language in ("en", "de")},
    **{f"tester_{language}": lambda language=language: pages_of(language).tester() for language in ("en", "de")},
    "card_slide": of_a_slide_card,
    "pass_van": lambda: of_job("pass_van.toml"),
    "pass_van_de": lambda: of_job("pass_van.toml", language="de"),
    "pass_van_second": lambda: of_job("pass_van_second.toml"),
    "slide": of_a_slide,
    "slide_de": partial(of_a_slide, "de"),
    "compare": of_two_needles,
    "compare_de": partial(of_two_needles, "de"),
}


@pytest.mark.parametrize("name", SHEETS)
def test_the_sheet_prints_as_it_did(name):
    text, file = FOOT.split(SHEETS[name]().text())[0], GOLDEN / f"{name}.txt"
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
