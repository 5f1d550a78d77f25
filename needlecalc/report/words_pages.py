"""Every text of card, customer's and tester's page, two needles compared, and a needle to scale."""

from __future__ import annotations

import sys
from enum import StrEnum

from needlecalc.design.after.altitude import AltitudeRemark
from needlecalc.design.after.trip import Mixture, State
from needlecalc.report.language import Texts

# At the foot and head of every page of a document in this language.
GOES_ON, PAGE = "GOES ON OVERLEAF", "{name}, page {page} of {pages}"
MADE = "needlecalc {version}, {when:%Y-%m-%d %H:%M}, {job}{log}"
MADE_OF = ", log {log}"
SPAN = "{low:.2f} to {high:.2f}"
NINETY = "90 %"

CARD, CARD_NAME = "ALTITUDE CARD", "Card"
HOME = "home"
PLACES = {"the drive": "home", "home": "home"}  # a car without another home is at home where it was driven
KINDS = {"idle": "idle", "cruise": "cruise", "full": "full load"}
CLIMB = "{place}: BEFORE THE CLIMB {there}. BEFORE THE DESCENT {back}."
FLATS, ONE_FLAT = "{flats:g} flats", "{flats:g} flat"
RAISE, LOWER = "raise the jet {flats} (leaner)", "lower the jet {flats} (richer)"
RAISE_NEEDLE = "raise the needle {mm:.2f} mm by clip or washers (richer)"
LOWER_NEEDLE = "lower the needle {mm:.2f} mm by clip or washers (leaner)"
STAYS, STAYS_SLIDE = "{place}: leave the jet as it is.", "{place}: leave clip and washers as they are."
HELD = " No further: full load would run too lean on the way."
FOR_HOME = "At home first {turn}: the drive was in other air."
DESCEND = "SET AGAIN BEFORE DESCENDING: what is right on the mountain is lean in the valley."
STATES: dict[StrEnum, str] = {
    State.AS_SET: "{place}",
    State.NOT_TURNED: "{place} not turned",
    State.TURNED: "{place} turned",
    State.NOT_BACK: "home, still set for {place}",
}
FOUND: dict[StrEnum, str] = {
    AltitudeRemark.FULL_LOAD_LEAN: (
        "FULL LOAD TOO LEAN, leaner than lambda {limit:.2f}, pistons can melt: {places}. {then}"
    ),
    AltitudeRemark.FULL_LOAD_MAY_BE_LEAN: ("Full load may be leaner than lambda {limit:.2f}: {places}. {then}"),
    AltitudeRemark.MISFIRES: "Misfires, leaner than lambda {limit:.2f}: {places}.",
    AltitudeRemark.FOULS: "Plugs foul, richer than lambda {limit:.2f}: {places}.",
}
SHORT_PULLS = "Short pulls only, to read lambda. Stop on any pinking."
NO_FULL_THROTTLE = "No full throttle there."
AT = "{place} ({value})"
UP_TO = "up to {value:.2f}"
BY_PLACE = "Lambda"
HEADS = {"place": "place", "jet": "jet,\nflats", "needle": "needle", "co": "CO at\nidle %"}
JET: dict[StrEnum, str] = {
    State.AS_SET: "as set",
    State.NOT_TURNED: "not turned",
    State.TURNED: "{turn}",
    State.NOT_BACK: "still as for {place}",
}
UP, DOWN = "{flats:g} up", "{flats:g} down"
NEEDLE_UP, NEEDLE_DOWN = "needle {mm:.2f} mm up", "needle {mm:.2f} mm down"
ON_SLOPE = "On a road of {slope:g} %, set for the place"
UPHILL, DOWNHILL = "{kind}\nuphill", "{kind}\ndownhill"
SPEED = "{kind} {rpm:.0f} rpm"
SHOWN = "Shown: {bands}. 90 %: lambda lies inside nine times in ten."
NARROWER = "Narrower after a drive with the jet moved: it teaches how this jet meters."
PILOT = "Idle is the pilot circuit's: the needle does not reach it. Set it there."
FLAT_IS = "One flat is a sixth of a turn of the jet nut."
CO_MEANS = "CO at idle, dry and without an air leak; 0.5 % O2 left over in the gas adds some 0.8."
AT_STOP = "For the needle at its first stop: make a new card after the next cut."
RANGE_ASSUMED = "How far it can be set is not stated: {mm:.1f} mm either way is taken."
NEVER = (
    "Each setting keeps full load at lambda {limit:.2f} or richer, at home too, where it was so before: never plan it "
    "leaner (common practice, no source)."
)
METER = "At {place} a wideband meter set at sea level shows {shown:.2f} for lambda {true:.2f}, unless it knows the pressure."
ASSUMES = "Speed, throttle and fuel as on the drive, air of the standard atmosphere. Trust the meter before this card."
ROAD = "Lambda along the road. Solid: full load. Dashed: cruise. Dotted: idle. Fine dots: limits. Grey: height of the road."
ROAD_TURNED = f"{ROAD} Heavy: set as at home. Thin: set for {{place}}."
ROAD_X, ROAD_Y = "distance (km)", "lambda (-)"
LIMITS = {"full": "full load,\nleanest", "foul": "plugs foul", "misfire": "misfires"}

