"""What is worth a word in a design, as facts: bands, stations, the nut, the test, the drive that follows."""

from __future__ import annotations

from collections.abc import Iterator
from enum import StrEnum

import numpy as np

from needlecalc.design.belief.readings import usable_lambda
from needlecalc.design.inverse.fit import MISSED_BY
from needlecalc.design.inverse.limits import FLATS
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.solution import carries_on
from needlecalc.design.inverse.target import HARDLY, Target, worst_first
from needlecalc.remark import Remark, Severity
from needlecalc.units import FloatArray

WORTH_A_WORD = 0.003  # of lambda


class DesignRemark(StrEnum):
    """What was found in a design."""

    CHECKS_NOT_MADE = "no checks were made"
    FULL_LOAD_LEAN_NOW = "full load runs too lean now"
    FULL_LOAD_LEAN_NEXT = "full load runs too lean on the next drive"
    FULL_LOAD_MAY_BE_LEAN = "full load may run too lean on the next drive"
    RICH_NOW = "too rich as driven"
    IDLE_NOT_MEASURED = "idle was not measured, and the nut moves it"
    PAST_LEAN_LIMIT = "read beyond the lean limit"
    PAST_THE_DATA = "lean past the last band"
    CARRIED_ON = "change carried on past the last band"
    UNCONFIRMED = "nothing has confirmed this car"
    NOT_DRIVEN = "lifts never driven"
    STEP_OF_NUT = "one step of the nut moves idle"
    STEP_JUMPS = "one step of the nut may jump over all that is permitted"
    STEP_MAY_END_RICH = "the nut may stop too rich"
    TEST = "chance to fail the test"
    TEST_IN_DANGER = "chance to fail the test above the risk"
    NO_DATA = "no band reaches these stations"
    FOLLOWS_THE_TAPER = "cut only for the taper"
    BETWEEN_BANDS = "no band stands at these stations"
    METER_ZERO = "zero of the meter by gas"
    INTERPOLATED = "present diameter not measured"
    SEVERAL_CARBURETTORS = "several carburettors"
    ONE_SENSOR = "one sensor for several carburettors"
    BANKS_SERVED = "one profile serves both banks"
    BANKS_APART = "one profile does not serve both banks"
    # What the jet is turned for.
    JET_FOR_IDLE = "the nut brings idle to its target"
    JET_LEANS = "no file makes these bands leaner"
    JET_SERVES_BEST = "one needle serves all bands best at that height"


def remarks_of(design: Design) -> tuple[Remark, ...]:
    """What to know of a design, the gravest first."""
    first = (*_as_it_is(design), *_several_carburettors(design), *_of_the_cut(design))
    return (*first, *design.target.remarks(), *_past_lean_limit(design), *_of_the_stations(design))


def _as_it_is(design: Design) -> Iterator[Remark]:
    """What was not looked at or measured, and what is wrong before anything is done."""
    target = design.target
    if design.checks is None:
        yield Remark(DesignRemark.CHECKS_NOT_MADE, Severity.CAUTION)
    if apart := design.learned.contradiction():
        yield apart
    read, limit = target.bands.lambda_measured, target.leanest_full_load()
    lean = np.flatnonzero(target.full_load() & (read > limit + HARDLY))
    if lean.size:
        numbers = {"low": float(read[lean].min()), "high": float(read[lean].max()), "limit": limit}
        bands = worst_first(target.bands, lean, read)
        yield Remark(DesignRemark.FULL_LOAD_LEAN_NOW, Severity.STOP, bands=bands, numbers=numbers)
    if design.turns() and "idle" not in target.bands.load:
        yield Remark(DesignRemark.IDLE_NOT_MEASURED, Severity.STOP, numbers={"flats": design.flats()})
    if guessed := tuple(design.present().interpolated):
        yield Remark(DesignRemark.INTERPOLATED, Severity.CAUTION, stations=guessed)


def full_load_next(target: Target, expected: FloatArray, highest: FloatArray) -> Remark | None:
    """Full load that runs, or by the upper end of its 90 % interval may run, too lean on the drive that follows."""
    limit, highest = target.leanest_full_load(), np.maximum(highest, expected)
    lean = np.flatnonzero(target.full_load() & (highest > limit + HARDLY))
    if not lean.size:
        return None
    worst = int(lean[np.argmax(highest[lean])])
    runs = bool((expected[lean] > limit).any())
    return Remark(
        DesignRemark.FULL_LOAD_LEAN_NEXT if runs else DesignRemark.FULL_LOAD_MAY_BE_LEAN,
        Severity.STOP if runs else Severity.CAUTION,
        bands=worst_first(target.bands, lean, highest),
        numbers={"expected": float(expected[worst]), "highest": float(highest[worst]), "limit": limit},
    )


