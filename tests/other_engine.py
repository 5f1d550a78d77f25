"""A second population of virtual engines, wider than every prior of the library and of another flow law.

It is drawn without regard to what the library believes, and its owner tells the library only what a newcomer would
write in a job: parts as their tables state them, no bore length, one guessed volumetric efficiency, no uncertainty.

Fuel law (not the library's, nor that of ``virtual_engine``): the ring is cut into azimuth strips; in each the pressure
goes into viscous loss in a slit whose height opens down the bore (Reynolds lubrication, 12 mu q / h**3), or Blasius
friction where that is larger, an entry loss, and the kinetic energy of the jet at the face, which is not
recovered: 54/35 of a head for a parabolic profile, 1.06 for a turbulent one (both from any text on viscous
flow; from memory).

Drawn truths, all judgement, no source: bore length U(1, 6) mm, offset of a centred needle U(0, 1) of its
gap, throat discharge coefficient U(.6, .9) that varies by up to 15 % with lift, volumetric efficiency
U(.70, .95) at its peak with a fall by speed and by load, intake air 0 to 30 K warmer than the day, meter gain
N(6 %, at most 20 %) and offset N(.012), micrometer and table biased by N(3 um) each, float level N(1.5 mm) for the
car and N(.7 mm) from drive to drive, fuel temperature N(6 K) from drive to drive, an air leak in one of four.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from virtual_drive import fit_needle, idle_drop_mm

Array = NDArray[np.float64]
GRAVITY = 9.80665
AIR = 287.05  # J/(kg K), dry
ANGLES = (np.arange(8) + 0.5) * np.pi / 8.0
DEPTHS = 12  # steps down the bore
PITCH_MM = 3.175
USUAL_DROP_MM = 1.7  # where the jet's face is as high above the fuel as ``float_level_m`` says


@dataclass(frozen=True)
class OtherTruth:
    """What nobody tells the library; SI units."""

    bore_m: float
    bore_length_m: float
    eccentricity: float
    entry_loss: float
    float_level_m: float
    density: float  # of the fuel at 20 degC
    viscosity: float  # kinematic, at 20 degC
    stoichiometry: float
    throat_m: float
    coefficient: float
    coefficient_slope: float  # relative, from no lift to full
    weight_n: float
    rate_n_m: float
    disc_m2: float
    pressure_pa: float
    temperature_k: float
    warmed_k: float
    displacement_m3: float
    carburettors: int
    filling: tuple[float, float, float, float]  # at its peak, rpm of it, fall by speed, fall by load
    leak_kg_s: float
    meter_gain: float
    meter_offset: float
    micrometer_m: float
    lean_limit: float


@dataclass(frozen=True)
class Day:
    """What changes from drive to drive."""

    float_m: float = 0.0
    fuel_k: float = 0.0


@dataclass(frozen=True)
class Points:
    """Running points; the first is idle."""

    load: tuple[str, ...]
    rpm: Array
    manifold_pressure_pa: Array
    lambda_target: Array

    @property
    def driving(self) -> NDArray[np.bool_]:
        return np.array([load != "idle" for load in self.load])


def fuel_kg_s(
    truth: OtherTruth, day: Day, stations_m: Array, diameters_m: Array, face_m: Array, pressure_pa: Array
) -> Array:
    """Mass flow; diameters (..., n), face (m,), pressure (m,) -> (..., m)."""
    density = truth.density * (1 - 1.2e-3 * day.fuel_k)
    viscosity = truth.viscosity * np.exp(-0.0115 * day.fuel_k)
    down = truth.bore_length_m * np.linspace(0.0, 1.0, DEPTHS + 1)
    place = np.clip((face_m[:, None] + down) / (stations_m[1] - stations_m[0]), 0.0, stations_m.size - 1.0)
    upper = np.minimum(place.astype(int), stations_m.size - 2)
    diameter = diameters_m[..., upper] + (place - upper) * (diameters_m[..., upper + 1] - diameters_m[..., upper])
    gap = (truth.bore_m - diameter) / 2
    # The needle hangs parallel: its offset is that at the face.
    offset = truth.eccentricity * gap[..., :1] * 0.999
    height = np.maximum(gap[..., None, :] + offset[..., None, :] * np.cos(ANGLES)[:, None], 2e-6)
    middle = (truth.bore_m + diameter)[..., None, :] / 4 * np.pi / ANGLES.size * 2  # strip width at the mean circle
    step = truth.bore_length_m / DEPTHS
    resistance = 12 * viscosity * density * ((height[..., 1:] ** -3 + height[..., :-1] ** -3) / 2).sum(axis=-1) * step
    face, entry = height[..., 0], height[..., -1]
    drive = pressure_pa[:, None]
    flow = np.sqrt(2 * drive / density) * face * 0.5  # m2/s of each strip
    for _ in range(12):
        reynolds = 2 * flow / viscosity
        turbulent = 1 / (1 + (2300 / np.maximum(reynolds, 1.0)) ** 4)
        head = (54 / 35) * (1 - turbulent) + 1.06 * turbulent
        inertia = 0.5 * density * (head / face**2 + truth.entry_loss / entry**2)
        rough = 0.079 * np.maximum(reynolds, 1.0) ** -0.25 * density * ((height**-3)[..., :-1].sum(axis=-1) * step)
        viscous = (resistance**4 + (rough * flow) ** 4) ** 0.25
        there = (np.sqrt(viscous**2 + 4 * inertia * drive) - viscous) / (2 * inertia)
        flow = np.sqrt(flow * there)
    return np.asarray((flow * middle[..., 0]).sum(axis=-1) * density)


@dataclass(frozen=True)
class OtherEngine:
    """A car with its carburettor; every method that takes diameters takes the true ones."""

    seed: int
    truth: OtherTruth
    bands: Points
    nominal: dict[str, Any]
    stations_mm: Array
    ideal_diameters_mm: Array = field(default_factory=lambda: np.zeros(0))
    start_diameters_mm: Array = field(default_factory=lambda: np.zeros(0))
    jet_drop_mm: float = 0.0
    today: Day = Day()

    def another_day(self, rng: np.random.Generator) -> OtherEngine:
        """The same car on a day of its own; what it is judged by is the usual day."""
        return replace(self, today=Day(rng.normal(0, 0.7e-3), rng.normal(0, 6.0)))

    def engine_air_kg_s(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        t = self.truth
        peak, at_rpm, by_speed, by_load = t.filling
        filling = (
            peak * (1 - by_speed * ((rpm - at_rpm) / 3000) ** 2) * (1 - by_load * (1 - manifold_pressure_pa / t.pressure_pa))
        )
        return np.asarray(
            filling * t.displacement_m3 * rpm / 120 * manifold_pressure_pa / (AIR * (t.temperature_k + t.warmed_k))
        )

    def _throat(self) -> tuple[Array, Array]:
        """Lifts in m and the air of one carburettor with the piston floating there."""
        t = self.truth
        lift = t.throat_m * np.linspace(0.0, 1.0, 300) ** 1.4
        radius = t.throat_m / 2
        part = np.clip(1 - lift / radius, -1.0, 1.0)
        area = radius**2 * (np.arccos(part) - part * np.sqrt(1 - part**2))
        coefficient = t.coefficient * (1 + t.coefficient_slope * (lift / t.throat_m - 0.5))
        density = t.pressure_pa / (AIR * (t.temperature_k + t.warmed_k))
        return lift, coefficient * area * np.sqrt(2 * density * self.depression_pa(lift))

    def depression_pa(self, lift_m: Array) -> Array:
        return np.asarray((self.truth.weight_n + self.truth.rate_n_m * lift_m) / self.truth.disc_m2)

    def _carburettor_air(self, rpm: Array, manifold_pressure_pa: Array) -> tuple[Array, Array]:
        """Air of one carburettor and what leaks in behind it, kg/s."""
        t = self.truth
        leak = t.leak_kg_s * np.sqrt(np.clip(1 - (manifold_pressure_pa / t.pressure_pa) ** 4, 0.0, 1.0)) / t.carburettors
        return self.engine_air_kg_s(rpm, manifold_pressure_pa) / t.carburettors - leak, leak

    def floating_lift_mm(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        lifts, flows = self._throat()
        return np.asarray(1e3 * np.interp(self._carburettor_air(rpm, manifold_pressure_pa)[0], flows, lifts))

    def true_lift(self) -> Array:
        return self.floating_lift_mm(self.bands.rpm, self.bands.manifold_pressure_pa)

    def mixture(
        self, diameters_mm: Array, jet_drop_mm: float, rpm: Array, manifold_pressure_pa: Array, day: Day | None = None
    ) -> Array:
        t, day = self.truth, day or Day()
        lift = self.floating_lift_mm(rpm, manifold_pressure_pa) * 1e-3
        air, leak = self._carburettor_air(rpm, manifold_pressure_pa)
        # The fuel stays where it is when the jet moves.
        above_m = t.float_level_m + day.float_m - (jet_drop_mm - USUAL_DROP_MM) * 1e-3
        pressure = np.maximum(self.depression_pa(lift) - t.density * GRAVITY * above_m, 30.0)
        face = lift + jet_drop_mm * 1e-3
        fuel = fuel_kg_s(t, day, self.stations_mm * 1e-3, np.asarray(diameters_mm, float) * 1e-3, face, pressure)
        return np.asarray((air + leak) / (t.stoichiometry * fuel))

    def true_lambda(self, diameters_mm: Array, jet_drop_mm: float, day: Day | None = None) -> Array:
        return self.mixture(diameters_mm, jet_drop_mm, self.bands.rpm, self.bands.manifold_pressure_pa, day)

    def reading(self, lambda_true: Array) -> Array:
        t = self.truth
        missed = 0.12 * (1 - np.exp(-np.maximum(lambda_true - t.lean_limit, 0.0) / 0.08))
        return 1.0 + t.meter_gain * (lambda_true / (1 - 0.8 * missed) - 1.0) + t.meter_offset

    def measure(
        self, diameters_mm: Array, jet_drop_mm: float, rng: np.random.Generator, lift: str = "marker"
    ) -> dict[str, Any]:
        """Band means of a drive today."""
        size = self.bands.rpm.size
        rpm = self.bands.rpm * (1 + rng.normal(0, 0.01, size))
        manifold = np.minimum(self.bands.manifold_pressure_pa + rng.normal(0, 600.0, size), self.truth.pressure_pa - 600.0)
        true = self.mixture(diameters_mm, jet_drop_mm, rpm, manifold, self.today)
        rough = 1 + 15 * np.clip(true - self.truth.lean_limit, 0.0, 0.1)
        error = 0.0035 * np.exp(rng.normal(0, 0.3, size)) * rough
        marker = np.maximum(self.floating_lift_mm(rpm, manifold) + rng.normal(0, 0.3, size), 0.0)
        return {
            "load": self.bands.load,
            "lambda_measured": self.reading(true) + rng.normal(0, 1, size) * error,
            "lambda_se": error,
            "rpm": rpm,
            "manifold_pressure_pa": manifold + rng.normal(0, 300.0),
            "lift_mm": marker if lift == "marker" else np.full(size, np.nan),
        }

    def mic(self, diameters_mm: Array, rng: np.random.Generator) -> Array:
        return diameters_mm + 1e3 * self.truth.micrometer_m + rng.normal(0, 1.5e-3, np.shape(diameters_mm))

    def cut(self, old_mm: Array, asked_mm: Array, rng: np.random.Generator) -> Array:
        """True diameters after the hand, 2.5 um, which files by the same biased micrometer."""
        old, asked = np.asarray(old_mm, float), np.asarray(asked_mm, float)
        error = rng.normal(0, 2.5e-3, old.size)
        return np.where(asked < old - 1e-4, np.minimum(old, asked + error), old)


def _least_mm(bore_mm: float) -> float:
    return 0.35 * bore_mm


def draw_other(seed: int) -> OtherEngine:
    """One car of the second population; needles that cannot be turned for it are drawn again."""
    for attempt in range(50):
        try:
            return _drawn(seed, np.random.default_rng([seed, 907, attempt]))
        except (ValueError, np.linalg.LinAlgError):
            continue
    msg = f"no car for seed {seed}"
    raise ValueError(msg)


def _drawn(seed: int, rng: np.random.Generator) -> OtherEngine:
    throat_mm = float(rng.choice([30.0, 36.0, 42.0]))
    bore_mm = round(float(rng.uniform(2.35, 2.9) + 0.03 * (throat_mm - 36)), 2)
    disc_mm = round(throat_mm * rng.uniform(1.5, 1.7), 1)
    disc = np.pi / 4e6 * disc_mm**2
    depression, rise = rng.uniform(1300, 2300), rng.uniform(1.05, 1.4)
    mass, idle_rpm = rng.uniform(0.14, 0.2) * (throat_mm / 36) ** 2, rng.uniform(700, 950)
    preload = max(depression * disc - mass * GRAVITY, 0.1)
    truth = OtherTruth(
        bore_m=bore_mm * 1e-3,
        bore_length_m=rng.uniform(1e-3, 6e-3),
        eccentricity=rng.uniform(0, 1) if seed % 2 else 1.0,
        entry_loss=rng.uniform(0.05, 0.45),
        float_level_m=6e-3 + rng.normal(0, 1.5e-3),
        density=742 * (1 + rng.normal(0, 0.012)),
        viscosity=0.62e-6 * np.exp(rng.normal(0, 0.12)),
        stoichiometry=14.25 * (1 + rng.normal(0, 0.012)),
        throat_m=throat_mm * 1e-3,
        coefficient=rng.uniform(0.6, 0.9),
        coefficient_slope=rng.uniform(-0.15, 0.15),
        weight_n=mass * GRAVITY + preload,
        rate_n_m=(rise - 1) * depression * disc / (throat_mm * 1e-3),
        disc_m2=disc * rng.uniform(0.9, 1.0),
        pressure_pa=rng.uniform(94e3, 102e3),
        temperature_k=273.15 + rng.uniform(4, 32),
        warmed_k=rng.uniform(0, 30),
        displacement_m3=1.0,
        carburettors=int(rng.integers(1, 3)),
        filling=(rng.uniform(0.70, 0.95), rng.uniform(2500, 4000), rng.uniform(0.05, 0.25), rng.uniform(0.1, 0.6)),
        leak_kg_s=float(rng.uniform(0, 6e-5) if rng.uniform() < 0.25 else 0.0),
        meter_gain=1 + float(np.clip(rng.normal(0, 0.06), -0.2, 0.2)),
        meter_offset=rng.normal(0, 0.012),
        micrometer_m=rng.normal(0, 3e-6),
        lean_limit=rng.uniform(1.1, 1.25),
    )
    light = np.arange(1500.0, 4001.0, 500.0)[rng.choice([0, 1]) :: 2]
    full = np.arange(2000.0, 5001.0, 500.0)[:: int(rng.choice([1, 2]))]
    rpm = np.r_[idle_rpm, light, full].round(0)
    manifold = np.r_[
        rng.uniform(30e3, 42e3),
        rng.uniform(34e3, 40e3) + rng.uniform(8e3, 20e3) * (light - 1500) / 2500,
        truth.pressure_pa - rng.uniform(2e3, 6e3) - rng.uniform(1e3, 5e3) * (full / 5000) ** 2,
    ]
    load = ("idle",) + ("light",) * light.size + ("full",) * full.size
    stations = PITCH_MM * np.arange(float(np.ceil((throat_mm + 2 + 6) / PITCH_MM)) + 1)
    engine = OtherEngine(seed, truth, Points(load, rpm, manifold, np.ones(rpm.size)), {}, stations)
    # The engine is as large as lifts the piston to two thirds or more flat out.
    lifts, flows = engine._throat()
    flat_out = np.interp(rng.uniform(0.6, 0.85) * lifts[-1], lifts, flows) * truth.carburettors
    size = float(flat_out / engine.engine_air_kg_s(rpm[-1:], manifold[-1:])[0])
    engine = replace(engine, truth=replace(truth, displacement_m3=size))
    # What is wanted is a smooth function of air flow, so that one needle can give it.
    air = np.log(engine.engine_air_kg_s(rpm, manifold))
    turn = (air[1 : light.size + 1].max() + air[light.size + 1 :].min()) / 2
    cruise, power = rng.uniform(0.97, 1.03), rng.uniform(0.86, 0.90)
    wanted = cruise + (power - cruise) / (1 + np.exp(-(air - turn) / 0.15))
    wanted[0] = rng.uniform(0.92, 0.98)
    flat_mm = round(25.4 / float(rng.choice([24, 26, 32])) / 6, 3)
    drop_mm = round(rng.uniform(1.2, 2.2), 2)
    limits = {"gap_mm": 0.025, "smooth": 0.08}
    guess = np.linspace(bore_mm - 0.12, 0.6 * bore_mm, stations.size)
    ideal = fit_needle(
        engine, guess, wanted, jet_drop_mm=drop_mm, floor_mm=_least_mm(bore_mm), least_step_mm=0.003, **limits
    )
    reached = engine.true_lambda(ideal, drop_mm)
    if np.abs(np.log(reached / wanted)).max() > 0.15:
        msg = "no needle gives this car what it wants"
        raise ValueError(msg)
    engine = replace(engine, bands=replace(engine.bands, lambda_target=reached))
    # Lean everywhere but at idle; the nut then puts the idle where its owner likes it.
    place = engine.true_lift() / engine.true_lift()[-1]
    lean = rng.uniform(0.06, 0.2) + rng.uniform(-0.05, 0.1) * np.exp(-(((place - rng.uniform(0, 1)) / 0.2) ** 2))
    lean = np.where(engine.bands.driving, np.clip(lean, 0.05, 0.28), 0.0)
    half_flats = drop_mm + flat_mm / 2 * np.arange(-20, 21)
    half_flats = half_flats[half_flats > 0.2]
    start, start_drop, asked = ideal, drop_mm, lean
    for _ in range(8):
        wish = reached * (1 + asked)
        start = fit_needle(engine, start, wish, jet_drop_mm=start_drop, floor_mm=ideal, **limits)
        start_drop = idle_drop_mm(engine, start, half_flats)
        leaner = engine.true_lambda(start, start_drop) / reached - 1
        if leaner[1:].min() > 0.03 and leaner.max() < 0.32 and abs(leaner[0]) < 0.03:
            break
        asked = asked + np.r_[0.0, (lean - leaner)[1:]]
    else:
        msg = "needle and nut chase each other"
        raise ValueError(msg)
    table = np.minimum.accumulate(start + rng.normal(0, 3e-3) + rng.normal(0, 1.5e-3, start.size))
    nominal = {
        "bore_mm": bore_mm,
        "throat_bore_mm": throat_mm,
        "disc_diameter_mm": disc_mm,
        "piston_mass_kg": round(mass * (1 + rng.normal(0, 0.03)), 3),
        "spring_preload_n": round(preload * (1 + rng.normal(0, 0.05)), 2),
        "spring_rate_n_mm": round(truth.rate_n_m * 1e-3 * (1 + rng.normal(0, 0.05)), 3),
        "displacement_cm3": round(size * 1e6, 0),
        "cylinders": 2 if size < 0.7e-3 else 4 if size < 2.4e-3 else 6,
        "carburettors": truth.carburettors,
        "pressure_pa": round(truth.pressure_pa, -2),
        "temperature_degc": round(truth.temperature_k - 273.15, 0),
        "shoulder_offset_mm": 0.0,
        "mounting": "centred" if seed % 2 else "biased",
        "flat_mm": flat_mm,
        "drop_min_mm": 0.2,
        "drop_max_mm": start_drop + 2.5,
        "stations_mm": stations,
        "diameters_mm": table.round(4),
    }
    return replace(
        engine, nominal=nominal, ideal_diameters_mm=ideal, start_diameters_mm=start, jet_drop_mm=float(start_drop)
    )
