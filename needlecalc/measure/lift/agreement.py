"""Ways to the lift held side by side: do they agree, and what is wrong where they do not."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import chdtrc

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.typed import typed_each
from needlecalc.measure.lift.throttle import LEAST_READINGS, throttle_way
from needlecalc.measure.lift.ways import (
    LiftDoubts,
    LiftWay,
    air_meter_way,
    lift_shift_mm,
    manifold_way,
    read_way,
)
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray

CHANCE = 0.02  # what may pass for chance
CLEAR_SIGMAS = 3.0
LEAST_FOR_BOTH = 4
ROUNDS = 15


@dataclass(frozen=True, repr=False, eq=False)
class LiftAgreement(Shown):
    """Lifts of each band in every way that gives them, against the most direct one.

    Parameters
    ----------
    bands : Bands
        The bands.
    ways : tuple of LiftWay
        The ways, the one held for true first.
    difference_mm : tuple of array, shape (m,)
        Lift of each further way less that of the first; NaN where either gives none. [mm]
    expected_mm : tuple of array, shape (m,)
        Standard uncertainty of that difference. [mm]
    verdicts : tuple of str
        One sentence for each further way.
    agrees : tuple of bool
        Whether each further way differs by no more than chance.
    """

    bands: Bands
    ways: tuple[LiftWay, ...]
    difference_mm: tuple[FloatArray, ...]
    expected_mm: tuple[FloatArray, ...]
    verdicts: tuple[str, ...]
    agrees: tuple[bool, ...]

    def __repr__(self) -> str:
        words = "agree" if all(self.agrees) else "do not agree"
        return f"LiftAgreement: {', '.join(way.name for way in self.ways)} {words}"

    def table(self) -> Table:
        """Ways side by side, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        first = self.ways[0]
        columns = [Column("rpm", "rpm", ".0f"), Column("load", "load"), Column("lift_mm", f"{first.name} mm", ".2f")]
        rows = [
            {"rpm": float(self.bands.rpm[b]), "load": self.bands.load[b], "lift_mm": float(first.lift_mm[b])}
            for b in range(self.bands.rpm.size)
        ]
        compared = zip(self.ways[1:], self.difference_mm, self.expected_mm, strict=True)
        for k, (way, difference, expected) in enumerate(compared, start=2):
            keys = f"lift_{k}_mm", f"difference_{k}_mm", f"expected_{k}_mm"
            columns += [
                Column(keys[0], f"{way.name} mm", ".2f"),
                Column(keys[1], "differs mm", "+.2f"),
                Column(keys[2], "expected +- mm", ".2f"),
            ]
            for b, row in enumerate(rows):
                row.update(zip(keys, (float(v[b]) for v in (way.lift_mm, difference, expected)), strict=True))
        notes = [f"{way.name}: {note}" for way in self.ways for note in way.notes]
        return Table("Ways to the lift, side by side", columns, rows, intro=self.verdicts, notes=notes)


def lift_agreement(
    bands: Bands,
    setup: Setup,
    *,
    lift_mm: ArrayLike | None = None,
    lift_u_mm: float = 0.3,
    doubts: LiftDoubts | None = None,
) -> LiftAgreement:
    """Every way to the lift held against the most direct one, with a verdict.

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
        What lifts are doubted for; the usual figures when not given.

    Returns
    -------
    LiftAgreement
        Readings are held for true first, then the sensor, then the air meter.

    Raises
    ------
    InputError
        If no band has its lift in two ways.

    Notes
    -----
    The squared difference over its covariance, shared errors included, is held against chi-square, and so
    is the scale alone; beyond the 2 % point of either the ways disagree.  Then the plainest of these that
    leaves no more than the bands' own doubt explains it: a scale of the air flow, an offset of the lift,
    both, or neither.
    """
    doubts = doubts or LiftDoubts()
    typed = None
    if lift_mm is not None:
        typed = typed_each(lift_mm, bands, "lift_mm")
    check_range(lift_u_mm, "lift_u_mm", 0.0, 10.0, cure="It is one sigma, in mm.")
    reading, sensor = read_way(bands, doubts, lift_mm=typed, lift_u_mm=lift_u_mm)
    ways = [reading, sensor, air_meter_way(bands, setup, doubts), manifold_way(bands, setup, doubts)]
    if (np.isfinite(reading.lift_mm) & np.isfinite(bands.throttle_percent)).sum() >= LEAST_READINGS:
        ways.append(throttle_way(bands, setup, reading, doubts))
    ways = [way for way in ways if np.isfinite(way.lift_mm).any()]
    if len(ways) < 2:
        named = ways[0].name if ways else "none"
        msg = f"Ways to the lift need two to be compared, but there is {named} alone; type readings in or log more."
        raise InputError(msg)
    first = ways[0]
    parts = [_compared(bands, setup, first, way, doubts) for way in ways[1:]]
    differences, expected, verdicts, agrees = zip(*parts, strict=True)
    return LiftAgreement(bands, tuple(ways), differences, expected, verdicts, agrees)


