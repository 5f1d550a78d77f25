"""Plots of records, each readable at half width and in grey: one style, legends off the points, captions for titles."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from typing import Any

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import MaxNLocator

from needlecalc.design.after.altitude import FAR_RICH, MISFIRE
from needlecalc.design.after.outcome import foretold
from needlecalc.design.after.rank import Ranking
from needlecalc.design.after.trip import Route, Trip
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import BySource
from needlecalc.design.forward.predict import Comparison
from needlecalc.design.inverse.proposal import Budget, Design, Stages, in_squares
from needlecalc.echo import plain, shown
from needlecalc.errors import InputError
from needlecalc.gaussian import NINETY
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.report import say
from needlecalc.report.axes import TALL, TALLER, WIDE, drawn_svg, picture_of, styled
from needlecalc.report.document import Picture
from needlecalc.report.language import band, spoken, words_pages
from needlecalc.report.language import words as words_all
from needlecalc.report.language import words_plot as words
from needlecalc.report.tables import greatest
from needlecalc.units import FloatArray

# Told apart by dash and marker, and by how dark they are.
NOW: dict[str, Any] = {"color": "0.45", "linestyle": "--", "marker": "o"}
FINAL: dict[str, Any] = {"color": "#0b2a5b", "linestyle": "-", "marker": "s"}
STOP: dict[str, Any] = {"color": "#b04a00", "linestyle": ":", "marker": "v"}
NO_LINE: dict[str, Any] = {"linestyle": "none"}
HOLLOW: dict[str, Any] = {"linestyle": "none", "markerfacecolor": "white"}
RING: dict[str, Any] = (
    {"color": "0.3", "marker": "o", "markersize": 10.0, "zorder": 5} | HOLLOW | {"markerfacecolor": "none"}
)
CROSS: dict[str, Any] = {"color": "black", "linestyle": "none", "marker": "x", "markersize": 11.0, "markeredgewidth": 2.2}
TARGET: dict[str, Any] = {"color": "0.7", "linestyle": "none", "marker": "_", "markersize": 24.0, "markeredgewidth": 6.0}
BAR: dict[str, Any] = {"color": "0.82", "edgecolor": "0.35"}
ASIDE = 0.009  # of the width: so far two intervals of one band stand apart
GREYS = ("0.25", "0.95", "0.6", "0.85", "0.45", "0.75", "white")
HATCHES = ("", "////", "", "....", "xx", "\\\\\\\\", "")
# Of a road.
EDGE = 0.1  # of the road, where a label would stand out over its end
DASHES = {"idle": ":", "cruise": "--", "full": "-"}
AT_HOME: dict[str, Any] = {"color": FINAL["color"], "linewidth": 2.4}
TURNED: dict[str, Any] = {"color": "0.45", "linewidth": 1.0}
LIMIT: dict[str, Any] = {"color": "0.25", "linestyle": (0, (1, 2)), "linewidth": 1.2}
LEVEL, ROOM = 0.22, 0.32  # shares of the plot's height: under the road, and under all lines
MOST_NAMED = 16  # bands that an axis names
NEXT = 3  # needles drawn beside the best


def plot(record: Design | Comparison | Learned | Ranking | Budget, part: str = "", *, ax: Axes | None = None) -> Axes:
    """Plot of a record.

    Parameters
    ----------
    record : Design, Comparison, Learned, Ranking or Budget
        What to draw.
    part : str
        What of it, the first when not given. Of a design ``profile``, ``cut`` (metal off by station) or ``lambda``; of a
        comparison ``profile``, ``difference``, ``areas`` or ``lambda``; of what
        was learned ``passes`` (each drive as predicted and as measured); of a ranking ``lambda``; of a budget ``diameters``
        or ``bands``.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Their label is the alt text: what the plot shows, with its main figures. A notebook shows new ones by themselves;
        ``.figure.savefig(path)`` writes them. Nothing of matplotlib's settings is changed.

    Raises
    ------
    InputError
        If the record has no such part.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> plot(road.design, "lambda").get_ylabel()
    'lambda (-)'
    """
    parts = PLOTS[type(record)]
    if part and part not in parts:
        msg = f"part is {shown(part)}, but must be {' or '.join(map(repr, parts))}, as a {type(record).__name__} has."
        raise InputError(msg)
    part = part or next(iter(parts))

    def draw(on: Axes) -> str:
        said = words.CAPTIONS[f"{type(record).__name__} {part}"].format(**parts[part](record, on))
        if not isinstance(record, Comparison):
            return said
        return said + words.BOTH.format(first=plain(record.first.name), second=plain(record.second.name))

    slide = not isinstance(record, Budget) and say.on_slide(record)
    with spoken(slide=slide):
        return styled(draw, ax, tall=TALLER if part in TALL_ONES else TALL)


def picture(record: Any, part: str) -> Picture:
    """A plot for a page, drawn only if it is shown; text stays text."""
    return picture_of(lambda: plot(record, part))


def panel(record: Any, parts: Sequence[str], said: str) -> Picture:
    """Plots two in a row, each at half the width of the page."""
    rows = -(-len(parts) // 2)

    def draw() -> tuple[str, str]:
        figure = Figure(figsize=(2.0 * WIDE, rows * TALL), layout="constrained")
        for number, part in enumerate(parts, start=1):
            plot(record, part, ax=figure.add_subplot(rows, 2, number))
        return drawn_svg(figure.axes[0]), " ".join(str(ax.get_label()) for ax in figure.axes)

    return Picture(draw, said)


# Each of what follows draws on the axes and hands back the figures that the caption names.
Figures = dict[str, Any]


def _ends(**values: FloatArray) -> Figures:
    """Least and greatest of some values, by name; those that are not known do not count."""
    ends = (("least", np.fmin), ("most", np.fmax))
    return {f"{end}_{name}": float(of.reduce(value)) for name, value in values.items() for end, of in ends}


def to_stop_um(design: Design) -> FloatArray:
    """Metal that comes off to the first stop, in um."""
    return np.asarray(1e3 * (design.present().diameters_mm - design.stop_mm()))


def _profiles(ax: Axes, needles: tuple[Needle, Needle], names: tuple[str, str], beyond: Any) -> Figures:
    """Two needles from their side; how many times their radius is drawn larger than their length."""
    first, second = needles
    ax.plot(first.stations_mm, first.diameters_mm / 2.0, label=names[0], **NOW)
    if first.interpolated:
        guessed = np.array(first.interpolated) - 1
        ax.plot(first.stations_mm[guessed], first.diameters_mm[guessed] / 2.0, label=words.GUESSED, **CROSS)
    _with_hollow(ax, second.stations_mm, second.diameters_mm / 2.0, beyond, label=names[1])
    ax.set(xlabel=words.DISTANCE, ylabel=words.RADIUS)
    length = np.ptp(np.concatenate([one.stations_mm for one in needles]))
    radius = np.ptp(np.concatenate([one.diameters_mm for one in needles])) / 2.0
    return {"tip": words.TIP.format(times=length / max(radius, 1e-6) * TALL / WIDE)}


def _with_hollow(ax: Axes, x: FloatArray, y: FloatArray, hollow: Any, **style: Any) -> None:
    """Final values; hollow where the data say nothing."""
    ax.plot(x, y, **FINAL | style)
    if hollow.any():
        ax.plot(x[hollow], y[hollow], label=words.BEYOND, **FINAL | HOLLOW)


def _design_profile(design: Design, ax: Axes) -> Figures:
    present, beyond = design.present(), ~design.stations.supported
    figures = _profiles(ax, (present, design.needle), (words.NOW, words.FINAL), beyond)
    return figures | {"needle": plain(present.name)}


def _comparison_profile(found: Comparison, ax: Axes) -> Figures:
    names, beyond = (words.FIRST, words.SECOND), np.zeros(0, dtype=bool)
    return _profiles(ax, (found.first, found.second), names, beyond)


def _bars(ax: Axes, x: FloatArray, y: FloatArray, **style: Any) -> None:
    ax.bar(x, y, width=0.6 * float(np.diff(x).min()) if x.size > 1 else 1.0, **BAR | style)


def _cut(design: Design, ax: Axes) -> Figures:
    x, off, to_stop, sure = design.needle.stations_mm, design.remove_um(), to_stop_um(design), design.stations
    if design.stages() is not Stages.NOTHING:
        _bars(ax, x, to_stop, label=words.TO_STOP)
    ax.errorbar(x, off, yerr=NINETY * sure.u_um, fmt="none", ecolor=FINAL["color"], capsize=5.0)
    _with_hollow(ax, x, off, ~sure.supported, label=words.FINAL, **NO_LINE)
    ax.set(xlabel=words.DISTANCE, ylabel=words.THINNER)
    most = int(np.argmax(off))
    return {"at": most + 1, "most_um": off[most], "stop_um": to_stop[most]}


def _difference(found: Comparison, ax: Axes) -> Figures:
    _bars(ax, _shared_mm(found), found.thicker_um())
    ax.axhline(0.0, color="black", linewidth=0.8)
    ax.set(xlabel=words.DISTANCE, ylabel=words.THICKER)
    return _ends(um=found.thicker_um())


def _shared_mm(found: Comparison) -> FloatArray:
    """Distances of the stations compared."""
    return np.asarray(found.first.stations_mm[found.station - 1])


def _comparison_areas(found: Comparison, ax: Axes) -> Figures:
    x = _shared_mm(found)
    for flow, style, name in ((found.first_flow, NOW, words.FIRST), (found.second_flow, FINAL, words.SECOND)):
        geometric: dict[str, Any] = {} if style is NOW else {"label": words.GEOMETRIC}
        ax.plot(x, flow.metering_area_mm2, **style | HOLLOW | {"linestyle": ":"}, **geometric)
        ax.plot(x, flow.effective_area_mm2, label=f"{name}, {words.EFFECTIVE}", **style)
    ax.set(xlabel=words.DISTANCE, ylabel=words.AREA)
    return {}


def _design_lambda(design: Design, ax: Axes) -> Figures:
    bands, target = design.target.bands, design.target
    aside = ASIDE * max(float(np.ptp(bands.lift_mm)), 1.0)
    in_order = np.argsort(bands.lift_mm)
    x = bands.lift_mm[in_order]
    ax.plot(x, target.lambda_target[in_order], label=words.TARGET, **TARGET)
    ax.plot(x, bands.lambda_measured[in_order], label=words.NOW, **RING)
    at_stop = design.stages() is Stages.IN_STAGES
    for stage, style, name, to_side in ((design.stop, STOP, words.STOP, -aside), (design.final, FINAL, words.FINAL, aside)):
        if stage is design.final or at_stop:
            values = [one[in_order] for one in (stage.expected, stage.low, stage.high)]
            _interval(ax, x + to_side, values, style | {"label": name})
    ax.set(xlabel=words.LIFT, ylabel=words.LAMBDA)
    stop = words.AT_STOP.format(**_ends(stop=design.stop.expected)) if at_stop else ""
    return {"stop": stop, **_ends(now=bands.lambda_measured, final=design.final.expected)}


def _interval(ax: Axes, x: FloatArray, values: Sequence[FloatArray], style: dict[str, Any]) -> None:
    """Lambda expected; the interval is drawn by itself, as a prediction may lie outside it where all pulls one way."""
    expected, low, high = values
    ax.errorbar(x, (low + high) / 2.0, yerr=(high - low) / 2.0, fmt="none", ecolor=style["color"], capsize=4.0)
    ax.plot(x, expected, **style | NO_LINE)


def _comparison_lambda(found: Comparison, ax: Axes) -> Figures:
    if found.bands is None:
        msg = "These needles were compared without bands, so there is no lambda to plot; give compare() the bands."
        raise InputError(msg)
    for values, style, name in ((found.lambda_first, NOW, words.FIRST), (found.lambda_second, FINAL, words.SECOND)):
        ax.plot(found.bands.lift_mm, values, label=name, **style | NO_LINE)
    ax.set(xlabel=words.LIFT, ylabel=words.LAMBDA)
    return _ends(percent=found.band_change_percent())


def _ranking_lambda(found: Ranking, ax: Axes) -> Figures:
    target, best = found.target, found.best()
    in_order = np.argsort(target.bands.lift_mm)
    x = target.bands.lift_mm[in_order]
    permitted = target.lambda_rich[in_order], target.lambda_lean[in_order]
    ax.fill_between(x, *permitted, color="0.92", label=words.PERMITTED)
    ax.plot(x, target.lambda_target[in_order], label=words.TARGET, **TARGET)
    following = found.needles[1 : 1 + NEXT]
    for number, one in enumerate(following):
        style = NOW | {"marker": "", "linewidth": 1.2, **({} if number else {"label": words.NEXT})}
        ax.plot(x, one.lambda_predicted[in_order], **style)
    values = [one[in_order] for one in (best.lambda_predicted, best.lambda_low, best.lambda_high)]
    _interval(ax, x, values, FINAL | {"label": words.BEST})
    ax.set(xlabel=words.LIFT, ylabel=words.LAMBDA)
    after = ", ".join(plain(one.needle.name) for one in following) or "-"
    return {"best": plain(best.needle.name), "next": after, "count": len(found.needles), **_ends(best=best.lambda_predicted)}


def _passes(learned: Learned, ax: Axes) -> Figures:
    drives = foretold(learned)
    each, apart = np.arange(learned.bands.rpm.size), 0.7 / len(drives)
    for number, (measured, _, low, high) in enumerate(drives):
        x, told = each + (number - (len(drives) - 1) / 2.0) * apart, np.isfinite(low)
        if told.any():
            ax.vlines(x[told], low[told], high[told], color="0.65", linewidth=7.0, label=words.PREDICTED)
        called = {0: words.FIRST_DRIVE, len(drives) - 1: words.LATER_DRIVES}.get(number)
        ax.plot(x, measured, label=called, **FINAL | NO_LINE if number else RING)
    _by_band(ax, learned.bands, words.LAMBDA)
    measured, predicted, low, high = np.moveaxis(drives, 1, 0)
    inside = int(((low <= measured) & (measured <= high)).sum())
    return {"passes": len(drives), "inside": inside, "told": int(np.isfinite(predicted).sum())}


def _by_band(ax: Axes, bands: Bands, up: str) -> None:
    """Bands across, by name."""
    names = [band(one).replace(" rpm", "") for one in bands.called(*range(bands.rpm.size))]
    every = -(-len(names) // MOST_NAMED)
    ax.set_xticks(range(0, len(names), every), names[::every], rotation=40, ha="right")
    ax.set_ylabel(up)


def _shares(parts: BySource, places: Any, ax: Axes) -> str:
    """Variances stacked to 100 %, from the greatest source up; the name of that source."""
    great, rest = greatest(parts)
    whole, bottom = in_squares(parts) ** 2, np.zeros(places.size)
    named = [(words_all.SOURCES[one], parts[one] ** 2) for one in great]
    named.append((words_all.OTHERS, in_squares({one: parts[one] for one in rest}) ** 2))
    for (name, variance), face, hatch in zip(named, GREYS, HATCHES, strict=False):
        share = 100.0 * np.nan_to_num(variance / whole)
        style: dict[str, Any] = {"facecolor": face, "edgecolor": "black", "linewidth": 0.6, "hatch": hatch}
        ax.bar(places, share, bottom=bottom, width=0.8, label=name, **style)
        bottom += share
    ax.set_ylim(0.0, 100.0)
    ax.set_ylabel(words.SHARE)
    return named[0][0]


def _diameter_shares(budget: Budget, ax: Axes) -> Figures:
    u_um = budget.diameter_u_um()
    told = np.isfinite(u_um)
    if not told.any():
        msg = "No diameter has an uncertainty, as nothing is filed; plot 'bands'."
        raise InputError(msg)
    most = _shares({one: um[told] for one, um in budget.diameter_um.items()}, 1 + np.flatnonzero(told), ax)
    ax.xaxis.set_major_locator(MaxNLocator(integer=True))
    ax.set_xlabel(words.STATION)
    return {"diameter": most, **_ends(um=u_um)}


def _band_shares(budget: Budget, ax: Axes) -> Figures:
    most = _shares(budget.lambda_percent, np.arange(budget.bands.rpm.size), ax)
    _by_band(ax, budget.bands, words.SHARE)
    return {"band": most, **_ends(percent=budget.lambda_u_percent())}


PLOTS: dict[type, dict[str, Callable[[Any, Axes], Figures]]] = {
    Design: {"profile": _design_profile, "cut": _cut, "lambda": _design_lambda},
    Comparison: {
        "profile": _comparison_profile,
        "difference": _difference,
        "areas": _comparison_areas,
        "lambda": _comparison_lambda,
    },
    Learned: {"passes": _passes},
    Ranking: {"lambda": _ranking_lambda},
    Budget: {"diameters": _diameter_shares, "bands": _band_shares},
}
TALL_ONES = ("passes", "bands", "diameters")


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
            name = words_pages.KINDS[kind] if drop == home else "_nothing"
            ax.plot(route.distance_km, along, linestyle=DASHES[kind], label=name, **style)
    limits = {"misfire": MISFIRE, "foul": FAR_RICH, **({"full": trip.as_set.leanest} if "full" in shown else {})}
    for value in limits.values():
        ax.axhline(value, **LIMIT)
    low, high = ax.get_ylim()
    ticks = [tick for tick in ax.get_yticks() if low <= tick <= high]
    ax.set_ylim(low - (high - low) * ROOM / (1.0 - ROOM), high)
    ax.set_yticks(ticks)
    beside = ax.secondary_yaxis("right")
    beside.set_yticks([*limits.values()], [words_pages.LIMITS[kind] for kind in limits], fontsize="small")
    beside.spines["right"].set_visible(False)
    ax.set(xlabel=words_pages.ROAD_X, ylabel=words_pages.ROAD_Y)
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
