"""Plots, sheets and pages: arranges, computes nothing new."""
