"""Re-profile the metering needle of a constant-depression carburettor from a measured lambda log.

The road: ``read_log``, ``make_bands``, ``with_lift``, ``check_engine``, ``make_target``, ``solve``, ``grind_sheet``.
The rest stands in ``needlecalc.physics`` (formulas), ``needlecalc.parts`` (records) and ``needlecalc.checks``.
"""

from functools import cache
from importlib import import_module
from inspect import signature
from typing import TYPE_CHECKING, Any

from needlecalc.kinds import checked, words_of
from needlecalc.version import __version__ as __version__

# Every public name by the room it comes from; each room is imported at the first use of a name.
_ROOMS = {
    "errors": "InputError LogFormatError NeedleCalcError SolveError",
    "parts.needle": "Needle read_needle",
    "parts.measured": "measured_needle read_readings",
    "parts.slide": "SlideValve",
    "parts.carburettor": "Jet AirValve Carburettor lift_after_change",
    "parts.engine": "Engine VolumetricEfficiency Air Fuel",
    "parts.setup": "Setup fuel_flow",
    "measure.log.file": "Log read_log",
    "measure.drive.lag": "Lag find_lag lag_from_pipe",
    "measure.drive.bands": "Bands",
    "measure.drive.make": "make_bands typed_bands",
    "measure.lift.estimates": "LiftDoubts",
    "measure.lift.withlift": "lift_change restate_lift with_lift",
    "measure.lift.agreement": "LiftAgreement lift_agreement",
    "measure.drive.merge": "Normalisation normalise_bands with_setup merge_bands",
    "measure.drive.sweep": "LeanLimits lean_limit typed_sweep",
    "measure.checks.sensorzero": "SensorZero sensor_zero",
    "measure.checks.inspection": "GasReading Ignition Mechanical NeedleReading Sensor Twins",
    "measure.checks.limits": "CheckLimits",
    "measure.checks.check": "Check Checks",
    "measure.checks.leaksign": "LeakSign leak_sign",
    "measure.checks.engine": "check_engine",
    "design.forward.predict": "Comparison PairCheck both_banks compare pair_check predict_lambda",
    "design.forward.metering": "Metering metering",
    "design.inverse.target": "Target",
    "design.inverse.maketarget": "make_target",
    "design.inverse.limits": "Limits blended own_cut",
    "design.inverse.alternatives": "Alternative",
    "design.belief.doubts": "Doubts",
    "design.belief.history": "History Pass read_history",
    "design.belief.learn": "learn",
    "design.belief.learned": "Learned",
    "design.belief.calibration": "JetShift jet_shift with_jet_drive",
    "design.inverse.proposal": "Design NextStep",
    "design.inverse.nextstep": "NextSteps measure_next",
    "design.inverse.solve": "solve",
    "design.after.progress": "Progress judge_cut",
    "design.after.rescue": "Rescue rescue",
    "design.after.outcome": "Outcome compare_pass",
    "design.after.altitude": "AltitudeOutlook at_altitude",
    "design.after.rank": "RankedNeedle Ranking rank",
    "report.plot": "plot_areas plot_comparison plot_lambda plot_metering plot_profile plot_sensitivity",
    "report.document": "Paper",
    "report.sheet": "GrindSheet grind_sheet",
    "report.pages": "write_pdf write_profile_png",
    "job": "Job",
    "jobfile": "read_job",
    "designfile": "read_design",
}
__all__ = [name for names in _ROOMS.values() for name in names.split()]
_HOME = {name: room for room, names in _ROOMS.items() for name in names.split()}
_HOME |= {"physics": "", "parts": "", "checks": "measure."}  # rooms themselves


def __getattr__(name: str) -> Any:
    if name not in _HOME:
        msg = f"module {__name__!r} has no attribute {name!r}"
        raise AttributeError(msg)
    home = _HOME[name]
    room = import_module(f"needlecalc.{home}" if name in __all__ else f"needlecalc.{home}{name}")
    value = checked(getattr(room, name), _makers) if name in __all__ else room
    globals()[name] = value  # found at once the next time
    if name in __all__:
        for record in words_of(value) & set(__all__) - globals().keys():
            __getattr__(record)  # what one gets by it is held too
    return value


@cache
def _makers(record: str) -> list[str]:
    """Public functions that hand back such a record; the record itself where there is none."""
    functions = [name for name in __all__ if name[0].islower()]
    found = [name for name in functions if signature(__getattr__(name)).return_annotation == record]
    return found or [record] * (record in __all__)


def __dir__() -> list[str]:
    return sorted(_HOME)


