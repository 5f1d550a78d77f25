"""Needles drawn: on the sheet, to scale with a ruler to check the printer, as DXF, and two on one page."""

from __future__ import annotations

from collections.abc import Sequence
from datetime import datetime

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_range
from needlecalc.design.forward.predict import Comparison
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle
from needlecalc.report import say
from needlecalc.report.document import Block, Document, Grid, Page, Paper, Picture, Weight, Words, pages_of
from needlecalc.report.language import spoken, words_sheet
from needlecalc.report.language import words_pages as words
from needlecalc.report.tables import headed
from needlecalc.show import Table
from needlecalc.version import __version__, now

TOO_LARGE = (
    "At {name} {scale:g} the needle is {size:.0f} mm {way} on paper, but {room:.0f} mm is the most; give a smaller one."
)
LENGTH_SCALES = (2.0, 1.0, 0.5, 0.25)  # tried in turn
ROOM_MM = {"A4": (185.0, 150.0), "letter": (190.0, 135.0)}  # across and down
RULER_MM, RULER_TALL, EDGE, LETTERS, APART = 100, 16.0, 6.0, 2.6, 4.5  # mm; the last from one number to the next
FINE = 0.25  # width of a line, mm
# In points: the frame, room at either end, the shank, radius at the shoulder, room between two numbers.
WIDE, TALL, ENDS, SHANK, THICK, BETWEEN = 527.0, 58.0, 58.0, 62.0, 11.0, 15.0
THIN_SHARE = 0.3  # of the radius at the shoulder, drawn at the tip whatever the taper


def needle_view(needle: Needle, filed: ArrayLike, ends: tuple[str, str]) -> Picture:
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

    frame = f'x="0.5" y="0.5" width="{WIDE - 1:g}" height="{TALL - 1:g}" fill="none" stroke="black" stroke-width="0.7"'
    shank = f'x="{ENDS:g}" y="{middle - 13:.1f}" width="{SHANK:g}" height="26" fill="#bbbbbb" stroke="black"'
    out = [f"<rect {frame}/>", body(x, 'fill="#eeeeee" stroke="black"'), f"<rect {shank}/>"]
    # What is filed is dark, from half way to the station before it to half way to the one after.
    halves = np.concatenate([x[:1], (x[1:] + x[:-1]) / 2.0, x[-1:]])
    for k in np.flatnonzero(filed).tolist():
        out.append(body(np.unique([halves[k], x[k], halves[k + 1]]), 'fill="#888888" stroke="#888888" stroke-width="0.3"'))
    every = int(np.ceil(BETWEEN / max(float(np.diff(x).min()), 1.0)))
    for number, (place, tall) in enumerate(zip(x.tolist(), radius.tolist(), strict=True), start=1):
        down = f'x1="{place:.1f}" x2="{place:.1f}" y1="{middle + tall:.1f}" y2="{middle + tall + 3:.1f}"'
        out.append(f'<line {down} stroke="black" stroke-width="0.8"/>')
        if (number - 1) % every == 0 or number == x.size:
            out.append(_text(place, TALL - 4, str(number), 9.0))
    out += [
        _text(ENDS + SHANK / 2, middle + 3.5, words_sheet.SHANK, 10.0, weight="bold"),
        _text(WIDE - 5, middle + 3.5, words_sheet.TIP, 10.0, "end", "bold"),
        _text(4, middle + 3.5, words_sheet.HOLDER, 9.0, "start"),
        _text(4, TALL - 4, words_sheet.STATIONS, 9.0, "start"),
        _text(shoulder, 11, f"{ends[0]}{words_sheet.DARK if filed.any() else ''}", 9.0, "start"),
        _text(WIDE - 5, 11, ends[1], 9.0, "end"),
    ]
    return Picture(lambda: (_svg(WIDE, TALL, out), words_sheet.SIDE_VIEW.format(thick=ends[0], thin=ends[1])))


