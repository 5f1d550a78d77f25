"""Air, fuel and exhaust against standards, handbooks and reference libraries."""

from __future__ import annotations

import ambiance
import fluids
import pytest
from CoolProp.HumidAirProp import HAPropsSI
from hypothesis import given
from hypothesis import strategies as st
from reference_tables import read_reference

from needlecalc.errors import InputError
from needlecalc.physics.air import moist_air_density_kg_m3, standard_atmosphere
from needlecalc.physics.exhaust import co_percent_of_lambda, lambda_of_co_percent
from needlecalc.physics.fuel import blend_afr, fuel_density_kg_m3, fuel_viscosity_mm2_s, stoichiometric_afr


@pytest.mark.parametrize("row", read_reference("standard_atmosphere"))
def test_atmosphere_against_the_standard(row):
    state = standard_atmosphere(float(row["altitude_m"]))
    assert state.pressure_pa == pytest.approx(float(row["pressure_pa"]), rel=1e-3)
    assert state.density_kg_m3 == pytest.approx(float(row["density_kg_m3"]), rel=1e-3)


@pytest.mark.parametrize("altitude", [0.0, 700.0, 1600.0, 2600.0, 5000.0])
def test_atmosphere_against_ambiance_and_fluids(altitude):
    state, other, third = standard_atmosphere(altitude), ambiance.Atmosphere(altitude), fluids.ATMOSPHERE_1976(altitude)
    for pressure, density in ((other.pressure[0], other.density[0]), (third.P, third.rho)):
        assert state.pressure_pa == pytest.approx(pressure, rel=1e-5)
        assert state.density_kg_m3 == pytest.approx(density, rel=1e-5)


@pytest.mark.parametrize(
    ("celsius", "pressure", "humidity"),
    [(20.0, 101325.0, 0.5), (15.0, 101325.0, 0.6), (30.0, 101325.0, 0.8), (0.0, 101325.0, 0.5), (25.0, 90000.0, 0.4)],
)
def test_moist_air_against_coolprop(celsius, pressure, humidity):
    volume = HAPropsSI("Vha", "T", celsius + 273.15, "P", pressure, "R", humidity)
    assert moist_air_density_kg_m3(pressure, celsius, humidity) == pytest.approx(1.0 / volume, rel=2e-4)


@pytest.mark.parametrize("row", read_reference("stoichiometric_afr"))
def test_afr_against_the_handbook(row):
    got = stoichiometric_afr(float(row["h_per_c"]), float(row["o_per_c"]))
    assert got == pytest.approx(float(row["afr"]), abs=0.03)


def test_blends():
    # E85 is 9.7 to 9.9 in handbooks, E10 14.0 to 14.1 (from memory).
    assert blend_afr(85.0) == pytest.approx(9.8, abs=0.1)
    assert blend_afr(10.0) == pytest.approx(14.05, abs=0.1)
    assert blend_afr(0.0) == pytest.approx(14.6, abs=0.05)
    # EN 228: 720 to 775 kg/m3 at 15 degC.
    assert 720.0 < fuel_density_kg_m3(0.0, 15.0) < 775.0
    # Petrol 0.5 to 0.6 mm2/s at 20 degC and 0.8 to 1.0 at -20 degC: US alternative-fuels property table (from memory).
    assert 0.5 < fuel_viscosity_mm2_s(0.0, 20.0) < 0.7
    assert 0.8 < fuel_viscosity_mm2_s(0.0, -20.0) < 1.0


def test_co_of_lambda():
    # Common practice, no source: lambda 0.97 goes with about 1.2 % CO, tolerance 0.2 % CO.
    assert co_percent_of_lambda(0.97) == pytest.approx(1.2, abs=0.2)
    assert co_percent_of_lambda(1.0) == pytest.approx(0.0, abs=1e-12)
    # Workshop rule of thumb (from memory): lambda 0.95 about 1.9 %, 0.90 about 3.7 %.
    assert co_percent_of_lambda(0.95) == pytest.approx(1.9, abs=0.15)
    assert co_percent_of_lambda(0.90) == pytest.approx(3.7, abs=0.1)


@given(st.floats(0.72, 0.999))
def test_co_round_trip(ratio):
    assert lambda_of_co_percent(float(co_percent_of_lambda(ratio))) == pytest.approx(ratio, abs=1e-9)


def test_refusals():
    with pytest.raises(InputError, match="altitude_m must lie"):
        standard_atmosphere(20000.0)
    with pytest.raises(InputError, match="divide per cent by 100"):
        moist_air_density_kg_m3(101325.0, 20.0, 50.0)
    with pytest.raises(InputError, match="one hPa or mbar is 100 Pa"):
        moist_air_density_kg_m3(1013.0, 20.0)
    with pytest.raises(InputError, match="measure oxygen"):
        co_percent_of_lambda(1.1)
    with pytest.raises(InputError, match="check the reading"):
        lambda_of_co_percent(20.0)
