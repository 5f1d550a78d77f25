"""The virtual engine must be sane and must not lean on the library it judges."""

from __future__ import annotations

import ast
import time
from dataclasses import replace
from functools import lru_cache
from pathlib import Path
from typing import Any

import numpy as np
import pytest
import virtual_drive
from reference_tables import read_reference
from virtual_engine import (
    Engine,
    Truth,
    area_sum_cut,
    draw_engine,
    fuel_flow_kg_s,
    oracle_asks,
    oracle_cut,
    trim_idle,
)

HERE = Path(__file__).parent
SEEDS = range(41)
drawn = lru_cache(maxsize=None)(draw_engine)
TABLE = read_reference("navier_stokes_bore_flow")


def draw(seed: int, mounting: str = "centred") -> Engine:
    return drawn(seed, mounting)


def bench(seed: int = 0, **changes: Any) -> Truth:
    """A truth with the middle of every drawn loss, concentric and straight."""
    middle: dict[str, Any] = {"contraction_loss": 0.175, "exit_recovery": 0.03, "friction_factor": 1.03}
    straight = {"eccentricity": 0.0, "tilt_rad": 0.0, "bore_m": 2.54e-3, "fuel_density_kg_m3": 745.0}
    return replace(draw(seed).truth, **(middle | straight | changes))


def flow(truth: Truth, diameter_mm: float, taper: float, pressure_pa: float = 1950.0) -> float:
    stations_mm = np.arange(0.0, 21.0, 1.0)
    diameters_mm = diameter_mm - taper * (stations_mm - 5.0)
    pressure = np.array([[pressure_pa]])
    return float(fuel_flow_kg_s(truth, stations_mm * 1e-3, diameters_mm * 1e-3, np.array([5e-3]), pressure)[0, 0])


def coefficient_errors(**losses: Any) -> np.ndarray:
    errors = []
    for row in TABLE:
        truth = bench(jet_length_m=row["length_mm"] * 1e-3, fuel_viscosity_m2_s=row["viscosity_mm2_s"] * 1e-6, **losses)
        area = np.pi / 4 * (2.54**2 - row["diameter_mm"] ** 2) * 1e-6
        ideal = area * np.sqrt(2 * 1950.0 * 745.0)
        errors.append(flow(truth, row["diameter_mm"], row["taper"]) / ideal / row["cd"] - 1)
    return np.array(errors)


def test_it_does_not_lean_on_the_library() -> None:
    for name in ("virtual_engine.py", "virtual_drive.py"):
        for node in ast.walk(ast.parse((HERE / name).read_text())):
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else []
            names += [node.module or ""] if isinstance(node, ast.ImportFrom) else []
            assert not [n for n in names if n.split(".")[0] == "needlecalc"]


def test_discharge_coefficients_are_near_navier_stokes() -> None:
    # Source: tests/reference/navier_stokes_bore_flow.csv, see its header.
    assert len(TABLE) == 41
    errors = coefficient_errors()
    print(
        f"Cd against Navier-Stokes: mean {errors.mean():+.3f}, rms {np.sqrt((errors**2).mean()):.3f}, "
        f"{errors.min():+.3f} to {errors.max():+.3f}"
    )
    assert np.abs(errors).max() < 0.10
    assert np.sqrt((errors**2).mean()) < 0.04


@pytest.mark.parametrize(
    "losses",
    [
        {"contraction_loss": 0.05, "exit_recovery": 0.06, "friction_factor": 0.96},
        {"contraction_loss": 0.30, "exit_recovery": 0.00, "friction_factor": 1.10},
    ],
)
def test_even_the_outermost_losses_stay_near_navier_stokes(losses: dict[str, float]) -> None:
    errors = coefficient_errors(**losses)
    print(losses, f"{errors.min():+.3f} to {errors.max():+.3f}")
    assert np.abs(errors).max() < 0.13


