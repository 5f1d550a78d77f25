"""Standard atmosphere, moist air and barometer readings against tables, standards and reference libraries."""

from __future__ import annotations

import math

import ambiance
import numpy as np
import pytest
from CoolProp.CoolProp import HAPropsSI, PropsSI
from fluids.atmosphere import ATMOSPHERE_1976
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference

from needlecalc.errors import InputError
from needlecalc.physics.air import (
    humidity_ratio,
    lambda_factor_of_air,
    moist_air_density_kg_m3,
    saturation_pressure_pa,
    sea_level_pressure_pa,
    standard_atmosphere,
    station_pressure_pa,
)

HEIGHTS_M = np.array([-500.0, 0.0, 500.0, 1000.0, 1600.0, 2000.0, 3000.0, 5000.0, 8000.0, 10900.0])
CELSIUS, HUMIDITY, PASCAL = np.meshgrid([-20.0, 0.0, 15.0, 27.0, 50.0], [0.0, 0.4, 0.9], [55e3, 80e3, 101325.0, 108e3])


def geometric_m(geopotential_m):
    return 6356766.0 * geopotential_m / (6356766.0 - geopotential_m)


@pytest.mark.parametrize("row", read_reference("standard_atmosphere"))
def test_standard_atmosphere_against_published_tables(row):
    height = row["altitude_m"] if row["heights"] == "geometric" else geometric_m(row["altitude_m"])
    state = standard_atmosphere(height)
    assert state.pressure_pa == pytest.approx(row["pressure_pa"], rel=row["tolerance"])
    assert state.temperature_k == pytest.approx(row["temperature_k"], abs=6e-4)
    assert state.density_kg_m3 == pytest.approx(row["density_kg_m3"], rel=row["tolerance"])


def test_standard_atmosphere_against_two_libraries():
    # ambiance (ICAO 1993) and fluids (US-1976), both taking geometric heights; they agree to some 1e-6.
    ours, other = standard_atmosphere(HEIGHTS_M), ambiance.Atmosphere(HEIGHTS_M)
    np.testing.assert_allclose(ours.pressure_pa, other.pressure, rtol=1e-5)
    np.testing.assert_allclose(ours.temperature_k, other.temperature, rtol=1e-6)
    np.testing.assert_allclose(ours.density_kg_m3, other.density, rtol=1e-5)
    american = [ATMOSPHERE_1976(Z=height) for height in HEIGHTS_M]
    np.testing.assert_allclose(ours.pressure_pa, [state.P for state in american], rtol=1e-5)
    np.testing.assert_allclose(ours.density_kg_m3, [state.rho for state in american], rtol=1e-5)


def test_hydrostatic_balance():
    # dp/dh = -g rho in geopotential metres is what defines the standard atmosphere.
    at = np.linspace(-900.0, 10900.0, 60)
    upper = standard_atmosphere(geometric_m(at + 0.5)).pressure_pa
    lower = standard_atmosphere(geometric_m(at - 0.5)).pressure_pa
    density = standard_atmosphere(geometric_m(at)).density_kg_m3
    np.testing.assert_allclose(upper - lower, -9.80665 * density, rtol=1e-7)


def test_moist_air_against_reference_humid_air():
    # CoolProp's humid air (Herrmann, Kretzschmar and Gatley 2009, ASHRAE RP-1485).
    theirs = 1.0 / HAPropsSI("Vha", "T", CELSIUS.ravel() + 273.15, "P", PASCAL.ravel(), "R", HUMIDITY.ravel())
    ours = moist_air_density_kg_m3(PASCAL, CELSIUS, HUMIDITY).ravel()
    np.testing.assert_allclose(ours, theirs, rtol=2e-4)
    inside = (CELSIUS.ravel() >= 15) & (CELSIUS.ravel() <= 27) & (PASCAL.ravel() >= 60e3)
    np.testing.assert_allclose(ours[inside], theirs[inside], rtol=6e-5)


def test_humidity_ratio_against_reference_humid_air():
    theirs = HAPropsSI("W", "T", CELSIUS.ravel() + 273.15, "P", PASCAL.ravel(), "R", HUMIDITY.ravel())
    ours = humidity_ratio(PASCAL, CELSIUS, HUMIDITY).ravel()
    warm = CELSIUS.ravel() > 0.0  # below freezing the library counts humidity over ice, we over water
    np.testing.assert_allclose(ours[warm], theirs[warm], rtol=5e-4, atol=1e-12)


