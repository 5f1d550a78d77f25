"""What to measure next: how much each measurement would lessen the uncertainty of a design before metal is lost."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np

from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.readings import readings_of
from needlecalc.design.inverse.proposal import Design, Measurement, NextStep, Promise
from needlecalc.design.inverse.uncertainty import AfterCut, padded
from needlecalc.gaussian import Gaussian
from needlecalc.measure.drive.bands import LiftSource
from needlecalc.parts.carburettor import SlideValve
from needlecalc.priors import MOVED_JET
from needlecalc.remark import Remark
from needlecalc.show import Shown
from needlecalc.units import FloatArray

MARKER_U_MM, MARKER_ZERO_U_MM = 0.3, 0.1  # standard uncertainty of a lift read by a rod; the part that all share
GAS_U = 0.01  # of lambda by a gas reading
LENGTH_U_MM = 0.2  # of the bore's length measured on a spare jet
LONGER = 4.0  # times the holds
MOST_MARKERS = 3
WORTH_A_MARKER = 0.03  # of the variance: a further marker must gain so much
MOST_FLATS = 4
NEARLY_BEST = 1.05  # fewer flats are safer: the least turn that comes so near the best
RICHEST_DRIVEN = 0.75  # plugs foul and wideband meters end; common practice, no source
SHORT_OF_MISFIRE = 0.05
Weighed = tuple[NextStep, Gaussian]  # a measurement, and what would be known after it


class Unweighed(StrEnum):
    """What is to be said of the measurements as a whole."""

    REMAINS = "what no measurement lessens"
    LONGER_HOLDS = "longer holds were not weighed"
    JET_DRIVE = "a jet drive was not weighed"


@dataclass(frozen=True, repr=False)
class NextSteps(Shown):
    """Measurements ranked by what they would take off the uncertainty of a design, best first.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> measure_next(road.design).steps[0].what.value
    'jet drive'
    """

    steps: tuple[NextStep, ...]
    known: tuple[Gaussian, ...]  # what would be known after each of the steps, in the order of AfterCut.known
    remarks: tuple[Remark, ...]  # what could not be weighed

    def __repr__(self) -> str:
        best = self.steps[0]
        return f"Measure next: {best.what}, {100.0 * best.gain():.0f} % of the variance"


def measure_next(design: Design) -> NextSteps:
    r"""Measurements ranked by how much they would lessen the uncertainty of a design.

    Parameters
    ----------
    design : Design
        The design, not yet cut.

    Returns
    -------
    NextSteps
        Best first: markers at up to three bands, a drive with the jet moved, longer holds where the bands are means of
        logged samples, a gas reading, the jet's bore length.

    Notes
    -----
    A reading :math:`r = H u + \varepsilon`, with covariance *R* of its own errors, leaves the unknowns *u* with
    :math:`P' = P - P H^T (H P H^T + R)^{-1} H P` whatever it says; lambda after the cut, idle trimmed again, has
    :math:`S P' S^T`.  A jet drive reads every band at the slopes of the moved jet, the move taken as exact.  Bands that
    would leave 0.75 to the lean limit there are not driven; with the jet raised, neither are those within 0.05 of that
    limit nor full load leaner than 0.92.  Of the numbers of flats the least that comes within 5 % of the best is taken.
    A marker reads to 0.3 mm, 0.1 of it common to all; gas (Brettschneider) tells lambda to 0.01; the length is measured to
    0.2 mm on a spare jet; holds are four times as long.  Common practice, no source.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).

    Examples
    --------
    >>> import numpy as np
    >>> import needlecalc as nc
    >>> valve = nc.AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = nc.Needle("straight", np.arange(13) * 3.175, np.linspace(2.46, 1.66, 13))
    >>> jet = nc.Jet(bore_mm=2.54, drop_mm=1.6, drop_min_mm=0.8, drop_max_mm=2.6)
    >>> setup = nc.Setup(nc.Engine(1500.0, 4), nc.Carburettor(needle, jet, valve))
    >>> bands = nc.typed_bands([1500, 3000, 4500], [1.02, 1.05, 1.08], lift_mm=[6.0, 13.0, 22.0])
    >>> design = nc.solve(nc.Target(bands, np.full(3, 0.95)), setup)
    >>> [str(step.what) for step in measure_next(design).steps]  # typed bands have no holds to make longer
    ['bore length', 'jet drive', 'gas reading', 'marker']
    """
    cut = design.after_cut()
    remarks = [Remark(Unweighed.REMAINS, numbers={"percent": 100.0 * float(np.sqrt(np.mean(cut.remains_u() ** 2)))})]
    length = design.learned.place.shared("jet length")
    share = LENGTH_U_MM / float(np.exp(design.learned.mean[length]))
    weighed = [
        _markers(cut),
        _of_one(cut, cut.zero, GAS_U, Measurement.GAS),
        _of_one(cut, length, share, Measurement.BORE_LENGTH, amount=LENGTH_U_MM),
    ]
    if np.isfinite(design.learned.bands.effective_count).any():
        weighed.append(_longer_holds(cut))
    else:
        remarks.append(Remark(Unweighed.LONGER_HOLDS))
    if drives := _jet_drives(cut):
        most = max(drive.gain() for drive, _ in drives)
        good = [one for one in drives if 1.0 - one[0].gain() <= NEARLY_BEST * (1.0 - most)]
        weighed.append(min(good, key=lambda one: (abs(one[0].flats), -one[0].gain())))
    else:
        remarks.append(Remark(Unweighed.JET_DRIVE))
    weighed.sort(key=lambda one: -one[0].gain())
    steps, known = zip(*weighed, strict=True)
    return NextSteps(steps, known, tuple(remarks))


def metal_share(design: Design) -> float:
    """Metal off at the first stop over that of the whole cut; NaN without one."""
    present = design.present().diameters_mm
    whole = float((present - design.needle.diameters_mm).sum())
    return float((present - design.stop.needle.diameters_mm).sum()) / whole if whole else float("nan")


def _weighed(cut: AfterCut, known: Gaussian, what: Measurement, **figures: Any) -> Weighed:
    """A measurement after which so much would be known."""
    now, then = (Promise(cut.u_percent(one)) for one in (cut.known, known))
    return NextStep(what, now, then, **figures), known


def _of_one(cut: AfterCut, place: int, u: float, what: Measurement, **figures: Any) -> Weighed:
    """A reading of one unknown by itself."""
    return _weighed(cut, cut.after_reading(np.eye(1, place + 1, place), np.array([u])), what, **figures)


def _markers(cut: AfterCut) -> Weighed:
    """Lift read at the bands that teach most, one after the other."""
    bands, place = cut.learned.bands, cut.learned.place
    own_u = float(np.sqrt(MARKER_U_MM**2 - MARKER_ZERO_U_MM**2))
    known = cut.known.joined(np.array([MARKER_ZERO_U_MM]))
    reads, each = np.zeros((bands.rpm.size, known.mean.size)), np.arange(bands.rpm.size)
    reads[each, place.lift().start + each] = 1.0
    reads[:, place.shared("lift zero")] = 1.0
    # The same rod has the same zero again; another way of reading does not know of it.
    same_rod = bands.lift_from(LiftSource.TYPED)
    reads[same_rod, place.shared("lift scale")] = np.nan_to_num(bands.lift_common_u_mm)[same_rod]
    reads[:, -1] = ~same_rod
    slopes = padded(cut.slopes, known.mean.size)
    now = (known.u_of(slopes) ** 2).sum()
    chosen: list[int] = []
    while len(chosen) < min(MOST_MARKERS, bands.rpm.size):
        errors, told = slopes @ known.root, reads @ known.root
        # What one reading at each band alone would take off the sum of variances.
        gains = ((errors @ told.T) ** 2).sum(axis=0) / ((told**2).sum(axis=1) + own_u**2)
        gains[chosen] = -np.inf
        band = int(np.argmax(gains))
        if chosen and gains[band] < WORTH_A_MARKER * now:
            break
        chosen.append(band)
        known = known.after(reads[[band]], np.array([own_u]))
    return _weighed(cut, known, Measurement.MARKER, bands=cut.target.called(*sorted(chosen)))


def _reading_rows(learned: Learned, drop_mm: float) -> tuple[FloatArray, FloatArray]:
    """Slopes of ln(lambda) read on the needle now fitted by the unknowns, the jet anywhere, and lambda expected."""
    day = int(learned.history.day_of_pass()[-1])
    log_lambda, rows, _ = learned.law.slopes(learned.present_mm(), drop_mm, number=learned.fitted(), day=day)
    return rows, np.exp(log_lambda)


def _jet_drives(cut: AfterCut) -> list[Weighed]:
    """A second drive with the jet moved, by every whole number of flats the nut allows."""
    learned, target = cut.learned, cut.target
    jet, doubts = learned.setup.carburettor.jet, learned.doubts
    if isinstance(learned.setup.carburettor.air_valve, SlideValve):
        return []  # its needle moves by whole steps, with the slide out
    low, high = jet.drop_range_mm()
    reading_u, lambda_now, stations = _reading_u(learned), learned.lambda_now(), learned.setup.carburettor.needle.stations_mm
    out = []
    for flats in (*range(-MOST_FLATS, 0), *range(1, MOST_FLATS + 1)):
        drop = jet.drop_mm + flats * jet.flat_mm
        if not low - 1e-9 <= drop <= high + 1e-9:
            continue
        rows, expected = _reading_rows(learned, drop)
        place = learned.setup.carburettor.position_mm(learned.lift_mm(), drop)
        safe = (place >= stations[0]) & (place <= stations[-1])
        safe &= (expected >= RICHEST_DRIVEN) & (expected <= doubts.lean_limit)
        if flats < 0:
            safe &= expected <= doubts.lean_limit - SHORT_OF_MISFIRE
            safe &= ~target.full_load() | (expected <= target.leanest_full_load())
        driven = np.flatnonzero(safe)
        if driven.size:
            noise = np.hypot(reading_u, MOVED_JET * doubts.flow_gain * np.log(expected / lambda_now))[driven]
            read, left_out = (target.called(*which.tolist()) for which in (driven, np.flatnonzero(~safe)))
            figures = {"bands": read, "left_out": left_out, "flats": flats, "amount": drop}
            out.append(_weighed(cut, cut.after_reading(rows[driven], noise), Measurement.JET_DRIVE, **figures))
    return out


def _longer_holds(cut: AfterCut) -> Weighed:
    """The drive with longer holds, in place of the one made."""
    learned = cut.learned
    rows, _ = _reading_rows(learned, learned.setup.carburettor.jet.drop_mm)
    read_u = _reading_u(learned)
    scatter = np.minimum(learned.bands.lambda_se / learned.bands.lambda_measured, read_u)
    better = np.sqrt(read_u**2 - scatter**2 * (1.0 - 1.0 / LONGER))
    # What the longer hold knows more than the one made, as a reading of its own.
    more = np.maximum(1.0 / np.maximum(better, 1e-9) ** 2 - 1.0 / read_u**2, 0.0)
    use = np.flatnonzero(more > 0.0)
    known, read = cut.after_reading(rows[use], 1.0 / np.sqrt(more[use])), cut.target.called(*use.tolist())
    return _weighed(cut, known, Measurement.LONGER_HOLDS, bands=read, amount=LONGER)


def _reading_u(learned: Learned) -> FloatArray:
    """Standard uncertainty of ln(lambda) of each band as the last drive read it."""
    last = readings_of(learned.history, learned.doubts)[-1]
    return np.where(np.isnan(last.log_lambda_u), np.nanmedian(last.log_lambda_u), last.log_lambda_u)
