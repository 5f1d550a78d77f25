"""Time of one full forward prediction and of 10,000 samples of it, against a plain Python loop of single calls.

Run: ``python tests/bench/forward.py``.  Prints seconds per sample and the ratio; asserts nothing.
"""

from __future__ import annotations

import time

import numpy as np

from needlecalc.physics.annulus import bore_flow, bore_flow_and_slopes

BANDS, STATIONS, SAMPLES, LOOPED = 20, 16, 10_000, 20
STATIONS_MM = np.arange(STATIONS) * 3.175
DIAMETERS_MM = np.linspace(2.45, 1.3, STATIONS)
PLACES_MM = np.linspace(2.0, 40.0, BANDS)
FUEL = {"bore_mm": 2.54, "pressure_pa": 1950.0, "density_kg_m3": 745.0}


def main() -> None:
    rng = np.random.default_rng(1)
    places = PLACES_MM + rng.normal(0, 0.3, (SAMPLES, BANDS))
    diameters = DIAMETERS_MM + rng.normal(0, 0.0015, (SAMPLES, 1, STATIONS))
    length = rng.normal(4.0, 0.3, (SAMPLES, 1))
    viscosity = rng.normal(0.62, 0.03, (SAMPLES, 1))
    for name, eccentric in (("centred", 0.0), ("eccentric, 12 strips", 0.3)):
        start = time.perf_counter()
        whole = bore_flow(
            places, STATIONS_MM, diameters, length_mm=length, viscosity_mm2_s=viscosity, eccentricity=eccentric, **FUEL
        )
        vectorised = (time.perf_counter() - start) / SAMPLES
        start = time.perf_counter()
        for s in range(LOOPED):
            for b in range(BANDS):
                one = bore_flow(
                    places[s, b],
                    STATIONS_MM,
                    diameters[s, 0],
                    length_mm=length[s, 0],
                    viscosity_mm2_s=viscosity[s, 0],
                    eccentricity=eccentric,
                    **FUEL,
                )
                assert np.isclose(one.fuel_flow_g_s, whole.fuel_flow_g_s[s, b])
        looped = (time.perf_counter() - start) / LOOPED
        print(f"{name}: {1e6 * vectorised:.1f} us a sample of {BANDS} bands")
        print(f"  a plain loop of single calls takes {looped / vectorised:.0f} times as long")
    start = time.perf_counter()
    bore_flow_and_slopes(PLACES_MM, STATIONS_MM, DIAMETERS_MM, length_mm=4.0, viscosity_mm2_s=0.62, **FUEL)
    once = 1e3 * (time.perf_counter() - start)
    print(f"one prediction of {BANDS} bands x {STATIONS} stations with all slopes: {once:.2f} ms")


if __name__ == "__main__":
    main()
