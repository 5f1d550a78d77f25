"""Verdicts on patterns in bands and in their log."""

from __future__ import annotations

import numpy as np

from needlecalc.measure.checks.gate import AMBER, GREEN, RED, Check, graded, missing, right
from needlecalc.measure.checks.leaksign import leak_sign
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.noted import Mechanical
from needlecalc.measure.checks.signatures import (
    LEAST_HOLDS,
    coolest_degc,
    flagged_share,
    idle_wander,
    reach,
    richer_when_hot,
    starving,
    visits_scatter,
)
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.log.flags import CEILING, FROZEN, TOO_LEAN
from needlecalc.parts.setup import Setup

ONE_IN_A_HUNDRED, ONE_IN_TWENTY = 2.33, 1.645
CLEAR_OF_NOISE = 3.0
# No engine idles on half its air from a hole; beyond this the parts stated are in doubt.
WORST_MISFIT, GREATEST_EXCESS = 3.5, 1.0


def leak_check(bands: Bands | None, setup: Setup | None, limits: CheckLimits) -> Check:
    """Verdict on the sign of an air leak.

    Parameters
    ----------
    bands : Bands or None
        Bands with lifts and manifold pressure.
    setup : Setup or None
        The setup of the drive.
    limits : CheckLimits
        Limits.

    Returns
    -------
    Check
        Green only where a leak of the red size would have shown.
    """
    name = "air leak signature"
    if bands is None or setup is None:
        return missing(name, "give bands with lift and manifold pressure, and the setup")
    sign = leak_sign(bands, setup)
    if sign.why_not:
        return missing(name, sign.why_not)
    amber, red = limits.idle_excess
    high = sign.idle_excess + ONE_IN_TWENTY * sign.idle_excess_u
    value = (
        f"idle {sign.idle_excess:+.0%} +- {sign.idle_excess_u:.0%}, hole of {sign.area_mm2:.1f} +- {sign.area_u_mm2:.1f} mm2"
    )
    limit = right(limits.idle_excess, form=".0%")
    cure = (
        "Lambda is too lean by a share that falls with air flow: air behind the carburettor (spindles, flange, gaskets, "
        "servo hose) or an exhaust leak, which CO + CO2 tells. Seal it; do not re-profile the first stations."
    )
    if sign.misfit > WORST_MISFIT or sign.idle_excess > GREATEST_EXCESS:
        todo = (
            "Neither the needle as stated nor a leak explains how lambda goes over air flow and load: check needle table, "
            "jet height, spring, lifts and pressures before trusting a cut."
        )
        return Check(name, value, limit, AMBER, todo)
    # Red asks for both: beyond chance, and large enough to matter.
    if sign.significance() >= ONE_IN_A_HUNDRED and sign.idle_excess >= amber:
        return Check(name, value, limit, RED, cure)
    if sign.significance() >= ONE_IN_TWENTY and sign.idle_excess >= amber:
        return Check(name, value, limit, AMBER, cure)
    if high < red and sign.significance() < ONE_IN_TWENTY:
        return Check(name, value, limit, GREEN)
    return missing(
        name,
        f"a leak that leans the idle by up to {high:.0%} would not show in these bands; add holds near full throttle "
        "at 1250 to 1750 rpm beside light ones of equal air flow",
    )


def band_checks(bands: Bands | None, setup: Setup | None, mechanical: Mechanical | None, limits: CheckLimits) -> list[Check]:
    """Verdicts on what bands and log show by themselves.

    Parameters
    ----------
    bands : Bands or None
        Bands of the drive.
    setup : Setup or None
        Setup of the drive.
    mechanical : Mechanical or None
        For a coolant temperature noted by hand.
    limits : CheckLimits
        Limits.

    Returns
    -------
    list of Check
        Leak, idle wander, starvation, rich when hot, sensor, warm engine, repeatability, reach.
    """
    return [
        leak_check(bands, setup, limits),
        _wander(bands, limits),
        _starving(bands, limits),
        _hot(bands, limits),
        *_sensor_in_log(bands, limits),
        _warm(bands, mechanical, limits),
        _repeat(bands, limits),
        _reach(bands, setup, limits),
    ]


def _wander(bands: Bands | None, limits: CheckLimits) -> Check:
    name = "idle wander"
    found = None if bands is None else idle_wander(bands)
    if found is None or not found.parts:
        return missing(name, "log 30 samples or more at idle and in three other bands")
    verdict = graded(found.value, limits.idle_wander)
    todo = (
        ""
        if verdict == GREEN
        else "Lambda wanders at idle: a spindle or flange leak, or a misfire. Do not re-profile stations 1 and 2."
    )
    limit = right(limits.idle_wander, "times")
    return Check(name, f"{found.value:.1f} times the other bands' spread", limit, verdict, todo)


