"""After an overcut: what the jet and the other stations can still do, and what else the needle is good for."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.optimize import brentq

from needlecalc.design.after.progress import CARE, Progress, judge_cut
from needlecalc.design.after.refit import refitted
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.solve import solve
from needlecalc.measure.drive.bands import worst_of
from needlecalc.parts.measured import OVAL_UM, WITHIN_UM, listed
from needlecalc.physics.air import altitude_of_pressure_m
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FLATS_PER_TURN, FloatArray

HURT = 0.01  # of lambda, richer than target and through the overcut
GOOD = 0.02
JETS_TRIED = 241
ASSUMED_TURNS = 1.0
THINNEST_GAP_MM = 0.02
STILL_FITS = 0.02  # of lambda: no band of a needle that fits stays farther off
BY_JET_AND_FILE = "jet and file back"
HIGHEST_PRESSURE_PA = 104e3  # no road lies in denser standard air


@dataclass(frozen=True, eq=False)
class WayOut:
    """One way out of an overcut.

    Parameters
    ----------
    what : str
        What to do.
    drop_mm : float
        Jet drop. [mm]
    lambda_predicted : array, shape (m,)
        Lambda expected of each band. [-]
    lambda_target : array, shape (m,)
        What it is held against: the job's own targets, or those of the other use. [-]
    note : str
        What to know.
    """

    what: str
    drop_mm: float
    lambda_predicted: FloatArray
    lambda_target: FloatArray
    note: str = ""

    def miss(self) -> FloatArray:
        """Share by which each band misses its target; negative is rich.

        Returns
        -------
        array, shape (m,)
            Lambda over target, less one. [-]
        """
        return np.asarray(self.lambda_predicted / self.lambda_target - 1.0)

    def worst(self) -> int:
        """Band that misses most.

        Returns
        -------
        int
            Its place.
        """
        return int(np.argmax(np.abs(self.miss())))


@dataclass(frozen=True, repr=False, eq=False)
class Rescue(Shown):
    """An overcut needle and what can still be done with it.

    Parameters
    ----------
    progress : Progress
        The needle as measured against what was asked.
    car : Learned
        What is believed of the car with that needle in it.
    hurt : array of bool, shape (m,)
        Bands the overcut makes too rich.
    options : tuple of WayOut
        The job's own ways out, the needle as it is first.
    spares : tuple of WayOut
        Other uses it would fit.
    design : Design or None
        The design that files the other stations back with the jet raised, ready for a sheet; None where no
        band is hurt.
    status : str
        What to do, one sentence.
    """

    progress: Progress
    car: Learned
    hurt: NDArray[np.bool_]
    options: tuple[WayOut, ...]
    spares: tuple[WayOut, ...]
    design: Design | None
    status: str

    def __repr__(self) -> str:
        return f"Rescue: {self.status}"

    def rows(self) -> list[Row]:
        """The options.

        Returns
        -------
        list of dict
            One an option, full precision.
        """
        jet, idle = self.car.setup.carburettor.jet, _idle(self.progress.design)
        first = self.progress.design.setup.carburettor.jet.drop_mm
        bands, target = self.car.bands, self.progress.design.target
        rows = []
        for option in (*self.options, *self.spares):
            outside = (option.lambda_predicted < target.lambda_rich) | (option.lambda_predicted > target.lambda_lean)
            own = option in self.options
            rows.append(
                {
                    "option": option.what,
                    "drop_mm": option.drop_mm,
                    "flats": (option.drop_mm - first) / jet.flat_mm,
                    "worst_band": bands.name(option.worst()),
                    "worst_miss_percent": 100.0 * float(option.miss()[option.worst()]),
                    "rms_miss_percent": 100.0 * float(np.sqrt(np.mean(option.miss() ** 2))),
                    "lambda_lowest_band": float(option.lambda_predicted[idle]),
                    "outside": int(outside.sum()) if own else None,
                    "note": option.note,
                }
            )
        return rows

    def table(self) -> Table:
        """The options, to be shown.

        Returns
        -------
        Table
            One row an option; what to do above, what to know below.
        """
        columns = (
            Column("option", "option"),
            Column("drop_mm", "jet drop mm", ".2f"),
            Column("flats", "flats from now", "+.1f"),
            Column("worst_miss_percent", "worst miss %", "+.1f"),
            Column("worst_band", "at"),
            Column("lambda_lowest_band", f"lambda {self.car.bands.name(_idle(self.progress.design))}", ".3f"),
            Column("outside", "not permitted", "d"),
        )
        notes = [f"{option.what}: {option.note}" for option in (*self.options, *self.spares) if option.note]
        notes += self._lean_at_full_load()
        notes.append("Idle is as the jet height of the row gives it, not trimmed afterwards.")
        notes.append("Flats: + lowers the jet (richer), - raises it (leaner). 'not permitted': bands too rich or too lean.")
        notes.append(CARE)
        return Table("Rescue", columns, self.rows(), (self.progress.status, self.status), notes)

    def design_table(self) -> Table | None:
        """Stations and jet of the way out by jet and file, to be shown.

        Returns
        -------
        Table or None
            The design under the name of its row; None where no band is hurt.
        """
        if self.design is None:
            return None
        shown = self.design.table()
        return replace(shown, title=f"{shown.title}, row {BY_JET_AND_FILE!r}")

    def _lean_at_full_load(self) -> list[str]:
        """Warnings of options that lean full load past its target and past what pistons bear."""
        bands = self.car.bands
        full = np.array([load == "full" for load in bands.load])
        words = []
        for option in self.options:
            ratio = option.lambda_predicted
            over = full & (ratio > self.progress.design.target.leanest_full_load()) & (option.miss() > HURT)
            lean, more = worst_of(np.flatnonzero(over).tolist(), ratio)
            if lean:
                named = ", ".join(f"{bands.name(b)} at {ratio[b]:.3f}" for b in lean)
                rest = f" and {more} more" if more else ""
                words.append(f"{option.what}: too lean at full load, {named}{rest}; stop on any pinking.")
        return words

    def band_table(self) -> Table:
        """Lambda of each band with each of the job's own ways out, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        bands, asked = self.car.bands, self.progress.design
        columns = [Column("rpm", "rpm", ".0f"), Column("load", "load"), Column("target", "target", ".3f")]
        columns += [Column("asked", "as asked", ".3f")]
        columns += [Column(option.what, option.what, ".3f") for option in self.options]
        rows = [
            {
                "rpm": float(bands.rpm[b]),
                "load": bands.load[b],
                "target": float(asked.target.lambda_target[b]),
                "asked": float(asked.lambda_predicted[b]),
                **{option.what: float(option.lambda_predicted[b]) for option in self.options},
            }
            for b in range(bands.rpm.size)
        ]
        return Table("Lambda of each way out", columns, rows)


