"""Every sentence of the checks before a cut: of each kind what was found, what is right, and what to do or to measure."""

from __future__ import annotations

import sys

from needlecalc.measure.checks.check import Cause, Verdict
from needlecalc.measure.checks.limits import CheckKind
from needlecalc.report.language import Texts

NAMES = {kind: str(kind) for kind in CheckKind}
NAME_AT = "{kind} at {at}"
POINTS = {"idle": "idle", "2500 rpm": "2500 rpm"}
# What the user chose for plugs, coil, hose and sensor, as it is printed.
VALUES = {value: value for value in ("ported", "manifold", "none", "standard", "high-energy", "downpipe", "tailpipe")}
COUNT = {verdict: f"{{count}} {verdict}" for verdict in (Verdict.RED, Verdict.AMBER, Verdict.GREEN, Verdict.NOT_MEASURED)}
COUNTED = "Checks: {counts}."
RED_OVERRIDDEN = "Checks: RED OVERRIDDEN, reason given: {reason!r}. Red: {red}."
RED_FOUND, AMBER = "{name}, {found}", "Checks, amber: {name}: {found} (right: {right}). {todo}"
NO = ("no", "yes")
# Of a check that only says yes or no: its words where it is right, and where not.
ANSWERS = {
    CheckKind.VALVE_GAPS: ("right", "not right"),
    CheckKind.FILTER: ("fitted", "off"),
    CheckKind.CHOKE: ("off", "not off"),
    CheckKind.SLOW_RETURN: NO,
    CheckKind.FLAT_SPOT: NO,
    CheckKind.RICH_WHEN_HOT: NO,
}