@pytest.mark.parametrize(("eccentricity", "gain"), [(0.0, 1.0), (0.4, 1.24), (1.0, 2.5)])
def test_thick_fluid_in_a_straight_gap_obeys_the_exact_laminar_law(eccentricity: float, gain: float) -> None:
    # Concentric: Bird, Stewart and Lightfoot, Transport Phenomena, section 2.4 (section number from memory).
    # Off centre: 1 + 1.5 e^2, the narrow-gap limit of hydraulics (2.5 at contact), from memory.
    viscosity, length = 2e-4, 6e-3
    truth = bench(fuel_viscosity_m2_s=viscosity, jet_length_m=length, eccentricity=eccentricity, friction_factor=1.0)
    r2, r1 = 1.27e-3, 1.21e-3
    shape = r2**4 - r1**4 - (r2**2 - r1**2) ** 2 / np.log(r2 / r1)
    exact = np.pi * 1950.0 / (8 * viscosity * length) * shape
    assert flow(truth, 2.42, 0.0) == pytest.approx(exact * gain, rel=0.01)


def test_areas_and_leak_are_elementary() -> None:
    full, half = (virtual_drive.throat_area_m2(0.0381, 0.0, y) for y in (0.0381, 0.01905))
    assert full == pytest.approx(np.pi / 4 * 0.0381**2)
    assert half == pytest.approx(full / 2)
    # Choked orifice: mass flow = 0.04042 p A / sqrt(T) for air (gas dynamics, constant from memory).
    car = draw(0)
    car = replace(car, truth=replace(car.truth, leak_area_m2=1e-6, air_pressure_pa=101325.0, air_temperature_k=293.0))
    assert car.leak_kg_s(np.array([40e3]))[0] == pytest.approx(0.04042 * 101325 * 1e-6 / np.sqrt(293), rel=2e-3)


@pytest.mark.parametrize("mounting", ["centred", "biased"])
@pytest.mark.parametrize("seed", SEEDS)
def test_every_engine_is_plausible(seed: int, mounting: str) -> None:
    car = draw(seed, mounting)
    lift, driving = car.true_lift(), car.bands.driving
    assert 9 <= driving.sum() <= 14
    assert 1.0 < lift.min() < lift.max() < 0.9 * (car.truth.throat_bore_m - car.truth.bridge_m) * 1e3
    air = car.engine_air_kg_s(car.bands.rpm, car.bands.manifold_pressure_pa)
    assert np.all(np.diff(lift[np.argsort(air)]) > -0.3)  # pulsation may trade a little
    for needle, drop in (
        (car.start_diameters_mm, car.jet_drop_mm),
        (car.ideal_diameters_mm, car.ideal_jet_drop_mm),
    ):
        assert np.all(np.diff(needle) <= 1e-9)
        assert (car.truth.bore_m * 1e3 - needle.max()) / 2 > 0.025
        lam = car.true_lambda(needle, drop)
        assert np.all((lam > 0.8) & (lam < 1.4))
        assert lift.max() + drop + car.truth.jet_length_m * 1e3 < car.stations_mm[-1] + 3.5
    ideal = car.true_lambda(car.ideal_diameters_mm, car.ideal_jet_drop_mm)
    assert ideal == pytest.approx(car.bands.lambda_target, abs=1e-9)
    lean = car.true_lambda(car.start_diameters_mm, car.jet_drop_mm) / car.bands.lambda_target - 1
    assert np.all((lean[driving] > 0.05) & (lean[driving] < 0.30))
    assert abs(lean[0]) < 0.025  # half a flat is some 4 %
    assert np.all(car.start_diameters_mm >= car.ideal_diameters_mm - 1e-9)
    table = car.nominal["diameters_mm"]
    assert np.abs(table - car.start_diameters_mm).max() < 0.010
    assert 600 < car.nominal["displacement_cm3"] < 5000


def test_an_engine_is_the_same_each_time_and_its_own() -> None:
    again, other = draw_engine(3), draw(4)
    assert again.truth == draw(3).truth
    assert again.truth != other.truth
    assert np.array_equal(again.start_diameters_mm, draw(3).start_diameters_mm)
    with pytest.raises(ValueError, match="mounting must be"):
        draw_engine(0, "loose")


