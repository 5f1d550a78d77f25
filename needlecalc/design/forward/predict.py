"""Lambda of measured bands on another needle, and two needles side by side."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import AirValve, lift_after_change
from needlecalc.parts.fuelflow import fuel_flow
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table
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
    stations : tuple of dict
        Per station of the first: distance, diameters, metering and effective areas, lambda change.
    bands : tuple of dict
        Per band: lambda with each needle; empty without bands.
    """

    setup: Setup
    first: Needle
    second: Needle
    stations: tuple[Row, ...]
    bands: tuple[Row, ...] = ()

    def __repr__(self) -> str:
        return f"Comparison of {self.first.name!r} with {self.second.name!r}: {len(self.stations)} stations"

    def table(self) -> Table:
        """Stations of both needles, to be shown.

        Returns
        -------
        Table
            One row a station.
        """
        columns = (
            Column("station", "station", "d"),
            Column("distance_mm", "from shoulder mm", ".3f"),
            Column("first_mm", "first mm", ".4f"),
            Column("second_mm", "second mm", ".4f"),
            Column("thicker_um", "second thicker um", "+.1f"),
            Column("first_metering_mm2", "metering mm2", ".3f"),
            Column("second_metering_mm2", "second mm2", ".3f"),
            Column("first_effective_mm2", "effective mm2", ".3f"),
            Column("second_effective_mm2", "second mm2", ".3f"),
            Column("lambda_change_percent", "lambda change %", "+.1f"),
        )
        title = f"First: {self.first.name}; second: {self.second.name}; jet {self.setup.carburettor.jet.bore_mm:g} mm"
        note = "Effective areas and lambda change as with the station at the jet's face; + is leaner."
        return Table(title, columns, self.stations, notes=(note,))

    def band_table(self) -> Table:
        """Lambda of each band with each needle, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lift_mm", "lift mm", ".2f"),
            Column("lambda_first", "lambda first", ".3f"),
            Column("lambda_second", "lambda second", ".3f"),
            Column("lambda_change_percent", "change %", "+.1f"),
        )
        return Table("Lambda by band", columns, self.bands)


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
    """
    low = max(first.stations_mm[0], second.stations_mm[0])
    high = min(first.stations_mm[-1], second.stations_mm[-1])
    shared = (first.stations_mm >= low) & (first.stations_mm <= high)
    if not shared.any():
        msg = f"Needles {first.name} and {second.name} share no station; check their datum."
        raise InputError(msg)
    lift = first.stations_mm[shared] - setup.carburettor.position_mm(0.0)
    # Stations that stand below the jet's face at no lift never reach it: they are compared as at no lift.
    depression = setup.carburettor.depression_pa(np.maximum(lift, 0.0))
    one, two = (fuel_flow(setup.with_needle(needle), lift, depression_pa=depression) for needle in (first, second))
    stations = []
    for row, k in enumerate(np.flatnonzero(shared)):
        distance = float(first.stations_mm[k])
        a, b = float(first.diameters_mm[k]), float(second.diameter_at_mm(distance))
        stations.append(
            {
                "station": int(k) + 1,
                "distance_mm": distance,
                "first_mm": a,
                "second_mm": b,
                "thicker_um": 1e3 * (b - a),
                "first_metering_mm2": float(one.metering_area_mm2[row]),
                "second_metering_mm2": float(two.metering_area_mm2[row]),
                "first_effective_mm2": float(one.effective_area_mm2[row]),
                "second_effective_mm2": float(two.effective_area_mm2[row]),
                "lambda_change_percent": 100.0 * float(one.fuel_flow_g_s[row] / two.fuel_flow_g_s[row] - 1.0),
            }
        )
    by_band: list[Row] = []
    if bands is not None:
        lambdas = [predict_lambda(setup, bands, needle=needle) for needle in (first, second)]
        by_band = [
            {
                "rpm": float(bands.rpm[b]),
                "load": bands.load[b],
                "lift_mm": float(bands.lift_mm[b]),
                "lambda_first": float(lambdas[0][b]),
                "lambda_second": float(lambdas[1][b]),
                "lambda_change_percent": 100.0 * float(lambdas[1][b] / lambdas[0][b] - 1.0),
            }
            for b in range(bands.rpm.size)
        ]
    return Comparison(setup, first, second, tuple(stations), tuple(by_band))
