"""What can be found in a log, as facts with numbers, and the one sentence for each."""

from __future__ import annotations

import json
from collections.abc import Iterable
from enum import StrEnum
from typing import NoReturn

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import LogFormatError
from needlecalc.measure.log.columns import BY_KEY
from needlecalc.remark import Remark
from needlecalc.show import counted

MOST_NAMES = 40


class RowFault(StrEnum):
    """Why a row of the file is not in the log."""

    CUT = "last line has no line end, so it may be cut short"
    NUL = "NUL bytes in the row"
    FEWER = "fewer cells than the header"
    MORE = "more cells than the header"
    HEADER_AGAIN = "header repeated"
    UNITS_AGAIN = "units row repeated"
    NO_TIME = "no number for the time"
    NO_RPM = "no number for the engine speed"
    NO_MIXTURE = "no number for the mixture"
    PASTED = "row of a block that stands in the file twice"
    REPEATS = "time repeats the row before"
    BACKWARDS = "time runs backwards"
    SPIKE = "time leaps ahead for one row only"


def how_to_state(table: str, key: str, value: str) -> str:
    """How the user names a column or its unit himself, in a call and in a job file."""
    cut = plain(value, LONGEST_NAME)
    return f"{table}={{{key!r}: {cut!r}}} (in a job file {key} = {json.dumps(cut, ensure_ascii=False)} under [log.{table}])"


def how_to_name(key: str, name: str = "...") -> str:
    """How the user names a column himself."""
    return how_to_state("columns", key, name)


def _unit(key: str, value: str) -> str:
    """The same for a unit, in a template."""
    return how_to_state("units", key, value).replace("{", "{{").replace("}", "}}")


_ZERO_CURE = f"{_unit('manifold_pressure', 'psi gauge')} or 'inHg vacuum' (with its own unit) settles it"


class ColumnFault(StrEnum):
    """Why a column cannot be used; numbers go into the braces."""

    NO_NUMBERS = "it holds no numbers"
    STEP = (
        "it states no unit and its usual step of {step:.3g} fits neither seconds nor milliseconds; "
        + _unit("time", "ms")
        + " or 's' or 'day' settles it"
    )
    VOLTS = "its values stay below 1.2 and often below 0.4: the volts of a narrow-band sensor, not lambda"
    STUCK = "{share:.0f} % of its rows stand at {value:.4g}, no lambda and no AFR: the sensor is stuck or not connected"
    NO_MIXTURE = "its values (median {middle:.4g}) are neither lambda nor AFR; counts and volts are no use"
    DEGREES = "it is in degrees, and percent of what is not known; {percent} reads it as percent"
    NO_UNIT = "it states no unit, and its values (highest {top:.4g}) leave it open; {how} states it"
    OUTSIDE = "{readings} outside {low:g} to {high:g}, so it measures something else"
    TWO_ZEROS = "its name and its unit differ on from where it counts; " + _ZERO_CURE
    EITHER_WAY = "it may count from ambient pressure either way, and its values leave it open; " + _ZERO_CURE
    DIFFER = "it differs from {other}; {choice} chooses it"
    FILTERED = "it is filtered, and there is a plain one"
    LONGER_NAME = "another one is named plainly"


