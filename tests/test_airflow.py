"""Expansion of air in the throat, against fluids, CoolProp and textbook examples."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from fluids.flow_meter import nozzle_expansibility
from hypothesis import given
from hypothesis import strategies as st

from needlecalc.errors import InputError
from needlecalc.physics.airflow import air_flow_g_s, expansion_factor, leak_flow_g_s, slide_depression_pa

ISA_PA, ISA_DENSITY = 101325.0, 1.225
CHOKED_SHARE = 1.0 - 0.528282  # critical pressure ratio of air, gas tables at gamma 1.4 (value from memory)


@pytest.mark.parametrize("depression_pa", [1.0, 500.0, 1000.0, 2000.0, 4000.0, 20e3, 45e3])
def test_expansion_factor_against_fluids(depression_pa):
    # fluids: ISO 5167-3 nozzle; a pipe 10^4 times the throat is as good as none.
    theirs = nozzle_expansibility(1e4, 1.0, ISA_PA, ISA_PA - depression_pa, 1.4)
    ours = expansion_factor(depression_pa, pressure_pa=ISA_PA)
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize(
    ("depression_pa", "within"), [(500.0, 2e-4), (2000.0, 2e-4), (10e3, 2e-4), (20e3, 2.2e-4), (40e3, 3.5e-4)]
)
def test_flow_against_real_air_in_coolprop(depression_pa, within):
    # Energy and entropy of real air: mass flux = density at the throat times sqrt(2 (h0 - h)).  What is left is that air
    # is not quite a perfect gas, compressibility 0.9996, nor its heat capacity ratio quite 1.4 but 1.402.
    state = ("P", ISA_PA, "T", 288.15, "Air")
    entropy, enthalpy, density = (PropsSI(key, *state) for key in ("Smass", "Hmass", "Dmass"))
    throat = ("P", ISA_PA - depression_pa, "Smass", entropy, "Air")
    flux = PropsSI("Dmass", *throat) * np.sqrt(2.0 * (enthalpy - PropsSI("Hmass", *throat)))
    ours = air_flow_g_s(1.0, depression_pa, density_kg_m3=density, discharge_coefficient=1.0, pressure_pa=ISA_PA)
    assert ours == pytest.approx(flux * 1e-3, rel=within)


def test_no_depression_is_the_limit():
    assert expansion_factor(0.0, pressure_pa=ISA_PA) == 1.0
    small = np.array([1e-9, 1e-3, 1.0])
    # First order in the pressure share, from the series by hand: 1 - 3 x / (4 gamma).
    np.testing.assert_allclose(
        1.0 - expansion_factor(small, pressure_pa=ISA_PA), 0.75 / 1.4 * small / ISA_PA, atol=1e-15, rtol=2e-5
    )


@given(st.floats(1e-6, 1.0))
def test_slide_depression_undoes_the_flow(part):
    depression = part * CHOKED_SHARE * ISA_PA * (1.0 - 1e-5)
    air = {"density_kg_m3": ISA_DENSITY, "discharge_coefficient": 0.7, "pressure_pa": ISA_PA}
    flow = air_flow_g_s(300.0, depression, **air)
    # Near choking the flow hardly depends on the depression: a rounding of the one is many of the other.
    tolerance = 1e-12 if part < 0.9 else 3e-7
    assert slide_depression_pa(flow, 300.0, **air) == pytest.approx(depression, rel=tolerance)


def test_slide_depression_of_no_flow_and_of_too_much():
    air = {"density_kg_m3": ISA_DENSITY, "discharge_coefficient": 1.0}
    # Choked mass flux of air, 0.040418 p0/sqrt(T0) in SI (textbooks on gas dynamics, value from memory).
    choked = 0.040418 * ISA_PA / np.sqrt(ISA_PA / (ISA_DENSITY * 287.05)) * 1e-3
    found = slide_depression_pa([0.0, choked * 0.9999, choked * 1.0001, np.nan], 1.0, pressure_pa=ISA_PA, **air)
    assert found[0] == 0.0
    assert found[1] == pytest.approx(CHOKED_SHARE * ISA_PA, rel=0.03)
    assert np.isnan(found[2:]).all()


def test_slide_depression_falls_with_the_square_of_the_opening():
    # So for constant density, the limit of a pressure far above the depression.
    air = {"density_kg_m3": 1.2, "discharge_coefficient": 0.8, "pressure_pa": 1e9}
    wide, narrow = slide_depression_pa(20.0, [400.0, 200.0], **air)
    assert narrow == pytest.approx(4.0 * wide, rel=1e-4)


def test_a_leak_is_the_nozzle_of_the_textbook():
    # Heywood, appendix C (from memory), written out: m = A p0 sqrt(2 g / ((g - 1) R T) (r^(2/g) - r^((g+1)/g))).
    pressure, kelvin, g = 101325.0, 293.15, 1.4
    for inside, ratio in [(90e3, 90e3 / pressure), (60e3, 60e3 / pressure), (20e3, 0.528282), (2e3, 0.528282)]:
        swing = ratio ** (2 / g) - ratio ** ((g + 1) / g)
        expected = 1e-3 * 2.0 * pressure * np.sqrt(2 * g / ((g - 1) * 287.05287 * kelvin) * swing)
        found = leak_flow_g_s(2.0, inside, pressure_pa=pressure, temperature_degc=20.0)
        assert found == pytest.approx(expected, rel=1e-9)
    assert leak_flow_g_s(2.0, pressure + 500.0, pressure_pa=pressure) == 0.0
    assert np.isnan(leak_flow_g_s(2.0, np.nan, pressure_pa=pressure))


def test_worked_example_of_throat_suction():
    # Rajput, Internal Combustion Engines, example 11.1 (value from memory): four cylinders 100 x 120 mm at
    # 1800 rpm, volumetric efficiency 0.75, throat 28 mm, coefficient 0.8, density 1.2: 4447.61 Pa.
    swept_m3 = 4 * np.pi / 4 * 0.1**2 * 0.12
    flow = swept_m3 * 1800 / 120 * 0.75 * 1.2 * 1e3
    # The example keeps the density constant, as does a pressure far above the depression.
    suction = slide_depression_pa(flow, np.pi / 4 * 28.0**2, density_kg_m3=1.2, discharge_coefficient=0.8, pressure_pa=1e11)
    assert suction == pytest.approx(4447.61, abs=0.01)


def test_worked_example_of_throat_diameter():
    # Mathur and Sharma, Internal Combustion Engine, example 11.1 (value from memory): 5 kg/min at 1.013 bar
    # and 300 K, 90 m/s in the throat, velocity coefficient 0.8, cp 1005 J/(kg K): diameter 3.25 cm.
    warmth = (90.0 / 0.8) ** 2 / (2.0 * 1005.0)
    gamma = 1005.0 / (1005.0 - 287.0)
    pressure = 1.013e5 * (1.0 - warmth / 300.0) ** (gamma / (gamma - 1.0))
    flux = air_flow_g_s(
        1.0,
        1.013e5 - pressure,
        density_kg_m3=1.013e5 / (287.0 * 300.0),
        discharge_coefficient=0.8,
        pressure_pa=1.013e5,
    )
    diameter = np.sqrt(5e3 / 60.0 / flux * 4.0 / np.pi)
    assert diameter == pytest.approx(32.5, abs=0.01)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: expansion_factor(60e3, pressure_pa=ISA_PA),
            r"up to 59\.2% of pressure_pa, .* chokes at 47\.2%",
        ),
        (lambda: expansion_factor(-1.0, pressure_pa=ISA_PA), r"depression_pa is -1, but must be 0 or more"),
        (lambda: expansion_factor(1.0, pressure_pa=0.0), r"pressure_pa is 0, but must be greater than 0"),
        (
            lambda: slide_depression_pa(1.0, 0.0, density_kg_m3=1.2, discharge_coefficient=0.7, pressure_pa=ISA_PA),
            r"area_mm2 is 0, but must be greater than 0 and finite\. A shut slide has no depression\.",
        ),
        (
            lambda: slide_depression_pa(-1.0, 9.0, density_kg_m3=1.2, discharge_coefficient=0.7, pressure_pa=ISA_PA),
            r"air_flow_g_s is -1, but must be 0 or more",
        ),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
