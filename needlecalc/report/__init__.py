"""The grind sheet as record and as files."""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