def rescue(
    design: Design,
    readings_mm: ArrayLike,
    *,
    within_um: float = WITHIN_UM,
    oval_um: float = OVAL_UM,
    file_down: bool = False,
) -> Rescue:
    r"""What can be done with a needle cut deeper than asked.

    Parameters
    ----------
    design : Design
        What was asked.
    readings_mm : array_like, shape (n,) or (2, n)
        Diameter read at each station; NaN where nothing was asked and none was taken. [mm]
    within_um, oval_um : float
        Limits of :func:`measured_needle`. [um]
    file_down : bool
        True takes stations beyond a waist as filed down to it.

    Returns
    -------
    Rescue
        Options with the worst miss of each: the needle as it is, the jet raised for the band hurt most, the best
        jet height, the jet raised and the other stations filed back, and other uses of the needle.

    Raises
    ------
    InputError
        If the readings cannot be those of this needle under the file.

    Notes
    -----
    Raising the jet leans every band, idle most; what it leans too far is filed back where the file reaches.
    An overcut needle is rich by a mean share *k*; it fits air denser by :math:`1/k^2` (equal lift), a smaller
    jet, or targets richer by *k*, each as well as its shape allows.  All figures are best values; the
    intervals stand in ``progress``.
    """
    progress = judge_cut(design, readings_mm, within_um=within_um, oval_um=oval_um, file_down=file_down)
    car = _with_travel(refitted(design.learned, progress.measured, design.setup.carburettor.jet.drop_mm))
    target, bands = design.target, car.bands
    low, high = car.setup.carburettor.jet.drop_range_mm()
    stated = design.setup.carburettor.jet.drop_min_mm is not None
    assumed = "" if stated else f" The nut's range is not stated: a turn either way is assumed, {low:.2f} to {high:.2f} mm."

    def at(drop: float) -> FloatArray:
        return np.asarray(np.exp(car.log_lambda(car.mean, car.present_mm(), drop)))

    as_cut = WayOut("leave it as it is", design.drop_mm, at(design.drop_mm), target.lambda_target)
    asked_miss = design.lambda_predicted / target.lambda_target - 1.0
    hurt = (as_cut.miss() < -HURT) & (as_cut.miss() < asked_miss - HURT / 2.0)
    if not hurt.any():
        worst = bands.name(as_cut.worst())
        status = (
            f"Nothing to rescue: no band is richer than its target by more than {100 * HURT:.0f} % through the cut; "
            f"furthest off is {worst}, {100 * as_cut.miss()[as_cut.worst()]:+.1f} %. File no more: refit it, drive and "
            "measure lambda."
        )
        return Rescue(progress, car, hurt, (as_cut,), (), None, status)
    band = int(np.argmin(np.where(hurt, as_cut.miss(), np.inf)))
    back_drop, reached = _drop_for(at, band, float(target.lambda_target[band]), low, design.drop_mm)
    back = at(back_drop)
    lowest = _idle(design)
    note = f"{bands.name(lowest)} goes from {as_cut.lambda_predicted[lowest]:.3f} to {back[lowest]:.3f}."
    if not reached:
        note += f" The jet at its highest brings {bands.name(band)} to {back[band]:.3f} only."
    raised = WayOut(f"jet for {bands.name(band)}", back_drop, back, target.lambda_target, note + assumed)
    drops = np.linspace(low, high, JETS_TRIED)
    misses = [float(np.abs(np.log(at(float(drop)) / target.lambda_target)).max()) for drop in drops]
    best = float(drops[int(np.argmin(misses))])
    jet_only = WayOut("best jet height", best, at(best), target.lambda_target)
    again = solve(replace(target, bands=bands), car.setup, limits=design.limits, learned=car)
    touched = np.flatnonzero(again.remove_um() > 0.5) + 1
    filing = (
        f"Takes up to {again.remove_um().max():.0f} um more at station{'s' if touched.size > 1 else ''} {listed(touched)}."
        if touched.size
        else "No more filing."
    )
    filed = WayOut(BY_JET_AND_FILE, again.drop_mm, again.lambda_predicted, target.lambda_target, filing)
    options = (as_cut, raised, jet_only, filed)
    spares = _spares(design, car, as_cut)
    return Rescue(progress, car, hurt, options, spares, again, _status(design, options))


