"""Changes tried before filing: jet, clip, washers, shim, spring and needle height, each solved again with no metal off."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field, fields, replace
from pathlib import Path
from typing import Any

import numpy as np
from scipy.optimize import brentq

from needlecalc.arrays import check_each, check_fields, check_range, within
from needlecalc.design.after.altitude import AltitudeOutlook, at_altitude
from needlecalc.design.after.rank import rank
from needlecalc.design.inverse.alternatives import (
    BORE_STEP_MM,
    LEAST_TURN_MM,
    WIDEST_BORE_MM,
    Alternative,
    Change,
    Unsolved,
    alternative,
    solved_again,
)
from needlecalc.design.inverse.problem import drops_on_table_mm
from needlecalc.design.inverse.proposal import Design, Stages
from needlecalc.errors import InputError, SolveError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.engine import Air
from needlecalc.parts.setup import Setup
from needlecalc.remark import Remark, Severity
from needlecalc.show import Shown, counted

COST = (  # what costs least first; cheap and put back in minutes, then what must be bought, then metal
    Change.JET,
    Change.GROOVE,
    Change.WASHERS,
    Change.HOLDER,
    Change.SHIM,
    Change.SPRING,
    Change.OTHER_JET,
    Change.NEEDLE,
    Change.DONOR,
    Change.FILE,
)
HAIR_MM, THINNEST_GAP_MM, RUNS_AT_ALL = 1e-9, 0.02, (0.5, 2.0)


def _some(low: float, high: float, cure: str) -> Any:
    """A field of numbers, each in a range; empty where there is none at hand."""
    return field(default=(), metadata=within(low, high, cure))


@dataclass(frozen=True)
class AtHand:
    """Parts and steps that a user has at hand; what is not stated is not tried.

    Parameters
    ----------
    jet_bores_mm : tuple of float
        Bores of other jets; the bore that would serve best is looked for when none is given. [mm]
    spring_preload_n, spring_rate_n_mm : tuple of float
        Force at no lift of each other spring; rate of each. [N, N/mm]
    shims_mm : tuple of float
        Shims to lay under the spring. [mm]
    holder_mm : tuple of float
        Other heights of the needle in its holder; positive raises it, which is richer. [mm]
    washers_mm : tuple of float
        Washers to lay under the clip of a slide's needle; negative for one to take out. [mm]
    groove_mm : float or None
        Distance between the clip grooves of a slide's needle. [mm]
    groove, grooves : int or None
        The groove that holds the clip now, from the top; how many there are.
    needles : path or None
        Folder or table of other needles; the best of them is tried.

    Examples
    --------
    >>> AtHand(groove_mm=0.9, groove=2, grooves=4).raised_mm()
    (-0.9, 0.9, 1.8)
    """

    jet_bores_mm: tuple[float, ...] = _some(1.0, 6.0, "It is the bore in mm; 0.100 in is 2.54 mm.")
    spring_preload_n: tuple[float, ...] = _some(0.0, 12.0, "One ounce-force is 0.278 N.")
    spring_rate_n_mm: tuple[float, ...] = _some(0.0, 0.5, "It is in N per mm.")
    shims_mm: tuple[float, ...] = _some(0.05, 20.0, "It is in mm.")
    holder_mm: tuple[float, ...] = _some(-5.0, 5.0, "It is in mm; positive raises the needle.")
    washers_mm: tuple[float, ...] = _some(-5.0, 5.0, "It is in mm; negative for one to take out.")
    groove_mm: float | None = field(
        default=None, metadata=within(0.2, 5.0, "It is the distance from groove to groove in mm.")
    )
    groove: int | None = None
    grooves: int | None = field(default=None, metadata=within(1, 12, "Count them."))
    needles: Path | None = None

    def __post_init__(self) -> None:
        for one in (one for one in fields(self) if isinstance(one.default, tuple)):
            low_high, cure = one.metadata["range"], one.metadata["cure"]
            given = np.atleast_1d(check_each(getattr(self, one.name), one.name, *low_high, cure=cure))
            object.__setattr__(self, one.name, tuple(given.ravel().tolist()))
        check_fields(self)
        if len(self.spring_preload_n) != len(self.spring_rate_n_mm):
            msg = (
                f"spring_preload_n holds {counted(len(self.spring_preload_n), 'value')} and spring_rate_n_mm "
                f"{len(self.spring_rate_n_mm)}; give both of each spring, a rate of 0 where it is not known."
            )
            raise InputError(msg)
        clip = (self.groove_mm, self.groove, self.grooves)
        if clip == (None, None, None):
            return
        if self.groove_mm is None or self.groove is None or self.grooves is None:
            msg = "groove_mm, groove and grooves go together; give the distance, the groove from the top and how many."
            raise InputError(msg)
        check_range(self.groove, "groove", 1, self.grooves, cure="Count from the top, the blunt end.")

    def raised_mm(self) -> tuple[float, ...]:
        """How far each other groove raises the needle, in mm: the clip farther down holds it higher."""
        if self.groove_mm is None or self.groove is None or self.grooves is None:
            return ()
        others = (number - self.groove for number in range(1, int(self.grooves) + 1) if number != self.groove)
        return tuple(round(self.groove_mm * step, 9) for step in others)


@dataclass(frozen=True, eq=False)
class Tried:
    """One change, what it comes to, and what it does elsewhere."""

    what: Alternative  # its lambda of each band, how far each misses, and the metal it takes
    setup: Setup  # the parts with the change made
    outlook: AltitudeOutlook | None  # at home and on the trip; None where no place was given


@dataclass(frozen=True, repr=False, eq=False)
class Changes(Shown):
    """What could be changed in place of filing, those that serve first, of these the cheapest.

    Parameters
    ----------
    design : Design
        The design that files.
    at_hand : AtHand
        Parts and steps that were tried.
    tried : tuple of Tried
        Each change by itself, the jet's nut set anew where it turns; the file among them.
    left_out : tuple of Remark
        Changes that could not be worked out.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> try_changes(road.design)
    Changes: 2 tried; inside what is permitted: file
    """

    design: Design
    at_hand: AtHand
    tried: tuple[Tried, ...]
    left_out: tuple[Remark, ...] = ()

    def __repr__(self) -> str:
        serve = [one.what.kind.value for one in self.tried if one.what.met]
        return f"Changes: {len(self.tried)} tried; inside what is permitted: {', '.join(serve) or 'none'}"

    def instead(self) -> Tried | None:
        """The cheapest change with no metal off that serves, red nowhere it is driven; None where none does."""
        serve = (one for one in self.tried if one.what.met and one.what.largest_cut_um == 0.0)
        return next((one for one in serve if one.outlook is None or not one.outlook.red()), None)


def try_changes(
    design: Design,
    at_hand: AtHand | None = None,
    *,
    places: Mapping[str, Air | float] | None = None,
    home: Air | float | None = None,
) -> Changes:
    """Every change that could stand in place of the file, each solved again with no metal taken off.

    Parameters
    ----------
    design : Design
        The design that files.
    at_hand : AtHand or None
        Parts and steps at hand; without it only the jet's height and bore are tried.
    places : mapping of str to Air or float, or None
        Air of each place it will be driven, or its height for the standard atmosphere. [m]
    home : Air, float or None
        Air at home, or its height. [m]

    Returns
    -------
    Changes
        Those that keep every band inside what is permitted first, the cheapest of them first; then the others, the
        nearest first.  The file is one of them.

    Raises
    ------
    InputError
        If a part at hand does not go with the carburettor: springs under a slide, grooves under a piston, a shim
        under a spring without a rate.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> try_changes(road.design)
    Changes: 2 tried; inside what is permitted: file
    """
    at_hand = at_hand or AtHand()
    _fits(at_hand, design.setup)
    where = {**(places or {}), **({} if home is None else {"home": home})}
    found, left_out = [], []
    for kind, amount, parts in _all(design, at_hand):
        try:
            one = _tried(design, kind, amount, parts, where)
        except (InputError, SolveError) as error:
            # What the flow law or the needle's table does not reach is said, the others stand.
            numbers: dict[str, float | int | str] = {"what": kind.value, "amount": amount, "why": str(error)}
            left_out.append(Remark(Unsolved.NO_FIT, Severity.NOTE, numbers=numbers))
            continue
        if kind is not Change.JET or abs(one.what.amount) > LEAST_TURN_MM:
            found.append(one)
    learned, target = design.learned, design.target
    for other in (other for other in design.alternatives if other.kind is Change.DONOR):
        donor = design.setup.with_needle(replace(design.present(), diameters_mm=other.diameters_mm))
        found.append(_seen(other, donor, target.bands, where))
    if at_hand.needles is not None:
        best = rank(at_hand.needles, target, learned, intervals=0).best()
        fitted = best.drop_mm, best.needle.diameters_mm, best.lambda_predicted
        what = alternative(Change.NEEDLE, learned, target, *fitted, amount=0.0)
        found.append(_seen(what, design.setup.with_needle(best.needle), target.bands, where))
    if design.stages() is not Stages.NOTHING:
        off, after = float(design.remove_um().max()), (design.drop_mm, design.needle.diameters_mm, design.final.expected)
        filed = alternative(Change.FILE, learned, target, *after, amount=off / 1e3, largest_cut_um=off)
        outlook = at_altitude(design.setup, target.bands, design, where) if where else None
        found.append(Tried(filed, design.setup, outlook))
    found.sort(key=_order)
    return Changes(design, at_hand, tuple(found), tuple(left_out))


def _order(one: Tried) -> tuple[bool, float]:
    what = one.what
    return not what.met, COST.index(what.kind) if what.met else abs(float(what.missed()[what.worst()]))


def _fits(at_hand: AtHand, setup: Setup) -> None:
    """Refuse what the carburettor has no place for."""
    valve = setup.carburettor.air_valve
    piston, clip = isinstance(valve, AirValve), bool(at_hand.washers_mm) or at_hand.groove_mm is not None
    msg = ""
    if not piston and (at_hand.spring_preload_n or at_hand.shims_mm or at_hand.holder_mm):
        msg = "A slide has neither spring nor needle holder; state groove_mm, washers_mm and jet_bores_mm only."
    elif piston and clip:
        msg = "A piston holds its needle by the shoulder, not by a clip; state holder_mm in place of grooves and washers."
    elif isinstance(valve, AirValve) and at_hand.shims_mm and valve.spring_rate_n_mm == 0.0:
        msg = "A shim acts by the rate of the spring, and that is 0; state spring_rate_n_mm of the air valve."
    if msg:
        raise InputError(msg)


def _all(design: Design, at_hand: AtHand) -> Iterator[tuple[Change, float, dict[str, Any]]]:
    """Each change with its size, and the parts of the carburettor it exchanges."""
    carburettor = design.setup.carburettor
    jet, valve = carburettor.jet, carburettor.air_valve
    if isinstance(valve, AirValve):
        if np.ptp(jet.drop_range_mm()) > LEAST_TURN_MM:
            yield Change.JET, float("nan"), {}
        for shim in at_hand.shims_mm:
            preload = valve.spring_preload_n + shim * valve.spring_rate_n_mm
            yield Change.SHIM, shim, {"air_valve": replace(valve, spring_preload_n=preload)}
        for preload, rate in zip(at_hand.spring_preload_n, at_hand.spring_rate_n_mm, strict=True):
            other = replace(valve, spring_preload_n=preload, spring_rate_n_mm=rate)
            yield Change.SPRING, preload, {"air_valve": other}
    raised = (Change.HOLDER, at_hand.holder_mm), (Change.GROOVE, at_hand.raised_mm()), (Change.WASHERS, at_hand.washers_mm)
    for kind, steps in raised:
        yield from ((kind, by, {"shoulder_offset_mm": carburettor.shoulder_offset_mm + by}) for by in steps)
    for bore in at_hand.jet_bores_mm or _best_bore(design):
        yield Change.OTHER_JET, bore - jet.bore_mm, {"jet": replace(jet, bore_mm=bore, bore_least_mm=None)}


def _best_bore(design: Design) -> Sequence[float]:
    """The bore that brings the bands to their targets in the mean, to 0.01 mm; none where no bore the needle passes does."""
    car, jet = design.learned, design.setup.carburettor.jet

    def lean(bore_mm: float) -> float:
        law = car.law.in_parts(design.setup.with_jet(bore_mm=bore_mm, bore_least_mm=None))
        return float((law.log_lambda(car.present_mm(), jet.drop_mm) - np.log(design.target.lambda_target)).mean())

    low = float(design.present().diameters_mm.max()) + 2.0 * THINNEST_GAP_MM
    high = jet.least_bore_mm() if lean(jet.bore_mm) < 0.0 else jet.bore_mm + WIDEST_BORE_MM
    if low >= high or lean(low) < 0.0 or lean(high) > 0.0:
        return ()
    rounded = round(round(float(brentq(lean, low, high, xtol=1e-5)) / BORE_STEP_MM) * BORE_STEP_MM, 6)
    return (rounded,) if rounded != jet.bore_mm else ()


def _tried(design: Design, kind: Change, amount: float, parts: Mapping[str, Any], where: Mapping[str, Air | float]) -> Tried:
    """One change, the jet's nut set anew; under a slide the needle stays where the change put it."""
    setup, learned, target = design.setup.with_parts(**parts), design.learned, design.target
    if not isinstance(setup.carburettor.air_valve, AirValve):
        setup = setup.with_jet(drop_min_mm=None, drop_max_mm=None)
    every = tuple(range(1, learned.present_mm().size + 1))
    then = solved_again(learned, target, replace(design.limits, keep=every, never_below_mm={}, new_blank=False), setup)
    drop, car = then.drop_mm(), then.problem.learned
    low, high = drops_on_table_mm(setup, car.lift_mm())
    if not low - HAIR_MM <= drop <= high + HAIR_MM:
        msg = "A band leaves the needle's table with that change, and nothing is known of the needle there."
        raise SolveError(msg)
    amount = drop - setup.carburettor.jet.drop_mm if kind is Change.JET else amount
    ratio = (1.0 + then.missed()) * target.lambda_target
    what = alternative(kind, car, target, drop, car.present_mm(), ratio, amount=amount)
    return _seen(what, car.setup, car.bands.having(lift_mm=car.lift_mm()), where)


def _seen(what: Alternative, setup: Setup, bands: Bands, where: Mapping[str, Air | float]) -> Tried:
    """A change with what it does elsewhere."""
    turned = setup.with_jet(drop_mm=what.drop_mm)
    # No engine runs beyond these; what is so far off serves nowhere.
    driven = bands.having(lambda_measured=np.clip(what.lambda_expected, *RUNS_AT_ALL))
    return Tried(what, turned, at_altitude(turned, driven, None, where) if where else None)
