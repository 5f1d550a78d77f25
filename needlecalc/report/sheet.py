"""The grind sheet: orders, stations, bands and plots on their pages; as CSV, and as the facts that ``design.json`` holds."""

from __future__ import annotations

import csv
import io
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, is_dataclass, replace
from datetime import datetime
from enum import Enum
from typing import Any, get_args

import numpy as np

from needlecalc.arrays import check_choice, check_range
from needlecalc.design.after.altitude import AltitudeOutlook
from needlecalc.design.after.changes import Changes
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.inverse.alternatives import Alternative
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.physics.gauge import FaceOnMark
from needlecalc.report import after, say
from needlecalc.report.document import BOX, Block, Document, Grid, Page, Paper, Printed, Weight, Words, noted, pages_of
from needlecalc.report.drawing import needle_view
from needlecalc.report.language import in_its_language, words, words_pages, words_sheet
from needlecalc.report.orders import Orders
from needlecalc.report.tables import band_columns, headed
from needlecalc.show import NOT_KNOWN, Column, Table
from needlecalc.units import MM_PER_INCH, FloatArray
from needlecalc.version import made_facts, now

FORMAT = 5
ZERO_BY = 2  # stations left alone that show the zero of the instrument
ANGLES = ("angle_0", "angle_90")
# Of the CSV; the names of diameters are as other programs read them, and readings are typed into the last two.
CSV = (
    *("station", "distance_mm", "present_mm", "target_mm", "remove_um", "per_side_um", "stop_mm", "tolerance_um"),
    *("present_in", "target_in", "data"),
)
CSV_READINGS = ("present_reads_mm", "stop_reads_mm", "target_reads_mm")
CSV_NAMES = {"target": "asked", "stop": "first_stop"}
TO_TYPE = ("measured_mm", "measured_2_mm")
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
            needle_view(present, filed, (ends[0], ends[1])),
            self.grid(),
            Words(self.legend(), Weight.SMALL),
            self.to_fill_in(),
            *(Words(line, Weight.GRAVE, mark="!") for line in self.warnings()),
            *(Words(line) for line in self.alternative_lines()),
            *(Words(line, Weight.SMALL, mark="*") for line in (which, *self.bench_cautions())),
        )

    def _how_uncertain(self) -> tuple[Block, ...]:
        """What lambda will be, final diameters, what was assumed, checks, where it all comes from."""
        finals = self._finals()
        blocks: list[Block] = [
            Words(words_sheet.WHAT_IT_BRINGS, Weight.HEADING),
            *(Words(line) for line in (*say.verdict(self.design), say.chance(self.design)) if line),
            *noted(self.band_table(), {"load": 1.4, "stop_span": 1.6, "final_span": 1.6}),
        ]
        if self.altitude is not None:
            there, notes = self.altitude.table(), after.altitude_notes(self.altitude)
            blocks += noted(replace(there, title=words_sheet.BY_ALTITUDE, notes=notes), {})
        if self.changes is not None:
            blocks += noted(self.changes.table(), {"what": 3.0, "worst_band": 1.5})
        if finals is not None:
            blocks += noted(finals, {"mostly_from": 2.4})
        if self.assumed is not None:
            blocks += noted(self.assumed, {"what": 3.0})
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
        form, per = (".4f", MM_PER_INCH) if self.paper.unit == "inch" else (".3f", 1.0)
        return [Column("", "", form).text(value / per) for value in values_mm.tolist()]

    def grid(self) -> Grid:
        """Stations as the bench needs them: one bold column, the diameter to stop at, and boxes for two angles."""
        exact = {column.key: np.asarray(column.values) for column in self.columns()}
        kept, wide = self.left_alone().tolist(), self.anvil_width_mm is not None
        unit, cut = words_sheet.HEAD_UNITS[self.paper.unit]
        heads = {key: head.format(unit=unit, cut=cut) for key, head in words_sheet.HEADS.items()}

        def where_filed(cells: Sequence[str], else_said: str = "") -> list[str]:
            return [else_said if alone else cell for alone, cell in zip(kept, cells, strict=True)]

        shown = ["distance", "present", *(["present_reads"] if wide else [])]
        cells: dict[str, Sequence[Any]] = {key: self._lengths(exact[f"{key}_mm"]) for key in shown}
        if self.works():
            cells["stop"] = where_filed(self._lengths(exact["stop_mm"]), words_sheet.LEAVE)
            if wide:
                # Wide anvils reach a station that is cut beside one that is left: it then reads otherwise, untouched.
                cells["stop_reads"] = self._lengths(exact["stop_reads_mm"])
            if not self.design.limits.new_blank:
                cells |= {key: where_filed(self.taken_off(exact[f"stop_{key}_um"])) for key in ("off", "side")}
            finer = zip(self.taken_off(exact["hold_um"]), exact["finer"].tolist(), strict=True)
            cells["hold"] = where_filed([f"{said}{'*' * fine}" for said, fine in finer])
        cells |= {key: [BOX] * len(kept) for key in ANGLES}
        # The station is a number, boxes stand left, the other cells are text set flush right.
        printed = [Column(key, heads[key], "" if key in ANGLES else "s", values) for key, values in cells.items()]
        station = Column("station", heads["station"], "d", exact["station"])
        hidden = [replace(column, head="") for column in self.columns() if column.key != "station"]
        bold = ("stop_reads" if wide else "stop") if self.works() else ""
        row_pt = min(19.0, max(14.5, 290.0 / len(kept)))
        shaded = kept if self.works() else ()
        return Grid(Table("", [station, *printed, *hidden]), bold, shaded, WIDTHS, 9.0 if wide else 10.5, row_pt)

    def legend(self) -> str:
        """How the table is meant."""
        said = [words_sheet.ON_DIAMETER]
        if self.works():
            said += [*([] if self.design.limits.new_blank else [words_sheet.GREY]), self.tolerance_line()]
        if self.anvil_width_mm is not None:
            edge = words_sheet.EDGES[self.face_on_mark]
            said.append(words_sheet.READINGS.format(width=self.anvil_width_mm, edge=edge))
        return " ".join(said)

    def to_fill_in(self) -> Grid:
        """Boxes for the instrument and its zero, by two stations left alone, and for the shoulder before and after."""
        alone = np.flatnonzero(self.left_alone())
        size, unit = self._lengths(self.design.present().diameters_mm), words_sheet.UNITS[self.paper.unit]
        zero = {
            f"zero_{at}": words_sheet.FILL_ZERO.format(station=at + 1, diameter=size[at], unit=unit)
            for at in alone[alone > 0][:ZERO_BY].tolist()
        }
        shoulder = words_sheet.FILL_SHOULDER if self.works() and not self.design.limits.new_blank else {}
        heads = {**words_sheet.FILL_INSTRUMENT, **(zero if self.works() else {}), **shoulder, **words_sheet.FILL_WHO}
        columns = [Column(key, head.format(unit=unit), "", [BOX]) for key, head in heads.items()]
        return Grid(Table("", columns), size=9.0, row_pt=22.0, widths={"instrument": 1.5})

    def _finals(self) -> Table | None:
        """Final diameters of the stations that are cut, how uncertain, and why."""
        cut = [row for row in self.station_rows() if row["remove_um"] != 0.0 or self.design.limits.new_blank]
        if not cut or not self.works():
            return None
        forms = {"station": "d", "target_mm": ".3f", "target_in": ".4f", "target_u_um": ".0f", "mostly_from": ""}
        columns = [Column(key, head, forms[key]) for key, head in words_sheet.FINALS.items()]
        rows = [{**row, "mostly_from": words.SOURCES.get(row["mostly_from"], "")} for row in cut]
        return Table(words_sheet.FINAL_DIAMETERS, columns, rows, notes=(words_sheet.UNCERTAINTY,))

    @in_its_language
    def band_table(self) -> Table:
        """Lambda of each band now, where to stop, and at the final diameters, with 90 % intervals."""
        columns = band_columns(self.design)
        given = {column.key: column.values for column in columns}

        def spans(key: str) -> list[str]:
            ends = zip(given[f"lambda_{key}_low"], given[f"lambda_{key}_high"], strict=True)
            return [words_pages.SPAN.format(low=low, high=high) for low, high in ends]

        columns += tuple(Column(f"{key}_span", "", "", spans(key)) for key in ("stop", "final"))
        stages = self.design.stages()
        heads = words.CALLED | words_sheet.BANDS | {"lambda_final": words_sheet.FINAL_HEADS[stages]}
        if stages is not Stages.IN_STAGES:
            heads |= {"lambda_stop": "", "stop_span": ""}
        return Table(words_pages.BY_BAND, headed(columns, heads), notes=(self.band_note(),))

    def band_note(self) -> str:
        """What the figures of the bands mean."""
        stages = self.design.stages()
        means = words_sheet.FINAL_MEANS.format(which=words_sheet.JET)
        said = [words_sheet.INTERVAL] + ([means] if stages is Stages.IN_STAGES else [])
        if self.design.idle_to() is not None and (self.works() or self.design.turns()):
            said.append(words_sheet.IDLE_TRIMMED)
        return " ".join(said)

    @in_its_language
    def table(self) -> Table:
        """Stations with boxes for the measured values, orders above, what to know below."""
        shown = self.grid().table
        notes = (*self.warnings(), *self.alternative_lines(), self.legend(), *self.bench_cautions())
        return Table(words_sheet.TITLE, shown.columns, shown.rows, intro=self.orders(), notes=notes)

    def csv(self) -> str:
        """Stations as CSV, with empty columns to type the readings in; last a remark (``#``) that says what made it."""
        keys = CSV + (CSV_READINGS if self.anvil_width_mm is not None else ())
        by_key = {column.key: column for column in self.columns()}
        out = io.StringIO()
        writer = csv.writer(out, lineterminator="\n")
        writer.writerow(["_".join(CSV_NAMES.get(part, part) for part in key.split("_")) for key in (*keys, *TO_TYPE)])
        for row in self.station_rows():
            row["tolerance_um"] = row["tolerance_um"] if row["remove_um"] else None
            if self.design.limits.new_blank:  # nobody knows how thick its rod is
                row["remove_um"] = row["per_side_um"] = None
            cells = [by_key[key].text(row[key]) for key in keys]
            writer.writerow([*("" if cell == NOT_KNOWN else cell for cell in cells), *("" for _ in TO_TYPE)])
        return f"{out.getvalue()}# {self.made_line()}\n"


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


