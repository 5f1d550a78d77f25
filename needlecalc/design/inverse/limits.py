"""What a file and a needle allow: the limits of a design as linear inequalities, and a cut of the user's own."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from itertools import chain
from typing import Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_fields, check_range, one_of, read_only, same_length, within
from needlecalc.design.forward.predict import MATCHED_WITHIN_UM
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.parts.carburettor import DOWN_TO_THE_JET
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import counted
from needlecalc.units import FloatArray

LEAST_TURN_FLATS = 0.25  # nobody sets a nut nearer: idle is trimmed by half flats afterwards
FLATS = {"half": 0.5, "whole": 1.0}
SHARE_OF_NEIGHBOUR = 0.5
SHOWN_MM = 5e-5


class LimitKind(StrEnum):
    """What a limit is of."""

    NO_METAL_TO_ADD = "no metal to add"
    LARGEST_CUT = "largest cut"
    LEAST_DIAMETER = "least diameter"
    NO_REVERSED_TAPER = "taper not reversed"
    STEEPEST_TAPER = "steepest taper"
    JET_AT_ITS_HIGHEST = "jet at its highest"
    JET_AT_ITS_LOWEST = "jet at its lowest"
    JET_KEPT = "jet kept where it is"
    STATION_KEPT = "station kept as it is"


class Limit(NamedTuple):
    """One limit: its kind and, where it is of one, the station from 1; a taper runs from it to the next."""

    kind: LimitKind
    station: int | None = None


class Inequalities(NamedTuple):
    """Limits as rows of G x >= h for x = removal at every free station, then jet drop; and the limit of each row."""

    matrix: FloatArray
    least: FloatArray
    limits: tuple[Limit, ...]


@dataclass(frozen=True)
class Limits:
    """Limits of a design.

    Parameters
    ----------
    new_blank : bool
        False when filing the present needle, which only takes metal off; True for a new needle.
    max_cut_mm : float
        Most metal to take off any diameter. [mm]
    least_diameter_mm : float
        Least diameter left anywhere. [mm]
    least_gap_mm : float
        Least gap per side left anywhere, for a new blank. [mm]
    steepest : float
        Steepest taper, diameter per length, unless the present one is steeper. [mm/mm]
    keep : tuple of int
        Stations to keep as they are, by number from 1.
    never_below_mm : mapping
        Station, by number from 1, to the least diameter it may get. [mm]
    flats : {"half", "whole"} or None
        Turn the jet nut by half or whole flats only; None for any turn.
    drop_min_mm, drop_max_mm : float or None
        Least jet drop the design may use; greatest one.  All of the nut's range when not given. [mm]
    unconfirmed : float
        On a car that nothing has confirmed yet, neither a cut nor a drive with the jet moved, no band may end richer
        than permitted even if the cut works so many times as strongly as predicted; 1 turns that off. [-]
    carry_on : bool
        Carry the change of the last band of full load on past it towards the tip; False leaves the tip.
    match_um : float
        Greatest difference at any station between the needles of a pair. [um]

    Examples
    --------
    >>> Limits(max_cut_mm=0.1, keep=(1, 2)).keep
    (1, 2)
    """

    new_blank: bool = False
    max_cut_mm: float = field(default=0.30, metadata=within(0.0, 2.0, "It is on diameter, in mm."))
    least_diameter_mm: float = field(default=0.6, metadata=within(0.2, 4.0, "It is in mm."))
    least_gap_mm: float = field(default=0.025, metadata=within(0.005, 0.5, "It is per side, in mm."))
    steepest: float = field(default=0.06, metadata=within(0.005, 0.2, "It is mm of diameter per mm of length."))
    keep: tuple[int, ...] = ()
    never_below_mm: Mapping[int, float] = field(default_factory=dict)
    flats: Literal["half", "whole"] | None = field(
        default=None, metadata=one_of(*FLATS, cure="see what the nut's spring holds, or leave it out.")
    )
    drop_min_mm: float | None = field(default=None, metadata=within(-2.0, 12.0, DOWN_TO_THE_JET))
    drop_max_mm: float | None = field(default=None, metadata=within(-2.0, 12.0, DOWN_TO_THE_JET))
    unconfirmed: float = field(default=1.5, metadata=within(1.0, 3.0, "It is a factor; 1 turns the rule off."))
    carry_on: bool = True
    match_um: float = field(default=MATCHED_WITHIN_UM, metadata=within(0.5, 200.0, "It is in um."))

    def __post_init__(self) -> None:
        check_fields(self)
        # A job file writes its keys as text.
        least = {_station(number, "never_below_mm"): value for number, value in self.never_below_mm.items()}
        for number, value in least.items():
            check_range(value, f"never_below_mm of station {number}", 0.2, 6.0, cure="It is in mm.")
        object.__setattr__(self, "never_below_mm", least)
        # A station named twice is kept once.
        object.__setattr__(self, "keep", tuple(dict.fromkeys(_station(number, "keep") for number in self.keep)))
        if self.drop_min_mm is not None and self.drop_max_mm is not None and self.drop_min_mm > self.drop_max_mm:
            msg = f"drop_min_mm is {self.drop_min_mm:g} and drop_max_mm {self.drop_max_mm:g}; exchange the two."
            raise InputError(msg)

    def kept(self, count: int) -> NDArray[np.bool_]:
        """Stations to keep as they are; refused where the needle has no such station."""
        for number in (*self.keep, *self.never_below_mm):
            if not 1 <= number <= count:
                msg = f"The limits name station {number}, but the needle has stations 1 to {count}; count from the shoulder."
                raise InputError(msg)
        return np.isin(np.arange(1, count + 1), self.keep)

    def least_mm(self, count: int) -> FloatArray:
        """Least diameter that each station may get."""
        least = np.full(count, self.least_diameter_mm)
        for number, diameter in self.never_below_mm.items():
            least[number - 1] = max(least[number - 1], diameter)
        return least

    def steepest_fall_mm(self, stations_mm: FloatArray, diameters_mm: FloatArray) -> FloatArray:
        """Greatest fall of the diameter from each station to the next: the steepest taper, or the present one."""
        return np.maximum(self.steepest * np.diff(stations_mm), -np.diff(diameters_mm))

    def confined(self, setup: Setup) -> Setup:
        """The setup with the nut's range, and the steps it turns by, cut down to what the limits allow."""
        if self.drop_min_mm is None and self.drop_max_mm is None and self.flats is None:
            return setup
        jet = setup.carburettor.jet
        low, high = jet.drop_range_mm()
        asked = (
            low if self.drop_min_mm is None else self.drop_min_mm,
            high if self.drop_max_mm is None else self.drop_max_mm,
        )
        if not (low - 1e-9 <= asked[0] <= jet.drop_mm <= asked[1] <= high + 1e-9):
            msg = (
                f"The limits allow a jet drop of {asked[0]:g} to {asked[1]:g} mm, but it stands at {jet.drop_mm:g} and the "
                f"nut reaches {low:g} to {high:g} mm; set the limits inside the nut's range and around where it stands."
            )
            raise InputError(msg)
        step = jet.step_flats if self.flats is None else FLATS[self.flats]
        return setup.with_jet(drop_min_mm=asked[0], drop_max_mm=asked[1], step_flats=step)

    def inequalities(self, setup: Setup, free: NDArray[np.bool_], drop_low_mm: float, drop_high_mm: float) -> Inequalities:
        """What a file may do, for these stations and this range of the change of jet drop."""
        needle = setup.carburettor.needle
        diameters, count = needle.diameters_mm, needle.diameters_mm.size
        cut, below = np.eye(count, count + 1), np.eye(count, count + 1, 1)[:-1]
        where = np.flatnonzero(free)
        thickest = setup.carburettor.jet.least_bore_mm() - 2.0 * self.least_gap_mm
        added = np.minimum(diameters - thickest, 0.0) if self.new_blank else np.zeros(count)
        above = diameters - self.least_mm(count)
        deepest = np.maximum(np.minimum(self.max_cut_mm, above), 0.0)
        fall, steepest = diameters[:-1] - diameters[1:], self.steepest_fall_mm(needle.stations_mm, diameters)
        # What no free station takes part in holds as it is.
        tapers = np.flatnonzero(free[:-1] | free[1:])
        inwards, jet = (below - cut[:-1])[tapers], np.eye(1, count + 1, count)
        most = np.where(self.max_cut_mm <= above, LimitKind.LARGEST_CUT, LimitKind.LEAST_DIAMETER)
        parts: list[tuple[FloatArray, FloatArray, list[Limit]]] = [
            (cut[where], added[where], [Limit(LimitKind.NO_METAL_TO_ADD, k + 1) for k in where.tolist()]),
            (-cut[where], -deepest[where], [Limit(LimitKind(most[k]), k + 1) for k in where.tolist()]),
            (inwards, -fall[tapers], [Limit(LimitKind.NO_REVERSED_TAPER, k + 1) for k in tapers.tolist()]),
            (-inwards, (fall - steepest)[tapers], [Limit(LimitKind.STEEPEST_TAPER, k + 1) for k in tapers.tolist()]),
            (jet, np.array([drop_low_mm]), [Limit(LimitKind.JET_AT_ITS_HIGHEST)]),
            (-jet, np.array([-drop_high_mm]), [Limit(LimitKind.JET_AT_ITS_LOWEST)]),
        ]
        rows, least, named = zip(*parts, strict=True)
        return Inequalities(np.concatenate(rows)[:, np.append(free, True)], np.concatenate(least), tuple(chain(*named)))


