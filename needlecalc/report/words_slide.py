"""What a sheet says otherwise where a slide carries the needle: no bridge, no jet nut, no shoulder in a piston."""

from __future__ import annotations

import sys
from enum import StrEnum

from needlecalc.design.inverse.limits import LimitKind
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.report.language import Texts

REMARKS: dict[StrEnum, str] = {
    DesignRemark.IDLE_NOT_MEASURED: (
        "IDLE WAS NOT MEASURED: another height of the needle makes it {flats_richer} too, by how much is not known. Measure "
        "it before you move the clip or cut, and add it to the bands."
    ),
    DesignRemark.JET_FOR_IDLE: "The height of the needle, not the file, brings idle nearer to its target.",
    DesignRemark.JET_LEANS: "No file makes {bands} leaner; a lower needle does.",
}
LEAVE = "Needle height: leave the clip in its groove, and the washers as they are."
TURN = "Needle height: {way} the needle by {mm:.2f} mm, by clip groove or washers."
RAISE, LOWER = "RAISE (richer)", "LOWER (leaner)"
TRIM = " After the cut set idle to lambda {aim:.2f} by the pilot circuit."
IDLE_TRIMMED = "The pilot circuit is taken to put the idle right afterwards."
TURN_ONLY = "Move the needle, file nothing: every band is then inside what you permit, within {worst:.1f} % of its target."
MOVE = "Move the clip, then drive and read lambda."
HEIGHT = "{way} the needle by {mm:.2f} mm, and filing"
RAISING, LOWERING = "Raising", "Lowering"
LIMITS: dict[StrEnum, str] = {
    LimitKind.JET_AT_ITS_HIGHEST: "the needle at its lowest",
    LimitKind.JET_AT_ITS_LOWEST: "the needle at its highest",
    LimitKind.JET_KEPT: "the height of the needle kept",
}
EASED: dict[StrEnum, str] = {
    LimitKind.JET_AT_ITS_HIGHEST: "{mm:.1f} mm more lowering",
    LimitKind.JET_AT_ITS_LOWEST: "{mm:.1f} mm more raising",
    LimitKind.JET_KEPT: "{mm:.1f} mm of clip or washers",
}
FIRST = "Before the file: clip groove, washers and needle jet. They can be put back; metal cannot."
OUT_OF_REACH = "Idle and the first opening are the pilot circuit's: the needle does not reach them."
FILL = {
    "groove": "clip groove\nfrom the top,\nbefore",
    "refitted": "clip groove\nrefitted,\nthe same",
    "washers": "washers\nmm",
}
DISTANCE = {"mm": "from\nstation 1\nmm", "inch": "from\nstation 1\nin"}
OPENING, BAND_OPENING = "opening of the slide (mm)", "opening\nmm"
HOLDER = "slide"

sys.modules[__name__].__class__ = Texts
