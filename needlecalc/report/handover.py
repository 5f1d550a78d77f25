"""What goes out with the car: a page for the customer and one for the tester."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from datetime import datetime
from functools import cached_property

import numpy as np

from needlecalc.arrays import check_text
from needlecalc.design.after.altitude import AltitudeOutlook, idle_co
from needlecalc.design.after.trip import Trip, mixture, speaking, trip
from needlecalc.design.belief.history import SAME_NEEDLE_MM, Pass
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS
from needlecalc.design.inverse.proposal import Design
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.report import say
from needlecalc.report.card import turn_words
from needlecalc.report.document import BOX, Block, Document, Grid, Page, Paper, Printed, Weight, Words, pages_of
from needlecalc.report.language import in_its_language
from needlecalc.report.language import words_pages as words
from needlecalc.show import Column, Row, Table, counted
from needlecalc.units import FloatArray
from needlecalc.version import now

WRITE_ON = "_" * 70  # where nothing was typed
LONGEST_NOTE = 600
FORMS = {"idle_rpm": ".0f", "co_percent": ".1f", "co2_percent": ".1f", "o2_percent": ".1f", "hc_ppm": ".0f", "lambda": ".2f"}


@dataclass(frozen=True)
class Notes:
    """What the workshop says of a job, to the customer and to the tester.

    Parameters
    ----------
    complaint : str
        What the customer complained of. Empty leaves a line to write on.
    found : str
        What was found.
    done : str
        What was done. Needle and jet are told anyway.
    limits : mapping of str to str
        Limits of the test as they are to be printed: idle_rpm, co_percent, co2_percent, o2_percent, hc_ppm,
        lambda. [as typed]

    Raises
    ------
    InputError
        If one of them is no text.

    Examples
    --------
    >>> Notes(complaint="stalls when hot").complaint
    'stalls when hot'
    """

    complaint: str = ""
    found: str = ""
    done: str = ""
    limits: Mapping[str, str] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for name in ("complaint", "found", "done"):
            object.__setattr__(self, name, check_text(getattr(self, name), name, LONGEST_NOTE))


@dataclass(frozen=True, repr=False, eq=False)
class Handover(Printed):
    """Pages for customer and tester.

    Parameters
    ----------
    design : Design
        The design, with every drive behind it; the last one is "after", where there are two.
    notes : Notes
        What the workshop says; lines to write on where it is empty.
    outlook : AltitudeOutlook or None
        The needle at the places of its trips, for the altitude label; None leaves it out.
    gas : GasReading or None
        Gas read at idle on the last drive.
    co_limit_percent, lambda_least : float or None
        Limits of the idle test, for the tester. [%, -]
    paper : Paper
        What it is printed on, and in which language.
    made_at : datetime
        Date and time it says it was made.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> Handover(road.design)
    Handover of 'pass-road van (invented)' after 1 drive
    """

    design: Design
    notes: Notes = field(default_factory=Notes)
    outlook: AltitudeOutlook | None = None
    gas: GasReading | None = None
    co_limit_percent: float | None = None
    lambda_least: float | None = None
    paper: Paper = field(default_factory=Paper)
    made_at: datetime = field(default_factory=now)

    def __repr__(self) -> str:
        return f"Handover of {self.design.setup.name!r} after {counted(len(self.drives()), 'drive')}"

    @cached_property
    def trip(self) -> Trip | None:
        """The jet turned for other places; None where none is named."""
        return None if self.outlook is None else trip(self.outlook)

    @property
    def slide(self) -> bool:
        """Whether a slide carries the needle."""
        return say.on_slide(self.design)

    def drives(self) -> list[Pass]:
        """The drives, without those made only to learn what the jet does."""
        return [one for one in self.design.learned.history.passes if one.driven and not one.jet_drive]

    @in_its_language
    def document(self) -> Document:
        """Both pages."""
        return self._document(words.CUSTOMER, self.customer().pages + self.tester().pages)

    @in_its_language
    def customer(self) -> Document:
        """The page for the customer."""
        done = self._done()
        typed = (
            (words.COMPLAINT, self.notes.complaint or WRITE_ON),
            (words.FOUND_THEN, self.notes.found or WRITE_ON),
            (words.DONE, self.notes.done or ("" if done else WRITE_ON)),
        )
        blocks = (
            Words(f"{words.CUSTOMER}   {self.design.setup.name}", Weight.TITLE, verbatim=True),
            *(
                block
                for head, text in typed
                for block in (Words(head, Weight.HEADING), Words(text, Weight.PLAIN, verbatim=True))
                if block.text
            ),
            *(Words(line, Weight.PLAIN) for line in done),
            *self._runs(),
            Words(words.BACK, Weight.HEADING),
            Words(self._back(), Weight.PLAIN),
            *self._label(),
            Words(words.NEXT, Weight.HEADING),
            Words(words.NEXT_SAID, Weight.PLAIN),
            _boxes(words.NEXT_HEADS),
        )
        return self._document(words.CUSTOMER, (Page(words.CUSTOMER_NAME, blocks),))

    @in_its_language
    def tester(self) -> Document:
        """The page for the tester."""
        (needle, drop, _, _) = self._after()
        figures = {"needle": needle.name, "bore": self.design.setup.carburettor.jet.bore_mm, "drop": drop}
        blocks = (
            Words(f"{words.TESTER}   {self.design.setup.name}", Weight.TITLE, verbatim=True),
            Words(words.SETTING.format(**figures), Weight.ORDER),
            self._tested(),
            _boxes(words.SIGN_HEADS),
            Words(words.LIMITS_STATED, Weight.SMALL, mark="*"),
            Words(words.NOT_INDOORS, Weight.SMALL, mark="*"),
        )
        return self._document(words.TESTER, (Page(words.TESTER_NAME, blocks),))

    def _document(self, title: str, pages: tuple[Page, ...]) -> Document:
        return pages_of(title, pages, self.design.target.bands, self.design.setup.name, self.paper, self.made_at)

    def _after(self) -> tuple[Needle, float, FloatArray, bool]:
        """Needle, jet drop and lambda of each band: as last driven, or as expected of the next drive, and which."""
        design, (*earlier, last) = self.design, self.drives()
        if earlier:
            return last.needle, last.drop_mm, design.target.bands.lambda_measured, True
        needle = replace(design.next_stage().needle, name=design.present().name)
        return needle, design.drop_mm, design.next_stage().expected, False

    def _done(self) -> list[str]:
        """What was done to needle and jet."""
        first, (needle, drop, _, driven) = self.drives()[0], self._after()
        filed = driven and _other(first.needle, needle)
        by, way = drop - first.drop_mm, words.HIGHER if drop > first.drop_mm else words.LOWER_DOWN
        jet = words.JET_SET.format(after=drop, before=first.drop_mm, mm=abs(by), way=way)
        return [*([words.FILED.format(drives=len(self.drives()))] if filed else []), *([jet] if self._turned(drop) else [])]

    def _turned(self, drop_mm: float) -> bool:
        """Whether the jet stands other than on the first drive, by as much as a hand sets."""
        off = abs(drop_mm - self.drives()[0].drop_mm)
        return off >= LEAST_TURN_FLATS * self.design.setup.carburettor.jet.flat_mm

    def _runs(self) -> list[Block]:
        """Lambda and CO before and after, in plain words."""
        bands, first = self.design.target.bands, self.drives()[0].bands
        _, _, after, driven = self._after()
        rows: list[Row] = []
        for kind, at in speaking(bands, after).items():
            then = _nearest(first, bands, at)
            ends = (float(first.lambda_measured[then]), float(after[at]))
            before, now_ = (words.MEANS[kind][mixture(self.design.target, at, value)] for value in ends)
            what = words.LAMBDA_OF.format(kind=words.KINDS[kind])
            rows.append(dict(zip(words.RUNS_HEADS, (what, f"{ends[0]:.2f}", before, f"{ends[1]:.2f}", now_), strict=True)))
            if kind == "idle":
                read, left = (None, None) if self.gas is None else (self.gas.co_percent, self.gas.o2_percent)
                co = [idle_co(value, left or 0.0) for value in ends]
                co[driven] = co[driven] if read is None else read
                shown = [f"{value:.1f}" if np.isfinite(value) else "-" for value in co]
                rows.append(dict(zip(words.RUNS_HEADS, (words.CO_AT_IDLE, shown[0], "", shown[1], ""), strict=True)))
        heads = words.RUNS_HEADS if driven else {**words.RUNS_HEADS, "after": words.EXPECTED}
        columns = [Column(key, head or " ", "s" if key in ("before", "after") else "") for key, head in heads.items()]
        known = self.gas is not None and self.gas.co_percent is not None
        means = words.LAMBDA_MEANS.format(co=words.CO_READ if known else words.CO_COMPUTED)
        grid = Grid(Table(words.RUNS, columns, rows), widths={"what": 1.6, "then": 2.2, "now": 2.2}, row_pt=20.0)
        return [grid, Words(means, Weight.SMALL)]

    def _back(self) -> str:
        """How to undo what was done."""
        first, (needle, drop, _, _) = self.drives()[0], self._after()
        figures = {"needle": first.needle.name, "drop": first.drop_mm}
        if _other(first.needle, needle):
            return words.BACK_NEEDLE.format(**figures)
        if not self._turned(drop):
            return words.NOTHING_TO_GO_BACK
        return words.BACK_JET.format(**figures)

    def _label(self) -> list[Block]:
        """What to turn before each climb and descent, to be cut out."""
        away = () if self.trip is None else self.trip.away()
        if self.trip is None or not away:
            return []
        turns = [self.trip.flats(place) for place in away]
        heads = words.LABEL_HEADS
        columns = (
            Column("place", heads["place"], "", [place.name for place in away]),
            Column("climb", heads["climb"], "", [turn_words(self.trip, turn) or words.STAY for turn in turns]),
            Column("descent", heads["descent"], "", [turn_words(self.trip, -turn) or words.STAY for turn in turns]),
        )
        turned = [Words(words.DESCEND, Weight.GRAVE, mark="!")] if any(turns) else []
        return [Grid(Table(words.LABEL, columns), widths={"climb": 2.5, "descent": 2.5}, row_pt=20.0), *turned]

    def _tested(self) -> Grid:
        """What the workshop read, the limits stated, and boxes for the test station."""
        gas, bands = self.gas or GasReading(), self.design.target.bands
        _, _, after, driven = self._after()
        idle = bands.idle()
        known = {"co_percent": gas.co_percent, "co2_percent": gas.co2_percent, "o2_percent": gas.o2_percent}
        known |= {"hc_ppm": gas.hc_ppm, "lambda": None if idle is None or not driven else float(after[idle])}
        known["idle_rpm"] = None if idle is None else float(bands.rpm[idle])
        ends = {
            "co_percent": self.co_limit_percent and words.AT_MOST.format(value=self.co_limit_percent),
            "hc_ppm": gas.hc_limit_ppm and words.AT_MOST.format(value=gas.hc_limit_ppm),
            "lambda": self.lambda_least and words.AT_LEAST.format(value=self.lambda_least),
        }
        keys, heads = list(words.TESTED), words.TEST_HEADS
        columns = (
            Column("what", heads["what"] or " ", "", [*words.TESTED.values()]),
            Column(
                "read", heads["read"], "", [BOX if known[key] is None else format(known[key], FORMS[key]) for key in keys]
            ),
            Column("limit", heads["limit"], "", [self.notes.limits.get(key) or ends.get(key) or BOX for key in keys]),
            Column("station", heads["station"], "", [BOX for _ in keys]),
        )
        return Grid(Table("", columns), widths={"what": 1.4}, size=11.0, row_pt=26.0)


def _other(first: Needle, last: Needle) -> bool:
    """Whether a needle was filed, or is another."""
    same = first.diameters_mm.shape == last.diameters_mm.shape
    return not same or bool(np.abs(first.diameters_mm - last.diameters_mm).max() > SAME_NEEDLE_MM)


def _nearest(first: Bands, bands: Bands, at: int) -> int:
    """The band of the first drive that stands for one of the last: that of its load, at the nearest speed."""
    alike = [b for b, load in enumerate(first.load) if load == bands.load[at]] or list(range(first.rpm.size))
    return min(alike, key=lambda b: abs(float(first.rpm[b] - bands.rpm[at])))


def _boxes(heads: Mapping[str, str]) -> Grid:
    """Boxes to write in."""
    return Grid(Table("", [Column(key, head, "", [BOX]) for key, head in heads.items()]), size=9.5, row_pt=34.0)