def test_moist_air_against_the_published_constants():
    c = {row["name"]: row["value"] for row in read_reference("cipm2007_constants")}
    for p, t, h in [(101325.0, 20.0, 0.5), (60e3, 15.0, 0.0), (110e3, 27.0, 1.0), (90e3, 25.0, 0.4)]:
        kelvin = t + 273.15
        sv = math.exp(c["A"] * kelvin**2 + c["B"] * kelvin + c["C"] + c["D"] / kelvin)
        x = h * (c["alpha"] + c["beta"] * p + c["gamma"] * t**2) * sv / p
        z = 1 - p / kelvin * (
            c["a0"] + c["a1"] * t + c["a2"] * t**2 + (c["b0"] + c["b1"] * t) * x + (c["c0"] + c["c1"] * t) * x**2
        )
        z += (p / kelvin) ** 2 * (c["d"] + c["e"] * x**2)
        dry = 1e-3 * c["Ma_g_mol"]  # at the usual 0.04 % of carbon dioxide
        density = p * dry / (z * c["R"] * kelvin) * (1 - x * (1 - 1e-3 * c["Mv_g_mol"] / dry))
        assert moist_air_density_kg_m3(p, t, h) == pytest.approx(density, rel=1e-12)


@pytest.mark.parametrize("celsius", [10.0, 20.0, 30.0])
@pytest.mark.parametrize("percent", [0.0, 40.0, 80.0])
def test_moist_air_against_the_weighing_standards_formula(celsius, percent):
    # OIML R 111-1:2004 equation (E.3-1), 900-1100 hPa, 10-30 degC, up to 80 %: within 2e-4 of the CIPM
    # equation of its day (from memory); the argon revision of 2007 raised that by 7e-5.
    simple = (0.34848 * 1000.0 - 0.009 * percent * math.exp(0.061 * celsius)) / (273.15 + celsius)
    assert moist_air_density_kg_m3(100e3, celsius, percent / 100) == pytest.approx(simple, rel=2.7e-4)


@pytest.mark.parametrize("row", read_reference("saturation_pressure"))
def test_saturation_pressure_against_steam_tables(row):
    assert saturation_pressure_pa(row["temperature_degc"]) == pytest.approx(row["pressure_pa"], rel=row["tolerance"])


def test_saturation_pressure_against_the_property_library():
    celsius = np.array([1.0, 10.0, 20.0, 30.0, 40.0, 50.0])
    theirs = PropsSI("P", "T", celsius + 273.15, "Q", 0, "Water")  # IAPWS-95
    np.testing.assert_allclose(saturation_pressure_pa(celsius), theirs, rtol=1e-4)


def test_lambda_follows_the_square_root_of_density():
    sea, high = standard_atmosphere(0.0), standard_atmosphere([1600.0, 3000.0])
    factor = lambda_factor_of_air(high.density_kg_m3, reference_density_kg_m3=sea.density_kg_m3)
    sigma = np.array([0.85524, 0.74225])  # density ratios of the US-1976 table, from memory
    np.testing.assert_allclose(factor, np.sqrt(sigma), rtol=2e-4)


def test_lambda_counts_dry_air_only():
    # The engine's dry air, from the library's volume of humid air that holds one kg of dry air.
    def dry_flow(celsius, humidity):
        state = ("T", celsius + 273.15, "P", 101325.0, "R", humidity)
        return math.sqrt(1.0 / HAPropsSI("Vha", *state)) / (1.0 + HAPropsSI("W", *state))

    for celsius, humidity in [(5.0, 0.6), (20.0, 0.5), (35.0, 0.8)]:
        factor = lambda_factor_of_air(
            moist_air_density_kg_m3(101325.0, celsius, humidity),
            humidity_ratio(101325.0, celsius, humidity),
            reference_density_kg_m3=moist_air_density_kg_m3(101325.0, 15.0, 0.0),
        )
        assert factor == pytest.approx(dry_flow(celsius, humidity) / dry_flow(15.0, 0.0), rel=2e-4)


pressures = st.floats(60e3, 108e3)
temperatures = st.floats(-20.0, 45.0)
shares = st.floats(0.0, 1.0)


@given(pressures, temperatures, shares)
def test_humid_air_is_lighter_and_warm_air_too(pressure, celsius, humidity):
    density = moist_air_density_kg_m3(pressure, celsius, humidity)
    assert moist_air_density_kg_m3(pressure, celsius, 0.0) >= density
    assert moist_air_density_kg_m3(pressure, celsius + 1.0, humidity) < density
    assert moist_air_density_kg_m3(pressure + 100.0, celsius, humidity) > density


