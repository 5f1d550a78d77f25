"""The log of a drive: read from whatever a logger wrote, every row's fate counted, every choice said."""

from __future__ import annotations

import hashlib
import os
from collections import Counter
from collections.abc import Mapping
from concurrent.futures import Future, ThreadPoolExecutor
from dataclasses import replace
from os import PathLike
from pathlib import Path
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.errors import LogFormatError
from needlecalc.measure.log.columns import BY_KEY, NEEDED, find_candidates, how_to_name
from needlecalc.measure.log.flags import FLAGS, flag_rows
from needlecalc.measure.log.record import NUMBERS, ColumnChoice, Log
from needlecalc.measure.log.rows import LogRows, read_rows
from needlecalc.measure.log.text import FileBytes, LogText, file_bytes, open_log
from needlecalc.measure.log.time import order_time, runs_backwards
from needlecalc.measure.log.values import Reading, choose, take_reading

__all__ = ["FLAGS", "ColumnChoice", "Log", "log_from_bytes", "log_text", "read_log"]

_Number = TypeVar("_Number", np.float64, np.int64)

_FIELDS = {
    "throttle": "throttle_percent",
    "manifold_pressure": "manifold_pressure_pa",
    "air_flow": "air_flow_g_s",
    "lift": "lift_mm",
    "coolant": "coolant_degc",
}


def read_log(
    path: str | PathLike[str],
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    afr_stoich: float | None = None,
    decimal: str | None = None,
    ambient_pa: float | None = None,
) -> Log:
    """Log of a drive from a text file, as a logger wrote it.

    Parameters
    ----------
    path : str or path
        The file: delimited text in any of the usual encodings.
    columns : mapping of str to str, optional
        Columns named by you, such as ``{"rpm": "Engine Speed (rpm)"}``; an empty name does
        without the meaning. Meanings: time, rpm, lambda (lambda or AFR), throttle, manifold_pressure,
        air_flow, lift, coolant.
    units : mapping of str to str, optional
        Units stated by you, such as ``{"manifold_pressure": "inHg vacuum"}``; these are not doubted.
    afr_stoich : float, optional
        Stoichiometric AFR the display multiplies lambda with; 14.7 is assumed, and said, if not given. [1]
    decimal : str, optional
        Decimal mark, ``.`` or ``,``; found from the rows if not given.
    ambient_pa : float, optional
        Ambient pressure for a pressure that counts from it; 101325 is assumed, and said, if not given. [Pa]

    Returns
    -------
    Log
        Time, speed, mixture and what else there is; ``report()`` tells what was made of the file.

    Raises
    ------
    LogFormatError
        If the file cannot be read as a log, or not without a decision that is yours.
    InputError
        If an argument is wrong.

    Notes
    -----
    The header may stand anywhere in the first 30 lines, with a row of units above, below or nowhere. Columns
    are found by the meaning of their names; targets, trims, voltages and the like never count. What a name
    says is checked against the values: AFR under the name of lambda is read as AFR, and said so. Two columns
    for one meaning are compared; if they differ, the choice is yours. A last line without line end is
    dropped, since a cut number still reads as a number. ``order_time`` and ``flag_rows`` state the rules for
    time and for readings that are no mixture.
    """
    place = Path(path)
    try:
        raw = file_bytes(place)
    except OSError as error:
        msg = f"{place.name} cannot be opened: {error.strerror or error}. Check the path."
        raise LogFormatError(msg, path=str(path)) from error
    return log_from_bytes(
        raw,
        place.name,
        columns=columns,
        units=units,
        afr_stoich=afr_stoich,
        decimal=decimal,
        ambient_pa=ambient_pa,
    )


def log_from_bytes(
    raw: FileBytes,
    name: str,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    afr_stoich: float | None = None,
    decimal: str | None = None,
    ambient_pa: float | None = None,
) -> Log:
    r"""Log of a drive from the bytes of a file.

    Parameters
    ----------
    raw : bytes or mmap
        What stands in the file.
    name : str
        Its name, for the report.
    columns, units, afr_stoich, decimal, ambient_pa
        As for ``read_log``. [as there]

    Returns
    -------
    Log
        The log.

    Raises
    ------
    LogFormatError
        If the bytes cannot be read as a log.
    InputError
        If an argument is wrong.

    Examples
    --------
    >>> lines = b"Zeit (s);Drehzahl (1/min);Lambda\n5,0;900;0,95\n5,1;905;0,96\n"
    >>> log_from_bytes(lines, "idle.csv")
    Log('idle.csv', 2 rows over 0 s, 2 fit for use)
    """
    if afr_stoich is not None:
        check_range(afr_stoich, "afr_stoich", 3.0, 20.0, cure="Petrol without ethanol has about 14.7.")
    if ambient_pa is not None:
        check_range(ambient_pa, "ambient_pa", 4e4, 1.1e5, cure="Sea level has about 101325 Pa.")
    with ThreadPoolExecutor(min(4, os.cpu_count() or 1)) as pool:
        return _read(raw, name, columns, units, afr_stoich, decimal, ambient_pa, pool)


