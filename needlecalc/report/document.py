"""A document: pages of words, tables and pictures, that print as text, as HTML and on paper."""

from __future__ import annotations

import base64
import html
import re
from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from datetime import datetime
from enum import Enum
from functools import cached_property
from typing import Any, Literal

from needlecalc.arrays import check_choice
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.measure.drive.bands import Bands
from needlecalc.report.language import in_its_language, rpm, words, words_pages
from needlecalc.show import Column, Table
from needlecalc.version import __version__

BOX = "[      ]"  # a place to write in: empty on paper


class Weight(Enum):
    """How loud words are: their size in points on paper, whether bold, and their place in HTML."""

    TITLE = (15.0, True, "h1")
    HEADING = (11.5, True, "h2")
    LOUD = (13.0, True, "p")
    ORDER = (11.0, True, "p")
    GRAVE = (9.5, True, "p")
    PLAIN = (11.0, False, "p")
    BODY = (9.5, False, "p")
    SMALL = (8.5, False, "p")


@dataclass(frozen=True)
class Words:
    """A paragraph; the mark hangs at its left, and figures of a verbatim one keep their point."""

    text: str
    weight: Weight = Weight.BODY
    mark: str = ""
    verbatim: bool = False


@dataclass(frozen=True)
class Grid:
    """A table on paper: the key of its one bold column, its shaded rows, widths that are not 1, and the type's size."""

    table: Table
    bold: str = ""
    shaded: Sequence[bool] = ()
    widths: Mapping[str, float] = field(default_factory=dict)
    size: float = 9.5
    row_pt: float = 14.0


@dataclass(frozen=True)
class Picture:
    """A drawing and what it shows, made once and only if it is shown; high by its own shape."""

    draw: Callable[[], tuple[str, str]]  # as SVG, and in words for whoever cannot see it
    said: str | None = ""  # its caption; what it shows where None
    wide_mm: float = 0.0  # on paper; as the page where 0

    @cached_property
    def _made(self) -> tuple[str, str]:
        return self.draw()

    @property
    def svg(self) -> str:
        """The drawing as SVG."""
        return self._made[0]

    @property
    def alt(self) -> str:
        """What it shows, for whoever cannot see it."""
        return self._made[1]

    @property
    def caption(self) -> str:
        """What stands below it."""
        return self.alt if self.said is None else self.said

    def shape(self) -> float:
        """Height over width."""
        found = re.search(r'viewBox="0 0 ([\d.]+) ([\d.]+)"', self.svg)
        return float(found[2]) / float(found[1]) if found else 1.0


Block = Words | Grid | Picture


def noted(table: Table, widths: Mapping[str, float]) -> list[Block]:
    """A table with its notes below it."""
    return [Grid(table, widths=widths), *(Words(note, Weight.SMALL) for note in table.notes)]


@dataclass(frozen=True)
class Page:
    """One page, or more where it does not fit."""

    name: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True)
class Paper:
    """What sheets are printed on, and how figures are written.

    Parameters
    ----------
    size : {"A4", "letter"}
        Size of the page.
    unit : {"mm", "inch"}
        Unit of the diameters to file by; inch for an inch micrometer.
    decimal : {"point", "comma"} or None
        What stands before the tenths; as the language has it when not given.
    language : {"en", "de"}
        Language of everything printed; ``design.json`` and the CSV stay English.

    Raises
    ------
    InputError
        If a word is not one of these.

    Examples
    --------
    >>> Paper(decimal="comma").figures("leave 1.60 mm")
    'leave 1,60 mm'
    """

    size: Literal["A4", "letter"] = "A4"
    unit: Literal["mm", "inch"] = "mm"
    decimal: Literal["point", "comma"] | None = None
    language: Literal["en", "de"] = "en"

    def __post_init__(self) -> None:
        if self.decimal is None:
            object.__setattr__(self, "decimal", "comma" if self.language == "de" else "point")
        for key, allowed in (("size", SIZES), ("unit", UNITS), ("decimal", DECIMALS), ("language", LANGUAGES)):
            cure = "see the paper in your printer and your micrometer."
            check_choice(getattr(self, key), key, tuple(allowed), cure=cure)

    def figures(self, words: str) -> str:
        """Words with the figures written as asked."""
        return re.sub(r"(?<=\d)\.(?=\d)", ",", words) if self.decimal == "comma" else words


SIZES, UNITS, DECIMALS, LANGUAGES = ("A4", "letter"), ("mm", "inch"), ("point", "comma"), ("en", "de")


