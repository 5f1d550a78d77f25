"""Closed loop on cars nobody told the library about: the second population, told only what a newcomer would write.

Run: python tests/bench/newcomer.py [engines] [first seed]; 200 engines, all rows, take some 25 minutes on two cores.

Each car is measured, designed for, cut to the stop, trimmed at the nut by half flats, and measured again, three times.
The nut takes away as much of what idle misses as the sheet says; oracle and area sum take away all that the day shows;
fuel temperature and float level differ from day to day, and a car is judged by its usual day.
"Within" counts cars whose driving bands all end within 0.05 of target, "rich" those with any band, idle too, richer by
more than 0.05, "hold" the bands inside the 90 % interval stated for the stop, on its usual day and on another one, as the
interval is meant.  The oracle knows the car and cuts with the same hand.  "Refused" are cars that the library would not
design for in any pass.  At the first drive are counted: cars with a check amber or red, and those told that filing alone
cannot bring every band inside what is permitted, which the oracle's ideal needle can on each.
"""

from __future__ import annotations

import os
import sys
from collections import Counter
from concurrent.futures import ProcessPoolExecutor
from functools import partial
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # each car has a core of its own

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from other_engine import draw_other
from virtual_drive import area_sum_cut, oracle_cut, trim_idle

import needlecalc as nc

CUTS = 3
OTHER_DAYS = 4  # of a car after each cut
NEAR = 0.05
JET_FLATS = 3.0  # of the drive before the first cut


def setup_of(engine):
    """What a newcomer writes: parts as their tables state them."""
    n = engine.nominal
    valve = nc.AirValve(
        throat_bore_mm=n["throat_bore_mm"],
        disc_diameter_mm=n["disc_diameter_mm"],
        piston_mass_kg=n["piston_mass_kg"],
        spring_preload_n=n["spring_preload_n"],
        spring_rate_n_mm=n["spring_rate_n_mm"],
    )
    jet = nc.Jet(
        bore_mm=n["bore_mm"],
        drop_mm=engine.jet_drop_mm,
        drop_min_mm=n["drop_min_mm"],
        drop_max_mm=n["drop_max_mm"],
        flat_mm=n["flat_mm"],
        mounting=n["mounting"],
    )
    carburettor = nc.Carburettor(nc.Needle("start", n["stations_mm"], n["diameters_mm"]), jet, valve)
    motor = nc.Engine(n["displacement_cm3"], n["cylinders"], n["carburettors"])
    air = nc.Air(pressure_pa=n["pressure_pa"], temperature_degc=n["temperature_degc"])
    return nc.Setup(motor, carburettor, nc.Fuel(ethanol_percent=5.0), air)


def bands_of(setup, read, *, lifts=True):
    """Band means of a drive, lifts as the marker read them or else computed; none where a jet drive lends them."""
    marker = read["lift_mm"] if np.isfinite(read["lift_mm"]).all() else None
    typed = nc.typed_bands(
        read["rpm"],
        read["lambda_measured"],
        load=read["load"],
        lambda_se=read["lambda_se"],
        manifold_pressure_pa=read["manifold_pressure_pa"],
        lift_mm=marker if lifts else None,
    )
    return nc.with_lift(typed, setup) if lifts and marker is None else typed


def library(engine, lift, jet_drive=False):
    """Each cut: true lambda, on other days too, and the interval stated for it before; and what the first drive was told."""
    rng, days = np.random.default_rng([engine.seed, 11]), np.random.default_rng([engine.seed, 14])
    true, drop = np.array(engine.start_diameters_mm), engine.jet_drop_mm
    setup = setup_of(engine)
    needle, history, out = setup.carburettor.needle, None, []
    engine = engine.another_day(rng)
    for _ in range(CUTS):
        bands = bands_of(setup, engine.measure(true, drop, rng, lift=lift))
        if history is not None:
            history = history.then(needle, drop, bands)
        elif jet_drive:
            moved = engine.measure(true, drop + JET_FLATS * engine.nominal["flat_mm"], rng, lift=lift)
            history = nc.with_jet_drive(bands, bands_of(setup, moved, lifts=False), setup, flats=JET_FLATS)
        else:
            history = nc.History((nc.Pass(needle, drop, bands),))
        target = nc.Target(bands, engine.bands.lambda_target)
        design = nc.solve(target, setup, learned=nc.learn(history, setup), with_alternatives=False)
        if not out:
            checks = nc.check_engine(bands, setup=setup)
            told = {check.verdict.value for check in checks.checks} | ({"cannot be reached"} if not design.met else set())
        stop = design.stop_mm()
        cut = stop < design.present().diameters_mm
        if cut.any():
            # The hand files until the micrometer reads what the sheet says, so the micrometer's bias goes into the metal.
            bias = engine.mic(np.zeros(1), np.random.default_rng(0))[0] if history.passes[1:] else 0.0
            true = engine.cut(true, np.where(cut, stop - bias, true), rng)
        # The next session: the nut is trimmed and the car driven on one day.
        engine = engine.another_day(rng)
        half = engine.nominal["flat_mm"] / 2
        nut, low, high = design.trim(), engine.nominal["drop_min_mm"], engine.nominal["drop_max_mm"]
        start = drop + half * round(((design.drop_mm if nut is None else nut.drop_mm) - drop) / half)
        if cut.any() or start != drop:
            drop = float(np.clip(start, low, high))
            # The sheet says how much of what idle misses on one day the nut is to take away.
            share, aim = 1.0 if nut is None else nut.share, float(target.lambda_target[0])
            if share > 0.0:
                missed = float(engine.measure(true, drop, rng)["lambda_measured"][0]) / aim
                drop = trim_idle(engine, true, drop, rng, target=aim * missed ** (1.0 - share))
        if cut.any():
            needle = nc.parts.measured_needle(needle, engine.mic(true, rng), within_um=30)
        others = [engine.true_lambda(true, drop, engine.another_day(days).today) for _ in range(OTHER_DAYS)]
        out.append((engine.true_lambda(true, drop), design.stop.low, design.stop.high, np.array(others), told))
    return out


