"""Choosing before filing: 100 virtual engines, each with the sixty invented needles at hand; the one ranked first is fitted.

Run: python tests/bench/choosing.py [engines]; 100 engines take some 5 minutes on two cores.

The needles keep their gaps in a jet of another bore.  Each is as its table says but for 1.5 um a station.  The nut is set
to the height found and then turned by half flats until the meter shows the idle foretold.  Beside it stands the engine's own
needle, filed by the library's first and second stop.
"""

from __future__ import annotations

import sys
from concurrent.futures import ProcessPoolExecutor
from dataclasses import replace
from pathlib import Path

sys.path.insert(0, str(Path(__file__).parent.parent))
sys.path.insert(0, str(Path(__file__).parents[2] / "data"))

import numpy as np
from closed_loop import DOUBTS, bands_of, engine_of, library, setup_of
from make_needles import BORE_MM, PITCH_MM, family
from virtual_engine import trim_idle

import needlecalc as nc
from needlecalc.design.after.rank import Worth

TABLE_MM = 0.0015
LIFTS = ("marker", "computed")


def needles_of(engine) -> list[nc.Needle]:
    wider = engine.nominal["bore_mm"] - BORE_MM
    return [nc.Needle(name, PITCH_MM * np.arange(len(d)), np.array(d) + wider) for name, d in family().items()]


def run(task):
    """What was foretold of the needle ranked first, what it gives, and what filing gives instead."""
    lift, seed = task
    engine = engine_of(seed)
    rng = np.random.default_rng([seed, 6])
    setup = setup_of(engine)
    read = engine.measure(np.array(engine.start_diameters_mm), engine.jet_drop_mm, rng, lift=lift)
    bands = bands_of(setup, read)
    car = nc.learn(bands, setup, doubts=DOUBTS)
    target = nc.Target(bands, engine.bands.lambda_target)
    ranking = nc.rank(needles_of(engine), target, car)
    one = ranking.best()
    true = np.minimum.accumulate(one.needle.diameters_mm + rng.normal(0.0, TABLE_MM, one.needle.stations_mm.size))
    fitted = replace(engine, stations_mm=one.needle.stations_mm)
    drop = trim_idle(fitted, true, one.drop_mm, rng, target=float(one.lambda_predicted[0]))
    given = fitted.true_lambda(true, drop)
    filed = [step["lambda"] for step in library(engine, lift, passes=2)]
    driving = engine.bands.driving
    rms = [float(np.sqrt(np.mean((lam - engine.bands.lambda_target)[driving] ** 2))) for lam in (given, *filed)]
    return {
        "lift": lift,
        "serves": one.worth is Worth.SERVES,
        "chance": one.chance,
        "inside": not target.outside(given).any(),
        "cover": (given >= one.lambda_low) & (given <= one.lambda_high),
        "rms": rms,
    }


def report(done) -> None:
    for lift in LIFTS:
        runs = [one for one in done if one["lift"] == lift]
        serve = [one for one in runs if one["serves"]]
        cover = np.concatenate([one["cover"] for one in runs])
        rms = np.array([one["rms"] for one in runs])
        print(f"lift by {lift}: {len(runs)} engines")
        print(f"  bands inside their 90 % interval                     {cover.mean():6.1%}")
        print(f"  engines with all bands inside it                     {np.mean([one['cover'].all() for one in runs]):6.1%}")
        print(f"  engines with a needle said to serve                  {len(serve) / len(runs):6.1%}")
        print(f"  of these, truly every band inside what is permitted  {np.mean([one['inside'] for one in serve]):6.1%}")
        print(f"    chance stated for them, mean                       {np.mean([one['chance'] for one in serve]):6.1%}")
        print(f"  every band inside, all engines                       {np.mean([one['inside'] for one in runs]):6.1%}")
        print(f"    chance stated, mean                                {np.mean([one['chance'] for one in runs]):6.1%}")
        for k, name in enumerate(("needle ranked first", "own needle, first stop", "own needle, second stop")):
            better = "" if k == 0 else f", nearer than the needle ranked first in {np.mean(rms[:, k] < rms[:, 0]):.0%}"
            print(f"  rms miss of lambda, median: {np.median(rms[:, k]):.4f} {name}{better}")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 100
    with ProcessPoolExecutor() as pool:
        report(list(pool.map(run, [(lift, seed) for lift in LIFTS for seed in range(count)], chunksize=4)))
