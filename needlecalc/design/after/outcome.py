"""After a pass: lambda predicted against lambda measured, and what to believe of the difference."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.after.refit import refitted, unchanged
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import FIRST_AID, Learned
from needlecalc.design.belief.readings import same_bands, trusted
from needlecalc.design.inverse.proposal import Design
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.normalise import BROUGHT
from needlecalc.parts.needle import Needle
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray

NINETY = 1.645  # standard errors either side that hold 90 % of a normal distribution
TELLING = 3.0  # doubts of a reading that a change must exceed for its gain to mean anything
STRAYS = 0.2  # share of bands that may lie outside a 90 % interval without a word
FAR_STRAY = 1.5  # but none of them as far as this many half intervals
FITS = 2.0  # of the degrees of freedom: misfit of one cause that still explains the misses
SCALES = np.linspace(-0.4, 0.4, 81)  # errors of lift tried
ZEROS_MM = np.linspace(-4.0, 4.0, 81)
NO_GAIN = 0.5  # error of the flow law that nobody believes
STOOD_STILL = 0.1  # of the change computed
ALIKE = 3.0  # chi-squared by which two causes must differ to be told apart


@dataclass(frozen=True, repr=False, eq=False)
class Outcome(Shown):
    """What a pass taught: each band before, as predicted and as measured.

    Parameters
    ----------
    before : Learned
        What was believed before the pass.
    after : Learned
        What is believed with it.
    bands : Bands
        The drive of the pass.
    band : array of int, shape (r,)
        Place in ``bands`` of each row; bands the drive before did not read are left out.
    lambda_before, lambda_predicted, lambda_low, lambda_high, lambda_measured : array, shape (r,)
        Lambda believed before the cut; predicted for the needle and jet of the pass, with the 90 % interval of
        a reading; and measured. [-]
    inside : array of bool, shape (r,)
        Bands measured inside their interval; one past the lean limit counts as at least so lean.
    gain, gain_u : array, shape (r,)
        Change measured over change predicted, of ln(lambda), and its standard uncertainty; NaN where the change
        predicted is too small to tell. [-]
    gain_all, gain_all_u : float
        The same for all bands together; NaN where none tells. [-]
    belief : str
        What to believe, one or two sentences.
    """

    before: Learned
    after: Learned
    bands: Bands
    band: NDArray[np.intp]
    lambda_before: FloatArray
    lambda_predicted: FloatArray
    lambda_low: FloatArray
    lambda_high: FloatArray
    lambda_measured: FloatArray
    inside: NDArray[np.bool_]
    gain: FloatArray
    gain_u: FloatArray
    gain_all: float
    gain_all_u: float
    belief: str

    def __repr__(self) -> str:
        return f"Outcome: {self.belief}"

    def rows(self) -> list[Row]:
        """What became of each band.

        Returns
        -------
        list of dict
            One a band, full precision.
        """
        return [
            {
                "rpm": float(self.bands.rpm[b]),
                "load": self.bands.load[b],
                "lambda_before": float(self.lambda_before[k]),
                "lambda_predicted": float(self.lambda_predicted[k]),
                "lambda_low": float(self.lambda_low[k]),
                "lambda_high": float(self.lambda_high[k]),
                "lambda_measured": float(self.lambda_measured[k]),
                "inside": bool(self.inside[k]),
                "gain": float(self.gain[k]),
                "gain_u": float(self.gain_u[k]),
            }
            for k, b in enumerate(self.band.tolist())
        ]

    def table(self) -> Table:
        """Predicted against measured, to be shown.

        Returns
        -------
        Table
            One row a band; what to believe above.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lambda_before", "before", ".3f"),
            Column("lambda_predicted", "predicted", ".3f"),
            Column("lambda_low", "from", ".3f"),
            Column("lambda_high", "to (90 %)", ".3f"),
            Column("lambda_measured", "measured", ".3f"),
            Column("inside", "inside"),
            Column("gain", "gain", ".2f"),
            Column("gain_u", "+-", ".2f"),
        )
        return Table("What the pass did", columns, self.rows(), (self.belief,), self.notes())

    def notes(self) -> tuple[str, ...]:
        """How the gain is meant and what the next cut makes of it.

        Returns
        -------
        tuple of str
            One sentence each.
        """
        notes = ["Gain: change of lambda measured over change predicted; 1 is as computed, '-' too small a change to tell."]
        name = self.before.place.shared("flow gain")
        was, now = float(self.before.mean[name]), float(self.after.mean[name])
        told = np.isfinite(self.gain)
        shared = bool((np.abs(self.gain - self.gain_all)[told] <= 2.0 * NINETY * self.gain_u[told]).all())
        if told.any() and shared and self.gain_all <= 0.0:
            notes.append(
                "The pass moved lambda the wrong way: look for a fault, or a mixed-up log or needle, before any cut."
            )
        elif told.any() and shared and abs(self.gain_all - 1.0) > NINETY * self.gain_all_u:
            than = "deeper" if self.gain_all < 1.0 else "shallower"
            notes.append(
                f"The pass did {self.gain_all:.2f} of what was computed, so one per cent of lambda takes "
                f"{1.0 / self.gain_all:.2f} times the metal computed: for what is still lean the next cut is {than} than "
                "the old figures say. What remains is planned anew from the lambda measured."
            )
        notes.append(
            f"Flow gain believed: {was:.2f} before, {now:.2f} +- {float(self.after.u()[name]):.2f} with this pass; the law "
            "itself is held to be right within its doubt, so one pass moves it only part of the way."
        )
        notes += [f"Measured, but {words}." for words in self.bands.assumptions if words.startswith(BROUGHT)][-1:]
        notes += filter(None, [self.after.contradiction()])
        return tuple(notes)


