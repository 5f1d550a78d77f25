"""Make the invented drive: a delivery van over a pass road, logged at 10 Hz, with lag, noise and transients.

Run from this folder: ``python make_drive.py``.  Seeded, so the file comes out the same.
"""

from __future__ import annotations

import sys
from dataclasses import replace
from pathlib import Path

import numpy as np

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from needlecalc.design.predict import fuel_of  # noqa: E402
from needlecalc.job import read_job  # noqa: E402
from needlecalc.measure.bands import typed_bands  # noqa: E402
from needlecalc.measure.lift import with_lift  # noqa: E402
from needlecalc.parts.needle import Needle  # noqa: E402

RATE_HZ, LAG_S, SEED = 10, 0.4, 1907
# The needle as it would have to be for the van to run right: metal to come off each station, um.
WANTED_OFF_UM = np.array([0, 0, 0, 3, 8, 15, 24, 32, 38, 40, 42, 45, 48])
WISH = {"idle": 0.98, "light": 1.00, "part": 0.95, "full": 0.88}
# rpm, manifold kPa, seconds held
HOLDS = [
    (850, 38, 30), (1500, 50, 9), (2000, 50, 9), (2500, 52, 8), (3000, 55, 8), (3500, 60, 7), (850, 38, 15),
    (1500, 78, 7), (2000, 78, 8), (2500, 79, 8), (3000, 80, 8), (3500, 80, 7), (4000, 80, 6),
    (1500, 93, 6), (2000, 93, 8), (2500, 93, 8), (3000, 93, 8), (3500, 93, 8), (4000, 93, 7), (4500, 93, 6),
    (5000, 92, 6), (2500, 52, 8), (2000, 93, 8), (3000, 93, 8), (4000, 93, 6), (3000, 80, 8), (850, 38, 20),
]  # fmt: skip


def load_of(kpa: float, rpm: float) -> str:
    if rpm < 1100:
        return "idle"
    return "light" if kpa < 70 else "part" if kpa < 88 else "full"


def main() -> None:
    job = read_job(HERE / "pass_van.toml")
    rng = np.random.default_rng(SEED)
    setup, needle = job.setup, job.setup.carburettor.needle
    right = Needle("right", needle.stations_mm, needle.diameters_mm - WANTED_OFF_UM / 1000)
    speed, pressure, wish = [], [], []
    rpm, kpa = HOLDS[0][:2]
    for to_rpm, to_kpa, seconds in [*HOLDS, *HOLDS]:
        for share in np.linspace(0, 1, 15, endpoint=False):
            speed.append(rpm + share * (to_rpm - rpm))
            pressure.append(kpa + share * (to_kpa - kpa))
        speed += [to_rpm] * (seconds * RATE_HZ)
        pressure += [to_kpa] * (seconds * RATE_HZ)
        rpm, kpa = to_rpm, to_kpa
    speed = np.array(speed) + rng.normal(0, 6, len(speed))
    pressure = np.array(pressure) + rng.normal(0, 0.4, len(pressure))
    wish = np.array([WISH[load_of(p, n)] for n, p in zip(speed, pressure, strict=True)])
    bands = replace(typed_bands(speed, wish), manifold_pressure_pa=pressure * 1e3)
    lift = with_lift(bands, setup).lift_mm
    fitted, _ = fuel_of(setup, lift)
    ideal, _ = fuel_of(setup.with_needle(right), lift)
    burnt = wish * ideal.fuel_flow_g_s / fitted.fuel_flow_g_s
    # The damper holds the piston back while the lift rises, which enriches for a moment.
    opening = np.maximum(np.gradient(lift) * RATE_HZ, 0)
    burnt = burnt * (1 - 0.02 * np.minimum(opening, 5))
    seen = np.empty_like(burnt)
    value = burnt[0]
    share = 1 - np.exp(-1 / RATE_HZ / (LAG_S / 2))
    delay = round(LAG_S / 2 * RATE_HZ)
    for k in range(burnt.size):
        value += share * (burnt[max(k - delay, 0)] - value)
        seen[k] = value
    seen += rng.normal(0, 0.008, seen.size)
    lines = ["time_s;engine_rpm;manifold_kpa;lambda;target lambda;coolant_degc"]
    for k in range(seen.size):
        row = (k / RATE_HZ, speed[k], pressure[k], seen[k], wish[k], 84)
        lines.append(f"{row[0]:.1f};{row[1]:.0f};{row[2]:.1f};{row[3]:.3f};{row[4]:.2f};{row[5]:d}".replace(".", ","))
    (HERE / "pass_van_drive.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
