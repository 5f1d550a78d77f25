"""The log of a drive, read without help and with every row's fate counted."""

from __future__ import annotations

import hashlib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.errors import LogFormatError
from needlecalc.measure.logcolumns import HOUSE_UNIT, ColumnChoice, choose_columns
from needlecalc.measure.logtext import numbers_of, read_log_text
from needlecalc.show import Column, Shown, Table
from needlecalc.units import FloatArray

FLAGS = (
    "fit for use",
    "engine not running",
    "lambda at its ceiling",
    "lambda at its floor",
    "lambda stuck",
    "lambda beyond what burns (overrun, free air)",
)
BURNS_BETWEEN = (0.6, 1.6)
RUNNING_RPM = 200.0
USUAL_AFR = 14.7
LAMBDA_LIMITS = (0.5, 20.0)
AFR_ABOVE = 5.0
EXTREME_RUN_SHARE = 0.003
EXTREME_LEAST_ROWS = 8
FREE_AIR_LAMBDA = 1.35
FULL_RICH_LAMBDA = 0.72
STUCK_SECONDS = 20.0


@dataclass(frozen=True, repr=False, eq=False)
class Log(Shown):
    """A drive's log in the house's units; arrays have shape (n,), one entry a row kept.

    Parameters
    ----------
    name : str
        File name.
    sha256 : str
        Hash of the file's bytes.
    time_s, rpm, lambda_measured : array, shape (n,)
        Time from the start, engine speed, measured lambda. [s, 1/min, -]
    throttle_percent, manifold_pressure_pa, air_flow_g_s, lift_mm, coolant_degc : array or None
        What else was logged. [as named]
    line : array, shape (n,)
        Line in the file.
    flag : array, shape (n,)
        0 where fit for use, else an index into ``FLAGS``.
    columns : tuple of ColumnChoice
        Which column was taken for what.
    dropped : tuple of (str, int)
        Rows that are not in the arrays, by reason.
    assumptions : tuple of str
        What was taken for granted.
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
    columns: tuple[ColumnChoice, ...]
    dropped: tuple[tuple[str, int], ...]
    assumptions: tuple[str, ...]

    def __repr__(self) -> str:
        fit = int((self.flag == 0).sum())
        return f"Log {self.name!r}: {self.rpm.size} rows over {self.time_s[-1]:.0f} s, {fit} fit for use"

    def table(self) -> Table:
        """Columns chosen, and the fate of every row, to be shown.

        Returns
        -------
        Table
            One row a column; the fates as notes.
        """
        rows = [
            {"meaning": c.meaning, "column": c.column, "unit": c.unit or f"({HOUSE_UNIT[c.meaning]})", "why": c.why}
            for c in self.columns
        ]
        heads = tuple(Column(key, key) for key in ("meaning", "column", "unit", "why"))
        fates = [f"{count} rows left out: {reason}" for reason, count in self.dropped if count]
        fates += [
            f"{int((self.flag == k).sum())} rows {'' if k == 0 else 'set aside: '}{text}"
            for k, text in enumerate(FLAGS)
            if (self.flag == k).any()
        ]
        total = self.rpm.size + sum(count for _, count in self.dropped)
        return Table(f"Log {self.name}: {total} rows read", heads, rows, notes=[*fates, *self.assumptions])

    def report(self) -> str:
        """What was read, chosen, assumed and left out, as text.

        Returns
        -------
        str
            The report.
        """
        return str(self)


def read_log(path: str | Path, *, columns: Mapping[str, str] | None = None, afr_stoich: float | None = None) -> Log:
    """Log of a drive from delimited text.

    Parameters
    ----------
    path : str or Path
        The file.  Delimiter, decimal mark, header and units row are found; columns by their meaning.
    columns : mapping or None
        Meaning (time, rpm, lambda, throttle, manifold_pressure, air_flow, lift, coolant) to the name of
        the column, where the choice made is not the one wanted.
    afr_stoich : float or None
        Air-fuel ratio at which the meter that wrote an AFR shows lambda 1; 14.7 when not given. [-]

    Returns
    -------
    Log
        The drive, every row's fate counted.

    Raises
    ------
    LogFormatError
        If the file cannot be read as a log; the message says what, where and the cure.
    """
    path = Path(path)
    try:
        data = path.read_bytes()
    except OSError as error:
        msg = f"{path.name}: the log cannot be opened ({error.strerror}); check its name and folder."
        raise LogFormatError(msg, path=str(path)) from error
    text = read_log_text(data, path)
    choices = choose_columns(text.heads, text.units, columns or {}, path.name)
    values = {c.meaning: numbers_of(text.cells[c.position], text.decimal) * c.factor + c.offset for c in choices}
    assumptions = [f"decimal {'comma' if text.decimal == ',' else 'point'}, cells split at {text.delimiter!r}"]
    assumptions += [
        f"column {c.column!r} states no unit and was read as {HOUSE_UNIT[c.meaning]}"
        for c in choices
        if not c.unit and c.meaning not in ("lambda", "rpm")
    ]
    values["lambda"], said = _as_lambda(values["lambda"], choices, afr_stoich, path.name)
    assumptions += said
    dropped = [("cells missing or too many", text.short_rows), ("header repeated", text.repeated_heads)]
    bad = ~np.isfinite(values["time"]) | ~np.isfinite(values["rpm"]) | ~np.isfinite(values["lambda"])
    dropped.append(("time, rpm or lambda is not a number", int(bad.sum())))
    low, high = LAMBDA_LIMITS
    outside = ~bad & ((values["lambda"] < low) | (values["lambda"] > high) | (values["rpm"] < 0.0))
    dropped.append(("lambda or rpm impossible", int(outside.sum())))
    keep = ~(bad | outside)
    time = values["time"]
    latest = np.maximum.accumulate(np.where(keep, time, -np.inf))
    backwards = keep & np.concatenate([[False], time[1:] <= latest[:-1]])
    dropped.append(("time runs backwards or stands", int(backwards.sum())))
    keep &= ~backwards
    if keep.sum() < 2:
        msg = f"{path.name}: only {int(keep.sum())} rows hold time, rpm and lambda; check the columns chosen and the log."
        raise LogFormatError(msg, path=str(path))
    kept = {meaning: _fixed(array[keep]) for meaning, array in values.items()}
    time = kept["time"] - kept["time"][0]
    return Log(
        path.name,
        hashlib.sha256(data).hexdigest(),
        _fixed(time),
        kept["rpm"],
        kept["lambda"],
        kept.get("throttle"),
        kept.get("manifold_pressure"),
        kept.get("air_flow"),
        kept.get("lift"),
        kept.get("coolant"),
        text.line[keep].astype(np.int64),
        _flags(time, kept["rpm"], kept["lambda"]),
        choices,
        tuple(dropped),
        tuple(assumptions),
    )


def _fixed(array: FloatArray) -> FloatArray:
    array = np.array(array)
    array.flags.writeable = False
    return array


def _as_lambda(
    values: FloatArray, choices: tuple[ColumnChoice, ...], afr_stoich: float | None, name: str
) -> tuple[FloatArray, list[str]]:
    """Lambda from a mixture column, whatever its name says: its values tell lambda from AFR."""
    column = next(c.column for c in choices if c.meaning == "lambda")
    finite = values[np.isfinite(values)]
    if not finite.size:
        msg = f"{name}: column {column!r} holds no number; name the mixture column with columns={{'lambda': '...'}}."
        raise LogFormatError(msg, path=name, column=column)
    middle = float(np.median(finite))
    if middle > 30.0 or middle <= 0.3:
        msg = (
            f"{name}: column {column!r} has a middle value of {middle:g}, neither lambda (near 1) nor AFR (near 14); "
            "log the mixture itself, not raw counts or volts."
        )
        raise LogFormatError(msg, path=name, column=column)
    if middle <= AFR_ABOVE:
        return values, [f"column {column!r} holds lambda (middle value {middle:.3f})"]
    stoich = USUAL_AFR if afr_stoich is None else check_range(afr_stoich, "afr_stoich", 6.0, 18.0)
    source = "the usual setting of displays, common practice; state afr_stoich if yours differs"
    source = source if afr_stoich is None else "as stated"
    return values / stoich, [
        f"column {column!r} holds AFR (middle value {middle:.2f}), turned to lambda by {stoich:g}, {source}"
    ]


def _flags(time: FloatArray, rpm: FloatArray, ratio: FloatArray) -> NDArray[np.int8]:
    flag = np.zeros(rpm.size, dtype=np.int8)
    flag[(ratio < BURNS_BETWEEN[0]) | (ratio > BURNS_BETWEEN[1])] = 5
    for code, extreme, beyond in (
        (2, float(ratio.max()), ratio.max() > FREE_AIR_LAMBDA),
        (3, float(ratio.min()), ratio.min() < FULL_RICH_LAMBDA),
    ):
        at = np.abs(ratio - extreme) <= 1e-9 * max(extreme, 1.0)
        if beyond and at.sum() >= max(EXTREME_LEAST_ROWS, EXTREME_RUN_SHARE * ratio.size):
            flag[at] = code
    flag[_stuck(time, rpm, ratio)] = 4
    flag[rpm < RUNNING_RPM] = 1
    flag.flags.writeable = False
    return flag


def _stuck(time: FloatArray, rpm: FloatArray, ratio: FloatArray) -> NDArray[np.bool_]:
    """Readings that stand still for long while the engine speed does not."""
    stuck = np.zeros(ratio.size, dtype=bool)
    edges = np.flatnonzero(np.diff(ratio) != 0.0) + 1
    for start, end in zip(np.r_[0, edges], np.r_[edges, ratio.size], strict=True):
        if time[end - 1] - time[start] >= STUCK_SECONDS and np.ptp(rpm[start:end]) > 300.0:
            stuck[start:end] = True
    return stuck
