"""The record of a log: arrays in one set of units, the columns they came from, and what became of every row."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_each, read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.log.cell import LARGEST_NUMBER
from needlecalc.measure.log.columns import Why
from needlecalc.measure.log.rows import FLAGS
from needlecalc.measure.log.table import RowFault
from needlecalc.remark import Remark
from needlecalc.show import Shown, counted, in_words
from needlecalc.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

NEEDED_FIELDS = ("time_s", "rpm", "lambda_measured")
# Optional fields and the meanings whose columns they hold.
FIELDS = {
    "throttle_percent": "throttle",
    "manifold_pressure_pa": "manifold_pressure",
    "air_flow_g_s": "air_flow",
    "lift_mm": "lift",
    "coolant_degc": "coolant",
}
# What the largest number of a file becomes in its largest unit; beyond it sums overflow, and it is no reading.
LARGEST_READING = LARGEST_NUMBER * 1e6


@dataclass(frozen=True)
class ColumnChoice:
    """Which column of the file carries a meaning, and what the choice rests on."""

    meaning: str  # as in ``columns=``: time, rpm, lambda, throttle, manifold_pressure, air_flow, lift, coolant
    column: str
    unit: str  # it was read in
    why: Why
    same: tuple[str, ...] = ()  # columns that carry the same


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
    remarks : tuple of Remark
        What was assumed or found, and last of each ``RowFault`` how many rows it left out; ``assumptions`` and ``dropped``
        tell the two apart.
    unused : tuple of str
        Columns of the file that carry none of the meanings above, as named there.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.log
    Log('pass_van_drive.csv', 5360 rows over 536 s, 5267 fit for use)
    >>> road.log.to_frame().columns[:3].tolist()
    ['time_s', 'rpm', 'lambda_measured']
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
    remarks: tuple[Remark, ...] = ()
    unused: tuple[str, ...] = ()

    def __post_init__(self) -> None:
        for field in self._numbers():
            needed, most = field in NEEDED_FIELDS, LARGEST_READING
            values = read_only(getattr(self, field), field, allow_nan=not needed)
            if (np.abs(values) > most).any():
                cure = f"No reading is beyond {most:g}: {'leave that row out' if needed else 'put nan there'}."
                check_each(values, f"{field} of log {self.name}", -most, most, allow_nan=True, cure=cure)
            object.__setattr__(self, field, values)
        for field, kind in (("line", np.int64), ("flag", np.int8)):
            whole = np.asarray(getattr(self, field), dtype=kind)
            whole = whole.copy() if whole.flags.writeable else whole
            whole.flags.writeable = False
            object.__setattr__(self, field, whole)
        same_length(f"log {self.name}", **{field: getattr(self, field) for field in (*self._numbers(), "line", "flag")})
        if (self.time_s[1:] <= self.time_s[:-1]).any():
            where = int(np.argmax(np.diff(self.time_s) <= 0)) + 1
            msg = (
                f"time_s of log {self.name}: row {where + 1} is {self.time_s[where]:g} s, but time must rise "
                "with every row; read_log puts it in order."
            )
            raise InputError(msg)
        ends = [self.flag.min(initial=0), self.flag.max(initial=0)]
        check_each(ends, f"flag of log {self.name}", 0, len(FLAGS) - 1, cure="It must be a place in FLAGS.")

    def _numbers(self) -> list[str]:
        return [field for field in (*NEEDED_FIELDS, *FIELDS) if getattr(self, field) is not None]

    def __repr__(self) -> str:
        fit = int(np.count_nonzero(self.flag == 0))
        duration = float(self.time_s[-1]) if len(self.time_s) else 0.0
        return f"Log({self.name!r}, {counted(len(self.time_s), 'row')} over {duration:.0f} s, {fit} fit for use)"

    @property
    def assumptions(self) -> tuple[str, ...]:
        """What was assumed or found, one sentence each."""
        return tuple(in_words(remark) for remark in self.remarks if not isinstance(remark.kind, RowFault))

    @property
    def dropped(self) -> tuple[tuple[RowFault, int], ...]:
        """Rows of the file that are not in the arrays: reason, which is its own words, and count."""
        faults = [(remark.kind, remark.numbers) for remark in self.remarks]
        return tuple((kind, int(numbers["count"])) for kind, numbers in faults if isinstance(kind, RowFault))

    def fates(self) -> tuple[tuple[str, int], ...]:
        """What became of the rows, and of how many; the counts add up to the rows below the header, blank lines aside."""
        counts = np.bincount(self.flag, minlength=len(FLAGS)).tolist()
        flagged = [(f"kept, flagged: {FLAGS[place]}", n) for place, n in enumerate(counts) if place and n]
        dropped = [(f"dropped: {reason}", n) for reason, n in self.dropped]
        return ((FLAGS[0], counts[0]), *flagged, *dropped)

    def to_frame(self) -> pd.DataFrame:
        r"""Rows as a pandas table with their flags; names carry their unit, and ``read_log`` knows them again.

        >>> import io, needlecalc as nc
        >>> log = nc.read_log(io.StringIO("time (s),rpm,AFR,MAP (psi)\n3,900,14.7,4\n4,905,13.23,5\n"))
        >>> log.to_frame()[["time_s", "lambda_measured", "manifold_pressure_pa"]]
           time_s  lambda_measured  manifold_pressure_pa
        0     0.0              1.0             27579.028
        1     1.0              0.9             34473.785
        """
        import pandas as pd

        return pd.DataFrame({field: getattr(self, field) for field in (*self._numbers(), "line", "flag")})

    def report(self) -> str:
        """Table as text, and below it what became of every row."""
        return f"{self.table().text()}\n\n{self._part('rows').text()}"
