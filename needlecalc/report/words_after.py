"""Every sentence of what comes after a design: the file, the rescue, the next drive, other places, other needles."""

from __future__ import annotations

from enum import StrEnum

from needlecalc.design.after.outcome import Diagnosis, OutcomeRemark
from needlecalc.design.after.progress import NextStroke
from needlecalc.design.after.rank import Worth
from needlecalc.design.after.rescue import WayOut
from needlecalc.design.inverse.alternatives import Change

STROKES: dict[StrEnum, str] = {
    NextStroke.OVERCUT: (
        "Overcut at {overcut}: stop filing. The rescue says what the jet and the other stations can still do."
    ),
    NextStroke.NOTHING: "Nothing to file: the design leaves every station as it is.",
    NextStroke.RISK: (
        "Stop, measure lambda: the chance that the cut has made a band too rich is {chance:.0f} %, more than the "
        "{risk:.0f} % agreed."
    ),
    NextStroke.THERE: "Stop, measure lambda: no station is over its first stop by more than can be told.{past}",
    NextStroke.LIGHT_PASS: "One light pass at {to_go}: at most {most:.0f} um to go.{past}",
    NextStroke.CARRY_ON: (
        "Carry on at {to_go}: up to {most:.0f} um to go, most at station {where}; measure again before the last "
        "{light:.0f} um.{past}"
    ),
}
OVERCUT_AT = "station {station} by {um:.0f} um"
PAST = " {Stations} past the stop already: no more there."
CARE = "Wash, cool and measure. At a turning needle: safety glasses, and no gloves at a chuck."
CHANCE_NOW = "Chance that the cut makes a band too rich: {now:.0f} % now{rest}."
CHANCE_REST = ", {rest:.0f} % with the rest down to the first stop taken"
THERE = "'there': within {told_um:.1f} um, which hand and micrometer together cannot tell apart."
READINGS_OF = "Readings: {source}."
COMPUTED = "Computed, not measured: with the jet {drop_mm:.2f} mm below the bridge, and idle set by the nut."
WAYS_OUT: dict[StrEnum, str] = {
    WayOut.NOTHING_HURT: (
        "Nothing to rescue: no band is richer than its target by more than {hurt:.0f} % through the cut; furthest off "
        "is {band}, {worst:+.1f} %. File no more: refit it, drive and measure lambda."
    ),
    WayOut.LEAVE: "Leave it as it is: every band is then within {within:.1f} % of its target.",
    WayOut.JET: "The jet alone serves: {turn}; every band is then within {within:.1f} % of its target.",
    WayOut.JET_AND_FILE: (
        "{Turn} and file the other stations back by the new design, in its stages; every band is then within "
        "{within:.1f} % of its target."
    ),
    WayOut.NONE: (
        "No way out brings every band where it is permitted: with the jet and filing back, {band} still misses by "
        "{worst:+.1f} %. Keep the needle as a rich spare for one of the other uses named, and start anew from a donor."
    ),
}
WORTH: dict[StrEnum, str] = {
    Worth.SERVES: "serves as it is",
    Worth.DONOR: "donor, file up to some {filing:.0f} um",
    Worth.NEEDS_METAL: "needs some {lacks:.0f} um more metal than it has",
    Worth.NOT_BY_FILING: "filing alone does not bring it there",
}
RANKED_BY = (
    "It serves where every band is inside what you permit. A donor is filed from the lowest jet that leaves metal at every "
    "band; solve() gives the profile itself. The chance that every band is inside holds all uncertainty of the car, so even "
    "a perfect needle may miss."
)
NO_CHANCE = "Where the chance is -, it was not worked out: it takes long, so only the best get one."
REFUSED, REFUSED_AS = "refused", "{name} refused: {why}"
TURN_JET = "{way} the jet by {flats:.1f} flats"
LOWER, RAISE = "lower", "raise"
RESCUES: dict[StrEnum, str] = {
    Change.NONE: "leave it as it is",
    Change.JET_FOR_BAND: "jet for {band}",
    Change.BEST_JET: "best jet height",
    Change.JET_AND_FILE: "jet and file back",
    Change.SPARE_RICHER: "spare for lambda x {amount:.3f}",
    Change.SPARE_LOWER: "spare {amount:.0f} m lower",
    Change.SPARE_BORE: "spare for a {bore_mm:.3f} mm jet",
}
RESCUE_NOTES: dict[StrEnum, str] = {
    Change.NONE: "",
    Change.JET_FOR_BAND: "{lowest} goes from {before:.3f} to {after:.3f}.{reached}{assumed}",
    Change.BEST_JET: "",
    Change.JET_AND_FILE: "{filing}",
    Change.SPARE_RICHER: "{fit}where every band may be {richer:.1f} % richer than this job asks.",
    Change.SPARE_LOWER: (
        "{fit}at the same temperature, some {amount:.0f} m lower, where denser air is leaner; measure there before you "
        "rely on it."
    ),
    Change.SPARE_BORE: "{fit}in a jet of {bore_mm:.3f} mm bore, if there is one; a reamed or worn jet is no cure.",
}
NOT_REACHED = " The jet at its highest brings {band} to {after:.3f} only."
RANGE_ASSUMED = " The nut's range is not stated: a turn either way is assumed, {low:.2f} to {high:.2f} mm."
FILES_MORE = "Takes up to {um:.0f} um more at {stations}."
FILES_NOTHING = "No more filing."
NO_FIT = "nearest, not a fit, {band} stays {worst:+.1f} % off: "
TOO_LEAN = "{what}: too lean at full load, {bands}; stop on any pinking."
NOT_TRIMMED = "Idle is as the jet height of the row gives it, not trimmed afterwards."
FLATS = "Flats: + lowers the jet (richer), - raises it (leaner)."
FLATS_MEAN = f"{FLATS} 'not permitted': bands too rich or too lean."
ALTITUDE_CAUTIONS = (
    "Set again before descending: lean on the mountain is leaner still in the valley.",
    "Never plan full load leaner than lambda 0.92 anywhere the car will be driven (common practice).",
)
DIAGNOSES: dict[StrEnum, str] = {
    Diagnosis.HOLDS: "The model holds: {held} measured inside {their}; carry on with the next design.",
    Diagnosis.ONE_BAND: ("{outside} One band cannot tell a wrong flow law from a wrong lift; measure three bands at least."),
    Diagnosis.NO_CAUSE: "{outside} No single cause explains them, furthest off is {furthest}: {first_aid}.",
    Diagnosis.NO_LAW: "{outside} Lambda {moved}, and no flow law errs so far: {first_aid}.",
    Diagnosis.GAIN: (
        "{outside} All moved by the same share, {share:.2f} of what was computed: believe the flow gain.{alike}"
    ),
    Diagnosis.LIFT_SCALE: (
        "{outside} The misses follow the lift: true lifts some {percent:.0f} % {above} those believed explain them; "
        "believe the lift scale, and read a few lifts by a marker rod.{alike}"
    ),
    Diagnosis.LIFT_ZERO: (
        "{outside} The misses are those of a needle that stands {mm:.1f} mm {further} the jet than believed; measure "
        "shoulder and jet face again.{alike}"
    ),
}
ONLY_BAND, ALL_BANDS, SOME_BANDS = "the only band was", "all {of} bands were", "{inside} of {of} bands were"
ITS_INTERVAL, THEIR_INTERVALS = "its interval", "their intervals"
ONE_OUTSIDE = "1 band was measured outside its interval."
MORE_OUTSIDE = "{count} bands were measured outside their intervals."
STOOD_STILL, MOVED = "hardly moved", "moved {share:.2f} of what was computed"
ABOVE, BELOW = "above", "below"
OUT_OF, INTO = "further out of", "deeper in"
ALIKE, OR_A = " A {causes} off would look alike.", " or a "
OUTCOME: dict[StrEnum, str] = {
    OutcomeRemark.WRONG_WAY: (
        "The pass moved lambda the wrong way: look for a fault, or a mixed-up log or needle, before any cut."
    ),
    OutcomeRemark.GAIN_SHARED: (
        "The pass did {gain:.2f} of what was computed, so one per cent of lambda takes {metal:.2f} times the metal "
        "computed: for what is still lean the next cut is {deeper} than the old figures say. What remains is planned anew "
        "from the lambda measured."
    ),
    OutcomeRemark.GAIN_ESTIMATED: (
        "Flow gain estimated: {was:.2f} before, {now:.2f} +- {u:.2f} with this pass; the law itself is held to be right "
        "within its doubt, so one pass moves it only part of the way."
    ),
}
DEEPER_CUT, SHALLOWER_CUT = "deeper", "shallower"
GAIN_MEANS = "Gain: change of lambda measured over change predicted; 1 is as computed, '-' too small a change to tell."
MEASURED_BUT = "Measured, but {words}."
