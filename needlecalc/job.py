"""A job: a user's whole case, from its sections to the sheet."""

from __future__ import annotations

import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import isotonic_regression

from needlecalc import jobdrive
from needlecalc.arrays import check_range
from needlecalc.design.after.altitude import AltitudeOutlook, at_altitude
from needlecalc.design.after.changes import AtHand, Changes, try_changes
from needlecalc.design.after.trip import USUAL_SLOPE_PERCENT, Route
from needlecalc.design.belief.calibration import JetShift, TrimReading, jet_shift, trim_shifts, with_trims
from needlecalc.design.belief.history import History, Pass, read_history
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.maketarget import make_target
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.solve import solve
from needlecalc.design.inverse.target import Target
from needlecalc.errors import InputError
from needlecalc.jobassumed import assumed_table, needs_parts, widened
from needlecalc.jobkinds import built, file_in, keys_taken, named, path_in
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.checks.engine import check_engine
from needlecalc.measure.checks.gas import idle_diluted, sensor_zero
from needlecalc.measure.checks.inspection import GasReading, NeedleReading
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands, DriveNote
from needlecalc.measure.drive.make import typed_bands
from needlecalc.measure.drive.merge import normalise_bands
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.measure.lift.withlift import with_lift
from needlecalc.measure.log.file import Log
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.setup import Setup
from needlecalc.physics.gauge import diameters_from_readings_mm, micrometer_reading_mm
from needlecalc.priors import Doubts, Prior
from needlecalc.remark import Remark, Severity
from needlecalc.report.card import AltitudeCard
from needlecalc.report.document import Paper
from needlecalc.report.handover import Handover, Notes
from needlecalc.report.language import spoken
from needlecalc.report.sheet import GrindSheet, grind_sheet
from needlecalc.show import Table
from needlecalc.units import FloatArray


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
        All sections as read, empty where the job has none; what they leave out is filled in.
    left_out : tuple of Prior
        What was filled in.
    converted : str
        Which keys were written in other units, and what they are; empty where none was.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.job.name
    'pass-road van (invented)'
    >>> road.job.design(road.bands, road.checks)
    Design: usable, worst band 0.7 % off target
    """

    name: str
    folder: Path
    setup: Setup
    settings: Mapping[str, Mapping[str, Any]]
    left_out: tuple[Prior, ...] = ()
    converted: str = ""

    def read_log(self) -> Log | None:
        """The drive's log, read from the file the job names; None where bands were typed in."""
        section = self.settings["log"]
        return jobdrive.log_of(section, self.folder, "log", self._ambient_pa()) if section else None

    def _ambient_pa(self) -> float | None:
        """Pressure of the air of the day, where the job states it."""
        assumed = any((prior.section, prior.key) == ("air", "pressure_pa") for prior in self.left_out)
        return None if assumed else self.setup.air.pressure_pa

    def _states(self, *sections: str) -> bool:
        """Whether nothing of these sections had to be assumed."""
        return not any(prior.section in sections for prior in self.left_out)

    def bands(self, log: Log | None) -> Bands:
        """Bands of the job with their lifts, from the log, or as typed in where there is none."""
        bands, lift = jobdrive.bands_of(self.settings["bands"], log), self.settings["lift"]
        needs_parts(bands, lift, self.left_out, slide=isinstance(self.setup.carburettor.air_valve, SlideValve))
        bands = jobdrive.lifted(bands, lift, self.setup, self.doubts().lift)
        bank, only_bank = self.settings["log"].get("bank", ""), self.settings["bands"].get(jobdrive.ONE_BANK)
        if self.other_drives or bank:
            bands = jobdrive.together(bands, bank, self.other_drives)
        return bands if only_bank is None else jobdrive.of_bank(bands, only_bank)

    @cached_property
    def other_drives(self) -> list[jobdrive.OtherDrive]:
        """Further drives that [[log.others]] names, each brought to the air and fuel of the job."""
        found, where = [], "log.others"
        for given in self.settings["log"].get("others", []):
            own, ambient_pa = self.setup, self._ambient_pa()
            if "air" in given:
                own = replace(own, air=jobdrive.air_of(given["air"], f"{where}.air"))
                ambient_pa = own.air.pressure_pa
            if "fuel" in given:
                own = replace(own, fuel=built(Fuel, given["fuel"], f"{where}.fuel"))
            log = jobdrive.log_of(given, self.folder, where, ambient_pa)
            there = jobdrive.bands_of(self.settings["bands"], log)
            there = jobdrive.lifted(there, self.settings["lift"], own, self.doubts().lift)
            with named(where):
                brought = normalise_bands(there, air=self.setup.air, fuel=self.setup.fuel)
            found.append(jobdrive.OtherDrive(log, brought, given.get("bank", "")))
        return found

    def checks(self, bands: Bands) -> Checks:
        """Checks before the cut, from the drive and from [checks]; overridden where that gives a reason."""
        section, fitted = self.settings["checks"], self.setup.carburettor.needle
        worn = built(NeedleReading, section["needle"], "checks.needle", needle=fitted) if "needle" in section else None
        given: dict[str, Any] = {"setup": self.setup, "doubts": self.doubts(), "engine_stated": self._states("engine")}
        found = built(check_engine, section, "checks", beside={"needle", "override"}, bands=bands, needle=worn, **given)
        return found.override(section["override"]) if "override" in section else found

    def _gases(self, at: str = "") -> list[GasReading]:
        """Readings of an exhaust analyser that [checks] notes, of one running point where it is named."""
        read = [built(GasReading, one, "checks.gases") for one in self.settings["checks"].get("gases", [])]
        return [gas for gas in read if at in ("", gas.at)]

    def _check_limits(self) -> CheckLimits:
        return built(CheckLimits, self.settings["checks"].get("limits", {}), "checks.limits")

    def telling(self, bands: Bands) -> Bands:
        """The bands whose lambda is that of the mixture: without idle where its exhaust holds air, which is a red check."""
        driving = [band for band, load in enumerate(bands.load) if load != "idle"]
        if len(driving) in (0, bands.rpm.size) or not idle_diluted(self._gases(), self._check_limits()):
            return bands
        left = bands.only(driving)
        return left.having(remarks=(*left.remarks, Remark(DriveNote.IDLE_DILUTED, Severity.CAUTION)))

    def lean_limits(self) -> LeanLimits | None:
        """Lean limits of the sweeps the job names; None where it has none."""
        return jobdrive.lean_limits_of(self.settings["lean_limits"], self.folder)

    def target(self, bands: Bands) -> Target:
        """Target from [target], idle test, lean limits, the usual lambda by load, and the meter's zero by gas."""
        bands, section = self.telling(bands), self.settings["target"]
        stated = {key: value for key, value in section.items() if key in keys_taken("target") and key != "*"}
        # All else in [target] is a load, or load@rpm, with its lambda or a table of lambda, rich, lean and weight.
        loads = {load: wanted for load, wanted in section.items() if load not in stated}
        jobdrive.loads_known(bands, loads)
        gases = self._gases()
        zero = sensor_zero(gases, before_u=self.doubts().sensor_offset) if gases else None
        found = jobdrive.idle_gas(gases, zero, self._check_limits())
        if "idle_lambda_least" in stated:
            found.pop("idle_co_percent", None)
        given: dict[str, Any] = {**found, **stated}  # a limit stated for the check is a limit of the test
        return make_target(bands, lambda_by_load=loads, lean_limits=self.lean_limits(), sensor_zero=zero, **given)

    def doubts(self) -> Doubts:
        """How far off each thing may be: as [doubts] states it, else the usual, wider for what was assumed."""
        return widened(self.settings["doubts"], self.left_out, self.setup)

    def assumed(self, design: Design) -> Table | None:
        """What the job does not state, the value taken for it, and what that costs; None where nothing was assumed."""
        return assumed_table(design, self.left_out, self.settings["engine"])

    def design(self, bands: Bands | None = None, checks: Checks | None = None) -> Design:
        """The whole road; bands and checks are made where they are not at hand."""
        bands = self.bands(self.read_log()) if bands is None else bands
        checks = self.checks(bands) if checks is None else checks
        return solve(self.target(bands), self.setup, limits=self.limits(), learned=self.learned(bands), checks=checks)

    def limits(self) -> Limits:
        """Limits of the design, as [limits] states them."""
        return built(Limits, self.settings["limits"], "limits")

    def learned(self, bands: Bands) -> Learned:
        """What the passes of the job teach of the car, the drive of these bands the last of them."""
        return learn(self.passes(bands), self.setup, doubts=self.doubts())

    def history_path(self) -> Path | None:
        """File of the job's passes, as [history] names it; None where the job keeps none."""
        section = self.settings["history"]
        return file_in(self.folder, section, "history", "passes.json") if section else None

    def passes(self, bands: Bands) -> History:
        """Passes kept in the job's history file and the present drive, last; before it those of [calibration].

        Refused where the present drive or [calibration] belongs to an older pass.
        """
        bands = self.telling(bands)
        here = Pass(self.setup.carburettor.needle, self.setup.carburettor.jet.drop_mm, bands)
        path = self.history_path()
        kept: Sequence[Pass] = read_history(path).passes if path is not None and os.path.exists(path) else ()
        kept = jobdrive.kept_before(kept, here)
        second, trims, today = self.jet_drive(bands), self._trims, History((here,))
        of_trims = {key for trim in trims for key in trim.known_by()}

        def beside(one: Pass) -> bool:
            return one.log_sha256 in of_trims or (second is not None and one.same_drive(second.history.passes[0]))

        while kept and beside(kept[-1]):
            kept = kept[:-1]
        for number, one in enumerate(kept, start=1):
            if beside(one):
                msg = (
                    f"What [calibration] holds is pass {number} kept, before a later drive; take [calibration] out of the "
                    "job: what it taught is kept, and it says nothing of another needle."
                )
                raise InputError(msg)
        if second is not None:
            today = second.explained()
        if trims:
            today = with_trims(today, trims, self.setup, doubts=self.doubts())
        return History((*kept, *today.passes))

    def jet_drive(self, bands: Bands) -> JetShift | None:
        """What the drive with the jet moved found; None where the job has no [calibration]."""
        moved = self._moved_drive
        return None if moved is None else jet_shift(bands, moved[0], self.setup, flats=moved[1], doubts=self.doubts())

    def trim_shifts(self, bands: Bands) -> list[JetShift]:
        """What the turns of the nut at idle found; none where [calibration] has no trims."""
        here = Pass(self.setup.carburettor.needle, self.setup.carburettor.jet.drop_mm, bands)
        return trim_shifts(here, self._trims, self.setup, doubts=self.doubts()) if self._trims else []

    @property
    def _trims(self) -> list[TrimReading]:
        """Turns of the nut at idle that [calibration] notes."""
        read = self.settings["calibration"].get("trims", [])
        return [built(TrimReading, one, "calibration.trims") for one in read]

    @cached_property
    def _moved_drive(self) -> tuple[Bands, float] | None:
        """Bands of the drive with the jet moved, and by how many flats, as [calibration] gives them."""
        section = {key: value for key, value in self.settings["calibration"].items() if key != "trims"}
        if not section:
            return None
        if "flats" not in section:
            msg = "The job's [calibration] does not say how far the jet was moved; write flats = 2, positive lowers the jet."
            raise InputError(msg)
        flats = check_range(section["flats"], "[calibration] flats", -24.0, 24.0, cure="Positive lowers the jet.")
        lifts = {key: section[key] for key in ("lift_mm", "lift_u_mm") if key in section}
        if "rpm" in section:
            moved = built(typed_bands, section, "calibration", beside={"flats", *lifts})
        else:
            log = jobdrive.log_of(section, self.folder, "calibration", self._ambient_pa())
            moved = jobdrive.bands_of(self.settings["bands"], log)
        # Lifts not read again are those of the first drive: the air sets them, not the jet.  Computed ones only tell
        # whether the bands were held at the same air flow.
        from_air = np.isfinite(moved.manifold_pressure_pa) | np.isfinite(moved.air_flow_g_s)
        if lifts or np.isfinite(moved.lift_mm).any() or (self._states("engine", "air_valve") and from_air.all()):
            moved = with_lift(moved.having(setup=self.setup), self.setup, doubts=self.doubts().lift, **lifts)
        return moved, flats

    def diameters_mm(self, readings_mm: FloatArray) -> FloatArray:
        """Diameters in mm at the stations from what the job's micrometer read there, shape (n,) or (2, n), NaN for none.

        They are the readings themselves, unless the job states anvils wide enough to read a taper too thick.
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
        """Grind sheet of a design, with what the job's micrometer will read where its anvils are stated."""
        acknowledged, paper = str(self.settings["altitude"].get("acknowledged", "")), self.paper()
        with spoken(paper.language):
            assumed = self.assumed(design)
        return grind_sheet(
            design,
            **self._micrometer(),
            altitude=self.altitude(design),
            acknowledged=acknowledged,
            jet_drive=self.jet_drive(design.target.bands),
            assumed=assumed,
            paper=paper,
            changes=self.changes(design),
        )

    def changes(self, design: Design) -> Changes | None:
        """What could be changed in place of filing, with the parts of [at_hand]; None where nothing is filed."""
        at_hand, (places, home) = built(AtHand, self.settings["at_hand"], "at_hand"), self._places()
        if at_hand.needles is not None:
            at_hand = replace(at_hand, needles=path_in(self.folder, str(at_hand.needles), "[at_hand] needles"))
        with named("at_hand"):
            return None if design.stages() is Stages.NOTHING else try_changes(design, at_hand, places=places, home=home)

    def altitude(self, design: Design, heights_m: Sequence[float] = ()) -> AltitudeOutlook | None:
        """The design at home, on the trips of the job and at other heights, in the standard atmosphere; None without any."""
        places, home = self._places(heights_m)
        return (
            at_altitude(self.setup, design.target.bands, design, places, home=home) if places or home is not None else None
        )

    def _places(self, heights_m: Sequence[float] = ()) -> tuple[dict[str, Air | float], float | None]:
        """Heights in m of the trips by name, and that of home where the job states it."""
        section = self.settings["altitude"]
        if section and "home_m" not in section:
            msg = "The job's [altitude] lacks home_m; write home_m = 350, as the needle is checked at home too."
            raise InputError(msg)
        trips = section.get("trip_m", [])
        homes = [section["home_m"]] if section else []
        for height in (*homes, *(trips := trips if isinstance(trips, list) else [trips]), *heights_m):
            check_range(height, "[altitude] height", -500.0, 6000.0, cure="It is in metres above sea level.")
        return {f"{height:g} m": height for height in (*trips, *heights_m)}, homes[0] if homes else None

    def paper(self) -> Paper:
        """What its pages are printed on."""
        return built(Paper, self.settings["paper"], "paper")

    def altitude_card(self, outlook: AltitudeOutlook, route: Route | None = None) -> AltitudeCard:
        """Altitude card of an outlook, on the job's paper."""
        slope = self.settings["altitude"].get("slope_percent", USUAL_SLOPE_PERCENT)
        return AltitudeCard(outlook, route, slope, self.paper())

    def handover(self, design: Design) -> Handover:
        """Pages for customer and tester, with the job's notes, gas at idle and limits of the test."""
        gases = self._gases("idle")
        limits = [gas.co_limit_percent for gas in gases if gas.co_limit_percent is not None]
        return Handover(
            design,
            notes=built(Notes, self.settings["handover"], "handover"),
            outlook=self.altitude(design),
            gas=gases[-1] if gases else None,
            co_limit_percent=self.settings["target"].get("idle_co_percent", limits[-1] if limits else None),
            lambda_least=self.settings["target"].get("idle_lambda_least"),
            paper=self.paper(),
        )

    def _micrometer(self) -> Mapping[str, Any]:
        section = self.settings["micrometer"]
        if "anvil_width_mm" in section:
            check_range(section["anvil_width_mm"], "[micrometer] anvil_width_mm", 0.0, 15.0, cure="It is a number in mm.")
        return section
