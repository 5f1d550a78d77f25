"""A design whose sheets the tests read, in every form there is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from conftest import asked, make_setup

import needlecalc as nc


def sheet_design() -> nc.Design:
    """The design most tests of the sheet read."""
    setup = make_setup(drop_min_mm=0.8, drop_max_mm=2.5)
    # No full load, and a risk at which nothing is held back: cautions of either would need a fourth page.
    part = ("part",) * 9
    return nc.solve(asked(setup, np.linspace(2, 26, 9), np.linspace(0.98, 1.12, 9), 0.95, load=part), setup, risk=0.2)


def words_of(page) -> str:
    return " ".join(" ".join(words.get_text().split()) for words in page.axes[0].texts)


def forms(design):
    """The same design as each sheet there is."""
    kept = replace(design, needle=design.present(), first_stop=design.present(), held_back=0.0)
    return {
        "in stages": replace(design, held_back=1.0),
        "at once": replace(design, held_back=0.0),
        "nothing": replace(kept, drop_mm=design.setup.carburettor.jet.drop_mm),
        "not yet": replace(design, met=False, held_back=1.0),
    }