def facts_of(sheet: GrindSheet) -> dict[str, Any]:
    """Facts of a sheet and its design, no sentence among them; what is not known is None."""
    design, altitude = sheet.design, sheet.altitude
    log, jet = design.target.bands.log, design.setup.carburettor.jet
    facts = {
        "format": FORMAT,
        "job": design.setup.name,
        "made_by": made_facts(sheet.made_at),
        "verdict": {"met": design.met, **_fields(design.verdict)},
        "stages": design.stages(),
        "before_cutting": sheet.before_remarks(),
        "altitude_red": None if altitude is None else altitude.red(),
        "remarks": design.remarks,
        "alternatives": [_alternative(one, sheet) for one in design.alternatives],
        "next_step": design.next_step,
        "checks": None if design.checks is None else [check.facts() for check in design.checks.checks],
        "override": design.checks.reason if design.checks else None,
        "stations_mm": design.needle.stations_mm,
        "present_mm": design.present().diameters_mm,
        "stop_mm": design.stop.needle.diameters_mm,  # as planned; the sheet leaves what no hand can tell: design.stop_mm()
        "target_mm": design.needle.diameters_mm,
        "jet_drop_mm": {"before": jet.drop_mm, "target": design.drop_mm},
        "stations": {**_fields(design.stations), "u_um": design.stations.u_um, "mostly_from": design.stations.mostly_from},
        "risk": design.risk,
        "lean_margin": design.lean_margin,
        "chance_rich": design.final.chance_rich,
        "chance_rich_stop": design.stop.chance_rich,
        "chance_least": design.chance_least,
        "chance_fails": design.final.chance_fails,
        "chance_fails_stop": design.stop.chance_fails,
        "bands": [dict(row) for row in design.band_table().rows],
        "log": None if log is None else {"file": log.name, "sha256": log.sha256},
    }
    return {key: _plain(value) for key, value in facts.items()}


def _alternative(one: Alternative, sheet: GrindSheet) -> dict[str, Any]:
    called = sheet.design.target.called
    named = {"band": called(one.band)[0], "worst_band": called(one.worst())[0], "missed": one.missed()}
    return {**_fields(one), **named}


def _fields(record: Any) -> dict[str, Any]:
    return {key: getattr(record, key) for key in record.__dataclass_fields__}


def _plain(value: Any) -> Any:
    """The same in what JSON knows: names for kinds, None for what is no number."""
    if isinstance(value, Enum):
        return value.value
    if hasattr(value, "_asdict"):
        return _plain(value._asdict())
    if is_dataclass(value):
        return _plain(_fields(value))
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value
