"""What the passes tell of the car: lift, flow gain, jet length, fuel and needle, each with its doubt."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from needlecalc.design.doubts import Doubts
from needlecalc.design.history import History, Pass
from needlecalc.design.predict import Nature, as_turned, fuel_of, log_fuel, pressure_per_mm_drop, pressure_per_mm_lift
from needlecalc.design.readings import Readings, check_passes, readings_of
from needlecalc.design.unknowns import SHARED, SHORTEST_JET_MM, Unknowns
from needlecalc.errors import SolveError
from needlecalc.measure.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray

ROUNDS = 40
SETTLED = 1e-6  # of a standard uncertainty
WIDE_OPEN = 1.0  # of ln lambda: the level of a band is known from its readings alone
LIFT_WIDE_OPEN_MM = 30.0
LEAST_CLEARANCE_MM = 1e-3  # on diameter; a far draw must not close the jet
ROUNDING_MM = 1e-9  # lift and drop add up to the end of the needle only so exactly


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
    covariance : array, shape (k, k)
        Joint covariance. [mixed]
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
    covariance: FloatArray
    before: FloatArray
    at_least: NDArray[np.bool_]

    def __repr__(self) -> str:
        parts = [f"{row['what']} {row['now']:.3g} +- {row['now_u']:.2g}" for row in self.shared_rows()[:2]]
        return f"Learned from {len(self.history.passes)} passes: {', '.join(parts)}"

    def u(self) -> FloatArray:
        """Standard uncertainty of every unknown.

        Returns
        -------
        array, shape (k,)
            In the order of ``place``. [mixed]
        """
        return np.asarray(np.sqrt(np.diag(self.covariance)))

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
        first = self.history.passes[0]
        start = first.needle.diameters_mm - unknowns[..., self.place.needle(0)]
        lift, nature = self.lift_and_nature(unknowns)
        fuel = [
            log_fuel(
                self.setup,
                self.on_needle(lift, drop),
                diameters_mm=self.in_jet(d)[..., None, :],
                drop_mm=drop,
                nature=nature,
                depression_pa=self.bands.depression_pa,
            )
            for d, drop in ((np.asarray(diameters_mm), drop_mm), (start, first.drop_mm))
        ]
        gain = unknowns[..., :1]
        return np.asarray(unknowns[..., self.place.level()] - gain * (fuel[0] - fuel[1]))

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
        values, vectors = np.linalg.eigh(self.covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return np.asarray(self.mean + rng.standard_normal((count, self.mean.size)) @ root.T)

    def slopes(self, diameters_mm: FloatArray, drop_mm: float) -> tuple[FloatArray, FloatArray]:
        """Slopes of ln(lambda) of each band on a needle, by every unknown and by the needle itself.

        Parameters
        ----------
        diameters_mm : array, shape (n,)
            True diameters. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (m, k)
            By the unknowns, at their best values. [mixed]
        array, shape (m, n + 1)
            By the diameters, then by the jet drop. [1/mm]
        """
        return _slopes(self, self.mean, diameters_mm, drop_mm, number=None)

    def lambda_now_u(self) -> FloatArray:
        """Standard uncertainty of :meth:`lambda_now`, as a share of it.

        Returns
        -------
        array, shape (m,)
            Doubt of ln(lambda). [-]
        """
        number = int(self.history.needle_of_pass()[-1])
        rows, _ = _slopes(self, self.mean, self.present_mm(), self.history.passes[-1].drop_mm, number=number)
        return np.asarray(np.sqrt(np.maximum(np.einsum("bi,ij,bj->b", rows, self.covariance, rows), 0.0)))

    def shared_rows(self) -> list[Row]:
        """What all bands share, before and after.

        Returns
        -------
        list of dict
            One an unknown.
        """
        units = ("-", "mm", "x stated", "of the gap", "mm", "sigma")
        start = _prior_mean(self.setup)
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
        notes += [
            f"{self.bands.name(band)} was beyond the lean limit: its reading counts as at least so lean."
            for band in np.flatnonzero(self.at_least).tolist()
        ]
        return Table(f"Learned from {len(self.history.passes)} passes", columns, self.shared_rows(), notes=notes)

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
        length = np.maximum(unknowns[..., 1:2], SHORTEST_JET_MM)
        eccentricity = np.clip(np.abs(unknowns[..., 3:4]), 0.0, 1.0)
        # Errors all bands share sit in the lift itself here; readings carry them.
        return unknowns[..., self.place.lift()], Nature(length, np.exp(unknowns[..., 2:3]), eccentricity)

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


def learn(history: History | Bands, setup: Setup, *, doubts: Doubts | None = None) -> Learned:
    r"""What the passes of a job tell of its car.

    Parameters
    ----------
    history : History or Bands
        All passes so far, or the bands of a single one made in the setup as it is.
    setup : Setup
        Setup of the first pass.
    doubts : Doubts or None
        How far off each thing may be before any pass; the usual ones when not given.

    Returns
    -------
    Learned
        Best values and joint covariance.

    Raises
    ------
    InputError
        If the lifts of a pass were read with another spring, piston or throat, or lie off its needle, or there
        are too many bands.
    SolveError
        If the passes cannot be explained by any car.

    Notes
    -----
    Each reading of band *b* in pass *p* obeys
    :math:`\ln\lambda_{bp} = c_b - g\,[\ln Q(y_b, d_p, j_p; \theta) - \ln Q(y_b, d_1, j_1; \theta)]`
    with the band's own level :math:`c_b`, lift :math:`y_b` and the shared gain *g*, jet length, viscosity and
    eccentricity.  Lift readings, diameters and shared values carry normal priors; the best values minimise
    the sum of squares (maximum a posteriori, Gauss-Newton), and the covariance is that of the last linear
    step.  After one pass the shared values are the priors: only a changed needle or a moved jet can teach them.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).
    """
    doubts = doubts or Doubts()
    if isinstance(history, Bands):
        history = History((Pass(setup.carburettor.needle, setup.carburettor.jet.drop_mm, history),))
    check_passes(history, setup)
    readings = readings_of(history, doubts)
    bands = history.passes[-1].bands
    place = Unknowns(bands.rpm.size, int(history.needle_of_pass().max()) + 1, setup.carburettor.needle.stations_mm.size)
    mean = np.zeros(place.size())
    mean[: len(SHARED)] = _prior_mean(setup)
    # Bands start from the first pass that read them, as levels are those on the first needle.
    for read in reversed(readings):
        mean[place.level()][read.band] = read.log_lambda
        mean[place.lift()][read.lift_band] = read.lift
    before = _prior_u(setup, place, doubts)
    centre = mean.copy()
    blank = np.eye(mean.size)
    learned = Learned(history.present(setup), history, doubts, bands, place, mean, blank, before, readings[-1].at_least)
    rows, misses = _rows(learned, readings, mean, centre)
    cost = float(misses @ misses)
    low, high = place.possible()
    for _ in range(ROUNDS):
        step = _step(rows, misses, mean <= low, mean >= high)
        share = 1.0
        while True:
            trial = np.clip(mean + share * before * step, low, high)
            rows_then, misses_then = _rows(learned, readings, trial, centre)
            cost_then = float(misses_then @ misses_then)
            if cost_then <= cost * (1.0 + 1e-12) or share < 1e-3:
                break
            share /= 2.0
        if not np.isfinite(cost_then):
            msg = "No car explains these passes; check that needle and jet drop of each pass are those of its drive."
            raise SolveError(msg)
        if cost_then > cost:
            break
        mean, rows, misses, cost = trial, rows_then, misses_then, cost_then
        if np.abs(share * step).max() < SETTLED:
            break
    # By the triangular factor: the normal matrix would square the span from certain to wide open.
    root = before[:, None] * solve_triangular(np.linalg.qr(rows, mode="r"), np.eye(mean.size))
    covariance = root @ root.T
    return replace(learned, mean=mean, covariance=covariance)


def _step(rows: FloatArray, misses: FloatArray, at_low: NDArray[np.bool_], at_high: NDArray[np.bool_]) -> FloatArray:
    """Gauss-Newton step that leaves where they are the unknowns it would push past what is possible."""
    free = np.ones(rows.shape[1], dtype=bool)
    while True:
        step = np.zeros(rows.shape[1])
        # The priors stand in the rows, so their columns are never alike.
        q, r = np.linalg.qr(rows[:, free])
        step[free] = solve_triangular(r, q.T @ -misses)
        past = free & ((at_low & (step < 0.0)) | (at_high & (step > 0.0)))
        if not past.any():
            return step
        free &= ~past


def _prior_mean(setup: Setup) -> FloatArray:
    jet = setup.carburettor.jet
    return np.array([1.0, jet.parallel_length_mm, 0.0, jet.eccentricity(), 0.0, 0.0])


def _prior_u(setup: Setup, place: Unknowns, doubts: Doubts) -> FloatArray:
    jet = setup.carburettor.jet
    out = np.full(place.size(), doubts.micrometer_mm)
    out[: len(SHARED)] = [
        doubts.flow_gain,
        jet.parallel_length_u_mm,
        doubts.viscosity,
        0.05 if jet.mounting == "biased" else doubts.eccentricity,
        doubts.lift_zero_mm,
        1.0,
    ]
    out[place.level()] = WIDE_OPEN
    out[place.lift()] = LIFT_WIDE_OPEN_MM
    out[place.needle(0)] = doubts.table_mm
    # What is certain still needs a width to be scaled by.
    return np.asarray(np.maximum(out, 1e-9))


def _rows(
    learned: Learned, readings: tuple[Readings, ...], mean: FloatArray, centre: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Residuals over their doubts and their slopes by the unknowns over theirs."""
    place, scale = learned.place, learned.before
    rows: list[FloatArray] = [np.eye(mean.size)]
    misses: list[FloatArray] = [(mean - centre) / scale]
    numbers = learned.history.needle_of_pass()
    zero, tilt = place.shared("lift zero"), place.shared("lift scale")
    for read, number in zip(readings, numbers.tolist(), strict=True):
        diameters = read.one.needle.diameters_mm - mean[place.needle(number)]
        by_unknowns, _ = _slopes(learned, mean, diameters, read.one.drop_mm, number=number)
        expected = learned.log_lambda(mean, diameters, read.one.drop_mm)
        misses.append((expected[read.band] - read.log_lambda) / read.log_lambda_u)
        rows.append(by_unknowns[read.band] * scale / read.log_lambda_u[:, None])
        if not read.lift.size:
            continue
        reading = np.zeros((read.lift.size, mean.size))
        reading[np.arange(read.lift.size), place.lift().start + read.lift_band] = 1.0
        reading[:, zero] = 1.0
        reading[:, tilt] = read.lift_common
        misses.append(solve_triangular(read.lift_root, reading @ mean - read.lift, lower=True))
        rows.append(solve_triangular(read.lift_root, reading * scale, lower=True))
    return np.vstack(rows), np.concatenate(misses)


