"""Hundreds of bands: the same answer as for few, few words, and a sentence past the most."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup, said

import needlecalc as nc
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.report import say


def job(count, source=LiftSource.TYPED, **jet):
    """A smooth drive over all lifts, whatever the number of bands."""
    setup = make_setup(**{"drop_min_mm": 0.8, "drop_max_mm": 2.6, **jet})
    lift = np.linspace(2.0, 26.0, count)
    load = ("idle", *("part",) * (count - 1))
    target = asked(setup, lift, 1.02 + 0.002 * lift, 0.96, lift_u_mm=0.6, lambda_se=0.006, load=load)
    bands = replace(target.bands, lift_source=(source,) * count, lift_common_u_mm=0.02 * lift)
    return nc.Target(bands, target.lambda_target, target.why), setup


def test_ten_times_the_bands_with_a_tenth_of_the_information_each_make_the_same_needle():
    # 20 bands, and 200 over the same lifts, each reading ten times less sure in variance: the same weight on every lift.
    few, setup = job(20)
    many, _ = job(200)
    many = nc.Target(replace(many.bands, lambda_se=many.bands.lambda_se * np.sqrt(10.0)), many.lambda_target, many.why)
    one, other = (nc.solve(t, setup, with_alternatives=False) for t in (few, many))
    np.testing.assert_allclose(other.needle.diameters_mm, one.needle.diameters_mm, atol=0.003)
    assert other.drop_mm == pytest.approx(one.drop_mm, abs=0.1)
    assert other.met
    assert one.met


def test_hundreds_of_bands_are_designed_for_and_spoken_of_in_few_words():
    target, setup = job(150)
    # Every third band asks for what its neighbours on the same lift do not.
    aim = np.where(np.arange(150) % 3 == 0, 0.90, target.lambda_target)
    design = nc.solve(nc.Target(target.bands, aim, target.why), setup, with_alternatives=False)
    assert any("more like the last" in words for words in said(design))
    assert len(said(design)) < 40
    assert max(map(len, said(design))) < 600
    steps = nc.measure_next(design)
    assert len(steps.steps) == 4
    assert max(len(say.measurement(step)) for step in steps.steps) < 400


def test_more_bands_than_can_be_weighed_are_refused():
    target, setup = job(501)
    with pytest.raises(nc.InputError, match="There are 501 bands, but at most 500 can be weighed together; gather the"):
        nc.learn(target.bands, setup)
    target, setup = job(500, LiftSource.PRESSURE)
    learned = nc.learn(target.bands, setup)
    assert learned.place.computed == 500
    np.testing.assert_allclose(learned.lambda_now(), target.bands.lambda_measured, rtol=1e-9)
