"""Slips of the pen in a job without engine or logger: lambda, needle, jet and lifts held against each other.

The cars are virtual, of a flow law that is not the library's, and wider than what the check allows for.
"""

from __future__ import annotations

from dataclasses import replace
from functools import cache

import numpy as np
import pytest
from bench import newcomer
from other_engine import draw_other

import needlecalc as nc
from needlecalc.measure.checks import plausible
from needlecalc.measure.checks.check import Cause
from needlecalc.measure.checks.limits import CheckKind

SEEDS = range(300, 308)
NAMES = "each band against the others", "lambda against the parts", "loads against lifts", "needle table"


@cache
def car(seed):
    """Setup and bands as a newcomer with a marker rod types them; no manifold pressure."""
    engine = draw_other(seed)
    rng = np.random.default_rng([seed, 3])
    n = engine.nominal
    jet = nc.Jet(bore_mm=n["bore_mm"], drop_mm=engine.jet_drop_mm, mounting=n["mounting"])
    valve = nc.AirValve(
        throat_bore_mm=n["throat_bore_mm"], disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.97
    )
    needle = nc.Needle("start", n["stations_mm"], n["diameters_mm"])
    setup = nc.Setup(nc.Engine(1300.0, 4), nc.Carburettor(needle, jet, valve), nc.Fuel(ethanol_percent=5.0))
    read = engine.another_day(rng).measure(np.array(engine.start_diameters_mm), engine.jet_drop_mm, rng, lift="marker")
    typed = {name: read[name] for name in ("load", "lambda_se", "lift_mm")}
    return setup, nc.typed_bands(read["rpm"], read["lambda_measured"], **typed)


def found(setup, bands):
    """Verdicts of the four checks, and the causes of all."""
    checks = nc.check_engine(bands, setup=setup, engine_stated=False)
    these = [checks.named(name) for name in NAMES]
    return {one.name: str(one.verdict) for one in these}, {cause for one in these for cause in one.causes}, checks


def with_jet(setup, **changes):
    return replace(setup, carburettor=replace(setup.carburettor, jet=replace(setup.carburettor.jet, **changes)))


def one_band(bands, band, factor):
    lambdas = bands.lambda_measured.copy()
    lambdas[band] *= factor
    return bands.having(lambda_measured=lambdas)


def swapped(bands):
    other = {"light": "full", "full": "light"}
    typed = {"load": [other.get(load, load) for load in bands.load], "lift_mm": bands.lift_mm}
    return nc.typed_bands(bands.rpm, bands.lambda_measured, lambda_se=bands.lambda_se, **typed)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_sound_car_is_green(seed):
    verdicts, _, _ = found(*car(seed))
    assert set(verdicts.values()) == {"green"}


@pytest.mark.parametrize("factor", [0.85, 1.15, 1.7])
@pytest.mark.parametrize("seed", SEEDS)
def test_one_reading_mistyped_is_named_with_what_the_others_foretell(seed, factor):
    setup, bands = car(seed)
    band = bands.rpm.size // 2
    verdicts, _, checks = found(setup, one_band(bands, band, factor))
    assert verdicts["each band against the others"] in ("amber", "red")
    numbers = checks.named("each band against the others").numbers
    assert numbers["band"] == bands.called(band)[0]
    assert numbers["foretold"] == pytest.approx(bands.lambda_measured[band], rel=0.06)


SLIPS = {
    "bore 0.1 mm too small": (
        lambda setup, bands: (with_jet(setup, bore_mm=setup.carburettor.jet.bore_mm - 0.1), bands),
        1.0,
    ),
    "bore 0.1 mm too great": (
        lambda setup, bands: (with_jet(setup, bore_mm=setup.carburettor.jet.bore_mm + 0.1), bands),
        0.7,
    ),
    "lifts 3 mm too great": (lambda setup, bands: (setup, bands.having(lift_mm=bands.lift_mm + 3.0)), 0.5),
    "jet height 6.1 for 1.6": (
        lambda setup, bands: (with_jet(setup, drop_mm=setup.carburettor.jet.drop_mm + 4.5), bands),
        0.5,
    ),
    "light and full swapped": (lambda setup, bands: (setup, swapped(bands)), 1.0),
}


