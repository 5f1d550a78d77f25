"""Lift of each band: typed in, logged or computed from air flow; whether it still holds, or is read over to other parts."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_range, read_only
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import LIFT_NOTES, Bands, DriveNote, LiftSource
from needlecalc.measure.drive.make import typed_each
from needlecalc.measure.lift.estimates import (
    LEAST_READINGS,
    LiftEstimate,
    by_air,
    by_reading,
    by_throttle,
    held_to_throat,
    weighed_lift,
)
from needlecalc.parts.carburettor import AirValve, SlideValve
from needlecalc.parts.setup import Setup
from needlecalc.priors import LIFT_READ, LiftDoubts
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

DENSITY_WITHIN = 0.02
SAME_PART = 1e-9
# The discharge coefficient is knowledge and no part; the damper's oil drags only while the piston rises.
NO_SAY_IN_LIFT = {"max_lift_mm", "discharge_coefficient", "damper_oil"}
LEAST_DEPRESSION_PA = 50.0
MOST_DEPRESSION_PA = 3e4
OVER_THE_TOP_MM = 1.0  # three times what a marker is read to


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
    old, new = before.carburettor.air_valve, after.carburettor.air_valve
    if type(old) is not type(new):
        return "another kind of air valve"
    # The throttle opens a slide, so no part of it decides how far.
    names = [item.name for item in fields(AirValve) if isinstance(old, AirValve) and item.name not in NO_SAY_IN_LIFT]
    parts = {name: (getattr(old, name), getattr(new, name)) for name in names}
    parts["carburettors"] = before.engine.carburettors, after.engine.carburettors
    return ", ".join(f"{name} {was:g}, now {now:g}" for name, (was, now) in parts.items() if abs(now - was) > SAME_PART)


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
    The engine draws the same volume, so the air of one carburettor goes as the density over their number:
    :math:`\dot m(y') = \dot m(y)\,\frac{\rho'}{\rho}\,\frac{N}{N'}`.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc import Air
    >>> from needlecalc.example import road
    >>> print(restate_lift([4.0, 12.0], road.setup, replace(road.setup, air=Air.at_altitude(1800.0))).round(2))
    [ 3.87 11.61]
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


def _oil_remarks(before: Setup, now: Setup) -> list[Remark]:
    """What a change of damper oil means for lifts read before it; nothing where the oil is the same."""
    was, oil = (getattr(setup.carburettor.air_valve, "damper_oil", "") for setup in (before, now))
    return [] if was == oil else [Remark(DriveNote.OTHER_OIL, numbers={"was": was, "now": oil})]


def _brought_over(lift: FloatArray, before: Setup, now: Setup, *, restate: bool) -> tuple[FloatArray, list[Remark]]:
    """Readings as the present parts would show them; refused where parts or air differ and they may not be read over."""
    remarks = _oil_remarks(before, now)
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


def _depression_pa(bands: Bands, setup: Setup, lift_mm: FloatArray, typed_pa: ArrayLike | None = None) -> FloatArray:
    """Depression of each band as typed, else under a slide from air flow, else NaN: the valve gives it at the lift.

    InputError where a reading is impossible, or nothing gives the depression under a slide.
    """
    known = np.array(bands.depression_pa)
    if typed_pa is not None:
        typed = typed_each(typed_pa, bands, "depression_pa")
        between = f"{LEAST_DEPRESSION_PA:g} and {MOST_DEPRESSION_PA:g}; one inch of water is 249 Pa"
        bad = (typed < LEAST_DEPRESSION_PA) | (typed > MOST_DEPRESSION_PA)
        bands.refuse(bad, f"depression_pa is {{typed:g}}, but must lie between {between}.", typed=typed)
        known = np.where(np.isfinite(typed), typed, known)
    valve = setup.carburettor.air_valve
    missing = ~np.isfinite(known)
    if not isinstance(valve, SlideValve) or not missing.any():
        return known
    engine = setup.engine
    by_pressure = engine.air_flow_g_s(bands.rpm, bands.manifold_pressure_pa, setup.air)
    flow = np.where(np.isfinite(bands.air_flow_g_s), bands.air_flow_g_s, by_pressure) / engine.carburettors
    computed = valve.depression_of_flow_pa(lift_mm, flow, setup.air)
    unknown = missing & ~np.isfinite(flow)
    if valve.usual_depression_pa is None:
        words = (
            "no air flow and no manifold pressure is known, so the depression under the slide cannot be computed; give "
            "air_flow_g_s or manifold_pressure_pa, type depression_pa, or state usual_depression_pa of the slide valve."
        )
        bands.refuse(unknown, words)
    words = (
        "{flow:.1f} g/s a carburettor is more than a slide open {lift:g} mm passes; check lift, air flow and throat_bore_mm."
    )
    bands.refuse(missing & ~unknown & ~np.isfinite(computed), words, flow=flow, lift=lift_mm)
    return np.where(missing, computed, known)


def with_lift(
    bands: Bands,
    setup: Setup,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = LIFT_READ.u,
    depression_pa: ArrayLike | None = None,
    calibrate: bool = True,
    combine: bool = False,
    lift_setup: Setup | None = None,
    restate: bool = False,
    doubts: LiftDoubts | None = None,
) -> Bands:
    """The same bands, each with its lift and the lift's uncertainty, under a slide with its depression too.

    Parameters
    ----------
    bands : Bands
        Bands of a drive.
    setup : Setup
        Engine and carburettor, for lifts to be computed.
    lift_mm : array_like, shape (m,), or None
        Lift read at each band (marker rod, dipstick, camera); NaN where none was. [mm]
    lift_u_mm : float
        Standard uncertainty of those readings, their zero included. [mm]
    depression_pa : array_like, shape (m,), or None
        Depression read at each band with a manometer; NaN where none was. [Pa]
    calibrate : bool
        Let the bands with a reading set the scale of the air flow for those without.
    combine : bool
        Weigh each reading against the lift computed at its band, instead of taking it as read.
    lift_setup : Setup or None
        Setup under which ``lift_mm`` was read; the present one when not given.
    restate : bool
        Where that setup differs, read its lifts over to the present one at equal air; else refuse them.
    doubts : LiftDoubts or None
        Uncertainties of lifts; the usual figures when not given.

    Returns
    -------
    Bands
        Typed lifts first, then logged ones, then those from the air meter, then from manifold pressure
        and speed with the engine's volumetric efficiency, last from throttle and speed.  ``lift_u_mm`` is
        the whole uncertainty, ``lift_common_u_mm`` the part that the computed bands share (where none was
        computed from air flow: that of the zero of the readings).

    Raises
    ------
    InputError
        If nothing gives a band's lift, its air flow is far more than the throat passes, readings were
        taken with another spring, piston or throat, or the bands hold lifts that were weighed before; under a
        slide also if nothing gives its depression.

    Notes
    -----
    The opening of a slide is the throttle's, so it is logged or typed, never computed.  Readings and computed lifts meet
    in one linear-Gaussian update: unknown are ln of the air flow's scale, the readings' zero and each band's own error,
    each tied to zero by its uncertainty.  A change of damper oil leaves steady lifts standing and is only noted.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> import needlecalc as nc
    >>> typed = nc.typed_bands([2000], [1.05], manifold_pressure_pa=[60e3])
    >>> print(with_lift(typed, road.setup).lift_mm.round(1))
    [10.4]
    """
    doubts = doubts or LiftDoubts()
    check_range(lift_u_mm, "lift_u_mm", 0.0, 10.0, cure="It is one sigma, in mm.")
    remarks = [remark for remark in bands.remarks if remark.kind not in LIFT_NOTES] + _same_parts(bands, setup)
    typed = None
    if lift_mm is not None:
        typed = typed_each(lift_mm, bands, "lift_mm")
        _inside_throat(bands, (lift_setup or setup), typed)
        if lift_setup is not None:
            typed, said = _brought_over(typed, lift_setup, setup, restate=restate)
            remarks += said
    reading = by_reading(bands, doubts, lift_mm=typed, lift_u_mm=lift_u_mm)
    _inside_throat(bands, setup, reading.mm)
    # Computed lifts of an earlier call count for nothing: the scale may have changed.
    found, read = reading, np.isfinite(reading.mm)
    from_air = np.zeros(read.size, dtype=bool)
    for estimate in by_air(bands, setup, doubts):
        known = np.isfinite(estimate.flow_g_s)
        wanted = known & ~np.isfinite(found.mm)
        weigh = known & read & ~from_air & combine
        if (wanted | weigh).any():
            if (known & read).any() and (calibrate or combine):
                estimate = weighed_lift(estimate, setup, reading, int(wanted.sum()))
            else:
                estimate = held_to_throat(estimate, setup)
            found, served = _joined(found, estimate, bands, setup, wanted, weigh)
            from_air |= served
    if combine and read.any() and not (from_air & read).any():
        msg = "combine needs an air flow or a manifold pressure at a band with a reading, but there is none; leave it out."
        raise InputError(msg)
    missing, timed = ~np.isfinite(found.mm), read & np.isfinite(bands.throttle_percent)
    slide = isinstance(setup.carburettor.air_valve, SlideValve)
    if not slide and timed.sum() >= LEAST_READINGS and (missing & np.isfinite(bands.throttle_percent)).any():
        found = found.with_those_of(
            by_throttle(bands, setup, replace(found, mm=np.where(read, found.mm, np.nan)), doubts), missing
        )
    bands.refuse(~np.isfinite(found.mm), _no_lift(bands, int(timed.sum()), slide=slide))
    _inside_throat(bands, setup, found.mm)
    return bands.having(
        lift_mm=found.mm,
        lift_u_mm=found.u_mm(),
        lift_common_u_mm=np.where(from_air | ~from_air.any(), found.common_u_mm, 0.0),
        lift_source=tuple(found.source),
        lift_setup=setup,
        depression_pa=_depression_pa(bands, setup, found.mm, depression_pa),
        remarks=[*remarks, *found.remarks],
    )


def _same_parts(bands: Bands, setup: Setup) -> list[Remark]:
    """Refuse lifts read with other parts; what to note where they still hold."""
    if bands.lift_setup is None or bands.lift_computed_alone().all():
        return []
    if changed := lift_change(bands.lift_setup, setup):
        msg = (
            f"The lifts of these bands, and with them their lambda, belong to other parts: {changed}; drive again, or, "
            "where only a figure was mended, start again from the bands as they were made."
        )
        raise InputError(msg)
    return _oil_remarks(bands.lift_setup, setup)


def _joined(
    found: LiftEstimate,
    estimate: LiftEstimate,
    bands: Bands,
    setup: Setup,
    wanted: NDArray[np.bool_],
    weigh: NDArray[np.bool_],
) -> tuple[LiftEstimate, NDArray[np.bool_]]:
    """Lifts found, and computed ones where they are wanted or a reading was weighed against them; where they were taken."""
    words = (
        "no lift can be computed, its air flow of {flow:.1f} g/s a carburettor is more than the throat passes at full "
        "travel; type lift_mm in, or check the parts."
    )
    bands.refuse(wanted & ~np.isfinite(estimate.mm), words, flow=estimate.flow_g_s)
    if (top := wanted & (estimate.mm >= setup.carburettor.air_valve.travel_mm())).any():
        at_top = Remark(DriveNote.AT_THE_TOP, bands=bands.called(*np.flatnonzero(top).tolist()))
        estimate = replace(estimate, remarks=(*estimate.remarks, at_top))
    weigh = weigh & np.isfinite(estimate.mm)
    both = np.where(weigh, found.source | (estimate.source & ~LiftSource.SCALED), estimate.source)
    return found.with_those_of(replace(estimate, source=both), wanted | weigh), wanted | weigh


def _no_lift(bands: Bands, timed: int, *, slide: bool) -> str:
    """What to tell of a band for which nothing gives the lift."""
    if slide:
        return (
            "its lift was neither logged nor typed, and a slide opens as far as the throttle pulls it, so air flow does not "
            "tell; log the slide's opening, or type lift_mm in."
        )
    lacks, cure = "the log holds no air flow and no manifold pressure", "type lift_mm in"
    if bands.log is None:
        lacks, cure = (
            "no air flow and no manifold pressure is stated there",
            "type a number in lift_mm, or state one of them",
        )
    if np.isfinite(bands.throttle_percent).any():
        lacks += f", and throttle with speed needs {LEAST_READINGS} lifts read around it (now {timed})"
    return f"no lift can be computed, {lacks}; {cure}."


def _inside_throat(bands: Bands, setup: Setup, lift: FloatArray) -> None:
    """Refuse lifts beyond the travel stated, or outside the throat's bore."""
    valve = setup.carburettor.air_valve
    if (top := valve.max_lift_mm) is not None:
        cure = f"ends at {top:g} mm (max_lift_mm); read it again, or measure the travel."
        bands.refuse(lift > top + OVER_THE_TOP_MM, f"lift is {{lift:g}} mm, but the setup says that it {cure}", lift=lift)
    outside = (lift < 0.0) | (lift > valve.throat_bore_mm)
    bore = f"the throat's bore of {valve.throat_bore_mm:g} mm. Check both; an opening in percent is that share of the bore."
    bands.refuse(outside, f"lift is {{lift:g}} mm, but must lie between 0 and {bore}", lift=lift)