def by_oracle(engine):
    rng = np.random.default_rng([engine.seed, 12])
    true, drop, out = np.array(engine.start_diameters_mm), engine.jet_drop_mm, []
    for _ in range(CUTS):
        true = oracle_cut(engine, true, drop, rng)
        engine = engine.another_day(rng)
        drop = trim_idle(engine, true, drop, rng)
        out.append((engine.true_lambda(true, drop),))
    return out


def by_area_sum(engine):
    rng = np.random.default_rng([engine.seed, 13])
    true, drop, out = np.array(engine.start_diameters_mm), engine.jet_drop_mm, []
    for _ in range(CUTS):
        true = area_sum_cut(engine, true, drop, engine.measure(true, drop, rng), rng)
        engine = engine.another_day(rng)
        drop = trim_idle(engine, true, drop, rng)
        out.append((engine.true_lambda(true, drop),))
    return out


TOLD = ("amber", "red", "cannot be reached")
ROWS = {
    "oracle": by_oracle,
    "area sum": by_area_sum,
    "marker": partial(library, lift="marker"),
    "marker, jet drive": partial(library, lift="marker", jet_drive=True),
    "computed": partial(library, lift="computed"),
    "computed, jet drive": partial(library, lift="computed", jet_drive=True),
}


def run(task):
    row, seed = task
    engine = draw_other(seed)
    try:
        return row, engine, ROWS[row](engine), ""
    except nc.NeedleCalcError as error:
        return row, engine, None, f"{type(error).__name__}: {error}"


def held(cut, usual):
    """Bands inside the interval stated, on the usual day or on others; nothing where none was stated."""
    seen, low, high = cut[0] if usual else cut[3], cut[1], cut[2]
    return ((seen >= low) & (seen <= high)).ravel()


def report(done):
    print(f"{'row':20s} cut  within  rich  hold: usual day, another  median rms  refused")
    for row in ROWS:
        every = [(engine, cuts) for name, engine, cuts, _ in done if name == row]
        kept = [(engine, cuts) for engine, cuts in every if cuts is not None]
        for k in range(CUTS if kept else 0):
            miss = [cuts[k][0] - engine.bands.lambda_target for engine, cuts in kept]
            driving = [one[engine.bands.driving] for one, (engine, _) in zip(miss, kept, strict=True)]
            hold = ["   -   "] * 2
            if len(kept[0][1][k]) > 1:
                inside = [np.concatenate([held(cuts[k], usual) for _, cuts in kept]) for usual in (True, False)]
                hold = [f"{100 * one.mean():5.1f} %" for one in inside]
            print(
                f"{row:20s} {k + 1:3d} {100 * np.mean([np.abs(one).max() <= NEAR for one in driving]):6.1f} %"
                f" {100 * np.mean([one.min() < -NEAR for one in miss]):4.1f} %     {hold[0]}  {hold[1]}"
                f" {np.median([np.sqrt(np.mean(one**2)) for one in driving]):13.4f} {len(every) - len(kept):6d}"
            )
        told = Counter(what for _, cuts in kept if len(cuts[0]) > 1 for what in cuts[0][4])
        if told:
            print(f"  at the first drive, of {len(kept)}: " + ", ".join(f"{what} {told[what]}" for what in TOLD))
    for (row, why), count in Counter((row, why[:150]) for row, _, _, why in done if why).most_common():
        print(f"refused {count}: {row}: {why}")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 200
    first = int(sys.argv[2]) if len(sys.argv) > 2 else 0
    tasks = [(row, seed) for row in ROWS for seed in range(first, first + count)]
    with ProcessPoolExecutor() as pool:
        report(list(pool.map(run, tasks, chunksize=2)))
