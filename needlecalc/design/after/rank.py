"""Is there a needle that serves as it is: each of the user's own tables with its best jet height, ranked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.after.outcome import touched
from needlecalc.design.belief.law import AT_ONCE, Law
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import TOMORROW
from needlecalc.design.inverse.problem import reach_mm
from needlecalc.design.inverse.target import HARDLY, Target
from needlecalc.design.inverse.uncertainty import AfterCut, least_difference_mm
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle
from needlecalc.parts.needles import NeedleTables, read_needles
from needlecalc.parts.setup import Setup
from needlecalc.show import Shown, counted, in_words
from needlecalc.units import FloatArray

WITH_INTERVALS = 20
TOUCHED_MM = 1e-3
DIGITS = 9  # of the misses that rank: the rest is rounding
DROPS_TRIED = 41
TOO_RICH = 0.01  # a donor may start so much richer than asked
AT_ONCE_CENTRED = 3000  # needles times bands, one strip each
GAP_EXPONENT = 2.0  # of the fuel, to begin with
SECANTS, HARDLY_WIDER = 4, 1e-9
ACTS_BELOW = 0.25  # of the bore: how far below the face a diameter acts, about
NUT_MM, TINY = 0.1, 1e-15


class Worth(StrEnum):
    """What a needle is good for."""

    SERVES = "serves as it is"
    DONOR = "donor"
    NEEDS_METAL = "needs more metal than it has"
    NOT_BY_FILING = "filing alone does not bring it there"


@dataclass(frozen=True, repr=False, eq=False)
class RankedNeedle(Shown):
    """One needle in the carburettor, at the jet drop where it serves best; arrays have shape (m,).

    Parameters
    ----------
    needle : Needle
        The needle.
    drop_mm : float
        Best jet drop in the nut's range. [mm]
    worth : Worth
        What it is good for: it serves where every band is inside what is permitted, as :func:`solve` judges.
    lambda_predicted, lambda_low, lambda_high : array, shape (m,)
        Lambda of each band there and its 90 % interval, NaN where none was asked for. [-]
    worst, rms : float
        Largest miss of any band, as a share of its target, and the root mean square miss. [-]
    chance : float
        Chance that every band is inside what is permitted; NaN where no interval was asked for. [-]
    filing_um : float
        Most metal a file would take off any place, the jet then at ``donor_drop_mm``. [um]
    stations : tuple of int
        Stations the file would touch, from 1.
    lacks_um : float
        Metal it lacks where no jet height makes it a donor, by more than hand and micrometer can tell; else 0. [um]
    donor_drop_mm : float
        Jet drop it would be driven with once filed. [mm]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> rank([road.design.needle], road.target, road.job.learned(road.bands)).needles[0].needle.name
    'van as fitted at its target'
    """

    needle: Needle
    drop_mm: float
    worth: Worth
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    worst: float
    rms: float
    chance: float
    filing_um: float
    stations: tuple[int, ...]
    lacks_um: float
    donor_drop_mm: float

    def __repr__(self) -> str:
        return f"{self.needle.name}: worst {100 * self.worst:.1f} %, rms {100 * self.rms:.1f} %; {in_words(self)}"


@dataclass(frozen=True, repr=False, eq=False)
class Ranking(Shown):
    """Needles by how near they come to a target unfiled, best first.

    Parameters
    ----------
    target : Target
        What was asked.
    needles : tuple of RankedNeedle
        Those that serve first, then by rms miss.
    refused : tuple of (str, str)
        Names of those that could not be weighed, and why.
    setup : Setup
        The car, with the needle and the jet height it has now.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> rank([road.design.present(), road.design.needle], road.target, road.job.learned(road.bands)).needles[0].needle.name
    'van as fitted at its target'
    """

    target: Target
    needles: tuple[RankedNeedle, ...]
    refused: tuple[tuple[str, str], ...]
    setup: Setup

    def __repr__(self) -> str:
        best = repr(self.needles[0]) if self.needles else "none fits"
        return f"Ranking of {counted(len(self.needles), 'needle')}, {len(self.refused)} refused; best {best}"

    def best(self) -> RankedNeedle:
        """Needle that comes nearest unfiled; refused where none could be weighed."""
        if not self.needles:
            msg = f"None of {counted(len(self.refused), 'needle')} could be weighed; the first: {self.refused[0][1]}"
            raise InputError(msg)
        return self.needles[0]

    def of_use(self) -> bool:
        """Whether any of them serves, as it is or filed."""
        return any(one.worth in (Worth.SERVES, Worth.DONOR) for one in self.needles)

    def donors(self) -> Ranking:
        """Those that a file brings to the target, least metal first."""
        donors = sorted((one for one in self.needles if one.worth is Worth.DONOR), key=lambda one: one.filing_um)
        return replace(self, needles=tuple(donors))


def rank(
    needles: Sequence[Needle] | NeedleTables | str | Path,
    target: Target,
    learned: Learned | Setup,
    *,
    intervals: int = WITH_INTERVALS,
) -> Ranking:
    r"""Needles ranked by how near each comes to a target, unfiled, at its best jet height.

    Parameters
    ----------
    needles : sequence of Needle, or what ``read_needles`` gives or reads
        Needles; or a folder or table of the user's own, see :func:`~needlecalc.parts.needles.read_needles`.
    target : Target
        Bands with lifts, and lambda asked of each.
    learned : Learned or Setup
        What the passes taught, or the setup of the one drive.
    intervals : int
        How many of the best get intervals and a chance; they take longer than all else.

    Returns
    -------
    Ranking
        Those that serve first, then by rms miss; needles thicker than the jet, off their table at a band, or in a table
        that cannot be read are refused with the reason.

    Raises
    ------
    InputError
        If the tables cannot be read or hold no needle, or none was given.

    Notes
    -----
    :math:`\ln\lambda_n = \ln\lambda_0 - g\,[\ln Q_n(y, j) - \ln Q_0(y, j_0)]` at the lift *y* and with the gain *g*
    learned, 0 being the needle now fitted.  The jet drop *j* is the one of the nut's range with the least weighted squares
    of :math:`\ln(\lambda/\lambda_t)`, moved to where every band is inside what is permitted if there is such a height.
    A donor is filed from the lowest jet that leaves metal at every band; what it would then give is judged as any needle is.
    Intervals draw on everything known of the car, the tables' own errors and the sensor's zero, idle trimmed by the nut.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> rank([road.design.present(), road.design.needle], road.target, road.setup).best().needle.name
    'van as fitted at its target'
    """
    if isinstance(needles, (str, Path)):
        needles = read_needles(needles)
    refused = list(needles.refused) if isinstance(needles, NeedleTables) else []
    listed = needles.needles if isinstance(needles, NeedleTables) else tuple(needles)
    if not listed and not refused:
        msg = "There is no needle to rank; give a list of needles, or a folder or table of them."
        raise InputError(msg)
    car = learned if isinstance(learned, Learned) else learn(target.bands, learned)
    alike: dict[bytes, list[Needle]] = {}
    for needle in listed:
        stations = needle.stations_mm.tobytes()
        try:
            if stations not in alike or needle.diameters_mm[0] >= car.setup.carburettor.jet.least_bore_mm():
                _drops_mm(car.setup.with_needle(needle), car, target)
        except InputError as error:
            refused.append((needle.name, str(error)))
        else:
            alike.setdefault(stations, []).append(needle)
    some = max(AT_ONCE_CENTRED // target.lambda_target.size, 1)
    parts = (group[start : start + some] for group in alike.values() for start in range(0, len(group), some))
    ranked = [one for part in parts for one in _weighed(part, target, car)]
    ranked.sort(key=lambda one: (one.worth is not Worth.SERVES, round(one.rms, DIGITS), one.needle.name))
    best = [_with_interval(one, target, car) for one in ranked[:intervals]]
    return Ranking(target, (*best, *ranked[intervals:]), tuple(refused), car.setup)


def _weighed(needles: Sequence[Needle], target: Target, car: Learned) -> list[RankedNeedle]:
    """Needles on the same stations, each at its best jet drop."""
    setup, told = car.setup.with_needle(needles[0]), least_difference_mm(car.doubts)
    law, drops_mm = car.law.in_parts(setup), _drops_mm(setup, car, target)
    true_mm = np.array([_estimated_mm(needle, car) for needle in needles])
    drop_mm, lowest_mm = _best_drops(law, target, true_mm, drops_mm)
    lacks_mm, filed_mm = _filed(law, target, true_mm, lowest_mm)
    donor_mm = _trimmed(law, target, filed_mm, lowest_mm, drops_mm)
    then, found = (np.exp(_exact(law, *one)) for one in ((filed_mm, donor_mm), (true_mm, drop_mm)))
    off, short = np.abs(found / target.lambda_target - 1.0), lacks_mm > told
    serves, possible = (np.all(~target.outside(one), axis=1) for one in (found, then))
    worth = np.argmax([serves, short, possible, np.ones(short.size, dtype=bool)], axis=0)  # the first that holds
    taken, unknown = true_mm - filed_mm, np.full(off.shape[1], np.nan)
    figures = {
        "drop_mm": drop_mm,
        "worst": off.max(axis=1),
        "rms": np.sqrt((off**2).mean(axis=1)),
        "filing_um": 1e3 * taken.max(axis=1),
        "lacks_um": np.where(short, 1e3 * lacks_mm, 0.0),
        "donor_drop_mm": donor_mm,
    }
    return [
        RankedNeedle(
            needle=needle,
            worth=(Worth.SERVES, Worth.NEEDS_METAL, Worth.DONOR, Worth.NOT_BY_FILING)[worth[n]],
            lambda_predicted=found[n],
            lambda_low=unknown,
            lambda_high=unknown,
            chance=float("nan"),
            stations=tuple((np.flatnonzero(taken[n] > TOUCHED_MM) + 1).tolist()),
            **{name: float(values[n]) for name, values in figures.items()},
        )
        for n, needle in enumerate(needles)
    ]


def _best_drops(law: Law, target: Target, diameters_mm: FloatArray, drops_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Of each needle the jet drop at which it serves best, and the greatest that makes no band richer than its target."""
    aim, last, each = np.log(target.lambda_target), len(drops_mm) - 1, np.arange(len(diameters_mm))
    weight, counts = (target.weight / target.giving_way()) ** 2, target.giving_way() == 1.0
    near = law.centred()
    logs = np.stack([near.log_lambda(diameters_mm[:, None, :], drop) for drop in drops_mm.tolist()], axis=1)
    # What a needle off its centre differs by goes about straight with the height: known at both ends, then at the best.
    ends = [_exact(law, diameters_mm, np.full(each.size, drops_mm[k])) - logs[:, k] for k in (0, last)]
    logs += ends[0][:, None] + np.linspace(0.0, 1.0, last + 1)[:, None] * (ends[1] - ends[0])[:, None]
    best = np.argmin((logs - aim) ** 2 @ weight, axis=1)
    if last:
        best = np.clip(best, 1, last - 1)
        logs += (_exact(law, diameters_mm, drops_mm[best]) - logs[each, best])[:, None]
        three = logs[each[:, None], best[:, None] + np.array([-1, 0, 1])]
        before, here, after = ((three - aim) ** 2 @ weight).T
        best = best + np.clip((before - after) / 2.0 / np.maximum(before - 2.0 * here + after, TINY), -1.0, 1.0)
    # A height at which every band is inside what is permitted goes before one with a better mean. A lower jet never leans:
    # so these are one stretch.
    first = np.maximum(_falls_to(logs, np.log(target.lambda_lean + HARDLY / 2.0)).max(axis=1), 0.0)
    past = np.minimum(_falls_to(logs, np.log(target.lambda_rich - HARDLY / 2.0)).min(axis=1), last)
    best = np.where(first <= past, np.clip(best, first, past), best)
    lowest = np.clip(_falls_to(logs, aim + np.log1p(-TOO_RICH))[:, counts].min(axis=1), 0.0, last)
    place = np.arange(last + 1)
    return np.interp(best, place, drops_mm), np.interp(lowest, place, drops_mm)


