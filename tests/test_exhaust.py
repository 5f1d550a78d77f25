"""Exhaust gas against chemical equilibrium, a second published formula, worked values and exact balances."""

from __future__ import annotations

from functools import cache

import cantera
import numpy as np
import pytest
from hypothesis import assume, given
from hypothesis import strategies as st
from reference_tables import read_reference

from needlecalc.errors import InputError
from needlecalc.physics.exhaust import (
    brettschneider_lambda,
    dilution,
    dry_exhaust,
    gas_lambda_uncertainty,
    lambda_of_co_percent,
    meter_reading,
)
from needlecalc.physics.fuel import blend_atoms, stoichiometric_afr

FREEZE_K = 1740.0
LAMBDA = st.floats(0.7, 1.5)
H_PER_C = st.floats(1.6, 3.0)
O_PER_C = st.floats(0.0, 0.5)
WATER_GAS = st.floats(2.0, 5.0)
RESIDUAL = st.floats(0.0, 2.0)


@cache
def equilibrium_gas():
    return cantera.Solution("gri30.yaml")


def equilibrium_dry_percent(lambda_ratio, kelvin, h_per_c=1.85, o_per_c=0.0):
    """Dry CO, CO2 and H2 of the burnt gas in equilibrium at a temperature and 2 bar."""
    gas = equilibrium_gas()
    air = lambda_ratio * (1 + h_per_c / 4 - o_per_c / 2)
    # The fuel as its atoms: C, H and O of gri30; argon left in its place in the air.
    gas.TPX = (
        kelvin,
        2e5,
        {"C": 1.0, "H": h_per_c, "O": o_per_c, "O2": air, "N2": air * 3.7274, "AR": air * 0.0444},
    )
    gas.equilibrate("TP")
    mole = dict(zip(gas.species_names, gas.X, strict=True))
    dry = 1.0 - mole["H2O"]
    constant = mole["CO"] * mole["H2O"] / (mole["CO2"] * mole["H2"])
    return {name: 100.0 * mole[name] / dry for name in ("CO", "CO2", "H2")} | {"K": constant}


@pytest.mark.parametrize("lambda_ratio", np.round(np.arange(0.80, 1.001, 0.02), 2))
def test_co_against_equilibrium_frozen_at_1740_k(lambda_ratio):
    theirs = equilibrium_dry_percent(float(lambda_ratio), FREEZE_K)
    ours = dry_exhaust(lambda_ratio)
    assert ours.co_percent == pytest.approx(theirs["CO"], abs=0.15)
    assert ours.co2_percent == pytest.approx(theirs["CO2"], abs=0.15)
    assert ours.h2_percent == pytest.approx(theirs["H2"], abs=0.15)


@pytest.mark.parametrize("fuel", [(1.85, 0.0), (1.927, 0.0333), (3.0, 0.5)])
@pytest.mark.parametrize("kelvin", [1500.0, 1740.0, 1800.0])
def test_composition_against_equilibrium_with_its_own_constant(kelvin, fuel):
    for lambda_ratio in (0.80, 0.90):
        theirs = equilibrium_dry_percent(lambda_ratio, kelvin, *fuel)
        ours = dry_exhaust(lambda_ratio, h_per_c=fuel[0], o_per_c=fuel[1], water_gas=theirs["K"])
        assert ours.co_percent == pytest.approx(theirs["CO"], rel=3e-3)
        assert ours.co2_percent == pytest.approx(theirs["CO2"], rel=3e-3)
        assert ours.h2_percent == pytest.approx(theirs["H2"], rel=5e-3)


def test_the_usual_constant_is_the_equilibrium_of_some_1720_k():
    assert equilibrium_dry_percent(0.9, 1720.0)["K"] == pytest.approx(3.5, abs=0.05)
    assert equilibrium_dry_percent(0.9, 1800.0)["K"] == pytest.approx(3.8, abs=0.05)


@pytest.mark.parametrize("row", read_reference("co_of_lambda"), ids=lambda row: str(row["lambda_ratio"]))
def test_co_against_common_practice(row):
    # Common practice, no source: see the table's header.
    assert dry_exhaust(row["lambda_ratio"]).co_percent == pytest.approx(row["co_percent"], abs=row["tolerance"])
    assert lambda_of_co_percent(row["co_percent"]) == pytest.approx(row["lambda_ratio"], abs=0.01)


@pytest.mark.parametrize("row", read_reference("meter_pressure"))
def test_a_meter_under_another_pressure_against_rows_worked_by_hand(row):
    shown = meter_reading(row["lambda_true"], 1e3 * row["pressure_kpa"])
    assert shown == pytest.approx(row["lambda_read"], abs=5e-4)


