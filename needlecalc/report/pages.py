"""Pages for paper: a document laid out by fpdf2."""

from __future__ import annotations

import re
from collections.abc import Mapping
from io import BytesIO
from pathlib import Path

import matplotlib
from fpdf import FPDF, FontFace
from fpdf.enums import XPos, YPos
from fpdf.fonts import CoreFont, TTFFont
from fpdf.table import Row

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.files import write_files
from needlecalc.report.axes import drawn
from needlecalc.report.document import BOX, Document, Grid, Page, Picture, Printed, Weight, Words, typeset
from needlecalc.report.language import in_its_language, words_pages
from needlecalc.report.plot import plot
from needlecalc.report.sheet import GrindSheet
from needlecalc.show import Table
from needlecalc.version import __version__

# Every reader of PDF brings the first along, a little larger as large as the other: what matplotlib draws with and brings
# along, for documents with letters that are not of western Europe.
FACE, LARGER, MORE_LETTERS = "helvetica", 1.05, "DejaVu Sans"
FONT_FILES = {"": "DejaVuSans.ttf", "B": "DejaVuSans-Bold.ttf"}
WRITE_IN = "\N{NO-BREAK SPACE}"  # an empty cell as high as the others
NO_GLYPH = "\N{REPLACEMENT CHARACTER}"
POINTS_PER_MM = 72.0 / 25.4
MARGIN_PT, FOOT_PT, LINE = 34.0, 36.0, 1.28
TOTAL = "{nb}"  # the library puts the number of pages in its place
AS_ONE, WHOLE = 6, 16  # lines of a paragraph, and rows of a table, that stay on one page
SCALES = (1.0, 0.94, 0.88, 1.0)  # type of a page gives way where one sheet holds it then
SHADE, HEAD = 232, 214  # grey of rows left alone and of heads
BOLD_SIZE, HEAD_SIZE = 1.2, 0.78  # of a bold column and of heads, as shares of a table's size
BESIDE_PT = 1.5  # room beside the words of a cell
BEFORE = {Weight.TITLE: 0.0, Weight.HEADING: 7.0, Weight.LOUD: 4.0, Weight.ORDER: 2.0}  # space above, in points


class Sheets(FPDF):
    """Pages whose foot says what made them, which page it is, and whether it goes on."""

    def __init__(self, document: Document, fonts: dict[str, CoreFont | TTFFont]) -> None:
        super().__init__(unit="pt", format=document.paper.size)
        self.document, self.named, self.ends = document, "", True
        self.fonts.update(fonts)  # of an earlier try: to open them takes long
        self.face, self.larger, self.known = FACE, LARGER, set(range(256))
        if not set(map(ord, _letters_of(document))) <= self.known:
            self.face, self.larger = MORE_LETTERS, 1.0
            if not fonts:
                self._open_more_letters()
            letters = self.fonts[MORE_LETTERS.lower()]
            self.known = set(letters.cmap) if isinstance(letters, TTFFont) else set()
        self.set_margins(MARGIN_PT, MARGIN_PT - 8.0)
        self.c_margin = 0.0
        self.set_auto_page_break(True, FOOT_PT)
        self.set_title(plain(document.title))
        self.set_subject(plain(document.foot))
        self.set_author("needlecalc")
        self.set_creator(f"needlecalc {__version__}")
        self.set_creation_date(document.made_at)
        self.set_lang(document.paper.language)

    def _open_more_letters(self) -> None:
        for style, file in FONT_FILES.items():
            self.add_font(MORE_LETTERS, style, Path(matplotlib.get_data_path()) / "fonts" / "ttf" / file)

    def header(self) -> None:
        """What follows goes on to the next page, until it is said to end."""
        self.ends = False

    def footer(self) -> None:
        """What stands at the foot of every page."""
        of = words_pages.PAGE.format(name=self.named, page=self.page_no(), pages=TOTAL)
        if not self.ends:
            self.set_y(-FOOT_PT)
            self.set_font(self.face, "B", 9.0)
            self.cell(0, 12.0, words_pages.GOES_ON, align="R")
        self.set_font(self.face, "", 6.5)
        self.set_y(-24.0)
        self.multi_cell(self.epw - 130.0, 8.5, self.printed(self.document.foot), align="L", max_line_height=8.5)
        self.set_xy(-MARGIN_PT - 130.0, -24.0)
        self.cell(130.0, 8.5, of, align="R")

    def printed(self, words: str) -> str:
        """Words with the signs of print; a letter the type lacks has a sign in its place."""
        said = typeset(plain(words)).replace(TOTAL, "{ nb}")
        return "".join(letter if ord(letter) in self.known else NO_GLYPH for letter in said)

    def lay(self, page: Page, scale: float) -> int:
        """A page of the document; the number of sheets it takes."""
        before = self.page
        self.ends = True
        self.add_page()
        self.named = page.name
        self.start_section(page.name)
        for block in page.blocks:
            if isinstance(block, Words):
                self._words(block, scale)
            elif isinstance(block, Grid):
                self._grid(block, scale)
            else:
                self._picture(block)
        return self.page - before

    def _need(self, height: float) -> None:
        """A fresh page where this height is not left."""
        if self.will_page_break(height):
            self.add_page()

    def _words(self, words: Words, scale: float) -> None:
        size, bold, _ = words.weight.value
        size *= self.larger * (scale if words.weight is not Weight.TITLE else 1.0)
        said, line = self.printed(self.document.say(words)), LINE * size
        hang = 0.9 * size if words.mark else 0.0
        self.set_font(self.face, "B" if bold else "", size)
        self.ln(BEFORE.get(words.weight, 1.0) * scale)
        lines: list[str] = self.multi_cell(self.epw - hang, line, said, align="L", dry_run=True, output="LINES")  # type: ignore[assignment]
        # A paragraph stays whole, and a heading with some of what it is about.
        self._need(line * min(len(lines), AS_ONE) + (60.0 if words.weight is Weight.HEADING else 0.0))
        if words.mark:
            self.set_font(self.face, "B", size)
            self.cell(hang, line, words.mark)
            self.set_font(self.face, "B" if bold else "", size)
        for one in lines:
            self.set_x(self.l_margin + hang)
            self.cell(0, line, one, new_x=XPos.LMARGIN, new_y=YPos.NEXT)

    def _grid(self, grid: Grid, scale: float) -> None:
        table, size = self.document.of(grid), self.larger * scale * grid.size
        rows = len(table.rows) if len(table.rows) <= WHOLE else 3
        tall = scale * grid.row_pt * (1 + rows) + 3 * size
        if table.title:
            self._need(tall + 2.0 * LINE * Weight.HEADING.value[0] * scale)
            self._words(Words(table.title, Weight.HEADING), scale)
        if not table.columns:
            return
        pad = max(0.0, (scale * grid.row_pt - LINE * scale * grid.size) / 2.0)
        self.ln(2.0)
        self._need(tall)
        self.set_font(self.face, "", size)
        with self.table(
            col_widths=tuple(grid.widths.get(column.key, 1.0) for column in table.columns),
            headings_style=FontFace(emphasis="BOLD", size_pt=HEAD_SIZE * size, fill_color=HEAD),
            text_align="CENTER",
            line_height=LINE * 0.9 * scale * grid.size,
            padding=(pad, BESIDE_PT, pad, BESIDE_PT),
        ) as made:
            made.row(["\n".join(map(self.printed, column.head.split("\n"))) for column in table.columns])
            for number, row in enumerate(table.rows):
                self._row(made.row(), grid, table, number, row, size)
        self.ln(3.0)

    def _row(self, made: Row, grid: Grid, table: Table, number: int, row: Mapping[str, str], size: float) -> None:
        grey = bool(grid.shaded and grid.shaded[number])
        for column in table.columns:
            said, bold = row[column.key], column.key == grid.bold and not grey
            fill = SHADE if grey and said != BOX else None
            face = FontFace(emphasis="BOLD" if bold else None, size_pt=BOLD_SIZE * size if bold else size, fill_color=fill)
            made.cell(WRITE_IN if said == BOX else self.printed(said), style=face)

    def _picture(self, picture: Picture) -> None:
        # A pixel of the drawing is one of its own units, whatever the library takes it for.
        in_points = re.sub(r"(font-size: [\d.]+)px", r"\1pt", _drawn(self.document, picture))
        drawn = BytesIO(in_points.replace(MORE_LETTERS, self.face).encode())
        self.ln(2.0)
        wide = picture.wide_mm * POINTS_PER_MM or self.epw
        height = wide * picture.shape()
        self._need(height)
        self.set_fill_color(0)  # of its letters; that of a table goes on otherwise
        self.image(drawn, x=self.l_margin, w=wide, h=height, alt_text=picture.alt)
        if picture.caption:
            self._words(Words(picture.caption, Weight.SMALL), 1.0)


