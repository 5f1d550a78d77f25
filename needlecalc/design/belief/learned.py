"""What is believed of a car: lift, flow gain, jet length, fuel and needle, how far each may be off, and lambda by them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.arrowhead import Arrowhead, BandRows
from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.belief.history import History
from needlecalc.design.belief.unknowns import SHARED, SHORTEST_JET_MM, Unknowns
from needlecalc.design.forward.predict import (
    Nature,
    as_turned,
    fuel_of,
    log_fuel,
    pressure_per_mm_drop,
    pressure_per_mm_lift,
)
from needlecalc.measure.drive.bands import Bands, worst_of
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table, counted
from needlecalc.units import FloatArray

LEAST_CLEARANCE_MM = 1e-3  # on diameter; a far draw must not close the jet
ROUNDING_MM = 1e-9  # lift and drop add up to the end of the needle only so exactly
LEAST_SAID_MM = 0.005  # of lift, as it prints


@dataclass(frozen=True, repr=False, eq=False)
class Learned(Shown):
    """What is believed of a car after its passes: a joint normal distribution of all that matters.

    Parameters
    ----------
    setup : Setup
        The setup as it stands now.
    history : History
        The passes it was learned from.
    doubts : Doubts
        What it started from.
    bands : Bands
        Bands of the last pass that any pass measured.
    place : Unknowns
        Order of the unknowns.
    mean : array, shape (k,)
        Best value of each unknown. [mixed]
    belief : Arrowhead
        How far each may be off, together.
    before : array, shape (k,)
        Standard uncertainty of each before any pass. [mixed]
    at_least : array of bool, shape (m,)
        Bands so lean that their reading counts as "at least so lean".
    """

    setup: Setup
    history: History
    doubts: Doubts
    bands: Bands
    place: Unknowns
    mean: FloatArray
    belief: Arrowhead
    before: FloatArray
    at_least: NDArray[np.bool_]

    def __repr__(self) -> str:
        said = [f"{row['what']} {row['now']:.3g} +- {row['now_u']:.2g}" for row in self.shared_rows()[:2]]
        return f"{self._title()}: {', '.join(said)}"

    def u(self) -> FloatArray:
        """Standard uncertainty of every unknown.

        Returns
        -------
        array, shape (k,)
            In the order of ``place``. [mixed]
        """
        return self.place.whole(self.belief.car_u(), self.belief.own_u())

    def lift_mm(self) -> FloatArray:
        """Lift of each band as now believed.

        Returns
        -------
        array, shape (m,)
            Lift. [mm]
        """
        return np.asarray(self.mean[self.place.lift()])

    def lambda_now(self) -> FloatArray:
        """Lambda of each band on the needle now fitted.

        Returns
        -------
        array, shape (m,)
            Lambda, all passes taken together. [-]
        """
        last = self.history.passes[-1]
        return np.asarray(np.exp(self.log_lambda(self.mean, self.present_mm(), last.drop_mm)))

    def present_mm(self) -> FloatArray:
        """Diameters of the needle now fitted, as now believed.

        Returns
        -------
        array, shape (n,)
            Measured diameters less the error believed of each. [mm]
        """
        last = self.history.passes[-1].needle
        number = int(self.history.needle_of_pass()[-1])
        return np.asarray(last.diameters_mm - self.mean[self.place.needle(number)])

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
        return log_fuel(
            self.setup,
            self.on_needle(lift_mm, drop_mm),
            diameters_mm=self.in_jet(np.asarray(diameters_mm))[..., None, :],
            drop_mm=drop_mm,
            nature=_nature(car),
            depression_pa=self.bands.depression_pa[part],
        )

    def samples(self, count: int, seed: int = 0) -> FloatArray:
        """Cars that agree with what was measured, drawn at random.

        Parameters
        ----------
        count : int
            How many.
        seed : int
            Seed of the draw; the same seed gives the same cars.

        Returns
        -------
        array, shape (count, k)
            Unknowns of each. [mixed]
        """
        rng = np.random.default_rng(seed)
        car = self.belief.draw_car(rng, count)
        own = self.belief.draw_own(rng, car, slice(None))
        return np.asarray(self.mean + self.place.whole(car, own))

    def slopes(self, diameters_mm: FloatArray, drop_mm: float) -> tuple[BandRows, FloatArray]:
        """Slopes of ln(lambda) of each band on a needle, by every unknown and by the needle itself.

        Parameters
        ----------
        diameters_mm : array, shape (n,)
            True diameters. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        BandRows
            By the unknowns, at their best values.
        array, shape (m, n + 1)
            By the diameters, then by the jet drop. [1/mm]
        """
        return slopes_of(self, self.mean, diameters_mm, drop_mm, number=None)

    def lambda_now_u(self) -> FloatArray:
        """Standard uncertainty of :meth:`lambda_now`, as a share of it.

        Returns
        -------
        array, shape (m,)
            Doubt of ln(lambda). [-]
        """
        number = int(self.history.needle_of_pass()[-1])
        rows, _ = slopes_of(self, self.mean, self.present_mm(), self.history.passes[-1].drop_mm, number=number)
        return self.belief.u_of(rows)

    def shared_rows(self) -> list[Row]:
        """What all bands share, before and after.

        Returns
        -------
        list of dict
            One an unknown.
        """
        units = ("-", "mm", "x stated", "of the gap", "mm", "x its +-")
        start = prior_mean(self.setup)
        after = self.u()
        return [
            {
                "what": name,
                "unit": units[k],
                "before": float(start[k]),
                "before_u": float(self.before[k]),
                "now": float(self.mean[k]),
                "now_u": float(after[k]),
            }
            for k, name in enumerate(SHARED)
        ]

    def table(self) -> Table:
        """What was learned, to be shown.

        Returns
        -------
        Table
            One row an unknown that all bands share; lifts below.
        """
        columns = (
            Column("what", "what"),
            Column("unit", "unit"),
            Column("before", "before", ".3f"),
            Column("before_u", "+-", ".3f"),
            Column("now", "now", ".3f"),
            Column("now_u", "+-", ".3f"),
        )
        moved = self.lift_mm() - self.bands.lift_mm
        worst = int(np.argmax(np.abs(moved)))
        notes = [f"Lift now believed differs most from that read at {self.bands.name(worst)}: {moved[worst]:+.2f} mm."]
        if abs(moved[worst]) < LEAST_SAID_MM:
            notes = ["Lift now believed is that read, at every band."]
        lean, more = worst_of(np.flatnonzero(self.at_least).tolist(), self.bands.lambda_measured)
        notes += [
            f"{self.bands.name(band)} was beyond the lean limit: its reading counts as at least so lean." for band in lean
        ]
        if more:
            notes.append(f"So were {more} more bands, these being the leanest.")
        return Table(self._title(), columns, self.shared_rows(), notes=notes)

    def _title(self) -> str:
        return f"Learned from {counted(len(self.history.passes), 'pass', 'passes')}"

    def lift_and_nature(self, unknowns: FloatArray) -> tuple[FloatArray, Nature]:
        """Lifts, and what the flow law takes for granted, of one car or of many.

        Parameters
        ----------
        unknowns : array, shape (..., k)
            Values in the order of ``place``. [mixed]

        Returns
        -------
        array, shape (..., m)
            Lift of each band. [mm]
        Nature
            Jet length, viscosity and eccentricity, shape (..., 1).
        """
        # Errors all bands share sit in the lift itself here; readings carry them.
        return unknowns[..., self.place.lift()], _nature(unknowns)

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
        return np.asarray(np.minimum(as_turned(diameters_mm), max(bore, measured)))


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


def _nature(car: FloatArray) -> Nature:
    """What the flow law takes for granted, of one car or of many, shape (..., s)."""
    length = np.maximum(car[..., 1:2], SHORTEST_JET_MM)
    eccentricity = np.clip(np.abs(car[..., 3:4]), 0.0, 1.0)
    return Nature(length, np.exp(car[..., 2:3]), eccentricity)


def slopes_of(
    learned: Learned,
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
    learned : Learned
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
    place, setup = learned.place, learned.setup
    first = learned.history.passes[0]
    start = first.needle.diameters_mm - mean[place.needle(0)]
    lift, known = mean[place.lift()][part], learned.bands.depression_pa[part]
    flows, slopes, by_lift, by_drop = [], [], [], []
    for d, drop in ((diameters_mm, drop_mm), (start, first.drop_mm)):
        place_mm = learned.on_needle(lift, drop)
        flow, slope = fuel_of(
            setup, place_mm, diameters_mm=learned.in_jet(d), drop_mm=drop, nature=_nature(mean), depression_pa=known
        )
        per_lift = pressure_per_mm_lift(setup, place_mm, drop_mm=drop, depression_pa=known)
        per_drop = pressure_per_mm_drop(setup, place_mm, drop_mm=drop, depression_pa=known)
        flows.append(np.log(flow.fuel_flow_g_s))
        slopes.append(slope)
        # A lift past the last station is held there.
        by_lift.append(np.where(place_mm == lift, slope.per_mm_position + slope.per_ln_pressure * per_lift, 0.0))
        by_drop.append(slope.per_mm_position + slope.per_ln_pressure * per_drop)
    now, then = slopes
    gain = mean[place.shared("flow gain")]
    car = np.zeros((lift.size, place.car().stop))
    car[:, place.shared("flow gain")] = flows[1] - flows[0]
    car[:, place.shared("jet length")] = -gain * (now.per_mm_length - then.per_mm_length)
    car[:, place.shared("viscosity")] = -gain * (now.per_ln_viscosity - then.per_ln_viscosity)
    eccentricity = mean[place.shared("eccentricity")]
    # An offset to either side is the same.
    car[:, place.shared("eccentricity")] = -gain * np.sign(eccentricity) * (now.per_eccentricity - then.per_eccentricity)
    car[:, place.needle(0)] -= gain * then.per_mm_diameter
    if number is not None:
        # A diameter is what was measured less its error.
        car[:, place.needle(number)] += gain * now.per_mm_diameter
    own = np.column_stack([np.ones(lift.size), -gain * (by_lift[0] - by_lift[1])])
    return BandRows(car, own), np.asarray(-gain * np.column_stack([now.per_mm_diameter, by_drop[0]]))
