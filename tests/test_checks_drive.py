"""Checks that a drive itself tells: patterns, scatter, air leaks, the analyser. All engines here are invented."""

from __future__ import annotations

from dataclasses import replace
from functools import lru_cache

import numpy as np
import pytest
from conftest import DATA, make_setup
from leaky_engine import bands_of, dry_gas, gas_of, leaky, setup_of
from test_bands import drive
from test_checks import verdict

import needlecalc as nc
from needlecalc.measure.checks.check import Cause
from needlecalc.measure.checks.patterns import _leak, starving, visits_scatter
from needlecalc.measure.checks.plausible import LeakSign, leak_sign
from needlecalc.measure.log.rows import CEILING, FROZEN
from needlecalc.physics.airflow import leak_flow_g_s

SEEDS = range(8)
cars = lru_cache(maxsize=None)(leaky)


def session(*, rise=0.0, jump=0.0, coolant=None, warm_above_degc=None) -> nc.Bands:
    """A drive of eight rounds of holds at four bands; lambda may rise in the last band or jump between rounds."""
    rng = np.random.default_rng(4)
    points = [(850, 40e3, 0.97), (2000, 50e3, 1.02), (3000, 60e3, 1.00), (4000, 95e3, 0.90)]
    holds = [(n, p, x, 10) for _ in range(8) for n, p, x in points]
    log = drive(holds, noise=0.008, seed=2)
    ratio = np.array(log.lambda_measured)
    for k in range(len(holds)):
        here = slice(k * 100, k * 100 + 100)
        if k % 4 == 3:
            ratio[here] += rise * np.arange(100) / 10
        ratio[here] += jump * rng.normal()
    heat = None if coolant is None else np.interp(log.time_s, [0, log.time_s[-1]], coolant)
    return nc.make_bands(replace(log, lambda_measured=ratio, coolant_degc=heat), lag_s=0.0, warm_above_degc=warm_above_degc)


def test_fuel_starvation_shows_as_a_rise_within_holds_at_the_top():
    assert verdict("fuel starvation", bands=session()) == "green"
    bands = session(rise=0.015)
    assert starving(bands).value == pytest.approx(0.015, abs=0.002)
    check = nc.check_engine(bands).named("fuel starvation")
    assert check.verdict == "red"
    assert "pump, filter, float needle" in check.words().todo
    assert verdict("fuel starvation", bands=session(rise=0.006)) == "amber"


def test_visits_that_disagree():
    assert verdict("repeatability between visits", bands=session()) == "green"
    bands = session(jump=0.04)
    assert visits_scatter(bands).value == pytest.approx(0.04, rel=0.4)
    assert verdict("repeatability between visits", bands=bands) == "red"


@pytest.mark.parametrize("seed", range(3))
def test_a_sound_drive_shows_no_pattern(seed):
    car = cars(seed, leak_holds=False)
    seen = car.drive(car.start_diameters_mm, car.jet_drop_mm, np.random.default_rng([seed, 9]), seconds=500.0, lift=True)
    time, rpm, ratio = seen["time_s"], seen["rpm"], seen["lambda_measured"]
    log = nc.measure.Log(
        "drive", "", time, rpm, ratio, None, seen["manifold_pressure_pa"], None, seen["lift_mm"], None,
        np.arange(rpm.size) + 2, np.zeros(rpm.size, dtype=np.int8), (), (), (),
    )  # fmt: skip
    checks = nc.check_engine(nc.make_bands(log, lag_s=0.45), setup=setup_of(car))
    for name in ("idle wander", "fuel starvation", "repeatability between visits", "reach of the drive", "sensor stuck"):
        assert checks.named(name).verdict == "green", checks.named(name).words().line()
    assert checks.named("air leak signature").verdict != "red"


def test_cold_engine_and_rich_when_hot_from_the_log():
    with pytest.raises(nc.InputError, match="no band with enough steady samples"):
        session(coolant=(40, 60))
    # Rows of a cold engine get no further than the bands, unless they are let in.
    assert verdict("warm engine", bands=session(coolant=(40, 60), warm_above_degc=20.0)) == "red"
    warm = session(coolant=(78, 98))
    assert verdict("warm engine", bands=warm) == "green"
    assert verdict("idle from warm to hot", bands=warm) == "green"
    log = warm.log
    hot = np.where(log.rpm < 1100, log.lambda_measured - 0.006 * (log.coolant_degc - 78), log.lambda_measured)
    bands = nc.make_bands(replace(log, lambda_measured=hot), lag_s=0.0)
    check = nc.check_engine(bands).named("idle from warm to hot")
    assert check.verdict == "red"
    assert "A leaner jet is wrong" in check.words().todo


