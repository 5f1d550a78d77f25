"""The grind sheet: what to file, where, and when to stop; as text and as CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass, field
from datetime import datetime
from typing import get_args

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.after.places import THE_DRIVE, AltitudeOutlook
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS
from needlecalc.design.inverse.proposal import Design
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.physics.gauge import FaceOnMark, contact_position_mm, micrometer_reading_mm
from needlecalc.report.orders import Orders
from needlecalc.report.sheetwords import (
    CSV_COLUMNS,
    ORDERED,
    READING_COLUMNS,
    REMOVED,
    ROAD_CAUTIONS,
    STATION_COLUMNS,
    band_columns,
)
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray
from needlecalc.version import made_line, now


@dataclass(frozen=True, repr=False, eq=False)
class GrindSheet(Orders, Shown):
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
        return f"Grind sheet for {self.design.present().name!r}: {self.design.status}"

    def made_line(self) -> str:
        """What made the sheet, in one line.

        Returns
        -------
        str
            Version, date and time, job and the fingerprint of its log.
        """
        log = self.design.target.bands.log
        return made_line(self.made_at, self.design.setup.name, log.sha256 if log is not None else "")

    def origin(self) -> tuple[str, ...]:
        """Where the numbers come from.

        Returns
        -------
        tuple of str
            What made the sheet, needle and jet, log, what a drive with the jet moved found.
        """
        log = self.design.target.bands.log
        jet = self.design.setup.carburettor.jet
        needle = self.design.present()
        lines = [
            self.made_line(),
            f"Needle {needle.name} ({needle.source}) in a {jet.bore_mm:g} mm jet, {jet.mounting}.",
        ]
        if log is not None:
            lines.append(f"Log: {log.name}, {log.rpm.size} rows.")
        if self.jet_drive is not None:
            lines.append(f"{self.jet_drive!r}.")
        checks = self.design.checks
        if checks is not None and checks.reason:
            lines.append(f"RED CHECKS WERE OVERRIDDEN for this cut, reason given: {checks.reason!r}.")
        return tuple(lines)

    def before_lines(self) -> tuple[str, ...]:
        """What comes before nut and file, the gravest first.

        Returns
        -------
        tuple of str
            As :class:`Orders` has it; last, that the nut is to be where it was before the drive with the jet moved.
        """
        if self.jet_drive is None:
            return super().before_lines()
        drop = self.design.setup.carburettor.jet.drop_mm
        back = f"PUT THE JET BACK to {drop:.2f} mm below the bridge first, if it still is where the second drive had it."
        return (*super().before_lines(), back)

    def red_lines(self) -> tuple[str, ...]:
        """Red warnings of other altitudes, and who accepts them where metal comes off or the jet is turned.

        Returns
        -------
        tuple of str
            Empty where there is none.
        """
        if self.altitude is None or not self.altitude.needs_acknowledging():
            return ()
        order = "File nothing"
        if self.design.stages() == "nothing":
            if abs(self.design.flats()) < LEAST_TURN_FLATS:
                return self.altitude.red()
            order = "Turn nothing"
        signed = self.acknowledged or "__________________  date _________"
        return (*self.altitude.red(), f"{order} before this is signed. Read and accepted: {signed}")

    def altitude_line(self) -> tuple[str, ...]:
        """Idle and full load at other altitudes.

        Returns
        -------
        tuple of str
            One sentence, and one for each place where full load may run too lean; nothing where no altitude was asked.
        """
        if self.altitude is None:
            return ()
        # Of the drive's own air the caution at the first stop speaks already.
        lean = (words for place, words in self.altitude.may_run_lean().items() if place != THE_DRIVE)
        return (self.altitude.summary(), *lean)

    def table(self) -> Table:
        """Stations with a box for the measured value, to be shown.

        Returns
        -------
        Table
            One row a station; status above, flags below.
        """
        rows = self.station_rows()
        columns: tuple[Column, ...] = STATION_COLUMNS
        if self.anvil_width_mm is not None:
            columns = (*STATION_COLUMNS[:-1], *READING_COLUMNS, STATION_COLUMNS[-1])
        columns = tuple(column for column in columns if self.shows(column.key))
        lean = (self.full_load_line(),) if self.full_load_line() else ()
        do = (*self.way_lines(), *self.before_lines(), self.jet_line(), self.stop_line(), *lean, self.orientation_line())
        orders = (self.design.headline(), *do)
        intro = (*self.red_lines(), *self.origin(), *orders, *self.altitude_line())
        notes = (*self.warnings(), *self.reading_notes(), *self.legend(), *self.fill_in())
        return Table("GRIND SHEET", columns, rows, intro, notes)

    def band_table(self) -> Table:
        """Lambda of each band now, at the first stop and with all off, to be shown.

        Returns
        -------
        Table
            One row a band, with 90 % intervals.
        """
        design, stages = self.design, self.design.stages()
        rows = []
        for row in design.band_rows():
            after = row["lambda_predicted"], row["lambda_low"], row["lambda_high"]
            keys = ("lambda_first", "lambda_first_low", "lambda_first_high")
            rows.append(row if stages == "in stages" else {**row, **dict(zip(keys, after, strict=True))})
        return Table("Lambda by band", band_columns(stages), rows, notes=(self.band_note(),))

    def station_rows(self) -> list[Row]:
        """What to do at each station, and what the micrometer reads there.

        Returns
        -------
        list of dict
            One a station; without an anvil width the readings are left out.  ``first_off_um`` is what to take off
            down to the first stop, ``remove_um`` down to the asked diameter; a station left alone has nothing to hold.
        """
        rows = []
        for row, hold_um in zip(self.design.station_rows(), self.hold_um().tolist(), strict=True):
            off = 1e3 * (row["present_mm"] - row["first_stop_mm"])
            left = row["remove_um"] == 0.0
            rows.append(
                {
                    **row,
                    "tolerance_um": float("nan") if left else row["tolerance_um"],
                    "nearest_mm": row["asked_mm"],
                    "hold": self.hold(hold_um),
                    "first_off_um": off,
                    "first_side_um": off / 2.0,
                    "measured": "[      ][      ]",
                }
            )
        if self.anvil_width_mm is None:
            return rows
        for key, reads in (
            ("present_mm", "present_reads_mm"),
            ("first_stop_mm", "first_stop_reads_mm"),
            ("asked_mm", "asked_reads_mm"),
        ):
            for row, reading in zip(rows, self._readings_mm(np.array([row[key] for row in rows])), strict=True):
                row[reads] = float(reading)
        return rows

    def _readings_mm(self, diameters_mm: FloatArray) -> FloatArray:
        """What the micrometer reads at each station; NaN where it would stand over the shoulder."""
        width, stations = float(self.anvil_width_mm or 0.0), self.design.needle.stations_mm
        readings = micrometer_reading_mm(
            stations, stations, diameters_mm, face_width_mm=width, face_on_mark=self.face_on_mark
        )
        contact = contact_position_mm(stations, face_width_mm=width, face_on_mark=self.face_on_mark)
        return np.where(contact >= stations[0] - 1e-9, readings, np.nan)

    def reading_notes(self) -> tuple[str, ...]:
        """How the readings are meant.

        Returns
        -------
        tuple of str
            Empty without an anvil width.
        """
        if self.anvil_width_mm is None:
            return ()
        set_how = "their middle" if self.face_on_mark == "centre" else "their thick-side edge"
        return (
            f"READS: what a micrometer shows whose anvils are {self.anvil_width_mm:g} mm wide along the needle, {set_how} "
            "on the mark, while the diameter there is the one named; '-': as before, or they would stand over the shoulder.",
        )

    def text(self) -> str:
        """The whole sheet as plain text.

        Returns
        -------
        str
            Stations, bands and cautions.
        """
        doubt = self.doubt_line()
        parts = (
            self.table(),
            self.band_table(),
            *(() if self.altitude is None else (self.altitude.table(),)),
            *((Table("How sure", notes=(doubt,)),) if doubt else ()),
            *(() if self.assumed is None else (self.assumed,)),
            Table("Checks before the cut", notes=self.check_lines()),
            Table("Cautions", notes=(*self.bench_cautions(), *ROAD_CAUTIONS)),
        )
        return "\n\n".join(part.text() for part in parts) + "\n"

    def csv(self) -> str:
        """Stations as CSV.

        Returns
        -------
        str
            A header line, a line a station, and last a remark (``#``) that says what made it; ``remove_um`` counts down to
            ``asked_mm``, past the first stop where there is one.  What is no order is left empty: all that is asked where
            filing cannot do it, and the metal to take off a new blank.  ``tolerance_um`` is what turns the touchiest band
            by 1 % lambda, also where it is finer than a hand holds; the sheet prints there what the hand holds, marked.
        """
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        columns = list(CSV_COLUMNS)
        if self.anvil_width_mm is not None:
            columns += [(column.key, column.form) for column in READING_COLUMNS]
        writer.writerow([key for key, _ in columns])
        empty = ORDERED if self.design.stages() == "not yet" else REMOVED if self.design.limits.new_blank else ()
        for row in self.station_rows():
            writer.writerow(["" if key in empty else _cell(row[key], form) for key, form in columns])
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
        Prints itself as text; ``csv()`` gives the table.  A needle that nobody is to make yet drives nowhere: without an
        order for it the other places are left out.
    """
    driven = altitude if design.stages() != "not yet" else None
    return GrindSheet(design, anvil_width_mm, face_on_mark, driven, acknowledged, jet_drive, made_at or now(), assumed)
