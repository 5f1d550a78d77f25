"""The grind sheet: what to file, where, and when to stop; as text and as CSV."""

from __future__ import annotations

import csv
import io
from dataclasses import dataclass
from typing import get_args

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.after.altitude import AltitudeOutlook
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.sure import idle_band
from needlecalc.design.inverse.twins import MATCHED_WITHIN_UM
from needlecalc.errors import InputError
from needlecalc.parts.measured import listed
from needlecalc.physics.gauge import FaceOnMark, contact_position_mm, micrometer_reading_mm
from needlecalc.report.sheetwords import (
    BAND_COLUMNS,
    BAND_NOTE,
    CAUTIONS,
    CSV_COLUMNS,
    DECIDE_FIRST,
    DOUBT_WORDS,
    FILL_IN,
    LEGEND,
    NO_CHECKS,
    READING_COLUMNS,
    STATION_COLUMNS,
)
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray


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

    def __post_init__(self) -> None:
        if self.anvil_width_mm is not None:
            check_range(self.anvil_width_mm, "anvil_width_mm", 0.0, 15.0, cure="Flat anvils have 6 to 6.5 mm, blades 0.75.")
        if self.face_on_mark not in get_args(FaceOnMark):
            msg = f"face_on_mark is {self.face_on_mark!r}, but must be 'centre' or 'thick_edge'; see how you set the anvils."
            raise InputError(msg)

    def __repr__(self) -> str:
        return f"Grind sheet for {self.design.present().name!r}: {self.design.status}"

    def jet_line(self) -> str:
        """What to do with the jet nut.

        Returns
        -------
        str
            What, why, and what after.
        """
        return f"{self.design.jet_words()}{self._after()}"

    def _after(self) -> str:
        aim = self.design.idle_to()
        if aim is None or not (self.design.remove_um() > 0.0).any():
            return ""
        target = self.design.target
        wish = float(target.lambda_target[idle_band(self.design.learned, target)])
        other = f", not to its target of {wish:.2f}, which would cost the other bands" if aim != wish else ""
        steps = self.design.limits.flats
        near = f", as near as {steps} flats come" if steps else ""
        return f" After the cut trim idle to lambda {aim:.2f}{near}{other}."

    def origin(self) -> tuple[str, ...]:
        """Where the numbers come from.

        Returns
        -------
        tuple of str
            Setup, log and its hash.
        """
        log = self.design.target.bands.log
        jet = self.design.setup.carburettor.jet
        lines = [
            f"Job: {self.design.setup.name}. Needle {self.design.present().name} ({self.design.present().source}) in a "
            f"{jet.bore_mm:g} mm jet, {jet.mounting}."
        ]
        if log is not None:
            lines.append(f"Log: {log.name}, {log.rpm.size} rows, fingerprint (sha256) {log.sha256[:16]}.")
        checks = self.design.checks
        if checks is not None and checks.reason:
            lines.append(f"RED CHECKS WERE OVERRIDDEN for this cut, reason given: {checks.reason!r}.")
        return tuple(lines)

    def red_lines(self) -> tuple[str, ...]:
        """Red warnings of other altitudes, and who accepts them.

        Returns
        -------
        tuple of str
            Empty where there is none.
        """
        if self.altitude is None or not self.altitude.needs_acknowledging():
            return ()
        signed = self.acknowledged or "__________________  date _________"
        return (*self.altitude.red(), f"File nothing before this is signed. Read and accepted: {signed}")

    def altitude_line(self) -> tuple[str, ...]:
        """Idle and full load at other altitudes.

        Returns
        -------
        tuple of str
            One sentence, or nothing.
        """
        return () if self.altitude is None else (self.altitude.summary(),)

    def stop_order(self) -> str:
        """Where to stop first.

        Returns
        -------
        str
            One sentence.
        """
        if not (self.design.remove_um() > 0.0).any():
            return "First stop: nothing is to be filed."
        if not self.design.met:
            return "First stop: NONE YET. The table shows only how near filing alone would come."
        if self.design.held_back == 0.0:
            return "First stop: the asked diameters, all in one stage."
        return "First stop: file to the FIRST STOP diameters and no further."

    def stop_reason(self) -> str:
        """Why the first stop is there, and what to do then.

        Returns
        -------
        str
            A few sentences; empty where nothing is to be filed.
        """
        design = self.design
        whole, first = 100 * design.chance_rich, 100 * design.chance_rich_first
        if not (design.remove_um() > 0.0).any():
            return ""
        bands = design.target.bands
        rich = [bands.name(b) for b in np.flatnonzero(bands.lambda_measured < design.target.lambda_rich).tolist()]
        so_already = f" Too rich as driven, before any cut: {', '.join(rich)}." if rich else ""
        if not design.met:
            return so_already.strip()
        if design.held_back == 0.0:
            return (
                f"The chance that the cut makes a band too rich is {whole:.0f} %.{so_already} Then measure every diameter, "
                "drive, and measure lambda."
            )
        return (
            f"The chance that the cut makes a band too rich is {whole:.0f} % with all cut at once and {first:.0f} % there."
            f"{so_already} Measure every diameter, drive, and measure lambda before taking more."
        )

    def stop_line(self) -> str:
        """Where to stop first, and why.

        Returns
        -------
        str
            Order and reason.
        """
        return f"{self.stop_order()} {self.stop_reason()}".rstrip()

    def way_line(self) -> str:
        """What must be settled before the file, where filing alone cannot do it.

        Returns
        -------
        str
            One or two sentences; empty where filing serves.
        """
        return "" if self.design.met else DECIDE_FIRST

    def orientation_line(self) -> str:
        """Which end is which.

        Returns
        -------
        str
            Station 1 at the shank, the last towards the tip, with what they measure.
        """
        needle = self.design.present()
        thick, thin, last = needle.diameters_mm[0], needle.diameters_mm[-1], needle.diameters_mm.size
        return (
            f"Which end: station 1 by the shank, thick ({thick:.4f} mm); station {last} by the tip, thin ({thin:.4f} mm). "
            "Confirm both first."
        )

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
        way = (self.way_line(),) if self.way_line() else ()
        orders = (self.design.status, *way, self.jet_line(), self.stop_line(), self.orientation_line())
        intro = (*self.red_lines(), *self.origin(), *orders, *self.altitude_line())
        notes = (*self.warnings(), *self.reading_notes(), *LEGEND, *FILL_IN)
        return Table("GRIND SHEET", columns, rows, intro, notes)

    def warnings(self) -> tuple[str, ...]:
        """What to know before the first stroke.

        Returns
        -------
        tuple of str
            Stations of the present needle that nobody measured, the other needles of the engine, the design's flags,
            and a word where no checks were made.
        """
        guessed = self.design.present().interpolated
        said = [f"Present diameter not measured but interpolated: {listed(guessed)}. Measure it first."] if guessed else []
        if (count := self.design.setup.engine.carburettors) > 1 and (self.design.remove_um() > 0.0).any():
            said.append(
                f"{count} carburettors: file every needle, a sheet each, and refit none before all agree within "
                f"{MATCHED_WITHIN_UM:g} um at every station."
            )
        return (*said, *self.design.flags, *(() if self.design.checks is not None else (NO_CHECKS,)))

    def band_table(self) -> Table:
        """Lambda of each band now, at the first stop and with all off, to be shown.

        Returns
        -------
        Table
            One row a band, with 90 % intervals.
        """
        design = self.design
        at_once = design.held_back == 0.0
        rows = []
        for row, low, high in zip(design.band_rows(), design.first_low, design.first_high, strict=True):
            if at_once:
                first = row["lambda_predicted"], row["lambda_low"], row["lambda_high"]
            else:
                first = row["lambda_first"], float(low), float(high)
            keys = ("lambda_first", "lambda_first_low", "lambda_first_high")
            rows.append({**row, **dict(zip(keys, first, strict=True))})
        return Table("Lambda by band", BAND_COLUMNS, rows, notes=(BAND_NOTE,))

    def doubt_line(self) -> str:
        """What the doubt of the asked diameters mostly comes from.

        Returns
        -------
        str
            One sentence; empty where nothing is cut.
        """
        by_source: dict[str, list[str]] = {}
        for number, source in enumerate(self.design.largest_doubt, start=1):
            if source:
                by_source.setdefault(DOUBT_WORDS.get(source, source), []).append(str(number))
        if not by_source:
            return ""
        said = "; ".join(f"{source} at {', '.join(numbers)}" for source, numbers in by_source.items())
        return f"The doubt of the asked diameters mostly comes from (stations): {said}."

    def check_lines(self) -> tuple[str, ...]:
        """Every check before the cut, in short.

        Returns
        -------
        tuple of str
            What is green and what was not measured, by name; red and amber stand among the warnings.
        """
        checks = self.design.checks
        if checks is None:
            return (NO_CHECKS,)
        lines = [checks.notes()[0]]
        for verdict, words in (
            ("red", "Red"),
            ("amber", "Amber"),
            ("green", "Green"),
            ("not measured", "Not measured, so not proven"),
        ):
            if names := ", ".join(check.name for check in checks.of(verdict)):
                lines.append(f"{words}: {names}.")
        return tuple(lines)

    def station_rows(self) -> list[Row]:
        """What to do at each station, and what the micrometer reads there.

        Returns
        -------
        list of dict
            One a station; without an anvil width the readings are left out.  ``first_off_um`` is what to take off
            down to the first stop, ``remove_um`` down to the asked diameter.
        """
        rows = []
        for row in self.design.station_rows():
            off = 1e3 * (row["present_mm"] - row["first_stop_mm"])
            rows.append({**row, "first_off_um": off, "first_side_um": off / 2.0, "measured": "[      ][      ]"})
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
            "on the mark, while the diameter there is the one named; '-': they would stand over the shoulder.",
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
            Table("Checks before the cut", notes=self.check_lines()),
            Table("Cautions", notes=CAUTIONS),
        )
        return "\n\n".join(part.text() for part in parts) + "\n"

    def csv(self) -> str:
        """Stations as CSV.

        Returns
        -------
        str
            A header line and a line a station.
        """
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        columns = list(CSV_COLUMNS)
        if self.anvil_width_mm is not None:
            columns += [(column.key, column.form) for column in READING_COLUMNS]
        writer.writerow([key for key, _ in columns])
        for row in self.station_rows():
            writer.writerow([_cell(row[key], form) for key, form in columns])
        return out.getvalue()


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

    Returns
    -------
    GrindSheet
        Prints itself as text; ``csv()`` gives the table.
    """
    return GrindSheet(design, anvil_width_mm, face_on_mark, altitude, acknowledged)
