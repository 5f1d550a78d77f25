"""Bands: what a drive says at each engine speed and load, with its errors."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from enum import Flag, StrEnum, auto
from functools import reduce
from operator import or_
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_each, check_text, read_only, same_length
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.lag import Lag
from needlecalc.measure.log.file import Log
from needlecalc.parts.setup import Setup
from needlecalc.remark import BandName, Remark
from needlecalc.show import Shown, counted, in_words
from needlecalc.units import FloatArray

Rows = NDArray[np.intp]
AFR_CURE = "Is it an air-fuel ratio? Most gauges show lambda times 14.7: divide it by 14.7."
NAMED_IN_FULL, WORST_NAMED = 12, 6  # of a longer list only so many are named, and the others counted
SAME_SPEED = 0.06  # holds of two banks so near stand for one another


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


class RowReason(StrEnum):
    """Why a row of a log is in no band."""

    STEADY = "steady"
    FLAGGED = "flagged by the log"
    NO_ANSWER = "lag past an end"
    COLD = "cold"
    NO_PRESSURE = "no pressure"
    OVERRUN = "overrun"
    EDGE = "near an end"
    SPEED = "speed moves"
    PRESSURE = "pressure moves"
    THROTTLE = "throttle moves"
    OPENING = "opening"
    LAMBDA = "lambda moves"
    NO_LOAD = "in no load"
    NO_BAND = "in no band of speed"
    FEW = "too few samples"


class LeftOut(NamedTuple):
    """Why rows are in no band: the reason, the limit it was held against, the log's flag, the bank of twins."""

    why: RowReason
    limit: float = 0.0
    flag: int = 0
    bank: str = ""


class DriveNote(StrEnum):
    """What was taken for granted or found while a drive was made into bands with lifts."""

    TYPED = "typed in"
    LAG = "lag taken out"
    CORRELATION = "samples hang together"
    NO_COOLANT = "coolant not logged"
    SPEED_ALONE = "no load logged"
    NO_IDLE = "idle is missing"
    IDLE_DILUTED = "idle is left out, its exhaust holds air"
    MERGED = "drives merged"
    BROUGHT = "brought to another air or fuel"
    AIR_SCALED = "air flow scaled to lifts read"
    EDGE_HELD = "edge of the table of volumetric efficiency held"
    AT_THE_TOP = "piston taken at its top"
    THROAT_PASSES_LESS = "air flow scaled to what the throat passes"
    BY_THROTTLE = "air flow by throttle"
    OTHER_OIL = "damper oil changed"
    RESTATED = "readings read over to other parts"


LIFT_NOTES = (
    DriveNote.AIR_SCALED,
    DriveNote.EDGE_HELD,
    DriveNote.AT_THE_TOP,
    DriveNote.THROAT_PASSES_LESS,
    DriveNote.BY_THROTTLE,
    DriveNote.OTHER_OIL,
    DriveNote.RESTATED,
)


class _Column:
    """A column of numbers of the bands, read as an attribute; only where ``always`` is no entry missing."""

    def __init__(self, *, always: bool = False) -> None:
        self.always = always

    def __set_name__(self, owner: type, name: str) -> None:
        self.name = name

    def __get__(self, bands: Bands | None, owner: type | None = None) -> FloatArray:
        if bands is None:
            raise AttributeError(self.name)
        return bands.columns[self.name]


