"""The lag of a log, lifts under other parts, drives of several days brought together, and what these hand back."""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
