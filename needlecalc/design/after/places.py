"""The places a needle will be driven at: lambda of each band there, what is red, what is to be signed."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.inverse.verdict import HARDLY
from needlecalc.design.wish.target import LEANEST_FULL_LOAD, lean_at_full_load
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.conditions import Air
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
        msg = f"The outlook has no place {shown(name)}; it has {', '.join(place.name for place in self.places)}."
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
