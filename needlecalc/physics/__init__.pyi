"""Formulas on floats and arrays, each with its range, source and units: air, fuel, exhaust, flow, micrometer.

Lengths are mm, areas mm2, pressures Pa, flows g/s, temperatures degC; arrays broadcast. A value outside the range
stated raises an ``InputError`` that names value, rule and cure. ``bore_flow`` is the fuel past a needle in its jet;
it and the exact ring flows (``concentric_conductance_mm4``, ``eccentric_conductance_mm4``, ``laminar_flow_g_s``) size
the leakage of any close fit.
"""

from needlecalc.physics.air import humidity_ratio as humidity_ratio
from needlecalc.physics.air import lambda_factor_of_air as lambda_factor_of_air
from needlecalc.physics.air import moist_air_density_kg_m3 as moist_air_density_kg_m3
from needlecalc.physics.air import saturation_pressure_pa as saturation_pressure_pa
from needlecalc.physics.air import sea_level_pressure_pa as sea_level_pressure_pa
from needlecalc.physics.air import standard_atmosphere as standard_atmosphere
from needlecalc.physics.air import station_pressure_pa as station_pressure_pa
from needlecalc.physics.airflow import air_flow_g_s as air_flow_g_s
from needlecalc.physics.airflow import circular_throat_area_mm2 as circular_throat_area_mm2
from needlecalc.physics.airflow import engine_air_flow_g_s as engine_air_flow_g_s
from needlecalc.physics.airflow import expansion_factor as expansion_factor
from needlecalc.physics.airflow import leak_flow_g_s as leak_flow_g_s
from needlecalc.physics.airflow import piston_depression_pa as piston_depression_pa
from needlecalc.physics.airflow import slide_depression_pa as slide_depression_pa
from needlecalc.physics.annulus import bore_flow as bore_flow
from needlecalc.physics.annulus import bore_flow_and_slopes as bore_flow_and_slopes
from needlecalc.physics.annulus import concentric_conductance_mm4 as concentric_conductance_mm4
from needlecalc.physics.annulus import eccentric_conductance_mm4 as eccentric_conductance_mm4
from needlecalc.physics.annulus import laminar_flow_g_s as laminar_flow_g_s
from needlecalc.physics.exhaust import brettschneider_lambda as brettschneider_lambda
from needlecalc.physics.exhaust import dilution as dilution
from needlecalc.physics.exhaust import dry_exhaust as dry_exhaust
from needlecalc.physics.exhaust import gas_lambda_uncertainty as gas_lambda_uncertainty
from needlecalc.physics.exhaust import lambda_of_co_percent as lambda_of_co_percent
from needlecalc.physics.exhaust import meter_reading as meter_reading
from needlecalc.physics.fuel import blend_atoms as blend_atoms
from needlecalc.physics.fuel import fuel_density_kg_m3 as fuel_density_kg_m3
from needlecalc.physics.fuel import fuel_viscosity_mm2_s as fuel_viscosity_mm2_s
from needlecalc.physics.fuel import lambda_factor_of_fuel as lambda_factor_of_fuel
from needlecalc.physics.fuel import slope_head_mm as slope_head_mm
from needlecalc.physics.fuel import stoichiometric_afr as stoichiometric_afr
from needlecalc.physics.gauge import contact_position_mm as contact_position_mm
from needlecalc.physics.gauge import diameter_budget as diameter_budget
from needlecalc.physics.gauge import diameters_from_readings_mm as diameters_from_readings_mm
from needlecalc.physics.gauge import micrometer_reading_mm as micrometer_reading_mm