def compare_pass(
    before: Design | Learned, bands: Bands, *, needle: Needle | None = None, drop_mm: float | None = None
) -> Outcome:
    r"""What was predicted for a pass against what its drive measured.

    Parameters
    ----------
    before : Design or Learned
        The design that was cut, or what was believed before the cut.
    bands : Bands
        The drive after the cut, with lifts.
    needle : Needle or None
        The needle of the drive, as measured; the first stop of the design when not given.
    drop_mm : float or None
        Jet drop of the drive; that of the design when not given. [mm]

    Returns
    -------
    Outcome
        Band by band, with the effective gain and what to believe; ``after`` is what is now believed, ready for
        :func:`solve`.

    Raises
    ------
    InputError
        If needle and jet drop are not known, neither has changed, or no band was read in both drives.

    Notes
    -----
    The prediction is for the needle as measured, not as asked, so that the hand's error is not taken for the
    law's.  Gain of a band: :math:`\ln(\lambda_m/\lambda_0)/\ln(\lambda_p/\lambda_0)` with lambda before,
    predicted and measured.  Causes are tried one at a time, by least squares over the doubt of the readings: another
    flow gain, all lifts longer or shorter by a share, all lifts shifted.  The pattern says what is likely, not
    what is proven.
    """
    learned = before.learned if isinstance(before, Design) else before
    if isinstance(before, Design):
        needle, drop_mm = needle or before.stop.needle, before.drop_mm if drop_mm is None else drop_mm
    if needle is None or drop_mm is None:
        msg = "compare_pass needs the needle and drop_mm of the drive; give both, or the design that was cut."
        raise InputError(msg)
    if unchanged(learned, needle, drop_mm):
        msg = "Neither needle nor jet has changed since the last pass: there is nothing to compare; give those of the drive."
        raise InputError(msg)
    car = refitted(learned, needle, drop_mm)
    here = Pass(needle, drop_mm, bands)
    # What was predicted is for the air and fuel of the drive before.
    bands = History((here, learned.history.passes[-1])).in_one_air(learned.setup).passes[0].bands
    where = same_bands(learned.bands, bands)
    band = np.flatnonzero(where >= 0)
    if not band.size:
        msg = "No band of this drive was read in the drive before; hold the same speeds and loads again."
        raise InputError(msg)
    old = where[band]
    value, own, _ = trusted(bands, learned.doubts)
    value, own = value[band], own[band]
    start = np.log(learned.lambda_now())[old]
    expected = np.log(car.bands.lambda_measured)[old]
    total = np.hypot(car.lambda_now_u()[old], own)
    # The level of a band is known from its reading before, so that reading's doubt stands in every change.
    reading = np.hypot(learned.lambda_now_u()[old], own)
    change, miss = expected - start, value - expected
    tells = np.abs(change) > TELLING * reading
    with np.errstate(divide="ignore", invalid="ignore"):
        gain, gain_u = (np.where(tells, part / change, np.nan) for part in (value - start, reading * np.sign(change)))
    weight = float(((change / reading) ** 2)[tells].sum())
    gain_all = float(((value - start) * change / reading**2)[tells].sum() / weight) if weight else np.nan
    gain_all_u = weight**-0.5 if weight else np.nan
    off = miss / (NINETY * total)
    names = [bands.name(b) for b in band.tolist()]
    return Outcome(
        before=learned,
        after=learn(History((*learned.history.driven().passes, here)), learned.setup, doubts=learned.doubts),
        bands=bands,
        band=band,
        lambda_before=np.exp(start),
        lambda_predicted=np.exp(expected),
        lambda_low=np.exp(expected - NINETY * total),
        lambda_high=np.exp(expected + NINETY * total),
        lambda_measured=np.asarray(bands.lambda_measured[band]),
        inside=np.abs(off) <= 1.0,
        gain=gain,
        gain_u=gain_u,
        gain_all=gain_all,
        gain_all_u=gain_all_u,
        belief=_belief(names, off, _causes(learned, car, old, value - start, reading)),
    )


