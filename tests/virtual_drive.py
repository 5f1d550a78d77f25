"""What surrounds a virtual engine: drawn truth, air valve, drives, the tuner and the cuts to compare with."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import minimize, nnls

if TYPE_CHECKING:
    from virtual_engine import Engine

Array = NDArray[np.float64]
GRAVITY = 9.80665
GAS_CONSTANT_AIR = 287.05


@dataclass(frozen=True)
class Truth:
    """What the metal, the air and the sensor really are."""

    bore_m: float
    jet_length_m: float
    contraction_loss: float
    exit_recovery: float
    friction_factor: float
    eccentricity: float
    tilt_rad: float
    float_level_m: float
    shoulder_offset_m: float
    fuel_density_kg_m3: float
    fuel_viscosity_m2_s: float
    stoichiometry: float
    jet_pressure_share: float
    throat_bore_m: float
    bridge_m: float
    piston_mass_kg: float
    spring_preload_n: float
    spring_rate_n_m: float
    suction_area_m2: float
    air_coefficient: float
    air_coefficient_rise: float
    air_pressure_pa: float
    air_temperature_k: float
    manifold_temperature_k: float
    displacement_m3: float
    carburettors: int
    efficiency: tuple[float, float, float, float]  # level, rpm of the peak, fall either side, fall with throttling
    leak_area_m2: float
    pulsation: float
    sensor_offset: float
    sensor_noise: float
    sensor_tau_s: float
    sensor_delay_s: float  # at the mid flow; as 1/flow beside it
    lean_limit: float
    damper_tau_s: float
    map_offset_pa: float


def throat_area_m2(bore_m: float, bridge_m: float, lift_m: Any) -> Any:
    """Area under a flat piston foot in a round throat with a bridge."""

    def below(height: Any) -> Any:
        radius = bore_m / 2
        t = np.clip(height, 0.0, bore_m)
        chord = np.sqrt(np.maximum(t * (bore_m - t), 0.0))
        return radius**2 * np.arccos(np.clip(1 - t / radius, -1.0, 1.0)) - (radius - t) * chord

    return below(bridge_m + lift_m) - below(bridge_m)


def balance_pa(truth: Truth, lift_m: Any) -> Any:
    """Depression that carries the piston at this lift."""
    force = truth.piston_mass_kg * GRAVITY + truth.spring_preload_n + truth.spring_rate_n_m * lift_m
    return force / truth.suction_area_m2


def _air_path(truth: Truth, lift_m: Array) -> Array:
    """Discharge coefficient times area times root of twice the density."""
    height = lift_m / (truth.throat_bore_m - truth.bridge_m)
    coefficient = truth.air_coefficient + truth.air_coefficient_rise * (height - 0.5)
    density = truth.air_pressure_pa / (GAS_CONSTANT_AIR * truth.air_temperature_k)
    area: Array = throat_area_m2(truth.throat_bore_m, truth.bridge_m, lift_m)
    return np.asarray(coefficient * area * np.sqrt(2 * density))


def floating_flow_kg_s(truth: Truth) -> tuple[Array, Array]:
    """Lifts in m and the steady air of one carburettor with the piston floating there."""
    lift = (truth.throat_bore_m - truth.bridge_m) * np.linspace(0, 1, 400) ** 1.3
    pressure = balance_pa(truth, lift)
    squeezed = 1 - 3 / (4 * 1.4) * pressure / truth.air_pressure_pa
    return lift, _air_path(truth, lift) * np.sqrt(pressure) * squeezed


def held_pa(truth: Truth, lift_m: Array, air_kg_s: Array) -> Array:
    """Depression when the piston is held at a lift that is not its own."""
    rough = (air_kg_s / np.maximum(_air_path(truth, lift_m), 1e-9)) ** 2
    squeezed = np.maximum(1 - 3 / (4 * 1.4) * rough / truth.air_pressure_pa, 0.5)
    return np.asarray(rough / squeezed**2)


def draw_truth(rng: np.random.Generator, mounting: str) -> tuple[Truth, dict[str, Any]]:
    """One truth and what its owner knows of it."""
    throat = float(rng.choice([31.75, 38.1, 44.45]))
    bore = round(float(np.clip(rng.normal(2.64 + 0.045 * (throat - 38.1), 0.10), 2.3, 3.2)), 3)
    bridge = round(float(rng.uniform(0, 4)), 1)
    disc = round(1.6 * throat, 1)
    suction = np.pi / 4 * (disc * 1e-3) ** 2 * rng.uniform(0.92, 1.0)
    depression, rise = rng.uniform(1500, 2100), rng.uniform(1.08, 1.30)
    mass = rng.uniform(0.19, 0.26) * (throat / 38.1) ** 2
    preload = max(depression * suction - mass * GRAVITY, 0.2)
    rate = (rise - 1) * depression * suction / ((throat - bridge) * 1e-3)
    ambient, temperature = rng.uniform(97e3, 102.5e3), 273.15 + rng.uniform(8, 30)
    density, viscosity = 742.0, 0.63e-6
    lag, delay_share = rng.uniform(0.3, 0.6), rng.uniform(0.3, 0.6)
    truth = Truth(
        bore_m=bore * 1e-3,
        jet_length_m=rng.uniform(2.5e-3, 6e-3),
        contraction_loss=rng.uniform(0.05, 0.3),
        exit_recovery=rng.uniform(0, 0.06),
        friction_factor=rng.uniform(0.96, 1.10),
        eccentricity=1.0 if mounting == "biased" else rng.uniform(0, 0.4),
        tilt_rad=rng.normal(0, 1e-3),
        float_level_m=6e-3 + rng.normal(0, 1e-3),
        shoulder_offset_m=rng.normal(0, 5e-5),
        fuel_density_kg_m3=density * (1 + rng.normal(0, 0.01)),
        fuel_viscosity_m2_s=viscosity * np.exp(rng.normal(0, 0.08)),
        stoichiometry=14.28 * (1 + rng.normal(0, 0.01)),
        jet_pressure_share=1 + rng.normal(0, 0.02),
        throat_bore_m=throat * 1e-3,
        bridge_m=bridge * 1e-3,
        piston_mass_kg=mass,
        spring_preload_n=preload,
        spring_rate_n_m=rate,
        suction_area_m2=suction,
        air_coefficient=rng.uniform(0.66, 0.76),
        air_coefficient_rise=rng.uniform(-0.05, 0.08),
        air_pressure_pa=ambient,
        air_temperature_k=temperature,
        manifold_temperature_k=temperature + rng.uniform(5, 20),
        displacement_m3=0.0,
        carburettors=int(rng.integers(1, 3)),
        efficiency=(
            rng.uniform(0.84, 0.95),
            rng.uniform(2800, 3800),
            rng.uniform(0.10, 0.2),
            rng.uniform(0.15, 0.35),
        ),
        leak_area_m2=rng.uniform(0, 0.12e-6),
        pulsation=rng.uniform(0.1, 0.35),
        sensor_offset=rng.normal(0, 0.010),
        sensor_noise=0.010,
        sensor_tau_s=lag * (1 - delay_share),
        sensor_delay_s=lag * delay_share,
        lean_limit=rng.uniform(1.15, 1.25),
        damper_tau_s=rng.uniform(0.3, 0.9),
        map_offset_pa=rng.normal(0, 500),
    )
    known = {
        "bore_mm": bore,
        "jet_length_mm": 4.0,
        "jet_length_u_mm": 1.0,
        "bridge_mm": bridge,
        "throat_bore_mm": throat,
        "piston_mass_kg": mass * (1 + rng.normal(0, 0.03)),
        "spring_preload_n": preload * (1 + rng.normal(0, 0.03)),
        "spring_rate_n_mm": rate * 1e-3 * (1 + rng.normal(0, 0.03)),
        "disc_diameter_mm": disc,
        "carburettors": truth.carburettors,
        "ethanol_percent": 5.0,
        "fuel_temperature_degc": 20.0,
        "fuel_density_kg_m3": density,
        "fuel_viscosity_mm2_s": viscosity * 1e6,
        "fuel_afr_stoich": 14.28,
        "air_pressure_pa": round(ambient, -2),
        "air_temperature_degc": round(temperature - 273.15, 0),
        "air_humidity": 0.5,
        "float_level_mm": 6.0,
        "shoulder_offset_mm": 0.0,
        "mounting": mounting,
    }
    return truth, known


def least_squares_within(a: Array, b: Array, g: Array, h: Array) -> Array:
    """Minimise |a x - b| with g x >= h (Lawson and Hanson 1974, ch. 23: least distance by NNLS)."""
    q, r = np.linalg.qr(a)
    g_r = np.linalg.solve(r.T, g.T).T
    h_r = h - g_r @ (q.T @ b)
    scale = max(float(np.abs(h_r).max()), 1e-300)  # a step of nanometres must not drown in the one below
    h_r = h_r / scale
    target = np.r_[np.zeros(r.shape[0]), 1.0]
    rows = np.vstack([g_r.T, h_r])
    dual, norm = nnls(rows, target, maxiter=2000)
    residual = rows @ dual - target
    if abs(np.linalg.norm(residual) - norm) > 1e-6:
        # nnls lost its way, by its own account (seen once in thousands, where limits repeat): a slower road.
        limits = {"type": "ineq", "fun": lambda x: g @ x - h, "jac": lambda x: g}
        there = minimize(
            lambda x: float(np.sum((a @ x - b) ** 2)), np.zeros(a.shape[1]), jac=lambda x: 2 * a.T @ (a @ x - b),
            constraints=[limits], method="SLSQP", options={"maxiter": 1000, "ftol": 1e-14},
        )  # fmt: skip
        return np.asarray(there.x)
    if abs(residual[-1]) < 1e-12:
        msg = "no needle meets the limits"
        raise ValueError(msg)
    return np.linalg.solve(r, -scale * residual[:-1] / residual[-1] + q.T @ b)


def fit_needle(
    engine: Engine,
    old_mm: Array,
    wanted: Array,
    *,
    jet_drop_mm: float,
    floor_mm: Array | float,
    gap_mm: float = 0.0,
    least_step_mm: float = 0.0,
    smooth: float = 0.02,
    ceiling_mm: Array | None = None,
    rounds: int = 8,
) -> Array:
    """Diameters whose true lambda is as wanted: Gauss-Newton with limits, all differences in one call."""
    n = old_mm.size
    fall = np.eye(n)[:-1] - np.eye(n)[1:]
    bend = smooth * np.diff(np.eye(n), 2, axis=0)
    ceiling = engine.truth.bore_m * 1e3 - 2 * gap_mm if ceiling_mm is None else ceiling_mm
    limits = np.vstack([fall, np.eye(n), -np.eye(n)])
    bounds = np.r_[np.full(n - 1, least_step_mm), np.broadcast_to(floor_mm, n), -np.broadcast_to(ceiling, n)]
    reference = old_mm if ceiling_mm is not None or np.ndim(floor_mm) else np.zeros(n)  # keep the shape that is there
    shift_mm, unit_mm = 1e-3, 0.01
    now = old_mm
    for turn in range(rounds):
        logs = np.log(engine.true_lambda(np.vstack([now, now + shift_mm * np.eye(n)]), jet_drop_mm))
        slopes = (logs[1:] - logs[0]).T / shift_mm
        ask = np.clip(np.log(wanted) - logs[0], -0.5, 0.5)
        a = np.vstack([slopes, bend, 1e-3 * np.eye(n)])
        b = np.r_[ask, bend @ (reference - now), np.zeros(n)]
        after = now + unit_mm * least_squares_within(a * unit_mm, b, limits, (bounds - limits @ now) / unit_mm)
        done = float(np.abs(after - now).max()) < 2e-5
        now = after
        if done and turn:
            break
    return now


def trim_idle(
    engine: Engine,
    needle_mm: Array,
    jet_drop_mm: float,
    rng: np.random.Generator,
    target: float | None = None,
) -> float:
    """Jet drop after the tuner turned the nut by half flats until the measured idle is nearest its target."""
    wanted = float(engine.bands.lambda_target[0]) if target is None else target
    half = engine.nominal["flat_mm"] / 2

    def miss(drop: float) -> float:
        return float(engine.measure(needle_mm, drop, rng)["lambda_measured"][0]) - wanted

    drop, now = jet_drop_mm, miss(jet_drop_mm)
    way = half if now > 0 else -half  # a lower jet is richer
    for _ in range(60):
        there = drop + way
        if not engine.nominal["drop_min_mm"] <= there <= engine.nominal["drop_max_mm"]:
            break
        then = miss(there)
        if abs(then) >= abs(now):
            break
        drop, now = there, then
    return drop


def idle_drop_mm(engine: Engine, needle_mm: Array, drops_mm: Array) -> float:
    """The one of these jet drops whose true idle is nearest its target."""
    point = engine.bands.rpm[:1], engine.bands.manifold_pressure_pa[:1]
    idle = np.array([engine.mixture(needle_mm, drop, *point)[0] for drop in drops_mm])
    return float(drops_mm[np.abs(idle - engine.bands.lambda_target[0]).argmin()])


def oracle_asks(engine: Engine, old_mm: Array, jet_drop_mm: float) -> tuple[Array, float]:
    """Diameters one would ask for who knows the truth, and the jet drop that idles with them.

    Filing only, no reversed taper; the tuner trims the idle after the cut, and the oracle knows that too.
    """
    old = np.asarray(old_mm, float)
    limits = {"floor_mm": np.minimum(old, 0.3), "ceiling_mm": old}
    drops = jet_drop_mm + engine.nominal["flat_mm"] / 2 * np.arange(-16, 17)
    drops = drops[(drops >= engine.nominal["drop_min_mm"]) & (drops <= engine.nominal["drop_max_mm"])]
    best, drop = (np.inf, old, jet_drop_mm), jet_drop_mm
    for _ in range(6):
        asked = fit_needle(engine, old, engine.bands.lambda_target, jet_drop_mm=drop, smooth=5e-3, **limits)
        drop = idle_drop_mm(engine, asked, drops)
        miss = float(np.abs(engine.true_lambda(asked, drop) - engine.bands.lambda_target).max())
        if miss < best[0]:
            best = miss, asked, drop
        if miss < 2e-3:
            break
    return best[1], best[2]


def oracle_cut(engine: Engine, old_mm: Array, jet_drop_mm: float, rng: np.random.Generator, fraction: float = 1.0) -> Array:
    """True diameters after the hand cut what the oracle asked, or a fraction of it."""
    old = np.asarray(old_mm, float)
    return engine.cut(old, old + fraction * (oracle_asks(engine, old, jet_drop_mm)[0] - old), rng)


def area_sum_asks(engine: Engine, old_mm: Array, jet_drop_mm: float, lift_mm: Array, lambda_measured: Array) -> Array:
    """Diameters by the plain area sum: band by band, area times measured over wanted lambda."""
    bore, use = engine.nominal["bore_mm"], engine.bands.driving
    face = (lift_mm + jet_drop_mm + engine.nominal["shoulder_offset_mm"])[use]
    order = np.argsort(face)
    there = np.interp(face, engine.stations_mm, old_mm)
    ratio = (lambda_measured / engine.bands.lambda_target)[use]
    wanted = np.sqrt(np.maximum(bore**2 - (bore**2 - there**2) * ratio, 0.04))
    removal = np.interp(engine.stations_mm, face[order], (there - wanted)[order], left=0.0, right=0.0)
    return np.minimum.accumulate(old_mm - np.maximum(removal, 0.0))


def area_sum_cut(
    engine: Engine, old_mm: Array, jet_drop_mm: float, measured: dict[str, Any], rng: np.random.Generator
) -> Array:
    """True diameters after the hand cut the plain area sum; needs measured lifts."""
    old = np.asarray(old_mm, float)
    if not np.all(np.isfinite(measured["lift_mm"])):
        msg = "the area sum needs a lift for every band: measure with lift='marker' or fill it in"
        raise ValueError(msg)
    asked = area_sum_asks(engine, old, jet_drop_mm, measured["lift_mm"], measured["lambda_measured"])
    return engine.cut(old, asked, rng)


def drive_log(
    engine: Engine, needle_mm: Array, jet_drop_mm: float, rng: np.random.Generator, seconds: float, lift: bool
) -> dict[str, Array]:
    """Ten rows a second: holds near the bands, moves of about a second, stabs at the throttle."""
    t, bands, step_s = engine.truth, engine.bands, 0.1
    times, points, clock = [0.0], [0], 0.0
    while clock < seconds:
        band = int(rng.integers(bands.rpm.size))
        for wait in (rng.uniform(0.6, 2.5), rng.uniform(5, 15)):  # the way there, the hold
            clock += wait
            times.append(clock)
            points.append(band)
        if rng.uniform() < 0.15:  # a stab to full throttle and back
            for wait, where in ((0.3, bands.rpm.size - 1), (0.8, bands.rpm.size - 1), (0.5, band)):
                clock += wait
                times.append(clock)
                points.append(where)
    time_s = np.arange(0, seconds, step_s)
    wander = np.zeros((2, time_s.size))
    kicks = rng.normal(0, 1, wander.shape)
    for i in range(1, time_s.size):
        wander[:, i] = 0.97 * wander[:, i - 1] + 0.24 * kicks[:, i]
    rpm = np.interp(time_s, times, bands.rpm[points]) * (1 + 0.008 * wander[0])
    manifold = np.interp(time_s, times, bands.manifold_pressure_pa[points]) + 400 * wander[1]
    manifold = np.clip(manifold, 20e3, t.air_pressure_pa - 800)

    floats_at = engine.floating_lift_mm(rpm, manifold)
    real_lift = floats_at.copy()
    up = 1 - np.exp(-step_s / t.damper_tau_s)
    down = 1 - np.exp(-step_s / 0.05)
    for i in range(1, time_s.size):
        gap = floats_at[i] - real_lift[i - 1]
        real_lift[i] = real_lift[i - 1] + (up if gap > 0 else down) * gap
    truth = engine.mixture(needle_mm, jet_drop_mm, rpm, manifold, real_lift)

    air = engine.engine_air_kg_s(rpm, manifold)
    mid = float(np.sqrt(engine.engine_air_kg_s(bands.rpm, bands.manifold_pressure_pa)[[0, -1]].prod()))
    delay = np.clip(t.sensor_delay_s * (0.6 + 0.4 * mid / air), 0.0, 0.8 - t.sensor_tau_s)
    mean, noisy = engine.reading(np.interp(time_s - delay, time_s, truth))
    seen = mean.copy()
    share = 1 - np.exp(-step_s / t.sensor_tau_s)
    for i in range(1, time_s.size):  # the mean of both ends of a step, else half a step of lag is lost
        seen[i] = seen[i - 1] + share * ((mean[i] + mean[i - 1]) / 2 - seen[i - 1])
    opening = ((manifold - 25e3) / (t.air_pressure_pa - 25e3)).clip(0) ** 1.5 * (0.4 + 0.6 * rpm / 5000)
    log = {
        "time_s": time_s,
        "rpm": (rpm + rng.normal(0, 8, rpm.size)).round(0),
        "manifold_pressure_pa": (manifold + t.map_offset_pa + rng.normal(0, 200, rpm.size)).round(-1),
        "throttle_percent": (100 * opening.clip(0, 1) + rng.normal(0, 0.3, rpm.size)).clip(0, 100).round(1),
        "lambda_measured": (seen + rng.normal(0, 1, rpm.size) * t.sensor_noise * noisy).clip(0.65, 1.6).round(3),
        "truth_lambda": truth,
        "truth_lift_mm": real_lift,
        "truth_lag_s": delay + t.sensor_tau_s,
    }
    if lift:
        log["lift_mm"] = (real_lift + rng.normal(0, 0.15) + rng.normal(0, 0.1, rpm.size)).clip(0).round(2)
    return log
