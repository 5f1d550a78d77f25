"""Where the file stands: diameters against the first stop, lambda with what was cut, and the way out of an overcut."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from needlecalc.design.after.outcome import refitted, touched
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.alternatives import Alternative, Change, alternative
from needlecalc.design.inverse.notes import full_load_next
from needlecalc.design.inverse.problem import reach_mm
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.solve import solve
from needlecalc.design.inverse.stages import chance_made_rich
from needlecalc.design.inverse.uncertainty import Cars, Outlook, lambda_uncut, outlook
from needlecalc.errors import InputError
from needlecalc.parts.measured import measured_needle
from needlecalc.parts.needle import Needle
from needlecalc.remark import Remark
from needlecalc.show import Shown, Table
from needlecalc.units import FloatArray

LIGHT_PASS_UM = 10.0
HURT = 0.01  # of lambda, richer than target and through the overcut
GOOD = 0.02
JETS_TRIED = 241
STILL_FITS = 0.02  # of lambda: no band of a needle that fits stays farther off
WORTH_FILING_UM = 0.5


class StationState(StrEnum):
    """How a station stands under the file."""

    LEAVE = "leave"
    THERE = "there"
    TO_GO = "to go"
    PAST = "past the stop"
    OVERCUT = "overcut"


class NextStroke(StrEnum):
    """What to do with the file."""

    OVERCUT = "stop: overcut"
    NOTHING = "nothing to file"
    RISK = "stop: the chance of a rich band is spent"
    THERE = "stop: at the first stop"
    LIGHT_PASS = "one light pass"
    CARRY_ON = "carry on"


@dataclass(frozen=True, repr=False, eq=False)
class Progress(Shown):
    """A needle under the file: what is done at each station, and what lambda is by now.

    Parameters
    ----------
    design : Design
        What was asked.
    measured : Needle
        The needle as it is.
    states : tuple of StationState
        How each station stands.
    lambda_now, lambda_low, lambda_high : array, shape (m,)
        Lambda expected of each band with what was really cut and its 90 % interval. [-]
    lambda_rest : array, shape (m,)
        The same once the rest down to the first stop is taken. [-]
    chance_rich_now, chance_rich_rest : float
        Chance that the cut makes any band too rich, now and with the rest taken; a band too rich with no cut at all
        is not counted. [-]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> judge_cut(road.design, road.design.stop.needle.diameters_mm)
    Progress: stop: at the first stop, at most 0 um to go
    """

    design: Design
    measured: Needle
    states: tuple[StationState, ...]
    lambda_now: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    lambda_rest: FloatArray
    chance_rich_now: float
    chance_rich_rest: float

    def __repr__(self) -> str:
        return f"Progress: {self.next_stroke}, at most {float(self.to_go_um.max(initial=0.0)):.0f} um to go"

    @property
    def to_go_um(self) -> FloatArray:
        """Metal still over the first stop at each station, in um, shape (n,); negative is past it."""
        return np.asarray(1e3 * (self.measured.diameters_mm - self.design.stop_mm()))

    @property
    def over_um(self) -> FloatArray:
        """Metal taken beyond the target diameter, in um, shape (n,); 0 where none."""
        over = 1e3 * (self.design.needle.diameters_mm - self.measured.diameters_mm)
        return np.where([one is StationState.OVERCUT for one in self.states], over, 0.0)

    @property
    def risk(self) -> float:
        """Chance of a rich band at which filing stops."""
        return max(self.design.risk, self.design.stop.chance_rich)

    @property
    def next_stroke(self) -> NextStroke:
        """What to do with the file, the gravest first."""
        if self.overcut():
            return NextStroke.OVERCUT
        if self.design.stages() is Stages.NOTHING:
            return NextStroke.NOTHING
        if self.chance_rich_now > self.risk:
            return NextStroke.RISK
        left = self.to_go_um[[one is StationState.TO_GO for one in self.states]]
        if not left.size:
            return NextStroke.THERE
        return NextStroke.LIGHT_PASS if left.max() <= LIGHT_PASS_UM else NextStroke.CARRY_ON

    def overcut(self) -> bool:
        """Whether any station is beyond its target diameter by more than can be told."""
        return StationState.OVERCUT in self.states

    def goes_on(self) -> bool:
        """Whether the file goes on before the next drive."""
        return self.next_stroke in (NextStroke.LIGHT_PASS, NextStroke.CARRY_ON)

    def at(self, state: StationState) -> tuple[int, ...]:
        """Stations that stand so, from 1."""
        return tuple(k for k, one in enumerate(self.states, start=1) if one is state)

    def full_load(self) -> Remark | None:
        """Full load too lean on the drive that follows, with the needle as cut now; None where the file goes on."""
        return None if self.goes_on() else full_load_next(self.design.target, self.lambda_now, self.lambda_high)

    def band_table(self) -> Table:
        """Lambda of each band by now, to be shown."""
        return self._part("bands")


def judge_cut(design: Design, readings_mm: ArrayLike, *, file_down: bool = False) -> Progress:
    """How far a needle is on its way to the first stop, and whether to go on.

    Parameters
    ----------
    design : Design
        What was asked.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station, at one angle or two; NaN where nothing was asked and none was taken. [mm]
    file_down : bool
        As in :func:`measured_needle`: stations beyond a waist count as filed down to it.

    Returns
    -------
    Progress
        A state a station, lambda of every band, and what to do.

    Raises
    ------
    InputError
        If the readings cannot be those of this needle under the file, or the design is for a new blank.

    Notes
    -----
    A station is there within twice the standard error of hand and micrometer together.  It is overcut when
    it is beyond the *target* diameter by more than that; between first stop and target it is only past the stop.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> judge_cut(road.design, road.design.stop_mm())
    Progress: stop: at the first stop, at most 0 um to go
    """
    if design.limits.new_blank:
        msg = (
            "This design is for a new blank, which is not filed from the present needle; measure the blank, fit it as the "
            "present needle, and solve for filing."
        )
        raise InputError(msg)
    before, stop, final = design.present().diameters_mm, design.stop_mm(), design.needle.diameters_mm
    measured = measured_needle(design.present(), readings_mm, filed=stop < before, file_down=file_down)
    now, told = measured.diameters_mm, design.least_difference_mm()
    states = tuple(_state(*row, told=told) for row in zip(now, before, stop, final, strict=True))
    learned, target, doubts, cars = design.learned, design.target, design.learned.doubts, Cars.of(design.learned)

    def after(diameters_mm: FloatArray, cut: NDArray[np.bool_], error_mm: FloatArray | float) -> Outlook:
        idle_to = design.idle_to()
        return outlook(learned, target, diameters_mm, cut, design.drop_mm, error_mm=error_mm, idle_to=idle_to, cars=cars)

    new, still = touched(learned, measured), (stop < before) & (now > stop)
    seen = after(now, new, doubts.micrometer_mm)
    rest = after(np.where(still, stop, now), new | still, np.where(still, doubts.hand_mm, doubts.micrometer_mm))
    uncut = lambda_uncut(learned, target, design.drop_mm, idle_to=design.idle_to(), cars=cars)
    (low, high), middles = seen.interval(), [np.median(one.lambda_drawn, axis=0) for one in (seen, rest)]
    chances = [chance_made_rich(target, one.lambda_drawn, uncut) for one in (seen, rest)]
    return Progress(design, measured, states, middles[0], low, high, middles[1], chances[0], chances[1])


def _state(now: float, before: float, stop: float, final: float, *, told: float) -> StationState:
    if now < final - told:
        return StationState.OVERCUT
    if final >= before or (stop >= before and now >= stop - told):
        return StationState.LEAVE
    if now > stop + told:
        return StationState.TO_GO
    return StationState.THERE if now >= stop - told else StationState.PAST


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
