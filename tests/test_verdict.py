"""What a design is worth: judged by what is permitted, with the true cause of every miss."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.design.belief.learn import learn
from needlecalc.design.inverse.alternatives import NATURE, multipliers
from needlecalc.design.inverse.limits import LimitKind
from needlecalc.design.inverse.proposal import Stages
from needlecalc.design.inverse.solution import best_solution
from needlecalc.design.inverse.target import HARDLY
from needlecalc.design.inverse.verdict import Cause, VerdictKind, judged

GAUGE = ([850, 1500, 2000, 2500, 3000, 4000, 5000], ["idle", *("light",) * 3, *("full",) * 3])
GAUGE_LIFTS, GAUGE_LAMBDA = [4.0, 7.0, 9.0, 11.0, 19.0, 24.0, 28.0], np.array([0.98, 1.03, 1.05, 1.06, 1.05, 1.07, 1.08])
LIFTS = np.linspace(2, 25, 8)


def gauge_job(se, seed):
    """Bands read off a gauge, each off by its error."""
    rpm, load = GAUGE
    read = GAUGE_LAMBDA + se * np.random.default_rng(seed).standard_normal(7)
    bands = nc.typed_bands(rpm, read, lift_mm=GAUGE_LIFTS, lift_u_mm=0.5, load=load, lambda_se=se)
    return nc.make_target(bands), make_setup(drop_min_mm=0.8, drop_max_mm=3.0)


def true(design):
    """Nothing: every fact of a verdict held against the design itself."""
    target, verdict, expected = design.target, design.verdict, design.final.expected
    outside = target.excess(expected) > HARDLY
    off = expected / target.lambda_target - 1.0
    assert design.met == (not outside.any())
    assert verdict.worst == pytest.approx(np.abs(off).max())
    named = {one.band: one for one in verdict.missed}
    for b, name in enumerate(target.called(*range(off.size))):
        assert (name in named) == bool(outside[b] or abs(off[b]) > 0.02)
        if name in named:
            assert named[name].off == pytest.approx(off[b])
            assert named[name].outside == outside[b]
    if outside.any():
        assert verdict.kind in (VerdictKind.BETTER, VerdictKind.DO_NOT_FILE)
    done = design.remove_um().any() or design.turns()
    assert (verdict.kind in (VerdictKind.LEAVE, VerdictKind.DO_NOT_FILE)) == (not done)
    # A limit is named only with a positive multiplier.
    assert all(one.multiplier > 0.0 for one in design.active_limits() if one.limit.kind is not LimitKind.STATION_KEPT)


@pytest.mark.parametrize("se", [0.01, 0.02, 0.03])
@pytest.mark.parametrize("seed", range(24))
def test_a_gauge_job_is_never_told_of_a_limit_that_is_not_active(se, seed):
    target, setup = gauge_job(se, seed)
    design = nc.solve(target, setup)
    true(design)
    assert design.verdict.kind is not VerdictKind.DO_NOT_FILE
    held = multipliers(best_solution(design.learned, target, design.limits))
    for one in design.verdict.missed:
        assert (one.cause is Cause.LIMIT) == (one.limit is not None)
        assert one.limit is None or held[one.limit] > 0.0
        assert one.limit is None or one.limit.kind not in NATURE
    # Nothing but the needle's own shape, and the end of the nut, ever holds this needle.
    ends = {LimitKind.JET_AT_ITS_HIGHEST, LimitKind.JET_AT_ITS_LOWEST}
    assert {one.limit.kind for one in design.active_limits()} <= set(NATURE) | ends
    if design.verdict.kind is VerdictKind.USABLE_OFF:
        assert all(abs(one.off) < 3.0 * one.reading_u for one in design.verdict.missed)


def test_readings_are_the_cause_where_better_ones_would_fit_closer():
    target, setup = gauge_job(0.02, 1)
    coarse = nc.solve(target, setup, with_alternatives=False)
    assert {one.cause for one in coarse.verdict.missed} == {Cause.READINGS}
    sure = replace(target, bands=replace(target.bands, lambda_se=np.full(7, 0.001)))
    fine = nc.solve(sure, setup, with_alternatives=False)
    missed = {one.band for one in fine.verdict.missed}
    assert not {one.band for one in coarse.verdict.missed} & missed


def test_the_order_stands_where_a_limit_stops_it_short_and_the_miss_is_named():
    setup = make_setup()
    target = asked(setup, LIFTS, np.linspace(0.96, 1.30, 8), 0.95)
    design = nc.solve(target, setup, limits=nc.Limits(max_cut_mm=0.05))
    true(design)
    assert design.verdict.kind is VerdictKind.BETTER
    assert design.stages() is not Stages.NOTHING
    assert {one.limit.kind for one in design.verdict.missed if one.cause is Cause.LIMIT} == {LimitKind.LARGEST_CUT}
    # What is blamed is what cures it.
    free = nc.solve(target, setup, limits=nc.Limits(max_cut_mm=0.6), with_alternatives=False)
    assert free.met


def test_no_order_takes_a_band_farther_outside_than_any_is_now():
    # Rich where it cannot be cured, and bands beside it lean: filing them would make the rich one richer still.
    setup = make_setup()
    for seed in range(12):
        rng = np.random.default_rng(seed)
        target = asked(setup, np.sort(rng.uniform(2, 26, 6)), rng.uniform(0.8, 1.15, 6), 0.95)
        design = nc.solve(target, setup, with_alternatives=False)
        true(design)
        counts = target.giving_way() == 1.0
        now = max(float(target.excess(design.learned.lambda_now())[counts].max()), 0.0)
        assert float(target.excess(design.final.expected)[counts].max()) <= now + 2 * HARDLY


@pytest.mark.parametrize("short_mm", [0.015, 0.03])
def test_a_trim_a_little_past_the_range_of_the_nut_stops_nothing(short_mm):
    # Idle would be right with the jet a little higher than the range typed lets it go.
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=3.0)
    bands = nc.typed_bands([850, 2500, 4500], [0.90, 1.04, 1.08], lift_mm=[3.0, 14.0, 25.0], load=["idle", "part", "full"])
    target = nc.Target(bands, np.array([0.95, 0.95, 0.90]))
    free = nc.solve(target, setup, with_alternatives=False)
    assert free.drop_mm < 1.6
    typed = make_setup(drop_min_mm=free.drop_mm + short_mm, drop_max_mm=3.0)
    design = nc.solve(target, typed, with_alternatives=False)
    true(design)
    assert design.met
    assert design.verdict.kind in (VerdictKind.USABLE, VerdictKind.USABLE_OFF)
    assert design.remove_um().max() == pytest.approx(free.remove_um().max(), abs=3.0)


def test_a_band_that_gives_way_to_a_richer_one_is_opposed_to_it():
    setup = make_setup()
    target = asked(setup, [10.0, 10.1], [1.02, 0.92], [1.02, 0.84])
    found = best_solution(learn(target.bands, setup), target, nc.Limits())
    causes = {one.band: one.cause for one in judged(found).missed}
    assert causes[target.called(0)[0]] is Cause.OPPOSED


def test_bands_outside_what_is_permitted_are_no_success():
    setup = make_setup()
    lifts, read = np.linspace(2, 25, 8), np.full(8, 0.95)
    read[0], read[4] = 0.985, 0.933
    target = asked(setup, lifts, read, 0.95, lambda_se=0.003)
    tight = replace(target, lambda_rich=target.lambda_target - 0.005, lambda_lean=target.lambda_target + 0.01)
    design = nc.solve(tight, setup, with_alternatives=False)
    outside = (design.final.expected < tight.lambda_rich - 5e-4) | (design.final.expected > tight.lambda_lean + 5e-4)
    assert outside.any()
    assert np.abs(design.final.expected / 0.95 - 1.0).max() < 0.02
    assert design.verdict.kind is VerdictKind.BETTER
    assert not design.met
    named = [one.band for one in design.verdict.missed if one.outside]
    assert named == list(
        tight.called(*np.flatnonzero(outside)[np.argsort(-np.abs(design.final.expected / 0.95 - 1.0)[outside])])
    )
    assert nc.solve(target, setup, with_alternatives=False).met


def test_leaving_a_needle_is_no_success_where_a_band_is_not_permitted():
    setup = make_setup()
    bands = nc.typed_bands([2500, 3500], [0.9785, 0.931], lift_mm=[8.0, 15.0], load=["part", "full"], lambda_se=0.004)
    wishes = {"part": 0.997, "full": 0.9485}
    target = nc.make_target(bands, lambda_by_load=wishes, permitted_either_side=0.01)
    left = nc.solve(target, setup, with_alternatives=False)
    assert left.verdict.kind is VerdictKind.DO_NOT_FILE
    assert [one.outside for one in left.verdict.missed] == [True, True]
    assert not left.met
    wider = nc.solve(nc.make_target(bands, lambda_by_load=wishes), setup, with_alternatives=False)
    assert wider.verdict.kind is VerdictKind.LEAVE
    # A test that is not passed is no job done.
    idle = nc.typed_bands([850], [0.968], lift_mm=[3.0], load=["idle"], lambda_se=0.004)
    strict = nc.make_target(idle, idle_lambda_least=0.975, idle_margin_lambda=0.002)
    failed = nc.solve(strict, setup, with_alternatives=False)
    assert not failed.met
    assert failed.verdict.kind is VerdictKind.DO_NOT_FILE


@pytest.mark.parametrize("limit", [{"steepest": 0.027}, {"least_diameter_mm": 1.95}, {"max_cut_mm": 0.02}])
def test_a_limit_on_the_needle_is_named_as_the_cause(limit):
    setup = make_setup()
    target = asked(setup, np.linspace(2, 25, 8), np.linspace(0.96, 1.30, 8), 0.95)
    assert nc.solve(target, setup, limits=nc.Limits(max_cut_mm=0.6), with_alternatives=False).met
    bound = nc.solve(target, setup, limits=nc.Limits(**{"max_cut_mm": 0.6, **limit}), with_alternatives=False)
    assert not bound.met
    kinds = {"steepest": LimitKind.STEEPEST_TAPER, "least_diameter_mm": LimitKind.LEAST_DIAMETER}
    (worst, *_) = bound.verdict.missed
    assert worst.cause is Cause.LIMIT
    assert worst.limit.kind is kinds.get(next(iter(limit)), LimitKind.LARGEST_CUT)
