"""What is worth a word in a design, as facts: bands, stations, the nut, the test, the drive that follows."""

from __future__ import annotations

from enum import StrEnum

import numpy as np

from needlecalc.design.belief.readings import usable_lambda
from needlecalc.design.inverse.fit import MISSED_BY
from needlecalc.design.inverse.limits import FLATS
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.solution import carries_on
from needlecalc.design.inverse.target import HARDLY, Target, worst_first
from needlecalc.design.inverse.uncertainty import idle_aim, idle_band
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
    found = (
        checks_not_made(design),
        design.learned.contradiction(),
        full_load_now(design),
        idle_not_measured(design),
        _interpolated(design),
        *_several_carburettors(design),
        *_of_the_meter(design),
        *_not_driven(design),
        _unconfirmed(design),
        _step_of_nut(design),
        _test(design),
        *design.target.remarks(),
        _past_lean_limit(design),
        *_of_the_stations(design),
    )
    return tuple(one for one in found if one is not None)


def checks_not_made(design: Design) -> Remark | None:
    """That nobody looked for faults."""
    return None if design.checks is not None else Remark(DesignRemark.CHECKS_NOT_MADE, Severity.CAUTION)


def full_load_now(design: Design) -> Remark | None:
    """Full load that runs leaner than it bears, before anything is done."""
    target = design.target
    read, limit = target.bands.lambda_measured, target.leanest_full_load()
    lean = np.flatnonzero(target.full_load() & (read > limit + HARDLY))
    if not lean.size:
        return None
    numbers = {"low": float(read[lean].min()), "high": float(read[lean].max()), "limit": limit}
    return Remark(
        DesignRemark.FULL_LOAD_LEAN_NOW, Severity.STOP, bands=worst_first(target.bands, lean, read), numbers=numbers
    )


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


def idle_not_measured(design: Design) -> Remark | None:
    """That the nut is turned, and moves an idle that nobody measured."""
    if not design.turns() or "idle" in design.target.bands.load:
        return None
    return Remark(DesignRemark.IDLE_NOT_MEASURED, Severity.STOP, numbers={"flats": design.flats()})


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


def _of_the_meter(design: Design) -> list[Remark]:
    zero = design.target.sensor_zero
    if zero is None or not zero.readings:
        return []
    return [Remark(DesignRemark.METER_ZERO, numbers={"off": zero.mean, "u": zero.u, "readings": zero.readings})]


def _not_driven(design: Design) -> list[Remark]:
    """Lifts between bands so far apart that nothing is known of those between."""
    gaps = design.verdict.gaps_mm
    return [Remark(DesignRemark.NOT_DRIVEN, Severity.CAUTION, numbers={"from_mm": low, "to_mm": high}) for low, high in gaps]


def _step_of_nut(design: Design) -> Remark | None:
    """What one step does to idle, where the nut turns by steps only."""
    learned, target, flats = design.learned, design.target, design.limits.flats
    idle = idle_band(learned, target)
    if flats is None or idle is None:
        return None
    _, by_needle = learned.slopes(learned.law.in_jet(design.needle.diameters_mm), design.drop_mm)
    expected, step_mm = float(design.final.expected[idle]), FLATS[flats] * learned.setup.carburettor.jet.flat_mm
    step = float(expected * -np.expm1(-abs(by_needle[idle, -1]) * step_mm))
    rich, lean = float(target.lambda_rich[idle]), float(target.lambda_lean[idle])
    aim = idle_aim(target, idle, expected)
    numbers = {"flats": FLATS[flats], "step": step, "half_step": step / 2.0, "rich": rich, "lean": lean, "aim": aim}
    kind, severity = DesignRemark.STEP_OF_NUT, Severity.NOTE
    if step > lean - rich:
        kind, severity = DesignRemark.STEP_JUMPS, Severity.CAUTION
    elif step / 2.0 > aim - rich:
        kind, severity = DesignRemark.STEP_MAY_END_RICH, Severity.CAUTION
    return Remark(kind, severity, bands=target.called(idle), numbers=numbers)


def _test(design: Design) -> Remark | None:
    """How likely the bands with a test are to fail it."""
    target, stages = design.target, design.stages()
    if not target.tested.any():
        return None
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


