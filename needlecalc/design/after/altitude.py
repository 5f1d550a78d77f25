"""A needle at another altitude: lambda of each band on the mountain, and the second check at home."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np

from needlecalc.arrays import same_length
from needlecalc.design.belief.learned import Learned
from needlecalc.design.forward.predict import need_lift, predict_lambda
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.target import HARDLY, LEANEST_FULL_LOAD, worst_first
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.gaussian import NINETY
from needlecalc.measure.checks.gas import MOST_RESIDUAL_O2_PERCENT
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.engine import Air
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import FlowParameters, Setup, fuel_flow
from needlecalc.physics.air import humidity_ratio
from needlecalc.physics.exhaust import dry_exhaust
from needlecalc.remark import Remark, Severity
from needlecalc.show import Shown
from needlecalc.units import FloatArray

THE_DRIVE, HOME = "the drive", "home"  # where the data were taken, and where the car lives
MISFIRE = 1.15
FAR_RICH = 0.80


class AltitudeRemark(StrEnum):
    """What was found at a place."""

    FULL_LOAD_LEAN = "full load too lean there"
    FULL_LOAD_MAY_BE_LEAN = "full load may be too lean there"
    MISFIRES = "misfires there"
    FOULS = "fouls plugs there"


@dataclass(frozen=True, repr=False, eq=False)
class Place(Shown):
    """Lambda of each band at one place; arrays have shape (m,).

    Parameters
    ----------
    name : str
        What the place is called.
    air : Air
        Its air.
    drop_mm : float
        Jet drop there. [mm]
    lift_mm : array, shape (m,)
        Where the piston floats there. [mm]
    lambda_predicted : array, shape (m,)
        Lambda there. [-]
    lambda_low, lambda_high : array, shape (m,)
        Its 90 % interval where a design gave one; NaN otherwise. [-]
    idle_co_percent : float
        CO of the idle band, dry, with no oxygen left over; NaN without an idle band or past lambda 0.7
        to 1.3. [%]
    """

    name: str
    air: Air
    drop_mm: float
    lift_mm: FloatArray
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    idle_co_percent: float

    def __repr__(self) -> str:
        low, high = self.lambda_predicted.min(), self.lambda_predicted.max()
        return f"Place {self.name!r}: {self.air.density_kg_m3():.3f} kg/m3, lambda {low:.2f} to {high:.2f}"

    def leanest(self) -> FloatArray:
        """Upper end of the 90 % interval, or lambda expected where there is none."""
        return np.asarray(np.fmax(self.lambda_predicted, self.lambda_high))


@dataclass(frozen=True, eq=False)
class Car:
    """A car on one needle with lambda as it was driven, to be carried to other air, jet heights and slopes of the road."""

    setup: Setup  # with the needle, and the air of the drive
    bands: Bands
    drop_mm: float
    lift_mm: FloatArray
    parameters: FlowParameters
    gain: float
    driven: tuple[FloatArray, FloatArray, FloatArray]  # lambda expected and its 90 % interval, NaN where there is none
    learned: Learned | None = None

    def at(self, name: str, air: Air, drop_mm: float, *, head_mm: float = 0.0) -> Place:
        """Lambda there; the head is of fuel, in mm, that the slope of the road adds between float chamber and jet."""
        moved, ratio = self._carried(air, drop_mm, head_mm)
        expected, low, high = (values * ratio for values in self.driven)
        wider = np.exp(np.hypot(np.log(high / low) / 2.0, NINETY * self._change_u(moved, drop_mm)))
        middle, idle = np.sqrt(low * high), self.bands.idle()
        co = float("nan") if idle is None else idle_co(expected[idle])
        return Place(name, air, drop_mm, moved, expected, middle / wider, middle * wider, co)

    def lambda_at(self, air: Air, drop_mm: float | FloatArray, head_mm: float = 0.0) -> FloatArray:
        """Lambda expected there, without its interval; for many jet heights, shape (k, 1), of each."""
        return np.asarray(self.driven[0] * self._carried(air, drop_mm, head_mm)[1])

    def _carried(self, air: Air, drop_mm: float | FloatArray, head_mm: float) -> tuple[FloatArray, FloatArray]:
        """Lift there, and lambda there over that of the drive."""
        cut = self.setup.carburettor
        known = cut.depression_pa(self.lift_mm, self.bands.depression_pa)
        moved, pressure = _floats(self.setup, self.lift_mm, known, air)
        pressure = pressure + cut.head_pa_mm(self.setup.fuel) * head_mm
        flows = [
            fuel_flow(self.setup, lift, drop_mm=drop, depression_pa=pa, parameters=self.parameters).fuel_flow_g_s
            for lift, drop, pa in ((self.lift_mm, self.drop_mm, known), (moved, drop_mm, pressure))
        ]
        dry = [state.density_kg_m3() / (1.0 + _water(state)) for state in (air, self.setup.air)]
        return moved, np.asarray(dry[0] / dry[1] * (flows[0] / flows[1]) ** self.gain)

    def _change_u(self, lift_mm: FloatArray, drop_mm: float) -> FloatArray | float:
        """Standard uncertainty of ln(lambda) that other lifts and another jet height bring."""
        if self.learned is None or (drop_mm == self.drop_mm and np.array_equal(lift_mm, self.lift_mm)):
            return 0.0
        unknowns, needle = self.learned.mean.copy(), self.setup.carburettor.needle.diameters_mm
        unknowns[self.learned.place.lift()] = lift_mm
        there = self.learned.law_of(unknowns).slopes(needle, drop_mm)[1]
        return self.learned.estimate.u_of(there - self.learned.law.slopes(needle, self.drop_mm)[1])


@dataclass(frozen=True, repr=False, eq=False)
class AltitudeOutlook(Shown):
    """One needle and jet height at every place the car will be driven.

    Parameters
    ----------
    car : Car
        The car on that needle.
    places : tuple of Place
        Where the data were taken first, home among the rest.
    stop : AltitudeOutlook or None
        The same places with the needle of the first stop, which the next drive is on; None where there is no other.
    leanest : float
        Leanest lambda that full load bears, as the meter shows it. [-]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> at_altitude(road.setup, road.bands, road.design, 2000.0)
    Altitude outlook of 'van as fitted at its target': the drive, 2000 m; no red warning
    """

    car: Car
    places: tuple[Place, ...]
    stop: AltitudeOutlook | None = None
    leanest: float = LEANEST_FULL_LOAD

    def __repr__(self) -> str:
        state = "RED, needs acknowledging" if self.needs_acknowledging() else "no red warning"
        return f"Altitude outlook of {self.needle!r}: {', '.join(place.name for place in self.places)}; {state}"

    @property
    def bands(self) -> Bands:
        """The bands."""
        return self.car.bands

    @property
    def needle(self) -> str:
        """Name of the needle."""
        return self.car.setup.carburettor.needle.name

    def at(self, name: str) -> Place:
        """One of the places, by its name; refused where there is none."""
        for place in self.places:
            if place.name == name:
                return place
        msg = f"The outlook has no place {shown(name)}; it has {', '.join(place.name for place in self.places)}."
        raise InputError(msg)

    def remarks(self) -> tuple[Remark, ...]:
        """What is dangerous at a place, then what else to know; with the leaner of first stop and target diameters."""
        lean = (self._full_load(number) for number in range(len(self.places)))
        rest = (one for number in range(len(self.places)) for one in self._needles_at(number))
        found = (*filter(None, lean), *(remark for at_stop, place in rest for remark in self._other_loads(place, at_stop)))
        return tuple(sorted(found, key=lambda one: -one.severity))

    def red(self) -> tuple[Remark, ...]:
        """What would hurt the engine, place by place; empty where nothing would."""
        return tuple(one for one in self.remarks() if one.severity is Severity.STOP)

    def needs_acknowledging(self) -> bool:
        """Whether a sheet with this needle must be signed before anything is filed."""
        return bool(self.red())

    def _needles_at(self, number: int) -> list[tuple[int, Place]]:
        """A place with each needle it may be driven with: 1 for the first stop, 0 for the target, -1 for the only one."""
        if self.stop is None:
            return [(-1, self.places[number])]
        return [(1, self.stop.places[number]), (0, self.places[number])]

    def _full_load(self, number: int) -> Remark | None:
        """Full load too lean with the leaner needle: expected, or else by the upper end of its 90 % interval."""
        full = np.flatnonzero(np.array(self.bands.load) == "full")
        runs = (AltitudeRemark.FULL_LOAD_LEAN, Severity.STOP, lambda place: place.lambda_predicted)
        may = (AltitudeRemark.FULL_LOAD_MAY_BE_LEAN, Severity.CAUTION, Place.leanest)
        for kind, severity, counted in (runs, may) if full.size else ():
            at_stop, place = max(self._needles_at(number), key=lambda one: counted(one[1])[full].max())
            lean = full[counted(place)[full] > self.leanest + HARDLY]
            if lean.size:
                worst = int(lean[np.argmax(counted(place)[lean])])
                numbers: dict[str, float | int | str] = {
                    "place": place.name,
                    "at_stop": at_stop,
                    "expected": float(place.lambda_predicted[worst]),
                    "highest": float(place.lambda_high[worst]),
                    "limit": self.leanest,
                    "of": int(full.size),
                }
                return Remark(kind, severity, bands=worst_first(self.bands, lean, counted(place)), numbers=numbers)
        return None

    def _other_loads(self, place: Place, at_stop: int) -> list[Remark]:
        """Bands that would misfire or foul their plugs at a place."""
        ratio, part = place.lambda_predicted, np.array(self.bands.load) != "full"
        found = (
            (AltitudeRemark.MISFIRES, np.flatnonzero(part & (ratio > MISFIRE)), ratio, MISFIRE),
            (AltitudeRemark.FOULS, np.flatnonzero(ratio < FAR_RICH), -ratio, FAR_RICH),
        )
        return [
            Remark(
                kind,
                Severity.CAUTION,
                bands=worst_first(self.bands, which, badness),
                numbers={"place": place.name, "at_stop": at_stop, "limit": limit},
            )
            for kind, which, badness, limit in found
            if which.size
        ]


def at_altitude(
    setup: Setup,
    bands: Bands,
    fitted: Design | Needle | None,
    air: Air | float | Mapping[str, Air | float],
    *,
    home: Air | float | None = None,
    drop_mm: float | None = None,
) -> AltitudeOutlook:
    r"""Lambda of each band at other altitudes, with the second check at home.

    Parameters
    ----------
    setup : Setup
        The setup of the drive; its air is where the data were taken.
    bands : Bands
        Measured bands with lifts.
    fitted : Design, Needle or None
        The needle as cut; the present one when None.
    air : Air, float, or mapping of str to either
        Air there, or the height in m for the standard atmosphere; several places by name. [m]
    home : Air, float or None
        Air at home, or its height; where the data were taken when not given. [m]
    drop_mm : float or None
        Jet drop there; the design's, or the present one, when not given. [mm]

    Returns
    -------
    AltitudeOutlook
        Places: "the drive", the others, and "home" where it is not that of the drive; with a design that goes in
        stages, the first stop too.

    Raises
    ------
    InputError
        If a band has no lift or comes off the needle's table there.

    Notes
    -----
    Same speed and throttle: the engine draws the same volume of outside air, so
    :math:`\dot m' = \dot m\,\rho'/\rho`.  The piston floats where that passes, :math:`C A(y')\sqrt{2\rho'\Delta p(y')}
    = \dot m'`, which is lower in thin air, and another station of the needle stands in the jet.  Then

    .. math:: \frac{\lambda'}{\lambda} = \frac{\rho'\,(1 + w)}{\rho\,(1 + w')}
              \left[\frac{Q_f(y)}{Q_f(y')}\right]^g

    with *w* the water vapour over dry air and *g* the flow gain learned.  Where lambda does not change with
    lift this is :math:`\sqrt{\rho'/\rho}`.  A piston at its top stop stays there and the depression rises; a
    slide stays open as far and its depression follows the density.  Intervals are those of the design, and wider by
    what another lift or jet height is uncertain by.  Idle: the throttle stop is taken as set again to the same speed.

    References
    ----------
    .. [1] Derived for this project from Bernoulli's equation; only the dry air burns.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> print(at_altitude(road.setup, road.bands, None, 1600.0).at("1600 m").lambda_predicted[-3:].round(2))
    [1.01 1.02 1.02]
    """
    need_lift(bands)
    wanted = dict(air) if isinstance(air, Mapping) else {_called(air): air}
    places = {THE_DRIVE: setup.air, **wanted, **({} if home is None else {HOME: home})}

    def outlook(car: Car, leanest: float = LEANEST_FULL_LOAD) -> AltitudeOutlook:
        drop = car.drop_mm if drop_mm is None else drop_mm
        there = tuple(car.at(name, _air(one), drop) for name, one in places.items())
        return AltitudeOutlook(car, there, leanest=leanest)

    if not isinstance(fitted, Design):
        needle, drop = fitted or setup.carburettor.needle, setup.carburettor.jet.drop_mm if drop_mm is None else drop_mm
        nan, ratio = np.full(bands.rpm.size, np.nan), predict_lambda(setup, bands, needle=needle, drop_mm=drop)
        usual, driven = FlowParameters.of(setup), (ratio, nan, nan)
        return outlook(Car(setup.with_needle(needle), bands, drop, bands.lift_mm, usual, 1.0, driven))
    same_length("bands and design", bands=bands.rpm, design=fitted.final.expected)
    learned, found = fitted.learned, []
    known = fitted.drop_mm, learned.lift_mm(), learned.law.parameters(None), learned.gain()
    for one in (fitted.final, fitted.stop) if fitted.stages() is Stages.IN_STAGES else (fitted.final,):
        driven = one.expected, one.low, one.high
        car = Car(setup.with_needle(one.needle), bands, *known, driven, learned)
        found.append(outlook(car, fitted.target.leanest_full_load()))
    return replace(found[0], stop=found[1] if len(found) > 1 else None)


def _floats(setup: Setup, lift: FloatArray, known_pa: FloatArray, there: Air) -> tuple[FloatArray, FloatArray]:
    """Lift and depression of each band when the engine draws the same volume of other air."""
    valve, ratio = setup.carburettor.air_valve, there.density_kg_m3() / setup.air.density_kg_m3()
    if isinstance(valve, SlideValve):
        return lift, known_pa * ratio
    flow = valve.air_flow_g_s(lift, setup.air) * ratio
    moved = valve.lift_mm(flow, there)
    top = valve.travel_mm()
    stopped = ~np.isfinite(moved)
    moved = np.where(stopped, top, moved)
    # A depression once read differs from the valve's own by the same share everywhere.
    pressure = valve.depression_pa(moved) * known_pa / valve.depression_pa(lift)
    raised = (flow / valve.air_flow_g_s(top, there)) ** 2
    return moved, np.where(stopped, pressure * raised, pressure)


def _air(air: Air | float) -> Air:
    return air if isinstance(air, Air) else Air.at_altitude(float(air))


def _called(air: Air | float) -> str:
    if not isinstance(air, Air):
        return f"{float(air):g} m"
    return "there" if air.altitude_m is None else f"{air.altitude_m:g} m"


def _water(air: Air) -> float:
    return float(humidity_ratio(air.pressure_pa, air.temperature_degc, air.humidity))


def idle_co(ratio: float, o2_percent: float = 0.0) -> float:
    """CO at a lambda, dry, with so much oxygen left over, in %; NaN past lambda 0.7 to 1.3."""
    left = min(o2_percent, MOST_RESIDUAL_O2_PERCENT)
    if not 0.7 <= ratio <= 1.3:
        return float("nan")
    return float(dry_exhaust(float(ratio), residual_o2_percent=left).co_percent)
