"""A right call of every public name, and values of other kinds to put in the place of each argument."""

from __future__ import annotations

import inspect
import json
from collections.abc import Iterator
from datetime import date
from pathlib import Path
from typing import Any

import numpy as np
from conftest import DATA, DIAMETERS_MM, STATIONS_MM, asked, make_setup
from synthetic_drive import synthetic_drive

import needlecalc as nc
from needlecalc.report.sheet import facts_of

WRONG: dict[str, Any] = {
    "nothing": None,
    "text": "abc",
    "empty": "",
    "a figure typed as text": "2.5",
    "bytes": b"abc",
    "a truth value": True,
    "a whole number": 3,
    "a negative one": -7,
    "a fraction": 0.37,
    "nan": float("nan"),
    "infinity": float("inf"),
    "huge": 1e300,
    "thousands of digits": 10**5000,
    "complex": 1j,
    "no row": [],
    "a row": [2.0, 1.0],
    "a mixed row": [1, "a", None],
    "a ragged row": [[1.0], [2.0, 3.0]],
    "rows of rows": [[[1.0]]],
    "a table": {"a": 1},
    "a table of no text": {3: object()},
    "a set": {1, 2},
    "a date": date(2024, 2, 30 - 1),
    "an object": object(),
    "a class": nc.Needle,
    "a function": nc.solve,
    "an array of texts": np.array(["a", "b"]),
    "a scalar array": np.array(2.5),
    "a long array": np.ones(1000),
    "a needle": nc.Needle("other", [0.0, 3.0], [2.4, 2.3]),
    "an engine": nc.Engine(1500.0, 4),
    "a jet": nc.Jet(2.54, 1.6),
    "a control character": "a\x1b[31m\n\x00",
    "long": "x" * 5000,
}


