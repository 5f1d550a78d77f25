"""What is believed of a car once another needle is in it, before anyone has driven it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.history import SAME_NEEDLE_MM, History, Pass
from needlecalc.design.belief.learned import Learned
from needlecalc.errors import InputError
from needlecalc.gaussian import Gaussian
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
    estimate, before = learned.estimate, learned.before
    if number == place.needles:
        one = max(learned.doubts.micrometer_mm, LEAST_ERROR_MM)
        # Unknowns that each new one copies; those measured anew stand alone.
        copy = np.eye(before.size)[place.needle(old)]
        copy[new] = 0.0
        both = estimate.joined(np.where(new, one, 0.0))
        both.root[before.size :, : estimate.root.shape[1]] = copy @ estimate.root
        estimate = Gaussian(np.append(estimate.mean, copy @ estimate.mean), both.root)
        before, place = np.append(before, np.full(new.size, one)), replace(place, needles=place.needles + 1)
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
        before=before,
    )