def test_the_current_of_a_meter_is_that_of_both_kinds_of_diffusion_in_series():
    # Bosanquet: 1/D = 1/D_walls + p/D_molecules, and the flux goes as D p; written out here with any scale of the two.
    pressure = np.array([40e3, 80e3, 101325.0, 200e3])
    walls, molecules = 2.0e-5, 2.0e-5 * 48e3
    current = pressure / (1.0 / walls + pressure / molecules)
    seen = (1.0 - 1.0 / meter_reading(1.2, pressure)) / (1.0 - 1.0 / 1.2)
    np.testing.assert_allclose(seen, current / current[2], rtol=1e-9)


@pytest.mark.parametrize("row", read_reference("brettschneider"))
def test_brettschneider_against_worked_values(row):
    expected = row.pop("lambda_ratio")
    gas = [row.pop(name) for name in ("co2_percent", "co_percent", "o2_percent")]
    assert brettschneider_lambda(*gas, hc_as="hexane", **row) == pytest.approx(expected, abs=6e-6)


@pytest.mark.parametrize(
    ("co2", "co", "o2", "hexane_ppm"),
    [(13.2, 3.0, 0.6, 250.0), (14.7, 0.2, 0.5, 100.0), (12.0, 4.5, 0.8, 400.0), (15.0, 0.0, 0.5, 0.0)],
)
def test_brettschneider_against_spindt(co2, co, o2, hexane_ppm):
    # Spindt, SAE 650507 (1965), as printed, for CH1.85: hydrocarbons as ppm carbon, six for one of hexane.
    q, r, carbon_ppm = o2 / co2, co / co2, 6 * hexane_ppm
    burnt = (co2 + co) / (co2 + co + 1e-4 * carbon_ppm)
    carbon = 12.01 / (12.01 + 1.008 * 1.85)
    air_fuel = burnt * (11.492 * carbon * (1 + r / 2 + q) / (1 + r) + 120 * (1 - carbon) / (3.5 + r))
    ours = brettschneider_lambda(co2, co, o2, hc_ppm=hexane_ppm, hc_as="hexane", h_per_c=1.85, o_per_c=0.0)
    # Spindt's air is 28.84 kg/kmol with 20.9 % oxygen, ours 28.965 with 20.946 %: 0.2 % between them.
    assert ours * stoichiometric_afr(1.85) == pytest.approx(air_fuel, rel=2.5e-3)


def test_propane_counts_half_of_hexane():
    reading = {"co2_percent": 13.0, "co_percent": 3.0, "o2_percent": 0.5}
    hexane = brettschneider_lambda(**reading, hc_ppm=300.0, hc_as="hexane")
    assert brettschneider_lambda(**reading, hc_ppm=600.0, hc_as="propane") == pytest.approx(hexane, rel=1e-14)
    assert brettschneider_lambda(**reading, hc_ppm=300.0, hc_as="propane") > hexane


@given(LAMBDA, H_PER_C, O_PER_C, WATER_GAS, RESIDUAL)
def test_exact_gas_closes_with_brettschneider(lambda_ratio, h_per_c, o_per_c, water_gas, residual):
    fuel = {"h_per_c": h_per_c, "o_per_c": o_per_c, "water_gas": water_gas}
    gas = dry_exhaust(lambda_ratio, residual_o2_percent=residual, **fuel)
    back = brettschneider_lambda(gas.co2_percent, gas.co_percent, gas.o2_percent, hc_ppm=0, hc_as="hexane", **fuel)
    assert back == pytest.approx(lambda_ratio, rel=1e-9)


@given(LAMBDA, H_PER_C, O_PER_C, WATER_GAS, RESIDUAL)
def test_atoms_are_kept(lambda_ratio, h_per_c, o_per_c, water_gas, residual):
    gas = dry_exhaust(lambda_ratio, h_per_c=h_per_c, o_per_c=o_per_c, water_gas=water_gas, residual_o2_percent=residual)
    assert sum(gas) == pytest.approx(100.0, rel=1e-12)
    assert min(gas) >= 0.0
    carbon = gas.co2_percent + gas.co_percent
    water = h_per_c / 2 * carbon - gas.h2_percent
    oxygen = 2 * gas.co2_percent + gas.co_percent + 2 * gas.o2_percent + water
    air_oxygen = 2 * gas.n2_percent * 0.20946 / (1 - 0.20946)
    assert oxygen == pytest.approx(air_oxygen + o_per_c * carbon, rel=1e-10)
    assert gas.co_percent * water == pytest.approx(water_gas * gas.co2_percent * gas.h2_percent, rel=1e-8, abs=1e-9)
    if gas.co_percent > 1e-6:
        assert gas.o2_percent == pytest.approx(residual, abs=1e-9)


