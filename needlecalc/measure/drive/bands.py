"""Bands: what a drive says at each engine speed and load, with its errors."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, fields, replace
from enum import Flag, auto
from functools import reduce
from operator import or_
from typing import Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_each, check_text, read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.drive.lag import Lag
from needlecalc.measure.log.file import Log
from needlecalc.parts.setup import Setup
from needlecalc.remark import BandName
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray


class LiftSource(Flag):
    """Where the lift of a band comes from; more than one where readings and computed lifts were weighed together."""

    NONE = 0
    TYPED = auto()
    LOGGED = auto()
    AIR_METER = auto()
    PRESSURE = auto()
    THROTTLE = auto()
    SCALED = auto()  # the air flow it was computed from was scaled to lifts read
    READ = TYPED | LOGGED
    COMPUTED = AIR_METER | PRESSURE | THROTTLE

    def code(self) -> str:
        """Names of its parts as files hold them, such as ``typed+pressure``."""
        return "+".join(str(part.name).lower() for part in self)

    @classmethod
    def of_code(cls, code: str) -> LiftSource:
        """Back from :meth:`code`; KeyError where a part has no such name."""
        return reduce(or_, (cls[part.upper()] for part in code.split("+") if part), cls.NONE)

    def words(self) -> str:
        """As tables print it."""
        return ", ".join(words for part, words in _LIFT_WORDS.items() if part & self)


_LIFT_WORDS = {
    LiftSource.TYPED: "typed in",
    LiftSource.LOGGED: "logged",
    LiftSource.AIR_METER: "computed from logged air flow",
    LiftSource.PRESSURE: "computed from manifold pressure, speed and volumetric efficiency",
    LiftSource.THROTTLE: "computed from throttle and speed, set by lifts read",
    LiftSource.SCALED: "scaled to lifts read",
}

NAMED_IN_FULL, WORST_NAMED = 12, 6  # of a longer list only so many are named, and the others counted

NOT_ALWAYS_KNOWN = (
    "depression_pa",
    "lift_common_u_mm",
    "throttle_percent",
    "effective_count",
    "spread_within",
    "spread_between",
)


def worst_of(bands: Sequence[int], badness: FloatArray | None = None) -> tuple[list[int], int]:
    """Bands of a list to speak of: all where they are few, else the worst.

    Parameters
    ----------
    bands : sequence of int
        Positions, from 0.
    badness : array, shape (m,), or None
        How bad each band is; in the order given where it is not known. [any]

    Returns
    -------
    list of int
        Those to name: as given where all are, else worst first.
    int
        How many are left.

    Examples
    --------
    >>> worst_of(range(14), np.arange(14.0))
    ([13, 12, 11, 10, 9, 8], 8)
    """
    listed = [int(band) for band in bands]
    if len(listed) <= NAMED_IN_FULL:
        return listed, 0
    if badness is not None:
        listed = [listed[k] for k in np.argsort(-badness[listed], kind="stable")[:WORST_NAMED].tolist()]
    return listed[:WORST_NAMED], len(bands) - WORST_NAMED


@dataclass(frozen=True, repr=False, eq=False)
class Bands(Shown):
    """Measured mixture by engine speed and load; arrays have shape (m,), one entry a band.

    Parameters
    ----------
    rpm, rpm_low, rpm_high : array, shape (m,)
        Mean speed and the edges of the band. [1/min]
    load : tuple of str
        Name of the load.
    count : array, shape (m,)
        Accepted samples.
    visits : array, shape (m,)
        Separate holds they come from.
    lambda_measured, lambda_spread, lambda_se : array, shape (m,)
        Mean, spread of samples and standard error of the mean, k=1; the error counts visits, not only
        samples. [-]
    manifold_pressure_pa, air_flow_g_s : array, shape (m,)
        Means; NaN where not logged. [Pa, g/s for the engine]
    lift_mm, lift_u_mm : array, shape (m,)
        Lift of the air valve and its standard uncertainty; NaN where not known. [mm]
    lift_source : tuple of LiftSource
        Where the lift comes from.
    dropped : tuple of (str, int)
        Rows of the log that are in no band, by reason.
    log : Log or None
        The log they come from.
    assumptions : tuple of str
        What was taken for granted.
    depression_pa : array, shape (m,)
        Depression over the jet where it was read, or computed under a slide; NaN where not known. [Pa]
    lift_common_u_mm : array, shape (m,)
        Part of ``lift_u_mm`` that all bands share: shift of each lift if the error they share is one sigma
        high; NaN where not known. [mm]
    throttle_percent : array, shape (m,)
        Mean throttle; NaN where not logged. [%]
    lift_setup : Setup or None
        Setup under which the lifts stand; None where nothing was said of it.
    effective_count : array, shape (m,)
        Independent samples; NaN where not known.
    spread_within, spread_between : array, shape (m,)
        Spread of samples inside a visit, and of visits beyond what that explains, k=1; NaN where not
        known. [-]
    lag : Lag or None
        Lag taken out of lambda.
    setup : Setup or None
        Parts, fuel and air they were measured with, where stated.
    bank : tuple of str
        Bank or carburettor of each band, where there are two; empty words where there is one.
    """

    rpm: FloatArray
    rpm_low: FloatArray
    rpm_high: FloatArray
    load: tuple[str, ...]
    count: NDArray[np.int64]
    visits: NDArray[np.int64]
    lambda_measured: FloatArray
    lambda_spread: FloatArray
    lambda_se: FloatArray
    manifold_pressure_pa: FloatArray
    air_flow_g_s: FloatArray
    lift_mm: FloatArray
    lift_u_mm: FloatArray
    lift_source: tuple[LiftSource, ...]
    dropped: tuple[tuple[str, int], ...] = ()
    log: Log | None = None
    assumptions: tuple[str, ...] = ()
    depression_pa: FloatArray = field(default_factory=lambda: np.empty(0))
    lift_common_u_mm: FloatArray = field(default_factory=lambda: np.empty(0))
    throttle_percent: FloatArray = field(default_factory=lambda: np.empty(0))
    lift_setup: Setup | None = None
    effective_count: FloatArray = field(default_factory=lambda: np.empty(0))
    spread_within: FloatArray = field(default_factory=lambda: np.empty(0))
    spread_between: FloatArray = field(default_factory=lambda: np.empty(0))
    lag: Lag | None = None
    setup: Setup | None = None
    bank: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for name in NOT_ALWAYS_KNOWN:
            values = getattr(self, name)
            object.__setattr__(self, name, values if len(values) else np.full(len(self.rpm), np.nan))
        object.__setattr__(self, "load", tuple(check_text(load, "name of a load") for load in self.load))
        bank = tuple(check_text(bank, "name of a bank") for bank in self.bank)
        object.__setattr__(self, "bank", bank or ("",) * len(self.rpm))
        for name in ("rpm", "rpm_low", "rpm_high", "lambda_measured", "lambda_spread", "lambda_se"):
            object.__setattr__(self, name, read_only(getattr(self, name), name))
        for name in ("manifold_pressure_pa", "air_flow_g_s", "lift_mm", "lift_u_mm", *NOT_ALWAYS_KNOWN):
            object.__setattr__(self, name, read_only(getattr(self, name), name, allow_nan=True))
        same_length("bands", rpm=self.rpm, load=self.load, lambda_measured=self.lambda_measured, lift_mm=self.lift_mm)
        if not all(isinstance(source, LiftSource) for source in self.lift_source):
            msg = f"lift_source must name a LiftSource for each band, as LiftSource.TYPED, but is {self.lift_source!r:.60}."
            raise InputError(msg)
        same_length("bands", rpm=self.rpm, depression_pa=self.depression_pa, bank=self.bank)
        same_length("bands", rpm=self.rpm, effective_count=self.effective_count, spread_between=self.spread_between)
        if not self.rpm.size:
            msg = "There is no band with enough steady samples; hold each speed for 5 s, or widen the bands."
            raise InputError(msg)
        check_each(self.rpm, "rpm", 0.0, 2e4, open_low=True, cure="Revolutions a minute.")
        low, high = float(self.lambda_measured.min()), float(self.lambda_measured.max())
        if low < 0.5 or high > 2.0:
            msg = f"lambda_measured runs from {low:g} to {high:g}, but must lie between 0.5 and 2; is it an AFR?"
            raise InputError(msg)

    def __repr__(self) -> str:
        samples = counted(int(self.count.sum()), "sample")
        return f"Bands: {self.rpm.size}, {samples}, {self.rpm.min():.0f} to {self.rpm.max():.0f} rpm"

    def idle(self) -> int | None:
        """The idle band, of several that of least speed.

        Returns
        -------
        int or None
            Its place; None where idle was not measured.
        """
        idles = [band for band, load in enumerate(self.load) if load == "idle"]
        return min(idles, key=lambda band: float(self.rpm[band])) if idles else None

    def called(self, *bands: int) -> tuple[BandName, ...]:
        """What tells some bands from the others."""
        return tuple(BandName(float(self.rpm[b]), self.load[b], self.bank[b]) for b in bands)

    def name(self, band: int) -> str:
        """Name of a band as sheets print it.

        Parameters
        ----------
        band : int
            Position, from 0.

        Returns
        -------
        str
            Speed and load, and the bank where there are two.
        """
        self._has(band)
        return f"{self.rpm[band]:.0f} rpm {self.load[band]} {self.bank[band]}".rstrip()

    def _has(self, band: int) -> None:
        if not 0 <= band < self.rpm.size:
            msg = f"There is no band {band}; they are counted from 0 to {self.rpm.size - 1}."
            raise InputError(msg)

    def names(self, bands: Sequence[int], badness: FloatArray | None = None) -> str:
        """Names of some bands in a row: all where they are few, else the worst and how many more.

        Parameters
        ----------
        bands : sequence of int
            Positions, from 0.
        badness : array, shape (m,), or None
            How bad each band is; in the order given where it is not known. [any]

        Returns
        -------
        str
            Names, between commas.

        Examples
        --------
        >>> from needlecalc import typed_bands
        >>> many = typed_bands(range(1000, 2500, 100), [1.0] * 15)
        >>> many.names([0, 1])
        '1000 rpm full, 1100 rpm full'
        >>> many.names(range(14))
        '1000 rpm full, 1100 rpm full, 1200 rpm full, 1300 rpm full, 1400 rpm full, 1500 rpm full and 8 more'
        """
        named, more = worst_of(bands, badness)
        words = ", ".join(self.name(band) for band in named)
        return f"{words} and {more} more" if more else words

    def only(self, bands: Sequence[int]) -> Bands:
        """Some of the bands, in the order named.

        Parameters
        ----------
        bands : sequence of int
            Positions, from 0.

        Returns
        -------
        Bands
            The same drive with fewer bands.

        Examples
        --------
        >>> from needlecalc import typed_bands
        >>> typed_bands([900, 2000, 3000], [0.97, 1.05, 1.12]).only([2, 0])
        Bands: 2, 2 samples, 900 to 3000 rpm
        """
        for band in bands:
            self._has(band)
        chosen: dict[str, Any] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, np.ndarray):
                chosen[item.name] = value[list(bands)]
        for name in ("load", "lift_source", "bank"):
            chosen[name] = tuple(getattr(self, name)[b] for b in bands)
        return replace(self, **chosen)

    def lift_from(self, sources: LiftSource) -> NDArray[np.bool_]:
        """Bands whose lift comes from one of some sources, alone or weighed together with others."""
        return np.array([bool(source & sources) for source in self.lift_source], dtype=bool)

    def lift_computed_alone(self) -> NDArray[np.bool_]:
        """Bands whose lift was computed, no reading weighed in."""
        return self.lift_from(LiftSource.COMPUTED) & ~self.lift_from(LiftSource.READ)

    def table(self) -> Table:
        """Bands and the fate of all other rows, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            *((Column("bank", "bank"),) if any(self.bank) else ()),
            Column("count", "samples", "d"),
            Column("visits", "visits", "d"),
            Column("effective_count", "independent", ".0f"),
            Column("lambda_measured", "lambda", ".3f"),
            Column("spread_within", "within", ".3f"),
            Column("spread_between", "between visits", ".3f"),
            Column("lambda_se", "std error", ".4f"),
            Column("manifold_pressure_kpa", "manifold kPa", ".0f"),
            Column("lift_mm", "lift mm", ".2f"),
            Column("lift_u_mm", "+- mm", ".2f"),
            *((Column("depression_pa", "depression Pa", ".0f"),) if np.isfinite(self.depression_pa).any() else ()),
        )
        rows = [
            {
                "rpm": float(self.rpm[b]),
                "load": self.load[b],
                "bank": self.bank[b],
                "count": int(self.count[b]),
                "visits": int(self.visits[b]),
                "effective_count": float(self.effective_count[b]),
                "lambda_measured": float(self.lambda_measured[b]),
                "lambda_spread": float(self.lambda_spread[b]),
                "spread_within": float(self.spread_within[b]),
                "spread_between": float(self.spread_between[b]),
                "lambda_se": float(self.lambda_se[b]),
                "manifold_pressure_kpa": float(self.manifold_pressure_pa[b]) / 1e3,
                "lift_mm": float(self.lift_mm[b]),
                "lift_u_mm": float(self.lift_u_mm[b]),
                "depression_pa": float(self.depression_pa[b]),
            }
            for b in range(self.rpm.size)
        ]
        notes = [f"{counted(count, 'row')} in no band: {reason}" for reason, count in self.dropped if count]
        notes += [f"lift: {source.words()}" for source in dict.fromkeys(self.lift_source) if source]
        filling = None if self.lift_setup is None else self.lift_setup.engine.volumetric_efficiency
        if isinstance(filling, float) and self.lift_from(LiftSource.PRESSURE).any():
            notes.append(f"volumetric efficiency {filling:g} at every speed and load")
        return Table("Bands", columns, rows, notes=[*notes, *self.assumptions])
