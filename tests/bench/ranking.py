"""Ranking thousands of needles: time, memory, the same numbers as one prediction after another; donors as solve judges them.

Run: python tests/bench/ranking.py; it takes some minute.  CPU seconds are of one core, which is all that ranking uses.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from dataclasses import replace
from pathlib import Path

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from conftest import DATA, DIAMETERS_MM, STATIONS_MM, asked, make_setup

import needlecalc as nc
from needlecalc.design.after.rank import DROPS_TRIED, Worth
from needlecalc.example import road

SETUP = make_setup(drop_min_mm=0.8, drop_max_mm=2.6)
HEIGHTS_MM = np.linspace(0.8, 2.6, DROPS_TRIED)
CHECKED = 40  # needles predicted at every height, one after another


def target_of(bands: int) -> nc.Target:
    load = ("idle", *("light",) * (bands // 2 - 1), *("full",) * (bands - bands // 2))
    lift = np.linspace(2.0, 26.0, bands)
    return asked(SETUP, lift, np.full(bands, 1.05), np.linspace(1.0, 0.88, bands), load=load)


def drawn(count: int) -> list[nc.Needle]:
    """Needles about the one fitted: thicker or thinner as a whole, and wandering along it."""
    rng = np.random.default_rng(5)
    wander = rng.normal(0.0, 0.02, (count, 1)) + np.cumsum(rng.normal(0.0, 0.004, (count, STATIONS_MM.size)), axis=1)
    table = np.minimum(np.minimum.accumulate(DIAMETERS_MM + wander, axis=1), 2.53)
    return [nc.Needle(f"n{k}", STATIONS_MM, row) for k, row in enumerate(table)]


def main() -> None:
    needles = drawn(5000)
    nc.rank(needles[:50], target_of(20), SETUP)  # what is imported late
    print(f"{'needles':>8} {'bands':>6} {'CPU s':>7} {'us each needle and band':>24}")
    for count, bands in ((1250, 20), (5000, 10), (5000, 20)):
        target = target_of(bands)
        car = nc.learn(target.bands, SETUP)
        start = time.process_time()
        ranking = nc.rank(needles[:count], target, car)
        cpu_s = time.process_time() - start
        print(f"{count:>8} {bands:>6} {cpu_s:>7.2f} {1e6 * cpu_s / count / bands:>24.1f}")
    print(f"peak memory {resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024:.0f} MB")

    start, found, worse = time.process_time(), {one.needle.name: one for one in ranking.needles}, []
    for needle in needles[:CHECKED]:
        tried = [nc.predict_lambda(SETUP, target.bands, needle=needle, drop_mm=float(drop)) for drop in HEIGHTS_MM]
        one, squares = found[needle.name], [float(np.sum(np.log(lam / target.lambda_target) ** 2)) for lam in tried]
        inside = [k for k, lam in enumerate(tried) if (target.excess(lam) <= 0.0).all()]
        assert one.worth is Worth.SERVES or not inside, needle.name
        best = [squares[k] for k in inside] or ([] if one.worth is Worth.SERVES else squares)
        mine = float(np.sum(np.log(one.lambda_predicted / target.lambda_target) ** 2))
        worse.append(np.sqrt(mine) - np.sqrt(min(best, default=np.inf)))
    loop_s = time.process_time() - start
    each_us = 1e6 * loop_s / CHECKED / target.lambda_target.size
    print(f"one by one: {each_us:.0f} us each needle and band, {loop_s / CHECKED * len(needles):.0f} s for {len(needles)}")
    print(f"root of the squares less the best of {DROPS_TRIED} heights one by one: at most {max(worse):.1e}")
    apart = max(
        np.abs(
            one.lambda_predicted / nc.predict_lambda(SETUP, target.bands, needle=one.needle, drop_mm=one.drop_mm) - 1
        ).max()
        for one in ranking.needles[::25]
    )
    print(f"lambda at the height found against one prediction: {apart:.1e} apart at most")
    assert apart < 1e-9


def donors() -> None:
    """The sixty invented needles in the demo's van: what is said of each as a donor, and what solve makes of it."""
    ranking = nc.rank(nc.read_needles(DATA / "needles.csv"), road.target, road.job.learned(road.bands))
    agree, said, met, apart = 0, 0, 0, []
    for one in ranking.needles:
        fitted = road.setup.with_needle(one.needle)
        bands = replace(road.bands, lambda_measured=nc.predict_lambda(road.setup, road.bands, needle=one.needle))
        design = nc.solve(replace(road.target, bands=bands), fitted, with_alternatives=False)
        can = one.worth in (Worth.SERVES, Worth.DONOR)
        agree, said, met = agree + (can == design.met), said + can, met + design.met
        if can and design.met:
            apart.append(one.filing_um - float(design.remove_um()[design.stations.supported].max()))
    print(f"of {len(ranking.needles)} needles {said} are said to serve or to be donors, solve meets the target with {met}")
    off = f"{np.mean(apart):+.0f} um +- {np.std(apart):.0f}"
    print(f"alike for {agree}; most metal at a station with data, less that of solve: {off}")


if __name__ == "__main__":
    donors()
    main()