@given(LAMBDA, H_PER_C, O_PER_C, WATER_GAS, RESIDUAL)
def test_co_and_lambda_round_trip(lambda_ratio, h_per_c, o_per_c, water_gas, residual):
    fuel = {"h_per_c": h_per_c, "o_per_c": o_per_c, "water_gas": water_gas}
    gas = dry_exhaust(lambda_ratio, residual_o2_percent=residual, **fuel)
    assert lambda_of_co_percent(gas.co_percent, o2_percent=gas.o2_percent, **fuel) == pytest.approx(lambda_ratio, rel=1e-10)


@given(st.floats(0.0, 8.0), st.floats(0.0, 2.0))
def test_co_round_trip_from_readings(co, oxygen):
    lambda_ratio = lambda_of_co_percent(co, o2_percent=oxygen)
    back = dry_exhaust(lambda_ratio, residual_o2_percent=oxygen).co_percent
    assert back == pytest.approx(co, rel=1e-8, abs=1e-8)


@given(st.floats(0.7, 0.999), st.floats(0.0005, 0.05), RESIDUAL)
def test_richer_means_more_co(lambda_ratio, step, residual):
    richer = max(lambda_ratio - step, 0.65)
    assume(richer < lambda_ratio)
    lean, rich = (dry_exhaust(x, residual_o2_percent=residual) for x in (lambda_ratio, richer))
    assert rich.co_percent > lean.co_percent
    assert rich.co2_percent < lean.co2_percent
    assert rich.h2_percent > lean.h2_percent


def test_residual_oxygen_hides_lambda():
    # Brettschneider's formula at measured CO and the CO2 of the balance says the same.
    for co, oxygen in [(0.5, 0.8), (1.2, 0.7), (3.5, 0.5), (6.0, 0.3)]:
        lambda_ratio = lambda_of_co_percent(co, o2_percent=oxygen)
        co2 = dry_exhaust(lambda_ratio, residual_o2_percent=oxygen).co2_percent
        again = brettschneider_lambda(co2, co, oxygen, hc_ppm=0, hc_as="hexane", h_per_c=1.85, o_per_c=0)
        assert again == pytest.approx(lambda_ratio, rel=1e-10)
        per_tenth = (lambda_ratio - lambda_of_co_percent(co)) / oxygen / 10
        assert 0.003 < per_tenth < 0.006


def test_lean_gas_is_continuous_at_lambda_one():
    around = dry_exhaust(1.0 + np.array([-1e-9, 0.0, 1e-9]))
    for part in around:
        assert np.ptp(part) < 1e-6
    assert dry_exhaust(1.05).co_percent == 0.0
    assert dry_exhaust(1.05).h2_percent == 0.0


@pytest.mark.parametrize("lambda_ratio", [1.1, 1.5, 3.0])
def test_lean_gas_against_equilibrium(lambda_ratio):
    # At 1000 K nothing dissociates, so equilibrium is complete burning.
    assert dry_exhaust(lambda_ratio).co2_percent == pytest.approx(
        equilibrium_dry_percent(lambda_ratio, 1000.0)["CO2"], rel=2e-3
    )


@given(st.floats(0.75, 0.999), st.floats(0.0, 0.5))
def test_dilution_finds_the_air_that_was_let_in(lambda_ratio, air):
    gas = dry_exhaust(lambda_ratio)
    co2, co = gas.co2_percent * (1 - air), gas.co_percent * (1 - air)
    found = dilution(co2, co)
    assert found.air_share == pytest.approx(air, abs=1e-12)
    assert found.o2_of_air_percent == pytest.approx(20.946 * air, abs=1e-9)
    assert found.undiluted_sum_percent == pytest.approx(gas.co2_percent + gas.co_percent, rel=1e-12)
    assert found.diluted == (co2 + co < 12.0)


def test_air_after_the_engine_reads_as_lambda():
    # Leak air of y per breathed air raises lambda by exactly 1 + y.
    rich, leak = 0.95, 0.05
    gas = dry_exhaust(rich)
    air = 1 - 1 / (1 + leak * gas.n2_percent / 79.054)
    diluted = [part * (1 - air) for part in (gas.co2_percent, gas.co_percent)]
    reading = brettschneider_lambda(*diluted, 20.946 * air, hc_ppm=0, hc_as="hexane", h_per_c=1.85, o_per_c=0)
    assert reading == pytest.approx(rich * (1 + leak), rel=1e-9)


def test_lean_running_reaches_the_limit_of_dilution_only_at_lambda_1_26():
    gas = dry_exhaust(np.array([1.25, 1.27]))
    assert list(dilution(gas.co2_percent, gas.co_percent).diluted) == [False, True]


