"""The idle test: which lambda it asks for, and where to aim so as to pass it."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.physics.exhaust import lambda_of_co_percent
from needlecalc.remark import Remark

LEANEST_IDLE = 1.05  # beyond it few engines idle evenly; common practice
CO_MARGIN_PERCENT = 0.3
LAMBDA_MARGIN = 0.02


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


@dataclass(frozen=True)
class IdleTest:
    """An idle test: its kind and limit, and the lambda of the limit and the one to aim at."""

    kind: Why
    limit: float
    edge: float
    aim: float
    o2_percent: float = 0.0

    def remark(self, kind: Why) -> Remark:
        """Why an idle band has the target it has, with the figures of the test."""
        return Remark(kind, numbers={"limit": self.limit, "aim": self.aim, "o2_percent": self.o2_percent})


def idle_test(
    co_percent: float | None,
    co_margin_percent: float,
    tester_co_percent: float,
    o2_percent: float,
    lambda_least: float | None,
    lambda_margin: float,
    tester_lambda: float,
) -> IdleTest | None:
    """The stricter of a test of CO and one of lambda; None where there is neither."""
    tests = []
    if co_percent is not None:
        check_range(co_percent, "idle_co_percent", 0.1, 10.0, cure="It is the limit of the test, in per cent by volume.")
        check_range(co_margin_percent, "idle_margin_co_percent", 0.0, 5.0, cure="It is per cent by volume.")
        check_range(tester_co_percent, "tester_co_percent", 0.0, 2.0, cure="It is per cent by volume.")
        check_range(o2_percent, "idle_o2_percent", 0.0, 3.0, cure="It is what a sound engine leaves, under 1 % by volume.")
        read = co_percent - tester_co_percent
        if read <= 0.0:
            msg = (
                f"The CO limit is {co_percent:g} %, but the tester's meter may read {tester_co_percent:g} % too high: no "
                "mixture passes for certain; state a smaller tester_co_percent."
            )
            raise InputError(msg)
        # Half the limit at least must stay on a very strict one.  The more oxygen uneven cylinders leave, the leaner it is.
        aim = max(read - co_margin_percent, 0.5 * read)
        edge, aim = (float(lambda_of_co_percent(co, o2_percent=o2_percent)) for co in (read, aim))
        tests.append(IdleTest(Why.CO_TEST, co_percent, edge, aim, o2_percent))
    if lambda_least is not None:
        check_range(
            lambda_least, "idle_lambda_least", 0.7, 1.1, cure="It is a lambda; a CO limit goes into idle_co_percent."
        )
        check_range(lambda_margin, "idle_margin_lambda", 0.0, 0.1, cure="It is a lambda.")
        check_range(tester_lambda, "tester_lambda", 0.0, 0.1, cure="It is a lambda.")
        edge = lambda_least + tester_lambda
        tests.append(IdleTest(Why.LAMBDA_TEST, lambda_least, edge, edge + lambda_margin))
    return max(tests, key=lambda test: test.edge, default=None)


def idle_aim(measured: float, test: IdleTest) -> tuple[float, Remark]:
    """Lambda to aim at: the present one where it passes with its margin and idles evenly."""
    if test.aim <= measured <= max(LEANEST_IDLE, test.aim) + 1e-9:
        return measured, test.remark(Why.PASSES)
    if measured > LEANEST_IDLE >= test.aim:
        return LEANEST_IDLE, test.remark(Why.EVEN_IDLE)
    return test.aim, test.remark(test.kind)
