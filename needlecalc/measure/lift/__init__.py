"""Lift of each band by every estimate of it, with its uncertainty."""
