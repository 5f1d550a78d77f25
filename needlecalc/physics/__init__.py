"""Formulas on floats and arrays, each with its range, source and units: air, fuel, exhaust, flow, micrometer.

Lengths are mm, areas mm2, pressures Pa, flows g/s, temperatures degC; arrays broadcast. A value outside the range
stated raises an ``InputError`` that names value, rule and cure. ``bore_flow`` is the fuel past a needle in its jet;
it and the exact ring flows (``concentric_conductance_mm4``, ``eccentric_conductance_mm4``, ``laminar_flow_g_s``) size
the leakage of any close fit.
"""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
