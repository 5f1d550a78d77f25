"""Speed: a design of 16 stations and 20 bands, intervals included, against a general solver; and cost by size.

The general solver is scipy's SLSQP on the same cost, with the same limits and the same flow law, its slopes by finite
differences.  It is given the last fit alone, and then the whole design: solve itself with SLSQP in the place of every
fit, with the same starts and the same choice of smoothness.  That is timed twice: with the library's own short cuts on
the way to the smoothness (it stops once no rougher one can change the choice, and settles in full only the one chosen),
and plainly, every smoothness of the ladder fitted in full.

Run: python tests/bench/solve_speed.py [general|bands|samples]; bands takes some 15 minutes, most of them the last line.
"""

from __future__ import annotations

import os
import resource
import sys
import time
from pathlib import Path
from unittest.mock import patch

os.environ.setdefault("OPENBLAS_NUM_THREADS", "1")  # more threads only spin on matrices so small, and count as work

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent.parent))

from conftest import make_setup

import needlecalc as nc
from needlecalc.design.inverse import fit as room
from needlecalc.design.inverse import solution
from needlecalc.design.inverse.fit import fit, least_squares_with_inequalities
from needlecalc.design.inverse.problem import Point, Problem
from needlecalc.design.inverse.solution import best_solution

STATIONS_MM = np.arange(16) * 2.54
DIAMETERS_MM = np.interp(STATIONS_MM, [0.0, 6.35, 15.9, 38.1], [2.45, 2.36, 2.19, 1.66])
UNIT_MM = 0.01
BANDS = (12, 20, 40, 100, 200, 500)
TURNS = 5
LAST_FIT = ("the last fit alone", "the last fit alone, by SLSQP")


def job(bands: int) -> tuple[nc.Target, nc.Setup]:
    """An invented car: 16 stations, any number of bands, a nut that turns."""
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5).with_needle(nc.Needle("sixteen", STATIONS_MM, DIAMETERS_MM))
    lift = np.linspace(1.5, 34.0, bands)
    ratio = 1.03 + 0.04 * np.sin(lift / 5.0) + 0.02 * np.sin(lift / 1.7)
    load = ("idle", *("part",) * (bands - 1))
    typed = nc.typed_bands(np.linspace(800, 6000, bands), ratio, lift_mm=lift, lift_u_mm=0.2, lambda_se=0.004, load=load)
    return nc.Target(typed, np.linspace(0.95, 0.90, bands)), setup


def timed(call, least=0.5):
    """Best time of several, and the answer."""
    best, spent = np.inf, 0.0
    while True:
        start = time.process_time()  # other work on the machine must not count
        answer = call()
        took = time.process_time() - start
        best, spent = min(best, took), spent + took
        if spent >= least:
            return best, answer


def general_solver(problem: Problem, smoothness: float, start: np.ndarray, exact: float = 1e-9) -> np.ndarray:
    """SLSQP on the cost of a fit, slopes by finite differences; in steps of 10 um."""
    needle = problem.learned.setup.carburettor.needle
    free, inner = np.flatnonzero(problem.free), int((problem.free & problem.inside).sum())
    left, right = np.diff(needle.stations_mm[free[:inner]])[:-1], np.diff(needle.stations_mm[free[:inner]])[1:]
    mean = (left + right) / 2
    g, h = problem.rows.matrix, problem.rows.least
    held = np.isfinite(problem.tested)
    least = problem.least_misfit[held]

    def whole(v):
        """Removal and turn; beyond the data no more is cut than the taper needs."""
        removal = np.zeros(needle.stations_mm.size)
        removal[free[:inner]] = v[:-1] * UNIT_MM
        for k in free[inner:]:
            removal[k] = max(0.0, removal[k - 1] - (needle.diameters_mm[k - 1] - needle.diameters_mm[k]))
        return np.append(removal[free], v[-1] * UNIT_MM)

    def cost(v):
        x = whole(v)
        misfit = problem.misfit(x) / problem.band_u
        rise = np.diff(x[:inner])
        bend = mean * (rise[1:] / right - rise[:-1] / left) / 0.01
        return misfit @ misfit + smoothness * (bend @ bend) + 1e-6 * (x[:-1] @ x[:-1]) + (0.3 * x[-1]) ** 2

    limits = [{"type": "ineq", "fun": lambda v: (g @ whole(v) - h) / UNIT_MM}]
    if held.any():
        limits.append({"type": "ineq", "fun": lambda v: problem.misfit(whole(v))[held] - least})
    options = {"ftol": exact, "maxiter": 1000}
    answer = minimize(
        cost, np.append(start[:inner], start[-1]) / UNIT_MM, method="SLSQP", constraints=limits, options=options
    )
    return whole(answer.x)


def by_slsqp(problem: Problem, smoothness: float, point: Point, tests: np.ndarray, flat: float) -> Point:
    """What stands for each fit when the whole design is SLSQP's: as exact as ours has to be."""
    x = general_solver(problem, smoothness, point.x, 1e-9 if flat == room.FLAT else flat)
    # It oversteps limits by its rounding, which the next fit may not start from.
    return problem.point(least_squares_with_inequalities(np.eye(x.size), x, problem.rows.matrix, problem.rows.least)[0])


