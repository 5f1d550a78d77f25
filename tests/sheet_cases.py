"""A design whose sheets the tests read, in every form there is."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pypdfium2
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.design.inverse.notes import remarks_of
from needlecalc.design.inverse.proposal import Stages
from needlecalc.report.document import Picture
from needlecalc.report.pages import pdf_of


def sheet_design() -> nc.Design:
    """The design most tests of the sheet read."""
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    # No full load, and a risk at which nothing is held back: cautions of either would need a fourth page.
    part = ("part",) * 9
    return nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.98, 1.12, 9), 0.95, load=part), setup, risk=0.2)


def changed(design, *, final=None, stop=None, stations=None, **others) -> nc.Design:
    """A design with some facts changed, and what is said of them."""
    made = replace(
        design,
        final=replace(design.final, **(final or {})),
        stop=replace(design.stop, **(stop or {})),
        stations=replace(design.stations, **(stations or {})),
        **others,
    )
    return replace(made, remarks=remarks_of(made))


def in_stages(design, **more) -> nc.Design:
    """The design with metal left on at its first stop."""
    return changed(design, lean_margin=1.0, **more)


def at_once(design, **more) -> nc.Design:
    """The design cut in one stage."""
    return changed(design, lean_margin=0.0, **more)


def left_alone(design, **more) -> nc.Design:
    """The design with nothing to file."""
    kept = {"needle": design.present()}
    drop = {"drop_mm": design.setup.carburettor.jet.drop_mm}
    return changed(design, final=kept, stop=kept, lean_margin=0.0, **{**drop, **more})


def words_of(sheet, *pages: int) -> str:
    """What stands on some of the sheet's pages, the first one when none is named."""
    document = sheet.document()
    shown = tuple(document.pages[number] for number in pages or (0,))
    return " ".join(replace(document, pages=shown).text().split())


def paper_of(sheet) -> list[str]:
    """The words of each page of the sheet's PDF, on one line."""
    return words_on_paper(sheet.document())


def words_on_paper(document) -> list[str]:
    """The words of each page of a document's PDF, on one line."""
    with pypdfium2.PdfDocument(pdf_of(document)) as pdf:
        return [" ".join(page.get_textpage().get_text_bounded().split()) for page in pdf]


def dark_of(sheet) -> list[tuple[float, float]]:
    """From where to where the needle on the first page is dark, in its own units along it."""
    (view,) = (block for block in sheet.document().pages[0].blocks if isinstance(block, Picture))
    drawn = re.findall(r'points="([^"]+)" fill="#888888"', view.svg)
    along = [[float(point.split(",")[0]) for point in points.split()] for points in drawn]
    return [(min(x), max(x)) for x in along]


def forms(design):
    """The same design as each sheet there is."""
    return {Stages.IN_STAGES: in_stages(design), Stages.AT_ONCE: at_once(design), Stages.NOTHING: left_alone(design)}
