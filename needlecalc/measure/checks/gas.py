"""Verdicts on exhaust gas: dilution, misfire, contradictions with the lambda meter, and the CO limit."""

from __future__ import annotations

from collections.abc import Sequence

from needlecalc.measure.checks.gate import AMBER, GREEN, RED, Check, graded, missing, right
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.noted import GasReading
from needlecalc.physics.analyser import CO_ERROR_PERCENT, ERROR_SHARE, dilution
from needlecalc.physics.exhaust import co_percent_of_lambda, lambda_of_co_percent

# CO below this tells neither lambda nor air: a lean mixture and a diluted one look alike.
TELLING_CO_PERCENT = 0.5
# What a sound engine may leave of oxygen; common practice, no source.
MOST_RESIDUAL_O2_PERCENT = 1.0
LEAN_AT_IDLE_BY = 0.08


def gas_checks(gases: Sequence[GasReading] | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the readings of an exhaust analyser.

    Parameters
    ----------
    gases : sequence of GasReading or None
        Readings, one a running point.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Carbon sum, air in the sample, lambda against gas, hydrocarbons and CO limit of each; then the pattern
        of a leak that shows at idle only.
    """
    if not gases:
        return [missing("exhaust gas", "read CO, CO2, O2 and HC at idle and at 2500 rpm, with lambda")]
    checks = []
    for gas in gases:
        checks += [_sum(gas, limits), _air(gas, limits), _contradiction(gas, limits), _hydrocarbons(gas, limits)]
        if gas.co_limit_percent is not None:
            checks.append(_co_limit(gas))
    return [*checks, _idle_only(gases, limits)]


def _sum(gas: GasReading, limits: CheckLimits) -> Check:
    name = f"CO + CO2 at {gas.at}"
    if gas.co_percent is None or gas.co2_percent is None:
        return missing(name, "read CO and CO2 of dry gas")
    total = gas.co_percent + gas.co2_percent
    verdict = graded(total, limits.carbon_sum_percent)
    todo = (
        ""
        if verdict == GREEN
        else (
            "Air in the sample: an exhaust leak, a shallow probe or a misfire. Seal, push the probe in, read again; do not "
            "enrich the idle."
        )
    )
    return Check(name, f"{total:.1f} %", right(limits.carbon_sum_percent, "%"), verdict, todo)


def _air_share(gas: GasReading) -> float | None:
    """Share of air in a sample with enough CO to tell, else None."""
    if gas.co_percent is None or gas.co2_percent is None or gas.co_percent < TELLING_CO_PERCENT:
        return None
    return float(dilution(gas.co2_percent, gas.co_percent).air_share)


def _air(gas: GasReading, limits: CheckLimits) -> Check:
    name = f"air in the sample at {gas.at}"
    share = _air_share(gas)
    if share is None:
        return missing(name, f"it shows only with CO over {TELLING_CO_PERCENT:g} % and CO2 read")
    verdict = graded(share, limits.air_in_sample)
    todo = (
        ""
        if verdict == GREEN
        else "A mixture that makes CO leaves no such air: exhaust leak, shallow probe or misfire. Mend first."
    )
    return Check(name, f"{share:.0%}", right(limits.air_in_sample, form=".0%"), verdict, todo)


def _gas_lambda(gas: GasReading) -> tuple[float, float] | None:
    """Range of lambda that the CO belongs to, whatever air leaked in after the engine."""
    if gas.co_percent is None or gas.co_percent < TELLING_CO_PERCENT:
        return None
    co = gas.co_percent
    if gas.co2_percent is not None and gas.co2_percent > 0.0:
        found = dilution(gas.co2_percent, co)
        co = min(co * float(found.undiluted_sum_percent / found.sum_percent), 14.0)
    return float(lambda_of_co_percent(co)), float(lambda_of_co_percent(co, o2_percent=MOST_RESIDUAL_O2_PERCENT))


def _contradiction(gas: GasReading, limits: CheckLimits) -> Check:
    name = f"lambda against gas at {gas.at}"
    span = _gas_lambda(gas)
    if gas.lambda_measured is None or span is None:
        return missing(name, f"read lambda and CO together; CO over {TELLING_CO_PERCENT:g} % is needed")
    low, high = span
    meter = gas.lambda_measured
    leaner, richer = meter - gas.lambda_u - high, low - meter - gas.lambda_u
    verdict = graded(round(max(leaner, richer), 6), limits.contradiction_lambda)
    value = f"meter {meter:.2f}, CO {gas.co_percent:.1f} % belongs to {low:.2f} to {high:.2f}"
    if verdict == GREEN:
        return Check(name, value, "agree", GREEN)
    share, hydrocarbons = _air_share(gas), gas.hexane_ppm()
    if leaner <= richer:
        cause = "The meter reads richer than the gas: calibrate sensor and analyser."
    elif hydrocarbons is not None and graded(hydrocarbons, limits.misfire_hc_ppm) != GREEN:
        cause = f"With HC {gas.hc_ppm:.0f} ppm unburnt mixture passes: misfire. Look at plugs and leads; no richer needle."
    elif share is not None and graded(share, limits.air_in_sample) != GREEN:
        cause = "The sample is diluted: an exhaust leak or a shallow probe. Seal it; a richer needle is wrong."
    else:
        cause = "Misfire, exhaust leak or a sensor that is off: look at plugs, leads and joints; a richer needle is wrong."
    return Check(name, value, "agree", verdict, f"Contradiction. {cause}")


def _hydrocarbons(gas: GasReading, limits: CheckLimits) -> Check:
    name = f"hydrocarbons at {gas.at}"
    counted = gas.hexane_ppm()
    if counted is None:
        return missing(name, "read HC in ppm")
    verdict = graded(counted, limits.misfire_hc_ppm)
    todo = ""
    if verdict != GREEN:
        rich = (gas.co_percent or 0.0) >= TELLING_CO_PERCENT
        todo = (
            "Misfire with fuel to spare: plugs, leads, gaps, compression."
            if rich
            else "Misfire, perhaps from a mixture too lean to burn: leaning to pass CO can fail HC. Ignition first."
        )
    return Check(name, f"{counted:.0f} ppm as hexane", right(limits.misfire_hc_ppm, "ppm"), verdict, todo)


def _co_limit(gas: GasReading) -> Check:
    """CO held against the limit, from the analyser or else from the meter; what is asked, so never red."""
    name = f"CO limit at {gas.at}"
    limit = gas.co_limit_percent
    assert limit is not None
    if gas.co_percent is not None:
        best, doubt = gas.co_percent, max(CO_ERROR_PERCENT, ERROR_SHARE * gas.co_percent)
        low, high, source = max(best - doubt, 0.0), best + doubt, "read"
    elif gas.lambda_measured is not None:
        at = [gas.lambda_measured + way * gas.lambda_u for way in (0.0, 1.0, -1.0)]
        best, low, high = (float(co_percent_of_lambda(ratio)) for ratio in at)
        source = f"from lambda {gas.lambda_measured:g} +- {gas.lambda_u:g}"
    else:
        return missing(name, "read CO, or at least lambda")
    value = f"{best:.1f} %, {low:.1f} to {high:.1f}, {source}"
    if high <= limit:
        return Check(name, value, f"{limit:g} %", GREEN)
    if low > limit:
        return Check(name, value, f"{limit:g} %", AMBER, "Over the limit: right what is red, then set the idle by the jet.")
    return Check(
        name, value, f"{limit:g} %", AMBER, "Not proven: the limit lies inside the doubt; read CO with an analyser."
    )


def _idle_only(gases: Sequence[GasReading], limits: CheckLimits) -> Check:
    name = "lean at idle only"
    idle = [gas for gas in gases if gas.at == "idle" and gas.lambda_measured is not None]
    other = [gas for gas in gases if gas.at != "idle" and gas.lambda_measured is not None]
    if not idle or not other:
        return missing(name, "read lambda, CO and CO2 at idle and at 2500 rpm")
    first, second = idle[0].lambda_measured, other[0].lambda_measured
    assert first is not None
    assert second is not None
    value = f"lambda {first:.2f} at idle, {second:.2f} at {other[0].at}"
    if first - second < LEAN_AT_IDLE_BY:
        return Check(name, value, "no such step", GREEN)
    sums = [_sum(gas, limits).verdict for gas in (idle[0], other[0])]
    if sums[0] == RED and sums[1] != RED:
        todo = "CO + CO2 is low at idle alone: an exhaust leak or a shallow probe. Do not enrich the idle."
        return Check(name, value, "no such step", RED, todo)
    return Check(
        name, value, "no such step", AMBER, "An air leak, or a jet set lean: look for leaks before the jet is turned."
    )
