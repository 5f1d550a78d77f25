"""Exhaust gas: verdicts on dilution, misfire, lambda and the CO limit, and the zero of the meter read beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.gaussian import Gaussian
from needlecalc.measure.checks.check import Cause, Check, Verdict, graded, judged, missing
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.physics.analyser import (
    CO_ERROR_PERCENT,
    ERROR_SHARE,
    HC_ERROR_PPM,
    HydrocarbonScale,
    brettschneider_lambda,
    dilution,
    gas_lambda_uncertainty,
)
from needlecalc.physics.exhaust import dry_exhaust, lambda_of_co_percent
from needlecalc.priors import Doubts
from needlecalc.remark import Remark
from needlecalc.show import in_words

# CO below this tells neither lambda nor air: a lean mixture and a diluted one look alike.
TELLING_CO_PERCENT = 0.5
# What a sound engine may leave of oxygen; common practice, no source.
MOST_RESIDUAL_O2_PERCENT = 1.0
LEAN_AT_IDLE_BY = 0.08
METER_SCATTER = 0.005  # one reading of a wandering display
MOST_AIR_SHARE = 0.05  # of the sample: more than a sound engine leaves, so lambda of the gas is that of a leak
LEANEST_TOLD = 1.03


def gas_checks(gases: Sequence[GasReading], limits: CheckLimits) -> list[Check]:
    """Carbon sum, air, lambda, hydrocarbons and CO limit of each reading; then whether idle alone is lean."""
    if not gases:
        return [missing(CheckKind.GAS)]
    checks = []
    for gas in gases:
        here = [_sum(gas, limits), _air(gas, limits), _contradiction(gas, limits), _hydrocarbons(gas, limits)]
        if gas.co_limit_percent is not None:
            here.append(_co_limit(gas, gas.co_limit_percent))
        if gas.hc_limit_ppm is not None:
            here.append(_hc_limit(gas))
        checks += [replace(check, at=gas.at) for check in here]
    return [*checks, _idle_only(gases, limits)]


def idle_diluted(gases: Sequence[GasReading], limits: CheckLimits) -> bool:
    """Whether the exhaust at idle holds so much air that lambda read there is not that of the mixture: a red check."""
    found = gas_checks([gas for gas in gases if gas.at == "idle"], limits)
    kinds = CheckKind.CARBON_SUM, CheckKind.AIR_IN_SAMPLE
    return any(one.verdict is Verdict.RED and (one.kind in kinds or Cause.DILUTED in one.causes) for one in found)


def _sum(gas: GasReading, limits: CheckLimits) -> Check:
    if gas.co_percent is None or gas.co2_percent is None:
        return missing(CheckKind.CARBON_SUM)
    return judged(CheckKind.CARBON_SUM, gas.co_percent + gas.co2_percent, limits)


def _air_share(gas: GasReading) -> float | None:
    """Share of air in a sample with enough CO to tell, else None."""
    if gas.co_percent is None or gas.co2_percent is None or gas.co_percent < TELLING_CO_PERCENT:
        return None
    return float(dilution(gas.co2_percent, gas.co_percent).air_share)


def _air(gas: GasReading, limits: CheckLimits) -> Check:
    share = _air_share(gas)
    if share is None:
        return missing(CheckKind.AIR_IN_SAMPLE, least_co=TELLING_CO_PERCENT)
    return judged(CheckKind.AIR_IN_SAMPLE, share, limits)


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
    kind, span, meter = CheckKind.GAS_LAMBDA, _gas_lambda(gas), gas.lambda_measured
    if meter is None or gas.co_percent is None or span is None:
        return missing(kind, least_co=TELLING_CO_PERCENT)
    low, high = span
    leaner, richer = meter - gas.lambda_u - high, low - meter - gas.lambda_u
    verdict = graded(max(leaner, richer), limits.of(kind))
    numbers = {"value": meter, "co": gas.co_percent, "low": low, "high": high}
    if verdict == Verdict.GREEN:
        return Check(kind, verdict, numbers)
    share, hydrocarbons = _air_share(gas), gas.hexane_ppm()
    if leaner <= richer:
        cause = Cause.METER_RICH
    elif hydrocarbons is not None and graded(hydrocarbons, limits.misfire_hc_ppm) != Verdict.GREEN:
        cause = Cause.MISFIRE
        numbers["hc"] = hydrocarbons
    elif share is not None and graded(share, limits.air_in_sample) != Verdict.GREEN:
        cause = Cause.DILUTED
    else:
        cause = Cause.MISFIRE_OR_LEAK
    return Check(kind, verdict, numbers, causes=(cause,))


def _hydrocarbons(gas: GasReading, limits: CheckLimits) -> Check:
    counted = gas.hexane_ppm()
    if counted is None:
        return missing(CheckKind.HYDROCARBONS)
    check = judged(CheckKind.HYDROCARBONS, counted, limits)
    if check.verdict == Verdict.GREEN:
        return check
    rich = (gas.co_percent or 0.0) >= TELLING_CO_PERCENT
    return replace(check, causes=(Cause.RICH_MISFIRE if rich else Cause.LEAN_MISFIRE,))


def _co_limit(gas: GasReading, limit: float) -> Check:
    """CO held against the limit, from the analyser or else from the meter; what is asked, so never red."""
    kind = CheckKind.CO_LIMIT
    if gas.co_percent is not None:
        best, doubt = gas.co_percent, max(CO_ERROR_PERCENT, ERROR_SHARE * gas.co_percent)
        low, high = max(best - doubt, 0.0), best + doubt
    elif gas.lambda_measured is not None:
        at = [gas.lambda_measured + way * gas.lambda_u for way in (0.0, 1.0, -1.0)]
        best, low, high = (float(dry_exhaust(ratio).co_percent) for ratio in at)
    else:
        return missing(kind)
    return _against(kind, best, low, high, limit, Cause.OVER_LIMIT)


def _hc_limit(gas: GasReading) -> Check:
    """Hydrocarbons held against the limit, both as hexane."""
    found, limit = gas.hexane_ppm(), gas.hexane_limit_ppm()
    if found is None or limit is None:
        return missing(CheckKind.HC_LIMIT)
    doubt = max(HC_ERROR_PPM, ERROR_SHARE * found)
    return _against(CheckKind.HC_LIMIT, found, max(found - doubt, 0.0), found + doubt, limit, Cause.HC_OVER_LIMIT)


def _against(kind: CheckKind, best: float, low: float, high: float, limit: float, over: Cause) -> Check:
    """A reading and its interval held against a limit."""
    numbers = {"value": best, "low": low, "high": high, "most": limit}
    if high <= limit:
        return Check(kind, Verdict.GREEN, numbers)
    return Check(kind, Verdict.AMBER, numbers, causes=(over if low > limit else Cause.NOT_PROVEN,))


def _idle_only(gases: Sequence[GasReading], limits: CheckLimits) -> Check:
    idle = [(gas.lambda_measured, gas) for gas in gases if gas.at == "idle" and gas.lambda_measured is not None]
    other = [(gas.lambda_measured, gas) for gas in gases if gas.at != "idle" and gas.lambda_measured is not None]
    kind = CheckKind.LEAN_AT_IDLE
    if not idle or not other:
        return missing(kind)
    (first, at_idle), (second, elsewhere) = idle[0], other[0]
    numbers: dict[str, float | str] = {"value": first, "other": second, "other_at": elsewhere.at}
    if first - second < LEAN_AT_IDLE_BY:
        return Check(kind, Verdict.GREEN, numbers)
    if _sum(at_idle, limits).verdict == Verdict.RED != _sum(elsewhere, limits).verdict:
        return Check(kind, Verdict.RED, numbers, causes=(Cause.THIN_AT_IDLE,))
    return Check(kind, Verdict.AMBER, numbers, causes=(Cause.LEAN_JET_OR_LEAK,))


class GasLeftOut(StrEnum):
    """Why a gas reading says nothing of the meter's zero."""

    LACKS = "lacks a gas"
    NO_CARBON = "holds no carbon"
    DILUTED = "too little CO + CO2"
    AIR = "air beside its CO"
    LEAN = "lean with little CO"


