"""Re-profile the metering needle of a constant-depression carburettor from a measured lambda log.

The road: ``read_log``, ``make_bands``, ``with_lift``, ``check_engine``, ``make_target``, ``solve``, ``grind_sheet``.
The rest stands in ``needlecalc.physics`` (formulas), ``parts``, ``measure``, ``checks``, ``design`` and ``report``.
"""

from needlecalc.public import face
from needlecalc.version import __version__ as __version__

__all__, __getattr__, __dir__ = face(__name__, __file__)
