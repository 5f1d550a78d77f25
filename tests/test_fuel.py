"""Fuel properties against handbooks and a property library; changes of fuel against exact limits."""

from __future__ import annotations

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference
from scipy.optimize import brentq

from needlecalc.errors import InputError
from needlecalc.physics.annulus import bore_flow
from needlecalc.physics.fuel import (
    ETHANOL_KG_M3,
    blend_atoms,
    fuel_density_kg_m3,
    fuel_viscosity_mm2_s,
    lambda_factor_of_fuel,
    mass_share_of_ethanol,
    stoichiometric_afr,
)

PERCENT = st.floats(0.0, 100.0)
CELSIUS = st.floats(-30.0, 70.0)
FRACTION = st.floats(0.0, 1.0)
RATIO = st.floats(0.5, 2.0)


def blend_afr(percent):
    return stoichiometric_afr(*blend_atoms(percent))


def library_density_kg_m3(celsius, liquid):
    return PropsSI("D", "T", celsius + 273.15, "P", 101325.0, liquid)


def library_viscosity_mm2_s(celsius, liquid):
    return 1e6 * PropsSI("V", "T", celsius + 273.15, "P", 101325.0, liquid) / library_density_kg_m3(celsius, liquid)


@pytest.mark.parametrize("row", read_reference("stoichiometric_afr"), ids=lambda row: row["fuel"])
def test_stoichiometric_afr_against_handbooks(row):
    assert stoichiometric_afr(row["h_per_c"], row["o_per_c"]) == pytest.approx(row["afr"], abs=row["tolerance"])


@pytest.mark.parametrize(("percent", "fuel"), [(0.0, "gasoline"), (10.0, "E10"), (85.0, "E85"), (100.0, "ethanol")])
def test_blend_afr_against_handbooks(percent, fuel):
    row = next(row for row in read_reference("stoichiometric_afr") if row["fuel"] == fuel)
    assert blend_afr(percent) == pytest.approx(row["afr"], abs=row["tolerance"])


@pytest.mark.parametrize("y", [1.85, 1.87, 2.25])
def test_stoichiometric_afr_against_the_textbook_formula(y):
    # Heywood 1988 equation (3.6), from memory.
    assert stoichiometric_afr(y) == pytest.approx(34.56 * (4 + y) / (12.011 + 1.008 * y), rel=5e-4)


def test_petrol_standard_sets_its_oxygen_limit_by_its_ethanol_limit():
    for row in read_reference("en228_oxygen"):
        atoms = blend_atoms(row["ethanol_percent"])
        weight = 12.011 + 1.008 * atoms.h_per_c + 15.999 * atoms.o_per_c
        found = 100.0 * 15.999 * atoms.o_per_c / weight
        assert found == pytest.approx(row["oxygen_percent"], abs=row["tolerance"])
        assert found <= row["oxygen_percent"]


@given(PERCENT)
def test_atoms_and_masses_of_air_agree(percent):
    share = mass_share_of_ethanol(percent)
    by_mass = share * stoichiometric_afr(3.0, 0.5) + (1.0 - share) * stoichiometric_afr(1.85)
    assert blend_afr(percent) == pytest.approx(by_mass, rel=1e-12)


@given(PERCENT, st.floats(0.5, 20.0))
def test_more_ethanol_wants_less_air(percent, more):
    richer = min(percent + more, 100.0)
    assert blend_afr(richer) <= blend_afr(percent)
    assert mass_share_of_ethanol(richer) >= mass_share_of_ethanol(percent)
    assert fuel_density_kg_m3(richer, 15.0) >= fuel_density_kg_m3(percent, 15.0)


@pytest.mark.parametrize("celsius", [-20.0, 0.0, 15.0, 25.0, 40.0, 60.0])
def test_ethanol_against_the_property_library(celsius):
    assert fuel_density_kg_m3(100.0, celsius) == pytest.approx(library_density_kg_m3(celsius, "Ethanol"), rel=2e-3)
    viscosity = library_viscosity_mm2_s(celsius, "Ethanol")
    assert fuel_viscosity_mm2_s(100.0, celsius) == pytest.approx(viscosity, rel=0.03)


# Hydrocarbons that petrol is mostly made of; lighter ones expand more, aromatic ones less.
MAIN_LIQUIDS = ("n-Hexane", "n-Heptane", "n-Octane", "Toluene")