@dataclass(frozen=True)
class SensorZero:
    """How far the lambda meter reads too lean, and its uncertainty.

    Parameters
    ----------
    mean : float
        Meter less true lambda; negative where it reads too rich. [-]
    u : float
        Its standard uncertainty. [-]
    readings : int
        Gas readings that had a say.
    left_out : tuple of Remark
        Gas readings that had none: why, and where each was taken (``at``).

    Examples
    --------
    >>> SensorZero(mean=0.012, u=0.006, readings=2)
    SensorZero(mean=0.012, u=0.006, readings=2, left_out=())
    """

    mean: float = 0.0
    u: float = Doubts.sensor_offset
    readings: int = 0
    left_out: tuple[Remark, ...] = ()

    def words(self) -> tuple[str, ...]:
        """What it means for a sheet; nothing where no gas was read."""
        words: tuple[str, ...] = in_words(self)
        return words


def sensor_zero(gases: Sequence[GasReading], *, before_u: float = Doubts.sensor_offset) -> SensorZero:
    r"""Zero of the lambda meter by gas readings made beside it.

    Parameters
    ----------
    gases : sequence of GasReading
        Readings of CO, CO2, O2 and HC with the meter's lambda at the same moment; others are left out.
    before_u : float
        Standard uncertainty of the zero before any gas was read; of a zero known for sure (0) no gas can say more. [-]

    Returns
    -------
    SensorZero
        Best value and its uncertainty; zero and ``before_u`` where no reading tells.

    Raises
    ------
    InputError
        If ``before_u`` is no uncertainty of a lambda.

    Notes
    -----
    Each reading says meter less Brettschneider's lambda, with the uncertainty of the analyser and of a wandering
    display; readings and the prior weigh by the inverse of their variances.  The analyser's own errors
    are the same in all its readings, so they count once.  Oxygen beside CO may be what uneven cylinders leave
    or air that leaked in past the sensor: lambda with and without it lie as far apart as that goes, evenly
    spread.  A sample with much air in it says nothing.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).

    Examples
    --------
    >>> gas = GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.98)
    >>> zero = sensor_zero([gas])
    >>> print(f"{zero.mean:+.4f} +- {zero.u:.4f}")
    +0.0039 +- 0.0064
    """
    check_range(before_u, "before_u", 0.0, 0.1, cure="It is a lambda, some 0.01.")
    zeros, zero_u, left_out = [], [], []
    for gas in gases:
        if gas.lambda_measured is None:
            continue
        by_gas = _lambda_of(gas)
        if isinstance(by_gas, Remark):
            left_out.append(by_gas)
            continue
        zeros.append(gas.lambda_measured - by_gas[0])
        zero_u.append(by_gas[1])
    if not zeros or before_u == 0.0:
        return SensorZero(0.0, before_u, 0, tuple(left_out))
    mean_u = np.hypot([np.mean(zero_u)], METER_SCATTER / np.sqrt(len(zeros)))
    zero = Gaussian(np.zeros(1), np.full((1, 1), before_u)).after(np.ones((1, 1)), mean_u, np.array([np.mean(zeros)]))
    return SensorZero(float(zero.mean[0]), float(zero.u()[0]), len(zeros), tuple(left_out))


