"""After a pass: lambda predicted against lambda measured, and what explains the difference."""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.history import SAME_NEEDLE_MM, History, Pass
from needlecalc.design.belief.learn import learn
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.readings import same_bands, usable_lambda
from needlecalc.design.inverse.proposal import Design
from needlecalc.errors import InputError
from needlecalc.gaussian import NINETY, Gaussian
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.remark import Remark, Severity
from needlecalc.show import Shown
from needlecalc.units import FloatArray

TELLING = 3.0  # standard uncertainties of a reading that a change must exceed for its gain to mean anything
STRAYS = 0.2  # share of bands that may lie outside a 90 % interval without a word
FAR_STRAY = 1.5  # but none of them as far as this many half intervals
FITS = 2.0  # of the degrees of freedom: misfit of one cause that still explains the misses
SCALES = np.linspace(-0.4, 0.4, 81)  # errors of lift tried
ZEROS_MM = np.linspace(-4.0, 4.0, 81)
LEAST_SQUARE = 1e-6  # of the change predicted, over the readings: where it is less, no reading tells of its gain
SAME_DROP_MM = 1e-6
LEAST_ERROR_MM = 1e-9  # what is certain still needs a width
NO_GAIN = 0.5  # error of the flow law that is no longer credible
ALIKE = 3.0  # chi-squared by which two causes must differ to be told apart


class Diagnosis(StrEnum):
    """What explains the misses of a pass."""

    HOLDS = "the model holds"
    ONE_BAND = "one band cannot tell"
    NO_CAUSE = "no single cause explains them"
    NO_LAW = "no flow law errs so far"
    GAIN = "flow gain"
    LIFT_SCALE = "lift scale"
    LIFT_ZERO = "lift zero"


class OutcomeRemark(StrEnum):
    """What to know of the next cut."""

    WRONG_WAY = "the pass moved lambda the wrong way"
    GAIN_SHARED = "all bands moved by another share than computed"
    GAIN_ESTIMATED = "flow gain estimated"


@dataclass(frozen=True)
class Cause:
    """One cause with the size that explains the change best, and the misfit (chi-squared) it leaves.

    The size is a share for gain and lift scale, and mm for the lift's zero, positive further out of the jet.
    """

    diagnosis: Diagnosis
    size: float
    misfit: float


