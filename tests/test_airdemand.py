"""Air demand and pulsation, against textbook arithmetic and plain averaging over the cycle."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.integrate import quad
from scipy.optimize import brentq

from needlecalc.errors import InputError
from needlecalc.physics.airdemand import (
    cycle_lambda_factor,
    engine_air_flow_g_s,
    half_sine_pulsation_factor,
    pulsation_factor,
    pulsation_lambda_factor,
    sine_pulsation_factor,
    speed_density_air_flow_g_s,
)

ENGINE = {"displacement_cm3": 1622.0, "volumetric_efficiency": 0.8}
MANIFOLD = {"manifold_pressure_pa": 60e3, "manifold_temperature_degc": 40.0}
CRANK = (np.arange(4320) + 0.5) * 4.0 * np.pi / 4320


def half_sines(cylinders):
    starts = 4.0 * np.pi * np.arange(cylinders) / cylinders
    phase = (CRANK - starts[:, None]) % (4.0 * np.pi)
    return np.where(phase < np.pi, np.sin(phase), 0.0).sum(axis=0)


# --- demand


def test_worked_example_of_air_demand():
    # Rajput, Internal Combustion Engines, example 11.1 (value from memory): four cylinders 100 x 120 mm at
    # 1800 rpm, efficiency 0.75, density 1.2: 0.0565 m3/s swept, so 0.0509 kg/s.
    flow = engine_air_flow_g_s(
        1800.0,
        displacement_cm3=4 * np.pi / 4 * 10.0**2 * 12.0,
        volumetric_efficiency=0.75,
        density_kg_m3=1.2,
    )
    assert flow == pytest.approx(50.9, abs=0.05)


@pytest.mark.parametrize(
    ("cm3", "rpm", "efficiency", "grams"),
    [(1622, 850, 0.25, 3.45), (2393, 900, 0.25, 5.38), (1622, 3000, 0.35, 17.0), (2393, 5000, 0.80, 95.7)],
)
def test_breaths_counted(cm3, rpm, efficiency, grams):
    # Counted by hand: half of rpm/60 breaths a second, each the swept litres times the efficiency at 1.2 g/l.
    flow = engine_air_flow_g_s(rpm, displacement_cm3=cm3, volumetric_efficiency=efficiency, density_kg_m3=1.2)
    assert flow == pytest.approx(grams, abs=0.051)
    assert flow == pytest.approx(rpm / 60 / 2 * cm3 / 1000 * efficiency * 1.2, rel=1e-14)


def test_speed_density_is_the_molar_gas_law():
    # p V = n R T with the molar gas constant, dry air of 28.9655 g/mol (CIPM-2007, value from memory).
    moles = 60e3 * 1622e-6 / (8.314463 * 313.15)
    flow = speed_density_air_flow_g_s(3000.0, **ENGINE, **MANIFOLD)
    assert flow == pytest.approx(moles * 28.9655 * 0.8 * 25.0, rel=3e-5)


def test_missing_readings_stay_missing():
    flow = speed_density_air_flow_g_s(
        [3000.0, np.nan, 3000.0], **ENGINE, **{**MANIFOLD, "manifold_pressure_pa": [60e3, 60e3, np.nan]}
    )
    np.testing.assert_array_equal(np.isnan(flow), [False, True, True])
    assert flow[0] == pytest.approx(speed_density_air_flow_g_s(3000.0, **ENGINE, **MANIFOLD), rel=1e-15)


@given(st.floats(0.2, 5.0))
def test_demand_is_in_proportion(factor):
    base = engine_air_flow_g_s(2000.0, **ENGINE, density_kg_m3=1.2)
    assert engine_air_flow_g_s(2000.0 * factor, **ENGINE, density_kg_m3=1.2) == pytest.approx(factor * base)
    assert engine_air_flow_g_s(2000.0, **ENGINE, density_kg_m3=1.2 * factor) == pytest.approx(factor * base)
    bigger = {**ENGINE, "displacement_cm3": 1622.0 * factor}
    assert engine_air_flow_g_s(2000.0, **bigger, density_kg_m3=1.2) == pytest.approx(factor * base)


# --- pulsation


@pytest.mark.parametrize("cylinders", range(1, 13))
def test_half_sines_against_the_sampled_cycle(cylinders):
    assert half_sine_pulsation_factor(cylinders) == pytest.approx(pulsation_factor(half_sines(cylinders)), rel=2e-6)


@pytest.mark.parametrize("cylinders", [1, 2, 3, 4])
def test_half_sines_apart_by_hand(cylinders):
    # Mean of a half sine over its own length 2/pi, of its square 1/2, N/4 of the cycle filled.
    filled = cylinders / 4.0
    by_hand = filled * 2.0 / np.pi / np.sqrt(filled / 2.0)
    assert half_sine_pulsation_factor(cylinders) == pytest.approx(by_hand, rel=1e-14)


@pytest.mark.parametrize("amplitude", [0.0, 0.2, 0.5, 1.0])
def test_sine_against_quadrature(amplitude):
    mean, _ = quad(lambda t: 1.0 + amplitude * np.sin(t), 0.0, 2.0 * np.pi)
    square, _ = quad(lambda t: (1.0 + amplitude * np.sin(t)) ** 2, 0.0, 2.0 * np.pi)
    by_quadrature = mean / np.sqrt(2.0 * np.pi * square)
    assert sine_pulsation_factor(amplitude) == pytest.approx(by_quadrature, rel=1e-12)
    assert pulsation_factor(1.0 + amplitude * np.sin(CRANK)) == pytest.approx(by_quadrature, rel=1e-9)


def test_steady_flow_is_untouched():
    assert pulsation_factor(np.full(7, 3.2)) == pytest.approx(1.0, rel=1e-15)
    np.testing.assert_allclose(cycle_lambda_factor(np.full(7, 3.2), [0.0, 0.4, 1.0]), 1.0, rtol=1e-15)
    np.testing.assert_array_equal(pulsation_lambda_factor(1.0, [0.0, 0.4, 1.0]), 1.0)


@pytest.mark.parametrize("viscous", [0.0, 0.3, 0.8, 1.0])
@pytest.mark.parametrize("cylinders", [1, 2, 4])
def test_cycle_against_moment_by_moment_solution(viscous, cylinders):
    # Every moment's fuel found by bracketing on the pressure law itself; no shared formula.
    flow = half_sines(cylinders)[::12]
    pressure = flow**2 / (flow**2).mean()
    fuel = [brentq(lambda u, p=p: viscous * u + (1.0 - viscous) * u**2 - p, 0.0, 50.0, xtol=1e-14) for p in pressure]
    by_hand = np.sqrt(pressure).mean() / np.mean(fuel)
    assert cycle_lambda_factor(flow, viscous) == pytest.approx(by_hand, rel=1e-10)


@given(st.floats(0.0, 1.0), st.floats(0.0, 0.3))
def test_small_pulses_follow_the_second_order(viscous, amplitude):
    flow = 1.0 + amplitude * np.sin(CRANK)
    second_order = pulsation_lambda_factor(pulsation_factor(flow), viscous)
    assert cycle_lambda_factor(flow, viscous) == pytest.approx(second_order, abs=2.0 * amplitude**4 + 1e-12)


def test_pure_cases():
    flow = half_sines(2)
    assert cycle_lambda_factor(flow, 0.0) == pytest.approx(1.0, rel=1e-14)
    assert cycle_lambda_factor(flow, 1.0) == pytest.approx(pulsation_factor(flow), rel=1e-14)


def test_cycles_and_axes_broadcast():
    cycles = np.stack([half_sines(1), half_sines(2), half_sines(4)])
    assert pulsation_factor(cycles).shape == (3,)
    np.testing.assert_allclose(pulsation_factor(cycles.T, axis=0), pulsation_factor(cycles), rtol=1e-13)
    table = cycle_lambda_factor(cycles[:, None, :], np.array([0.1, 0.5, 0.9]))
    assert table.shape == (3, 3)
    np.testing.assert_allclose(cycle_lambda_factor(cycles.T, 0.5, axis=0), table[:, 1], rtol=1e-12)


@pytest.mark.parametrize(
    ("call", "words"),
    [
        (
            lambda: engine_air_flow_g_s(900.0, displacement_cm3=1600.0, volumetric_efficiency=80.0, density_kg_m3=1.2),
            r"volumetric_efficiency is 80, .* at most 1\.5\. It is a share, so write 80 % as 0\.8",
        ),
        (lambda: engine_air_flow_g_s(-1.0, **ENGINE, density_kg_m3=1.2), r"rpm is -1, but must be 0 or more"),
        (
            lambda: speed_density_air_flow_g_s(900.0, **ENGINE, manifold_pressure_pa=-60e3, manifold_temperature_degc=20.0),
            r"manifold_pressure_pa is -60000, .* It is absolute: a gauge reading needs the barometer added",
        ),
        (
            lambda: speed_density_air_flow_g_s(900.0, **ENGINE, manifold_pressure_pa=60e3, manifold_temperature_degc=313.0),
            r"manifold_temperature_degc is 313, but must be -80 or more and at most 200",
        ),
        (lambda: half_sine_pulsation_factor(0), r"cylinders is 0, but must be a whole number, 1 or more"),
        (lambda: half_sine_pulsation_factor(2.5), r"cylinders is 2\.5, but must be a whole number"),
        (lambda: half_sine_pulsation_factor(True), r"cylinders is True, but must be a whole number"),
        (lambda: sine_pulsation_factor(1.2), r"amplitude is 1\.2, .* Give it over the mean flow"),
        (lambda: pulsation_factor([0.0, 0.0]), r"air_flow_g_s must hold one cycle's samples, and not only"),
        (lambda: pulsation_factor(3.0), r"air_flow_g_s must hold one cycle's samples"),
        (lambda: pulsation_factor([1.0, np.nan]), r"air_flow_g_s is nan \(entry 2 of 2\)"),
        (
            lambda: pulsation_lambda_factor(1.1, 0.5),
            r"factor is 1\.1, but must be greater than 0 and at most 1",
        ),
        (lambda: cycle_lambda_factor([1.0, 2.0], 1.5), r"viscous_fraction is 1\.5, but"),
    ],
)
def test_refusals(call, words):
    with pytest.raises(InputError, match=words):
        call()
