"""After an overcut: what the jet and the other stations can still do, or the needle kept as a rich spare."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from needlecalc.design.after.progress import Progress, judge_cut, refitted
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.alternatives import Alternative, Change, alternative
from needlecalc.design.inverse.problem import reach_mm
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.solve import solve
from needlecalc.show import Shown, Table
from needlecalc.units import FloatArray

HURT = 0.01  # of lambda, richer than target and through the overcut
GOOD = 0.02
JETS_TRIED = 241
STILL_FITS = 0.02  # of lambda: no band of a needle that fits stays farther off
WORTH_FILING_UM = 0.5


class WayOut(StrEnum):
    """The cheapest way out of an overcut that serves."""

    NOTHING_HURT = "nothing to rescue"
    LEAVE = "leave it as it is"
    JET = "the jet alone serves"
    JET_AND_FILE = "jet, and the other stations filed back"
    NONE = "no way out"


@dataclass(frozen=True, repr=False, eq=False)
class Rescue(Shown):
    """An overcut needle and what can still be done with it.

    Parameters
    ----------
    progress : Progress
        The needle as measured against what was asked.
    car : Learned
        The estimate of the car with that needle in it.
    hurt : array of bool, shape (m,)
        Bands the overcut makes too rich.
    alternatives : tuple of Alternative
        The job's own ways out, the needle as it is first.
    spare : Alternative or None
        The needle as it is, kept for targets richer by so much; None where it is not rich in the mean.
    design : Design or None
        The design that files the other stations back with the jet raised, ready for a sheet; None where no
        band is hurt.
    way_out : WayOut
        What to do.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> rescue(road.design, road.design.stop.needle.diameters_mm - 0.01)
    Rescue: jet, and the other stations filed back
    """

    progress: Progress
    car: Learned
    hurt: NDArray[np.bool_]
    alternatives: tuple[Alternative, ...]
    spare: Alternative | None
    design: Design | None
    way_out: WayOut

    def __repr__(self) -> str:
        return f"Rescue: {self.way_out}"

    def planned(self) -> Design:
        """The design that was to be cut."""
        return self.progress.design

    def lowest(self) -> int:
        """Idle band, or that of the least lift where none is named idle."""
        bands = self.planned().learned.bands
        idle = bands.idle()
        return int(np.argmin(bands.lift_mm)) if idle is None else idle

    def range_assumed(self) -> bool:
        """Whether the nut's range was not stated, and a turn either way was assumed."""
        return self.planned().setup.carburettor.jet.drop_min_mm is None

    def design_table(self) -> Table | None:
        """Stations and jet of the way out by jet and file, under the name of its row; None where no band is hurt."""
        return None if self.design is None else self._part("design")

    def band_table(self) -> Table:
        """Lambda of each band with each of the job's own ways out, to be shown."""
        return self._part("bands")


def rescue(design: Design, readings_mm: ArrayLike, *, file_down: bool = False) -> Rescue:
    r"""What can be done with a needle cut deeper than asked.

    Parameters
    ----------
    design : Design
        What was asked.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station; NaN where nothing was asked and none was taken. [mm]
    file_down : bool
        True takes stations beyond a waist as filed down to it.

    Returns
    -------
    Rescue
        Ways out with the worst miss of each: the needle as it is, the jet raised for the band hurt most, the best
        jet height, the jet raised and the other stations filed back, and the needle kept as a rich spare.

    Raises
    ------
    InputError
        If the readings cannot be those of this needle under the file.

    Notes
    -----
    Raising the jet leans every band, idle most; what it leans too far is filed back where the file reaches.
    An overcut needle is rich by a mean share: it fits targets richer by as much, as well as its shape allows.
    All figures are best values; the intervals stand in ``progress``.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> rescue(road.design, road.design.stop_mm() - 0.05)
    Rescue: no way out
    """
    progress = judge_cut(design, readings_mm, file_down=file_down)
    car = _with_travel(refitted(design.learned, progress.measured, design.setup.carburettor.jet.drop_mm))
    target = design.target
    low, high = car.setup.carburettor.jet.drop_range_mm()

    def at(drop: float) -> FloatArray:
        return np.asarray(np.exp(car.log_lambda(car.mean, car.present_mm(), drop)))

    def way(kind: Change, drop: float, **figures: Any) -> Alternative:
        return alternative(kind, car, target, drop, car.present_mm(), at(drop), **figures)

    as_cut = way(Change.NONE, design.drop_mm)
    asked_miss = design.final.expected / target.lambda_target - 1.0
    hurt = (as_cut.missed() < -HURT) & (as_cut.missed() < asked_miss - HURT / 2.0)
    if not hurt.any():
        return Rescue(progress, car, hurt, (as_cut,), None, None, WayOut.NOTHING_HURT)
    band = int(np.argmin(np.where(hurt, as_cut.missed(), np.inf)))
    raised = way(Change.JET_FOR_BAND, _drop_for(at, band, float(target.lambda_target[band]), low, design.drop_mm), band=band)
    drops = np.linspace(low, high, JETS_TRIED).tolist()
    jet_only = way(Change.BEST_JET, min(drops, key=lambda drop: np.abs(np.log(at(drop) / target.lambda_target)).max()))
    again = solve(replace(target, bands=car.bands), car.setup, limits=design.limits, learned=car)
    off = again.remove_um()
    filed = alternative(
        Change.JET_AND_FILE,
        car,
        target,
        again.drop_mm,
        again.needle.diameters_mm,
        again.final.expected,
        largest_cut_um=float(off.max()),
        stations=tuple((np.flatnonzero(off > WORTH_FILING_UM) + 1).tolist()),
    )
    richer = float(np.exp(np.mean(np.log(as_cut.lambda_expected / target.lambda_target))))
    wanted = np.asarray(richer * target.lambda_target)
    spare = way(Change.SPARE_RICHER, design.drop_mm, lambda_target=wanted, amount=richer) if richer < 1.0 else None
    found = (as_cut, raised, jet_only, filed)
    return Rescue(progress, car, hurt, found, spare, again, _way_out(as_cut, jet_only, filed))


def _with_travel(car: Learned) -> Learned:
    """The car with a range for its nut, a turn either way where none was stated, and the needle still in reach."""
    jet = car.setup.carburettor.jet
    low, high = reach_mm(car.setup, car.lift_mm(), or_a_turn=True)
    free = car.setup.with_jet(drop_min_mm=min(low, jet.drop_mm), drop_max_mm=max(high, jet.drop_mm))
    return replace(car, setup=free)


def _drop_for(at: Callable[[float], FloatArray], band: int, aim: float, low: float, high: float) -> float:
    """Jet drop that brings a band up to its target; the least of the range where it does not reach so far."""
    if at(low)[band] < aim:
        return low
    return float(brentq(lambda drop: float(at(drop)[band]) - aim, low, high, xtol=1e-5))


def _way_out(as_cut: Alternative, jet_only: Alternative, filed: Alternative) -> WayOut:
    """The cheapest way that serves: first whatever comes near every target, then whatever keeps to what is permitted."""
    ways = ((as_cut, WayOut.LEAVE), (jet_only, WayOut.JET), (filed, WayOut.JET_AND_FILE))
    for one, called in ways:
        if (np.abs(one.missed()) <= GOOD).all():
            return called
    return next((called for one, called in ways if one.met), WayOut.NONE)
