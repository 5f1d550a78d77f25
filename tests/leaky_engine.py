"""Virtual engines with a hole in the manifold or in the exhaust, what an analyser reads of them, and their holds.

The exhaust gas is balanced here anew (carbon, hydrogen, oxygen, water-gas constant 3.8, H/C 1.85) and shares no
line with the package.  Analyser errors: uniform within the largest allowed of a good instrument, CO 0.06 or 5 %,
CO2 0.5, O2 0.1 per cent by volume (OIML R 99 class I, value from memory).  Judgement, no source: residual oxygen
U(.3, .9) %, hydrocarbons U(100, 350) ppm, exhaust leak falling as air flow to the power 1.5 (pulses suck most
at idle).  The tuner sets the idle again with the jet nut by what the meter shows, as he would.
"""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import brentq
from virtual_engine import Engine, draw_engine, trim_idle

import needlecalc as nc

Array = NDArray[np.float64]
HYDROGEN, WATER_GAS, NITROGEN = 1.85, 3.8, 3.773
LIGHT_RPM = np.array([1000.0, 1250, 2500, 3000, 3500, 4000, 4500])
LIGHT_PA = np.array([36e3, 36e3, 42e3, 44e3, 46e3, 48e3, 50e3])
FULL_RPM = np.array([1250.0, 1500, 1750])
drawn = lru_cache(maxsize=None)(draw_engine)
CRUISE = np.array([2500.0]), np.array([45e3])


@dataclass(frozen=True)
class Leaky(Engine):
    """A car whose sensor sees air drawn into the exhaust, as a share of its intake air at idle."""

    exhaust_share: float = 0.0

    def air_in_exhaust(self, rpm: Array, manifold_pressure_pa: Array) -> Array:
        idle = self.engine_air_kg_s(self.bands.rpm[:1], self.bands.manifold_pressure_pa[:1])
        return self.exhaust_share * (idle / self.engine_air_kg_s(rpm, manifold_pressure_pa)) ** 1.5

    def mixture(self, diameters_mm, jet_drop_mm, rpm, manifold_pressure_pa, lift_mm=None):
        burnt = super().mixture(diameters_mm, jet_drop_mm, rpm, manifold_pressure_pa, lift_mm)
        return burnt * (1 + self.air_in_exhaust(rpm, manifold_pressure_pa))


def leaky(seed: int, *, idle_excess: float | None = None, exhaust_share: float = 0.0, leak_holds: bool = True) -> Leaky:
    """One car with its fault; ``idle_excess`` is how much leaner a hole makes the idle, the drawn one if not given."""
    car = drawn(seed, "biased" if seed % 2 else "centred")
    truth, bands = car.truth, car.bands
    if idle_excess is not None:
        idle = bands.rpm[:1], bands.manifold_pressure_pa[:1]
        one_mm2 = replace(car, truth=replace(truth, leak_area_m2=1e-6)).leak_kg_s(idle[1])[0]
        share = idle_excess / (1 + idle_excess)
        truth = replace(truth, leak_area_m2=share * float(car.engine_air_kg_s(*idle)[0] / one_mm2) * 1e-6)
    if leak_holds:
        full_pa = np.full(FULL_RPM.size, truth.air_pressure_pa - 3e3)
        bands = replace(
            bands,
            load=bands.load + ("light",) * LIGHT_RPM.size + ("full",) * FULL_RPM.size,
            rpm=np.r_[bands.rpm, LIGHT_RPM, FULL_RPM],
            manifold_pressure_pa=np.r_[bands.manifold_pressure_pa, LIGHT_PA, full_pa],
            lambda_target=np.r_[bands.lambda_target, np.ones(LIGHT_RPM.size + FULL_RPM.size)],
        )
    parts = {item.name: getattr(car, item.name) for item in fields(car)}
    made = Leaky(**{**parts, "truth": truth, "bands": bands}, exhaust_share=exhaust_share)
    if idle_excess or exhaust_share:
        rng = np.random.default_rng([seed, 3])
        made = replace(made, jet_drop_mm=trim_idle(made, made.start_diameters_mm, made.jet_drop_mm, rng))
    return made


