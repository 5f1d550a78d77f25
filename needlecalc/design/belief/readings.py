"""Readings of all passes on one list of bands: lambda worth trusting, lift, and the uncertainty of each."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.history import History, Pass
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.lift.estimates import ALIKE_SHARE
from needlecalc.measure.lift.withlift import lift_change
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts
from needlecalc.units import FloatArray

ROUGH = 1.6  # spread over that of the steady bands, where misfire shows
LEANER_STILL = 0.05  # past the lean limit, where no spread is known
SAME_SPEED = 0.08
SAME_PLACE_MM = 1e-6
MOST_BANDS = 500
LEAST_LIFT_U_MM = 0.01
NO_READING_U_MM = 30.0  # a lift lent by another drive tells nothing
LEAST_LAMBDA_U = 1e-6  # what is certain still needs a width to be divided by


@dataclass(frozen=True)
class Readings:
    """What one pass read, band by band of the last pass.

    ``lift`` is NaN where there is no reading of its own; ``lift_common`` is its shift for one sigma of the error all
    share, ``lift_alike`` the part of ``lift_u`` that a computed lift shares with its neighbours (0 for a reading).
    """

    one: Pass
    log_lambda: FloatArray
    log_lambda_u: FloatArray
    lift: FloatArray
    lift_u: FloatArray
    lift_common: FloatArray
    lift_alike: FloatArray
    at_least: NDArray[np.bool_]

    def widened(self, factor: float) -> Readings:
        """The same readings, their own errors so many times as large; what all lifts share stays."""
        wider = {name: factor * getattr(self, name) for name in ("log_lambda_u", "lift_u", "lift_alike")}
        return replace(self, **wider)


def check_passes(history: History, setup: Setup) -> None:
    """Raise InputError for a pass never driven, lifts read with other parts or off the needle, or too many bands."""
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
    """Readings of every pass, oldest first, on the bands of the last, as a design is for those."""
    bands = history.passes[-1].bands
    out = []
    # A computed lift errs the same way on every drive: the latest of each band tells all there is.
    still_to_tell = np.ones(bands.rpm.size, dtype=bool)
    for one in reversed(history.passes):
        band = same_bands(bands, one.bands)
        use = band >= 0
        log_lambda, log_u, lean = usable_lambda(one.bands, doubts)
        computed = one.bands.lift_from(LiftSource.COMPUTED)
        tells = use & (~computed | still_to_tell[band]) & ~(one.bands.lift_u_mm > NO_READING_U_MM)
        still_to_tell[band[use & computed]] = False
        common = np.nan_to_num(one.bands.lift_common_u_mm)
        own = np.sqrt(np.maximum(np.nan_to_num(one.bands.lift_u_mm) ** 2 - common**2, LEAST_LIFT_U_MM**2))
        # Held at another speed a band has another lift, about in proportion.
        faster = np.abs(np.log(one.bands.rpm / np.where(use, bands.rpm[band], one.bands.rpm)))
        own = np.hypot(own, faster * one.bands.lift_mm)
        alike = np.where(tells & computed, np.sqrt(ALIKE_SHARE) * own, 0.0)
        columns = (log_lambda, log_u, np.where(tells, one.bands.lift_mm, np.nan), own, common, alike)
        placed = np.full((len(columns), bands.rpm.size), np.nan)
        placed[:, band[use]] = np.array(columns)[:, use]
        at_least = np.zeros(bands.rpm.size, dtype=bool)
        at_least[band[use]] = lean[use]
        read, read_u, lift, lift_u, shared, alike = placed
        out.append(Readings(one, read, read_u, lift, lift_u, shared, alike, at_least))
    return tuple(reversed(out))


def usable_lambda(bands: Bands, doubts: Doubts) -> tuple[FloatArray, FloatArray, NDArray[np.bool_]]:
    """ln(lambda) worth trusting of each band, its standard uncertainty, and whether it counts as "at least so lean"."""
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
    """Place in ``bands`` of each of ``other``, by load and the nearest speed not yet taken; -1 where none is alike."""
    out, free = np.full(other.rpm.size, -1, dtype=np.intp), np.ones(bands.rpm.size, dtype=bool)
    keys = list(zip(bands.load, bands.bank, strict=True))
    for k, key in enumerate(zip(other.load, other.bank, strict=True)):
        alike = free & np.array([one == key for one in keys])
        apart = np.where(alike, np.abs(bands.rpm / other.rpm[k] - 1.0), np.inf)
        if apart.min() < SAME_SPEED:
            out[k] = int(np.argmin(apart))
            free[out[k]] = False
    return out
