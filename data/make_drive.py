"""Make the invented van's drives: needle as fitted, first drive, and the second drive after the first stop.

Run from this folder: ``python make_drive.py``.  Seeded, so the files come out the same.

The van's needle was right once; somebody fitted one with metal on it that grows towards the tip.  The van differs a
little from what its owner states of it: filling, bore length, viscosity, a needle that hangs off centre.
"""

from __future__ import annotations

import csv
import sys
from dataclasses import dataclass, replace
from pathlib import Path

import numpy as np
from scipy.optimize import lsq_linear

HERE = Path(__file__).parent
sys.path.insert(0, str(HERE.parent))

from needlecalc.jobfile import read_job  # noqa: E402
from needlecalc.parts.needle import Needle  # noqa: E402
from needlecalc.parts.setup import FlowParameters, Setup, fuel_flow_and_slopes  # noqa: E402
from needlecalc.physics.airflow import engine_air_flow_g_s  # noqa: E402
from needlecalc.units import DRY_AIR_J_KG_K, FloatArray, kelvin_from_degc  # noqa: E402

RATE_HZ, SEED = 10, 1908
# Lag of lambda: two rows late, then a first-order filter that takes a third of the step left each row and so lags by
# 0.1 s (1 - 1/3)/(1/3) = 0.2 s more.
DELAY_ROWS, FILTER_SHARE = 2, 1 / 3
LAG_S = (DELAY_ROWS + (1 - FILTER_SHARE) / FILTER_SHARE) / RATE_HZ
NOISE, VISIT_NOISE, CEILING = 0.008, 0.003, 1.6
TRUE_PARAMETERS = FlowParameters(length_mm=4.4, viscosity_factor=1.05, eccentricity=0.2)
LIFTS_MM = np.linspace(3.7, 31.0, 71)
# Metal on the needle as fitted: none up to the fourth station, 0.17 mm on diameter at the eleventh, a pointed tip.
METAL_MM, METAL_FROM_MM, METAL_AT_MM, METAL_POWER = 0.170, 9.525, 31.75, 1.45
FREE_RISE_MM_S = 1.5
TIP_SHARE = {11: 0.5, 12: 0.1}
HAND_MM, MICROMETER_MM = 0.0025, 0.0015
COLD_DEGC, CHOKE_OFF_DEGC, HOT_DEGC, WARMING_S = 55.0, 64.0, 85.0, 55.0
OVERRUN = "overrun"
# rpm, manifold kPa, seconds held.  Warming up keeps off the speeds that are measured later; loads keep to lifts of
# their own, so that one needle can serve them all.
COLD = [(1200, 44, 30), (1250, 48, 11), (1750, 50, 11), (1250, 50, 9), (1750, 52, 12), (2250, 52, 11), (1250, 50, 9)]
ROUND = [
    (850, 38, 14), (1500, 50, 9), (2000, 50, 9), (2500, 52, 8), (2000, 82, 8), (2500, 80, 8), (3000, 93, 8),
    (3500, 93, 8), (4000, 93, 8), (4500, 92.5, 7), (5000, 92, 7), (4000, 93, 7), (3000, 93, 7), (2500, 80, 7),
    (2000, 50, 8), (1500, 50, 8),
]  # fmt: skip
HOLDS = [
    *COLD, *ROUND, (3500, 93, 7), (4500, 92.5, 7), (5000, 92, 7), (OVERRUN, 27, 9), (2000, 82, 8), (2500, 52, 8),
    *ROUND, (3500, 93, 7), (5000, 92, 7), (2000, 82, 7), (850, 38, 18),
]  # fmt: skip
SECOND = [*COLD, *ROUND, (OVERRUN, 27, 8), *ROUND[1:], (2000, 82, 7), (850, 38, 16)]


@dataclass(frozen=True)
class Course:
    """What the driver does, row by row, free of noise."""

    rpm: FloatArray
    pressure_kpa: FloatArray
    visit: FloatArray
    shut: FloatArray


def wished_lambda(lift_mm: FloatArray) -> FloatArray:
    """Lambda the right needle gives: smooth over lift, whatever the load."""

    def step(at_mm: float, width_mm: float) -> FloatArray:
        return 1 / (1 + np.exp(-(lift_mm - at_mm) / width_mm))

    return 1.00 - 0.05 * step(11.9, 0.6) - 0.07 * step(17.3, 1.0)


