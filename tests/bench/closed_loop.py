"""Closed loop: 200 virtual engines, cut, trimmed and measured again, by three ways of deciding the cut.

Run: python tests/bench/closed_loop.py [engines] [passes]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from virtual_engine import area_sum_cut, draw_engine, oracle_cut, trim_idle

import needlecalc as nc


def setup_of(engine) -> nc.Setup:
    """What the owner knows of his car, as records."""
    n = engine.nominal
    valve = nc.AirValve(
        throat_bore_mm=n["throat_bore_mm"],
        bridge_mm=n["bridge_mm"],
        disc_diameter_mm=n["disc_diameter_mm"],
        piston_mass_kg=n["piston_mass_kg"],
        spring_preload_n=n["spring_preload_n"],
        spring_rate_n_mm=n["spring_rate_n_mm"],
    )
    jet = nc.Jet(
        bore_mm=n["bore_mm"],
        drop_mm=n["jet_drop_mm"],
        parallel_length_mm=n["jet_length_mm"],
        parallel_length_u_mm=n["jet_length_u_mm"],
        drop_min_mm=n["drop_min_mm"],
        drop_max_mm=n["drop_max_mm"],
        flat_mm=n["flat_mm"],
        mounting=n["mounting"],
    )
    needle = nc.Needle("start", n["stations_mm"], n["diameters_mm"])
    carburettor = nc.Carburettor(needle, jet, valve, float_level_mm=n["float_level_mm"])
    air = nc.Air(pressure_pa=n["air_pressure_pa"], temperature_degc=n["air_temperature_degc"], humidity=n["air_humidity"])
    filling = nc.VolumetricEfficiency(
        n["volumetric_efficiency_rpm"],
        n["volumetric_efficiency_manifold_pressure_pa"],
        n["volumetric_efficiency"],
        reference="manifold",
    )
    motor = nc.Engine(n["displacement_cm3"], n["cylinders"], n["carburettors"], volumetric_efficiency=filling)
    return nc.Setup(motor, carburettor, nc.Fuel(ethanol_percent=n["ethanol_percent"]), air)


def bands_of(setup, m):
    """A session's band means, with lift as read by the marker or else computed."""
    marker = m["lift_mm"] if np.isfinite(m["lift_mm"]).all() else None
    typed = nc.typed_bands(
        m["rpm"],
        m["lambda_measured"],
        load=m["load"],
        lambda_se=m["lambda_se"],
        manifold_pressure_pa=m["manifold_pressure_pa"],
    )
    typed = replace(typed, lambda_spread=m["lambda_spread"], count=m["count"])
    # More air than the throat passes says that the filling was guessed too high: the owner guesses lower.
    for lower in 0.97 ** np.arange(12):
        filling = replace(
            setup.engine.volumetric_efficiency, efficiency=lower * setup.engine.volumetric_efficiency.efficiency
        )
        guessed = replace(setup, engine=replace(setup.engine, volumetric_efficiency=filling))
        try:
            return nc.with_lift(typed, guessed, lift_mm=marker, lift_u_mm=0.3, combine=marker is not None)
        except nc.InputError as error:
            if "more than the throat passes" not in str(error):
                raise
    msg = "no guess of the filling fits the throat"
    raise ValueError(msg)


def measured_needle(old, readings):
    return nc.Needle("measured", old.stations_mm, np.minimum.accumulate(np.minimum(readings, old.diameters_mm)))


def library(engine, lift, passes, log=None):
    """True lambda of every band after each pass."""
    rng = np.random.default_rng([engine.seed, 1])
    true, drop = np.array(engine.start_diameters_mm), engine.jet_drop_mm
    setup = setup_of(engine)
    needle = setup.carburettor.needle
    history, out = None, []
    for _ in range(passes):
        m = engine.measure(true, drop, rng, lift=lift)
        bands = bands_of(setup, m)
        history = nc.History((nc.Pass(needle, drop, bands),)) if history is None else history.then(needle, drop, bands)
        learned = nc.learn(history, setup)
        target = nc.Target(bands, engine.bands.lambda_target, ("ideal",) * bands.rpm.size)
        design = nc.solve(target, setup, learned=learned)
        asked = design.first_stop.diameters_mm
        cut = asked < needle.diameters_mm
        true = np.where(cut, engine.cut(true, np.where(cut, asked, true), rng), true)
        if cut.any():
            needle = measured_needle(needle, engine.mic(true, rng))
        start = float(
            np.clip(
                round((design.drop_mm - drop) * 2 / engine.nominal["flat_mm"]) * engine.nominal["flat_mm"] / 2 + drop,
                engine.nominal["drop_min_mm"],
                engine.nominal["drop_max_mm"],
            )
        )
        drop = trim_idle(engine, true, start, rng)
        out.append(engine.true_lambda(true, drop))
        if log is not None:
            log.append((design, true, drop, out[-1]))
    return out


def oracle(engine, passes):
    rng = np.random.default_rng([engine.seed, 2])
    true, drop, out = np.array(engine.start_diameters_mm), engine.jet_drop_mm, []
    for _ in range(passes):
        true = oracle_cut(engine, true, drop, rng)
        drop = trim_idle(engine, true, drop, rng)
        out.append(engine.true_lambda(true, drop))
    return out


def area_sum(engine, lift, passes):
    rng = np.random.default_rng([engine.seed, 3])
    true, drop, out = np.array(engine.start_diameters_mm), engine.jet_drop_mm, []
    setup = setup_of(engine)
    for _ in range(passes):
        m = engine.measure(true, drop, rng, lift=lift)
        if lift == "computed":
            m["lift_mm"] = np.array(bands_of(setup, m).lift_mm)
        true = area_sum_cut(engine, true, drop, m, rng)
        drop = trim_idle(engine, true, drop, rng)
        out.append(engine.true_lambda(true, drop))
    return out


def judge(engines, runs, passes):
    rows = []
    for number in range(passes):
        miss = [run[number] - e.bands.lambda_target for e, run in zip(engines, runs, strict=True)]
        driving = [m[e.bands.driving] for e, m in zip(engines, miss, strict=True)]
        rows.append(
            (
                np.mean([np.abs(d).max() <= 0.05 for d in driving]),
                np.mean([m.min() < -0.05 for m in miss]),
                np.median([np.sqrt(np.mean(d**2)) for d in driving]),
                np.mean([abs(m[0]) <= 0.02 for m in miss]),
            )
        )
    return rows


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    passes = int(sys.argv[2]) if len(sys.argv) > 2 else 2
    t0 = time.time()
    engines = [draw_engine(seed, "centred" if seed % 2 else "biased") for seed in range(count)]
    print(f"drawn {time.time() - t0:.0f} s")
    ways = {}
    for name, call in (
        ("oracle", lambda e: oracle(e, passes)),
        ("library, marker", lambda e: library(e, "marker", passes)),
        ("library, computed", lambda e: library(e, "computed", passes)),
        ("area sum, marker", lambda e: area_sum(e, "marker", passes)),
        ("area sum, computed", lambda e: area_sum(e, "computed", passes)),
    ):
        t0 = time.time()
        rows = judge(engines, [call(e) for e in engines], passes)
        for k, row in enumerate(rows):
            print(f"{name:20s} pass {k + 1}: within .05 {row[0]:.3f} rich {row[1]:.3f} rms {row[2]:.4f} idle {row[3]:.3f}")
        print(f"   {time.time() - t0:.0f} s")