def right_calls(folder: Path) -> dict[str, dict[str, Any]]:
    """Arguments by name for each public name that a user calls; records that only the package makes are left out."""
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    needle, valve = setup.carburettor.needle, setup.carburettor.air_valve
    target = asked(setup, [3.0, 8.0, 14.0, 20.0], [1.02, 1.03, 1.04, 1.05], 0.97)
    bands = target.bands
    from_air = nc.typed_bands(
        [900.0, 2000.0, 3000.0], [1.0, 1.0, 1.0], load=["idle", "full", "full"], manifold_pressure_pa=[4e4, 9e4, 9e4]
    )
    learned, design = nc.learn(bands, setup), nc.solve(target, setup, with_alternatives=False)
    log, _ = synthetic_drive(1, seconds=60.0)
    swept = folder / "swept.csv"
    swept.write_text(swept_log())
    first = nc.Pass(needle, 1.6, bands)
    idling = nc.Pass(needle, 1.6, bands.having(load=("idle", "full", "full", "full")))
    gas = nc.checks.GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.98)
    history = folder / "passes.json"
    nc.History((first,)).save(history)
    table, readings = folder / "needle.csv", folder / "readings.csv"
    rows = list(enumerate(zip(needle.stations_mm, needle.diameters_mm, strict=True), start=1))
    table.write_text("station,distance_mm,diameter_mm\n" + "".join(f"{k},{z},{d}\n" for k, (z, d) in rows))
    readings.write_text("station,measured_mm\n" + "".join(f"{k},{d}\n" for k, (_, d) in rows))
    wish = {"bands": from_air, "setup": setup}
    both = {"bands": bands, "setup": setup}
    moved = {"moved": nc.typed_bands(bands.rpm, bands.lambda_measured * 0.97, lift_mm=bands.lift_mm), **both, "flats": 2.0}
    cut = {"needle": needle, "diameters_mm": needle.diameters_mm - 0.01}
    read = {"design": design, "readings_mm": needle.diameters_mm}
    parts = {"needle": needle, "jet": setup.carburettor.jet, "air_valve": valve}
    hold = {
        "rpm": [900.0],
        "lambda_measured": [1.0],
        "lift_mm": [3.0],
        "lift_u_mm": 0.3,
        "load": ["idle"],
        "lambda_se": 0.01,
    }
    flow = {"air_flow_g_s": [5.0], "manifold_pressure_pa": [4e4]}
    return {
        "Needle": {"name": "n", "stations_mm": [0.0, 3.0], "diameters_mm": [2.4, 2.3], "source": "s", "interpolated": ()},
        "read_needles": {"path": table, "unit": "mm", "pitch_mm": 3.0, "first_station_mm": 0.0, "fill_blanks": False},
        "read_needle": {"path": table, "name": "n", "pitch_mm": 3.0, "first_station_mm": 0.0, "fill_blanks": False},
        "measured_needle": {"present": needle, "readings_mm": needle.diameters_mm, "name": "n", "filed": None},
        "read_readings": {"path": readings, "present": needle},
        "Jet": {"bore_mm": 2.54, "drop_mm": 1.6, "drop_min_mm": 0.8, "drop_max_mm": 2.5, "mounting": "centred"},
        "SlideValve": {"throat_bore_mm": 30.0, "max_lift_mm": 25.0, "usual_depression_pa": 2000.0},
        "AirValve": vars(valve).copy(),
        "Carburettor": {**parts, "shoulder_offset_mm": 0.0, "float_level_mm": 6.0, "float_ahead_mm": 70.0},
        "Engine": {"displacement_cm3": 1500.0, "cylinders": 4, "carburettors": 1, "volumetric_efficiency": 0.85},
        "VolumetricEfficiency": {
            "rpm": [1e3, 4e3],
            "manifold_pressure_pa": [4e4, 9e4],
            "efficiency": [[0.8, 0.8], [0.8, 0.8]],
            "reference": "manifold",
        },
        "Air": {"pressure_pa": 1e5, "temperature_degc": 15.0, "humidity": 0.5, "altitude_m": 100.0},
        "Fuel": {"ethanol_percent": 5.0, "temperature_degc": 20.0},
        "Setup": {"engine": setup.engine, "carburettor": setup.carburettor, "fuel": nc.Fuel(), "air": nc.Air(), "name": "j"},
        "fuel_flow": {"setup": setup, "lift_mm": [3.0, 9.0], "diameters_mm": None, "drop_mm": None, "depression_pa": None},
        "read_log": {"source": swept, "columns": {"time": "time_s"}, "units": {"time": "s"}, "decimal": "."},
        "find_lag": {"log": log, "lag_s": 0.4},
        "make_bands": {"log": log, "rpm_edges": (500.0, 1500.0, 5000.0), "loads_pa": {"all": (1e4, 1.2e5)}, "lag_s": 0.4},
        "typed_bands": {**hold, **flow},
        "LiftDoubts": {"throat_u": 0.05},
        "lift_change": {"before": setup, "after": setup},
        "restate_lift": {"lift_mm": [3.0], "before": setup, "after": setup},
        "with_lift": {**wish, "lift_mm": None, "lift_u_mm": 0.3, "depression_pa": None, "calibrate": True, "doubts": None},
        "normalise_bands": {
            "bands": bands.having(setup=setup),
            "air": nc.Air(9e4),
            "fuel": None,
        },
        "merge_bands": {
            "first": bands.having(setup=setup),
            "second": bands.having(setup=setup),
        },
        "lean_limit": {"log": nc.read_log(swept), "load": "full", "rpm": 2000.0, "start_s": 0.0, "end_s": 80.0},
        "typed_sweep": {"lambda_measured": [1.0, 1.1, 1.2], "rough": [False, False, True], "load": "full", "rpm": 2000.0},
        "LeanLimits": {
            "load": ("full",),
            "rpm": [2e3],
            "lambda_limit": [1.1],
            "lambda_rough": [1.2],
            "source": ("typed in",),
        },
        "sensor_zero": {"gases": [gas], "before_u": 0.01},
        "SensorZero": {"mean": 0.0, "u": 0.01, "readings": 1, "left_out": ()},
        "GasReading": vars(gas).copy(),
        "Ignition": {"lead_kohm": [9.0], "plug_kohm": [5.0], "rotor_kohm": 1.0, "gap_mm": [0.7], "coil": "standard"},
        "Mechanical": {"coolant_degc": 85.0, "compression_kpa": [1e3], "choke_off": True},
        "Sensor": {"free_air_o2_percent": 20.9, "place": "downpipe"},
        "Twins": {"air": [1.0, 1.1], "lambda_each": [1.0, 1.0], "flats": [0.0, 0.0]},
        "NeedleReading": {"needle": needle, "diameters_mm": needle.diameters_mm, "second_mm": None},
        "CheckLimits": {"lead_kohm": (20.0, 30.0)},
        "leak_sign": wish,
        "check_engine": {
            **both,
            "gases": [gas],
            "sensor": nc.checks.Sensor(),
            "twins": None,
            "limits": nc.checks.CheckLimits(),
        },
        "compare": {"setup": setup, "first": needle, "second": needle, "bands": bands},
        "predict_lambda": {"setup": setup, "bands": bands, "needle": needle, "drop_mm": 1.6, "air_valve": valve},
        "metering": {"setup": setup, "lift_mm": [3.0, 9.0], "depression_pa": None},
        "make_target": {"bands": bands, "lambda_by_load": {"full": 0.9}, "lean_limits": None, "idle_co_percent": 1.2},
        "Target": {"bands": bands, "lambda_target": [0.9] * 4, "weight": [1.0] * 4},
        "Paper": {"size": "letter", "unit": "inch", "decimal": "comma"},
        "Limits": {"new_blank": False, "max_cut_mm": 0.2, "keep": (1,), "never_below_mm": {2: 1.0}, "flats": "half"},
        "own_cut": {**cut, "blend": False},
        "both_banks": {"left": bands, "right": bands, "names": ("left", "right")},
        "Doubts": {"repeatability": 0.004, "lean_limit": 1.15},
        "Pass": {"needle": needle, "drop_mm": 1.6, "bands": bands, "log_sha256": "", "air": nc.Air(), "fuel": nc.Fuel()},
        "History": {"passes": (first,)},
        "read_history": {"path": history},
        "learn": {"history": bands, "setup": setup, "doubts": nc.Doubts()},
        "jet_shift": moved,
        "with_jet_drive": moved,
        "TrimReading": {"flats": 2.0, "lambda_before": 0.98, "lambda_after": 0.9, "lambda_se": 0.005, "turned_back": True},
        "with_trims": {"history": nc.History((idling,)), "trims": [nc.design.TrimReading(2, 0.98, 0.93)], "setup": setup},
        "solve": {
            "target": target,
            "setup": setup,
            "limits": nc.Limits(),
            "learned": learned,
            "risk": 0.05,
            "with_alternatives": False,
        },
        "measure_next": {"design": design},
        "judge_cut": {**read, "file_down": False},
        "rescue": read,
        "compare_pass": {"before": design, "bands": bands, "needle": needle, "drop_mm": 1.4},
        "at_altitude": {
            "setup": setup,
            "bands": bands,
            "fitted": design,
            "air": {"up": 1500.0},
            "home": 0.0,
            "drop_mm": None,
        },
        "AtHand": {"jet_bores_mm": (2.5,), "shims_mm": (2.0,), "groove_mm": 0.9, "groove": 2, "grooves": 4},
        "try_changes": {"design": design, "at_hand": nc.AtHand(holder_mm=(0.2,)), "places": {"up": 1500.0}, "home": 0.0},
        "Notes": {"complaint": "stalls", "found": "lean", "done": "filed", "limits": {"hc_ppm": "1200"}},
        "Handover": {
            "design": design,
            "notes": nc.report.Notes(),
            "outlook": None,
            "gas": nc.checks.GasReading(co_percent=1.0),
            "co_limit_percent": 3.5,
            "lambda_least": None,
            "paper": nc.Paper(),
        },
        "AltitudeCard": {
            "outlook": nc.at_altitude(setup, bands, design, 1500.0),
            "route": None,
            "slope_percent": 10.0,
            "paper": nc.Paper(),
        },
        "rank": {"needles": [needle], "target": target, "learned": learned, "intervals": 3},
        "grind_sheet": {
            "design": design,
            "anvil_width_mm": 6.0,
            "face_on_mark": "centre",
            "acknowledged": "",
            "jet_drive": None,
        },
        "plot": {"record": design, "part": "lambda"},
        "read_job": {"path": DATA / "pass_van.toml"},
        "read_route": {"path": DATA / "pass_road.csv"},
        "Route": {"distance_km": np.array([0.0, 2.0]), "height_m": np.array([600.0, 700.0])},
        "compare_page": {"found": nc.compare(setup, needle, needle, bands=bands), "paper": nc.Paper()},
        "profile_drawing": {"needle": needle, "length_scale": 2.0, "radius_scale": 20.0, "paper": nc.Paper()},
        "needle_dxf": {"needle": needle},
        "read_design": stored_design(folder),
    }


