"""Pages for paper: the grind sheet as A4, the profile as a picture."""

from __future__ import annotations

from datetime import datetime
from io import BytesIO
from pathlib import Path

import matplotlib
import matplotlib.pyplot as plt
from matplotlib.backends.backend_pdf import PdfPages
from matplotlib.figure import Figure
from matplotlib.layout_engine import ConstrainedLayoutEngine

from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.files import write_files
from needlecalc.report.paper import A4_INCHES, WRITE_IN, Paper, foot
from needlecalc.report.plot import plot_areas, plot_lambda, plot_profile
from needlecalc.report.sheet import GrindSheet, grind_sheet
from needlecalc.report.words import FLAT_ANVILS, OVERRIDDEN, ROAD_CAUTIONS, SOURCES, UNCERTAINTY
from needlecalc.show import Column
from needlecalc.version import __version__

# Type of the first page: smaller only where the page is full; rows of the table give way more than words do.
SCALES = (1.0, 0.94, 0.88)
MEASURED = "measured"  # what the boxes to write in are called in the text
# Key, head on paper, share of the width.  Two empty boxes to write readings in stand last.
ON_PAPER = (
    ("station", "station", 0.8),
    ("distance_mm", "from\nshoulder\nmm", 0.95),
    ("present_mm", "present\nmm", 1.0),
    ("stop_mm", "STOP\nmm", 1.1),
    ("stop_off_um", "to stop\non dia\n\N{MICRO SIGN}m", 0.95),
    ("stop_side_um", "to stop\nper side\n\N{MICRO SIGN}m", 0.95),
    ("target_mm", "TARGET\nmm", 1.1),
    ("tolerance", "hold to\n\N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 0.8),
    (WRITE_IN, "measured\nat 0\N{DEGREE SIGN}\nmm", 1.15),
    (WRITE_IN, "measured\nat 90\N{DEGREE SIGN}\nmm", 1.2),
)
# With an anvil width the readings stand beside the diameters.
ON_PAPER_WITH_READINGS = (
    ("station", "station", 0.75),
    ("distance_mm", "from\nshoulder\nmm", 0.9),
    ("present_mm", "present\nmm", 1.0),
    ("present_reads_mm", "present,\nmicro-\nmeter", 1.0),
    ("stop_mm", "STOP\nmm", 1.0),
    ("stop_reads_mm", "STOP,\nmicro-\nmeter", 1.0),
    ("stop_off_um", "to stop\non dia\n\N{MICRO SIGN}m", 0.85),
    ("stop_side_um", "to stop\nper side\n\N{MICRO SIGN}m", 0.85),
    ("target_mm", "TARGET\nmm", 1.0),
    ("target_reads_mm", "TARGET,\nmicro-\nmeter", 1.0),
    ("tolerance", "hold to\n\N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 0.75),
    (WRITE_IN, "measured\nat 0\N{DEGREE SIGN}\nmm", 1.0),
    (WRITE_IN, "measured\nat 90\N{DEGREE SIGN}\nmm", 1.05),
)
WIDE = ("lambda_measured", "lambda_target", "lambda_stop", "lambda_final")
UNCERTAINTY_ON_PAPER = (
    ("station", "station", 0.8),
    ("target_mm", "target mm", 1.0),
    ("target_in", "target in", 1.0),
    ("target_u_um", "uncertainty \N{PLUS-MINUS SIGN} \N{MICRO SIGN}m", 1.1),
    ("mostly_from", "mostly from", 2.2),
)
OWN_COLUMNS = (Column("target_in", "", ".5f"), Column("target_u_um", "", ".1f"), Column("mostly_from", ""))


def write_pdf(sheet: GrindSheet, path: str | Path) -> None:
    """Write the grind sheet as A4 pages: for the bench, how sure, and plots.

    Parameters
    ----------
    sheet : GrindSheet
        The sheet.
    path : str or Path
        Where to write.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    path = Path(path)
    write_files({path: pdf_of(sheet)}, f"{plain(path.name, LONGEST_NAME)}: the sheet")


def write_profile_png(design: Design, path: str | Path, *, made_at: datetime | None = None) -> None:
    """Write the plot of the old profile against the asked one.

    Parameters
    ----------
    design : Design
        The design.
    path : str or Path
        Where to write.
    made_at : datetime or None
        Date and time the picture says it was made; now when not given.

    Raises
    ------
    InputError
        If it cannot be written.
    """
    path = Path(path)
    write_files({path: profile_png_of(grind_sheet(design, made_at=made_at))}, f"{plain(path.name, LONGEST_NAME)}: the plot")


def pdf_of(sheet: GrindSheet) -> bytes:
    """The A4 pages as they stand in a file."""
    about = {
        "Title": f"{sheet.design.setup.name}: grind sheet",
        "Subject": sheet.made_line(),
        "Creator": f"needlecalc {__version__}",
        "CreationDate": sheet.made_at,
    }
    out = BytesIO()
    with matplotlib.rc_context({"font.size": 11, "pdf.fonttype": 42}), PdfPages(out, metadata=about) as pdf:
        for page in (*_bench(sheet).pages, *_how_sure(sheet).pages, _plots(sheet)):
            pdf.savefig(page)
            plt.close(page)
    return out.getvalue()


def profile_png_of(sheet: GrindSheet) -> bytes:
    """The plot of the profile as it stands in a file."""
    out = BytesIO()
    with matplotlib.rc_context({"font.size": 14}):
        figure, ax = plt.subplots(figsize=(11, 6), layout="constrained")
        plot_profile(sheet.design, ax=ax)
        about = {"Software": f"needlecalc {__version__}", "Description": sheet.made_line()}
        figure.savefig(out, format="png", dpi=110, metadata=about)
        plt.close(figure)
    return out.getvalue()


def _bench(sheet: GrindSheet) -> Paper:
    """What to do, on one page if smaller type can bring it there, or as much as it can."""
    for scale in SCALES:
        paper = _bench_at(sheet, scale)
        if len(paper.pages) == 1:
            return paper
        for page in paper.pages:
            plt.close(page)
    return _bench_at(sheet, SCALES[-1])


def _bench_at(sheet: GrindSheet, scale: float) -> Paper:
    """Stations, boxes to write in, jet, first stop, warnings."""
    design = sheet.design
    paper = Paper(f"{sheet.made_line()}\nGrind sheet, for the bench")
    paper.words("GRIND SHEET", 21, bold=True)
    overridden = OVERRIDDEN.format(reason=design.checks.reason) if design.checks else ""
    for line in sheet.origin():
        red = line == overridden
        paper.words(line, 11.5 if red else 9, bold=red)
    paper.gap(5.0)
    paper.words(sheet.headline(), 13 * scale, bold=True)
    paper.gap(4.0)
    stages, others = design.stages(), sheet.alternative_lines()
    if first := (*sheet.red_lines(), *others):
        paper.boxed(first, 11 * scale, bold=[words not in others[1:] for words in first])
        paper.gap(5.0)
    before = dict.fromkeys(sheet.before_lines(), True)
    orders = {
        **before,
        sheet.jet_line(): False,
        sheet.stop_order(): True,
        sheet.stop_reason(): False,
        sheet.full_load_line(): True,
    }
    said = [words for words in orders if words]
    paper.boxed(said, 11.5 * scale, bold=[orders[words] for words in said])
    paper.gap(6.0)
    present, stop = design.present().diameters_mm, design.stop_mm()
    paper.side_view(design.present(), ((present > stop) & (not design.limits.new_blank)).tolist())
    paper.gap(2.0)
    paper.words(sheet.orientation_line(), 9)
    paper.gap(4.0)
    columns = ON_PAPER if sheet.anvil_width_mm is None else ON_PAPER_WITH_READINGS
    # A blank is made all over.
    untouched = [remove == 0.0 and not design.limits.new_blank for remove in design.remove_um().tolist()]
    rows = _cells(sheet)
    for row, leave, leave_first in zip(rows, untouched, (present == stop).tolist(), strict=True):
        if leave_first and not design.limits.new_blank:
            row.update(stop_mm="leave", stop_off_um="-", stop_side_um="-")
        if leave:
            row.update(target_mm="leave")
        # Wide anvils reach a station that is cut beside one that is left: it then reads otherwise, untouched.
        for left, reads in ((leave_first, "stop_reads_mm"), (leave, "target_reads_mm")):
            if left and not design.limits.new_blank and row.get(reads) == row.get("present_reads_mm"):
                row[reads] = "-"
    row_pt = scale**2 * min(25.0, max(17.0, 310.0 / len(rows)))
    size = 12.0 if sheet.anvil_width_mm is None else 9.5
    shown = [column for column in columns if sheet.shows(MEASURED if column[0] == WRITE_IN else column[0])]
    paper.table(shown, rows, size=size, row_pt=row_pt, grey=untouched if stages is not Stages.NOTHING else ())
    paper.gap(6.0)
    paper.words(_table_note(sheet), 9)
    paper.gap(4.0)
    for line in sheet.fill_in():
        paper.words(line, 10)
        paper.gap(2.0)
    paper.gap(3.0)
    # Where the sheet says what the anvils will read, it need not warn of them.
    for note in sheet.bench_cautions():
        if sheet.anvil_width_mm is None or note != FLAT_ANVILS:
            paper.words(note, 10 * scale)
            paper.gap(2.0)
    paper.gap(3.0)
    # How many checks are green stands with them, on the next page.
    counted = sheet.design.checks.notes()[:1] if sheet.design.checks else ()
    for note in (*sheet.altitude_line(), *sheet.warnings(), *sheet.reading_notes()):
        if note not in counted:
            paper.words(note, 10.5 * scale, mark="!")
    return paper


def _table_note(sheet: GrindSheet) -> str:
    """How the table of stations is meant, below it."""
    if not sheet.shows("tolerance"):
        return sheet.legend()[0]
    said = "Diameters are on diameter"
    if sheet.shows("stop_off_um"):
        stop = " to the STOP" if sheet.shows("stop_mm") else ""
        said += f", and so is what to take off{stop}, but for the column that says per side"
    leave = "" if sheet.design.limits.new_blank else " Shaded: leave as it is."
    return f"{said}.{leave} {sheet.tolerance_line()}"


def _cells(sheet: GrindSheet) -> list[dict[str, str]]:
    """Cells of the stations as they print."""
    by_key = {column.key: column for column in (*sheet.table().columns, *OWN_COLUMNS)}
    return [
        {key: column.text(row.get(key)) for key, column in by_key.items() if key != "measured"}
        for row in sheet.station_rows()
    ]


def _how_sure(sheet: GrindSheet) -> Paper:
    """What lambda will be and how sure, the doubt of the diameters, checks, cautions of the road."""
    design = sheet.design
    paper = Paper(f"{sheet.made_line()}\nGrind sheet, how uncertain")
    paper.words("LAMBDA BY BAND", 15, bold=True)
    paper.gap(3.0)
    shown = sheet.band_table()
    rows = [{column.key: column.text(row[column.key]) for column in shown.columns} for row in shown.rows]
    columns = [(column.key, column.head, 1.0 if column.key in WIDE else 0.8) for column in shown.columns]
    paper.table(columns, rows, size=10.5, row_pt=min(19.0, max(14.0, 300.0 / len(rows))))
    paper.gap(4.0)
    for note in shown.notes:
        paper.words(note, 9)
    if sheet.altitude is not None:
        # The table's own columns differ with what was asked, so it is set as it prints.
        there = sheet.altitude.table()
        paper.heading(there.title.upper())
        columns = [(column.key, column.head, 1.0) for column in there.columns]
        lines = [{column.key: column.text(row.get(column.key)) for column in there.columns} for row in there.rows]
        paper.table(columns, lines, size=10.5, row_pt=15.0)
        paper.gap(4.0)
        red = sheet.red_lines()
        for note in there.notes:
            paper.words(note, 9, bold=note in red)
    if sheet.assumed is not None:
        paper.heading(sheet.assumed.title.upper())
        shown = sheet.assumed
        columns = [(column.key, column.head, 2.2 if column.key == "what" else 1.0) for column in shown.columns]
        lines = [{column.key: column.text(row[column.key]) for column in shown.columns} for row in shown.rows]
        paper.table(columns, lines, size=10, row_pt=15.0)
        paper.gap(4.0)
        for note in shown.notes:
            paper.words(note, 9)
    cut = [row for row, remove in zip(_cells(sheet), design.remove_um().tolist(), strict=True) if remove != 0.0]
    for row in cut:
        row["mostly_from"] = SOURCES.get(row["mostly_from"], row["mostly_from"])
    if cut and sheet.shows("target_mm"):
        paper.heading("HOW UNCERTAIN THE TARGET DIAMETERS ARE")
        paper.table(UNCERTAINTY_ON_PAPER, cut, size=10, row_pt=15.0)
        paper.gap(4.0)
        paper.words(f"{sheet.tolerance_line()} {UNCERTAINTY}", 9)
    paper.heading("CHECKS BEFORE THE CUT")
    for note in sheet.check_lines():
        paper.words(note, 9.5)
    paper.heading("ON THE ROAD")
    for note in ROAD_CAUTIONS:
        paper.words(note, 10)
    return paper


def _plots(sheet: GrindSheet) -> Figure:
    """Profile, metering area, lambda."""
    margins = ConstrainedLayoutEngine(rect=(0.03, 0.04, 0.94, 0.94))
    page, axes = plt.subplots(3, 1, figsize=A4_INCHES, layout=margins)
    plot_profile(sheet.design, ax=axes[0])
    plot_areas(sheet.design, ax=axes[1])
    plot_lambda(sheet.design, ax=axes[2])
    foot(page, f"{sheet.made_line()}\nGrind sheet, plots")
    return page
