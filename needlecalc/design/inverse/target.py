"""What lambda should be in each band, what is permitted, and which bands contradict each other."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from functools import cached_property
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_each, read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.checks.gas import SensorZero
from needlecalc.measure.drive.bands import AFR_CURE, Bands
from needlecalc.physics.exhaust import LEANEST_LAMBDA, RICHEST_LAMBDA, dry_exhaust
from needlecalc.remark import BandName, Remark, Severity
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

LEANEST_FULL_LOAD = 0.92  # common practice, no source; the user's own table goes before
PERMITTED_EITHER_SIDE = 0.05
SAME_LIFT_MM = 0.3
CONFLICT_SHARE = 0.03
GIVING_WAY = 10.0
HARDLY = 5e-4  # of lambda: nobody reads as near


class TargetRemark(StrEnum):
    """What is worth a word in a target."""

    CONFLICT = "two bands on one lift ask for different changes"
    CONFLICT_PAST_PERMITTED = "two bands on one lift, and not even what is permitted of both can be had"
    FULL_LOAD_LEAN = "target of full load leaner than it bears"
    HC_HIGH = "idle leaned no further, as hydrocarbons are high"
    HC_AGAINST_CO = "the test asks for a leaner idle, but hydrocarbons are high already"


class Why(StrEnum):
    """Where the target of a band comes from."""

    STATED = "stated"
    TABLE = "the user's table"
    USUAL = "usual for the load"
    CO_TEST = "CO limit of the idle test"
    LAMBDA_TEST = "least lambda of the idle test"
    PASSES = "passes the idle test as it is"
    EVEN_IDLE = "no leaner than even idling"
    LEAN_LIMIT = "lean limit of a sweep"
    HC_HIGH = "no leaner, as hydrocarbons are high"


class IdleTest(NamedTuple):
    """An idle test: its kind and limit, and the lambda of the limit and the one to aim at."""

    kind: Why
    limit: float
    edge: float
    aim: float
    o2_percent: float = 0.0

    def result(self, low: float, high: float) -> ForecastResult:
        """What an interval of lambda says of it."""
        if low >= self.edge:
            return ForecastResult.PASSES
        return ForecastResult.FAILS if high < self.edge else ForecastResult.NOT_PROVEN


class ForecastResult(StrEnum):
    """What the 90 % interval says of the test."""

    PASSES = "passes"
    NOT_PROVEN = "not proven"
    FAILS = "fails"
    NO_LIMIT = "no limit stated"


@dataclass(frozen=True)
class Forecast:
    """Idle as the tester will find it; intervals are 90 %.

    Parameters
    ----------
    band : BandName
        The idle band.
    test : IdleTest or None
        The test it is held against; None where no limit is stated.
    lambda_expected, lambda_low, lambda_high : float
        True lambda, the zero of the meter taken off. [-]
    co_percent, co_low, co_high : float
        CO of the dry gas, with the oxygen that the test allows for. [%]
    result : ForecastResult
        It passes, or fails, where all of the interval does.
    """

    band: BandName
    test: IdleTest | None
    lambda_expected: float
    lambda_low: float
    lambda_high: float
    co_percent: float
    co_low: float
    co_high: float
    result: ForecastResult


@dataclass(frozen=True, repr=False, eq=False)
class Target(Shown):
    """Lambda asked for in each band, as the lambda meter shows it.

    Parameters
    ----------
    bands : Bands
        The bands it is for.
    lambda_target : array, shape (m,)
        Lambda. [-]
    why : tuple of Remark
        Where each comes from; stated, when not given.
    lambda_rich, lambda_lean : array, shape (m,), or None
        Richest and leanest lambda permitted; 0.05 either side of the target when not given, and never past
        the target's own limits. [-]
    weight : array, shape (m,), or None
        How much each band matters; all alike when not given. [-]
    sensor_zero : SensorZero or None
        How far the meter is known to be off, which the targets allow for already; None where no gas was read.
    test : IdleTest or None
        The idle test, in true lambda, which a design must not spoil; None where no limit is stated.

    Raises
    ------
    InputError
        If a target is no lambda or lies outside what is permitted, or a weight is not positive.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.target
    Target: 11 bands, lambda 0.88 to 1.00
    >>> print(road.target.lambda_target[:3].round(3))
    [1.    1.004 1.004]
    """

    bands: Bands
    lambda_target: FloatArray
    why: tuple[Remark, ...] = ()
    lambda_rich: FloatArray = None  # type: ignore[assignment]  # filled in below, an array ever after
    lambda_lean: FloatArray = None  # type: ignore[assignment]
    weight: FloatArray = None  # type: ignore[assignment]
    sensor_zero: SensorZero | None = None
    test: IdleTest | None = None

    def __post_init__(self) -> None:
        aim = read_only(self.lambda_target, "lambda_target")
        usual = {
            "lambda_target": aim,
            "lambda_rich": aim - PERMITTED_EITHER_SIDE,
            "lambda_lean": aim + PERMITTED_EITHER_SIDE,
            "weight": np.ones(aim.size),
        }
        given = {name: read_only(usual[name] if (own := getattr(self, name)) is None else own, name) for name in usual}
        for name, value in given.items():
            object.__setattr__(self, name, value)
        if not ((aim >= 0.5) & (aim <= 2.0)).all():
            msg = f"lambda_target runs from {aim.min():g} to {aim.max():g}, but must lie between 0.5 and 2. {AFR_CURE}"
            raise InputError(msg)
        object.__setattr__(self, "why", tuple(self.why) or (Remark(Why.STATED),) * aim.size)
        same_length("target", bands=self.bands.rpm, why=self.why, **given)
        outside = (aim < self.lambda_rich) | (aim > self.lambda_lean)
        if outside.any():
            band = int(np.argmax(outside))
            msg = (
                f"Target of {self.bands.name(band)} is lambda {aim[band]:.3f}, outside its permitted "
                f"{self.lambda_rich[band]:.3f} to {self.lambda_lean[band]:.3f}; change one of them."
            )
            raise InputError(msg)
        if (self.weight <= 0.0).any():
            msg = "A target weight must be positive; leave a band out of the drive if it does not matter at all."
            raise InputError(msg)

    def __repr__(self) -> str:
        low, high = self.lambda_target.min(), self.lambda_target.max()
        return f"Target: {counted(self.lambda_target.size, 'band')}, lambda {low:.2f} to {high:.2f}"

    @cached_property
    def tested(self) -> NDArray[np.bool_]:
        """Bands whose richest permitted lambda is that of the test."""
        return np.array([self.test is not None and load == "idle" for load in self.bands.load])

    def called(self, *bands: int) -> tuple[BandName, ...]:
        """Names of some bands."""
        return self.bands.called(*bands)

    def fuel_asked(self) -> FloatArray:
        """Change of ln(fuel) that each band asks for."""
        return np.asarray(np.log(self.bands.lambda_measured / self.lambda_target))

    def opposed(self) -> NDArray[np.intp]:
        """Pairs of bands on one lift that ask for different changes, furthest apart first; the second gives way."""
        asked, lift = self.fuel_asked(), self.bands.lift_mm
        # A band whose lift is not known is on no one's lift.
        near = np.abs(np.subtract.outer(lift, lift)) <= SAME_LIFT_MM
        np.fill_diagonal(near, True)
        greatest = np.where(near, asked, -np.inf).argmax(axis=1)
        apart = asked[greatest] - asked
        leaner = np.flatnonzero(apart > CONFLICT_SHARE)
        leaner = leaner[np.argsort(-apart[leaner], kind="stable")]
        return np.column_stack([greatest[leaner], leaner])

    def giving_way(self) -> FloatArray:
        """Factor on the uncertainty of each band: 1, and more for one that gives way to a richer one on its lift."""
        factor = np.ones(self.lambda_target.size)
        factor[self.opposed()[:, 1]] = GIVING_WAY
        return factor

    def excess(self, lambda_expected: FloatArray) -> FloatArray:
        """How far each band would lie outside what is permitted, richer or leaner; 0 or less where it is inside."""
        lambda_expected = check_each(lambda_expected, "lambda_expected", -np.inf, allow_nan=True)
        if lambda_expected.shape[-1:] != self.lambda_target.shape:
            count = self.lambda_target.size
            msg = f"lambda_expected has shape {lambda_expected.shape}, but must end in one for each of {count} bands."
            raise InputError(msg)
        return np.maximum(self.lambda_rich - lambda_expected, lambda_expected - self.lambda_lean)

    def outside(self, lambda_expected: FloatArray) -> NDArray[np.bool_]:
        """Bands that would lie outside what is permitted, by more than anybody reads."""
        return np.asarray(self.excess(lambda_expected) > HARDLY)

    def forecast(self, expected: FloatArray, low: FloatArray, high: FloatArray) -> Forecast | None:
        """Forecast of the idle band from lambda of each band as the meter shows it; None where idle was not measured."""
        idle, test = self.bands.idle(), self.test
        if idle is None:
            return None
        off = self.sensor_zero.mean if self.sensor_zero else 0.0
        at, least, most = (float(values[idle]) - off for values in (expected, low, high))
        ratio = np.clip([at, least, most], RICHEST_LAMBDA, LEANEST_LAMBDA)
        gas = dry_exhaust(ratio, residual_o2_percent=test.o2_percent if test else 0.0)
        co, co_high, co_low = gas.co_percent.tolist()
        result = ForecastResult.NO_LIMIT if test is None else test.result(least, most)
        return Forecast(self.called(idle)[0], test, at, least, most, co, co_low, co_high, result)

    def leanest_full_load(self) -> float:
        """Leanest lambda that full load bears, as the meter shows it: 0.92, common practice, and what the meter is off."""
        return LEANEST_FULL_LOAD + (self.sensor_zero.mean if self.sensor_zero else 0.0)

    def full_load(self) -> NDArray[np.bool_]:
        """Bands at full load."""
        return np.array([load == "full" for load in self.bands.load])

    def remarks(self) -> tuple[Remark, ...]:
        """Bands that contradict each other, full load asked to run too lean, and idle whose hydrocarbons forbid leaning."""
        now, asked, found = self.bands.lambda_measured, self.fuel_asked(), []
        for richer, leaner in self.opposed().tolist():
            # Fuel, as a factor, that each would still permit.
            apart = now[richer] / self.lambda_lean[richer] > now[leaner] / self.lambda_rich[leaner]
            numbers = {
                "lift_mm": float(self.bands.lift_mm[richer]),
                "richer_percent": 100.0 * float(asked[richer]),
                "leaner_percent": 100.0 * float(asked[leaner]),
            }
            kind = TargetRemark.CONFLICT_PAST_PERMITTED if apart else TargetRemark.CONFLICT
            found.append(Remark(kind, Severity.CAUTION, bands=self.called(richer, leaner), numbers=numbers))
        limit = self.leanest_full_load()
        lean = np.flatnonzero(self.full_load() & (self.lambda_target > limit + 1e-9))
        if lean.size:
            numbers = {"limit": limit, "leanest": float(self.lambda_target[lean].max())}
            bands = worst_first(self.bands, lean, self.lambda_target)
            found.append(Remark(TargetRemark.FULL_LOAD_LEAN, Severity.CAUTION, bands=bands, numbers=numbers))
        for band, why in enumerate(self.why):
            if why.kind is Why.HC_HIGH:
                leaned = self.lambda_target[band] > self.bands.lambda_measured[band] + HARDLY
                kind = TargetRemark.HC_AGAINST_CO if leaned else TargetRemark.HC_HIGH
                found.append(Remark(kind, Severity.CAUTION, bands=self.called(band), numbers=why.numbers))
        return tuple(found)


def worst_first(bands: Bands, which: NDArray[np.intp], badness: FloatArray) -> tuple[BandName, ...]:
    """Names of some bands, that of the greatest badness first."""
    return bands.called(*which[np.argsort(-badness[which], kind="stable")].tolist())
