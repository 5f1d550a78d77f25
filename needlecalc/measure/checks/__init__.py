"""Faults before mixture: what was looked at, the checks it is held to, and what is found."""

from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.check import Check, Checks
from needlecalc.measure.checks.sensorzero import SensorZero, sensor_zero
from needlecalc.measure.checks.leaksign import LeakSign, leak_sign
from needlecalc.measure.checks.engine import check_engine

__all__ = [
    "GasReading",
    "Ignition",
    "Mechanical",
    "NeedleReading",
    "Sensor",
    "Twins",
    "CheckLimits",
    "Check",
    "Checks",
    "SensorZero",
    "sensor_zero",
    "LeakSign",
    "leak_sign",
    "check_engine",
]