@dataclass(frozen=True, repr=False, eq=False)
class Outcome(Shown):
    """What a pass taught: each band before, as predicted and as measured.

    Parameters
    ----------
    before : Learned
        What was known before the pass.
    after : Learned
        What is known with it.
    bands : Bands
        The drive of the pass.
    band : array of int, shape (r,)
        Place in ``bands`` of each row; bands the drive before did not read are left out.
    lambda_before, lambda_predicted, lambda_low, lambda_high, lambda_measured : array, shape (r,)
        Lambda before the cut; predicted for the needle and jet of the pass, with the 90 % interval of
        a reading; and measured. [-]
    gain, gain_u : array, shape (r,)
        Change measured over change predicted, of ln(lambda), and its standard uncertainty; NaN where the change
        predicted is too small to tell. [-]
    gain_all, gain_all_u : float
        The same for all bands together; NaN where none tells. [-]
    causes : tuple of Cause
        What alone could explain the change, the likeliest first.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc.example import road
    >>> again = replace(road.bands, lambda_measured=road.design.stop.expected)
    >>> compare_pass(road.design, again).rows()[0]["load"]
    'idle'
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
    gain: FloatArray
    gain_u: FloatArray
    gain_all: float
    gain_all_u: float
    causes: tuple[Cause, ...]

    def __repr__(self) -> str:
        return f"Outcome: {self.diagnosis}, {int(self.inside.sum())} of {self.inside.size} bands inside their intervals"

    def off(self) -> FloatArray:
        """Lambda measured less that predicted, 1 at the end of the interval; positive is leaner."""
        half = np.log(self.lambda_high / self.lambda_predicted)
        return np.asarray(np.log(self.lambda_measured / self.lambda_predicted) / half)

    @property
    def inside(self) -> NDArray[np.bool_]:
        """Bands measured inside their interval; one past the lean limit counts as at least so lean."""
        return np.asarray(np.abs(self.off()) <= 1.0)

    @property
    def diagnosis(self) -> Diagnosis:
        """What explains the misses."""
        off, best = np.abs(self.off()), self.causes[0]
        if (off > 1.0).sum() <= STRAYS * off.size and off.max() <= FAR_STRAY:
            return Diagnosis.HOLDS
        if off.size == 1:
            return Diagnosis.ONE_BAND
        # What changes nothing explains nothing.
        if best.misfit > FITS * (off.size - 1) or best.size == 0.0:
            return Diagnosis.NO_CAUSE
        return Diagnosis.NO_LAW if best.diagnosis is Diagnosis.GAIN and abs(best.size) > NO_GAIN else best.diagnosis

    def alike(self) -> tuple[Diagnosis, ...]:
        """Other causes that would look the same."""
        best, *others = self.causes
        return tuple(one.diagnosis for one in others if one.misfit - best.misfit < ALIKE)

    def remarks(self) -> tuple[Remark, ...]:
        """What to know of the next cut, the gravest first."""
        found, gain, u = [], self.gain_all, self.gain_all_u
        told = np.isfinite(self.gain)
        shared = told.any() and bool((np.abs(self.gain - gain)[told] <= 2.0 * NINETY * self.gain_u[told]).all())
        if shared and gain <= 0.0:
            found.append(Remark(OutcomeRemark.WRONG_WAY, Severity.CAUTION))
        elif shared and abs(gain - 1.0) > NINETY * u:
            found.append(Remark(OutcomeRemark.GAIN_SHARED, numbers={"gain": gain, "metal": 1.0 / gain}))
        name = self.after.place.shared("flow gain")
        was, now = self.before.gain(), self.after.gain()
        numbers = {"was": was, "now": now, "u": now * float(self.after.u()[name])}
        return (*found, Remark(OutcomeRemark.GAIN_ESTIMATED, numbers=numbers))


def compare_pass(
    before: Design | Learned, bands: Bands, *, needle: Needle | None = None, drop_mm: float | None = None
) -> Outcome:
    r"""What was predicted for a pass against what its drive measured.

    Parameters
    ----------
    before : Design or Learned
        The design that was cut, or what was known before the cut.
    bands : Bands
        The drive after the cut, with lifts.
    needle : Needle or None
        The needle of the drive, as measured; the first stop of the design when not given.
    drop_mm : float or None
        Jet drop of the drive; that of the design when not given. [mm]

    Returns
    -------
    Outcome
        Band by band, with the effective gain and what explains it; ``after`` is what is now known, ready for
        :func:`solve`.

    Raises
    ------
    InputError
        If needle and jet drop are not known, neither has changed, or no band was read in both drives.

    Notes
    -----
    The prediction is for the needle as measured, not as asked, so that the hand's error is not taken for the
    law's.  Gain of a band: :math:`\ln(\lambda_m/\lambda_0)/\ln(\lambda_p/\lambda_0)` with lambda before,
    predicted and measured.  Causes are tried one at a time, by least squares over the uncertainty of the readings: another
    flow gain, all lifts longer or shorter by a share, all lifts shifted.  The pattern says what is likely, not
    what is proven.

    Examples
    --------
    >>> from dataclasses import replace
    >>> from needlecalc.example import road
    >>> again = replace(road.bands, lambda_measured=road.design.stop.expected)
    >>> compare_pass(road.design, again)
    Outcome: the model holds, 11 of 11 bands inside their intervals
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
    here = Pass(needle, drop_mm, bands)
    # What was predicted is for the air and fuel of the drive before.
    bands = History((here, learned.history.passes[-1])).in_one_air(learned.setup).passes[0].bands
    where = same_bands(learned.bands, bands)
    band = np.flatnonzero(where >= 0)
    if not band.size:
        msg = "No band of this drive was read in the drive before; hold the same speeds and loads again."
        raise InputError(msg)
    old = where[band]
    value, own, _ = usable_lambda(bands, learned.doubts)
    value, own = value[band], own[band]
    start = np.log(learned.lambda_now())[old]
    car = refitted(learned, needle, drop_mm)
    expected, total = np.log(car.bands.lambda_measured)[old], np.hypot(car.lambda_now_u()[old], own)
    # The level of a band is known from its reading before, so that reading's uncertainty stands in every change.
    reading = np.hypot(learned.lambda_now_u()[old], own)
    change = expected - start
    gain, gain_u, gain_all, gain_all_u = _gains(change, value - start, reading)
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
        gain=gain,
        gain_u=gain_u,
        gain_all=gain_all,
        gain_all_u=gain_all_u,
        causes=_causes(learned, car, old, value - start, reading),
    )


def foretold(learned: Learned) -> FloatArray:
    """Lambda of each drive, shape (drives, 4, m): measured; predicted by the drives before it; and its 90 % interval.

    NaN where a band was not read, or neither needle nor jet had changed; bands are those of the last drive.
    """
    passes = learned.history.passes
    out = np.full((len(passes), 4, learned.bands.rpm.size), np.nan)
    for number, here in enumerate(passes):
        place = same_bands(learned.bands, here.bands)
        out[number, 0, place[place >= 0]] = here.bands.lambda_measured[place >= 0]
        before = learn(History(passes[:number]), learned.setup, doubts=learned.doubts) if number else learned
        alike = (same_bands(before.bands, here.bands) >= 0).any()
        if number and alike and not unchanged(before, here.needle, here.drop_mm):
            found = compare_pass(before, here.bands, needle=here.needle, drop_mm=here.drop_mm)
            shown = place[found.band] >= 0
            ends = np.array([found.lambda_predicted, found.lambda_low, found.lambda_high])
            out[number, 1:, place[found.band[shown]]] = ends[:, shown].T
    return out


