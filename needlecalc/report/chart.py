"""Axes of a page: a plot drawn as SVG by the same calls as on matplotlib's axes, which take longer than all the rest."""

from __future__ import annotations

import html
from collections.abc import Sequence
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.units import FloatArray

POINTS_PER_INCH = 72.0
SIZE, LINE, MARKER = 12.0, 1.8, 7.5  # of letters, lines and markers, in points
# Signs round a point, as paths.
SIGNS = {
    "o": "m-{half} 0a{half} {half} 0 1 0 {wide} 0a{half} {half} 0 1 0 -{wide} 0Z",
    "s": "m-{half} -{half}h{wide}v{wide}h-{wide}Z",
    "v": "m-{half} -{half}h{wide}l-{half} {wide}Z",
    "x": "m-{half} -{half}l{wide} {wide}m-{wide} 0l{wide} -{wide}",
    "_": "m-{half} 0h{wide}",
}
DASHES = {"--": (3.7, 1.6), ":": (1.0, 1.65)}  # in widths of the line
GRID, BLACK = "#e0e0e0", "#000000"
MOST_STEPS = (9, 6)  # between the ticks across and up
BEYOND = 0.05  # of the data's range, left free at either end
TICK, LABEL_UP, HANDLE, APART = 3.5, 48.0, 30.0, 14.0
NARROW, WIDE = "fijlrtI1 .,:;|!'()[]", "mwMW%@"  # letters by their width
STEPS = (1.0, 2.0, 2.5, 5.0, 10.0)


class _Mark(NamedTuple):
    """Something drawn at data: how far in front, its points, and how it looks."""

    zorder: float
    kind: str
    x: FloatArray
    y: FloatArray
    style: dict[str, Any]


class _Scale(NamedTuple):
    """Where the ends of the data stand on the page."""

    ends: tuple[float, float]
    span: tuple[float, float]

    def at(self, values: ArrayLike) -> FloatArray:
        """Places of values, in points."""
        share = (np.asarray(values, dtype=np.float64) - self.ends[0]) / (self.ends[1] - self.ends[0])
        return np.asarray(self.span[0] + share * (self.span[1] - self.span[0]))