@pytest.mark.parametrize("celsius", [0.0, 10.0, 30.0, 40.0, 60.0])
def test_petrol_expands_as_its_hydrocarbons_do(celsius):
    theirs = [library_density_kg_m3(celsius, f) / library_density_kg_m3(15.0, f) - 1.0 for f in MAIN_LIQUIDS]
    ours = fuel_density_kg_m3(0.0, celsius) / 745.0 - 1.0
    assert min(theirs) < ours < max(theirs)
    assert ours == pytest.approx(np.mean(theirs), rel=0.05)


def test_petrol_expansion_against_the_trade():
    (row,) = read_reference("petrol_expansion")
    warm, cold = fuel_density_kg_m3(0.0, [15.01, 14.99])
    assert np.log(cold / warm) / 0.02 == pytest.approx(row["expansion_per_k"], rel=row["tolerance"])


@pytest.mark.parametrize("celsius", [0.0, 10.0, 30.0, 40.0, 60.0])
def test_petrol_viscosity_falls_as_its_hydrocarbons_do(celsius):
    ours = fuel_viscosity_mm2_s(0.0, celsius) / fuel_viscosity_mm2_s(0.0, 20.0)
    theirs = [library_viscosity_mm2_s(celsius, f) / library_viscosity_mm2_s(20.0, f) for f in ("n-Heptane", "n-Octane")]
    assert min(theirs) <= ours <= max(theirs)


def test_slopes_at_20_degc_are_the_stated_ones():
    for percent, slope in [(0.0, -0.011), (100.0, -0.0188)]:
        pair = fuel_viscosity_mm2_s(percent, [19.99, 20.01])
        assert np.log(pair[1] / pair[0]) / 0.02 == pytest.approx(slope, rel=1e-4)


def test_petrol_and_ethanol_viscosity_against_the_fuel_table():
    rows = {(row["liquid"], row["temperature_degc"]): row for row in read_reference("petrol_viscosity")}
    warm, cold, ethanol = rows["petrol", 20.0], rows["petrol", -20.0], rows["ethanol", 20.0]
    for end in ("low_mm2_s", "high_mm2_s"):
        thick = warm[end] * fuel_viscosity_mm2_s(0.0, -20.0) / fuel_viscosity_mm2_s(0.0, 20.0)
        assert cold["low_mm2_s"] <= round(float(thick), 1) <= cold["high_mm2_s"]
    assert ethanol["low_mm2_s"] <= fuel_viscosity_mm2_s(100.0, 20.0) <= ethanol["high_mm2_s"]
    # Our petrol, somewhat thicker than the table's, reaches it within its stated half width.
    assert 0.62 - 0.10 <= warm["high_mm2_s"] <= 0.62 + 0.10


@given(PERCENT, CELSIUS, st.floats(0.5, 10.0))
def test_warm_fuel_is_lighter_and_thinner(percent, celsius, warmer):
    assert fuel_density_kg_m3(percent, celsius + warmer) < fuel_density_kg_m3(percent, celsius)
    assert fuel_viscosity_mm2_s(percent, celsius + warmer) < fuel_viscosity_mm2_s(percent, celsius)


@given(PERCENT, CELSIUS)
def test_blends_lie_between_the_pure_liquids(percent, celsius):
    for of_fuel in (fuel_density_kg_m3, fuel_viscosity_mm2_s):
        low, high = of_fuel(0.0, celsius), of_fuel(100.0, celsius)
        assert low * (1 - 1e-12) <= of_fuel(percent, celsius) <= high * (1 + 1e-12)
    assert fuel_density_kg_m3(percent, 15.0) == pytest.approx(745.0 + percent / 100 * (ETHANOL_KG_M3 - 745.0))


def fuel_flow_factor(fraction, **ratios):
    """Mass flow of fuel after a change of it over that before."""
    return 1.0 / lambda_factor_of_fuel(fraction, **ratios)