def _gains(change: FloatArray, moved: FloatArray, reading: FloatArray) -> tuple[FloatArray, FloatArray, float, float]:
    """Change measured over change predicted with its standard uncertainty: of each band, and of all that tell."""
    told = np.where(np.abs(change) > TELLING * reading, change, np.nan)
    gain, gain_u, weight = moved / told, reading / np.abs(told), float(np.nansum((told / reading) ** 2))
    if not weight:
        return gain, gain_u, np.nan, np.nan
    return gain, gain_u, float(np.nansum(moved * told / reading**2)) / weight, weight**-0.5


def _causes(
    learned: Learned, car: Learned, old: NDArray[np.intp], moved: FloatArray, reading: FloatArray
) -> tuple[Cause, ...]:
    """Causes tried one at a time, the best first, against the change of ln(lambda) that was measured."""
    lift = car.lift_mm()
    change = _change(learned, car, lift[None])[:, old]
    told = float((change**2 / reading**2).sum())
    gain = float((change * moved / reading**2).sum()) / told if told > LEAST_SQUARE else 1.0
    out = []
    for one, sizes, changes in (
        (Diagnosis.GAIN, np.array([gain - 1.0]), gain * change),
        (Diagnosis.LIFT_SCALE, SCALES, _change(learned, car, lift * (1.0 + SCALES[:, None]))[:, old]),
        (Diagnosis.LIFT_ZERO, ZEROS_MM, _change(learned, car, lift + ZEROS_MM[:, None])[:, old]),
    ):
        left = (((moved - changes) / reading) ** 2).sum(axis=1)
        best = int(np.argmin(left))
        out.append(Cause(one, float(sizes[best]), float(left[best])))
    return tuple(sorted(out, key=lambda cause: cause.misfit))


def _change(learned: Learned, car: Learned, lift_mm: FloatArray) -> FloatArray:
    """Change of ln(lambda) from the last pass to this one, were the lifts these, shape (g, m)."""
    logs = []
    for one in (learned, car):
        unknowns = np.tile(one.mean, (lift_mm.shape[0], 1))
        unknowns[:, one.place.lift()] = lift_mm
        logs.append(one.log_lambda(unknowns, one.present_mm(), one.history.passes[-1].drop_mm))
    return np.asarray(logs[1] - logs[0])


def touched(learned: Learned, needle: Needle) -> NDArray[np.bool_]:
    """Stations of a needle that were measured anew since the last pass."""
    last = learned.history.passes[-1].needle
    if last.stations_mm.shape != needle.stations_mm.shape or not np.allclose(
        last.stations_mm, needle.stations_mm, atol=1e-6
    ):
        msg = f"Needle {needle.name} has other stations than {last.name}; measure it at the same ones, from the same datum."
        raise InputError(msg)
    return np.asarray(np.abs(last.diameters_mm - needle.diameters_mm) > SAME_NEEDLE_MM)


def unchanged(learned: Learned, needle: Needle, drop_mm: float) -> bool:
    """Whether needle and jet height are still those of the last pass."""
    return abs(drop_mm - learned.history.passes[-1].drop_mm) < SAME_DROP_MM and not touched(learned, needle).any()


def refitted(learned: Learned, needle: Needle, drop_mm: float) -> Learned:
    """The car as estimated with another needle in it, measured but not yet driven."""
    new, place, last = touched(learned, needle), learned.place, learned.history.passes[-1]
    number = int(learned.history.then(needle, drop_mm, learned.bands).needle_of_pass()[-1])
    estimate, prior_u = learned.estimate, learned.prior_u
    if number == place.needles:
        one = max(learned.doubts.micrometer_mm, LEAST_ERROR_MM)
        both = estimate.joined(np.where(new, one, 0.0))
        # Unknowns that each new one copies; those measured anew stand alone.
        copied = np.eye(both.mean.size)
        copied[prior_u.size :, learned.present_errors()] = np.diag(~new)
        estimate = Gaussian(copied @ both.mean, copied @ both.root)
        prior_u, place = np.append(prior_u, np.full(new.size, one)), replace(place, needles=place.needles + 1)
    true = needle.diameters_mm - estimate.mean[place.needle(number)]
    expected = np.exp(learned.log_lambda(learned.mean, true, drop_mm))
    undriven = learned.bands.having(lambda_measured=expected, log=None, samples=())
    after = History((*learned.history.passes, Pass(needle, drop_mm, undriven, driven=False, air=last.air, fuel=last.fuel)))
    return replace(
        learned,
        setup=after.present(learned.setup),
        history=after,
        bands=undriven,
        place=place,
        estimate=estimate,
        prior_u=prior_u,
    )
