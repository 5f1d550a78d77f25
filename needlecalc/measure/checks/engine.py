"""Checks before a cut: faults of ignition, leaks, sensor and needle come before mixture; the door to all of them."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from needlecalc.measure.checks.check import Cause, Check, Checks, Found, Verdict, graded, judged, missing, worse
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
    return Checks(
        (
            *_mechanical_checks(state, held),
            *_ignition_checks(ignition or Ignition(), held),
            *_sensor_checks(sensor or Sensor(), held),
            *gas_checks(gases or (), held),
            *_twin_checks(twins, bands, held),
            *_needle_checks(needle, held),
            *drive_checks(bands, setup if engine_stated else None, state.coolant_degc, held, before),
            *plausible_checks(bands, setup, gases or (), held, before, engine_stated=engine_stated),
        ),
        held,
    )


def _mechanical_checks(found: Mechanical, limits: CheckLimits) -> list[Check]:
    """Compression, what must be right, and symptoms."""
    spread = None if found.compression_kpa is None else _below_best(found.compression_kpa)
    checks = [judged(CheckKind.COMPRESSION, spread, limits)]
    for kind, answer, sound, otherwise in (
        (CheckKind.VALVE_GAPS, found.valve_gaps_right, True, Verdict.RED),
        (CheckKind.FILTER, found.filter_fitted, True, Verdict.RED),
        (CheckKind.CHOKE, found.choke_off, True, Verdict.RED),
        (CheckKind.SLOW_RETURN, found.slow_return, False, Verdict.AMBER),
        (CheckKind.FLAT_SPOT, found.flat_spot_on_snap, False, Verdict.AMBER),
        (CheckKind.RICH_WHEN_HOT, found.rich_when_hot, False, Verdict.AMBER),
    ):
        checks.append(missing(kind) if answer is None else Check(kind, Verdict.GREEN if answer is sound else otherwise))
    return checks


def _ignition_checks(found: Ignition, limits: CheckLimits) -> list[Check]:
    """Leads, secondary, gaps, coil, advance, vacuum, marks."""
    return [
        _leads(found, limits),
        _secondary(found, limits),
        *_gaps(found, limits),
        _rise(found, limits),
        _total(found, limits),
        _idle_advance(found, limits),
        _vacuum(found),
        judged(CheckKind.MARKS, found.marks_wander_deg, limits),
    ]


def _leads(found: Ignition, limits: CheckLimits) -> Check:
    if found.lead_kohm is None:
        return missing(CheckKind.LEADS)
    leads = np.array(found.lead_kohm)
    worst, middle = float(leads.max()), float(np.median(leads))
    check = judged(CheckKind.LEADS, worst, limits, lead=int(leads.argmax()) + 1, middle=middle)
    if middle > 0.0 and worst > limits.lead_kohm[0] / 4.0:  # a ratio of ohms near zero says nothing
        check = replace(check, verdict=worse(check.verdict, graded(worst / middle, limits.lead_ratio)))
    return check


def _secondary(found: Ignition, limits: CheckLimits) -> Check:
    if found.lead_kohm is None or found.plug_kohm is None:
        return missing(CheckKind.SECONDARY)
    leads, plugs = np.array(found.lead_kohm), np.array(found.plug_kohm)
    if plugs.size not in (1, leads.size):
        plugs = np.full(1, plugs.max())
    worst = float((leads + plugs).max() + (found.rotor_kohm or 0.0))
    causes = (Cause.NO_ROTOR,) if found.rotor_kohm is None else ()
    return judged(CheckKind.SECONDARY, worst, limits, *causes)


def _gaps(found: Ignition, limits: CheckLimits) -> list[Check]:
    """Gap of each plug, and whether the coil can serve it."""
    if found.gap_mm is None:
        return [missing(CheckKind.GAPS), missing(CheckKind.COIL)]
    gaps = np.array(found.gap_mm)
    middle = float(np.median(gaps))
    aim = middle if found.gap_specified_mm is None else found.gap_specified_mm
    off = np.abs(gaps - aim)
    at = int(off.argmax())
    coil = judged(CheckKind.COIL, middle, limits, coil=found.coil or "standard")
    if found.coil == "high-energy":
        coil = replace(coil, verdict=Verdict.GREEN)
    return [judged(CheckKind.GAPS, float(off[at]), limits, plug=at + 1, value=float(gaps[at]), aim=aim), coil]


def _rise(found: Ignition, limits: CheckLimits) -> Check:
    if found.initial_deg is None or found.total_deg is None:
        return missing(CheckKind.RISE)
    rise = found.total_deg - found.initial_deg
    low, high = graded(rise, limits.least_rise_deg), graded(rise, limits.greatest_rise_deg)
    numbers = {"value": rise, "initial": found.initial_deg, "total": found.total_deg}
    numbers |= {"least": limits.least_rise_deg[0], "most": limits.greatest_rise_deg[0]}
    causes = (Cause.FLAT_CURVE,) if low != Verdict.GREEN else (Cause.STEEP_CURVE,) if high != Verdict.GREEN else ()
    return Check(CheckKind.RISE, worse(low, high), numbers, causes=causes)


def _total(found: Ignition, limits: CheckLimits) -> Check:
    if found.total_deg is None or found.total_rpm is None:
        return missing(CheckKind.TOTAL_ADVANCE)
    numbers: dict[str, Found] = {"rpm": found.total_rpm, "most_rpm": limits.total_rpm[0]}
    causes: tuple[Cause, ...] = ()
    if found.altitude_m is not None and found.altitude_m >= HIGH_ALTITUDE_M:
        numbers["altitude"], causes = found.altitude_m, (Cause.HIGH_UP,)
    check = judged(CheckKind.TOTAL_ADVANCE, found.total_deg, limits, *causes, **numbers)
    return replace(check, verdict=worse(check.verdict, graded(found.total_rpm, limits.total_rpm)))


def _idle_advance(found: Ignition, limits: CheckLimits) -> Check:
    if found.idle_deg is None:
        return missing(CheckKind.IDLE_ADVANCE)
    least, most = limits.least_idle_deg[0], limits.most_idle_deg[0]
    # The clean-idle window itself is right, both ends included.
    verdict = worse(graded(found.idle_deg, limits.least_idle_deg), graded(found.idle_deg, limits.most_idle_deg))
    if least <= found.idle_deg <= most:
        verdict = Verdict.GREEN
    numbers = {"value": found.idle_deg, "least": least, "most": most}
    if found.initial_deg is not None and found.idle_deg - found.initial_deg >= VACUUM_AT_IDLE_DEG:
        numbers["over_initial"] = found.idle_deg - found.initial_deg
        verdict = worse(verdict, Verdict.AMBER)
        return Check(CheckKind.IDLE_ADVANCE, verdict, numbers, causes=(Cause.VACUUM_ACTS_AT_IDLE,))
    return Check(CheckKind.IDLE_ADVANCE, verdict, numbers)


def _vacuum(found: Ignition) -> Check:
    source, wanted = found.vacuum_source, found.vacuum_specified
    if source is None:
        return missing(CheckKind.VACUUM)
    if wanted is not None and source != wanted:
        numbers = {"source": source, "wanted": wanted}
        return Check(CheckKind.VACUUM, Verdict.RED, numbers, causes=(Cause.WRONG_TAPPING,))
    unsure = wanted is None and source == "manifold"
    return Check(CheckKind.VACUUM, Verdict.AMBER if unsure else Verdict.GREEN, {"source": source})


def _sensor_checks(sensor: Sensor, limits: CheckLimits) -> list[Check]:
    """The lambda sensor in free air, and its place."""
    free, place = missing(CheckKind.FREE_AIR), missing(CheckKind.PLACE)
    if sensor.free_air_o2_percent is not None:
        shown = sensor.free_air_o2_percent
        free = judged(free.kind, abs(shown - FREE_AIR_O2_PERCENT), limits, value=shown, free_air=FREE_AIR_O2_PERCENT)
    if sensor.place is not None:
        verdict = Verdict.AMBER if sensor.place == "tailpipe" else Verdict.GREEN
        place = Check(CheckKind.PLACE, verdict, {"place": sensor.place})
    return [free, place]


def _twin_checks(twins: Twins | None, bands: Bands | None, limits: CheckLimits) -> list[Check]:
    """Balance of two or more carburettors, the odd one named; nothing for a single carburettor."""
    pairs = bands.across() if bands is not None else ()
    if twins is None and not pairs:
        return []
    twins = twins or Twins()
    checks = [missing(CheckKind.TWIN_AIR), missing(CheckKind.TWIN_LAMBDA), missing(CheckKind.TWIN_FLATS)]
    if twins.air is not None:
        least = int(np.argmin(twins.air)) + 1
        checks[0] = judged(CheckKind.TWIN_AIR, _below_best(twins.air), limits, carburettor=least)
    # The leaner bank, and the nut that had to be turned down further: air comes in on that side.
    for place, values in ((1, twins.lambda_each), (2, twins.flats)):
        if values is not None:
            apart = round(max(values) - min(values), 6)
            checks[place] = judged(checks[place].kind, apart, limits, carburettor=int(np.argmax(values)) + 1)
    if twins.lambda_each is None and bands is not None and pairs:
        ratio = bands.lambda_measured
        worst = max(pairs, key=lambda pair: abs(ratio[pair[0]] - ratio[pair[1]]))
        leanest = max(worst, key=lambda band: ratio[band])
        apart = round(float(abs(ratio[worst[0]] - ratio[worst[1]])), 6)
        checks[1] = judged(CheckKind.TWIN_LAMBDA, apart, limits, carburettor=bands.bank[leanest])
    return checks


def _needle_checks(reading: NeedleReading | None, limits: CheckLimits) -> list[Check]:
    """Wear of the needle fitted against its table, and ovality."""
    wear, oval = missing(CheckKind.WEAR), missing(CheckKind.OVAL)
    if reading is None:
        return [wear, oval]
    second = reading.second_mm
    mean = reading.diameters_mm if second is None else (reading.diameters_mm + second) / 2.0
    off = 1e3 * (mean - reading.needle.diameters_mm)
    at = int(np.nanargmax(np.abs(off)))
    wear = judged(CheckKind.WEAR, float(abs(off[at])), limits, station=at + 1, value=float(off[at]))
    if second is not None and np.isfinite(reading.diameters_mm - second).any():
        apart = 1e3 * np.abs(reading.diameters_mm - second)
        at = int(np.nanargmax(apart))
        oval = judged(CheckKind.OVAL, float(apart[at]), limits, station=at + 1)
    return [wear, oval]


def _below_best(values: Sequence[float]) -> float:
    """Least value below the greatest, as a share."""
    return 1.0 - min(values) / max(values)
