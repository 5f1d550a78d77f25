"""Two needles side by side: diameters, areas and the lambda each gives."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.design.forward.predict import predict_lambda
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.physics.annulus import bore_flow_and_slopes
from needlecalc.show import Column, Row, Shown, Table


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
    flows = []
    for needle in (first, second):
        fitted = setup.with_needle(needle)
        level = fitted.carburettor
        lift = np.maximum(first.stations_mm[shared] - setup.carburettor.position_mm(0.0), 0.0)
        flow = bore_flow_and_slopes(
            first.stations_mm[shared],
            needle.stations_mm,
            needle.diameters_mm,
            bore_mm=level.jet.bore_mm,
            length_mm=level.jet.parallel_length_mm,
            pressure_pa=level.fuel_pressure_pa(lift, setup.fuel),
            density_kg_m3=setup.fuel.density_kg_m3(),
            viscosity_mm2_s=setup.fuel.viscosity_mm2_s(),
            eccentricity=level.jet.eccentricity(),
            bore_least_mm=level.jet.bore_least_mm,
        )[0]
        flows.append(flow)
    one, two = flows
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
