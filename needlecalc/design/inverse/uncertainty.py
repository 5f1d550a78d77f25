"""How uncertain lambda is after a cut: over cars drawn through the flow law, and straight in everything that errs."""

from __future__ import annotations

from dataclasses import dataclass
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
LEAST_CHANGE = 1e-3  # of ln lambda: a band the cut hardly moves has no first stop of its own
LEAST_LAMBDA = 0.1
LEAST_SQUARE = 1e-30  # days that do not differ still need something to divide by
TELLS_APART = 2.0  # standard uncertainties of hand and micrometer together
LEAST_DIFFERENCE_MM = 5e-4
IDLE_IS_RIGHT = 0.01  # of lambda: planned so near its target, idle is set to it


@dataclass(frozen=True)
class Nut:
    """How each car's idle is trimmed after the cut."""

    idle: int  # band it is trimmed by
    log_target: float  # ln(lambda) the meter is brought to
    missed_mm: FloatArray  # (s,) how far each car's nut stays off: it turns by steps, and is set by a reading that wanders
    least_mm: float  # change of drop the nut can still give
    greatest_mm: float

    def turn_mm(self, log_idle: FloatArray, by_drop: float, share: float = 1.0) -> FloatArray:
        """Turn of each car, (s,), set where idle is expected right, then by a share of what it still misses."""
        middle = float(np.median(log_idle))
        turn = -(middle - self.log_target + share * (log_idle - middle)) / by_drop + self.missed_mm
        return np.asarray(np.clip(turn, self.least_mm, self.greatest_mm))


@dataclass(frozen=True, eq=False)
class Meter:
    """What the lambda meter of each car shows: 1 + gain (lambda - 1) + offset."""

    offset: FloatArray  # (s,)
    gain: FloatArray  # (s, 1)

    def true_lambda(self, log: FloatArray) -> FloatArray:
        """True lambda of each car by ln(lambda) as its meter reads, shape (s, m)."""
        # The widest uncertainties permitted draw meters that err by more than there is.
        true = np.maximum(1.0 + (np.exp(log) - 1.0 - self.offset[:, None]) / self.gain, LEAST_LAMBDA)
        if not np.isfinite(true).all():
            msg = (
                "Lambda after the cut is no number in some car drawn; state smaller uncertainties, or give the nut a range."
            )
            raise SolveError(msg)
        return true


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
        shared = rng.standard_normal((count, learned.estimate.root.shape[1] - 2 * bands))
        own = rng.standard_normal((bands, 2, count)).transpose(2, 1, 0).reshape(count, 2 * bands)
        return cls(learned, learned.law_of(learned.estimate.at(np.hstack([own, shared]))))

    def untouched_mm(self) -> FloatArray:
        """True diameters of the needle now fitted, shape (s, n): what was measured less the error of each car."""
        needle = self.learned.history.passes[-1].needle
        return np.asarray(needle.diameters_mm - self.law.unknowns[:, self.learned.present_errors()])

    def driven(self, meter: Meter) -> FloatArray:
        """True lambda of each car as it is driven now, shape (s, m), the error of its meter being given."""
        return meter.true_lambda(self.law.log_lambda(self.untouched_mm(), self.learned.history.passes[-1].drop_mm))


