"""What the passes tell of the car: the best value of all that is not known of it, and how far each may be off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.arrowhead import Arrowhead, parts
from needlecalc.design.belief.bandsquares import BandSquares
from needlecalc.design.belief.carlaw import prior_mean, slopes_of
from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.liftpattern import LiftPattern
from needlecalc.design.belief.readings import Readings, check_passes, pattern_of, readings_of
from needlecalc.design.belief.unknowns import SHARED, Unknowns
from needlecalc.errors import SolveError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

ROUNDS = 40
SETTLED = 1e-6  # of a standard uncertainty
OWN_WIDE_OPEN = np.array([1.0, 30.0])  # ln lambda and mm: level and lift of a band are known from readings alone


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
        Best values and how far they may be off.

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
    step, each band being solved by itself for any values of what the car shares.  After one pass the shared
    values are the priors: only a changed needle or a moved jet can teach them.  Lambda of a pass in other air or
    with other fuel is first brought to those of the last.  Passes that agree worse than chance allows have the doubts of
    their readings widened (:meth:`Learned.widening`); :func:`solve` refuses those that no car explains.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).
    """
    doubts = doubts or Doubts()
    if isinstance(history, Bands):
        history = History((Pass(setup.carburettor.needle, setup.carburettor.jet.drop_mm, history),))
    check_passes(history, setup)
    history = history.in_one_air(setup)
    readings = readings_of(history, doubts)
    pattern, bands = pattern_of(readings), history.passes[-1].bands
    needles, stations = int(history.needle_of_pass().max()) + 1, setup.carburettor.needle.stations_mm.size
    place = Unknowns(bands.rpm.size, needles, stations, pattern.knots.size)
    car, own = np.zeros(place.car().stop), np.zeros((place.bands, 2))
    car[: len(SHARED)] = prior_mean(setup)
    # Bands start from the first pass that read them, as levels are those on the first needle.
    for read in reversed(readings):
        own = np.where(np.isnan(start := np.column_stack([read.log_lambda, read.lift])), own, start)
    mean, scale = place.whole(car, own), _prior_u(setup, place, doubts)
    before = place.whole(scale, np.broadcast_to(OWN_WIDE_OPEN, own.shape))
    prior = Arrowhead.independent(scale, OWN_WIDE_OPEN, place.bands)
    learned = Learned(history.present(setup), history, bands, place, doubts, mean, prior, before, readings[-1].at_least)
    task = _Task(learned, readings, pattern, scale)
    mean, squares, cost = _settled(task, mean)
    told = sum(int(np.isfinite(column).sum()) for read in readings for column in (read.log_lambda, read.lift))
    learned = replace(learned, mean=mean, misfit=cost, spare=max(told - own.size, 0))
    if (factor := learned.widening()) > 1.0:
        mean, squares, _ = _settled(replace(task, readings=tuple(read.doubted(factor) for read in readings)), mean)
    return replace(learned, mean=mean, belief=squares.belief(scale, OWN_WIDE_OPEN))


def _settled(task: _Task, mean: FloatArray) -> tuple[FloatArray, BandSquares, float]:
    """Best values from a start, the problem made straight about them, and the sum of squares they leave."""
    place, before = task.learned.place, task.learned.before
    squares, cost = task.squares(mean)
    low, high = place.possible()
    for _ in range(ROUNDS):
        step = place.whole(*_step(squares, mean[place.car()] <= low, mean[place.car()] >= high))
        # A step so small changes the cost by rounding only: no shorter one would do better.
        share, small = 1.0, bool(np.abs(step).max() < SETTLED)
        while True:
            trial = mean + share * before * step
            trial[place.car()] = np.clip(trial[place.car()], low, high)
            squares_then, cost_then = task.squares(trial)
            if cost_then <= cost * (1.0 + 1e-12) or share < 1e-3 or small:
                break
            share /= 2.0
        if not np.isfinite(cost_then):
            msg = "No car explains these passes; check that needle and jet drop of each pass are those of its drive."
            raise SolveError(msg)
        if cost_then > cost:
            break
        mean, squares, cost = trial, squares_then, cost_then
        if np.abs(share * step).max() < SETTLED:
            break
    return mean, squares, cost


