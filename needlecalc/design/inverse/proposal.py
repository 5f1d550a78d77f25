"""The design: target diameters and jet height, where to stop first, and how uncertain each figure is."""

from __future__ import annotations

import math
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import BySource
from needlecalc.design.inverse.alternatives import Alternative, Change
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS, Limits
from needlecalc.design.inverse.target import Forecast, Target
from needlecalc.design.inverse.uncertainty import LEAST_DIFFERENCE_MM, AfterCut, Trim, idle_aim, least_difference_mm
from needlecalc.design.inverse.verdict import Verdict
from needlecalc.errors import InputError
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.remark import BandName, Remark
from needlecalc.show import Shown, Table
from needlecalc.units import FloatArray

WORTH_MEASURING = 0.02  # of the uncertainty: less is not worth the trouble


class Measurement(StrEnum):
    """What could be measured before the cut."""

    MARKER = "marker"
    JET_DRIVE = "jet drive"
    LONGER_HOLDS = "longer holds"
    GAS = "gas reading"
    BORE_LENGTH = "bore length"


@dataclass(frozen=True)
class Promise:
    """What a design would be worth under some knowledge of the car; what was not solved again for is NaN."""

    lambda_u_percent: float  # uncertainty of lambda after the whole cut, root mean square over the bands
    # Distance of lambda from its target to expect after the first cut, root mean square.
    miss_percent: float = float("nan")
    first_stop_share: float = float("nan")  # how much of the metal the first stop takes


@dataclass(frozen=True)
class NextStep:
    """One measurement that could be made before the cut.

    Parameters
    ----------
    what : Measurement
        What is measured.
    now, then : Promise
        What the design is worth as it stands, and after the measurement.
    bands, left_out : tuple of BandName
        Bands it reads, and bands too lean or too rich to be driven; empty where it reads no band.
    flats : int
        Flats of the jet nut to turn, positive lowers the jet; 0 for all but a jet drive.
    amount : float
        Jet drop of the drive, or the standard uncertainty of the length read [mm]; how many times as long the holds are.

    Examples
    --------
    >>> from needlecalc import measure_next
    >>> from needlecalc.example import road
    >>> measure_next(road.design).steps[0].flats
    3
    """

    what: Measurement
    now: Promise
    then: Promise
    bands: tuple[BandName, ...] = ()
    left_out: tuple[BandName, ...] = ()
    flats: int = 0
    amount: float = float("nan")

    def gain(self) -> float:
        """Share of the variance that it takes away."""
        return 1.0 - (self.then.lambda_u_percent / self.now.lambda_u_percent) ** 2

    def helps(self) -> bool:
        """Whether it takes 2 % or more off the miss to expect after the first cut, or off the uncertainty of the design."""
        if not math.isnan(self.then.miss_percent):
            return self.then.miss_percent < (1.0 - WORTH_MEASURING) * self.now.miss_percent
        return self.then.lambda_u_percent < (1.0 - WORTH_MEASURING) * self.now.lambda_u_percent


class Stages(StrEnum):
    """How the metal comes off."""

    NOTHING = "nothing"
    AT_ONCE = "at once"
    IN_STAGES = "in stages"


@dataclass(frozen=True, eq=False)
class Stage:
    """A needle of the plan, and what it does to each band; arrays have shape (m,)."""

    needle: Needle
    expected: FloatArray  # (m,) lambda expected of each band and its 90 % interval [-]
    low: FloatArray
    high: FloatArray
    chance_rich: float  # chance that the cut makes a band too rich; one as rich without any cut is not counted [-]
    chance_fails: float  # chance that a band with a test fails it; 0 where no band has one [-]


@dataclass(frozen=True, eq=False)
class Stations:
    """How uncertain each target diameter is, and what it serves; arrays have shape (n,)."""

    # (n,) standard uncertainty each source brings to a target diameter; NaN where nothing is cut or a limit ends it [um]
    by_source: BySource
    # (n,) error of a diameter that keeps every band it serves within 1 % lambda; NaN where no band is [um]
    tolerance_um: FloatArray
    # (n,) change of idle's lambda for each um off a diameter, the jet left alone; NaN where no idle was measured [%/um]
    idle_percent_per_um: FloatArray
    supported: NDArray[np.bool_]  # (n,) stations that the data speak for

    @property
    def u_um(self) -> FloatArray:
        """Standard uncertainty of each target diameter, all sources together; NaN where it cannot be told, in um."""
        return in_squares(self.by_source) if self.by_source else np.full(self.supported.size, np.nan)

    @property
    def mostly_from(self) -> tuple[str, ...]:
        """Source that most of each uncertainty comes from; empty where it is NaN."""
        names, parts = list(self.by_source), np.array(list(self.by_source.values()))
        return tuple("" if u != u else names[int(np.argmax(parts[:, k]))].value for k, u in enumerate(self.u_um.tolist()))

    def inside(self) -> NDArray[np.bool_]:
        """Stations that the data speak for, and those between them."""
        at, known = np.arange(self.supported.size), np.flatnonzero(self.supported)
        return np.asarray((at >= known[0]) & (at <= known[-1]))


