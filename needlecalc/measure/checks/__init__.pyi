"""What was looked at before a cut, the limits it is held to, and what is found."""

from needlecalc.measure.checks.check import Check as Check
from needlecalc.measure.checks.check import Checks as Checks
from needlecalc.measure.checks.gas import SensorZero as SensorZero
from needlecalc.measure.checks.gas import sensor_zero as sensor_zero
from needlecalc.measure.checks.inspection import GasReading as GasReading
from needlecalc.measure.checks.inspection import Ignition as Ignition
from needlecalc.measure.checks.inspection import Mechanical as Mechanical
from needlecalc.measure.checks.inspection import NeedleReading as NeedleReading
from needlecalc.measure.checks.inspection import Sensor as Sensor
from needlecalc.measure.checks.inspection import Twins as Twins
from needlecalc.measure.checks.limits import CheckLimits as CheckLimits
from needlecalc.measure.checks.plausible import LeakSign as LeakSign
from needlecalc.measure.checks.plausible import leak_sign as leak_sign
