"""Every sentence of a target, a design and its sheet: what was found, in words; figures go in by name.

Beside each number of a remark a template may use its size (``off_abs``), its side (``off_side``: lean or rich)
and a plural s (``readings_s``); beside its bands ``band``, ``bands`` and ``other``, beside its stations ``stations``.
"""

from __future__ import annotations

import sys
from enum import StrEnum

from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.design.belief.unknowns import Source
from needlecalc.design.inverse.alternatives import Change, Unsolved
from needlecalc.design.inverse.limits import LimitKind
from needlecalc.design.inverse.nextstep import Unweighed
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.proposal import Measurement, Stages
from needlecalc.design.inverse.target import ForecastResult, TargetRemark, Why
from needlecalc.design.inverse.verdict import Cause, VerdictKind
from needlecalc.report.language import Texts

# How bands, stations and sides are named, and what a record answers in a table.
BAND = "{rpm:.0f} rpm {load} {bank}"
LOADS = {load: load for load in ("idle", "light", "part", "full")}
CALLED = {"rpm": "rpm", "load": "load", "bank": "bank"}
BANDS, SPEEDS, AND = "{count} bands", "{speeds} rpm {load}", " and "
STATION, STATIONS, TO, PLURAL = "station {stations}", "stations {stations}", " to ", "s"
LEAN, RICH, LEANER, RICHER = "lean", "rich", "leaner", "richer"
YES = {True: "yes", False: "no"}
CHANGED_BY = {kind: str(kind) for kind in Change}
THERE_TOO = "There too only short pulls."
PISTONS = "It can melt pistons: only short pulls, to read lambda, until it is {limit:.2f} or richer. Stop on any pinking."
FIRST_AID = (
    "look for a fault first (leak, misfire, fuel supply), and for a mixed-up log, needle, jet height or lift, or "
    "another air or fuel; drive again, or leave out the pass in doubt"
)
WHY: dict[StrEnum, str] = {
    Why.STATED: "stated",
    Why.TABLE: "table: {key}",
    Why.USUAL: "usual for {load}, common practice",
    Why.CO_TEST: "CO limit {limit:g} %, aimed at {aim:.3f} ({o2_percent:g} % oxygen left over)",
    Why.LAMBDA_TEST: "idle test at lambda {limit:g}, aimed at {aim:g}",
    Why.PASSES: "passes the idle test as it is",
    Why.EVEN_IDLE: "no leaner than even idling, common practice",
    Why.HC_HIGH: "no leaner: hydrocarbons {hc:.0f} ppm are over {limit:.0f}; {asked:.2f} was asked",
    Why.LEAN_LIMIT: "lean limit {limit:.2f} less {margin:g}; {asked:.2f} was asked",
}
LAMBDA_READ = "lambda {lambda_read:.3f} read, {lambda_due:.3f} due"
LIFT_READ = "a lift of {lift_mm_read:.1f} mm read, {lift_mm_due:.1f} mm due"
REMARKS: dict[StrEnum, str] = {
    TargetRemark.CONFLICT: (
        "{band} and {other} share the lift of {lift_mm:.1f} mm but ask for {richer_percent:+.0f} % and "
        "{leaner_percent:+.0f} % fuel. One needle cannot give both, so the richer wins."
    ),
    TargetRemark.CONFLICT_PAST_PERMITTED: (
        "{band} and {other} share the lift of {lift_mm:.1f} mm but ask for {richer_percent:+.0f} % and "
        "{leaner_percent:+.0f} % fuel. One needle cannot give both, so the richer wins. Not even what is permitted of "
        "the two can be had together."
    ),
    TargetRemark.HC_HIGH: (
        "{band} is leaned no further: its hydrocarbons are high, {hc:.0f} ppm against {limit:.0f}, and leaning raises them. "
        "Look for misfire first; lambda {asked:.2f} was asked."
    ),
    TargetRemark.HC_AGAINST_CO: (
        "{band}: the CO limit needs it leaner, but its hydrocarbons are high already, {hc:.0f} ppm against {limit:.0f}. "
        "Leaning may fail that test: look for misfire first."
    ),
    TargetRemark.FULL_LOAD_LEAN: (
        "Full load is asked to run leaner than lambda {limit:.2f}, which can melt pistons (common practice): {bands}, "
        "up to {leanest:.2f}. Make these targets richer, and stop on any pinking."
    ),
    DesignRemark.CHECKS_NOT_MADE: (
        "Checks: none were made before this sheet; ignition, leaks and sensor stand unproven. Faults first."
    ),
    LearnedRemark.CONTRADICT: (
        "THE PASSES CONTRADICT EACH OTHER: they miss the best car by {times:.1f} times what chance brings, furthest in "
        "pass {in_pass} at {band}: {read_and_due}. Readings are doubted {widening:.1f} times as much. Before you cut, "
        "{first_aid}."
    ),
    LearnedRemark.NO_CAR: (
        "No car explains these passes: they miss the best car by {times:.1f} times what chance brings, furthest in pass "
        "{in_pass} at {band}: {read_and_due}; {first_aid}."
    ),
    LearnedRemark.LIFT_MOVED: "Estimated lift differs most from that read at {band}: {moved_mm:+.2f} mm.",
    LearnedRemark.LIFT_AS_READ: "Estimated lift is that read, at every band.",
    LearnedRemark.AT_LEAST_SO_LEAN: "Beyond the lean limit, so that the reading counts as at least so lean: {bands}.",
    DesignRemark.FULL_LOAD_LEAN_NOW: "FULL LOAD RUNS TOO LEAN NOW, at lambda {low_to_high}. {pistons}",
    DesignRemark.FULL_LOAD_LEAN_NEXT: (
        "FULL LOAD runs too lean on the next drive: {band} at lambda {expected:.2f}, up to {highest:.2f}{and_more}; "
        "{limit:.2f} is the leanest (common practice, no source). {pistons}"
    ),
    DesignRemark.FULL_LOAD_MAY_BE_LEAN: (
        "FULL LOAD may run too lean on the next drive: {band} at lambda {expected:.2f}, up to {highest:.2f}{and_more}; "
        "{limit:.2f} is the leanest (common practice, no source). {pistons}"
    ),
    DesignRemark.RICH_NOW: "Too rich as driven, before any cut: {bands}.",
    DesignRemark.IDLE_NOT_MEASURED: (
        "IDLE WAS NOT MEASURED: the nut makes it {flats_richer} too, most of all, by how much is not known. Measure it "
        "before you turn or cut, and add it to the bands; or keep the jet where it is."
    ),
    DesignRemark.PAST_LEAN_LIMIT: (
        "Read beyond lambda {limit:g}, where misfire makes a meter read too lean: {bands}. Planned from less lean, "
        "{taken:.2f} for {read:.2f} at {band}; if the reading is right it ends up to {percent:.0f} % leaner than "
        "predicted. Read it again after the cut, before any long pull."
    ),
    DesignRemark.PAST_THE_DATA: (
        "Past {band} ({lift_mm:.0f} mm of lift) lambda stays some {percent:.0f} % leaner than its target: no full "
        "throttle beyond that speed until a drive has read it."
    ),
    DesignRemark.CARRIED_ON: "{Stations}: carried on, not measured. Past {band} the change of that band goes on towards the "
    "tip, so that full throttle beyond it is not left lean. Drive there last, and read lambda.",
    DesignRemark.UNCONFIRMED: "No cut and no jet drive has confirmed this car yet. So the first stop leaves room: no band "
    "is richer than you permit even if the cut works {times:g} times as strongly as predicted.",
    DesignRemark.NOT_DRIVEN: (
        "Not driven: lifts from {from_mm:.1f} to {to_mm:.1f} mm. Lambda between is not predicted, the needle only "
        "blended: drive there before you rely on it."
    ),
    DesignRemark.STEP_OF_NUT: (
        "The nut turns by {flats:g} flats only: one step moves {band} by some {step:.3f} lambda; {rich:.3f} to "
        "{lean:.3f} is permitted."
    ),
    DesignRemark.STEP_JUMPS: (
        "The nut turns by {flats:g} flats only: one step moves {band} by some {step:.3f} lambda and may jump over all "
        "that is permitted, {rich:.3f} to {lean:.3f}. A nut that holds anywhere would not."
    ),
    DesignRemark.STEP_MAY_END_RICH: (
        "The nut turns by {flats:g} flats only: one step moves {band} by some {step:.3f} lambda. It may stop up to "
        "{half_step:.3f} beside {aim:.3f}, too rich then: {rich:.3f} to {lean:.3f} is permitted. Take the step on the "
        "lean side."
    ),
    DesignRemark.TEST: "Test of {bands}: chance to fail {percent:.0f} %{when}.{forecast}",
    DesignRemark.TEST_IN_DANGER: (
        "Test of {bands}: chance to fail {percent:.0f} %{when}. Aim farther from the limit, or know the lambda of idle "
        "better.{forecast}"
    ),
    DesignRemark.NO_DATA: "No data at {stations}: no band reaches so far. {stay}",
    DesignRemark.FOLLOWS_THE_TAPER: "{Stations}: {changed}, only so that the taper neither reverses nor gets too steep.",
    DesignRemark.BETWEEN_BANDS: "No band stands at {stations}: blended between the neighbours.",
    DesignRemark.METER_ZERO: (
        "By {readings:d} gas reading{readings_s} the meter reads {off_abs:.3f} +- {u:.3f} too {off_side}; lambda here "
        "is as it shows it."
    ),
    DesignRemark.INTERPOLATED: "Present diameter not measured but interpolated: {stations}. Measure it first.",
    DesignRemark.SEVERAL_CARBURETTORS: (
        "{count:d} carburettors: a job and a sheet for each, all nuts turned alike; file every needle, and refit none "
        "before all agree within {matched_um:g} um at every station."
    ),
    DesignRemark.ONE_SENSOR: (
        "One sensor for {count:d} carburettors shows the mean of them. It cannot see that one runs rich and the other lean: "
        "balance air and mixture first, and read each by itself."
    ),
    DesignRemark.BANKS_SERVED: (
        "Banks: {band} is {apart_abs:.1f} % lambda {apart_leaner} than {other}. One profile serves both, and leaves them "
        "{second:+.1f} and {first:+.1f} % off."
    ),
    DesignRemark.BANKS_APART: (
        "Banks: {band} is {apart_abs:.1f} % lambda {apart_leaner} than {other}, and one profile leaves them {second:+.1f} "
        "and {first:+.1f} % off. Cure what sets them apart; else a sheet for each bank."
    ),
    DesignRemark.JET_FOR_IDLE: "The nut, not the file, brings the idle to its target.",
    DesignRemark.JET_LEANS: "No file makes {bands} leaner; the nut does.",
    DesignRemark.JET_SERVES_BEST: "At that height one needle serves all bands best.",
    Unweighed.REMAINS: (
        "Of the uncertainty, {percent:.1f} % lambda come from the hand and the setting of the nut; no measurement "
        "before the cut lessens them."
    ),
    Unweighed.LONGER_HOLDS: (
        "Longer holds were not weighed: the bands are no means of logged samples that more of them would steady."
    ),
    Unweighed.JET_DRIVE: "A jet drive was not weighed: the range of the nut must be stated, a flat of travel or more.",
    Unweighed.FIRST_STOP: "How far the first stop may then go is not foretold: not these uncertainties alone set it.",
    Unsolved.LIMITS: "Tried and left out: {what}. It has no solution, as the limits contradict each other.",
    Unsolved.NO_FIT: "Left out: {what}, {amount:g}. {why}",
}
# Pieces of these: what becomes of stations without data and of those that follow the taper, and when a test may fail.
STAY = {
    0: "They stay as they are.",
    1: "The blank follows the present needle there.",
}
CHANGED = {
    0: "cut too",
    1: "of another diameter",
}
FORECAST = (
    " {result} on the next drive, {limit}: lambda {lambda:.2f} (90 %: {lambda_low:.2f} to {lambda_high:.2f}), "
    "CO {co:.1f} % ({co_low:.1f} to {co_high:.1f} %)."
)
RESULTS: dict[StrEnum, str] = {
    ForecastResult.PASSES: "Passes",
    ForecastResult.NOT_PROVEN: "Not proven",
    ForecastResult.FAILS: "Fails",
}
TEST_LIMIT: dict[StrEnum, str] = {Why.CO_TEST: "CO limit {limit:g} %", Why.LAMBDA_TEST: "lambda {limit:g} or more"}
TEST_WHEN = {
    Stages.NOTHING: "",
    Stages.AT_ONCE: " after the cut",
    Stages.IN_STAGES: " at the final diameters, {stop_percent:.0f} % at the first stop",
}
FILING, NEW_BLANK = "filing", "a new blank"
DOWN, UP = "{flats:.1f} flats down", "{flats:.1f} flats up"
VERDICTS: dict[StrEnum, str] = {
    VerdictKind.USABLE: "Usable: {work} brings every band within {worst:.1f} % of its target.",
    VerdictKind.USABLE_OFF: "Usable. {miss}, inside what you permit{more}.",
    VerdictKind.TURN_ONLY: (
        "Turn the jet nut {turn}, file nothing: every band is then inside what you permit, within {worst:.1f} % of its "
        "target."
    ),
    VerdictKind.LEAVE: (
        "Leave it: every band is inside what you permit, within {worst:.1f} % of its target, and filing would not bring "
        "it nearer than the hand can hold."
    ),
    VerdictKind.BETTER: "Better, but not right. {miss}, outside what you permit{more}.",
    VerdictKind.DO_NOT_FILE: "Do not file. {miss}, outside what you permit{more}, and filing brings it no nearer.",
}
AT_LIFTS_DRIVEN = "Only the lifts that were driven are judged."
MORE_LIKE_THIS = "{count} more like the last, these being the worst."
MISS = "{band} stays {percent:.1f} % {side} of its target"
AND_MORE = ", and {count:d} more"
CAUSES: dict[StrEnum, str] = {
    Cause.METAL: "{bands}more metal is needed than the needle has.",
    Cause.LIMIT: "{bands}a limit is active, {limit}.",
    Cause.OPPOSED: (
        "{bands}bands at one lift, or next to it, ask for different things, and one needle serves one lift. Measure them "
        "again, or ask less of those that give way."
    ),
    Cause.READINGS: "{bands}the readings (+-{reading_u:.3f}) do not allow a closer fit.",
    Cause.HAND: "{bands}a cut so small would gain less than hand and readings can tell.",
}
AT_STOP = "That is at the final diameters; at the first stop {band} is {percent:.1f} % {er} than its target."
LIMITS: dict[StrEnum, str] = {
    LimitKind.NO_METAL_TO_ADD: "no metal to add at station {station}",
    LimitKind.LARGEST_CUT: "the largest cut at station {station}",
    LimitKind.LEAST_DIAMETER: "the least diameter at station {station}",
    LimitKind.NO_REVERSED_TAPER: "no reversed taper from station {station} to {next}",
    LimitKind.STEEPEST_TAPER: "the steepest taper from station {station} to {next}",
    LimitKind.JET_AT_ITS_HIGHEST: "the jet at its highest",
    LimitKind.JET_AT_ITS_LOWEST: "the jet at its lowest",
    LimitKind.JET_KEPT: "the jet kept where it is",
    LimitKind.STATION_KEPT: "station {station} kept as it is",
}
EASED: dict[StrEnum, str] = {
    LimitKind.NO_METAL_TO_ADD: "{um:.0f} um more metal there",
    LimitKind.LARGEST_CUT: "{um:.0f} um more cut",
    LimitKind.LEAST_DIAMETER: "{um:.0f} um more cut",
    LimitKind.STEEPEST_TAPER: "a taper steeper by {um:.0f} um",
    LimitKind.JET_AT_ITS_HIGHEST: "{mm:.1f} mm more jet raise",
    LimitKind.JET_AT_ITS_LOWEST: "{mm:.1f} mm more jet drop",
    LimitKind.JET_KEPT: "{mm:.1f} mm of jet travel",
    LimitKind.STATION_KEPT: "{um:.0f} um off it too",
}
ACTIVE_LIMIT = "Active limit: {limit}. {eased} would bring {band} from {before} to {after}."
AT_TARGET, OFF_TARGET = "target", "{percent:.1f} % {side}"
ALTERNATIVES: dict[StrEnum, str] = {
    Change.HEIGHT: "{way} the jet by {mm:.2f} mm ({flats:.1f} flats), and filing",
    Change.DONOR: "A donor some {um:.0f} um thicker at {stations}{most}, then filed",
    Change.DEEPER: "Cutting up to {um:.0f} um more at {stations}, past the limits stated",
    Change.BORE: "A jet of {bore_mm:.2f} mm bore in place of {present_mm:.2f} mm, needle filed",
}
MOST_AT, RAISING, LOWERING = ", most at {station}", "Raising", "Lowering"
SERVES = {
    True: "would do",
    False: "would not do alone",
}
ALTERNATIVE = "{what} {serves}: worst miss then {worst:+.1f} % at {band}, largest cut {cut_um:.0f} um."
JET_LEAVE = "Jet: leave its face {drop_mm:.2f} mm below the bridge."
JET_TURN = "Jet: {way} by {flats:.1f} flats, from {from_mm:.2f} to {drop_mm:.2f} mm below the bridge."
JET_LATER = (
    "Jet: turn it only to trim idle.{trim} At the final diameters it is to stand some {flats:.1f} flats {way} than now, "
    "{drop_mm:.2f} mm below the bridge."
)
JET_BACK = "PUT THE JET BACK to {drop_mm:.2f} mm below the bridge first, if it still is where the second drive had it."
LOWER, RAISE, DEEPER, HIGHER = "LOWER (richer)", "RAISE (leaner)", "lower", "higher"
JET_FIRST = "Jet: set its face {drop_mm:.2f} mm below the bridge, {flats:.1f} flats {way} than now."
JET_AT_LAST = " At the final diameters it is to stand {drop_mm:.2f} mm below it."
TRIMS = {
    0.5: " After the cut read idle: bring it half the way to lambda {aim:.2f}{near}{other}; note flats and lambda before "
    "and after. The other half may be the day's fuel.",
    0.0: " After the cut leave the nut there: what idle misses of lambda {aim:.2f}{other} may be the day's fuel.",
}
TRIM = " After the cut trim idle to lambda {aim:.2f}{near}{other}; note flats and lambda before and after."
TRIM_NEAR = ", as near as {flats} flats come"
TRIM_OTHER = ", not to its target of {target:.2f}, which would cost the other bands"
MEASUREMENTS: dict[StrEnum, str] = {
    Measurement.MARKER: "reading the lift with a marker at {bands}",
    Measurement.JET_DRIVE: "a second drive with the jet {way} by {flats} flat{s} (to {amount:.2f} mm){left_out}",
    Measurement.LONGER_HOLDS: "holds {amount:g} times as long in every band",
    Measurement.GAS: "a gas reading beside the sensor at a steady hold",
    Measurement.BORE_LENGTH: "the jet's bore length measured to {amount:g} mm on a spare",
}
LOWERED, RAISED = "lowered", "raised"
LEFT_OUT = ", leaving out {bands}, too lean or too rich there,"
HARDLY_HELPS = "{what} would hardly help: the uncertainty of the design stays at {now:.1f} % lambda."
HELPS = "{what} would bring the uncertainty of the design from {now:.{figures}f} to {then:.{figures}f} % lambda{stop}."
MISSES_LESS = (
    "{what} would bring the miss to expect after the first cut from {now:.{figures}f} to {then:.{figures}f} % lambda{stop}."
)
STOP_GOES = ", and let the first stop go {then:.0f} % of the way in place of {now:.0f} %"
EACH_ALONE = (
    "Each figure is for that measurement alone, for a design solved again after it; it cannot know what the reading "
    "will say. 'First stop': share of the way to the targets that may be cut at once."
)
BEFORE_CUTTING = "Before cutting: {what}"
NOTHING_HELPS = "Before cutting: no further measurement would help much; cut in stages."
CHANCE: dict[StrEnum, str] = {
    Stages.IN_STAGES: (
        "Chance that the cut makes a band too rich: {final:.0f} % with all cut at once, {stop:.0f} % at the first "
        "stop.{least}"
    ),
    Stages.AT_ONCE: "Chance that the cut makes a band too rich: {final:.0f} %.{least}",
    Stages.NOTHING: "Chance that the turn makes a band too rich: {final:.0f} %.",
}
CHANCE_LEAST = " However much metal is left on, {least:.0f} % stay."
# of what all bands share, in its order
LEARNED_UNITS = ("-", "mm", "x stated", "-", "of the gap", "mm", "x its +-")
PASS_BROUGHT = "Pass {number}: {words}."
SOURCES: dict[StrEnum, str] = {
    Source.LAMBDA: "lambda readings",
    Source.LIFT: "lift readings",
    Source.FLOW_GAIN: "flow law",
    Source.JET_LENGTH: "jet bore length",
    Source.VISCOSITY: "fuel viscosity",
    Source.METER_GAIN: "lambda meter gain",
    Source.ECCENTRICITY: "needle off centre",
    Source.LIFT_ZERO: "zero of the lift",
    Source.LIFT_SCALE: "computed air flow",
    Source.FUEL_TEMPERATURE: "fuel temperature",
    Source.TABLE: "needle table",
    Source.MICROMETER: "micrometer",
    Source.METER_ZERO: "lambda meter zero",
    Source.HAND: "hand",
    Source.NUT: "nut setting",
}
OTHERS, TOTAL = "others", "total"
BUDGET = "Uncertainty of each final diameter, by its source"
BAND_BUDGET = "Uncertainty of lambda at the final diameters, by its source"
BUDGET_MEANS = (
    "Standard uncertainties, on diameter in um; each source errs by itself, so squares add up to that of the total."
)
BAND_BUDGET_MEANS = (
    "Standard uncertainties in % of lambda, on another day than the nut is set on; each source errs by itself, so squares "
    "add up to that of the total."
)

sys.modules[__name__].__class__ = Texts
