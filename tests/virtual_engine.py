"""Virtual engines that judge the library in closed loop; shares no line and no flow law with it.

An engine knows its own truth and answers as a car would: through a sensor with offset, lag and noise, a
micrometer, a tuner's jet nut and a hand that only removes metal.  ``Engine.nominal`` is what its owner knows.

Fuel law (not the library's): the ring is cut into azimuth strips; each is marched up the bore from its
entry with the apparent friction of a developing slit flow (Shah, J. Fluids Eng. 100 (1978) 177; constants
24, 0.674, 2.9e-5 from memory), smoothly exceeded by Blasius friction where that is larger, a contraction
loss at the entry and a little pressure recovery at the exit.  tests/test_virtual_engine.py holds it
against Navier-Stokes figures.

Drawn truths (N: normal, k=1; U: uniform), all judgement or common practice, no source: throat
31.75/38.1/44.45 mm, jet 2.3-3.2 mm, jet length U(2.5, 6) mm (the owner believes 4 +- 1), contraction loss
U(.05, .3), exit recovery U(0, .06), friction factor U(.96, 1.10), eccentricity U(0, .4) centred or 1
biased, tilt N(1e-3 rad), fuel density N(1 %), viscosity N(8 %), stoichiometry N(1 %), float level N(1 mm),
shoulder N(.05 mm), disc area U(.92, 1) of the circle, the owner's piston mass, preload and rate N(3 %) and
volumetric efficiency N(7 %) in level and U(-4, 4 %) in shape, intake leak U(0, .12) mm2, pulsation
U(.1, .35) at full load, sensor offset N(.010), noise .010, lag U(.3, .6) s at mid flow kept within .2-.8 s,
lean limit U(1.15, 1.25), needle table N(1.5 um) with wear U(0, 3) um.  Manifold gauge: one offset
N(500 Pa) a car.  Twin carburettors are taken as balanced; manifold filling, wall film and exhaust dilution
are left out, and so is the moisture of the air.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray
from virtual_drive import (
    GAS_CONSTANT_AIR,
    GRAVITY,
    Truth,
    area_sum_cut,
    balance_pa,
    draw_truth,
    drive_log,
    fit_needle,
    floating_flow_kg_s,
    held_pa,
    idle_drop_mm,
    oracle_asks,
    oracle_cut,
    trim_idle,
)

__all__ = [
    "Bands",
    "Engine",
    "Truth",
    "area_sum_cut",
    "draw_engine",
    "fuel_flow_kg_s",
    "oracle_asks",
    "oracle_cut",
    "trim_idle",
]

Array = NDArray[np.float64]
CELLS = 8  # axial, down the bore
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(7)
_COSINES, _SHARES = np.cos(np.pi * (_NODES + 1.0) / 2.0), _WEIGHTS / 2.0
_CYCLE = np.cos(np.pi * np.array([1.0, 3.0, 5.0]) / 6.0)  # mean over a sine by three Chebyshev points
PITCH_MM = 3.175
DROP_MIN_MM, DROP_MAX_MM = 0.3, 4.5


def _apparent_friction(x_plus: Array) -> Array:
    """Shah: pressure lost from a slit's entry, in velocity heads, momentum of the profile included."""
    root = 3.44 * np.sqrt(x_plus)
    return 4 * (root + (24 * x_plus + 0.674 / 4 - root) / (1 + 2.9e-5 / (x_plus * x_plus)))


