"""Lambda along a road, drawn."""

from __future__ import annotations

from typing import Any

import numpy as np
from matplotlib.axes import Axes

from needlecalc.design.after.altitude import FAR_RICH, MISFIRE
from needlecalc.design.after.trip import Route, Trip
from needlecalc.report.axes import TALLER, styled
from needlecalc.report.language import words_pages as words
from needlecalc.report.plot import FINAL

EDGE = 0.1  # of the road, where a label would stand out over its end
DASHES = {"idle": ":", "cruise": "--", "full": "-"}
AT_HOME: dict[str, Any] = {"color": FINAL["color"], "linewidth": 2.4}
TURNED: dict[str, Any] = {"color": "0.45", "linewidth": 1.0}
LIMIT: dict[str, Any] = {"color": "0.25", "linestyle": (0, (1, 2)), "linewidth": 1.2}
LEVEL, ROOM = 0.22, 0.32  # shares of the plot's height: under the road, and under all lines


def plot_road(trip: Trip, route: Route, said: str, *, ax: Axes | None = None) -> Axes:
    """Lambda of idle, cruise and full load along a route, with rich and lean limits.

    Heavy with the jet as at home, thin with it turned for the highest place; the height of the road stands grey behind.
    """

    def draw(on: Axes) -> str:
        _lines(trip, route, on)
        return said

    return styled(draw, ax, tall=TALLER)


def _lines(trip: Trip, route: Route, ax: Axes) -> None:
    shown = trip.shown()
    home, top = trip.home().drop_mm, trip.highest().drop_mm
    lines = ((home, AT_HOME), (top, TURNED)) if top != home else ((home, AT_HOME),)
    for drop, style in lines:
        for kind, along in zip(shown, trip.along(route, drop)[:, list(shown.values())].T, strict=True):
            name = words.KINDS[kind] if drop == home else "_nothing"
            ax.plot(route.distance_km, along, linestyle=DASHES[kind], label=name, **style)
    limits = {"misfire": MISFIRE, "foul": FAR_RICH, **({"full": trip.as_set.leanest} if "full" in shown else {})}
    for value in limits.values():
        ax.axhline(value, **LIMIT)
    low, high = ax.get_ylim()
    ticks = [tick for tick in ax.get_yticks() if low <= tick <= high]
    ax.set_ylim(low - (high - low) * ROOM / (1.0 - ROOM), high)
    ax.set_yticks(ticks)
    beside = ax.secondary_yaxis("right")
    beside.set_yticks([*limits.values()], [words.LIMITS[kind] for kind in limits], fontsize="small")
    beside.spines["right"].set_visible(False)
    ax.set(xlabel=words.ROAD_X, ylabel=words.ROAD_Y)
    _height(ax, route)


def _height(ax: Axes, route: Route) -> None:
    """The road, grey behind the lines."""
    behind, low = ax.twinx(), float(route.height_m.min())
    behind.fill_between(route.distance_km, route.height_m, low, color="0.88")
    behind.set_ylim(low, low + max(float(np.ptp(route.height_m)), 1.0) / LEVEL)
    behind.set_yticks([])
    behind.spines[["top", "right"]].set_visible(False)
    for at in {0, int(np.argmax(route.height_m))}:
        where = float(route.distance_km[at]), float(route.height_m[at])
        side = (where[0] - route.distance_km[0]) / np.ptp(route.distance_km)
        along = "left" if side < EDGE else "right" if side > 1.0 - EDGE else "center"
        behind.annotate(f"{where[1]:.0f} m", where, ha=along, va="bottom", fontsize="small")
    ax.set_zorder(behind.get_zorder() + 1)
    ax.patch.set_visible(False)