class Note(StrEnum):
    """What was assumed or found, the number of readings or rows in braces."""

    LAYOUT = (
        "The header is line {header}, the rows begin in line {first}; cells are divided by {delimiter}, "
        "numbers have a decimal {mark}, the encoding is {encoding}."
    )
    COMMA_ASSUMED = (
        "Numbers such as 1,234 are read with a decimal comma; "
        "decimal='.' (in a job file the same under [log]) reads thousands."
    )
    REVERSED = "The log is written last row first: its rows are turned round."
    PASTED = "A block of rows stands in the file more than once ({rows} again): it counts once."
    COARSE = "Time stamps are coarser than the rows: rows that share a stamp are spread evenly up to the next."
    MIDNIGHT = "The clock passes midnight {times}: a day is added each time."
    RESTART = (
        "The logger's clock restarts {times}: what follows is set one usual step ({usual:.3g} s) behind what went before."
    )
    PAUSES = "Pauses are left as they are: {count}, the longest of {longest:.4g} s."
    CLOCK = "{column} is read as a time of day."
    TIME_UNIT = "{column} states no unit: its usual step of {step:.3g} is taken for {unit}."
    THOUSANDS = "{column} states no unit and never exceeds {top:g}: read in thousands."
    UNIT = "{column} states no unit: its values (highest {top:.4g}) are taken for {unit}."
    HEAD_LIES = "{column} says {stated}, but its values (median {middle:.4g}) are {found}: read as {found}."
    AFR_USUAL = (
        "AFR is divided by {stoich:g} to give lambda, the usual setting of a display (common practice); "
        "afr_stoich (in a job file under [log]) sets another."
    )
    AFR_STATED = "AFR is divided by {stoich:g} to give lambda, as stated."
    PHI = "{column} is the equivalence ratio: lambda is one divided by it."
    GAUGE = "{column} counts from ambient pressure, taken as {ambient:g} Pa ({source})."
    GAUGE_SEEN = "{column} falls to {low:.3g} kPa, so it counts from ambient pressure, taken as {ambient:g} Pa ({source})."
    VACUUM = (
        "{column} is read as a vacuum gauge, down from ambient pressure, taken as {ambient:g} Pa ({source}); "
        "{absolute} or '{unit} gauge' reads it otherwise."
    )
    VOLUME = "{column} is a volume of air: taken at 20 degC and 101325 Pa."
    PEDAL = "The driver's pedal stands in for the throttle, for want of a throttle column in percent."
    BLANKED = "{readings} of {column} left blank: no possible {label}."
    NO_NUMBERS_LEFT = "{column} holds no number in the rows kept, so it is left out."


def quoted(name: str) -> str:
    """Name of a column in quotes, cut where it is very long."""
    return repr(plain(name, LONGEST_NAME))


def listed(names: Iterable[str]) -> str:
    """Names of columns, the first ones where there are many."""
    every = [plain(name, LONGEST_NAME) for name in names]
    more = len(every) - MOST_NAMES
    return ", ".join(every[:MOST_NAMES]) + (f" and {counted(more, 'more column')}" if more > 0 else "")


def sentence(fact: Remark) -> str:
    """The sentence for a note, or for a column that is not used."""
    numbers = dict(fact.numbers)
    numbers |= {key: quoted(str(numbers[key])) for key in ("column", "other") if key in numbers}
    if "key" in numbers:
        key = str(numbers["key"])
        numbers["label"] = BY_KEY[key].label
        numbers["choice"] = how_to_state("columns", key, str(fact.numbers["column"]))
        numbers["how"] = how_to_state("units", key, str(numbers.get("example", BY_KEY[key].example)))
        numbers["percent"] = how_to_state("units", key, "%")
    if fact.kind is Note.VACUUM:
        numbers["absolute"] = how_to_state("units", "manifold_pressure", f"{numbers['unit']} absolute")
    if "count" in numbers:
        numbers |= {f"{what}s": counted(int(numbers["count"]), what) for what in ("time", "row", "reading")}
    if "ambient" in numbers:
        usual = "the standard atmosphere; ambient_pa, or ambient_kpa under [log] of a job file, sets another"
        numbers["source"] = "stated" if numbers["stated"] else usual
    words = fact.kind.value.format(**numbers)
    return (
        f"{numbers['column']} is not used as {numbers['label']}: {words}." if isinstance(fact.kind, ColumnFault) else words
    )


def refuse(name: str, words: str, line: int, column: str | None = None) -> NoReturn:
    """Say what is wrong with a file, and from which line on."""
    msg = f"{name}, line {line}: {words}"
    raise LogFormatError(msg, path=name, line=line, column=column)