@pytest.mark.parametrize("mounting", ["centred", "biased"])
def test_taking_metal_off_never_leans_and_enriches_somewhere(mounting: str) -> None:
    car = draw(7, mounting)
    needle = car.start_diameters_mm
    thinner = needle - 5e-3 * np.eye(needle.size)
    ratio = car.true_lambda(thinner, car.jet_drop_mm) / car.true_lambda(needle, car.jet_drop_mm)
    assert ratio.max() < 1 + 1e-9
    reached = car.stations_mm < car.true_lift().max()
    assert np.all(ratio.min(axis=1)[reached & (car.stations_mm > 3)] < 0.9995)
    lower = car.true_lambda(needle, car.jet_drop_mm + 0.1) / car.true_lambda(needle, car.jet_drop_mm)
    assert np.all(lower < 1)


def test_the_hand_errs_but_never_adds_metal() -> None:
    car, rng = draw(1), np.random.default_rng(5)
    old = car.start_diameters_mm
    asked = old - 0.03
    asked[4] = old[4] + 0.01
    cuts = np.array([car.cut(old, asked, rng) for _ in range(2000)])
    assert np.all(cuts <= old)
    assert np.all(cuts[:, 4] == old[4])
    missed = np.delete(cuts - asked, 4, axis=1)
    assert missed.std() == pytest.approx(2.5e-3, rel=0.05)
    assert abs(missed.mean()) < 1e-4
    assert 0.3 < np.corrcoef(missed[:, 0], missed[:, 1])[0, 1] < 0.7
    grazing = np.array([car.cut(old, old - 1e-3, rng) for _ in range(200)])
    assert np.all(grazing <= old)
    assert (car.mic(np.tile(old, (2000, 1)), rng) - old).std() == pytest.approx(1.5e-3, rel=0.05)
    with pytest.raises(ValueError, match="finite and one per station"):
        car.cut(old, old[:-1], rng)


def test_a_session_reads_the_truth_with_its_offset_and_noise() -> None:
    errors, marks = [], []
    for seed in SEEDS:
        car, rng = draw(seed), np.random.default_rng(seed)
        got = car.measure(car.ideal_diameters_mm, car.ideal_jet_drop_mm, rng)
        errors.append(got["lambda_measured"] - car.bands.lambda_target - car.truth.sensor_offset)
        marks.append(got["lift_mm"] - car.true_lift())
        assert np.all(got["lambda_se"] < got["lambda_spread"])
    spread = np.concatenate(errors).std()
    assert 0.003 < spread < 0.012
    assert np.concatenate(marks).std() == pytest.approx(0.35, abs=0.1)
    blind = draw(0).measure(draw(0).start_diameters_mm, 2.0, np.random.default_rng(1), lift="computed")
    assert np.all(np.isnan(blind["lift_mm"]))
    with pytest.raises(ValueError, match="lift must be"):
        draw(0).measure(draw(0).start_diameters_mm, 2.0, np.random.default_rng(1), lift="guess")


def test_misfire_reads_leaner_and_wanders() -> None:
    car = draw(0)
    limit = car.truth.lean_limit
    mean, wander = car.reading(np.array([limit - 0.05, limit + 0.1]))
    assert mean[0] == pytest.approx(limit - 0.05 + car.truth.sensor_offset)
    assert mean[1] > limit + 0.1 + car.truth.sensor_offset + 0.03
    assert wander[0] == 1
    assert wander[1] > 1.5


@pytest.mark.parametrize("seed", [0, 3, 11])
def test_a_drive_lags_and_is_enriched_on_opening(seed: int) -> None:
    car, rng = draw(seed), np.random.default_rng(seed)
    log = car.drive(car.start_diameters_mm, car.jet_drop_mm, rng, seconds=400.0)
    assert len({v.size for v in log.values()}) == 1
    assert "lift_mm" not in log
    assert np.diff(log["time_s"]) == pytest.approx(0.1)
    lag = log["truth_lag_s"]
    assert lag.min() >= 0.2
    assert lag.max() <= 0.8 + 1e-9
    # A lag shows whole only in slow changes: short spikes pass a first-order sensor with less of it.
    slow = np.hanning(52)[1:-1] / np.hanning(52).sum()
    seen, real = (np.convolve(log[k], slow, "same")[60:-60] for k in ("lambda_measured", "truth_lambda"))
    seen, real, time_s = seen - seen.mean(), real - real.mean(), 0.1 * np.arange(seen.size)
    tries_s = np.arange(0, 1.5, 0.02)
    misses = [np.mean((seen - np.interp(time_s - d, time_s, real))[20:] ** 2) for d in tries_s]
    found_s = tries_s[int(np.argmin(misses))]
    assert found_s == pytest.approx(lag.mean(), abs=0.1)
    # The damper holds the piston below its place when the throttle opens: more suction, richer.
    floats = car.mixture(car.start_diameters_mm, car.jet_drop_mm, *truth_points(car, log))
    opening = np.diff(log["truth_lift_mm"], prepend=0.0) > 0.5
    assert opening.sum() > 20
    assert np.median(log["truth_lambda"][opening] / floats[opening]) < 0.97