def _with_travel(car: Learned) -> Learned:
    """The car with a range for its nut, a turn either way where none was stated, and the needle still in reach."""
    carburettor = car.setup.carburettor
    jet = carburettor.jet
    turn = ASSUMED_TURNS * FLATS_PER_TURN * jet.flat_mm
    low, high = jet.drop_range_mm() if jet.drop_min_mm is not None else (jet.drop_mm - turn, jet.drop_mm + turn)
    stations, lift = carburettor.needle.stations_mm, car.lift_mm()
    low = max(low, float(stations[0] - carburettor.shoulder_offset_mm - lift.min()) + 1e-6)
    high = min(high, float(stations[-1] - carburettor.shoulder_offset_mm - lift.max()) - 1e-6)
    free = replace(jet, drop_min_mm=min(low, jet.drop_mm), drop_max_mm=max(high, jet.drop_mm))
    return replace(car, setup=replace(car.setup, carburettor=replace(carburettor, jet=free)))


def _drop_for(at: Callable[[float], FloatArray], band: int, aim: float, low: float, high: float) -> tuple[float, bool]:
    """Jet drop that brings a band up to its target, and whether the range reaches that far."""
    if at(low)[band] < aim:
        return low, False
    return float(brentq(lambda drop: float(at(drop)[band]) - aim, low, high, xtol=1e-5)), True


def _idle(design: Design) -> int:
    """Idle band, or that of the least lift where none is named idle."""
    bands = design.learned.bands
    idle = bands.idle()
    return int(np.argmin(bands.lift_mm)) if idle is None else idle


