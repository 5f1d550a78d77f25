"""Facts before sentences: every kind has words, every template can be filled, and no figure hangs on a sentence."""

from __future__ import annotations

import json
import string
from datetime import UTC, datetime
from enum import StrEnum

import numpy as np
import pytest
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.after.outcome import Diagnosis, OutcomeRemark
from needlecalc.design.after.progress import NextStroke, WayOut
from needlecalc.design.after.rank import Worth
from needlecalc.design.after.trip import Mixture, State
from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.design.inverse.alternatives import Change, Unsolved
from needlecalc.design.inverse.limits import LimitKind
from needlecalc.design.inverse.nextstep import Unweighed
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.proposal import Measurement, Stages
from needlecalc.design.inverse.target import ForecastResult, TargetRemark, Why
from needlecalc.design.inverse.verdict import Cause, VerdictKind
from needlecalc.report import language, say
from needlecalc.report.language import texts_of, words, words_after, words_pages, words_sheet
from needlecalc.report.sheet import facts_of


def tables():
    """Every table of words, and every single sentence, by room and name."""
    for room, names in texts_of("en").items():
        for name, value in names.items():
            yield room, name, value


@pytest.mark.parametrize(
    ("kinds", "table"),
    [
        (Why, words.WHY),
        (TargetRemark, words.REMARKS),
        (DesignRemark, words.REMARKS),
        (Unsolved, words.REMARKS),
        (Unweighed, words.REMARKS),
        (VerdictKind, words.VERDICTS),
        (Cause, words.CAUSES),
        (LimitKind, words.LIMITS),
        (Measurement, words.MEASUREMENTS),
        (set(ForecastResult) - {ForecastResult.NO_LIMIT}, words.RESULTS),
        (Stages, words_sheet.DO),
        (Stages, words_sheet.STOP),
        (Stages, words_sheet.FINAL_HEADS),
        (Stages, words.CHANCE),
        (NextStroke, words_after.STROKES),
        (WayOut, words_after.WAYS_OUT),
        (AltitudeRemark, words_pages.FOUND),
        (State, words_pages.STATES),
        (State, words_pages.JET),
        *((Mixture, means) for means in words_pages.MEANS.values()),
        (LearnedRemark, words.REMARKS),
        (Diagnosis, words_after.DIAGNOSES),
        (OutcomeRemark, words_after.OUTCOME),
        (Worth, words_after.WORTH),
    ],
)
def test_every_kind_has_words(kinds, table):
    assert set(kinds) <= set(table)


def test_every_change_has_words():
    assert set(Change) <= {Change.LIMIT, *words.ALTERNATIVES, *words_after.RESCUES, *words_sheet.CHANGES}
    assert set(LimitKind) - {LimitKind.NO_REVERSED_TAPER} <= set(words.EASED)


def texts(value):
    """Every text in a table, however it is nested."""
    if isinstance(value, str):
        return [value]
    return [text for one in (value.values() if isinstance(value, dict) else value) for text in texts(one)]


def test_every_template_is_one():
    for _, name, value in tables():
        for template in texts(value):
            fields = [field for _, field, _, _ in string.Formatter().parse(template) if field is not None]
            assert all(field and field.replace("_", "").isalnum() for field in fields), (name, template)


def gibberish(value):
    """The same table with every sentence replaced by one that says nothing."""
    if isinstance(value, dict):
        return {key: gibberish(one) for key, one in value.items()}
    if isinstance(value, str):
        return "Xyz."
    return tuple(map(gibberish, value))


def designs():
    """Designs that between them have much to say."""
    setup, lifts = make_setup(drop_min_mm=1.2, drop_max_mm=2.5), np.linspace(2, 26, 9)
    load = ("idle", *("light",) * 3, *("full",) * 5)
    rich = asked(setup, lifts, np.linspace(0.86, 1.30, 9), 0.92, load=load, lambda_se=0.01)
    lean = asked(setup, lifts, np.linspace(0.98, 1.25, 9), 0.95, load=load, lambda_se=0.01)
    yield nc.solve(rich, setup, limits=nc.Limits(max_cut_mm=0.1, flats="half"))
    yield nc.solve(lean, setup, limits=nc.Limits(keep=(5,)))
    apart = nc.typed_bands([900, 2500, 3000], [0.95, 1.02, 0.92], lift_mm=[4.0, 12.0, 12.1], load=["idle", "light", "full"])
    yield nc.solve(nc.make_target(apart, idle_lambda_least=0.97), setup)


def test_no_figure_hangs_on_a_sentence(monkeypatch):
    made = [json.dumps(facts_of(sheet_of(design)), allow_nan=False) for design in designs()]
    blank = gibberish(texts_of("en"))
    monkeypatch.setattr(language, "texts_of", lambda _: blank)
    again = list(designs())
    assert [json.dumps(facts_of(sheet_of(design)), allow_nan=False) for design in again] == made
    text = sheet_of(again[0]).text()
    assert "Xyz." in text
    assert "melt pistons" not in text


def sheet_of(design):
    outlook = nc.at_altitude(design.setup, design.target.bands, design, 2000.0, home=0.0)
    return nc.grind_sheet(design, altitude=outlook, made_at=datetime(2020, 1, 1, tzinfo=UTC))


def test_remarks_are_said_with_their_figures():
    said = [words for design in designs() for words in map(say.remark, design.remarks)]
    assert len(said) > 12
    assert all("{" not in one and one.endswith(".") for one in said)


def test_facts_of_a_sheet_hold_no_sentence():
    # Names of kinds are short; a sentence ends with a full stop.
    def said(value):
        if isinstance(value, dict):
            return [one for key in value for one in said(value[key])]
        if isinstance(value, list):
            return [one for item in value for one in said(item)]
        return [value] if isinstance(value, str) else []

    for design in designs():
        facts = facts_of(sheet_of(design))
        assert not [text for text in said(facts) if text.endswith(".") or len(text) > 80]
        assert isinstance(facts["verdict"]["kind"], str)
        assert not isinstance(facts["verdict"]["kind"], StrEnum)