def _read(
    raw: FileBytes,
    name: str,
    columns: Mapping[str, str] | None,
    units: Mapping[str, str] | None,
    afr_stoich: float | None,
    decimal: str | None,
    ambient_pa: float | None,
    pool: ThreadPoolExecutor,
) -> Log:
    sha256 = pool.submit(lambda: hashlib.sha256(raw).hexdigest())
    text = open_log(raw, name, decimal=decimal)
    candidates = find_candidates(text, columns=columns, units=units)
    for key in NEEDED:
        if not candidates[key]:
            _refuse_missing(text, key)
    places = sorted({candidate.place for found in candidates.values() for candidate in found})
    clock = [place for place in (c.place for c in candidates["time"]) if text.is_clock(place)]
    rows = read_rows(text, places, clock=clock, pool=pool)
    if not len(rows.line):
        dropped = "; ".join(f"{reason}: {count}" for reason, count in rows.dropped.items())
        msg = f"{name}: no row below line {text.header_line} can be used ({dropped or 'there is none'})."
        raise LogFormatError(msg, path=name, line=text.first_line)

    def taken(key: str) -> list[Reading]:
        return [
            take_reading(
                key,
                candidate,
                rows.values[places.index(candidate.place)],
                clock=candidate.place in clock,
                afr_stoich=afr_stoich,
                ambient_pa=ambient_pa,
            )
            for candidate in candidates[key]
        ]

    return _assemble(text, dict(zip(BY_KEY, pool.map(taken, BY_KEY), strict=True)), rows, sha256)


def _refuse_missing(text: LogText, key: str) -> None:
    what = {"time": "a time", "rpm": "an engine speed", "lambda": "a measured mixture (lambda or AFR)"}[key]
    msg = (
        f"{text.name}, line {text.header_line}: no column is {what}; the header has {', '.join(text.names)}. "
        f"Name the column, {how_to_name(key)}, or log it."
    )
    raise LogFormatError(msg, path=text.name, line=text.header_line)


def _assemble(
    text: LogText,
    readings: dict[str, list[Reading]],
    rows: LogRows,
    sha256: Future[str],
) -> Log:
    notes = list(text.notes)
    chosen: dict[str, Reading] = {}
    choices: list[ColumnChoice] = []
    for key, found in readings.items():
        reading, why, more = choose(key, found, text.name, text.header_line)
        notes += more
        if reading is not None:
            chosen[key] = reading
            choices.append(ColumnChoice(key, reading.candidate.name, reading.unit, why))
            notes += reading.notes
    # Columns that were converted or not chosen are done with: their room is needed.
    rows.values.clear()
    readings.clear()
    dropped: Counter[str] = Counter(rows.dropped)
    keep = np.ones(len(rows.line), dtype=np.bool_)
    for key in NEEDED:
        there = np.isfinite(chosen[key].values)
        missing = int(np.count_nonzero(keep & ~there))
        if missing:
            dropped[f"no number in {chosen[key].candidate.name!r} ({BY_KEY[key].label})"] = missing
        keep &= there
    if not keep.any():
        msg = (
            f"{text.name}: no row below line {text.header_line} holds a number for time, engine speed and mixture at "
            f"once. Check that these are the columns meant, or name them: {how_to_name('lambda')}."
        )
        raise LogFormatError(msg, path=text.name, line=text.first_line)
    time, line = chosen["time"], rows.line
    if runs_backwards(_where(time.values, keep)):
        chosen = {key: replace(reading, values=reading.values[::-1]) for key, reading in chosen.items()}
        time, line, keep = chosen["time"], line[::-1], keep[::-1].copy()
        notes.append("The log is written last row first: its rows are turned round.")
    ordered = order_time(_where(time.values, keep), clock=time.unit == "hh:mm:ss")
    dropped.update(ordered.dropped)
    notes += ordered.notes
    if not ordered.keep.all():
        keep[np.flatnonzero(keep)[~ordered.keep]] = False
    rpm = _where(chosen["rpm"].values, keep)
    mixture = _where(chosen["lambda"].values, keep)
    others = {field: _where(chosen[key].values, keep) if key in chosen else None for key, field in _FIELDS.items()}
    for key, field in _FIELDS.items():
        spare = others[field]
        if spare is not None and np.isnan(spare).all():
            others[field] = None
            choices = [choice for choice in choices if choice.meaning != key]
            notes.append(f"{chosen[key].candidate.name!r} holds no number in the rows kept, so it is left out.")
    used = {choice.column for choice in choices}
    time_s = ordered.time_s
    flag = flag_rows(time_s, rpm, mixture)
    time_s.flags.writeable = flag.flags.writeable = False
    return Log(
        name=text.name,
        sha256=sha256.result(),
        time_s=time_s,
        rpm=rpm,
        lambda_measured=mixture,
        **others,
        line=_where(line, keep),
        flag=flag,
        columns=tuple(choices),
        dropped=tuple(sorted(dropped.items())),
        assumptions=tuple(dict.fromkeys(notes)),
        unused=tuple(name for name in text.names if name not in used),
    )


def _where(values: NDArray[_Number], keep: NDArray[np.bool_]) -> NDArray[_Number]:
    """Rows kept, closed to writing, so that the record need not copy them."""
    kept = values if keep.all() else values[keep]
    kept.flags.writeable = False
    return kept


def log_text(log: Log) -> str:
    r"""Log as comma-separated text that reads back to the same numbers.

    Parameters
    ----------
    log : Log
        The log.

    Returns
    -------
    str
        A header with units, then one line a row, every number with all its digits; flags are found anew on
        reading.

    Examples
    --------
    >>> log = log_from_bytes(b"time (s),rpm,AFR\n3,900,14.7\n3.1,905,13.23\n", "two.csv")
    >>> print(log_text(log))
    time (s),rpm (1/min),lambda (lambda)
    0.0,900.0,1.0
    0.10000000000000009,905.0,0.9
    """
    fields = [field for field in NUMBERS if getattr(log, field) is not None]
    columns = [getattr(log, field).tolist() for field in fields]
    lines = [",".join(NUMBERS[field] for field in fields)]
    lines += [",".join("" if cell != cell else repr(cell) for cell in row) for row in zip(*columns, strict=True)]
    return "\n".join(lines) + "\n"
