"""How far off the lag of a log is, and how often its 90 % interval holds the truth.

Run: ``python tests/bench/lag_error.py [drives] [first seed]`` (100 and 0 when not given).  Prints a table; asserts nothing.

Truth: delay, pipe and time constant of the sensor at middling flow.  In a third of the rows below the delay holds
a pipe, which goes as 1/flow.  The virtual engines' damper, piston fall and misfire are no part of the model fitted.
"Flagged" estimates say that they are good to more than 0.1 s only; they count in all columns but the last.
"""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from band_coverage import virtual_log
from synthetic_drive import synthetic_drive
from virtual_engine import draw_engine

import needlecalc as nc

LAGS_S = (0.2, 0.4, 0.6, 0.8, 1.0)


def made_up(seed: int, lag_s: float, pipe_share: float) -> tuple[nc.measure.Lag, float]:
    return nc.measure.find_lag(synthetic_drive(seed, lag_s=lag_s, pipe_share=pipe_share)[0]), lag_s


def virtual(seed: int) -> tuple[nc.measure.Lag, float]:
    engine = draw_engine(seed)
    drive = engine.drive(engine.start_diameters_mm, engine.jet_drop_mm, np.random.default_rng([seed, 5]), 600.0)
    return nc.measure.find_lag(virtual_log(engine, drive)), engine.truth.sensor_delay_s + engine.truth.sensor_tau_s


def show(name: str, pairs: list[tuple[nc.measure.Lag, float]]) -> None:
    told = [(lag.seconds - true, lag.seconds_u, "only" in lag.source) for lag, true in pairs if "estimated" in lag.source]
    if not told:
        print(f"{name:26} {len(pairs):6d} {0:5d}")
        return
    error, doubt, loose = np.array(told).T
    firm = np.abs(error)[loose == 0]
    print(
        f"{name:26} {len(pairs):6d} {len(told):5d} {int(loose.sum()):7d} {error.mean():+8.3f} {error.std():7.3f} "
        f"{np.abs(error).max():7.3f} {100 * np.mean(np.abs(error) < 0.1):7.1f} % "
        f"{100 * np.mean(np.abs(error) < 1.645 * doubt):7.1f} % {100 * np.mean(firm < 0.1) if firm.size else np.nan:9.1f} %",
        flush=True,
    )


def main(drives: int, first: int) -> None:
    seeds = range(first, first + drives)
    print(
        f"{'drive':26} {'drives':>6} {'told':>5} {'flagged':>7} {'mean s':>8} {'spread':>7} {'worst':>7} {'in 0.1 s':>9} "
        f"{'90 % held':>9} {'firm in 0.1 s':>11}"
    )
    for lag_s in LAGS_S:
        show(f"made up, {lag_s:.1f} s", [made_up(seed, lag_s, 0.0) for seed in seeds])
    for lag_s in LAGS_S[::2]:
        show(f"made up, {lag_s:.1f} s, pipe", [made_up(seed, lag_s, 0.4) for seed in seeds])
    show("virtual engine", [virtual(seed) for seed in seeds])


if __name__ == "__main__":
    main(int(sys.argv[1]) if len(sys.argv) > 1 else 100, int(sys.argv[2]) if len(sys.argv) > 2 else 0)
