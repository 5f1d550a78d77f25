"""Estimates of the lift held side by side: do they agree, and what is wrong where they do not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.drive.make import typed_each
from needlecalc.measure.lift.estimates import (
    LiftDoubts,
    LiftEstimate,
    by_air_meter,
    by_manifold,
    by_reading,
    greatest_flow_g_s,
    lift_shift_mm,
)
from needlecalc.measure.lift.throttle import LEAST_READINGS, by_throttle
from needlecalc.parts.setup import Setup
from needlecalc.parts.slide import SlideValve
from needlecalc.remark import Remark, Severity
from needlecalc.show import Shown, in_words
from needlecalc.units import FloatArray

CHANCE = 0.02  # what may pass for chance
CLEAR_SIGMAS = 3.0
LEAST_FOR_BOTH = 4
ROUNDS = 15


class Agreement(StrEnum):
    """What holding two estimates of the lift side by side came to."""

    APART = "no band in common"
    AGREE = "agree"
    AGREE_BUT_SCALED = "agree, but for a scale throughout"
    ONE_BAND = "disagree at the one band"
    SCALE = "a scale explains the difference"
    OFFSET = "a zero explains the difference"
    BOTH = "a scale and a zero explain the difference"
    NEITHER = "nothing explains the difference"


@dataclass(frozen=True, eq=False)
class Compared:
    """One estimate against the first: difference and what is expected of it by band, NaN where either gives none. [mm]."""

    estimate: LiftEstimate
    difference_mm: FloatArray
    expected_mm: FloatArray
    agrees: bool
    remark: Remark


@dataclass(frozen=True, repr=False, eq=False)
class LiftAgreement(Shown):
    """Lifts of each band by every source that gives them, against the most direct one.

    Parameters
    ----------
    bands : Bands
        The bands.
    first : LiftEstimate
        What is held for true: readings, else the sensor, else the air meter.
    compared : tuple of Compared
        Each further estimate against it.
    """

    bands: Bands
    first: LiftEstimate
    compared: tuple[Compared, ...]

    @property
    def agrees(self) -> tuple[bool, ...]:
        """Whether each further estimate differs by no more than chance."""
        return tuple(one.agrees for one in self.compared)

    @property
    def verdicts(self) -> tuple[str, ...]:
        """One sentence for each further estimate."""
        return tuple(in_words(one.remark) for one in self.compared)

    def __repr__(self) -> str:
        words = "agree" if all(self.agrees) else "do not agree"
        names = [in_words(one.source)[0] for one in (self.first, *(one.estimate for one in self.compared))]
        return f"LiftAgreement: {', '.join(names)} {words}"


def lift_agreement(
    bands: Bands,
    setup: Setup,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    doubts: LiftDoubts | None = None,
) -> LiftAgreement:
    """Every estimate of the lift held against the most direct one, with a verdict.

    Parameters
    ----------
    bands : Bands
        Bands of a drive, before or after ``with_lift``.
    setup : Setup
        The parts as stated; nothing is scaled to the readings here.
    lift_mm : array_like, shape (m,), or None
        Lift read at each band, NaN where none was; those of the bands when not given. [mm]
    lift_u_mm : float
        Standard uncertainty of those readings. [mm]
    doubts : LiftDoubts or None
        Uncertainties of lifts; the usual figures when not given.

    Returns
    -------
    LiftAgreement
        Readings are held for true first, then the sensor, then the air meter.

    Raises
    ------
    InputError
        If no band has its lift from two sources.

    Notes
    -----
    The squared difference over its covariance, shared errors included, is held against chi-square, and so
    is the scale alone; beyond the 2 % point of either the two disagree.  Then the plainest of these that
    leaves no more than the bands' own uncertainty explains it: a scale of the air flow, an offset of the lift,
    both, or neither.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> lift_agreement(road.bands, road.setup)
    LiftAgreement: reading, manifold pressure agree
    """
    doubts = doubts or LiftDoubts()
    typed = None if lift_mm is None else typed_each(lift_mm, bands, "lift_mm")
    reading, sensor = by_reading(bands, doubts, lift_mm=typed, lift_u_mm=lift_u_mm)
    found = [reading, sensor, by_air_meter(bands, setup, doubts), by_manifold(bands, setup, doubts)]
    if (np.isfinite(reading.mm) & np.isfinite(bands.throttle_percent)).sum() >= LEAST_READINGS:
        found.append(by_throttle(bands, setup, reading, doubts))
    found = [one for one in found if np.isfinite(one.mm).any()]
    if len(found) < 2:
        named = in_words(found[0].source)[0] if found else "none"
        msg = f"Lifts need two sources to be compared, but there is {named} alone; type readings in or log more."
        raise InputError(msg)
    first = found[0]
    return LiftAgreement(bands, first, tuple(_compared(bands, setup, first, one, doubts) for one in found[1:]))


def readings_against_air(bands: Bands, setup: Setup) -> Fit | None:
    """Share and shift that bring lifts computed from air flow to those read; None under a slide, or with too few of both."""
    if isinstance(setup.carburettor.air_valve, SlideValve):
        return None
    if (bands.lift_from(LiftSource.COMPUTED) & bands.lift_from(LiftSource.TYPED | LiftSource.LOGGED)).any():
        return None  # already weighed against each other
    reading, sensor = by_reading(bands, LiftDoubts())
    for first in (reading, sensor):
        for way in (by_air_meter(bands, setup, LiftDoubts()), by_manifold(bands, setup, LiftDoubts())):
            at = np.flatnonzero(np.isfinite(way.mm - first.mm))
            if at.size >= LEAST_FOR_BOTH:
                v = np.maximum(np.hypot(way.own_u_mm, first.own_u_mm)[at], 1e-6) ** 2
                return _Pair(setup, way, first, at, v).fit(scale=True, offset=True)
    return None


@dataclass(frozen=True)
class Fit:
    """One explanation: ln of the scale and the offset by which the estimate is high, and what is left."""

    scale: float
    scale_u: float
    offset_mm: float
    offset_u_mm: float
    chance: float
    left: FloatArray

    def numbers(self) -> dict[str, float | int | str]:
        """The same as figures to print."""
        share = float(np.exp(self.scale))
        return {
            "percent": 100.0 * (share - 1.0),
            "percent_u": 100.0 * share * self.scale_u,
            "offset_mm": self.offset_mm,
            "offset_u_mm": self.offset_u_mm,
        }


@dataclass(frozen=True, eq=False)
class _Pair:
    """An estimate and the one it is held against, at the bands that both have; v is the own variance there."""

    setup: Setup
    estimate: LiftEstimate
    first: LiftEstimate
    at: NDArray[np.intp]
    v: FloatArray

    def flow(self, scale: float) -> FloatArray:
        """Air flow brought down by a scale, no more than the throat passes."""
        return np.asarray(np.minimum(self.estimate.flow_g_s[self.at] * np.exp(-scale), greatest_flow_g_s(self.setup)))

    def lift(self, scale: float) -> FloatArray:
        """Lift of the estimate with its air flow, or its reading, brought down by a scale."""
        if not self.estimate.flow_g_s.size:
            return np.asarray(self.estimate.mm[self.at] * np.exp(-scale))
        return np.asarray(self.setup.carburettor.air_valve.lift_mm(self.flow(scale), self.setup.air))

    def slope(self, scale: float) -> FloatArray:
        """Slope of that lift by ln of the scale."""
        if not self.estimate.flow_g_s.size:
            return self.lift(scale)
        return lift_shift_mm(self.setup, self.flow(scale), 0.01) / 0.01

    def fit(self, *, scale: bool = False, offset: bool = False) -> Fit:
        """Weighted least squares on a scale, an offset or both, repeated about the scale found."""
        found_scale, kinds = 0.0, [kind for kind, wanted in (("scale", scale), ("offset", offset)) if wanted]
        for _ in range(ROUNDS):
            d = self.lift(found_scale) - self.first.mm[self.at]
            shapes = {"scale": self.slope(found_scale) if scale else d, "offset": np.ones(d.size)}
            matrix = np.column_stack([shapes[kind] for kind in kinds])
            covariance = np.linalg.inv(matrix.T / self.v @ matrix)
            found = covariance @ (matrix.T / self.v @ d)
            if not scale or abs(found[0]) < 1e-6:
                break
            found_scale += float(np.clip(found[0], -0.3, 0.3))
        left = d - matrix @ found
        error = np.sqrt(np.diag(covariance))
        chance = _chance(float((left**2 / self.v).sum()), d.size - len(kinds))
        moved = (float(found[-1]), float(error[-1])) if offset else (0.0, 0.0)
        return Fit(found_scale, float(error[0]) if scale else 0.0, *moved, chance, left)


def _chance(square: float, freedom: int) -> float:
    """Chance of a chi-square so great or greater."""
    return float(chdtrc(freedom, square)) if freedom > 0 else 1.0


def _compared(bands: Bands, setup: Setup, first: LiftEstimate, estimate: LiftEstimate, doubts: LiftDoubts) -> Compared:
    """Difference, its expected size, and what it comes to."""
    difference = estimate.mm - first.mm
    both = np.isfinite(difference)
    own = np.hypot(estimate.own_u_mm, first.own_u_mm)
    if estimate.flow_u and first.flow_u:  # one throat serves both: its error cancels
        throat = doubts.throat_share()
        left_u = np.sqrt(max(estimate.flow_u**2 + first.flow_u**2 - 2.0 * throat**2, 0.0))
        shared = [estimate.common_u_mm * left_u / estimate.flow_u]
    elif estimate.source == LiftSource.THROTTLE:  # set by the readings themselves, zero and all
        shared = []
    else:
        shared = [estimate.common_u_mm, first.common_u_mm]
    expected = np.sqrt(own**2 + sum((c**2 for c in shared), np.zeros(own.shape)))
    if not both.any():
        numbers = {"source": estimate.source.code(), "first": first.source.code()}
        return Compared(estimate, difference, expected, True, Remark(Agreement.APART, numbers=numbers))
    pair = _Pair(setup, estimate, first, np.flatnonzero(both), np.maximum(own[both], 1e-6) ** 2)
    d = difference[both]
    common = sum((np.outer(c[both], c[both]) for c in shared), np.zeros((d.size, d.size)))
    # Over many bands one shared error too great would pass unseen, so it is held against its size alone as well.
    scale = pair.fit(scale=True)
    weight = pair.slope(scale.scale) / pair.v
    weight = weight / (weight @ pair.slope(scale.scale))
    shared_u = float(np.sqrt(weight @ common @ weight + scale.scale_u**2))
    whole = _chance(float(d @ np.linalg.solve(common + np.diag(pair.v), d)), d.size)
    agrees = min(whole, _chance((scale.scale / shared_u) ** 2, 1)) >= CHANCE
    return Compared(estimate, difference, expected, agrees, _explained(bands, pair, d, expected[both], agrees))


def _explained(bands: Bands, pair: _Pair, d: FloatArray, expected: FloatArray, agrees: bool) -> Remark:
    """Agreement, or the plainest explanation of the difference."""
    estimate, v = pair.estimate, pair.v
    scale, offset = pair.fit(scale=True), pair.fit(offset=True)
    numbers: dict[str, float | int | str] = {
        "source": estimate.source.code(),
        "first": pair.first.source.code(),
        "of": "air flow" if estimate.flow_g_s.size else "lift",
        "bands": int(d.size),
        "mean_mm": float(d.mean()),
        "expected_mm": float(np.sqrt((expected**2).mean())),
    }

    def come_to(kind: Agreement, severity: Severity, fit: Fit = scale, at: int | None = None) -> Remark:
        named = () if at is None else bands.called(int(pair.at[at]))
        return Remark(kind, severity, bands=named, numbers={**numbers, **fit.numbers()})

    if agrees:
        clear = d.size > 1 and abs(scale.scale) > CLEAR_SIGMAS * scale.scale_u
        return come_to(Agreement.AGREE_BUT_SCALED if clear else Agreement.AGREE, Severity.NOTE)
    if d.size == 1:
        return come_to(Agreement.ONE_BAND, Severity.CAUTION, at=0)
    if max(scale.chance, offset.chance) >= CHANCE:
        if scale.chance >= offset.chance:
            return come_to(Agreement.SCALE, Severity.CAUTION)
        return come_to(Agreement.OFFSET, Severity.CAUTION, offset)
    left = scale.left
    if d.size >= LEAST_FOR_BOTH:
        joined = pair.fit(scale=True, offset=True)
        if joined.chance >= CHANCE:
            return come_to(Agreement.BOTH, Severity.CAUTION, joined)
        left = joined.left
    worst = int(np.argmax(np.abs(left) / np.sqrt(v)))
    numbers |= {"left_mm": float(left[worst]), "left_u_mm": float(np.sqrt(v[worst]))}
    return come_to(Agreement.NEITHER, Severity.CAUTION, at=worst)