WORDS = {
    CheckKind.COMPRESSION: (
        "worst {value:.0%} under best",
        "under {amber:.0%}",
        "Find out why before you judge any mixture: valves, rings or gasket.",
        "measure every cylinder, throttle open, engine warm",
    ),
    CheckKind.VALVE_GAPS: ("", "", "Set them; tight valves leak at idle.", "see that they are right"),
    CheckKind.FILTER: ("", "", "Fit it and measure again: without it every reading is another.", "see that it is fitted"),
    CheckKind.CHOKE: ("", "", "Free it: a choke that drags is rich everywhere.", "see that it is off"),
    CheckKind.SLOW_RETURN: (
        "",
        "",
        "A spindle or flange leak is likely, or a sticking throttle: seal it; do not re-profile stations 1 and 2.",
        "note yes or no",
    ),
    CheckKind.FLAT_SPOT: (
        "",
        "",
        "Damper, its oil or the advance are likely; steady lambda says nothing of it. Do not enrich the middle.",
        "note yes or no",
    ),
    CheckKind.RICH_WHEN_HOT: (
        "",
        "",
        "Percolation, float level or a compensator are likely; do not fit a leaner jet.",
        "note yes or no",
    ),
    CheckKind.LEADS: (
        "lead {lead} has {value:g} kohm",
        "under {amber:g} kohm",
        "Replace lead {lead}; the set's middle is {middle:g} kohm, and one weak lead misfires.",
        "measure each lead end to end with an ohmmeter",
    ),
    CheckKind.SECONDARY: (
        "{value:g} kohm",
        "under {amber:g} kohm",
        "Resistive leads with resistive plugs add up: fit one or the other.",
        "measure leads and plugs; resistive leads and resistive plugs add up",
    ),
    CheckKind.GAPS: (
        "plug {plug} has {value:.2f} mm",
        "within {amber:.2f} of {aim:.2f} mm",
        "Set plug {plug} to {aim:.2f} mm, and look why it differs.",
        "measure every gap with a wire gauge",
    ),
    CheckKind.COIL: (
        "{value:.2f} mm, {coil} coil",
        "under {amber:g} mm on a standard coil",
        "Gaps of 0.035 in (0.89 mm) and more want a high-energy coil; close them or fit one.",
        "measure the gaps and say which coil is fitted",
    ),
    CheckKind.RISE: (
        "{value:g} deg, from {initial:g} to {total:g}",
        "{least:g} to {most:g} deg",
        "",
        "strobe initial and total advance, vacuum hose off",
    ),
    CheckKind.TOTAL_ADVANCE: (
        "{value:g} deg at {rpm:g} rpm",
        "under {amber:g} deg, under {most_rpm:g} rpm",
        "Set total advance right first: it moves power, heat and idle CO.",
        "strobe the total advance, vacuum hose off, and note the rpm where it stops rising",
    ),
    CheckKind.IDLE_ADVANCE: (
        "{value:g} deg",
        "{least:g} to {most:g} deg",
        "Set it before judging idle CO: both too much and too little move it.",
        "strobe the advance at idle as it runs, vacuum hose on",
    ),
    CheckKind.VACUUM: (
        "{source}",
        "as specified",
        "Look up what is specified: manifold vacuum means full vacuum advance at idle.",
        "see whether the vacuum hose goes to the ported or the manifold tapping",
    ),
    CheckKind.MARKS: (
        "wander {value:g} deg",
        "under {amber:g} deg",
        "Marks that wander point to the rotor, the shaft's bearings or the drive: mend first.",
        "watch the marks by strobe at steady speed and note how far they wander",
    ),
    CheckKind.FREE_AIR: (
        "{value:g} %",
        "{free_air:g} +- {amber:g} %",
        "Calibrate the controller in free air, or renew the sensor; then measure again.",
        "read O2 with the sensor in free air",
    ),
    CheckKind.PLACE: (
        "{place}",
        "manifold or downpipe",
        "Air comes back into a tailpipe at idle and reads lean: trust no idle value, move the sensor upstream.",
        "note where the sensor sits",
    ),
    CheckKind.GAS: ("", "", "", "read CO, CO2, O2 and HC at idle and at 2500 rpm, with lambda"),
    CheckKind.CARBON_SUM: (
        "{value:.1f} %",
        "over {amber:g} %",
        "Air in the sample: an exhaust leak, a shallow probe or a misfire. Seal, push the probe in, read again; do not "
        "enrich the idle.",
        "read CO and CO2 of dry gas",
    ),
    CheckKind.AIR_IN_SAMPLE: (
        "{value:.0%}",
        "under {amber:.0%}",
        "A mixture that makes CO leaves no such air: exhaust leak, shallow probe or misfire. Mend first.",
        "it shows only with CO over {least_co:g} % and CO2 read",
    ),
    CheckKind.GAS_LAMBDA: (
        "meter {value:.2f}, CO {co:.1f} % belongs to {low:.2f} to {high:.2f}",
        "agree",
        "",
        "read lambda and CO together; CO over {least_co:g} % is needed",
    ),
    CheckKind.HYDROCARBONS: ("{value:.0f} ppm as hexane", "under {amber:g} ppm", "", "read HC in ppm"),
    CheckKind.HC_LIMIT: ("{value:.0f} ppm as hexane, {low:.0f} to {high:.0f}", "{most:.0f} ppm", "", "read HC in ppm"),
    CheckKind.CO_LIMIT: ("{value:.1f} %, {low:.1f} to {high:.1f}", "{most:g} %", "", "read CO, or at least lambda"),
    CheckKind.LEAN_AT_IDLE: (
        "lambda {value:.2f} at idle, {other:.2f} at {other_at}",
        "no such step",
        "",
        "read lambda, CO and CO2 at idle and at 2500 rpm",
    ),
    CheckKind.TWIN_AIR: (
        "least {value:.0%} under most",
        "under {amber:.0%}",
        "Carburettor {carburettor} draws least. Balance the air before the mixture; file nothing until both draw alike.",
        "measure the air of each at idle",
    ),
    CheckKind.TWIN_LAMBDA: (
        "{value:g} apart",
        "under {amber:g}",
        "Bank {carburettor} is leanest: look for its leak first. Balance before anything else, do not file both.",
        "measure each carburettor",
    ),
    CheckKind.TWIN_FLATS: (
        "{value:g} apart",
        "under {amber:g}",
        "Carburettor {carburettor} needs the lowest jet for the same idle: a spindle or flange leak on its side. Seal it, "
        "file nothing.",
        "measure each carburettor",
    ),
    CheckKind.WEAR: (
        "station {station} {value:+.1f} um from its table",
        "under {amber:g} um",
        "Use the diameters measured as the needle's table, then solve; see that it is the right needle.",
        "measure the needle fitted at its stations, at two angles",
    ),
    CheckKind.OVAL: (
        "station {station} {value:.1f} um",
        "under {amber:g} um",
        "Rubbed flat on one side: centre the jet and take another needle.",
        "measure the needle fitted at two angles",
    ),
    CheckKind.LEAK: (
        "idle {value:+.0%} +- {value_u:.0%}, hole of {area:.1f} +- {area_u:.1f} mm2",
        "under {amber:.0%}",
        "Lambda is too lean by a share that falls with air flow: air behind the carburettor (spindles, flange, gaskets, "
        "servo hose) or an exhaust leak, which CO + CO2 tells. Seal it; do not re-profile the first stations.",
        "give bands with lift and manifold pressure, and the setup",
    ),
    CheckKind.WANDER: (
        "{value:.1f} times the other bands' spread",
        "under {amber:g} times",
        "Lambda wanders at idle: a spindle or flange leak, or a misfire. Do not re-profile stations 1 and 2.",
        "log 30 samples or more at idle and in three other bands",
    ),
    CheckKind.STARVATION: (
        "lambda rises {value:+.4f} +- {value_u:.4f} a second at the greatest flow",
        "under {amber:g} a second",
        "Lean only at high flow and worse with time: pump, filter, float needle. A richer top of the needle is wrong.",
        "log a hold of 8 s or more at the greatest air flow",
    ),
    CheckKind.HOT_IDLE: (
        "lambda {value:+.3f} +- {value_u:.3f}",
        "falls under {amber:g}",
        "Rich only when hot: percolation, float level or a compensator. A leaner jet is wrong.",
        "log coolant and idle several times from warm to hot",
    ),
    CheckKind.STUCK: (
        "{value:.1%} of rows",
        "under {amber:.1%}",
        "Look at sensor, heater and wiring, and log again.",
        "log a drive",
    ),
    CheckKind.CEILING: (
        "{value:.1%} of rows",
        "under {amber:.1%}",
        "Overrun apart, the meter's range or a leak cuts it off: see where, and log again.",
        "log a drive",
    ),
    CheckKind.WARM: (
        "{value:.0f} degC",
        "over {amber:g} degC",
        "Drive it warm, 20 minutes, and measure again; cold idle is richer and rougher.",
        "log or note the coolant's temperature",
    ),
    CheckKind.REPEAT: (
        "{value:.3f} over {visits} visits",
        "under {amber:g}",
        "Visits to one band disagree: find what wanders (heat, float, sensor, leak) before any cut.",
        "visit bands twice or more, 5 s each",
    ),
    CheckKind.REACH: (
        "station {station:.2f}, {place:.1f} mm from the shoulder, {value:.0%} of the travel",
        "over {amber:.0%} of the travel",
        "No data above station {station:.2f}; load needed: a free-revved engine lifts the needle no further. No cut is "
        "proposed there.",
        "give bands with lift, and the setup",
    ),
    CheckKind.TABLE: (
        "a diameter off its neighbours' curve by {value:.0f} um at most",
        "under {amber:g} um",
        "Station {station:.0f} is typed as {typed:.3f} mm, but its neighbours' curve has {smooth:.3f}: measure it again.",
        "give the setup",
    ),
    CheckKind.FULL_PRESSURE: (
        "{value:.0%} of the air outside",
        "over {amber:.0%}",
        "With the throttle wide open the manifold has nearly the pressure outside. Look at the loads' limits (light and "
        "full swapped?), the gauge's zero, the air pressure stated, and whether the throttle was wide open.",
        "log manifold pressure at full load",
    ),
    CheckKind.LOADS: (
        "{light} takes {value:.1f} times the air a turn of {full}",
        "under {amber:g} times",
        "Full load draws more air a turn than light load, so its lift is greater at equal speed. Are light and full "
        "swapped, or lifts one row off?",
        "read lifts at light and at full load",
    ),
    CheckKind.PARTS: (
        "misfit {value:.1f}",
        "under {amber:g}, 1 where all fit",
        "",
        "read lambda and lift at three bands or more",
    ),
    CheckKind.ODD_BAND: (
        "{band} reads {read:.2f}, where needle, jet and all others foretell {foretold:.2f}: {value:.1f} uncertainties off",
        "under {amber:g}",
        "Look at that reading, its lift, and the needle's stations there; read it again before you cut.",
        "read lambda and lift at three bands or more",
    ),
    CheckKind.LIFTS: (
        "{value:+.1f} mm, air flow {percent:+.0f} % off",
        "within {amber:g} mm",
        "",
        "read the lift at four bands or more, with manifold pressure",
    ),
    CheckKind.NOTED: (
        "{noted:.3f} noted, {driven:.3f} in the drive",
        "alike",
        "Lambda of the drive at idle is not what was noted beside the gas. Look at the scale of the log: an air-fuel "
        "ratio of another fuel, or a meter set for it.",
        "note the meter's lambda with the gas at idle",
    ),
}