def _starving(bands: Bands | None, limits: CheckLimits) -> Check:
    name = "fuel starvation"
    found = None if bands is None else starving(bands)
    if found is None or not found.parts:
        return missing(name, "log a hold of 8 s or more at the greatest air flow")
    value = f"lambda rises {found.value:+.4f} +- {found.error:.4f} a second at the greatest flow"
    limit = right(limits.starving_per_s, "a second")
    verdict = graded(found.value, limits.starving_per_s)
    if verdict != GREEN and found.value >= CLEAR_OF_NOISE * found.error:
        todo = "Lean only at high flow and worse with time: pump, filter, float needle. A richer top of the needle is wrong."
        return Check(name, value, limit, verdict, todo)
    if found.value + ONE_IN_TWENTY * found.error < limits.starving_per_s[1]:
        return Check(name, value, limit, GREEN)
    return missing(name, f"{value}: too little to tell; log longer holds there")


def _hot(bands: Bands | None, limits: CheckLimits) -> Check:
    name = "idle from warm to hot"
    found = None if bands is None else richer_when_hot(bands)
    if found is None or not found.parts:
        return missing(name, "log coolant and idle several times from warm to hot")
    value = f"lambda {found.value:+.3f} +- {found.error:.3f}"
    limit = f"falls {right(limits.rich_when_hot)}"
    verdict = graded(-found.value, limits.rich_when_hot)
    if verdict == GREEN or -found.value < CLEAR_OF_NOISE * found.error:
        return Check(name, value, limit, GREEN)
    todo = "Rich only when hot: percolation, float level or a compensator. A leaner jet is wrong."
    return Check(name, value, limit, verdict, todo)


def _sensor_in_log(bands: Bands | None, limits: CheckLimits) -> list[Check]:
    if bands is None or bands.log is None:
        return [missing("sensor stuck", "log a drive"), missing("sensor at its ceiling", "log a drive")]
    checks = []
    for name, flags, limit, todo in (
        ("sensor stuck", (FROZEN,), limits.stuck_share, "Look at sensor, heater and wiring, and log again."),
        (
            "sensor at its ceiling",
            (CEILING, TOO_LEAN),
            limits.ceiling_share,
            "Overrun apart, the meter's range or a leak cuts it off: see where, and log again.",
        ),
    ):
        share = flagged_share(bands.log, flags)
        verdict = graded(share, limit)
        checks.append(
            Check(name, f"{share:.1%} of rows", right(limit, form=".1%"), verdict, "" if verdict == GREEN else todo)
        )
    return checks


def _warm(bands: Bands | None, mechanical: Mechanical | None, limits: CheckLimits) -> Check:
    logged = float("nan") if bands is None else coolest_degc(bands)
    noted = None if mechanical is None else mechanical.coolant_degc
    if np.isfinite(logged):
        heat, source = logged, "coolest of the holds"
    elif noted is not None:
        heat, source = noted, "noted"
    else:
        return missing("warm engine", "log or note the coolant's temperature")
    verdict = graded(heat, limits.coolant_degc)
    todo = "" if verdict == GREEN else "Drive it warm, 20 minutes, and measure again; cold idle is richer and rougher."
    return Check("warm engine", f"{heat:.0f} degC, {source}", right(limits.coolant_degc, "degC"), verdict, todo)


def _repeat(bands: Bands | None, limits: CheckLimits) -> Check:
    name = "repeatability between visits"
    found = None if bands is None else visits_scatter(bands)
    if found is None or found.parts < LEAST_HOLDS:
        return missing(name, "visit bands twice or more, 5 s each")
    verdict = graded(found.value, limits.visits_spread)
    todo = (
        ""
        if verdict == GREEN
        else "Visits to one band disagree: find what wanders (heat, float, sensor, leak) before any cut."
    )
    return Check(name, f"{found.value:.3f} over {found.parts} visits", right(limits.visits_spread), verdict, todo)


def _reach(bands: Bands | None, setup: Setup | None, limits: CheckLimits) -> Check:
    name = "reach of the drive"
    if bands is None or setup is None or not np.isfinite(bands.lift_mm).any():
        return missing(name, "give bands with lift, and the setup")
    number, place, share = reach(bands, setup)
    value = f"station {number:.2f}, {place:.1f} mm from the shoulder, {share:.0%} of the travel"
    limit = f"{right(limits.least_reach, form='.0%')} of the travel"
    if graded(share, limits.least_reach) == GREEN:
        return Check(name, value, limit, GREEN)
    todo = (
        f"No data above station {number:.2f}; load needed: a free-revved engine lifts the needle no further. No cut is "
        "proposed there."
    )
    return Check(name, value, limit, AMBER, todo)
