"""The log of a drive: read from whatever a logger wrote, every row accounted for, every choice said."""

from __future__ import annotations

import hashlib
from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import replace
from functools import partial
from os import PathLike
from pathlib import Path
from typing import IO, TYPE_CHECKING, Any

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_choice, check_range
from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.log.cell import LogUnit, unit_from_text
from needlecalc.measure.log.columns import BY_KEY, NEEDED, Candidate, Note, find_candidates, how_to_name, listed
from needlecalc.measure.log.record import FIELDS, ColumnChoice, Log
from needlecalc.measure.log.rows import FLAGS, RPM_ENGINE_ON, LogRows, flag_rows, order_time, pasted_again, read_rows
from needlecalc.measure.log.table import LogText, RowFault, open_log
from needlecalc.measure.log.values import Reading, choose, take_reading
from needlecalc.remark import Remark
from needlecalc.units import FloatArray

if TYPE_CHECKING:
    import pandas as pd

__all__ = ["FLAGS", "ColumnChoice", "Log", "read_log"]


def read_log(
    source: str | PathLike[str] | IO[bytes] | IO[str] | pd.DataFrame,
    *,
    columns: Mapping[str, str] | None = None,
    units: Mapping[str, str] | None = None,
    afr_stoich: float | None = None,
    decimal: str | None = None,
    ambient_pa: float | None = None,
) -> Log:
    r"""Log of a drive, as a logger wrote it.

    Parameters
    ----------
    source : str, path, open file or DataFrame
        Path of a file with delimited text in any of the usual encodings, a file opened for reading, or a pandas table,
        whose index counts as a column if it has a name or holds times.
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
    The header may stand anywhere in the first 200 lines, with a row of units above, below or nowhere. Columns
    are found by the meaning of their names; targets, trims, voltages and the like never count. What a name
    says is checked against the values: AFR under the name of lambda is read as AFR, and said so. Two columns
    for one meaning are compared while the engine runs; if they differ, the choice is yours. A last line without line
    end is dropped, since a cut number still reads as a number.

    Examples
    --------
    >>> import io
    >>> read_log(io.StringIO("Zeit (s);Drehzahl (1/min);Lambda\n5,0;900;0,95\n5,1;905;0,96\n"))
    Log('open file', 2 rows over 0 s, 2 fit for use)
    """
    if afr_stoich is not None:
        check_range(afr_stoich, "afr_stoich", 3.0, 20.0, cure="Petrol without ethanol has about 14.7.")
    if ambient_pa is not None:
        check_range(ambient_pa, "ambient_pa", 4e4, 1.1e5, cure="Sea level has about 101325 Pa; one hPa or mbar is 100 Pa.")
    if decimal is not None:
        check_choice(decimal, "decimal", (".", ","), cure="see how the file writes a half.")
    _check_texts("columns", columns)
    _check_texts("units", units)
    stated = {key: _stated_unit(key, spelling) for key, spelling in (units or {}).items()}
    name, raw = _bytes_of(source)
    sha256 = hashlib.sha256(raw).hexdigest()
    text = open_log(raw, name, decimal=decimal)
    del raw
    places = {key: _place(text, key, wanted) for key, wanted in (columns or {}).items()}
    candidates = find_candidates(text.names, text.table.names, text.table.units, places=places, stated=stated)
    for key, what in zip(NEEDED, ("a time", "an engine speed", "a measured mixture (lambda or AFR)"), strict=True):
        if not candidates[key]:
            words = (
                f"no column is {what}; the header has {listed(text.names)}. Name the column, {how_to_name(key)}, or log it."
            )
            text.refuse(words)
    read = sorted({candidate.place for found in candidates.values() for candidate in found})
    clock = [candidate.place for candidate in candidates["time"] if text.is_clock(candidate.place)]
    rows = read_rows(text, read, clock=clock)
    if not len(rows.line):
        text.refuse(f"no row below can be used ({_because(rows.dropped)}). Export the log again.")
    values = dict(zip(read, rows.values, strict=True))
    # What is done with goes, or a long log would stand in memory twice.
    text = replace(text, raw=b"")
    rows.values.clear()
    take = partial(take_reading, clock=clock, afr_stoich=afr_stoich, ambient_pa=ambient_pa)
    chosen, choices, notes = _choose(text, candidates, values, take)
    values.clear()
    return _assemble(text, chosen, choices, notes, rows, sha256)


