"""Lambda of a car by needle and jet height, for any values of what is not known of it: one law for all that ask."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.unknowns import JET_LENGTH_MM, TOMORROW, Unknowns
from needlecalc.errors import SolveError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.setup import FlowParameters, FuelSlopes, Setup, fuel_flow, fuel_flow_and_slopes
from needlecalc.units import FloatArray

LEAST_CLEARANCE_MM = 1e-3  # on diameter; a far draw must not close the jet
ROUNDING_MM = 1e-9  # lift and drop add up to the end of the needle only so exactly
AT_ONCE = 300  # cars times bands: larger arrays leave the cache, which takes three times as long
LEAST_OFFSET = 1e-5  # of the gap: nearer the middle the slope by the square of the offset is that here


@dataclass(frozen=True, eq=False)
class Law:
    """ln(lambda) of each band by needle and jet height, of one car or of many: of each row of ``unknowns``.

    ln(lambda) as the meter reads it = level - gain (ln(fuel) - ln(fuel on the first needle, a usual day)), the air being
    the same; the days are those of the unknowns, None a usual one.
    """

    setup: Setup
    start: Setup  # parts of the first pass
    first: Pass
    thickest_mm: float  # no needle is thicker in its jet
    bands: Bands  # those of the last pass
    place: Unknowns
    unknowns: FloatArray  # (..., k)
    least_offset: float = LEAST_OFFSET

    @classmethod
    def of(cls, setup: Setup, history: History, bands: Bands, place: Unknowns, unknowns: FloatArray) -> Law:
        """The law of the bands that the last pass of a history measured."""
        measured = max(float(one.needle.diameters_mm[0]) for one in history.passes)
        thickest = max(setup.carburettor.jet.least_bore_mm() - LEAST_CLEARANCE_MM, measured)
        return cls(setup, setup, history.passes[0], thickest, bands, place, unknowns)

    def in_parts(self, setup: Setup) -> Law:
        """The same cars with another needle table or jet since the first pass."""
        return replace(self, setup=setup)

    def shifted(self, log_lambda: FloatArray) -> Law:
        """The same cars, every band so much leaner."""
        unknowns = self.unknowns.copy()
        unknowns[..., self.place.level()] += log_lambda
        return replace(self, unknowns=unknowns)

    def centred(self) -> Law:
        """The same cars with every needle in the middle of its jet: far less work."""
        unknowns = self.unknowns.copy()
        unknowns[..., self.place.shared("eccentricity")] = 0.0
        return replace(self, unknowns=unknowns, least_offset=0.0)

    def log_lambda(self, diameters_mm: FloatArray, drop_mm: FloatArray | float, day: int | None = TOMORROW) -> FloatArray:
        """ln(lambda), shape (..., m), on needles of true diameters (..., n); of shape (s, m, n), one needle a band."""
        return np.asarray(self.without_fuel - self.gain * self.log_fuel(diameters_mm, drop_mm, day))

    def slopes(
        self,
        diameters_mm: FloatArray,
        drop_mm: float,
        *,
        number: int | None = None,
        kept: NDArray[np.bool_] | bool = True,
        day: int = TOMORROW,
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """ln(lambda) of one car, its slopes by the unknowns, (m, k), and by the diameters and then the drop, (m, n + 1).

        ``number`` is the needle of the history that it is, whose errors then move it at the stations ``kept``, as the metal
        there is what it was; None for any other.
        """
        log_fuel, by_unknowns, by_needle = self._fuel_slopes(self.setup, diameters_mm, drop_mm, day)
        log_first, by_unknowns_first, by_first = self._at_first
        place, by_gain = self.place, -self.gain * (log_fuel - log_first)
        gain = self.gain[:, None]
        rows = -gain * (by_unknowns - by_unknowns_first)
        rows[:, [place.shared("flow gain"), place.shared("meter gain")]] = by_gain[:, None]
        rows[:, place.level()], rows[:, place.own_gain()] = np.eye(place.bands), np.diag(by_gain)
        # A diameter is what was measured less its error.
        rows[:, place.needle(0)] -= gain * by_first[:, :-1]
        if number is not None:
            rows[:, place.needle(number)] += gain * by_needle[:, :-1] * kept
        return self.without_fuel - self.gain * log_fuel, rows, -gain * by_needle

    @cached_property
    def gain(self) -> FloatArray:
        """Change of fuel seen over change computed, shape (..., m)."""
        own = self.unknowns[..., self.place.own_gain()]
        return np.asarray(np.exp(own + self._shared("flow gain")) * self.meter_gain)

    @property
    def meter_gain(self) -> FloatArray:
        """What the meter makes of a change of lambda, shape (..., 1)."""
        return np.asarray(np.exp(self._shared("meter gain")))

    @cached_property
    def without_fuel(self) -> FloatArray:
        """ln(lambda) plus gain times ln(fuel), which no needle changes."""
        started = replace(self, setup=self.start)
        fuel = started.log_fuel(self._first_mm(), self.first.drop_mm, None)
        return np.asarray(self.unknowns[..., self.place.level()] + self.gain * fuel)

    def parameters(self, day: int | None) -> FlowParameters:
        """Jet length, viscosity and eccentricity, (..., 1) each."""
        offset = np.sqrt(np.clip(self._shared("eccentricity"), self.least_offset**2, 1.0))
        length = np.clip(np.exp(self._shared("jet length")), *JET_LENGTH_MM)
        log_viscosity = self._shared("viscosity")
        if day is not None:
            log_viscosity = log_viscosity + self._at(self.place.day(day))
        return FlowParameters(length, np.exp(log_viscosity), offset)

    def lift_mm(self, drop_mm: FloatArray | float) -> FloatArray:
        """Lifts, (..., m), kept where the needle has stations and the piston its stop, so that no far draw stops others."""
        stations = self.setup.carburettor.needle.stations_mm
        shift = drop_mm + self.setup.carburettor.shoulder_offset_mm
        low, high = stations[0] - shift + ROUNDING_MM, stations[-1] - shift - ROUNDING_MM
        return np.asarray(np.clip(self.unknowns[..., self.place.lift()], low, high))

    def in_jet(self, diameters_mm: FloatArray) -> FloatArray:
        """Diameters as turned (neighbouring errors make no groove) and thinner than the jet, as no far draw may close it."""
        return np.asarray(np.minimum(np.minimum.accumulate(diameters_mm, axis=-1), self.thickest_mm))

    def log_fuel(self, diameters_mm: FloatArray, drop_mm: FloatArray | float, day: int | None = TOMORROW) -> FloatArray:
        """ln(fuel flow in g/s), shape (..., m)."""
        if self.unknowns.ndim == 1:
            return self._log_fuel(np.asarray(diameters_mm), drop_mm, day)
        count, some = self.unknowns.shape[0], max(AT_ONCE // self.place.bands, 1)
        diameters = np.broadcast_to(diameters_mm, (count, np.shape(diameters_mm)[-1]))
        parts = [slice(start, start + some) for start in range(0, count, some)]
        few = [replace(self, unknowns=self.unknowns[part])._log_fuel(diameters[part], drop_mm, day) for part in parts]
        return np.vstack(few)

    def _log_fuel(self, diameters_mm: FloatArray, drop_mm: FloatArray | float, day: int | None) -> FloatArray:
        diameters = self.in_jet(diameters_mm)
        diameters = diameters if diameters.ndim == 3 else diameters[..., None, :]
        flow = fuel_flow(self.setup, self.lift_mm(drop_mm), diameters_mm=diameters, **self._known(drop_mm, day))
        return self._a_number(np.log(flow.fuel_flow_g_s))

    @cached_property
    def _at_first(self) -> tuple[FloatArray, FloatArray, FloatArray]:
        return self._fuel_slopes(self.start, self._first_mm(), self.first.drop_mm, None)

    def _first_mm(self) -> FloatArray:
        return np.asarray(self.first.needle.diameters_mm - self.unknowns[..., self.place.needle(0)])

    def _shared(self, name: str) -> FloatArray:
        return self._at(self.place.shared(name))

    def _at(self, number: int) -> FloatArray:
        return self.unknowns[..., number : number + 1]

    def _known(self, drop_mm: FloatArray | float, day: int | None) -> dict[str, Any]:
        return {"drop_mm": drop_mm, "depression_pa": self.bands.depression_pa, "parameters": self.parameters(day)}

    def _fuel_slopes(
        self, setup: Setup, diameters_mm: FloatArray, drop_mm: float, day: int | None
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """ln(fuel) with its slopes by the unknowns, errors of needles left out, and by diameters and drop."""
        law = replace(self, setup=setup) if setup is not self.setup else self
        lift, each = law.lift_mm(drop_mm), np.arange(self.place.bands)
        flow, by = fuel_flow_and_slopes(setup, lift, diameters_mm=self.in_jet(diameters_mm), **self._known(drop_mm, day))
        rows = np.zeros((lift.size, self.unknowns.size))
        # A lift past the last station is held there.
        free = lift == self.unknowns[self.place.lift()]
        rows[each, self.place.lift().start + each] = np.where(free, by.per_mm_lift, 0.0)
        for name, slope in self._by_shared(by).items():
            rows[:, self.place.shared(name)] = slope
        if day is not None:
            rows[:, self.place.day(day)] = by.per_ln_viscosity
        return self._a_number(np.log(flow.fuel_flow_g_s)), rows, np.column_stack([by.per_mm_diameter, by.per_mm_drop])

    def _a_number(self, log_fuel: FloatArray) -> FloatArray:
        if not (good := np.isfinite(log_fuel)).all():
            band = int(np.argmin(good.reshape(-1, good.shape[-1]).all(axis=0)))
            msg = (
                f"The flow law gives no number at {self.bands.name(band)}, {self.bands.lift_mm[band]:.1f} mm of lift; check "
                "needle table, bore and bore length, fuel level and depression, and how far each of them may be off."
            )
            raise SolveError(msg)
        return log_fuel

    def _by_shared(self, by: FuelSlopes) -> dict[str, FloatArray]:
        usual = self.parameters(None)
        return {
            "jet length": by.per_mm_length * np.asarray(usual.length_mm),
            "viscosity": by.per_ln_viscosity,
            # By the square of the offset, as either side is the same: fuel grows with it from the middle on.
            "eccentricity": by.per_eccentricity / (2.0 * np.asarray(usual.eccentricity)),
        }