@dataclass(frozen=True)
class _Fit:
    """One explanation: ln of the scale and the offset by which the way is high, and what is left."""

    scale: float
    scale_u: float
    offset_mm: float
    offset_u_mm: float
    chance: float
    left: FloatArray


@dataclass(frozen=True, eq=False)
class _Pair:
    """A way and the one it is held against, at the bands where both speak; v is the own variance there."""

    setup: Setup
    way: LiftWay
    first: LiftWay
    at: NDArray[np.intp]
    v: FloatArray

    def flow(self, scale: float) -> FloatArray:
        """Air flow brought down by a scale, no more than the throat passes."""
        valve = self.setup.carburettor.air_valve
        top = float(valve.air_flow_g_s(valve.travel_mm(), self.setup.air))
        return np.asarray(np.minimum(self.way.flow_g_s[self.at] * np.exp(-scale), top))

    def lift(self, scale: float) -> FloatArray:
        """Lift of the way with its air flow, or its reading, brought down by a scale."""
        if not self.way.flow_g_s.size:
            return np.asarray(self.way.lift_mm[self.at] * np.exp(-scale))
        return np.asarray(self.setup.carburettor.air_valve.lift_mm(self.flow(scale), self.setup.air))

    def slope(self, scale: float) -> FloatArray:
        """Slope of that lift by ln of the scale."""
        if not self.way.flow_g_s.size:
            return self.lift(scale)
        return lift_shift_mm(self.setup, self.flow(scale), 0.01) / 0.01

    def fit(self, *, scale: bool = False, offset: bool = False) -> _Fit:
        """Weighted least squares on a scale, an offset or both, repeated about the scale found."""
        found_scale, kinds = 0.0, [kind for kind, wanted in (("scale", scale), ("offset", offset)) if wanted]
        for _ in range(ROUNDS):
            d = self.lift(found_scale) - self.first.lift_mm[self.at]
            shapes = {"scale": self.slope(found_scale) if scale else d, "offset": np.ones(d.size)}
            matrix = np.column_stack([shapes[kind] for kind in kinds])
            covariance = np.linalg.inv(matrix.T / self.v @ matrix)
            found = covariance @ (matrix.T / self.v @ d)
            if not scale or abs(found[0]) < 1e-6:
                break
            found_scale += float(np.clip(found[0], -0.3, 0.3))
        left = d - matrix @ found
        doubt = np.sqrt(np.diag(covariance))
        free = d.size - len(kinds)
        chance = float(chdtrc(free, (left**2 / self.v).sum())) if free > 0 else 1.0
        moved = (float(found[-1]), float(doubt[-1])) if offset else (0.0, 0.0)
        return _Fit(found_scale, float(doubt[0]) if scale else 0.0, *moved, chance, left)