def setup_of(car: Engine) -> nc.Setup:
    """What the owner knows, as the package takes it."""
    known = car.nominal
    throat = known["throat_bore_mm"]
    valve = nc.AirValve(
        throat_bore_mm=throat,
        disc_diameter_mm=known["disc_diameter_mm"],
        piston_mass_kg=known["piston_mass_kg"],
        spring_preload_n=known["spring_preload_n"],
        spring_rate_n_mm=known["spring_rate_n_mm"],
        bridge_mm=known["bridge_mm"],
        max_lift_mm=throat - known["bridge_mm"],
    )
    jet = nc.Jet(
        known["bore_mm"], car.jet_drop_mm, known["jet_length_mm"], known["jet_length_u_mm"], mounting=known["mounting"]
    )
    needle = nc.Needle("as fitted", known["stations_mm"], known["diameters_mm"])
    filling = nc.VolumetricEfficiency(
        known["volumetric_efficiency_rpm"],
        known["volumetric_efficiency_manifold_pressure_pa"],
        known["volumetric_efficiency"],
    )
    engine = nc.Engine(known["displacement_cm3"], known["cylinders"], known["carburettors"], filling)
    return nc.Setup(
        engine,
        nc.Carburettor(needle, jet, valve, known["shoulder_offset_mm"], known["float_level_mm"]),
        nc.Fuel(known["ethanol_percent"], known["fuel_temperature_degc"]),
        nc.Air(known["air_pressure_pa"], known["air_temperature_degc"], known["air_humidity"]),
    )


def bands_of(car: Engine, rng: np.random.Generator, *, lift: str = "marker") -> nc.Bands:
    """Bands of a session; computed lifts leave out what the owner's filling puts beyond the throat."""
    seen = car.measure(car.start_diameters_mm, car.jet_drop_mm, rng, lift=lift)
    setup = setup_of(car)
    keep = seen["lambda_measured"] < 1.9
    if lift == "computed":
        engine, valve = setup.engine, setup.carburettor.air_valve
        flow = engine.air_flow_g_s(seen["rpm"], seen["manifold_pressure_pa"], setup.air, hold_edge=True)
        keep &= flow / engine.carburettors < valve.air_flow_g_s(valve.travel_mm(), setup.air)
    bands = nc.typed_bands(
        seen["rpm"][keep],
        seen["lambda_measured"][keep],
        lift_mm=seen["lift_mm"][keep] if lift == "marker" else None,
        load=[load for load, kept in zip(seen["load"], keep, strict=True) if kept],
        lambda_se=seen["lambda_se"][keep],
    )
    return nc.with_lift(replace(bands, manifold_pressure_pa=seen["manifold_pressure_pa"][keep]), setup)


def dry_gas(lambda_burnt: float, residual_o2_percent: float) -> tuple[float, float, float, float]:
    """CO2, CO, O2 and the sum of all dry gas, in moles for one of carbon."""
    needed = 1 + HYDROGEN / 4
    oxygen = residual_o2_percent / 100 * 5.0
    co2, co, total = 1.0, 0.0, 5.0
    for _ in range(30):

        def excess(co: float, oxygen: float = oxygen) -> float:
            water = 2 * lambda_burnt * needed - 2 * (1 - co) - co - 2 * oxygen
            return co * water - WATER_GAS * (1 - co) * (HYDROGEN / 2 - water)

        if excess(0.0) >= 0.0:  # more oxygen than the fuel takes
            co, oxygen = 0.0, (lambda_burnt - 1) * needed
        else:
            co = float(brentq(excess, 0.0, 0.999))
        co2 = 1 - co
        water = 2 * lambda_burnt * needed - 2 * co2 - co - 2 * oxygen
        total = co2 + co + oxygen + max(HYDROGEN / 2 - water, 0.0) + NITROGEN * lambda_burnt * needed
        if co > 0.0:
            oxygen = residual_o2_percent / 100 * total
    return co2, co, oxygen, total


def gas_of(car: Leaky, rng: np.random.Generator, at: str = "idle") -> nc.checks.GasReading:
    """What analyser and lambda meter show at one running point."""
    point = (car.bands.rpm[:1], car.bands.manifold_pressure_pa[:1]) if at == "idle" else CRUISE
    shown = float(car.mixture(car.start_diameters_mm, car.jet_drop_mm, *point)[0])
    leak = float(car.air_in_exhaust(*point)[0])
    burnt = shown / (1 + leak)
    co2, co, oxygen, total = dry_gas(burnt, rng.uniform(0.3, 0.9))
    needed = 1 + HYDROGEN / 4
    air = leak * burnt * needed * (1 + NITROGEN)
    whole = total + air
    co_percent, co2_percent = 100 * co / whole, 100 * co2 / whole
    o2_percent = 100 * (oxygen + air / (1 + NITROGEN)) / whole
    meter, _ = car.reading(np.array([shown]))
    return nc.checks.GasReading(
        at=at,
        co_percent=max(co_percent + rng.uniform(-1, 1) * max(0.06, 0.05 * co_percent), 0.0),
        co2_percent=co2_percent + rng.uniform(-0.5, 0.5),
        o2_percent=max(o2_percent + rng.uniform(-0.1, 0.1), 0.0),
        hc_ppm=rng.uniform(100, 350),
        lambda_measured=float(meter[0] + rng.normal(0, 0.004)),
    )
