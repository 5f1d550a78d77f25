"""What is believed of a car once another needle is in it, before anyone has driven it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.history import SAME_NEEDLE_MM, History, Pass
from needlecalc.design.learn import Learned
from needlecalc.design.unknowns import Unknowns
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle

SAME_DROP_MM = 1e-6
LEAST_ERROR_MM = 1e-9  # what is certain still needs a width


def touched(learned: Learned, needle: Needle) -> NDArray[np.bool_]:
    """Stations of a needle that were measured anew since the last pass.

    Parameters
    ----------
    learned : Learned
        The car with its last needle.
    needle : Needle
        The needle now.

    Returns
    -------
    array of bool, shape (n,)
        True where a diameter differs.

    Raises
    ------
    InputError
        If the needle has other stations.
    """
    last = learned.history.passes[-1].needle
    if last.stations_mm.shape != needle.stations_mm.shape or not np.allclose(
        last.stations_mm, needle.stations_mm, atol=1e-6
    ):
        msg = f"Needle {needle.name} has other stations than {last.name}; measure it at the same ones, from the same datum."
        raise InputError(msg)
    return np.asarray(np.abs(last.diameters_mm - needle.diameters_mm) > SAME_NEEDLE_MM)


def unchanged(learned: Learned, needle: Needle, drop_mm: float) -> bool:
    """Whether needle and jet height are still those of the last pass.

    Parameters
    ----------
    learned : Learned
        The car with its last needle.
    needle : Needle
        The needle now.
    drop_mm : float
        Jet drop now. [mm]

    Returns
    -------
    bool
        True where neither has changed.
    """
    return abs(drop_mm - learned.history.passes[-1].drop_mm) < SAME_DROP_MM and not touched(learned, needle).any()


def refitted(learned: Learned, needle: Needle, drop_mm: float) -> Learned:
    """The car as believed with another needle in it, measured but not yet driven.

    Parameters
    ----------
    learned : Learned
        The car as believed after its passes.
    needle : Needle
        The needle now fitted, as measured, at the same stations.
    drop_mm : float
        Jet drop now. [mm]

    Returns
    -------
    Learned
        The same beliefs; lambda of its last pass is the predicted one, marked as not driven.  Stations
        measured anew carry the error of a micrometer reading, the others the error they had.

    Raises
    ------
    InputError
        If the needle has other stations.
    """
    new = touched(learned, needle)
    place, history = learned.place, learned.history
    old = int(history.needle_of_pass()[-1])
    after = history.then(needle, drop_mm, learned.bands)
    number = int(after.needle_of_pass()[-1])
    mean, covariance, before = learned.mean, learned.covariance, learned.before
    if number == place.needles:
        place = Unknowns(place.bands, place.needles + 1, place.stations)
        one = max(learned.doubts.micrometer_mm, LEAST_ERROR_MM)
        # Rows of the old vector that each new unknown copies; those measured anew stand alone.
        copy = np.vstack([np.eye(mean.size), np.eye(mean.size)[place.needle(old)]])
        copy[mean.size :][new] = 0.0
        error = np.zeros(place.size())
        error[place.needle(number)][new] = one
        mean = copy @ mean
        covariance = copy @ covariance @ copy.T + np.diag(error**2)
        before = np.append(before, np.full(place.stations, one))
    true = needle.diameters_mm - mean[place.needle(number)]
    expected = np.exp(learned.log_lambda(learned.mean, true, drop_mm))
    undriven = replace(learned.bands, lambda_measured=expected, log=None)
    after = History((*history.passes, Pass(needle, drop_mm, undriven, driven=False)))
    return replace(
        learned,
        setup=after.present(learned.setup),
        history=after,
        bands=undriven,
        place=place,
        mean=mean,
        covariance=covariance,
        before=before,
    )