def _station(number: object, name: str) -> int:
    try:
        return int(str(number))
    except ValueError as error:
        msg = f"{name} names station {shown(number)}, but stations have whole numbers from 1; count from the shoulder."
        raise InputError(msg) from error


def own_cut(needle: Needle, diameters_mm: ArrayLike, *, blend: bool = False) -> Needle:
    """The needle after a cut the user thought of himself.

    Parameters
    ----------
    needle : Needle
        The needle as it is.
    diameters_mm : array_like, shape (n,)
        Diameters wanted at its stations. [mm]
    blend : bool
        Spread the cut over at least three stations, so that it leaves no waist.

    Returns
    -------
    Needle
        With those diameters; blended, nowhere thicker.

    Raises
    ------
    InputError
        If metal would have to be added, or the cut makes a waist; the message holds the blended alternative.

    Notes
    -----
    Blended, every station gives up at least half of what its neighbours were asked for, and what the taper then needs
    not to reverse.

    Examples
    --------
    >>> stock = Needle("stock", [0, 3, 6, 9, 12], [2.4, 2.3, 2.2, 2.1, 2.0])
    >>> print(own_cut(stock, [2.4, 2.29, 2.19, 2.1, 2.0]).diameters_mm)
    [2.4  2.29 2.19 2.1  2.  ]
    >>> print(own_cut(stock, [2.4, 2.3, 2.08, 2.1, 2.0], blend=True).diameters_mm)
    [2.4 2.24 2.08 2.04 2. ]
    """
    wanted, present = read_only(diameters_mm, "diameters_mm"), needle.diameters_mm
    same_length(f"cut of needle {needle.name}", stations=needle.stations_mm, diameters_mm=wanted)
    removal = present - wanted
    if (removal < -1e-9).any():
        at = int(np.argmin(removal))
        msg = (
            f"The cut asked of needle {needle.name} needs metal added, which cannot be filed: {-1e3 * removal[at]:.1f} um "
            f"at station {at + 1}; take a thicker donor, or raise the jet."
        )
        raise InputError(msg)
    spread = removal.copy()
    spread[:-1] = np.maximum(spread[:-1], SHARE_OF_NEIGHBOUR * removal[1:])
    spread[1:] = np.maximum(spread[1:], SHARE_OF_NEIGHBOUR * removal[:-1])
    blended = np.minimum.accumulate(present - spread)
    rising = np.diff(wanted) > 1e-9
    if rising.any() and not blend:
        at = int(np.argmax(rising)) + 1
        changed = np.flatnonzero(present - blended > SHOWN_MM)
        figures = ", ".join(f"{k + 1}: {blended[k]:.4f}" for k in changed.tolist())
        msg = (
            f"The cut asked of needle {needle.name} makes a waist: reversed taper {at} to {at + 1}, {wanted[at - 1]:.4f} to "
            f"{wanted[at]:.4f} mm; a file cannot hold it and fuel turns sharply there. Blended over "
            f"{counted(changed.size, 'station')} instead, as own_cut(..., blend=True) gives it: {figures} mm."
        )
        raise InputError(msg)
    made = blended if blend else wanted
    return Needle(f"{needle.name} as cut", needle.stations_mm, made, source="the user's own cut")
