"""What a job file says of the drive and of the engine: log, bands, lifts, checks, lean limits."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import fields, replace
from inspect import signature
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.belief.calibration import TrimReading
from needlecalc.design.forward.predict import both_banks
from needlecalc.echo import LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError
from needlecalc.jobkinds import TAKEN_BY, Part, built, named, only, path_in
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.checks.engine import check_engine
from needlecalc.measure.checks.inspection import GasReading, NeedleReading
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.make import make_bands, typed_bands
from needlecalc.measure.drive.merge import Normalisation, merge_bands, normalise_bands, with_setup
from needlecalc.measure.drive.sweep import LeanLimits, lean_limit, typed_sweep
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.file import Log, read_log
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts, LiftDoubts
from needlecalc.units import PA_PER_KPA

ONE_BANK = "only_bank"  # which of them a sheet is for, chosen when all are there


def _taken(made: Callable[..., Any]) -> set[str]:
    """Names of the arguments that a function takes."""
    return set(signature(made).parameters)


def log_of(section: Mapping[str, Any], folder: Path, name: str = "log", ambient_pa: float | None = None) -> Log | None:
    """Log that [log] names."""
    if not section:
        return None
    if "file" not in section:
        msg = f'The job\'s [{name}] names no file; write file = "drive.csv".'
        raise InputError(msg)
    path = path_in(folder, section["file"], f"[{name}] file")
    given = {key: section[key] for key in _taken(read_log) if key in section}
    with named(name):
        return read_log(path, **{"ambient_pa": ambient_pa, **given})


class OtherDrive(NamedTuple):
    """A further drive of a job: its log, its bands brought to the job's air and fuel, and its bank."""

    log: Log
    brought: Normalisation
    bank: str


def others_of(
    section: Mapping[str, Any],
    bands: Mapping[str, Any],
    lift: Mapping[str, Any],
    setup: Setup,
    folder: Path,
    doubts: LiftDoubts,
    ambient_pa: float | None = None,
) -> list[OtherDrive]:
    """Further drives that [[log.others]] names, each with the air and the fuel of its day."""
    found = []
    for given in section.get("others", []):
        keys, where = dict(given), "log.others"
        air, fuel, bank = (keys.pop(name, None) for name in ("air", "fuel", "bank"))
        own = setup
        if air is not None:
            own = replace(own, air=air_of(dict(air), f"{where}.air"))
        if fuel is not None:
            own = replace(own, fuel=built(Fuel, fuel, f"{where}.fuel"))
        log = log_of(keys, folder, where, ambient_pa if air is None else own.air.pressure_pa)
        assert log is not None, "a section that is there has a file, or was refused"
        there = lifted(bands_of(bands, log), lift, own, doubts)
        with named(where):
            brought = normalise_bands(there, air=setup.air, fuel=setup.fuel)
        found.append(OtherDrive(log, brought, bank or ""))
    return found


def together(first: Bands, bank: str, others: Sequence[OtherDrive]) -> Bands:
    """Drives of one bank merged, then the banks side by side."""
    by_bank: dict[str, list[Bands]] = {bank: [first]}
    for one in others:
        by_bank.setdefault(one.bank, []).append(one.brought.bands)
    merged = {name: drives[0] if len(drives) == 1 else merge_bands(*drives) for name, drives in by_bank.items()}
    if len(merged) == 1:
        return merged[bank].having(bank=(bank,) * merged[bank].rpm.size)
    if len(merged) > 2 or "" in merged:
        said = ", ".join(shown(name) for name in merged)
        msg = f"[log] has banks {said}; name the bank of every log, and two banks at most."
        raise InputError(msg)
    (first_name, left), (second_name, right) = merged.items()
    return both_banks(left, right, names=(first_name, second_name))


def air_of(section: dict[str, Any], name: str = "air") -> Air:
    """Air of a day; a height stands for the pressure there."""
    if "altitude_m" in section and "pressure_pa" not in section:
        only(section, {"altitude_m", "temperature_degc", "humidity"}, name)
        with named(name):
            check_range(section["altitude_m"], "altitude_m", -500.0, 6000.0, cure="It is in metres above sea level.")
            return Air.at_altitude(**section)
    return built(Air, section, name)


