"""Any needle table, readings, history, job or log with slips in it: our own error in one sentence, or a sound result."""

from __future__ import annotations

from random import Random

import numpy as np
import odd_inputs as odd
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

import needlecalc as nc
from needlecalc.echo import plain

CHANCE = st.randoms(use_true_random=False)


@pytest.fixture(scope="module")
def folder(tmp_path_factory):
    return tmp_path_factory.mktemp("odd")


def own_error_or_finite(road, draw, folder):
    """Nothing else may come out: another exception fails the test as it is."""
    try:
        figures = road(draw, folder)
    except nc.NeedleCalcError as error:
        said = str(error)
        assert plain(said) == said
        longest = max(map(len, getattr(error, "faults", [said])))  # a job file tells all its faults at once
        assert longest < 600, said
    else:
        for one in figures:
            assert np.isfinite(one).all(), one


@pytest.mark.parametrize("road", [odd.read_a_needle, odd.read_some_readings, odd.read_a_history, odd.read_a_log])
@settings(deadline=None, max_examples=200)
@given(CHANCE)
def test_any_table_history_or_log(road, folder, draw):
    own_error_or_finite(road, draw, folder)


@settings(deadline=None, max_examples=150)
@given(CHANCE)
def test_any_job(folder, draw):
    own_error_or_finite(odd.read_a_job, draw, folder)


@settings(deadline=None, max_examples=10)
@given(CHANCE)
def test_a_whole_design_of_figures_that_could_be_meant(folder, draw):
    own_error_or_finite(odd.design_by_a_job, draw, folder)


@settings(deadline=None, max_examples=20)
@given(CHANCE)
def test_any_command(folder, draw):
    own_error_or_finite(odd.run_a_command, draw, folder)


def test_without_slips_every_road_has_a_result(folder, monkeypatch):
    monkeypatch.setattr(odd, "spoilt_table", lambda text, draw: text.encode())
    monkeypatch.setattr(odd, "spoilt_bytes", lambda raw, draw: raw)
    monkeypatch.setattr(odd, "spoilt_tree", lambda whole, *_, **__: whole)

    class Quiet(Random):
        def choice(self, several):
            return several[0]

    for road in (odd.read_a_needle, odd.read_some_readings, odd.read_a_history, odd.read_a_log, odd.read_a_job):
        assert all(np.isfinite(one).all() for one in road(Quiet(1), folder))