def _spares(design: Design, car: Learned, as_cut: WayOut) -> tuple[WayOut, ...]:
    """Other uses that the needle fits as it is, the jet where the design asks it."""
    target, found = design.target, as_cut.lambda_predicted
    k = float(np.exp(np.mean(np.log(found / target.lambda_target))))
    if k >= 1.0:
        return ()
    out: list[WayOut] = []

    def add(what: str, ratio: FloatArray, aim: FloatArray, note: str) -> None:
        option = WayOut(what, design.drop_mm, ratio, aim, note)
        worst = 100.0 * float(option.miss()[option.worst()])
        if abs(worst) > 100.0 * STILL_FITS:
            note = f"nearest, not a fit, {target.bands.name(option.worst())} stays {worst:+.1f} % off: {note}"
        out.append(replace(option, note=note))

    note = f"where every band may be {100 * (1 - k):.1f} % richer than this job asks."
    add(f"spare for lambda x {k:.3f}", found, np.asarray(k * target.lambda_target), note)
    air = design.setup.air
    pressure = air.pressure_pa / k**2
    if pressure <= HIGHEST_PRESSURE_PA:
        lower = float(altitude_of_pressure_m(air.pressure_pa) - altitude_of_pressure_m(pressure))
        note = (
            f"at {pressure / 100:.0f} hPa and the same temperature, some {lower:.0f} m lower, where denser air is "
            "leaner; measure there before you rely on it."
        )
        add(f"spare {lower:.0f} m lower", np.asarray(found / k), target.lambda_target, note)
    bore = _bore_for(car, design.drop_mm, k)
    if bore is not None:
        lean = found * np.exp(-_bore_gain(car, design.drop_mm, bore))
        note = f"in a jet of {bore:.3f} mm bore, if there is one; a reamed or worn jet is no cure."
        add(f"spare for a {bore:.3f} mm jet", lean, target.lambda_target, note)
    return tuple(out)


def _bore_gain(car: Learned, drop_mm: float, bore_mm: float) -> FloatArray:
    """Rise of ln(fuel) of each band with a jet of another bore."""
    jet = car.setup.carburettor.jet
    other = replace(car.setup.carburettor, jet=replace(jet, bore_mm=bore_mm, bore_least_mm=None))
    then = car.law.in_parts(replace(car.setup, carburettor=other)).log_lambda(car.present_mm(), drop_mm)
    return np.asarray(car.law.log_lambda(car.present_mm(), drop_mm) - then)


def _bore_for(car: Learned, drop_mm: float, k: float) -> float | None:
    """Bore with which the bands meet their targets in the mean; None where the needle would not pass it."""
    high = car.setup.carburettor.jet.least_bore_mm()
    low = float(car.setup.carburettor.needle.diameters_mm.max()) + 2.0 * THINNEST_GAP_MM

    def mean_miss(bore: float) -> float:
        return float(np.log(k) - _bore_gain(car, drop_mm, bore).mean())

    if low >= high or mean_miss(low) < 0.0:
        return None
    return float(brentq(mean_miss, low, high, xtol=1e-5))


def _status(design: Design, options: tuple[WayOut, ...]) -> str:
    """The cheapest way that serves, in words."""
    target, jet = design.target, design.setup.carburettor.jet
    as_cut, _, jet_only, filed = options

    def turned(option: WayOut) -> str:
        flats = (option.drop_mm - jet.drop_mm) / jet.flat_mm
        return f"{'lower' if flats > 0 else 'raise'} the jet by {abs(flats):.1f} flats"

    def within(option: WayOut) -> str:
        return f"every band is then within {100 * float(np.abs(option.miss()).max()):.1f} % of its target."

    # First whatever comes near every target, then whatever keeps to what is permitted.
    for good in (True, False):
        for option, words in (
            (as_cut, "Leave it as it is: "),
            (jet_only, f"The jet alone serves: {turned(jet_only)}; "),
            (filed, f"{turned(filed).capitalize()} and file the other stations back by the new design, in its stages; "),
        ):
            permitted = (option.lambda_predicted >= target.lambda_rich) & (option.lambda_predicted <= target.lambda_lean)
            if (np.abs(option.miss()) <= GOOD).all() if good else permitted.all():
                return words + within(option)
    worst = filed.worst()
    return (
        f"No way out brings every band where it is permitted: with the jet and filing back, "
        f"{design.learned.bands.name(worst)} still misses by {100 * filed.miss()[worst]:+.1f} %. Keep the needle as a rich "
        "spare for one of the other uses named, and start anew from a donor."
    )
