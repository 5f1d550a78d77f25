"""Invented scenarios with numbers: what a user asks, and what the library must answer."""

from __future__ import annotations

import numpy as np
import pytest
from conftest import SAME_DAY, found, said
from scipy.stats import norm

import needlecalc as nc
from needlecalc.design.inverse.alternatives import Change
from needlecalc.design.inverse.limits import LimitKind
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.target import TargetRemark
from needlecalc.design.inverse.verdict import Cause
from needlecalc.report import say

INCH = 25.4
CONFLICTS = (TargetRemark.CONFLICT, TargetRemark.CONFLICT_PAST_PERMITTED)
# Invented needle N1: jet bore 0.1000 in, stations 1/8 in apart, offset of the shoulder 1.5 mm.
N1_IN = np.array([895, 868, 842, 815, 788, 760, 732, 704, 676, 648, 620, 592]) * 1e-4
PITCH_MM = 3.175
BORE_MM = 2.54
DROP_MM, OFFSET_MM = 1.0, 1.5


def n1(**jet) -> nc.Setup:
    valve = nc.AirValve(
        throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2, spring_rate_n_mm=0.01
    )
    needle = nc.Needle("N1", np.arange(12) * PITCH_MM, N1_IN * INCH)
    length = {"parallel_length_mm": 4.0, "parallel_length_u_mm": 1.0}
    given = {"bore_mm": BORE_MM, "drop_mm": DROP_MM, **length, **jet}
    carburettor = nc.Carburettor(needle, nc.Jet(**given), valve, shoulder_offset_mm=OFFSET_MM)
    return nc.Setup(nc.Engine(1500.0, 4), carburettor, name="scenario (invented)")


def lift_of_station(number: float) -> float:
    """Lift that puts a station at the jet's face."""
    return (number - 1.0) * PITCH_MM - DROP_MM - OFFSET_MM


def asked(lift_mm, measured, wanted, load=None, **typed) -> nc.Target:
    lift = np.asarray(lift_mm, dtype=float)
    bands = nc.typed_bands(np.linspace(1500, 4000, lift.size), measured, lift_mm=lift, load=load, **typed)
    return nc.Target(bands, np.asarray(wanted, dtype=float))


def ring_mm2(diameter_mm):
    return np.pi / 4.0 * (BORE_MM**2 - np.asarray(diameter_mm) ** 2)


# 1. The area sum, by hand: d .0850 in, lambda 1.08 to 0.98.


def test_area_sum_by_hand():
    d = 0.0850 * INCH
    wider = 1.08 / 0.98
    assert wider == pytest.approx(1.102, abs=5e-4)
    after = np.sqrt(BORE_MM**2 - wider * (BORE_MM**2 - d**2))
    assert after / INCH == pytest.approx(0.08332, abs=5e-6)
    assert 1e3 * (d - after) == pytest.approx(42.7, abs=0.1)
    assert 1e3 * (d - after) / 2 == pytest.approx(21.3, abs=0.1)


@pytest.mark.parametrize(("d_in", "percent"), [(0.089, 8.5), (0.080, 4.4), (0.070, 2.7), (0.060, 1.9), (0.050, 1.3)])
def test_one_thou_is_worth_less_the_thinner_the_needle(d_in, percent):
    by_hand = 100 * (ring_mm2((d_in - 0.001) * INCH) / ring_mm2(d_in * INCH) - 1)
    assert by_hand == pytest.approx(percent, abs=0.06)
    # The package's own metering area, of two needles all but straight, agrees with the ring to a per cent of itself.
    stations = np.arange(12) * PITCH_MM
    straight = nc.Needle("straight", stations, d_in * INCH - 1e-6 * stations)
    thinner = nc.Needle("thinner", stations, straight.diameters_mm - 0.001 * INCH)
    row = nc.compare(n1(), straight, thinner).rows()[5]
    by_package = 100 * (row["second_metering_mm2"] / row["first_metering_mm2"] - 1)
    assert by_package == pytest.approx(by_hand, rel=0.01)