CUSTOMER, TESTER = "FOR THE CUSTOMER", "FOR THE TESTER"
CUSTOMER_NAME, TESTER_NAME = "Customer", "Tester"
COMPLAINT, FOUND_THEN, DONE = "Complaint", "Found", "Done"
FILED = "The needle was filed by hand for this engine, with {drives} drives under a lambda meter."
JET_SET = "Jet face now {after:.2f} mm below the bridge, before {before:.2f} mm."
NEEDLE_SET = "Needle now hangs {mm:.2f} mm {way} than before."
HIGHER, LOWER_DOWN = "higher", "lower"
RUNS = "How it runs"
RUNS_HEADS = {"what": "", "before": "before", "then": "", "after": "after", "now": ""}
EXPECTED = "expected, not yet driven"
MEANS: dict[str, dict[StrEnum, str]] = {
    "idle": {Mixture.LEAN: "too lean: idles rough", Mixture.RIGHT: "right", Mixture.RICH: "too rich: smells of petrol"},
    "cruise": {Mixture.LEAN: "too lean: hesitates", Mixture.RIGHT: "right", Mixture.RICH: "too rich: wastes petrol"},
    "full": {Mixture.LEAN: "too lean: pistons can melt", Mixture.RIGHT: "right", Mixture.RICH: "too rich: soot, less power"},
}
LAMBDA_OF, CO_AT_IDLE = "lambda, {kind}", "CO at idle, %"
LAMBDA_MEANS = "Lambda 1 burns all petrol with all air; above is lean, below is rich. CO {co}."
CO_READ, CO_COMPUTED = "measured where a gas reading was taken, else computed from lambda", "computed from lambda"
BACK = "How to go back"
BACK_NEEDLE = (
    "Metal cannot be put back: fit a new needle {needle} and set the jet face {drop:.2f} mm below the bridge. Then read "
    "lambda before any full throttle."
)
BACK_JET = "Set the jet face {drop:.2f} mm below the bridge again. Then read lambda before any full throttle."
BACK_SLIDE = "Fit a new needle {needle}, clip and washers as before. Then read lambda before any full throttle."
BACK_CLIP = "Clip and washers as before. Then read lambda before any full throttle."
NOTHING_TO_GO_BACK = "Needle and jet are as they were."
LABEL = "Cut out and keep in the car"
LABEL_HEADS = {"place": "place", "climb": "BEFORE THE CLIMB", "descent": "BEFORE THE DESCENT"}
STAY = "leave it"
NEXT = "Next check after 500 km"
NEXT_SAID = "At once on pinking, misfire, black smoke or a smell of petrol. Stop at once on pinking at full throttle."
NEXT_HEADS = {"km": "km now", "check": "next check at km", "date": "date", "by": "workshop"}
TEST_HEADS = {"what": "", "read": "workshop", "limit": "limit", "station": "test station"}
TESTED = {
    "idle_rpm": "idle speed, rpm",
    "co_percent": "CO, %",
    "co2_percent": "CO2, %",
    "o2_percent": "O2, %",
    "hc_ppm": "HC, ppm",
    "lambda": "lambda",
}
AT_MOST, AT_LEAST = "at most {value:g}", "at least {value:g}"
SETTING = "Needle {needle}. Jet bore {bore:g} mm, jet face {drop:.2f} mm below the bridge."
SETTING_SLIDE = "Needle {needle}. Needle jet {bore:g} mm."
SIGN_HEADS = {"date": "date", "place": "test station", "name": "tester", "signature": "signature"}
LIMITS_STATED = "Limits are those the workshop stated. Local law and a licensed tester decide."
NOT_INDOORS = "Exhaust is poison: never run the engine indoors without forced extraction."

COMPARED, ORDERS = "Two needles compared", ("First", "Second")
WHICH = "{order}: {needle}."
IN_JET = "In the setup of {job}: {bore_mm:g} mm jet, jet drop {drop_mm:.2f} mm."
SHOWN_TWO = "From their side, radius stretched; how much thicker the second is; metering area, and what the flow sees{more}."
AND_LAMBDA = "; lambda of each band"
BY_STATION = "First: {first}; second: {second}; jet {bore_mm:g} mm"
AS_AT_FACE = "Effective areas and lambda change as with the station at the jet's face; + is leaner."
STATION_HEADS = {
    "station": "station",
    "distance_mm": "from\nshoulder mm",
    "first_mm": "first mm",
    "second_mm": "second mm",
    "thicker_um": "second\nthicker\num",
    "first_metering_mm2": "metering\nfirst mm2",
    "second_metering_mm2": "second\nmm2",
    "first_effective_mm2": "effective\nfirst mm2",
    "second_effective_mm2": "second\nmm2",
    "lambda_change_percent": "lambda\nchange %",
}
BY_BAND = "Lambda by band"
BAND_HEADS = {
    "lift_mm": "lift mm",
    "lambda_first": "lambda first",
    "lambda_second": "lambda second",
    "lambda_change_percent": "change %",
}
TO_SCALE = "Needle to scale"
DRAWN = "Needle {needle}: length {length:g}:1, radius {radius:g}:1. Station 1 left, tip right; no shank."
CHECK_RULER = "Measure the ruler first. If it is not 100 mm long, print again at 100 %, not fitted to the page."
OUTLINE = "Outline of needle {needle}, {long:g} mm long, {thick:.3f} to {thin:.3f} mm thick, above a ruler of 100 mm."
NEEDLE_HEADS = {
    "station": "station",
    "distance_mm": "from shoulder mm",
    "diameter_mm": "diameter mm",
    "diameter_in": "diameter in",
}

sys.modules[__name__].__class__ = Texts
