"""How uncertain lambda is after a cut: over cars drawn through the flow law, and straight in everything that errs."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.law import Law
from needlecalc.design.belief.learn import origins
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import Source
from needlecalc.design.inverse.target import Target
from needlecalc.errors import SolveError
from needlecalc.gaussian import Gaussian
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

CARS = 400
DRAWS = 4000  # straight ones cost little
LEAST_LAMBDA = 0.1
LEAST_SQUARE = 1e-30  # days that do not differ still need something to divide by
TELLS_APART = 2.0  # standard uncertainties of hand and micrometer together
LEAST_DIFFERENCE_MM = 5e-4
IDLE_IS_RIGHT = 0.01  # of lambda: planned so near its target, idle is set to it


def filed_u_mm(doubts: Doubts) -> float:
    """Standard uncertainty of a diameter filed by hand and read by micrometer."""
    return float(np.hypot(doubts.hand_mm, doubts.micrometer_mm))


def least_difference_mm(doubts: Doubts) -> float:
    """Difference between two diameters that hand and micrometer can tell."""
    return max(TELLS_APART * filed_u_mm(doubts), LEAST_DIFFERENCE_MM)


def idle_band(learned: Learned, target: Target) -> int | None:
    """Band the jet nut trims: the idle one of least speed; None where there is none or the jet stays."""
    low, high = learned.setup.carburettor.jet.drop_range_mm()
    return target.bands.idle() if high > low else None


def idle_aim(learned: Learned, target: Target, planned: FloatArray) -> float | None:
    """Lambda the nut sets idle to after the cut: its target, or what is planned; None where it trims nothing."""
    idle = idle_band(learned, target)
    if idle is None:
        return None
    # Planned so far from its target, idle gives way to other bands.
    aim, planned_there = float(target.lambda_target[idle]), float(planned[idle])
    return aim if abs(planned_there / aim - 1.0) <= IDLE_IS_RIGHT else planned_there


def idle_read_u(learned: Learned, idle: int) -> float:
    """Standard uncertainty of ln(lambda) that idle is set by."""
    bands = learned.bands
    return float(np.hypot(learned.doubts.repeatability, bands.lambda_se[idle] / bands.lambda_measured[idle]))


def nut_u_mm(learned: Learned, by_drop: FloatArray, idle: int | None) -> float:
    """How far from the right place the nut ends, turned by steps and set by a reading that wanders; 0 with no idle."""
    if idle is None:
        return 0.0
    steps = learned.setup.carburettor.jet.farthest_off_mm() / np.sqrt(3.0)
    return float(np.hypot(steps, idle_read_u(learned, idle) / by_drop[idle]))


def trimmed(slopes: FloatArray, by_drop: FloatArray, idle: int | None, share: float = 1.0) -> FloatArray:
    """Slopes of ln(lambda) by anything, shape (m, q), with the jet turned so that idle stays, or a share of that."""
    return slopes if idle is None else np.asarray(slopes - np.outer(share * by_drop / by_drop[idle], slopes[idle]))


class Trim(NamedTuple):
    """How the nut is set after a cut."""

    drop_mm: float  # jet drop to set first, where idle is expected right on a usual day [mm]
    share: float  # how much of what idle then misses the nut takes away: 0, a half or all; the rest is the day's fuel [-]


@dataclass(frozen=True, eq=False)
class AfterCut:
    """ln(lambda) of each band after a cut, straight in all that errs."""

    learned: Learned
    target: Target
    drop_mm: float
    log_lambda: FloatArray  # (m,)
    by_unknowns: FloatArray  # (m, k)
    by_needle: FloatArray  # (m, n + 1) by the diameters, then the jet drop [1/mm]
    error_mm: FloatArray  # (n,) standard error of each diameter

    @classmethod
    def of(
        cls,
        learned: Learned,
        target: Target,
        diameters_mm: FloatArray,
        cut: NDArray[np.bool_],
        drop_mm: float,
        error_mm: FloatArray | float | None = None,
    ) -> AfterCut:
        """Of the needle now fitted, filed where it is cut; what the file leaves keeps the metal it has."""
        error = learned.doubts.hand_mm if error_mm is None else error_mm
        diameters = np.where(cut, diameters_mm, learned.present_mm())
        straight = learned.law.slopes(diameters, drop_mm, number=learned.fitted(), kept=~cut)
        return cls(learned, target, drop_mm, *straight, np.where(cut, error, 0.0))

    @cached_property
    def idle(self) -> int | None:
        """Band that the nut trims."""
        return idle_band(self.learned, self.target)

    @property
    def by_drop(self) -> FloatArray:
        """Slopes by the jet drop."""
        return self.by_needle[:, -1]

    @cached_property
    def share(self) -> float:
        """How much of what idle misses on one day the nut is to take away, to the nearest half; all with no nut."""
        idle, learned = self.idle, self.learned
        # A tested idle is set in full.
        if idle is None or self.target.tested[idle]:
            return 1.0
        # That day's fuel is warmer or colder by an unknown part: the turn is to leave the least mean square error of all
        # bands on a usual day.
        rows, day = self.by_unknowns.copy(), learned.place.day()
        of_the_day = float(rows[idle, day] * learned.prior_u[day])
        rows[:, day] = 0.0
        spread = np.hstack([rows @ learned.estimate.root, self.by_needle[:, :-1] * self.error_mm])
        with_idle, by_nut = spread @ spread[idle], self.by_drop / self.by_drop[idle]
        read = with_idle[idle] + of_the_day**2 + idle_read_u(learned, idle) ** 2
        return round(2.0 * float(np.clip(by_nut @ with_idle / (by_nut @ by_nut * read), 0.0, 1.0))) / 2.0

    def trim(self, aim: float) -> Trim | None:
        """How the nut brings idle to a lambda; None where it trims nothing."""
        if self.idle is None:
            return None
        right = self.drop_mm - (float(self.log_lambda[self.idle]) - np.log(aim)) / float(self.by_drop[self.idle])
        return Trim(float(np.clip(right, *self.learned.setup.carburettor.jet.drop_range_mm())), self.share)

    @property
    def zero(self) -> int:
        """Place of the meter's zero in ``known``: what comes after it no measurement before the cut tells of."""
        return int(self.by_unknowns.shape[1])

    @cached_property
    def known(self) -> Gaussian:
        """The car's unknowns; then the meter's zero, the diameter at each station, and the setting of the nut."""
        nut = nut_u_mm(self.learned, self.by_drop, self.idle)
        return self.learned.estimate.joined(np.concatenate([[self.learned.doubts.sensor_offset], self.error_mm, [nut]]))

    @cached_property
    def slopes(self) -> FloatArray:
        """Slopes by all that is in ``known``, idle put right by the nut, (m, k + 1 + n + 1)."""
        return self._slopes(1.0)

    def _slopes(self, share: float) -> FloatArray:
        """The same with a share of what idle misses taken away."""
        turned = trimmed(np.hstack([self.by_unknowns, self.by_needle[:, :-1]]), self.by_drop, self.idle, share)
        # By which true lambda differs from that read.
        turned[:, self.learned.place.shared("meter gain")] += np.expm1(-self.log_lambda)
        return np.column_stack([np.insert(turned, self.zero, -np.exp(-self.log_lambda), axis=1), self.by_drop])

    @cached_property
    def other_day(self) -> FloatArray:
        """The same on another day than the nut is set on, the nut set as the sheet tells; that day's own fuel left out."""
        slopes, day = self._slopes(self.share), self.learned.place.day()
        slopes[:, day] -= self.by_unknowns[:, day]
        return slopes

    @property
    def fuel_u(self) -> FloatArray:
        """Standard uncertainty that the fuel of another day brings, (m,)."""
        day = self.learned.place.day()
        return np.asarray(self.learned.prior_u[day] * np.abs(self.by_unknowns[:, day]))

    def by_source(self) -> dict[Source, FloatArray]:
        """Standard uncertainty of ln(lambda) on another day than the nut is set on, that each source brings, shape (m,)."""
        own, found = self.other_day * self.known.u(), sources(self.learned, self.other_day[:, : self.zero])
        warmer = np.hypot(found[Source.FUEL_TEMPERATURE], self.fuel_u)
        found |= {Source.FUEL_TEMPERATURE: warmer, Source.METER_ZERO: np.abs(own[:, self.zero])}
        hand = np.linalg.norm(own[:, self.zero + 1 : -1], axis=1)
        return found | {Source.HAND: np.asarray(hand), Source.NUT: np.abs(own[:, -1])}

    def after_reading(self, rows: FloatArray, noise_u: FloatArray) -> Gaussian:
        """What would be known once quantities with these slopes by the first of the unknowns are read."""
        return self.known.after(padded(rows, self.known.mean.size), noise_u)

    def u_percent(self, known: Gaussian) -> float:
        """Uncertainty of lambda under some knowledge, idle put right by the nut: root mean square over the bands."""
        return 100.0 * float(np.sqrt(np.mean(known.u_of(padded(self.slopes, known.mean.size)) ** 2)))

    def remains_u(self) -> FloatArray:
        """Standard uncertainty that hand and nut bring, shape (m,)."""
        return np.asarray(np.linalg.norm((self.slopes * self.known.u())[:, self.zero + 1 :], axis=1))

    def lambda_drawn(self, seed: int) -> FloatArray:
        """Lambda of cars drawn from all that is known, shape (draws, m); the draws are the same for every needle."""
        spread = self.known.of(self.slopes)
        return np.exp(self.log_lambda + spread.at(np.random.default_rng(seed).standard_normal((DRAWS, spread.mean.size))))


