"""Away from home: how far to turn the jet for each place, what comes of it unturned, and lambda along a road."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path
from typing import NamedTuple

import numpy as np

from needlecalc.arrays import read_only
from needlecalc.design.after.altitude import HOME, AltitudeOutlook, Car, Place
from needlecalc.design.inverse.problem import reach_mm
from needlecalc.design.inverse.target import HARDLY, Target
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.engine import Air
from needlecalc.parts.needle import read_table_file
from needlecalc.physics.fuel import slope_head_mm
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

USUAL_STEP_FLATS = 0.5  # as the sheet rounds
USUAL_SLOPE_PERCENT = 10.0  # of a pass road; common practice, no source
STEEPEST_PERCENT = 40.0
WEATHER = 0.05  # share of density by which days differ at one place
MOST_POINTS = 200  # of a route: more is thinned to even distances
LOWEST_M, HIGHEST_M = -500.0, 6000.0
CRUISE = ("light", "part")


@dataclass(frozen=True, eq=False)
class Route:
    """A road.

    Parameters
    ----------
    distance_km : array, shape (k,)
        Distance of each point from the start. [km]
    height_m : array, shape (k,)
        Its height above sea level. [m]

    Examples
    --------
    >>> Route(np.array([0.0, 2.0]), np.array([600.0, 700.0])).slope_percent()
    array([5., 5.])
    """

    distance_km: FloatArray
    height_m: FloatArray

    def slope_percent(self) -> FloatArray:
        """Slope at each point, positive uphill; no steeper than a road can be."""
        slope = np.gradient(self.height_m, 1e3 * self.distance_km) * 100.0
        return np.asarray(np.clip(slope, -STEEPEST_PERCENT, STEEPEST_PERCENT))


class Mixture(StrEnum):
    """What a mixture is, in plain words."""

    LEAN = "too lean"
    RIGHT = "right"
    RICH = "too rich"


class State(StrEnum):
    """How the jet stands at a place."""

    AS_SET = "as set at home"
    NOT_TURNED = "as set at home, though it is to be turned"
    TURNED = "turned for the place"
    NOT_BACK = "at home, still turned for the place"


class Situation(NamedTuple):
    """A car at a place, or back at home from it."""

    state: State
    place: Place  # named for the place the jet is turned for
    remarks: tuple[Remark, ...]


@dataclass(frozen=True, eq=False)
class Trip:
    """A car at home and on its trips, the jet as it is set and turned for each place."""

    as_set: AltitudeOutlook  # the jet as it is set for the drive, everywhere
    turned: tuple[Place, ...]  # the same places, the jet turned for each
    held: tuple[str, ...]  # names of places that ask for more, which full load does not bear

    @property
    def car(self) -> Car:
        """The car and its needle."""
        return self.as_set.car

    def range_assumed(self) -> bool:
        """Whether the nut's range was not stated, and a turn either way is taken."""
        return self.car.setup.carburettor.jet.drop_min_mm is None

    def slide(self) -> bool:
        """Whether a slide carries the needle."""
        return isinstance(self.car.setup.carburettor.air_valve, SlideValve)

    def home(self) -> Place:
        """Home, the jet turned for it."""
        return home_of(self.turned)

    def away(self) -> tuple[Place, ...]:
        """The other places, the jet turned for each."""
        return tuple(place for place in self.turned[1:] if place.name != HOME)

    def highest(self) -> Place:
        """The place of the thinnest air, the jet turned for it; home where there is no other."""
        return min((self.home(), *self.away()), key=lambda place: place.air.density_kg_m3())

    def flats(self, place: Place) -> float:
        """Flats to turn the nut from its setting at home to that for a place; positive lowers the jet."""
        return (place.drop_mm - self.home().drop_mm) / self.car.setup.carburettor.jet.flat_mm

    def situations(self) -> tuple[Situation, ...]:
        """Home, and each other place: not turned, turned, and back at home not turned back; with what hurts there."""
        found, back_home = [(State.AS_SET, self.home())], dict[float, tuple[State, Place]]()
        for as_set, turned in zip(self.as_set.places, self.turned, strict=True):
            if turned in self.away() and self.flats(turned):
                found += [(State.NOT_TURNED, as_set), (State.TURNED, turned)]
                back = self.car.at(turned.name, self.home().air, turned.drop_mm)
                back_home.setdefault(back.drop_mm, (State.NOT_BACK, back))
            elif turned in self.away():
                found.append((State.AS_SET, turned))
        every = (*found, *back_home.values())
        return tuple(Situation(*one, replace(self.as_set, places=(one[1],)).remarks()) for one in every)

    def shown(self) -> dict[str, int]:
        """Bands that speak for idle, cruise and full load; under a slide not for idle, which its needle does not reach."""
        found = speaking(self.car.bands, self.home().lambda_predicted)
        return {kind: band for kind, band in found.items() if kind != "idle" or not self.slide()}

    def on_slope(self, slope_percent: float) -> tuple[Place, ...]:
        """Home and the other places on such a slope, the jet turned for each; none where the float's place is not known."""
        ahead = self.car.setup.carburettor.float_ahead_mm
        if ahead is None:
            return ()
        head = float(slope_head_mm(ahead, slope_percent))
        return tuple(self.car.at(one.name, one.air, one.drop_mm, head_mm=head) for one in (self.home(), *self.away()))

    def along(self, route: Route, drop_mm: float) -> FloatArray:
        """Lambda expected of each band at each point of a route with one jet height, shape (k, m)."""
        heads = slope_head_mm(self.car.setup.carburettor.float_ahead_mm or 0.0, route.slope_percent())
        points = zip(route.height_m.tolist(), heads.tolist(), strict=True)
        return np.array([self.car.lambda_at(Air.at_altitude(height), drop_mm, head) for height, head in points])


