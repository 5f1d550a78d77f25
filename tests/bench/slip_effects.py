"""Slips of the pen: what each of 24 does to the demo's first stop, and whether anybody says so.

Run: python tests/bench/slip_effects.py.  A slip is caught where it is refused, locked by a red check, or an
amber check that the honest job does not have names it; else its harm is how far the first stop's diameters move.
"""

from __future__ import annotations

import sys
import tempfile
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from slips import SLIPS, demo_in

import needlecalc as nc

HARMLESS_UM = 40.0


def seen(job_path):
    """First stop of a job in mm, and what its checks say: those not green, by name."""
    job = nc.read_job(job_path)
    bands = job.bands(job.read_log())
    checks = job.checks(bands)
    said = {one.name: one for one in checks.checks if one.verdict in ("amber", "red")}
    if any(one.verdict == "red" for one in said.values()):
        return None, said
    return job.design(bands).stop_mm(), said


def main():
    with tempfile.TemporaryDirectory() as top:
        honest, usual = seen(demo_in(Path(top) / "honest"))
        missed = 0
        for k, (name, slip) in enumerate(SLIPS.items()):
            path = demo_in(Path(top) / f"slip{k}")
            slip(path.parent)
            try:
                stop, said = seen(path)
            except nc.NeedleCalcError as error:
                print(f"{name:32s} refused: {str(error)[:140]}")
                continue
            new = {check: one for check, one in said.items() if check not in usual}
            harm = np.inf if stop is None else 1e3 * np.abs(stop - honest).max() if stop.size == honest.size else np.nan
            words = "; ".join(f"{check} {one.verdict}" for check, one in new.items())
            missed += not new and not harm < HARMLESS_UM
            verdict = words or ("harmless" if harm < HARMLESS_UM else "MISSED")
            print(f"{name:32s} {f'{harm:5.0f} um ' if stop is not None else ''}{verdict}")
        print(f"{missed} of {len(SLIPS)} pass unnoticed with harm of {HARMLESS_UM:.0f} um or more")


if __name__ == "__main__":
    main()