def _bytes_of(source: Any) -> tuple[str, bytes]:
    """Name and bytes of a file, or of a pandas table written as one."""
    if hasattr(source, "to_csv") and hasattr(source, "columns"):
        return "DataFrame", _frame_bytes(source)
    is_path = isinstance(source, (str, PathLike))
    if not is_path and not hasattr(source, "read"):
        msg = f"read_log takes the path of a file, a file open for reading, or a pandas DataFrame, not {shown(source)}."
        raise InputError(msg)
    place = str(source) if is_path else str(getattr(source, "name", "open file"))
    name = plain(Path(place).name or place, LONGEST_NAME)
    try:
        raw = Path(place).read_bytes() if is_path else source.read()
    except (OSError, ValueError, TypeError) as error:
        cure = "Check the path." if is_path else "Open the file for reading bytes."
        reason = error.strerror if isinstance(error, OSError) and error.strerror else str(error)
        msg = f"{name} cannot be opened: {reason}. {cure}"
        raise LogFormatError(msg, path=place) from error
    if isinstance(raw, str):
        raw = raw.encode("utf-8", "replace")
    if not isinstance(raw, bytes):
        msg = f"{name} gives {shown(raw)} when read, but must give text or bytes. Open a file."
        raise InputError(msg)
    return name, raw


def _frame_bytes(frame: pd.DataFrame) -> bytes:
    """A pandas table as text; spans of time become seconds, and an index that has a name or holds times a column."""
    index, table = frame.index, frame.copy()
    if index.nlevels == 1 and (index.name is not None or index.dtype.kind in "mM"):
        table = frame.reset_index(names="time" if index.name is None else index.name, allow_duplicates=True)
    table.columns = [" ".join(map(str, name)) if isinstance(name, tuple) else str(name) for name in table.columns]
    for place, kind in enumerate(table.dtypes):
        if kind.kind == "m":
            table.isetitem(place, table.iloc[:, place].dt.total_seconds())
    return table.to_csv(index=False, sep=";", lineterminator="\n").encode("utf-8", "replace")


def _check_texts(argument: str, given: Any) -> None:
    if given is not None and not isinstance(given, Mapping):
        msg = f"{argument} is {shown(given)}, but must pair a meaning with a text, as in {argument}={{'rpm': '...'}}."
        raise InputError(msg)
    for key, value in (given or {}).items():
        if key not in BY_KEY:
            msg = f"{argument}: {shown(key)} is not a meaning; known are {', '.join(BY_KEY)}."
            raise InputError(msg)
        if not isinstance(value, str):
            msg = f"{argument}: {key} is {shown(value)}, but must be a text, as in {argument}={{'{key}': '...'}}."
            raise InputError(msg)


def _stated_unit(key: str, spelling: str) -> LogUnit:
    unit = unit_from_text(spelling)
    if unit.dimension != BY_KEY[key].dimension:
        msg = f"units: {shown(spelling)} does not measure {key}; it must be a unit of {BY_KEY[key].dimension}."
        raise InputError(msg)
    return unit


def _place(text: LogText, key: str, wanted: str) -> int | None:
    """Place of the column that the user names, None to do without; the name as messages print it will do."""
    if not wanted:
        return None
    for form in (str, str.strip, str.casefold, lambda name: plain(name, LONGEST_NAME)):
        places = [place for place, name in enumerate(text.names) if form(name) == form(wanted)]
        if len(places) == 1:
            return places[0]
    words = f"columns says {key} is {shown(wanted)}, but the header has no such name. It has: {listed(text.names)}."
    text.refuse(words, wanted)