def test_the_effective_model_takes_less_metal_than_the_area_sum():
    # d is .0850 in between stations 2 and 3: (.0868 - .0850)/(.0868 - .0842) of the way.
    place = 2.0 + (868 - 850) / (868 - 842)
    lift = lift_of_station(place)
    assert n1().carburettor.needle.diameter_at_mm((place - 1) * PITCH_MM) == pytest.approx(0.0850 * INCH, abs=1e-9)
    design = nc.solve(asked([lift], [1.08], [0.98]), n1())
    assert design.met
    assert design.final.expected[0] == pytest.approx(0.98, abs=0.004)
    removed = 1e3 * (0.0850 * INCH - design.needle.diameter_at_mm((place - 1) * PITCH_MM))
    assert 15.0 < removed < 42.7
    assert (design.remove_um() >= 0.0).all()
    row = design.rows()[2]
    assert row["per_side_um"] == pytest.approx(row["remove_um"] / 2)


# 2. Station 2 from 0.86 to 0.92: filing cannot.


def test_leaner_at_station_2_needs_metal_and_names_the_options():
    design = nc.solve(asked([lift_of_station(2)], [0.86], [0.92]), n1())
    assert not design.met
    assert [one.cause for one in design.verdict.missed] == [Cause.METAL]
    assert (design.remove_um() == 0.0).all()
    assert design.final.expected[0] == pytest.approx(0.86, abs=1e-3)
    by_kind = {one.kind: one for one in design.ways_out()}
    raised, donor, bore = (by_kind[kind] for kind in (Change.HEIGHT, Change.DONOR, Change.BORE))
    assert all(one.met for one in (raised, donor, bore))
    assert raised.drop_mm < DROP_MM
    assert (donor.diameters_mm - design.present().diameters_mm).max() > 5e-3
    assert bore.bore_mm < BORE_MM
    for one in (raised, donor, bore):
        assert abs(one.missed()[one.worst()]) < 0.02
    printed = " ".join(str(design).split())
    assert all(say.alternative(one, design) in printed for one in (raised, donor, bore))


# 3. Two loads on one station.


def both_loads(cruise, full) -> nc.Design:
    lifts = [lift_of_station(number) for number in (3, 5, 5, 7)]
    target = asked(lifts, [1.0, cruise[0], full[0], 1.0], [1.0, cruise[1], full[1], 1.0], ["light", "light", "full", "full"])
    return nc.solve(target, n1())


def test_two_loads_that_ask_for_much_the_same_are_both_served():
    # 1.06 to 1.02 is 3.8 % more fuel and .92 to .88 is 4.4 %: apart by no more than the noise.
    design = both_loads((1.06, 1.02), (0.92, 0.88))
    assert not [one for one in design.remarks if one.kind in CONFLICTS]
    missed = design.final.expected / design.target.lambda_target - 1
    assert np.abs(missed[1:3]).max() < 0.015
    # One needle gives both the same share of fuel, so what is left between them is ln(1.06/1.02) - ln(.92/.88).
    left = np.log(1.06 / 1.02) - np.log(0.92 / 0.88)
    assert np.log1p(missed[1]) - np.log1p(missed[2]) == pytest.approx(left, abs=1e-4)


def test_two_loads_that_disagree_the_richer_wins_and_the_other_is_shown():
    design = both_loads((1.02, 1.02), (0.92, 0.85))
    (conflict,) = [one for one in design.remarks if one.kind in CONFLICTS]
    assert conflict.bands == design.target.called(2, 1)
    # By hand: ln(.92/.85) and ln(1.02/1.02).
    assert conflict.numbers["richer_percent"] == pytest.approx(7.91, abs=0.01)
    assert conflict.numbers["leaner_percent"] == 0.0
    missed = 100 * (design.final.expected / design.target.lambda_target - 1)
    assert abs(missed[2]) < 1.5
    assert missed[1] < -5.0
    (miss,) = design.verdict.missed
    assert (miss.band, miss.cause) == (design.target.called(1)[0], Cause.OPPOSED)
    assert miss.off == pytest.approx(missed[1] / 100)


# 5. A waist of the user's own.