def fuel_flow_kg_s(truth: Truth, stations_m: Array, diameters_m: Array, face_m: Array, pressure_pa: Array) -> Array:
    """Mass flow; diameters (..., n), face (m), pressure (m, c) -> (..., m, c)."""
    length = truth.jet_length_m
    down = np.r_[0.0, length * (np.arange(CELLS) + 0.5) / CELLS, length]
    place = np.clip(face_m[:, None] + down, stations_m[0], stations_m[-1]) / (stations_m[1] - stations_m[0])
    upper = np.minimum(place.astype(int), stations_m.size - 2)
    share = place - upper
    diameter = diameters_m[..., upper] * (1 - share) + diameters_m[..., upper + 1] * share  # (..., m, cells + 2)
    gap = (truth.bore_m - diameter) / 2
    wander = truth.eccentricity * gap[..., :1] + truth.tilt_rad * down
    height = np.maximum(gap[..., None, :] + wander[..., None, :] * _COSINES[:, None], 1e-6)  # (..., m, strips, cells + 2)
    width_height = height * ((truth.bore_m + diameter) / 4)[..., None, :]
    quicker = (width_height[..., :1] / width_height)[..., None, :, :]  # velocity against the face's
    face_area = 2 * np.pi * width_height[..., 0][..., None, :] * _SHARES
    entry, cells = quicker[..., -1], quicker[..., 1:-1]
    dh = 2 * height[..., None, :, 1:-1]
    step = length / CELLS
    heads = 1 - truth.exit_recovery + truth.contraction_loss * entry**2
    flow_per_width = cells * dh / truth.fuel_viscosity_m2_s  # Reynolds number at unit face velocity
    x_unit = np.cumsum((step / (dh * flow_per_width))[..., ::-1], axis=-1)[..., ::-1]
    turbulent_unit = (4 * 0.079 * step / dh / np.sqrt(np.sqrt(flow_per_width))) ** 4

    def lost_pa(v: Array) -> Array:
        friction = _apparent_friction(x_unit / v[..., None])
        friction = friction - np.concatenate([friction[..., 1:], np.zeros_like(friction[..., :1])], axis=-1)
        friction = np.sqrt(np.sqrt(friction**4 + turbulent_unit / v[..., None]))
        total = heads + truth.friction_factor * (cells**2 * friction).sum(axis=-1)
        return np.asarray(0.5 * truth.fuel_density_kg_m3 * v**2 * total)

    drop = pressure_pa[..., None]
    velocity = 0.4 * np.sqrt(2 * drop / truth.fuel_density_kg_m3) * np.ones_like(heads)
    miss, slope = np.log(lost_pa(velocity) / drop), np.full_like(velocity * drop, 1.5)
    for _ in range(5):  # secant in logarithms: the exponent lies between 1 and 2
        moved = -miss / slope
        velocity = velocity * np.exp(moved)
        after = np.log(lost_pa(velocity) / drop)
        usable = np.abs(moved) > 1e-7
        slope = np.where(usable, np.clip((after - miss) / np.where(usable, moved, 1.0), 0.9, 2.2), slope)
        miss = after
    return np.asarray((face_area * velocity).sum(axis=-1) * truth.fuel_density_kg_m3)


@dataclass(frozen=True)
class Bands:
    """Driving points; the first is idle."""

    load: tuple[str, ...]
    rpm: Array
    manifold_pressure_pa: Array
    lambda_target: Array  # what the ideal needle gives

    @property
    def driving(self) -> NDArray[np.bool_]:
        return np.array([load != "idle" for load in self.load])


