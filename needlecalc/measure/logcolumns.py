"""Finding what each column of a log means, by its name and its unit; decoys never win."""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass

from needlecalc.errors import LogFormatError
from needlecalc.units import (
    G_S_PER_KG_H,
    G_S_PER_LB_MIN,
    MM_PER_INCH,
    PA_PER_BAR,
    PA_PER_HPA,
    PA_PER_INHG,
    PA_PER_KPA,
    PA_PER_MMHG,
    PA_PER_PSI,
)

# What a name must hold (any alternative) to carry a meaning; a better pattern stands first.
NAMES: dict[str, tuple[str, ...]] = {
    "time": (r"^time\b", r"\btime\b", r"\bzeit\b", r"\btemps\b", r"\btimestamp\b", r"^t$"),
    "rpm": (r"\brpm\b", r"\bengine speed\b", r"\bdrehzahl\b", r"\br[ée]gime\b", r"\brev(s|olutions)\b"),
    "lambda": (r"\blambda\b", r"\bafr\b", r"λ", r"air.?fuel", r"\bwide.?band\b"),
    "throttle": (r"\bthrottle\b", r"\bdrossel", r"\bpapillon\b", r"\btps\b"),
    "manifold_pressure": (
        r"manifold (absolute|air) pressure",
        r"\bmap\b",
        r"\bmanifold pressure\b",
        r"\bsaugrohr",
        r"^manifold$",
    ),
    "air_flow": (r"\bmass air ?flow\b", r"\bmaf\b", r"\bair ?flow\b", r"\bluftmasse"),
    "lift": (r"\b(piston|valve|slide)? ?lift\b", r"\bhub\b"),
    "coolant": (r"\bcoolant\b", r"\bwater temp", r"\bk[üu]hl"),
}
DECOY = re.compile(
    r"target|request|\breq\b|command|desired|\bsoll|setpoint|trim|faktor|factor|correct|learn|multiplier|limit|"
    r"\bvolt|narrow|ratio target|derivative|rpm/s|/s2|\bload\b|error|duty|wgdc|\bwarn",
    re.IGNORECASE,
)
SECOND_CHOICE = re.compile(r"filter|smooth|average|mean\b", re.IGNORECASE)
REFUSED_UNITS = {"v", "mv", "volt", "volts", "g/rev", "counts", "adc"}

# Unit as written, lower case without blanks -> (factor, offset) to the house's unit.
UNITS: dict[str, dict[str, tuple[float, float]]] = {
    "time": {"s": (1, 0), "sec": (1, 0), "seconds": (1, 0), "ms": (1e-3, 0), "msec": (1e-3, 0), "min": (60, 0)},
    "rpm": {"rpm": (1, 0), "1/min": (1, 0), "min-1": (1, 0), "u/min": (1, 0), "r/min": (1, 0), "rpmx1000": (1000, 0)},
    "lambda": {"λ": (1, 0), "lambda": (1, 0), "-": (1, 0), "afr": (1, 0), ":1": (1, 0), "kg/kg": (1, 0)},
    "throttle": {"%": (1, 0), "°": (1, 0), "*": (1, 0), "deg": (1, 0)},
    "manifold_pressure": {
        "kpa": (PA_PER_KPA, 0),
        "hpa": (PA_PER_HPA, 0),
        "mbar": (PA_PER_HPA, 0),
        "bar": (PA_PER_BAR, 0),
        "psi": (PA_PER_PSI, 0),
        "inhg": (PA_PER_INHG, 0),
        "mmhg": (PA_PER_MMHG, 0),
        "pa": (1, 0),
    },
    "air_flow": {"g/s": (1, 0), "kg/h": (G_S_PER_KG_H, 0), "lb/min": (G_S_PER_LB_MIN, 0)},
    "lift": {"mm": (1, 0), "in": (MM_PER_INCH, 0), "inch": (MM_PER_INCH, 0)},
    "coolant": {
        "°c": (1, 0),
        "c": (1, 0),
        "degc": (1, 0),
        "*c": (1, 0),
        "°f": (1 / 1.8, -32 / 1.8),
        "f": (1 / 1.8, -32 / 1.8),
        "degf": (1 / 1.8, -32 / 1.8),
        "*f": (1 / 1.8, -32 / 1.8),
    },
}
HOUSE_UNIT = {
    "time": "s",
    "rpm": "1/min",
    "lambda": "-",
    "throttle": "%",
    "manifold_pressure": "Pa",
    "air_flow": "g/s",
    "lift": "mm",
    "coolant": "degC",
}


@dataclass(frozen=True)
class ColumnChoice:
    """Which column carries a meaning, and why it was chosen."""

    meaning: str
    column: str
    position: int
    unit: str
    factor: float
    offset: float
    why: str


