"""Lift of each band: typed in, logged, or computed from air flow; and whether it still holds."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.drive.typed import typed_each
from needlecalc.measure.lift.depression import band_depression_pa
from needlecalc.measure.lift.parts import NOTE, brought_over, lift_change, oil_note
from needlecalc.measure.lift.throttle import LEAST_READINGS, throttle_way
from needlecalc.measure.lift.ways import LiftDoubts, LiftWay, air_meter_way, manifold_way, read_way
from needlecalc.measure.lift.weigh import weighed_lift
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.units import FloatArray

OVER_THE_TOP_MM = 1.0  # three times what a marker is read to


def with_lift(
    bands: Bands,
    setup: Setup,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    depression_pa: ArrayLike | None = None,
    calibrate: bool = True,
    combine: bool = False,
    lift_setup: Setup | None = None,
    restate: bool = False,
    doubts: LiftDoubts | None = None,
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
        What lifts are doubted for; the usual figures when not given.

    Returns
    -------
    Bands
        Typed lifts first, then logged ones, then those from the air meter, then from manifold pressure
        and speed with the engine's volumetric efficiency, last from throttle and speed.  ``lift_u_mm`` is
        the whole doubt, ``lift_common_u_mm`` the part that the computed bands share (where none was
        computed from air flow: that of the zero of the readings).

    Raises
    ------
    InputError
        If a band's lift can be had in no way, its air flow is more than the throat passes, readings were
        taken with another spring, piston or throat, or the bands hold lifts that were weighed before; under a
        slide also if its depression can be had in no way.

    Notes
    -----
    The opening of a slide is the throttle's, so it is logged or typed, never computed.
    Readings and computed lifts meet in one linear-Gaussian update: unknown are ln of the air flow's
    scale, the readings' zero and each band's own error, each tied to nought by its doubt; it is repeated
    about the scale found.  Damper oil drags only while the piston rises: a change of it leaves steady lifts
    standing and is only noted.
    """
    doubts = doubts or LiftDoubts()
    check_range(lift_u_mm, "lift_u_mm", 0.0, 10.0, cure="It is one sigma, in mm.")
    notes = [note for note in bands.assumptions if not note.startswith(NOTE)]
    if bands.lift_setup is not None and not bands.lift_computed_alone().all():
        if changed := lift_change(bands.lift_setup, setup):
            msg = (
                f"The lifts of these bands, and with them their lambda, belong to other parts: {changed}; drive again, or, "
                "where only a figure was mended, start again from the bands as they were made."
            )
            raise InputError(msg)
        notes += oil_note(bands.lift_setup, setup)
    typed = None
    if lift_mm is not None:
        typed = typed_each(lift_mm, bands, "lift_mm")
        _inside_throat(bands, (lift_setup or setup), typed)
        if lift_setup is not None:
            typed, said = brought_over(typed, lift_setup, setup, restate=restate)
            notes += said
    reading, sensor = read_way(bands, doubts, lift_mm=typed, lift_u_mm=lift_u_mm)
    # Computed lifts of an earlier call count for nothing: the scale may have changed.
    lift, doubt = np.full(bands.rpm.size, np.nan), np.full(bands.rpm.size, np.nan)
    common, source = np.zeros(bands.rpm.size), np.full(bands.rpm.size, LiftSource.NONE)
    for way in (sensor, reading):
        here = np.isfinite(way.lift_mm)
        lift[here], doubt[here], source[here] = way.lift_mm[here], way.u_mm()[here], way.source
    read = np.isfinite(lift)
    _inside_throat(bands, setup, lift)
    from_air = np.zeros(bands.rpm.size, dtype=bool)
    slide = isinstance(setup.carburettor.air_valve, SlideValve)
    ways = [] if slide else [air_meter_way(bands, setup, doubts), manifold_way(bands, setup, doubts)]
    for way in ways:
        marked = read & np.isfinite(way.flow_g_s)
        wanted = ~np.isfinite(lift) & np.isfinite(way.flow_g_s)
        to_weigh = marked & ~from_air if combine else np.zeros_like(marked)
        if not (wanted | to_weigh).any():
            continue
        got, computed = (way.lift_mm, way.u_mm(), way.common_u_mm), way.source
        if marked.any() and (calibrate or combine):
            weighed = weighed_lift(way, setup, (reading, sensor))
            notes.append(NOTE + weighed.sentence(way, int(wanted.sum())))
            got = weighed.lift_mm, weighed.u_mm, weighed.common_u_mm
            computed |= LiftSource.SCALED
        _no_torrent(bands, way, wanted & ~np.isfinite(got[0]))
        notes += [NOTE + note for note in way.notes]
        if (top := wanted & (got[0] >= setup.carburettor.air_valve.travel_mm())).any():
            named = ", ".join(bands.name(int(band)) for band in np.flatnonzero(top))
            notes.append(f"{NOTE}air flow above what the throat passes, within its doubt; piston taken at its top: {named}")
        to_weigh &= np.isfinite(got[0])
        source[wanted] = computed
        source[to_weigh] |= way.source
        from_air |= (served := wanted | to_weigh)
        lift[served], doubt[served], common[served] = (values[served] for values in got)
    if combine and read.any() and not (from_air & read).any():
        msg = "combine needs an air flow or a manifold pressure at a band with a reading, but there is none; leave it out."
        raise InputError(msg)
    if not from_air.any():
        common[read] = np.fmax(reading.common_u_mm, np.nan_to_num(sensor.common_u_mm))[read]
    missing = ~np.isfinite(lift)
    if missing.any() and slide:
        msg = (
            f"Band {bands.name(int(np.argmax(missing)))}: its lift was neither logged nor typed, and a slide opens as far "
            "as the throttle pulls it, so air flow does not tell; log the slide's opening, or type lift_mm in."
        )
        raise InputError(msg)
    by_throttle = read & np.isfinite(bands.throttle_percent)
    if missing.any() and by_throttle.sum() >= LEAST_READINGS and np.isfinite(bands.throttle_percent[missing]).any():
        joined = replace(reading, lift_mm=np.where(read, lift, np.nan), own_u_mm=doubt, common_u_mm=np.zeros(lift.size))
        way = throttle_way(bands, setup, joined, doubts)
        lift[missing], doubt[missing], source[missing] = way.lift_mm[missing], way.u_mm()[missing], way.source
        notes += [NOTE + note for note in way.notes]
        if not from_air.any():
            common[missing] = way.common_u_mm[missing]
        missing = ~np.isfinite(lift)
    if missing.any():
        lacks = "the log holds no air flow and no manifold pressure"
        if bands.log is None:
            lacks = "no air flow and no manifold pressure is stated there"
        if np.isfinite(bands.throttle_percent).any():
            lacks += f", and throttle with speed needs {LEAST_READINGS} lifts read around it (now {int(by_throttle.sum())})"
        cure = "type lift_mm in" if bands.log is not None else "type a number in lift_mm, or state one of them"
        msg = f"Band {bands.name(int(np.argmax(missing)))}: no lift can be computed, {lacks}; {cure}."
        raise InputError(msg)
    _inside_throat(bands, setup, lift)
    return replace(
        bands,
        lift_mm=lift,
        lift_u_mm=doubt,
        lift_source=tuple(source),
        lift_common_u_mm=np.minimum(common, doubt),
        lift_setup=setup,
        depression_pa=band_depression_pa(bands, setup, lift, depression_pa),
        assumptions=tuple(dict.fromkeys(notes)),
    )


def _inside_throat(bands: Bands, setup: Setup, lift: FloatArray) -> None:
    top = setup.carburettor.air_valve.max_lift_mm
    if top is not None and (above := lift > top + OVER_THE_TOP_MM).any():
        band = int(np.argmax(above))
        msg = (
            f"Band {bands.name(band)}: lift is {lift[band]:g} mm, but the setup says that it ends at {top:g} mm "
            "(max_lift_mm); read it again, or measure the travel."
        )
        raise InputError(msg)
    outside = (lift < 0.0) | (lift > setup.carburettor.air_valve.throat_bore_mm)
    if outside.any():
        band = int(np.argmax(outside))
        msg = f"Band {bands.name(band)}: lift is {lift[band]:g} mm, but must lie within the throat's bore; check it."
        raise InputError(msg)


def _no_torrent(bands: Bands, way: LiftWay, lost: NDArray[np.bool_]) -> None:
    if lost.any():
        band = int(np.argmax(lost))
        msg = (
            f"Band {bands.name(band)}: no lift can be computed, its air flow of {way.flow_g_s[band]:.1f} g/s a "
            "carburettor is more than the throat passes at full travel; type lift_mm in, or check the parts."
        )
        raise InputError(msg)
