"""Many needles at once: the jet height at which each serves best, and what a file would have to take off each.

A lower jet never leans: the needle only grows thinner towards its tip, and the fuel stands nearer the face. So ln(lambda)
falls with the drop in every band, and the drops at which a band is inside what is permitted are one stretch.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.law import AT_ONCE, Law
from needlecalc.design.belief.unknowns import TOMORROW
from needlecalc.design.inverse.target import HARDLY, Target
from needlecalc.units import FloatArray

DROPS_TRIED = 21
STEPS = 2  # nearer to the least squares, from the best of the heights tried
TOO_RICH = 0.01  # a donor may start so much richer than asked
GAP_EXPONENT = 2.0  # of the fuel, to begin with
SECANTS = 4
NUT_MM = 0.1
ACTS_BELOW = 0.25  # of the bore: how far below the face a diameter acts, about


@dataclass(frozen=True)
class Scan:
    """Some needles in the carburettor, one row each."""

    drop_mm: FloatArray  # (n,) best jet drop
    log_lambda: FloatArray  # (n, m) there
    donor_drop_mm: FloatArray  # (n,) jet drop to file it from: the lowest jet that leaves metal at every band
    lacks_mm: FloatArray  # (n,) metal lacking there at the worst band, beyond what may start too rich; else 0
    filed_mm: FloatArray  # (n, s) diameters that the file leaves
    log_filed: FloatArray  # (n, m) ln(lambda) with them


def scan(law: Law, target: Target, diameters_mm: FloatArray, drops_mm: FloatArray) -> Scan:
    """Needles on the stations of the law's own needle; ``drops_mm`` are evenly apart, rising."""
    aim, last = np.log(target.lambda_target), len(drops_mm) - 1
    logs = np.stack([_logs(law, diameters_mm, np.full(len(diameters_mm), drop)) for drop in drops_mm], axis=1)
    weight = (target.weight / target.giving_way()) ** 2
    drop = drops_mm[np.argmin(np.einsum("nkm,m->nk", (logs - aim) ** 2, weight), axis=1)]
    for _ in range(STEPS):
        drop = _trimmed(law, diameters_mm, drop, drops_mm, aim, weight)
    first = np.maximum(_falls_to(logs, np.log(target.lambda_lean + HARDLY / 2.0)).max(axis=1), 0.0)
    final = np.minimum(_falls_to(logs, np.log(target.lambda_rich - HARDLY / 2.0)).min(axis=1), last)
    # A height at which every band is inside what is permitted goes before one with a better mean.
    inside = first <= final
    drop[inside] = np.clip(drop, _drops(drops_mm, first), _drops(drops_mm, final))[inside]
    counts = target.giving_way() == 1.0
    donor = _drops(drops_mm, np.clip(_falls_to(logs, aim + np.log1p(-TOO_RICH))[:, counts].min(axis=1), 0.0, last))
    lacks, filed = _filed(law, aim, counts, diameters_mm, donor)
    donor = _trimmed(law, filed, donor, drops_mm, aim, weight)
    return Scan(drop, _logs(law, diameters_mm, drop), donor, lacks, filed, _logs(law, filed, donor))


def _trimmed(
    law: Law, diameters_mm: FloatArray, drop_mm: FloatArray, drops_mm: FloatArray, aim: FloatArray, weight: FloatArray
) -> FloatArray:
    """Jet drops a step nearer to the least squares."""
    ends = [np.clip(drop_mm + step, drops_mm[0], drops_mm[-1]) for step in (-NUT_MM, NUT_MM)]
    now, low, high = (_logs(law, diameters_mm, drop) for drop in (drop_mm, *ends))
    slope = (high - low) / np.maximum(ends[1] - ends[0], 1e-9)[:, None]
    turn = -((now - aim) * slope) @ weight / np.maximum(slope**2 @ weight, 1e-12)
    return np.clip(drop_mm + turn, drops_mm[0], drops_mm[-1])


def _drops(drops_mm: FloatArray, at: FloatArray) -> FloatArray:
    """Drops at places in their row, whole or between."""
    return np.interp(at, np.arange(len(drops_mm)), drops_mm)


def _logs(law: Law, diameters_mm: FloatArray, drop_mm: FloatArray) -> FloatArray:
    """ln(lambda) of each needle at its own drop, (n, m)."""
    some = max(AT_ONCE // law.place.bands, 1)
    parts = [slice(start, start + some) for start in range(0, len(diameters_mm), some)]
    return np.vstack([law.log_lambda(diameters_mm[part], drop_mm[part, None]) for part in parts])


def _falls_to(logs: FloatArray, level: FloatArray) -> FloatArray:
    """Place in the row of drops at which each band falls to a level, (n, m); infinite where it never does."""
    places = np.arange(logs.shape[1])
    return np.array(
        [[np.interp(-a, -band, places, -np.inf, np.inf) for a, band in zip(level, one.T, strict=True)] for one in logs]
    )


def _filed(
    law: Law, aim: FloatArray, counts: NDArray[np.bool_], diameters_mm: FloatArray, drop_mm: FloatArray
) -> tuple[FloatArray, FloatArray]:
    """Metal lacking at worst, and diameters that filing each band to its target leaves."""
    carburettor = law.setup.carburettor
    stations, shift = carburettor.needle.stations_mm, carburettor.position_mm(0.0, drop_mm)[:, None]
    lift = law.unknowns[law.place.lift()]
    now = _logs(law, diameters_mm, drop_mm)
    level = np.clip(now, aim + np.log1p(-TOO_RICH), aim)
    gap = carburettor.jet.least_bore_mm() - _rowwise(lift + shift, stations, diameters_mm)

    def too_lean(log_wider: FloatArray) -> FloatArray:
        thinner = gap * np.expm1(log_wider)
        thinned = diameters_mm[:, None, :] - thinner[:, :, None]
        return np.asarray(_logs(law, thinned, drop_mm) - level)

    removal = gap * np.expm1(_secant(too_lean, now - level))
    lacks = np.maximum(-removal[:, counts], 0.0).max(axis=1)
    places, which = np.unique(lift[counts], return_inverse=True)
    asked = np.zeros((len(diameters_mm), places.size))
    np.maximum.at(asked.T, which, np.maximum(removal[:, counts], 0.0).T)
    along = stations - shift - ACTS_BELOW * np.asarray(law.parameters(TOMORROW).length_mm)
    taken = _rowwise(along, places, asked)
    # Nobody knows the needle above the station before the first band.
    taken[:, :-1][along[:, 1:] <= places[0]] = 0.0
    return lacks, np.minimum.accumulate(diameters_mm - taken, axis=1)


def _secant(function: Callable[[FloatArray], FloatArray], at_zero: FloatArray) -> FloatArray:
    """Roots of a function that falls with about the gap's exponent."""
    before, value = np.zeros(at_zero.shape), at_zero
    x = at_zero / GAP_EXPONENT
    for _ in range(SECANTS):
        here = function(x)
        moved = np.abs(x - before) > 1e-9
        slope = np.where(moved, (here - value) / np.where(moved, x - before, 1.0), -GAP_EXPONENT)
        before, value, x = x, here, x - here / np.minimum(slope, -0.5)
    return x


def _rowwise(x: FloatArray, places: FloatArray, values: FloatArray) -> FloatArray:
    """Values (n, p) at the places (p,) as straight between them at x (n, q), held at the ends."""
    return np.array([np.interp(at, places, one) for at, one in zip(x, values, strict=True)])
