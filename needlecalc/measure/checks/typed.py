"""Verdicts on what the tuner wrote down: ignition, engine, sensor, twins, needle."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecalc.measure.checks.gate import AMBER, GREEN, RED, Check, graded, missing, right, worse
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.noted import Ignition, Mechanical, NeedleReading, Sensor, Twins

HIGH_ALTITUDE_M = 1500.0
VACUUM_AT_IDLE_DEG = 5.0
FREE_AIR_O2_PERCENT = 20.9


def ignition_checks(ignition: Ignition | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the ignition.

    Parameters
    ----------
    ignition : Ignition or None
        The readings.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Leads, secondary, gaps, coil, advance, vacuum, marks.
    """
    found = ignition or Ignition()
    return [
        _leads(found, limits),
        _secondary(found, limits),
        _gaps(found, limits),
        _coil(found, limits),
        _rise(found, limits),
        _total(found, limits),
        _idle_advance(found, limits),
        _vacuum(found),
        _marks(found, limits),
    ]


def _leads(found: Ignition, limits: CheckLimits) -> Check:
    if found.lead_kohm is None:
        return missing("plug leads", "measure each lead end to end with an ohmmeter")
    leads = np.array(found.lead_kohm)
    worst, middle = float(leads.max()), float(np.median(leads))
    verdict = graded(worst, limits.lead_kohm)
    if middle > 0.0 and worst > limits.lead_kohm[0] / 4.0:  # a ratio of near-nought ohms says nothing
        verdict = worse(verdict, graded(worst / middle, limits.lead_ratio))
    at = int(leads.argmax()) + 1
    todo = "" if verdict == GREEN else f"Replace lead {at}; the set's middle is {middle:g} kohm, and one weak lead misfires."
    return Check("plug leads", f"lead {at} has {worst:g} kohm", right(limits.lead_kohm, "kohm"), verdict, todo)


def _secondary(found: Ignition, limits: CheckLimits) -> Check:
    if found.lead_kohm is None or found.plug_kohm is None:
        return missing("secondary in all", "measure leads and plugs; resistive leads and resistive plugs add up")
    leads, plugs = np.array(found.lead_kohm), np.array(found.plug_kohm)
    if plugs.size not in (1, leads.size):
        plugs = np.full(1, plugs.max())
    worst = float((leads + plugs).max() + (found.rotor_kohm or 0.0))
    verdict = graded(worst, limits.secondary_kohm)
    rotor = "" if found.rotor_kohm is not None else ", rotor not measured"
    todo = "" if verdict == GREEN else "Resistive leads with resistive plugs add up: fit one or the other."
    return Check("secondary in all", f"{worst:g} kohm{rotor}", right(limits.secondary_kohm, "kohm"), verdict, todo)


def _gaps(found: Ignition, limits: CheckLimits) -> Check:
    if found.gap_mm is None:
        return missing("plug gaps", "measure every gap with a wire gauge")
    gaps = np.array(found.gap_mm)
    aim = float(np.median(gaps)) if found.gap_specified_mm is None else found.gap_specified_mm
    off = np.abs(gaps - aim)
    at = int(off.argmax())
    verdict = graded(round(float(off[at]), 6), limits.gap_spread_mm)
    said = "the others" if found.gap_specified_mm is None else "the one specified"
    todo = "" if verdict == GREEN else f"Set plug {at + 1} like {said}, {aim:.2f} mm, and look why it differs."
    within = f"within {limits.gap_spread_mm[0]:.2f} of {aim:.2f} mm"
    return Check("plug gaps", f"plug {at + 1} has {gaps[at]:.2f} mm", within, verdict, todo)


def _coil(found: Ignition, limits: CheckLimits) -> Check:
    if found.gap_mm is None:
        return missing("gap and coil", "measure the gaps and say which coil is fitted")
    gap = float(np.median(found.gap_mm))
    value = f"{gap:.2f} mm, coil {found.coil or 'not stated'}"
    verdict = GREEN if found.coil == "high-energy" else graded(gap, limits.standard_coil_gap_mm)
    todo = "" if verdict == GREEN else "Gaps of 0.035 in (0.89 mm) and more want a high-energy coil; close them or fit one."
    return Check("gap and coil", value, right(limits.standard_coil_gap_mm, "mm on a standard coil"), verdict, todo)


def _rise(found: Ignition, limits: CheckLimits) -> Check:
    if found.initial_deg is None or found.total_deg is None:
        return missing("mechanical advance", "strobe initial and total advance, vacuum hose off")
    rise = found.total_deg - found.initial_deg
    low, high = graded(rise, limits.least_rise_deg), graded(rise, limits.greatest_rise_deg)
    value = f"{rise:g} deg, from {found.initial_deg:g} to {found.total_deg:g}"
    todo = ""
    if low != GREEN:
        todo = "The curve is flat: free the weights, check their springs and stop before any mixture is judged."
    elif high != GREEN:
        todo = "The curve rises too much: check the weights' stop and springs."
    span = f"{limits.least_rise_deg[0]:g} to {limits.greatest_rise_deg[0]:g} deg"
    return Check("mechanical advance", value, span, worse(low, high), todo)