def stored_design(folder: Path) -> dict[str, Any]:
    """A design of a typed job, stored, and what it is read back with."""
    job = folder / "job.toml"
    table = zip(("station", *range(1, 14)), ("distance_mm", *STATIONS_MM), ("diameter_mm", *DIAMETERS_MM), strict=True)
    (folder / "needle.csv").write_text("".join(f"{k},{place},{d}\n" for k, place, d in table))
    job.write_text(
        '[needle]\nfile = "needle.csv"\n[jet]\nbore_mm = 2.54\n[bands]\nrpm = [900, 3000]\nlambda_measured = [0.95, 1.0]\n'
        'load = ["idle", "full"]\n[lift]\nlift_mm = [3.0, 16.0]\n'
    )
    made = nc.read_job(job)
    bands = made.bands(None)
    (folder / "design.json").write_text(json.dumps(facts_of(made.sheet(made.design(bands)))))
    return {"path": folder / "design.json", "job": made, "bands": bands}


def swept_log() -> str:
    """A log of eight steps of 10 s at one speed, each leaner by 0.04 than the one before; the last three run rough."""
    rng = np.random.default_rng(3)
    lines = ["time_s,engine_rpm,lambda,manifold_kpa"]
    for row in range(800):
        step = row // 100
        rpm = 2000.0 + (4.0 if step < 5 else 40.0) * rng.standard_normal()
        ratio, kpa = 0.95 + 0.04 * step + 0.002 * rng.standard_normal(), 60.0 + rng.standard_normal()
        lines.append(f"{row / 10:.1f},{rpm:.0f},{ratio:.3f},{kpa:.1f}")
    return "\n".join(lines) + "\n"


# Every public name that is held to its annotations, in whatever space it stands.
SPACES = (nc, nc.parts, nc.measure, nc.checks, nc.design, nc.report)
NAMES = {name: getattr(space, name) for space in SPACES for name in space.__all__}
# What takes long, for a bench rather than a test.
SLOW = ("solve", "judge_cut", "rescue", "rank", "at_altitude", "with_lift", "compare_pass", "check_engine")
# Records that the package makes and a user only reads, and the sheet that is slow to draw.
NOT_CALLED = (
    "Log", "Lag", "Bands", "Normalisation", "Check", "Checks", "LeakSign", "Comparison", "Metering",
    "Alternative", "Learned", "JetShift", "Design", "NextStep", "NextSteps", "Progress", "Rescue",
    "Outcome", "AltitudeOutlook", "NeedleTables", "RankedNeedle", "Ranking", "Changes", "Budget", "GrindSheet",
    "Job", "write_pdf", "FlowParameters", "fuel_flow_and_slopes",
)  # fmt: skip


def arguments(name: str) -> Iterator[str]:
    """Arguments of a public name."""
    for key, one in inspect.signature(NAMES[name]).parameters.items():
        if one.kind is not inspect.Parameter.VAR_POSITIONAL:
            yield key
