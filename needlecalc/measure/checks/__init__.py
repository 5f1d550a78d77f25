"""What was looked at before a cut, the limits it is held to, and what is found."""

from needlecalc.public import face

__all__, __getattr__, __dir__ = face(__name__, __file__)
