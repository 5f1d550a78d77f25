"""Lambda of a car by its unknowns: lift, flow gain, jet length, fuel and the errors of its needles."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.belief.arrowhead import BandRows
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
        """ln(lambda) of each band on any needle, for any values of the unknowns.

        Parameters
        ----------
        unknowns : array, shape (..., k)
            Values in the order of ``place``. [mixed]
        diameters_mm : array, shape (..., n)
            True diameters of the needle. [mm]
        drop_mm : float or array, shape (..., 1)
            Jet drop. [mm]

        Returns
        -------
        array, shape (..., m)
            ln(lambda). [-]
        """
        return self.log_lambda_of(unknowns[..., self.place.car()], self.place.own(unknowns), diameters_mm, drop_mm)

    def log_lambda_of(
        self,
        car: FloatArray,
        own: FloatArray,
        diameters_mm: FloatArray,
        drop_mm: FloatArray | float,
        part: slice = slice(None),
    ) -> FloatArray:
        """ln(lambda) of some bands, the car's unknowns and the bands' own given apart.

        Parameters
        ----------
        car : array, shape (..., s)
            Values of the car's unknowns. [mixed]
        own : array, shape (..., c, 2)
            Level and lift of each band. [mixed]
        diameters_mm : array, shape (..., n)
            True diameters of the needle. [mm]
        drop_mm : float or array, shape (..., 1)
            Jet drop. [mm]
        part : slice
            Which bands; all when not given.

        Returns
        -------
        array, shape (..., c)
            ln(lambda). [-]
        """
        fuel = self.log_fuel_of(car, own[..., 1], diameters_mm, drop_mm, part)
        # The difference first: on the first needle lambda is the level, to the last digit.
        return np.asarray(own[..., 0] - car[..., :1] * (fuel - self._log_fuel_at_first(car, own, part)))

    def without_fuel(self, car: FloatArray, own: FloatArray, part: slice = slice(None)) -> FloatArray:
        """ln(lambda) plus gain times ln(fuel) of some bands, which no needle changes.

        Parameters
        ----------
        car : array, shape (..., s)
            Values of the car's unknowns. [mixed]
        own : array, shape (..., c, 2)
            Level and lift of each band. [mixed]
        part : slice
            Which bands; all when not given.

        Returns
        -------
        array, shape (..., c)
            What the first needle tells. [-]
        """
        return np.asarray(own[..., 0] + car[..., :1] * self._log_fuel_at_first(car, own, part))

    def _log_fuel_at_first(self, car: FloatArray, own: FloatArray, part: slice) -> FloatArray:
        """ln(fuel) of some bands on the needle and jet height of the first pass."""
        first = self.history.passes[0]
        start = first.needle.diameters_mm - car[..., self.place.needle(0)]
        return self.log_fuel_of(car, own[..., 1], start, first.drop_mm, part)

    def log_fuel_of(
        self,
        car: FloatArray,
        lift_mm: FloatArray,
        diameters_mm: FloatArray,
        drop_mm: FloatArray | float,
        part: slice = slice(None),
    ) -> FloatArray:
        """ln(fuel) of some bands, lifts and needle kept where they can be.

        Parameters
        ----------
        car : array, shape (..., s)
            Values of the car's unknowns. [mixed]
        lift_mm : array, shape (..., c)
            Lift of each band. [mm]
        diameters_mm : array, shape (..., n)
            True diameters of the needle. [mm]
        drop_mm : float or array, shape (..., 1)
            Jet drop. [mm]
        part : slice
            Which bands; all when not given.

        Returns
        -------
        array, shape (..., c)
            ln(fuel flow in g/s). [-]
        """
        flow = fuel_flow(
            self.setup,
            self.on_needle(lift_mm, drop_mm),
            diameters_mm=self.in_jet(np.asarray(diameters_mm))[..., None, :],
            drop_mm=drop_mm,
            parameters=_parameters(car),
            depression_pa=self.bands.depression_pa[part],
        )
        return np.asarray(np.log(flow.fuel_flow_g_s))

    def lift_and_parameters(self, unknowns: FloatArray) -> tuple[FloatArray, FlowParameters]:
        """Lifts, and what the flow law takes for granted, of one car or of many.

        Parameters
        ----------
        unknowns : array, shape (..., k)
            Values in the order of ``place``. [mixed]

        Returns
        -------
        array, shape (..., m)
            Lift of each band. [mm]
        FlowParameters
            Jet length, viscosity and eccentricity, shape (..., 1).
        """
        # Errors all bands share sit in the lift itself here; readings carry them.
        return unknowns[..., self.place.lift()], _parameters(unknowns)

    def on_needle(self, lift: FloatArray, drop_mm: FloatArray | float) -> FloatArray:
        """Lifts kept where the needle has stations, so that a far draw does not stop the others.

        Parameters
        ----------
        lift : array, shape (..., m)
            Lift. [mm]
        drop_mm : float or array, shape (..., 1)
            Jet drop. [mm]

        Returns
        -------
        array, shape (..., m)
            Lift on the needle. [mm]
        """
        stations = self.setup.carburettor.needle.stations_mm
        shift = np.asarray(drop_mm) + self.setup.carburettor.shoulder_offset_mm
        return np.asarray(np.clip(lift, stations[0] - shift + ROUNDING_MM, stations[-1] - shift - ROUNDING_MM))

    def in_jet(self, diameters_mm: FloatArray) -> FloatArray:
        """Diameters as turned, and thinner than the jet, so that a far draw does not stop the others.

        Parameters
        ----------
        diameters_mm : array, shape (..., n)
            Diameters with their errors. [mm]

        Returns
        -------
        array, shape (..., n)
            Diameters that leave fuel a way. [mm]
        """
        bore = self.setup.carburettor.jet.least_bore_mm() - LEAST_CLEARANCE_MM
        measured = max(float(one.needle.diameters_mm[0]) for one in self.history.passes)
        return np.asarray(np.minimum(np.minimum.accumulate(diameters_mm, axis=-1), max(bore, measured)))


def prior_mean(setup: Setup) -> FloatArray:
    """Best value of ``SHARED`` before any pass.

    Parameters
    ----------
    setup : Setup
        The setup.

    Returns
    -------
    array, shape (6,)
        In the order of ``SHARED``. [mixed]
    """
    jet = setup.carburettor.jet
    return np.array([1.0, jet.parallel_length_mm, 0.0, jet.eccentricity(), 0.0, 0.0])


def _parameters(car: FloatArray) -> FlowParameters:
    """What the flow law takes for granted, of one car or of many, shape (..., s)."""
    length = np.maximum(car[..., 1:2], SHORTEST_JET_MM)
    eccentricity = np.clip(np.abs(car[..., 3:4]), 0.0, 1.0)
    return FlowParameters(length, np.exp(car[..., 2:3]), eccentricity)


def slopes_of(
    car: CarLaw,
    mean: FloatArray,
    diameters_mm: FloatArray,
    drop_mm: float,
    *,
    number: int | None,
    part: slice = slice(None),
) -> tuple[BandRows, FloatArray]:
    """Slopes of ln(lambda) of some bands by the unknowns and by the needle.

    Parameters
    ----------
    car : CarLaw
        Car and passes.
    mean : array, shape (k,)
        Values of the unknowns. [mixed]
    diameters_mm : array, shape (n,)
        True diameters of the needle. [mm]
    drop_mm : float
        Jet drop. [mm]
    number : int or None
        Needle of the history that it is, whose errors then move it; None for any other.
    part : slice
        Which bands; all when not given.

    Returns
    -------
    BandRows
        By the unknowns.
    array, shape (c, n + 1)
        By the diameters, then by the jet drop. [1/mm]
    """
    place, setup = car.place, car.setup
    first = car.history.passes[0]
    start = first.needle.diameters_mm - mean[place.needle(0)]
    lift, known = mean[place.lift()][part], car.bands.depression_pa[part]
    flows, slopes, by_lift = [], [], []
    for d, drop in ((diameters_mm, drop_mm), (start, first.drop_mm)):
        place_mm = car.on_needle(lift, drop)
        flow, slope = fuel_flow_and_slopes(
            setup, place_mm, diameters_mm=car.in_jet(d), drop_mm=drop, parameters=_parameters(mean), depression_pa=known
        )
        flows.append(np.log(flow.fuel_flow_g_s))
        slopes.append(slope)
        # A lift past the last station is held there.
        by_lift.append(np.where(place_mm == lift, slope.per_mm_lift, 0.0))
    now, then = slopes
    gain = mean[place.shared("flow gain")]
    by_car = np.zeros((lift.size, place.car().stop))
    by_car[:, place.shared("flow gain")] = flows[1] - flows[0]
    by_car[:, place.shared("jet length")] = -gain * (now.per_mm_length - then.per_mm_length)
    by_car[:, place.shared("viscosity")] = -gain * (now.per_ln_viscosity - then.per_ln_viscosity)
    eccentricity = mean[place.shared("eccentricity")]
    # An offset to either side is the same.
    by_car[:, place.shared("eccentricity")] = -gain * np.sign(eccentricity) * (now.per_eccentricity - then.per_eccentricity)
    by_car[:, place.needle(0)] -= gain * then.per_mm_diameter
    if number is not None:
        # A diameter is what was measured less its error.
        by_car[:, place.needle(number)] += gain * now.per_mm_diameter
    own = np.column_stack([np.ones(lift.size), -gain * (by_lift[0] - by_lift[1])])
    return BandRows(by_car, own), np.asarray(-gain * np.column_stack([now.per_mm_diameter, now.per_mm_drop]))
