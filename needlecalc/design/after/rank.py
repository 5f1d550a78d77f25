"""Is there a needle that serves as it is: each of the user's own tables with its best jet height, ranked."""

from __future__ import annotations

import os
from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

import numpy as np

from needlecalc.design.after.progress import touched
from needlecalc.design.belief.law import Law
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.problem import drops_on_table_mm
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import AfterCut, told_mm
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle, read_needle
from needlecalc.parts.setup import Setup, fuel_flow
from needlecalc.show import Shown, counted, in_words
from needlecalc.units import FloatArray

DROPS_TRIED = 41
TOO_RICH = 0.01  # a donor may start so much richer than asked


class Worth(StrEnum):
    """What a needle is good for."""

    SERVES = "serves as it is"
    DONOR = "donor"
    NEEDS_METAL = "needs more metal than it has"


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
        Lambda of each band there and its 90 % interval. [-]
    worst, worst_low, worst_high : float
        Largest miss of any band, as a share of its target, with the 90 % interval. [-]
    rms, rms_low, rms_high : float
        Root mean square miss, with the 90 % interval. [-]
    filing_um : float
        Most metal a file would still take off any place, at the drop of ``donor_drop_mm``. [um]
    lacks_um : float
        Metal it lacks there where no jet height makes it a donor, by more than hand and micrometer can tell; else 0. [um]
    donor_drop_mm : float
        Jet drop from which it would be filed. [mm]
    """

    needle: Needle
    drop_mm: float
    worth: Worth
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    worst: float
    worst_low: float
    worst_high: float
    rms: float
    rms_low: float
    rms_high: float
    filing_um: float
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
        Best first.
    refused : tuple of (str, str)
        Names of those that could not be weighed, and why.
    """

    target: Target
    needles: tuple[RankedNeedle, ...]
    refused: tuple[tuple[str, str], ...]

    def __repr__(self) -> str:
        best = repr(self.needles[0]) if self.needles else "none fits"
        return f"Ranking of {counted(len(self.needles), 'needle')}, {len(self.refused)} refused; best {best}"

    def best(self) -> RankedNeedle:
        """Needle that comes nearest unfiled; refused where none could be weighed."""
        if not self.needles:
            msg = f"None of {counted(len(self.refused), 'needle')} could be weighed; the first: {self.refused[0][1]}"
            raise InputError(msg)
        return self.needles[0]


