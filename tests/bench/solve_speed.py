"""Speed: a design of 16 stations and 20 bands, intervals included, against a general solver; and cost by size.

The general solver gets the same cost, the same limits and the smoothness already chosen, and finds its slopes by
finite differences; it gives no interval and no first stop.

Run: python tests/bench/solve_speed.py [general|bands|samples]; bands takes some 15 minutes, most of them the last line.
"""

from __future__ import annotations

import resource
import sys
import time
from pathlib import Path

import numpy as np
from scipy.optimize import minimize

sys.path.insert(0, str(Path(__file__).parent.parent))

from conftest import make_setup

import needlecalc as nc
from needlecalc.design.fit import Problem, fit, smoothest
from needlecalc.design.predict import Nature, log_fuel

STATIONS_MM = np.arange(16) * 2.54
DIAMETERS_MM = np.interp(STATIONS_MM, [0.0, 6.35, 15.9, 38.1], [2.45, 2.36, 2.19, 1.66])
UNIT_MM = 0.01
BANDS = (20, 50, 100, 200, 400, 1000, 10_000, 100_000)
MOST_DENSE = 1000


def job(bands: int) -> tuple[nc.Target, nc.Setup]:
    """An invented car: 16 stations, any number of bands, a nut that turns."""
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5).with_needle(nc.Needle("sixteen", STATIONS_MM, DIAMETERS_MM))
    lift = np.linspace(1.5, 34.0, bands)
    ratio = 1.03 + 0.04 * np.sin(lift / 5.0) + 0.02 * np.sin(lift / 1.7)
    load = ("idle", *("part",) * (bands - 1))
    typed = nc.typed_bands(np.linspace(800, 6000, bands), ratio, lift_mm=lift, lift_u_mm=0.2, lambda_se=0.004, load=load)
    return nc.Target(typed, np.linspace(0.95, 0.90, bands), ("asked",) * bands), setup


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


def general_solver(problem: Problem, smoothness: float, start: np.ndarray | None = None) -> np.ndarray:
    """SLSQP on the cost of the design, slopes by finite differences."""
    setup, target = problem.learned.setup, problem.target
    lift, present = target.bands.lift_mm, setup.carburettor.needle.diameters_mm
    drop, nature = setup.carburettor.jet.drop_mm, Nature.of(setup)
    level = np.log(target.bands.lambda_measured / target.lambda_target)
    base = log_fuel(setup, lift, diameters_mm=present, drop_mm=drop, nature=nature)
    g, h = problem.limits_matrix, problem.limits_least / UNIT_MM

    def cost(v):
        removal = np.zeros(present.size)
        removal[problem.free] = v[:-1] * UNIT_MM
        turn = v[-1] * UNIT_MM
        fuel = log_fuel(setup, lift, diameters_mm=present - removal, drop_mm=drop + turn, nature=nature)
        misfit = (level - fuel + base) / problem.doubt
        bend = np.diff(removal[problem.inside], 2) / 0.01
        return misfit @ misfit + smoothness * (bend @ bend) + ((1e-3 * UNIT_MM * v[:-1]) ** 2).sum() + (0.3 * turn) ** 2

    answer = minimize(
        cost, np.zeros(g.shape[1]) if start is None else start / UNIT_MM, method="SLSQP",
        constraints={"type": "ineq", "fun": lambda v: g @ v - h, "jac": lambda _: g},
        options={"ftol": 1e-9, "maxiter": 1000},
    )  # fmt: skip
    return answer.x * UNIT_MM


def against_a_general_solver():
    target, setup = job(20)
    took, design = timed(lambda: nc.solve(target, setup), 2.0)
    every = np.ones(STATIONS_MM.size, dtype=bool)
    problem = Problem.of(design.learned, target, design.limits, every, np.ones(20))
    ladder, (x, smoothness) = timed(lambda: smoothest(problem))
    one, _ = timed(lambda: fit(problem, smoothness, np.zeros(x.size)))
    theirs, other = timed(lambda: general_solver(problem, smoothness), 0.1)
    print(f"solve, with smoothness sought, intervals and first stop {1e3 * took:7.0f} ms")
    print(f"of this the fits that seek the smoothness               {1e3 * ladder:7.0f} ms")
    print(f"one fit, at the smoothness chosen ({smoothness:.3g})              {1e3 * one:7.0f} ms")
    print(f"SLSQP by finite differences, that one fit alone         {1e3 * theirs:7.0f} ms")
    print(f"SLSQP over one fit: {theirs / one:.0f} times; over all of solve: {theirs / took:.1f} times")
    other = general_solver(problem, smoothness, other)  # once more from its end, not timed
    away = np.abs(x - other)
    print(f"greatest difference: diameter {1e3 * away[:-1].max():.3f} um, jet {1e3 * away[-1]:.3f} um")


def dense_qr(bands: int) -> float:
    """Seconds of one step of learning without heeding its structure: numpy's QR of all rows by all unknowns."""
    unknowns = 22 + 2 * bands
    rows = np.random.default_rng(0).standard_normal((unknowns + 2 * bands, unknowns))
    return timed(lambda: np.linalg.qr(rows, mode="r"), 0.0)[0]


def by_bands():
    print("      ratios are per band, against the line before; in the last column one dense QR (numpy), which is but one")
    print("      step of learning, over all of learn")
    print(" bands   learn s  ms/band   ratio   solve s  ms/band   ratio   MB at most   QR/learn")
    before = None
    for bands in BANDS:
        target, setup = job(bands)
        taught, learned = timed(lambda t=target, s=setup: nc.learn(t.bands, s), 0.0)
        solved, _ = timed(lambda t=target, s=setup, k=learned: nc.solve(t, s, learned=k), 0.0)
        each = taught / bands, solved / bands
        ratios = (np.nan, np.nan) if before is None else (each[0] / before[0], each[1] / before[1])
        most = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024
        dense = dense_qr(bands) / taught if bands <= MOST_DENSE else np.nan
        print(
            f"{bands:6d} {taught:9.3f} {1e3 * each[0]:8.3f} {ratios[0]:7.2f} {solved:9.2f} {1e3 * each[1]:8.3f} "
            f"{ratios[1]:7.2f} {most:12.0f} {dense:10.1f}",
            flush=True,
        )
        before = each


def log_of(samples: int) -> nc.Log:
    """Ten rows a second, held for twenty seconds at a time at some speed."""
    rng = np.random.default_rng(1)
    rpm = np.repeat(rng.choice([900.0, 1500.0, 2500.0, 3500.0, 4500.0], samples // 200 + 1), 200)[:samples]
    count = np.arange(samples)
    return nc.Log(
        name="invented", sha256="", time_s=count / 10.0, rpm=rpm + rng.normal(0, 5, samples),
        lambda_measured=0.95 + rng.normal(0, 0.01, samples), throttle_percent=None,
        manifold_pressure_pa=60e3 + rng.normal(0, 100, samples), air_flow_g_s=None, lift_mm=None, coolant_degc=None,
        line=count + 2, flag=np.zeros(samples, dtype=np.int8), columns=(), dropped=(), assumptions=(),
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
