"""What each plot shows, with its main figures: its caption, and its alt text for whoever cannot see it."""

from __future__ import annotations

from functools import singledispatch
from typing import Any

import numpy as np

from needlecalc.design.after.outcome import foretold
from needlecalc.design.after.rank import Ranking
from needlecalc.design.belief.learned import Learned
from needlecalc.design.forward.metering import Metering
from needlecalc.design.forward.predict import Comparison
from needlecalc.design.inverse.proposal import Budget, Design, Stages
from needlecalc.echo import plain
from needlecalc.parts.needle import Needle
from needlecalc.report.comparewords import greatest
from needlecalc.report.language import words, words_plot
from needlecalc.units import FloatArray

WIDE, TALL = 7.3, 3.0  # of a plot, in inches
NEXT = 3  # needles drawn beside the best


def caption(record: Any, part: str) -> str:
    """What a plot shows, with its main figures."""
    said = words_plot.CAPTIONS[f"{type(record).__name__} {part}"].format(**_figures(record))
    if not isinstance(record, Comparison):
        return said
    return said + words_plot.BOTH.format(first=plain(record.first.name), second=plain(record.second.name))


@singledispatch
def _figures(record: object) -> dict[str, Any]:
    """Figures that captions name."""
    msg = f"{type(record).__name__} has no plot."
    raise TypeError(msg)


def _tip(*needles: Needle) -> str:
    """Which end is which, and how many times a radius is drawn larger than a length."""
    length, radius = (
        float(np.ptp(np.concatenate(sizes)))
        for sizes in zip(*((one.stations_mm, one.diameters_mm / 2.0) for one in needles), strict=True)
    )
    return words_plot.TIP.format(times=length / max(radius, 1e-6) * TALL / WIDE)


def _ends(**values: FloatArray) -> dict[str, float]:
    """Least and greatest of some values, by name; those that are not known do not count."""
    ends = (("least", np.fmin), ("most", np.fmax))
    return {f"{end}_{name}": float(of.reduce(value)) for name, value in values.items() for end, of in ends}


@_figures.register
def _(design: Design) -> dict[str, Any]:
    off, stop, bands = design.remove_um(), to_stop_um(design), design.target.bands
    most = int(np.argmax(off))
    first = words_plot.AT_STOP.format(**_ends(stop=design.stop.expected)) if design.stages() is Stages.IN_STAGES else ""
    return {
        "stop": first,
        "needle": plain(design.present().name),
        "tip": _tip(design.present(), design.needle),
        "at": most + 1,
        "most_um": off[most],
        "stop_um": stop[most],
        **_ends(now=bands.lambda_measured, final=design.final.expected),
    }


@_figures.register
def _(found: Comparison) -> dict[str, Any]:
    change = found.lambda_change_percent() if found.bands is None else found.band_change_percent()
    return {
        "tip": _tip(found.first, found.second),
        **_ends(um=found.thicker_um(), percent=change),
    }


@_figures.register
def _(law: Metering) -> dict[str, Any]:
    return _ends(share=law.flow.effective_area_mm2 / law.flow.metering_area_mm2, percent=law.lambda_per_step)


@_figures.register
def _(found: Ranking) -> dict[str, Any]:
    names = [plain(one.needle.name) for one in found.needles[: 1 + NEXT]]
    following = ", ".join(names[1:]) or "-"
    return {"best": names[0], "next": following, "count": len(found.needles), **_ends(best=found.best().lambda_predicted)}


@_figures.register
def _(learned: Learned) -> dict[str, Any]:
    measured, predicted, low, high = np.moveaxis(foretold(learned), 1, 0)
    inside = int(((low <= measured) & (measured <= high)).sum())
    return {"passes": len(measured), "inside": inside, "told": int(np.isfinite(predicted).sum())}


@_figures.register
def _(budget: Budget) -> dict[str, Any]:
    (diameter, *_), (band, *_) = greatest(budget.diameter_um)[0], greatest(budget.lambda_percent)[0]
    told = _ends(um=budget.diameter_u_um(), percent=budget.lambda_u_percent())
    return {"diameter": words.SOURCES[diameter], "band": words.SOURCES[band], **told}


def to_stop_um(design: Design) -> FloatArray:
    """Metal that comes off to the first stop, in um."""
    return np.asarray(1e3 * (design.present().diameters_mm - design.stop_mm()))
