"""Lambda of a car by its unknowns: lift, flow gain, jet length, fuel and the errors of its needles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.belief.history import History
from needlecalc.design.belief.unknowns import SHORTEST_JET_MM, Unknowns
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.fuelflow import FlowParameters, fuel_flow, fuel_flow_and_slopes
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

LEAST_CLEARANCE_MM = 1e-3  # on diameter; a far draw must not close the jet
ROUNDING_MM = 1e-9  # lift and drop add up to the end of the needle only so exactly


@dataclass(frozen=True, repr=False, eq=False)
class CarLaw:
    """The law of a car, for any values of what is not known of it.

    Parameters
    ----------
    setup : Setup
        The setup as it stands now.
    history : History
        The passes; lambda on any needle is that of the first, moved by the change of fuel.
    bands : Bands
        Bands of the last pass that any pass measured.
    place : Unknowns
        Order of the unknowns.
    """

    setup: Setup
    history: History
    bands: Bands
    place: Unknowns

    def log_lambda(self, unknowns: FloatArray, diameters_mm: FloatArray, drop_mm: FloatArray | float) -> FloatArray:
        """ln(lambda) of each band, shape (..., m), on a needle of true diameters (..., n), for any values (..., k)."""
        fuel = self.log_fuel_of(unknowns, diameters_mm, drop_mm)
        # The difference first: on the first needle lambda is the level, to the last digit.
        return np.asarray(
            unknowns[..., self.place.level()] - self.gain_of(unknowns) * (fuel - self._log_fuel_at_first(unknowns))
        )

    def without_fuel(self, unknowns: FloatArray) -> FloatArray:
        """ln(lambda) plus gain times ln(fuel), which no needle changes."""
        return np.asarray(unknowns[..., self.place.level()] + self.gain_of(unknowns) * self._log_fuel_at_first(unknowns))

    def gain_of(self, unknowns: FloatArray) -> FloatArray:
        """Flow gain, shape (..., 1): change of fuel seen over change computed."""
        gain = self.place.shared("flow gain")
        return unknowns[..., gain : gain + 1]

    def _log_fuel_at_first(self, unknowns: FloatArray) -> FloatArray:
        """ln(fuel) on the needle and jet height of the first pass."""
        first = self.history.passes[0]
        start = first.needle.diameters_mm - unknowns[..., self.place.needle(0)]
        return self.log_fuel_of(unknowns, start, first.drop_mm)

    def log_fuel_of(self, unknowns: FloatArray, diameters_mm: FloatArray, drop_mm: FloatArray | float) -> FloatArray:
        """ln(fuel flow in g/s) of each band, lifts and needle kept where they can be."""
        lift, parameters = self.lift_and_parameters(unknowns)
        flow = fuel_flow(
            self.setup,
            self.on_needle(lift, drop_mm),
            diameters_mm=self.in_jet(np.asarray(diameters_mm))[..., None, :],
            drop_mm=drop_mm,
            parameters=parameters,
            depression_pa=self.bands.depression_pa,
        )
        return np.asarray(np.log(flow.fuel_flow_g_s))

    def lift_and_parameters(self, unknowns: FloatArray) -> tuple[FloatArray, FlowParameters]:
        """Lifts (..., m), and what the flow law takes for granted (..., 1), of one car or of many."""
        # Errors all bands share sit in the lift itself here; readings carry them.
        length, viscosity, eccentricity = (
            unknowns[..., k : k + 1] for k in map(self.place.shared, ("jet length", "viscosity", "eccentricity"))
        )
        length, eccentricity = np.maximum(length, SHORTEST_JET_MM), np.clip(np.abs(eccentricity), 0.0, 1.0)
        return unknowns[..., self.place.lift()], FlowParameters(length, np.exp(viscosity), eccentricity)

    def on_needle(self, lift: FloatArray, drop_mm: FloatArray | float) -> FloatArray:
        """Lifts kept where the needle has stations, so that a far draw does not stop the others."""
        stations = self.setup.carburettor.needle.stations_mm
        shift = np.asarray(drop_mm) + self.setup.carburettor.shoulder_offset_mm
        return np.asarray(np.clip(lift, stations[0] - shift + ROUNDING_MM, stations[-1] - shift - ROUNDING_MM))

    def in_jet(self, diameters_mm: FloatArray) -> FloatArray:
        """Diameters as turned, and thinner than the jet, so that a far draw does not stop the others."""
        bore = self.setup.carburettor.jet.least_bore_mm() - LEAST_CLEARANCE_MM
        measured = max(float(one.needle.diameters_mm[0]) for one in self.history.passes)
        return np.asarray(np.minimum(np.minimum.accumulate(diameters_mm, axis=-1), max(bore, measured)))


def prior_mean(setup: Setup) -> FloatArray:
    """Best value of ``SHARED`` before any pass."""
    jet = setup.carburettor.jet
    return np.array([1.0, jet.parallel_length_mm, 0.0, jet.eccentricity(), 0.0, 0.0])


def slopes_of(
    car: CarLaw,
    mean: FloatArray,
    diameters_mm: FloatArray,
    drop_mm: float,
    *,
    number: int | None,
) -> tuple[FloatArray, FloatArray]:
    """Slopes of ln(lambda) of each band: by the unknowns, shape (m, k); by the diameters, then the drop, (m, n + 1).

    ``number`` is the needle of the history that it is, whose errors then move it; None for any other.
    """
    place, setup = car.place, car.setup
    first = car.history.passes[0]
    start = first.needle.diameters_mm - mean[place.needle(0)]
    (lift, parameters), known = car.lift_and_parameters(mean), car.bands.depression_pa
    flows, slopes, by_lift = [], [], []
    for d, drop in ((diameters_mm, drop_mm), (start, first.drop_mm)):
        place_mm = car.on_needle(lift, drop)
        flow, slope = fuel_flow_and_slopes(
            setup, place_mm, diameters_mm=car.in_jet(d), drop_mm=drop, parameters=parameters, depression_pa=known
        )
        flows.append(np.log(flow.fuel_flow_g_s))
        slopes.append(slope)
        # A lift past the last station is held there.
        by_lift.append(np.where(place_mm == lift, slope.per_mm_lift, 0.0))
    now, then = slopes
    gain, eccentricity = (float(mean[place.shared(name)]) for name in ("flow gain", "eccentricity"))
    rows, each = np.zeros((lift.size, mean.size)), np.arange(lift.size)
    rows[each, each] = 1.0
    rows[each, place.lift().start + each] = -gain * (by_lift[0] - by_lift[1])
    rows[:, place.shared("flow gain")] = flows[1] - flows[0]
    rows[:, place.shared("jet length")] = -gain * (now.per_mm_length - then.per_mm_length)
    rows[:, place.shared("viscosity")] = -gain * (now.per_ln_viscosity - then.per_ln_viscosity)
    # An offset to either side is the same.
    rows[:, place.shared("eccentricity")] = -gain * np.sign(eccentricity) * (now.per_eccentricity - then.per_eccentricity)
    rows[:, place.needle(0)] -= gain * then.per_mm_diameter
    if number is not None:
        # A diameter is what was measured less its error.
        rows[:, place.needle(number)] += gain * now.per_mm_diameter
    return rows, np.asarray(-gain * np.column_stack([now.per_mm_diameter, now.per_mm_drop]))