def test_idle_that_wanders_and_a_sensor_that_sticks():
    bands = session()
    assert verdict("idle wander", bands=bands) == "green"
    log = bands.log
    rng = np.random.default_rng(1)
    idle = log.rpm < 1100
    restless = np.where(idle, log.lambda_measured + 0.06 * rng.normal(size=log.rpm.size), log.lambda_measured)
    check = nc.check_engine(nc.make_bands(replace(log, lambda_measured=restless), lag_s=0.0)).named("idle wander")
    assert check.verdict == "red"
    assert "spindle or flange leak" in check.words().todo
    flag = np.array(log.flag)
    flag[1000:1200], flag[2000:2100] = FROZEN, CEILING
    checks = nc.check_engine(nc.make_bands(replace(log, flag=flag), lag_s=0.0))
    assert checks.named("sensor stuck").verdict == "red"
    assert checks.named("sensor at its ceiling").verdict == "green"


def test_air_through_a_hole():
    # Choked orifice: mass flow = 0.04042 p A / sqrt(T) for air (gas dynamics, constant from memory).
    assert leak_flow_g_s(1.0, 40e3, pressure_pa=101325.0, temperature_degc=19.85) == pytest.approx(
        1e3 * 0.04042 * 101325.0 * 1e-6 / np.sqrt(293.0), rel=2e-3
    )
    # Nearly open throttle: Bernoulli, A sqrt(2 rho dp).
    rho = 101325.0 / (287.05 * 293.0)
    assert leak_flow_g_s(1.0, 101325.0 - 500, pressure_pa=101325.0, temperature_degc=19.85) == pytest.approx(
        1e-3 * np.sqrt(2 * rho * 500.0), rel=5e-3
    )
    assert leak_flow_g_s(1.0, 102e3, pressure_pa=101325.0) == 0.0
    with pytest.raises(nc.InputError, match="area_mm2"):
        leak_flow_g_s(-1.0, 40e3, pressure_pa=101325.0)


def test_a_sound_engine_shows_no_leak_and_its_hole_is_within_the_doubt():
    signs = []
    for seed in SEEDS:
        car = cars(seed)
        bands, setup = bands_of(car, np.random.default_rng([seed, 5])), setup_of(car)
        assert verdict("air leak signature", bands=bands, setup=setup) in ("green", "not measured")
        signs.append(leak_sign(bands, setup).significance())
    assert np.abs(signs).max() < 3.0


@pytest.mark.parametrize("lift", ["marker", "computed"])
def test_a_large_hole_is_found_and_measured(lift):
    found, miss = [], []
    for seed in SEEDS:
        car = cars(seed, idle_excess=0.5)
        bands, setup = bands_of(car, np.random.default_rng([seed, 5]), lift=lift), setup_of(car)
        check = nc.check_engine(bands, setup=setup).named("air leak signature")
        found.append(check.verdict)
        sign = leak_sign(bands, setup)
        miss.append((sign.area_mm2 - 1e6 * car.truth.leak_area_m2) / sign.area_u_mm2)
    assert found.count("red") >= 6
    assert "green" not in found
    assert np.abs(miss).max() < 3.0


def test_of_two_banks_the_one_that_leaks_is_named():
    named = []
    for seed in SEEDS:
        sound = cars(seed)
        # Both nuts stand alike: the leak leans its own side.
        torn = replace(cars(seed, idle_excess=0.5), jet_drop_mm=sound.jet_drop_mm)
        sides = [bands_of(car, np.random.default_rng([seed, 5])) for car in (sound, torn)]
        one = setup_of(sound)
        twice = {name: 2 * getattr(one.engine, name) for name in ("displacement_cm3", "cylinders", "carburettors")}
        both = nc.design.both_banks(*(side.having(lift_setup=None) for side in sides))
        checks = nc.check_engine(both, setup=replace(one, engine=replace(one.engine, **twice)))
        assert checks.named("air leak signature at left").verdict != "red"
        named.append(checks.named("air leak signature at right").verdict)
    assert named.count("red") >= 6
    assert "green" not in named


def test_a_needle_that_is_lean_at_idle_is_no_leak():
    # The needle's own table says that it is lean there, so nothing is left for a leak to explain.
    car = cars(1)
    bands, setup = bands_of(car, np.random.default_rng([1, 5])), setup_of(car)
    lift = bands.lift_mm
    shape = np.where(setup.carburettor.needle.stations_mm < 8.0, 0.012, 0.0)
    thicker = nc.Needle("lean at idle", setup.carburettor.needle.stations_mm, setup.carburettor.needle.diameters_mm + shape)
    leaner = replace(bands, lambda_measured=nc.predict_lambda(setup, bands, needle=thicker))
    assert leaner.lambda_measured[lift.argmin()] > 1.05 * bands.lambda_measured[lift.argmin()]
    before, after = leak_sign(bands, setup), leak_sign(leaner, setup.with_needle(thicker))
    assert after.area_mm2 == pytest.approx(before.area_mm2, abs=0.7 * before.area_u_mm2)
    assert verdict("air leak signature", bands=leaner, setup=setup.with_needle(thicker)) != "red"


