"""Order of all that is not known of a car, so that it can stand in one vector."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.units import FloatArray

SHORTEST_JET_MM = 0.2  # the least a jet may have
SHARED = ("flow gain", "jet length", "viscosity", "eccentricity", "lift zero", "lift scale")


@dataclass(frozen=True)
class Unknowns:
    """Where each unknown stands in a vector of all of them: those of the whole car first, then those of the bands.

    Parameters
    ----------
    bands, needles, stations : int
        Bands, distinct needles and stations.
    knots : int
        Unknowns of the error that computed lifts share; none where all were read.
    """

    bands: int
    needles: int
    stations: int
    knots: int = 0

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

    def pattern(self) -> slice:
        """Error that computed lifts share: a fresh part at each knot.

        Returns
        -------
        slice
            Places.
        """
        return slice(len(SHARED), len(SHARED) + self.knots)

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
        start = len(SHARED) + self.knots + number * self.stations
        return slice(start, start + self.stations)

    def car(self) -> slice:
        """All that is no single band's own.

        Returns
        -------
        slice
            Places, from 0.
        """
        return slice(0, len(SHARED) + self.knots + self.needles * self.stations)

    def level(self) -> slice:
        """Logarithm of each band's lambda on the first needle.

        Returns
        -------
        slice
            Places.
        """
        start = self.car().stop
        return slice(start, start + self.bands)

    def lift(self) -> slice:
        """Lift of each band.

        Returns
        -------
        slice
            Places.
        """
        start = self.car().stop + self.bands
        return slice(start, start + self.bands)

    def own(self, unknowns: FloatArray) -> FloatArray:
        """Level and lift of each band, side by side.

        Parameters
        ----------
        unknowns : array, shape (..., k)
            All unknowns. [mixed]

        Returns
        -------
        array, shape (..., m, 2)
            The two of each band. [mixed]
        """
        return np.stack([unknowns[..., self.level()], unknowns[..., self.lift()]], axis=-1)

    def whole(self, car: FloatArray, own: FloatArray) -> FloatArray:
        """One vector of the car's unknowns and of each band's own.

        Parameters
        ----------
        car : array, shape (..., s)
            The car's. [mixed]
        own : array, shape (..., m, 2)
            Level and lift of each band. [mixed]

        Returns
        -------
        array, shape (..., k)
            All unknowns. [mixed]
        """
        return np.concatenate([car, own[..., 0], own[..., 1]], axis=-1)

    def possible(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest value each unknown of the car can have.

        Returns
        -------
        array, shape (s,)
            Least. [mixed]
        array, shape (s,)
            Greatest. [mixed]
        """
        low, high = np.full(self.car().stop, -np.inf), np.full(self.car().stop, np.inf)
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
        return int(self.car().stop) + 2 * self.bands