def true_lambda(setup: Setup, diameters_mm: FloatArray, lift_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Lambda of the van at a lift, and its slope (share a mm) by each diameter."""
    air = setup.carburettor.air_valve.air_flow_g_s(lift_mm, setup.air)
    flow, slopes = fuel_flow_and_slopes(setup, lift_mm, diameters_mm=diameters_mm, parameters=TRUE_PARAMETERS)
    return air / (setup.fuel.afr() * flow.fuel_flow_g_s), -slopes.per_mm_diameter


def right_diameters(setup: Setup) -> FloatArray:
    """Diameters that give the wished lambda at every lift, as smooth as may be."""
    now = setup.carburettor.needle.diameters_mm.copy()
    most = np.full(now.size, 2.465)
    most[0] = 2.475
    bend = 0.15 * np.diff(np.eye(now.size), 3, axis=0)
    for _ in range(25):
        lambdas, slopes = true_lambda(setup, now, LIFTS_MM)
        asked = np.log(wished_lambda(LIFTS_MM) / lambdas)
        a, b = np.vstack([slopes, bend]), np.concatenate([asked, -bend @ now])
        now = now + lsq_linear(a, b, bounds=(-0.05, np.minimum(0.05, most - now + 1e-9)), method="bvls").x
    return now


def fitted_diameters(setup: Setup) -> FloatArray:
    """The right needle with metal that grows along it."""
    along = (setup.carburettor.needle.stations_mm - METAL_FROM_MM) / (METAL_AT_MM - METAL_FROM_MM)
    metal = METAL_MM * np.clip(along, 0, 1) ** METAL_POWER
    for station, share in TIP_SHARE.items():
        metal[station] = share * METAL_MM
    return np.round(right_diameters(setup) + metal, 3)


def filling(rpm: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Volumetric efficiency the van really has; its owner guesses 0.84."""
    return 0.81 * (1 - 0.07 * ((rpm - 3200) / 2400) ** 2) * (1 - 0.08 * (1 - pressure_kpa / 95))


def course(holds: list) -> Course:
    """Holds with two seconds between them: the throttle moves in half a second, the speed follows.

    An overrun is a shut throttle while the speed falls.
    """
    rpm, pressure, visit, shut = [], [], [], []
    speed, kpa = holds[0][:2]
    for number, (to_rpm, to_kpa, seconds) in enumerate(holds):
        rows = seconds * RATE_HZ
        if to_rpm == OVERRUN:
            rpm += list(np.linspace(speed, 1700, rows))
            pressure += [to_kpa] * rows
            shut += [1] * rows
            visit += [number] * rows
            speed, kpa = 1700, 40
            continue
        way = np.linspace(0, 1, 20, endpoint=False)
        rpm += [*(speed + way * (to_rpm - speed)), *[to_rpm] * rows]
        pressure += [*(kpa + np.minimum(4 * way, 1) * (to_kpa - kpa)), *[to_kpa] * rows]
        shut += [0] * (rows + way.size)
        visit += [number] * (rows + way.size)
        speed, kpa = to_rpm, to_kpa
    return Course(np.array(rpm, dtype=float), np.array(pressure, dtype=float), np.array(visit), np.array(shut))


def drive(setup: Setup, diameters_mm: FloatArray, holds: list, rng: np.random.Generator) -> list[str]:
    """Lines of the log of a drive with these true diameters."""
    on = course(holds)
    time_s = np.arange(on.rpm.size) / RATE_HZ
    lift = true_lift_mm(setup, on.rpm, on.pressure_kpa)
    burnt, _ = true_lambda(setup, diameters_mm, lift)
    burnt = burnt + rng.normal(0, VISIT_NOISE, on.visit.max() + 1)[on.visit]
    coolant = HOT_DEGC - (HOT_DEGC - COLD_DEGC) * np.exp(-time_s / WARMING_S)
    choke = np.clip((CHOKE_OFF_DEGC - coolant) / (CHOKE_OFF_DEGC - COLD_DEGC), 0, 1)
    burnt = burnt * (1 - 0.05 * choke)
    # The damper holds the piston back while the lift rises quickly, which enriches for a moment.
    opening = np.maximum(np.gradient(lift) * RATE_HZ, 0)
    burnt = np.where(on.shut == 1, 4.0, burnt * (1 - 0.02 * np.clip(opening - FREE_RISE_MM_S, 0, 5)))
    seen, value = np.empty_like(burnt), burnt[0]
    for k in range(burnt.size):
        value += FILTER_SHARE * (burnt[max(k - DELAY_ROWS, 0)] - value)
        seen[k] = value
    seen = np.minimum(seen + rng.normal(0, NOISE, seen.size), CEILING)
    speed = on.rpm + rng.normal(0, 6, on.rpm.size)
    kpa = on.pressure_kpa + rng.normal(0, 0.4, on.rpm.size)
    wish = np.select([on.pressure_kpa < 70, on.pressure_kpa < 88], [1.0, 0.95], 0.88)
    lines = ["time_s;engine_rpm;manifold_kpa;lambda;target lambda;coolant_degc"]
    for t, n, p, ratio, aim, warm in zip(time_s, speed, kpa, seen, wish, coolant, strict=True):
        lines.append(f"{t:.1f};{n:.0f};{p:.1f};{ratio:.3f};{aim:.2f};{warm:.0f}".replace(".", ","))
    return lines


def write_needle(path: Path, words: str, needle: Needle, digits: int) -> None:
    with path.open("w", encoding="utf-8", newline="") as file:
        file.write(f"# {words}\n")
        out = csv.writer(file, lineterminator="\n")
        out.writerow(["station", "distance_mm", "diameter_mm"])
        for k, (at, across) in enumerate(zip(needle.stations_mm, needle.diameters_mm, strict=True), start=1):
            out.writerow([k, f"{at:.3f}", f"{across:.{digits}f}"])


def true_lift_mm(setup: Setup, rpm: FloatArray, pressure_kpa: FloatArray) -> FloatArray:
    """Lift of the van's piston at running points."""
    swept = {"displacement_cm3": setup.engine.displacement_cm3, "volumetric_efficiency": filling(rpm, pressure_kpa)}
    density = 1e3 * pressure_kpa / (DRY_AIR_J_KG_K * kelvin_from_degc(setup.air.temperature_degc))
    air = engine_air_flow_g_s(rpm, density_kg_m3=density, **swept)
    return setup.carburettor.air_valve.lift_mm(air, setup.air)


def trimmed_drop_mm(setup: Setup, diameters_mm: FloatArray, idle_lambda: float) -> float:
    """Jet drop, in half flats from the present one, that idles nearest to this lambda."""
    jet = setup.carburettor.jet
    lift = true_lift_mm(setup, np.array([850.0]), np.array([38.0]))
    drops = jet.drop_mm + jet.flat_mm * np.arange(-4, 5) / 2
    found = [true_lambda(with_drop(setup, drop), diameters_mm, lift)[0][0] for drop in drops]
    return round(float(drops[np.argmin(np.abs(np.array(found) - idle_lambda))]), 4)


def with_drop(setup: Setup, drop_mm: float) -> Setup:
    carburettor = setup.carburettor
    # The fuel level stays where it is when the jet moves.
    level = carburettor.float_level_mm + carburettor.jet.drop_mm - drop_mm
    moved = replace(carburettor, jet=replace(carburettor.jet, drop_mm=drop_mm), float_level_mm=level)
    return replace(setup, carburettor=moved)


def main() -> None:
    rng = np.random.default_rng(SEED)
    setup = read_job(HERE / "pass_van.toml").setup
    stations = setup.carburettor.needle.stations_mm
    fitted = fitted_diameters(setup)
    words = "Invented needle of the invented van; distances from the shoulder, diameters as measured"
    write_needle(HERE / "pass_van_needle.csv", words, Needle("van as fitted", stations, fitted), 3)
    lines = drive(setup, fitted, HOLDS, rng)
    (HERE / "pass_van_drive.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")

    job = read_job(HERE / "pass_van.toml")
    design = job.design()
    first = design.stop.needle.diameters_mm
    touched = first < fitted
    cut = np.where(touched, np.minimum(first + rng.normal(0, HAND_MM, fitted.size), fitted), fitted)
    drop = trimmed_drop_mm(setup, cut, float(design.target.lambda_target[0]))
    measured = np.where(touched, np.round(cut + rng.normal(0, MICROMETER_MM, fitted.size), 3), fitted)
    words = "The invented needle after the first stop, as measured washed and cold at two angles (means)"
    write_needle(HERE / "pass_van_second_needle.csv", words, Needle("van at the first stop", stations, measured), 3)
    lines = drive(with_drop(setup, drop), cut, SECOND, rng)
    (HERE / "pass_van_second_drive.csv").write_text("\n".join(lines) + "\n", encoding="utf-8")
    text = (HERE / "pass_van.toml").read_text(encoding="utf-8")
    carburettor = with_drop(setup, drop).carburettor
    for old, new in (
        (
            "# Invented scenario: ",
            "# Made by make_drive.py from pass_van.toml, after the first stop. Invented scenario: ",
        ),
        ('name = "pass-road van (invented)"', 'name = "pass-road van, second drive (invented)"'),
        ('"pass_van_needle.csv"', '"pass_van_second_needle.csv"'),
        ('"van as fitted"', '"van at the first stop"'),
        ('"pass_van_drive.csv"', '"pass_van_second_drive.csv"'),
        (f"drop_mm = {setup.carburettor.jet.drop_mm:.2f}", f"drop_mm = {drop:.4f}"),
        (
            f"float_level_mm = {setup.carburettor.float_level_mm:.1f}",
            f"float_level_mm = {carburettor.float_level_mm:.4f}",
        ),
    ):
        assert text.count(old) == 1, old
        text = text.replace(old, new)
    (HERE / "pass_van_second.toml").write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()
