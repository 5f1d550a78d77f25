"""Lambda along a road, drawn."""

from __future__ import annotations

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.ticker import FuncFormatter

from needlecalc.design.after.altitude import FAR_RICH, MISFIRE
from needlecalc.design.after.trip import Route, Trip
from needlecalc.report import words_pages
from needlecalc.report.document import Paper
from needlecalc.report.language import texts
from needlecalc.report.plot import PROPOSED

DASHES = {"idle": ":", "cruise": "--", "full": "-"}
HEAVY = {"color": PROPOSED["color"], "linewidth": 2.4}
THIN = {"color": "0.45", "linewidth": 1.0}
ACROSS = ("axes fraction", "data")
LEVEL = 0.3  # share of the plot's height under the road


def plot_road(trip: Trip, paper: Paper, *, ax: Axes | None = None) -> Axes:
    """Lambda of idle, cruise and full load along the route of a trip, with rich and lean limits.

    Heavy with the jet as at home, thin with it turned for the highest place; the height of the road stands grey behind.
    """
    ax = plt.subplots(figsize=(9, 5), layout="constrained")[1] if ax is None else ax
    w, route, shown = texts(words_pages, paper.language), trip.route or Route(np.zeros(2), np.zeros(2)), trip.shown()
    home, top = trip.home().drop_mm, trip.highest().drop_mm
    lines = ((home, HEAVY), (top, THIN)) if top != home else ((home, HEAVY),)
    for drop, style in lines:
        for kind, along in zip(shown, trip.along(drop)[:, list(shown.values())].T, strict=True):
            ax.plot(route.distance_km, along, linestyle=DASHES[kind], label=w.KINDS[kind] * (drop == home), **style)
    limits = {"misfire": MISFIRE, "foul": FAR_RICH, **({"full": trip.as_set.leanest} if "full" in shown else {})}
    for kind, value in limits.items():
        ax.axhline(value, color="0.25", linestyle=(0, (1, 2)), linewidth=1.2)
        ax.annotate(w.LIMITS[kind], (0.99, value), xycoords=ACROSS, va="bottom", ha="right", fontsize="small", color="0.25")
    ax.yaxis.set_major_formatter(FuncFormatter(lambda value, _: paper.figures(f"{value:.2f}")))
    ax.set_xlabel(w.ROAD_X)
    ax.set_ylabel(w.ROAD_Y)
    ax.legend(loc="lower center", bbox_to_anchor=(0.5, 1.0), ncols=3, frameon=False)
    behind = ax.twinx()
    low = route.height_m.min(initial=1e4)
    behind.fill_between(route.distance_km, route.height_m, low, color="0.88")
    behind.set_ylim(low, low + max(np.ptp(route.height_m), 1.0) / LEVEL)
    behind.set_yticks([])
    for at in {0, int(np.argmax(route.height_m))}:
        where = float(route.distance_km[at]), float(route.height_m[at])
        behind.annotate(f"{where[1]:.0f} m", where, va="bottom", fontsize="small")
    ax.set_zorder(behind.get_zorder() + 1)
    ax.patch.set_visible(False)
    return ax
