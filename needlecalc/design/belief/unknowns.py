"""Order of all that is not known of a car, so that it can stand in one vector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.units import FloatArray

SHORTEST_JET_MM = 0.2  # the least a jet may have
SHARED = ("flow gain", "jet length", "viscosity", "eccentricity", "lift zero", "lift scale")


@dataclass(frozen=True)
class Unknowns:
    """Where each unknown stands in a vector of all: level and lift of the bands, then what the whole car shares.

    What is joined later, a needle or a meter's zero, goes to the end.
    """

    bands: int
    needles: int  # distinct ones
    stations: int
    computed: int = 0  # different lifts that were computed, and err alike

    def level(self) -> slice:
        """ln(lambda) of each band on the first needle."""
        return slice(0, self.bands)

    def lift(self) -> slice:
        """Lift of each band, in mm."""
        return slice(self.bands, 2 * self.bands)

    def shared(self, name: str) -> int:
        """One of ``SHARED``."""
        return 2 * self.bands + SHARED.index(name)

    def car(self) -> slice:
        """All of ``SHARED``."""
        return slice(2 * self.bands, 2 * self.bands + len(SHARED))

    def alike(self) -> slice:
        """The error that computed lifts share: a fresh part, of unit variance, at each different lift."""
        return slice(self.car().stop, self.car().stop + self.computed)

    def needle(self, number: int) -> slice:
        """Measured less true diameter of each station of a needle, numbered from 0, in mm."""
        start = self.alike().stop + number * self.stations
        return slice(start, start + self.stations)

    def size(self) -> int:
        """Number of unknowns."""
        return int(self.needle(self.needles).start)

    def possible(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest value that each unknown can have."""
        low, high = np.full(self.size(), -np.inf), np.full(self.size(), np.inf)
        low[self.shared("jet length")] = SHORTEST_JET_MM
        low[self.shared("eccentricity")], high[self.shared("eccentricity")] = -1.0, 1.0
        return low, high
