"""Twins, single cuts, and the records that solving, learning, comparing and ranking hand back."""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