def choose_columns(
    heads: tuple[str, ...], units: tuple[str, ...], asked: Mapping[str, str], path_name: str
) -> tuple[ColumnChoice, ...]:
    """Column for each meaning that the log carries.

    Parameters
    ----------
    heads : tuple of str
        Column names as written.
    units : tuple of str
        Units from a row of their own, may be empty.
    asked : mapping
        Meaning to column name, as the user insists.
    path_name : str
        Name of the file, for messages.

    Returns
    -------
    tuple of ColumnChoice
        One a meaning found.

    Raises
    ------
    LogFormatError
        If two columns could both carry a meaning, a named column is missing, or time, rpm or lambda is.
    """
    unknown = sorted(set(asked) - set(NAMES))
    if unknown:
        msg = f"columns= names the meaning {unknown[0]!r}, but the meanings are {', '.join(NAMES)}."
        raise LogFormatError(msg, path=path_name)
    written = [_name_and_unit(head, unit) for head, unit in zip(heads, units, strict=True)]
    choices = []
    for meaning in NAMES:
        if meaning in asked:
            if asked[meaning] not in heads:
                msg = f"{path_name} has no column {asked[meaning]!r} for {meaning}; it has {', '.join(heads)}."
                raise LogFormatError(msg, path=path_name, column=asked[meaning])
            at, why = heads.index(asked[meaning]), "asked for"
        else:
            found = _best(meaning, heads, written, path_name)
            if found is None:
                continue
            at, why = found
        unit = written[at][1]
        factor, offset, unit = _factor(meaning, unit, heads[at], path_name)
        choices.append(ColumnChoice(meaning, heads[at], at, unit, factor, offset, why))
    for needed, cure in (("time", "a time column"), ("rpm", "engine speed"), ("lambda", "measured lambda or AFR")):
        if needed not in {choice.meaning for choice in choices}:
            msg = (
                f"{path_name}: no column for {needed} among {', '.join(heads)}; log {cure}, or name its column with "
                f"columns={{'{needed}': '...'}}."
            )
            raise LogFormatError(msg, path=path_name, line=1)
    return tuple(choices)


def _name_and_unit(head: str, unit: str) -> tuple[str, str]:
    inside = re.search(r"[\(\[]([^()\[\]]*)[\)\]]\s*$", head)
    if inside and not unit:
        return head[: inside.start()].strip().lower(), re.sub(r"\s", "", inside.group(1)).lower()
    suffix = re.match(r"^(.*)_(rpm|kpa|pa|mbar|hpa|s|ms|mm|in|degc|degf|percent|g_s)$", head.strip().lower())
    if suffix and not unit:
        tail = {"g_s": "g/s", "percent": "%"}.get(suffix.group(2), suffix.group(2))
        return suffix.group(1).replace("_", " "), tail
    return head.strip().lower().replace("_", " "), re.sub(r"\s", "", unit).strip("[]()").lower()


def _best(meaning: str, heads: tuple[str, ...], written: list[tuple[str, str]], path_name: str) -> tuple[int, str] | None:
    """Position and reason of the one column that fits best, or None."""
    scored = []
    for at, (name, unit) in enumerate(written):
        if DECOY.search(heads[at]) or unit in REFUSED_UNITS:
            continue
        for rank, pattern in enumerate(NAMES[meaning]):
            if re.search(pattern, name) or (meaning == "rpm" and unit == "rpm") or re.search(pattern, heads[at].lower()):
                known = unit in UNITS[meaning]
                if unit and not known:
                    break
                scored.append((bool(SECOND_CHOICE.search(name)), rank, not known, at))
                break
    if not scored:
        return None
    scored.sort()
    best = scored[0]
    rivals = [entry for entry in scored[1:] if entry[:3] == best[:3]]
    if rivals and meaning in ("rpm", "lambda"):
        names = " and ".join(repr(heads[entry[3]]) for entry in [best, *rivals])
        msg = f"{path_name}: {names} could all be {meaning}; settle it with columns={{'{meaning}': {heads[best[3]]!r}}}."
        raise LogFormatError(msg, path=path_name, line=1)
    passed = [heads[entry[3]] for entry in scored[1:]]
    why = "name and unit fit" if not best[2] else "name fits, unit taken as the house's"
    return best[3], why + (f"; before {', '.join(passed)}" if passed else "")


def _factor(meaning: str, unit: str, head: str, path_name: str) -> tuple[float, float, str]:
    known = UNITS[meaning]
    if not unit:
        return 1.0, 0.0, ""
    if unit not in known:
        msg = (
            f"{path_name}: column {head!r} is in {unit!r}, which is no unit known for {meaning}; known are "
            f"{', '.join(known)}."
        )
        raise LogFormatError(msg, path=path_name, column=head)
    factor, offset = known[unit]
    return factor, offset, unit
