"""Axes for plots: one style, readable at half width and in grey; as files, in a notebook and on a page."""

from __future__ import annotations

from collections.abc import Callable
from io import BytesIO
from typing import Any

import matplotlib
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from needlecalc.report.document import Picture

WIDE, TALL, TALLER = 7.3, 3.0, 3.8  # of a figure, the last with names of bands, in inches
LEGEND_LETTERS = 72  # that fit into the width
STYLE: Any = {
    "font.family": "DejaVu Sans",
    "font.size": 12.0,
    "text.parse_math": False,  # a needle's name is no formula, whatever dollars it has
    "lines.linewidth": 1.8,
    "lines.markersize": 7.5,
    "hatch.linewidth": 0.7,
    "svg.fonttype": "none",
    "svg.hashsalt": "needlecalc",  # nothing hangs on the day it was made
}
ABOVE: dict[str, Any] = {"loc": "lower right", "bbox_to_anchor": (1.0, 1.0), "borderaxespad": 0.1}  # of the points


class Plot(Axes):
    """Axes that a notebook shows as their picture, with the alt text."""

    def _repr_png_(self) -> tuple[bytes, dict[str, str]]:
        return drawn(self, "png"), {"alt": str(self.get_label())}


def styled(draw: Callable[[Axes], str], ax: Axes | None, tall: float = TALL) -> Axes:
    """Axes with what ``draw`` puts on them and says of it, in the one style, their legend off the points."""
    with matplotlib.rc_context(STYLE):
        if ax is None:
            ax = Figure(figsize=(WIDE, tall), layout="constrained").add_subplot(axes_class=Plot)
        ax.set_label(draw(ax))
        ax.grid(color="0.88")
        ax.set_axisbelow(True)
        ax.spines[["top", "right"]].set_visible(False)
        ax.tick_params(labelsize=STYLE["font.size"])
        for axis in (ax.xaxis, ax.yaxis):
            axis.label.set_fontsize(STYLE["font.size"])
        names = ax.get_legend_handles_labels()[1]
        if names:
            columns = LEGEND_LETTERS // (max(map(len, names)) + 6)
            ax.legend(ncols=columns, frameon=False, handlelength=1.6, columnspacing=1.1, handletextpad=0.5, **ABOVE)
    return ax


def drawn(ax: Axes, form: str, about: dict[str, Any] | None = None) -> bytes:
    """The figure of some axes as it stands in a file."""
    out = BytesIO()
    with matplotlib.rc_context(STYLE):
        ax.get_figure().savefig(out, format=form, dpi=130, metadata=about)  # type: ignore[union-attr]
    return out.getvalue()


def drawn_svg(ax: Axes) -> str:
    """The same as SVG, without the day it was drawn."""
    return drawn(ax, "svg", dict.fromkeys(("Date", "Creator", "Format", "Type"))).decode()


def picture_of(made: Callable[[], Axes]) -> Picture:
    """Axes for a page, what they show as their caption; drawn only if they are shown."""

    def draw() -> tuple[str, str]:
        ax = made()
        return drawn_svg(ax), str(ax.get_label())

    return Picture(draw, None)