def profile_drawing(
    needle: Needle,
    *,
    length_scale: float | None = None,
    radius_scale: float = 20.0,
    paper: Paper | None = None,
    made_at: datetime | None = None,
) -> Document:
    """Page with the outline of a needle to scale, a ruler to check the printer, and the table behind it.

    Parameters
    ----------
    needle : Needle
        The needle.
    length_scale : float or None
        How many times as long it is drawn; 2 when not given, or the half or quarter of it that fits on the paper.
    radius_scale : float
        How many times as thick it is drawn.
    paper : Paper or None
        What it is printed on; A4 in mm when not given.
    made_at : datetime or None
        Date and time it says it was made; now when not given.

    Returns
    -------
    Document
        ``html()`` and ``write_pdf`` give it in true millimetres; ``text()`` the table alone.

    Raises
    ------
    InputError
        If the drawing is larger than the paper, or a scale is no number above zero.

    Examples
    --------
    >>> page = profile_drawing(Needle("short", [0, 10, 20], [2.4, 2.2, 1.9]))
    >>> print(page.text().splitlines()[0])
    Needle to scale
    """
    paper = paper or Paper()
    wide, length = ROOM_MM[paper.size][0], float(np.ptp(needle.stations_mm))
    if length_scale is None:
        length_scale = next((one for one in LENGTH_SCALES if one * length <= wide - 2.0 * EDGE), LENGTH_SCALES[-1])
    scales = {"length_scale": length_scale, "radius_scale": radius_scale}
    for name, value in scales.items():
        check_range(value, name, 0.1, 200.0, cure="It is how many times as large it is drawn.")
    from shapely.affinity import scale  # late: slow to import

    points = np.array(scale(needle.outline(), length_scale, radius_scale, origin=(0.0, 0.0)).exterior.coords)
    sizes = zip(scales.items(), np.ptp(points, axis=0).tolist(), ROOM_MM[paper.size], ("long", "thick"), strict=True)
    for (name, value), size, room, way in sizes:
        if size > room - 2.0 * EDGE:
            raise InputError(TOO_LARGE.format(name=name, scale=value, size=size, way=way, room=room - 2.0 * EDGE))
    with spoken(paper.language):
        shown = needle.table()
        heads = headed(shown.columns, words.NEEDLE_HEADS)
        figures = {"needle": needle.name, "long": length, "thick": needle.diameters_mm[0], "thin": needle.diameters_mm[-1]}
        outline = words.OUTLINE.format(**figures)
        said = words.DRAWN.format(needle=say.needle(needle), length=length_scale, radius=radius_scale)
        blocks = (
            Words(words.TO_SCALE, Weight.TITLE),
            Words(said, verbatim=True),
            Words(words.CHECK_RULER, Weight.ORDER),
            Picture(lambda: (_to_scale(points, needle.stations_mm * length_scale, wide), outline), wide_mm=wide),
            Grid(Table("", heads, shown.rows), size=8.5, row_pt=12.5),
        )
        return pages_of(words.TO_SCALE, (Page(words.TO_SCALE, blocks),), None, needle.name, paper, made_at or now())


def _to_scale(points: np.ndarray, stations: np.ndarray, wide: float) -> str:
    """Outline, centre line, stations and ruler, in mm of the paper; the outline is a path of its own."""
    left, middle = EDGE - points[:, 0].min(), EDGE + points[:, 1].max()
    x, y = points[:, 0] + left, middle - points[:, 1]
    bottom, end = y.max() + EDGE, x.max()
    out = [_path(np.column_stack([x, y]), "outline", ' fill="#eeeeee"')]
    out.append(_path([(x.min() - EDGE / 2, middle), (end + EDGE / 2, middle)], "centre", ' stroke-dasharray="6 1.5 1 1.5"'))
    every = int(np.ceil(APART / np.diff(stations).min()))
    for number, at in enumerate((stations + left).tolist()):
        out.append(_path([(at, y.max() + 0.5), (at, y.max() + 2.0)]))
        out += [] if number % every else [_text(at, bottom, str(number + 1), LETTERS)]
    top = bottom + 4.0
    for at in range(RULER_MM + 1):
        long = 7.0 if at % 10 == 0 else 5.0 if at % 5 == 0 else 3.0
        out.append(_path([(EDGE + at, top), (EDGE + at, top + long)]))
        out += [_text(EDGE + at, top + 10.0, str(at), LETTERS)] if at % 10 == 0 else []
    out.append(_path([(EDGE, top), (EDGE + RULER_MM, top)], "ruler"))
    return _svg(wide, top + RULER_TALL - 4.0, out, "mm")


def _svg(wide: float, tall: float, parts: Sequence[str], unit: str = "") -> str:
    """A drawing of some parts; one of its own units is one on paper."""
    head = f'width="{wide:g}{unit}" height="{tall:g}{unit}" viewBox="0 0 {wide:g} {tall:g}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {head}>{"".join(parts)}</svg>'