def padded(rows: FloatArray, size: int) -> FloatArray:
    """Slopes by the first unknowns as slopes by all."""
    return np.pad(rows, ((0, 0), (0, size - rows.shape[1])))


def sources(learned: Learned, rows: FloatArray) -> dict[Source, FloatArray]:
    """Standard uncertainty that each source brings to quantities with these slopes, shape (r, k); squares add up."""
    names, shares = origins(learned)
    parts = (rows @ learned.estimate.root) @ shares.T
    return {one: np.linalg.norm(parts[:, [name is one for name in names]], axis=1) for one in Source if one in names}


@dataclass(frozen=True, eq=False)
class Cars:
    """Cars drawn from the estimate, whatever needle they get."""

    learned: Learned
    law: Law  # of each car

    @classmethod
    def of(cls, learned: Learned, count: int = CARS) -> Cars:
        """The same cars whenever asked for."""
        rng, bands = np.random.default_rng(0), learned.place.bands
        # What is no band's own first: more bands leave it as it is.
        shared = rng.standard_normal((count, learned.estimate.root.shape[1] - 3 * bands))
        own = rng.standard_normal((bands, 3, count)).transpose(2, 1, 0).reshape(count, 3 * bands)
        return cls(learned, learned.law_of(learned.estimate.at(np.hstack([own, shared]))))

    def untouched_mm(self) -> FloatArray:
        """True diameters of the needle now fitted, shape (s, n): what was measured less the error of each car."""
        needle = self.learned.history.passes[-1].needle
        return np.asarray(needle.diameters_mm - self.law.unknowns[:, self.learned.present_errors()])