def _choose(
    text: LogText, candidates: dict[str, list[Candidate]], raw: dict[int, FloatArray], read: Callable[..., Reading]
) -> tuple[dict[str, Reading], list[ColumnChoice], list[Remark]]:
    """One reading for each meaning that a column carries."""
    chosen: dict[str, Reading] = {}
    choices: list[ColumnChoice] = []
    notes: list[Remark] = []
    running = np.ones(0, dtype=np.bool_)
    for key, found in candidates.items():
        readings = [read(key, one, raw[one.place], chosen["rpm"].values if "rpm" in chosen else None) for one in found]
        if key == "rpm":
            running = np.any([one.values >= RPM_ENGINE_ON for one in readings if not one.fault], axis=0)
        reading, same, remarks = choose(key, readings, running, text)
        notes += remarks
        if reading is not None:
            chosen[key] = reading
            choices.append(ColumnChoice(key, reading.candidate.name, reading.unit, reading.candidate.why, same))
            notes += reading.notes
    return chosen, choices, notes


def _assemble(
    text: LogText, chosen: dict[str, Reading], choices: list[ColumnChoice], notes: list[Remark], rows: LogRows, sha256: str
) -> Log:
    """Rows in order of time, those dropped that no reading can be made of."""
    dropped = rows.dropped
    kept: dict[str, NDArray[Any]] = {"line": rows.line, **{key: reading.values for key, reading in chosen.items()}}
    for key, fault in zip(NEEDED, (RowFault.NO_TIME, RowFault.NO_RPM, RowFault.NO_MIXTURE), strict=True):
        there = np.isfinite(kept[key])
        dropped[fault] += int(np.count_nonzero(~there))
        kept = _only(kept, there)
    if not len(kept["line"]):
        words = "no row below holds a number for time, engine speed and mixture at once"
        cure = f"Check that these are the columns meant, or name them: {how_to_name('lambda')}."
        text.refuse(f"{words} ({_because(dropped)}). {cure}")
    steps = np.diff(kept["time"])
    if np.count_nonzero(steps < 0) > max(0.9 * np.count_nonzero(steps), 1):  # midnight and a repeat do not hide it
        kept = {key: values[::-1] for key, values in kept.items()}
        notes.append(Remark(Note.REVERSED))
    again = pasted_again([kept[key] for key in NEEDED])
    if again.any():
        dropped[RowFault.PASTED] = int(np.count_nonzero(again))
        notes.append(Remark(Note.PASTED, numbers={"count": dropped[RowFault.PASTED]}))
        kept = _only(kept, ~again)
    ordered = order_time(kept["time"], clock=chosen["time"].unit == "hh:mm:ss")
    dropped.update(ordered.dropped)
    kept = _only(kept, ordered.keep)
    flag = flag_rows(ordered.time_s, kept["rpm"], kept["lambda"])
    notes += ordered.notes
    for key in FIELDS.values():
        if key in kept and np.isnan(kept[key]).all():
            choices = [choice for choice in choices if choice.meaning != key]
            notes.append(Remark(Note.NO_NUMBERS_LEFT, numbers={"column": chosen[key].candidate.name}))
            del kept[key]
    lost = [Remark(fault, numbers={"count": count}) for fault, count in sorted(dropped.items()) if count]
    used = {choice.column for choice in choices}
    flag.flags.writeable = ordered.time_s.flags.writeable = False
    return Log(
        name=text.name,
        sha256=sha256,
        time_s=ordered.time_s,
        rpm=kept["rpm"],
        lambda_measured=kept["lambda"],
        **{field: kept.get(key) for field, key in FIELDS.items()},
        line=kept["line"],
        flag=flag,
        columns=tuple(choices),
        remarks=(*text.notes, *notes, *lost),
        unused=tuple(name for name in text.names if name not in used),
    )


def _because(dropped: Counter[RowFault]) -> str:
    """The commonest reason for which rows were lost, and its share."""
    if not dropped.total():
        return "there is none"
    fault, count = dropped.most_common(1)[0]
    return f"{100 * count / dropped.total():.0f} %: {fault}"


def _only(columns: dict[str, NDArray[Any]], rows: NDArray[np.bool_]) -> dict[str, NDArray[Any]]:
    """Some rows of the columns, closed to writing, so that the record need not copy them."""
    some = {key: values if rows.all() else values[rows] for key, values in columns.items()}
    for values in some.values():
        values.flags.writeable = False
    return some
