"""Ranking of invented needles: the one that made the target comes first, those that do not fit say why."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, NO_DOUBTS, STATIONS_MM, asked, make_setup
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import brentq

import needlecalc as nc
from needlecalc.design.after.rank import DROPS_TRIED, Worth
from needlecalc.design.inverse.uncertainty import outlook
from needlecalc.design.inverse.verdict import Cause

LIFTS = np.linspace(2.0, 26.0, 12)
LOADS = ("idle", *("light",) * 5, *("full",) * 6)
HUMP = 0.02 * np.exp(-(((STATIONS_MM - 16.0) / 5.0) ** 2))


def needle(name, change=0.0, stations=STATIONS_MM):
    return nc.Needle(name, stations, np.interp(stations, STATIONS_MM, DIAMETERS_MM + change))


@pytest.fixture(scope="module")
def setup():
    return make_setup(drop_min_mm=0.8, drop_max_mm=2.6)


def target_of(setup, wanted_needle, drop_mm, **kwargs):
    """Lambda that a needle gives, asked for."""
    bands = nc.typed_bands(np.linspace(900, 5000, 12), np.full(12, 1.05), lift_mm=LIFTS, load=LOADS)
    wanted = nc.predict_lambda(setup, bands, needle=wanted_needle, drop_mm=drop_mm)
    return asked(setup, LIFTS, np.full(12, 1.05), wanted, load=LOADS, **kwargs)


def test_the_needle_that_made_the_target_comes_first_with_its_jet_drop(setup):
    # The target is made by the forward model with a known needle and drop; the ranking must find both.
    secret = needle("secret", -HUMP)
    target = target_of(setup, secret, 2.05)
    others = [needle("stock"), needle("thin", -0.03), needle("fat", 0.03), secret]
    ranking = nc.rank(others, target, setup)
    best = ranking.best()
    assert best.needle.name == "secret"
    assert best.drop_mm == pytest.approx(2.05, abs=0.005)
    assert best.worst < 0.002
    assert best.worth == "serves as it is"
    rms = [one.rms for one in ranking.needles]
    assert rms == sorted(rms)
    assert len(ranking.needles) == 4


def test_stations_of_the_needle_are_its_own(setup):
    # The same metal on other stations predicts the same lambda.
    own = needle("stock")
    finer = needle("finer", stations=np.linspace(0.0, 38.1, 25))
    target = target_of(setup, needle("w", -HUMP), 1.6)
    one, two = (nc.rank([n], target, setup).best() for n in (own, finer))
    np.testing.assert_allclose(one.lambda_predicted, two.lambda_predicted, rtol=2e-3)
    by_model = nc.predict_lambda(setup, target.bands, needle=own, drop_mm=one.drop_mm)
    np.testing.assert_allclose(one.lambda_predicted, by_model, rtol=1e-9)


def test_best_drop_is_the_best_of_a_fine_scan(setup):
    target = target_of(setup, needle("w", -HUMP), 1.9)
    one = nc.rank([needle("thin", -0.01)], target, setup).best()
    scan = [
        np.sum(np.log(nc.predict_lambda(setup, target.bands, needle=one.needle, drop_mm=d) / target.lambda_target) ** 2)
        for d in np.linspace(0.8, 2.6, 181)
    ]
    assert one.drop_mm == pytest.approx(np.linspace(0.8, 2.6, 181)[int(np.argmin(scan))], abs=0.011)


def test_donors_have_the_metal_and_thin_needles_lack_it(setup):
    target = target_of(setup, needle("w", -HUMP), 1.6)
    ranking = nc.rank([needle("donor", 0.02), needle("thin", -0.12)], target, setup)
    named = {one.needle.name: one for one in ranking.needles}
    donor, thin = named["donor"], named["thin"]
    assert donor.lacks_um == 0.0
    assert donor.filing_um > 0.0
    assert thin.lacks_um > 10.0
    assert "donor, file up to some" in repr(donor)
    assert "needs some" in repr(thin)
    # The solver agrees: the donor can be filed to the target, the thin one cannot be at the jet as it is.
    fitted = setup.with_needle(donor.needle)
    lean = nc.predict_lambda(setup, target.bands, needle=donor.needle, drop_mm=1.6)
    made = nc.solve(asked(fitted, LIFTS, lean, target.lambda_target, load=LOADS), fitted)
    assert made.met
    assert made.remove_um().max() == pytest.approx(donor.filing_um, rel=0.6)


def test_interval_of_the_needle_now_fitted_is_that_of_a_drawn_car(setup):
    # Cars drawn through the flow law itself (design/inverse/uncertainty.py), no cut: same needle, jet moved by the solver.
    target = target_of(setup, needle("stock"), 1.75, lambda_se=0.006)
    one = nc.rank([setup.carburettor.needle], target, setup).best()
    assert (one.lambda_low < one.lambda_predicted).all()
    assert (one.lambda_high > one.lambda_predicted).all()
    design = nc.solve(target, setup)
    assert design.remove_um().max() < 1e-6
    # Both of the day that the nut is set on.
    present, none = design.present().diameters_mm, np.zeros(13, dtype=bool)
    seen = outlook(design.learned, target, present, none, design.drop_mm, idle_to=design.idle_to()).lambda_drawn
    low, high = np.quantile(seen, [0.05, 0.95], axis=0)
    wide = np.log(one.lambda_high / one.lambda_low) / np.log(high / low)
    np.testing.assert_allclose(wide, 1.0, atol=0.15)
    inside = ((seen > target.lambda_rich) & (seen < target.lambda_lean)).all(axis=1).mean()
    assert one.chance == pytest.approx(inside, abs=0.05)


def test_without_doubt_the_interval_closes(setup):
    target = target_of(setup, needle("w", -HUMP), 1.6, lambda_se=0.0, lift_u_mm=0.0)
    certain = replace(setup, carburettor=replace(setup.carburettor, jet=replace(setup.carburettor.jet, flat_mm=0.02)))
    exact = make_setup(drop_min_mm=0.8, drop_max_mm=2.6, parallel_length_u_mm=0.0, flat_mm=0.02)
    assert certain.carburettor.needle.name == "stock"
    one = nc.rank([needle("stock")], target, nc.learn(target.bands, exact, doubts=NO_DOUBTS)).best()
    np.testing.assert_allclose(one.lambda_high, one.lambda_low, rtol=0.02)
    assert one.chance in (0.0, 1.0)


def test_a_folder_of_tables_with_some_that_do_not_fit(setup, tmp_path):
    def write(name, diameters, stations=STATIONS_MM):
        lines = ["station,distance_mm,diameter_mm"]
        lines += [f"{k},{z:.4f},{d:.4f}" for k, (z, d) in enumerate(zip(stations, diameters, strict=True), 1)]
        (tmp_path / f"{name}.csv").write_text("\n".join(lines))

    write("a_stock", DIAMETERS_MM)
    write("b_good", DIAMETERS_MM - HUMP)
    write("c_short", DIAMETERS_MM[:6], STATIONS_MM[:6])
    write("d_huge", DIAMETERS_MM + 0.2)
    (tmp_path / "e_broken.csv").write_text("station,distance_mm,diameter_mm\n1,0,2.4\n2,3.175,oops\n")
    (tmp_path / "notes.txt").write_text("no table")
    ranking = nc.rank(tmp_path, target_of(setup, needle("w", -HUMP), 1.6), setup)
    assert [one.needle.name for one in ranking.needles] == ["b_good", "a_stock"]
    why = dict(ranking.refused)
    assert "measure more stations" in why["c_short"]
    assert "thinner than its jet" in why["d_huge"]
    assert "'oops' is not a number" in why["e_broken"]
    text = " ".join(str(ranking).split())
    assert "e_broken refused: e_broken.csv, line 3" in text
    assert all(f"{name} refused: {words}" in text for name, words in why.items())
    assert len(ranking.rows()) == 2
    assert "2 needles, 3 refused" in repr(ranking)
    assert len(ranking.needles[0].rows()) == 12


def test_pitch_given_for_tables_without_distances(setup, tmp_path):
    lines = ["station,diameter_mm"] + [f"{k},{d}" for k, d in enumerate(DIAMETERS_MM, 1)]
    (tmp_path / "n.csv").write_text("\n".join(lines))
    target = target_of(setup, needle("w", -HUMP), 1.6)
    given = nc.rank(nc.read_needles(tmp_path, pitch_mm=3.175), target, setup).best()
    typed = nc.rank([needle("n")], target, setup).best()
    np.testing.assert_allclose(given.lambda_predicted, typed.lambda_predicted, rtol=1e-9)
    refused = nc.rank(tmp_path, target, setup)
    assert "pitch_mm" in refused.refused[0][1]
    with pytest.raises(nc.InputError, match="None of 1 needle could be weighed"):
        refused.best()


def test_nothing_to_rank(setup, tmp_path):
    target = target_of(setup, needle("w"), 1.6)
    with pytest.raises(nc.InputError, match="no needle to rank"):
        nc.rank([], target, setup)
    with pytest.raises(nc.InputError, match="no needle tables in it"):
        nc.rank(tmp_path, target, setup)
    with pytest.raises(nc.InputError, match="none: the needle table cannot be read"):
        nc.rank(tmp_path / "none", target, setup)


def test_what_a_second_drive_taught_is_used(setup):
    # With a flow gain of 0.8 learned, another needle changes lambda by 0.8 of what the law alone says.
    target = target_of(setup, needle("w", -HUMP), 1.6)
    learned = nc.learn(target.bands, setup)
    mean = learned.mean.copy()
    mean[learned.place.shared("flow gain")] = np.log(0.8)
    weak = replace(learned, estimate=replace(learned.estimate, mean=mean))
    fixed = make_setup()
    one = nc.rank([needle("thin", -0.02)], target, nc.learn(target.bands, fixed)).best()
    two = nc.rank([needle("thin", -0.02)], target, replace(weak, setup=fixed)).best()
    np.testing.assert_allclose(np.log(two.lambda_predicted / 1.05), 0.8 * np.log(one.lambda_predicted / 1.05), rtol=1e-6)


def test_the_solution_ranks_as_solve_judges_it(setup):
    # A hump that a smooth cut does not follow: the design stays more than 2 % off, inside what is permitted.
    read = 1.05 + 0.035 * (-1.0) ** np.arange(12)
    target = asked(setup, LIFTS, read, 0.95, load=LOADS, lambda_se=0.02)
    design = nc.solve(target, setup, with_alternatives=False)
    assert design.met
    assert design.verdict.worst > 0.02
    one = nc.rank([needle("stock"), design.needle], target, setup).best()
    assert one.needle.name == design.needle.name
    assert one.worth is Worth.SERVES
    # What is not permitted is not served.
    narrow = replace(target, lambda_rich=target.lambda_target - 0.01, lambda_lean=target.lambda_target + 0.01)
    assert nc.rank([design.needle], narrow, setup).best().worth is not Worth.SERVES


def test_metal_is_lacking_only_where_hand_and_micrometer_can_tell():
    kept = make_setup()
    target = target_of(kept, needle("w"), 1.6)
    told_um = 2e3 * np.hypot(0.0025, 0.0015)
    # At the first band, the most sensitive, a donor may start 1 % rich; thinner by more than can be told it lacks metal.
    by_um = 1e-3 * np.abs(nc.metering(kept, LIFTS).lambda_per_step) / 10.0
    for thinner_um, lacks in ((0.7 * told_um, False), (1.05 * told_um + 0.01 / by_um.min(), True)):
        one = nc.rank([needle("thin", -1e-3 * thinner_um)], target, kept).best()
        assert (one.lacks_um > 0.0) == lacks
        assert not lacks or one.lacks_um > told_um


def wandering(draw, count):
    """Needles about the one fitted."""
    rng = np.random.default_rng(draw)
    wander = rng.normal(0.0, 0.02, (count, 1)) + np.cumsum(rng.normal(0.0, 0.004, (count, STATIONS_MM.size)), axis=1)
    table = np.minimum(np.minimum.accumulate(DIAMETERS_MM + wander, axis=1), 2.53)
    return [nc.Needle(f"n{k:02d}", STATIONS_MM, row) for k, row in enumerate(table)]


@given(draw=st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_neither_order_nor_the_other_needles_count(draw):
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    needles = [
        *wandering(draw, 8),
        needle("fine", 0.01, np.linspace(0.0, 38.1, 25)),
        needle("long", -0.01, STATIONS_MM[:12]),
    ]
    target = target_of(setup, needle("w", -HUMP), 1.6)
    whole = nc.rank(needles, target, setup)
    mixed = nc.rank([needles[k] for k in np.random.default_rng(draw).permutation(len(needles))], target, setup)
    half = nc.rank(needles[::2], target, setup)
    names = [one.needle.name for one in whole.needles]
    assert [one.needle.name for one in mixed.needles] == names
    assert [one.needle.name for one in half.needles] == [name for name in names if name in {n.name for n in needles[::2]}]
    alone = {one.needle.name: one for one in (*mixed.needles, *half.needles)}
    for one in whole.needles:
        other = alone[one.needle.name]
        assert (other.worth, other.stations) == (one.worth, one.stations)
        assert other.drop_mm == pytest.approx(one.drop_mm, abs=1e-9)
        np.testing.assert_allclose(other.lambda_predicted, one.lambda_predicted, rtol=1e-9)
        np.testing.assert_allclose(other.lambda_low, one.lambda_low, rtol=1e-9)
        assert other.filing_um == pytest.approx(one.filing_um, abs=1e-6)


@given(draw=st.integers(0, 10**6), size=st.floats(0.0, 0.04))
@settings(max_examples=10, deadline=None)
def test_the_solution_ranks_first_and_serves_where_solve_says_so(draw, size):
    # What is read is what the needle fitted must lose metal for; noise of a reading on it.
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    rng = np.random.default_rng(draw)
    read = 1.0 + np.linspace(0.0, 0.12, 12) + rng.normal(0.0, size, 12)
    target = asked(setup, LIFTS, read, np.linspace(1.0, 0.9, 12), load=LOADS, lambda_se=0.01)
    design = nc.solve(target, setup, with_alternatives=False)
    others = [nc.Needle(n.name, n.stations_mm, n.diameters_mm + 0.05) for n in wandering(draw, 5)]
    one = nc.rank([*others, design.needle], target, setup).best()
    assert one.needle is design.needle
    assert one.worth is Worth.SERVES or not design.met
    # At its own height the law gives what solve expects of it.
    fixed = replace(setup.carburettor.jet, drop_mm=design.drop_mm, drop_min_mm=design.drop_mm, drop_max_mm=design.drop_mm)
    still = replace(setup, carburettor=replace(setup.carburettor, jet=fixed, float_level_mm=6.0 + 1.6 - design.drop_mm))
    there = nc.rank([design.needle], target, replace(design.learned, setup=still)).best()
    np.testing.assert_allclose(there.lambda_predicted, design.final.expected, rtol=1e-6)
    assert (there.worth is Worth.SERVES) == design.met


@given(draw=st.integers(0, 10**6))
@settings(max_examples=5, deadline=None)
def test_a_donor_never_needs_added_metal(draw):
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    target = target_of(setup, needle("w", -HUMP), 1.6)
    for one in nc.rank(wandering(draw, 6), target, setup).needles:
        if one.worth is Worth.DONOR:
            assert one.lacks_um == 0.0
            assert one.filing_um > 0.0
            assert one.stations
            donor = setup.with_needle(one.needle)
            lean = nc.predict_lambda(setup, target.bands, needle=one.needle)
            if lean.max() > nc.Doubts().lean_limit:
                continue  # so lean with the jet where it is that solve counts its readings as at least so lean only
            made = nc.solve(asked(donor, LIFTS, lean, target.lambda_target, load=LOADS), donor, with_alternatives=False)
            assert Cause.METAL not in {missed.cause for missed in made.verdict.missed if missed.outside}


@given(shift_mm=st.floats(0.0, 3.0), draw=st.integers(0, 10**6))
@settings(max_examples=8, deadline=None)
def test_a_jet_lower_by_so_much_is_a_table_that_starts_so_much_later(shift_mm, draw):
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
    jet = setup.carburettor.jet

    def later(one):
        return nc.Needle(one.name, one.stations_mm + shift_mm, one.diameters_mm)

    lower = replace(jet, drop_mm=1.6 + shift_mm, drop_min_mm=0.8 + shift_mm, drop_max_mm=2.6 + shift_mm)
    moved = replace(setup.carburettor, needle=later(setup.carburettor.needle), jet=lower)
    target = target_of(setup, needle("w", -HUMP), 1.6)
    needles = wandering(draw, 4)
    here = nc.rank(needles, target, setup)
    there = nc.rank([later(one) for one in needles], target, replace(setup, carburettor=moved))
    for one, other in zip(here.needles, there.needles, strict=True):
        assert (one.needle.name, one.worth, one.stations) == (other.needle.name, other.worth, other.stations)
        assert other.drop_mm == pytest.approx(one.drop_mm + shift_mm, abs=1e-6)
        np.testing.assert_allclose(other.lambda_predicted, one.lambda_predicted, rtol=1e-6)
        np.testing.assert_allclose(other.lambda_high, one.lambda_high, rtol=1e-6)
        assert other.filing_um == pytest.approx(one.filing_um, abs=1e-3)


@pytest.mark.parametrize("offset", [0.0, 0.3, 1.0])
def test_no_height_of_the_nut_serves_better_than_the_one_found(setup, offset):
    # The law itself at every height, one needle and height after another.
    target = target_of(setup, needle("w", -HUMP), 1.6)
    learned = nc.learn(target.bands, setup)
    mean = learned.mean.copy()
    mean[learned.place.shared("eccentricity")] = offset**2
    car = replace(learned, estimate=replace(learned.estimate, mean=mean))
    heights = np.linspace(0.8, 2.6, DROPS_TRIED)
    for one in nc.rank(wandering(7, 12), target, car, intervals=0).needles:
        tried = [np.exp(car.law.log_lambda(one.needle.diameters_mm, float(drop))) for drop in heights]
        squares = [float(np.sum(np.log(lam / target.lambda_target) ** 2)) for lam in tried]
        inside = [k for k, lam in enumerate(tried) if (target.excess(lam) <= 0.0).all()]
        mine = float(np.sum(np.log(one.lambda_predicted / target.lambda_target) ** 2))
        if one.worth is Worth.SERVES:
            assert mine <= min((squares[k] for k in inside), default=np.inf) * (1.0 + 1e-6)
        else:
            assert not inside
            assert mine <= min(squares) * (1.0 + 1e-6)


def test_metal_that_was_driven_is_what_the_drives_taught_of_it(setup):
    # Two drives at two jet heights move what is believed of each station; the needle fitted ranks by that.
    bands = nc.typed_bands(np.linspace(900, 5000, 12), np.full(12, 1.05), lift_mm=LIFTS, load=LOADS)
    lower = nc.predict_lambda(setup, bands, drop_mm=2.0) * (1.0 + 0.01 * (-1.0) ** np.arange(12))
    again = nc.typed_bands(np.linspace(900, 5000, 12), lower, lift_mm=LIFTS, load=LOADS)
    present = setup.carburettor.needle
    car = nc.learn(nc.History((nc.Pass(present, 1.6, bands),)).then(present, 2.0, again), make_setup(drop_mm=2.0))
    assert np.abs(car.present_mm() - present.diameters_mm).max() > 1e-5
    one = nc.rank([present], nc.Target(again, np.full(12, 0.95)), car).best()
    assert one.drop_mm == pytest.approx(2.0)
    np.testing.assert_allclose(one.lambda_predicted, car.lambda_now(), rtol=1e-9)
    filed = nc.Needle("filed", STATIONS_MM, np.where(np.arange(13) > 6, present.diameters_mm - 0.02, present.diameters_mm))
    two = nc.rank([filed], nc.Target(again, np.full(12, 0.95)), car).best()
    assert two.lambda_predicted[:3] == pytest.approx(one.lambda_predicted[:3], rel=1e-9)


def test_metal_all_over_is_what_comes_off_and_what_is_lacking():
    # The jet stays; each band then asks for the same metal, and scipy finds what the thinnest place lacks.
    kept = make_setup()
    target = target_of(kept, needle("w"), 1.6)
    fat, thin = (nc.rank([needle("n", change)], target, kept).best() for change in (0.03, -0.03))
    assert fat.filing_um == pytest.approx(30.0, abs=0.05)
    # Station 1 lies above the one before the first band: nobody knows it.
    assert fat.stations == tuple(range(2, 14))
    assert (fat.worth, fat.lacks_um) == (Worth.DONOR, 0.0)

    def short(more_mm, band):
        lam = nc.predict_lambda(kept, target.bands, needle=needle("n", more_mm - 0.03), drop_mm=1.6)
        return float(lam[band] / target.lambda_target[band]) - 0.99  # so much richer a donor may start

    lacking = [brentq(short, 0.0, 0.03, args=(band,)) if short(0.0, band) < 0.0 else 0.0 for band in range(12)]
    assert thin.lacks_um == pytest.approx(1e3 * max(lacking), abs=0.05)
    assert thin.worth is Worth.NEEDS_METAL
