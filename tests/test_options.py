"""Limits kept, what easing them brings, options worked out, and two carburettors on one engine."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import BORE, DIAMETERS_MM, NO_DOUBTS, STATIONS_MM, asked, found, make_setup, said

import needlecalc as nc
from needlecalc.design.belief.learn import learn
from needlecalc.design.inverse import alternatives
from needlecalc.design.inverse.alternatives import Change
from needlecalc.design.inverse.fit import cost, fit, forces
from needlecalc.design.inverse.limits import Limit, LimitKind
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.solution import best_solution
from needlecalc.report import say
from needlecalc.report.language import words_sheet

LIFTS = np.linspace(2, 26, 9)
LEAN = np.linspace(0.98, 1.12, 9)


def lean_engine(setup, **given):
    return nc.solve(asked(setup, LIFTS, LEAN, 0.95), setup, **given)


def rich_engine(setup, **given):
    return nc.solve(asked(setup, LIFTS, np.full(9, 0.86), 0.92), setup, **given)


def test_stations_kept_and_diameters_never_passed():
    setup = make_setup()
    free = lean_engine(setup)
    assert free.remove_um()[4] > 10.0
    assert free.needle.diameters_mm[7] < 2.00
    limits = nc.Limits(keep=(5,), never_below_mm={8: 2.00})
    held = lean_engine(setup, limits=limits)
    assert held.remove_um()[4] == 0.0
    assert held.needle.diameters_mm[7] >= 2.00
    assert held.stop.needle.diameters_mm[7] >= 2.00
    assert (np.diff(held.needle.diameters_mm) <= 0.0).all()


def test_limit_of_a_diameter_holds_though_the_needle_is_believed_thinner_than_measured():
    setup = make_setup()
    target = asked(setup, LIFTS, LEAN, 0.95)
    learned = learn(target.bands, setup)
    # As if earlier passes had shown that the micrometer reads 2 um too thick.
    mean = learned.mean.copy()
    mean[learned.place.needle(0)] += 0.002
    design = nc.solve(
        target,
        setup,
        learned=replace(learned, estimate=replace(learned.estimate, mean=mean)),
        limits=nc.Limits(never_below_mm={8: 2.00}),
    )
    assert design.needle.diameters_mm[7] == pytest.approx(2.00, abs=1e-9)


@pytest.mark.parametrize(("flats", "step"), [("half", 0.5), ("whole", 1.0)])
@pytest.mark.parametrize("measured", [0.86, 0.90, 1.04])
def test_nut_turns_by_whole_steps_and_the_better_neighbour_is_kept(flats, step, measured):
    setup = make_setup(drop_min_mm=0.5, drop_max_mm=2.7)
    target = asked(setup, LIFTS, np.full(9, measured), 0.92)
    design = nc.solve(target, setup, limits=nc.Limits(flats=flats))
    steps = design.flats() / step
    assert steps == pytest.approx(round(steps), abs=1e-6)
    # No setting two steps either side, solved with the jet fixed there for the stations that are filed, is better.
    learned = learn(target.bands, setup)
    solution = best_solution(learned, target, nc.Limits(flats=flats))
    problem, here = solution.problem, design.drop_mm - 1.6

    def best_at(drop):
        fixed = problem.with_free(problem.free, drop_range_mm=(drop, drop))
        x = fit(fixed, solution.smoothness, fixed.rest())
        return cost(fixed, solution.smoothness, x)

    settings = [here + k * step * 0.163 for k in (-2, -1, 1, 2)]
    inside = [drop for drop in settings if -1.1 <= drop <= 1.1]
    # The valley is flat: the fit settles within 1 % of the cost, far less than a reading's noise.
    assert best_at(here) <= 1.01 * min(best_at(drop) for drop in inside)


@pytest.mark.parametrize(
    ("flats", "idle", "kind"),
    [
        ("whole", {"lambda": 0.99, "rich": 0.98, "lean": 1.00}, DesignRemark.STEP_JUMPS),
        ("whole", {"lambda": 0.94, "rich": 0.935, "lean": 1.02}, DesignRemark.STEP_MAY_END_RICH),
        ("half", {"lambda": 0.94, "rich": 0.89, "lean": 0.99}, DesignRemark.STEP_OF_NUT),
    ],
)
def test_a_nut_that_turns_by_steps_says_what_a_step_does_to_idle(flats, idle, kind):
    setup = make_setup(drop_min_mm=0.5, drop_max_mm=2.7)
    bands = nc.typed_bands([850, 2500, 4500], [0.90, 1.02, 1.05], lift_mm=[4.0, 14.0, 25.0], load=["idle", "part", "full"])
    target = nc.make_target(bands, lambda_by_load={"idle": idle})
    design = nc.solve(target, setup, limits=nc.Limits(flats=flats), with_alternatives=False)
    (step,) = found(design, kind)
    # The step named is what the forward model makes of one, as near as a slope can say.
    step_mm = {"half": 0.5, "whole": 1.0}[flats] * setup.carburettor.jet.flat_mm
    there = [
        nc.predict_lambda(setup, bands, needle=design.needle, drop_mm=design.drop_mm + turn)[0] for turn in (0.0, step_mm)
    ]
    assert step.numbers["step"] == pytest.approx(there[0] - there[1], rel=0.1)
    assert any(f"by some {step.numbers['step']:.3f} lambda" in words for words in said(design))
    assert f"as near as {flats} flats come" in say.jet_on_sheet(design)
    free = nc.solve(target, setup, with_alternatives=False)
    assert "as near as" not in say.jet_on_sheet(free)
    steps = (DesignRemark.STEP_JUMPS, DesignRemark.STEP_MAY_END_RICH, DesignRemark.STEP_OF_NUT)
    assert not any(one.kind in steps for one in free.remarks)


def test_drop_range_of_the_limits_narrows_the_nut():
    setup = make_setup(drop_min_mm=0.0, drop_max_mm=3.0)
    design = rich_engine(setup, limits=nc.Limits(drop_min_mm=1.2))
    assert design.drop_mm >= 1.2 - 1e-9
    assert design.setup.carburettor.jet.drop_range_mm() == (1.2, 3.0)
    with pytest.raises(
        nc.InputError, match=r"allow a jet drop of -1 to 3 mm, but it stands at 1.6 and the nut reaches 0 to 3"
    ):
        rich_engine(setup, limits=nc.Limits(drop_min_mm=-1.0))


@pytest.mark.parametrize(
    ("given", "words"),
    [
        ({"keep": (14,)}, "limits name station 14, but the needle has stations 1 to 13"),
        ({"never_below_mm": {0: 2.0}}, "limits name station 0"),
        ({"never_below_mm": {"six": 2.0}}, "never_below_mm names station 'six', but stations have whole numbers"),
        ({"never_below_mm": {6: 0.05}}, "never_below_mm of station 6 is 0.05"),
        ({"flats": "third"}, "flats is 'third', but must be 'half' or 'whole'.* or leave it out"),
        ({"drop_min_mm": 2.0, "drop_max_mm": 1.0}, "exchange the two"),
        ({"drop_min_mm": np.nan}, "drop_min_mm is nan, but must lie between -2 and 12"),
        ({"drop_max_mm": 120.0}, "drop_max_mm is 120, but must lie between -2 and 12"),
    ],
)
def test_limits_that_cannot_be_meant_are_refused(given, words):
    with pytest.raises(nc.InputError, match=words):
        lean_engine(make_setup(), limits=nc.Limits(**given))


def test_multipliers_are_the_fall_of_cost_with_a_limit_eased():
    # Sensitivity of a constrained minimum (Boyd and Vandenberghe, Convex Optimization, section 5.6, from memory):
    # the minimum falls by multiplier times easing; the sum of squares counts twice the multiplier of half of it.
    setup = make_setup()
    target = asked(setup, LIFTS, LEAN, 0.95)
    solution = best_solution(learn(target.bands, setup), target, nc.Limits(never_below_mm={8: 2.00}))
    problem = solution.problem
    row = problem.rows.limits.index(Limit(LimitKind.LEAST_DIAMETER, 8))
    force = forces(problem, solution.smoothness, solution.x)[row]
    assert force > 0.0
    easing = 1e-4
    least = problem.rows.least.copy()
    least[row] -= easing
    looser = replace(problem, rows=problem.rows._replace(least=least))
    fall = cost(problem, solution.smoothness, solution.x) - cost(
        looser, solution.smoothness, fit(looser, solution.smoothness, solution.x)
    )
    assert fall == pytest.approx(2.0 * force * easing, rel=0.05)


def off_of(design, band):
    return float(design.final.expected[band] / design.target.lambda_target[band] - 1.0)


def test_what_easing_a_limit_brings_is_what_a_solve_with_it_brings():
    setup = make_setup()
    design = lean_engine(setup, limits=nc.Limits(never_below_mm={8: 2.00}))
    (one,) = [one for one in design.active_limits() if one.limit == Limit(LimitKind.LEAST_DIAMETER, 8)]
    assert "Active limit: the least diameter at station 8. 10 um more cut would bring" in say.alternative(one, design)
    assert one.multiplier > 0.0
    assert one.before == pytest.approx(off_of(design, one.band), abs=1e-8)
    eased = lean_engine(setup, limits=nc.Limits(never_below_mm={8: 1.99}))
    assert abs(one.before - one.missed()[one.band]) > 0.01
    assert off_of(eased, one.band) == pytest.approx(one.missed()[one.band], abs=0.005)


def test_what_more_jet_raise_would_bring():
    setup = make_setup(drop_min_mm=1.4, drop_max_mm=2.0)
    design = rich_engine(setup)
    (one,) = [one for one in design.active_limits() if one.limit == Limit(LimitKind.JET_AT_ITS_HIGHEST)]
    assert "0.3 mm more jet raise would bring" in say.alternative(one, design)
    wider = rich_engine(make_setup(drop_min_mm=1.1, drop_max_mm=2.0))
    # The whole solve may choose another smoothness: alike within the noise of lambda, 1 % here.
    assert one.before < -0.03
    assert off_of(wider, one.band) == pytest.approx(one.missed()[one.band], abs=0.012)


def test_a_kept_station_says_what_filing_it_would_bring():
    design = lean_engine(make_setup(), limits=nc.Limits(keep=(5, 6, 7)))
    kept = [one for one in design.active_limits() if one.limit.kind is LimitKind.STATION_KEPT]
    assert kept
    assert all(abs(one.missed()[one.band]) < abs(one.before) for one in kept)
    assert any("too would bring" in say.alternative(one, design) for one in kept)


def test_a_station_named_twice_is_kept_once_and_said_once():
    design = lean_engine(make_setup(), limits=nc.Limits(keep=(5, 6, 7, 6)))
    assert design.limits.keep == (5, 6, 7)
    limits = [one.limit for one in design.active_limits()]
    assert Limit(LimitKind.STATION_KEPT, 6) in limits
    assert len(limits) == len(set(limits))


def test_no_limit_is_active_where_all_is_met():
    design = lean_engine(make_setup(), limits=nc.Limits(carry_on=False))
    assert design.met
    assert design.alternatives == ()


def by_kind(design):
    return {one.kind: one for one in design.ways_out()}


def test_alternatives_of_a_rich_engine_are_solved_again_and_their_figures_hold():
    setup = make_setup()
    design = rich_engine(setup, doubts=NO_DOUBTS)
    assert not design.met
    others = by_kind(design)
    assert set(others) == {Change.HEIGHT, Change.DONOR, Change.BORE}
    before = nc.parts.fuel_flow(setup, LIFTS)
    for one in others.values():
        # Fuel by the forward model alone: lambda goes as fuel before over fuel after.
        jet = nc.Jet(**{**BORE, "bore_mm": one.bore_mm}, drop_mm=1.6)
        other = replace(setup, carburettor=replace(setup.carburettor, jet=jet)).with_needle(
            nc.Needle("other", STATIONS_MM, np.minimum.accumulate(one.diameters_mm))
        )
        after = nc.parts.fuel_flow(other, LIFTS, drop_mm=one.drop_mm)
        missed = 0.86 * before.fuel_flow_g_s / after.fuel_flow_g_s / 0.92 - 1
        np.testing.assert_allclose(one.missed(), missed, atol=2e-4)
        assert one.met
        assert abs(missed[one.worst()]) < 0.05
    assert others[Change.HEIGHT].drop_mm < 1.6
    assert others[Change.BORE].bore_mm < 2.54
    assert (others[Change.DONOR].diameters_mm > DIAMETERS_MM).any()
    # What was raised by hand and filed is the same design again.
    raised = rich_engine(make_setup(drop_min_mm=0.0, drop_max_mm=4.6), doubts=NO_DOUBTS)
    assert raised.drop_mm == pytest.approx(others[Change.HEIGHT].drop_mm, abs=1e-6)
    assert raised.remove_um().max() == pytest.approx(others[Change.HEIGHT].largest_cut_um, abs=0.1)


def test_an_alternative_without_a_solution_is_left_out_and_said_so(monkeypatch):
    def no_solution(*_):
        msg = "The limits contradict each other."
        raise nc.SolveError(msg)

    whole = rich_engine(make_setup())
    monkeypatch.setattr(alternatives, "_other_bore", no_solution)
    design = rich_engine(make_setup())
    np.testing.assert_array_equal(design.needle.diameters_mm, whole.needle.diameters_mm)
    assert set(by_kind(whole)) - set(by_kind(design)) == {Change.BORE}
    (one,) = found(design, alternatives.Unsolved.LIMITS)
    assert one.numbers["what"] == Change.BORE
    assert "Tried and left out: another bore. It has no solution" in " ".join(nc.grind_sheet(design).text().split())


def test_alternatives_where_the_cut_is_not_deep_enough():
    design = lean_engine(make_setup(), limits=nc.Limits(max_cut_mm=0.02))
    assert not design.met
    deeper = by_kind(design)[Change.DEEPER]
    assert deeper.met
    # A design of its own, at any risk: one that keeps a risk may leave a last cut finer than a hand holds.
    assert deeper.largest_cut_um == pytest.approx(lean_engine(make_setup(), risk=1.0).remove_um().max(), abs=1.0)


@pytest.fixture
def banks():
    left = nc.typed_bands([850, 3000, 4500], [0.95, 1.05, 1.08], lift_mm=[2.0, 11.0, 20.0], load=["idle", "full", "full"])
    right = nc.typed_bands([850, 3000, 4500], [0.95, 1.07, 1.09], lift_mm=[2.1, 11.5, 20.5], load=["idle", "full", "full"])
    return left, right


def test_one_profile_serves_both_banks(banks):
    both = nc.design.both_banks(*banks)
    assert both.load == ("idle", "full", "full") * 2
    assert [both.name(b) for b in (1, 4)] == ["3000 rpm full left", "3000 rpm full right"]
    assert both.rows()[4]["bank"] == "right"
    assert "bank" in both.table().text()
    design = nc.solve(nc.make_target(both, lambda_by_load={"idle": 0.95, "full": 0.90}), make_setup())
    missed = 100 * (design.final.expected / design.target.lambda_target - 1)
    assert np.abs(missed).max() < 2.0
    # Neither bank is served at the other's cost: the miss lies between the two.
    assert (missed[1:3] * missed[4:6] <= 0.1).all()


def test_banks_stay_apart_in_a_history(banks, tmp_path):
    both, setup = nc.design.both_banks(*banks), make_setup()
    swapped = nc.design.both_banks(banks[1], banks[0], names=("right", "left"))
    needle = setup.carburettor.needle
    history = nc.History((nc.Pass(needle, 1.6, both),)).then(needle, 1.6, swapped)
    learned = nc.learn(history, setup)
    np.testing.assert_allclose(learned.lambda_now(), swapped.lambda_measured, atol=2e-3)
    history.save(tmp_path / "passes.json")
    assert nc.read_history(tmp_path / "passes.json").passes[0].bands.bank == both.bank


def test_banks_that_cannot_be_joined(banks):
    with pytest.raises(nc.InputError, match=r"names is \['left', 'left'\], but must be two; give each bank a name"):
        nc.design.both_banks(*banks, names=("left", "left"))
    with pytest.raises(nc.InputError, match="two banks were given under different setups"):
        nc.design.both_banks(replace(banks[0], lift_setup=make_setup()), banks[1])


@pytest.mark.parametrize(("off_um", "matched"), [(20.0, False), (5.0, True), (10.0, True), (-20.0, False)])
def test_matched_pair_after_filing(off_um, matched):
    # Invented: a pair that differs by 20 um at station 2 fails, by 5 um passes.
    setup = make_setup()
    diameters = DIAMETERS_MM.copy()
    diameters[1] += off_um / 1000
    first, second = nc.Needle("left", STATIONS_MM, DIAMETERS_MM), nc.Needle("right", STATIONS_MM, diameters)
    both = nc.compare(setup, first, second)
    assert both.matched(10.0) is matched
    words = say.pair(both, 10.0)
    assert words.startswith("Pair: matched" if matched else "Pair: not matched")
    assert f"{abs(off_um):.1f} um at station 2" in words
    if not matched:
        assert ("take that off right" if off_um > 0 else "take that off left") in words
    rows = both.rows()
    # Thicker passes less fuel: the second runs leaner there, and so it does by the comparison of two needles.
    assert np.sign(rows[1]["lambda_change_percent"]) == np.sign(off_um)
    by_band = nc.predict_lambda(setup, nc.typed_bands([900], [1.0], lift_mm=[STATIONS_MM[1] - 1.6]), needle=second)
    assert rows[1]["lambda_change_percent"] == pytest.approx(100 * (by_band[0] - 1), abs=0.01)
    assert rows[5]["lambda_change_percent"] == pytest.approx(0.0, abs=1e-9)


def test_a_pair_needs_the_same_stations():
    first = nc.Needle("left", STATIONS_MM, DIAMETERS_MM)
    with pytest.raises(nc.InputError, match="left and right were measured at different stations"):
        nc.compare(make_setup(), first, nc.Needle("right", STATIONS_MM + 1.0, DIAMETERS_MM)).matched()
    with pytest.raises(nc.InputError, match="tolerance_um is 0"):
        nc.compare(make_setup(), first, first).matched(0.0)


def test_what_comes_no_nearer_is_no_alternative_and_the_worst_band_is_named():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    measured = [1.0, 1.2, 1.25, 1.3, 1.0, 1.3, 1.35, 1.4, 1.45]
    load = ("idle", *("full",) * 8)
    design = nc.solve(asked(setup, np.linspace(2, 26, 9), measured, 0.95, load=load), setup)
    missed = np.abs(design.final.expected / design.target.lambda_target - 1.0)
    # A bore that spoils idle by a fifth, and a turn of the nut that leaves the worst band where it is.
    assert design.ways_out() == ()
    assert nc.grind_sheet(design).alternative_lines() == (words_sheet.NO_ALTERNATIVE,)
    assert missed.max() > 0.05
    worst = design.verdict.missed[0]
    assert worst.band == design.target.called(int(np.argmax(missed)))[0]
    assert worst.off == pytest.approx(missed.max())
    # Where one comes nearer, but none serves, the sheet says that too.
    short = [1.0, 1.0, 1.0, 1.0, 1.05, 1.07, 0.78, 0.80, 0.82]
    design = nc.solve(asked(setup, np.linspace(2, 26, 9), short, 0.95, load=load), setup)
    missed = np.abs(design.final.expected / design.target.lambda_target - 1.0)
    assert design.ways_out()
    assert all(abs(one.missed()[one.worst()]) < missed.max() and not one.met for one in design.ways_out())
    assert nc.grind_sheet(design).alternative_lines()[-1] == words_sheet.NONE_SERVES
