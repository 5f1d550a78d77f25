"""What is written on plots, and what each of them shows."""

from __future__ import annotations

import sys

from needlecalc.report.language import Texts

DISTANCE, FROM_FIRST = "distance from shoulder (mm)", "distance from station 1 (mm)"
RADIUS, LIFT = "needle radius (mm)", "lift of the air valve (mm)"
LAMBDA, AREA = "lambda (-)", "area (mm\N{SUPERSCRIPT TWO})"
THINNER, THICKER = "thinner than now (\N{MICRO SIGN}m)", "second thicker (\N{MICRO SIGN}m)"
PER_STEP = "lambda by 0.01 mm (%)"
NOW, TARGET, STOP, FINAL, TO_STOP = "now", "target", "at the STOP", "final", "to the STOP"
BEYOND, GUESSED = "beyond the data", "not measured"
FIRST, SECOND = "first", "second"
METERING, EFFECTIVE_AREA, EFFECTIVE, GEOMETRIC = "metering area", "effective metering area", "effective", "geometric"
BY_LAW, BY_AREA = "flow law", "plain area sum"
PERMITTED, BEST, NEXT = "permitted", "best, 90 %", "the next"
PREDICTED, FIRST_DRIVE, LATER_DRIVES = "predicted, 90 %", "first drive", "later drives"
SHARE, STATION = "share of variance (%)", "station"
BOTH = " First: {first}. Second: {second}."
TIP = "shank left and tip right, radius stretched about {times:.0f} times"
AT_STOP = ", at the STOP {least_stop:.2f} to {most_stop:.2f}"
# By record and part: what the plot shows.
CAPTIONS = {
    "Budget diameters": (
        "What makes each final diameter uncertain, as shares of its variance; mostly {diameter}. In all {least_um:.0f} to "
        "{most_um:.0f} um, one standard uncertainty."
    ),
    "Budget bands": (
        "What makes lambda of each band uncertain at the final diameters, as shares of its variance; mostly {band}. In all "
        "{least_percent:.1f} to {most_percent:.1f} %, one standard uncertainty."
    ),
    "Design profile": "Needle {needle} from its side, {tip}: now and at its final diameters.",
    "Design cut": (
        "How much thinner each station becomes, on diameter, with 90 % intervals of the final diameters: most at station "
        "{at}, {stop_um:.0f} um to the STOP and {most_um:.0f} um in all."
    ),
    "Design lambda": (
        "Lambda of each band over its lift, with 90 % intervals: now {least_now:.2f} to {most_now:.2f}{stop}, final "
        "{least_final:.2f} to {most_final:.2f}."
    ),
    "Comparison profile": "Two needles from their side, {tip}.",
    "Comparison difference": "How much thicker the second needle is, on diameter: {least_um:+.0f} to {most_um:+.0f} um.",
    "Comparison areas": "Metering area with each station at the jet's face, and the effective one that the flow sees.",
    "Comparison lambda": "Lambda of each band; the second changes it by {least_percent:+.0f} to {most_percent:+.0f} %.",
    "Metering areas": "Metering area over lift; the flow sees {least_share:.0%} to {most_share:.0%} of it.",
    "Metering sensitivity": "Change of lambda for 0.01 mm on diameter: {most_percent:.1f} down to {least_percent:.1f} %.",
    "Ranking lambda": (
        "Lambda of each band over its lift with {best}, the best of {count} needles as it is: {least_best:.2f} to "
        "{most_best:.2f}, each at its best jet height; and with the next: {next}."
    ),
    "Learned passes": (
        "Lambda of each band in {passes} drives, from left to right: as measured, and as predicted for each cut before it "
        "was driven; {inside} of {told} readings lie in their 90 % intervals."
    ),
}

sys.modules[__name__].__class__ = Texts