_AMISS = "Lambda does not go from band to band as needle, jet and lifts stated give it. "
# What to do where the cause is known, in place of what the kind says; of one not measured, what to measure.
CAUSES = {
    Cause.FLAT_CURVE: "The curve is flat: free the weights, check their springs and stop before any mixture is judged.",
    Cause.STEEP_CURVE: "The curve rises too much: check the weights' stop and springs.",
    Cause.WRONG_TAPPING: "Move the hose to the {wanted} tapping; manifold vacuum means full vacuum advance at idle.",
    Cause.MISFIRE: "Contradiction. With HC {hc:.0f} ppm unburnt mixture passes: misfire. Look at plugs and leads; no richer "
    "needle.",
    Cause.DILUTED: "Contradiction. The sample is diluted: an exhaust leak or a shallow probe. Seal it; a richer needle is "
    "wrong.",
    Cause.METER_RICH: "Contradiction. The meter reads richer than the gas: calibrate sensor and analyser.",
    Cause.MISFIRE_OR_LEAK: "Contradiction. Misfire, exhaust leak or a sensor that is off: look at plugs, leads and joints; "
    "a richer needle is wrong.",
    Cause.RICH_MISFIRE: "Misfire with fuel to spare: plugs, leads, gaps, compression.",
    Cause.LEAN_MISFIRE: "Misfire, perhaps from a mixture too lean to burn: leaning to pass CO can fail HC. Ignition first.",
    Cause.OVER_LIMIT: "Over the limit: right what is red, then set the idle by the jet.",
    Cause.HC_OVER_LIMIT: "Over the limit: look for misfire, leads and plugs first; leaning raises it further.",
    Cause.NOT_PROVEN: "Not proven: the limit lies inside the uncertainty; read it with an analyser.",
    Cause.THIN_AT_IDLE: "CO + CO2 is low at idle alone: an exhaust leak or a shallow probe. Do not enrich the idle.",
    Cause.LEAN_JET_OR_LEAK: "An air leak, or a jet set lean: look for leaks before the jet is turned.",
    Cause.NEITHER: "neither the needle as stated nor a leak explains how lambda goes over air flow and load: check needle "
    "table, jet height, spring, lifts and pressures",
    Cause.NO_LIFT_OR_PRESSURE: "give bands with lift and manifold pressure, and the setup",
    Cause.FEW_BANDS: "bands with lift, manifold pressure and a mixture that burns: {bands}, but 6 are needed",
    Cause.NARROW_FLOW: "the bands span less than 3 to 1 of air flow; add idle and full load",
    Cause.TOO_SMALL_TO_SHOW: "a leak that leans the idle by up to {high:.0%} would not show in these bands; add holds near "
    "full throttle at 1250 to 1750 rpm beside light ones of equal air flow",
    Cause.LIFTS_SHIFTED: "All lifts read stand off those computed from air flow by about the same: look at the zero of the "
    "rod, and from where it was read.",
    Cause.AIR_OFF: "Lifts read and computed belong to air flows far apart: look at displacement, number of carburettors, "
    "throat bore, disc, spring and speed.",
    Cause.LIFT_ODD: "No one air flow explains the lifts read: look whether each stands at its own band, or two are swapped.",
    Cause.ONE_BAND: "It is one band alone that stands off.",
    Cause.SUSPECT_BORE: _AMISS + "Another jet bore would explain it: measure it with a pin gauge.",
    Cause.SUSPECT_PLACE: _AMISS + "A needle standing elsewhere in the jet would explain it: look at jet height, "
    "shoulder and station 1.",
    Cause.SUSPECT_LIFTS: _AMISS + "Lifts from another zero would explain it: look at the rod.",
    Cause.SUSPECT_LEVEL: "All bands {suspect_level:+.0%} off would explain it: look at the meter's scale and the throat.",
    Cause.NO_ONE_PART: _AMISS + "No one figure explains it: look at needle table, bore, jet height and lifts, and for a "
    "leak, before you trust a cut.",
    Cause.TOO_SHORT: "the holds at the greatest air flow are too short to tell; log longer ones",
}
# What is said besides, green or not.
ASIDES = {
    Cause.NO_ROTOR: "The rotor was not measured and counts as zero.",
    Cause.HIGH_UP: "Advice at {altitude:g} m: a few degrees more total advance is usual up there (common practice); put it "
    "back before coming down, or it will pink.",
    Cause.VACUUM_ACTS_AT_IDLE: "It is {over_initial:g} deg over initial: vacuum or weights act at idle.",
}

sys.modules[__name__].__class__ = Texts
