"""What the sections of a job say of the drive and of the engine: log, bands, lifts, gas readings, lean limits."""

from __future__ import annotations

import json
import re
from collections.abc import Mapping, Sequence
from functools import reduce
from inspect import signature
from pathlib import Path
from typing import Any, NamedTuple

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.belief.history import SAME_NEEDLE_MM, History, Pass
from needlecalc.design.forward.predict import both_banks
from needlecalc.design.inverse.maketarget import REGIMES
from needlecalc.echo import LONGEST_VALUE, plain, shown
from needlecalc.errors import InputError
from needlecalc.jobkinds import built, file_in, named, nearest, only
from needlecalc.measure.checks.gas import MOST_RESIDUAL_O2_PERCENT, SensorZero
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.make import make_bands, typed_bands
from needlecalc.measure.drive.merge import Normalisation, merge_bands
from needlecalc.measure.drive.sweep import LeanLimits, lean_limit, typed_sweep
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.file import Log, read_log
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.engine import Air
from needlecalc.parts.setup import Setup
from needlecalc.priors import LiftDoubts
from needlecalc.units import PA_PER_KPA

SAME_DROP_MM = 1e-6
ONE_BANK = "only_bank"  # which of them a sheet is for, chosen when all are there


class OtherDrive(NamedTuple):
    """A further drive of a job: its log, its bands brought to the job's air and fuel, and its bank."""

    log: Log
    brought: Normalisation
    bank: str


def log_of(section: Mapping[str, Any], folder: Path, name: str, ambient_pa: float | None) -> Log:
    """Log that a section names."""
    path = file_in(folder, section, name)
    given = {key: section[key] for key in signature(read_log).parameters if key in section}
    return built(read_log, {"ambient_pa": ambient_pa, **given}, name, source=path)


def air_of(section: Mapping[str, Any], name: str = "air") -> Air:
    """Air of a day; a height stands for the pressure there."""
    if "altitude_m" not in section or "pressure_pa" in section:
        return built(Air, section, name)
    with named(name):
        check_range(section["altitude_m"], "altitude_m", -500.0, 6000.0, cure="It is in metres above sea level.")
    return built(Air.at_altitude, section, name)


def bands_of(section: Mapping[str, Any], log: Log | None) -> Bands:
    """Bands that [bands] asks for, before lifts."""
    if log is None:
        only(section, {*signature(typed_bands).parameters, ONE_BANK} - {"lift_mm", "lift_u_mm"}, "bands")
        if "rpm" not in section or "lambda_measured" not in section:
            msg = "The job has neither a [log] file nor typed [bands] rpm and lambda_measured; give one of them."
            raise InputError(msg)
        return built(typed_bands, section, "bands", beside={ONE_BANK})
    if "rpm" in section:
        msg = "The job types its [bands] in and names a [log] too; keep the one that counts."
        raise InputError(msg)
    loads = {load: _pressures(load, ends) for load, ends in section.get("loads_kpa", {}).items()}
    return built(make_bands, section, "bands", beside={ONE_BANK, "loads_kpa"}, log=log, loads_pa=loads or None)


def _pressures(load: str, ends: Any) -> tuple[float, float]:
    """Manifold pressures in Pa of a load, from and to."""
    where = f"[bands] loads_kpa {plain(load, LONGEST_VALUE)}"
    if not isinstance(ends, list) or len(ends) != 2 or not ends[0] < ends[1]:
        msg = f"{where} is {shown(ends)}, but must be two pressures in kPa, the lower first, written [40, 70]."
        raise InputError(msg)
    low, high = (PA_PER_KPA * check_range(end, where, 0.0, 300.0, cure="It is in kPa.") for end in ends)
    return low, high


def lifted(bands: Bands, lift: Mapping[str, Any], setup: Setup, doubts: LiftDoubts) -> Bands:
    """Bands with lifts, as [lift] says; read under another air valve where it says so."""
    read_under = None
    if "air_valve" in lift:
        as_read = {**vars(setup.carburettor.air_valve), **lift["air_valve"]}
        read_under = setup.with_parts(air_valve=built(AirValve, as_read, "lift.air_valve"))
    given: dict[str, Any] = {"bands": bands.having(setup=setup), "setup": setup, "lift_setup": read_under, "doubts": doubts}
    return built(with_lift, lift, "lift", beside={"air_valve"}, **given)


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


