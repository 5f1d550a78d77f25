"""How often a leak is recognised, and how often one is seen that is not there, over 200 virtual engines.

Run: ``PYTHONPATH=. python tests/bench/leak_signs.py [seeds]``.  Prints the share of each verdict; asserts nothing.
Faults, gas and analyser are those of tests/leaky_engine.py.

Measured over 200 engines, share of red (red or amber) verdicts; lift read with 0.3 mm k=1:

    by lambda                drive alone     with leak holds
    sound                       0 % (  0)         0 % (  1)
    hole, idle 20 % leaner     16 % ( 38)        40 % ( 74)
    hole, idle 30 % leaner     38 % ( 58)        80 % ( 92)
    hole, idle 50 % leaner     67 % ( 85)        95 % ( 98)
    exhaust leak 30 %          34 % ( 56)        25 % ( 47)
    by exhaust gas
    sound, or a hole            0 % (  1)
    exhaust leak 10 %          48 % (100)
    exhaust leak 20 %         100 % (100)

With computed lift a sound engine shows red in none, a hole at an idle 30 % leaner in 16 % (67 % with leak holds).  A
hole is green (missed) in 2 % at an idle 30 % leaner, in 1 % with leak holds; all else says "not measured".
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from leaky_engine import Leaky, bands_of, gas_of, leaky, setup_of

import needlecalc as nc

VERDICTS = ("red", "amber", "green", "not measured")
FAULTS: tuple[tuple[str, dict[str, float]], ...] = (
    ("sound, no leak", {"idle_excess": 0.0}),
    ("sound, drawn leak up to 0.12 mm2", {}),
    ("hole, idle 10 % leaner", {"idle_excess": 0.10}),
    ("hole, idle 20 % leaner", {"idle_excess": 0.20}),
    ("hole, idle 30 % leaner", {"idle_excess": 0.30}),
    ("hole, idle 50 % leaner", {"idle_excess": 0.50}),
    ("exhaust leak, 10 % at idle", {"idle_excess": 0.0, "exhaust_share": 0.10}),
    ("exhaust leak, 20 % at idle", {"idle_excess": 0.0, "exhaust_share": 0.20}),
    ("exhaust leak, 30 % at idle", {"idle_excess": 0.0, "exhaust_share": 0.30}),
)
OF_GAS = ("CO + CO2 at idle", "air in the sample at idle", "lambda against gas at idle", "lean at idle only")


def by_lambda(car: Leaky, rng: np.random.Generator, lift: str) -> tuple[str, nc.checks.LeakSign]:
    bands, setup = bands_of(car, rng, lift=lift), setup_of(car)
    checks = nc.check_engine(bands, setup=setup)
    return checks.named("air leak signature").verdict, nc.checks.leak_sign(bands, setup)


def by_gas(car: Leaky, rng: np.random.Generator) -> str:
    checks = nc.check_engine(gases=[gas_of(car, rng), gas_of(car, rng, "2500 rpm")])
    seen = [checks.named(name).verdict for name in OF_GAS]
    return next((verdict for verdict in VERDICTS if verdict in seen), "not measured")


def show(name: str, verdicts: list[str], more: str = "") -> None:
    shares = "  ".join(f"{verdict} {100 * verdicts.count(verdict) / len(verdicts):5.1f} %" for verdict in VERDICTS)
    print(f"  {name:34s} {shares}{more}")


def main(seeds: int) -> None:
    for holds in (False, True):
        data = "drive and leak holds" if holds else "drive alone"
        cars = {name: [leaky(s, leak_holds=holds, **fault) for s in range(seeds)] for name, fault in FAULTS}
        for lift in ("marker", "computed"):
            print(f"Lambda over air flow, {data}, lift {lift}, {seeds} engines")
            for name, group in cars.items():
                found = [by_lambda(car, np.random.default_rng([car.seed, 5]), lift) for car in group]
                told = [sign for _, sign in found if not sign.why_not]
                truth = [1e6 * car.truth.leak_area_m2 for car, (_, s) in zip(group, found, strict=True) if not s.why_not]
                off = [(s.area_mm2 - area) / s.area_u_mm2 for s, area in zip(told, truth, strict=True)]
                excess = [100 * s.idle_excess for s in told]
                words = f"  idle {np.median(excess):+4.0f} % +- {np.std(excess):2.0f}"
                words += f"  (area - truth) / doubt {np.mean(off):+.2f} +- {np.std(off):.2f}"
                show(name, [verdict for verdict, _ in found], words)
    print(f"Exhaust gas at idle and 2500 rpm, {seeds} engines")
    for name, group in cars.items():
        show(name, [by_gas(car, np.random.default_rng([car.seed, 7])) for car in group])


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 200)
