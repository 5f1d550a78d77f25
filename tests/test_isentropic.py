"""Expansion of air in the throat, against fluids, CoolProp and textbook examples."""

import numpy as np
import pytest
from CoolProp.CoolProp import PropsSI
from fluids.flow_meter import nozzle_expansibility
from hypothesis import given
from hypothesis import strategies as st

from needlecalc.errors import InputError
from needlecalc.physics.airvalve import air_flow_g_s
from needlecalc.physics.isentropic import air_flow_exponent, expansion_factor, slide_depression_pa

ISA_PA, ISA_DENSITY = 101325.0, 1.225
CHOKED_SHARE = 1.0 - 0.528282  # critical pressure ratio of air, gas tables at gamma 1.4 (value from memory)


@pytest.mark.parametrize("depression_pa", [1.0, 500.0, 1000.0, 2000.0, 4000.0, 20e3, 45e3])
@pytest.mark.parametrize("gamma", [1.3, 1.4, 1.667])
def test_expansion_factor_against_fluids(depression_pa, gamma):
    # fluids: ISO 5167-3 nozzle; a pipe 10^4 times the throat is as good as none.
    theirs = nozzle_expansibility(1e4, 1.0, ISA_PA, ISA_PA - depression_pa, gamma)
    ours = expansion_factor(depression_pa, pressure_pa=ISA_PA, heat_capacity_ratio=gamma)
    assert ours == pytest.approx(theirs, rel=1e-9)


@pytest.mark.parametrize("depression_pa", [500.0, 2000.0, 10e3, 40e3])
def test_flow_against_real_air_in_coolprop(depression_pa):
    # Energy and entropy of real air: mass flux = density at the throat times sqrt(2 (h0 - h)).
    state = ("P", ISA_PA, "T", 288.15, "Air")
    entropy, enthalpy, density = (PropsSI(key, *state) for key in ("Smass", "Hmass", "Dmass"))
    throat = ("P", ISA_PA - depression_pa, "Smass", entropy, "Air")
    flux = PropsSI("Dmass", *throat) * np.sqrt(2.0 * (enthalpy - PropsSI("Hmass", *throat)))
    ours = air_flow_g_s(
        1.0,
        depression_pa,
        density_kg_m3=density,
        discharge_coefficient=1.0,
        pressure_pa=ISA_PA,
        heat_capacity_ratio=PropsSI("Cpmass", *state) / PropsSI("Cvmass", *state),
    )
    # What is left is that air is not quite a perfect gas: compressibility 0.9996.
    assert ours == pytest.approx(flux * 1e-3, rel=2e-4)


def test_no_depression_is_the_limit():
    assert expansion_factor(0.0, pressure_pa=ISA_PA) == 1.0
    assert air_flow_exponent(0.0, pressure_pa=ISA_PA) == pytest.approx(0.5, rel=1e-14)
    small = np.array([1e-9, 1e-3, 1.0])
    # First order in the pressure share, from the series by hand: 1 - 3 x / (4 gamma).
    np.testing.assert_allclose(
        1.0 - expansion_factor(small, pressure_pa=ISA_PA), 0.75 / 1.4 * small / ISA_PA, atol=1e-15, rtol=2e-5
    )


@given(st.floats(1.0, 40e3), st.floats(1.2, 1.66))
def test_exponent_is_the_slope_of_the_flow(depression_pa, gamma):
    def log_flow(step):
        bent = depression_pa * np.exp(step)
        return 0.5 * np.log(bent) + np.log(expansion_factor(bent, pressure_pa=ISA_PA, heat_capacity_ratio=gamma))

    slope = (log_flow(1e-5) - log_flow(-1e-5)) / 2e-5
    ours = air_flow_exponent(depression_pa, pressure_pa=ISA_PA, heat_capacity_ratio=gamma)
    assert ours == pytest.approx(slope, abs=1e-8)


def test_exponent_is_a_half_without_expansion_and_nought_when_choked():
    np.testing.assert_array_equal(air_flow_exponent([0.0, 10.0, np.nan]), [0.5, 0.5, np.nan])
    assert air_flow_exponent(CHOKED_SHARE * 1e5 * 0.999999, pressure_pa=1e5) == pytest.approx(0.0, abs=2e-5)


@given(st.floats(1e-6, 1.0), st.floats(1.2, 1.66), st.booleans())
def test_slide_depression_undoes_the_flow(part, gamma, expands):
    choked = 1.0 - (2.0 / (gamma + 1.0)) ** (gamma / (gamma - 1.0))
    depression = part * choked * ISA_PA * (1.0 - 1e-12)
    air = {
        "density_kg_m3": ISA_DENSITY,
        "discharge_coefficient": 0.7,
        "pressure_pa": ISA_PA if expands else None,
        "heat_capacity_ratio": gamma,
    }
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
    assert np.isfinite(slide_depression_pa(choked * 1.0001, 1.0, **air))


def test_slide_depression_falls_with_the_square_of_the_opening():
    air = {"density_kg_m3": 1.2, "discharge_coefficient": 0.8}
    wide, narrow = slide_depression_pa(20.0, [400.0, 200.0], **air)
    assert narrow == pytest.approx(4.0 * wide, rel=1e-14)


def test_worked_example_of_throat_suction():
    # Rajput, Internal Combustion Engines, example 11.1 (value from memory): four cylinders 100 x 120 mm at
    # 1800 rpm, volumetric efficiency 0.75, throat 28 mm, coefficient 0.8, density 1.2: 4447.61 Pa.
    swept_m3 = 4 * np.pi / 4 * 0.1**2 * 0.12
    flow = swept_m3 * 1800 / 120 * 0.75 * 1.2 * 1e3
    suction = slide_depression_pa(flow, np.pi / 4 * 28.0**2, density_kg_m3=1.2, discharge_coefficient=0.8)
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
        heat_capacity_ratio=gamma,
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
            lambda: air_flow_exponent(1.0, pressure_pa=1e5, heat_capacity_ratio=1.0),
            r"heat_capacity_ratio is 1, but must be greater than 1",
        ),
        (
            lambda: slide_depression_pa(1.0, 0.0, density_kg_m3=1.2, discharge_coefficient=0.7),
            r"area_mm2 is 0, but must be greater than 0 and finite\. A shut slide has no depression\.",
        ),
        (
            lambda: slide_depression_pa(-1.0, 9.0, density_kg_m3=1.2, discharge_coefficient=0.7),
            r"air_flow_g_s is -1, but must be 0 or more",
        ),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
