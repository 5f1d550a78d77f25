"""Plots: functions that take ``ax`` and return it."""

from __future__ import annotations

from collections.abc import Callable
from io import StringIO
from typing import Any, Literal

import matplotlib
import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import LogLocator, NullLocator

from needlecalc.design.forward.metering import Metering
from needlecalc.design.forward.predict import Comparison
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.parts.needle import Needle
from needlecalc.parts.slide import SlideValve
from needlecalc.report import words_slide
from needlecalc.report.document import Picture

# Dark and light enough to tell apart in grey, and safe for colour-blind eyes; lines differ in dash too.
PRESENT: dict[str, Any] = {"color": "#555555", "linestyle": "--", "marker": "o"}
PROPOSED: dict[str, Any] = {"color": "#0b3c78", "linestyle": "-", "marker": "s"}
GUESSED: dict[str, Any] = {
    "color": "#555555",
    "linestyle": "none",
    "marker": "o",
    "markerfacecolor": "white",
    "markersize": 11,
}
FIRST: dict[str, Any] = {"color": "#8a1c1c", "linestyle": ":", "marker": "v", "markerfacecolor": "white"}
TARGET: dict[str, Any] = {"color": "#c05a00", "linestyle": "none", "marker": "_", "markersize": 22, "markeredgewidth": 3.5}
BETWEEN_THE_TWO = "between the two"
BETWEEN: dict[str, Any] = {"facecolor": "0.8", "linewidth": 0.0}
# What the needle with its target diameters is called, and what lies between it and the present one.
CALLED: dict[Stages, tuple[str, str]] = {
    Stages.IN_STAGES: ("target", "to come off"),
    Stages.AT_ONCE: ("target", "to come off"),
    Stages.NOTHING: ("target: the same", "_nothing"),
}
INCHES = (7.3, 3.0)  # of a plot on its page
STRETCH_NOTE = "radius stretched"
LegendPlace = Literal["best", "upper left", "lower left"]
LIFT_LABEL = "lift of the air valve (mm)"


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    return plt.subplots(figsize=(9, 5), layout="constrained")[1]


def plot_profile(design: Design, *, ax: Axes | None = None) -> Axes:
    """Profile of the present needle against the proposed one.

    Parameters
    ----------
    design : Design
        The design.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Radius over the distance from the shoulder, the radial scale stretched and said so.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> plot_profile(road.design).get_ylabel()
    'needle radius (mm)'
    """
    ax = _axes(ax)
    called, between = CALLED[design.stages()]
    # A blank is turned from a rod: the gap between the two is not what comes off.
    between = BETWEEN_THE_TWO if design.limits.new_blank else between
    _two_profiles(ax, design.present(), design.needle, (f"present: {design.present().name}", called), between)
    stations, stop = design.needle.stations_mm, design.stop.needle.diameters_mm
    if (stop != design.needle.diameters_mm).any():
        ax.plot(stations, stop / 2.0, label="first stop", **FIRST)
    inside = stations[design.stations.supported]
    ax.axvspan(inside[0], inside[-1], color="0.92", zorder=0, label="stations with data")
    return _legend(ax, "lower left")


def _two_profiles(ax: Axes, first: Needle, second: Needle, names: tuple[str, str], between: str) -> None:
    for needle, style, name in ((first, PRESENT, names[0]), (second, PROPOSED, names[1])):
        ax.plot(needle.stations_mm, needle.diameters_mm / 2.0, label=name, **style)
    if first.interpolated:
        guessed = np.array(first.interpolated) - 1
        where = first.stations_mm[guessed], first.diameters_mm[guessed] / 2.0
        ax.plot(*where, label="not measured, interpolated", **GUESSED)
    shared = np.interp(second.stations_mm, first.stations_mm, first.diameters_mm)
    ax.fill_between(second.stations_mm, second.diameters_mm / 2.0, shared / 2.0, label=between, **BETWEEN)
    span = float(np.ptp(ax.get_ylim()))
    stretch = float(np.ptp(ax.get_xlim())) / span / 2.0
    ax.set_xlabel("distance from shoulder (mm)")
    ax.set_ylabel("needle radius (mm)")
    ax.set_title(f"shank left, tip right; {STRETCH_NOTE} about {stretch:.0f} times against length")
    ax.grid(color="0.85")


def plot_areas(design: Design, *, ax: Axes | None = None) -> Axes:
    """Metering area of the present needle against the proposed one.

    Parameters
    ----------
    design : Design
        The design.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Geometric metering area over the distance from the shoulder.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> plot_areas(road.design).get_ylabel()
    'metering area (mm\N{SUPERSCRIPT TWO})'
    """
    ax = _axes(ax)
    jet = design.setup.carburettor.jet
    for needle, style, name in (
        (design.present(), PRESENT, "present"),
        (design.needle, PROPOSED, CALLED[design.stages()][0]),
    ):
        ax.plot(
            needle.stations_mm,
            np.pi / 4.0 * (jet.bore_mm * jet.least_bore_mm() - needle.diameters_mm**2),
            label=name,
            **style,
        )
    return _finished(ax, "distance from shoulder (mm)", "metering area (mm\N{SUPERSCRIPT TWO})")


