"""Is there a needle that serves as it is: each of the user's own tables with its best jet height, ranked."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from enum import StrEnum
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.after.progress import touched
from needlecalc.design.after.scan import DROPS_TRIED, scan
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.problem import reach_mm
from needlecalc.design.inverse.target import Target
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
    >>> import numpy as np
    >>> import needlecalc as nc
    >>> valve = nc.AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = nc.Needle("straight", np.arange(13) * 3.175, np.linspace(2.46, 1.66, 13))
    >>> jet = nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=0.8, drop_max_mm=2.6)
    >>> setup = nc.Setup(nc.Engine(1500.0, 4), nc.Carburettor(needle, jet, valve))
    >>> bands = nc.typed_bands([1500, 3000, 4500], [1.02, 1.02, 1.02], lift_mm=[6.0, 13.0, 22.0])
    >>> other = nc.Needle("other", needle.stations_mm, needle.diameters_mm + 0.03)
    >>> rank([other, needle], nc.Target(bands, np.full(3, 0.95)), setup).best().needle.name
    'straight'
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
    ranked = [one for group in alike.values() for one in _weighed(group, target, car)]
    ranked.sort(key=lambda one: (one.worth is not Worth.SERVES, round(one.rms, DIGITS), one.needle.name))
    best = [_with_interval(one, target, car) for one in ranked[:intervals]]
    return Ranking(target, (*best, *ranked[intervals:]), tuple(refused), car.setup)


def _weighed(needles: Sequence[Needle], target: Target, car: Learned) -> list[RankedNeedle]:
    """Needles on the same stations, each at its best jet drop."""
    setup, told = car.setup.with_needle(needles[0]), least_difference_mm(car.doubts)
    true_mm = np.array([_estimated_mm(needle, car) for needle in needles])
    found = scan(car.law.in_parts(setup), target, true_mm, _drops_mm(setup, car, target))
    off = np.abs(np.expm1(found.log_lambda - np.log(target.lambda_target)))
    serves = np.all(~target.outside(np.exp(found.log_lambda)), axis=1)
    possible = np.all(~target.outside(np.exp(found.log_filed)), axis=1)
    taken, unknown = true_mm - found.filed_mm, np.full(off.shape[1], np.nan)
    return [
        RankedNeedle(
            needle=needle,
            drop_mm=float(found.drop_mm[n]),
            worth=_worth(bool(serves[n]), bool(found.lacks_mm[n] > told), bool(possible[n])),
            lambda_predicted=np.exp(found.log_lambda[n]),
            lambda_low=unknown,
            lambda_high=unknown,
            worst=float(off[n].max()),
            rms=float(np.sqrt((off[n] ** 2).mean())),
            chance=float("nan"),
            filing_um=1e3 * float(taken[n].max()),
            stations=tuple((np.flatnonzero(taken[n] > TOUCHED_MM) + 1).tolist()),
            lacks_um=1e3 * float(found.lacks_mm[n]) if found.lacks_mm[n] > told else 0.0,
            donor_drop_mm=float(found.donor_drop_mm[n]),
        )
        for n, needle in enumerate(needles)
    ]


def _worth(serves: bool, short: bool, possible: bool) -> Worth:
    if serves:
        return Worth.SERVES
    if short:
        return Worth.NEEDS_METAL
    return Worth.DONOR if possible else Worth.NOT_BY_FILING


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
    log, rows, by_needle = law.slopes(_estimated_mm(one.needle, car), one.drop_mm, number=number, kept=same)
    cut = AfterCut.of(car, target, rows, by_needle, np.where(same, 0.0, car.doubts.table_mm), log)
    drawn = np.exp(log + cut.errors(cut.known, seed=3))
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