def _letters_of(document: Document) -> str:
    """All that stands on the pages, drawings too."""
    pictures = [block for page in document.pages for block in page.blocks if isinstance(block, Picture)]
    drawn = [f"{_drawn(document, one)}{one.caption}" for one in pictures]
    return "".join([document.foot, document.text(), *drawn, *(page.name for page in document.pages)]).replace("\n", " ")


def _drawn(document: Document, picture: Picture) -> str:
    """A drawing without a true minus, which older versions of the library do not know."""
    return re.sub("\N{MINUS SIGN}|&#8722;", "-", document.drawing(picture))


@in_its_language
def pdf_of(document: Document) -> bytes:
    """The pages as they stand in a file; the type of one that runs over gives way, where that keeps it on one sheet."""
    fonts: dict[str, CoreFont | TTFFont] = {}
    tried = [0] * len(document.pages)
    try:
        while True:
            sheets = Sheets(document, fonts)
            fonts = sheets.fonts
            for k, page in enumerate(document.pages):
                if sheets.lay(page, SCALES[tried[k]]) > 1 and tried[k] + 1 < len(SCALES):
                    tried[k] += 1
                    break  # all anew, as its sheets are laid already
            else:
                break
        sheets.ends = True
        return bytes(sheets.output())
    finally:
        for letters in fonts.values():
            if isinstance(letters, TTFFont):
                letters.close()


def write_pdf(sheet: Printed | Document, path: str | Path) -> None:
    """Write pages for paper.

    Parameters
    ----------
    sheet : Printed or Document
        A grind sheet, a card, or a page such as ``compare_page`` makes.
    path : str or Path
        Where to write.

    Raises
    ------
    InputError
        If it cannot be written.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from needlecalc.example import road
    >>> with TemporaryDirectory() as folder:
    ...     write_pdf(road.job.sheet(road.design), Path(folder) / "sheet.pdf")
    ...     print((Path(folder) / "sheet.pdf").read_bytes()[:4])
    b'%PDF'
    """
    path = Path(path)
    document = sheet if isinstance(sheet, Document) else sheet.document()
    write_files({path: pdf_of(document)}, f"{plain(path.name, LONGEST_NAME)}: the pages")


def profile_png_of(sheet: GrindSheet) -> bytes:
    """The plot of the profile as it stands in a file."""
    about = {"Software": f"needlecalc {__version__}", "Description": sheet.made_line()}
    return drawn(plot(sheet.design, "profile"), "png", about)
