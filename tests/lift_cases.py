"""Cases for the ways to the lift: an invented engine, and what the owner of a virtual engine knows of it."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import replace

import numpy as np
from conftest import make_setup
from virtual_engine import Engine

import needlecalc as nc

RPM = np.array([850.0, 1500.0, 2000.0, 2500.0, 3000.0, 3500.0, 2000.0, 3000.0, 4000.0])
KPA = np.array([38.0, 36.0, 40.0, 45.0, 50.0, 55.0, 96.0, 95.0, 94.0])
LOAD = ("idle", *("light",) * 5, *("full",) * 3)


def case_setup() -> nc.Setup:
    """An engine so small for its carburettor that the throat's end tells nothing of its air."""
    setup = make_setup()
    return replace(setup, engine=replace(setup.engine, displacement_cm3=650.0))


def made_bands(**more) -> nc.Bands:
    bands = nc.typed_bands(RPM, np.ones(RPM.size), load=LOAD)
    return replace(bands, **{"manifold_pressure_pa": 1e3 * KPA, **more})


def with_valve(setup: nc.Setup, **changed) -> nc.Setup:
    carburettor = setup.carburettor
    return replace(setup, carburettor=replace(carburettor, air_valve=replace(carburettor.air_valve, **changed)))


def scaled_lift(setup: nc.Setup, bands: nc.Bands, scale: float) -> np.ndarray:
    """Lifts where the engine draws so much more than its owner believes."""
    flow = setup.engine.air_flow_g_s(bands.rpm, bands.manifold_pressure_pa, setup.air) * np.exp(scale)
    return setup.carburettor.air_valve.lift_mm(flow / setup.engine.carburettors, setup.air)


def throttle_of(rpm: np.ndarray, pressure_pa: np.ndarray, outside_pa: float, efficiency: float) -> np.ndarray:
    """Throttle in per cent that holds a manifold pressure: a thin plate shut at 5 degrees in a round pipe.

    Isentropic nozzle, choked below 0.528 (Heywood 1988, appendix C, from memory); the plate uncovers
    1 - cos(angle)/cos(5 degrees) of the pipe, which passes 1.3 times the air of 4000 rpm.
    """
    ratio = pressure_pa / outside_pa
    inside = np.maximum(ratio, (2.0 / 2.4) ** 3.5)
    passed = np.sqrt(inside ** (2.0 / 1.4) - inside ** (2.4 / 1.4))
    share = efficiency * rpm * ratio / passed
    share = share / (1.3 * share.max())
    angle = np.degrees(np.arccos((1.0 - share) * np.cos(np.radians(5.0))))
    return np.asarray(100.0 * (angle - 5.0) / 85.0)


def owner_setup(engine: Engine) -> nc.Setup:
    """Setup from the nominal figures; level and shape doubts are those the engine's errors are drawn with."""
    known = engine.nominal
    filling = nc.VolumetricEfficiency(
        known["volumetric_efficiency_rpm"],
        known["volumetric_efficiency_manifold_pressure_pa"],
        known["volumetric_efficiency"],
    )
    valve = nc.AirValve(
        throat_bore_mm=known["throat_bore_mm"],
        disc_diameter_mm=known["disc_diameter_mm"],
        piston_mass_kg=known["piston_mass_kg"],
        spring_preload_n=known["spring_preload_n"],
        spring_rate_n_mm=known["spring_rate_n_mm"],
        bridge_mm=known["bridge_mm"],
        max_lift_mm=0.98 * (known["throat_bore_mm"] - known["bridge_mm"]),
    )
    carburettor = nc.Carburettor(
        nc.Needle("stock", known["stations_mm"], known["diameters_mm"]),
        nc.Jet(bore_mm=known["bore_mm"], drop_mm=known["jet_drop_mm"]),
        valve,
    )
    air = nc.Air(known["air_pressure_pa"], known["air_temperature_degc"], known["air_humidity"])
    built = nc.Engine(
        known["displacement_cm3"],
        known["cylinders"],
        known["carburettors"],
        volumetric_efficiency=filling,
        volumetric_efficiency_u=0.07,
    )
    return nc.Setup(built, carburettor, air=air)


def butterfly_of(engine: Engine, bands: nc.Bands, rng: np.random.Generator) -> np.ndarray:
    """Throttle of each hold by its sensor, 0.3 % k=1."""
    pressure = bands.manifold_pressure_pa - engine.truth.map_offset_pa
    air = engine.engine_air_kg_s(bands.rpm, pressure)
    filling = air / (bands.rpm * pressure)
    throttle = throttle_of(bands.rpm, pressure, engine.truth.air_pressure_pa, filling / filling.mean())
    return np.clip(throttle + rng.normal(0, 0.3, throttle.size), 0.0, 100.0)


def measured_ways(engine: Engine, rng: np.random.Generator) -> Iterator[tuple[str, nc.Bands, np.ndarray, np.ndarray]]:
    """Name of a way, bands with its lifts, true lifts, and which bands are to be judged."""
    setup = owner_setup(engine)
    bands, marks, truth = session(engine, rng)
    every = np.ones(truth.size, dtype=bool)
    level = engine.nominal["volumetric_efficiency_constant"]
    number = replace(setup, engine=replace(setup.engine, volumetric_efficiency=level))
    yield "table", nc.with_lift(bands, setup), truth, every
    yield "number", nc.with_lift(bands, number), truth, every
    air = 1e3 * engine.engine_air_kg_s(bands.rpm, bands.manifold_pressure_pa - engine.truth.map_offset_pa)
    air = air * np.exp(rng.normal(0, 0.03)) * (1 + rng.normal(0, 0.01, truth.size))
    yield "meter", nc.with_lift(replace(bands, air_flow_g_s=air), setup), truth, every
    unread = ~np.isin(np.arange(truth.size), (1, truth.size // 2, truth.size - 2))
    yield "three marks", nc.with_lift(bands, setup, lift_mm=np.where(unread, np.nan, marks)), truth, unread
    yield "marks", nc.with_lift(bands, setup, lift_mm=marks, lift_u_mm=0.3), truth, every
    yield "combined", nc.with_lift(bands, setup, lift_mm=marks, combine=True), truth, every
    blind = replace(
        bands, manifold_pressure_pa=np.full(truth.size, np.nan), throttle_percent=butterfly_of(engine, bands, rng)
    )
    unread = np.isin(np.arange(truth.size), rng.choice(np.arange(1, truth.size - 1), 3, replace=False))
    yield "throttle", nc.with_lift(blind, setup, lift_mm=np.where(unread, np.nan, marks)), truth, unread


def session(engine: Engine, rng: np.random.Generator) -> tuple[nc.Bands, np.ndarray, np.ndarray]:
    """Bands of steady holds without lifts, marker readings, and true lifts."""
    # The engine's own session draws speeds and pressures; the judge asks for the truth at those.
    size = engine.bands.rpm.size
    rpm = engine.bands.rpm * (1 + rng.normal(0, 0.012, size))
    manifold = np.minimum(engine.bands.manifold_pressure_pa + rng.normal(0, 500.0, size), engine.truth.air_pressure_pa - 800)
    truth = engine.floating_lift_mm(rpm, manifold)
    bands = nc.typed_bands(rpm, np.ones(size), load=engine.bands.load)
    bands = replace(bands, manifold_pressure_pa=manifold + engine.truth.map_offset_pa)
    return bands, np.maximum(truth + rng.normal(0, 0.3, size), 0.0), truth