def _slopes(
    learned: Learned, mean: FloatArray, diameters_mm: FloatArray, drop_mm: float, *, number: int | None
) -> tuple[FloatArray, FloatArray]:
    """Slopes of ln(lambda) by the unknowns and by the needle, which may be one of the history's."""
    place, setup = learned.place, learned.setup
    first = learned.history.passes[0]
    start = first.needle.diameters_mm - mean[place.needle(0)]
    lift, nature = learned.lift_and_nature(mean)
    flows, slopes, by_lift, by_drop = [], [], [], []
    for d, drop in ((diameters_mm, drop_mm), (start, first.drop_mm)):
        place_mm = learned.on_needle(lift, drop)
        known = learned.bands.depression_pa
        flow, slope = fuel_of(
            setup, place_mm, diameters_mm=learned.in_jet(d), drop_mm=drop, nature=nature, depression_pa=known
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
    out = np.zeros((lift.size, mean.size))
    out[:, place.shared("flow gain")] = flows[1] - flows[0]
    out[:, place.shared("jet length")] = -gain * (now.per_mm_length - then.per_mm_length)
    out[:, place.shared("viscosity")] = -gain * (now.per_ln_viscosity - then.per_ln_viscosity)
    eccentricity = mean[place.shared("eccentricity")]
    # An offset to either side is the same.
    out[:, place.shared("eccentricity")] = -gain * np.sign(eccentricity) * (now.per_eccentricity - then.per_eccentricity)
    rows = np.arange(lift.size)
    out[rows, place.level().start + rows] = 1.0
    out[rows, place.lift().start + rows] = -gain * (by_lift[0] - by_lift[1])
    out[:, place.needle(0)] -= gain * then.per_mm_diameter
    if number is not None:
        # A diameter is what was measured less its error.
        out[:, place.needle(number)] += gain * now.per_mm_diameter
    return out, np.asarray(-gain * np.column_stack([now.per_mm_diameter, by_drop[0]]))
