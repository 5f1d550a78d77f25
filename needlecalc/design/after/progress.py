"""Where the file stands: measured diameters against the first stop, and lambda with what was really cut."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.design.belief.history import SAME_NEEDLE_MM, History, Pass
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.notes import full_load_next
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.design.inverse.stages import chance_made_rich
from needlecalc.design.inverse.uncertainty import Cars, Outlook, lambda_uncut, outlook
from needlecalc.errors import InputError
from needlecalc.gaussian import Gaussian
from needlecalc.parts.measured import measured_needle
from needlecalc.parts.needle import Needle
from needlecalc.remark import Remark
from needlecalc.show import Shown, Table
from needlecalc.units import FloatArray

LIGHT_PASS_UM = 10.0
SAME_DROP_MM = 1e-6
LEAST_ERROR_MM = 1e-9  # what is certain still needs a width


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


def touched(learned: Learned, needle: Needle) -> NDArray[np.bool_]:
    """Stations of a needle that were measured anew since the last pass."""
    last = learned.history.passes[-1].needle
    if last.stations_mm.shape != needle.stations_mm.shape or not np.allclose(
        last.stations_mm, needle.stations_mm, atol=1e-6
    ):
        msg = f"Needle {needle.name} has other stations than {last.name}; measure it at the same ones, from the same datum."
        raise InputError(msg)
    return np.asarray(np.abs(last.diameters_mm - needle.diameters_mm) > SAME_NEEDLE_MM)


def unchanged(learned: Learned, needle: Needle, drop_mm: float) -> bool:
    """Whether needle and jet height are still those of the last pass."""
    return abs(drop_mm - learned.history.passes[-1].drop_mm) < SAME_DROP_MM and not touched(learned, needle).any()


def refitted(learned: Learned, needle: Needle, drop_mm: float) -> Learned:
    """The car as estimated with another needle in it, measured but not yet driven."""
    new, place, last = touched(learned, needle), learned.place, learned.history.passes[-1]
    number = int(learned.history.then(needle, drop_mm, learned.bands).needle_of_pass()[-1])
    estimate, prior_u = learned.estimate, learned.prior_u
    if number == place.needles:
        one = max(learned.doubts.micrometer_mm, LEAST_ERROR_MM)
        both = estimate.joined(np.where(new, one, 0.0))
        # Unknowns that each new one copies; those measured anew stand alone.
        copied = np.eye(both.mean.size)
        copied[prior_u.size :, learned.present_errors()] = np.diag(~new)
        estimate = Gaussian(copied @ both.mean, copied @ both.root)
        prior_u, place = np.append(prior_u, np.full(new.size, one)), replace(place, needles=place.needles + 1)
    true = needle.diameters_mm - estimate.mean[place.needle(number)]
    expected = np.exp(learned.log_lambda(learned.mean, true, drop_mm))
    undriven = learned.bands.having(lambda_measured=expected, log=None, samples=())
    after = History((*learned.history.passes, Pass(needle, drop_mm, undriven, driven=False, air=last.air, fuel=last.fuel)))
    return replace(
        learned,
        setup=after.present(learned.setup),
        history=after,
        bands=undriven,
        place=place,
        estimate=estimate,
        prior_u=prior_u,
    )
