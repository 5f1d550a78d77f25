"""An owner with a car drawn from the library's own doubts: what he measures, files and really gets.

The law of flow is the library's; everything random is drawn here, by the words of ``Doubts`` alone, so that the
intervals a design states can be counted against what becomes of the car.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from conftest import DIAMETERS_MM, STATIONS_MM, make_setup

import needlecalc as nc
from needlecalc.parts.setup import FlowParameters, fuel_flow
from needlecalc.priors import OWN_GAIN

LIFTS = np.array([2.5, 5.0, 8.0, 12.0, 17.0, 23.0])
LAMBDA = np.array([1.00, 1.03, 1.06, 1.05, 1.03, 1.05])
AIM = 0.95
LIFT_OWN_MM = 0.2
LAMBDA_SE = 0.005


@dataclass
class Owner:
    """A car and its owner, drawn by seed."""

    setup: nc.Setup
    doubts: nc.Doubts
    rng: np.random.Generator
    gain: np.ndarray  # of each band
    parameters: FlowParameters
    zero: float
    offset: float
    meter_gain: float
    lift: np.ndarray
    true_mm: np.ndarray

    @classmethod
    def drawn(cls, seed: int, doubts: nc.Doubts | None = None, **jet) -> Owner:
        rng = np.random.default_rng(seed)
        setup, d = make_setup(**jet), doubts or nc.Doubts()
        jet_now = setup.carburettor.jet
        share = jet_now.parallel_length_u_mm / jet_now.parallel_length_mm
        length = jet_now.parallel_length_mm * np.exp(rng.normal(0.0, np.sqrt(np.log1p(share**2))))  # positive: log-normal
        eccentric = min(abs(rng.normal(jet_now.eccentricity(), d.eccentricity_u(jet_now.mounting))), 1.0)
        owner = cls(
            setup=setup, doubts=d, rng=rng, gain=np.full(LIFTS.size, rng.normal(1.0, d.flow_gain)),
            parameters=FlowParameters(length, float(np.exp(rng.normal(0.0, d.viscosity))), eccentric),
            zero=rng.normal(0.0, d.lift_zero_mm), offset=rng.normal(0.0, d.sensor_offset),
            meter_gain=float(np.exp(rng.normal(0.0, d.sensor_gain))), lift=LIFTS,
            true_mm=np.minimum.accumulate(
                DIAMETERS_MM - rng.normal(0.0, d.table_offset_mm) - rng.normal(0.0, d.table_mm, STATIONS_MM.size)
            ),
        )  # fmt: skip
        owner.gain = owner.gain * np.exp(rng.normal(0.0, OWN_GAIN * d.flow_gain, LIFTS.size))
        return owner

    def __post_init__(self) -> None:
        self.first_mm, self.first_drop = self.true_mm, self.setup.carburettor.jet.drop_mm

    def log_fuel(self, diameters, drop, colder_k=0.0):
        usual = self.parameters.viscosity_factor
        today = replace(self.parameters, viscosity_factor=usual * np.exp(self.setup.fuel.viscosity_per_k() * colder_k))
        flow = fuel_flow(self.setup, self.lift, diameters_mm=diameters, drop_mm=drop, parameters=today)
        return np.log(flow.fuel_flow_g_s)

    def lambda_true(self, drop=1.6):
        """Lambda the engine burns now, on a day of its own."""
        colder_k = self.rng.normal(0.0, self.doubts.fuel_temperature_k)
        more = self.log_fuel(self.true_mm, drop, colder_k) - self.log_fuel(self.first_mm, self.first_drop)
        return LAMBDA * np.exp(-self.gain * more)

    def drive(self, drop=1.6):
        """What a drive and a ruler give."""
        d, n = self.doubts, self.lift.size
        # The meter errs in the same way at every reading.
        reads = 1.0 + self.meter_gain * (self.lambda_true(drop) - 1.0) + self.offset
        shown = reads * np.exp(self.rng.normal(0.0, d.repeatability, n))
        read = self.lift + self.zero + self.rng.normal(0.0, LIFT_OWN_MM, n)
        typed = nc.typed_bands(
            np.linspace(900, 5000, n), shown + self.rng.normal(0.0, LAMBDA_SE, n), lift_mm=read, lift_u_mm=LIFT_OWN_MM,
            lambda_se=LAMBDA_SE,
        )  # fmt: skip
        return replace(typed, lift_common_u_mm=np.zeros(n))

    def file_to(self, asked_mm, cut):
        """File some stations; the hand errs, and puts no metal on."""
        filed = asked_mm + self.rng.normal(0.0, self.doubts.hand_mm, asked_mm.size)
        self.true_mm = np.minimum.accumulate(np.where(cut, np.minimum(filed, self.true_mm), self.true_mm))

    def measured(self, name="measured"):
        """The needle as his micrometer reads it."""
        read = self.true_mm + self.rng.normal(0.0, self.doubts.micrometer_mm, self.true_mm.size)
        return nc.Needle(name, STATIONS_MM, np.minimum.accumulate(read))


def target_of(bands: nc.Bands) -> nc.Target:
    """The same aim in every band."""
    return nc.Target(bands, np.full(bands.rpm.size, AIM))