if TYPE_CHECKING:  # the same for editors and type checkers
    # fmt: off
    from needlecalc import physics as physics
    from needlecalc import parts as parts
    from needlecalc.measure import checks as checks
    from needlecalc.errors import (
        InputError as InputError, LogFormatError as LogFormatError, NeedleCalcError as NeedleCalcError,
        SolveError as SolveError,
    )
    from needlecalc.parts.needle import Needle as Needle, read_needle as read_needle
    from needlecalc.parts.measured import measured_needle as measured_needle, read_readings as read_readings
    from needlecalc.parts.slide import SlideValve as SlideValve
    from needlecalc.parts.carburettor import (
        Jet as Jet, AirValve as AirValve, Carburettor as Carburettor, lift_after_change as lift_after_change,
    )
    from needlecalc.parts.engine import (
        Engine as Engine, VolumetricEfficiency as VolumetricEfficiency, Air as Air, Fuel as Fuel,
    )
    from needlecalc.parts.setup import Setup as Setup, fuel_flow as fuel_flow
    from needlecalc.measure.log.file import Log as Log, read_log as read_log
    from needlecalc.measure.drive.lag import Lag as Lag, find_lag as find_lag, lag_from_pipe as lag_from_pipe
    from needlecalc.measure.drive.bands import Bands as Bands
    from needlecalc.measure.drive.make import make_bands as make_bands, typed_bands as typed_bands
    from needlecalc.measure.lift.estimates import LiftDoubts as LiftDoubts
    from needlecalc.measure.lift.withlift import (
        lift_change as lift_change, restate_lift as restate_lift, with_lift as with_lift,
    )
    from needlecalc.measure.lift.agreement import LiftAgreement as LiftAgreement, lift_agreement as lift_agreement
    from needlecalc.measure.drive.merge import (
        Normalisation as Normalisation, normalise_bands as normalise_bands, with_setup as with_setup,
        merge_bands as merge_bands,
    )
    from needlecalc.measure.drive.sweep import (
        LeanLimits as LeanLimits, lean_limit as lean_limit, typed_sweep as typed_sweep,
    )
    from needlecalc.measure.checks.sensorzero import SensorZero as SensorZero, sensor_zero as sensor_zero
    from needlecalc.measure.checks.inspection import (
        GasReading as GasReading, Ignition as Ignition, Mechanical as Mechanical, NeedleReading as NeedleReading,
        Sensor as Sensor, Twins as Twins,
    )
    from needlecalc.measure.checks.limits import CheckLimits as CheckLimits
    from needlecalc.measure.checks.check import Check as Check, Checks as Checks
    from needlecalc.measure.checks.leaksign import LeakSign as LeakSign, leak_sign as leak_sign
    from needlecalc.measure.checks.engine import check_engine as check_engine
    from needlecalc.design.forward.predict import (
        Comparison as Comparison, PairCheck as PairCheck, both_banks as both_banks, compare as compare,
        pair_check as pair_check, predict_lambda as predict_lambda,
    )
    from needlecalc.design.forward.metering import Metering as Metering, metering as metering
    from needlecalc.design.inverse.target import Target as Target
    from needlecalc.design.inverse.maketarget import make_target as make_target
    from needlecalc.design.inverse.limits import Limits as Limits, blended as blended, own_cut as own_cut
    from needlecalc.design.inverse.alternatives import Alternative as Alternative
    from needlecalc.design.belief.doubts import Doubts as Doubts
    from needlecalc.design.belief.history import History as History, Pass as Pass, read_history as read_history
    from needlecalc.design.belief.learn import learn as learn
    from needlecalc.design.belief.learned import Learned as Learned
    from needlecalc.design.belief.calibration import (
        JetShift as JetShift, jet_shift as jet_shift, with_jet_drive as with_jet_drive,
    )
    from needlecalc.design.inverse.proposal import Design as Design, NextStep as NextStep
    from needlecalc.design.inverse.nextstep import NextSteps as NextSteps, measure_next as measure_next
    from needlecalc.design.inverse.solve import solve as solve
    from needlecalc.design.after.progress import Progress as Progress, judge_cut as judge_cut
    from needlecalc.design.after.rescue import Rescue as Rescue, rescue as rescue
    from needlecalc.design.after.outcome import Outcome as Outcome, compare_pass as compare_pass
    from needlecalc.design.after.altitude import AltitudeOutlook as AltitudeOutlook, at_altitude as at_altitude
    from needlecalc.design.after.rank import RankedNeedle as RankedNeedle, Ranking as Ranking, rank as rank
    from needlecalc.report.plot import (
        plot_areas as plot_areas, plot_comparison as plot_comparison, plot_lambda as plot_lambda,
        plot_metering as plot_metering, plot_profile as plot_profile, plot_sensitivity as plot_sensitivity,
    )
    from needlecalc.report.document import Paper as Paper
    from needlecalc.report.sheet import GrindSheet as GrindSheet, grind_sheet as grind_sheet
    from needlecalc.report.pages import write_pdf as write_pdf, write_profile_png as write_profile_png
    from needlecalc.job import Job as Job
    from needlecalc.jobfile import read_job as read_job
    from needlecalc.designfile import read_design as read_design
    # fmt: on