def _past_lean_limit(design: Design) -> Remark | None:
    """Bands whose reading misfire makes leaner than the truth, and what they are taken for."""
    learned = design.learned
    read, taken = learned.bands.lambda_measured, np.exp(usable_lambda(learned.bands, learned.doubts)[0])
    beyond = np.flatnonzero(learned.at_least)
    if not beyond.size:
        return None
    bands = worst_first(design.target.bands, beyond, read / taken)
    worst = int(beyond[np.argmax((read / taken)[beyond])])
    numbers = {
        "limit": learned.doubts.lean_limit,
        "read": float(read[worst]),
        "taken": float(taken[worst]),
        "percent": 100.0 * float(read[worst] / taken[worst] - 1.0),
    }
    return Remark(DesignRemark.PAST_LEAN_LIMIT, Severity.CAUTION, bands=bands, numbers=numbers)


def _of_the_stations(design: Design) -> list[Remark]:
    """What to know of stations that no band speaks for, or nobody measured."""
    found, inside = [], design.stations.inside()
    cut, blank = design.needle.diameters_mm != design.present().diameters_mm, int(design.limits.new_blank)
    numbers = {"blank": blank}
    past = np.arange(cut.size) > int(np.flatnonzero(inside)[-1])
    onwards = past & cut & carries_on(design.learned, design.target, design.limits)
    last = int(np.argmax(design.learned.lift_mm()))
    outside, carried, followed, between = (
        tuple((np.flatnonzero(which) + 1).tolist())
        for which in (~inside & ~onwards, onwards, ~inside & cut & ~onwards, inside & ~design.stations.supported)
    )
    if carried:
        found.append(Remark(DesignRemark.CARRIED_ON, stations=carried, bands=design.target.called(last)))
    if outside:
        found.append(Remark(DesignRemark.NO_DATA, stations=outside, numbers=numbers))
    if followed:
        found.append(Remark(DesignRemark.FOLLOWS_THE_TAPER, stations=followed, numbers=numbers))
    if outside and not blank and not cut[-1] and cut.any() and (lean := _past_the_data(design)):
        found.append(lean)
    if between:
        found.append(Remark(DesignRemark.BETWEEN_BANDS, stations=between))
    return found


def _interpolated(design: Design) -> Remark | None:
    """Stations of the present needle that nobody measured."""
    guessed = tuple(design.present().interpolated)
    return Remark(DesignRemark.INTERPOLATED, Severity.CAUTION, stations=guessed) if guessed else None


def _past_the_data(design: Design) -> Remark | None:
    """Where full throttle leads past the last band, to a needle left as lean as it was; None where it is as asked."""
    bands, target = design.target.bands, design.target
    last = int(np.argmax(bands.lift_mm))
    lean = float(bands.lambda_measured[last] / target.lambda_target[last]) - 1.0
    if bands.load[last] != "full" or lean <= MISSED_BY:
        return None
    numbers = {"lift_mm": float(bands.lift_mm[last]), "percent": 100.0 * lean}
    return Remark(DesignRemark.PAST_THE_DATA, Severity.CAUTION, bands=target.called(last), numbers=numbers)


def _unconfirmed(design: Design) -> Remark | None:
    """That the first stop leaves room for a cut that works more strongly than predicted."""
    times = design.limits.unconfirmed
    if times == 1.0 or design.learned.confirmed() or design.stages() is not Stages.IN_STAGES or design.limits.new_blank:
        return None
    return Remark(DesignRemark.UNCONFIRMED, numbers={"times": times})


def _several_carburettors(design: Design) -> list[Remark]:
    """That every needle is filed alike, what one sensor cannot see, and how far the banks are apart."""
    count, bands, missed = design.setup.engine.carburettors, design.target.bands, design.final.expected
    said = []
    if count > 1 and design.stages() is not Stages.NOTHING:
        numbers = {"count": count, "matched_um": design.limits.match_um}
        said.append(Remark(DesignRemark.SEVERAL_CARBURETTORS, Severity.CAUTION, numbers=numbers))
    if count > 1 and not any(bands.bank):
        said.append(Remark(DesignRemark.ONE_SENSOR, Severity.CAUTION, numbers={"count": count}))
    if pairs := bands.across():
        ratio, off = bands.lambda_measured, 100.0 * (missed / design.target.lambda_target - 1.0)
        first, second = max(pairs, key=lambda pair: abs(np.log(ratio[pair[0]] / ratio[pair[1]])))
        apart = 100.0 * float(ratio[second] / ratio[first] - 1.0)
        numbers = {"apart": apart, "first": float(off[first]), "second": float(off[second])}
        kind = DesignRemark.BANKS_SERVED if design.met else DesignRemark.BANKS_APART
        severity = Severity.NOTE if design.met else Severity.CAUTION
        said.append(Remark(kind, severity, bands=bands.called(second, first), numbers=numbers))
    return said
