"""The job file: a user's whole case in one folder, in TOML."""

from __future__ import annotations

import tomllib
from collections.abc import Callable, Mapping
from dataclasses import dataclass, fields, replace
from pathlib import Path
from typing import Any, TypeVar

import numpy as np
from scipy.optimize import isotonic_regression

from needlecalc.design.history import SAME_NEEDLE_MM, History, Pass, read_history
from needlecalc.design.learn import learn
from needlecalc.design.limits import Limits
from needlecalc.design.proposal import Design
from needlecalc.design.solve import solve
from needlecalc.design.target import Target, make_target
from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.bands import Bands, make_bands, typed_bands
from needlecalc.measure.checklimits import CheckLimits
from needlecalc.measure.checks import check_engine
from needlecalc.measure.gate import Checks
from needlecalc.measure.lift import with_lift
from needlecalc.measure.liftways import LiftDoubts
from needlecalc.measure.logfile import Log, read_log
from needlecalc.measure.normalise import with_setup
from needlecalc.measure.noted import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.sweep import LeanLimits, lean_limit, typed_sweep
from needlecalc.parts.carburettor import AirValve, Carburettor
from needlecalc.parts.conditions import Air, Fuel
from needlecalc.parts.engine import Engine, VolumetricEfficiency
from needlecalc.parts.jet import Jet
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.physics.gauge import diameters_from_readings_mm, micrometer_reading_mm
from needlecalc.report.sheet import GrindSheet, grind_sheet
from needlecalc.units import PA_PER_KPA, FloatArray

SECTIONS = (
    "engine",
    "needle",
    "jet",
    "air_valve",
    "slide_valve",
    "carburettor",
    "fuel",
    "air",
    "log",
    "bands",
    "lift",
    "checks",
    "lean_limits",
    "target",
    "limits",
    "micrometer",
    "history",
)
SAME_DROP_MM = 1e-6
Part = TypeVar("Part")


