"""Many needles at once: the jet height at which each serves best, and what a file would have to take off each.

A lower jet never leans: the needle only grows thinner towards its tip, and the fuel stands nearer the face. So ln(lambda)
falls with the drop in every band, and the drops at which a band is inside what is permitted are one stretch.

Where off centre, a needle is weighed as centred first, with the difference to the law taken at a few heights and at the best
of them; the law itself gives every figure that is handed back.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.law import AT_ONCE, Law
from needlecalc.design.belief.unknowns import TOMORROW
from needlecalc.design.inverse.target import HARDLY, Target
from needlecalc.parts.setup import fuel_flow
from needlecalc.units import FloatArray

DROPS_TRIED = 41
FINE = np.linspace(-1.0, 1.0, 401)  # between a height and its two neighbours
TOO_RICH = 0.01  # a donor may start so much richer than asked
CENTRED_AT_ONCE = 3000  # needles times bands, one strip each
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
    some = max(CENTRED_AT_ONCE // target.lambda_target.size, 1)
    parts = [diameters_mm[start : start + some] for start in range(0, len(diameters_mm), some)]
    found = [vars(_scan(law, target, part, drops_mm)) for part in parts]
    return Scan(**{name: np.concatenate([one[name] for one in found]) for name in found[0]})


def _scan(law: Law, target: Target, diameters_mm: FloatArray, drops_mm: FloatArray) -> Scan:
    aim, last = np.log(target.lambda_target), len(drops_mm) - 1
    logs = _at_every_drop(law, diameters_mm, drops_mm)
    weight = (target.weight / target.giving_way()) ** 2
    nearest, each = np.argmin(np.einsum("nkm,m->nk", (logs - aim) ** 2, weight), axis=1), np.arange(len(logs))
    best = nearest.astype(np.float64)
    if last:
        middle = np.clip(nearest, 1, last - 1)
        logs += (_exact(law, diameters_mm, drops_mm[middle]) - logs[each, middle])[:, None]
        best = middle + _between(logs[each[:, None], middle[:, None] + np.array([-1, 0, 1])] - aim, weight)
    first_inside = np.maximum(_falls_to(logs, np.log(target.lambda_lean + HARDLY / 2.0)).max(axis=1), 0.0)
    last_inside = np.minimum(_falls_to(logs, np.log(target.lambda_rich - HARDLY / 2.0)).min(axis=1), last)
    # A height at which every band is inside what is permitted goes before one with a better mean.
    inside = first_inside <= last_inside
    best[inside] = np.clip(best, first_inside, last_inside)[inside]
    drop = _drops(drops_mm, best)
    counts = target.giving_way() == 1.0
    donor = _drops(drops_mm, np.clip(_falls_to(logs, aim + np.log1p(-TOO_RICH))[:, counts].min(axis=1), 0.0, last))
    lacks, filed, apart = _filed(law, aim, counts, diameters_mm, donor)
    donor = _trimmed(law, filed, donor, drops_mm, aim - apart, weight)
    return Scan(drop, _exact(law, diameters_mm, drop), donor, lacks, filed, _exact(law, filed, donor))


def _trimmed(
    law: Law, diameters_mm: FloatArray, drop_mm: FloatArray, drops_mm: FloatArray, aim: FloatArray, weight: FloatArray
) -> FloatArray:
    """Jet drops a step nearer to the least squares; ``aim`` is of a needle in the middle of its jet."""
    ends = [np.clip(drop_mm + step, drops_mm[0], drops_mm[-1]) for step in (-NUT_MM, NUT_MM)]
    now, low, high = (_centred(law, diameters_mm[:, None, :], drop[:, None]) for drop in (drop_mm, *ends))
    slope = (high - low) / np.maximum(ends[1] - ends[0], 1e-9)[:, None]
    turn = -((now - aim) * slope) @ weight / np.maximum(slope**2 @ weight, 1e-12)
    return np.clip(drop_mm + turn, drops_mm[0], drops_mm[-1])


def _drops(drops_mm: FloatArray, at: FloatArray) -> FloatArray:
    """Drops at places in their row, whole or between."""
    return np.interp(at, np.arange(len(drops_mm)), drops_mm)


def _exact(law: Law, diameters_mm: FloatArray, drop_mm: FloatArray) -> FloatArray:
    """ln(lambda) of each needle at its own drop, (n, m)."""
    some = max(AT_ONCE // law.place.bands, 1)
    parts = [slice(start, start + some) for start in range(0, len(diameters_mm), some)]
    return np.vstack([law.log_lambda(diameters_mm[part], drop_mm[part, None]) for part in parts])


def _centred(law: Law, diameters_mm: FloatArray, drop_mm: FloatArray | float) -> FloatArray:
    """The same as if the needle stood in the middle of the jet; diameters (n, 1 or m, s)."""
    flow = fuel_flow(
        law.setup,
        law.lift_mm(drop_mm),
        diameters_mm=law.in_jet(diameters_mm),
        drop_mm=drop_mm,
        depression_pa=law.bands.depression_pa,
        parameters=replace(law.parameters(TOMORROW), eccentricity=0.0),
    )
    return np.asarray(law.without_fuel - law.gain * np.log(flow.fuel_flow_g_s))


def _at_every_drop(law: Law, diameters_mm: FloatArray, drops_mm: FloatArray) -> FloatArray:
    """ln(lambda) of each needle, drop and band, (n, k, m): exact at both ends and the middle."""
    logs = np.stack([_centred(law, diameters_mm[:, None, :], float(drop)) for drop in drops_mm], axis=1)
    known = sorted({0, len(drops_mm) // 2, len(drops_mm) - 1})
    every = np.ones(len(diameters_mm))
    apart = np.stack([_exact(law, diameters_mm, drops_mm[k] * every) - logs[:, k] for k in known], axis=1)
    place, at = np.arange(len(drops_mm))[:, None], np.array(known, dtype=np.float64)
    share = [np.prod((place - np.delete(at, p)) / (at[p] - np.delete(at, p)), axis=1) for p in range(len(known))]
    return np.asarray(logs + np.einsum("pk,npm->nkm", np.array(share), apart))


def _between(off: FloatArray, weight: FloatArray) -> FloatArray:
    """Place of least squares, -1 to 1, from misses at three heights, (n, 3, m), by a parabola of each band."""
    before, here, after = np.moveaxis(off, 1, 0)
    slope, bend = (after - before) / 2.0, (after + before) / 2.0 - here
    parts = (here**2, 2.0 * here * slope, slope**2 + 2.0 * here * bend, 2.0 * slope * bend, bend**2)
    cost = np.stack([part @ weight for part in parts], axis=1) @ np.vander(FINE, len(parts), increasing=True).T
    return np.asarray(FINE[np.argmin(cost, axis=1)])


def _falls_to(logs: FloatArray, level: FloatArray) -> FloatArray:
    """Place in the row of drops at which each band falls to a level, (n, m); infinite where it never does."""
    above = (logs > level).sum(axis=1)
    upper = np.clip(above - 1, 0, max(logs.shape[1] - 2, 0))[:, None]
    first = np.take_along_axis(logs, upper, axis=1)[:, 0]
    second = np.take_along_axis(logs, np.minimum(upper + 1, logs.shape[1] - 1), axis=1)[:, 0]
    share = np.clip((first - level) / np.maximum(first - second, 1e-15), 0.0, 1.0)
    between = upper[:, 0] + share
    return np.where(above == 0, -np.inf, np.where(above == logs.shape[1], np.inf, between))


def _filed(
    law: Law, aim: FloatArray, counts: NDArray[np.bool_], diameters_mm: FloatArray, drop_mm: FloatArray
) -> tuple[FloatArray, FloatArray, FloatArray]:
    """Metal lacking at worst, diameters that filing each band to its target leaves, and how far a centred needle is off."""
    carburettor = law.setup.carburettor
    stations, shift = carburettor.needle.stations_mm, carburettor.position_mm(0.0, drop_mm)[:, None]
    lift = law.unknowns[law.place.lift()]
    now = _exact(law, diameters_mm, drop_mm)
    level = np.clip(now, aim + np.log1p(-TOO_RICH), aim)
    gap = carburettor.jet.least_bore_mm() - _rowwise(lift + shift, stations, diameters_mm)
    apart = now - _centred(law, diameters_mm[:, None, :], drop_mm[:, None])

    def too_lean(log_wider: FloatArray) -> FloatArray:
        thinner = gap * np.expm1(log_wider)
        thinned = diameters_mm[:, None, :] - thinner[:, :, None]
        return np.asarray(_centred(law, thinned, drop_mm[:, None]) + apart - level)

    removal = gap * np.expm1(_secant(too_lean, now - level))
    lacks = np.maximum(-removal[:, counts], 0.0).max(axis=1)
    places, which = np.unique(lift[counts], return_inverse=True)
    asked = np.zeros((len(diameters_mm), places.size))
    np.maximum.at(asked.T, which, np.maximum(removal[:, counts], 0.0).T)
    along = stations - shift - ACTS_BELOW * np.asarray(law.parameters(TOMORROW).length_mm)
    taken = _rowwise(along, places, asked)
    # Nobody knows the needle above the station before the first band.
    taken[:, :-1][along[:, 1:] <= places[0]] = 0.0
    return lacks, np.minimum.accumulate(diameters_mm - taken, axis=1), apart


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
    upper = np.clip(np.searchsorted(places, x, side="right") - 1, 0, max(places.size - 2, 0))
    lower = np.minimum(upper + 1, places.size - 1)
    wide = np.where(lower > upper, places[lower] - places[upper], 1.0)
    share = np.clip((x - places[upper]) / wide, 0.0, 1.0)
    first, second = np.take_along_axis(values, upper, axis=1), np.take_along_axis(values, lower, axis=1)
    return np.asarray(first + share * (second - first))