def plot_lambda(design: Design, *, ax: Axes | None = None) -> Axes:
    """Lambda now, target and predicted, over the lift.

    Parameters
    ----------
    design : Design
        The design.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Predictions with their 90 % interval.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> plot_lambda(road.design).get_xlabel()
    'lift of the air valve (mm)'
    """
    ax = _axes(ax)
    rows = sorted(design.band_rows(), key=lambda row: row["lift_mm"])
    lift = [row["lift_mm"] for row in rows]
    predicted = np.array([row["lambda_final"] for row in rows])
    low, high = (np.array([row[key] for row in rows]) for key in ("lambda_final_low", "lambda_final_high"))
    ax.plot(
        lift,
        [row["lambda_measured"] for row in rows],
        label="measured now",
        **{**GUESSED, "markersize": 8},
    )
    ax.plot(lift, [row["lambda_target"] for row in rows], label="target", **TARGET)
    # The interval is drawn by itself: a prediction may lie outside it, where all doubts pull one way.
    ax.errorbar(lift, (low + high) / 2, yerr=(high - low) / 2, fmt="none", ecolor=PROPOSED["color"], capsize=4)
    ax.plot(lift, predicted, label="predicted, and its 90 % interval", **{**PROPOSED, "linestyle": "none", "markersize": 5})
    slide = isinstance(design.setup.carburettor.air_valve, SlideValve)
    return _finished(ax, words_slide.OPENING if slide else LIFT_LABEL, "lambda (-)")


def plot_comparison(comparison: Comparison, *, ax: Axes | None = None) -> Axes:
    """Profiles of two needles.

    Parameters
    ----------
    comparison : Comparison
        The comparison.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Both radii over the distance from the shoulder.

    Examples
    --------
    >>> from needlecalc import compare
    >>> from needlecalc.example import road
    >>> plot_comparison(compare(road.setup, road.design.present(), road.design.needle)).get_xlabel()
    'distance from shoulder (mm)'
    """
    ax = _axes(ax)
    names = f"first: {comparison.first.name}", f"second: {comparison.second.name}"
    _two_profiles(ax, comparison.first, comparison.second, names, "between the two")
    return _legend(ax, "lower left")


def plot_metering(metering: Metering, *, ax: Axes | None = None) -> Axes:
    """Effective against geometric metering area, over the lift.

    Parameters
    ----------
    metering : Metering
        Local law at some lifts.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Both areas; the hatched gap between them is what the flow does not see.

    Examples
    --------
    >>> from needlecalc import metering
    >>> from needlecalc.example import road
    >>> plot_metering(metering(road.setup, [2.0, 10.0, 20.0])).get_ylabel()
    'area (mm\N{SUPERSCRIPT TWO})'
    """
    ax = _axes(ax)
    lift, whole, seen = metering.lift_mm, metering.flow.metering_area_mm2, metering.flow.effective_area_mm2
    ax.fill_between(lift, seen, whole, facecolor="0.93", edgecolor="0.75", hatch="///", lw=0)
    ax.plot(lift, whole, label="metering area (geometric)", **PRESENT)
    ax.plot(lift, seen, label="effective metering area", **PROPOSED)
    ax.set_ylim(bottom=0.0)
    return _finished(ax, LIFT_LABEL, "area (mm\N{SUPERSCRIPT TWO})", legend_at="upper left")


def plot_sensitivity(metering: Metering, *, ax: Axes | None = None) -> Axes:
    """Change of lambda for 0.01 mm on diameter, over the lift.

    Parameters
    ----------
    metering : Metering
        Local law at some lifts.
    ax : Axes or None
        Where to draw; a new figure when not given.

    Returns
    -------
    Axes
        Sensitivity on a scale of ratios, and what the plain area sum would say.

    Examples
    --------
    >>> from needlecalc import metering
    >>> from needlecalc.example import road
    >>> plot_sensitivity(metering(road.setup, [2.0, 10.0, 20.0])).get_ylabel()
    'lambda per 0.01 mm on diameter (%)'
    """
    ax = _axes(ax)
    jet = metering.setup.carburettor.jet
    ax.plot(metering.lift_mm, metering.lambda_per_step, label=f"flow law, {jet.bore_mm:g} mm jet", **PROPOSED)
    ax.plot(metering.lift_mm, metering.lambda_per_step_by_area(), label="plain area sum", **PRESENT)
    ax.set_yscale("log")
    ax.yaxis.set_major_locator(LogLocator(subs=(1.0, 2.0, 5.0)))
    ax.yaxis.set_minor_locator(NullLocator())
    ax.yaxis.set_major_formatter("{x:g}")
    return _finished(ax, LIFT_LABEL, "lambda per 0.01 mm on diameter (%)")


def _finished(ax: Axes, across: str, up: str, *, legend_at: LegendPlace = "best") -> Axes:
    """Axes with their names, a pale grid and the legend."""
    ax.set_xlabel(across)
    ax.set_ylabel(up)
    ax.grid(color="0.85")
    return _legend(ax, legend_at)


def _legend(ax: Axes, place: LegendPlace) -> Axes:
    """Axes with their legend; a needle's name is no formula, whatever dollars it has."""
    for text in ax.legend(loc=place, frameon=False).get_texts():
        text.set_parse_math(False)
    return ax


def picture(draw: Callable[..., Axes], said: str) -> Picture:
    """A plot with its caption, as a picture: text stays text, and nothing of it hangs on the day it was made."""

    def made() -> str:
        out = StringIO()
        with matplotlib.rc_context({"svg.fonttype": "none", "svg.hashsalt": "needlecalc", "font.size": 10}):
            figure = Figure(figsize=INCHES)
            figure.subplots_adjust(left=0.1, right=0.98, bottom=0.17, top=0.93)
            draw(ax=figure.add_subplot())
            figure.savefig(out, format="svg", metadata=dict.fromkeys(("Date", "Creator", "Format", "Type")))
        return out.getvalue()

    return Picture(made, said, said)
