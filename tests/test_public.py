"""The public face: what it holds, and that it costs next to nothing to import."""

from __future__ import annotations

import doctest
import inspect
import re
import subprocess
import sys
from pathlib import Path

import pytest
from right_calls import SPACES as HELD

import needlecalc as nc

DRAWING = ("pandas", "matplotlib", "shapely")
ROOT = Path(__file__).parents[1]


SPACES = {"needlecalc.physics": nc.physics, **{space.__name__: space for space in HELD}}
MOST_NAMES = 60  # of the road; what is used now and then stands in a space of its own


def test_the_road_is_short_and_every_name_stands_once():
    assert len(nc.__all__) <= MOST_NAMES
    names = [name for space in SPACES.values() for name in space.__all__]
    assert len(set(names)) == len(names)
    assert {*nc.__all__, "physics", "parts", "checks", "measure", "design", "report"} <= set(dir(nc))


@pytest.mark.parametrize("space", SPACES)
def test_every_name_of_a_space_is_its_own(space):
    for name in SPACES[space].__all__:
        assert getattr(SPACES[space], name).__name__ == name


@pytest.mark.parametrize(("space", "name"), [(space, name) for space, one in SPACES.items() for name in one.__all__])
def test_every_public_name_has_an_example(space, name):
    # The examples run with the tests: pytest collects the doctests of the package.
    parsed = doctest.DocTestFinder(recurse=False).find(getattr(SPACES[space], name), name, globs={})
    assert any(test.examples for test in parsed)


@pytest.mark.parametrize(
    ("space", "name"),
    [(space, name) for space in ("needlecalc.physics", "needlecalc.parts") for name in SPACES[space].__all__],
)
def test_every_formula_and_part_says_its_units(space, name):
    thing = getattr(SPACES[space], name)
    assert "Parameters\n" in thing.__doc__
    asks_numbers = re.search("float|Array", str(inspect.signature(thing)))
    assert not asks_numbers or re.search(r"\[[^]]+\]", thing.__doc__), "no unit"


def test_a_name_that_is_none_is_refused():
    with pytest.raises(AttributeError, match=r"module 'needlecalc' has no attribute 'solv'"):
        nc.solv  # noqa: B018


@pytest.mark.parametrize(
    ("asked", "slow"),
    [
        ("nc", ("numpy", "scipy", *DRAWING)),
        ("nc.Setup, nc.Engine, nc.Jet, nc.Needle", ("scipy.stats", "scipy.signal", *DRAWING)),
    ],
)
def test_nothing_slow_is_imported_before_it_is_needed(asked, slow):
    code = f"import sys, needlecalc as nc; {asked}; print([name for name in {slow} if name in sys.modules])"
    found = subprocess.run([sys.executable, "-c", code], check=True, capture_output=True, text=True, cwd=ROOT)
    assert found.stdout.strip() == "[]"