def trip(outlook: AltitudeOutlook) -> Trip:
    """The jet turned for each place of an outlook; with the needle of the next drive, where there are two.

    Each load counts alike, its bands together. Home itself is turned for only where its air is not that of the drive.
    """
    driven = replace(outlook.stop or outlook, leanest=outlook.leanest, stop=None)
    home, car = home_of(driven.places), driven.car
    at_home = abs(np.log(home.air.density_kg_m3() / car.setup.air.density_kg_m3())) < WEATHER
    wanted = home.lambda_predicted if at_home else car.driven[0]
    turned, held = [], []
    for place in driven.places:
        if at_home and place in (home, driven.places[0]):
            turned.append(place)
            continue
        drop, further = _best_drop(driven, place, home, wanted)
        turned.append(car.at(place.name, place.air, drop))
        held += [place.name] if further else []
    return Trip(driven, tuple(turned), tuple(held))


def speaking(bands: Bands, ratio: FloatArray) -> dict[str, int]:
    """Bands that speak for idle, cruise and full load: of cruise the middle one, of full load that of the leanest ratio."""
    load, idle = np.array(bands.load), bands.idle()
    out = {} if idle is None else {"idle": idle}
    cruise = next((those for name in CRUISE if (those := np.flatnonzero(load == name)).size), np.zeros(0, dtype=np.intp))
    if cruise.size:
        out["cruise"] = int(cruise[np.argsort(bands.rpm[cruise], kind="stable")[(cruise.size - 1) // 2]])
    full = np.flatnonzero(load == "full")
    if full.size:
        out["full"] = int(full[np.argmax(ratio[full])])
    return out


def mixture(target: Target, band: int, ratio: float) -> Mixture:
    """What a lambda is for a band: by what is permitted, and at full load by what pistons bear too."""
    leanest = float(target.lambda_lean[band])
    if target.bands.load[band] == "full":
        leanest = min(leanest, target.leanest_full_load())
    if ratio > leanest + HARDLY:
        return Mixture.LEAN
    return Mixture.RICH if ratio < target.lambda_rich[band] - HARDLY else Mixture.RIGHT


def home_of(places: tuple[Place, ...]) -> Place:
    """Home; where the data were taken, where no other was stated."""
    return next((place for place in places if place.name == HOME), places[0])


def _best_drop(outlook: AltitudeOutlook, place: Place, home: Place, wanted: FloatArray) -> tuple[float, bool]:
    """The jet drop that brings a place nearest to what is wanted, and whether full load keeps it from the best of all."""
    car, load = outlook.car, np.array(outlook.bands.load)
    drops, full = _drops(car, np.concatenate([car.lift_mm, place.lift_mm, home.lift_mm])), load == "full"
    there, on_the_way = (car.lambda_at(air, drops[:, None]) for air in (place.air, home.air))
    missed = np.log(there / wanted) ** 2
    reached = set(outlook.bands.load) - ({"idle"} if isinstance(car.setup.carburettor.air_valve, SlideValve) else set())
    worth = sum((missed[:, load == name].mean(axis=1) for name in reached), np.zeros(drops.size))
    best = int(np.argmin(worth))
    # Full load is never planned leaner than it bears: neither there nor on the way out of home.
    for now, was in ((there, place.lambda_predicted), (on_the_way, home.lambda_predicted)):
        lean = (now[:, full] > np.maximum(outlook.leanest, was[full])).any(axis=1)
        worth = np.where(lean & (drops != car.drop_mm), np.inf, worth)
    return float(drops[np.argmin(worth)]), bool(np.argmin(worth) != best)


def _drops(car: Car, lifts: FloatArray) -> FloatArray:
    """Jet drops that steps of the nut can give, the present one first, with every lift on the needle's table."""
    jet = car.setup.carburettor.jet
    step = (jet.step_flats or USUAL_STEP_FLATS) * jet.flat_mm
    low, high = reach_mm(car.setup, lifts, or_a_turn=True)
    turns = np.arange(np.ceil((low - car.drop_mm) / step - 1e-6), np.floor((high - car.drop_mm) / step + 1e-6) + 1.0)
    return np.asarray(car.drop_mm + step * turns[np.argsort(np.abs(turns), kind="stable")])


def read_route(path: str | Path) -> Route:
    """A route from its table.

    Parameters
    ----------
    path : str or Path
        CSV with the columns ``distance_km``, each greater than the one before, and ``height_m`` above sea level.

    Returns
    -------
    Route
        The route; one of very many points is thinned out evenly.

    Raises
    ------
    LogFormatError
        If a column, a number or the order is not right; the message names the line and the cure.

    Examples
    --------
    >>> from needlecalc.jobnew import demo_folder
    >>> print(read_route(demo_folder() / "pass_road.csv").height_m.max())
    2600.0
    """
    table = read_table_file(Path(path), "the route", "a header 'distance_km,height_m' and a line a point.")
    columns = []
    for name in ("distance_km", "height_m"):
        if table.heads.count(name) != 1:
            table.refuse(f"a route has one column {name}; name it so.", table.head_line)
        at = table.heads.index(name)
        columns.append([table.number(line, at, cells[at], "type the number.") for line, cells in table.lines])
    distance, height = (np.array(values) for values in columns)
    for number, (line, _) in enumerate(table.lines):
        if number and distance[number] <= distance[number - 1]:
            table.refuse("each distance must be greater than the one before; put the points in their order.", line)
        if not LOWEST_M <= height[number] <= HIGHEST_M:
            table.refuse(f"the height must lie between {LOWEST_M:g} and {HIGHEST_M:g}, in metres above sea level.", line)
    if distance.size < 2:
        table.refuse("a route needs two points at least; add one.", table.head_line)
    if distance.size > MOST_POINTS:
        even = np.linspace(distance[0], distance[-1], MOST_POINTS)
        distance, height = even, np.interp(even, distance, height)
    return Route(read_only(distance, "distance_km"), read_only(height, "height_m"))
