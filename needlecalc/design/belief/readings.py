"""Readings of all passes on one list of bands: lambda worth trusting, lift, and the doubt of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.doubts import Doubts
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.liftpattern import LiftPattern
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.lift.parts import lift_change
from needlecalc.measure.lift.ways import ALIKE_SHARE
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

ROUGH = 1.6  # spread over that of the steady bands, where misfire shows
LEANER_STILL = 0.05  # past the lean limit, where no spread is known
SAME_SPEED = 0.08
SAME_PLACE_MM = 1e-6
MOST_BANDS = 100_000  # so many were tried (tests/bench/solve_speed.py): some 4 ms and 30 kB a band
LEAST_LIFT_U_MM = 0.01
NO_READING_U_MM = 30.0  # a lift lent by another drive tells nothing
LEAST_LAMBDA_U = 1e-6  # what is certain still needs a width to be divided by


@dataclass(frozen=True)
class Readings:
    """What one pass read, band by band of the last pass.

    Parameters
    ----------
    one : Pass
        The pass.
    log_lambda, log_lambda_u : array, shape (m,)
        ln(lambda) and its doubt; NaN where the pass did not read a band. [-]
    lift : array, shape (m,)
        Lift that counts as a reading of its own; NaN where there is none. [mm]
    lift_u : array, shape (m,)
        Its doubt, less what all lifts share. [mm]
    lift_common : array, shape (m,)
        Shift of the lift for one sigma of the error all share. [mm]
    lift_alike : array, shape (m,)
        Part of ``lift_u`` that a computed lift shares with its neighbours; 0 for a reading. [mm]
    at_least : array of bool, shape (m,)
        Readings that count as "at least so lean".
    """

    one: Pass
    log_lambda: FloatArray
    log_lambda_u: FloatArray
    lift: FloatArray
    lift_u: FloatArray
    lift_common: FloatArray
    lift_alike: FloatArray
    at_least: NDArray[np.bool_]

    def doubted(self, factor: float) -> Readings:
        """The same readings, each doubted more.

        Parameters
        ----------
        factor : float
            How many times. [-]

        Returns
        -------
        Readings
            What all lifts share is left as it is.
        """
        wider = {name: factor * getattr(self, name) for name in ("log_lambda_u", "lift_u", "lift_alike")}
        return replace(self, **wider)


def check_passes(history: History, setup: Setup) -> None:
    """Nothing, if the passes can be read in this setup.

    Parameters
    ----------
    history : History
        The passes.
    setup : Setup
        Setup of the first.

    Raises
    ------
    InputError
        If a pass was never driven, lifts were read with another spring, piston or throat, or lie off the needle,
        or there are too many bands.
    """
    bands = history.passes[-1].bands
    if bands.rpm.size > MOST_BANDS:
        msg = (
            f"There are {bands.rpm.size} bands, but at most {MOST_BANDS} can be weighed together; gather the samples in "
            "wider bands, as make_bands does."
        )
        raise InputError(msg)
    for one in history.passes:
        if not one.driven:
            msg = f"Pass of needle {one.needle.name} was never driven, so it teaches nothing; learn from history.driven()."
            raise InputError(msg)
        if one.bands.lift_setup is not None and (changed := lift_change(one.bands.lift_setup, setup)):
            msg = (
                f"Lifts of {one!r} belong to other parts: {changed}; give the setup they were read in, or drive again with "
                "the present parts."
            )
            raise InputError(msg)
        place = setup.carburettor.position_mm(one.bands.lift_mm, one.drop_mm)
        low, high = one.needle.stations_mm[[0, -1]]
        off = (place < low - SAME_PLACE_MM) | (place > high + SAME_PLACE_MM)
        if off.any():
            band = int(np.argmax(off))
            msg = (
                f"Band {one.bands.name(band)}: its lift of {one.bands.lift_mm[band]:.2f} mm puts the jet's face "
                f"{place[band]:.2f} mm from the shoulder, off the needle's table ({low:g} to {high:g} mm); add stations, or "
                "check lift, jet drop and shoulder offset."
            )
            raise InputError(msg)


def readings_of(history: History, doubts: Doubts) -> tuple[Readings, ...]:
    """Readings of every pass; the last pass leads, as a design is for the bands it measured.

    Parameters
    ----------
    history : History
        The passes.
    doubts : Doubts
        Repeatability and lean limit.

    Returns
    -------
    tuple of Readings
        One a pass, oldest first.
    """
    bands = history.passes[-1].bands
    out = []
    # A computed lift errs the same way on every drive: the latest of each band tells all there is.
    still_to_tell = np.ones(bands.rpm.size, dtype=bool)
    for one in reversed(history.passes):
        band = same_bands(bands, one.bands)
        use = band >= 0
        log_lambda, doubt, lean = trusted(one.bands, doubts)
        computed = one.bands.lift_from(LiftSource.COMPUTED)
        tells = use & (~computed | still_to_tell[band]) & ~(one.bands.lift_u_mm > NO_READING_U_MM)
        still_to_tell[band[use & computed]] = False
        common = np.nan_to_num(one.bands.lift_common_u_mm)
        own = np.sqrt(np.maximum(np.nan_to_num(one.bands.lift_u_mm) ** 2 - common**2, LEAST_LIFT_U_MM**2))
        # Held at another speed a band has another lift, about in proportion.
        faster = np.abs(np.log(one.bands.rpm / np.where(use, bands.rpm[band], one.bands.rpm)))
        own = np.hypot(own, faster * one.bands.lift_mm)
        alike = np.where(tells & computed, np.sqrt(ALIKE_SHARE) * own, 0.0)
        columns = (log_lambda, doubt, np.where(tells, one.bands.lift_mm, np.nan), own, common, alike)
        placed = np.full((len(columns), bands.rpm.size), np.nan)
        placed[:, band[use]] = np.array(columns)[:, use]
        at_least = np.zeros(bands.rpm.size, dtype=bool)
        at_least[band[use]] = lean[use]
        read, read_u, lift, lift_u, shared, alike = placed
        out.append(Readings(one, read, read_u, lift, lift_u, shared, alike, at_least))
    return tuple(reversed(out))


def pattern_of(readings: tuple[Readings, ...]) -> LiftPattern:
    """How the computed lifts of all passes err alike.

    Parameters
    ----------
    readings : tuple of Readings
        One a pass.

    Returns
    -------
    LiftPattern
        One for all: a computed lift errs the same way on every drive.
    """
    return LiftPattern.through(np.concatenate([read.lift[read.lift_alike > 0.0] for read in readings]))


def trusted(bands: Bands, doubts: Doubts) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """Lambda worth trusting of each band of a drive.

    Parameters
    ----------
    bands : Bands
        The drive.
    doubts : Doubts
        Repeatability and lean limit.

    Returns
    -------
    array, shape (m,)
        ln(lambda). [-]
    array, shape (m,)
        Its doubt. [-]
    array of bool, shape (m,)
        Whether it counts as "at least so lean".
    """
    limit = doubts.lean_limit
    spread = bands.lambda_spread
    steady = spread[bands.lambda_measured <= limit]
    usual = float(np.median(steady)) if steady.size and np.median(steady) > 0.0 else np.nan
    # Where no spread is known the limit alone must do, with room for engines that burn leaner.
    rough = spread > ROUGH * usual if np.isfinite(usual) else bands.lambda_measured > limit + LEANER_STILL
    lean = (bands.lambda_measured > limit) & rough
    # The truth lies anywhere from the limit to the reading.
    low = np.where(lean, limit, bands.lambda_measured)
    value = (low + bands.lambda_measured) / 2.0
    width = (bands.lambda_measured - low) / np.sqrt(12.0)
    share = np.sqrt(bands.lambda_se**2 + width**2) / value
    return np.log(value), np.maximum(np.hypot(share, doubts.repeatability), LEAST_LAMBDA_U), lean


def same_bands(bands: Bands, other: Bands) -> NDArray[np.intp]:
    """Which of some bands each band of another drive is.

    Parameters
    ----------
    bands : Bands
        The bands to find.
    other : Bands
        Those of the other drive.

    Returns
    -------
    array of int, shape (o,)
        Place in ``bands`` of each of ``other``, by load and the nearest speed; -1 where none is alike.
    """
    out = np.full(other.rpm.size, -1, dtype=np.intp)
    places: dict[tuple[str, str], list[int]] = {}
    for b, key in enumerate(zip(bands.load, bands.bank, strict=True)):
        places.setdefault(key, []).append(b)
    free = {key: _Free(bands.rpm, np.array(members)) for key, members in places.items()}
    for k, key in enumerate(zip(other.load, other.bank, strict=True)):
        if key in free:
            out[k] = free[key].take_nearest(float(other.rpm[k]))
    return out


class _Free:
    """Bands of one load by speed, each to be taken once; finding the nearest left costs next to nothing."""

    def __init__(self, rpm: FloatArray, members: NDArray[np.intp]) -> None:
        order = np.lexsort((members, rpm[members]))
        self.members, self.rpm = members[order].tolist(), rpm[members][order]
        # The first band of the same speed, the lower number being meant where several are as near.
        self.alike = np.searchsorted(self.rpm, self.rpm, side="left").tolist()
        # Where to look next, up and down; one past either end is no band.
        self.up = list(range(len(self.members) + 1))
        self.down = list(range(len(self.members) + 1))

    def take_nearest(self, rpm: float) -> int:
        """Place of the nearest speed that is left within 8 %, taken from now on; -1 where none is."""
        start = int(np.searchsorted(self.rpm, rpm))
        above, below = self._left(self.up, start), self._left(self.down, start) - 1
        near = []
        if above < len(self.members):
            near.append((abs(self.rpm[above] / rpm - 1.0), self.members[above], above))
        if below >= 0:
            below = self._left(self.up, self.alike[below])
            near.append((abs(self.rpm[below] / rpm - 1.0), self.members[below], below))
        near = [one for one in near if one[0] < SAME_SPEED]
        if not near:
            return -1
        _, band, place = min(near)
        self.up[place] = place + 1
        self.down[place + 1] = place
        return int(band)

    @staticmethod
    def _left(links: list[int], place: int) -> int:
        """Follow the links to their end, and let all of them point there."""
        end = place
        while links[end] != end:
            end = links[end]
        while links[place] != end:
            links[place], place = end, links[place]
        return end