def _total(found: Ignition, limits: CheckLimits) -> Check:
    if found.total_deg is None or found.total_rpm is None:
        return missing("total advance", "strobe the total advance, vacuum hose off, and note the rpm where it stops rising")
    verdict = worse(graded(found.total_deg, limits.total_deg), graded(found.total_rpm, limits.total_rpm))
    words = [] if verdict == GREEN else ["Set total advance right first: it moves power, heat and idle CO."]
    if found.altitude_m is not None and found.altitude_m >= HIGH_ALTITUDE_M:
        words.append(
            f"Advice at {found.altitude_m:g} m: a few degrees more total advance is usual up there (common practice); put "
            "it back before coming down, or it will pink."
        )
    limit = f"{right(limits.total_deg, 'deg')}, {right(limits.total_rpm, 'rpm')}"
    return Check("total advance", f"{found.total_deg:g} deg at {found.total_rpm:g} rpm", limit, verdict, " ".join(words))


def _idle_advance(found: Ignition, limits: CheckLimits) -> Check:
    if found.idle_deg is None:
        return missing("advance at idle", "strobe the advance at idle as it runs, vacuum hose on")
    low, high = graded(found.idle_deg, limits.least_idle_deg), graded(found.idle_deg, limits.most_idle_deg)
    # The clean-idle window itself is right, both ends included.
    inside = limits.least_idle_deg[0] <= found.idle_deg <= limits.most_idle_deg[0]
    verdict = GREEN if inside else worse(low, high)
    words = [] if inside else ["Set it before judging idle CO: both too much and too little move it."]
    if found.initial_deg is not None and found.idle_deg - found.initial_deg >= VACUUM_AT_IDLE_DEG:
        words.append(f"It is {found.idle_deg - found.initial_deg:g} deg over initial: vacuum or weights act at idle.")
        verdict = worse(verdict, AMBER)
    span = f"{limits.least_idle_deg[0]:g} to {limits.most_idle_deg[0]:g} deg"
    return Check("advance at idle", f"{found.idle_deg:g} deg", span, verdict, " ".join(words))


def _vacuum(found: Ignition) -> Check:
    source, wanted = found.vacuum_source, found.vacuum_specified
    if source is None:
        return missing("vacuum source", "see whether the vacuum hose goes to the ported or the manifold tapping")
    full = "manifold vacuum means full vacuum advance at idle"
    if wanted is not None and source != wanted:
        why = f"; {full}" if source == "manifold" else ""
        return Check("vacuum source", source, wanted, RED, f"Move the hose to the {wanted} tapping{why}.")
    if wanted is None and source == "manifold":
        return Check("vacuum source", source, "as specified", AMBER, f"Look up what is specified: {full}.")
    return Check("vacuum source", source, wanted or "as specified", GREEN)


def _marks(found: Ignition, limits: CheckLimits) -> Check:
    if found.marks_wander_deg is None:
        return missing("timing marks", "watch the marks by strobe at steady speed and note how far they wander")
    verdict = graded(found.marks_wander_deg, limits.marks_wander_deg)
    todo = "" if verdict == GREEN else "Marks that wander point to the rotor, the shaft's bearings or the drive: mend first."
    return Check(
        "timing marks", f"wander {found.marks_wander_deg:g} deg", right(limits.marks_wander_deg, "deg"), verdict, todo
    )