@dataclass(frozen=True)
class Document:
    """Pages with what stands at the foot of each."""

    title: str
    foot: str
    pages: tuple[Page, ...]
    made_at: datetime
    paper: Paper = field(default_factory=Paper)

    @in_its_language
    def text(self) -> str:
        """Plain text; pictures are left out."""
        parts = [self._text(block) for page in self.pages for block in page.blocks]
        parts.append(f"\n{self._text(Words(self.foot, verbatim=True))}")
        said = re.sub(r"\n\n\n+", "\n\n", "\n".join(part for part in parts if part))
        return f"{said.strip()}\n"

    def _text(self, block: Block) -> str:
        if isinstance(block, Picture):
            return ""
        if isinstance(block, Grid):
            return f"\n{self.of(block).text()}\n"
        apart = "\n" if block.weight in (Weight.TITLE, Weight.HEADING) else ""
        note = Table("", notes=(self.say(block),)) if block.mark else Table("", intro=(self.say(block),))
        return apart + note.text().strip("\n")

    def say(self, words: Words) -> str:
        """Words on one line, figures as the paper asks."""
        return plain(words.text) if words.verbatim else self.paper.figures(plain(words.text))

    def of(self, grid: Grid) -> Table:
        """Cells of a table as they stand on the paper."""
        columns = [
            replace(
                column,
                head=self.paper.figures(column.head),
                values=[self.paper.figures(_cell(column, row.get(column.key))) for row in grid.table.rows],
            )
            for column in grid.table.columns
        ]
        return Table(grid.table.title, columns, notes=())

    @in_its_language
    def html(self) -> str:
        """One page of HTML, whole in itself, fit to print."""
        out = [f"<!DOCTYPE html>\n<html lang='{self.paper.language}'><head><meta charset='utf-8'>"]
        out.append(f"<title>{html.escape(plain(self.title))}</title><style>{STYLE}</style></head><body>")
        for page in self.pages:
            out += ["<section>", *(self._html(block) for block in page.blocks)]
            out.append(f"<footer>{html.escape(plain(self.foot))}</footer></section>")
        return "\n".join([*out, "</body></html>\n"])

    def drawing(self, picture: Picture) -> str:
        """A drawing as SVG, figures as the paper asks."""
        return re.sub(r">[^<>]+</text>", lambda said: self.paper.figures(said[0]), picture.svg)

    def _html(self, block: Block) -> str:
        if isinstance(block, Picture):
            inside = base64.b64encode(self.drawing(block).encode()).decode()
            alt = html.escape(typeset(self.paper.figures(block.alt)))
            said = html.escape(typeset(self.say(Words(block.caption))))
            caption = f"<figcaption>{said}</figcaption>" if said else ""
            wide = f" style='width:{block.wide_mm:g}mm'" if block.wide_mm else ""
            return f"<figure><img{wide} alt='{alt}' src='data:image/svg+xml;base64,{inside}'>{caption}</figure>"
        if isinstance(block, Words):
            said = html.escape(typeset(self.say(block)))
            said = f"<b>{said}</b>" if block.weight in (Weight.LOUD, Weight.ORDER, Weight.GRAVE) else said
            size = " class='small'" if block.weight is Weight.SMALL else ""
            return f"<{block.weight.value[2]}{size}>{said}</{block.weight.value[2]}>"
        table = self.of(block)
        heads = "".join(f"<th>{html.escape(typeset(one.head)).replace(chr(10), '<br>')}</th>" for one in table.columns)
        rows = []
        for number, row in enumerate(table.rows):
            grey = bool(block.shaded and block.shaded[number])
            cells = (_td(row[one.key], bold=one.key == block.bold and not grey) for one in table.columns)
            rows.append(f"<tr{' class=left' * grey}>{''.join(cells)}</tr>")
        title = f"<caption>{html.escape(table.title)}</caption>" if table.title else ""
        return f"<table>{title}<thead><tr>{heads}</tr></thead><tbody>{''.join(rows)}</tbody></table>"


def _td(value: str, *, bold: bool) -> str:
    """A cell as HTML; a box to write in is empty and high."""
    if value == BOX:
        return "<td class=box></td>"
    said = html.escape(typeset(value))
    return f"<td>{f'<b>{said}</b>' if bold else said}</td>"


def _cell(column: Column, value: Any) -> str:
    """A cell in the language spoken; rows hold loads and answers as records have them."""
    if isinstance(value, bool):
        return words.YES[value]
    if column.key == "load":
        return words.LOADS.get(value, plain(value))
    return column.text(rpm(value) if column.key == "rpm" else value)


def pages_of(
    title: str, pages: tuple[Page, ...], bands: Bands | None, job: str, paper: Paper, made_at: datetime
) -> Document:
    """A document with what made it at its foot."""
    job = plain(job, LONGEST_NAME)
    log = words_pages.MADE_OF.format(log=bands.log.sha256[:16]) if bands is not None and bands.log is not None else ""
    made = words_pages.MADE.format(version=__version__, when=made_at, job=job, log=log)
    return Document(f"{title}: {job}", made, pages, made_at, paper)


class Printed(ABC):
    """What prints itself as pages."""

    @abstractmethod
    def document(self) -> Document:
        """The pages."""

    def text(self) -> str:
        """All pages as plain text."""
        return self.document().text()

    def html(self) -> str:
        """All pages as one page of HTML, plots in it."""
        return self.document().html()

    def __str__(self) -> str:
        return self.text()


STYLE = (
    "body{font:14px sans-serif;color:#000;background:#fff;max-width:52em;margin:1em auto}"
    "table{border-collapse:collapse;width:100%;margin:.6em 0}caption{font-weight:bold;text-align:left;padding:.3em 0}"
    "th,td{border:1px solid #000;padding:.25em .3em;text-align:center}th{background:#ddd}tr.left td{background:#eee}"
    "td.box{height:2em}td b{font-size:1.2em}p{margin:.35em 0}"
    "h1{font-size:1.4em}h2{font-size:1.1em}img{width:100%;height:auto}"
    ".small,footer,figcaption{font-size:.8em}figure{margin:.5em 0}footer{margin:1em 0 2em;color:#444}"
    "tr,figure{break-inside:avoid}@media print{section{break-after:page}body{margin:0;max-width:none}}"
)


def typeset(words: str) -> str:
    """Words with the signs that plain text lacks.

    >>> typeset("hold +- 2.0 um") == "hold \N{PLUS-MINUS SIGN} 2.0 \N{MICRO SIGN}m"
    True
    """
    # A unit stands after a figure, or alone on a line of a head; "um" is also a word of German.
    return re.sub(r"(?m)(?:(?<=\d )|(?<=\d)|(?<=\+- )|^(?=um$))um\b", "\N{MICRO SIGN}m", words).replace(
        "+-", "\N{PLUS-MINUS SIGN}"
    )
