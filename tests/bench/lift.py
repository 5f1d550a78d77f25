"""Every way to the lift against the true lifts of virtual engines: share within two sigma, size of error and doubt.

Run: ``python tests/bench/lift.py [engines]`` (200 when not given) from the repository with it and ``tests`` on PYTHONPATH.
Prints a table; asserts nothing.
"""

from __future__ import annotations

import sys

import numpy as np
from lift_cases import measured_ways
from virtual_engine import draw_engine

import needlecalc as nc


def main() -> None:
    found: dict[str, list[tuple[np.ndarray, ...]]] = {}
    refused: dict[str, int] = {}
    for seed in range(int(sys.argv[1]) if len(sys.argv) > 1 else 200):
        try:
            for way, bands, truth, asked in measured_ways(draw_engine(seed), np.random.default_rng([seed, 5])):
                row = (bands.lift_mm - truth)[asked], bands.lift_u_mm[asked], bands.lift_common_u_mm[asked]
                found.setdefault(way, []).append(row)
        except nc.InputError as refusal:
            refused[str(refusal)] = refused.get(str(refusal), 0) + 1
    print("way          lifts  in 2 sigma  rms z  rms miss mm  rms doubt mm  own left, rms z  shared factor, rms")
    for way, rows in found.items():
        miss, u = (np.concatenate([row[k] for row in rows]) for k in (0, 1))
        left, factors = [], []
        for one, whole, common in rows:
            own2 = np.maximum(whole**2 - common**2, 1e-12)
            factors.append((common * one / own2).sum() / ((common**2 / own2).sum() + 1.0))
            left.append((one - factors[-1] * common) / np.sqrt(own2))
        rms = [float(np.sqrt(np.mean(np.square(v)))) for v in (miss / u, miss, u, np.concatenate(left), factors)]
        inside = np.mean(np.abs(miss) < 2.0 * u)
        print(
            f"{way:12s} {miss.size:5d} {inside:11.3f}"
            + "".join(f"{x:{w}.2f}" for x, w in zip(rms, (7, 13, 14, 17, 12), strict=True))
        )
    for words, count in refused.items():
        print(f"refused {count}: {words}")


if __name__ == "__main__":
    main()