@dataclass(frozen=True)
class Outlook:
    """Lambda of each band over many cars that agree with what was measured.

    What the metal does is judged with idle right on the day it is driven, as a nut can be turned back on any day.
    """

    lambda_drawn: FloatArray  # (s, m) true lambda of each car with the needle as cut, idle trimmed
    log_untrimmed: FloatArray  # (s, m) ln(lambda) as each car's meter reads it before idle is trimmed
    slopes: FloatArray  # (m, n + 1) of ln(lambda) by the diameters and the jet drop [1/mm]
    meter: Meter
    nut: Nut | None  # None where it trims no idle
    other_day: FloatArray  # (s, m) change of ln(lambda) from there to another day, the nut set as the sheet tells

    def moved(self, change_mm: FloatArray) -> FloatArray:
        """Lambda of the same cars with each diameter so much thicker: to first order, idle trimmed again."""
        log = self.log_untrimmed + self.slopes[:, :-1] @ change_mm
        return _with_meter(log, self.slopes, self.meter, self.nut)

    def driven(self, change_mm: FloatArray, turned_mm: float) -> FloatArray:
        """Lambda of the same cars before so much metal was taken off and the jet lowered: to first order."""
        log = self.log_untrimmed + self.slopes[:, :-1] @ change_mm - self.slopes[:, -1] * turned_mm
        return _with_meter(log, self.slopes, self.meter, None)

    def interval(self, share: float = 0.9) -> tuple[FloatArray, FloatArray]:
        """Ends of the interval that holds a share of the cars on another day, shape (m,) each."""
        rest = (1.0 - share) / 2.0
        low, high = np.quantile(self.lambda_drawn * np.exp(self.other_day), [rest, 1.0 - rest], axis=0)
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
    """Lambda of every band after a cut, over cars drawn from the estimate.

    ``cut`` says which stations the file touches; the others keep the metal they have.  Each car errs by itself, and so
    does its hand (``error_mm`` in its place, where given).  ``idle_to`` is the lambda the nut brings idle to, its target
    unless given; without ``trims`` the nut is left.  Nut and drive are of one day to come; on another the fuel is warmer
    or colder, and the nut stands by the share that the sheet tells (:func:`trim_share`).  The seed is fixed: the same
    design gives the same figures.
    """
    doubts, rng = learned.doubts, np.random.default_rng(1)
    cars = cars or Cars.of(learned)
    count, untouched = int(cars.law.unknowns.shape[0]), cars.untouched_mm()
    error = doubts.hand_mm if error_mm is None else error_mm
    filed = diameters_mm + error * rng.standard_normal((count, diameters_mm.size))
    diameters = filed if new_blank else np.where(cut, np.minimum(filed, untouched), untouched)
    log = cars.law.log_lambda(diameters, drop_mm)
    _, rows, slopes = _slopes_after(learned, diameters_mm, cut | new_blank, drop_mm)
    day = learned.place.day()
    of_nut, another = cars.law.unknowns[:, day], learned.prior_u[day] * rng.standard_normal(count)
    # By chance, 400 pairs of days hang together, which would make the step from one to the other too wide or too narrow.
    another = another - of_nut * (another @ of_nut) / max(of_nut @ of_nut, LEAST_SQUARE)
    other_day = np.outer(another - of_nut, rows[:, day])
    meter = Meter(doubts.sensor_offset * rng.standard_normal(count), cars.law.meter_gain)
    idle = idle_band(learned, target)
    nut = None
    if idle is not None and trims:
        jet = learned.setup.carburettor.jet
        low, high = jet.drop_range_mm()
        steps = jet.farthest_off_mm() * rng.uniform(-1.0, 1.0, count)
        steps = steps + idle_read_u(learned, idle) / slopes[idle, -1] * rng.standard_normal(count)
        aim = float(target.lambda_target[idle]) if idle_to is None else idle_to
        nut = Nut(idle, float(np.log(aim)), steps, low - drop_mm, high - drop_mm)
        share = trim_share(learned, target, rows, slopes, np.where(cut, error, 0.0))
        told, full = (nut.turn_mm(log[:, idle], slopes[idle, -1], part) for part in (share, 1.0))
        other_day += np.outer(told - full, slopes[:, -1])
    return Outlook(_with_meter(log, slopes, meter, nut), log, slopes, meter, nut, other_day)


def _with_meter(log: FloatArray, slopes: FloatArray, meter: Meter, nut: Nut | None) -> FloatArray:
    """True lambda of each car once the nut is turned until the meter reads idle's target, as far as it reaches."""
    if nut is not None:
        log = log + np.outer(nut.turn_mm(log[:, nut.idle], slopes[nut.idle, -1]), slopes[:, -1])
    return meter.true_lambda(log)


def filed_u_mm(doubts: Doubts) -> float:
    """Standard uncertainty of a diameter filed by hand and read by micrometer."""
    return float(np.hypot(doubts.hand_mm, doubts.micrometer_mm))


def least_difference_mm(doubts: Doubts) -> float:
    """Difference between two diameters that hand and micrometer can tell."""
    return max(TELLS_APART * filed_u_mm(doubts), LEAST_DIFFERENCE_MM)


def idle_aim(target: Target, idle: int, planned: float) -> float:
    """Lambda the nut sets idle to after the cut: its target, or what is planned where idle gives way to other bands."""
    aim = float(target.lambda_target[idle])
    return aim if abs(planned / aim - 1.0) <= IDLE_IS_RIGHT else planned


def idle_read_u(learned: Learned, idle: int) -> float:
    """Standard uncertainty of ln(lambda) that idle is set by."""
    bands = learned.bands
    return float(np.hypot(learned.doubts.repeatability, bands.lambda_se[idle] / bands.lambda_measured[idle]))


class Trim(NamedTuple):
    """How the nut is set after a cut."""

    drop_mm: float  # jet drop to set first, where idle is expected right on a usual day [mm]
    share: float  # how much of what idle then misses the nut takes away: 0, a half or all; the rest is the day's fuel [-]


