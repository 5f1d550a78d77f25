"""The altitude card: lambda at home and on trips, how far to turn the jet before the climb and back before the descent."""

from __future__ import annotations

from dataclasses import dataclass, field
from datetime import datetime
from functools import cached_property
from typing import TYPE_CHECKING

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.after.altitude import AltitudeOutlook, AltitudeRemark, Place
from needlecalc.design.after.trip import STEEPEST_PERCENT, USUAL_SLOPE_PERCENT, Route, Situation, State, Trip, trip
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS
from needlecalc.errors import InputError
from needlecalc.physics.exhaust import meter_reading
from needlecalc.report.after import at_places
from needlecalc.report.document import Block, Document, Grid, Page, Paper, Printed, Weight, Words, pages_of
from needlecalc.report.language import in_its_language, rpm
from needlecalc.report.language import words_pages as words
from needlecalc.show import Column, Shown, Table
from needlecalc.units import FLATS_PER_TURN
from needlecalc.version import now

if TYPE_CHECKING:
    from matplotlib.axes import Axes


def turn_words(trip: Trip, flats: float, *, short: bool = False) -> str:
    """What to do with the jet nut, or under a slide with the needle; empty where nothing."""
    cut = trip.car.setup.carburettor
    if abs(flats) < LEAST_TURN_FLATS:
        return ""
    turned, mm, up = round(abs(flats), 2), abs(flats) * cut.jet.flat_mm, flats < 0.0
    counted = (words.ONE_FLAT if turned == 1.0 else words.FLATS).format(flats=turned)
    if short:
        return (words.UP if up else words.DOWN).format(flats=turned, mm=mm)
    return (words.RAISE if up else words.LOWER).format(flats=counted, mm=mm)


def _called(place: Place) -> str:
    """Name of a place; those of the user's own are called as he called them."""
    return words.PLACES.get(place.name, place.name)


