"""Two needles on one page: profiles, difference, areas, and lambda by band."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from needlecalc.design.forward.predict import Comparison
from needlecalc.report.document import Block, Document, Grid, Page, Paper, Weight, Words
from needlecalc.report.say import rpm
from needlecalc.version import made_line, now

TITLE = "Two needles compared"
WHICH = "{order}: {needle} ({source})."
IN_JET = "In the setup of {job}: {bore_mm:g} mm jet, jet drop {drop_mm:.2f} mm."
PLOTS = "From their side, radius stretched; how much thicker the second is; metering area, and what the flow sees{more}."
AND_LAMBDA = "; lambda of each band"


def compare_page(found: Comparison, *, paper: Paper | None = None, made_at: datetime | None = None) -> Document:
    """Page that shows two needles side by side.

    Parameters
    ----------
    found : Comparison
        The needles compared, from ``compare``.
    paper : Paper or None
        What it is printed on; A4 in mm when not given.
    made_at : datetime or None
        Date and time it says it was made; now when not given.

    Returns
    -------
    Document
        ``text()`` and ``html()`` give it; ``write_pdf`` puts it on paper.

    Examples
    --------
    >>> from needlecalc import compare
    >>> from needlecalc.example import road
    >>> page = compare_page(compare(road.setup, road.design.present(), road.design.needle, bands=road.bands))
    >>> print(page.text().splitlines()[0])
    Two needles compared
    """
    from needlecalc.report.plot import panel  # late: only paper draws

    jet, bands, made = found.setup.carburettor.jet, found.bands, made_at or now()
    log = bands.log.sha256 if bands is not None and bands.log is not None else ""
    needles = (("First", found.first), ("Second", found.second))
    parts = ("profile", "difference", "areas", *(("lambda",) if bands is not None else ()))
    tables = [found.table()]
    if bands is not None:
        by_band = found.band_table()
        tables.append(replace(by_band, rows=[{**row, "rpm": rpm(row["rpm"])} for row in by_band.rows]))
    blocks: tuple[Block, ...] = (
        Words(TITLE, Weight.TITLE),
        *(Words(WHICH.format(order=order, needle=one.name, source=one.source), verbatim=True) for order, one in needles),
        Words(IN_JET.format(job=found.setup.name, bore_mm=jet.bore_mm, drop_mm=jet.drop_mm), Weight.SMALL),
        panel(found, parts, PLOTS.format(more=AND_LAMBDA if bands is not None else "")),
        *(Grid(replace(one, notes=()), size=8.5, row_pt=12.5) for one in tables),
        *(Words(note, Weight.SMALL) for note in tables[0].notes),
    )
    return Document(TITLE, made_line(made, found.setup.name, log), (Page(TITLE, blocks),), made, paper or Paper())