def rich_now(design: Design) -> Remark | None:
    """Bands richer than permitted before any cut."""
    target = design.target
    rich = np.flatnonzero(target.bands.lambda_measured < target.lambda_rich)
    return Remark(DesignRemark.RICH_NOW, Severity.NOTE, bands=target.called(*rich.tolist())) if rich.size else None


def why_the_jet(design: Design) -> Remark | None:
    """What the jet is turned for; None where it stays."""
    if not design.turns():
        return None
    flats, target = design.flats(), design.target
    asked = np.log(target.lambda_target / design.learned.lambda_now())
    asks = asked > WORTH_A_WORD if flats < 0.0 else asked < -WORTH_A_WORD
    if (asks & (np.array(target.bands.load) == "idle")).any():
        return Remark(DesignRemark.JET_FOR_IDLE)
    if flats < 0.0 and asks.any():
        return Remark(DesignRemark.JET_LEANS, bands=worst_first(target.bands, np.flatnonzero(asks), asked))
    return Remark(DesignRemark.JET_SERVES_BEST)


def _of_the_cut(design: Design) -> Iterator[Remark]:
    """The meter it is judged by, lifts nobody drove, room left for a car nobody knows, the steps of the nut, the test."""
    zero, times = design.target.sensor_zero, design.limits.unconfirmed
    if zero is not None and zero.readings:
        yield Remark(DesignRemark.METER_ZERO, numbers={"off": zero.mean, "u": zero.u, "readings": zero.readings})
    for low, high in design.verdict.gaps_mm:
        yield Remark(DesignRemark.NOT_DRIVEN, Severity.CAUTION, numbers={"from_mm": low, "to_mm": high})
    held = design.stages() is Stages.IN_STAGES and not design.limits.new_blank
    if held and times > 1.0 and not design.learned.confirmed():
        yield Remark(DesignRemark.UNCONFIRMED, numbers={"times": times})
    idle, aim = design.target.bands.idle(), design.idle_to()
    if design.limits.flats and idle is not None and aim is not None:
        yield _step_of_nut(design, FLATS[design.limits.flats], idle, aim)
    if design.target.tested.any():
        yield _test(design)


def _step_of_nut(design: Design, flats: float, idle: int, aim: float) -> Remark:
    """What one step does to idle, where the nut turns by steps only."""
    learned, target = design.learned, design.target
    _, by_needle = learned.slopes(learned.law.in_jet(design.needle.diameters_mm), design.drop_mm)
    by_step = float(by_needle[idle, -1]) * flats * learned.setup.carburettor.jet.flat_mm
    step = float(design.final.expected[idle]) * -np.expm1(-abs(by_step))
    rich, lean = float(target.lambda_rich[idle]), float(target.lambda_lean[idle])
    numbers = {"flats": flats, "step": step, "half_step": step / 2.0, "rich": rich, "lean": lean, "aim": aim}
    kind = DesignRemark.STEP_MAY_END_RICH if step / 2.0 > aim - rich else DesignRemark.STEP_OF_NUT
    kind = DesignRemark.STEP_JUMPS if step > lean - rich else kind
    severity = Severity.NOTE if kind is DesignRemark.STEP_OF_NUT else Severity.CAUTION
    return Remark(kind, severity, bands=target.called(idle), numbers=numbers)


def _test(design: Design) -> Remark:
    """How likely the bands with a test are to fail it."""
    target, stages = design.target, design.stages()
    danger = design.next_stage().chance_fails > design.risk
    numbers: dict[str, float | int | str] = {"percent": 100.0 * design.final.chance_fails, "stages": str(stages)}
    if stages is Stages.IN_STAGES:
        numbers["stop_percent"] = 100.0 * design.stop.chance_fails
    if (seen := design.forecast(design.next_stage())) is not None and seen.test is not None:
        numbers |= {"limit": seen.test.limit, "of": seen.test.kind.value, "result": seen.result.value}
        numbers |= {"lambda": seen.lambda_expected, "lambda_low": seen.lambda_low, "lambda_high": seen.lambda_high}
        numbers |= {"co": seen.co_percent, "co_low": seen.co_low, "co_high": seen.co_high}
    bands = target.called(*np.flatnonzero(target.tested).tolist())
    kind = DesignRemark.TEST_IN_DANGER if danger else DesignRemark.TEST
    return Remark(kind, Severity.CAUTION if danger else Severity.NOTE, bands=bands, numbers=numbers)


