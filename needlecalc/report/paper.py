"""Paper: A4 pages filled from the top with words, tables, and the needle seen from its side."""

from __future__ import annotations

import re
from collections.abc import Sequence
from functools import lru_cache

import matplotlib.pyplot as plt
import numpy as np
from matplotlib.figure import Figure
from matplotlib.font_manager import FontProperties
from matplotlib.patches import Polygon, Rectangle
from matplotlib.textpath import text_to_path

from needlecalc.echo import plain
from needlecalc.parts.needle import Needle

A4_INCHES = (8.27, 11.69)
WIDTH_PT, HEIGHT_PT, MARGIN_PT = 595.0, 842.0, 34.0
LINE = 1.32
GOES_ON = "GOES ON OVERLEAF"
AS_ONE = 4  # lines of a paragraph that stay on one page
WRITE_IN = "write"  # an empty box to write in
BOLD = frozenset({"stop_mm", "target_mm", "stop_reads_mm", "target_reads_mm", "lambda_stop", "lambda_final"})
# The needle on paper: height of its frame, lengths of shank and of empty space at either end, radius at the shoulder.
SIDE_VIEW_PT, SHANK_PT, ENDS_PT, THICK_PT = 54.0, 62.0, 44.0, 11.0
THIN_SHARE = 0.3  # of the radius at the shoulder, drawn at the tip whatever the taper
NUMBERS_APART_PT = 15.0


