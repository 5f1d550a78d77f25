"""Readings of a needle at the bench, lifts of other parts, and the fuel past a needle."""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
