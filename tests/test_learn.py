"""Learning: the best values, their covariance, and what one pass and two can tell; checked by general tools."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from conftest import DIAMETERS_MM, NO_DOUBTS, SAME_DAY, STATIONS_MM, make_setup
from learned_afresh import Afresh
from scipy.optimize import least_squares
from scipy.stats import chi2, kstest
from virtual_owner import Owner

import needlecalc as nc
from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.design.inverse.uncertainty import Cars
from needlecalc.report import say

ONE_DAY = nc.Doubts(**SAME_DAY)
LIFTS = np.array([2.0, 4.5, 7.0, 10.0, 14.0, 19.0, 25.0])
LAMBDA = np.array([0.98, 1.01, 1.05, 1.08, 1.04, 1.02, 1.06])
OFF_UM = np.array([0, 10, 30, 45, 50, 55, 50, 40, 40, 40, 40, 40, 40], dtype=float)


def bands(ratio, lift_u=0.3, common=0.1, load=None):
    typed = nc.typed_bands(
        np.linspace(900, 5000, len(ratio)), ratio, lift_mm=LIFTS[: len(ratio)], lift_u_mm=lift_u, lambda_se=0.006, load=load
    )
    return replace(typed, lift_common_u_mm=np.full(len(ratio), common))


def history(setup, second=None, drop=None, off_um=OFF_UM):
    """Two passes: the stock needle, then a cut one, or the same in a moved jet."""
    stock = setup.carburettor.needle
    first = nc.Pass(stock, setup.carburettor.jet.drop_mm, bands(LAMBDA))
    cut = nc.Needle("cut", STATIONS_MM, DIAMETERS_MM - off_um / 1000)
    if second is None:
        change = nc.predict_lambda(setup, bands(LAMBDA), needle=cut, drop_mm=drop) / LAMBDA
        second = LAMBDA * change**1.04 * np.array([1.004, 0.995, 1.001, 0.997, 1.003, 1.002, 0.998])
    return nc.History((first, nc.Pass(cut, setup.carburettor.jet.drop_mm if drop is None else drop, bands(second))))


WILD = LAMBDA * np.array([0.97, 0.93, 0.90, 0.90, 0.92, 0.95, 0.96])  # pulls the jet's length against nothing at all


@pytest.mark.parametrize(
    ("jet", "moved", "second"),
    [
        ({}, None, None),
        ({"drop_min_mm": 0.0, "drop_max_mm": 3.0}, 2.1, None),
        ({}, None, WILD),
        ({"mounting": "biased"}, None, WILD),
    ],
)
def test_best_values_are_those_of_a_general_solver(jet, moved, second):
    setup = make_setup(**jet)
    passes = history(setup, second, drop=moved)
    learned = nc.learn(passes, setup)
    afresh = Afresh(setup, passes.passes)
    # scipy's trust-region solver with its own finite differences knows nothing of the analytic slopes.  A jet has
    # some length, and no needle reaches past the bore's wall.
    low, high = np.full(afresh.centre.size, -np.inf), np.full(afresh.centre.size, np.inf)
    length, offset = learned.place.shared("jet length"), learned.place.shared("eccentricity")
    low[length] = (np.log(0.2) - afresh.centre[length]) / afresh.width[length]
    low[offset], high[offset] = (np.array([-1e-9, 1.0 + 1e-9]) - afresh.centre[offset]) / afresh.width[offset]
    exact = {"bounds": (low, high), "xtol": 1e-9, "ftol": 1e-11, "gtol": 1e-7}
    # It may stop short of the best, on some processors more than on others: the lower of two starts counts.
    here = (learned.mean - afresh.centre) / afresh.width
    beside = np.clip(0.99 * here, low + 1e-9, high - 1e-9)
    starts = np.zeros(low.size), beside
    best = min((least_squares(afresh.residuals, start, **exact) for start in starts), key=lambda one: one.cost)
    assert learned.misfit == pytest.approx(2.0 * best.cost, rel=1e-6, abs=1e-9)
    # Chi-squared table: 14 degrees of freedom, 5 %.
    afresh.factor = max(1.0, np.sqrt(2.0 * best.cost / 23.685))
    assert bool(afresh.factor > 1.0) is (second is WILD)
    best = least_squares(afresh.residuals, best.x, **exact)
    # The cost is what is minimised; the other solver finds nothing lower from its own end, nor from beside ours.
    ours = afresh.residuals(here)
    assert ours @ ours <= 2.0 * best.cost * (1.0 + 1e-6)
    assert 2.0 * least_squares(afresh.residuals, beside, **exact).cost >= (ours @ ours) * (1.0 - 1e-6)


def test_covariance_is_the_inverse_of_the_numerical_hessian():
    # Asymptotic normality: the posterior's covariance is the inverse of the Hessian of half the sum of squares
    # (Tarantola, Inverse Problem Theory, SIAM, 2005, section 3.2, from memory), here by central differences.
    setup = make_setup()
    passes = history(setup)
    learned = nc.learn(passes, setup)
    afresh = Afresh(setup, passes.passes)
    best = (learned.mean - afresh.centre) / afresh.width
    jacobian = np.empty((afresh.residuals(best).size, best.size))
    for k in range(best.size):
        step = np.zeros(best.size)
        step[k] = 1e-3 * learned.u()[k] / afresh.width[k]
        if k == learned.place.shared("eccentricity"):  # the needle is centred: the square of an offset goes up only
            one, two = (afresh.residuals(best + t * step) for t in (1.0, 2.0))
            jacobian[:, k] = (4.0 * one - 3.0 * afresh.residuals(best) - two) / (2.0 * step[k])
            continue
        jacobian[:, k] = (afresh.residuals(best + step) - afresh.residuals(best - step)) / (2.0 * step[k])
    there = np.linalg.inv(jacobian.T @ jacobian)
    here = learned.estimate.covariance() / np.outer(afresh.width, afresh.width)
    size = np.sqrt(np.outer(np.diag(there), np.diag(there)))
    np.testing.assert_allclose(here / size, there / size, atol=2e-4)
    assert (np.linalg.eigvalsh(here) > 0.0).all()


def test_misfit_by_chance_is_chi_squared():
    # The least sum of squares of a linear model with normal errors follows chi-squared, with as many degrees of freedom
    # as there are readings more than free values (Tarantola, section 3.2, from memory); Kolmogorov and Smirnov compare.
    owners = []
    for seed in range(60):
        owner = Owner.drawn(seed)
        first = owner.drive()
        passes = nc.History((nc.Pass(owner.setup.carburettor.needle, 1.6, first),))
        filed = DIAMETERS_MM - np.where((DIAMETERS_MM < 2.44) & (DIAMETERS_MM > 1.9), 0.03, 0.0)
        owner.file_to(np.minimum.accumulate(filed), filed < DIAMETERS_MM)
        owners.append(nc.learn(passes.then(owner.measured(), 1.6, owner.drive()), owner.setup))
    assert {one.degrees_of_freedom for one in owners} == {12}
    assert kstest([one.misfit for one in owners], chi2(12).cdf).pvalue > 0.01
    assert sum(one.contradiction() is not None for one in owners) <= 1


def test_passes_that_no_car_explains_are_not_designed_from():
    setup = make_setup()
    fair = nc.learn(history(setup), setup)
    assert fair.contradiction() is None
    assert fair.widening() == 1.0
    # The needle was cut by up to 55 um, and the log is that of the day before.
    stale = history(setup, second=LAMBDA)
    learned = nc.learn(stale, setup)
    target = nc.Target(learned.bands, np.full(7, 0.95))
    with pytest.raises(
        nc.SolveError, match=r"No car explains these passes: they miss the best car by \d+\.\d times.*in pass "
    ):
        nc.solve(target, setup, learned=learned)
    assert learned.widening() == pytest.approx(np.sqrt(learned.misfit / 23.685), rel=1e-4)  # chi-squared table: 14, 5 %
    # Nearly so: every doubt is as much wider, and the design says so.
    share = history(setup).passes[1].bands.lambda_measured / LAMBDA
    odd = LAMBDA * share * np.array([1.0, 1.05, 0.95, 1.05, 0.95, 1.05, 1.0])
    learned = nc.learn(history(setup, second=odd), setup)
    assert learned.widening() > 1.1
    plain = nc.learn(history(setup), setup)
    assert (learned.lambda_now_u(same_day=True) > 1.05 * plain.lambda_now_u(same_day=True)).all()
    design = nc.solve(replace(target, bands=learned.bands), setup, learned=learned)
    (apart,) = (one for one in design.remarks if one.kind is LearnedRemark.CONTRADICT)
    assert apart.numbers["widening"] == learned.widening()
    assert "THE PASSES CONTRADICT EACH OTHER" in nc.grind_sheet(design).text()


def test_one_pass_leaves_the_shared_values_as_they_were():
    setup = make_setup()
    learned = nc.learn(bands(LAMBDA), setup)
    doubts = nc.Doubts()
    # Nothing was changed, so nothing of the flow law can have shown.
    car = learned.place.car()
    np.testing.assert_allclose(learned.mean[car], [0.0, np.log(4.0), 0.0, 0.0, 0.0, 0.0, 0.0], atol=1e-12)
    prior = Afresh(setup, history(setup).passes[:1]).width[21:28]
    # A ten-thousandth is what the wide but finite prior of each lift tells of the error they share.
    np.testing.assert_allclose(learned.u()[car], prior, rtol=1e-4)
    np.testing.assert_allclose(learned.lambda_now(), LAMBDA, rtol=1e-12)
    own = np.hypot(0.006 / LAMBDA, doubts.repeatability)
    np.testing.assert_allclose(learned.lambda_now_u(same_day=True), own, rtol=1e-3)
    # Another day: colder or warmer than the drive's by the root of two, as neither day's fuel is known.
    day = learned.place.day()
    both = np.sqrt(2.0) * learned.slopes(DIAMETERS_MM, 1.6)[0][:, day] * learned.prior_u[day]
    np.testing.assert_allclose(learned.lambda_now_u(), np.hypot(own, both), rtol=2e-3)
    # Own and common error of a lift add up to what was stated, with the zero all bands share.
    np.testing.assert_allclose(learned.u()[learned.place.lift()], np.hypot(0.3, doubts.lift_zero_mm), rtol=1e-3)


def test_two_passes_with_a_cut_teach_the_gain_and_not_the_unseen():
    setup = make_setup()
    cut = nc.Needle("cut", STATIONS_MM, DIAMETERS_MM - OFF_UM / 1000)
    for gain in (0.92, 1.0, 1.08):
        whole = nc.predict_lambda(setup, bands(LAMBDA), needle=cut) / LAMBDA
        second = LAMBDA * whole**gain
        one, two = nc.learn(bands(LAMBDA), setup, doubts=ONE_DAY), nc.learn(history(setup, second), setup, doubts=ONE_DAY)
        assert two.u()[two.place.shared("flow gain")] < 0.8 * one.u()[one.place.shared("flow gain")]
        assert abs(two.gain() - gain) < abs(1.0 - gain) + 1e-9
        assert (two.u() <= np.concatenate([one.u(), two.u()[one.u().size :]]) * (1 + 1e-9)).all()
        # Stations no band stands on stay as uncertain as before: the shoulder and the far tip.
        tip = two.place.needle(0).stop - 1
        assert two.u()[tip] == pytest.approx(nc.Doubts().table_mm, rel=1e-6)
        np.testing.assert_allclose(two.lambda_now(), second, rtol=0.01)


def test_a_moved_jet_teaches_without_metal_taken_off():
    setup = make_setup(drop_min_mm=0.0, drop_max_mm=4.0)
    moved = nc.predict_lambda(setup, bands(LAMBDA), drop_mm=3.4) / LAMBDA
    read = history(setup, LAMBDA * moved**1.1, drop=3.4, off_um=np.zeros(13))
    learned = nc.learn(read, setup, doubts=ONE_DAY)
    assert read.needle_of_pass().tolist() == [0, 0]
    assert learned.place.needles == 1
    assert learned.gain() > 1.0
    assert learned.u()[learned.place.shared("flow gain")] < 0.9 * nc.Doubts().flow_gain
    assert learned.setup.carburettor.jet.drop_mm == 3.4
    # The fuel level stays where it was: the jet's face came 1.8 mm nearer.
    assert learned.setup.carburettor.float_level_mm == pytest.approx(6.0 - 1.8)


def test_the_order_of_passes_between_first_and_last_does_not_matter():
    setup = make_setup(drop_min_mm=0.0, drop_max_mm=4.0)
    stock = setup.carburettor.needle
    first = nc.Pass(stock, 1.6, bands(LAMBDA))
    half = nc.Pass(nc.Needle("half", STATIONS_MM, DIAMETERS_MM - OFF_UM / 2000), 1.6, bands(LAMBDA * 0.97))
    down = nc.Pass(stock, 2.4, bands(LAMBDA * 0.98))
    last = nc.Pass(nc.Needle("cut", STATIONS_MM, DIAMETERS_MM - OFF_UM / 1000), 1.6, bands(LAMBDA * 0.94))
    one = nc.learn(nc.History((first, half, down, last)), setup)
    other = nc.learn(nc.History((first, down, half, last)), setup)
    car = one.place.car()
    np.testing.assert_allclose(other.lambda_now(), one.lambda_now(), rtol=1e-6)
    np.testing.assert_allclose(other.lambda_now_u(), one.lambda_now_u(), rtol=1e-4)
    np.testing.assert_allclose(other.mean[car], one.mean[car], atol=1e-3 * one.u()[car].min())
    np.testing.assert_allclose(other.u()[car], one.u()[car], rtol=1e-4)


def test_repeated_readings_of_one_band_add_up_as_the_normal_law_says():
    # Scalar Bayesian update of normal prior and normal readings (Gelman et al., Bayesian Data Analysis, 3rd ed.,
    # section 2.5, equations 2.11 and 2.12, from memory): precisions add, the mean is weighted by them.  It is the
    # Kalman update of a constant too.  With the needle and jet unchanged, the level of a band is such a scalar.
    setup = make_setup()
    stock = setup.carburettor.needle
    reads, se = [0.95, 0.965, 0.98], [0.004, 0.01, 0.02]
    passes = []
    for ratio, doubt in zip(reads, se, strict=True):
        typed = nc.typed_bands([3000], [ratio], lift_mm=[10.0], lambda_se=doubt)
        passes.append(nc.Pass(stock, 1.6, typed))
    doubts = nc.Doubts(repeatability=0.003, **SAME_DAY)
    learned = nc.learn(nc.History(tuple(passes)), setup, doubts=doubts)
    spread = np.hypot(np.array(se) / reads, doubts.repeatability)
    precision = np.append(1.0 / spread**2, 1.0)  # the wide prior, one of ln(lambda), about the first reading
    values = np.append(np.log(reads), np.log(reads[0]))
    assert learned.mean[learned.place.level()][0] == pytest.approx((precision @ values) / precision.sum(), abs=1e-9)
    assert learned.u()[learned.place.level()][0] == pytest.approx(precision.sum() ** -0.5, rel=1e-9)
    # The same by Kalman's recursion, reading by reading (Kalman, J. Basic Eng. 82, 1960, from memory).
    mean, variance = np.log(reads[0]), 1.0
    for value, width in zip(np.log(reads), spread, strict=True):
        share = variance / (variance + width**2)
        mean, variance = mean + share * (value - mean), (1.0 - share) * variance
    assert float(learned.lambda_now()[0]) == pytest.approx(np.exp(mean), rel=1e-9)
    assert float(learned.lambda_now_u()[0]) == pytest.approx(variance**0.5, rel=1e-9)


def test_lift_readings_that_share_an_error_average_only_their_own_part():
    # Two readings of the same lift, variance own^2 each, plus an error both share: the mean has own^2/2 + shared^2
    # (GUM, JCGM 100:2008, annex F.1.2.3 on correlated readings, from memory).
    setup = make_setup()
    one = replace(
        nc.typed_bands([3000], [1.0], lift_mm=[10.0], lift_u_mm=np.hypot(0.4, 0.3)), lift_common_u_mm=np.array([0.3])
    )
    passes = nc.History((nc.Pass(setup.carburettor.needle, 1.6, one),) * 2)
    learned = nc.learn(passes, setup, doubts=nc.Doubts(lift_zero_mm=0.2))
    variance = 0.4**2 / 2 + 0.3**2 + 0.2**2
    with_prior = 1.0 / (1.0 / variance + 1.0 / 30.0**2)
    assert learned.u()[learned.place.lift()][0] == pytest.approx(np.sqrt(with_prior), rel=1e-8)


def test_a_band_beyond_the_lean_limit_counts_as_at_least_so_lean():
    setup = make_setup()
    spread = np.array([0.01, 0.01, 0.01, 0.01, 0.01, 0.01, 0.06])
    read = replace(bands(np.append(LAMBDA[:-1], 1.35)), lambda_spread=spread)
    learned = nc.learn(read, setup)
    assert learned.at_least.tolist() == [False] * 6 + [True]
    # Anywhere from 1.15 to 1.35 alike: the middle, and the width of the rectangle over the root of twelve.
    assert learned.lambda_now()[-1] == pytest.approx(1.25, abs=1e-9)
    variance = (0.2**2 / 12 + 0.006**2) / 1.25**2 + 0.004**2
    assert learned.lambda_now_u(same_day=True)[-1] == pytest.approx((1.0 / (1.0 / variance + 1.0)) ** 0.5, rel=1e-6)
    steady = nc.learn(replace(read, lambda_spread=np.full(7, 0.01)), setup)
    assert not steady.at_least.any()


def test_samples_have_the_mean_and_covariance_believed():
    setup = make_setup()
    learned = nc.learn(history(setup), setup)
    cars = Cars.of(learned, 4000).law.unknowns
    z = (cars - learned.mean) / learned.u()
    # Mean of 4000 within 5 standard errors; spread within 5 of its own (1/sqrt(2n)); correlation within 5/sqrt(n).
    assert np.abs(z.mean(axis=0)).max() < 5.0 / np.sqrt(4000)
    assert np.abs(z.std(axis=0) - 1.0).max() < 5.0 / np.sqrt(8000)
    drawn = np.corrcoef(z.T)
    believed = learned.estimate.covariance() / np.outer(learned.u(), learned.u())
    assert np.abs(drawn - believed).max() < 5.0 / np.sqrt(4000)
    np.testing.assert_array_equal(Cars.of(learned, 50).law.unknowns, Cars.of(learned, 50).law.unknowns)


@pytest.mark.parametrize("drop", [1.6, 2.2])
def test_slopes_are_those_of_log_lambda(drop):
    setup = make_setup(drop_min_mm=0.0, drop_max_mm=4.0)
    learned = nc.learn(history(setup), setup)
    diameters = DIAMETERS_MM - 0.03
    unknowns = learned.mean.copy()
    # The needle is centred and the square of its offset goes up only: beside the end, where both sides are the law's.
    unknowns[learned.place.shared("eccentricity")] = 1e-4
    by_unknowns, by_needle = learned.law_of(unknowns).slopes(diameters, drop)[1:]
    for k in range(unknowns.size):
        step = np.zeros(unknowns.size)
        step[k] = 1e-5
        up, down = (learned.log_lambda(unknowns + s, diameters, drop) for s in (step, -step))
        np.testing.assert_allclose(by_unknowns[:, k], (up - down) / 2e-5, atol=2e-6 + 1e-5 * np.abs(by_unknowns[:, k]).max())
    at_the_end = learned.slopes(diameters, drop)[0][:, learned.place.shared("eccentricity")]
    np.testing.assert_allclose(at_the_end, by_unknowns[:, learned.place.shared("eccentricity")], rtol=0.01)
    for k in range(STATIONS_MM.size):
        step = np.eye(STATIONS_MM.size)[k] * 1e-6
        up, down = (learned.log_lambda(unknowns, diameters + s, drop) for s in (step, -step))
        np.testing.assert_allclose(by_needle[:, k], (up - down) / 2e-6, rtol=1e-5, atol=1e-5)
    up, down = (learned.log_lambda(unknowns, diameters, drop + s) for s in (1e-4, -1e-4))
    np.testing.assert_allclose(by_needle[:, -1], (up - down) / 2e-4, rtol=1e-4)


def test_an_offset_counts_by_its_square_and_stops_at_the_wall():
    setup = make_setup()
    learned = nc.learn(history(setup), setup)

    def at(offset):
        unknowns = learned.mean.copy()
        unknowns[learned.place.shared("eccentricity")] = offset
        return learned.log_lambda(unknowns, DIAMETERS_MM - 0.03, 1.6)

    # In a narrow gap a centred needle passes 1 + 1.5 e^2 times less (hydraulics handbooks, e.g. White, Viscous Fluid Flow,
    # from memory), so the square of the offset e is what is unknown.  Less than none is none; the wall is the end.
    np.testing.assert_array_equal(at(-0.1), at(0.0))
    np.testing.assert_array_equal(at(1.7), at(1.0))
    assert np.abs(at(0.36) - at(0.04)).max() > 1e-4


def test_no_doubt_at_all_gives_back_what_was_read():
    setup = make_setup()
    read = nc.typed_bands(np.linspace(900, 5000, 7), LAMBDA, lift_mm=LIFTS, lift_u_mm=0.0, lambda_se=0.0)
    learned = nc.learn(read, setup, doubts=NO_DOUBTS)
    np.testing.assert_allclose(learned.lambda_now(), LAMBDA, rtol=1e-12)
    assert learned.lambda_now_u().max() < 2e-6
    assert (np.linalg.eigvalsh(learned.estimate.covariance()) > -1e-12).all()


def test_what_cannot_be_is_refused():
    setup = make_setup()
    with pytest.raises(
        nc.InputError, match=r"lift of 37\.90 mm puts the jet's face 39\.50 mm from the shoulder, off the needle's"
    ):
        nc.learn(nc.typed_bands([900], [1.0], lift_mm=[37.9]), setup)
    limited = make_setup(drop_min_mm=1.0, drop_max_mm=2.0)
    lowered = nc.History((nc.Pass(limited.carburettor.needle, 2.4, bands(LAMBDA)),))
    with pytest.raises(nc.InputError, match=r"drop_mm is 2\.4, but the nut's range"):
        nc.learn(lowered, limited)


def test_a_needle_that_nearly_fills_its_jet_does_not_stop_the_draw():
    setup = make_setup(bore_mm=2.46)
    learned = nc.learn(bands(LAMBDA), setup, doubts=nc.Doubts(table_mm=0.05))
    drawn = Cars.of(learned, 200).law.log_lambda(DIAMETERS_MM - 0.01, 1.6)
    assert np.isfinite(drawn).all()


def test_a_band_held_at_another_speed_has_another_lift():
    # Five per cent faster on the second day, and the lift read with it: no car errs, and none is said to.
    setup = make_setup()
    stock = setup.carburettor.needle
    first = bands(LAMBDA, lift_u=0.1, common=0.0)
    faster = replace(first, rpm=first.rpm * 1.05, lift_mm=first.lift_mm * 1.05)
    learned = nc.learn(nc.History((nc.Pass(stock, 1.6, first), nc.Pass(stock, 1.6, faster))), setup)
    assert learned.contradiction() is None
    # The same lifts at the same speed contradict each other, and the lift is named.
    moved = replace(first, lift_mm=first.lift_mm + np.array([0, 0, 2.5, 0, -2.5, 0, 0]))
    learned = nc.learn(nc.History((nc.Pass(stock, 1.6, first), nc.Pass(stock, 1.6, moved))), setup)
    assert "lift_mm_read" in learned.contradiction().numbers
    assert "a lift of" in say.remark(learned.contradiction())