@dataclass(frozen=True)
class Job:
    """A case: setup, log, and how to go about it.

    Parameters
    ----------
    name : str
        Name of the job.
    folder : Path
        Folder of the job file; its paths are relative to it.
    setup : Setup
        Engine, carburettor, fuel, air.
    settings : mapping
        Sections log, bands, lift, checks, lean_limits, target and limits as read.
    """

    name: str
    folder: Path
    setup: Setup
    settings: Mapping[str, Mapping[str, Any]]

    def read_log(self) -> Log | None:
        """The drive's log, or None where bands were typed in.

        Returns
        -------
        Log or None
            Read from the file the job names.

        Raises
        ------
        InputError
            If the section names no file, has a key that is not known, or the file cannot be read as a log.

        Notes
        -----
        Keys of ``[log]``: ``file``; and where the reader asks for a decision, ``columns`` and ``units`` (tables from
        meaning to column and to unit), ``afr_stoich``, ``decimal`` and ``ambient_kpa``, as ``read_log`` takes them.
        """
        section = self.settings["log"]
        if not section:
            return None
        _only(section, {"file", "columns", "units", "afr_stoich", "decimal", "ambient_kpa"}, "log")
        if "file" not in section:
            msg = 'The job\'s [log] names no file; write file = "drive.csv".'
            raise InputError(msg)
        ambient_kpa = section.get("ambient_kpa")
        return read_log(
            self.folder / section["file"],
            columns=section.get("columns"),
            units=section.get("units"),
            afr_stoich=section.get("afr_stoich"),
            decimal=section.get("decimal"),
            ambient_pa=None if ambient_kpa is None else ambient_kpa * PA_PER_KPA,
        )

    def bands(self, log: Log | None) -> Bands:
        """Bands of the job, with lifts.

        Parameters
        ----------
        log : Log or None
            The drive; None where the job types its bands in.

        Returns
        -------
        Bands
            From the log, or as typed in.
        """
        section, lift = dict(self.settings["bands"]), dict(self.settings["lift"])
        _only(
            lift, {"lift_mm", "lift_u_mm", "calibrate", "combine", "restate", "air_valve", "depression_pa", "doubts"}, "lift"
        )
        if "doubts" in lift:
            lift["doubts"] = _built(LiftDoubts, lift["doubts"], "lift.doubts")
        if "air_valve" in lift:
            lift["lift_setup"] = self._as_read(lift.pop("air_valve"))
        if log is None:
            allowed = {"rpm", "lambda_measured", "load", "lambda_se", "air_flow_g_s", "manifold_pressure_pa"}
            _only(section, allowed, "bands")
            if "rpm" not in section or "lambda_measured" not in section:
                msg = "The job has neither a [log] file nor typed [bands] rpm and lambda_measured; give one of them."
                raise InputError(msg)
            bands = typed_bands(
                section["rpm"],
                section["lambda_measured"],
                load=section.get("load"),
                lambda_se=section.get("lambda_se", 0.01),
                air_flow_g_s=section.get("air_flow_g_s"),
                manifold_pressure_pa=section.get("manifold_pressure_pa"),
            )
        else:
            loads = section.pop("loads_kpa", None)
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
                "warm_above_degc",
                "overrun_below_pa",
                "loads_percent",
            }
            _only(section, allowed, "bands")
            loads_pa = None
            if loads is not None:
                loads_pa = {name: (low * PA_PER_KPA, high * PA_PER_KPA) for name, (low, high) in loads.items()}
            bands = make_bands(log, loads_pa=loads_pa, **section)
        return with_lift(with_setup(bands, self.setup), self.setup, **lift)

    def _as_read(self, changed: Mapping[str, Any]) -> Setup:
        """Setup under which the lifts were read: the present one but for some keys of the air valve."""
        carburettor = self.setup.carburettor
        known = {item.name: getattr(carburettor.air_valve, item.name) for item in fields(AirValve)}
        valve = _built(AirValve, {**known, **changed}, "lift.air_valve")
        return replace(self.setup, carburettor=replace(carburettor, air_valve=valve))

    def checks(self, bands: Bands) -> Checks | None:
        """Checks before the cut, from the drive and from what the job notes.

        Parameters
        ----------
        bands : Bands
            The bands, with lifts.

        Returns
        -------
        Checks or None
            Overridden where the job gives a reason; None where it has no [checks].
        """
        section = dict(self.settings["checks"])
        if not section:
            return None
        kinds: dict[str, Callable[..., Any]] = {
            "ignition": Ignition,
            "mechanical": Mechanical,
            "sensor": Sensor,
            "twins": Twins,
            "limits": CheckLimits,
        }
        _only(section, {*kinds, "gases", "needle", "override"}, "checks")
        given = {
            key: _built(kind, _table(section[key], f"checks.{key}"), f"checks.{key}")
            for key, kind in kinds.items()
            if key in section
        }
        if "gases" in section:
            if not isinstance(section["gases"], list):
                msg = "checks.gases must be a list: write [[checks.gases]], with double brackets, before each reading."
                raise InputError(msg)
            given["gases"] = [_built(GasReading, _table(one, "checks.gases"), "checks.gases") for one in section["gases"]]
        if "needle" in section:
            fitted = self.setup.carburettor.needle
            given["needle"] = _built(
                NeedleReading, _table(section["needle"], "checks.needle"), "checks.needle", needle=fitted
            )
        found = check_engine(bands, setup=self.setup, **given)
        return found.override(section["override"]) if "override" in section else found

    def lean_limits(self) -> LeanLimits | None:
        """Lean limits of the sweeps the job names.

        Returns
        -------
        LeanLimits or None
            From typed steps or from a log each; None where the job has none.
        """
        found: LeanLimits | None = None
        for name, section in self.settings["lean_limits"].items():
            where = f"lean_limits.{name}"
            keys = dict(_table(section, where))
            file = keys.pop("file", None)
            usual = {"load", "rpm", "margin"}
            known = usual | (
                {"lambda_measured", "rough"} if file is None else {"start_s", "end_s", "rough_times", "drop_share"}
            )
            _only(keys, known, where)
            needed = {"load", "rpm", "lambda_measured", "rough"} if file is None else {"load"}
            if needed - set(keys):
                msg = f"[{where}] lacks {', '.join(sorted(needed - set(keys)))}; add it, or name a file and its load."
                raise InputError(msg)
            one = typed_sweep(**keys) if file is None else lean_limit(read_log(self.folder / file), **keys)
            found = one if found is None else found.joined(one)
        return found

    def target(self, bands: Bands) -> Target:
        """Target of the job.

        Parameters
        ----------
        bands : Bands
            The bands.

        Returns
        -------
        Target
            From the job's table, CO limit, lean limits and the usual regimes.
        """
        section = dict(self.settings["target"])
        co = section.pop("idle_co_percent", None)
        return make_target(bands, lambda_by_load=section, idle_co_percent=co, lean_limits=self.lean_limits())

    def design(self, bands: Bands | None = None) -> Design:
        """The whole road: log, bands, target, design.

        Parameters
        ----------
        bands : Bands or None
            Bands already at hand; made from the job's log when not given.

        Returns
        -------
        Design
            What the job's needle should become.
        """
        bands = self.bands(self.read_log()) if bands is None else bands
        limits = _built(Limits, self.settings["limits"], "limits")
        learned = learn(self.passes(bands), self.setup) if self.history_path() else None
        return solve(self.target(bands), self.setup, limits=limits, learned=learned, checks=self.checks(bands))

    def history_path(self) -> Path | None:
        """File of the job's passes.

        Returns
        -------
        Path or None
            As [history] names it; None where the job keeps none.
        """
        section = self.settings["history"]
        _only(section, {"file"}, "history")
        if section and not isinstance(section.get("file"), str):
            msg = 'The job\'s [history] names no file; write file = "passes.json", it need not exist yet.'
            raise InputError(msg)
        return self.folder / section["file"] if section else None

    def passes(self, bands: Bands) -> History:
        """All passes of the job, the present drive last.

        Parameters
        ----------
        bands : Bands
            Bands of the present drive.

        Returns
        -------
        History
            Those kept in the job's history file, if there is one yet, and the present drive.

        Raises
        ------
        InputError
            If the present drive is one of the kept ones with another needle or jet height, or an old one.
        """
        here = Pass(self.setup.carburettor.needle, self.setup.carburettor.jet.drop_mm, bands)
        path = self.history_path()
        kept = read_history(path).passes if path is not None and path.exists() else ()
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
            # The same drive read again, with bands or lifts set otherwise: the job's own words count.
            kept = kept[:-1]
        return History((*kept, here))

    def diameters_mm(self, readings_mm: FloatArray) -> FloatArray:
        """Diameters at the stations from what the job's micrometer read there.

        Parameters
        ----------
        readings_mm : array, shape (n,) or (2, n)
            Readings; NaN where none was taken. [mm]

        Returns
        -------
        array, same shape
            The readings themselves, unless the job states anvils wide enough to read a taper too thick. [mm]
        """
        section = self._micrometer()
        width, face = float(section.get("anvil_width_mm", 0.0)), section.get("face_on_mark", "centre")
        needle = self.setup.carburettor.needle
        readings = np.asarray(readings_mm, dtype=np.float64)
        if width == 0.0 or readings.shape[-1:] != needle.stations_mm.shape:
            return readings
        stations = needle.stations_mm
        usual = micrometer_reading_mm(stations, stations, needle.diameters_mm, face_width_mm=width, face_on_mark=face)
        filled = np.where(np.isfinite(readings), readings, usual)
        # The taper error is taken from levelled readings, so that a real reversal still shows in the diameters.
        level = np.array([isotonic_regression(row, increasing=False).x for row in np.atleast_2d(filled)])
        level = level.reshape(filled.shape)
        too_thick = level - diameters_from_readings_mm(level, stations, face_width_mm=width, face_on_mark=face)
        return np.asarray(readings - too_thick)

    def sheet(self, design: Design) -> GrindSheet:
        """Grind sheet of a design, with what the job's micrometer will read.

        Parameters
        ----------
        design : Design
            The design.

        Returns
        -------
        GrindSheet
            With a column of readings where the job states an anvil width.
        """
        return grind_sheet(design, **self._micrometer())

    def _micrometer(self) -> Mapping[str, Any]:
        section = self.settings["micrometer"]
        _only(section, {"anvil_width_mm", "face_on_mark"}, "micrometer")
        return section


