"""Pages for paper: the grind sheet as A4, the profile as a picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import matplotlib
import matplotlib.pyplot as plt
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.layout_engine import ConstrainedLayoutEngine
from matplotlib.patches import Rectangle
from matplotlib.textpath import text_to_path

from needlecalc.design.proposal import Design
from needlecalc.report.plot import plot_areas, plot_lambda, plot_profile
from needlecalc.report.sheet import BENCH_CAUTIONS, LEGEND, ROAD_CAUTIONS, GrindSheet
from needlecalc.show import Column

A4_INCHES = (8.27, 11.69)
WIDTH_PT, HEIGHT_PT, MARGIN_PT = 595.0, 842.0, 34.0
LINE = 1.32
# Type of the first page: smaller only where it saves a page.
SCALES = (1.0, 0.94, 0.88)
WRITE_IN = "write"
# Key, head on paper, share of the width.  Two empty boxes to write readings in stand last.
ON_PAPER = (
    ("station", "station", 0.8),
    ("distance_mm", "from\nshoulder\nmm", 0.95),
    ("present_mm", "present\nmm", 1.0),
    ("first_stop_mm", "FIRST\nSTOP\nmm", 1.1),
    ("asked_mm", "ASKED\nmm", 1.1),
    ("remove_um", "take off\non dia\n\N{MICRO SIGN}m", 0.95),
    ("per_side_um", "take off\nper side\n\N{MICRO SIGN}m", 0.95),
    ("tolerance_um", "hold to\n\N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 0.8),
    (WRITE_IN, "measured\nat 0\N{DEGREE SIGN}\nmm", 1.15),
    (WRITE_IN, "measured\nat 90\N{DEGREE SIGN}\nmm", 1.2),
)
# With an anvil width the readings take the place of what can be had from the text.
ON_PAPER_WITH_READINGS = (
    ("station", "station", 0.75),
    ("distance_mm", "from\nshoulder\nmm", 0.9),
    ("present_mm", "present\nmm", 1.0),
    ("present_reads_mm", "present\nREADS\nmm", 1.0),
    ("first_stop_mm", "FIRST\nSTOP\nmm", 1.0),
    ("first_stop_reads_mm", "FIRST\nREADS\nmm", 1.0),
    ("asked_mm", "ASKED\nmm", 1.0),
    ("asked_reads_mm", "ASKED\nREADS\nmm", 1.0),
    ("remove_um", "take off\non dia\n\N{MICRO SIGN}m", 0.85),
    ("tolerance_um", "hold to\n\N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 0.75),
    (WRITE_IN, "measured\nat 0\N{DEGREE SIGN}\nmm", 1.1),
    (WRITE_IN, "measured\nat 90\N{DEGREE SIGN}\nmm", 1.2),
)
BANDS_ON_PAPER = (
    ("rpm", "rpm", 0.8),
    ("load", "load", 0.8),
    ("lift_mm", "lift\nmm", 0.7),
    ("lambda_measured", "lambda\nNOW", 1.0),
    ("lambda_target", "target", 0.9),
    ("lambda_first", "at FIRST\nSTOP", 1.0),
    ("lambda_first_low", "90 %\nfrom", 0.8),
    ("lambda_first_high", "90 %\nto", 0.8),
    ("lambda_predicted", "with ALL\nOFF", 1.0),
    ("lambda_low", "90 %\nfrom", 0.8),
    ("lambda_high", "90 %\nto", 0.8),
)
DOUBTS_ON_PAPER = (
    ("station", "station", 0.8),
    ("asked_mm", "asked mm", 1.0),
    ("asked_in", "asked in", 1.0),
    ("asked_u_um", "sure to \N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 1.1),
    ("largest_doubt", "doubt mostly from", 2.2),
)
BOLD = frozenset({"first_stop_mm", "asked_mm", "first_stop_reads_mm", "asked_reads_mm", "lambda_first", "lambda_predicted"})
OWN_COLUMNS = (Column("asked_in", "", ".5f"), Column("asked_u_um", "", ".1f"), Column("largest_doubt", ""))


def write_pdf(sheet: GrindSheet, path: str | Path) -> None:
    """Write the grind sheet as A4 pages: for the bench, how sure, and plots.

    Parameters
    ----------
    sheet : GrindSheet
        The sheet.
    path : str or Path
        Where to write.
    """
    with matplotlib.rc_context({"font.size": 11, "pdf.fonttype": 42}), PdfPages(path) as pdf:
        for page in (*_bench(sheet).pages, *_how_sure(sheet).pages, _plots(sheet)):
            pdf.savefig(page)
            plt.close(page)


def write_profile_png(design: Design, path: str | Path) -> None:
    """Write the plot of the old profile against the asked one.

    Parameters
    ----------
    design : Design
        The design.
    path : str or Path
        Where to write.
    """
    with matplotlib.rc_context({"font.size": 14}):
        figure, ax = plt.subplots(figsize=(11, 6), layout="constrained")
        plot_profile(design, ax=ax)
        figure.savefig(path, dpi=110)
        plt.close(figure)


class _Paper:
    """A4 pages filled from the top; what does not fit goes on to the next."""

    def __init__(self, footer: str) -> None:
        self.footer = footer
        self.pages: list[Figure] = []
        self.turn()

    def turn(self) -> None:
        page = plt.figure(figsize=A4_INCHES)
        self.ax = page.add_axes((0.0, 0.0, 1.0, 1.0))
        self.ax.set_xlim(0.0, WIDTH_PT)
        self.ax.set_ylim(0.0, HEIGHT_PT)
        self.ax.axis("off")
        self.pages.append(page)
        self.y = HEIGHT_PT - MARGIN_PT
        number = f", page {len(self.pages)}" if len(self.pages) > 1 else ""
        self.ax.text(MARGIN_PT, 16.0, self.footer + number, fontsize=7.5, color="0.3")

    def need(self, height_pt: float) -> None:
        if self.y - height_pt < MARGIN_PT:
            self.turn()

    def gap(self, height_pt: float) -> None:
        self.y -= height_pt

    def words(self, words: str, size: float, *, bold: bool = False, mark: str = "", inset_pt: float = 0.0) -> None:
        """A paragraph, wrapped; the mark hangs at its left."""
        weight = "bold" if bold else "normal"
        hang = 0.9 * size if mark else 0.0
        x = MARGIN_PT + inset_pt + hang
        for number, line in enumerate(_wrapped(words, size, weight, WIDTH_PT - MARGIN_PT - inset_pt - x)):
            self.need(LINE * size)
            if mark and number == 0:
                self.ax.text(x - hang, self.y, mark, fontsize=size, weight="bold", va="top")
            self.ax.text(x, self.y, line, fontsize=size, weight=weight, va="top", parse_math=False)
            self.y -= LINE * size

    def heading(self, words: str) -> None:
        """A heading that never stands alone at the foot of a page."""
        self.gap(10.0)
        self.need(70.0)
        self.words(words, 12, bold=True)
        self.gap(3.0)

    def boxed(self, paragraphs: Sequence[str], size: float, *, bold: bool = False) -> None:
        """Paragraphs in a heavy frame."""
        weight = "bold" if bold else "normal"
        inset = 10.0
        width = WIDTH_PT - 2 * (MARGIN_PT + inset)
        lines = sum(len(_wrapped(words, size, weight, width)) for words in paragraphs)
        height = LINE * size * lines + 4.0 * len(paragraphs) + 10.0
        self.need(height)
        top = self.y
        self.gap(7.0)
        for words in paragraphs:
            self.words(words, size, bold=bold, inset_pt=inset)
            self.gap(4.0)
        self.y = top - height
        self.ax.add_patch(Rectangle((MARGIN_PT, self.y), WIDTH_PT - 2 * MARGIN_PT, height, fill=False, lw=1.8))

    def table(
        self,
        columns: Sequence[tuple[str, str, float]],
        rows: Sequence[dict[str, str]],
        *,
        size: float,
        row_pt: float,
        grey: Sequence[bool] = (),
    ) -> None:
        """A ruled table; its head is printed again on every page it runs on to."""
        unit = (WIDTH_PT - 2 * MARGIN_PT) / sum(share for _, _, share in columns)
        head_pt = 6.0 + 0.82 * LINE * size * max(head.count("\n") + 1 for _, head, _ in columns)
        self.need(head_pt + 2 * row_pt)
        self._row([head for _, head, _ in columns], columns, unit, head_pt, 0.82 * size, "0.86")
        for number, row in enumerate(rows):
            if self.y - row_pt < MARGIN_PT:
                self.turn()
                self._row([head for _, head, _ in columns], columns, unit, head_pt, 0.82 * size, "0.86")
            shade = "0.94" if grey and grey[number] else "white"
            plain = bool(grey and grey[number])
            self._row(
                [row.get(key, "") for key, _, _ in columns], columns, unit, row_pt, size, shade, plain=plain, body=True
            )

    def _row(
        self,
        cells: Sequence[str],
        columns: Sequence[tuple[str, str, float]],
        unit: float,
        height_pt: float,
        size: float,
        shade: str,
        *,
        plain: bool = False,
        body: bool = False,
    ) -> None:
        x = MARGIN_PT
        for cell, (key, _, share) in zip(cells, columns, strict=True):
            width = share * unit
            face = "white" if key == WRITE_IN and body else shade
            self.ax.add_patch(
                Rectangle((x, self.y - height_pt), width, height_pt, facecolor=face, edgecolor="black", lw=0.7)
            )
            weight = "bold" if key in BOLD and not plain else "normal"
            self.ax.text(
                x + width / 2,
                self.y - height_pt / 2,
                cell,
                fontsize=size,
                weight=weight,
                ha="center",
                va="center_baseline" if body else "center",
                linespacing=1.05,
            )
            x += width
        self.y -= height_pt


def _wrapped(words: str, size: float, weight: str, width_pt: float) -> list[str]:
    """Lines no wider than this, by the width the type really has."""
    font = FontProperties(size=size, weight=weight)
    lines = [""]
    for word in words.split(" "):
        longer = f"{lines[-1]} {word}" if lines[-1] else word
        if lines[-1] and text_to_path.get_text_width_height_descent(longer, font, ismath=False)[0] > width_pt:
            lines.append(word)
        else:
            lines[-1] = longer
    return lines


def _bench(sheet: GrindSheet) -> _Paper:
    """What to do, on one page if smaller type can bring it there."""
    for scale in SCALES:
        paper = _bench_at(sheet, scale)
        if len(paper.pages) == 1:
            return paper
        for page in paper.pages:
            plt.close(page)
    return _bench_at(sheet, 1.0)


def _bench_at(sheet: GrindSheet, scale: float) -> _Paper:
    """Stations, boxes to write in, jet, first stop, warnings."""
    design = sheet.design
    paper = _Paper(f"{design.setup.name}: grind sheet, for the bench")
    paper.words("GRIND SHEET", 21, bold=True)
    for line in sheet.origin():
        red = line.startswith("RED")
        paper.words(line, 11.5 if red else 9, bold=red)
    paper.gap(5.0)
    paper.words(design.status, 13 * scale, bold=True)
    paper.gap(4.0)
    if to_sign := sheet.red_lines():
        paper.boxed(to_sign, 11 * scale, bold=True)
        paper.gap(5.0)
    paper.boxed((sheet.jet_line(), sheet.stop_line()), 11.5 * scale)
    paper.gap(8.0)
    columns = ON_PAPER if sheet.anvil_width_mm is None else ON_PAPER_WITH_READINGS
    untouched = [remove == 0.0 for remove in design.remove_um().tolist()]
    rows = _cells(sheet)
    for row, leave in zip(rows, untouched, strict=True):
        if leave:
            row.update(first_stop_mm="leave", asked_mm="leave", remove_um="-", per_side_um="-")
            row.update({key: "-" for key in ("first_stop_reads_mm", "asked_reads_mm")})
    row_pt = scale * min(25.0, max(17.0, 330.0 / len(rows)))
    size = 12.0 if sheet.anvil_width_mm is None else 9.5
    paper.table(columns, rows, size=size, row_pt=row_pt, grey=untouched)
    paper.gap(6.0)
    paper.words(
        "Diameters and what to take off are on diameter, but for the column that says per side. Shaded: leave as it is. "
        "Hold to: an error of this size at every station turns the touchiest band by 1 % lambda.",
        9,
    )
    paper.gap(4.0)
    paper.words("Instrument ______________   zero reads ________   washed and cold [   ]   date _________   by ________", 10)
    paper.gap(5.0)
    for note in (*sheet.altitude_line(), *sheet.warnings(), *sheet.reading_notes()):
        paper.words(note, 10.5 * scale, mark="!")
    paper.gap(5.0)
    # Where the sheet says what the anvils will read, it need not warn of them.
    for note in BENCH_CAUTIONS if sheet.anvil_width_mm is None else BENCH_CAUTIONS[:-1]:
        paper.words(note, 10 * scale)
        paper.gap(2.0)
    return paper


def _cells(sheet: GrindSheet) -> list[dict[str, str]]:
    """Cells of the stations as they print."""
    by_key = {column.key: column for column in (*sheet.table().columns, *OWN_COLUMNS)}
    return [
        {key: column.text(row.get(key)) for key, column in by_key.items() if key != "measured"}
        for row in sheet.station_rows()
    ]


def _how_sure(sheet: GrindSheet) -> _Paper:
    """What lambda will be and how sure, the doubt of the diameters, checks, cautions of the road."""
    design = sheet.design
    paper = _Paper(f"{design.setup.name}: grind sheet, how sure")
    paper.words("LAMBDA BY BAND", 15, bold=True)
    paper.gap(3.0)
    shown = sheet.band_table()
    rows = [{column.key: column.text(row[column.key]) for column in shown.columns} for row in shown.rows]
    paper.table(BANDS_ON_PAPER, rows, size=10.5, row_pt=min(19.0, max(14.0, 300.0 / len(rows))))
    paper.gap(4.0)
    for note in shown.notes:
        paper.words(note, 9)
    if sheet.altitude is not None:
        # The table's own columns differ with what was asked, so it is set as it prints.
        there = sheet.altitude.table()
        paper.heading(there.title.upper())
        columns = [(column.key, column.head, 1.0) for column in there.columns]
        lines = [{column.key: column.text(row.get(column.key)) for column in there.columns} for row in there.rows]
        paper.table(columns, lines, size=9, row_pt=14.0)
        paper.gap(4.0)
        for note in there.notes:
            paper.words(note, 9)
    cut = [row for row, remove in zip(_cells(sheet), design.remove_um().tolist(), strict=True) if remove > 0.0]
    if cut:
        paper.heading("HOW SURE THE ASKED DIAMETERS ARE")
        paper.table(DOUBTS_ON_PAPER, cut, size=10, row_pt=15.0)
        paper.gap(4.0)
        paper.words(LEGEND[1], 9)
    paper.heading("CHECKS BEFORE THE CUT")
    for note in sheet.check_lines():
        paper.words(note, 9.5)
    paper.heading("ON THE ROAD")
    for note in ROAD_CAUTIONS:
        paper.words(note, 10)
    return paper


def _plots(sheet: GrindSheet) -> Figure:
    """Profile, metering area, lambda."""
    margins = ConstrainedLayoutEngine(rect=(0.03, 0.02, 0.94, 0.96))
    page, axes = plt.subplots(3, 1, figsize=A4_INCHES, layout=margins)
    plot_profile(sheet.design, ax=axes[0])
    plot_areas(sheet.design, ax=axes[1])
    plot_lambda(sheet.design, ax=axes[2])
    return page