def _trimmed(law: Law, target: Target, diameters_mm: FloatArray, drop_mm: FloatArray, drops_mm: FloatArray) -> FloatArray:
    """Jet drops a step nearer to the least squares."""
    low, high = (np.clip(drop_mm + step, drops_mm[0], drops_mm[-1]) for step in (-NUT_MM, NUT_MM))
    leaner, richer = (law.centred().log_lambda(diameters_mm[:, None, :], drop[:, None]) for drop in (low, high))
    slope, weight = (richer - leaner) / np.maximum(high - low, TINY)[:, None], (target.weight / target.giving_way()) ** 2
    off = _exact(law, diameters_mm, drop_mm) - np.log(target.lambda_target)
    turn = (off * slope) @ weight / np.maximum(slope**2 @ weight, TINY)
    return np.clip(drop_mm - turn, drops_mm[0], drops_mm[-1])


def _falls_to(logs: FloatArray, level: FloatArray) -> FloatArray:
    """Place in the row of drops at which each band falls to a level, (n, m); infinite where it never does."""
    above = (logs > level).sum(axis=1)
    upper = np.clip(above - 1, 0, max(logs.shape[1] - 2, 0))[:, None]
    first = np.take_along_axis(logs, upper, axis=1)[:, 0]
    second = np.take_along_axis(logs, np.minimum(upper + 1, logs.shape[1] - 1), axis=1)[:, 0]
    share = np.clip((first - level) / np.maximum(first - second, TINY), 0.0, 1.0)
    return np.where(above == 0, -np.inf, np.where(above == logs.shape[1], np.inf, upper[:, 0] + share))