def read_job(path: str | Path) -> Job:
    """Job from a TOML file.

    Parameters
    ----------
    path : str or Path
        The job file; units are in its key names, paths in it are relative to its folder.

    Returns
    -------
    Job
        Parts built and checked; the log is read by the job's own methods.

    Raises
    ------
    InputError
        If a key is unknown or missing, or a part is impossible; the message names section and cure.
    """
    path = Path(path)
    try:
        with path.open("rb") as file:
            content = tomllib.load(file)
    except OSError as error:
        msg = f"{path.name}: the job file cannot be opened ({error.strerror}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        msg = f"{path.name} is not valid TOML: {error}; mend that place."
        raise LogFormatError(msg, path=str(path)) from error
    name = content.pop("name", path.stem)
    unknown = sorted(set(content) - set(SECTIONS))
    if unknown:
        msg = f"{path.name}: [{unknown[0]}] is no section of a job; they are {', '.join(SECTIONS)}."
        raise InputError(msg)
    part = {section: content.get(section, {}) for section in SECTIONS}
    for section, keys in part.items():
        if not isinstance(keys, dict):
            msg = f"{path.name}: {section} must be a section, written [{section}], with its keys below."
            raise InputError(msg)
    carburettor = _built(
        Carburettor,
        part["carburettor"],
        "carburettor",
        needle=_needle(part["needle"], path.parent),
        jet=_built(Jet, part["jet"], "jet"),
        air_valve=_valve(part["air_valve"], part["slide_valve"]),
    )
    air = dict(part["air"])
    if "altitude_m" in air and "pressure_pa" not in air:
        _only(air, {"altitude_m", "temperature_degc", "humidity"}, "air")
        built_air = Air.at_altitude(**air)
    else:
        built_air = _built(Air, air, "air")
    setup = Setup(_engine(part["engine"]), carburettor, _built(Fuel, part["fuel"], "fuel"), built_air, str(name))
    return Job(str(name), path.parent, setup, part)