def _lambda_of(gas: GasReading) -> tuple[float, float] | Remark:
    """Lambda of a gas and its uncertainty, or why it cannot say what the meter should read."""
    co, co2, o2, hc = gas.co_percent, gas.co2_percent, gas.o2_percent, gas.hc_ppm

    def no(kind: GasLeftOut, **numbers: float | str) -> Remark:
        return Remark(kind, numbers={"at": gas.at, **numbers})

    if co is None or co2 is None or o2 is None or hc is None:
        names = {"CO": co, "CO2": co2, "O2": o2, "HC": hc}
        return no(GasLeftOut.LACKS, gases=", ".join(name for name, value in names.items() if value is None))
    if co + co2 <= 0.0:
        return no(GasLeftOut.NO_CARBON)
    found = dilution(co2, co)
    if found.diluted:
        return no(GasLeftOut.DILUTED, sum_percent=float(found.sum_percent))
    if co >= TELLING_CO_PERCENT and found.air_share > MOST_AIR_SHARE:
        return no(GasLeftOut.AIR, air_percent=100.0 * float(found.air_share))
    if co < TELLING_CO_PERCENT and gas.lambda_measured is not None and gas.lambda_measured > LEANEST_TOLD:
        return no(GasLeftOut.LEAN)
    scale: HydrocarbonScale = "propane" if gas.hc_as == "propane" else "hexane"
    by_gas = float(brettschneider_lambda(co2, co, o2, hc_ppm=hc, hc_as=scale))
    kept = max(o2 - max(float(found.o2_of_air_percent), 0.0), 0.0)
    leaked = by_gas - float(brettschneider_lambda(co2, co, kept, hc_ppm=hc, hc_as=scale))
    doubt = gas_lambda_uncertainty(co2, co, o2, hc_ppm=hc, hc_as=scale)
    return by_gas, float(np.hypot(doubt, leaked / np.sqrt(3.0)))
