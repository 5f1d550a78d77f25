"""Two needles on one page: profiles, difference, areas, and lambda by band."""

from __future__ import annotations

from dataclasses import replace
from datetime import datetime

from needlecalc.design.forward.predict import Comparison
from needlecalc.report.document import Block, Document, Grid, Page, Paper, Weight, Words, pages_of
from needlecalc.report.language import spoken
from needlecalc.report.language import words_pages as words
from needlecalc.report.say import needle
from needlecalc.version import now


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

    paper = paper or Paper()
    jet, bands = found.setup.carburettor.jet, found.bands
    parts = ("profile", "difference", "areas", *(("lambda",) if bands is not None else ()))
    with spoken(paper.language):
        tables = [found.table()]
        if bands is not None:
            tables.append(found.band_table())
        needles = zip(words.ORDERS, (found.first, found.second), strict=True)
        blocks: tuple[Block, ...] = (
            Words(words.COMPARED, Weight.TITLE),
            *(Words(words.WHICH.format(order=order, needle=needle(one)), verbatim=True) for order, one in needles),
            Words(words.IN_JET.format(job=found.setup.name, bore_mm=jet.bore_mm, drop_mm=jet.drop_mm), Weight.SMALL),
            panel(found, parts, words.SHOWN_TWO.format(more=words.AND_LAMBDA if bands is not None else "")),
            *(Grid(replace(one, notes=()), size=8.5, row_pt=12.5) for one in tables),
            *(Words(note, Weight.SMALL) for note in tables[0].notes),
        )
        pages = (Page(words.COMPARED, blocks),)
        return pages_of(words.COMPARED, pages, bands, found.setup.name, paper, made_at or now())
