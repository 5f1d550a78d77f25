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
from needlecalc.design.inverse.stages import RISK, chance_made_rich
from needlecalc.design.inverse.uncertainty import Cars, Outlook, outlook
from needlecalc.errors import InputError
from needlecalc.gaussian import Gaussian
from needlecalc.parts.measured import OVAL_UM, WITHIN_UM, measured_needle
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
    to_go_um : array, shape (n,)
        Metal still over the first stop; negative is past it. [um]
    states : tuple of StationState
        How each station stands.
    over_um : array, shape (n,)
        Metal taken beyond the target diameter; 0 where none. [um]
    lambda_now, lambda_low, lambda_high : array, shape (m,)
        Lambda expected of each band with what was really cut and its 90 % interval. [-]
    lambda_rest : array, shape (m,)
        The same once the rest down to the first stop is taken. [-]
    chance_rich_now, chance_rich_rest : float
        Chance that the cut makes any band too rich, now and with the rest taken; a band too rich with no cut at all
        is not counted. [-]
    risk : float
        Chance of a rich band at which filing stops. [-]
    next_stroke : NextStroke
        What to do.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> judge_cut(road.design, road.design.stop.needle.diameters_mm)
    Progress: stop: at the first stop, at most 0 um to go
    """

    design: Design
    measured: Needle
    to_go_um: FloatArray
    states: tuple[StationState, ...]
    over_um: FloatArray
    lambda_now: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    lambda_rest: FloatArray
    chance_rich_now: float
    chance_rich_rest: float
    risk: float
    next_stroke: NextStroke

    def __repr__(self) -> str:
        most = float(self.to_go_um.max(initial=0.0))
        return f"Progress: {self.next_stroke}, at most {most:.0f} um to go"

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


def judge_cut(
    design: Design,
    readings_mm: ArrayLike,
    *,
    within_um: float = WITHIN_UM,
    oval_um: float = OVAL_UM,
    risk: float = RISK,
    file_down: bool = False,
) -> Progress:
    """How far a needle is on its way to the first stop, and whether to go on.

    Parameters
    ----------
    design : Design
        What was asked.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station, at one angle or two; NaN where nothing was asked and none was taken. [mm]
    within_um, oval_um : float
        Limits of :func:`measured_needle`. [um]
    risk : float
        Chance of a band richer than permitted at which filing stops, or that of the design's first stop where
        that is greater. [-]
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
    measured = measured_needle(
        design.present(), readings_mm, within_um=within_um, oval_um=oval_um, filed=stop < before, file_down=file_down
    )
    now, told = measured.diameters_mm, design.least_difference_mm()
    states = tuple(_state(*row, told=told) for row in zip(now, before, stop, final, strict=True))
    over = np.where([one is StationState.OVERCUT for one in states], 1e3 * (final - now), 0.0)
    seen, rest, uncut = _outlooks(design, measured)
    chances = [chance_made_rich(design.target, one.lambda_drawn, uncut) for one in (seen, rest)]
    to_go, bearable = 1e3 * (now - stop), max(risk, design.stop.chance_rich)
    low, high = seen.interval()
    return Progress(
        design=design,
        measured=measured,
        to_go_um=to_go,
        states=states,
        over_um=over,
        lambda_now=np.median(seen.lambda_drawn, axis=0),
        lambda_low=low,
        lambda_high=high,
        lambda_rest=np.median(rest.lambda_drawn, axis=0),
        chance_rich_now=chances[0],
        chance_rich_rest=chances[1],
        risk=bearable,
        next_stroke=_next_stroke(design, states, to_go, chances[0] > bearable),
    )


def _outlooks(design: Design, measured: Needle) -> tuple[Outlook, Outlook, FloatArray]:
    """Outlook of the needle as cut, and with the rest down to the first stop taken; lambda of the same cars with no cut."""
    doubts, cars = design.learned.doubts, Cars.of(design.learned)
    now, before, stop = measured.diameters_mm, design.present().diameters_mm, design.stop_mm()
    new, still = touched(design.learned, measured), (stop < before) & (now > stop)

    def after(diameters_mm: FloatArray, changed: NDArray[np.bool_], error_mm: FloatArray | float) -> Outlook:
        return outlook(
            design.learned,
            design.target,
            diameters_mm,
            changed,
            design.drop_mm,
            error_mm=error_mm,
            idle_to=design.idle_to(),
            cars=cars,
        )

    none = np.zeros(now.size, dtype=bool)
    # With no cut: a tested idle with the nut set as after one, the other bands as they were driven.
    height = design.setup.carburettor.jet.drop_mm
    as_driven = outlook(design.learned, design.target, before, none, height, trims=False, cars=cars).lambda_drawn
    nut_set = after(before, none, doubts.hand_mm).lambda_drawn
    uncut = np.where(design.target.tested, nut_set, as_driven)
    error = np.where(still, doubts.hand_mm, doubts.micrometer_mm)
    return after(now, new, doubts.micrometer_mm), after(np.where(still, stop, now), new | still, error), uncut


def _state(now: float, before: float, stop: float, final: float, *, told: float) -> StationState:
    if now < final - told:
        return StationState.OVERCUT
    if final >= before or (stop >= before and now >= stop - told):
        return StationState.LEAVE
    if now > stop + told:
        return StationState.TO_GO
    return StationState.THERE if now >= stop - told else StationState.PAST


def _next_stroke(design: Design, states: tuple[StationState, ...], to_go_um: FloatArray, risk_spent: bool) -> NextStroke:
    """What to do, the gravest first."""
    if StationState.OVERCUT in states:
        return NextStroke.OVERCUT
    if design.stages() is Stages.NOTHING:
        return NextStroke.NOTHING
    if risk_spent:
        return NextStroke.RISK
    left = to_go_um[[one is StationState.TO_GO for one in states]]
    if not left.size:
        return NextStroke.THERE
    return NextStroke.LIGHT_PASS if left.max() <= LIGHT_PASS_UM else NextStroke.CARRY_ON


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
    new = touched(learned, needle)
    place, history = learned.place, learned.history
    after = history.then(needle, drop_mm, learned.bands)
    number = int(after.needle_of_pass()[-1])
    estimate, prior_u = learned.estimate, learned.prior_u
    if number == place.needles:
        one = max(learned.doubts.micrometer_mm, LEAST_ERROR_MM)
        # Unknowns that each new one copies; those measured anew stand alone.
        copy = np.eye(prior_u.size)[learned.present_errors()]
        copy[new] = 0.0
        both = estimate.joined(np.where(new, one, 0.0))
        both.root[prior_u.size :, : estimate.root.shape[1]] = copy @ estimate.root
        estimate = Gaussian(np.append(estimate.mean, copy @ estimate.mean), both.root)
        prior_u, place = np.append(prior_u, np.full(new.size, one)), replace(place, needles=place.needles + 1)
    true = needle.diameters_mm - estimate.mean[place.needle(number)]
    expected = np.exp(learned.log_lambda(learned.mean, true, drop_mm))
    undriven = learned.bands.having(lambda_measured=expected, log=None, samples=())
    last = history.passes[-1]
    after = History((*history.passes, Pass(needle, drop_mm, undriven, driven=False, air=last.air, fuel=last.fuel)))
    return replace(
        learned,
        setup=after.present(learned.setup),
        history=after,
        bands=undriven,
        place=place,
        estimate=estimate,
        prior_u=prior_u,
    )