def _path(points: Sequence[tuple[float, float]] | np.ndarray, name: str = "", style: str = "") -> str:
    way = " ".join(f"{'L' if number else 'M'} {x:.4f} {y:.4f}" for number, (x, y) in enumerate(points))
    named, fill = f' id="{name}"' if name else "", "" if "fill=" in style else ' fill="none"'
    return f'<path{named} d="{way}" stroke="black" stroke-width="{FINE:g}"{fill}{style}/>'


def _text(x: float, y: float, said: str, size: float, anchor: str = "middle", weight: str = "normal") -> str:
    style = f'font-family="DejaVu Sans" font-size="{size:g}" text-anchor="{anchor}" font-weight="{weight}"'
    return f'<text x="{x:.2f}" y="{y:.2f}" {style}>{said}</text>'


def needle_dxf(needle: Needle) -> str:
    """Outline of a needle in mm, as DXF (R12, text): a closed polyline from the shoulder, and the centre line.

    Parameters
    ----------
    needle : Needle
        The needle; its shank is not in it.

    Returns
    -------
    str
        What a file with the ending ``.dxf`` holds.

    References
    ----------
    .. [1] DXF reference, release 12, group codes of POLYLINE, VERTEX and LINE (from memory).

    Examples
    --------
    >>> needle_dxf(Needle("short", [0, 10], [2.4, 2.2])).splitlines()[-1]
    'EOF'
    """
    x, y = np.array(needle.outline().exterior.coords)[:-1].T
    pairs: list[tuple[int, str | float | int]] = [
        (999, f"needlecalc {__version__}: {plain(needle.name, LONGEST_NAME)}, mm, from the shoulder"),
        *((0, "SECTION"), (2, "HEADER"), (9, "$ACADVER"), (1, "AC1009"), (0, "ENDSEC")),
        *((0, "SECTION"), (2, "ENTITIES"), (0, "POLYLINE"), (8, "OUTLINE"), (66, 1), (70, 1)),
    ]
    for across, up in zip(x.tolist(), y.tolist(), strict=True):
        pairs += [(0, "VERTEX"), (8, "OUTLINE"), (10, across), (20, up)]
    pairs += [(0, "SEQEND"), (0, "LINE"), (8, "CENTRE"), (10, x.min()), (20, 0.0), (11, x.max()), (21, 0.0)]
    pairs += [(0, "ENDSEC"), (0, "EOF")]
    written = ((code, f"{value:.6f}" if isinstance(value, float) else value) for code, value in pairs)
    return "".join(f"{code:>3}\n{value}\n" for code, value in written)


def compare_page(found: Comparison, *, paper: Paper | None = None, made_at: datetime | None = None) -> Document:
    """Page that shows two needles side by side.

    Parameters
    ----------
    found : Comparison
        The needles compared, from ``compare``.
    paper : Paper or None
        What it is printed on; A4 in mm when not given.
    made_at : datetime or None
        Date and time it says it was made; now when not given.

    Returns
    -------
    Document
        ``text()`` and ``html()`` give it; ``write_pdf`` puts it on paper.

    Examples
    --------
    >>> from needlecalc import compare
    >>> from needlecalc.example import road
    >>> page = compare_page(compare(road.setup, road.design.present(), road.design.needle, bands=road.bands))
    >>> print(page.text().splitlines()[0])
    Two needles compared
    """
    from needlecalc.report.plot import panel  # late: only paper draws

    paper = paper or Paper()
    jet, bands = found.setup.carburettor.jet, found.bands
    parts = ("profile", "difference", "areas", *(("lambda",) if bands is not None else ()))
    with spoken(paper.language):
        tables = [found.table()]
        if bands is not None:
            tables.append(found.band_table())
        needles = zip(words.ORDERS, (found.first, found.second), strict=True)
        blocks: tuple[Block, ...] = (
            Words(words.COMPARED, Weight.TITLE),
            *(Words(words.WHICH.format(order=order, needle=say.needle(one)), verbatim=True) for order, one in needles),
            Words(words.IN_JET.format(job=found.setup.name, bore_mm=jet.bore_mm, drop_mm=jet.drop_mm), Weight.SMALL),
            panel(found, parts, words.SHOWN_TWO.format(more=words.AND_LAMBDA if bands is not None else "")),
            *(Grid(one, size=8.5, row_pt=12.5) for one in tables),
            *(Words(note, Weight.SMALL) for note in tables[0].notes),
        )
        pages = (Page(words.COMPARED, blocks),)
        return pages_of(words.COMPARED, pages, bands, found.setup.name, paper, made_at or now())
