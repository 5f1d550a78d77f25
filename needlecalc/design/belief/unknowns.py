"""Order of all that is not known of a car, so that it can stand in one vector."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from needlecalc.units import FloatArray

JET_LENGTH_MM = (0.2, 15.0)  # what a jet may have
# Gains, jet length in mm and viscosity over that stated as logarithms; the offset of the needle over the gap squared.
SHARED = ("flow gain", "jet length", "viscosity", "meter gain", "eccentricity", "lift zero", "lift scale")
LOGARITHMS = 4  # of these, the first
TOMORROW = -1


class Source(StrEnum):
    """What makes an estimate uncertain; each errs by itself."""

    LAMBDA = "lambda"
    LIFT = "lift"
    FLOW_GAIN = "flow gain"
    JET_LENGTH = "jet length"
    VISCOSITY = "viscosity"
    METER_GAIN = "meter gain"
    ECCENTRICITY = "eccentricity"
    LIFT_ZERO = "lift zero"
    LIFT_SCALE = "lift scale"
    FUEL_TEMPERATURE = "fuel temperature"
    TABLE = "needle table"
    MICROMETER = "micrometer"
    METER_ZERO = "meter zero"
    HAND = "hand"
    NUT = "nut"


BySource = Mapping[Source, FloatArray]  # what each brings


@dataclass(frozen=True)
class Unknowns:
    """Where each unknown stands in a vector of all: level and lift of the bands, what the whole car shares, each day.

    What is joined later, a needle or a meter's zero, goes to the end.
    """

    bands: int
    needles: int  # distinct ones
    stations: int
    computed: int = 0  # different lifts that were computed, and err alike
    days: int = 1  # of the drives, and one to come

    def level(self) -> slice:
        """ln(lambda) of each band on the first needle."""
        return slice(0, self.bands)

    def lift(self) -> slice:
        """Lift of each band, in mm."""
        return slice(self.bands, 2 * self.bands)

    def own_gain(self) -> slice:
        """Ln of the flow gain of each band over the one all share: the law errs otherwise at each."""
        return slice(2 * self.bands, 3 * self.bands)

    def shared(self, name: str) -> int:
        """One of ``SHARED``."""
        return 3 * self.bands + SHARED.index(name)

    def car(self) -> slice:
        """All of ``SHARED``."""
        return slice(3 * self.bands, 3 * self.bands + len(SHARED))

    def alike(self) -> slice:
        """The error that computed lifts share: a fresh part, of unit variance, at each different lift."""
        return slice(self.car().stop, self.car().stop + self.computed)

    def day(self, number: int = TOMORROW) -> int:
        """ln(viscosity) of the fuel on one day's drive over that on a usual day; of a day to come, if not said."""
        return int(self.alike().stop) + number % self.days

    def needle(self, number: int) -> slice:
        """Measured less true diameter of each station of a needle, numbered from 0, in mm."""
        start = self.alike().stop + self.days + number * self.stations
        return slice(start, start + self.stations)

    def sources(self) -> list[Source]:
        """What each unknown is before any pass: the reading it is known by, or a source of its own."""
        own = [Source(name) for name in SHARED]
        each = [source for source in (Source.LAMBDA, Source.LIFT, Source.FLOW_GAIN) for _ in range(self.bands)]
        needles = [Source.TABLE] * self.stations + [Source.MICROMETER] * (self.needles - 1) * self.stations
        return [*each, *own, *[Source.LIFT] * self.computed, *[Source.FUEL_TEMPERATURE] * self.days, *needles]

    def size(self) -> int:
        """Number of unknowns."""
        return int(self.needle(self.needles).start)

    def possible(self) -> tuple[FloatArray, FloatArray]:
        """Least and greatest value that each unknown can have."""
        low, high = np.full(self.size(), -np.inf), np.full(self.size(), np.inf)
        low[self.shared("jet length")], high[self.shared("jet length")] = np.log(JET_LENGTH_MM)
        low[self.shared("eccentricity")], high[self.shared("eccentricity")] = 0.0, 1.0
        return low, high
