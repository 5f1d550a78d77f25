"""Lift of each band, by every way, with its doubt."""