@dataclass(frozen=True)
class Outlook:
    """Lambda of each band over many cars that agree with what was measured."""

    lambda_drawn: FloatArray  # (s, m) true lambda of each car with the needle as cut, idle trimmed
    other_day: FloatArray  # (s, m) change of ln(lambda) from there to another day, the nut set as the sheet tells

    def interval(self) -> tuple[FloatArray, FloatArray]:
        """Ends of the interval that holds nine cars of ten on another day, shape (m,) each."""
        low, high = np.quantile(self.lambda_drawn * np.exp(self.other_day), [0.05, 0.95], axis=0)
        return low, high


def outlook(
    learned: Learned,
    target: Target,
    diameters_mm: FloatArray,
    cut: NDArray[np.bool_],
    drop_mm: float,
    *,
    new_blank: bool = False,
    error_mm: FloatArray | float | None = None,
    idle_to: float | None = None,
    trims: bool = True,
    cars: Cars | None = None,
) -> Outlook:
    """Lambda of every band after a cut, over cars drawn from the estimate; what is not ``cut`` keeps the metal it has.

    The hand errs unless ``error_mm`` says how much; the nut brings idle to ``idle_to``, or its target, where it ``trims``.
    """
    doubts, rng = learned.doubts, np.random.default_rng(1)
    cars = cars or Cars.of(learned)
    count, untouched = int(cars.law.unknowns.shape[0]), cars.untouched_mm()
    error = doubts.hand_mm if error_mm is None else error_mm
    filed = diameters_mm + error * rng.standard_normal((count, diameters_mm.size))
    diameters = filed if new_blank else np.where(cut, np.minimum(filed, untouched), untouched)
    log = cars.law.log_lambda(diameters, drop_mm)
    straight = AfterCut.of(learned, target, diameters_mm, cut | new_blank, drop_mm, error)
    day, by_drop, idle = learned.place.day(), straight.by_drop, straight.idle
    of_nut, another = cars.law.unknowns[:, day], learned.prior_u[day] * rng.standard_normal(count)
    # By chance, 400 pairs of days hang together, which would make the step from one to the other too wide or too narrow.
    another = another - of_nut * (another @ of_nut) / max(of_nut @ of_nut, LEAST_SQUARE)
    other_day = np.outer(another - of_nut, straight.by_unknowns[:, day])
    offset = doubts.sensor_offset * rng.standard_normal(count)
    if idle is not None and trims:
        jet = learned.setup.carburettor.jet
        low, high = jet.drop_range_mm()
        off = jet.farthest_off_mm() * rng.uniform(-1.0, 1.0, count)
        off = off + idle_read_u(learned, idle) / by_drop[idle] * rng.standard_normal(count)
        aim = np.log(target.lambda_target[idle] if idle_to is None else idle_to)
        middle = float(np.median(log[:, idle]))

        def turn_mm(share: float) -> FloatArray:
            """Turn of each car, set where idle is expected right, then by a share of what it still misses."""
            turn = -(middle - aim + share * (log[:, idle] - middle)) / by_drop[idle] + off
            return np.asarray(np.clip(turn, low - drop_mm, high - drop_mm))

        full = turn_mm(1.0)
        other_day += np.outer(turn_mm(straight.share) - full, by_drop)
        log = log + np.outer(full, by_drop)
    return Outlook(_true_lambda(log, offset, cars.law.meter_gain), other_day)