def test_a_waist_is_refused_with_a_blended_alternative():
    needle = n1().carburettor.needle
    wanted = needle.diameters_mm.copy()
    wanted[4] = wanted[5] - 0.020  # station 5 below its outer neighbour
    with pytest.raises(
        nc.InputError,
        match=r"makes a waist: reversed taper 5 to 6.*Blended over 3 stations instead.*5: 1\.9104, 6: 1\.8848 mm",
    ):
        nc.design.own_cut(needle, wanted)
    other = nc.design.own_cut(needle, wanted, blend=True)
    removed = needle.diameters_mm - other.diameters_mm
    assert (removed >= -1e-12).all()
    assert (np.diff(other.diameters_mm) <= 1e-12).all()
    assert (other.diameters_mm <= wanted + 1e-12).all()
    touched = np.flatnonzero(removed > 1e-6) + 1
    assert touched.size >= 3
    assert {4, 5, 6} <= set(touched.tolist())
    assert other.diameters_mm[4] == pytest.approx(wanted[4])
    # What was refused passes once blended.
    assert nc.design.own_cut(needle, other.diameters_mm).diameters_mm == pytest.approx(other.diameters_mm)


@pytest.mark.parametrize("station", range(2, 12))
@pytest.mark.parametrize("deep_um", [30.0, 80.0, 140.0])
def test_blending_reaches_three_stations_wherever_the_cut(station, deep_um):
    needle = n1().carburettor.needle
    wanted = needle.diameters_mm.copy()
    wanted[station - 1] -= deep_um / 1000
    other = nc.design.own_cut(needle, wanted, blend=True)
    removed = needle.diameters_mm - other.diameters_mm
    assert (np.diff(other.diameters_mm) <= 1e-12).all()
    assert removed[station - 1] == pytest.approx(deep_um / 1000)
    assert (removed[station - 2 : station + 1] >= deep_um / 2000 - 1e-12).all()


def test_own_cut_that_adds_metal_is_refused():
    needle = n1().carburettor.needle
    wanted = needle.diameters_mm.copy()
    wanted[1] += 0.010
    with pytest.raises(nc.InputError, match=r"needs metal added, which cannot be filed: 10\.0 um at station 2"):
        nc.design.own_cut(needle, wanted)
    with pytest.raises(nc.InputError, match="columns must be equally long"):
        nc.design.own_cut(needle, wanted[:-1], blend=True)


# The usual job: idle runs clean at 1.05 and has a test (0.97, about 1.2 % CO by common practice); above 2000 rpm the
# engine is ever leaner, 1.20 at 5000 rpm, and does not pull.

RPM = np.array([850, 2000, 2500, 3000, 3500, 4000, 4500, 5000])
LAMBDA = np.array([1.05, 1.08, 1.10, 1.12, 1.14, 1.16, 1.18, 1.20])
LIFT_MM = np.array([1.8, 7.0, 9.0, 11.5, 14.0, 17.0, 20.0, 23.5])
JETS = {"fixed": {}, "free": {"drop_min_mm": 0.4, "drop_max_mm": 2.0}}


def usual_job(jet, *, idle=1.05, idle_lift_mm=1.8, max_cut_mm=0.35) -> nc.Design:
    measured, lift = np.append(idle, LAMBDA[1:]), np.append(idle_lift_mm, LIFT_MM[1:])
    load = ["idle"] + ["full"] * 7
    bands = nc.typed_bands(RPM, measured, lift_mm=lift, load=load, lambda_se=0.006)
    # The test is taken on the day that the nut is set on.
    limits, doubts = nc.Limits(max_cut_mm=max_cut_mm), nc.Doubts(**SAME_DAY)
    return nc.solve(nc.make_target(bands, idle_lambda_least=0.97), n1(**jet), limits=limits, doubts=doubts)


@pytest.mark.parametrize("jet", JETS.values(), ids=JETS)
def test_usual_job_leaves_idle_alone_and_brings_the_rest_to_target(jet):
    design = usual_job(jet)
    assert design.met
    assert design.target.lambda_target[0] == pytest.approx(1.05)
    assert design.target.lambda_rich[0] == pytest.approx(0.97)
    # Stations that meter idle keep their metal, the jet stays.
    serves_idle = np.abs(design.stations.idle_percent_per_um) > 0.1
    assert serves_idle.any()
    assert (design.remove_um()[serves_idle] == 0.0).all()
    assert design.drop_mm == pytest.approx(DROP_MM)
    # 2000 to 5000 rpm come to target within 2 %.
    assert np.abs(design.final.expected[1:] / design.target.lambda_target[1:] - 1).max() < 0.02
    # Idle stays above the test with 95 % chance: the lower end of its 90 % interval, whole cut and first stop.
    assert design.final.low[0] > 0.97
    assert design.stop.low[0] > 0.97
    assert design.final.chance_fails <= 0.05
    assert design.stop.chance_fails <= 0.05
    (test,) = found(design, DesignRemark.TEST)
    assert test.numbers["percent"] <= 0.5  # two of the 400 cars drawn