@pytest.mark.parametrize(
    ("excess", "excess_u", "sigmas", "seen"),
    [
        # One in twenty of sound engines lies beyond 1.645 standard errors, one in a hundred beyond 2.33 (normal tables).
        (0.3, 0.1, 1.62, "not measured"), (0.3, 0.1, 1.67, "amber"), (0.3, 0.1, 2.30, "amber"), (0.3, 0.1, 2.36, "red"),
        (0.3, 0.3 / 1.62, 2.36, "amber"), (0.3, 0.3 / 1.67, 2.36, "red"),
        (0.0, 0.149 / 1.645, 0.0, "green"), (0.0, 0.151 / 1.645, 0.0, "not measured"),
    ],
)  # fmt: skip
def test_a_leak_is_said_beyond_chance_alone(excess, excess_u, sigmas, seen):
    sign = LeakSign(area_mm2=sigmas, area_u_mm2=1.0, idle_excess=excess, idle_excess_u=excess_u, bands=9, misfit=1.0)
    assert _leak(sign, "", nc.checks.CheckLimits()).verdict == seen


def test_where_nothing_can_be_said_of_a_leak():
    setup = make_setup()
    bands = nc.typed_bands(np.linspace(900, 4900, 9), np.full(9, 1.0), lift_mm=np.linspace(2, 26, 9))
    check = nc.check_engine(bands, setup=setup).named("air leak signature")
    assert (check.verdict, check.words().todo) == (
        "not measured",
        "give bands with lift and manifold pressure, and the setup",
    )
    pressed = replace(bands, manifold_pressure_pa=np.full(9, 90e3))
    few = nc.typed_bands([900, 2000], [1, 1], lift_mm=[2, 9])
    sign = leak_sign(replace(few, manifold_pressure_pa=np.full(2, 90e3)), setup)
    assert (sign.why_not, sign.bands) == (Cause.FEW_BANDS, 2)
    alike = replace(pressed, rpm=np.linspace(2000, 2500, 9))
    assert leak_sign(alike, setup).why_not == Cause.NARROW_FLOW


def test_the_gas_of_the_judge_is_that_of_the_equilibrium():
    # Frozen products at 0.90 with K 3.8: CO 3.75 %, CO2 12.8 % (computed for this project with an equilibrium code).
    co2, co, _, total = dry_gas(0.90, 0.0)
    assert 100 * co / total == pytest.approx(3.752, abs=0.02)
    assert 100 * (co + co2) / total == pytest.approx(16.6, abs=0.1)


@pytest.mark.parametrize(("fault", "seen"), [({}, False), ({"idle_excess": 0.3}, False), ({"exhaust_share": 0.2}, True)])
def test_the_analyser_finds_an_exhaust_leak_and_only_that(fault, seen):
    names = ("CO + CO2 at idle", "air in the sample at idle", "lambda against gas at idle", "lean at idle only")
    for seed in SEEDS:
        car = cars(seed, **fault)
        rng = np.random.default_rng([seed, 7])
        checks = nc.check_engine(gases=[gas_of(car, rng), gas_of(car, rng, "2500 rpm")])
        verdicts = {checks.named(name).verdict for name in names}
        assert ("red" in verdicts) == seen, (seed, [c.words().line() for c in checks.of("red")])


def test_lambda_that_neither_needle_nor_leak_explains():
    # One needle gives neighbouring lifts nearly one lambda; here every other band stands 14 % leaner than the next.
    job = nc.read_job(DATA / "pass_van.toml")
    bands = job.bands(job.read_log())
    turn = (-1.0) ** np.argsort(np.argsort(bands.lift_mm))
    torn = replace(bands, lambda_measured=bands.lambda_measured * (1.0 + 0.07 * turn))
    checks = nc.check_engine(torn, setup=job.setup)
    check = checks.named("air leak signature")
    assert check.verdict == "not measured"
    assert checks.named("lambda against the parts").verdict == "amber"
    assert "neither the needle as stated nor a leak" in check.words().todo


def test_the_demo_is_sound_in_every_check():
    # data/make_drive.py gives the van a needle that is as its table says and no leak, and all its readings are sound.
    job = nc.read_job(DATA / "pass_van.toml")
    checks = job.checks(job.bands(job.read_log()))
    assert not checks.of("red")
    assert not checks.of("amber")
    assert len(checks.of("green")) >= 30