@dataclass(frozen=True)
class _Cause:
    """One cause with the size that explains the change best, and the misfit (chi-squared) it leaves."""

    name: str
    size: float
    misfit: float


def _causes(learned: Learned, car: Learned, old: NDArray[np.intp], moved: FloatArray, reading: FloatArray) -> list[_Cause]:
    """Causes tried one at a time, the best first, against the change of ln(lambda) that was measured."""
    lift = car.lift_mm()
    change = _change(learned, car, lift[None])[0, old]
    shape = change / reading
    strength = float(shape @ shape)
    gain = float(shape @ (moved / reading)) / strength if strength > 0.0 else 1.0
    out = [_Cause("flow gain", gain - 1.0, float((((moved - gain * change) / reading) ** 2).sum()))]
    for name, sizes, lifts in (
        ("lift scale", SCALES, lift * (1.0 + SCALES[:, None])),
        ("lift zero", ZEROS_MM, lift + ZEROS_MM[:, None]),
    ):
        left = (((moved - _change(learned, car, lifts)[:, old]) / reading) ** 2).sum(axis=1)
        best = int(np.argmin(left))
        out.append(_Cause(name, float(sizes[best]), float(left[best])))
    return sorted(out, key=lambda cause: cause.misfit)


def _change(learned: Learned, car: Learned, lift_mm: FloatArray) -> FloatArray:
    """Change of ln(lambda) from the last pass to this one, were the lifts these, shape (g, m)."""
    logs = []
    for one in (learned, car):
        unknowns = np.tile(one.mean, (lift_mm.shape[0], 1))
        unknowns[:, one.place.lift()] = lift_mm
        logs.append(one.log_lambda(unknowns, one.present_mm(), one.history.passes[-1].drop_mm))
    return np.asarray(logs[1] - logs[0])


def _belief(names: list[str], off: FloatArray, causes: list[_Cause]) -> str:
    """What to believe of the misses; ``off`` is 1 at the end of the interval."""
    outside = int((np.abs(off) > 1.0).sum())
    if outside <= STRAYS * off.size and np.abs(off).max() <= FAR_STRAY:
        held = "the only band was" if off.size == 1 else f"all {off.size} bands were"
        if outside:
            held = f"{off.size - outside} of {off.size} bands were"
        their = "its interval" if off.size == 1 else "their intervals"
        return f"The model holds: {held} measured inside {their}; carry on with the next design."
    were = "band was measured outside its interval" if outside == 1 else "bands were measured outside their intervals"
    lead = f"{outside} of {off.size} {were}."
    if off.size == 1:
        return f"{lead} One band cannot tell a wrong flow law from a wrong lift; measure three bands at least."
    best = causes[0]
    if best.misfit > FITS * (off.size - 1):
        worst = names[int(np.argmax(np.abs(off)))]
        return f"{lead} No single cause explains them, furthest off is {worst}: {FIRST_AID}."
    alike = [cause.name for cause in causes[1:] if cause.misfit - best.misfit < ALIKE]
    also = f" A {' or a '.join(alike)} off would look alike." if alike and abs(best.size) <= NO_GAIN else ""
    return f"{lead} {_in_words(best)}{also}"


def _in_words(cause: _Cause) -> str:
    if cause.name == "flow gain" and abs(cause.size) > NO_GAIN:
        moved = (
            "hardly moved" if abs(1.0 + cause.size) < STOOD_STILL else f"moved {1.0 + cause.size:.2f} of what was computed"
        )
        return f"Lambda {moved}, and no flow law errs so far: {FIRST_AID}."
    if cause.name == "flow gain":
        return f"All moved by the same share, {1.0 + cause.size:.2f} of what was computed: believe the flow gain."
    if cause.name == "lift scale":
        return (
            f"The misses follow the lift: true lifts some {100 * abs(cause.size):.0f} % "
            f"{'above' if cause.size > 0 else 'below'} those "
            "believed explain them; believe the lift scale, and read a few lifts by a marker rod."
        )
    return (
        f"The misses are those of a needle that stands {abs(cause.size):.1f} mm "
        f"{'further out of' if cause.size > 0 else 'deeper in'} the jet than believed; measure shoulder and jet face again."
    )
