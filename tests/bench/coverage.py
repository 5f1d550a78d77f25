"""Coverage: do the 90 % intervals of a design hold nine cars in ten, and does the first stop keep its risk?

Truth is drawn from the library's own doubts; the car is measured, designed for, cut to the first stop, measured
again, and cut to the end.  Each line gives the share of cars inside, and the 99 % binomial range of a true 90 %.
No band may be richer than its target by more than 0.03, so that the risk holds most first stops back.

Run: python tests/bench/coverage.py [cars] [centred|biased]
"""

from __future__ import annotations

import sys
import time
from dataclasses import replace
from pathlib import Path

import numpy as np
from scipy.stats import binom

sys.path.insert(0, str(Path(__file__).parent.parent))

from virtual_owner import Owner, target_of

import needlecalc as nc

RISK_ALONE = nc.Limits(unconfirmed=1.0)  # else the room left on a car never confirmed would hide the risk stated

PERMITTED = 0.03


def permitted(bands):
    target = target_of(bands)
    return replace(target, lambda_rich=target.lambda_target - PERMITTED)


def held(design_low, design_high, truth):
    return (design_low <= truth) & (truth <= design_high)


def through_two_passes(seed, mounting):
    """Per band: inside after the first stop, and after the second cut; any band rich at the first stop; its risk."""
    owner = Owner.drawn(seed, mounting=mounting)
    stock = owner.setup.carburettor.needle
    bands = owner.drive()
    design = nc.solve(permitted(bands), owner.setup, limits=RISK_ALONE, with_alternatives=False)
    stop = design.stop.needle.diameters_mm
    owner.file_to(stop, stop < stock.diameters_mm)
    at_stop = owner.lambda_true()
    first = held(design.stop.low, design.stop.high, at_stop)
    rich = bool((at_stop < design.target.lambda_rich).any())
    needle = owner.measured()
    again = owner.drive()
    history = nc.History((nc.Pass(stock, 1.6, bands), nc.Pass(needle, 1.6, again)))
    learned = nc.learn(history, owner.setup)
    final = nc.solve(permitted(again), owner.setup, learned=learned, risk=1.0, with_alternatives=False)
    asked = final.needle.diameters_mm
    owner.file_to(asked, asked < needle.diameters_mm)
    second = held(final.final.low, final.final.high, owner.lambda_true())
    return first, second, rich, design.stop.chance_rich, design.lean_margin > 0.0


def main():
    cars = int(sys.argv[1]) if len(sys.argv) > 1 else 300
    mounting = sys.argv[2] if len(sys.argv) > 2 else "centred"
    start = time.perf_counter()
    runs = [through_two_passes(seed, mounting) for seed in range(cars)]
    low, high = binom.ppf([0.005, 0.995], cars, 0.9) / cars
    print(f"{cars} cars, {mounting}: a true 90 % gives {100 * low:.1f} to {100 * high:.1f} % of them in one band")
    for k, name in enumerate(("first stop, one pass", "second cut, two passes")):
        inside = np.array([run[k] for run in runs])
        each = " ".join(f"{100 * share:.1f}" for share in inside.mean(axis=0))
        print(f"{name}: {100 * inside.mean():.1f} % of all, by band {each}")
    back = [run for run in runs if run[4]]
    low, high = binom.ppf([0.005, 0.995], len(back), 0.05) / len(back)
    print(
        f"first stop held back in {len(back)}; some band too rich there in {100 * np.mean([run[2] for run in back]):.1f} %, "
        f"stated {100 * np.mean([run[3] for run in back]):.1f} %; a true 5 % gives {100 * low:.1f} to {100 * high:.1f} %"
    )
    print(f"{time.perf_counter() - start:.0f} s")


if __name__ == "__main__":
    main()