@dataclass(frozen=True, repr=False, eq=False)
class Budget(Shown):
    """Standard uncertainty that each source brings by itself; their squares add up.

    Parameters
    ----------
    stations_mm : array, shape (n,)
        Distance of each station from the shoulder. [mm]
    bands : Bands
        Bands of the last drive.
    diameter_um : mapping of Source to array, shape (n,)
        Of each final diameter; NaN where nothing is cut or a limit ends the cut. [um]
    lambda_percent : mapping of Source to array, shape (m,)
        Of lambda of each band at the final diameters, on another day than the nut is set on. [%]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.design.budget().diameter_u_um().shape
    (13,)
    """

    stations_mm: FloatArray
    bands: Bands
    diameter_um: BySource
    lambda_percent: BySource

    def __repr__(self) -> str:
        most = [max(parts, key=lambda one: np.nansum(parts[one] ** 2)) for parts in (self.diameter_um, self.lambda_percent)]
        return f"Budget: diameters mostly from {most[0]}, lambda from {most[1]}"

    def diameter_u_um(self) -> FloatArray:
        """Standard uncertainty of each final diameter, all sources together, in um, shape (n,)."""
        return in_squares(self.diameter_um)

    def lambda_u_percent(self) -> FloatArray:
        """Standard uncertainty of lambda of each band, all sources together, in %, shape (m,)."""
        return in_squares(self.lambda_percent)

    def band_table(self) -> Table:
        """Sources of lambda of each band, to be shown."""
        return self._part("bands")


def in_squares(parts: BySource) -> FloatArray:
    """Root of the sum of squares."""
    return np.asarray(np.sqrt(np.sum(np.square(list(parts.values())), axis=0)))


