"""What the passes tell of the car: the best value of all that is not known of it, and how far each may be off."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.learned import LEAST_U, Learned, prior_of
from needlecalc.design.belief.readings import Readings, check_passes, readings_of
from needlecalc.design.belief.unknowns import Source, Unknowns
from needlecalc.errors import SolveError
from needlecalc.gaussian import Gaussian, triangle_of
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.lift.estimates import nearness
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

ROUNDS = 40
SETTLED = 1e-6  # of a standard uncertainty
ROUNDING = 1e-12  # lifts all but alike must not make their correlation singular
LEAST_SHARE = 1e-3  # of the error that all diameters share, for each to have of its own


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
        are more than 500 bands.
    SolveError
        If the passes cannot be explained by any car.

    Notes
    -----
    Each reading of band *b* in pass *p* obeys
    :math:`\ln\lambda_{bp} = c_b - g\,[\ln Q(y_b, d_p, j_p; \theta) - \ln Q(y_b, d_1, j_1; \theta)]`
    with the band's own level :math:`c_b`, lift :math:`y_b` and the shared gain *g*, jet length, viscosity and
    eccentricity.  Lift readings, diameters and shared values carry normal priors; the best values minimise
    the sum of squares (maximum a posteriori, Gauss-Newton by orthogonal steps), and the covariance is that of the last
    linear step.  After one pass the shared values are the priors: only a changed needle or a moved jet can teach them.
    Lambda of a pass in other air or with other fuel is first brought to those of the last.  Passes that agree worse than
    chance allows have the uncertainties of their readings widened (:meth:`Learned.widening`); :func:`solve` refuses
    those that no car explains.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).

    Examples
    --------
    >>> from needlecalc.example import road
    >>> learn(road.job.passes(road.bands), road.setup)
    Learned from 1 pass: flow gain 1 +- 0.05, jet length 4 +- 1
    """
    doubts = doubts or Doubts()
    if isinstance(history, Bands):
        history = History((Pass(setup.carburettor.needle, setup.carburettor.jet.drop_mm, history),))
    check_passes(history, setup)
    history = history.in_one_air(setup)
    readings, bands = readings_of(history, doubts), history.passes[-1].bands
    computed_mm = _computed_mm(readings)
    needles, stations = int(history.needle_of_pass().max()) + 1, setup.carburettor.needle.stations_mm.size
    place = Unknowns(bands.rpm.size, needles, stations, computed_mm.size, int(history.day_of_pass()[-1]) + 2)
    mean, prior_u = prior_of(setup, place, doubts)
    # Bands start from the first pass that read them, as levels are those on the first needle.
    for read in reversed(readings):
        for where, start in ((place.level(), read.log_lambda), (place.lift(), read.lift)):
            mean[where] = np.where(np.isnan(start), mean[where], start)
    prior = Gaussian(mean, np.diag(prior_u))
    learned = Learned(history.present(setup), history, bands, place, doubts, prior, prior_u, readings[-1].at_least)
    task = _Task(learned, readings, computed_mm)
    mean, triangle, cost = _settled(task, mean)
    count = sum(int(np.isfinite(column).sum()) for read in readings for column in (read.log_lambda, read.lift))
    learned = replace(learned, misfit=cost, degrees_of_freedom=max(count - 2 * place.bands, 0))
    if (factor := learned.widening()) > 1.0:
        mean, triangle, _ = _settled(replace(task, readings=tuple(read.widened(factor) for read in readings)), mean)
    root = prior_u[:, None] * solve_triangular(triangle[:-1, :-1], np.eye(prior_u.size))
    return replace(learned, estimate=Gaussian(mean, root))


def _computed_mm(readings: tuple[Readings, ...]) -> FloatArray:
    """Lifts that were computed, each once, rising."""
    return np.unique(np.concatenate([read.lift[read.lift_alike > 0.0] for read in readings]))


def origins(learned: Learned) -> tuple[list[Source], FloatArray]:
    """What each reading and each prior is, and how far one standard error of it moves the estimate, shape (r, q).

    The unknowns move by ``estimate.root`` times its row. No two err together: what they do to a quantity adds up in squares.
    """
    readings = tuple(one.widened(learned.widening()) for one in readings_of(learned.history, learned.doubts))
    task = _Task(learned, readings, _computed_mm(readings))
    names = learned.place.sources()
    for read in readings:
        for what, seen in ((Source.LAMBDA, read.log_lambda), (Source.LIFT, read.lift)):
            names += [what] * int(np.isfinite(seen).sum())
    rows, _ = task.rows(learned.mean)
    return names, rows[:, :-1] @ (learned.estimate.root / learned.prior_u[:, None])


