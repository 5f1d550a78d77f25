"""Checks before a cut: faults of ignition, leaks, sensor and needle come before mixture; the door to all of them."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from needlecalc.measure.checks.check import Cause, Check, Checks, Verdict, graded, in_full, judged, worse
from needlecalc.measure.checks.gas import gas_checks
from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.measure.checks.patterns import drive_checks
from needlecalc.measure.checks.plausible import plausible_checks
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts

HIGH_ALTITUDE_M = 1500.0
VACUUM_AT_IDLE_DEG = 5.0
FREE_AIR_O2_PERCENT = 20.9


def check_engine(
    bands: Bands | None = None,
    *,
    setup: Setup | None = None,
    engine_stated: bool = True,
    ignition: Ignition | None = None,
    mechanical: Mechanical | None = None,
    sensor: Sensor | None = None,
    gases: Sequence[GasReading] | None = None,
    twins: Twins | None = None,
    needle: NeedleReading | None = None,
    limits: CheckLimits | None = None,
    doubts: Doubts | None = None,
) -> Checks:
    """Every check before a cut; whatever was not measured says so and is never green.

    Parameters
    ----------
    bands : Bands or None
        Bands of the drive, with lifts.
    setup : Setup or None
        Engine and carburettor of the drive.
    engine_stated : bool
        Whether engine and air valve of the setup are known; if not, only needle, jet and lifts are held against lambda.
    ignition, mechanical, sensor, twins, needle : record or None
        What the tuner found.
    gases : sequence of GasReading or None
        Readings of an exhaust analyser.
    limits : CheckLimits or None
        Limits; the defaults when not given.
    doubts : Doubts or None
        How far off each thing nobody measured may be; the usual when not given.

    Returns
    -------
    Checks
        A row a check; its ``gate()`` lets a cut through or refuses it.

    Examples
    --------
    >>> found = check_engine(ignition=Ignition(lead_kohm=[9.8, 10.4, 11.1, 38.0], vacuum_source="ported"))
    >>> print(found.named("plug leads").verdict, "/", found.named("plug gaps").verdict)
    red / not measured
    """
    held, state, before = limits or CheckLimits(), mechanical or Mechanical(), doubts or Doubts()
    ignited = ignition or Ignition()
    found = [*_mechanical(state, held), *_electric(ignited, held), *_advance(ignited, held)]
    checks = in_full(CheckKind.COMPRESSION, CheckKind.MARKS, found)
    checks += in_full(CheckKind.FREE_AIR, CheckKind.PLACE, _sensor(sensor or Sensor(), held))
    checks += gas_checks(gases or (), held)
    if twins is not None or (bands is not None and bands.across()):
        checks += in_full(CheckKind.TWIN_AIR, CheckKind.TWIN_FLATS, _twins(twins or Twins(), bands, held))
    checks += in_full(CheckKind.WEAR, CheckKind.OVAL, () if needle is None else _needle(needle, held))
    checks += drive_checks(bands, setup if engine_stated else None, state.coolant_degc, held, before)
    checks += plausible_checks(bands, setup, gases or (), held, before, engine_stated=engine_stated)
    return Checks(tuple(checks), held)


def _mechanical(found: Mechanical, limits: CheckLimits) -> Iterator[Check]:
    """Compression, what must be right, and symptoms."""
    if found.compression_kpa is not None:
        yield judged(CheckKind.COMPRESSION, _below_best(found.compression_kpa), limits)
    for kind, answer, sound, otherwise in (
        (CheckKind.VALVE_GAPS, found.valve_gaps_right, True, Verdict.RED),
        (CheckKind.FILTER, found.filter_fitted, True, Verdict.RED),
        (CheckKind.CHOKE, found.choke_off, True, Verdict.RED),
        (CheckKind.SLOW_RETURN, found.slow_return, False, Verdict.AMBER),
        (CheckKind.FLAT_SPOT, found.flat_spot_on_snap, False, Verdict.AMBER),
        (CheckKind.RICH_WHEN_HOT, found.rich_when_hot, False, Verdict.AMBER),
    ):
        if answer is not None:
            yield Check(kind, Verdict.GREEN if answer is sound else otherwise)


def _electric(found: Ignition, limits: CheckLimits) -> Iterator[Check]:
    """Leads, all that stands in line with a plug, plug gaps, and whether the coil can serve them."""
    if found.lead_kohm is not None:
        leads = np.array(found.lead_kohm)
        worst, middle = float(leads.max()), float(np.median(leads))
        check = judged(CheckKind.LEADS, worst, limits, lead=int(leads.argmax()) + 1, middle=middle)
        telling = middle > 0.0 and worst > limits.lead_kohm[0] / 4.0  # a ratio of ohms near zero says nothing
        yield check.at_least(graded(worst / middle, limits.lead_ratio)) if telling else check
        if found.plug_kohm is not None:
            plugs = np.array(found.plug_kohm)
            plugs = plugs if plugs.size == leads.size else plugs.max()
            in_line = float((leads + plugs).max() + (found.rotor_kohm or 0.0))
            causes = (Cause.NO_ROTOR,) if found.rotor_kohm is None else ()
            yield judged(CheckKind.SECONDARY, in_line, limits, *causes)
    if found.gap_mm is not None:
        gaps = np.array(found.gap_mm)
        middle = float(np.median(gaps))
        aim = middle if found.gap_specified_mm is None else found.gap_specified_mm
        at = int(np.abs(gaps - aim).argmax())
        yield judged(CheckKind.GAPS, abs(float(gaps[at]) - aim), limits, plug=at + 1, value=float(gaps[at]), aim=aim)
        coil = judged(CheckKind.COIL, middle, limits, coil=found.coil or "standard")
        yield replace(coil, verdict=Verdict.GREEN) if found.coil == "high-energy" else coil


def _advance(found: Ignition, limits: CheckLimits) -> Iterator[Check]:
    """Rise by the weights, total, advance at idle, where the vacuum comes from, and how steady the marks stand."""
    if found.initial_deg is not None and found.total_deg is not None:
        rise = found.total_deg - found.initial_deg
        low, high = graded(rise, limits.least_rise_deg), graded(rise, limits.greatest_rise_deg)
        numbers = {"value": rise, "initial": found.initial_deg, "total": found.total_deg}
        numbers |= {"least": limits.least_rise_deg[0], "most": limits.greatest_rise_deg[0]}
        causes = (Cause.FLAT_CURVE,) if low != Verdict.GREEN else (Cause.STEEP_CURVE,) if high != Verdict.GREEN else ()
        yield Check(CheckKind.RISE, worse(low, high), numbers, causes=causes)
    if found.total_deg is not None and found.total_rpm is not None:
        numbers = {"rpm": found.total_rpm, "most_rpm": limits.total_rpm[0]}
        high_up = found.altitude_m is not None and found.altitude_m >= HIGH_ALTITUDE_M
        numbers |= {"altitude": found.altitude_m or 0.0} if high_up else {}
        check = judged(CheckKind.TOTAL_ADVANCE, found.total_deg, limits, *[Cause.HIGH_UP] * high_up, **numbers)
        yield check.at_least(graded(found.total_rpm, limits.total_rpm))
    if found.idle_deg is not None:
        least, most = limits.least_idle_deg[0], limits.most_idle_deg[0]
        verdict = worse(graded(found.idle_deg, limits.least_idle_deg), graded(found.idle_deg, limits.most_idle_deg))
        if least <= found.idle_deg <= most:
            verdict = Verdict.GREEN  # the window of the clean idle is right, both ends included
        check = Check(CheckKind.IDLE_ADVANCE, verdict, {"value": found.idle_deg, "least": least, "most": most})
        if found.initial_deg is not None and found.idle_deg - found.initial_deg >= VACUUM_AT_IDLE_DEG:
            acting = {**check.numbers, "over_initial": found.idle_deg - found.initial_deg}
            check = replace(check, numbers=acting, causes=(Cause.VACUUM_ACTS_AT_IDLE,)).at_least(Verdict.AMBER)
        yield check
    if (source := found.vacuum_source) is not None:
        wanted = found.vacuum_specified or source
        if source != wanted:
            tappings = {"source": source, "wanted": wanted}
            yield Check(CheckKind.VACUUM, Verdict.RED, tappings, causes=(Cause.WRONG_TAPPING,))
        else:
            unsure = found.vacuum_specified is None and source == "manifold"
            yield Check(CheckKind.VACUUM, Verdict.AMBER if unsure else Verdict.GREEN, {"source": source})
    if found.marks_wander_deg is not None:
        yield judged(CheckKind.MARKS, found.marks_wander_deg, limits)


def _sensor(sensor: Sensor, limits: CheckLimits) -> Iterator[Check]:
    """The lambda sensor in free air, and its place."""
    if (shown := sensor.free_air_o2_percent) is not None:
        off = abs(shown - FREE_AIR_O2_PERCENT)
        yield judged(CheckKind.FREE_AIR, off, limits, value=shown, free_air=FREE_AIR_O2_PERCENT)
    if sensor.place is not None:
        verdict = Verdict.AMBER if sensor.place == "tailpipe" else Verdict.GREEN
        yield Check(CheckKind.PLACE, verdict, {"place": sensor.place})


def _twins(twins: Twins, bands: Bands | None, limits: CheckLimits) -> Iterator[Check]:
    """Balance of two or more carburettors, the odd one named."""
    if twins.air is not None:
        yield judged(CheckKind.TWIN_AIR, _below_best(twins.air), limits, carburettor=int(np.argmin(twins.air)) + 1)
    # The leaner bank, and the nut that had to be turned down further: air comes in on that side.
    for kind, values in ((CheckKind.TWIN_LAMBDA, twins.lambda_each), (CheckKind.TWIN_FLATS, twins.flats)):
        if values is not None:
            yield judged(kind, round(max(values) - min(values), 6), limits, carburettor=int(np.argmax(values)) + 1)
    if twins.lambda_each is None and bands is not None and (pairs := bands.across()):
        ratio = bands.lambda_measured
        apart = np.abs([ratio[one] - ratio[other] for one, other in pairs])
        leanest = max(pairs[int(apart.argmax())], key=lambda band: ratio[band])
        yield judged(CheckKind.TWIN_LAMBDA, round(float(apart.max()), 6), limits, carburettor=bands.bank[leanest])


def _needle(reading: NeedleReading, limits: CheckLimits) -> Iterator[Check]:
    """Wear of the needle fitted against its table, and ovality."""
    first, second = reading.diameters_mm, reading.diameters_mm if reading.second_mm is None else reading.second_mm
    off, apart = 1e3 * ((first + second) / 2.0 - reading.needle.diameters_mm), 1e3 * np.abs(first - second)
    at = int(np.nanargmax(np.abs(off)))
    yield judged(CheckKind.WEAR, float(abs(off[at])), limits, station=at + 1, value=float(off[at]))
    if reading.second_mm is not None and np.isfinite(apart).any():
        at = int(np.nanargmax(apart))
        yield judged(CheckKind.OVAL, float(apart[at]), limits, station=at + 1)


def _below_best(values: Sequence[float]) -> float:
    """Least value below the greatest, as a share."""
    return 1.0 - min(values) / max(values)