@pytest.mark.parametrize(("slip", "least"), SLIPS.values(), ids=SLIPS)
def test_slips_are_caught(slip, least):
    caught = []
    for seed in SEEDS:
        try:
            verdicts, causes, checks = found(*slip(*car(seed)))
        except nc.NeedleCalcError:  # refused outright, as a needle thicker than its jet is
            caught.append(True)
            continue
        assert all(check.words().todo for check in checks.of("amber"))
        assert bool(causes) == (verdicts["lambda against the parts"] != "green")
        caught.append(set(verdicts.values()) != {"green"})
    assert np.mean(caught) >= least


@pytest.mark.parametrize("off_mm", [-0.05, 0.12])
def test_a_bore_mistyped_is_named(off_mm):
    named = []
    for seed in SEEDS:
        setup, bands = car(seed)
        try:
            check = found(with_jet(setup, bore_mm=setup.carburettor.jet.bore_mm + off_mm), bands)[2].named(NAMES[1])
        except nc.NeedleCalcError:
            continue
        if check.verdict != "green":
            named.append(Cause.SUSPECT_BORE in check.causes and check.numbers["suspect_bore"] * off_mm < 0.0)
    assert np.mean(named) >= 0.7


def test_the_band_foretold_is_that_of_a_gaussian_of_all_others(monkeypatch):
    # Against the textbook's conditional mean and variance, the covariance taken where the check inverts it.
    setup, bands = car(SEEDS[0])
    seen = {}
    invert = np.linalg.inv

    def kept(matrix):
        seen["covariance"] = matrix
        return invert(matrix)

    monkeypatch.setattr(plausible.np.linalg, "inv", kept)
    check = nc.check_engine(bands, setup=setup, engine_stated=False).named("each band against the others")
    covariance = seen["covariance"]
    fuel = nc.parts.fuel_flow(setup, bands.lift_mm).fuel_flow_g_s
    air = setup.carburettor.air_valve.air_flow_g_s(bands.lift_mm, setup.air)
    left = np.log(bands.lambda_measured * fuel * setup.fuel.afr() / air)
    off = []
    for k in range(left.size):
        rest = np.arange(left.size) != k
        gain = np.linalg.solve(covariance[np.ix_(rest, rest)], covariance[rest, k])
        off.append((left[k] - gain @ left[rest]) / np.sqrt(covariance[k, k] - gain @ covariance[rest, k]))
    assert check.numbers["value"] == pytest.approx(np.abs(off).max(), rel=1e-6)
    assert check.numbers["band"] == bands.called(int(np.argmax(np.abs(off))))[0]


def test_too_few_bands_or_no_lift_is_not_measured():
    setup, bands = car(SEEDS[0])
    for few in (bands.only([0, 1]), nc.typed_bands(bands.rpm, bands.lambda_measured)):
        verdicts, _, _ = found(setup, few)
        assert verdicts["each band against the others"] == verdicts["lambda against the parts"] == "not measured"
    assert Cause.ONE_BAND in found(setup, one_band(bands, 2, 1.5))[1]


def test_honest_newcomers_are_hardly_ever_suspected_and_never_locked():
    # Of 400 designs on cars of this population 4 % had an amber and none a red; these hold one that once was red.
    suspected = []
    for seed in range(15, 31):
        engine, rng = draw_other(seed), np.random.default_rng([seed, 11])
        setup, engine = newcomer.setup_of(engine), engine.another_day(rng)
        for lift in ("marker", "computed"):
            read = engine.measure(np.array(engine.start_diameters_mm), engine.jet_drop_mm, rng, lift=lift)
            checks = nc.check_engine(newcomer.bands_of(setup, read), setup=setup)
            assert not checks.of("red")
            suspected.append(any(one.kind is not CheckKind.REACH for one in checks.of("amber")))
    assert np.mean(suspected) <= 0.1


def test_a_slip_is_said_once_on_page_one_before_the_cut():
    setup, bands = car(SEEDS[0])
    amiss = one_band(bands, bands.rpm.size // 2, 1.2)
    checks = nc.check_engine(amiss, setup=setup, engine_stated=False)
    sheet = nc.grind_sheet(nc.solve(nc.Target(amiss, np.full(amiss.rpm.size, 0.95)), setup, checks=checks))
    text = " ".join(sheet.text().split())
    assert text.count("needle, jet and all others foretell") == 1
    assert text.index("A SLIP OF THE PEN?") < text.index("What it brings")
