"""Formulas on floats and arrays, each with its range, source and units: air, fuel, exhaust, flow, micrometer.

Lengths are mm, areas mm2, pressures Pa, flows g/s, temperatures degC; arrays broadcast. A value outside the range
stated raises an ``InputError`` that names value, rule and cure. ``bore_flow`` is the fuel past a needle in its jet;
it and the exact ring flows (``concentric_conductance_mm4``, ``eccentric_conductance_mm4``, ``laminar_flow_g_s``) size
the leakage of any close fit.
"""

from needlecalc.physics.annulus import bore_flow, bore_flow_and_slopes
from needlecalc.physics.ring import concentric_conductance_mm4, eccentric_conductance_mm4, laminar_flow_g_s
from needlecalc.physics.airflow import air_flow_g_s, expansion_factor, leak_flow_g_s, slide_depression_pa
from needlecalc.physics.airvalve import circular_throat_area_mm2, engine_air_flow_g_s, piston_depression_pa
from needlecalc.physics.air import (
    altitude_of_pressure_m,
    humidity_ratio,
    lambda_factor_of_air,
    moist_air_density_kg_m3,
    saturation_pressure_pa,
    sea_level_pressure_pa,
    standard_atmosphere,
    station_pressure_pa,
)
from needlecalc.physics.fuel import (
    blend_atoms,
    fuel_density_kg_m3,
    fuel_viscosity_mm2_s,
    lambda_factor_of_fuel,
    slope_head_mm,
    stoichiometric_afr,
)
from needlecalc.physics.exhaust import dry_exhaust, lambda_of_co_percent
from needlecalc.physics.analyser import brettschneider_lambda, dilution, gas_lambda_uncertainty, meter_reading
from needlecalc.physics.gauge import contact_position_mm, diameter_budget, diameters_from_readings_mm, micrometer_reading_mm

__all__ = [
    "bore_flow",
    "bore_flow_and_slopes",
    "concentric_conductance_mm4",
    "eccentric_conductance_mm4",
    "laminar_flow_g_s",
    "air_flow_g_s",
    "expansion_factor",
    "leak_flow_g_s",
    "slide_depression_pa",
    "circular_throat_area_mm2",
    "engine_air_flow_g_s",
    "piston_depression_pa",
    "altitude_of_pressure_m",
    "humidity_ratio",
    "lambda_factor_of_air",
    "moist_air_density_kg_m3",
    "saturation_pressure_pa",
    "sea_level_pressure_pa",
    "standard_atmosphere",
    "station_pressure_pa",
    "blend_atoms",
    "fuel_density_kg_m3",
    "fuel_viscosity_mm2_s",
    "lambda_factor_of_fuel",
    "slope_head_mm",
    "stoichiometric_afr",
    "dry_exhaust",
    "lambda_of_co_percent",
    "brettschneider_lambda",
    "dilution",
    "gas_lambda_uncertainty",
    "meter_reading",
    "contact_position_mm",
    "diameter_budget",
    "diameters_from_readings_mm",
    "micrometer_reading_mm",
]