class Chart:
    """A plot of one page; each method takes what that of matplotlib's axes takes."""

    def __init__(self, wide: float, tall: float, sides: tuple[float, float, float, float]) -> None:
        """Size in inches, and what is left free of it at left, right, top and bottom."""
        self.wide, self.tall = wide * POINTS_PER_INCH, tall * POINTS_PER_INCH
        self.left, self.right, self.top, self.bottom = (side * POINTS_PER_INCH for side in sides)
        self.marks: list[_Mark] = []
        self.names: list[tuple[str, str, dict[str, Any]]] = []
        self.words = {"x": "", "y": ""}

    def set_xlabel(self, words: str) -> None:
        """What is measured across."""
        self.words["x"] = words

    def set_ylabel(self, words: str) -> None:
        """What is measured up."""
        self.words["y"] = words

    def _put(self, kind: str, x: ArrayLike, y: ArrayLike, style: dict[str, Any], zorder: float, label: str = "") -> None:
        points = np.atleast_1d(np.asarray(x, dtype=np.float64)), np.atleast_1d(np.asarray(y, dtype=np.float64))
        self.marks.append(_Mark(style.get("zorder", zorder), kind, *points, style))
        if label:
            self.names.append((label, kind, style))

    def plot(self, x: ArrayLike, y: ArrayLike, *, label: str = "", **style: Any) -> None:
        """Points, joined by a line where its style is not "none"."""
        self._put("line", x, y, style, 2.0, label)

    def bar(self, x: ArrayLike, height: ArrayLike, *, label: str = "", **style: Any) -> None:
        """Bars from zero."""
        self._put("bar", x, height, style, 1.0, label)

    def errorbar(self, x: ArrayLike, y: ArrayLike, *, yerr: ArrayLike, fmt: str, ecolor: str, capsize: float) -> None:
        """Intervals, without their middle."""
        middle, half = np.asarray(y, dtype=np.float64), np.asarray(yerr, dtype=np.float64)
        self._put(
            "interval", x, np.stack([middle - half, middle + half]), {"color": ecolor, "cap": capsize, "fmt": fmt}, 2.0
        )

    def axhline(self, y: float, **style: Any) -> None:
        """A line all across."""
        self._put("across", [], y, style, 2.0)

    def inside(self) -> str:
        """The drawing, without its frame."""
        ends = [self._range(axis) for axis in ("x", "y")]
        spans = [(self.left, self.wide - self.right), (self.tall - self.bottom, self.top)]
        out = [*self._frame(ends, spans), *self._legend()]
        for mark in sorted(self.marks, key=lambda one: one.zorder):
            out += _drawn(mark, *map(_Scale, ends, spans))
        return "".join(out)

    def _range(self, axis: str) -> tuple[float, float]:
        """From where to where the axis goes: a little beyond the data."""
        found: list[FloatArray] = []
        for mark in self.marks:
            values = mark.x if axis == "x" else mark.y
            if mark.kind == "bar":
                beside = mark.style["width"] / 2.0
                found += [mark.x - beside, mark.x + beside] if axis == "x" else [mark.y, np.zeros(1)]
            else:
                found.append(values.ravel())
        every = np.concatenate([values[np.isfinite(values)] for values in found])
        low, high = float(every.min()), float(every.max())
        free = BEYOND * (high - low) or max(abs(low), 1.0) * BEYOND
        return low - free, high + free

    def _frame(self, ends: Sequence[tuple[float, float]], spans: Sequence[tuple[float, float]]) -> list[str]:
        """Grid, axes with their numbers, and what is measured along them."""
        (left, right), (bottom, top) = spans
        out, frame = [], [f"M{left:.2f} {top:.2f}V{bottom:.2f}H{right:.2f}"]
        lines: list[str] = []
        for across, (low, high), span, most in zip((True, False), ends, spans, MOST_STEPS, strict=True):
            step, decimals = _step(high - low, most)
            for number in range(int(np.ceil(low / step - 1e-9)), int(np.floor(high / step + 1e-9)) + 1):
                at = span[0] + (number * step - low) / (high - low) * (span[1] - span[0])
                said = f"{number * step + 0.0:.{decimals}f}"
                if across:
                    lines.append(f"M{at:.2f} {bottom:.2f}V{top:.2f}")
                    frame.append(f"M{at:.2f} {bottom:.2f}v{TICK}")
                    out.append(_text(at, bottom + TICK + 14.0, said, "middle"))
                else:
                    lines.append(f"M{left:.2f} {at:.2f}H{right:.2f}")
                    frame.append(f"M{left:.2f} {at:.2f}h{-TICK}")
                    out.append(_text(left - 2.0 * TICK, at + 0.36 * SIZE, said, "end"))
        out.append(_text((left + right) / 2.0, self.tall - 6.0, self.words["x"], "middle"))
        out.append(_text(left - LABEL_UP, (top + bottom) / 2.0, self.words["y"], "middle", turned=True))
        return [_path("".join(lines), GRID, 0.8), _path("".join(frame), BLACK, 0.8), *out]

    def _legend(self) -> list[str]:
        """Names of what is drawn, in rows above the plot that end at its right."""
        rows: list[list[tuple[str, str, dict[str, Any]]]] = [[]]
        room = self.wide - self.left
        for one in self.names:
            if rows[-1] and sum(_entry(name) for name, *_ in (*rows[-1], one)) > room:
                rows.append([])
            rows[-1].append(one)
        out = []
        for number, row in enumerate(reversed(rows)):
            y, at = self.top - 12.0 - 16.5 * number, self.wide - self.right - sum(_entry(name) for name, *_ in row)
            for name, kind, style in row:
                ends, middle = np.array([at, at + HANDLE - 8.0]), np.array([at + (HANDLE - 8.0) / 2.0])
                if kind == "bar":
                    out.append(_bar(at, y - 4.5, HANDLE - 8.0, 9.0, style))
                else:
                    out += _line(ends, np.full(2, y), {**style, "marker": ""})
                    out += _line(middle, np.array([y]), {**style, "linestyle": "none"})
                out.append(_text(at + HANDLE - 2.0, y + 0.36 * SIZE, name, "start"))
                at += _entry(name)
        return out


