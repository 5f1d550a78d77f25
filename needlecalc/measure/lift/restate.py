"""Lifts read under other parts: what changed, and the lifts read over to the present parts."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import DriveNote
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

DENSITY_WITHIN = 0.02
SAME_PART = 1e-9
DECIDES_LIFT = (
    "throat_bore_mm",
    "bridge_mm",
    "disc_diameter_mm",
    "foot_area_mm2",
    "piston_mass_kg",
    "spring_preload_n",
    "spring_rate_n_mm",
    "tilt_deg",
)


def lift_change(before: Setup, after: Setup) -> str:
    """What changed of the parts that decide a steady lift.

    Parameters
    ----------
    before, after : Setup
        Setup under which the lifts were read, and the other.

    Returns
    -------
    str
        The changes; empty where readings still hold.  The discharge coefficient is knowledge and no
        part, so it does not count, nor does the damper's oil, which drags only while the piston rises.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2)
    >>> parts = Needle("n", [0.0, 40.0], [2.4, 1.6]), Jet(bore_mm=2.54, drop_mm=1.6)
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(*parts, valve))
    >>> stronger = Carburettor(*parts, replace(valve, spring_preload_n=2.2, damper_oil="SAE 20"))
    >>> lift_change(setup, replace(setup, carburettor=stronger))
    'spring_preload_n 1.2, now 2.2'
    """
    changes = []
    valves = [setup.carburettor.air_valve for setup in (before, after)]
    if type(valves[0]) is not type(valves[1]):
        return "another kind of air valve"
    # The throttle opens a slide, so no part of it decides how far.
    for name in () if isinstance(valves[0], SlideValve) else DECIDES_LIFT:
        was, now = (getattr(valve, name) for valve in valves)
        if abs(now - was) > SAME_PART:
            changes.append(f"{name} {was:g}, now {now:g}")
    if before.engine.carburettors != after.engine.carburettors:
        changes.append(f"carburettors {before.engine.carburettors}, now {after.engine.carburettors}")
    return ", ".join(changes)


def restate_lift(lift_mm: ArrayLike, before: Setup, after: Setup) -> FloatArray:
    r"""Lifts that the same engine takes under other parts or in other air.

    Parameters
    ----------
    lift_mm : array_like, shape (m,)
        Lifts under the first setup; NaN stays NaN. [mm]
    before, after : Setup
        Setup under which they were read, and the one they are wanted for.

    Returns
    -------
    array, shape (m,)
        Lifts under the second. [mm]

    Raises
    ------
    InputError
        If a lift lies off the travel before or after.

    Notes
    -----
    The engine draws the same volume, so its air mass goes as the density; the air of one carburettor
    also as the inverse of their number.

    .. math:: \dot m(y') = \dot m(y)\,\frac{\rho'}{\rho}\,\frac{N}{N'}
    """
    lift = read_only(lift_mm, "lift_mm", allow_nan=True)
    old, new = before.carburettor.air_valve, after.carburettor.air_valve
    off = (lift < 0.0) | (lift > old.travel_mm())
    if off.any():
        msg = f"A lift of {lift[off][0]:g} mm was read where the piston travels {old.travel_mm():g} mm; check it."
        raise InputError(msg)
    engine_air = old.air_flow_g_s(lift, before.air) * before.engine.carburettors
    wanted = engine_air * after.air.density_kg_m3() / before.air.density_kg_m3() / after.engine.carburettors
    out = new.lift_mm(wanted, after.air)
    lost = np.isfinite(lift) & ~np.isfinite(out)
    if lost.any():
        msg = (
            f"The lift of {lift[lost][0]:g} mm cannot be read over: its air is more than the present parts pass at "
            f"{new.travel_mm():g} mm; read the lift anew."
        )
        raise InputError(msg)
    return np.asarray(out)


def oil_remarks(before: Setup, now: Setup) -> list[Remark]:
    """What a change of damper oil means for lifts read before it; nothing where the oil is the same."""
    was, oil = (getattr(setup.carburettor.air_valve, "damper_oil", "") for setup in (before, now))
    return [] if was == oil else [Remark(DriveNote.OTHER_OIL, numbers={"was": was, "now": oil})]


def brought_over(lift: FloatArray, before: Setup, now: Setup, *, restate: bool) -> tuple[FloatArray, list[Remark]]:
    """Readings as the present parts would show them; refused where parts or air differ and they may not be read over."""
    remarks = oil_remarks(before, now)
    changed = lift_change(before, now)
    thinner = now.air.density_kg_m3() / before.air.density_kg_m3() - 1.0
    if restate:
        remarks.append(Remark(DriveNote.RESTATED, numbers={"changed": changed, "density_percent": 100.0 * thinner}))
        return restate_lift(lift, before, now), remarks
    if abs(thinner) > DENSITY_WITHIN:
        changed = ", ".join([changed, f"air density {100 * thinner:+.1f} %"]).removeprefix(", ")
    if changed:
        msg = (
            f"The lifts were read under other parts or air: {changed}; read them anew, or set restate to have them read "
            "over at equal air."
        )
        raise InputError(msg)
    return lift, remarks
