"""Formulas on floats and arrays: air, fuel, exhaust, air valve, annulus, gauge; no records, no files."""
