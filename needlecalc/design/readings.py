"""Readings of all passes on one list of bands: lambda worth trusting, lift, and the doubt of each."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.doubts import Doubts
from needlecalc.design.history import History, Pass
from needlecalc.errors import InputError
from needlecalc.measure.bands import Bands
from needlecalc.measure.liftparts import lift_change
from needlecalc.measure.liftways import WEIGHED, alike
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray

ROUGH = 1.6  # spread over that of the steady bands, where misfire shows
LEANER_STILL = 0.05  # past the lean limit, where no spread is known
SAME_SPEED = 0.08
SAME_PLACE_MM = 1e-6
MOST_BANDS = 1000  # every band has its doubt with every other, so memory goes with the square
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
    band : array of int, shape (r,)
        Band of each reading.
    log_lambda, log_lambda_u : array, shape (r,)
        ln(lambda) and its doubt. [-]
    lift_band : array of int, shape (s,)
        Band of each lift that counts as a reading of its own.
    lift : array, shape (s,)
        Lift. [mm]
    lift_root : array, shape (s, s)
        Root (lower triangle) of the covariance of the lifts, less what all share. [mm]
    lift_common : array, shape (s,)
        Shift of each lift for one sigma of the error all share. [mm]
    at_least : array of bool, shape (r,)
        Readings that count as "at least so lean".
    """

    one: Pass
    band: NDArray[np.intp]
    log_lambda: FloatArray
    log_lambda_u: FloatArray
    lift_band: NDArray[np.intp]
    lift: FloatArray
    lift_root: FloatArray
    lift_common: FloatArray
    at_least: NDArray[np.bool_]


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
        computed = np.array(["computed" in source or WEIGHED in source for source in one.bands.lift_source])
        tells = use & (~computed | still_to_tell[band]) & ~(one.bands.lift_u_mm > NO_READING_U_MM)
        still_to_tell[band[use & computed]] = False
        common = np.nan_to_num(one.bands.lift_common_u_mm)
        own = np.sqrt(np.maximum(np.nan_to_num(one.bands.lift_u_mm) ** 2 - common**2, LEAST_LIFT_U_MM**2))
        root = _root(one.bands.lift_mm[tells], own[tells], computed[tells])
        out.append(
            Readings(
                one,
                band[use],
                log_lambda[use],
                doubt[use],
                band[tells],
                one.bands.lift_mm[tells],
                root,
                common[tells],
                lean[use],
            )
        )
    return tuple(reversed(out))


def _root(lift_mm: FloatArray, own_u_mm: FloatArray, computed: NDArray[np.bool_]) -> FloatArray:
    """Root of the covariance of lifts: a computed one errs much as its neighbours do, a reading by itself."""
    together = np.outer(computed, computed) * alike(lift_mm)
    np.fill_diagonal(together, 1.0)
    return np.asarray(np.linalg.cholesky(together * np.outer(own_u_mm, own_u_mm)))


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
    for k in range(other.rpm.size):
        near = [
            (abs(bands.rpm[b] / other.rpm[k] - 1.0), b)
            for b in range(bands.rpm.size)
            if (bands.load[b], bands.bank[b]) == (other.load[k], other.bank[k])
            and abs(bands.rpm[b] / other.rpm[k] - 1.0) < SAME_SPEED
        ]
        near = [pair for pair in near if pair[1] not in out]
        if near:
            out[k] = min(near)[1]
    return out
