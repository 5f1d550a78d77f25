"""Setups, drives and wishes drawn over all that the records admit, and what is wrong with a design made of them."""

from __future__ import annotations

from dataclasses import fields, is_dataclass

import numpy as np

import needlecalc as nc

LOADS = ("idle", "light", "part", "full")
GIVEN = {"learned", "target", "limits"}  # what the design was made from
# Where nothing is cut, served, measured or changed.
NAN_BY_RULE = {
    "u_um",
    "tolerance_um",
    "idle_percent_per_um",
    "multiplier",
    "before",
    "amount",
    "first_stop_share",
    "miss_percent",
}


def any_case(rng: np.random.Generator) -> tuple[nc.Target, nc.Setup, dict]:
    """A target, a setup, and what else solve is asked with; any record may refuse its figures."""
    setup = _any_setup(rng)
    carburettor, count = setup.carburettor, int(rng.integers(1, 14))
    reach = carburettor.needle.stations_mm[-1] - carburettor.jet.drop_mm - carburettor.shoulder_offset_mm
    lift = np.sort(rng.uniform(0.0, max(min(reach, carburettor.air_valve.travel_mm()), 0.1), count))
    load = [str(one) for one in rng.choice(LOADS, count)]
    bands = nc.typed_bands(
        np.sort(rng.uniform(700, 6000, count)),
        rng.normal(rng.uniform(0.85, 1.15), rng.choice([0.0, 0.01, 0.06]), count).clip(0.66, 1.4),
        lift_mm=lift,
        lift_u_mm=float(rng.choice([0.0, 0.3, 3.0])),
        lambda_se=float(rng.choice([0.0, 0.004, 0.05])),
        load=load,
    )
    target = nc.Target(bands, rng.uniform(0.82, 1.05) + rng.normal(0.0, rng.choice([0.0, 0.02]), count))
    limits = nc.Limits(
        new_blank=bool(rng.random() < 0.15),
        max_cut_mm=float(rng.choice([0.3, 0.05, 0.0])),
        least_diameter_mm=float(rng.choice([0.6, 1.9])),
        flats=[None, "half", "whole"][rng.integers(3)],
        keep=tuple(rng.choice(np.arange(1, 3), int(rng.integers(0, 2)), replace=False).tolist()),
    )
    return target, setup, {"limits": limits, "doubts": _any_doubts(rng), "risk": float(rng.choice([0.0, 0.05, 0.5]))}


def _any_setup(rng: np.random.Generator) -> nc.Setup:
    stations = np.arange(int(rng.integers(2, 20))) * rng.uniform(1.0, 4.0)
    bore = rng.uniform(1.6, 4.0)
    falls = np.concatenate([[0.0], rng.uniform(0.0, 0.05, stations.size - 1) * np.diff(stations)])
    if rng.random() < 0.3:  # a short tip, steeper than any taper of the trade
        falls[-2:] *= 10.0
    thickest = bore - rng.choice([0.011, 0.05, 0.1, 0.3])
    diameters = thickest - np.cumsum(falls) * min((thickest - 0.35) / falls.sum(), 1.0)
    low, drop, high = np.sort(rng.uniform(-0.5, 4.0, 3))
    jet = nc.Jet(
        bore_mm=bore,
        drop_mm=drop,
        parallel_length_mm=rng.uniform(0.2, 15.0),
        parallel_length_u_mm=rng.choice([0.0, 1.0, 3.0, 5.0]),
        **({"drop_min_mm": low, "drop_max_mm": high} if rng.random() < 0.6 else {}),
        mounting=str(rng.choice(["centred", "biased"])),
        bore_least_mm=bore * rng.uniform(0.97, 1.0) if rng.random() < 0.2 else None,
    )
    valve = nc.AirValve(
        throat_bore_mm=rng.uniform(25.0, 55.0),
        disc_diameter_mm=rng.uniform(40.0, 90.0),
        piston_mass_kg=rng.uniform(0.05, 0.8),
        spring_preload_n=rng.uniform(0.0, 6.0),
        spring_rate_n_mm=rng.uniform(0.0, 0.1),
    )
    needle = nc.Needle("any", stations, diameters)
    carburettor = nc.Carburettor(needle, jet, valve, float_level_mm=rng.uniform(-5.0, 25.0))
    fuel = nc.Fuel(ethanol_percent=rng.uniform(0.0, 20.0), temperature_degc=rng.uniform(-10.0, 50.0))
    return nc.Setup(nc.Engine(rng.uniform(400.0, 4000.0), 4), carburettor, fuel=fuel)