states = st.tuples(pressures, temperatures, shares)


@given(states, states, states)
def test_lambda_factors_chain(a, b, c):
    def factor(new, old):
        return lambda_factor_of_air(
            moist_air_density_kg_m3(*new),
            humidity_ratio(*new),
            reference_density_kg_m3=moist_air_density_kg_m3(*old),
            reference_humidity_ratio=humidity_ratio(*old),
        )

    assert factor(a, b) * factor(b, c) == pytest.approx(factor(a, c), rel=1e-12)


@given(st.floats(90e3, 106e3), st.floats(-200.0, 3500.0))
def test_reduction_to_sea_level_and_back(sea_level, altitude):
    station = station_pressure_pa(sea_level, altitude)
    assert sea_level_pressure_pa(station, altitude) == pytest.approx(sea_level, rel=1e-12)


@pytest.mark.parametrize("altitude_m", [0.0, 300.0, 1000.0, 2000.0, 3000.0])
@pytest.mark.parametrize("station_hpa", [710.0, 850.0, 985.0])
def test_reduction_against_the_altimeter_setting_formula(altitude_m, station_hpa):
    # Altimeter setting as the US weather service prints it (from memory); its 0.3 hPa are for the height of a
    # cockpit, and its base temperature is rounded to 288 K.
    n = 0.190284
    less = station_hpa - 0.3
    setting = less * (1 + (1013.25**n * 0.0065 / 288.0) * altitude_m / less**n) ** (1 / n)
    assert sea_level_pressure_pa(100 * station_hpa, altitude_m) / 100 == pytest.approx(setting, abs=0.7)


def test_standard_air_is_reduced_to_that_at_sea_level():
    state = standard_atmosphere(HEIGHTS_M[1:8])
    np.testing.assert_allclose(sea_level_pressure_pa(state.pressure_pa, HEIGHTS_M[1:8]), 101325.0, rtol=1e-12)


def test_everything_broadcasts():
    column, row = np.array([[90e3], [100e3]]), np.array([0.0, 10.0, 20.0])
    assert moist_air_density_kg_m3(column, row, 0.5).shape == (2, 3)
    assert humidity_ratio(column, row, 0.5).shape == (2, 3)
    assert sea_level_pressure_pa(column, row * 100).shape == (2, 3)
    assert isinstance(moist_air_density_kg_m3(1e5, 20.0, 0.5), float)


@pytest.mark.parametrize(
    ("call", "message"),
    [
        (
            lambda: standard_atmosphere(11020.0),
            "altitude_m is 11020, but must lie between -1000 and 11019",
        ),
        (lambda: standard_atmosphere(float("nan")), "altitude_m is nan"),
        (lambda: moist_air_density_kg_m3(1e5, 20.0, 50.0), "humidity is 50.*divide per cent by 100"),
        (
            lambda: moist_air_density_kg_m3(1013.0, 20.0, 0.5),
            "pressure_pa is 1013.*One hPa or mbar is 100 Pa",
        ),
        (lambda: moist_air_density_kg_m3(1e5, 293.0, 0.5), "temperature_degc is 293.*degrees Celsius"),
        (lambda: saturation_pressure_pa("warm"), "temperature_degc must be a number"),
        (lambda: humidity_ratio(1e5, 20.0, -0.1), "humidity is -0.1"),
        (
            lambda: station_pressure_pa(70e3, 0.0),
            "sea_level_pressure_pa is 70000.*It is reduced to sea level",
        ),
        (
            lambda: sea_level_pressure_pa(1013.0, 0.0),
            "station_pressure_pa is 1013.*It is pressure on the spot",
        ),
        (
            lambda: lambda_factor_of_air(0.0, reference_density_kg_m3=1.2),
            "density_kg_m3 is 0, but must be greater",
        ),
        (lambda: lambda_factor_of_air(1.2, -0.1, reference_density_kg_m3=1.2), "humidity_ratio is -0.1"),
        (lambda: lambda_factor_of_air(1.2, reference_density_kg_m3=-1.0), "reference_density_kg_m3 is -1"),
        (
            lambda: lambda_factor_of_air(1.2, reference_density_kg_m3=1.2, reference_humidity_ratio=2.0),
            "reference_humidity_ratio is 2",
        ),
    ],
)
def test_bad_input_is_named(call, message):
    with pytest.raises(InputError, match=message):
        call()
