"""The second population of virtual engines is physics, not noise: its laws against figures from outside."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from other_engine import Day, draw_other, fuel_kg_s
from reference_tables import read_reference

SEEDS = range(24)
TABLE = read_reference("navier_stokes_bore_flow")


def flow(truth, diameter_mm, taper, pressure_pa=1950.0):
    stations_mm = np.arange(0.0, 21.0, 1.0)
    diameters_mm = diameter_mm - taper * (stations_mm - 5.0)
    face, pressure = np.array([5e-3]), np.array([pressure_pa])
    return float(fuel_kg_s(truth, Day(), stations_mm * 1e-3, diameters_mm * 1e-3, face, pressure)[0])


def bench(**changes):
    truth = replace(draw_other(0).truth, bore_m=2.54e-3, eccentricity=0.0, density=745.0, entry_loss=0.25)
    return replace(truth, **changes)


def test_discharge_coefficients_are_near_navier_stokes():
    # Source: tests/reference/navier_stokes_bore_flow.csv, see its header.
    errors = []
    for row in TABLE:
        truth = bench(bore_length_m=row["length_mm"] * 1e-3, viscosity=row["viscosity_mm2_s"] * 1e-6)
        ideal = np.pi / 4 * (2.54**2 - row["diameter_mm"] ** 2) * 1e-6 * np.sqrt(2 * 1950.0 * 745.0)
        errors.append(flow(truth, row["diameter_mm"], row["taper"]) / ideal / row["cd"] - 1)
    print(
        f"Cd against Navier-Stokes: {min(errors):+.3f} to {max(errors):+.3f}, rms {np.sqrt(np.mean(np.square(errors))):.3f}"
    )
    assert np.abs(errors).max() < 0.05
    assert np.sqrt(np.mean(np.square(errors))) < 0.025


@pytest.mark.parametrize(("eccentricity", "gain"), [(0.0, 1.0), (0.5, 1.375), (1.0, 2.5)])
def test_thick_fluid_in_a_straight_gap_obeys_the_exact_laminar_law(eccentricity, gain):
    # Concentric: Bird, Stewart and Lightfoot, Transport Phenomena, section 2.4; off centre 1 + 1.5 e^2 (both from memory).
    viscosity, length, r2, r1 = 2e-4, 6e-3, 1.27e-3, 1.21e-3
    shape = r2**4 - r1**4 - (r2**2 - r1**2) ** 2 / np.log(r2 / r1)
    exact = np.pi * 1950.0 / (8 * viscosity * length) * shape
    truth = bench(viscosity=viscosity, bore_length_m=length, eccentricity=eccentricity)
    assert flow(truth, 2.42, 0.0) == pytest.approx(exact * gain, rel=0.01)


@pytest.mark.parametrize("seed", SEEDS)
def test_a_car_is_lean_above_idle_and_a_file_can_cure_it(seed):
    engine = draw_other(seed)
    now = engine.true_lambda(engine.start_diameters_mm, engine.jet_drop_mm) / engine.bands.lambda_target
    assert abs(now[0] - 1) < 0.03
    assert now[1:].min() > 1.03
    assert now.max() < 1.32
    assert (engine.start_diameters_mm >= engine.ideal_diameters_mm - 1e-6).all()
    assert (np.diff(engine.start_diameters_mm) <= 1e-9).all()
    assert (np.diff(engine.true_lift()[engine.bands.driving][-2:]) > 0).all()


def test_the_same_seed_is_the_same_car():
    assert draw_other(5).truth == draw_other(5).truth
    assert draw_other(5).truth != draw_other(6).truth
