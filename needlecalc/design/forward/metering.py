"""The local law of a needle in its jet: areas, exponents, sensitivity, and whose diameter acts, by lift."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only
from needlecalc.parts.setup import Setup, fuel_flow_and_slopes
from needlecalc.physics.annulus import BoreFlow
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

STEP_MM = 0.01


@dataclass(frozen=True, repr=False, eq=False)
class Metering(Shown):
    r"""What a needle does in its jet at some lifts; arrays of shape (m,), one entry a lift.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array, shape (m,)
        Lift. [mm]
    position_mm : array, shape (m,)
        Place on the needle at the jet's face, from the shoulder. [mm]
    diameter_mm : array, shape (m,)
        Diameter there. [mm]
    flow : BoreFlow
        Fuel of one carburettor in g/s, metering and effective area in mm2, discharge coefficient, viscous share of the
        pressure, Reynolds number.
    gap_exponent : array, shape (m,)
        d ln(flow)/d ln(gap) for the same change of diameter all over: some 1 for an orifice, 3 for a narrow
        viscous gap; less where the taper opens it. [-]
    viscosity_exponent, depression_exponent : array, shape (m,)
        d ln(flow)/d ln(viscosity) and by ln(depression), the head held. [-]
    lambda_per_step : array, shape (m,)
        Change of lambda for 0.01 mm thicker all over; + is leaner. [%]
    station_share : array, shape (m, n)
        Share of that change which the diameter of each station carries; each row adds up to 1. [-]
    acts_below_mm : array, shape (m,)
        Mean depth below the jet's face at which the diameter acts. [mm]
    share_elsewhere : array, shape (m,)
        Share of the effect that falls on other stations than if the face alone metered. [-]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> metering(road.setup, [2.0, 10.0, 20.0]).rows()[1]["lift_mm"]
    10.0
    """

    setup: Setup
    lift_mm: FloatArray
    position_mm: FloatArray
    diameter_mm: FloatArray
    flow: BoreFlow
    gap_exponent: FloatArray
    viscosity_exponent: FloatArray
    depression_exponent: FloatArray
    lambda_per_step: FloatArray
    station_share: FloatArray
    acts_below_mm: FloatArray
    share_elsewhere: FloatArray

    def __repr__(self) -> str:
        needle = self.setup.carburettor.needle.name
        lifts = counted(self.lift_mm.size, "lift")
        return f"Metering of {needle!r}: {lifts}, {self.lift_mm.min():g} to {self.lift_mm.max():g} mm"

    def lambda_per_step_by_area(self) -> FloatArray:
        """What the plain area sum would say of 0.01 mm in %, for comparison only."""
        return np.asarray(100.0 * STEP_MM * np.pi / 2.0 * self.diameter_mm / self.flow.metering_area_mm2)


def metering(setup: Setup, lift_mm: ArrayLike, *, depression_pa: ArrayLike | None = None) -> Metering:
    r"""Local law of the needle fitted, at some lifts.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (m,)
        Lifts. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression where it is known; the air valve's at the lift where not. [Pa]

    Returns
    -------
    Metering
        Areas, exponents, sensitivity and the share of each station.

    Raises
    ------
    InputError
        If a lift's place lies off the needle, or the depression under a slide is not known.

    Notes
    -----
    Every figure follows from the analytic slopes of the law. The share of station *k* is
    :math:`(\partial\ln Q/\partial d_k)/\sum_j \partial\ln Q/\partial d_j`. As the needle is straight between stations,
    :math:`\sum_k z_k` times share, less the place of the face, is the mean depth at which the diameter acts.

    Examples
    --------
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle, Setup
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = Needle("straight", [0.0, 3.175, 6.35, 40.0], [2.476, 2.425, 2.374, 1.836])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(needle, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> law = metering(setup, [2.175, 20.0])
    >>> print(law.flow.discharge_coefficient.round(2), law.lambda_per_step.round(1), law.share_elsewhere.round(2))
    [0.22 0.64] [19.7  3.2] [0.38 0.02]
    """
    lift = read_only(np.atleast_1d(np.asarray(lift_mm, dtype=np.float64)), "lift_mm")
    carburettor = setup.carburettor
    needle, jet = carburettor.needle, carburettor.jet
    flow, slopes = fuel_flow_and_slopes(setup, lift, depression_pa=depression_pa)
    position = carburettor.position_mm(lift)
    diameter = needle.diameter_at_mm(position)
    total = slopes.per_mm_diameter.sum(axis=-1)
    share = slopes.per_mm_diameter / total[:, None]
    stations = needle.stations_mm
    # Shares of a law of the face alone: the two stations beside it, by distance.
    at_face = np.column_stack([np.interp(position, stations, one) for one in np.eye(stations.size)])
    depression = carburettor.depression_pa(lift, depression_pa)
    drive = carburettor.fuel_pressure_pa(lift, setup.fuel, depression_pa=depression_pa)
    gap = np.sqrt(jet.bore_mm * jet.least_bore_mm()) - diameter
    figures = {
        "lift_mm": lift,
        "position_mm": position,
        "diameter_mm": diameter,
        "gap_exponent": -total * gap,
        "viscosity_exponent": slopes.per_ln_viscosity,
        "depression_exponent": slopes.per_ln_pressure * depression / drive,
        "lambda_per_step": -100.0 * STEP_MM * total,
        "acts_below_mm": share @ stations - position,
        "share_elsewhere": 0.5 * np.abs(share - at_face).sum(axis=-1),
    }
    share.flags.writeable = False
    known = {name: read_only(array, name) for name, array in figures.items()}
    return Metering(setup, flow=flow, station_share=share, **known)
