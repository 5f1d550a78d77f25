"""Plots: functions that take ``ax`` and return it."""

from __future__ import annotations

from typing import Any

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.axes import Axes

from needlecalc.design.predict import Comparison
from needlecalc.design.solve import Design
from needlecalc.parts.needle import Needle

# Dark and light enough to tell apart in grey, and safe for colour-blind eyes; lines differ in dash too.
PRESENT: dict[str, Any] = {"color": "#555555", "linestyle": "--", "marker": "o", "markerfacecolor": "white"}
ASKED: dict[str, Any] = {"color": "#0b3c78", "linestyle": "-", "marker": "s"}
TARGET: dict[str, Any] = {"color": "#c05a00", "linestyle": "none", "marker": "_", "markersize": 16, "markeredgewidth": 3}
STRETCH_NOTE = "radius stretched"


def _axes(ax: Axes | None) -> Axes:
    if ax is not None:
        return ax
    return plt.subplots(figsize=(9, 5), layout="constrained")[1]


def plot_profile(design: Design, *, ax: Axes | None = None) -> Axes:
    """Profile of the present needle against the one asked for.

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
    """
    ax = _axes(ax)
    _two_profiles(ax, design.present(), design.needle, ("present", "asked"))
    stations = design.needle.stations_mm
    inside = stations[design.supported]
    ax.axvspan(inside[0], inside[-1], color="0.92", zorder=0, label="stations with data")
    ax.legend(loc="lower left", frameon=False)
    return ax


def _two_profiles(ax: Axes, first: Needle, second: Needle, names: tuple[str, str]) -> None:
    for needle, style, name in ((first, PRESENT, names[0]), (second, ASKED, names[1])):
        ax.plot(needle.stations_mm, needle.diameters_mm / 2.0, label=f"{name}: {needle.name}", **style)
    shared = np.interp(second.stations_mm, first.stations_mm, first.diameters_mm)
    ax.fill_between(second.stations_mm, second.diameters_mm / 2.0, shared / 2.0, color="0.75", hatch="///", lw=0)
    span = float(np.ptp(ax.get_ylim()))
    stretch = float(np.ptp(ax.get_xlim())) / span / 2.0
    ax.set_xlabel("distance from shoulder (mm)")
    ax.set_ylabel("needle radius (mm)")
    ax.set_title(f"{STRETCH_NOTE} about {stretch:.0f} times against length")
    ax.grid(color="0.85")


def plot_areas(design: Design, *, ax: Axes | None = None) -> Axes:
    """Metering area of the present needle against the one asked for.

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
    """
    ax = _axes(ax)
    bore = design.setup.carburettor.jet.bore_mm
    for needle, style, name in ((design.present(), PRESENT, "present"), (design.needle, ASKED, "asked")):
        ax.plot(needle.stations_mm, np.pi / 4.0 * (bore**2 - needle.diameters_mm**2), label=name, **style)
    ax.set_xlabel("distance from shoulder (mm)")
    ax.set_ylabel("metering area (mm$^2$)")
    ax.grid(color="0.85")
    ax.legend(frameon=False)
    return ax


def plot_lambda(design: Design, *, ax: Axes | None = None) -> Axes:
    """Lambda now, asked and predicted, over the lift.

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
    """
    ax = _axes(ax)
    rows = sorted(design.band_rows(), key=lambda row: row["lift_mm"])
    lift = [row["lift_mm"] for row in rows]
    predicted = np.array([row["lambda_predicted"] for row in rows])
    low, high = (np.array([row[key] for row in rows]) for key in ("lambda_low", "lambda_high"))
    ax.plot(lift, [row["lambda_measured"] for row in rows], label="measured now", **{**PRESENT, "linestyle": "none"})
    ax.plot(lift, [row["lambda_target"] for row in rows], label="target", **TARGET)
    style = {**ASKED, "linestyle": "none", "capsize": 3}
    ax.errorbar(lift, predicted, yerr=[predicted - low, high - predicted], label="predicted, 90 %", **style)
    ax.set_xlabel("lift of the air valve (mm)")
    ax.set_ylabel("lambda (-)")
    ax.grid(color="0.85")
    ax.legend(frameon=False)
    return ax


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
    """
    ax = _axes(ax)
    _two_profiles(ax, comparison.first, comparison.second, ("first", "second"))
    ax.legend(loc="lower left", frameon=False)
    return ax