def truth_points(car: Engine, log: dict[str, np.ndarray]) -> tuple[np.ndarray, np.ndarray]:
    return log["rpm"], np.minimum(log["manifold_pressure_pa"] - car.truth.map_offset_pa, car.truth.air_pressure_pa - 800)


def test_a_steady_drive_agrees_with_the_bands() -> None:
    car = draw(2)
    held = car.mixture(
        car.start_diameters_mm,
        car.jet_drop_mm,
        car.bands.rpm,
        car.bands.manifold_pressure_pa,
        car.true_lift(),
    )
    assert held == pytest.approx(car.true_lambda(car.start_diameters_mm, car.jet_drop_mm), rel=2e-3)


def test_the_tuner_brings_idle_back() -> None:
    off = []
    for seed in range(12):
        car, rng = draw(seed), np.random.default_rng(seed)
        drop = trim_idle(car, car.start_diameters_mm, car.jet_drop_mm + 3 * car.nominal["flat_mm"], rng)
        off.append(car.true_lambda(car.start_diameters_mm, drop)[0] - car.bands.lambda_target[0])
        turns = (drop - car.jet_drop_mm) / (car.nominal["flat_mm"] / 2)
        assert turns == pytest.approx(round(turns))
    assert np.abs(off).max() < 0.06
    assert np.median(np.abs(off)) < 0.03


def test_the_oracle_reaches_the_target_without_noise() -> None:
    misses = []
    for seed in range(16):
        car = draw(seed)
        asked, drop = oracle_asks(car, car.start_diameters_mm, car.jet_drop_mm)
        assert np.all(asked <= car.start_diameters_mm + 1e-9)
        assert np.all(np.diff(asked) <= 1e-9)
        error = car.true_lambda(asked, drop) - car.bands.lambda_target
        misses.append(np.abs(error[car.bands.driving]).max())
    assert np.mean(np.array(misses) < 0.01) >= 0.75


def test_two_passes_of_the_oracle_beat_two_of_the_area_sum() -> None:
    worst: dict[str, list[float]] = {"oracle": [], "area sum": []}
    richest = []
    for seed in range(8):
        for way, done in worst.items():
            car, rng = draw(seed), np.random.default_rng(seed)
            needle, drop = car.start_diameters_mm, car.jet_drop_mm
            for _ in range(2):
                if way == "oracle":
                    needle = oracle_cut(car, needle, drop, rng)
                else:
                    needle = area_sum_cut(car, needle, drop, car.measure(needle, drop, rng), rng)
                drop = trim_idle(car, needle, drop, rng)
            error = (car.true_lambda(needle, drop) - car.bands.lambda_target)[car.bands.driving]
            done.append(float(np.abs(error).max()))
            if way == "area sum":
                richest.append(error.min())
    assert np.mean(np.array(worst["oracle"]) < 0.05) >= 0.85
    assert np.median(worst["area sum"]) > 2 * np.median(worst["oracle"])
    assert np.median(richest) < -0.03  # the plain area takes too much metal
    car = draw(0)
    blind = car.measure(car.start_diameters_mm, car.jet_drop_mm, rng, lift="computed")
    with pytest.raises(ValueError, match="needs a lift for every band"):
        area_sum_cut(car, car.start_diameters_mm, car.jet_drop_mm, blind, rng)


def test_the_truth_is_quick() -> None:
    car = draw(0)
    times = []
    for _ in range(20):
        began = time.perf_counter()
        car.true_lambda(car.start_diameters_mm, car.jet_drop_mm)
        times.append(time.perf_counter() - began)
    assert min(times) < 5e-3
