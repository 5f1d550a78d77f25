"""Depression over the jet of each band, where the valve's own balance does not tell it."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.typed import typed_each
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.units import FloatArray

LEAST_DEPRESSION_PA = 50.0
MOST_DEPRESSION_PA = 3e4


def band_depression_pa(bands: Bands, setup: Setup, lift_mm: FloatArray, typed_pa: ArrayLike | None = None) -> FloatArray:
    """Depression of each band as typed, else under a slide from air flow, else NaN: the valve gives it at the lift.

    InputError where a reading is impossible, or the depression under a slide can be had in no way.
    """
    known = np.array(bands.depression_pa)
    if typed_pa is not None:
        typed = typed_each(typed_pa, bands, "depression_pa")
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
    engine = setup.engine
    by_pressure = np.full(lift_mm.size, np.nan)
    if (here := np.isfinite(bands.manifold_pressure_pa)).any():
        by_pressure[here] = engine.air_flow_g_s(bands.rpm[here], bands.manifold_pressure_pa[here], setup.air)
    each = np.where(np.isfinite(bands.air_flow_g_s), bands.air_flow_g_s, by_pressure) / engine.carburettors
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
