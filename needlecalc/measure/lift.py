"""Lift and depression of each band: logged, typed in, or computed from air flow."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.physics.airdemand import engine_air_flow_g_s
from needlecalc.units import FloatArray, kelvin_from_degc

DRY_AIR_J_KG_K = 287.05
SENSOR_U_MM = 0.2
METER_U = 0.03
THROAT_U = 0.05
LEAST_DEPRESSION_PA = 50.0
MOST_DEPRESSION_PA = 3e4


def with_lift(
    bands: Bands,
    setup: Setup,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    depression_pa: ArrayLike | None = None,
) -> Bands:
    """The same bands, each with its lift and how sure it is, under a slide with its depression too.

    Parameters
    ----------
    bands : Bands
        Bands of a drive.
    setup : Setup
        Engine and carburettor, for lifts to be computed.
    lift_mm : array_like, shape (m,), or None
        Lift read at each band (marker rod, dipstick, camera); NaN where none was. [mm]
    lift_u_mm : float
        Standard uncertainty of those readings. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression read at each band with a manometer; NaN where none was. [Pa]

    Returns
    -------
    Bands
        Typed lifts first, then logged ones, then those from the air meter, then from manifold pressure
        and speed with the engine's volumetric efficiency.

    Raises
    ------
    InputError
        If a band's lift can be had in no way, or its air flow is more than the throat passes; under a slide
        also if its depression can be had in no way.

    Notes
    -----
    The opening of a slide is the throttle's, so it is logged or typed, never computed.
    """
    valve, air = setup.carburettor.air_valve, setup.air
    lift, doubt = np.array(bands.lift_mm), np.array(bands.lift_u_mm)
    source = list(bands.lift_source)
    logged = np.isfinite(lift)
    if bands.log is not None:
        doubt[logged] = np.hypot(doubt[logged], SENSOR_U_MM)
    if lift_mm is not None:
        typed = read_only(lift_mm, "lift_mm", allow_nan=True)
        same_length("typed lifts", lift_mm=typed, bands=bands.rpm)
        given = np.isfinite(typed)
        lift[given], doubt[given] = typed[given], lift_u_mm
        source = ["typed in" if use else old for use, old in zip(given, source, strict=True)]
    missing = ~np.isfinite(lift)
    if missing.any():
        if isinstance(valve, SlideValve):
            msg = (
                f"Band {bands.name(int(np.argmax(missing)))}: its lift was neither logged nor typed, and a slide opens as "
                "far as the throttle pulls it, so air flow does not tell; log the slide's opening, or type lift_mm in."
            )
            raise InputError(msg)
        flow, share, words = _air_flow(bands, setup)
        each = flow / setup.engine.carburettors
        computed = valve.lift_mm(each, air)
        wrong = missing & ~np.isfinite(computed)
        if wrong.any():
            band = int(np.argmax(wrong))
            known = np.isfinite(each[band])
            why = (
                f"its air flow of {each[band]:.1f} g/s a carburettor is more than the throat passes at full travel"
                if known
                else "the log holds no air flow and no manifold pressure"
            )
            msg = f"Band {bands.name(band)}: no lift can be computed, {why}; type lift_mm in, or check the parts."
            raise InputError(msg)
        high = valve.lift_mm(each * (1.0 + share), air)
        low = valve.lift_mm(each * (1.0 - share), air)
        high = np.where(np.isfinite(high), high, 2.0 * computed - low)
        lift[missing], doubt[missing] = computed[missing], ((high - low) / 2.0)[missing]
        source = [words if use else old for use, old in zip(missing, source, strict=True)]
    outside = (lift < 0.0) | (lift > valve.throat_bore_mm)
    if outside.any():
        band = int(np.argmax(outside))
        msg = f"Band {bands.name(band)}: lift is {lift[band]:g} mm, but must lie within the throat's bore; check it."
        raise InputError(msg)
    known = _depression(bands, setup, lift, depression_pa)
    return replace(bands, lift_mm=lift, lift_u_mm=doubt, lift_source=tuple(source), depression_pa=known)


def _depression(bands: Bands, setup: Setup, lift_mm: FloatArray, typed_pa: ArrayLike | None) -> FloatArray:
    """Depression as typed, else under a slide from air flow, else NaN: the valve gives it at the lift."""
    known = np.array(bands.depression_pa)
    if typed_pa is not None:
        typed = read_only(typed_pa, "depression_pa", allow_nan=True)
        same_length("typed depressions", depression_pa=typed, bands=bands.rpm)
        bad = np.isfinite(typed) & ((typed < LEAST_DEPRESSION_PA) | (typed > MOST_DEPRESSION_PA))
        if bad.any():
            band = int(np.argmax(bad))
            msg = (
                f"Band {bands.name(band)}: depression_pa is {typed[band]:g}, but must lie between "
                f"{LEAST_DEPRESSION_PA:g} and {MOST_DEPRESSION_PA:g}; one inch of water is 249 Pa."
            )
            raise InputError(msg)
        known = np.where(np.isfinite(typed), typed, known)
    valve = setup.carburettor.air_valve
    missing = ~np.isfinite(known)
    if not isinstance(valve, SlideValve) or not missing.any():
        return known
    each = _air_flow(bands, setup)[0] / setup.engine.carburettors
    computed = valve.depression_of_flow_pa(lift_mm, each, setup.air)
    unknown = missing & ~np.isfinite(each)
    if unknown.any() and valve.usual_depression_pa is None:
        msg = (
            f"Band {bands.name(int(np.argmax(unknown)))}: no air flow and no manifold pressure is known, so the depression "
            "under the slide cannot be computed; give air_flow_g_s or manifold_pressure_pa, type depression_pa, or "
            "state usual_depression_pa of the slide valve."
        )
        raise InputError(msg)
    choked = missing & ~unknown & ~np.isfinite(computed)
    if choked.any():
        band = int(np.argmax(choked))
        msg = (
            f"Band {bands.name(band)}: {each[band]:.1f} g/s a carburettor is more than a slide open {lift_mm[band]:g} mm "
            "passes; check lift, air flow and throat_bore_mm."
        )
        raise InputError(msg)
    return np.where(missing, computed, known)


def _air_flow(bands: Bands, setup: Setup) -> tuple[FloatArray, float, str]:
    """Air flow of the engine, its share of doubt, and where it comes from."""
    if np.isfinite(bands.air_flow_g_s).all():
        return bands.air_flow_g_s, float(np.hypot(METER_U, THROAT_U)), "computed from logged air flow"
    if not np.isfinite(bands.manifold_pressure_pa).all():
        return np.full(bands.rpm.size, np.nan), 0.0, ""
    engine = setup.engine
    manifold = bands.manifold_pressure_pa / (DRY_AIR_J_KG_K * kelvin_from_degc(setup.air.temperature_degc))
    flow = engine_air_flow_g_s(
        bands.rpm,
        displacement_cm3=engine.displacement_cm3,
        volumetric_efficiency=engine.volumetric_efficiency,
        density_kg_m3=manifold,
    )
    words = f"computed from manifold pressure, speed and a volumetric efficiency of {engine.volumetric_efficiency:g}"
    return flow, float(np.hypot(engine.volumetric_efficiency_u, THROAT_U)), words