class Paper:
    """A4 pages filled from the top; what does not fit goes on to the next.

    Parameters
    ----------
    footer : str
        What stands at the foot of every page.
    """

    def __init__(self, footer: str) -> None:
        self.footer = footer
        self.pages: list[Figure] = []
        self.turn()

    def turn(self) -> None:
        """A fresh page, and a word at the foot of the one before."""
        if self.pages:
            across, up = 1.0 - MARGIN_PT / WIDTH_PT, 14.0 / HEIGHT_PT
            self.pages[-1].text(across, up, GOES_ON, fontsize=11, weight="bold", ha="right")
        page = plt.figure(figsize=A4_INCHES)
        self.ax = page.add_axes((0.0, 0.0, 1.0, 1.0))
        self.ax.set_xlim(0.0, WIDTH_PT)
        self.ax.set_ylim(0.0, HEIGHT_PT)
        self.ax.axis("off")
        self.pages.append(page)
        self.y = HEIGHT_PT - MARGIN_PT
        number = f", page {len(self.pages)}" if len(self.pages) > 1 else ""
        foot(page, self.footer + number)

    def need(self, height_pt: float) -> None:
        """A fresh page where this height is not left, in points."""
        if self.y - height_pt < MARGIN_PT:
            self.turn()

    def gap(self, height_pt: float) -> None:
        """Some space, in points."""
        self.y -= height_pt

    def words(self, words: str, size: float, *, bold: bool = False, mark: str = "", inset_pt: float = 0.0) -> None:
        """A paragraph, wrapped; the mark hangs at its left."""
        weight = "bold" if bold else "normal"
        hang = 0.9 * size if mark else 0.0
        x = MARGIN_PT + inset_pt + hang
        words = typeset(plain(words))
        lines = _wrapped(words, size, weight, WIDTH_PT - MARGIN_PT - inset_pt - x)
        self.need(LINE * size * min(len(lines), AS_ONE))
        for number, line in enumerate(lines):
            self.need(LINE * size)
            if mark and number == 0:
                self.ax.text(x - hang, self.y, mark, fontsize=size, weight="bold", va="top")
            self.ax.text(x, self.y, line, fontsize=size, weight=weight, va="top", parse_math=False)
            self.y -= LINE * size

    def heading(self, words: str) -> None:
        """A heading that never stands alone at the foot of a page."""
        self.gap(10.0)
        self.need(70.0)
        self.words(words, 12, bold=True)
        self.gap(3.0)

    def boxed(self, paragraphs: Sequence[str], size: float, *, bold: Sequence[bool]) -> None:
        """Paragraphs in a heavy frame, each bold or not."""
        inset = 10.0
        width = WIDTH_PT - 2 * (MARGIN_PT + inset)
        both = list(zip(paragraphs, bold, strict=True))
        lines = sum(len(_wrapped(typeset(words), size, "bold" if heavy else "normal", width)) for words, heavy in both)
        height = LINE * size * lines + 4.0 * len(paragraphs) + 10.0
        self.need(height)
        top = self.y
        self.gap(7.0)
        for words, heavy in both:
            self.words(words, size, bold=heavy, inset_pt=inset)
            self.gap(4.0)
        self.y = top - height
        self.ax.add_patch(Rectangle((MARGIN_PT, self.y), WIDTH_PT - 2 * MARGIN_PT, height, fill=False, lw=1.8))

    def side_view(self, needle: Needle, filed: Sequence[bool]) -> None:
        """The needle lying on its side, shank left: which end is which, where its stations are, which to file."""
        self.need(SIDE_VIEW_PT)
        self.y -= SIDE_VIEW_PT
        left, across = MARGIN_PT, WIDTH_PT - 2 * MARGIN_PT
        self.ax.add_patch(Rectangle((left, self.y), across, SIDE_VIEW_PT, fill=False, lw=0.7))
        middle, shoulder, tip = self.y + 0.56 * SIDE_VIEW_PT, left + ENDS_PT + SHANK_PT, left + across - ENDS_PT
        share = (needle.stations_mm - needle.stations_mm[0]) / np.ptp(needle.stations_mm)
        x = shoulder + share * (tip - shoulder)
        thinner = (needle.diameters_mm[0] - needle.diameters_mm) / max(np.ptp(needle.diameters_mm), 1e-9)
        radius = THICK_PT * (1.0 - (1.0 - THIN_SHARE) * thinner)
        body = np.column_stack([np.append(x, x[::-1]), np.append(middle + radius, middle - radius[::-1])])
        self.ax.add_patch(Polygon(body, facecolor="0.93", edgecolor="black", lw=1.0))
        self.ax.add_patch(
            Rectangle(
                (shoulder - SHANK_PT, middle - 1.15 * THICK_PT),
                SHANK_PT,
                2.3 * THICK_PT,
                facecolor="0.75",
                edgecolor="black",
                lw=1.0,
            )
        )
        # What is filed is dark, from half way to the station before it to half way to the one after.
        ends = np.concatenate([x[:1], (x[1:] + x[:-1]) / 2.0, x[-1:]])
        edges = np.flatnonzero(np.diff(np.concatenate([[0], np.asarray(filed, dtype=int), [0]])))
        for first, beyond in edges.reshape(-1, 2).tolist():
            at = np.unique(np.concatenate([ends[[first, beyond]], x[first:beyond]]))
            tall = np.interp(at, x, radius)
            dark = np.column_stack([np.append(at, at[::-1]), np.append(middle + tall, middle - tall[::-1])])
            self.ax.add_patch(Polygon(dark, facecolor="0.6", edgecolor="none"))
        every = int(np.ceil(NUMBERS_APART_PT / max(float(np.diff(x).min()), 1.0)))
        for number, (place, tall) in enumerate(zip(x.tolist(), radius.tolist(), strict=True), start=1):
            self.ax.plot([place, place], [middle - tall, middle - tall - 3.0], color="black", lw=0.8)
            if (number - 1) % every == 0 or number == x.size:
                self.ax.text(place, self.y + 4.0, str(number), fontsize=9, ha="center", va="bottom")
        self.ax.text(shoulder - SHANK_PT / 2, middle, "SHANK", fontsize=10, weight="bold", ha="center", va="center")
        self.ax.text(left + 4.0, middle, "piston", fontsize=9, va="center")
        self.ax.text(left + across - 5.0, middle, "TIP", fontsize=10, weight="bold", ha="right", va="center")
        self.ax.text(left + 4.0, self.y + 4.0, "stations", fontsize=9, va="bottom")
        said = "shoulder at station 1" + (", dark: where metal comes off" if any(filed) else "")
        self.ax.text(shoulder, self.y + SIDE_VIEW_PT - 3.0, said, fontsize=9, va="top")

    def table(
        self,
        columns: Sequence[tuple[str, str, float]],
        rows: Sequence[dict[str, str]],
        *,
        size: float,
        row_pt: float,
        grey: Sequence[bool] = (),
    ) -> None:
        """A ruled table; its head is printed again on every page it runs on to."""
        unit = (WIDTH_PT - 2 * MARGIN_PT) / sum(share for _, _, share in columns)
        head_pt = 6.0 + 0.82 * LINE * size * max(head.count("\n") + 1 for _, head, _ in columns)
        self.need(head_pt + 2 * row_pt)
        self._row([head for _, head, _ in columns], columns, unit, head_pt, 0.82 * size, "0.86")
        for number, row in enumerate(rows):
            if self.y - row_pt < MARGIN_PT:
                self.turn()
                self._row([head for _, head, _ in columns], columns, unit, head_pt, 0.82 * size, "0.86")
            shade = "0.94" if grey and grey[number] else "white"
            plain = bool(grey and grey[number])
            self._row(
                [row.get(key, "") for key, _, _ in columns], columns, unit, row_pt, size, shade, plain=plain, body=True
            )

    def _row(
        self,
        cells: Sequence[str],
        columns: Sequence[tuple[str, str, float]],
        unit: float,
        height_pt: float,
        size: float,
        shade: str,
        *,
        plain: bool = False,
        body: bool = False,
    ) -> None:
        x = MARGIN_PT
        for cell, (key, _, share) in zip(cells, columns, strict=True):
            width = share * unit
            face = "white" if key == WRITE_IN and body else shade
            self.ax.add_patch(
                Rectangle((x, self.y - height_pt), width, height_pt, facecolor=face, edgecolor="black", lw=0.7)
            )
            weight = "bold" if key in BOLD and not plain else "normal"
            self.ax.text(
                x + width / 2,
                self.y - height_pt / 2,
                cell,
                parse_math=False,
                fontsize=size,
                weight=weight,
                ha="center",
                va="center_baseline" if "\n" not in cell else "center",
                linespacing=1.05,
            )
            x += width
        self.y -= height_pt