def bands_of(given: Mapping[str, Any], log: Log | None, name: str = "bands") -> Bands:
    """Bands that [bands] asks for, before lifts."""
    section = dict(given)
    if log is None:
        only(section, (_taken(typed_bands) - {"lift_mm", "lift_u_mm"}) | {ONE_BANK}, name)
        section.pop(ONE_BANK, None)
        if "rpm" not in section or "lambda_measured" not in section:
            msg = "The job has neither a [log] file nor typed [bands] rpm and lambda_measured; give one of them."
            raise InputError(msg)
        with named(name):
            return typed_bands(**section)
    if "rpm" in section:
        msg = "The job types its [bands] in and names a [log] too; keep the one that counts."
        raise InputError(msg)
    only(section, (_taken(make_bands) - {"log", "loads_pa"}) | {"loads_kpa", ONE_BANK}, name)
    section.pop(ONE_BANK, None)
    loads = section.pop("loads_kpa", None)
    loads_pa: dict[str, tuple[float, float]] | None = None
    if loads is not None:
        loads_pa = {}
        for load, ends in loads.items():
            where = f"[bands] loads_kpa {plain(load, LONGEST_VALUE)}"
            if not isinstance(ends, list) or len(ends) != 2 or not ends[0] < ends[1]:
                msg = f"{where} is {shown(ends)}, but must be two pressures in kPa, the lower first, written [40, 70]."
                raise InputError(msg)
            low, high = (PA_PER_KPA * check_range(end, where, 0.0, 300.0, cure="It is in kPa.") for end in ends)
            loads_pa[load] = (low, high)
    with named("bands"):
        return make_bands(log, loads_pa=loads_pa, **section)


def lifted(bands: Bands, given: Mapping[str, Any], setup: Setup, doubts: LiftDoubts) -> Bands:
    """Bands with lifts, as [lift] says."""
    lift = dict(given)
    if "air_valve" in lift:
        lift["lift_setup"] = _as_read(setup, lift.pop("air_valve"))
    with named("lift"):
        return with_lift(with_setup(bands, setup), setup, doubts=doubts, **lift)


def _as_read(setup: Setup, changed: Mapping[str, Any]) -> Setup:
    """Setup under which the lifts were read: the present one but for some keys of the air valve."""
    known = {item.name: getattr(setup.carburettor.air_valve, item.name) for item in fields(AirValve)}
    valve = built(AirValve, {**known, **changed}, "lift.air_valve")
    return setup.with_parts(air_valve=valve)


def checks_of(
    given_section: Mapping[str, Any], bands: Bands, setup: Setup, doubts: Doubts, *, engine_stated: bool = True
) -> Checks:
    """Checks before the cut, from the drive and from what [checks] notes."""
    section = dict(given_section)
    given: dict[str, Any] = {
        key: built(TAKEN_BY[f"checks.{key}"][0], section[key], f"checks.{key}")
        for key in ("ignition", "mechanical", "sensor", "twins", "limits")
        if key in section
    }
    if "gases" in section:
        given["gases"] = gases_of(section)
    if "needle" in section:
        fitted = setup.carburettor.needle
        given["needle"] = built(NeedleReading, section["needle"], "checks.needle", needle=fitted)
    found = check_engine(bands, setup=setup, engine_stated=engine_stated, doubts=doubts, **given)
    return found.override(section["override"]) if "override" in section else found


def gases_of(section: Mapping[str, Any]) -> list[GasReading]:
    """Readings of an exhaust analyser that [checks] notes."""
    return _each(GasReading, section.get("gases", []), "checks.gases")


def trims_of(section: Mapping[str, Any]) -> list[TrimReading]:
    """Turns of the nut at idle that [calibration] notes."""
    return _each(TrimReading, section.get("trims", []), "calibration.trims")


def _each(kind: Callable[..., Part], given: object, name: str) -> list[Part]:
    """Records from a list of sections."""
    if not isinstance(given, list) or not all(isinstance(one, Mapping) for one in given):
        msg = f"{name} must be a list: write [[{name}]], with double brackets, before each reading."
        raise InputError(msg)
    return [built(kind, one, name) for one in given]


def lean_limits_of(sections: Mapping[str, Any], folder: Path) -> LeanLimits | None:
    """Lean limits of the sweeps that [lean_limits] names."""
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
    doubts: LiftDoubts,
    *,
    parts_stated: bool = True,
    ambient_pa: float | None = None,
) -> tuple[Bands, float] | None:
    """Bands of the drive with the jet moved, as [calibration] gives them."""
    section = {key: value for key, value in calibration.items() if key != "trims"}
    if not section:
        return None
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
        moved = with_lift(with_setup(moved, setup), setup, doubts=doubts, **read_again)
    return moved, float(flats)