def rank(
    needles: Sequence[Needle] | str | Path,
    target: Target,
    learned: Learned | Setup,
    *,
    pitch_mm: float | None = None,
    first_station_mm: float = 0.0,
) -> Ranking:
    r"""Needles ranked by how near each comes to a target, unfiled, at its best jet height.

    Parameters
    ----------
    needles : sequence of Needle, or folder
        Needles, or a folder of the user's own tables (``*.csv``), see
        :func:`~needlecalc.parts.needle.read_needle`.
    target : Target
        Bands with lifts, and lambda asked of each.
    learned : Learned or Setup
        What the passes taught, or the setup of the one drive.
    pitch_mm : float or None
        Distance between stations, for tables in the folder that give none. [mm]
    first_station_mm : float
        Distance of station 1 from the shoulder, for those tables. [mm]

    Returns
    -------
    Ranking
        Sorted by rms miss; needles thicker than the jet, off their table at a band, or in a table that cannot be
        read stand last with the reason.

    Raises
    ------
    InputError
        If the folder cannot be read or holds no table, or no needle was given.

    Notes
    -----
    :math:`\ln\lambda_n = \ln\lambda_0 - g\,[\ln Q_n(y, j) - \ln Q_0(y, j_0)]` at the lift *y* and with the gain *g*
    learned, 0 being the needle now fitted.  The jet drop *j* is the one of the nut's range with the least weighted squares
    of :math:`\ln(\lambda/\lambda_t)`, and one with every band inside what is permitted before one without.
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
    listed, refused = _tables(needles, pitch_mm, first_station_mm)
    car = learned if isinstance(learned, Learned) else learn(target.bands, learned)
    ranked = []
    for needle in listed:
        try:
            ranked.append(_weighed(needle, target, car))
        except InputError as error:
            refused.append((needle.name, str(error)))
    ranked.sort(key=lambda one: (one.rms, one.needle.name))
    return Ranking(target, tuple(ranked), tuple(refused))


def _tables(
    needles: Sequence[Needle] | str | Path, pitch_mm: float | None, first_station_mm: float
) -> tuple[list[Needle], list[tuple[str, str]]]:
    """Needles, and files that hold none."""
    if not isinstance(needles, (str, Path)):
        if not needles:
            msg = "There is no needle to rank; give a list of needles, or a folder of tables."
            raise InputError(msg)
        return list(needles), []
    folder = Path(needles)
    files = sorted(folder.glob("*.csv")) if os.path.isdir(folder) else []
    if not files:
        name = plain(folder.name, LONGEST_NAME)
        msg = f"{name}: no folder with needle tables in it (*.csv); check its name, or save the tables there."
        raise InputError(msg)
    listed, refused = [], []
    for file in files:
        try:
            listed.append(read_needle(file, pitch_mm=pitch_mm, first_station_mm=first_station_mm))
        except InputError as error:
            refused.append((file.stem, str(error)))
    return listed, refused


def _weighed(needle: Needle, target: Target, car: Learned) -> RankedNeedle:
    """One needle at its best jet drop."""
    setup = car.setup.with_needle(needle)
    law = car.law.in_parts(setup)
    aim = np.log(target.lambda_target)
    drops = _drops_on_table(setup, car, target)
    fuel_flow(setup, car.lift_mm(), drop_mm=drops[0], depression_pa=car.bands.depression_pa)  # refuses one too thick
    tried = [law.slopes(needle.diameters_mm, drop) for drop in drops]
    costs = [float(np.sum((target.weight * (log - aim)) ** 2)) for log, _, _ in tried]
    best = _refined(law, needle, target, drops, costs)
    if target.outside(np.exp(law.log_lambda(needle.diameters_mm, best))).any():
        # A height at which every band is inside what is permitted goes before one with a better mean.
        inside = [k for k, (log, _, _) in enumerate(tried) if not target.outside(np.exp(log)).any()]
        best = drops[min(inside, key=lambda k: costs[k])] if inside else best
    log, rows, by_needle = law.slopes(needle.diameters_mm, best)
    # Every table errs by itself; the sensor's zero shifts all bands.
    table = np.full(needle.stations_mm.size, car.doubts.table_mm)
    if np.array_equal(needle.stations_mm, car.history.passes[-1].needle.stations_mm) and not touched(car, needle).any():
        # The needle now fitted keeps the errors it was driven with.
        rows[:, car.present_errors()] -= by_needle[:, :-1]
        table[:] = 0.0
    cut = AfterCut.of(car, target, rows, by_needle, table, log)
    errors = cut.errors(cut.known, seed=3)
    here, drawn = np.abs(np.expm1(log - aim)), np.abs(np.expm1(log - aim + errors))
    worst = np.quantile(drawn.max(axis=1), [0.05, 0.95])
    rms = np.quantile(np.sqrt((drawn**2).mean(axis=1)), [0.05, 0.95])
    low, high = np.quantile(np.exp(log + errors), [0.05, 0.95], axis=0)
    filing, lacks, donor_drop = _filing(tried, drops, aim, told_um=1e3 * told_mm(car.doubts))
    served = not target.outside(np.exp(log)).any()
    worth = Worth.SERVES if served else Worth.NEEDS_METAL if lacks > 0.0 else Worth.DONOR
    return RankedNeedle(
        needle=needle,
        drop_mm=best,
        worth=worth,
        lambda_predicted=np.exp(log),
        lambda_low=low,
        lambda_high=high,
        worst=float(here.max()),
        worst_low=float(worst[0]),
        worst_high=float(worst[1]),
        rms=float(np.sqrt((here**2).mean())),
        rms_low=float(rms[0]),
        rms_high=float(rms[1]),
        filing_um=filing,
        lacks_um=lacks,
        donor_drop_mm=donor_drop,
    )


def _drops_on_table(setup: Setup, car: Learned, target: Target) -> list[float]:
    """Jet drops of the nut's range at which every band stands on the needle's table."""
    nut, table = setup.carburettor.jet.drop_range_mm(), drops_on_table_mm(setup, car.lift_mm())
    low, high = max(nut[0], table[0]), min(nut[1], table[1])
    if low > high + 1e-9:
        stations, places = setup.carburettor.needle.stations_mm, setup.carburettor.position_mm(car.lift_mm())
        outer = int(np.argmax(places))
        msg = (
            f"its table runs from {stations[0]:g} to {stations[-1]:g} mm, but {target.bands.name(outer)} stands at "
            f"{places[outer]:.1f} mm; measure more stations."
        )
        raise InputError(msg)
    return [float(drop) for drop in np.linspace(low, high, DROPS_TRIED if high > low else 1)]


def _refined(law: Law, needle: Needle, target: Target, drops: list[float], costs: list[float]) -> float:
    """Best drop between those tried, by the slopes at the best of them."""
    k = int(np.argmin(costs))
    if len(drops) == 1:
        return drops[0]
    drop = drops[k]
    for _ in range(3):
        log, _, by_needle = law.slopes(needle.diameters_mm, drop)
        weight = target.weight**2
        slope = by_needle[:, -1]
        step = -float((weight * slope * (log - np.log(target.lambda_target))).sum() / (weight * slope**2).sum())
        drop = float(np.clip(drop + step, drops[max(k - 1, 0)], drops[min(k + 1, len(drops) - 1)]))
    log, _, _ = law.slopes(needle.diameters_mm, drop)
    cost = float(np.sum((target.weight * (log - np.log(target.lambda_target))) ** 2))
    return drop if cost <= costs[k] else drops[k]


def _filing(
    tried: Sequence[tuple[FloatArray, FloatArray, FloatArray]], drops: Sequence[float], aim: FloatArray, *, told_um: float
) -> tuple[float, float, float]:
    """Most metal to take off, metal lacking, and the drop: the one that lacks least, then files least."""
    found = []
    for (log, _, by_needle), drop in zip(tried, drops, strict=True):
        whole = by_needle[:, :-1].sum(axis=1)
        removal, spare = 1e3 * (log - aim) / whole, 1e3 * TOO_RICH / whole
        lacks = float((-removal - spare).max())
        found.append((lacks if lacks > told_um else 0.0, max(float(removal.max()), 0.0), drop))
    lacks, filing, drop = min(found)
    return filing, lacks, drop
