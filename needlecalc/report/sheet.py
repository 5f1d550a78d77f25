"""The grind sheet: orders, stations, bands and plots on their pages; as text, on paper, as HTML and as CSV."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from datetime import datetime
from typing import Any, get_args

import numpy as np

from needlecalc.arrays import check_choice, check_range
from needlecalc.design.after.altitude import AltitudeOutlook
from needlecalc.design.after.changes import Changes
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.physics.gauge import FaceOnMark
from needlecalc.report import after, say
from needlecalc.report.document import BOX, Block, Document, Grid, Page, Paper, Printed, Weight, Words, pages_of
from needlecalc.report.language import in_its_language, words, words_sheet, words_slide
from needlecalc.report.needleview import needle_view
from needlecalc.report.orders import Orders
from needlecalc.report.stations import csv_of
from needlecalc.report.tables import band_columns
from needlecalc.show import Column, Table
from needlecalc.units import MM_PER_INCH, FloatArray
from needlecalc.version import now

ZERO_BY = 2  # stations left alone that show the zero of the instrument
FINAL_FORMS = {"station": "d", "target_mm": ".3f", "target_in": ".4f", "target_u_um": ".0f", "mostly_from": ""}
ANGLES = ("angle_0", "angle_90")
FORMS = {"station": "d", **dict.fromkeys(ANGLES, "")}  # the other cells are text, set flush right
WIDTHS = {"station": 0.75, "distance": 0.85, "stop": 1.25, "stop_reads": 1.25, "off": 0.8, "side": 0.8, "hold": 0.75,
          "angle_0": 1.2, "angle_90": 1.2}  # fmt: skip


@dataclass(frozen=True, repr=False, eq=False)
class GrindSheet(Orders, Printed):
    """A design arranged for the bench; its fields are what :func:`grind_sheet` takes.

    Raises
    ------
    InputError
        If the width is impossible or the word unknown.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.job.sheet(road.design)
    Grind sheet for 'van as fitted': usable
    """

    def __post_init__(self) -> None:
        if self.anvil_width_mm is not None:
            check_range(self.anvil_width_mm, "anvil_width_mm", 0.0, 15.0, cure="Flat anvils have 6 to 6.5 mm, blades 0.75.")
        check_choice(self.face_on_mark, "face_on_mark", get_args(FaceOnMark), cure="see how you set the anvils.")

    def __repr__(self) -> str:
        return f"Grind sheet for {self.design.present().name!r}: {self.design.verdict.kind}"

    @in_its_language
    def document(self) -> Document:
        """The pages: for the bench, how uncertain, plots."""
        pages = (
            Page(words_sheet.BENCH, self._bench()),
            Page(words_sheet.HOW_UNCERTAIN, self._how_uncertain()),
            Page(words_sheet.PLOTS, self._plots()),
        )
        bands, job = self.design.target.bands, self.design.setup.name
        return pages_of(words_sheet.TITLE, pages, bands, job, self.paper, self.made_at)

    def _bench(self) -> tuple[Block, ...]:
        """What to do: orders, stations with boxes to write in, what to know before the first stroke."""
        present, last = self.design.present(), self.design.present().diameters_mm.size
        unit, size = words_sheet.UNITS[self.paper.unit], self._lengths(present.diameters_mm)
        ends = [words_sheet.END.format(station=at, diameter=size[at - 1], unit=unit) for at in (1, last)]
        filed = ~self.left_alone() & (not self.design.limits.new_blank)
        which = words_sheet.WHICH_END.format(thick=size[0], thin=size[-1], last=last, unit=unit)
        return (
            Words(f"{words_sheet.TITLE}   {self.design.setup.name}", Weight.TITLE, verbatim=True),
            *(Words(line, Weight.ORDER) for line in self.orders()),
            needle_view(present, filed, (ends[0], ends[1]), words_slide.HOLDER if self.slide else words_sheet.HOLDER),
            self.grid(),
            Words(self.legend(), Weight.SMALL),
            *(
                (
                    Words(
                        words_sheet.READINGS.format(width=self.anvil_width_mm, edge=words_sheet.EDGES[self.face_on_mark]),
                        Weight.SMALL,
                    ),
                )
                if self.anvil_width_mm is not None
                else ()
            ),
            self.to_fill_in(),
            *(Words(line, Weight.GRAVE, mark="!") for line in self.warnings()),
            *(Words(line) for line in self.alternative_lines()),
            *(Words(line, Weight.SMALL, mark="*") for line in (which, *self.bench_cautions())),
        )

    def _how_uncertain(self) -> tuple[Block, ...]:
        """What lambda will be, final diameters, what was assumed, checks, where it all comes from."""
        bands, finals = self.band_table(), self._finals()
        blocks: list[Block] = [
            Words(words_sheet.WHAT_IT_BRINGS, Weight.HEADING),
            *(Words(line) for line in (*say.verdict(self.design), say.chance(self.design)) if line),
            Grid(Table(bands.title, bands.columns, bands.rows), widths={"load": 1.4, "stop_span": 1.6, "final_span": 1.6}),
            *(Words(note, Weight.SMALL) for note in bands.notes),
        ]
        if self.altitude is not None:
            there = self.altitude.table()
            blocks.append(Grid(Table(words_sheet.BY_ALTITUDE, there.columns, there.rows)))
            blocks += [Words(note, Weight.SMALL) for note in after.altitude_notes(self.altitude)]
        if self.changes is not None:
            tried = self.changes.table()
            blocks.append(Grid(Table(tried.title, tried.columns, tried.rows), widths={"what": 3.0, "worst_band": 1.5}))
            blocks += [Words(note, Weight.SMALL) for note in tried.notes]
        if finals is not None:
            blocks += [finals, Words(words_sheet.UNCERTAINTY, Weight.SMALL)]
        if self.assumed is not None:
            shown = self.assumed
            blocks.append(Grid(Table(shown.title, shown.columns, shown.rows), widths={"what": 3.0}))
            blocks += [Words(note, Weight.SMALL) for note in shown.notes]
        for head, lines in ((words_sheet.ELSE, self.notes()), (words_sheet.CHECKED, self.check_lines())):
            blocks += [Words(head, Weight.HEADING)] if lines else []
            blocks += [Words(line, Weight.SMALL, mark="*") for line in lines]
        blocks += [Words(line, Weight.SMALL, mark="*", verbatim=True) for line in self.origin()]
        return tuple(blocks)

    def _plots(self) -> tuple[Block, ...]:
        """Profile, what comes off, and lambda, with their captions."""
        from needlecalc.report.plot import picture  # late: only paper draws

        parts = ("profile", "cut", "lambda") if self.works() else ("profile", "lambda")
        return tuple(picture(self.design, part) for part in parts)

    def _lengths(self, values_mm: FloatArray) -> list[str]:
        """Diameters as a micrometer of the paper's unit shows them."""
        known = [(value, np.isfinite(value)) for value in values_mm.tolist()]
        inch = self.paper.unit == "inch"
        return [(f"{value / MM_PER_INCH:.4f}" if inch else f"{value:.3f}") if real else "-" for value, real in known]

    def grid(self) -> Grid:
        """Stations as the bench needs them: one bold column, the diameter to stop at, and boxes for two angles."""
        by_key = {column.key: np.asarray(column.values) for column in self.columns()}
        kept, works, blank = self.left_alone(), self.works(), self.design.limits.new_blank
        wide, heads = self.anvil_width_mm is not None, words_sheet.HEADS[self.paper.unit]
        if self.slide:
            heads = heads | {"distance": words_slide.DISTANCE[self.paper.unit]}
        cells: dict[str, Sequence[Any]] = {"station": by_key["station"].tolist()}
        cells["distance"] = self._lengths(by_key["distance_mm"])
        cells["present"] = self._lengths(by_key["present_mm"])
        if wide:
            cells["present_reads"] = self._lengths(by_key["present_reads_mm"])
        if works:
            left = [words_sheet.LEAVE if alone else "" for alone in kept.tolist()]
            cells["stop"] = [alone or said for alone, said in zip(left, self._lengths(by_key["stop_mm"]), strict=True)]
            if wide:
                # Wide anvils reach a station that is cut beside one that is left: it then reads otherwise, untouched.
                cells["stop_reads"] = self._lengths(by_key["stop_reads_mm"])
            if not blank:
                for key in ("off", "side"):
                    off = zip(kept.tolist(), self.taken_off(by_key[f"stop_{key}_um"]), strict=True)
                    cells[key] = ["" if alone else said for alone, said in off]
            finer = zip(kept.tolist(), self.taken_off(by_key["hold_um"]), by_key["finer"].tolist(), strict=True)
            cells["hold"] = ["" if alone else f"{said}{'*' * fine}" for alone, said, fine in finer]
        cells |= {key: [BOX] * kept.size for key in ANGLES}
        raw = self.station_rows()
        rows = [{**row, **{key: cells[key][at] for key in cells}} for at, row in enumerate(raw)]
        columns = [Column(key, heads[key], FORMS.get(key, "s")) for key in cells]
        bold = ("stop_reads" if wide else "stop") if works else ""
        row_pt = min(19.0, max(14.5, 290.0 / len(rows)))
        return Grid(Table("", columns, rows), bold, kept.tolist() if works else (), WIDTHS, 9.0 if wide else 10.5, row_pt)

    def legend(self) -> str:
        """How the table is meant."""
        if not self.works():
            return words_sheet.ON_DIAMETER
        return (
            f"{words_sheet.ON_DIAMETER} {'' if self.design.limits.new_blank else words_sheet.GREY} {self.tolerance_line()}"
        )

    def to_fill_in(self) -> Grid:
        """Boxes for the instrument and its zero, by two stations left alone, and for the shoulder before and after."""
        alone = np.flatnonzero(self.left_alone())
        size, unit = self._lengths(self.design.present().diameters_mm), words_sheet.UNITS[self.paper.unit]
        zero = {
            f"zero_{at}": words_sheet.FILL_ZERO.format(station=at + 1, diameter=size[at], unit=unit)
            for at in alone[alone > 0][:ZERO_BY].tolist()
        }
        held = words_slide.FILL if self.slide else words_sheet.FILL_SHOULDER
        shoulder = held if self.works() and not self.design.limits.new_blank else {}
        heads = {**words_sheet.FILL_INSTRUMENT, **(zero if self.works() else {}), **shoulder, **words_sheet.FILL_WHO}
        columns = [Column(key, head.format(unit=unit), "", [BOX]) for key, head in heads.items()]
        return Grid(Table("", columns), size=9.0, row_pt=22.0, widths={"instrument": 1.5})

    def _finals(self) -> Grid | None:
        """Final diameters of the stations that are cut, how uncertain, and why."""
        cut = [row for row in self.station_rows() if row["remove_um"] != 0.0 or self.design.limits.new_blank]
        if not cut or not self.works():
            return None
        for row in cut:
            row["mostly_from"] = words.SOURCES[row["mostly_from"]] if row["mostly_from"] else ""
        columns = [Column(key, head, FINAL_FORMS[key]) for key, head in words_sheet.FINALS.items()]
        return Grid(Table(words_sheet.FINAL_DIAMETERS, columns, cut), widths={"mostly_from": 2.4})

    @in_its_language
    def band_table(self) -> Table:
        """Lambda of each band now, where to stop, and at the final diameters, with 90 % intervals."""
        stages, design = self.design.stages(), self.design
        given = {column.key: column for column in band_columns(design)}
        spans = {}
        for key in ("stop", "final"):
            low, high = (np.asarray(given[f"lambda_{key}_{end}"].values) for end in ("low", "high"))
            spans[f"{key}_span"] = [words_sheet.SPAN.format(low=a, high=b) for a, b in zip(low, high, strict=True)]
        given |= {key: Column(key, "", "", values) for key, values in spans.items()}
        heads = words.CALLED | words_sheet.BANDS[stages] | ({"lift_mm": words_slide.BAND_OPENING} if self.slide else {})
        columns = [replace(column, head=heads.get(key, "")) for key, column in given.items()]
        printed = sorted(columns, key=lambda one: list(heads).index(one.key) if one.key in heads else len(heads))
        return Table(words_sheet.BY_BAND, printed, notes=(self.band_note(),))

    def band_note(self) -> str:
        """What the figures of the bands mean."""
        stages = self.design.stages()
        means = words_sheet.FINAL_MEANS.format(which=words_sheet.HEIGHT if self.slide else words_sheet.JET)
        said = [words_sheet.INTERVAL] + ([means] if stages is Stages.IN_STAGES else [])
        if self.design.idle_to() is not None and (self.works() or self.design.turns()):
            said.append(words_slide.IDLE_TRIMMED if self.slide else words_sheet.IDLE_TRIMMED)
        return " ".join(said)

    @in_its_language
    def table(self) -> Table:
        """Stations with boxes for the measured values, orders above, what to know below."""
        shown = self.grid().table
        notes = (*self.warnings(), *self.alternative_lines(), self.legend(), *self.bench_cautions())
        return Table(words_sheet.TITLE, shown.columns, shown.rows, intro=self.orders(), notes=notes)

    def csv(self) -> str:
        """Stations as CSV, with empty columns to type the readings in; last a remark (``#``) that says what made it."""
        readings = self.anvil_width_mm is not None
        return csv_of(self.design, self.columns(), self.station_rows(), self.made_line(), readings=readings)


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
    paper: Paper | None = None,
    changes: Changes | None = None,
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
    paper : Paper or None
        What it is printed on; A4 in mm when not given.
    changes : Changes or None
        What could be changed in place of filing, as :func:`try_changes` found it.

    Returns
    -------
    GrindSheet
        Prints itself as text; ``csv()`` gives the table.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> grind_sheet(road.design)
    Grind sheet for 'van as fitted': usable
    """
    made = made_at or now()
    return GrindSheet(
        design, anvil_width_mm, face_on_mark, altitude, acknowledged, jet_drive, made, assumed, paper or Paper(), changes
    )
