"""What a grind sheet says: orders, warnings and notes, each once; where they stand is the sheet's own."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from typing import Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.after.altitude import THE_DRIVE, AltitudeOutlook, AltitudeRemark
from needlecalc.design.after.changes import Changes
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.learned import LearnedRemark
from needlecalc.design.inverse.notes import DesignRemark, full_load_next
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.physics.gauge import FaceOnMark, contact_position_mm, micrometer_reading_mm
from needlecalc.remark import Remark, Severity
from needlecalc.report import after, say
from needlecalc.report.document import Paper
from needlecalc.report.language import bands, in_its_language, stations, words, words_sheet
from needlecalc.report.measured import check_name, checks_notes
from needlecalc.report.tables import station_columns
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import MM_PER_INCH, FloatArray
from needlecalc.version import made_line, now

FINE_UM = 10.0  # whole um from here on
NOW: dict[str, str | int] = {"place": "now", "at_stop": -1}  # of a warning that stands with those of other places
# What stands above nut and file, the gravest first.
BEFORE = (
    DesignRemark.CHECKS_NOT_MADE,
    LearnedRemark.CONTRADICT,
    DesignRemark.FULL_LOAD_LEAN_NOW,
    DesignRemark.IDLE_NOT_MEASURED,
)


@dataclass(frozen=True, repr=False, eq=False)
class Orders(Shown):
    """A design in sentences for the bench; the fields are those of the sheet."""

    design: Design
    anvil_width_mm: float | None = None
    face_on_mark: FaceOnMark = "centre"
    altitude: AltitudeOutlook | None = None
    acknowledged: str = ""
    jet_drive: JetShift | None = None
    made_at: datetime = field(default_factory=now)
    assumed: Table | None = None
    paper: Paper = field(default_factory=Paper)
    changes: Changes | None = None

    def made_line(self) -> str:
        """What made the sheet, in one line: version, date and time, job and the fingerprint of its log."""
        log = self.design.target.bands.log
        return made_line(self.made_at, self.design.setup.name, log.sha256 if log is not None else "")

    def origin(self) -> tuple[str, ...]:
        """Where the numbers come from: needle and jet, log, what a drive with the jet moved found."""
        design, log = self.design, self.design.target.bands.log
        jet, present = design.setup.carburettor.jet, design.present()
        mounting = words_sheet.MOUNTINGS[jet.mounting]
        figures = {"needle": say.needle(present), "bore": self.paper.figures(f"{jet.bore_mm:g}"), "mounting": mounting}
        lines = [words_sheet.ORIGIN.format(**figures)]
        if log is not None:
            lines.append(words_sheet.LOG.format(name=log.name, rows=log.rpm.size))
        if self.jet_drive is not None:
            (share, u), count = self.jet_drive.share(), len(self.jet_drive.names)
            said = words_sheet.JET_MOVED.format(flats=self.jet_drive.flats, share=share, u=u, count=count)
            lines.append(self.paper.figures(said))
        return tuple(lines)

    def left_alone(self) -> NDArray[np.bool_]:
        """Whether each station is left as it is, up to where to stop; none of a blank is."""
        kept = self.design.present().diameters_mm == self.design.stop_mm()
        return np.asarray(kept & (not self.design.limits.new_blank))

    @property
    def slide(self) -> bool:
        """Whether a slide carries the needle."""
        return say.on_slide(self.design)

    def works(self) -> bool:
        """Whether metal comes off."""
        return self.design.stages() is not Stages.NOTHING

    @in_its_language
    def orders(self) -> tuple[str, ...]:
        """At most five lines: what to measure first where little is known, what to do, where to stop, what not, the jet."""
        design, stages = self.design, self.design.stages()
        filed = (np.flatnonzero(~self.left_alone()) + 1).tolist() if self.works() else []
        do = words_sheet.DO[stages].format(stations=stations(filed)) if filed else words_sheet.DO[Stages.NOTHING]
        if design.limits.new_blank and self.works():
            do = words_sheet.TURN_BLANK
        if not design.met:
            same = words_sheet.ALL_THE_SAME if filed and not design.limits.new_blank else ""
            outside = [one.band for one in design.verdict.missed if one.outside]
            do = words_sheet.DECIDE_FIRST.format(bands=bands(outside)) + same
        stop = words_sheet.STOP[stages] if self.works() or design.turns() else ""
        jet = say.jet_on_sheet(design)
        if self.jet_drive is not None:
            jet = f"{words.JET_BACK.format(drop_mm=design.setup.carburettor.jet.drop_mm)} {jet}"
        first = self.before_lines()[0] if self._experiment_first() else ""
        return tuple(filter(None, (first, do, stop, self.not_to_do(), jet)))

    def not_to_do(self) -> str:
        """The gravest thing not to do; empty where nothing is done."""
        if self._signed_for():
            return words_sheet.SIGN_FIRST[self.works()]
        return next(iter(self._grave()), words_sheet.NEVER_BELOW if self.works() else "")

    def _experiment_first(self) -> bool:
        """Whether so little is known of the car that a measurement comes before the file."""
        step = self.design.next_step
        return step is not None and step.helps() and self.design.learned.little_known()

    def _red(self) -> tuple[Remark, ...]:
        """Places where full load is expected too lean."""
        return () if self.altitude is None else self.altitude.red()

    def _signed_for(self) -> bool:
        """Whether somebody must accept a red warning of another altitude before anything is filed or turned."""
        return bool(self._red()) and (self.works() or self.design.turns())

    def _grave(self) -> tuple[str, ...]:
        """What can hurt engine or needle, the gravest first; full load where no red warning speaks of it."""
        before, next_drive = self.before_remarks(), self.full_load_line()
        if self._red():
            before, next_drive = tuple(one for one in before if one.kind is not DesignRemark.FULL_LOAD_LEAN_NOW), ""
        return (*say.remarks(before), *((next_drive,) if next_drive else ()))

    def before_remarks(self) -> tuple[Remark, ...]:
        """What comes before nut and file, the gravest first."""
        return tuple(one for kind in BEFORE for one in self.design.remarks if one.kind is kind)

    def before_lines(self) -> tuple[str, ...]:
        """What to measure before nut and file are touched."""
        return () if self.design.next_step is None else (say.next_step(self.design),)

    def alternative_lines(self) -> tuple[str, ...]:
        """What serves in place of the file, or what could help where a band stays outside what is permitted."""
        found, design = self.design.ways_out(), self.design
        instead = self.changes.instead() if self.changes is not None and self.works() else None
        if instead is not None and self.changes is not None:
            what = after.change(instead, self.changes)
            return (words_sheet.INSTEAD.format(what=what, **say.furthest(instead.what, design.target)),)
        if design.met:
            return ()
        if not found:
            return (words_sheet.NO_ALTERNATIVE,)
        listed = (words_sheet.NUMBERED.format(number=k, what=say.alternative(one, design)) for k, one in enumerate(found, 1))
        return (*listed, *(() if any(one.met for one in found) else (words_sheet.NONE_SERVES,)))

    def red_lines(self) -> tuple[str, ...]:
        """Red warnings of other altitudes, and who accepts them where metal comes off or the jet is turned."""
        if not self._red():
            return ()
        now = (one.numbers for one in self.design.remarks if one.kind is DesignRemark.FULL_LOAD_LEAN_NOW)
        told = [Remark(AltitudeRemark.FULL_LOAD_LEAN, numbers={**NOW, **one, "expected": one["high"]}) for one in now]
        red = tuple(words_sheet.RED.format(said=one) for one in after.at_altitudes([*told, *self._red()]))
        signed = words_sheet.SIGN.format(signed=self.acknowledged or words_sheet.TO_SIGN)
        return (*red, signed) if self._signed_for() else red

    def altitude_line(self) -> tuple[str, ...]:
        """Each place where full load may run too lean; of the drive's own air another line speaks, but where one is red."""
        if self.altitude is None:
            return ()
        red = bool(self._red())
        lean = (one for one in self.altitude.remarks() if one.kind is AltitudeRemark.FULL_LOAD_MAY_BE_LEAN)
        told = [one for one in lean if red or one.numbers["place"] != THE_DRIVE]
        return tuple(after.at_altitudes(told, {AltitudeRemark.FULL_LOAD_MAY_BE_LEAN: words.THERE_TOO} if red else {}))

    def full_load_line(self) -> str:
        """Caution for the drive that follows, where full load may run too lean on it; empty where it does not."""
        then = self.design.next_stage()
        found = full_load_next(self.design.target, then.expected, then.high)
        lean_now = any(one.kind is DesignRemark.FULL_LOAD_LEAN_NOW for one in self.design.remarks)
        return say.remark(found, pistons_said=lean_now) if found else ""

    @in_its_language
    def warnings(self) -> tuple[str, ...]:
        """What to know before the first stroke and stands nowhere else, the gravest first."""
        checks = self.design.checks
        forced = checks.reason if checks is not None else ""
        return (
            *((words_sheet.OVERRIDDEN.format(reason=forced),) if forced else ()),
            *self.slip_lines(),
            *self.red_lines(),
            *self._grave()[0 if self._signed_for() else 1 :],  # the gravest is an order already
            *(() if self._experiment_first() else self.before_lines()),
            *self.altitude_line(),
            *say.remarks(self._remarks(at_bench=True)),
            *(words_sheet.BEFORE_FILING if self.works() else ()),
        )

    def slip_lines(self) -> tuple[str, ...]:
        """Each check that says that something may have been typed wrong."""
        slips = () if self.design.checks is None else self.design.checks.slips()
        return tuple(words_sheet.LOOK_FIRST.format(**check.words()._asdict()) for check in slips)

    @in_its_language
    def notes(self) -> tuple[str, ...]:
        """What else to know of the design: remarks that ask for nothing at the bench, and active limits."""
        said = say.remarks(self._remarks(at_bench=False))
        return (*said, *(say.alternative(one, self.design) for one in self.design.active_limits()))

    def _remarks(self, *, at_bench: bool) -> list[Remark]:
        """Remarks that stand nowhere else: those that ask for care at the bench, or the others."""
        above = (*BEFORE, DesignRemark.RICH_NOW)
        rest = (one for one in self.design.remarks if one.kind not in above)
        return [one for one in rest if (one.severity >= Severity.CAUTION) == at_bench]

    def bench_cautions(self) -> tuple[str, ...]:
        """What to mind with the file, or the micrometer, in hand, and with the engine running after it."""
        wide = (words_sheet.FLAT_ANVILS,) if self.anvil_width_mm is None else ()
        if not self.works() and not self.design.turns():
            return wide
        return (*((words_sheet.TURNING,) if self.works() else ()), *wide, *words_sheet.ROAD_CAUTIONS)

    def tolerance_line(self) -> str:
        """How the tolerance is meant, and where it is finer than the hand."""
        if not (~self.left_alone() & (self._tolerance_um() < self._hand_um())).any():
            return words_sheet.TOLERANCE
        (hand,), unit = self.taken_off(np.array([self._hand_um()])), words_sheet.CUT_UNITS[self.paper.unit]
        return f"{words_sheet.TOLERANCE} {words_sheet.FINER_THAN_HAND.format(hand=hand, unit=unit)}"

    def taken_off(self, values_um: FloatArray) -> list[str]:
        """What comes off, no finer than anybody files: um, or thousandths of an inch."""
        if self.paper.unit == "inch":
            return [f"{um / MM_PER_INCH:.1f}" for um in values_um.tolist()]
        return [f"{um:.0f}" if um >= FINE_UM else f"{um:.1f}" for um in values_um.tolist()]

    def check_lines(self) -> tuple[str, ...]:
        """Every check before the cut, in short: what is green and what was not measured, by name."""
        checks = self.design.checks
        if checks is None:
            return ()
        names = {verdict: ", ".join(map(check_name, checks.of(verdict))) for verdict in words_sheet.CHECKS}
        listed = (f"{words_sheet.CHECKS[verdict]}: {named}." for verdict, named in names.items() if named)
        return (*checks_notes(checks, slips=False), *listed)

    def columns(self) -> tuple[Column, ...]:
        """Figures of each station at full precision; what the micrometer reads is NaN where nobody knows its anvils."""
        design = self.design
        present, stop, target = design.present().diameters_mm, design.stop_mm(), design.needle.diameters_mm
        off, tolerance, hand = 1e3 * (present - stop), self._tolerance_um(), self._hand_um()
        return (
            *station_columns(design),
            Column("stop_off_um", "", ".1f", off),
            Column("stop_side_um", "", ".1f", off / 2.0),
            Column("hold_um", "", ".1f", np.maximum(tolerance, hand)),
            Column("finer", "", "", tolerance < hand),
            Column("present_reads_mm", "", ".4f", self._reads_mm(present)),
            Column("stop_reads_mm", "", ".4f", self._reads_mm(stop)),
            Column("target_reads_mm", "", ".4f", self._reads_mm(target)),
        )

    def station_rows(self) -> list[Row]:
        """What to do at each station, one dict each; ``remove_um`` counts down to the target."""
        return [dict(row) for row in Table("", self.columns()).rows]

    def _hand_um(self) -> float:
        """Standard error of a filed diameter, in um."""
        return 1e3 * self.design.learned.doubts.hand_mm

    def _tolerance_um(self) -> FloatArray:
        """Error that changes the most sensitive band by 1 % lambda, in um; NaN where no metal comes off.

        Of a station between bands or beyond them the finer of its next neighbours' that have one.
        """
        own = self.design.stations.tolerance_um
        known = np.flatnonzero(np.isfinite(own))
        if not known.size:
            return own
        at = np.arange(own.size)
        before = own[known[np.maximum(np.searchsorted(known, at, side="right") - 1, 0)]]
        after = own[known[np.minimum(np.searchsorted(known, at), known.size - 1)]]
        worked = (self.design.remove_um() != 0.0) | self.design.limits.new_blank
        return np.where(worked, np.minimum(before, after), np.nan)

    def _reads_mm(self, diameters_mm: FloatArray) -> FloatArray:
        """What the micrometer reads at each station; NaN where it would stand over the shoulder, or is not known."""
        at = self.design.needle.stations_mm
        if self.anvil_width_mm is None:
            return np.full(at.size, np.nan)
        anvils: dict[str, Any] = {"face_width_mm": self.anvil_width_mm, "face_on_mark": self.face_on_mark}
        contact = contact_position_mm(at, **anvils)
        return np.where(contact >= at[0] - 1e-9, micrometer_reading_mm(at, at, diameters_mm, **anvils), np.nan)
