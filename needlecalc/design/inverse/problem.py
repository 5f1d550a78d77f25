"""What is asked of a fit: targets, limits and the law, and where a removal stands among them."""

from __future__ import annotations

from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.law import Law
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.limits import Inequalities, LimitKind, Limits
from needlecalc.design.inverse.target import Target
from needlecalc.gaussian import NINETY
from needlecalc.parts.setup import Setup
from needlecalc.units import FLATS_PER_TURN, FloatArray

LEAST_U = 1e-4
TEST_SLACK = 1e-5  # of ln lambda: the point that changes nothing must not lie on the very edge
FOLLOWS_MM = 1e-9  # a station beyond the data that moves more than this follows the one above it
AT_LIMIT_MM = 1e-7


@dataclass(frozen=True)
class Point:
    """A removal and what it comes to."""

    x: FloatArray  # (free + 1,) removal at every free station, then change of jet drop [mm]
    misfit: FloatArray  # (m,) ln(lambda / target) of each band; positive is lean [-]
    slopes: FloatArray  # (m, free + 1) slopes of the misfit by x, as far as the fit counts on them [1/mm]
    by_needle: FloatArray  # (m, n + 1) slopes of the misfit by every diameter, then by the jet drop [1/mm]


@dataclass(frozen=True)
class Problem:
    """Everything that stays while removal and smoothness are sought."""

    learned: Learned  # the car as estimated
    target: Target  # what is asked
    drive_u: FloatArray  # (m,) uncertainty of ln(lambda) on the day of the drive: how near the targets are worth meeting [-]
    band_u: FloatArray  # (m,) the same with the repeatability of a reading: how little each band weighs [-]
    inside: NDArray[np.bool_]  # (n,) stations the data speak for, and those between them
    free: NDArray[np.bool_]  # (n,) stations of these that may change
    rows: Inequalities  # limits as rows of G x >= h
    limits: Limits  # the limits behind them
    drop_range_mm: tuple[float, float]  # least and greatest change of jet drop [mm]
    # (m,) misfit a band with a test must keep so that it passes with 95 % chance; minus infinity without one [-]
    tested: FloatArray
    law: Law  # ln(lambda) by needle and jet height, at the best values
    carried_mm: FloatArray  # (n,) metal taken off past the last band besides, to carry its change on [mm]

    @classmethod
    def of(cls, learned: Learned, target: Target, limits: Limits, inside: NDArray[np.bool_]) -> Problem:
        """The problem of a target, a car and its limits."""
        setup = learned.setup
        now_u, giving_way = learned.lambda_now_u(), target.giving_way()
        # Days differ in a pattern that all bands share: no reason to fit one of them less closely.
        drive_u = np.maximum(learned.lambda_now_u(same_day=True), LEAST_U) * giving_way
        band_u = np.hypot(drive_u, learned.doubts.repeatability * giving_way) / target.weight
        # Beyond the data the tip follows only as far as the taper needs.
        free = inside | (np.arange(inside.size) > int(np.flatnonzero(inside)[-1]))
        free &= ~limits.kept(free.size)
        drop, (low, high) = setup.carburettor.jet.drop_mm, reach_mm(setup, learned.lift_mm())
        turn = min(low - drop, 0.0), max(high - drop, 0.0)
        read_u = np.hypot(now_u, learned.doubts.sensor_offset / target.lambda_rich)
        tested = np.where(target.tested, np.log(target.lambda_rich / target.lambda_target) + NINETY * read_u, -np.inf)
        rows = limits.inequalities(setup, free, *turn)
        none = np.zeros(free.size)
        return cls(learned, target, drive_u, band_u, inside, free, rows, limits, turn, tested, learned.law, none)

    def rest(self) -> FloatArray:
        """Solution that changes nothing, or no more than the range of the drop forces."""
        x = np.zeros(int(self.free.sum()) + 1)
        x[-1] = np.clip(0.0, *self.drop_range_mm)
        return x

    @cached_property
    def least_misfit(self) -> FloatArray:
        """Misfit each tested band must keep: what its test needs, or what it has now where that is less."""
        if not np.isfinite(self.tested).any():
            return self.tested
        return np.minimum(self.tested, self.misfit(self.rest()) - TEST_SLACK)

    def removal_mm(self, x: FloatArray) -> FloatArray:
        """Removal at every station, what is carried on too."""
        removal = self.carried_mm.copy()
        removal[self.free] += x[:-1]
        return removal

    def true_diameters(self, x: FloatArray) -> FloatArray:
        """Diameters after a removal."""
        return self.law.in_jet(self.learned.present_mm() - self.removal_mm(x))

    def drop_mm(self, x: FloatArray) -> float:
        """Jet drop after a change."""
        return self.learned.setup.carburettor.jet.drop_mm + float(x[-1])

    def misfit(self, x: FloatArray) -> FloatArray:
        """ln(lambda / target) of each band after a removal."""
        return self._misfit_of(self.law.log_lambda(self.true_diameters(x), self.drop_mm(x)))

    def point(self, x: FloatArray) -> Point:
        """The misfit after a removal, and its slopes."""
        log_lambda, _, by_needle = self.law.slopes(self.true_diameters(x), self.drop_mm(x))
        return Point(x, self._misfit_of(log_lambda), self._slopes_by(x, by_needle), by_needle)

    def _slopes_by(self, x: FloatArray, by_needle: FloatArray) -> FloatArray:
        """Slopes by what the fit may choose."""
        slopes = np.column_stack([-by_needle[:, :-1][:, self.free], by_needle[:, -1]])
        # Metal beyond the data is not taken to help a band: it goes only where the taper asks for it, and then
        # as much as goes at the station above.
        for column in np.flatnonzero(~self.inside[self.free])[::-1].tolist():
            if column and abs(x[column]) > FOLLOWS_MM:
                slopes[:, column - 1] += slopes[:, column]
            slopes[:, column] = 0.0
        return slopes

    def room(self, x: FloatArray) -> FloatArray:
        """How far each limit is from being active."""
        return np.asarray(self.rows.matrix @ x - self.rows.least)

    def reading_u(self) -> FloatArray:
        """Standard uncertainty of ln(lambda) as it was read, whether a band gives way or not."""
        return np.asarray(self.drive_u / self.target.giving_way())

    def at_limits(self, x: FloatArray) -> NDArray[np.bool_]:
        """Limits that are active, in the order of ``rows``."""
        return self.room(x) < AT_LIMIT_MM

    def held_by_a_limit(self, x: FloatArray) -> NDArray[np.bool_]:
        """Stations whose cut a limit ends: the largest cut, or the least diameter."""
        held = np.zeros(self.free.size, dtype=bool)
        for limit, on in zip(self.rows.limits, self.at_limits(x), strict=True):
            if on and limit.station and limit.kind in (LimitKind.LARGEST_CUT, LimitKind.LEAST_DIAMETER):
                held[limit.station - 1] = True
        return held

    def with_setup(self, setup: Setup) -> Problem:
        """The same problem with other parts, at the same lifts and depressions."""
        return replace(self, learned=replace(self.learned, setup=setup), law=self.law.in_parts(setup))

    def _misfit_of(self, log_lambda: FloatArray) -> FloatArray:
        return np.asarray(log_lambda - np.log(self.target.lambda_target))

    def with_free(
        self, free: NDArray[np.bool_], limits: Limits | None = None, drop_range_mm: tuple[float, float] | None = None
    ) -> Problem:
        """The same problem with other stations free, other limits or another range of the jet."""
        limits = limits or self.limits
        turn = drop_range_mm or self.drop_range_mm
        rows = limits.inequalities(self.learned.setup, free, *turn)
        return replace(self, free=free, limits=limits, drop_range_mm=turn, rows=rows)

    def eased_range_mm(self, by_mm: float) -> tuple[float, float]:
        """Range of the change of jet drop, so much wider at either end, as far as the needle's table goes."""
        setup, (low, high) = self.learned.setup, self.drop_range_mm
        lowest, highest = (end - setup.carburettor.jet.drop_mm for end in drops_on_table_mm(setup, self.learned.lift_mm()))
        return min(low, max(low - by_mm, lowest)), max(high, min(high + by_mm, highest))

    def left_alone(self) -> Problem:
        """The same problem with no station and no jet to move."""
        left = self.with_free(np.zeros(self.free.size, dtype=bool), drop_range_mm=(0.0, 0.0))
        return replace(left, carried_mm=np.zeros(self.free.size))


def drops_on_table_mm(setup: Setup, lift_mm: FloatArray) -> tuple[float, float]:
    """Least and greatest jet drop with every lift on the needle's table: nothing is known of the needle past it."""
    stations, place = setup.carburettor.needle.stations_mm, setup.carburettor.position_mm(lift_mm, 0.0)
    return float(stations[0] - place.min()), float(stations[-1] - place.max())


def reach_mm(setup: Setup, lift_mm: FloatArray, *, or_a_turn: bool = False) -> tuple[float, float]:
    """Least and greatest jet drop that the nut gives, or a turn either way gives where its range is not stated.

    Every lift stays on the needle's table.
    """
    jet, table = setup.carburettor.jet, drops_on_table_mm(setup, lift_mm)
    low, high = jet.drop_range_mm()
    if or_a_turn and jet.drop_min_mm is None:
        turn = FLATS_PER_TURN * jet.flat_mm
        low, high = max(low - turn, min(low, 0.0)), high + turn
    return max(low, table[0]), min(high, table[1])