def svg_of(charts: Sequence[Chart], columns: int = 1) -> str:
    """Charts of one size side by side, as a file."""
    one = charts[0]
    wide, tall = columns * one.wide, -(-len(charts) // columns) * one.tall
    out = [
        f'<g transform="translate({k % columns * one.wide:g},{k // columns * one.tall:g})">{chart.inside()}</g>'
        for k, chart in enumerate(charts)
    ]
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{wide:g}pt" height="{tall:g}pt" viewBox="0 0 {wide:g} {tall:g}">'
    return f"{head}{''.join(out)}</svg>"


def _drawn(mark: _Mark, across: _Scale, up: _Scale) -> list[str]:
    """One mark on the page."""
    x, y, style = across.at(mark.x), up.at(mark.y), mark.style
    if mark.kind == "line":
        return _line(x, y, style)
    if mark.kind == "across":
        (left, right), width = across.span, style.get("linewidth", LINE)
        return [_path(f"M{left:.2f} {at:.2f}H{right:.2f}", style["color"], width) for at in y.tolist()]
    if mark.kind == "bar":
        wide, zero = float(np.ptp(across.at([0.0, style["width"]]))), float(up.at(0.0))
        return [_bar(at - wide / 2.0, min(top, zero), wide, abs(zero - top), style) for at, top in _pairs(x, y)]
    way, cap = "", style["cap"]
    for at, low, high in zip(x.tolist(), *y.tolist(), strict=True):
        if np.isfinite(low + high):
            way += f"M{at:.2f} {low:.2f}V{high:.2f}" + "".join(
                f"M{at - cap:.2f} {end:.2f}H{at + cap:.2f}" for end in (low, high)
            )
    return [_path(way, style["color"], LINE)] if way else []


def _step(span: float, most: int) -> tuple[float, int]:
    """Round step between ticks, so that at most so many fit, and its decimals."""
    least = span / most
    tens = 10.0 ** np.floor(np.log10(least))
    share = next(one for one in STEPS if one * tens >= least * (1.0 - 1e-9))
    decimals = int(max(0.0, -np.floor(np.log10(share * tens) + 1e-9))) + (share == 2.5 and tens <= 1.0)
    return float(share * tens), decimals


def _pairs(x: FloatArray, y: FloatArray) -> list[tuple[float, float]]:
    return [(across, up) for across, up in zip(x.tolist(), y.tolist(), strict=True) if np.isfinite(across + up)]


def _line(x: FloatArray, y: FloatArray, style: dict[str, Any]) -> list[str]:
    """A line through points, and their markers."""
    points, out, colour = _pairs(x, y), [], style["color"]
    form, width = style.get("linestyle", "-"), style.get("linewidth", LINE)
    if form != "none" and len(points) > 1:
        way = "".join(f"{'L' if k else 'M'}{across:.2f} {up:.2f}" for k, (across, up) in enumerate(points))
        out.append(_path(way, colour, width, dashes=DASHES.get(form, ())))
    if sign := style.get("marker", ""):
        wide = style.get("markersize", MARKER)
        around = SIGNS[sign].format(half=f"{wide / 2.0:g}", wide=f"{wide:g}")
        way = "".join(f"M{across:.2f} {up:.2f}{around}" for across, up in points)
        out.append(_path(way, colour, style.get("markeredgewidth", 1.0), face=style.get("markerfacecolor", colour)))
    return out


def _bar(x: float, y: float, wide: float, tall: float, style: dict[str, Any]) -> str:
    face, edge = _hex(style["color"]), _hex(style["edgecolor"])
    return f'<rect x="{x:.2f}" y="{y:.2f}" width="{wide:.2f}" height="{tall:.2f}" fill="{face}" stroke="{edge}"/>'


def _path(way: str, colour: str, width: float, *, face: str = "none", dashes: Sequence[float] = ()) -> str:
    dashed = f' stroke-dasharray="{" ".join(f"{part * width:g}" for part in dashes)}"' if dashes else ""
    return f'<path d="{way}" stroke="{_hex(colour)}" stroke-width="{width:g}" fill="{_hex(face)}"{dashed}/>'


def _text(x: float, y: float, said: str, anchor: str, *, turned: bool = False) -> str:
    turn = f' transform="rotate(-90 {x:.2f} {y:.2f})"' if turned else ""
    style = f'font-family="DejaVu Sans" font-size="{SIZE:g}" text-anchor="{anchor}"'
    return f'<text x="{x:.2f}" y="{y:.2f}" {style}{turn}>{html.escape(said)}</text>'


def _entry(name: str) -> float:
    """Room of a name in the legend with its sign; letters by how wide they usually are."""
    letters = sum(0.35 if letter in NARROW else 0.95 if letter in WIDE else 0.63 for letter in name)
    return HANDLE + SIZE * letters + APART


def _hex(colour: str) -> str:
    """Colour as SVG has it; "0.45" is a grey."""
    if colour[0] == "#" or not colour[0].isdigit():
        return colour
    return "#" + 3 * f"{round(255 * float(colour)):02x}"