@given(RATIO, RATIO, RATIO)
def test_change_of_fuel_is_exact_in_both_limits(afr, density, viscosity):
    both = {"density_ratio": density, "viscosity_ratio": viscosity}
    assert fuel_flow_factor(0.0, **both) == pytest.approx(density**0.5, rel=1e-14)
    assert fuel_flow_factor(1.0, **both) == pytest.approx(1.0 / viscosity, rel=1e-14)
    assert lambda_factor_of_fuel(0.0, afr_ratio=afr, **both) == pytest.approx(1 / (afr * density**0.5), rel=1e-14)
    assert lambda_factor_of_fuel(1.0, afr_ratio=afr, **both) == pytest.approx(viscosity / afr, rel=1e-14)


@given(FRACTION, RATIO, RATIO)
def test_fuel_flow_keeps_the_pressure(fraction, density, viscosity):
    flow = fuel_flow_factor(fraction, density_ratio=density, viscosity_ratio=viscosity)
    root = brentq(lambda x: (1 - fraction) * x**2 / density + fraction * viscosity * x - 1, 0.1, 10.0, xtol=1e-13)
    assert flow == pytest.approx(root, rel=1e-11)


@given(FRACTION, RATIO, RATIO)
def test_change_of_fuel_and_back(fraction, density, viscosity):
    there = fuel_flow_factor(fraction, density_ratio=density, viscosity_ratio=viscosity)
    new_fraction = min(fraction * viscosity * there, 1.0)  # share of the pressure that viscosity takes now
    back = fuel_flow_factor(new_fraction, density_ratio=1 / density, viscosity_ratio=1 / viscosity)
    assert there * back == pytest.approx(1.0, rel=1e-9)


# Tolerances as lambda_factor_of_fuel notes them: the loss factor falls with Reynolds number in wide gaps.
@pytest.mark.parametrize(
    ("diameter_mm", "tolerance"), [(2.45, 0.001), (2.37, 0.002), (2.24, 0.005), (2.015, 0.01), (1.723, 0.02)]
)
@pytest.mark.parametrize(("density_ratio", "viscosity_ratio"), [(1.0, 0.8), (1.0, 1.2), (1.05, 1.0)])
def test_change_of_fuel_against_the_whole_gap(diameter_mm, tolerance, density_ratio, viscosity_ratio):
    def flow(density, viscosity):
        return bore_flow(
            0.0,
            [0.0, 10.0],
            [diameter_mm, diameter_mm - 0.16],
            bore_mm=2.54,
            length_mm=4.0,
            pressure_pa=1950.0,
            density_kg_m3=density,
            viscosity_mm2_s=viscosity,
        )

    before, after = flow(745.0, 0.65), flow(745.0 * density_ratio, 0.65 * viscosity_ratio)
    factor = fuel_flow_factor(before.viscous_fraction, density_ratio=density_ratio, viscosity_ratio=viscosity_ratio)
    assert factor == pytest.approx(after.fuel_flow_g_s / before.fuel_flow_g_s, rel=tolerance)


def test_everything_broadcasts():
    column, row = np.array([[0.0], [10.0]]), np.array([0.0, 15.0, 40.0])
    assert fuel_density_kg_m3(column, row).shape == (2, 3)
    assert fuel_viscosity_mm2_s(column, row).shape == (2, 3)
    assert stoichiometric_afr(column / 10, row / 100).shape == (2, 3)
    assert lambda_factor_of_fuel(np.array([[0.1], [0.9]]), viscosity_ratio=[0.9, 1.1]).shape == (2, 2)
    assert isinstance(blend_afr(5.0), float)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (lambda: stoichiometric_afr(-1.0), "h_per_c is -1.*hydrogen atoms for one carbon atom"),
        (lambda: stoichiometric_afr(2.0, 3.0), "o_per_c is 3"),
        (lambda: blend_afr([5.0, 101.0]), r"ethanol_percent is 101 \(entry 2 of 2\).*per cent by volume"),
        (lambda: fuel_density_kg_m3(5.0, 288.0), "temperature_degc is 288.*in degC"),
        (lambda: lambda_factor_of_fuel(1.1), "viscous_fraction is 1.1.*share of the pressure"),
        (lambda: lambda_factor_of_fuel(0.5, density_ratio=0.0), "density_ratio is 0.*new over old"),
        (lambda: lambda_factor_of_fuel(0.5, viscosity_ratio=20.0), "viscosity_ratio is 20"),
        (lambda: lambda_factor_of_fuel(0.5, afr_ratio=14.7), "afr_ratio is 14.7.*new over old"),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(InputError, match=message):
        call()