def _true_lambda(log: FloatArray, offset: FloatArray, gain: FloatArray) -> FloatArray:
    """True lambda by ln(lambda) as each car's meter reads it, (s, m); it shows 1 + gain (lambda - 1) + offset."""
    # The widest uncertainties permitted draw meters that err by more than there is.
    true = np.maximum(1.0 + (np.exp(log) - 1.0 - offset[:, None]) / gain, LEAST_LAMBDA)
    if not np.isfinite(true).all():
        msg = "Lambda after the cut is no number in some car drawn; state smaller uncertainties, or give the nut a range."
        raise SolveError(msg)
    return true


def lambda_uncut(
    learned: Learned,
    target: Target,
    drop_mm: float,
    *,
    idle_to: float | None = None,
    trims: bool = True,
    cars: Cars | None = None,
) -> FloatArray:
    """Lambda of the same cars with no cut, (s, m): as driven now, but a tested idle as the nut sets it after the cut."""
    present = learned.setup.carburettor.needle.diameters_mm
    none = np.zeros(present.size, dtype=bool)
    now = learned.history.passes[-1].drop_mm
    driven = outlook(learned, target, present, none, now, trims=False, cars=cars).lambda_drawn
    if not (trims and target.tested.any()):
        return driven
    return np.where(
        target.tested, outlook(learned, target, present, none, drop_mm, idle_to=idle_to, cars=cars).lambda_drawn, driven
    )
