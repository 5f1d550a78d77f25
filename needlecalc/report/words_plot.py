"""What is written on plots: names of lines and axes."""

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

sys.modules[__name__].__class__ = Texts
