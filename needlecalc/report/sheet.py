"""The grind sheet: what to file, where, and when to stop; as text and as CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field, replace
from datetime import datetime
from typing import Any, get_args

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.after.altitude import THE_DRIVE, AltitudeOutlook, AltitudeRemark
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.design.inverse.notes import DesignRemark, full_load_next
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.physics.gauge import FaceOnMark, contact_position_mm, micrometer_reading_mm
from needlecalc.remark import Remark
from needlecalc.report import say, words
from needlecalc.report.tables import band_columns, station_columns, table
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray
from needlecalc.version import made_line, now

# What stands above nut and file, the gravest first.
BEFORE = (
    DesignRemark.CHECKS_NOT_MADE,
    LearnedRemark.CONTRADICT,
    DesignRemark.FULL_LOAD_LEAN_NOW,
    DesignRemark.IDLE_NOT_MEASURED,
)
ALWAYS = frozenset({"station", "distance_mm", "present_mm", "present_reads_mm"})
OF_A_CUT = frozenset(
    {"target_mm", "target_reads_mm", "stop_off_um", "stop_side_um", "tolerance", "target_u_um", "target_in"}
)
SHOWN = {
    Stages.IN_STAGES: ALWAYS | OF_A_CUT | {"stop_mm", "stop_reads_mm", "measured"},
    Stages.AT_ONCE: ALWAYS | OF_A_CUT | {"measured"},
    Stages.NOTHING: ALWAYS | {"measured"},
}
NOT_OF_A_BLANK = frozenset({"stop_off_um", "stop_side_um"})  # nobody knows how thick the rod is
AFTER = {Stages.IN_STAGES: "FINAL", Stages.AT_ONCE: "after\nthe CUT", Stages.NOTHING: "as it\nwill run"}
BANDS = {
    "lift_mm": "lift\nmm",
    "lambda_measured": "lambda\nNOW",
    "lambda_stop": "at\nSTOP",
    "lambda_stop_low": "90 %\nfrom",
    "lambda_stop_high": "90 %\nto",
    "lambda_final_low": "90 %\nfrom",
    "lambda_final_high": "90 %\nto",
}
# Columns of the CSV, with the heads that other programs read; the rest stand in ``design.json`` too.
CSV_HEADS = {
    "station": "station",
    "distance_mm": "distance_mm",
    "present_mm": "present_mm",
    "target_mm": "asked_mm",
    "remove_um": "remove_um",
    "per_side_um": "per_side_um",
    "stop_mm": "first_stop_mm",
    "tolerance_um": "tolerance_um",
    "present_in": "present_in",
    "target_in": "asked_in",
    "data": "data",
}
CSV_READINGS = {
    "present_reads_mm": "present_reads_mm",
    "stop_reads_mm": "first_stop_reads_mm",
    "target_reads_mm": "asked_reads_mm",
}
OFF_A_ROD = ("remove_um", "per_side_um")


@dataclass(frozen=True, repr=False, eq=False)
class GrindSheet(Shown):
    """A design arranged for the bench.

    Parameters
    ----------
    design : Design
        The design it shows.
    anvil_width_mm : float or None
        Width along the needle of the anvils it will be measured with; None leaves the readings out. [mm]
    face_on_mark : str
        What of the anvils lies on a station's mark: "centre", or "thick_edge", the edge towards the
        shoulder.
    altitude : AltitudeOutlook or None
        The needle at the other places it will be driven; None leaves them out.
    acknowledged : str
        Why a red warning of these places is accepted, and by whom; empty leaves a line to sign.
    jet_drive : JetShift or None
        What a drive with the jet moved found; None where there was none.
    made_at : datetime
        Date and time it says it was made; now when not given.
    assumed : Table or None
        What was assumed, as nobody stated it; None where nothing was.

    Raises
    ------
    InputError
        If the width is impossible or the word unknown.
    """

    design: Design
    anvil_width_mm: float | None = None
    face_on_mark: FaceOnMark = "centre"
    altitude: AltitudeOutlook | None = None
    acknowledged: str = ""
    jet_drive: JetShift | None = None
    made_at: datetime = field(default_factory=now)
    assumed: Table | None = None

    def __post_init__(self) -> None:
        if self.anvil_width_mm is not None:
            check_range(self.anvil_width_mm, "anvil_width_mm", 0.0, 15.0, cure="Flat anvils have 6 to 6.5 mm, blades 0.75.")
        if self.face_on_mark not in get_args(FaceOnMark):
            rule = "but must be 'centre' or 'thick_edge'; see how you set the anvils."
            msg = f"face_on_mark is {shown(self.face_on_mark)}, {rule}"
            raise InputError(msg)

    def __repr__(self) -> str:
        return f"Grind sheet for {self.design.present().name!r}: {self.design.verdict.kind}"

    def made_line(self) -> str:
        """What made the sheet, in one line: version, date and time, job and the fingerprint of its log."""
        log = self.design.target.bands.log
        return made_line(self.made_at, self.design.setup.name, log.sha256 if log is not None else "")

    def origin(self) -> tuple[str, ...]:
        """Where the numbers come from: what made the sheet, needle and jet, log, what a drive with the jet moved found."""
        design, log = self.design, self.design.target.bands.log
        jet, present = design.setup.carburettor.jet, design.present()
        figures = {"needle": present.name, "source": present.source, "bore_mm": jet.bore_mm, "mounting": jet.mounting}
        lines = [self.made_line(), words.ORIGIN.format(**figures)]
        if log is not None:
            lines.append(words.LOG.format(name=log.name, rows=log.rpm.size))
        if self.jet_drive is not None:
            lines.append(f"{self.jet_drive!r}.")
        if design.checks is not None and design.checks.reason:
            lines.append(words.OVERRIDDEN.format(reason=design.checks.reason))
        return tuple(lines)

    def headline(self) -> str:
        """The verdict, why bands are missed, and what the first stop leaves."""
        return " ".join(say.verdict(self.design))

    def before_remarks(self) -> tuple[Remark, ...]:
        """What comes before nut and file."""
        return tuple(one for kind in BEFORE for one in self.design.remarks if one.kind is kind)

    def before_lines(self) -> tuple[str, ...]:
        """What comes before nut and file, the gravest first; last, that the nut is to be where it was."""
        said = [say.remark(one) for one in self.before_remarks()]
        if self.design.next_step is not None:
            said.append(say.next_step(self.design))
        if self.jet_drive is not None:
            said.append(words.JET_BACK.format(drop_mm=self.design.setup.carburettor.jet.drop_mm))
        return tuple(said)

    def alternative_lines(self) -> tuple[str, ...]:
        """What could help where a band stays outside what is permitted; empty where none does."""
        found, design = self.design.ways_out(), self.design
        if design.met:
            return ()
        if not found:
            return (words.NO_ALTERNATIVE,)
        missed = say.bands([one.band for one in design.verdict.missed if one.outside])
        listed = (words.NUMBERED.format(number=k, what=say.alternative(one, design)) for k, one in enumerate(found, 1))
        none = () if any(one.met for one in found) else (words.NONE_SERVES,)
        return (words.DECIDE_FIRST.format(bands=missed), *listed, *none)

    def red_lines(self) -> tuple[str, ...]:
        """Red warnings of other altitudes, and who accepts them where metal comes off or the jet is turned."""
        if self.altitude is None or not self.altitude.needs_acknowledging():
            return ()
        red, order = tuple(map(say.remark, self.altitude.red())), words.FILE_NOTHING
        if self.design.stages() is Stages.NOTHING:
            if not self.design.turns():
                return red
            order = words.TURN_NOTHING
        return (*red, words.SIGN.format(order=order, signed=self.acknowledged or words.TO_SIGN))

    def altitude_line(self) -> tuple[str, ...]:
        """Idle and full load at other altitudes, and each place where full load may run too lean."""
        if self.altitude is None:
            return ()
        # Of the drive's own air the caution at the first stop speaks already.
        lean = (one for one in self.altitude.remarks() if one.kind is AltitudeRemark.FULL_LOAD_MAY_BE_LEAN)
        elsewhere = (say.remark(one) for one in lean if one.numbers["place"] != THE_DRIVE)
        return (say.altitude(self.altitude), *elsewhere)

    def jet_line(self) -> str:
        """What to do with the jet nut, why, and what after."""
        return say.jet_on_sheet(self.design)

    def stop_order(self) -> str:
        """Where to stop first."""
        return words.STOP_ORDERS[self.design.stages()]

    def stop_reason(self) -> str:
        """Why the first stop is there, and what to do then; empty where nothing is to be done."""
        return say.chance(self.design)

    def stop_line(self) -> str:
        """Where to stop first, and why."""
        return f"{self.stop_order()} {self.stop_reason()}".rstrip()

    def full_load_line(self) -> str:
        """Caution for the drive that follows, where full load may run too lean on it; empty where it does not."""
        then = self.design.next_stage()
        found = full_load_next(self.design.target, then.expected, then.high)
        return say.remark(found) if found else ""

    def orientation_line(self) -> str:
        """Which end is which: station 1 at the shank, the last towards the tip, with what they measure."""
        diameters = self.design.present().diameters_mm
        return words.WHICH_END.format(thick=diameters[0], thin=diameters[-1], last=diameters.size)

    def warnings(self) -> tuple[str, ...]:
        """What to know before the first stroke, but for what stands above: remarks, active limits, checks."""
        design, above = self.design, self.before_remarks()
        said = say.remarks(one for one in design.remarks if one not in above)
        said += [say.alternative(one, design) for one in design.active_limits()]
        return (*said, *(design.checks.notes() if design.checks else ()))

    def bench_cautions(self) -> tuple[str, ...]:
        """What to mind with the file, or the micrometer, in hand."""
        stages = self.design.stages()
        if stages is Stages.NOTHING:
            return (words.FLAT_ANVILS,)
        return (words.TURNING, words.NO_WAY_BACK.format(diameters=words.STOP_NAMED[stages]), words.FLAT_ANVILS)

    def fill_in(self) -> tuple[str, ...]:
        """Lines to fill in by hand."""
        return (words.INSTRUMENT,) if self.design.stages() is Stages.NOTHING else (words.INSTRUMENT, words.SHOULDER)

    def shows(self, key: str) -> bool:
        """Whether a column of the stations is shown: place and present diameter, and what the stages need."""
        if key.endswith("reads_mm") and self.anvil_width_mm is None:
            return False
        return key in SHOWN[self.design.stages()] and not (self.design.limits.new_blank and key in NOT_OF_A_BLANK)

    def legend(self) -> tuple[str, ...]:
        """What the columns of the stations mean."""
        stages, said = self.design.stages(), [words.ON_DIAMETER]
        said += [words.OFF_MEANS[stages]] if self.shows("stop_off_um") else []
        said += [words.TARGET_MEANS] if self.shows("stop_mm") else []
        more = [f"{self.tolerance_line()} {words.UNCERTAINTY}"] if self.shows("tolerance") else []
        return (" ".join(said), *more, *((words.MEASURE_TWICE,) if self.shows("measured") else ()))

    def band_note(self) -> str:
        """What the figures of the bands mean."""
        design, stages = self.design, self.design.stages()
        said = [words.INTERVAL] + ([words.ALL_OFF] if stages is Stages.IN_STAGES else [])
        if design.idle_to() is not None and (stages is not Stages.NOTHING or design.turns()):
            said.append(words.IDLE_TRIMMED)
        return " ".join(said)

    def hand_um(self) -> float:
        """Standard error of a filed diameter, in um."""
        return 1e3 * self.design.learned.doubts.hand_mm

    def tolerance_um(self) -> FloatArray:
        """Error that changes the most sensitive band by 1 % lambda, in um; NaN where no metal comes off.

        Of a station between bands or beyond them the finer of its next neighbours' that have one.
        """
        design, own = self.design, self.design.stations.tolerance_um
        known = np.flatnonzero(np.isfinite(own))
        if not known.size:
            return own
        at = np.arange(own.size)
        before = own[known[np.maximum(np.searchsorted(known, at, side="right") - 1, 0)]]
        after = own[known[np.minimum(np.searchsorted(known, at), known.size - 1)]]
        worked = (design.remove_um() != 0.0) | design.limits.new_blank
        return np.where(worked, np.minimum(before, after), np.nan)

    def tolerance_line(self) -> str:
        """How the tolerance is meant, and where it is finer than the hand."""
        hand = self.hand_um()
        finer = (self.tolerance_um() < hand).any()
        return f"{words.TOLERANCE} {words.FINER_THAN_HAND.format(hand=hand)}" if finer else words.TOLERANCE

    def _tolerance(self, um: float) -> str:
        hand = self.hand_um()
        return "-" if np.isnan(um) else f"{hand:.1f}*" if um < hand else f"{um:.1f}"

    def mostly_line(self) -> str:
        """What the uncertainty of the target diameters mostly comes from; empty where nothing is cut."""
        by_source: dict[str, list[int]] = {}
        for number, source in enumerate(self.design.stations.mostly_from, start=1):
            if source:
                by_source.setdefault(words.SOURCES.get(source, source), []).append(number)
        if not by_source or not self.shows("target_mm"):
            return ""
        said = [words.SOURCE_AT.format(source=key, stations=", ".join(map(str, at))) for key, at in by_source.items()]
        return words.MOSTLY_FROM.format(said="; ".join(said))

    def check_lines(self) -> tuple[str, ...]:
        """Every check before the cut, in short: what is green and what was not measured, by name."""
        checks = self.design.checks
        if checks is None:
            return tuple(say.remark(one) for one in self.design.remarks if one.kind is DesignRemark.CHECKS_NOT_MADE)
        names = {verdict: ", ".join(check.name for check in checks.of(verdict)) for verdict in words.CHECKS}
        listed = (f"{words.CHECKS[verdict]}: {named}." for verdict, named in names.items() if named)
        return (checks.notes()[0], *listed)

    def columns(self) -> tuple[Column, ...]:
        """What to do at each station, and what the micrometer reads there; a head only where the column is shown."""
        design = self.design
        given: dict[str, Any] = {column.key: column.values for column in station_columns(design)}
        off = 1e3 * (given["present_mm"] - given["stop_mm"])
        reads = {key: self._readings_mm(given[key]) for key in ("present_mm", "stop_mm", "target_mm")}
        tolerance, left = self.tolerance_um(), design.remove_um() == 0.0
        columns = (
            Column("station", "station", "d", given["station"]),
            Column("distance_mm", "place\nmm", ".3f", given["distance_mm"]),
            Column("present_mm", "present\nmm", ".4f", given["present_mm"]),
            Column("stop_mm", "STOP\nmm", ".4f", given["stop_mm"]),
            Column("stop_off_um", "off dia\num", ".1f", off),
            Column("stop_side_um", "per side\num", ".1f", off / 2.0),
            Column("target_mm", "TARGET\nmm", ".4f", given["target_mm"]),
            Column("tolerance", "toler-\nance\n+- um", ".1f", [self._tolerance(um) for um in tolerance.tolist()]),
            Column("target_u_um", "uncer-\ntainty\n+- um", ".1f", given["target_u_um"]),
            Column("target_in", "TARGET\nin", ".5f", given["target_in"]),
            Column("present_reads_mm", "present,\nmicrometer\nmm", ".4f", reads["present_mm"]),
            Column("stop_reads_mm", "STOP,\nmicrometer\nmm", ".4f", reads["stop_mm"]),
            Column("target_reads_mm", "TARGET,\nmicrometer\nmm", ".4f", reads["target_mm"]),
            Column("measured", "measured\ntwice, mm", "", [words.TWO_BOXES] * off.size),
            Column("remove_um", "", ".1f", given["remove_um"]),
            Column("per_side_um", "", ".1f", given["per_side_um"]),
            Column("tolerance_um", "", ".1f", np.where(left, np.nan, design.stations.tolerance_um)),
            Column("mostly_from", "", "", given["mostly_from"]),
            Column("present_in", "", ".5f", given["present_in"]),
            Column("data", "", "", given["data"]),
        )
        return tuple(column if self.shows(column.key) else replace(column, head="") for column in columns)

    def _readings_mm(self, diameters_mm: FloatArray) -> FloatArray:
        """What the micrometer reads at each station; NaN where it would stand over the shoulder, or is not known."""
        if self.anvil_width_mm is None:
            return np.full(diameters_mm.size, np.nan)
        width, stations = self.anvil_width_mm, self.design.needle.stations_mm
        readings = micrometer_reading_mm(
            stations, stations, diameters_mm, face_width_mm=width, face_on_mark=self.face_on_mark
        )
        contact = contact_position_mm(stations, face_width_mm=width, face_on_mark=self.face_on_mark)
        return np.where(contact >= stations[0] - 1e-9, readings, np.nan)

    def reading_notes(self) -> tuple[str, ...]:
        """How the readings are meant; empty without an anvil width."""
        if self.anvil_width_mm is None:
            return ()
        return (words.READINGS.format(width=self.anvil_width_mm, edge=words.EDGES[self.face_on_mark]),)

    def table(self) -> Table:
        """Stations with a box for the measured value, orders above, what to know below."""
        lean = (self.full_load_line(),) if self.full_load_line() else ()
        do = (*self.before_lines(), self.jet_line(), self.stop_line(), *lean, self.orientation_line())
        orders = (self.headline(), *self.alternative_lines(), *do)
        intro = (*self.red_lines(), *self.origin(), *orders, *self.altitude_line())
        notes = (*self.warnings(), *self.reading_notes(), *self.legend(), *self.fill_in())
        return table(words.TITLE, *self.columns(), intro=intro, notes=notes)

    def station_rows(self) -> list[Row]:
        """What to do at each station, one dict each; ``remove_um`` counts down to the target."""
        return [dict(row) for row in self.table().rows]

    def band_table(self) -> Table:
        """Lambda of each band now, at the first stop and with all off, to be shown."""
        stages, columns = self.design.stages(), []
        for column in band_columns(self.design):
            key = column.key
            head = AFTER[stages] if key == "lambda_final" else BANDS.get(key, column.head)
            hidden = key.startswith("lambda_stop") and stages is not Stages.IN_STAGES
            columns.append(replace(column, head="" if hidden else head))
        columns[0] = replace(columns[0], values=[say.rpm(speed) for speed in self.design.target.bands.rpm.tolist()])
        return table("Lambda by band", *columns, notes=(self.band_note(),))

    def text(self) -> str:
        """The whole sheet as plain text: stations, bands and cautions."""
        mostly = self.mostly_line()
        parts = (
            self.table(),
            self.band_table(),
            *(() if self.altitude is None else (self.altitude.table(),)),
            *(() if self.assumed is None else (self.assumed,)),
            *((Table("Uncertainty", notes=(mostly,)),) if mostly else ()),
            Table("Checks before the cut", notes=self.check_lines()),
            Table("Cautions", notes=(*self.bench_cautions(), *words.ROAD_CAUTIONS)),
        )
        return "\n\n".join(part.text() for part in parts) + "\n"

    def csv(self) -> str:
        """Stations as CSV: a header line, a line a station, and last a remark (``#``) that says what made it.

        ``remove_um`` counts down to ``asked_mm``, past the first stop where there is one; of a new blank, which is turned
        from a rod, it is left empty.  ``tolerance_um`` may be finer than a hand holds; the sheet prints there what the hand
        holds, marked.
        """
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        heads = CSV_HEADS | (CSV_READINGS if self.anvil_width_mm is not None else {})
        writer.writerow(heads.values())
        forms = {column.key: column.form for column in self.columns()}
        empty = OFF_A_ROD if self.design.limits.new_blank else ()
        for row in self.station_rows():
            writer.writerow(["" if key in empty else _cell(row[key], forms[key]) for key in heads])
        return f"{out.getvalue()}# {self.made_line()}\n"


def _cell(value: float | bool, form: str) -> str:
    if isinstance(value, bool):
        return "yes" if value else "no"
    return "" if value != value else format(value, form)


def grind_sheet(
    design: Design,
    *,
    anvil_width_mm: float | None = None,
    face_on_mark: FaceOnMark = "centre",
    altitude: AltitudeOutlook | None = None,
    acknowledged: str = "",
    jet_drive: JetShift | None = None,
    made_at: datetime | None = None,
    assumed: Table | None = None,
) -> GrindSheet:
    """Grind sheet of a design.

    Parameters
    ----------
    design : Design
        The design.
    anvil_width_mm : float or None
        Width along the needle of the anvils it will be measured with; None leaves the readings out. [mm]
    face_on_mark : {"centre", "thick_edge"}
        What of the anvils lies on a station's mark.
    altitude : AltitudeOutlook or None
        The needle at the other places it will be driven.
    acknowledged : str
        Why a red warning of these places is accepted, and by whom; empty leaves a line to sign.
    jet_drive : JetShift or None
        What a drive with the jet moved found.
    made_at : datetime or None
        Date and time the sheet says it was made; now when not given.
    assumed : Table or None
        What was assumed, as nobody stated it.

    Returns
    -------
    GrindSheet
        Prints itself as text; ``csv()`` gives the table.
    """
    return GrindSheet(design, anvil_width_mm, face_on_mark, altitude, acknowledged, jet_drive, made_at or now(), assumed)
