"""Time of one full forward prediction and of 10,000 samples of it, against plain Python.

Two loops to compare with: single calls of the package, and a scalar loop written here with ``math`` alone, band by
band and sample by sample, the way one would write the law without arrays.  Each loop runs fewer samples than the
arrays do and is scaled by the sample; both are checked against the arrays.

Run: ``python tests/bench/forward.py``.  Prints processor time per sample and the ratio; asserts only that the flows agree.
"""

from __future__ import annotations

import math
import time

import numpy as np

from needlecalc.physics.annulus import bore_flow, bore_flow_and_slopes
from needlecalc.physics.strips import AZIMUTHS

BANDS, STATIONS, SAMPLES, LOOPED, SCALAR_LOOPED = 20, 16, 10_000, 20, 100
BATCH = 100  # samples an array call, so that what it works on stays in the processor's cache
STATIONS_MM = np.arange(STATIONS) * 3.175
DIAMETERS_MM = np.linspace(2.45, 1.3, STATIONS)
PLACES_MM = np.linspace(2.0, 40.0, BANDS)
FUEL = {"bore_mm": 2.54, "pressure_pa": 1950.0, "density_kg_m3": 745.0}
NODES, WEIGHTS = (row.tolist() for row in np.polynomial.legendre.leggauss(AZIMUTHS))
AGREE = 1e-9


def scalar_flow_g_s(place, stations, diameters, bore, length, pressure, density, viscosity, eccentricity):
    """Flow of one band, one needle: plain floats and ``math``."""
    end = place + length
    inside = [z for z in stations if place < z < end]
    points = [place, *inside, end]
    widths = []
    for z in points:
        k = 0
        while k < len(stations) - 2 and stations[k + 1] <= z:
            k += 1
        share = (z - stations[k]) / (stations[k + 1] - stations[k])
        widths.append(diameters[k] + share * (diameters[k + 1] - diameters[k]))
    face = (bore - widths[0]) / 2.0
    radius = (bore + widths[0]) / 4.0
    velocity = 1e3 * math.sqrt(2.0 * pressure / density)
    strips = [(0.0, 1.0)]
    if eccentricity:
        strips = [(math.cos(math.pi * (n + 1.0) / 2.0), w / 2.0) for n, w in zip(NODES, WEIGHTS, strict=True)]
    total = 0.0
    for cosine, share in strips:
        shift = eccentricity * face * cosine
        wide = bore + shift
        integral = 0.0
        for i in range(len(points) - 1):
            a, b = (bore - widths[i]) / 2.0 + shift, (bore - widths[i + 1]) / 2.0 + shift
            logs = (math.log(b / a) + math.log((wide - a) / (wide - b))) / (b - a) if abs(b - a) > 1e-9 * a else 1 / a
            mean = (a + b) / (2.0 * a * a * b * b) / wide + 1.0 / (a * b) / wide**2 + logs / wide**3
            integral += (points[i + 1] - points[i]) * mean
        gap = face + shift
        sigma = 2.0 * viscosity * 24.0 * gap * radius * integral / velocity
        ideal = velocity * 2.0 * gap / viscosity
        u = 2.0 / (sigma + math.sqrt(sigma * sigma + 4.0 * (1.78 - 9.4e-5 * 4000.0)))
        if u * ideal < 4000.0:
            kappa = 9.4e-5 * ideal
            for _ in range(30):
                step = (((1.78 - kappa * u) * u + sigma) * u - 1.0) / ((2.0 * 1.78 - 3.0 * kappa * u) * u + sigma)
                u -= step
                if abs(step) <= 1e-13 * u:
                    break
        total += share * u * gap
    return 2.0 * math.pi * radius * total * velocity * density * 1e-6


def main() -> None:
    rng = np.random.default_rng(1)
    places = PLACES_MM + rng.normal(0, 0.3, (SAMPLES, BANDS))
    diameters = DIAMETERS_MM + rng.normal(0, 0.0015, (SAMPLES, 1, STATIONS))
    length = rng.normal(4.0, 0.3, (SAMPLES, 1))
    viscosity = rng.normal(0.62, 0.03, (SAMPLES, 1))
    print(f"one sample is a prediction of {BANDS} bands on a needle of {STATIONS} stations")
    for name, eccentric in (("centred", 0.0), (f"eccentric, {AZIMUTHS} strips", 0.3)):
        start = time.process_time()
        batches = [
            bore_flow(
                places[first : first + BATCH],
                STATIONS_MM,
                diameters[first : first + BATCH],
                length_mm=length[first : first + BATCH],
                viscosity_mm2_s=viscosity[first : first + BATCH],
                eccentricity=eccentric,
                **FUEL,
            ).fuel_flow_g_s
            for first in range(0, SAMPLES, BATCH)
        ]
        whole = np.concatenate(batches)
        together = time.process_time() - start
        vectorised = together / SAMPLES
        start = time.process_time()
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
                assert np.isclose(one.fuel_flow_g_s, whole[s, b], rtol=AGREE)
        single = (time.process_time() - start) / LOOPED
        plain = [
            (places[s].tolist(), diameters[s, 0].tolist(), float(length[s, 0]), float(viscosity[s, 0]))
            for s in range(SCALAR_LOOPED)
        ]
        stations = STATIONS_MM.tolist()
        start = time.process_time()
        flows = [
            [scalar_flow_g_s(place, stations, needle, 2.54, long, 1950.0, 745.0, viscous, eccentric) for place in where]
            for where, needle, long, viscous in plain
        ]
        scalar = (time.process_time() - start) / SCALAR_LOOPED
        assert np.allclose(flows, whole[:SCALAR_LOOPED], rtol=AGREE)
        start = time.process_time()
        for _ in range(LOOPED):
            bore_flow(
                PLACES_MM, STATIONS_MM, DIAMETERS_MM, length_mm=4.0, viscosity_mm2_s=0.62, eccentricity=eccentric, **FUEL
            )
        once = (time.process_time() - start) / LOOPED
        print(f"{name}:")
        print(f"  {SAMPLES} samples as arrays, {BATCH} a call: {together:.2f} s, {1e6 * vectorised:.1f} us a sample")
        print(
            f"  scalar loop, math only ({SCALAR_LOOPED} samples): {1e6 * scalar:.0f} us a sample, "
            f"{scalar / vectorised:.1f} times"
        )
        print(f"  loop of single calls ({LOOPED} samples): {1e6 * single:.0f} us a sample, {single / vectorised:.0f} times")
        print(f"  one prediction alone as arrays: {1e6 * once:.0f} us; the scalar loop takes {scalar / once:.1f} times that")
    start = time.process_time()
    bore_flow_and_slopes(PLACES_MM, STATIONS_MM, DIAMETERS_MM, length_mm=4.0, viscosity_mm2_s=0.62, **FUEL)
    slopes = 1e3 * (time.process_time() - start)
    print(f"one prediction of {BANDS} bands x {STATIONS} stations with all slopes: {slopes:.2f} ms")


if __name__ == "__main__":
    main()