def _wrapped(words: str, size: float, weight: str, width_pt: float) -> list[str]:
    """Lines no wider than this, by the width the type really has."""
    lines, filled, space = [""], 0.0, size * _word_width(" ", weight)
    for word in words.split(" "):
        wide = size * _word_width(word, weight)
        if lines[-1] and filled + space + wide > width_pt:
            lines.append(word)
            filled = wide
        else:
            filled += wide + (space if lines[-1] else 0.0)
            lines[-1] = f"{lines[-1]} {word}" if lines[-1] else word
    return lines


@lru_cache(maxsize=4096)
def _word_width(word: str, weight: str) -> float:
    """Width of a word for one point of type size, which it grows with in proportion."""
    return (
        float(text_to_path.get_text_width_height_descent(word, FontProperties(size=100.0, weight=weight), ismath=False)[0])
        / 100.0
    )


def foot(page: Figure, words: str) -> None:
    """Words at the foot of a page.

    Parameters
    ----------
    page : Figure
        A page of A4.
    words : str
        The words.
    """
    page.text(MARGIN_PT / WIDTH_PT, 16.0 / HEIGHT_PT, words, fontsize=7.5, color="0.3", parse_math=False)


def typeset(words: str) -> str:
    """Words with the signs that plain text lacks.

    Parameters
    ----------
    words : str
        As a text sheet prints them.

    Returns
    -------
    str
        As paper does.

    Examples
    --------
    >>> typeset("hold +- 2.0 um") == "hold \N{PLUS-MINUS SIGN} 2.0 \N{MICRO SIGN}m"
    True
    """
    return re.sub(r"(?<=\d )um\b", "\N{MICRO SIGN}m", words).replace("+-", "\N{PLUS-MINUS SIGN}")