def trim_of(
    learned: Learned, target: Target, diameters_mm: FloatArray, cut: NDArray[np.bool_], drop_mm: float, aim: float
) -> Trim | None:
    """The nut after a cut; None where it trims nothing."""
    idle = idle_band(learned, target)
    if idle is None:
        return None
    log, rows, by_needle = _slopes_after(learned, diameters_mm, cut, drop_mm)
    share = trim_share(learned, target, rows, by_needle, np.where(cut, learned.doubts.hand_mm, 0.0))
    right = drop_mm - (float(log[idle]) - np.log(aim)) / float(by_needle[idle, -1])
    return Trim(float(np.clip(right, *learned.setup.carburettor.jet.drop_range_mm())), share)


def trim_share(
    learned: Learned, target: Target, by_unknowns: FloatArray, by_needle: FloatArray, error_mm: FloatArray | float
) -> float:
    """How much of what idle misses on one day the nut is to take away, to the nearest half; all with no nut.

    That day's fuel is warmer or colder by an unknown part: the turn is the one that leaves the least mean square error of
    all bands on a usual day.  A tested idle is set in full.
    """
    idle = idle_band(learned, target)
    if idle is None or target.tested[idle]:
        return 1.0
    rows, day = by_unknowns.copy(), learned.place.day()
    of_the_day = float(rows[idle, day] * learned.prior_u[day])
    rows[:, day] = 0.0
    spread = np.hstack([rows @ learned.estimate.root, by_needle[:, :-1] * error_mm])
    with_idle, by_nut = spread @ spread[idle], by_needle[:, -1] / by_needle[idle, -1]
    read = with_idle[idle] + of_the_day**2 + idle_read_u(learned, idle) ** 2
    return round(2.0 * float(np.clip(by_nut @ with_idle / (by_nut @ by_nut * read), 0.0, 1.0))) / 2.0