@dataclass(frozen=True, repr=False, eq=False, init=False)
class Bands(Shown):
    """Measured mixture by engine speed and load: columns of shape (m,), one entry a band, NaN where not known.

    Made by ``make_bands``, ``typed_bands`` and ``with_lift``; ``dataclasses.replace`` takes columns by their names.

    Parameters
    ----------
    rpm, rpm_low, rpm_high : array, shape (m,)
        Mean speed and the edges of the band. [1/min]
    count, visits, effective_count : array, shape (m,)
        Accepted samples, separate holds they come from, and independent samples. [-]
    lambda_measured, lambda_spread, lambda_se : array, shape (m,)
        Mean, spread of samples and standard error of the mean, k=1; the error counts visits, not only
        samples. [-]
    spread_within, spread_between : array, shape (m,)
        Spread of samples inside a visit, and of visits beyond what that explains, k=1. [-]
    manifold_pressure_pa, air_flow_g_s, throttle_percent : array, shape (m,)
        Means. [Pa, g/s for the engine, %]
    depression_pa : array, shape (m,)
        Depression over the jet where it was read, or computed under a slide. [Pa]
    lift_mm, lift_u_mm, lift_common_u_mm : array, shape (m,)
        Lift of the air valve, its standard uncertainty, and the part of it that all bands share: shift of each
        lift if the error they share is one sigma high. [mm]
    load, bank : tuple of str
        Name of the load of each band, and of its bank or carburettor where there are two.
    lift_source : tuple of LiftSource
        Where each lift comes from.
    log, lag : Log or None, Lag or None
        The log they come from, and the lag taken out of lambda.
    samples : tuple of array of int
        Rows of the log in each band; nothing without a log.
    dropped : tuple of (LeftOut, int)
        Rows of the log that are in no band, by reason.
    remarks : tuple of Remark
        What was taken for granted or found.
    setup, lift_setup : Setup or None
        Parts, fuel and air they were measured with, where stated, and those under which the lifts stand.

    Raises
    ------
    InputError
        If columns differ in length, there is no band, or lambda is none.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.bands
    Bands: 11, 2545 samples, 850 to 5000 rpm
    >>> road.bands.name(0)
    '850 rpm idle'
    """

    columns: Mapping[str, FloatArray]
    load: tuple[str, ...]
    bank: tuple[str, ...]
    lift_source: tuple[LiftSource, ...]
    log: Log | None
    lag: Lag | None
    samples: tuple[Rows, ...]
    dropped: tuple[tuple[LeftOut, int], ...]
    remarks: tuple[Remark, ...]
    setup: Setup | None
    lift_setup: Setup | None

    rpm = _Column(always=True)
    rpm_low = _Column(always=True)
    rpm_high = _Column(always=True)
    count = _Column(always=True)
    visits = _Column(always=True)
    lambda_measured = _Column(always=True)
    lambda_spread = _Column(always=True)
    lambda_se = _Column(always=True)
    effective_count = _Column()
    spread_within = _Column()
    spread_between = _Column()
    manifold_pressure_pa = _Column()
    air_flow_g_s = _Column()
    throttle_percent = _Column()
    depression_pa = _Column()
    lift_mm = _Column()
    lift_u_mm = _Column()
    lift_common_u_mm = _Column()

    def __init__(
        self,
        columns: Mapping[str, Any] | None = None,
        *,
        load: Sequence[str],
        bank: Sequence[str] = (),
        lift_source: Sequence[LiftSource] = (),
        log: Log | None = None,
        lag: Lag | None = None,
        samples: Sequence[Rows] = (),
        dropped: Sequence[tuple[LeftOut, int]] = (),
        remarks: Sequence[Remark] = (),
        setup: Setup | None = None,
        lift_setup: Setup | None = None,
        **named: ArrayLike,
    ) -> None:
        given = {**(columns or {}), **named}
        if odd := sorted(set(given) - set(COLUMNS)):
            msg = f"Bands have no column {odd[0]!r}; they are {', '.join(COLUMNS)}."
            raise InputError(msg)
        size = len(load)
        kept = {
            name: read_only(given[name] if name in given else np.full(size, np.nan), name, allow_nan=not column.always)
            for name, column in COLUMNS.items()
        }
        sources = tuple(lift_source) or (LiftSource.NONE,) * size
        if not all(isinstance(source, LiftSource) for source in sources):
            msg = f"lift_source must name a LiftSource for each band, as LiftSource.TYPED, but is {shown(sources)}."
            raise InputError(msg)
        self._set(
            columns=kept,
            load=tuple(check_text(one, "name of a load") for one in load),
            bank=tuple(check_text(one, "name of a bank") for one in bank) or ("",) * size,
            lift_source=sources,
            log=log,
            lag=lag,
            samples=tuple(samples),
            dropped=tuple(dropped),
            remarks=tuple(one for place, one in enumerate(remarks) if one not in remarks[:place]),
            setup=setup,
            lift_setup=lift_setup,
        )
        same_length("bands", **kept, load=self.load, bank=self.bank, lift_source=self.lift_source)
        if not size:
            msg = "There is no band with enough steady samples; hold each speed for 5 s, or widen the bands."
            raise InputError(msg)
        check_each(self.rpm, "rpm", 0.0, 2e4, open_low=True, cure="Revolutions a minute.")
        check_each(self.lambda_measured, "lambda_measured", 0.5, 2.0, cure=AFR_CURE)

    def _set(self, **values: Any) -> None:
        for name, value in values.items():
            object.__setattr__(self, name, value)

    def __repr__(self) -> str:
        samples = counted(int(self.count.sum()), "sample")
        return f"Bands: {self.rpm.size}, {samples}, {self.rpm.min():.0f} to {self.rpm.max():.0f} rpm"

    @property
    def assumptions(self) -> tuple[str, ...]:
        """The remarks in words."""
        return tuple(in_words(remark) for remark in self.remarks)

    def idle(self) -> int | None:
        """Place of the idle band, of several that of least speed; None where idle was not measured."""
        idles = [band for band, load in enumerate(self.load) if load == "idle"]
        return min(idles, key=lambda band: float(self.rpm[band])) if idles else None

    def called(self, *bands: int) -> tuple[BandName, ...]:
        """What tells some bands from the others."""
        for band in bands:
            self._has(band)
        return tuple(BandName(float(self.rpm[b]), self.load[b], self.bank[b]) for b in bands)

    def name(self, band: int) -> str:
        """Name of a band as sheets print it: speed and load, and the bank where there are two."""
        self._has(band)
        return f"{self.rpm[band]:.0f} rpm {self.load[band]} {self.bank[band]}".rstrip()

    def across(self) -> tuple[tuple[int, int], ...]:
        """Bands of the first bank, each with the band of every other bank at its load and speed; none without banks."""
        first, *others = dict.fromkeys(self.bank)
        pairs = []
        for other in others:
            for a in (b for b, bank in enumerate(self.bank) if bank == first):
                alike = [b for b, bank in enumerate(self.bank) if bank == other and self.load[b] == self.load[a]]
                near = [b for b in alike if abs(self.rpm[b] / self.rpm[a] - 1.0) < SAME_SPEED]
                pairs += [(a, min(near, key=lambda b: abs(self.rpm[b] - self.rpm[a])))] if near else []
        return tuple(pairs)

    def _has(self, band: int) -> None:
        if not 0 <= band < self.rpm.size:
            msg = f"There is no band {band}; they are counted from 0 to {self.rpm.size - 1}."
            raise InputError(msg)

    def refuse(self, bad: NDArray[np.bool_], words: str, **columns: FloatArray) -> None:
        """InputError for the first band that is bad, if one is: its name, and the words with its figures in their braces."""
        if np.any(bad):
            band = int(np.argmax(bad))
            msg = f"Band {self.name(band)}: {words.format(**{name: column[band] for name, column in columns.items()})}"
            raise InputError(msg)

    def only(self, bands: Sequence[int]) -> Bands:
        """Some of the bands, in the order named.

        >>> from needlecalc import typed_bands
        >>> typed_bands([900, 2000, 3000], [0.97, 1.05, 1.12]).only([2, 0])
        Bands: 2, 2 samples, 900 to 3000 rpm
        """
        for band in bands:
            self._has(band)
        return replace(
            self,
            columns={name: column[list(bands)] for name, column in self.columns.items()},
            load=tuple(self.load[band] for band in bands),
            bank=tuple(self.bank[band] for band in bands),
            lift_source=tuple(self.lift_source[band] for band in bands),
            samples=tuple(self.samples[band] for band in bands) if self.samples else (),
        )

    def having(self, **changes: Any) -> Bands:
        """The same bands with other columns or fields."""
        return replace(self, **changes)

    def lift_from(self, sources: LiftSource) -> NDArray[np.bool_]:
        """Bands whose lift comes from one of some sources, alone or weighed together with others."""
        return np.array([bool(source & sources) for source in self.lift_source], dtype=bool)

    def lift_computed_alone(self) -> NDArray[np.bool_]:
        """Bands whose lift was computed, no reading weighed in."""
        return self.lift_from(LiftSource.COMPUTED) & ~self.lift_from(LiftSource.READ)


COLUMNS = {name: column for name, column in vars(Bands).items() if isinstance(column, _Column)}