def sensor_checks(sensor: Sensor | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the lambda sensor.

    Parameters
    ----------
    sensor : Sensor or None
        What is known of it.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Free air and place.
    """
    found = sensor or Sensor()
    checks = []
    if found.free_air_o2_percent is None:
        checks.append(missing("sensor in free air", "read O2 with the sensor in free air"))
    else:
        off = round(abs(found.free_air_o2_percent - FREE_AIR_O2_PERCENT), 6)
        verdict = graded(off, limits.free_air_o2_percent)
        todo = "" if verdict == GREEN else "Calibrate the controller in free air, or renew the sensor; then measure again."
        span = f"{FREE_AIR_O2_PERCENT:g} +- {limits.free_air_o2_percent[0]:g} %"
        checks.append(Check("sensor in free air", f"{found.free_air_o2_percent:g} %", span, verdict, todo))
    if found.place is None:
        checks.append(missing("sensor place", "note where the sensor sits"))
    else:
        bad = found.place == "tailpipe"
        todo = "Air comes back into a tailpipe at idle and reads lean: trust no idle value, move the sensor upstream."
        checks.append(
            Check("sensor place", found.place, "manifold or downpipe", AMBER if bad else GREEN, todo if bad else "")
        )
    return checks


def mechanical_checks(mechanical: Mechanical | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the engine's state and on symptoms.

    Parameters
    ----------
    mechanical : Mechanical or None
        What was found.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Compression, valve gaps, filter, choke, and three symptoms.
    """
    found = mechanical or Mechanical()
    checks = []
    if found.compression_kpa is None:
        checks.append(missing("compression", "measure every cylinder, throttle open, engine warm"))
    else:
        spread = _spread_below_best(found.compression_kpa)
        verdict = graded(spread, limits.compression_spread)
        todo = "" if verdict == GREEN else "Find out why before any mixture is judged: valves, rings or gasket."
        limit = right(limits.compression_spread, form=".0%")
        checks.append(Check("compression", f"worst {spread:.0%} under best", limit, verdict, todo))
    for name, state, right_word, wrong_word, todo in (
        ("valve gaps", found.valve_gaps_right, "right", "not right", "Set them; tight valves leak at idle."),
        (
            "air filter",
            found.filter_fitted,
            "fitted",
            "off",
            "Fit it and measure again: without it every reading is another.",
        ),
        ("choke", found.choke_off, "off", "not off", "Free it: a choke that drags is rich everywhere."),
    ):
        if state is None:
            checks.append(missing(name, f"see that it is {right_word}"))
        else:
            verdict = GREEN if state else RED
            checks.append(Check(name, right_word if state else wrong_word, right_word, verdict, "" if state else todo))
    for name, state, todo in (
        (
            "slow return to idle",
            found.slow_return,
            "A spindle or flange leak is likely, or a sticking throttle: seal it; do not re-profile stations 1 and 2.",
        ),
        (
            "flat spot on snapping the throttle",
            found.flat_spot_on_snap,
            "Damper, its oil or the advance are likely; steady lambda says nothing of it. Do not enrich the middle.",
        ),
        (
            "rich only when hot",
            found.rich_when_hot,
            "Percolation, float level or a compensator are likely; do not fit a leaner jet.",
        ),
    ):
        if state is None:
            checks.append(missing(name, "note yes or no"))
        else:
            checks.append(Check(name, "yes" if state else "no", "no", AMBER if state else GREEN, todo if state else ""))
    return checks


def twin_checks(twins: Twins | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the balance of two or more carburettors.

    Parameters
    ----------
    twins : Twins or None
        Readings; None for a single carburettor.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Air, mixture and flats; nothing for a single carburettor.
    """
    if twins is None:
        return []
    checks = []
    if twins.air is None:
        checks.append(missing("twin air balance", "measure the air of each at idle"))
    else:
        spread = _spread_below_best(twins.air)
        verdict = graded(spread, limits.twin_air)
        todo = "" if verdict == GREEN else "Balance the air before the mixture; file nothing until both draw alike."
        limit = right(limits.twin_air, form=".0%")
        checks.append(Check("twin air balance", f"least {spread:.0%} under most", limit, verdict, todo))
    for name, values, limit_pair, todo in (
        ("twin mixture", twins.lambda_each, limits.twin_lambda, "One bank differs: balance first, do not file both."),
        (
            "twin flats",
            twins.flats,
            limits.twin_flats,
            "Uneven jet nuts for the same idle point to a spindle or flange leak on one side; seal it, file nothing.",
        ),
    ):
        if values is None:
            checks.append(missing(name, "measure each carburettor"))
            continue
        apart = round(max(values) - min(values), 6)
        verdict = graded(apart, limit_pair)
        checks.append(Check(name, f"{apart:g} apart", right(limit_pair), verdict, "" if verdict == GREEN else todo))
    return checks


def needle_checks(reading: NeedleReading | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on the needle fitted.

    Parameters
    ----------
    reading : NeedleReading or None
        The needle measured.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Wear against its table, and ovality.
    """
    if reading is None:
        return [
            missing("needle wear", "measure the needle fitted at its stations, at two angles"),
            missing("needle ovality", "measure the needle fitted at two angles"),
        ]
    second = reading.second_mm
    mean = reading.diameters_mm if second is None else (reading.diameters_mm + second) / 2.0
    off = 1e3 * (np.asarray(reading.needle.diameters_mm) - mean)
    at = int(np.nanargmax(np.abs(off)))
    verdict = graded(round(float(abs(off[at])), 6), limits.wear_um)
    word = "worn by" if off[at] > 0 else "thicker by"
    todo = (
        ""
        if verdict == GREEN
        else "Use the diameters measured as the needle's table, then solve; see that it is the right needle."
    )
    wear = Check("needle wear", f"station {at + 1} {word} {abs(off[at]):.1f} um", right(limits.wear_um, "um"), verdict, todo)
    if second is None or not np.isfinite(reading.diameters_mm - second).any():
        return [wear, missing("needle ovality", "measure the needle fitted at a second angle")]
    oval = 1e3 * np.abs(reading.diameters_mm - second)
    at = int(np.nanargmax(oval))
    verdict = graded(round(float(oval[at]), 6), limits.oval_um)
    todo = "" if verdict == GREEN else "Rubbed flat on one side: centre the jet and take another needle."
    return [wear, Check("needle ovality", f"station {at + 1} {oval[at]:.1f} um", right(limits.oval_um, "um"), verdict, todo)]


def _spread_below_best(values: Sequence[float]) -> float:
    return round(1.0 - min(values) / max(values), 6)
