"""Order of all that is not known of a car, so that it can stand in one vector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.units import FloatArray

SHORTEST_JET_MM = 0.2  # the least a jet may have
SHARED = ("flow gain", "jet length", "viscosity", "eccentricity", "lift zero", "lift scale")


@dataclass(frozen=True)
class Unknowns:
    """Where each unknown stands in a vector of all of them.

    Parameters
    ----------
    bands, needles, stations : int
        Bands, distinct needles and stations.
    """

    bands: int
    needles: int
    stations: int

    def shared(self, name: str) -> int:
        """Place of one of ``SHARED``.

        Parameters
        ----------
        name : str
            Which.

        Returns
        -------
        int
            Place.
        """
        return SHARED.index(name)

    def level(self) -> slice:
        """Logarithm of each band's lambda on the first needle.

        Returns
        -------
        slice
            Places.
        """
        return slice(len(SHARED), len(SHARED) + self.bands)

    def lift(self) -> slice:
        """Lift of each band.

        Returns
        -------
        slice
            Places.
        """
        return slice(len(SHARED) + self.bands, len(SHARED) + 2 * self.bands)

    def needle(self, number: int) -> slice:
        """Measured less true diameter of each station of a needle.

        Parameters
        ----------
        number : int
            Needle, from 0.

        Returns
        -------
        slice
            Places.
        """
        start = len(SHARED) + 2 * self.bands + number * self.stations
        return slice(start, start + self.stations)

    def possible(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest value each unknown can have in any car.

        Returns
        -------
        array, shape (k,)
            Least. [mixed]
        array, shape (k,)
            Greatest. [mixed]
        """
        low, high = np.full(self.size(), -np.inf), np.full(self.size(), np.inf)
        low[self.shared("jet length")] = SHORTEST_JET_MM
        low[self.shared("eccentricity")], high[self.shared("eccentricity")] = -1.0, 1.0
        return low, high

    def size(self) -> int:
        """Number of unknowns.

        Returns
        -------
        int
            All of them.
        """
        return len(SHARED) + 2 * self.bands + self.needles * self.stations