def test_a_test_in_danger_says_what_to_do():
    design = usual_job({}, idle=0.98)
    (test,) = found(design, DesignRemark.TEST_IN_DANGER)
    assert test.numbers["percent"] == pytest.approx(100 * design.final.chance_fails)
    assert any("Aim farther from the limit" in words for words in said(design))


def test_a_cut_not_deep_enough_says_what_more_would_bring():
    design = usual_job({}, max_cut_mm=0.30)
    (one,) = [one for one in design.active_limits() if one.limit.kind is LimitKind.LARGEST_CUT]
    words = say.alternative(one, design)
    assert words.startswith("Active limit: the largest cut at station 9. 10 um more cut would bring 5000 rpm full from ")
    assert one.before > one.missed()[one.band] > 0.0
    assert words in " ".join(nc.grind_sheet(design).text().split()).replace("* ", "")


def test_what_each_micron_does_to_idle():
    design = usual_job({})
    assert "idle % per um" in design.table().text()
    bands = nc.typed_bands([850], [1.05], lift_mm=[1.8])
    for station in (1, 2, 3, 6):
        # Against the forward model, one micron off that station of the needle as asked.
        less = design.needle.diameters_mm.copy()
        less[station - 1 :] = np.minimum(less[station - 1 :], less[station - 1] - 1e-3)
        less[station:] = np.minimum(design.needle.diameters_mm[station:], less[station:])
        one = nc.Needle("less", design.needle.stations_mm, less)
        setup = design.setup.with_needle(design.needle)
        change = 100 * (nc.predict_lambda(setup, bands, needle=one)[0] / 1.05 - 1)
        assert design.stations.idle_percent_per_um[station - 1] == pytest.approx(change, abs=0.01)
    assert design.stations.idle_percent_per_um[1] < -0.1
    rows = design.rows()
    assert rows[1]["idle_percent_per_um"] == pytest.approx(design.stations.idle_percent_per_um[1])


@pytest.mark.parametrize("jet", JETS.values(), ids=JETS)
@pytest.mark.parametrize("idle", [0.99, 1.02])
@pytest.mark.parametrize("idle_lift_mm", [1.8, 4.5])
def test_the_first_stage_cannot_spoil_the_test(jet, idle, idle_lift_mm):
    design = usual_job(jet, idle=idle, idle_lift_mm=idle_lift_mm)
    # An idle known to 0.006 and a meter good to 0.010 may fail as it stands: chance of that, by the normal law.
    as_it_is = norm.cdf((0.97 - idle) / np.hypot(np.hypot(0.006, 0.004 * idle), 0.010))
    # 400 cars drawn: three standard errors of a chance of 5 % are 3.3 %.
    assert design.stop.chance_fails <= max(0.05, as_it_is + 0.033) + 1e-9


def test_an_idle_without_test_may_be_cut():
    bands = nc.typed_bands(RPM, LAMBDA, lift_mm=LIFT_MM, load=["idle"] + ["full"] * 7, lambda_se=0.006)
    design = nc.solve(nc.make_target(bands), n1())
    assert design.remove_um()[1:3].max() > 1.0  # the stations that meter idle
    assert design.final.expected[0] == pytest.approx(0.93, abs=0.02)
    assert design.final.chance_fails == 0.0
    assert not found(design, DesignRemark.TEST)
    assert not found(design, DesignRemark.TEST_IN_DANGER)


def test_no_idle_no_column():
    design = nc.solve(asked([lift_of_station(3), lift_of_station(6)], [1.05, 1.05], [1.0, 1.0]), n1())
    assert np.isnan(design.stations.idle_percent_per_um).all()
    assert "idle % per um" not in design.table().text()
