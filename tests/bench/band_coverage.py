"""How often the 90 % interval of a band's mean lambda holds the truth.

Run: ``python tests/bench/band_coverage.py [drives] [first seed]`` (500 and 0 when not given).  Prints a table; asserts
nothing.

Truth of a made-up drive: the mean over endless visits of the same hold.  A virtual engine has two: lambda as
burnt in the rows of the band, without sensor noise and lag; and lambda at the speed and pressure the band
reports with the piston at rest.  They differ by some 0.002 at light load, as the damper enriches every small
rise of a wandering air flow and no fall: no average of a drive can tell that from the needle.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from synthetic_drive import synthetic_drive
from virtual_engine import draw_engine

import needlecalc as nc

KINDS = {
    "as made": {},
    "no scatter between visits": {"between": 0.0},
    "white noise only": {"between": 0.0, "within": 0.0},
    "much scatter between visits": {"between": 0.012},
    "slow wander": {"within": 0.01, "hang_s": 3.0},
    "spikes in 1 % of rows": {"spikes": 0.01},
    "300 s only": {"seconds": 300.0},
}


def misses(bands: nc.Bands, truth: dict[tuple[float, float], float]) -> list[float]:
    """Miss of each band in standard errors."""
    out = []
    for b in range(bands.rpm.size):
        hold = min(truth, key=lambda at: abs(at[0] - bands.rpm[b]) + abs(at[1] - bands.manifold_pressure_pa[b]) / 40)
        out.append((bands.lambda_measured[b] - truth[hold]) / bands.lambda_se[b])
    return out


def virtual_log(engine, drive) -> nc.measure.Log:
    size = drive["rpm"].size
    return nc.measure.Log(
        "virtual", "", drive["time_s"], drive["rpm"], drive["lambda_measured"], drive["throttle_percent"],
        drive["manifold_pressure_pa"], None, None, None, np.arange(size) + 2, np.zeros(size, dtype=np.int8), (), (), (),
    )  # fmt: skip


def virtual_misses(seed: int) -> tuple[list[float], list[float]]:
    """Misses of one virtual drive in standard errors, as burnt and at rest."""
    engine = draw_engine(seed)
    drive = engine.drive(engine.start_diameters_mm, engine.jet_drop_mm, np.random.default_rng([seed, 5]), 600.0)
    log = virtual_log(engine, drive)
    bands = nc.make_bands(log)
    pressure = bands.manifold_pressure_pa - engine.truth.map_offset_pa
    truth, _ = engine.reading(engine.mixture(engine.start_diameters_mm, engine.jet_drop_mm, bands.rpm, pressure))
    quiet = replace(log, lambda_measured=engine.reading(drive["truth_lambda"])[0])
    burnt = nc.make_bands(quiet, lag_s=0.0)
    places = {(low, load): b for b, (low, load) in enumerate(zip(burnt.rpm_low, burnt.load, strict=True))}
    shared = [(b, places[key]) for b, key in enumerate(zip(bands.rpm_low, bands.load, strict=True)) if key in places]
    as_burnt = [(bands.lambda_measured[b] - burnt.lambda_measured[q]) / bands.lambda_se[b] for b, q in shared]
    return as_burnt, list((bands.lambda_measured - truth) / bands.lambda_se)


def main() -> None:
    drives, first = int(sys.argv[1]) if len(sys.argv) > 1 else 500, int(sys.argv[2]) if len(sys.argv) > 2 else 0
    print(f"{'drive':32} {'drives':>6} {'bands':>6} {'held in 90 %':>12}")
    for name, options in KINDS.items():
        size = drives if not options else max(drives // 5, 1)
        found = []
        for seed in range(first, first + size):
            log, truth = synthetic_drive(seed, **options)
            found += misses(nc.make_bands(log, lag_s=0.4), truth)
        print(f"{name:32} {size:6d} {len(found):6d} {100 * np.mean(np.abs(found) < 1.645):10.1f} %", flush=True)
    size = max(drives // 5, 1)
    both = [virtual_misses(seed) for seed in range(first, first + size)]
    for place, name in enumerate(("virtual engine, as burnt", "virtual engine, piston at rest")):
        found = [miss for one in both for miss in one[place]]
        print(f"{name:32} {size:6d} {len(found):6d} {100 * np.mean(np.abs(found) < 1.645):10.1f} %", flush=True)


if __name__ == "__main__":
    main()
