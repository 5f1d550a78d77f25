"""The needle lying on its side, shank left: which end is which, where its stations are, which to file."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.parts.needle import Needle
from needlecalc.report.document import Picture
from needlecalc.report.language import words_sheet as texts

# In points: the frame, room at either end, the shank, radius at the shoulder, room between two numbers.
WIDE, TALL, ENDS, SHANK, THICK, APART = 527.0, 58.0, 58.0, 62.0, 11.0, 15.0
THIN_SHARE = 0.3  # of the radius at the shoulder, drawn at the tip whatever the taper


def needle_view(needle: Needle, filed: ArrayLike, ends: tuple[str, str], holder: str) -> Picture:
    """Picture of a needle; stations to file are dark, and the diameters at both ends are named."""
    filed = np.asarray(filed, dtype=bool)
    middle, shoulder, tip = 0.48 * TALL, ENDS + SHANK, WIDE - ENDS
    share = (needle.stations_mm - needle.stations_mm[0]) / np.ptp(needle.stations_mm)
    x = shoulder + share * (tip - shoulder)
    thinner = (needle.diameters_mm[0] - needle.diameters_mm) / max(float(np.ptp(needle.diameters_mm)), 1e-9)
    radius = THICK * (1.0 - (1.0 - THIN_SHARE) * thinner)

    def body(at: np.ndarray, style: str) -> str:
        tall = np.interp(at, x, radius)
        points = [*zip(at, middle - tall, strict=True), *zip(at[::-1], middle + tall[::-1], strict=True)]
        return f'<polygon points="{" ".join(f"{px:.1f},{py:.1f}" for px, py in points)}" {style}/>'

    def words(px: float, py: float, said: str, size: float = 9.0, anchor: str = "start", weight: str = "normal") -> str:
        style = f'font-family="DejaVu Sans" font-size="{size:g}" text-anchor="{anchor}" font-weight="{weight}"'
        return f'<text x="{px:.1f}" y="{py:.1f}" {style}>{said}</text>'

    frame = f'x="0.5" y="0.5" width="{WIDE - 1:g}" height="{TALL - 1:g}" fill="none" stroke="black" stroke-width="0.7"'
    shank = f'x="{ENDS:g}" y="{middle - 13:.1f}" width="{SHANK:g}" height="26" fill="#bbbbbb" stroke="black"'
    out = [f"<rect {frame}/>", body(x, 'fill="#eeeeee" stroke="black"'), f"<rect {shank}/>"]
    # What is filed is dark, from half way to the station before it to half way to the one after.
    halves = np.concatenate([x[:1], (x[1:] + x[:-1]) / 2.0, x[-1:]])
    edges = np.flatnonzero(np.diff(np.concatenate([[0], filed.astype(int), [0]])))
    for first, beyond in edges.reshape(-1, 2).tolist():
        out.append(body(np.unique(np.concatenate([halves[[first, beyond]], x[first:beyond]])), 'fill="#888888"'))
    every = int(np.ceil(APART / max(float(np.diff(x).min()), 1.0)))
    for number, (place, tall) in enumerate(zip(x.tolist(), radius.tolist(), strict=True), start=1):
        down = f'x1="{place:.1f}" x2="{place:.1f}" y1="{middle + tall:.1f}" y2="{middle + tall + 3:.1f}"'
        out.append(f'<line {down} stroke="black" stroke-width="0.8"/>')
        if (number - 1) % every == 0 or number == x.size:
            out.append(words(place, TALL - 4, str(number), anchor="middle"))
    out += [
        words(ENDS + SHANK / 2, middle + 3.5, texts.SHANK, 10.0, "middle", "bold"),
        words(WIDE - 5, middle + 3.5, texts.TIP, 10.0, "end", "bold"),
        words(4, middle + 3.5, holder),
        words(4, TALL - 4, texts.STATIONS),
        words(shoulder, 11, f"{ends[0]}{texts.DARK if filed.any() else ''}"),
        words(WIDE - 5, 11, ends[1], anchor="end"),
    ]
    head = f'<svg xmlns="http://www.w3.org/2000/svg" width="{WIDE:g}" height="{TALL:g}" viewBox="0 0 {WIDE:g} {TALL:g}">'
    return Picture(lambda: (f"{head}{''.join(out)}</svg>", texts.SIDE_VIEW.format(thick=ends[0], thin=ends[1])))