def _exact(law: Law, diameters_mm: FloatArray, drop_mm: FloatArray) -> FloatArray:
    """ln(lambda) of each needle at its own drop, (n, m)."""
    some = max(AT_ONCE // law.place.bands, 1)
    parts = [slice(start, start + some) for start in range(0, len(diameters_mm), some)]
    return np.vstack([law.log_lambda(diameters_mm[part], drop_mm[part, None]) for part in parts])


def _filed(law: Law, target: Target, diameters_mm: FloatArray, drop_mm: FloatArray) -> tuple[FloatArray, FloatArray]:
    """Metal lacking at the worst band, beyond what may start too rich, and diameters that filing the others leaves."""
    aim, counts, near = np.log(target.lambda_target), target.giving_way() == 1.0, law.centred()
    carburettor, lift = law.setup.carburettor, law.unknowns[law.place.lift()]
    stations, shift = carburettor.needle.stations_mm, carburettor.position_mm(0.0, drop_mm)[:, None]
    now = _exact(law, diameters_mm, drop_mm)
    level = np.clip(now, aim + np.log1p(-TOO_RICH), aim)
    apart = now - near.log_lambda(diameters_mm[:, None, :], drop_mm[:, None])
    at_band = [np.interp(places, stations, needle) for places, needle in zip(lift + shift, diameters_mm, strict=True)]
    gap = carburettor.jet.least_bore_mm() - np.array(at_band)
    # Secants in the logarithm of the gap, the needle thinner all along, for each band by itself.
    before, value = np.zeros(now.shape), now - level
    wider = value / GAP_EXPONENT
    for _ in range(SECANTS):
        thinned = diameters_mm[:, None, :] - (gap * np.expm1(wider))[:, :, None]
        here = near.log_lambda(thinned, drop_mm[:, None]) + apart - level
        moved = np.abs(wider - before) > HARDLY_WIDER
        slope = np.where(moved, (here - value) / np.where(moved, wider - before, 1.0), -GAP_EXPONENT)
        before, value, wider = wider, here, wider - here / np.minimum(slope, -0.5)
    removal = (gap * np.expm1(wider))[:, counts]
    places, which = np.unique(lift[counts], return_inverse=True)
    asked = np.zeros((len(diameters_mm), places.size))
    np.maximum.at(asked.T, which, np.maximum(removal, 0.0).T)
    along = stations - shift - ACTS_BELOW * np.asarray(law.parameters(TOMORROW).length_mm)
    taken = np.array([np.interp(row, places, metal) for row, metal in zip(along, asked, strict=True)])
    # Nobody knows the needle above the station before the first band.
    taken[:, :-1][along[:, 1:] <= places[0]] = 0.0
    return np.maximum(-removal, 0.0).max(axis=1), np.minimum.accumulate(diameters_mm - taken, axis=1)


def _metal_now_fitted(needle: Needle, car: Learned) -> NDArray[np.bool_]:
    """Stations at which it is the very needle now fitted, filed elsewhere or not at all."""
    last = car.history.passes[-1].needle
    if not np.array_equal(last.stations_mm, needle.stations_mm) or (needle.diameters_mm > last.diameters_mm).any():
        return np.zeros(needle.stations_mm.size, dtype=bool)
    return ~touched(car, needle)


def _estimated_mm(needle: Needle, car: Learned) -> FloatArray:
    """Diameters estimated: as measured, or what the drives taught of the metal that they were made with."""
    same = _metal_now_fitted(needle, car)
    return np.where(same, car.present_mm(), needle.diameters_mm) if same.any() else needle.diameters_mm


def _with_interval(one: RankedNeedle, target: Target, car: Learned) -> RankedNeedle:
    """The same with intervals of lambda and the chance that every band is inside what is permitted."""
    law = car.law.in_parts(car.setup.with_needle(one.needle))
    # Every table errs by itself; metal that was driven keeps the errors it was driven with.
    same = _metal_now_fitted(one.needle, car)
    number = car.fitted() if same.any() else None
    straight = law.slopes(_estimated_mm(one.needle, car), one.drop_mm, number=number, kept=same)
    cut = AfterCut(car, target, one.drop_mm, *straight, np.where(same, 0.0, car.doubts.table_mm))
    drawn = cut.lambda_drawn(seed=3)
    low, high = np.quantile(drawn, [0.05, 0.95], axis=0)
    chance = float((~target.outside(drawn)).all(axis=1).mean())
    return replace(one, lambda_low=low, lambda_high=high, chance=chance)


def _drops_mm(setup: Setup, car: Learned, target: Target) -> FloatArray:
    """Jet drops of the nut's range at which every band stands on the needle's table."""
    low, high = reach_mm(setup, car.lift_mm())
    if low > high + 1e-9:
        stations, places = setup.carburettor.needle.stations_mm, setup.carburettor.position_mm(car.lift_mm())
        outer = int(np.argmax(places))
        msg = (
            f"its table runs from {stations[0]:g} to {stations[-1]:g} mm, but {target.bands.name(outer)} stands at "
            f"{places[outer]:.1f} mm; measure more stations."
        )
        raise InputError(msg)
    return np.linspace(low, high, DROPS_TRIED if high > low else 1)
