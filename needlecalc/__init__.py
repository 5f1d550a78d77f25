"""Re-profile the metering needle of a constant-depression carburettor from a measured lambda log.

The road: ``read_log``, ``make_bands``, ``with_lift``, ``check_engine``, ``make_target``, ``solve``, ``grind_sheet``.
"""

from needlecalc.errors import InputError, LogFormatError, NeedleCalcError, NeedleCalcWarning, SolveError
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.measured import measured_needle, read_readings
from needlecalc.parts.jet import Jet
from needlecalc.parts.slide import SlideValve
from needlecalc.parts.carburettor import AirValve, Carburettor, lift_after_change
from needlecalc.parts.engine import Engine, VolumetricEfficiency
from needlecalc.parts.conditions import Air, Fuel
from needlecalc.parts.setup import Setup
from needlecalc.parts.fuelflow import fuel_flow
from needlecalc.measure.log.file import Log, read_log
from needlecalc.measure.drive.lag import Lag, find_lag, lag_from_pipe
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.gather import make_bands
from needlecalc.measure.drive.typed import typed_bands
from needlecalc.measure.lift.ways import LiftDoubts
from needlecalc.measure.lift.parts import lift_change, restate_lift
from needlecalc.measure.lift.each import with_lift
from needlecalc.measure.lift.agreement import LiftAgreement, lift_agreement
from needlecalc.measure.drive.normalise import Normalisation, normalise_bands, with_setup
from needlecalc.measure.drive.merge import merge_bands
from needlecalc.measure.drive.sweep import LeanLimits, lean_limit, typed_sweep
from needlecalc.measure.checks.sensorzero import SensorZero, sensor_zero
from needlecalc.measure.checks.noted import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.gate import Check, Checks
from needlecalc.measure.checks.leaksign import LeakSign, leak_sign
from needlecalc.measure.checks.engine import check_engine
from needlecalc.design.forward.predict import Comparison, compare, predict_lambda
from needlecalc.design.forward.metering import Metering, metering
from needlecalc.design.wish.target import Target, make_target
from needlecalc.design.inverse.limits import Limits
from needlecalc.design.inverse.blend import blended, own_cut
from needlecalc.design.inverse.twins import PairCheck, both_banks, pair_check
from needlecalc.design.inverse.binding import Binding
from needlecalc.design.inverse.options import Option
from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.belief.history import History, Pass, read_history
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.calibration import JetShift, jet_shift, with_jet_drive
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.nextstep import NextStep, NextSteps, measure_next
from needlecalc.design.inverse.solve import solve
from needlecalc.design.after.progress import Progress, judge_cut
from needlecalc.design.after.rescue import Rescue, rescue
from needlecalc.design.after.outcome import Outcome, compare_pass
from needlecalc.design.after.altitude import at_altitude
from needlecalc.design.after.places import AltitudeOutlook
from needlecalc.design.after.rank import RankedNeedle, Ranking, rank
from needlecalc.report.plot import plot_areas, plot_comparison, plot_lambda, plot_metering, plot_profile, plot_sensitivity
from needlecalc.report.sheet import GrindSheet, grind_sheet
from needlecalc.report.pages import write_pdf, write_profile_png
from needlecalc.job import Job, read_job

__all__ = [
    "NeedleCalcError",
    "InputError",
    "LogFormatError",
    "SolveError",
    "NeedleCalcWarning",
    "Needle",
    "read_needle",
    "Jet",
    "AirValve",
    "SlideValve",
    "lift_after_change",
    "Carburettor",
    "Engine",
    "VolumetricEfficiency",
    "Fuel",
    "Air",
    "Setup",
    "Log",
    "read_log",
    "Lag",
    "find_lag",
    "lag_from_pipe",
    "Bands",
    "make_bands",
    "typed_bands",
    "with_lift",
    "LiftDoubts",
    "lift_change",
    "restate_lift",
    "LiftAgreement",
    "lift_agreement",
    "with_setup",
    "Normalisation",
    "normalise_bands",
    "merge_bands",
    "LeanLimits",
    "lean_limit",
    "typed_sweep",
    "Ignition",
    "Mechanical",
    "Sensor",
    "GasReading",
    "SensorZero",
    "sensor_zero",
    "Twins",
    "NeedleReading",
    "CheckLimits",
    "Check",
    "Checks",
    "LeakSign",
    "leak_sign",
    "check_engine",
    "Target",
    "make_target",
    "Limits",
    "Binding",
    "Option",
    "own_cut",
    "blended",
    "both_banks",
    "PairCheck",
    "pair_check",
    "Doubts",
    "Pass",
    "History",
    "read_history",
    "Learned",
    "learn",
    "JetShift",
    "jet_shift",
    "with_jet_drive",
    "Design",
    "solve",
    "NextStep",
    "NextSteps",
    "measure_next",
    "AltitudeOutlook",
    "at_altitude",
    "RankedNeedle",
    "Ranking",
    "rank",
    "fuel_flow",
    "predict_lambda",
    "Comparison",
    "compare",
    "Metering",
    "metering",
    "GrindSheet",
    "grind_sheet",
    "plot_profile",
    "plot_areas",
    "plot_lambda",
    "plot_comparison",
    "plot_metering",
    "plot_sensitivity",
    "write_pdf",
    "write_profile_png",
    "measured_needle",
    "read_readings",
    "Progress",
    "judge_cut",
    "Rescue",
    "rescue",
    "Outcome",
    "compare_pass",
    "Job",
    "read_job",
]
