"""Lambda of measured bands on another needle, and two needles side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import AirValve, lift_after_change
from needlecalc.parts.fuelflow import fuel_flow
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.physics.annulus import BoreFlow
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray


def predict_lambda(
    setup: Setup,
    bands: Bands,
    *,
    needle: Needle | None = None,
    drop_mm: float | None = None,
    air_valve: AirValve | None = None,
) -> FloatArray:
    r"""Lambda of each band after a change of needle, jet height, or spring and piston.

    Parameters
    ----------
    setup : Setup
        The setup the bands were measured in.
    bands : Bands
        Measured bands with their lifts.
    needle : Needle or None
        The other needle; the present one when not given.
    drop_mm : float or None
        The other jet drop; the present one when not given. [mm]
    air_valve : AirValve or None
        The air valve with another spring or piston; the present one when not given.

    Returns
    -------
    array, shape (m,)
        Predicted lambda. [-]

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle, or another air valve is asked for where a slide is
        fitted or where the piston would meet a stop.

    Notes
    -----
    The engine breathes the same air, so :math:`\lambda' = \lambda\,\dot m_f/\dot m_f'`; everything on
    the air side cancels.  With the same air valve the lift stays; with another the piston settles where
    the same air passes at the other depression.

    Examples
    --------
    >>> from needlecalc import Carburettor, Engine, Jet, typed_bands
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> present, thinner = Needle("present", [0.0, 40.0], [2.476, 1.836]), Needle("thinner", [0.0, 40.0], [2.466, 1.826])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(present, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> bands = typed_bands([900, 4000], [1.00, 1.05], lift_mm=[2.5, 18.0])
    >>> print(predict_lambda(setup, bands, needle=thinner).round(3))
    [0.836 1.012]
    """
    _need_lift(bands)
    known = bands.depression_pa
    before = fuel_flow(setup, bands.lift_mm, depression_pa=known)
    changed = setup if needle is None else setup.with_needle(needle)
    lift = bands.lift_mm
    if air_valve is not None:
        lift, known = _under_other_valve(setup, bands, air_valve)
        changed = replace(changed, carburettor=replace(changed.carburettor, air_valve=air_valve))
    after = fuel_flow(changed, lift, drop_mm=drop_mm, depression_pa=known)
    return np.asarray(bands.lambda_measured * before.fuel_flow_g_s / after.fuel_flow_g_s)


def _under_other_valve(setup: Setup, bands: Bands, air_valve: AirValve) -> tuple[FloatArray, FloatArray]:
    """Lift and depression of each band at the same air flow; a depression once read changes in proportion."""
    present = setup.carburettor.air_valve
    if not isinstance(present, AirValve):
        msg = "A slide has no piston or spring to change; leave air_valve out."
        raise InputError(msg)
    lift = lift_after_change(present, air_valve, bands.lift_mm, setup.air)
    stopped = ~np.isfinite(lift)
    if stopped.any():
        msg = (
            f"Band {bands.name(int(np.argmax(stopped)))}: with the other air valve the piston would meet a stop at this "
            "air flow, where lift no longer tells the fuel; leave that band out."
        )
        raise InputError(msg)
    ratio = air_valve.depression_pa(lift) / present.depression_pa(bands.lift_mm)
    return lift, np.asarray(setup.carburettor.depression_pa(bands.lift_mm, bands.depression_pa) * ratio)


def _need_lift(bands: Bands) -> None:
    if not np.isfinite(bands.lift_mm).all():
        band = int(np.argmax(~np.isfinite(bands.lift_mm)))
        msg = f"Band {bands.name(band)} has no lift; run with_lift(bands, setup) first, or type the lift in."
        raise InputError(msg)


@dataclass(frozen=True, repr=False, eq=False)
class Comparison(Shown):
    """Two needles in one setup, station by station and band by band.

    Parameters
    ----------
    setup : Setup
        The setup both are put into.
    first, second : Needle
        The needles compared.
    station : array of int, shape (k,)
        Stations of the first that the second is known at, counted from 1.
    first_flow, second_flow : BoreFlow
        Fuel and areas of each as with that station at the jet's face.
    bands : Bands or None
        Measured bands.
    lambda_first, lambda_second : array, shape (m,)
        Lambda of each band with either needle; empty without bands. [-]
    """

    setup: Setup
    first: Needle
    second: Needle
    station: NDArray[np.intp]
    first_flow: BoreFlow
    second_flow: BoreFlow
    bands: Bands | None
    lambda_first: FloatArray
    lambda_second: FloatArray

    def __repr__(self) -> str:
        return f"Comparison of {self.first.name!r} with {self.second.name!r}: {counted(self.station.size, 'station')}"

    def thicker_um(self) -> FloatArray:
        """How much thicker the second is at each station."""
        at_mm, own_mm = (values[self.station - 1] for values in (self.first.stations_mm, self.first.diameters_mm))
        return 1e3 * (self.second.diameter_at_mm(at_mm) - own_mm)

    def table(self) -> Table:
        """Stations of both needles, one row a station."""
        one, two = self.first_flow, self.second_flow
        at_mm, own_mm = (values[self.station - 1] for values in (self.first.stations_mm, self.first.diameters_mm))
        columns = (
            Column("station", "station", "d", self.station),
            Column("distance_mm", "from shoulder mm", ".3f", at_mm),
            Column("first_mm", "first mm", ".4f", own_mm),
            Column("second_mm", "second mm", ".4f", self.second.diameter_at_mm(at_mm)),
            Column("thicker_um", "second thicker um", "+.1f", self.thicker_um()),
            Column("first_metering_mm2", "metering mm2", ".3f", one.metering_area_mm2),
            Column("second_metering_mm2", "second mm2", ".3f", two.metering_area_mm2),
            Column("first_effective_mm2", "effective mm2", ".3f", one.effective_area_mm2),
            Column("second_effective_mm2", "second mm2", ".3f", two.effective_area_mm2),
            Column("lambda_change_percent", "lambda change %", "+.1f", _change(two.fuel_flow_g_s, one.fuel_flow_g_s)),
        )
        title = f"First: {self.first.name}; second: {self.second.name}; jet {self.setup.carburettor.jet.bore_mm:g} mm"
        note = "Effective areas and lambda change as with the station at the jet's face; + is leaner."
        return Table(title, columns, notes=(note,))

    def band_table(self) -> Table:
        """Lambda of each band with each needle, one row a band."""
        bands = self.bands
        columns = (
            Column("rpm", "rpm", ".0f", () if bands is None else bands.rpm),
            Column("load", "load", "", () if bands is None else bands.load),
            Column("lift_mm", "lift mm", ".2f", () if bands is None else bands.lift_mm),
            Column("lambda_first", "lambda first", ".3f", self.lambda_first),
            Column("lambda_second", "lambda second", ".3f", self.lambda_second),
            Column("lambda_change_percent", "change %", "+.1f", _change(self.lambda_first, self.lambda_second)),
        )
        return Table("Lambda by band", columns)


def _change(before: FloatArray, after: FloatArray) -> FloatArray:
    return np.asarray(100.0 * (after / before - 1.0))


def compare(setup: Setup, first: Needle, second: Needle, *, bands: Bands | None = None) -> Comparison:
    """Two needles compared in one setup.

    Parameters
    ----------
    setup : Setup
        The setup; its own needle is the one any bands were measured with.
    first, second : Needle
        The needles.
    bands : Bands or None
        Measured bands with lifts, for lambda by band.

    Returns
    -------
    Comparison
        Diameters, areas and lambda changes.

    Raises
    ------
    InputError
        If the needles do not overlap or do not fit the jet.

    Examples
    --------
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle, Setup
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> first, second = Needle("first", [0.0, 40.0], [2.476, 1.836]), Needle("second", [0.0, 40.0], [2.47, 1.80])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(first, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> compare(setup, first, second)
    Comparison of 'first' with 'second': 2 stations
    """
    low = max(first.stations_mm[0], second.stations_mm[0])
    high = min(first.stations_mm[-1], second.stations_mm[-1])
    shared = np.flatnonzero((first.stations_mm >= low) & (first.stations_mm <= high))
    if not shared.size:
        msg = f"Needles {first.name} and {second.name} share no station; check their datum."
        raise InputError(msg)
    lift = first.stations_mm[shared] - setup.carburettor.position_mm(0.0)
    # Stations that stand below the jet's face at no lift never reach it: they are compared as at no lift.
    depression = setup.carburettor.depression_pa(np.maximum(lift, 0.0))
    one, two = (fuel_flow(setup.with_needle(needle), lift, depression_pa=depression) for needle in (first, second))
    blank = np.empty(0)
    lambdas = (blank, blank) if bands is None else tuple(predict_lambda(setup, bands, needle=n) for n in (first, second))
    return Comparison(setup, first, second, shared + 1, one, two, bands, *lambdas)