def _compared(
    bands: Bands, setup: Setup, first: LiftWay, way: LiftWay, doubts: LiftDoubts
) -> tuple[FloatArray, FloatArray, str, bool]:
    """Difference, its expected size, verdict, and whether it passes for chance."""
    difference = way.lift_mm - first.lift_mm
    both = np.isfinite(difference)
    own = np.hypot(way.own_u_mm, first.own_u_mm)
    if way.flow_u and first.flow_u:  # one throat serves both: its doubt cancels
        throat = doubts.throat_share()
        left_u = np.sqrt(max(way.flow_u**2 + first.flow_u**2 - 2.0 * throat**2, 0.0))
        shared = [way.common_u_mm * left_u / way.flow_u]
    elif way.name == "throttle and speed":  # set by the readings themselves, zero and all
        shared = []
    else:
        shared = [way.common_u_mm, first.common_u_mm]
    expected = np.sqrt(own**2 + sum((c**2 for c in shared), np.zeros(own.shape)))
    if not both.any():
        return difference, expected, f"Lift by {way.name} and {first.name} meet at no band.", True
    pair = _Pair(setup, way, first, np.flatnonzero(both), np.maximum(own[both], 1e-6) ** 2)
    d = difference[both]
    common = sum((np.outer(c[both], c[both]) for c in shared), np.zeros((d.size, d.size)))
    # Over many bands one shared error too great would pass unseen, so it is held against its doubt alone as well.
    scale = pair.fit(scale=True)
    weight = pair.slope(scale.scale) / pair.v
    weight = weight / (weight @ pair.slope(scale.scale))
    shared_u = float(np.sqrt(weight @ common @ weight + scale.scale_u**2))
    whole = float(chdtrc(d.size, d @ np.linalg.solve(common + np.diag(pair.v), d)))
    agrees = min(whole, float(chdtrc(1, (scale.scale / shared_u) ** 2))) >= CHANCE
    return difference, expected, _verdict(bands, pair, d, expected[both], agrees), agrees


def _verdict(bands: Bands, pair: _Pair, d: FloatArray, expected: FloatArray, agrees: bool) -> str:
    """One sentence: agreement, or the plainest explanation of the difference."""
    way, first, v = pair.way, pair.first, pair.v
    name, what = f"Lift by {way.name}", "air flow" if way.flow_g_s.size else "lift"
    scale, offset = pair.fit(scale=True), pair.fit(offset=True)
    scaled = f"{_scaled(scale)} in {what}"
    rms = f"{float(np.sqrt((expected**2).mean())):.2f} mm is expected"
    if agrees:
        words = f"{name} agrees with the {first.name} within their doubt at {counted(d.size, 'band')}"
        if d.size > 1 and abs(scale.scale) > CLEAR_SIGMAS * scale.scale_u:
            return f"{words}, but is {scaled} throughout: {way.suspects} a little off?"
        return f"{words}: {scaled}."
    mean = f"on average {_high(float(d.mean()), '.2f', ' mm')} where {rms}"
    if d.size == 1:
        band = bands.name(int(pair.at[0]))
        return f"{name} disagrees with the {first.name} at {band}, {mean}; read one more band to tell scale from zero."
    if max(scale.chance, offset.chance) >= CHANCE:
        if scale.chance >= offset.chance:
            return f"{name} is {scaled} at all {d.size} bands, {mean}: {way.suspects}?"
        moved = f"{_high(offset.offset_mm, '.2f', ' mm')} (+- {offset.offset_u_mm:.2f} mm)"
        return (
            f"{name} is {moved} at all {d.size} bands, where {rms}: zero of the {first.name}, rest of the piston, or "
            "height of the bridge?"
        )
    left = scale.left
    if d.size >= LEAST_FOR_BOTH:
        joined = pair.fit(scale=True, offset=True)
        if joined.chance >= CHANCE:
            return (
                f"{name} is {_scaled(joined)} in {what} and besides {_high(joined.offset_mm, '.2f', ' mm')} "
                f"(+- {joined.offset_u_mm:.2f} mm) at all {d.size} bands: two things at once, {way.suspects}, and a zero?"
            )
        left = joined.left
    worst = int(np.argmax(np.abs(left) / np.sqrt(v)))
    return (
        f"{name} differs from the {first.name} from band to band, and neither a scale nor a zero explains it; worst at "
        f"{bands.name(int(pair.at[worst]))}, {left[worst]:+.2f} mm left where {np.sqrt(v[worst]):.2f} is expected: that "
        f"reading, a piston that sticks, or the shape of what {way.name} rests on?"
    )


def _scaled(fit: _Fit) -> str:
    share = float(np.exp(fit.scale))
    return f"{_high(100.0 * (share - 1.0), '.1f', ' %')} (+- {100.0 * share * fit.scale_u:.1f} %)"


def _high(value: float, form: str, unit: str) -> str:
    return f"{abs(value):{form}}{unit} {'high' if value >= 0.0 else 'low'}"