def plain_smoothest(problem: Problem) -> tuple[np.ndarray, float]:
    """The rule by which the smoothness is chosen, every rung of the ladder fitted in full."""
    bands, tests, rest = problem.band_u.size, problem.least_misfit, problem.point(problem.rest())
    point, tried = rest, []
    for smoothness in room.SMOOTHNESS_LADDER.tolist():
        at_end = point.x[-1] and (problem.rows.matrix @ point.x - problem.rows.least)[-2:].min() < room.SETTLED_MM
        starts = (point, rest) if at_end else (point,)
        ends = [by_slsqp(problem, smoothness, start, tests, room.FLAT) for start in starts]
        point = min(ends, key=lambda end: room.cost(problem, smoothness, end.x))
        tried.append((point.x, smoothness, float(((point.misfit / problem.drive_u) ** 2).sum())))
    allowed = max(room.NOISE_LEFT * bands, min(chi for *_, chi in tried) + np.sqrt(2.0 * bands))
    return next((x, smoothness) for x, smoothness, chi in tried if chi <= allowed)


def against_a_general_solver():
    target, setup = job(20)

    def ours():
        return nc.solve(target, setup)

    def theirs():
        with patch.object(room, "_settled", by_slsqp):
            return nc.solve(target, setup)

    def theirs_plainly():
        with patch.object(room, "_settled", by_slsqp), patch.object(solution, "smoothest", plain_smoothest):
            return nc.solve(target, setup)

    learned = nc.learn(target.bands, setup)
    found = best_solution(learned, target, nc.Limits())
    problem, smoothness, rest = found.problem, found.smoothness, found.problem.rest()
    calls = {
        "solve, with smoothness sought, intervals and first stop": ours,
        LAST_FIT[0]: lambda: fit(problem, smoothness, rest),
        LAST_FIT[1]: lambda: general_solver(problem, smoothness, rest),
        "solve with SLSQP for every fit": theirs,
        "the same, no short cut to the smoothness": theirs_plainly,
    }
    # By turns, so that what else the machine does falls on all alike.
    turns = [{name: timed(call, 0.0) for name, call in calls.items()} for _ in range(TURNS)]
    took = {name: np.array([turn[name][0] for turn in turns]) for name in calls}
    for name, times in took.items():
        print(f"{name:56s} {1e3 * np.median(times):8.1f} ms")
    design, fitted, general, whole, plainly = took.values()
    for name, ratios in (
        ("(a) last fit by SLSQP over last fit", general / fitted),
        ("(b) last fit by SLSQP over all of solve", general / design),
        ("(c) the same whole design by SLSQP over solve", whole / design),
        ("(d) the same, no short cut to the smoothness", plainly / design),
    ):
        print(f"{name:56s} {np.median(ratios):8.1f} times ({ratios.min():.1f} to {ratios.max():.1f} in {TURNS} turns)")
    mine, other = (turns[0][name][1] for name in LAST_FIT)
    for _ in range(2):  # begun again from where it stopped, not timed, as it stops early
        other = general_solver(problem, smoothness, other)
    _say_difference("last fit", mine, other)
    mine, *others = (turns[0][name][1] for name in list(calls) if name not in LAST_FIT)
    for name, other in zip(("whole design", "whole design, no short cut"), others, strict=True):
        _say_difference(name, *(np.append(one.needle.diameters_mm, one.drop_mm) for one in (mine, other)))
        print(f"smoothness chosen: {mine.smoothness:.3g} and {other.smoothness:.3g}")


def _say_difference(what: str, mine: np.ndarray, other: np.ndarray) -> None:
    away = 1e3 * np.abs(mine - other)
    print(f"{what}, greatest difference: diameter {away[:-1].max():.3f} um, jet {away[-1]:.3f} um")


def by_bands():
    print(" bands   learn s   solve s   MB at most")
    for bands in BANDS:
        target, setup = job(bands)
        taught, learned = timed(lambda t=target, s=setup: nc.learn(t.bands, s), 0.0)
        solved, _ = timed(lambda t=target, s=setup, k=learned: nc.solve(t, s, learned=k), 0.0)
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        print(f"{bands:6d} {taught:9.3f} {solved:9.2f} {most:12.0f}", flush=True)


def log_of(samples: int) -> nc.measure.Log:
    """Ten rows a second, held for twenty seconds at a time at some speed."""
    rng = np.random.default_rng(1)
    rpm = np.repeat(rng.choice([900.0, 1500.0, 2500.0, 3500.0, 4500.0], samples // 200 + 1), 200)[:samples]
    count = np.arange(samples)
    return nc.measure.Log(
        name="invented", sha256="", time_s=count / 10.0, rpm=rpm + rng.normal(0, 5, samples),
        lambda_measured=0.95 + rng.normal(0, 0.01, samples), throttle_percent=None,
        manifold_pressure_pa=60e3 + rng.normal(0, 100, samples), air_flow_g_s=None, lift_mm=None, coolant_degc=None,
        line=count + 2, flag=np.zeros(samples, dtype=np.int8),
    )  # fmt: skip


def by_samples():
    print("samples of a log   bands s   us a sample")
    for samples in (1_000, 10_000, 100_000):
        log = log_of(samples)
        took, _ = timed(lambda one=log: nc.make_bands(one))
        print(f"{samples:10d} {took:15.3f} {1e6 * took / samples:10.2f}")


if __name__ == "__main__":
    chosen = sys.argv[1:] or ["general", "bands", "samples"]
    for name, run in (("general", against_a_general_solver), ("bands", by_bands), ("samples", by_samples)):
        if name in chosen:
            run()
