"""A needle at another altitude: lambda of each band on the mountain, and the second check at home."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np

from needlecalc.arrays import read_only, same_length
from needlecalc.design.forward.predict import Nature, fuel_of, predict_lambda
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.verdict import HARDLY
from needlecalc.design.wish.target import LEANEST_FULL_LOAD, lean_at_full_load
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.conditions import Air
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.physics.air import humidity_ratio
from needlecalc.physics.exhaust import co_percent_of_lambda
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray

THE_DRIVE = "the drive"  # where the data were taken
MISFIRE = 1.15
FAR_RICH = 0.80
ASSUMED = (
    "Taken for granted: same speeds, same throttle and so the same share of the outside pressure in the manifold, so the "
    "engine draws the same volume of outside air; fuel and its temperature as on the drive; the jet stays where it is."
)
CAUTIONS = (
    "Set again before descending: lean on the mountain is leaner still in the valley.",
    f"Never plan full load leaner than lambda {LEANEST_FULL_LOAD:g} anywhere the car will be driven (common practice).",
)


@dataclass(frozen=True, repr=False, eq=False)
class Place(Shown):
    """Lambda of each band at one place; arrays have shape (m,).

    Parameters
    ----------
    name : str
        What the place is called.
    air : Air
        Its air.
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
    lift_mm: FloatArray
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    idle_co_percent: float

    def __repr__(self) -> str:
        low, high = self.lambda_predicted.min(), self.lambda_predicted.max()
        return f"Place {self.name!r}: {self.air.density_kg_m3():.3f} kg/m3, lambda {low:.2f} to {high:.2f}"

    def table(self) -> Table:
        """Bands there, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("lift_mm", "lift mm", ".2f"),
            Column("lambda_predicted", "lambda", ".3f"),
            Column("lambda_low", "from", ".3f"),
            Column("lambda_high", "to (90 %)", ".3f"),
        )
        rows = [
            {column.key: float(getattr(self, column.key)[b]) for column in columns}
            for b in range(self.lambda_predicted.size)
        ]
        return Table(repr(self), columns, rows)


@dataclass(frozen=True, repr=False, eq=False)
class AltitudeOutlook(Shown):
    """One needle and jet height at every place the car will be driven.

    Parameters
    ----------
    bands : Bands
        The bands.
    needle : str
        Name of the needle.
    drop_mm : float
        Jet drop. [mm]
    places : tuple of Place
        Where the data were taken first, home among the rest.
    first : AltitudeOutlook or None
        The same places with the needle of the first stop, which the next drive is on; None where there is no other.
    leanest : float
        Leanest lambda that full load bears, as the meter shows it. [-]
    """

    bands: Bands
    needle: str
    drop_mm: float
    places: tuple[Place, ...]
    first: AltitudeOutlook | None = None
    leanest: float = LEANEST_FULL_LOAD

    def __repr__(self) -> str:
        state = "RED, needs acknowledging" if self.needs_acknowledging() else "no red warning"
        return f"Altitude outlook of {self.needle!r}: {', '.join(place.name for place in self.places)}; {state}"

    def at(self, name: str) -> Place:
        """One of the places.

        Parameters
        ----------
        name : str
            Its name.

        Returns
        -------
        Place
            Lambda there.

        Raises
        ------
        InputError
            If there is no such place.
        """
        for place in self.places:
            if place.name == name:
                return place
        msg = f"The outlook has no place {name!r}; it has {', '.join(place.name for place in self.places)}."
        raise InputError(msg)

    def red(self) -> tuple[str, ...]:
        """What would hurt the engine, place by place, with the leaner of first stop and all off.

        Returns
        -------
        tuple of str
            One sentence each; empty where nothing would.
        """
        found = [self._too_lean(number) for number in range(len(self.places))]
        return tuple(
            f"RED: at {where} full load would run at up to lambda {ratio:.3f} ({band}), leaner than {self.leanest:.2f} in "
            f"{count} of {self.bands.load.count('full')} full-load bands. {lean_at_full_load(self.leanest)}"
            for where, band, count, ratio, _ in filter(None, found)
        )

    def may_run_lean(self) -> dict[str, str]:
        """Where full load is expected rich enough, but the upper end of its 90 % interval is too lean.

        Returns
        -------
        dict of str to str
            One sentence by place; empty where there is none or no interval is known.
        """
        found = [self._too_lean(number, upper=True) for number in range(len(self.places)) if not self._too_lean(number)]
        return {
            where: f"At {where} full load may run too lean: lambda {ratio:.3f} ({band}), up to {high:.3f}; "
            f"{self.leanest:.2f} is the leanest (common practice, no source). {lean_at_full_load(self.leanest)}"
            for where, band, _, ratio, high in filter(None, found)
        }

    def _too_lean(self, number: int, *, upper: bool = False) -> tuple[str, str, int, float, float] | None:
        """Place, leanest band, count of bands too lean, its lambda and upper end, with the leaner needle; or None."""
        full = np.flatnonzero(np.array(self.bands.load) == "full")

        def counts(place: Place) -> FloatArray:
            return np.fmax(place.lambda_predicted, place.lambda_high)[full] if upper else place.lambda_predicted[full]

        if not full.size:
            return None
        name, place = max(self._needles_at(number), key=lambda one: float(counts(one[1]).max()))
        lean = counts(place) > self.leanest + HARDLY
        if not lean.any():
            return None
        worst = int(full[np.argmax(counts(place))])
        band = self.bands.name(worst) + (f", {name}" if name else "")
        return place.name, band, int(lean.sum()), float(place.lambda_predicted[worst]), float(place.lambda_high[worst])

    def _needles_at(self, number: int) -> list[tuple[str, Place]]:
        """A place with each needle it may be driven with, and what tells the needles apart."""
        if self.first is None:
            return [("", self.places[number])]
        return [("at the FIRST STOP", self.first.places[number]), ("with all off", self.places[number])]

    def warnings(self) -> tuple[str, ...]:
        """What else to know of the places.

        Returns
        -------
        tuple of str
            One sentence each.
        """
        out = list(self.may_run_lean().values())
        for name, place in (one for number in range(len(self.places)) for one in self._needles_at(number)):
            ratio, there = place.lambda_predicted, f"{place.name}, {name}," if name else place.name
            full = np.array([load == "full" for load in self.bands.load])
            lean = self.bands.names(np.flatnonzero(~full & (ratio > MISFIRE)).tolist(), ratio)
            rich = self.bands.names(np.flatnonzero(ratio < FAR_RICH).tolist(), -ratio)
            if lean:
                out.append(f"At {there} it would misfire, leaner than lambda {MISFIRE:g}: {lean}.")
            if rich:
                out.append(f"At {there} plugs would foul, richer than lambda {FAR_RICH:g}: {rich}.")
        return tuple(out)

    def summary(self) -> str:
        """Idle and full load at every place in one line.

        Returns
        -------
        str
            One sentence; the first stop before all off where it is another needle.
        """
        if self.first is None:
            return f"Lambda by altitude: {self._spans()}."
        return f"Lambda by altitude at the FIRST STOP: {self.first._spans()}. With all off: {self._spans()}."

    def _spans(self) -> str:
        """Idle and full load at every place."""
        parts = []
        for place in self.places:
            spans = []
            for load in dict.fromkeys(name for name in self.bands.load if name in ("idle", "full")):
                there = place.lambda_predicted[[b for b, name in enumerate(self.bands.load) if name == load]]
                low, high = f"{there.min():.2f}", f"{there.max():.2f}"
                spans.append(f"{load} {low}" + (f" to {high}" if high != low else ""))
            parts.append(f"{place.name}: {', '.join(spans)}" if spans else place.name)
        return "; ".join(parts)

    def needs_acknowledging(self) -> bool:
        """Whether a sheet with this needle must be signed before anything is filed.

        Returns
        -------
        bool
            True with any red warning.
        """
        return bool(self.red())

    def band_rows(self) -> list[Row]:
        """Lambda of each band at every place.

        Returns
        -------
        list of dict
            One a band, full precision; ``lambda_1`` is the first place, ``first_1`` the same at the first stop.
        """
        held = self.first.places if self.first else ()
        return [
            {
                "rpm": float(self.bands.rpm[b]),
                "load": self.bands.load[b],
                **{f"first_{k}": float(place.lambda_predicted[b]) for k, place in enumerate(held, 1)},
                **{f"lambda_{k}": float(place.lambda_predicted[b]) for k, place in enumerate(self.places, 1)},
                **{f"lift_{k}_mm": float(place.lift_mm[b]) for k, place in enumerate(self.places, 1)},
            }
            for b in range(self.bands.rpm.size)
        ]

    def table(self) -> Table:
        """Lambda by band and place, to be shown.

        Returns
        -------
        Table
            One row a band, one column a place; warnings below, red first.
        """
        held, after = (self.first.places, "\nALL\nOFF") if self.first else ((), "")
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            *(Column(f"first_{k}", f"{place.name}\nFIRST\nSTOP", ".3f") for k, place in enumerate(held, 1)),
            *(Column(f"lambda_{k}", f"{place.name}{after}", ".3f") for k, place in enumerate(self.places, 1)),
        )
        idle = [f"{place.name} {place.idle_co_percent:.1f} %" for place in self.places if np.isfinite(place.idle_co_percent)]
        co = (f"CO at idle, dry, no oxygen left over: {', '.join(idle)}.",) if idle else ()
        title = f"Lambda by altitude, {self.needle}, jet {self.drop_mm:.2f} mm below the bridge"
        return Table(title, columns, self.band_rows(), notes=(*self.red(), *self.warnings(), *co, ASSUMED, *CAUTIONS))


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
    slide stays open as far and its depression follows the density.  Intervals are those of the design, moved
    along.  Idle: the throttle stop is taken as set again to the same speed.

    References
    ----------
    .. [1] Derived for this project from Bernoulli's equation; only the dry air burns.

    Examples
    --------
    >>> import numpy as np
    >>> import needlecalc as nc
    >>> valve = nc.AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = nc.Needle("straight", np.arange(13) * 3.175, np.linspace(2.46, 1.66, 13))
    >>> jet = nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=0.8, drop_max_mm=2.6)
    >>> setup = nc.Setup(nc.Engine(1500.0, 4), nc.Carburettor(needle, jet, valve))
    >>> bands = nc.typed_bands([1500, 3000, 4500], [0.88, 0.88, 0.88], lift_mm=[6.0, 13.0, 22.0])
    >>> print(at_altitude(setup, bands, None, 1600.0).at("1600 m").lambda_predicted.round(2))
    [0.79 0.79 0.8 ]
    """
    if not np.isfinite(bands.lift_mm).all():
        band = int(np.argmax(~np.isfinite(bands.lift_mm)))
        msg = f"Band {bands.name(band)} has no lift; run with_lift(bands, setup) first, or type the lift in."
        raise InputError(msg)
    if isinstance(fitted, Design):
        same_length("bands and design", bands=bands.rpm, design=fitted.lambda_predicted)
    jet = setup.carburettor.jet
    nature, gain, lift = Nature.of(setup), 1.0, bands.lift_mm
    nan = np.full(bands.rpm.size, np.nan)
    if isinstance(fitted, Design):
        needle, drop = fitted.needle, fitted.drop_mm if drop_mm is None else drop_mm
        learned = fitted.learned
        lift, nature = learned.lift_and_nature(learned.mean)
        gain = float(learned.mean[learned.place.shared("flow gain")])
        here = (fitted.lambda_predicted, fitted.lambda_low, fitted.lambda_high)
        jet_drop = fitted.drop_mm
    else:
        needle = fitted or setup.carburettor.needle
        drop = jet_drop = jet.drop_mm if drop_mm is None else drop_mm
        here = (predict_lambda(setup, bands, needle=needle, drop_mm=drop), nan, nan)
    wanted = dict(air) if isinstance(air, Mapping) else {_called(air): air}
    places = {THE_DRIVE: setup.air, **{name: _air(value) for name, value in wanted.items()}}
    if home is not None:
        places["home"] = _air(home)

    def carried(needle: Needle, here: tuple[FloatArray, FloatArray, FloatArray]) -> AltitudeOutlook:
        cut = setup.with_needle(needle)
        known = cut.carburettor.depression_pa(lift, bands.depression_pa)
        before, _ = fuel_of(cut, lift, drop_mm=jet_drop, depression_pa=known, nature=nature)
        out = []
        for name, there in places.items():
            moved, pressure = _floats(cut, lift, known, there)
            after, _ = fuel_of(cut, moved, drop_mm=drop, depression_pa=pressure, nature=nature)
            dry = [state.density_kg_m3() / (1.0 + _water(state)) for state in (there, setup.air)]
            ratio = dry[0] / dry[1] * (before.fuel_flow_g_s / after.fuel_flow_g_s) ** gain
            predicted, low, high = (read_only(values * ratio, "lambda", allow_nan=True) for values in here)
            out.append(Place(name, there, moved, predicted, low, high, _idle_co(bands, predicted)))
        return AltitudeOutlook(bands, needle.name, drop, tuple(out))

    outlook = carried(needle, here)
    if not isinstance(fitted, Design):
        return outlook
    outlook = replace(outlook, leanest=fitted.target.leanest_full_load())
    if fitted.stages() != "in stages":
        return outlook
    held = fitted.first_predicted, fitted.first_low, fitted.first_high
    return replace(outlook, first=carried(fitted.first_stop, held))


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


def _idle_co(bands: Bands, ratio: FloatArray) -> float:
    idles = [b for b, load in enumerate(bands.load) if load == "idle"]
    if not idles:
        return float("nan")
    idle = float(ratio[min(idles, key=lambda b: float(bands.rpm[b]))])
    return float(co_percent_of_lambda(idle)) if 0.7 <= idle <= 1.3 else float("nan")
