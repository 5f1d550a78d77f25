"""What a second drive with the jet moved is worth: virtual engines foretold on their ideal needle, metal untouched.

Then, on cars of the second population of which nothing is told, the miss that the sheet states without and with the jet
drive it names, beside the miss that is left after the first cut without one and with one of 3 flats.

Run: python tests/bench/jet_drive.py [engines]
"""

from __future__ import annotations

import sys
import time
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).parent.parent))

from bench import newcomer
from bench.closed_loop import bands_of, setup_of
from other_engine import draw_other
from virtual_engine import draw_engine

import needlecalc as nc

FLATS = (-1, 1, 2, 3, 4)


def main(engines: int) -> None:
    for lift in ("marker", "computed"):
        start_s = time.time()
        miss: dict[int, list[float]] = {flats: [] for flats in (0, *FLATS)}
        lift_z: dict[int, list[float]] = {flats: [] for flats in (0, *FLATS)}
        shares: dict[int, list[float]] = {flats: [] for flats in FLATS}
        refused = 0
        for seed in range(engines):
            engine = draw_engine(seed, "centred" if seed % 2 else "biased")
            setup, rng = setup_of(engine), np.random.default_rng(seed)
            start, drop = engine.start_diameters_mm, engine.jet_drop_mm
            ideal, ideal_drop = engine.ideal_diameters_mm, engine.ideal_jet_drop_mm
            true = np.log(engine.true_lambda(ideal, ideal_drop) / engine.true_lambda(start, drop))

            def drive(at_mm, engine=engine, setup=setup, rng=rng, start=start, lift=lift):
                return bands_of(setup, engine.measure(start, at_mm, rng, lift=lift))

            first = drive(drop)
            for flats in (0, *FLATS):
                history = first
                if flats:
                    try:
                        moved = drive(drop + flats * setup.carburettor.jet.flat_mm)
                        history = nc.with_jet_drive(first, moved, setup, flats=flats)
                        shares[flats].append(nc.design.jet_shift(first, moved, setup, flats=flats).share()[0])
                    except nc.InputError as error:
                        refused += 1
                        print(f"engine {seed}, {flats:+d} flats: {error}")
                        continue
                learned = nc.learn(history, setup)
                foretold = learned.log_lambda(learned.mean, ideal, ideal_drop) - np.log(learned.lambda_now())
                miss[flats].append(float(np.sqrt(np.mean((foretold - true)[1:] ** 2))))
                z = (learned.lift_mm() - engine.true_lift()) / learned.u()[learned.place.lift()]
                lift_z[flats].append(float(np.sqrt(np.mean(z**2))))
        for flats in (0, *FLATS):
            rms, middle = np.sqrt(np.mean(np.square(miss[flats]))), np.median(miss[flats])
            seen = f"seen/expected {np.median(shares[flats]):.2f}" if flats else "one drive"
            spread = f"({np.min(shares[flats]):.2f} to {np.max(shares[flats]):.2f})" if flats else ""
            z = np.sqrt(np.mean(np.square(lift_z[flats])))
            print(f"{lift:9s} {flats:+d} flats: miss rms {rms:.4f} median {middle:.4f}, lift z {z:.2f}, {seen} {spread}")
        print(f"   {refused} refused, {time.time() - start_s:.0f} s")


def stated(engines: int) -> None:
    for lift in ("marker", "computed"):
        rows = []
        for seed in range(100, 100 + engines):
            engine, rng = draw_other(seed), np.random.default_rng([seed, 11])
            setup, day = newcomer.setup_of(engine), engine.another_day(rng)
            read = day.measure(np.array(engine.start_diameters_mm), engine.jet_drop_mm, rng, lift=lift)
            bands = newcomer.bands_of(setup, read)
            target = nc.Target(bands, engine.bands.lambda_target)
            step = nc.solve(target, setup).next_step
            if step is None or step.what != "jet drive":
                continue
            try:
                cuts = [newcomer.library(engine, lift, jet_drive=drive)[0][0] for drive in (False, True)]
            except nc.NeedleCalcError as error:
                print(f"engine {seed}: {error}")
                continue
            left = [100.0 * np.sqrt(np.mean(np.log(one / engine.bands.lambda_target) ** 2)) for one in cuts]
            rows.append([step.now.miss_percent, step.then.miss_percent, *left])
        now, then, without, with_drive = np.mean(rows, axis=0)
        gains = f"gain stated {now - then:.2f}, found {without - with_drive:.2f}"
        said, left_over = f"stated {now:.2f} to {then:.2f} %", f"left {without:.2f} to {with_drive:.2f} %"
        print(f"{lift:9s} {len(rows)} cars: {said}, {left_over}; {gains}")


if __name__ == "__main__":
    count = int(sys.argv[1]) if len(sys.argv) > 1 else 60
    main(count)
    stated(count)