def _past_lean_limit(design: Design) -> Iterator[Remark]:
    """Bands whose reading misfire makes leaner than the truth, and what they are taken for."""
    learned = design.learned
    read, taken = learned.bands.lambda_measured, np.exp(usable_lambda(learned.bands, learned.doubts)[0])
    beyond = np.flatnonzero(learned.at_least)
    if beyond.size:
        worst = int(beyond[np.argmax((read / taken)[beyond])])
        numbers = {
            "limit": learned.doubts.lean_limit,
            "read": float(read[worst]),
            "taken": float(taken[worst]),
            "percent": 100.0 * float(read[worst] / taken[worst] - 1.0),
        }
        bands = worst_first(design.target.bands, beyond, read / taken)
        yield Remark(DesignRemark.PAST_LEAN_LIMIT, Severity.CAUTION, bands=bands, numbers=numbers)


def _of_the_stations(design: Design) -> Iterator[Remark]:
    """What to know of stations that no band speaks for, or nobody measured."""
    inside, bands, target = design.stations.inside(), design.target.bands, design.target.lambda_target
    cut, blank = design.needle.diameters_mm != design.present().diameters_mm, int(design.limits.new_blank)
    past, last = np.arange(cut.size) > int(np.flatnonzero(inside)[-1]), int(np.argmax(bands.lift_mm))
    onwards = past & cut & carries_on(design.learned, design.target, design.limits)
    outside, carried, followed, between = (
        tuple((np.flatnonzero(which) + 1).tolist())
        for which in (~inside & ~onwards, onwards, ~inside & cut & ~onwards, inside & ~design.stations.supported)
    )
    if carried:
        yield Remark(DesignRemark.CARRIED_ON, stations=carried, bands=bands.called(last))
    if outside:
        yield Remark(DesignRemark.NO_DATA, stations=outside, numbers={"blank": blank})
    if followed:
        yield Remark(DesignRemark.FOLLOWS_THE_TAPER, stations=followed, numbers={"blank": blank})
    # Full throttle leads past the last band, to a needle left as lean as it was.
    lean = float(bands.lambda_measured[last] / target[last]) - 1.0
    if outside and not blank and not cut[-1] and cut.any() and bands.load[last] == "full" and lean > MISSED_BY:
        numbers = {"lift_mm": float(bands.lift_mm[last]), "percent": 100.0 * lean}
        yield Remark(DesignRemark.PAST_THE_DATA, Severity.CAUTION, bands=bands.called(last), numbers=numbers)
    if between:
        yield Remark(DesignRemark.BETWEEN_BANDS, stations=between)


def _several_carburettors(design: Design) -> Iterator[Remark]:
    """That every needle is filed alike, what one sensor cannot see, and how far the banks are apart."""
    count, bands = design.setup.engine.carburettors, design.target.bands
    if count > 1 and design.stages() is not Stages.NOTHING:
        numbers = {"count": count, "matched_um": design.limits.match_um}
        yield Remark(DesignRemark.SEVERAL_CARBURETTORS, Severity.CAUTION, numbers=numbers)
    if count > 1 and not any(bands.bank):
        yield Remark(DesignRemark.ONE_SENSOR, Severity.CAUTION, numbers={"count": count})
    if pairs := bands.across():
        ratio, off = bands.lambda_measured, 100.0 * (design.final.expected / design.target.lambda_target - 1.0)
        first, second = max(pairs, key=lambda pair: abs(np.log(ratio[pair[0]] / ratio[pair[1]])))
        apart = 100.0 * float(ratio[second] / ratio[first] - 1.0)
        found = {"apart": apart, "first": float(off[first]), "second": float(off[second])}
        kind, severity = DesignRemark.BANKS_APART, Severity.CAUTION
        if design.met:
            kind, severity = DesignRemark.BANKS_SERVED, Severity.NOTE
        yield Remark(kind, severity, bands=bands.called(second, first), numbers=found)