@dataclass(frozen=True, repr=False, eq=False)
class AltitudeCard(Shown, Printed):
    """Card for the glove box: how far to turn the jet for each place, and lambda before and after.

    Parameters
    ----------
    outlook : AltitudeOutlook
        A needle at home and at the places of its trips, from ``at_altitude``.
    route : Route or None
        A road to draw lambda along, from ``nc.design.read_route``.
    slope_percent : float
        Slope of the road for which uphill and downhill are told, where the carburettor's ``float_ahead_mm`` is
        known. [%]
    paper : Paper
        What it is printed on, and in which language.
    made_at : datetime
        Date and time it says it was made.

    Raises
    ------
    InputError
        If the slope is steeper than any road.

    Examples
    --------
    >>> from needlecalc import at_altitude
    >>> from needlecalc.example import road
    >>> AltitudeCard(at_altitude(road.setup, road.design.target.bands, None, 2000.0))
    Altitude card of 'van as fitted': 2000 m as at home
    """

    outlook: AltitudeOutlook
    route: Route | None = None
    slope_percent: float = USUAL_SLOPE_PERCENT
    paper: Paper = field(default_factory=Paper)
    made_at: datetime = field(default_factory=now)

    def __post_init__(self) -> None:
        check_range(self.slope_percent, "slope_percent", 0.0, STEEPEST_PERCENT, cure="10 rises 10 m on 100 m.")

    def __repr__(self) -> str:
        flats = {place.name: self.trip.flats(place) for place in self.trip.away()}
        turns = (f"{name} {turn:+.1f} flats" if turn else f"{name} as at home" for name, turn in flats.items())
        return f"Altitude card of {self.outlook.needle!r}: {', '.join(turns)}"

    @cached_property
    def trip(self) -> Trip:
        """The jet turned for each place."""
        return trip(self.outlook)

    @property
    def slide(self) -> bool:
        """Whether a slide carries the needle."""
        return self.trip.slide()

    @in_its_language
    def document(self) -> Document:
        """The card, one page."""
        pages, car = (Page(words.CARD_NAME, self._card()),), self.trip.car
        return pages_of(words.CARD, pages, car.bands, car.setup.name, self.paper, self.made_at)

    def _card(self) -> tuple[Block, ...]:
        car, shown, true = self.trip.car, self.trip.shown(), self.trip.as_set.leanest
        kinds = ((words.KINDS[kind], rpm(float(car.bands.rpm[at]))) for kind, at in shown.items())
        speeds = ", ".join(words.SPEED.format(kind=kind, rpm=speed) for kind, speed in kinds)
        taught = self.slide or car.learned is None or any(one.jet_drive for one in car.learned.history.passes)
        most, highest = FLATS_PER_TURN * car.setup.carburettor.jet.flat_mm, self.trip.highest()
        read = float(meter_reading(true, highest.air.pressure_pa))
        small = (
            words.SHOWN.format(bands=speeds),
            words.CO_MEANS if "idle" in shown else "",
            "" if taught else words.NARROWER,
            words.FLAT_IS,
            words.AT_STOP if self.outlook.stop is not None else "",
            words.RANGE_ASSUMED.format(mm=most) if self.trip.range_assumed() else "",
            words.METER.format(place=_called(highest), true=true, shown=read) if f"{read:.2f}" != f"{true:.2f}" else "",
            words.ASSUMES,
            words.NEVER.format(limit=true),
        )
        return (
            Words(f"{words.CARD}   {self.trip.car.setup.name}", Weight.TITLE, verbatim=True),
            *(Words(line, Weight.LOUD) for line in self.orders()),
            *(Words(line, Weight.GRAVE, mark="!") for line in self.warnings()),
            self._lambdas(),
            *self._slopes(),
            *self._road(),
            *(Words(line, Weight.SMALL, mark="*") for line in small if line),
        )

    @in_its_language
    def orders(self) -> list[str]:
        """What to do before the climb and before the descent, a line a place; and at home, where the drive was elsewhere."""
        home, jet, away = self.trip.home(), self.trip.car.setup.carburettor.jet, self.trip.away()
        first = turn_words(self.trip, (home.drop_mm - self.trip.car.drop_mm) / jet.flat_mm)
        out = [words.FOR_HOME.format(turn=first)] if first else []
        for place in away:
            there, back = (turn_words(self.trip, side * self.trip.flats(place)) for side in (1.0, -1.0))
            said = (words.CLIMB if there else words.STAYS).format(place=place.name, there=there, back=back)
            out.append(f"{said}{words.HELD if place.name in self.trip.held else ''}")
        return [*out, *([words.DESCEND] if any(map(self.trip.flats, away)) else [])]

    @in_its_language
    def warnings(self) -> list[str]:
        """What melts, misfires or fouls: each kind once, with its places."""
        return at_places(
            [
                (words.STATES[one.state].format(place=_called(one.place)), remark)
                for one in self.trip.situations()
                for remark in one.remarks
            ],
            {AltitudeRemark.FULL_LOAD_LEAN: words.NO_FULL_THROTTLE},
        )

    def _place(self, one: Situation) -> str:
        """Where the car is."""
        return words.HOME if one.state is State.NOT_BACK else _called(one.place)

    def _jet(self, one: Situation) -> str:
        """How the jet stands there."""
        turn = turn_words(self.trip, self.trip.flats(one.place), short=True)
        return words.JET[one.state].format(turn=turn, place=one.place.name)

    def _lambdas(self) -> Grid:
        """Lambda at each place, with its 90 % interval: before the turn, after it, and back at home not turned back."""
        shown, there = self.trip.shown(), self.trip.situations()
        heads = words.HEADS
        columns = [
            Column("place", heads["place"], "", [self._place(one) for one in there]),
            Column("jet", heads["jet"], "", [self._jet(one) for one in there]),
        ]
        for kind, at in shown.items():
            ends = [(float(one.place.lambda_low[at]), float(one.place.lambda_high[at])) for one in there]
            spans = [words.SPAN.format(low=low, high=high) if np.isfinite(low) else None for low, high in ends]
            columns.append(Column(kind, words.KINDS[kind], ".2f", [float(one.place.lambda_predicted[at]) for one in there]))
            columns.append(Column(f"{kind}_span", words.NINETY, "", spans))
        co = heads["co"] if "idle" in shown else ""
        columns.append(Column("co", co, ".1f", [one.place.idle_co_percent for one in there]))
        shaded = [one.state is State.NOT_BACK for one in there]
        widths = {"place": 1.2, "jet": 2.1, **{f"{kind}_span": 1.5 for kind in shown}}
        return Grid(Table(words.BY_PLACE, columns), bold="jet", shaded=shaded, widths=widths, size=9.5, row_pt=20.0)

    def _slopes(self) -> list[Block]:
        """Uphill and downhill at each place, the jet turned for it."""
        shown = self.trip.shown()
        up, down = (self.trip.on_slope(side * self.slope_percent) for side in (1.0, -1.0))
        if not up:
            return []
        places = (self.trip.home(), *self.trip.away())
        columns = [Column("place", words.HEADS["place"], "", [*map(_called, places)])]
        for kind, at in shown.items():
            for side, (head, sloped) in enumerate(((words.UPHILL, up), (words.DOWNHILL, down))):
                values = [float(there.lambda_predicted[at]) for there in sloped]
                columns.append(Column(f"{kind}_{side}", head.format(kind=words.KINDS[kind]), ".2f", values))
        return [Grid(Table(words.ON_SLOPE.format(slope=self.slope_percent), columns))]

    @in_its_language
    def table(self) -> Table:
        """Lambda at each place; orders above, what hurts below."""
        shown = self._lambdas().table
        return Table(words.CARD, shown.columns, shown.rows, intro=self.orders(), notes=self.warnings())

    @in_its_language
    def plot(self, *, ax: Axes | None = None) -> Axes:
        """Lambda along the route; InputError where none was read."""
        from needlecalc.report.plot import plot_road  # late: only paper draws

        top = self.trip.highest()
        if self.route is None:
            msg = "The card has no route to draw; give it one, from nc.design.read_route."
            raise InputError(msg)
        said = words.ROAD_TURNED.format(place=top.name) if self.trip.flats(top) else words.ROAD
        return plot_road(self.trip, self.route, said, ax=ax)

    def _road(self) -> list[Block]:
        if self.route is None:
            return []
        from needlecalc.report.axes import picture_of

        return [picture_of(self.plot)]