def _engine(section: Mapping[str, Any]) -> Engine:
    """Engine; its volumetric efficiency may be a table of its own, [engine.volumetric_efficiency]."""
    filling = section.get("volumetric_efficiency")
    if isinstance(filling, dict):
        keys = dict(filling)
        if "manifold_pressure_kpa" in keys:
            try:
                keys["manifold_pressure_pa"] = [value * PA_PER_KPA for value in keys.pop("manifold_pressure_kpa")]
            except TypeError as error:
                msg = "[engine.volumetric_efficiency] manifold_pressure_kpa must be a row of numbers; list them in brackets."
                raise InputError(msg) from error
        section = {**section, "volumetric_efficiency": _built(VolumetricEfficiency, keys, "engine.volumetric_efficiency")}
    return _built(Engine, section, "engine")


def _valve(air_valve: Mapping[str, Any], slide_valve: Mapping[str, Any]) -> AirValve | SlideValve:
    if not slide_valve:
        return _built(AirValve, air_valve, "air_valve")
    if air_valve:
        msg = "The job has both [air_valve] and [slide_valve]; keep the one your carburettor has."
        raise InputError(msg)
    return _built(SlideValve, slide_valve, "slide_valve")


def _needle(section: Mapping[str, Any], folder: Path) -> Needle:
    if "file" in section:
        _only(section, {"file", "name", "pitch_mm", "first_station_mm"}, "needle")
        rest = {key: value for key, value in section.items() if key != "file"}
        return read_needle(folder / section["file"], **rest)
    return _built(Needle, section, "needle")


def _table(section: object, name: str) -> Mapping[str, Any]:
    if not isinstance(section, Mapping):
        msg = f"[{name}] must be a section of its own, written [{name}], with its keys below."
        raise InputError(msg)
    return section


def _only(section: Mapping[str, Any], known: set[str], name: str) -> None:
    unknown = sorted(set(section) - known)
    if unknown:
        msg = f"[{name}] has no key {unknown[0]!r}; it knows {', '.join(sorted(known))}."
        raise InputError(msg)


def _built(kind: Callable[..., Part], section: Mapping[str, Any], name: str, **given: Any) -> Part:
    """Record from a section of the same keys."""
    known = {item.name for item in fields(kind) if item.name not in given}  # type: ignore[arg-type]
    _only(section, known, name)
    try:
        return kind(**section, **given)
    except TypeError as error:
        missing = str(error).split("argument")[-1].strip(" :s")
        msg = f"[{name}] lacks {missing}; add it."
        raise InputError(msg) from error