def test_blend_gives_less_co():
    atoms = blend_atoms([0.0, 10.0, 85.0])
    co = dry_exhaust(0.9, h_per_c=atoms.h_per_c, o_per_c=atoms.o_per_c).co_percent
    assert (np.diff(co) < 0.0).all()


def test_everything_broadcasts():
    column, row = np.array([[0.85], [0.95]]), np.array([0.0, 0.5, 1.0])
    gas = dry_exhaust(column, residual_o2_percent=row)
    assert all(part.shape == (2, 3) for part in gas)
    assert lambda_of_co_percent(gas.co_percent, o2_percent=row).shape == (2, 3)
    assert dilution(gas.co2_percent, gas.co_percent).diluted.shape == (2, 3)
    assert brettschneider_lambda(13.0, [1.0, 2.0], 0.5, hc_ppm=column * 100, hc_as="hexane").shape == (2, 2)
    assert isinstance(dry_exhaust(0.9).co_percent, float)


GOOD = {"hc_ppm": 100.0, "hc_as": "hexane"}


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: dry_exhaust(14.7), "lambda_ratio is 14.7.*not an air-fuel ratio"),
        (lambda: dry_exhaust(0.9, h_per_c=10.0), "h_per_c is 10"),
        (lambda: dry_exhaust(0.9, o_per_c=-0.1), "o_per_c is -0.1"),
        (lambda: dry_exhaust(0.9, water_gas=0.0), "water_gas is 0"),
        (lambda: dry_exhaust(0.9, residual_o2_percent=21.0), "residual_o2_percent is 21"),
        (lambda: dry_exhaust(0.6, h_per_c=1.85, residual_o2_percent=10.0), "too rich for this fuel.*soot"),
        (lambda: lambda_of_co_percent(30.0), "co_percent is 30.*per cent by volume of dry gas"),
        (lambda: lambda_of_co_percent(1.0, o2_percent=20.9), "o2_percent is 20.9"),
        (lambda: lambda_of_co_percent(15.0, h_per_c=4.0), "belong to no mixture between lambda 0.6 and 4"),
        (
            lambda: lambda_of_co_percent(15.0, o2_percent=15.0),
            "belong to no mixture between lambda 0.6 and 4",
        ),
        (lambda: brettschneider_lambda(14, 1, 0.5, hc_ppm=100, hc_as="methane"), "hc_as is 'methane'.*plate"),
        (
            lambda: brettschneider_lambda(0, 0, 20.9, **GOOD),
            "both 0: no exhaust is read; check probe and hose",
        ),
        (lambda: brettschneider_lambda(-1, 1, 0.5, **GOOD), "co2_percent is -1"),
        (lambda: brettschneider_lambda(14, 30, 0.5, **GOOD), "co_percent is 30"),
        (lambda: brettschneider_lambda(14, 1, 50, **GOOD), "o2_percent is 50"),
        (lambda: brettschneider_lambda(14, 1, 0.5, hc_ppm=-1, hc_as="hexane"), "hc_ppm is -1.*10000 ppm"),
        (lambda: brettschneider_lambda(14, 1, 0.5, no_ppm=-1, **GOOD), "no_ppm is -1"),
        (lambda: brettschneider_lambda(14, 1, 0.5, k1_percent_per_ppm=6, **GOOD), "k1_percent_per_ppm is 6"),
        (lambda: dilution(0.0, 0.0), "no exhaust is read"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(InputError, match=message):
        call()


def test_doubt_of_gas_lambda_is_that_of_evenly_spread_errors():
    # JCGM 101 (propagation by draws) against the law of propagation, errors of OIML R 99 class I from memory.
    gas, errors = (14.4, 0.9, 0.5, 210.0), (0.72, 0.06, 0.1, 12.0)
    draws = np.random.default_rng(4).uniform(-1.0, 1.0, (4, 200_000))
    co2, co, o2, hc = (value + error * draw for value, error, draw in zip(gas, errors, draws, strict=True))
    seen = brettschneider_lambda(co2, co, o2, hc_ppm=hc, hc_as="hexane")
    stated = gas_lambda_uncertainty(*gas[:3], hc_ppm=gas[3], hc_as="hexane")
    assert stated == pytest.approx(np.hypot(seen.std(), 0.005), rel=0.01)


def test_doubt_of_gas_lambda_at_nought_readings():
    # A reading of nothing can only err upwards; the slope is taken over that side alone.
    assert 0.005 < gas_lambda_uncertainty(14.5, 0.0, 0.0, hc_ppm=0.0, hc_as="hexane") < 0.008