def _settled(task: _Task, mean: FloatArray) -> tuple[FloatArray, FloatArray, float]:
    """Best values from a start, the triangle of the problem made straight about them, and the sum of squares they leave."""
    prior_u = task.learned.prior_u
    low, high = task.learned.place.possible()
    rows, cost = task.rows(mean)
    for _ in range(ROUNDS):
        step = _step(triangle_of(rows), mean <= low, mean >= high)
        # A step so small changes the cost by rounding only: no shorter one would do better.
        share, small = 1.0, bool(np.abs(step).max() < SETTLED)
        while True:
            trial = np.clip(mean + share * prior_u * step, low, high)
            rows_then, cost_then = task.rows(trial)
            if cost_then <= cost * (1.0 + 1e-12) or share < 1e-3 or small:
                break
            share /= 2.0
        if not np.isfinite(cost_then):
            msg = "No car explains these passes; check that needle and jet drop of each pass are those of its drive."
            raise SolveError(msg)
        if cost_then > cost:
            break
        mean, rows, cost = trial, rows_then, cost_then
        if np.abs(share * step).max() < SETTLED:
            break
    return mean, triangle_of(rows), cost


def _step(triangle: FloatArray, at_low: NDArray[np.bool_], at_high: NDArray[np.bool_]) -> FloatArray:
    """Gauss-Newton step that leaves where they are the unknowns it would push past what is possible."""
    free, step = np.ones(at_low.size, dtype=bool), np.zeros(at_low.size)
    while True:
        # The priors stand in the rows, so their columns are never alike.
        some = triangle if free.all() else triangle_of(triangle[:, np.append(free, True)])
        step[free] = solve_triangular(some[: free.sum(), :-1], -some[: free.sum(), -1])
        past = free & ((at_low & (step < 0.0)) | (at_high & (step > 0.0)))
        if not past.any():
            return step
        free &= ~past
        step[:] = 0.0


@dataclass(frozen=True, eq=False)
class _Task:
    """Residuals over their standard uncertainties, and their slopes by the unknowns over theirs."""

    learned: Learned  # before it has learned: the priors
    readings: tuple[Readings, ...]
    computed_mm: FloatArray

    def rows(self, mean: FloatArray) -> tuple[FloatArray, float]:
        """The problem made straight about some values, residuals in the last column, and its sum of squares there."""
        learned, prior = self.learned, (mean - self.learned.mean) / self.learned.prior_u
        alike, law = self._priors(), learned.law_of(mean)
        rows, misses, history = [alike], [alike @ prior], learned.history
        days = history.day_of_pass().tolist()
        for read, number, day in zip(self.readings, history.needle_of_pass().tolist(), days, strict=True):
            diameters = read.one.needle.diameters_mm - mean[learned.place.needle(number)]
            expected, slopes, _ = law.slopes(diameters, read.one.drop_mm, number=number, day=day)
            seen = np.isfinite(read.log_lambda)
            weight = 1.0 / read.log_lambda_u[seen]
            rows.append(slopes[seen] * learned.prior_u * weight[:, None])
            misses.append((expected - read.log_lambda)[seen] * weight)
            by_lift, off, own_u = self._lift_rows(read, mean)
            rows.append(by_lift * learned.prior_u / own_u[:, None])
            misses.append(off / own_u)
        missed = np.concatenate(misses)
        return np.column_stack([np.vstack(rows), missed]), float(missed @ missed)

    def _priors(self) -> FloatArray:
        """Rows of what is held before, over its standard uncertainty: diameters of a table err alike in part."""
        rows, place, doubts = np.eye(self.learned.prior_u.size), self.learned.place, self.learned.doubts
        first, shared = place.needle(0), doubts.table_offset_mm
        own = max(doubts.table_mm, LEAST_SHARE * shared, LEAST_U)
        root = np.linalg.cholesky(own**2 * np.eye(place.stations) + shared**2)
        rows[first, first] = solve_triangular(root, np.diag(self.learned.prior_u[first]), lower=True)
        return rows

    def _lift_rows(self, read: Readings, mean: FloatArray) -> tuple[FloatArray, FloatArray, FloatArray]:
        """Slopes of the lifts read by the unknowns, what they miss, and the standard uncertainty that is each one's own."""
        place, read_at = self.learned.place, np.flatnonzero(np.isfinite(read.lift))
        rows, alike = np.zeros((read_at.size, mean.size)), read.lift_alike[read_at]
        rows[np.arange(read_at.size), place.lift().start + read_at] = 1.0
        rows[:, place.shared("lift zero")] = 1.0
        rows[:, place.shared("lift scale")] = read.lift_common[read_at]
        computed = np.flatnonzero(alike > 0.0)
        which = np.searchsorted(self.computed_mm, read.lift[read_at[computed]])
        root = np.linalg.cholesky(nearness(self.computed_mm) + ROUNDING * np.eye(self.computed_mm.size))
        rows[computed, place.alike()] = alike[computed, None] * root[which]
        return rows, rows @ mean - read.lift[read_at], np.sqrt(read.lift_u[read_at] ** 2 - alike**2)