def _any_doubts(rng: np.random.Generator) -> nc.Doubts:
    if rng.random() < 0.4:
        return nc.Doubts()
    most = {"lean_limit": 1.15, "lift_zero_mm": 2.0, "viscosity": 0.5, "eccentricity": 1.0, "flow_gain": 0.5}
    most |= {"sensor_gain": 0.5, "fuel_temperature_k": 30.0}
    names = [item.name for item in fields(nc.Doubts) if item.name not in ("flow_shape", "lift")]
    shares = rng.choice([0.0, 0.2, 1.0], len(names))
    tops = [most.get(name, 0.05 if name.endswith("_mm") else 0.1) for name in names]
    drawn = {name: top * share for name, top, share in zip(names, tops, shares, strict=True)}
    return nc.Doubts(**{**drawn, "lean_limit": float(rng.choice([1.0, 1.15, 1.5]))})


def not_finite(found: object, name: str = "design") -> list[str]:
    """Figures of a record, and of the records in it, that are neither numbers nor missing by the rule of their field."""
    if is_dataclass(found):
        out = []
        for item in fields(found):
            if item.name not in NAN_BY_RULE and item.name not in (
                "setup",
                "history",
                "bands",
                "target",
                "learned",
                "limits",
            ):
                out += not_finite(getattr(found, item.name), f"{name}.{item.name}")
        return out
    if isinstance(found, tuple | list):
        return [words for k, one in enumerate(found) for words in not_finite(one, f"{name}[{k}]")]
    if isinstance(found, np.ndarray) and found.dtype.kind == "f":
        return [] if np.isfinite(found).all() else [f"{name} {found}"]
    return [f"{name} {found}"] if isinstance(found, float) and not np.isfinite(found) else []


def broken(design: nc.Design) -> list[str]:
    """Limits that a design does not keep, in a word each."""
    limits, jet = design.limits, design.setup.carburettor.jet
    present, asked, stop = (one.diameters_mm for one in (design.present(), design.final.needle, design.stop.needle))
    slack, out = 1e-6, []
    chances = (design.final.chance_rich, design.stop.chance_rich)
    low, high = jet.drop_range_mm()
    steepest = np.maximum(limits.steepest * np.diff(design.final.needle.stations_mm), -np.diff(present))
    kept = [number - 1 for number in limits.keep]
    for rule, keeps in {
        "jet in its range": low - slack <= design.drop_mm <= high + slack,
        "taper does not reverse": (np.diff(asked) <= slack).all() and (np.diff(stop) <= slack).all(),
        "chances": 0.0 <= min(chances) <= max(chances) <= 1.0,
        "interval": (design.final.low <= design.final.high).all(),
    }.items():
        out += [] if keeps else [rule]
    if limits.new_blank:
        return out
    for rule, keeps in {
        "no metal added": (asked <= present + slack).all() and (stop <= present + slack).all(),
        "stop before target": (stop >= asked - slack).all(),
        "largest cut": (present - asked <= limits.max_cut_mm + slack).all(),
        "least diameter": (asked >= np.minimum(present, limits.least_diameter_mm) - slack).all(),
        "steepest taper": (-np.diff(asked) <= steepest + slack).all(),
        "kept stations": np.abs(asked - present)[kept].max(initial=0.0) <= slack,
    }.items():
        out += [] if keeps else [rule]
    return out
