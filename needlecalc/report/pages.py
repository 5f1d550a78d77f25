"""Pages for paper: the grind sheet as A4, the profile as a picture."""

from __future__ import annotations

import textwrap
from pathlib import Path

import matplotlib
import matplotlib.pyplot as plt
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.transforms import Bbox

from needlecalc.design.proposal import Design
from needlecalc.report.plot import plot_areas, plot_lambda, plot_profile
from needlecalc.report.sheet import CAUTIONS, GrindSheet
from needlecalc.show import Column

A4_INCHES = (8.27, 11.69)
LINE_SHARE = 10.5 * 1.35 * 1.03 / 72.0 / A4_INCHES[1]  # of the page's height, one line of 10.5 points
LINES_ABOVE = 6
ON_PAPER = (
    "station",
    "distance_mm",
    "present_mm",
    "asked_mm",
    "remove_um",
    "per_side_um",
    "first_stop_mm",
    "tolerance_um",
    "asked_in",
    "measured",
)
# With an anvil width the readings take the place of what can be had from the text.
ON_PAPER_WITH_READINGS = (
    "station",
    "distance_mm",
    "present_mm",
    "present_reads_mm",
    "asked_mm",
    "asked_reads_mm",
    "remove_um",
    "first_stop_mm",
    "first_stop_reads_mm",
    "tolerance_um",
    "measured",
)


def write_pdf(sheet: GrindSheet, path: str | Path) -> None:
    """Write the grind sheet as two A4 pages.

    Parameters
    ----------
    sheet : GrindSheet
        The sheet.
    path : str or Path
        Where to write.
    """
    with matplotlib.rc_context({"font.size": 11, "pdf.fonttype": 42}), PdfPages(path) as pdf:
        for page in (_bench_page(sheet), _reason_page(sheet)):
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


def _bench_page(sheet: GrindSheet) -> Figure:
    """What to do: stations, boxes, jet, cautions."""
    page = plt.figure(figsize=A4_INCHES)
    top = page.add_axes((0.05, 0.80, 0.90, 0.17))
    top.axis("off")
    top.text(0, 1, "GRIND SHEET", fontsize=20, weight="bold", va="top")
    red = [wrapped for note in sheet.red_lines() for wrapped in textwrap.wrap(note, 84)]
    facts = (*sheet.origin(), sheet.design.status, sheet.jet_line(), *sheet.altitude_line())
    lines = [wrapped for note in facts for wrapped in textwrap.wrap(note, 92)]
    top.text(0, 0.80, "\n".join(red), va="top", fontsize=10.5, linespacing=1.35, color="#b00000", weight="bold")
    top.text(0, 0.80 - len(red) * LINE_SHARE / 0.17, "\n".join(lines), va="top", fontsize=10.5, linespacing=1.35)
    # What does not fit above the table moves it down.
    down = max(len(red) + len(lines) - LINES_ABOVE, 0) * LINE_SHARE
    shown = sheet.table()
    rows = shown.rows
    height = min(0.030 * (len(rows) + 2), 0.52)
    body = page.add_axes((0.04, 0.82 - down - height, 0.92, height))
    body.axis("off")
    by_key = {column.key: column for column in shown.columns}
    columns = [by_key[key] for key in (ON_PAPER if sheet.anvil_width_mm is None else ON_PAPER_WITH_READINGS)]
    cells = [[_paper_cell(column, row[column.key]) for column in columns] for row in rows]
    heads = ["\n".join(column.head.rsplit(" ", 1)) for column in columns]
    table = body.table(cellText=cells, colLabels=heads, cellLoc="right", bbox=Bbox.unit())
    table.auto_set_font_size(False)
    for (line, column), cell in table.get_celld().items():
        cell.set_fontsize(9.5 if line == 0 else 11)
        if line == 0:
            cell.set_height(cell.get_height() * 1.6)
            cell.set_facecolor("0.88")
        elif columns[column].key == "asked_mm":
            cell.get_text().set_fontweight("bold")
    notes = [
        *(f"! {note}" for note in shown.notes),
        "Written before the first cut:  instrument ____________  measured cold, washed, two angles  [  ]",
        *CAUTIONS,
    ]
    foot = page.add_axes((0.05, 0.02, 0.90, 0.78 - down - height))
    foot.axis("off")
    wrapped = [line for note in notes for line in textwrap.wrap(note, 108, subsequent_indent="   ")]
    room_points = (0.78 - down - height) * A4_INCHES[1] * 72.0
    size = min(9.5, 9.5 * 24 / len(wrapped), room_points / (1.33 * len(wrapped)))
    foot.text(0, 1, "\n".join(wrapped), va="top", fontsize=size, linespacing=1.3)
    return page


def _paper_cell(column: Column, value: object) -> str:
    return "" if column.key == "measured" else column.text(value)


def _reason_page(sheet: GrindSheet) -> Figure:
    """Why: profile, metering area, lambda."""
    page, axes = plt.subplots(3, 1, figsize=A4_INCHES, layout="constrained")
    plot_profile(sheet.design, ax=axes[0])
    plot_areas(sheet.design, ax=axes[1])
    plot_lambda(sheet.design, ax=axes[2])
    return page
