"""What to measure next: the promise of a measurement is what the measurement then gives."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from bench.newcomer import bands_of, setup_of
from conftest import NO_DOUBTS, SAME_DAY, asked, make_setup
from other_engine import draw_other

import needlecalc as nc
from needlecalc.design.inverse import nextstep
from needlecalc.design.inverse.nextstep import Unweighed, _jet_drives, metal_share
from needlecalc.design.inverse.solve import miss_percent
from needlecalc.design.inverse.uncertainty import outlook
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.report import say

LIFTS = np.linspace(2.0, 26.0, 9)
LOADS = ("idle", "light", "light", "light", "full", "full", "full", "full", "full")


def make_design(*, lift_u_mm=0.4, lift_common_u_mm=0.0, jet=True, source=LiftSource.TYPED, **kwargs):
    setup = make_setup(**({"drop_min_mm": 0.8, "drop_max_mm": 2.6} if jet else {}))
    target = asked(setup, LIFTS, np.linspace(0.98, 1.12, 9), 0.95, lambda_se=0.006, load=LOADS)
    bands = replace(
        target.bands,
        lift_u_mm=np.hypot(lift_u_mm, lift_common_u_mm * LIFTS),
        lift_common_u_mm=lift_common_u_mm * LIFTS,
        lift_source=(source,) * 9,
        effective_count=np.full(9, 20.0),
    )
    return nc.solve(nc.Target(bands, target.lambda_target, target.why), setup, **kwargs)


@pytest.fixture(scope="module")
def design():
    return make_design(lift_u_mm=1.0, lift_common_u_mm=0.06, source=LiftSource.PRESSURE)


@pytest.fixture(scope="module")
def steps(design):
    return nc.measure_next(design)


def test_picture_agrees_with_the_cars_drawn(design):
    # Cars drawn through the flow law itself, not by slopes, all driven on the day that their nut is set.
    cut = design.after_cut()
    u = cut.known.u_of(cut.slopes)
    final = design.needle.diameters_mm
    seen = outlook(
        design.learned, design.target, final, final < design.present().diameters_mm, design.drop_mm, idle_to=design.idle_to()
    )
    low, high = np.quantile(seen.lambda_drawn, [0.05, 0.95], axis=0)
    drawn = np.log(high / low) / (2.0 * 1.645)
    # The last band stands where the cut ends: there the drawn cars feel a kink that slopes do not.
    np.testing.assert_allclose(u[:-1], drawn[:-1], rtol=0.2)


def places_of(design, step):
    """Where the bands of a measurement stand among those of the design."""
    every = design.target.called(*range(9))
    return [every.index(name) for name in step.bands]


def variance(percent):
    """Mean square uncertainty of ln(lambda)."""
    return (percent / 100.0) ** 2


def left_by(design, learned):
    """Variance of lambda at the final diameters, were this learned in place of what was."""
    cut = design.after_cut()
    assert learned.place == cut.learned.place
    return variance(cut.u_percent(learned.estimate.joined(cut.known.u()[cut.zero :])))


def drives_of(design):
    """Jet drives by every whole number of flats that the nut allows."""
    return [step for step, _ in _jet_drives(design.after_cut())]


def test_the_gain_of_the_meter_counts_once_where_no_nut_trims_idle():
    # True lambda less 1 is what the meter shows less 1 over its gain; its gain alone is not known. By the car's own law the
    # change from the first needle is stretched by it too: both together, by small steps.
    made = make_design(jet=False)
    cut, learned = made.after_cut(), made.learned
    place, true = learned.place.shared("meter gain"), []
    for gain in (-1e-5, 1e-5):
        unknowns = learned.mean.copy()
        unknowns[place] += gain
        shown = np.exp(learned.log_lambda(unknowns, made.needle.diameters_mm, made.drop_mm))
        true.append(np.log(1.0 + (shown - 1.0) / np.exp(unknowns[place])))
    np.testing.assert_allclose(cut.slopes[:, place], (true[1] - true[0]) / 2e-5, atol=2e-4)


@pytest.mark.parametrize("flats", [-1, 2])
def test_a_jet_drive_then_made_leaves_the_doubt_that_was_promised(design, flats):
    bands, setup = design.target.bands, design.setup
    drive = next(step for step in drives_of(design) if step.flats == flats)
    drop = setup.carburettor.jet.drop_mm + flats * setup.carburettor.jet.flat_mm
    learned = design.learned
    reads = np.exp(learned.log_lambda(learned.mean, learned.present_mm(), drop))
    driven = places_of(design, drive)
    moved = nc.typed_bands(bands.rpm[driven], reads[driven], load=[bands.load[b] for b in driven], lambda_se=0.006)
    then = nc.learn(nc.with_jet_drive(bands, moved, setup, flats=flats), setup)
    assert left_by(design, then) == pytest.approx(variance(drive.then.lambda_u_percent), rel=0.03)
    assert drive.then.lambda_u_percent < drive.now.lambda_u_percent


def test_markers_then_read_leave_the_doubt_that_was_promised(design, monkeypatch):
    monkeypatch.setattr(nextstep, "MARKER_U_MM", 0.2)
    monkeypatch.setattr(nextstep, "MARKER_ZERO_U_MM", 0.0)
    exact = nc.measure_next(design)
    promised = next(step for step in exact.steps if step.what == "marker")
    read = np.isin(np.arange(9), places_of(design, promised))
    bands = design.target.bands
    # The same bands once more that day, as a pass that reads lift alone: its lambda has no weight.
    again = replace(
        bands,
        lift_u_mm=np.where(read, 0.2, 100.0),
        lift_common_u_mm=np.zeros(9),
        lambda_se=np.full(9, 10.0),
        lift_source=(LiftSource.TYPED,) * 9,
    )
    needle, drop = design.present(), design.setup.carburettor.jet.drop_mm
    history = nc.History((nc.Pass(needle, drop, again, jet_drive=True), nc.Pass(needle, drop, bands)))
    then = left_by(design, nc.learn(history, design.setup))
    assert then == pytest.approx(variance(promised.then.lambda_u_percent), rel=0.02)


def test_first_marker_is_the_best_single_one(monkeypatch):
    monkeypatch.setattr(nextstep, "MARKER_ZERO_U_MM", 0.0)
    # By brute force: the band whose reading alone leaves the least sum of variances.
    made = make_design(lift_u_mm=1.5, source=LiftSource.PRESSURE)
    marker = next(step for step in nc.measure_next(made).steps if step.what == "marker")
    cut, place = made.after_cut(), made.learned.place
    left = []
    for band in range(9):
        read = np.zeros((1, place.size()))
        read[0, [place.lift().start + band, place.shared("lift zero")]] = 1.0
        left.append(cut.u_percent(cut.after_reading(read, np.array([0.3]))))
    assert int(np.argmin(left)) in places_of(made, marker)
    assert len(marker.bands) <= 3


def test_ranked_by_variance_left_with_words_and_figures(steps):
    left = [step.then.lambda_u_percent for step in steps.steps]
    assert left == sorted(left)
    assert {step.what for step in steps.steps} == {"marker", "jet drive", "longer holds", "gas reading", "bore length"}
    assert all(step.then.lambda_u_percent <= step.now.lambda_u_percent * (1.0 + 1e-9) for step in steps.steps)
    best = steps.steps[0]
    words = say.measurement(best)
    assert f"from {best.now.lambda_u_percent:.1f} to {best.then.lambda_u_percent:.1f} % lambda" in words
    assert [row["rank"] for row in steps.rows()] == [1, 2, 3, 4, 5]
    assert "no measurement before the cut lessens" in " ".join(str(steps).split())
    assert "<table>" in steps._repr_html_()
    assert repr(steps).startswith("Measure next: ")


def test_bands_typed_in_have_no_holds_to_make_longer():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    target = asked(setup, LIFTS, np.linspace(0.98, 1.12, 9), 0.95, lambda_se=0.05, load=LOADS)
    steps = nc.measure_next(nc.solve(target, setup))
    assert {step.what for step in steps.steps} == {"marker", "jet drive", "gas reading", "bore length"}
    assert Unweighed.LONGER_HOLDS in [one.kind for one in steps.remarks]
    # The same figures as means of logged samples: longer holds are what helps.
    logged = replace(target, bands=replace(target.bands, effective_count=np.full(9, 20.0)))
    assert nc.measure_next(nc.solve(logged, setup)).steps[0].what == "longer holds"


def test_where_lift_is_the_doubt_a_marker_reading_or_a_jet_drive_leads():
    made = make_design(
        lift_u_mm=3.0, source=LiftSource.PRESSURE, doubts=replace(nc.Doubts(), sensor_offset=0.002, hand_mm=0.0005)
    )
    steps = nc.measure_next(made)
    assert {step.what for step in steps.steps[:2]} == {"marker", "jet drive"}
    assert "rpm" in say.measurement(next(step for step in steps.steps if step.what == "marker"))


def test_where_the_sensor_is_the_doubt_the_gas_reading_leads():
    made = make_design(lift_u_mm=0.05, doubts=replace(nc.Doubts(), sensor_offset=0.03))
    assert nc.measure_next(made).steps[0].what == "gas reading"


def test_no_measurement_helps_where_nothing_is_in_doubt():
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6, parallel_length_u_mm=0.0)
    target = asked(setup, LIFTS, np.linspace(0.98, 1.12, 9), 0.95, lambda_se=0.0, lift_u_mm=0.0)
    steps = nc.measure_next(nc.solve(target, setup, doubts=replace(NO_DOUBTS, hand_mm=0.0025)))
    assert "would hardly help" in say.measurement(steps.steps[0])
    assert not any(step.helps() for step in steps.steps)


def test_jet_drives_stay_in_the_nut_and_off_misfire(steps, design):
    jet = design.setup.carburettor.jet
    drives = drives_of(design)
    for step in drives:
        drop = jet.drop_mm + step.flats * jet.flat_mm
        assert jet.drop_min_mm <= drop <= jet.drop_max_mm
        learned = design.learned
        reads = np.exp(learned.log_lambda(learned.mean, learned.present_mm(), drop))[places_of(design, step)]
        assert reads.min() >= 0.75
        assert reads.max() <= (1.15 if step.flats > 0 else 1.10)
        if step.flats < 0:
            # Full load starts leaner than 0.92 here: a raised jet would lean it further.
            assert all(one.load != "full" for one in step.bands)
    assert len(drives) > 2
    # The least number of flats within 5 % of the best, so never more than teaches more.
    chosen = next(step for step in steps.steps if step.what == "jet drive")
    least = min(variance(step.then.lambda_u_percent) for step in drives)
    assert variance(chosen.then.lambda_u_percent) <= 1.05 * least
    for one in drives:
        if abs(one.flats) < abs(chosen.flats):
            assert variance(one.then.lambda_u_percent) > 1.05 * least


def test_without_a_range_of_the_nut_no_jet_drive_is_promised():
    made = make_design(jet=False)
    steps = nc.measure_next(made)
    assert not drives_of(made)
    assert Unweighed.JET_DRIVE in [one.kind for one in steps.remarks]


def test_the_sheet_says_it_only_where_cutting_at_once_is_risky():
    design = make_design(doubts=replace(nc.Doubts(), sensor_offset=0.03))
    assert design.final.chance_rich > 0.05
    best = nc.measure_next(design).steps[0]
    assert repr(design.next_step) == repr(best)  # what is not foretold is NaN
    (line,) = (words for words in nc.grind_sheet(design).before_lines() if words.startswith("Before cutting:"))
    assert say.measurement(best)[1:] in line
    doubts = replace(nc.Doubts(), sensor_offset=0.001, flow_gain=0.01, hand_mm=0.001, **SAME_DAY)
    sure = make_design(lift_u_mm=0.05, doubts=doubts, limits=nc.Limits(unconfirmed=1.0))
    assert sure.final.chance_rich <= 0.05
    assert sure.next_step is None
    # Were the cut half as strong again, which nothing has ruled out, the leanest band would end too rich.
    unconfirmed = make_design(lift_u_mm=0.05, doubts=doubts)
    assert unconfirmed.lean_margin > 0.5
    assert unconfirmed.next_step is not None
    # Where nothing is to be filed there is no cut to come before.
    none = make_design(limits=nc.Limits(max_cut_mm=0.0), doubts=replace(nc.Doubts(), sensor_offset=0.03), jet=False)
    assert not none.met
    assert none.next_step is None


def test_where_little_is_known_the_gain_stated_is_that_of_the_design_solved_again():
    # Engines of another flow law, nothing told, the experiment named then really made: what the design after it expects.
    now, then, made, shares = [], [], [], []
    for seed in range(100, 116):
        engine, rng = draw_other(seed), np.random.default_rng([seed, 11])
        setup, metal, drop = setup_of(engine), np.array(engine.start_diameters_mm), engine.jet_drop_mm
        engine = engine.another_day(rng)
        bands = bands_of(setup, engine.measure(metal, drop, rng, lift="marker"))
        target = nc.Target(bands, engine.bands.lambda_target)
        step = nc.solve(target, setup).next_step
        assert step.now.miss_percent > 0.0
        if step.what != "jet drive":
            continue
        read = engine.measure(metal, step.amount, rng)
        driven = [target.called(*range(bands.rpm.size)).index(name) for name in step.bands]
        moved = bands_of(setup, read, lifts=False).only(driven)
        learned = nc.learn(nc.with_jet_drive(bands, moved, setup, flats=step.flats), setup)
        again = nc.solve(target, setup, learned=learned, with_alternatives=False)
        now.append(step.now.miss_percent)
        then.append(step.then.miss_percent)
        made.append(miss_percent(again))
        shares.append((step.then.first_stop_share, metal_share(again)))
    assert len(now) >= 10
    assert np.mean(then) == pytest.approx(np.mean(made), rel=0.1)
    assert np.mean(np.subtract(now, then)) > 0.0
    said, real = np.mean(shares, axis=0)
    assert said == pytest.approx(real, abs=0.1)


def test_doubts_that_differ_are_not_printed_alike(steps):
    one = steps.steps[0]
    near = replace(one, now=replace(one.now, lambda_u_percent=1.62), then=replace(one.then, lambda_u_percent=1.58))
    assert near.helps()
    assert "from 1.62 to 1.58 % lambda" in say.measurement(near)
