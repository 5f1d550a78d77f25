"""A design whose sheets the tests read, in every form there is."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from conftest import asked, make_setup

import needlecalc as nc
from needlecalc.design.inverse.notes import remarks_of
from needlecalc.design.inverse.proposal import Stages


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


def words_of(page) -> str:
    return " ".join(" ".join(words.get_text().split()) for words in page.axes[0].texts)


def forms(design):
    """The same design as each sheet there is."""
    return {Stages.IN_STAGES: in_stages(design), Stages.AT_ONCE: at_once(design), Stages.NOTHING: left_alone(design)}