def _slopes_after(
    learned: Learned, diameters_mm: FloatArray, cut: NDArray[np.bool_], drop_mm: float
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """ln(lambda) after a cut with its slopes; what the file leaves keeps the metal it has, measured less its error."""
    diameters = np.where(cut, diameters_mm, learned.present_mm())
    return learned.law.slopes(diameters, drop_mm, number=learned.fitted(), kept=~cut)


def nut_u_mm(learned: Learned, by_drop: FloatArray, idle: int | None) -> float:
    """How far from the right place the nut ends, turned by steps and set by a reading that wanders; 0 with no idle."""
    if idle is None:
        return 0.0
    steps = learned.setup.carburettor.jet.farthest_off_mm() / np.sqrt(3.0)
    return float(np.hypot(steps, idle_read_u(learned, idle) / by_drop[idle]))


def idle_band(learned: Learned, target: Target) -> int | None:
    """Band the jet nut trims: the idle one of least speed; None where there is none or the jet stays."""
    low, high = learned.setup.carburettor.jet.drop_range_mm()
    return target.bands.idle() if high > low else None


def trimmed(slopes: FloatArray, by_drop: FloatArray, idle: int | None, share: float = 1.0) -> FloatArray:
    """Slopes of ln(lambda) by anything, shape (m, q), with the jet turned so that idle stays, or a share of that."""
    return slopes if idle is None else np.asarray(slopes - np.outer(share * by_drop / by_drop[idle], slopes[idle]))


@dataclass(frozen=True)
class Promise:
    """What a design would be worth under some knowledge of the car."""

    lambda_u_percent: float  # uncertainty of lambda after the whole cut, root mean square over the bands
    variance_sum: float  # over the bands, of ln(lambda)
    chance_rich: float  # chance that some band ends richer than permitted if all is cut at once
    first_stop_share: float  # how much of the way to its target the first stop may go; NaN without a cut
    # Distance of lambda from its target to expect after the first cut, root mean square; NaN where it was not solved again.
    miss_percent: float = float("nan")


@dataclass(frozen=True, eq=False)
class AfterCut:
    """ln(lambda) of each band after a cut, straight in all that errs."""

    known: Gaussian  # the car's unknowns; then the meter's zero, the diameter at each station, and the setting of the nut
    slopes: FloatArray  # (m, k + 1 + n + 1)
    zero: int  # place of the meter's zero: what comes after it no measurement before the cut tells of
    room: FloatArray  # (m,) how far each band is aimed from what is permitted at least
    change: FloatArray  # (m,) how far the cut takes each band
    other_day: FloatArray  # (m, k + 1 + n + 1) the slopes on another day, the nut set as the sheet tells
    by_day: FloatArray  # (m,) slope by the fuel of that day

    @classmethod
    def of(
        cls,
        learned: Learned,
        target: Target,
        by_unknowns: FloatArray,
        by_needle: FloatArray,
        error_mm: FloatArray,
        log_lambda: FloatArray,
    ) -> AfterCut:
        """From ln(lambda) after the cut, its slopes, and the standard error of each diameter."""
        idle, by_drop = idle_band(learned, target), by_needle[:, -1]
        more = np.concatenate([[learned.doubts.sensor_offset], error_mm, [nut_u_mm(learned, by_drop, idle)]])
        zero, day = by_unknowns.shape[1], learned.place.day()
        given = np.hstack([by_unknowns, by_needle[:, :-1]])

        def after(share: float) -> FloatArray:
            turned = trimmed(given, by_drop, idle, share)
            # By which true lambda differs from that read.
            turned[:, learned.place.shared("meter gain")] += np.expm1(-log_lambda)
            return np.column_stack([np.insert(turned, zero, -np.exp(-log_lambda), axis=1), by_drop])

        other_day = after(trim_share(learned, target, by_unknowns, by_needle, error_mm))
        other_day[:, day] -= by_unknowns[:, day]
        room, change = log_lambda - np.log(target.lambda_rich), np.log(learned.lambda_now()) - log_lambda
        return cls(learned.estimate.joined(more), after(1.0), zero, room, change, other_day, by_unknowns[:, day])

    @classmethod
    def of_needle(
        cls, learned: Learned, target: Target, cut_mm: FloatArray, drop_mm: float, log_lambda: FloatArray
    ) -> AfterCut:
        """Of the needle now fitted, filed to these diameters."""
        touched = cut_mm < learned.setup.carburettor.needle.diameters_mm
        _, rows, by_needle = _slopes_after(learned, cut_mm, touched, drop_mm)
        return cls.of(learned, target, rows, by_needle, np.where(touched, learned.doubts.hand_mm, 0.0), log_lambda)

    def by_source(self, learned: Learned) -> dict[Source, FloatArray]:
        """Standard uncertainty of ln(lambda) on another day than the nut is set on, that each source brings, shape (m,)."""
        own, found = self.other_day * self.known.u(), sources(learned, self.other_day[:, : self.zero])
        warmer = found[Source.FUEL_TEMPERATURE], learned.prior_u[learned.place.day()] * self.by_day
        found |= {Source.FUEL_TEMPERATURE: np.hypot(*warmer), Source.METER_ZERO: np.abs(own[:, self.zero])}
        hand = np.linalg.norm(own[:, self.zero + 1 : -1], axis=1)
        return found | {Source.HAND: np.asarray(hand), Source.NUT: np.abs(own[:, -1])}

    def remains_u(self) -> FloatArray:
        """Standard uncertainty that hand and nut bring, shape (m,)."""
        return np.asarray(np.linalg.norm((self.slopes * self.known.u())[:, self.zero + 1 :], axis=1))

    def errors(self, known: Gaussian, seed: int) -> FloatArray:
        """Errors of ln(lambda) drawn under some knowledge, shape (draws, m); the draws are the same for every question."""
        spread = known.of(padded(self.slopes, known.mean.size))
        return spread.at(np.random.default_rng(seed).standard_normal((DRAWS, spread.root.shape[1])))

    def promise(self, known: Gaussian, risk: float) -> Promise:
        """What the design is worth under some knowledge of the car, solved again with it.

        A measurement also moves the best values, and the design is then solved again: it aims where it aims now, with
        less uncertainty. So only the spread changes here.
        """
        u = np.maximum(known.u_of(padded(self.slopes, known.mean.size)), 1e-8)
        over = self.room + self.errors(known, seed=2)
        # Every band is aimed so many of its own standard uncertainties lean, as the first stop is.
        times = max(float(np.quantile((-over / u).max(axis=1), 1.0 - risk)), 0.0)
        moved = self.change > LEAST_CHANGE
        short = np.minimum(times * u, np.maximum(self.change, 0.0))[moved].sum()
        return Promise(
            100.0 * float(np.sqrt(np.mean(u**2))),
            float(np.sum(u**2)),
            float((over < 0.0).any(axis=1).mean()),
            1.0 - float(short / self.change[moved].sum()) if moved.any() else float("nan"),
        )


def padded(rows: FloatArray, size: int) -> FloatArray:
    """Slopes by the first unknowns as slopes by all."""
    return np.pad(rows, ((0, 0), (0, size - rows.shape[1])))


def sources(learned: Learned, rows: FloatArray) -> dict[Source, FloatArray]:
    """Standard uncertainty that each source brings to quantities with these slopes, shape (r, k); squares add up."""
    names, shares = origins(learned)
    parts = (rows @ learned.estimate.root) @ shares.T
    return {one: np.linalg.norm(parts[:, [name is one for name in names]], axis=1) for one in Source if one in names}
