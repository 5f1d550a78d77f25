"""What lies on the bench, as frozen records: needle, jet, carburettor, engine, fuel, air; and the fuel past their needle."""

from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.measured import measured_needle, read_readings
from needlecalc.parts.carburettor import Jet
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.slide import SlideValve
from needlecalc.parts.carburettor import AirValve, Carburettor, lift_after_change
from needlecalc.parts.engine import Engine, VolumetricEfficiency
from needlecalc.parts.setup import Setup
from needlecalc.parts.setup import FlowParameters, fuel_flow, fuel_flow_and_slopes

__all__ = [
    "Needle",
    "read_needle",
    "measured_needle",
    "read_readings",
    "Jet",
    "Air",
    "Fuel",
    "SlideValve",
    "AirValve",
    "Carburettor",
    "lift_after_change",
    "Engine",
    "VolumetricEfficiency",
    "Setup",
    "FlowParameters",
    "fuel_flow",
    "fuel_flow_and_slopes",
]
