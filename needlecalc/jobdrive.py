"""What a job file says of the drive and of the engine: log, bands, lifts, checks, lean limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import fields, replace
from pathlib import Path
from typing import Any

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.echo import LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError
from needlecalc.jobparts import built, named, only, path_in, table_of
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.checks.engine import check_engine
from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.make import make_bands, typed_bands
from needlecalc.measure.drive.merge import with_setup
from needlecalc.measure.drive.sweep import LeanLimits, lean_limit, typed_sweep
from needlecalc.measure.lift.estimates import LiftDoubts
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.file import Log, read_log
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.setup import Setup
from needlecalc.units import PA_PER_KPA


def log_of(section: Mapping[str, Any], folder: Path, name: str = "log", ambient_pa: float | None = None) -> Log | None:
    """Log that [log] names.

    Parameters
    ----------
    section : mapping
        Keys of [log].
    folder : Path
        Folder that its path is relative to.
    name : str
        Name of the section, for messages.
    ambient_pa : float or None
        Pressure of the air that a manifold gauge counts from, where the section states none. [Pa]

    Returns
    -------
    Log or None
        None where the job types its bands in.

    Raises
    ------
    InputError
        If the section names no file, has a key that is not known, or the file cannot be read as a log.
    """
    if not section:
        return None
    only(section, {"file", "columns", "units", "afr_stoich", "decimal", "ambient_kpa"}, name)
    if "file" not in section:
        msg = f'The job\'s [{name}] names no file; write file = "drive.csv".'
        raise InputError(msg)
    ambient_kpa = section.get("ambient_kpa")
    if ambient_kpa is not None:
        check_range(ambient_kpa, f"[{name}] ambient_kpa", 45.0, 110.0, cure="One hPa or mbar is 0.1 kPa.")
    path = path_in(folder, section["file"], f"[{name}] file")
    with named(name):
        return read_log(
            path,
            columns=section.get("columns"),
            units=section.get("units"),
            afr_stoich=section.get("afr_stoich"),
            decimal=section.get("decimal"),
            ambient_pa=ambient_pa if ambient_kpa is None else ambient_kpa * PA_PER_KPA,
        )


def bands_of(given: Mapping[str, Any], log: Log | None, name: str = "bands") -> Bands:
    """Bands that [bands] asks for, before lifts.

    Parameters
    ----------
    given : mapping
        Keys of [bands].
    log : Log or None
        The drive; None where the job types its bands in.
    name : str
        Name of the section, for messages.

    Returns
    -------
    Bands
        From the log, or as typed in.

    Raises
    ------
    InputError
        If a key is unknown, or neither a log nor typed bands are given.
    """
    section = dict(given)
    if log is None:
        allowed = {"rpm", "lambda_measured", "load", "lambda_se", "air_flow_g_s", "manifold_pressure_pa"}
        only(section, allowed, name)
        if "rpm" not in section or "lambda_measured" not in section:
            msg = "The job has neither a [log] file nor typed [bands] rpm and lambda_measured; give one of them."
            raise InputError(msg)
        with named(name):
            return typed_bands(**section)
    if "rpm" in section:
        msg = "The job types its [bands] in and names a [log] too; keep the one that counts."
        raise InputError(msg)
    allowed = {
        "rpm_edges",
        "idle_below_rpm",
        "lag_s",
        "steady_s",
        "rpm_within",
        "pressure_within_pa",
        "least_count",
        "settle_s",
        "lambda_within",
        "opening_rise",
        "throttle_within_percent",
        "warm_above_degc",
        "overrun_below_pa",
        "loads_percent",
        "loads_kpa",
    }
    only(section, allowed, "bands")
    loads = section.pop("loads_kpa", None)
    loads_pa: dict[str, tuple[float, float]] | None = None
    if loads is not None:
        loads_pa = {}
        for load, ends in loads.items():
            where = f"[bands] loads_kpa {plain(load, LONGEST_VALUE)}"
            if not isinstance(ends, list) or len(ends) != 2:
                msg = f"{where} is {shown(ends)}, but must be two pressures in kPa, written [40, 70]."
                raise InputError(msg)
            low, high = (check_range(end, where, 0.0, 300.0, cure="It is in kPa.") for end in ends)
            if low >= high:
                msg = f"{where} is {shown(ends)}, but its lower end must stand first, then the upper."
                raise InputError(msg)
            loads_pa[load] = (low * PA_PER_KPA, high * PA_PER_KPA)
    with named("bands"):
        return make_bands(log, loads_pa=loads_pa, **section)


def lifted(bands: Bands, given: Mapping[str, Any], setup: Setup) -> Bands:
    """Bands with lifts, as [lift] says.

    Parameters
    ----------
    bands : Bands
        Bands of the drive.
    given : mapping
        Keys of [lift].
    setup : Setup
        Setup of the drive.

    Returns
    -------
    Bands
        With lifts and their doubts.

    Raises
    ------
    InputError
        If a key is unknown, or a lift can be had in no way.
    """
    lift = dict(given)
    only(lift, {"lift_mm", "lift_u_mm", "calibrate", "combine", "restate", "air_valve", "depression_pa", "doubts"}, "lift")
    if "doubts" in lift:
        lift["doubts"] = built(LiftDoubts, lift["doubts"], "lift.doubts")
    if "air_valve" in lift:
        lift["lift_setup"] = _as_read(setup, lift.pop("air_valve"))
    with named("lift"):
        return with_lift(with_setup(bands, setup), setup, **lift)


def _as_read(setup: Setup, changed: Mapping[str, Any]) -> Setup:
    """Setup under which the lifts were read: the present one but for some keys of the air valve."""
    carburettor = setup.carburettor
    known = {item.name: getattr(carburettor.air_valve, item.name) for item in fields(AirValve)}
    valve = built(AirValve, {**known, **changed}, "lift.air_valve")
    return replace(setup, carburettor=replace(carburettor, air_valve=valve))


def checks_of(given_section: Mapping[str, Any], bands: Bands, setup: Setup, *, engine_stated: bool = True) -> Checks:
    """Checks before the cut, from the drive and from what [checks] notes.

    Parameters
    ----------
    given_section : mapping
        Keys of [checks].
    bands : Bands
        The bands, with lifts.
    setup : Setup
        Setup of the drive.
    engine_stated : bool
        False where the engine is an invented one, by which no leak can be judged.

    Returns
    -------
    Checks
        What the drive shows by itself is looked at with or without [checks]; overridden where the job gives a reason.
    """
    section = dict(given_section)
    kinds: dict[str, Callable[..., Any]] = {
        "ignition": Ignition,
        "mechanical": Mechanical,
        "sensor": Sensor,
        "twins": Twins,
        "limits": CheckLimits,
    }
    only(section, {*kinds, "gases", "needle", "override"}, "checks")
    given = {key: built(kind, section[key], f"checks.{key}") for key, kind in kinds.items() if key in section}
    if "gases" in section:
        given["gases"] = gases_of(section)
    if "needle" in section:
        fitted = setup.carburettor.needle
        given["needle"] = built(NeedleReading, section["needle"], "checks.needle", needle=fitted)
    found = check_engine(bands, setup=setup if engine_stated else None, **given)
    return found.override(section["override"]) if "override" in section else found


def gases_of(section: Mapping[str, Any]) -> list[GasReading]:
    """Readings of an exhaust analyser that [checks] notes.

    Parameters
    ----------
    section : mapping
        Keys of [checks].

    Returns
    -------
    list of GasReading
        One a running point; none where the job has none.

    Raises
    ------
    InputError
        If they are no list, or a reading is impossible.
    """
    given = section.get("gases", [])
    if not isinstance(given, list):
        msg = "checks.gases must be a list: write [[checks.gases]], with double brackets, before each reading."
        raise InputError(msg)
    return [built(GasReading, table_of(one, "checks.gases"), "checks.gases") for one in given]


def lean_limits_of(sections: Mapping[str, Any], folder: Path) -> LeanLimits | None:
    """Lean limits of the sweeps that [lean_limits] names.

    Parameters
    ----------
    sections : mapping
        Sweeps by name.
    folder : Path
        Folder that their paths are relative to.

    Returns
    -------
    LeanLimits or None
        From typed steps or from a log each; None where the job has none.
    """
    found: LeanLimits | None = None
    for name, keys_given in sections.items():
        where = f"lean_limits.{plain(name, LONGEST_VALUE)}"
        keys = dict(keys_given)
        file = keys.pop("file", None)
        usual = {"file", "load", "rpm", "margin"}
        known = usual | ({"lambda_measured", "rough"} if file is None else {"start_s", "end_s", "rough_times", "drop_share"})
        only(keys, known, where)
        needed = {"load", "rpm", "lambda_measured", "rough"} if file is None else {"load"}
        if needed - set(keys):
            msg = f"[{where}] lacks {', '.join(sorted(needed - set(keys)))}; add it, or name a file and its load."
            raise InputError(msg)
        log = None if file is None else read_log(path_in(folder, file, f"[{where}] file"))
        with named(where):
            one = typed_sweep(**keys) if log is None else lean_limit(log, **keys)
        found = one if found is None else found.joined(one)
    return found


def moved_drive_of(
    calibration: Mapping[str, Any],
    bands: Mapping[str, Any],
    setup: Setup,
    folder: Path,
    *,
    parts_stated: bool = True,
    ambient_pa: float | None = None,
) -> tuple[Bands, float] | None:
    """Bands of the drive with the jet moved, as [calibration] gives them.

    Parameters
    ----------
    calibration, bands : mapping
        Keys of [calibration] and of [bands].
    setup : Setup
        The setup of the first drive.
    folder : Path
        Folder that the path of its log is relative to.
    parts_stated : bool
        False where no lift can be computed, as engine or air valve are invented.
    ambient_pa : float or None
        Pressure of the air that a manifold gauge counts from, where the section states none. [Pa]

    Returns
    -------
    tuple of Bands and float, or None
        Bands, and flats of the nut, positive lowered the jet; None where the job has no [calibration].

    Raises
    ------
    InputError
        If the flats are not said, or the bands or their log cannot be read.
    """
    if not calibration:
        return None
    section = dict(calibration)
    if "flats" not in section:
        msg = "The job's [calibration] does not say how far the jet was moved; write flats = 2, positive lowers the jet."
        raise InputError(msg)
    flats = section.pop("flats")
    check_range(flats, "[calibration] flats", -24.0, 24.0, cure="Positive lowers the jet.")
    read_again = {key: section.pop(key) for key in ("lift_mm", "lift_u_mm") if key in section}
    if "rpm" in section:
        moved = bands_of(section, None, "calibration")
    else:
        moved = bands_of(bands, log_of(section, folder, "calibration", ambient_pa))
    # Lifts not read again are those of the first drive: the air sets them, not the jet.  Computed ones only tell
    # whether the bands were held at the same air flow.
    from_air = np.isfinite(moved.manifold_pressure_pa) | np.isfinite(moved.air_flow_g_s)
    if read_again or np.isfinite(moved.lift_mm).any() or (parts_stated and from_air.all()):
        moved = with_lift(with_setup(moved, setup), setup, **read_again)
    return moved, float(flats)
