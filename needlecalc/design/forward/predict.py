"""The forward model: fuel of each band through a needle, and lambda after a change."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import AirValve, lift_after_change
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.physics.annulus import BoreFlow, BoreSlopes, bore_flow, bore_flow_and_slopes, bore_flow_by_needle
from needlecalc.units import FloatArray

STEP_MM = 0.01


@dataclass(frozen=True)
class Nature:
    """What the flow law takes for granted of jet and fuel; each may be an array that broadcasts with the lift.

    Parameters
    ----------
    length_mm : array_like
        Parallel length of the jet's bore. [mm]
    viscosity_factor : array_like
        Viscosity over that of the fuel stated. [-]
    eccentricity : array_like
        Offset of the needle over the gap. [-]
    """

    length_mm: ArrayLike
    viscosity_factor: ArrayLike
    eccentricity: ArrayLike

    @classmethod
    def of(cls, setup: Setup) -> Nature:
        """Nature as the setup states it.

        Parameters
        ----------
        setup : Setup
            Jet and mounting.

        Returns
        -------
        Nature
            Length and mounting of the jet, fuel as stated.
        """
        jet = setup.carburettor.jet
        return cls(jet.parallel_length_mm, 1.0, jet.eccentricity())


def fuel_of(
    setup: Setup,
    lift_mm: ArrayLike,
    *,
    diameters_mm: ArrayLike | None = None,
    drop_mm: ArrayLike | None = None,
    depression_pa: ArrayLike | None = None,
    nature: Nature | None = None,
) -> tuple[BoreFlow, BoreSlopes]:
    """Fuel flow at each lift, with its slopes.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (m,)
        Lift of the air valve. [mm]
    diameters_mm : array_like, shape (n,), or None
        Needle diameters at the stations of the needle fitted; its own when not given. [mm]
    drop_mm : array_like or None
        Jet drop; the present one when not given. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression where it is known, as ``bands.depression_pa``; the valve's at the lift where not. [Pa]
    nature : Nature or None
        Jet length, viscosity and eccentricity; as the setup states them when not given.

    Returns
    -------
    BoreFlow
        Flow of one carburettor and the areas, shape (m,).
    BoreSlopes
        Slopes of ln(flow), by every diameter and by position.

    Raises
    ------
    InputError
        If a band's place lies off the needle, or the depression under a slide is not known.
    """
    nature = nature or Nature.of(setup)
    position, stations, diameters, others = _at_the_jet(setup, lift_mm, diameters_mm, drop_mm, depression_pa, nature)
    return bore_flow_and_slopes(position, stations, diameters, **others)


def log_fuel(
    setup: Setup,
    lift_mm: ArrayLike,
    *,
    diameters_mm: ArrayLike,
    drop_mm: ArrayLike,
    nature: Nature,
    depression_pa: ArrayLike | None = None,
) -> FloatArray:
    """Logarithm of the fuel flow where jet and fuel may differ from what was stated, for sampling.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (..., m)
        Lift. [mm]
    diameters_mm : array_like, shape (..., 1, n)
        Needle diameters. [mm]
    drop_mm : array_like
        Jet drop. [mm]
    nature : Nature
        Jet length, viscosity and eccentricity.
    depression_pa : array_like, shape (m,), or None
        Depression where it is known. [Pa]

    Returns
    -------
    array, shape (..., m)
        ln(fuel flow in g/s). [-]
    """
    position, stations, diameters, others = _at_the_jet(setup, lift_mm, diameters_mm, drop_mm, depression_pa, nature)
    return np.asarray(np.log(bore_flow(position, stations, diameters, **others).fuel_flow_g_s))


def pressure_per_mm_drop(
    setup: Setup, lift_mm: ArrayLike, *, drop_mm: ArrayLike, depression_pa: ArrayLike | None = None
) -> FloatArray:
    """Slope of ln(pressure that drives the fuel) by jet drop: a lower face is nearer the fuel.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (m,)
        Lift. [mm]
    drop_mm : array_like
        Jet drop. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression where it is known. [Pa]

    Returns
    -------
    array, shape (m,)
        The slope. [1/mm]

    Notes
    -----
    The pressure is linear in the drop, so a difference is exact.
    """
    carburettor, fuel = setup.carburettor, setup.fuel
    here = carburettor.fuel_pressure_pa(lift_mm, fuel, drop_mm, depression_pa=depression_pa)
    lower = carburettor.fuel_pressure_pa(lift_mm, fuel, np.asarray(drop_mm) + 1.0, depression_pa=depression_pa)
    return np.asarray((lower - here) / here)


def pressure_per_mm_lift(
    setup: Setup, lift_mm: ArrayLike, *, drop_mm: ArrayLike, depression_pa: ArrayLike | None = None
) -> FloatArray:
    """Slope of ln(pressure that drives the fuel) by lift: the spring pulls harder higher up.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (m,)
        Lift. [mm]
    drop_mm : array_like
        Jet drop. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression where it is known; a known one stays when the lift is found to be another. [Pa]

    Returns
    -------
    array, shape (m,)
        The slope. [1/mm]

    Notes
    -----
    The depression under a piston is linear in its lift, so a difference is exact.
    """
    carburettor, fuel = setup.carburettor, setup.fuel
    here = carburettor.fuel_pressure_pa(lift_mm, fuel, drop_mm, depression_pa=depression_pa)
    lower = carburettor.fuel_pressure_pa(np.asarray(lift_mm) - STEP_MM, fuel, drop_mm, depression_pa=depression_pa)
    return np.asarray((here - lower) / STEP_MM / here)


@dataclass(frozen=True)
class Standing:
    """Bands whose depression stays, in a jet and on a fuel that stay, while needle and jet height are sought.

    Parameters
    ----------
    stations_mm : array, shape (n,)
        Stations of the needle. [mm]
    offset_mm : float
        Place on the needle at the jet's face with neither lift nor drop. [mm]
    pressure_pa : array, shape (m,)
        Pressure that would drive the fuel at no jet drop. [Pa]
    pressure_pa_per_mm : array, shape (m,)
        Its growth with the drop. [Pa/mm]
    jet_and_fuel : mapping
        What else the flow law asks for, by name.
    """

    stations_mm: FloatArray
    offset_mm: float
    pressure_pa: FloatArray
    pressure_pa_per_mm: FloatArray
    jet_and_fuel: Mapping[str, Any]

    @classmethod
    def of(cls, setup: Setup, lift_mm: FloatArray, nature: Nature, depression_pa: FloatArray) -> Standing:
        """The law at the depressions of some lifts.

        Parameters
        ----------
        setup : Setup
            Carburettor and fuel.
        lift_mm : array, shape (m,)
            Lift. [mm]
        nature : Nature
            Jet length, viscosity and eccentricity.
        depression_pa : array, shape (m,)
            Depression where it is known; the valve's at the lift where it is NaN. [Pa]

        Returns
        -------
        Standing
            Ready to be asked for any needle and jet height.
        """
        _, stations, _, others = _at_the_jet(setup, lift_mm, None, 0.0, depression_pa, nature)
        pressure = others.pop("pressure_pa")
        lower = setup.carburettor.fuel_pressure_pa(lift_mm, setup.fuel, 1.0, depression_pa=depression_pa)
        return cls(stations, setup.carburettor.shoulder_offset_mm, pressure, lower - pressure, others)

    def log_fuel(self, lift_mm: FloatArray, diameters_mm: FloatArray, drop_mm: float) -> FloatArray:
        """Logarithm of the fuel flow.

        Parameters
        ----------
        lift_mm : array, shape (m,)
            Lift, kept on the needle. [mm]
        diameters_mm : array, shape (n,)
            Needle diameters. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (m,)
            ln(fuel flow in g/s). [-]
        """
        place, pressure = lift_mm + (drop_mm + self.offset_mm), self.pressure_pa + drop_mm * self.pressure_pa_per_mm
        flow = bore_flow(place, self.stations_mm, diameters_mm, pressure_pa=pressure, **self.jet_and_fuel)
        return np.asarray(np.log(flow.fuel_flow_g_s))

    def log_fuel_and_slopes(
        self, lift_mm: FloatArray, diameters_mm: FloatArray, drop_mm: float
    ) -> tuple[FloatArray, FloatArray]:
        """Logarithm of the fuel flow, with its slopes by the needle.

        Parameters
        ----------
        lift_mm : array, shape (m,)
            Lift, kept on the needle. [mm]
        diameters_mm : array, shape (n,)
            Needle diameters. [mm]
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (m,)
            ln(fuel flow in g/s). [-]
        array, shape (m, n + 1)
            Slopes by the diameters, then by the drop: a lower face is farther down the needle and nearer the
            fuel. [1/mm]
        """
        place, pressure = lift_mm + (drop_mm + self.offset_mm), self.pressure_pa + drop_mm * self.pressure_pa_per_mm
        flow = bore_flow_by_needle(place, self.stations_mm, diameters_mm, pressure_pa=pressure, **self.jet_and_fuel)
        by_drop = flow.per_mm_position + flow.per_ln_pressure * self.pressure_pa_per_mm / pressure
        return np.log(flow.fuel_flow_g_s), np.column_stack([flow.per_mm_diameter, by_drop])


def _at_the_jet(
    setup: Setup,
    lift_mm: ArrayLike,
    diameters_mm: ArrayLike | None,
    drop_mm: ArrayLike | None,
    depression_pa: ArrayLike | None,
    nature: Nature,
) -> tuple[FloatArray, FloatArray, FloatArray, dict[str, Any]]:
    """What the flow law asks for: place, needle, and jet and fuel by name."""
    carburettor = setup.carburettor
    needle, jet = carburettor.needle, carburettor.jet
    diameters = needle.diameters_mm if diameters_mm is None else np.asarray(diameters_mm, dtype=np.float64)
    others = {
        "bore_mm": jet.bore_mm,
        "length_mm": nature.length_mm,
        "pressure_pa": carburettor.fuel_pressure_pa(lift_mm, setup.fuel, drop_mm, depression_pa=depression_pa),
        "density_kg_m3": setup.fuel.density_kg_m3(),
        "viscosity_mm2_s": setup.fuel.viscosity_mm2_s() * np.asarray(nature.viscosity_factor),
        "eccentricity": nature.eccentricity,
        "bore_least_mm": jet.bore_least_mm,
    }
    return carburettor.position_mm(lift_mm, drop_mm), needle.stations_mm, diameters, others


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
    before, _ = fuel_of(setup, bands.lift_mm, depression_pa=known)
    changed = setup if needle is None else setup.with_needle(needle)
    lift = bands.lift_mm
    if air_valve is not None:
        lift, known = _under_other_valve(setup, bands, air_valve)
        changed = replace(changed, carburettor=replace(changed.carburettor, air_valve=air_valve))
    after, _ = fuel_of(changed, lift, drop_mm=drop_mm, depression_pa=known)
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


def as_turned(diameters_mm: FloatArray) -> FloatArray:
    """Diameters that never rise towards the tip: errors of neighbouring readings must not make a groove.

    Parameters
    ----------
    diameters_mm : array, shape (..., n)
        Diameters with their errors. [mm]

    Returns
    -------
    array, shape (..., n)
        The same, levelled. [mm]
    """
    return np.minimum.accumulate(diameters_mm, axis=-1)
