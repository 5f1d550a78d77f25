"""Exhaust gas: verdicts on dilution, misfire, lambda and the CO limit, and the zero of the meter read beside it."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.gaussian import Gaussian
from needlecalc.measure.checks.check import Cause, Check, Verdict, graded, in_full, judged
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.physics.exhaust import (
    CO_ERROR_PERCENT,
    ERROR_SHARE,
    HC_ERROR_PPM,
    HydrocarbonScale,
    brettschneider_lambda,
    dilution,
    dry_exhaust,
    gas_lambda_uncertainty,
    lambda_of_co_percent,
)
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
    """Carbon sum, air, lambda, hydrocarbons and limits of each reading; then whether idle alone is lean."""
    if not gases:
        return [Check(CheckKind.GAS)]
    checks = []
    for gas in gases:
        here = in_full(CheckKind.CARBON_SUM, CheckKind.HYDROCARBONS, _of_gas(gas, limits))
        checks += [replace(check, at=gas.at) for check in (*here, *_against_limits(gas))]
    return [*checks, _idle_only(gases, limits)]


def idle_diluted(gases: Sequence[GasReading], limits: CheckLimits) -> bool:
    """Whether the exhaust at idle holds so much air that lambda read there is not that of the mixture: a red check."""
    found = gas_checks([gas for gas in gases if gas.at == "idle"], limits)
    kinds = CheckKind.CARBON_SUM, CheckKind.AIR_IN_SAMPLE
    return any(one.verdict is Verdict.RED and (one.kind in kinds or Cause.DILUTED in one.causes) for one in found)


def _carbon_sum(gas: GasReading, limits: CheckLimits) -> Check:
    if gas.co_percent is None or gas.co2_percent is None:
        return Check(CheckKind.CARBON_SUM)
    return judged(CheckKind.CARBON_SUM, gas.co_percent + gas.co2_percent, limits)


def _of_gas(gas: GasReading, limits: CheckLimits) -> Iterator[Check]:
    """Carbon sum, air in the sample, the meter against the gas, and hydrocarbons."""
    co, co2, unburnt, meter = gas.co_percent, gas.co2_percent, gas.hexane_ppm(), gas.lambda_measured
    telling, misfire = co is not None and co >= TELLING_CO_PERCENT, False
    yield _carbon_sum(gas, limits)
    if unburnt is not None:
        check = judged(CheckKind.HYDROCARBONS, unburnt, limits)
        misfire = check.verdict != Verdict.GREEN
        causes = (Cause.RICH_MISFIRE if telling else Cause.LEAN_MISFIRE,) if misfire else ()
        yield replace(check, causes=causes)
    for kind in (CheckKind.AIR_IN_SAMPLE, CheckKind.GAS_LAMBDA):
        yield Check(kind, numbers={"least_co": TELLING_CO_PERCENT})
    if co is None or not telling:
        return
    undiluted, diluted = co, False
    if co2 is not None:
        found = dilution(co2, co)
        air = judged(CheckKind.AIR_IN_SAMPLE, float(found.air_share), limits)
        diluted = air.verdict != Verdict.GREEN
        undiluted = min(co * float(found.undiluted_sum_percent / found.sum_percent), 14.0) if co2 else co
        yield air
    if meter is None:
        return
    # Lambda that the CO belongs to, whatever air leaked in after the engine: with no oxygen left, and with the most.
    low, high = (float(lambda_of_co_percent(undiluted, o2_percent=left)) for left in (0.0, MOST_RESIDUAL_O2_PERCENT))
    leaner, richer = meter - gas.lambda_u - high, low - meter - gas.lambda_u
    numbers = {"value": meter, "co": co, "low": low, "high": high}
    check = Check(CheckKind.GAS_LAMBDA, graded(max(leaner, richer), limits.of(CheckKind.GAS_LAMBDA)), numbers)
    if check.verdict == Verdict.GREEN:
        yield check
    elif leaner <= richer:
        yield replace(check, causes=(Cause.METER_RICH,))
    elif misfire:
        yield replace(check, causes=(Cause.MISFIRE,), numbers={**numbers, "hc": unburnt or 0.0})
    else:
        yield replace(check, causes=(Cause.DILUTED if diluted else Cause.MISFIRE_OR_LEAK,))


def _against_limits(gas: GasReading) -> Iterator[Check]:
    """CO, by the analyser or else by the meter, and hydrocarbons held against the test's limits: asked, so never red."""
    if gas.co_limit_percent is not None:
        ends = None
        if gas.co_percent is not None:
            ends = _by_analyser(gas.co_percent, CO_ERROR_PERCENT)
        elif gas.lambda_measured is not None:
            at = [gas.lambda_measured + way * gas.lambda_u for way in (0.0, 1.0, -1.0)]
            ends = tuple(float(dry_exhaust(ratio).co_percent) for ratio in at)
        yield _held(CheckKind.CO_LIMIT, ends, gas.co_limit_percent, Cause.OVER_LIMIT)
    if (limit := gas.hexane_limit_ppm()) is not None:
        found = gas.hexane_ppm()
        ends = None if found is None else _by_analyser(found, HC_ERROR_PPM)
        yield _held(CheckKind.HC_LIMIT, ends, limit, Cause.HC_OVER_LIMIT)