def _step(squares: BandSquares, at_low: NDArray[np.bool_], at_high: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
    """Gauss-Newton step that leaves where they are the unknowns it would push past what is possible."""
    free = np.ones(at_low.size, dtype=bool)
    while True:
        step, own = squares.step(free)
        past = free & ((at_low & (step < 0.0)) | (at_high & (step > 0.0)))
        if not past.any():
            return step, own
        free &= ~past


def _prior_u(setup: Setup, place: Unknowns, doubts: Doubts) -> FloatArray:
    """Standard uncertainty of the car's unknowns before any pass."""
    jet = setup.carburettor.jet
    out = np.full(place.car().stop, doubts.micrometer_mm)
    out[: len(SHARED)] = [
        doubts.flow_gain,
        jet.parallel_length_u_mm,
        doubts.viscosity,
        0.05 if jet.mounting == "biased" else doubts.eccentricity,
        doubts.lift_zero_mm,
        1.0,
    ]
    out[place.pattern()] = 1.0
    out[place.needle(0)] = doubts.table_mm
    # What is certain still needs a width to be scaled by.
    return np.asarray(np.maximum(out, 1e-9))


@dataclass(frozen=True, eq=False)
class _Task:
    """Residuals over their doubts, and their slopes by the unknowns over theirs, band by band."""

    learned: Learned
    readings: tuple[Readings, ...]
    pattern: LiftPattern
    scale: FloatArray

    def squares(self, mean: FloatArray) -> tuple[BandSquares, float]:
        """The problem made straight about some values, and its sum of squares there."""
        place = self.learned.place
        prior = (mean - self.learned.mean) / self.learned.before
        squares = BandSquares.begun(np.eye(self.scale.size), prior[place.car()], place.bands)
        cost = float(prior[place.car()] @ prior[place.car()])
        values, prior_own = place.own(mean), place.own(prior)
        for part in parts(place.bands):
            own, car, misses = self._rows(mean, values[part], prior_own[part], part)
            squares.add(part, own * OWN_WIDE_OPEN, car * self.scale, misses)
            cost += float((misses**2).sum())
        return squares, cost

    def _rows(
        self, mean: FloatArray, values: FloatArray, prior: FloatArray, part: slice
    ) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Rows of some bands by their own unknowns and by the car's, shapes (c, q, 2) and (c, q, s), and their misses."""
        learned, place = self.learned, self.learned.place
        bands, passes = prior.shape[0], len(self.readings)
        own, car = np.zeros((bands, 2 + 2 * passes, 2)), np.zeros((bands, 2 + 2 * passes, self.scale.size))
        misses = np.zeros(car.shape[:2])
        own[:, :2], misses[:, :2] = np.diag(1.0 / OWN_WIDE_OPEN), prior
        zero, tilt = place.shared("lift zero"), place.shared("lift scale")
        here = mean[place.car()]
        for p, (read, number) in enumerate(zip(self.readings, learned.history.needle_of_pass().tolist(), strict=True)):
            row, diameters = 2 + 2 * p, read.one.needle.diameters_mm - here[place.needle(number)]
            slopes, _ = slopes_of(learned, mean, diameters, read.one.drop_mm, number=number, part=part)
            expected = learned.log_lambda_of(here, values, diameters, read.one.drop_mm, part)
            # What a pass did not read weighs nothing.
            seen = np.isfinite(read.log_lambda[part])
            weight = np.where(seen, 1.0 / np.where(seen, read.log_lambda_u[part], 1.0), 0.0)
            misses[:, row] = weight * (expected - np.where(seen, read.log_lambda[part], 0.0))
            own[:, row], car[:, row] = weight[:, None] * slopes.by_own, weight[:, None] * slopes.by_car
            told = np.isfinite(read.lift[part])
            if not told.any():
                continue
            lift, u, common, alike = (
                np.where(told, column[part], blank)
                for column, blank in ((read.lift, 0.0), (read.lift_u, 1.0), (read.lift_common, 0.0), (read.lift_alike, 0.0))
            )
            by_knots = alike[:, None] * self.pattern.at(lift)
            # What the knots do not carry is each lift's own.
            weight = np.where(told, 1.0 / np.sqrt(u**2 - (by_knots**2).sum(axis=1)), 0.0)
            car[:, row + 1, zero], car[:, row + 1, tilt], car[:, row + 1, place.pattern()] = 1.0, common, by_knots
            misses[:, row + 1] = weight * (values[:, 1] + car[:, row + 1] @ here - lift)
            car[:, row + 1] *= weight[:, None]
            own[:, row + 1, 1] = weight
        return own, car, misses
