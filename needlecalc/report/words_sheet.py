"""Every sentence and head of the grind sheet, and what a job may leave out; figures go in by name."""

from __future__ import annotations

import sys
from enum import StrEnum

from needlecalc import priors
from needlecalc.design.inverse.alternatives import Change
from needlecalc.design.inverse.proposal import Stages
from needlecalc.report.language import Texts

TITLE, BENCH, HOW_UNCERTAIN, PLOTS = "GRIND SHEET", "For the bench", "How uncertain", "Plots"
DO: dict[StrEnum, str] = {
    Stages.IN_STAGES: "File {stations} down to the bold diameters, and no further.",
    Stages.AT_ONCE: "File {stations} down to the bold diameters, and no further.",
    Stages.NOTHING: "File nothing: the needle stays as it is.",
}
TURN_BLANK = "Turn a new needle to the bold diameters."
STOP: dict[StrEnum, str] = {
    Stages.IN_STAGES: "Stop there. Wash, cool, measure at two angles; then drive and read lambda before you take more.",
    Stages.AT_ONCE: "Stop there. Wash, cool, measure at two angles; then drive and read lambda.",
    Stages.NOTHING: "Turn the jet, then drive and read lambda.",
}
NEVER_BELOW = "Never below the bold diameter: metal cannot be put back."
DECIDE_FIRST = "DECIDE FIRST, see the alternatives below: {bands} would stay outside what you permit."
SIGN_FIRST = {
    True: "File nothing before the red warning below is signed.",
    False: "Turn nothing before the red warning below is signed.",
}
SIGN = "Read and accepted: {signed}"
NO_ALTERNATIVE = "No jet, donor, bore or deeper cut comes nearer to the targets: ask for less, or start from another needle."
NONE_SERVES = "None of these serves alone: join them, ask for less, or start from another needle."
INSTEAD = (
    "WITHOUT THE FILE: {what} keeps every band inside what you permit, at worst {worst:+.1f} % off at {band}. Try that and "
    "drive first: it can be put back, metal cannot."
)
SHANK, TIP, STATIONS, DARK = "SHANK", "TIP", "stations", ", dark: where metal comes off"
SIDE_VIEW = "Needle seen from its side: {thick}, {thin}"
NUMBERED = "Alternative {number}. {what}"
ORIGIN = "Needle {needle} in a {bore} mm jet, {mounting}."
# Of a needle's table, and how its jet holds it.
TYPED_IN = {"typed in": "typed in", "measured": "measured"}
MOUNTINGS = {"centred": "centred", "biased": "biased"}
JET_MOVED = "Jet moved {flats:+g} flats: {share:.2f} +- {u:.2f} of the change expected, {count} bands."
LOG = "Log: {name}, {rows} rows."
OVERRIDDEN = "RED CHECKS WERE OVERRIDDEN for this cut, reason given: {reason!r}."
LOOK_FIRST = "A SLIP OF THE PEN? Before any cut, {name}: {found}. {todo}"
TO_SIGN = "__________________  date _________"
END = "station {station}: {diameter} {unit}"
WHICH_END = (
    "Which end: station 1 by the shank, thick ({thick} {unit}); station {last} by the tip, thin ({thin} {unit}). Confirm "
    "both first."
)
LEAVE = "leave"
UNITS, CUT_UNITS = {"mm": "mm", "inch": "inch"}, {"mm": "um", "inch": "thou"}
HEADS = {
    "mm": {
        "station": "station",
        "distance": "from\nshoulder\nmm",
        "present": "present\nmm",
        "present_reads": "present,\nmicro-\nmeter",
        "stop": "STOP AT\nmm",
        "stop_reads": "STOP,\nmicro-\nmeter",
        "off": "take off\non dia\num",
        "side": "per\nside\num",
        "hold": "hold\n+- um",
        "angle_0": "measured\nat 0 deg\nmm",
        "angle_90": "measured\nat 90 deg\nmm",
    },
    "inch": {
        "station": "station",
        "distance": "from\nshoulder\nin",
        "present": "present\nin",
        "present_reads": "present,\nmicro-\nmeter",
        "stop": "STOP AT\nin",
        "stop_reads": "STOP,\nmicro-\nmeter",
        "off": "take off\non dia\nthou",
        "side": "per\nside\nthou",
        "hold": "hold\n+- thou",
        "angle_0": "measured\nat 0 deg\nin",
        "angle_90": "measured\nat 90 deg\nin",
    },
}
ON_DIAMETER = "All sizes are on diameter, but for per side."
GREY = "Grey rows: leave as they are."
TOLERANCE = "Hold: if every station is off by this much, the most sensitive band changes by 1 % lambda."
FINER_THAN_HAND = "*: finer than the {hand} {unit} a hand holds, so there the hand alone may change it by more."
READINGS = (
    "Micrometer: what one shows whose anvils are {width:g} mm wide along the needle, {edge} on the mark, while the "
    "diameter there is the one named; '-': as before, or they would stand over the shoulder."
)
EDGES = {
    "centre": "their middle",
    "thick_edge": "their thick-side edge",
}
FILL_INSTRUMENT = {"instrument": "instrument", "zero": "its zero\n{unit}"}
FILL_ZERO = "zero at\nstation {station}:\n{diameter} {unit}?"
FILL_SHOULDER = {"shoulder": "shoulder\nout, before\nmm", "refitted": "shoulder\nrefitted,\nthe same"}
FILL_WHO = {"washed": "washed\nand cold", "date": "date", "by": "by"}
TURNING = "Turning needle: safety glasses, no gloves, no loose sleeves. Never put fingers round it."
FLAT_ANVILS = (
    "A flat micrometer anvil reads a taper too thick, by half its width times the taper (some 50 um at 6 mm): put its "
    "thick-side edge on the mark, or use blades, and measure before and after the same way."
)
ROAD_CAUTIONS = (
    "Petrol: work in the open, extinguisher at hand; no sprays near a hot engine.",
    (
        "Exhaust is poison: never run the engine indoors without forced extraction. Keep clear of fan, belts and high "
        "tension."
    ),
    (
        "On the road a second person reads the meter. Stop at once on pinking; never run leaner than lambda 0.92 at full "
        "load."
    ),
    "Lean on the mountain is leaner still in the valley: set again before descending.",
    "Limits and what may be altered are local law; a licensed tester decides.",
)
WHAT_IT_BRINGS, BY_BAND, BY_ALTITUDE = "What it brings", "Lambda by band", "Lambda by altitude"
ELSE, HOLDER = "What else to know", "piston"
CHECKED = "Checks before the cut"
FINAL_DIAMETERS = "Final diameters, and how uncertain they are"
FINALS = {
    "station": "station",
    "target_mm": "final\nmm",
    "target_in": "final\nin",
    "target_u_um": "uncertainty\n+- um",
    "mostly_from": "mostly from",
}
BANDS: dict[StrEnum, dict[str, str]] = {
    stages: {
        "lift_mm": "lift\nmm",
        "lambda_measured": "now",
        "lambda_target": "target",
        **({"lambda_stop": "at the\nSTOP", "stop_span": "90 %\nthere"} if stages is Stages.IN_STAGES else {}),
        "lambda_final": last,
        "final_span": "90 %\nthen",
    }
    for stages, last in (
        (Stages.IN_STAGES, "FINAL"),
        (Stages.AT_ONCE, "after\nthe cut"),
        (Stages.NOTHING, "as it\nwill run"),
    )
}
SPAN = "{low:.2f} to {high:.2f}"
INTERVAL = "90 %: lambda lies inside nine times in ten, on days of warmer or colder fuel too."
FINAL_MEANS = "FINAL: every station at its final diameter and the {which} as told, after the next drives only."
JET, HEIGHT = "jet", "needle's height"
IDLE_TRIMMED = "The nut is taken to put the idle right afterwards."
UNCERTAINTY = (
    "Uncertainty: two times in three the right diameter lies no farther than this from the final one, all that was measured "
    "or assumed and the hand together; - where a limit ends the cut, and nobody knows."
)
CHECKS = {
    "red": "Red",
    "amber": "Amber",
    "green": "Green",
    "not measured": "Not measured, so not proven",
}
CHANGE_HEADS = {
    "what": "change",
    "flats": "nut flats",
    "worst_percent": "worst off %",
    "worst_band": "at",
    "met": "all permitted",
    "cut_um": "metal off um",
}
FULL_LOAD_AT = "full load at {place}"
ALTITUDE_HEADS = {"stop": "{place}\nSTOP", "final": "{place}\nFINAL", "only": "{place}"}
ASSUMED, ASSUMED_HEADS = "Assumed, not stated", {"what": "not stated", "value": "taken", "u": "+-", "um": "costs +- um"}
COSTS = "Costs: so far the target diameters of the most sensitive band move if the value is off by its '+-'."
HELPS_MOST, HELPS_BY = "To know these would help most: {things}.", "{what} ({how})"
NOT_NEEDED = "Also not stated, and not needed where every lift was read: {things}."
# What a job may leave out: what it is, with its unit, and how to find it; of a slide carburettor otherwise.
NOT_STATED = {
    f"{one.section} {one.key}": (one.what, one.how)
    for one in (*priors.PRIORS, *priors.FOR_LIFT, priors.FILLING, priors.DEPRESSION, priors.SLIDE_DEPRESSION)
}
NOT_STATED_SLIDE = {
    "jet drop_mm": ("jet face below the floor of the throat, mm", "measure it with a depth gauge"),
    "carburettor shoulder_offset_mm": (
        "station 1 above the slide's foot, mm",
        "measure it with the clip in its groove; flush is 0",
    ),
}
# Changes tried before filing, and other places.
CHANGES: dict[StrEnum, str] = {
    Change.JET: "{way} the jet by {flats:.1f} flats",
    Change.GROOVE: "clip {count} groove{s} {down}, needle {higher} by {mm:g} mm",
    Change.WASHERS: "washer of {mm:g} mm {under}",
    Change.HOLDER: "needle {higher} by {mm:g} mm in its holder",
    Change.SHIM: "shim of {mm:g} mm under the spring",
    Change.SPRING: "spring of {preload:.2f} N at no lift, {rate:g} N/mm",
    Change.OTHER_JET: "jet of {bore_mm:.3f} mm bore",
    Change.NEEDLE: "needle {needle}",
    Change.DONOR: "a donor some {um:.0f} um thicker, filed",
    Change.FILE: "the file",
}
WAYS = {True: "lower", False: "raise"}
DOWN = {True: "down", False: "up"}
HIGHER = {True: "higher", False: "lower"}
UNDER = {True: "under the clip", False: "taken out"}
CHANGES_TITLE = "Changes tried before filing"
ONE_CHANGE = (
    "One change each, no metal off but by the file. {nut} Lambda is expected, without interval: drive and read it before "
    "you decide."
)
NUT_SET, PILOT_SET = "The nut is set anew with it.", "The pilot circuit sets idle anew."
NOTHING_INSTEAD = "No change without the file keeps every band inside what you permit: the file is the last resort."
RED = "RED: {said}"
PLACES = {"the drive": "the drive", "home": "home"}
NEEDLE_AT = {
    1: " at the FIRST STOP",
    0: " at the target diameters",
    -1: "",
}
CO_AT_IDLE = "CO at idle, dry, no oxygen left over: {places}."
CO_AT = "{place} {percent:.1f} %"
ALTITUDE_ASSUMES = (
    "Taken for granted: same speeds, same throttle and so the same share of the outside pressure in the manifold, so "
    "the engine draws the same volume of outside air; fuel and its temperature as on the drive; the jet stays where it "
    "is."
)

sys.modules[__name__].__class__ = Texts
