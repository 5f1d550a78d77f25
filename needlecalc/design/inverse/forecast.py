"""Emission forecast: lambda and CO at idle after the cut, with interval, held against the limit of the test."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from needlecalc.design.inverse.target import IdleTest, Target
from needlecalc.physics.exhaust import LEANEST_LAMBDA, RICHEST_LAMBDA, dry_exhaust
from needlecalc.remark import BandName
from needlecalc.units import FloatArray


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


def forecast(target: Target, expected: FloatArray, low: FloatArray, high: FloatArray) -> Forecast | None:
    """Forecast of the idle band from lambda of each band as the meter shows it; None where idle was not measured."""
    idle, test = target.bands.idle(), target.test
    if idle is None:
        return None
    off = target.sensor_zero.mean if target.sensor_zero else 0.0
    at, least, most = (float(values[idle]) - off for values in (expected, low, high))
    ratio = np.clip([at, least, most], RICHEST_LAMBDA, LEANEST_LAMBDA)
    gas = dry_exhaust(ratio, residual_o2_percent=test.o2_percent if test else 0.0)
    co, co_high, co_low = gas.co_percent.tolist()
    result = _result(test, least, most)
    return Forecast(target.called(idle)[0], test, at, least, most, co, co_low, co_high, result)


def _result(test: IdleTest | None, low: float, high: float) -> ForecastResult:
    if test is None:
        return ForecastResult.NO_LIMIT
    if low >= test.edge:
        return ForecastResult.PASSES
    return ForecastResult.FAILS if high < test.edge else ForecastResult.NOT_PROVEN
