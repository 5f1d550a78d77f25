"""What the grind sheet says in fixed words: its columns, their legend, cautions, lines to fill in."""

from __future__ import annotations

from needlecalc.design.inverse.proposal import Stages
from needlecalc.show import Column

TURNING = "Turning needle: safety glasses, no gloves, no loose sleeves. Never put fingers round it."
NO_WAY_BACK = (
    "Metal cannot be put back: stop at the {stop}, wash, cool and measure at two angles, then drive and measure lambda."
)
FLAT_ANVILS = (
    "A flat micrometer anvil reads a taper too thick, by half its width times the taper (some 50 um at 6 mm): put its "
    "thick-side edge on the mark, or use blades, and measure before and after the same way."
)
ROAD_CAUTIONS = (
    "Petrol: work in the open with an extinguisher at hand; no sprays near a hot engine.",
    "Exhaust is poison: never run the engine indoors without forced extraction. Mind fan, belts and high tension.",
    "On the road a second person reads the meter. Stop at once on pinking; never run leaner than lambda 0.92 at full load.",
    "Lean on the mountain is leaner still in the valley: set again before descending.",
    "Limits and what may be altered are local law; a licensed tester decides.",
)
INSTRUMENT = "Instrument ____________  zero reads ______ mm  washed and cold [ ]  date ________  by ________"
SHOULDER = "Shoulder out of the piston: before the cut ________ mm, refitted ________ mm (the same)."
ON_DIAMETER = "All diameters are on diameter. Place: distance from the shoulder."
SURE = (
    "Sure +-: two times in three the right diameter lies no farther than this from the asked one, all that was measured or "
    "assumed and the hand together; - where a limit ends the cut, and nobody knows."
)
MEASURE_TWICE = "Measured: write two readings a quarter turn apart, washed and cold."
STOP_ORDERS: dict[Stages, str] = {
    "in stages": "First stop: file to the FIRST STOP diameters and no further.",
    "at once": "First stop: the asked diameters, all in one stage.",
    "nothing": "First stop: nothing is to be filed.",
    "not yet": "First stop: NONE YET. The table shows only how near filing alone would come; it is no order.",
}
# What the columns of metal mean.
COLUMNS_MEAN: dict[Stages, str] = {
    "in stages": "Off dia: metal to take off down to the FIRST STOP, on diameter; per side: half of it. ASKED: where it "
    "ends, after the next drive only.",
    "at once": "Off dia: metal to take off, on diameter; per side: half of it.",
    "nothing": "",
    "not yet": "Nearest: how near filing alone would come; no order.",
}
COLUMNS_MEAN_OF_A_BLANK: dict[Stages, str] = {
    **COLUMNS_MEAN,
    "in stages": "ASKED: where it ends, after the next drive only.",
    "at once": "",
}
NO_CHECKS = "Checks: none were made before this sheet; ignition, leaks and sensor stand unproven. Faults first."
NO_WAY = (
    "No way nearer to the target was found by jet, donor, bore or deeper cuts: ask for less, or start from another needle."
)
NONE_REACHES = "None of these ways reaches the target alone: join them, ask for less, or start from another needle."
DECIDE_FIRST = (
    "FILE NOTHING YET: filing alone does not bring this needle to its target. Decide first what to do; another needle or "
    "jet needs a sheet of its own."
)
CSV_COLUMNS = (
    ("station", "d"),
    ("distance_mm", ".3f"),
    ("present_mm", ".4f"),
    ("asked_mm", ".4f"),
    ("remove_um", ".1f"),
    ("per_side_um", ".1f"),
    ("first_stop_mm", ".4f"),
    ("tolerance_um", ".1f"),
    ("present_in", ".5f"),
    ("asked_in", ".5f"),
    ("data", ""),
)
# Of these the ones that are orders to the file.
REMOVED = ("remove_um", "per_side_um")
ORDERED = (*REMOVED, "asked_mm", "first_stop_mm", "tolerance_um", "asked_in", "first_stop_reads_mm", "asked_reads_mm")
STATION_COLUMNS = (
    Column("station", "station", "d"),
    Column("distance_mm", "place\nmm", ".3f"),
    Column("present_mm", "present\nmm", ".4f"),
    Column("first_stop_mm", "FIRST\nSTOP\nmm", ".4f"),
    Column("first_off_um", "off dia\num", ".1f"),
    Column("first_side_um", "per side\num", ".1f"),
    Column("asked_mm", "ASKED\nmm", ".4f"),
    Column("nearest_mm", "nearest\nmm", ".4f"),
    Column("hold", "hold\n+- um", ".1f"),
    Column("asked_u_um", "sure\n+- um", ".1f"),
    Column("asked_in", "ASKED\nin", ".5f"),
    Column("measured", "measured\ntwice, mm"),
)
# Beside the diameters where the width of the anvils is known.
READING_COLUMNS = (
    Column("present_reads_mm", "present\nREADS\nmm", ".4f"),
    Column("first_stop_reads_mm", "FIRST\nREADS\nmm", ".4f"),
    Column("asked_reads_mm", "ASKED\nREADS\nmm", ".4f"),
)
# Beside station, place and present diameter a sheet shows what its stages need.
OF_METAL = ("asked_mm", "asked_reads_mm", "first_off_um", "first_side_um", "hold", "asked_u_um", "asked_in", "measured")
SHOWN: dict[Stages, tuple[str, ...]] = {
    "in stages": ("first_stop_mm", "first_stop_reads_mm", *OF_METAL),
    "at once": OF_METAL,
    "nothing": ("measured",),
    "not yet": ("nearest_mm",),
}
ALWAYS = ("station", "distance_mm", "present_mm", "present_reads_mm")
NOT_OF_A_BLANK = ("first_off_um", "first_side_um")  # nobody knows how thick the rod is
BAND_COLUMNS = (
    Column("rpm", "rpm", ".0f"),
    Column("load", "load"),
    Column("lift_mm", "lift\nmm", ".1f"),
    Column("lambda_measured", "lambda\nNOW", ".3f"),
    Column("lambda_target", "target", ".3f"),
)
FIRST_COLUMNS = (
    Column("lambda_first", "at FIRST\nSTOP", ".3f"),
    Column("lambda_first_low", "90 %\nfrom", ".3f"),
    Column("lambda_first_high", "90 %\nto", ".3f"),
)
AFTER: dict[Stages, str] = {
    "in stages": "with ALL\nOFF",
    "at once": "after\nthe CUT",
    "nothing": "as it\nwill run",
    "not yet": "by filing\nalone",
}
INTERVAL = "From, to: 90 % interval, lambda lies inside nine times in ten."
ALL_OFF = "All off: every station at its asked diameter and the jet as told."
IDLE_TRIMMED = "The nut is taken to put the idle right afterwards."


def band_columns(stages: Stages) -> tuple[Column, ...]:
    """Columns of the bands.

    Parameters
    ----------
    stages : str
        How the metal comes off.

    Returns
    -------
    tuple of Column
        The first stop among them only where it is another needle than the one asked.
    """
    after = Column("lambda_predicted", AFTER[stages], ".3f")
    first = FIRST_COLUMNS if stages == "in stages" else ()
    return (
        *BAND_COLUMNS,
        *first,
        after,
        Column("lambda_low", "90 %\nfrom", ".3f"),
        Column("lambda_high", "90 %\nto", ".3f"),
    )


# What a doubt is called at the bench, where its own name says little there.
DOUBT_WORDS = {"flow gain": "flow law", "viscosity": "fuel's viscosity", "eccentricity": "needle off centre"}