def _by_analyser(read: float, least_error: float) -> tuple[float, ...]:
    """A reading with the ends of its interval by the analyser's error."""
    error = max(least_error, ERROR_SHARE * read)
    return read, max(read - error, 0.0), read + error


def _held(kind: CheckKind, ends: tuple[float, ...] | None, limit: float, over: Cause) -> Check:
    """A reading and its interval held against a limit."""
    if ends is None:
        return Check(kind)
    best, low, high = ends
    numbers = {"value": best, "low": low, "high": high, "most": limit}
    if high <= limit:
        return Check(kind, Verdict.GREEN, numbers)
    return Check(kind, Verdict.AMBER, numbers, causes=(over if low > limit else Cause.NOT_PROVEN,))


def _idle_only(gases: Sequence[GasReading], limits: CheckLimits) -> Check:
    """Lambda at idle against the first reading elsewhere; red where the carbon sum too is thin at idle alone."""
    read = [(gas.lambda_measured, gas) for gas in gases if gas.lambda_measured is not None]
    idle, other = ([one for one in read if (one[1].at == "idle") == at_idle] for at_idle in (True, False))
    if not idle or not other:
        return Check(CheckKind.LEAN_AT_IDLE)
    (first, at_idle), (second, elsewhere) = idle[0], other[0]
    check = Check(CheckKind.LEAN_AT_IDLE, Verdict.GREEN, {"value": first, "other": second, "other_at": elsewhere.at})
    if first - second < LEAN_AT_IDLE_BY:
        return check
    if _carbon_sum(at_idle, limits).verdict == Verdict.RED != _carbon_sum(elsewhere, limits).verdict:
        return replace(check, verdict=Verdict.RED, causes=(Cause.THIN_AT_IDLE,))
    return replace(check, verdict=Verdict.AMBER, causes=(Cause.LEAN_JET_OR_LEAK,))


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
    Each reading says meter less Brettschneider's lambda; readings and the prior weigh by the inverse of their variances.
    The analyser's own errors are the same in all its readings, so they count once.  Oxygen beside CO may be what uneven
    cylinders leave or air that leaked in past the sensor: lambda lies evenly spread between that with and without it.

    Examples
    --------
    >>> gas = GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.98)
    >>> zero = sensor_zero([gas])
    >>> print(f"{zero.mean:+.4f} +- {zero.u:.4f}")
    +0.0039 +- 0.0064
    """
    check_range(before_u, "before_u", 0.0, 0.1, cure="It is a lambda, some 0.01.")
    read = [(gas.lambda_measured, _lambda_of(gas)) for gas in gases if gas.lambda_measured is not None]
    left_out = tuple(found for _, found in read if isinstance(found, Remark))
    told = np.array([(meter - found[0], found[1]) for meter, found in read if not isinstance(found, Remark)])
    if not told.size or before_u == 0.0:
        return SensorZero(0.0, before_u, 0, left_out)
    zero, zero_u = told.mean(axis=0)
    u = np.hypot([zero_u], METER_SCATTER / np.sqrt(len(told)))
    found = Gaussian(np.zeros(1), np.full((1, 1), before_u)).after(np.ones((1, 1)), u, np.array([zero]))
    return SensorZero(float(found.mean[0]), float(found.u()[0]), len(told), left_out)


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