def of_bank(bands: Bands, bank: str) -> Bands:
    """The bands of one bank alone."""
    chosen = [band for band, name in enumerate(bands.bank) if name == bank]
    if not chosen:
        there = ", ".join(dict.fromkeys(filter(None, bands.bank)))
        rule = f"the banks are: {there}. Name one of them." if there else "no band names a bank; leave only_bank out."
        msg = f"[bands] only_bank is {shown(bank)}, but {rule}"
        raise InputError(msg)
    return bands.only(chosen)


def idle_gas(gases: Sequence[GasReading], zero: SensorZero | None, limits: CheckLimits) -> dict[str, float | None]:
    """What the gas readings at idle say of the target there: oxygen left over, hydrocarbons and the limits of the test."""
    found: dict[str, float | None] = {}
    air_told = zero is not None and not any(one.numbers["at"] == "idle" for one in zero.left_out)
    for gas in gases:
        if gas.at != "idle":
            continue
        if gas.o2_percent is not None and air_told:
            found.setdefault("idle_o2_percent", min(gas.o2_percent, MOST_RESIDUAL_O2_PERCENT))
        if gas.hc_ppm is not None:
            found.setdefault("idle_hc_ppm", gas.hexane_ppm())
            found.setdefault("idle_hc_limit_ppm", gas.hexane_limit_ppm() or limits.misfire_hc_ppm[0])
        if gas.co_limit_percent is not None:
            found.setdefault("idle_co_percent", gas.co_limit_percent)
    return found


def lean_limits_of(sections: Mapping[str, Any], folder: Path) -> LeanLimits | None:
    """Lean limits of the sweeps that [lean_limits] names."""
    found = []
    for name, keys in sections.items():
        where = f"lean_limits.{plain(name, LONGEST_VALUE)}"
        if "file" in keys:
            log = read_log(file_in(folder, keys, where))
            found.append(built(lean_limit, keys, where, beside={"file"}, log=log))
        else:
            found.append(built(typed_sweep, keys, where, lack=", or name a file and its load"))
    return reduce(LeanLimits.joined, found) if found else None


def loads_known(bands: Bands, wanted: Mapping[str, Any]) -> None:
    """A load that is misspelt, in [bands] or in [target], gets the nearest word; others are the target's to judge."""
    there = {key.partition("@")[0] for key in wanted}
    if unknown := sorted(set(bands.load) - {*REGIMES, *there}):
        keys = [load if re.fullmatch(r"[\w-]+", load, re.ASCII) else json.dumps(plain(load)) for load in unknown]
        near, usual = "".join(nearest(load, {*REGIMES, *there}) for load in unknown), ", ".join(REGIMES)
        stated = " and ".join(f"{key} = 0.95" for key in keys)
        cure = f"write one of {usual}, or state the lambda wanted there, as {stated}.{near}"
        names, have = " and ".join(map(shown, unknown)), "has" if len(unknown) == 1 else "have"
        msg = f"[bands] load {names} {have} no lambda in [target]; {cure}"
        raise InputError(msg)
    for load in sorted(there - {*bands.load, *REGIMES}):
        near, known = nearest(load, {*bands.load, *REGIMES}), ", ".join(sorted(set(bands.load)))
        msg = f"[target] names load {shown(load)}, but the bands have {known}.{near}"
        raise InputError(msg)


def kept_before(kept: Sequence[Pass], here: Pass) -> Sequence[Pass]:
    """Kept passes before the present drive; refused where that is an old one, or one with another needle or jet height."""
    for number, one in enumerate(kept, start=1):
        if not one.same_drive(here):
            continue
        if number < len(kept):
            msg = f"The drive of the job is pass {number} of {len(kept)} kept; name log and needle of the last drive."
            raise InputError(msg)
        History((one, here))  # refuses other stations
        moved = abs(one.drop_mm - here.drop_mm) > SAME_DROP_MM
        if moved or np.abs(one.needle.diameters_mm - here.needle.diameters_mm).max() > SAME_NEEDLE_MM:
            what = "jet height" if moved else "needle"
            msg = (
                f"The drive of the job is that of pass {number}, but its {what} is another; drive again with what is "
                "fitted now and name the new log, or put the needle and jet height of that drive back."
            )
            raise InputError(msg)
        return kept[:-1]  # the same drive read again, with bands or lifts set otherwise: the job's own words count
    return kept
