"""What passes teach of a car, written from the description of the model alone: nothing of the library but the fuel flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from conftest import STATIONS_MM
from scipy.linalg import sqrtm

import needlecalc as nc
from needlecalc.parts.setup import FlowParameters, fuel_flow

FUEL = nc.Fuel()


class Afresh:
    """Residuals over their doubts, written from the description of the model alone.

    Vector: the level of each band, the lift of each, ln of the gain of each over all; gain, jet length, ln viscosity,
    gain of the meter, eccentricity, lift zero, lift scale; ln viscosity of each day, and of one to come; then reading less
    truth of every station of each needle.
    """

    factor = 1.0  # on the doubts of all readings

    def __init__(self, setup, passes, doubts=None):
        self.setup, self.passes, self.d = setup, passes, doubts or nc.Doubts()
        jet = setup.carburettor.jet
        self.m, self.n = passes[0].bands.rpm.size, STATIONS_MM.size
        first = passes[0].bands
        self.centre = np.concatenate(
            [np.log(first.lambda_measured), first.lift_mm, np.zeros(self.m)]
            + [[0.0, np.log(jet.parallel_length_mm), 0.0, 0.0, jet.eccentricity() ** 2, 0.0, 0.0], np.zeros(len(passes) + 1)]
            + [np.zeros(self.n)] * len(passes)
        )
        # Of a normal offset u about the middle the square has the mean u^2, as has a normal one of sqrt(2 pi) u^2 cut off
        # at zero; at the wall it is 1 +- 2 * 0.05.
        eccentric = np.hypot(0.1, np.sqrt(2 * np.pi) * 0.05**2) if jet.mounting == "biased" else np.sqrt(2 * np.pi) * 0.2**2
        # A share u of a positive quantity: log-normal of that mean and spread (Johnson, Kotz and Balakrishnan, Continuous
        # Univariate Distributions 1, chapter 14, from memory).
        logs = np.sqrt(np.log1p(np.square([self.d.flow_gain, 1.0 / 4.0, self.d.viscosity, self.d.sensor_gain])))
        own_gain = np.sqrt(np.log1p((0.6 * self.d.flow_gain) ** 2))
        shared = [*logs, eccentric, self.d.lift_zero_mm, 1.0]
        # Viscosity of petrol falls by some 1.1 % a degree (physics of the fuel, tested by itself).
        colder, usual = replace(FUEL, temperature_degc=FUEL.temperature_degc - 1.0), FUEL.viscosity_mm2_s()
        day = self.d.fuel_temperature_k * np.log(colder.viscosity_mm2_s() / usual)
        # Diameters of a table err alike in part: what is normal is the error times the root of its inverse covariance.
        alike = self.d.table_mm**2 * np.eye(self.n) + self.d.table_offset_mm**2
        self.whiten = np.linalg.inv(np.real(sqrtm(alike)))
        self.width = np.concatenate(
            [np.full(self.m, 1.0), np.full(self.m, 30.0), np.full(self.m, own_gain), shared, np.full(len(passes) + 1, day)]
            + [np.full(self.n, np.sqrt(alike[0, 0]))]
            + [np.full(self.n, self.d.micrometer_mm)] * (len(passes) - 1)
        )

    def log_fuel(self, x, diameters, drop, day=0.0):
        car = x[3 * self.m :]
        given = FlowParameters(np.exp(car[1]), np.exp(car[2] + day), np.sqrt(np.clip(car[4], 0.0, 1.0)))
        lift = x[self.m : 2 * self.m]
        flow = fuel_flow(self.setup, lift, diameters_mm=diameters, drop_mm=drop, parameters=given)
        return np.log(flow.fuel_flow_g_s)

    def residuals(self, scaled):
        x = self.centre + self.width * scaled
        level, lift, own_gain, car = np.split(x, [self.m, 2 * self.m, 3 * self.m])
        days, errors = np.split(car[7:], [len(self.passes) + 1])
        errors = errors.reshape(len(self.passes), self.n)
        base = self.log_fuel(x, self.passes[0].needle.diameters_mm - errors[0], self.passes[0].drop_mm)
        prior, first = scaled.copy(), 3 * self.m + 7 + len(self.passes) + 1
        prior[first : first + self.n] = self.whiten @ errors[0]
        out = [prior]
        for one, error, day in zip(self.passes, errors, days, strict=False):
            fuel = self.log_fuel(x, one.needle.diameters_mm - error, one.drop_mm, day)
            read = one.bands
            doubt = self.factor * np.hypot(read.lambda_se / read.lambda_measured, self.d.repeatability)
            out.append((level - np.exp(own_gain + car[0] + car[3]) * (fuel - base) - np.log(read.lambda_measured)) / doubt)
            own = self.factor * np.sqrt(read.lift_u_mm**2 - read.lift_common_u_mm**2)
            out.append((lift + car[5] + car[6] * read.lift_common_u_mm - read.lift_mm) / own)
        return np.concatenate(out)