@dataclass(frozen=True)
class Engine:
    """A car with its carburettor; every method that takes diameters takes the true ones."""

    seed: int
    truth: Truth
    bands: Bands
    nominal: dict[str, Any]
    stations_mm: Array
    ideal_diameters_mm: Array
    start_diameters_mm: Array
    ideal_jet_drop_mm: float
    jet_drop_mm: float

    def engine_air_kg_s(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        """Air the engine takes, all carburettors and the leak together."""
        t = self.truth
        level, peak_rpm, fall, throttled = t.efficiency
        efficiency = level * (1 - fall * ((rpm - peak_rpm) / 3000) ** 2)
        efficiency = efficiency * (1 - throttled * (1 - manifold_pressure_pa / t.air_pressure_pa))
        density = manifold_pressure_pa / (GAS_CONSTANT_AIR * t.manifold_temperature_k)
        return efficiency * t.displacement_m3 * rpm / 120 * density

    def leak_kg_s(self, manifold_pressure_pa: Array) -> Array:
        """Air through the fixed hole behind the throttle, isentropic, choked where it must be."""
        t = self.truth
        r = np.clip(manifold_pressure_pa / t.air_pressure_pa, (2 / 2.4) ** 3.5, 0.99999)
        psi = np.sqrt(2 * 1.4 / 0.4 * (r ** (2 / 1.4) - r ** (2.4 / 1.4)))
        return np.asarray(t.leak_area_m2 * t.air_pressure_pa / np.sqrt(GAS_CONSTANT_AIR * t.air_temperature_k) * psi)

    def _pulsation(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        t = self.truth
        return t.pulsation * (manifold_pressure_pa / t.air_pressure_pa) ** 4 * np.clip(1.3 - rpm / 6000, 0.2, 1.1)

    def _air_side(self, rpm: Array, manifold_pressure_pa: Array) -> tuple[Array, Array, Array]:
        """Air of one carburettor, pulsation and the lift in mm where the piston floats."""
        t = self.truth
        leak = self.leak_kg_s(manifold_pressure_pa)
        carburettor = (self.engine_air_kg_s(rpm, manifold_pressure_pa) - leak) / t.carburettors
        amplitude = self._pulsation(rpm, manifold_pressure_pa)
        lifts, flows = floating_flow_kg_s(t)
        lift = np.interp(carburettor * np.sqrt(1 + amplitude**2 / 2), flows, lifts)
        return carburettor, amplitude, lift * 1e3

    def mixture(
        self,
        diameters_mm: Array,
        jet_drop_mm: float,
        rpm: Array,
        manifold_pressure_pa: Array,
        lift_mm: Array | None = None,
    ) -> Array:
        """True lambda at any running points; a given lift need not be where the piston floats."""
        t = self.truth
        air, amplitude, floats_at_mm = self._air_side(rpm, manifold_pressure_pa)
        lift = (floats_at_mm if lift_mm is None else lift_mm) * 1e-3
        depression = balance_pa(t, lift)
        if lift_mm is not None:  # a piston held by its damper: the throat's velocity sets the depression
            depression = np.clip(held_pa(t, lift, air * np.sqrt(1 + amplitude**2 / 2)), 0.3 * depression, 4 * depression)
        swing = (1 + amplitude[:, None] * _CYCLE) ** 2 / (1 + amplitude[:, None] ** 2 / 2)
        pressure = t.jet_pressure_share * depression[:, None] * swing
        pressure = np.maximum(pressure - t.fuel_density_kg_m3 * GRAVITY * t.float_level_m, 20.0)
        face = lift + jet_drop_mm * 1e-3 + t.shoulder_offset_m
        stations = self.stations_mm * 1e-3
        fuel = fuel_flow_kg_s(t, stations, np.asarray(diameters_mm, float) * 1e-3, face, pressure)
        breathed = air + self.leak_kg_s(manifold_pressure_pa) / t.carburettors
        return np.asarray(breathed / (t.stoichiometry * fuel.mean(axis=-1)))

    def true_lambda(self, needle_diameters_mm: Array, jet_drop_mm: float) -> Array:
        """True mean lambda of each band; leading axes of the diameters are kept."""
        return self.mixture(needle_diameters_mm, jet_drop_mm, self.bands.rpm, self.bands.manifold_pressure_pa)

    def floating_lift_mm(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        """Lift where the piston floats at any running points."""
        return self._air_side(rpm, manifold_pressure_pa)[2]

    def true_lift(self) -> Array:
        """Lift of each band in mm: the air sets it, not the needle."""
        return self.floating_lift_mm(self.bands.rpm, self.bands.manifold_pressure_pa)

    def reading(self, lambda_true: Array) -> tuple[Array, Array]:
        """Mean reading of the sensor and the factor on its noise: misfire reads leaner and wanders."""
        beyond = np.maximum(lambda_true - self.truth.lean_limit, 0.0)
        missed = 0.15 * (1 - np.exp(-beyond / 0.08))
        return lambda_true / (1 - 0.8 * missed) + self.truth.sensor_offset, 1 + 20 * missed

    def measure(
        self, needle_diameters_mm: Array, jet_drop_mm: float, rng: np.random.Generator, lift: str = "marker"
    ) -> dict[str, Any]:
        """Band means as a session of steady holds gives them."""
        if lift not in ("marker", "computed"):
            msg = f"lift must be 'marker' or 'computed', not {lift!r}"
            raise ValueError(msg)
        size = self.bands.rpm.size
        rpm = self.bands.rpm * (1 + rng.normal(0, 0.012, size))
        manifold = self.bands.manifold_pressure_pa + rng.normal(0, 500.0, size)
        manifold = np.minimum(manifold, self.truth.air_pressure_pa - 800)
        mean, wander = self.reading(self.mixture(needle_diameters_mm, jet_drop_mm, rpm, manifold))
        count = rng.integers(60, 400, size)
        spread = np.hypot(self.truth.sensor_noise, 0.008) * wander * np.exp(rng.normal(0, 0.1, size))
        error = spread / np.sqrt(count / 12.0)  # 10 Hz samples of a slow signal: a dozen count for one
        marker_mm = self._air_side(rpm, manifold)[2] + rng.normal(0, 0.3, size)
        return {
            "load": self.bands.load,
            "lambda_measured": mean + rng.normal(0, 1, size) * error,
            "lambda_se": error,
            "lambda_spread": spread,
            "count": count,
            "rpm": rpm,
            "manifold_pressure_pa": manifold + self.truth.map_offset_pa,
            "lift_mm": np.maximum(marker_mm, 0.0) if lift == "marker" else np.full(size, np.nan),
        }

    def drive(
        self,
        needle: Array,
        jet_drop: float,
        rng: np.random.Generator,
        seconds: float = 600.0,
        lift: bool = False,
    ) -> dict[str, Array]:
        """Ten rows a second as a logger writes them; keys truth_* are for the judge alone."""
        return drive_log(self, needle, jet_drop, rng, seconds, lift)

    def mic(self, diameters_mm: Array, rng: np.random.Generator) -> Array:
        """Micrometer readings, 1.5 um k=1."""
        return diameters_mm + rng.normal(0, 1.5e-3, np.shape(diameters_mm))

    def cut(self, old_diameters_mm: Array, asked_mm: Array, rng: np.random.Generator) -> Array:
        """True diameters after the hand: 2.5 um k=1, a little shared by neighbours, never more metal."""
        old, asked = np.asarray(old_diameters_mm, float), np.asarray(asked_mm, float)
        if old.shape != asked.shape or not np.all(np.isfinite(asked)):
            msg = "asked diameters must be finite and one per station"
            raise ValueError(msg)
        free = rng.normal(0, 2.5e-3, old.size + 2)
        error = (0.3 * free[:-2] + free[1:-1] + 0.3 * free[2:]) / np.sqrt(1.18)
        return np.where(asked < old - 1e-4, np.minimum(old, asked + error), old)  # 0.1 um is not worth a stroke


def draw_engine(seed: int, mounting: str = "centred") -> Engine:
    """One car: truth, bands, ideal needle, and a start needle with metal in humps over the ideal one."""
    if mounting not in ("centred", "biased"):
        msg = f"mounting must be 'centred' or 'biased', not {mounting!r}"
        raise ValueError(msg)
    rng = np.random.default_rng([seed, 71])
    truth, known = draw_truth(rng, mounting)
    full_rpm = np.array([2000.0, 2500, 3000, 3500, 4000, 4500, 5000])[[0, *sorted(rng.choice(5, 4, False) + 1), 6]]
    light_rpm = np.array([1500.0, 2000, 2500, 3000, 3500, 4000])
    light_rpm = light_rpm[[0, *sorted(rng.choice(4, rng.integers(2, 5), False) + 1), 5]]
    rpm = np.r_[rng.uniform(750, 900), light_rpm, full_rpm].round(0)
    light_pa = rng.uniform(34e3, 39e3) + rng.uniform(9e3, 14e3) * (light_rpm - 1500) / 2500
    full_pa = truth.air_pressure_pa - 2e3 - rng.uniform(2e3, 5e3) * (full_rpm / 5000) ** 2
    manifold = np.r_[rng.uniform(36e3, 42e3), light_pa, full_pa]
    load = ("idle",) + ("light",) * light_rpm.size + ("full",) * full_rpm.size

    # The engine is given the size that lifts the piston to .62-.85 of the throat flat out.
    lifts, flows = floating_flow_kg_s(truth)
    flat_out = np.interp(rng.uniform(0.62, 0.85) * lifts[-1], lifts, flows) * truth.carburettors
    stations: Array = PITCH_MM * np.arange(float(np.ceil((lifts[-1] * 1e3 + 2 + 6) / PITCH_MM)))
    bands = Bands(load, rpm, manifold, np.ones(rpm.size))
    engine = Engine(seed, replace(truth, displacement_m3=1.0), bands, {}, stations, stations, stations, 0.0, 0.0)
    size = flat_out / engine.engine_air_kg_s(rpm[-1:], manifold[-1:])[0]
    engine = replace(engine, truth=replace(truth, displacement_m3=float(size)))

    # The wanted lambda is a smooth function of air flow, so that one needle can give it.
    air = np.log(engine.engine_air_kg_s(rpm, manifold))
    light, full = air[1 : light_rpm.size + 1], air[light_rpm.size + 1 :]
    rich = 1 / (1 + np.exp(-(air - (light.max() + full.min()) / 2) / 0.12))
    cruise, power = rng.uniform(0.97, 1.02), rng.uniform(0.87, 0.90)
    wanted = cruise + (power - cruise) * rich
    wanted[0] = rng.uniform(0.92, 0.96)
    flat_mm = round(25.4 / rng.choice([24, 26, 32]) / 6, 4)
    drop_mm = flat_mm / 2 * round(rng.uniform(1.2, 2.2) / (flat_mm / 2))
    half_flats = drop_mm + flat_mm / 2 * np.arange(-40, 41)
    half_flats = half_flats[(half_flats > DROP_MIN_MM) & (half_flats < DROP_MAX_MM)]
    limits = {"jet_drop_mm": drop_mm, "gap_mm": 0.03}
    guess = np.linspace(truth.bore_m * 1e3 - 0.10, 0.55 * truth.bore_m * 1e3, stations.size)
    ideal = fit_needle(engine, guess, wanted, floor_mm=0.6, least_step_mm=0.004, smooth=0.02, **limits)
    bands = replace(bands, lambda_target=engine.true_lambda(ideal, drop_mm))
    engine = replace(engine, bands=bands)

    # Metal over it: lean everywhere but at idle, in humps; the jet nut then sets the idle.
    place = engine.true_lift() / engine.true_lift()[-1]
    lean = np.full(rpm.size, rng.uniform(0.08, 0.16))
    for _ in range(rng.integers(1, 4)):
        hump = (place - rng.uniform(0, 1)) / rng.uniform(0.1, 0.25)
        lean += rng.uniform(-0.06, 0.12) * np.exp(-(hump**2))
    lean = np.where(bands.driving, np.clip(lean, 0.065, 0.27), 0.0)
    start, start_drop, asked = ideal, drop_mm, lean
    for _ in range(8):  # the jet nut and the metal chase each other
        limits["jet_drop_mm"] = start_drop
        wanted = bands.lambda_target * (1 + asked)
        start = fit_needle(engine, start, wanted, least_step_mm=0.0, smooth=0.02, floor_mm=ideal, **limits)
        start_drop = idle_drop_mm(engine, start, half_flats)
        leaner = engine.true_lambda(start, start_drop) / bands.lambda_target - 1
        if leaner[1:].min() > 0.05 and leaner.max() < 0.30 and abs(leaner[0]) < 0.025:
            break
        asked = asked + np.r_[0.0, (lean - leaner)[1:]]

    table_rpm, table_pa = np.linspace(500, 5500, 11), np.linspace(30e3, 100e3, 8)
    grid_rpm, grid_pa = np.meshgrid(table_rpm, table_pa, indexing="ij")
    density = grid_pa / (GAS_CONSTANT_AIR * truth.air_temperature_k)
    guess_ve = engine.engine_air_kg_s(grid_rpm, grid_pa) / (density * size * grid_rpm / 120)
    guess_ve = guess_ve * np.exp(rng.normal(0, 0.07))
    guess_ve = guess_ve * (1 + 0.04 * rng.uniform(-1, 1) * (grid_rpm - 3000) / 2000)
    guess_ve = guess_ve * (1 + 0.04 * rng.uniform(-1, 1) * (grid_pa - 70e3) / 30e3)
    worn = rng.uniform(0, 3e-3) * np.exp(-(((stations - rng.uniform(3, 15)) / 5) ** 2))
    table = np.minimum.accumulate(start + worn + rng.normal(0, 1.5e-3, start.size))
    nominal = known | {
        "displacement_cm3": round(float(size) * 1e6, 0),
        "cylinders": 2 if size < 0.75e-3 else 4 if size < 2.2e-3 else 6,
        "volumetric_efficiency_rpm": table_rpm,
        "volumetric_efficiency_manifold_pressure_pa": table_pa,
        "volumetric_efficiency": guess_ve.round(3),  # on manifold pressure and outside temperature; rpm x pressure
        "volumetric_efficiency_constant": round(float(guess_ve.mean()), 3),
        "flat_mm": flat_mm,
        "jet_drop_mm": start_drop,
        "drop_min_mm": DROP_MIN_MM,
        "drop_max_mm": DROP_MAX_MM,
        "stations_mm": stations,
        "diameters_mm": table.round(4),
    }
    for array in (stations, ideal, start, bands.rpm, bands.manifold_pressure_pa, bands.lambda_target):
        array.setflags(write=False)
    return replace(
        engine,
        nominal=nominal,
        ideal_diameters_mm=ideal,
        start_diameters_mm=start,
        ideal_jet_drop_mm=drop_mm,
        jet_drop_mm=start_drop,
    )
