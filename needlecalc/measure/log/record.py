"""The record of a log: arrays in one set of units, the columns they came from, and every row's fate."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.log.cell import LARGEST_NUMBER
from needlecalc.measure.log.columns import BY_KEY
from needlecalc.measure.log.flags import FLAGS
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray

# Fields that hold numbers, and the heads they are written under.
NUMBERS = {
    "time_s": "time (s)",
    "rpm": "rpm (1/min)",
    "lambda_measured": "lambda (lambda)",
    "throttle_percent": "throttle (%)",
    "manifold_pressure_pa": "manifold absolute pressure (Pa)",
    "air_flow_g_s": "air flow (g/s)",
    "lift_mm": "lift (mm)",
    "coolant_degc": "coolant temperature (degC)",
}


# What the largest number of a file becomes in its largest unit; beyond it sums overflow, and it is no reading.
LARGEST_READING = LARGEST_NUMBER * 1e6


def _frozen(values: FloatArray, name: str, log: str, needed: bool) -> FloatArray:
    # A column that nobody can write to any more is taken as it is: a copy would double a long log.
    if not (
        isinstance(values, np.ndarray)
        and values.base is None
        and not values.flags.writeable
        and values.dtype == np.float64
        and values.ndim == 1
        and not (np.isinf(values) if not needed else ~np.isfinite(values)).any()
    ):
        values = read_only(values, name, allow_nan=not needed)
    beyond = (values > LARGEST_READING) | (values < -LARGEST_READING)
    if beyond.any():
        row = int(np.argmax(beyond))
        cure = "leave that row out" if needed else "put nan there"
        msg = f"{name} of log {log}: row {row + 1} is {values[row]:g}, but no reading is beyond {LARGEST_READING:g}; {cure}."
        raise InputError(msg)
    return values


@dataclass(frozen=True)
class ColumnChoice:
    """Which column of the file carries a meaning.

    Parameters
    ----------
    meaning : str
        Key as used in ``columns=``: time, rpm, lambda, throttle, manifold_pressure, air_flow, lift, coolant.
    column : str
        Name in the file.
    unit : str
        Unit it was read in.
    why : str
        What the choice rests on.
    """

    meaning: str
    column: str
    unit: str
    why: str


@dataclass(frozen=True, repr=False, eq=False)
class Log(Shown):
    """The log of a drive, in one set of units.

    Parameters
    ----------
    name : str
        File name, no folder.
    sha256 : str
        Of the bytes read.
    time_s : array, shape (n,)
        Time from the first row, strictly rising. [s]
    rpm : array, shape (n,)
        Engine speed. [1/min]
    lambda_measured : array, shape (n,)
        Measured lambda. [1]
    throttle_percent : array, shape (n,), optional
        Throttle opening, NaN where blank; so below. [percent]
    manifold_pressure_pa : array, shape (n,), optional
        Absolute pressure in the manifold. [Pa]
    air_flow_g_s : array, shape (n,), optional
        Air flow of the engine. [g/s]
    lift_mm : array, shape (n,), optional
        Lift of the air valve or slide. [mm]
    coolant_degc : array, shape (n,), optional
        Coolant temperature. [degC]
    line : array of int, shape (n,)
        Line of each row in the file, from 1.
    flag : array of int8, shape (n,)
        0 where the row is fit for use, else its reason's place in ``FLAGS``.
    columns : tuple of ColumnChoice
        The columns used.
    dropped : tuple of (str, int)
        Rows of the file that are not in the arrays: reason and count.
    assumptions : tuple of str
        What was assumed or found, one sentence each.
    unused : tuple of str
        Columns of the file that carry none of the meanings above, as named there.
    """

    name: str
    sha256: str
    time_s: FloatArray
    rpm: FloatArray
    lambda_measured: FloatArray
    throttle_percent: FloatArray | None
    manifold_pressure_pa: FloatArray | None
    air_flow_g_s: FloatArray | None
    lift_mm: FloatArray | None
    coolant_degc: FloatArray | None
    line: NDArray[np.int64]
    flag: NDArray[np.int8]
    columns: tuple[ColumnChoice, ...] = ()
    dropped: tuple[tuple[str, int], ...] = ()
    assumptions: tuple[str, ...] = ()
    unused: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for field in NUMBERS:
            values = getattr(self, field)
            if values is not None:
                needed = field in ("time_s", "rpm", "lambda_measured")
                object.__setattr__(self, field, _frozen(values, field, self.name, needed))
        for field, kind in (("line", np.int64), ("flag", np.int8)):
            whole: NDArray[Any] = getattr(self, field)
            if not (
                isinstance(whole, np.ndarray) and whole.dtype == kind and not whole.flags.writeable and whole.base is None
            ):
                whole = np.array(whole, dtype=kind)
                whole.flags.writeable = False
            object.__setattr__(self, field, whole)
        present = {field: getattr(self, field) for field in (*NUMBERS, "line", "flag")}
        same_length(f"log {self.name}", **{key: value for key, value in present.items() if value is not None})
        if (self.time_s[1:] <= self.time_s[:-1]).any():
            where = int(np.argmax(np.diff(self.time_s) <= 0)) + 1
            msg = (
                f"time_s of log {self.name}: row {where + 1} is {self.time_s[where]:g} s, but time must rise "
                "with every row; read_log puts it in order."
            )
            raise InputError(msg)
        if len(self.flag) and not 0 <= int(self.flag.min()) <= int(self.flag.max()) < len(FLAGS):
            msg = f"flag of log {self.name}: every entry must be a place in FLAGS, 0 to {len(FLAGS) - 1}."
            raise InputError(msg)

    def __repr__(self) -> str:
        fit = int(np.count_nonzero(self.flag == 0))
        duration = float(self.time_s[-1]) if len(self.time_s) else 0.0
        return f"Log({self.name!r}, {counted(len(self.time_s), 'row')} over {duration:.0f} s, {fit} fit for use)"

    def fates(self) -> tuple[tuple[str, int], ...]:
        """Fate of every row of the file: fit, flagged or dropped.

        Returns
        -------
        tuple of (str, int)
            Reason and count; the counts add up to the rows below the header, blank lines aside.
        """
        counts = np.bincount(self.flag, minlength=len(FLAGS)).tolist()
        flagged = [(f"kept, flagged: {FLAGS[place]}", n) for place, n in enumerate(counts) if place and n]
        dropped = [(f"dropped: {reason}", n) for reason, n in self.dropped]
        return ((FLAGS[0], counts[0]), *flagged, *dropped)

    def table(self) -> Table:
        """Columns chosen, what was assumed, which columns are left, and what became of each row.

        Returns
        -------
        Table
            One row a column.
        """
        fates = self.fates()
        total = sum(count for _, count in fates)
        spare = (f"{counted(len(self.unused), 'column')} not used: {', '.join(map(repr, self.unused))}.",)
        return Table(
            title=f"Log {self.name}",
            intro=(
                f"sha256 {self.sha256}",
                f"{counted(total, 'row')}, {len(self.time_s)} kept, {fates[0][1]} fit for use.",
            ),
            columns=(
                Column("meaning", "meaning"),
                Column("column", "column in the file"),
                Column("unit", "unit"),
                Column("why", "chosen by"),
            ),
            rows=[
                {"meaning": BY_KEY[c.meaning].label, "column": c.column, "unit": c.unit, "why": c.why} for c in self.columns
            ],
            notes=(*self.assumptions, *(spare if self.unused else ())),
        )

    def report(self) -> str:
        """Table as text, and below it the fate of every row.

        Returns
        -------
        str
            Plain text.
        """
        fates = self.fates()
        total = sum(count for _, count in fates)
        rows = [{"fate": reason, "rows": count} for reason, count in (*fates, ("all rows of the file", total))]
        counted = Table("Rows", (Column("rows", "rows", "d"), Column("fate", "fate")), rows)
        return f"{self.table().text()}\n\n{counted.text()}"
