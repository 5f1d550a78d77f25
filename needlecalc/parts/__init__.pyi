"""Readings of a needle at the bench, lifts of other parts, and the fuel past a needle."""

from needlecalc.parts.measured import measured_needle as measured_needle
from needlecalc.parts.measured import read_readings as read_readings
from needlecalc.parts.needles import NeedleTables as NeedleTables
from needlecalc.parts.setup import FlowParameters as FlowParameters
from needlecalc.parts.setup import fuel_flow as fuel_flow
from needlecalc.parts.setup import fuel_flow_and_slopes as fuel_flow_and_slopes