@dataclass(frozen=True, repr=False, eq=False)
class Design(Shown):
    """A proposed needle and jet height, with what it does to each band and how uncertain that is.

    Parameters
    ----------
    learned : Learned
        The estimate of the car, with the setup and the passes behind it.
    target : Target
        Bands and what is asked of each.
    limits : Limits
        The limits kept.
    risk : float
        Greatest chance of a rich band at the first stop. [-]
    drop_mm : float
        Jet drop to set. [mm]
    final, stop : Stage
        The needle with its target diameters, and the one to stop at first; the same where all may go at once.
    lean_margin : float
        Standard uncertainties by which the first stop stays on the lean side; 0 where all may go at once. [-]
    chance_least : float
        Chance of a rich band that no cut can avoid; 0 where it is below the accepted risk. [-]
    stations : Stations
        How uncertain each diameter is.
    verdict : Verdict
        What it is worth.
    remarks : tuple of Remark
        What to know, station by station and band by band.
    alternatives : tuple of Alternative
        One change each, solved again: active limits eased; and, where a band stays outside what is permitted, what could
        help.
    next_step : NextStep or None
        The measurement that would help most before the cut, where the first stop is held short; None elsewhere.
    checks : Checks or None
        Checks made before it; None where none were.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.design
    Design: usable, worst band 0.7 % off target
    >>> road.design.met
    True
    """

    learned: Learned
    target: Target
    limits: Limits
    risk: float
    drop_mm: float
    final: Stage
    stop: Stage
    lean_margin: float
    chance_least: float
    stations: Stations
    verdict: Verdict
    remarks: tuple[Remark, ...] = ()
    alternatives: tuple[Alternative, ...] = ()
    next_step: NextStep | None = None
    checks: Checks | None = None

    def __repr__(self) -> str:
        return f"Design: {self.verdict.kind}, worst band {100.0 * self.verdict.worst:.1f} % off target"

    @property
    def setup(self) -> Setup:
        """Setup of the last drive, with the needle and jet height now on the car."""
        return self.learned.setup

    @property
    def needle(self) -> Needle:
        """The needle with its target diameters."""
        return self.final.needle

    @property
    def met(self) -> bool:
        """Whether every band ends inside what is permitted."""
        return self.verdict.met

    def present(self) -> Needle:
        """Needle now fitted, as the setup has it."""
        return self.setup.carburettor.needle

    def remove_um(self) -> FloatArray:
        """Metal to take off each diameter, all stages together, in um, shape (n,)."""
        return np.asarray(1e3 * (self.present().diameters_mm - self.needle.diameters_mm))

    def least_difference_mm(self) -> float:
        """Difference between two diameters that hand and micrometer can tell, in mm."""
        return least_difference_mm(self.learned.doubts)

    def stop_mm(self) -> FloatArray:
        """Diameters to file to first, as they can be filed, in mm, shape (n,).

        Those of the first stop; but where that is nearer than hand and micrometer can tell, and another cut follows, the
        present ones, unless nothing at all were filed then that a file can take.
        """
        present, stop = self.present().diameters_mm, self.stop.needle.diameters_mm
        if self.limits.new_blank:
            return stop
        near = (present - stop < self.least_difference_mm()) & (stop > self.needle.diameters_mm)
        # What is left must not stand out over a station before it that is filed.
        before = np.concatenate([[np.inf], np.minimum.accumulate(stop)[:-1]])
        told = np.where(near & (present <= before), present, stop)
        return told if (told < present).any() or not (present - stop > LEAST_DIFFERENCE_MM).any() else stop

    def stages(self) -> Stages:
        """How the metal comes off."""
        if not self.remove_um().any():
            return Stages.NOTHING
        return Stages.AT_ONCE if self.lean_margin == 0.0 else Stages.IN_STAGES

    def forecast(self, stage: Stage | None = None) -> Forecast | None:
        """Lambda and CO at idle against the limit of the test, at the final diameters or another stage."""
        at = stage or self.final
        return self.target.forecast(at.expected, at.low, at.high)

    def next_stage(self) -> Stage:
        """The needle of the drive that follows: that of the first stop where the metal comes off in stages."""
        return self.stop if self.stages() is Stages.IN_STAGES else self.final

    def active_limits(self) -> tuple[Alternative, ...]:
        """Limits that are active and worth easing, with what each eased a little would bring."""
        return tuple(one for one in self.alternatives if one.kind is Change.LIMIT)

    def ways_out(self) -> tuple[Alternative, ...]:
        """What could help where a band stays outside what is permitted."""
        return tuple(one for one in self.alternatives if one.kind is not Change.LIMIT)

    def flats(self) -> float:
        """Flats of the jet nut to turn; positive lowers the jet."""
        jet = self.setup.carburettor.jet
        return (self.drop_mm - jet.drop_mm) / jet.flat_mm

    def turns(self) -> bool:
        """Whether the jet nut is to be turned by as much as a hand sets."""
        return abs(self.flats()) >= LEAST_TURN_FLATS

    def idle_to(self) -> float | None:
        """Lambda the meter is to show when the nut trims idle after the cut; None where the nut trims nothing.

        Its target, but where idle gives way to other bands.
        """
        return idle_aim(self.learned, self.target, self.final.expected)

    def after_cut(self) -> AfterCut:
        """ln(lambda) of each band at the final diameters, straight in all that errs."""
        return self._after(self.final)

    def _after(self, stage: Stage) -> AfterCut:
        filed = stage.needle.diameters_mm
        return AfterCut.of(self.learned, self.target, filed, filed != self.present().diameters_mm, self.drop_mm)

    def budget(self) -> Budget:
        """What each source of uncertainty contributes to each final diameter and to lambda of each band.

        Raises
        ------
        InputError
            If the design was stored by an older version, which did not keep it.

        Examples
        --------
        >>> from needlecalc.example import road
        >>> road.design.budget()
        Budget: diameters mostly from fuel temperature, lambda from fuel temperature
        """
        if not self.stations.by_source:
            msg = "This design was stored by an older version, without its uncertainties; run the design again."
            raise InputError(msg)
        percent = {source: 100.0 * u for source, u in self.after_cut().by_source().items()}
        return Budget(self.needle.stations_mm, self.target.bands, self.stations.by_source, percent)

    def trim(self) -> Trim | None:
        """How the nut is set after the next cut; None where it trims nothing."""
        aim = self.idle_to()
        return None if aim is None else self._after(self.next_stage()).trim(aim)

    def band_table(self) -> Table:
        """Bands before and after, to be shown."""
        return self._part("bands")
