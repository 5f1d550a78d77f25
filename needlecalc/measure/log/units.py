"""Units as loggers write them: text -> what is measured and how it becomes the unit used inside."""

from __future__ import annotations

import re
import unicodedata
from dataclasses import dataclass

from needlecalc.errors import InputError
from needlecalc.units import (
    G_S_PER_KG_H,
    G_S_PER_LB_MIN,
    KELVIN_AT_0_DEGC,
    MM_PER_INCH,
    PA_PER_BAR,
    PA_PER_HPA,
    PA_PER_INH2O,
    PA_PER_INHG,
    PA_PER_KPA,
    PA_PER_MMHG,
    PA_PER_PSI,
    FloatArray,
    degc_from_degf,
)


@dataclass(frozen=True)
class LogUnit:
    """A unit of a log column.

    Parameters
    ----------
    label : str
        How it is printed.
    dimension : str
        What it measures: time, speed, mixture, pressure, flow, length, temperature, percent, angle, or
        something no column of interest is measured in (voltage, other).
    factor : float
        Multiplies a reading to give the unit used inside. [1]
    gauge : bool
        Whether a pressure counts from ambient pressure rather than from zero.
    absolute : bool
        Whether a pressure is said to count from zero; with neither said it is left to the column's name and values.
    """

    label: str
    dimension: str
    factor: float = 1.0
    gauge: bool = False
    absolute: bool = False

    def convert(self, reading: FloatArray) -> FloatArray:
        """Column in the unit used inside: s, 1/min, Pa, g/s, mm, degC, percent.

        Parameters
        ----------
        reading : array, shape (n,)
            Numbers as they stand in the log. [as labelled]

        Returns
        -------
        array, shape (n,)
            The same readings, a gauge pressure still without ambient. [as named by the dimension]

        Examples
        --------
        >>> import numpy as np
        >>> unit_from_text("psi").convert(np.array([14.5]))
        array([99973.9765])
        """
        if self.label == "degF":
            return degc_from_degf(reading)
        if self.label == "K":
            return reading - KELVIN_AT_0_DEGC
        return reading if self.factor == 1.0 else reading * self.factor


_SECONDS = {"s": 1.0, "ms": 1e-3, "us": 1e-6, "min": 60.0, "h": 3600.0, "day": 86400.0}
_PRESSURES = {
    "Pa": 1.0,
    "kPa": PA_PER_KPA,
    "hPa": PA_PER_HPA,
    "mbar": PA_PER_HPA,
    "bar": PA_PER_BAR,
    "psi": PA_PER_PSI,
    "inHg": PA_PER_INHG,
    "mmHg": PA_PER_MMHG,
    "inH2O": PA_PER_INH2O,
}

_UNITS: dict[str, LogUnit] = {}


def _add(unit: LogUnit, *spellings: str) -> None:
    for spelling in spellings:
        _UNITS[spelling] = unit


for _label, _others in {
    "s": "s sec secs second seconds sek sekunde sekunden seconde secondes secondi segundo segundos",
    "ms": "ms msec msecs msek millis millisecond milliseconds millisekunden",
    "us": "us usec microseconds",
    "min": "min mins minutes minuten",
    "h": "h hr hrs hours",
    "day": "day days d",
}.items():
    _add(LogUnit(_label, "time", _SECONDS[_label]), *_others.split())
_add(LogUnit("hh:mm:ss", "time"), "hh:mm:ss", "h:m:s", "hh:mm:ss.s", "hh:mm:ss.ms", "hh:mm:ss.sss", "hms")
_REVS = "rpm r.p.m. 1/min min-1 min^-1 /min u/min umin upm tr/min trs/min giri/min rev/min r/min tpm rpms"
_add(LogUnit("1/min", "speed"), *_REVS.split())
_add(LogUnit("1000/min", "speed", 1000.0), "x1000", "krpm", "1000/min", "10001/min", "1000rpm")
for _revs in _REVS.split():
    _add(
        LogUnit("1000/min", "speed", 1000.0),
        *(f"{_revs}{tail}" for tail in ("x1000", "*1000", "/1000", "1000")),
        *(f"{lead}{_revs}" for lead in ("x1000", "1000x", "1000*", "x1000*")),
    )
_add(LogUnit("lambda", "mixture"), "lambda", "λ", "lam", "la")
_add(LogUnit("AFR", "mixture"), "afr", "a/f", ":1", "x:1", "a:f", "kg/kg", "l/k")
_add(LogUnit("phi", "mixture"), "phi", "φ", "eqr")
# Words behind a unit of pressure that say from where it counts; the single letters only stuck to it or in brackets.
_COUNTS_FROM = {
    "absolute": ("abs", "absolute"),
    "gauge": ("gauge", "gage", "rel", "relative", "boost"),
    "vacuum": ("vac", "vacuum"),
}
_LETTERS = {"absolute": ("a",), "gauge": ("g", "ga"), "vacuum": ()}
_WORDS = frozenset(word for words in _COUNTS_FROM.values() for word in words)
for _label, _factor in _PRESSURES.items():
    _key = _label.lower()
    _add(LogUnit(_label, "pressure", _factor), _key)
    for _from, _words in _COUNTS_FROM.items():
        # A depth of vacuum counts downwards from ambient.
        _sign = -1.0 if _from == "vacuum" else 1.0
        _add(
            LogUnit(
                f"{_label} {_from}", "pressure", _sign * _factor, gauge=_from != "absolute", absolute=_from == "absolute"
            ),
            *(f"{_key}{tail}" for tail in (*_words, *_LETTERS[_from])),
        )
_add(LogUnit("inHg", "pressure", PA_PER_INHG), "in.hg", '"hg', "inchhg", "incheshg")
_add(LogUnit("mmHg", "pressure", PA_PER_MMHG), "torr")
_add(LogUnit("g/s", "flow"), "g/s", "g/sec", "gps", "gm/s", "grams/s", "gramm/s")
_add(LogUnit("kg/h", "flow", G_S_PER_KG_H), "kg/h", "kg/hr", "kg/hour", "kg/std")
_add(LogUnit("lb/min", "flow", G_S_PER_LB_MIN), "lb/min", "lbs/min", "lb/m", "lbm/min", "ppm/min")
_add(LogUnit("mm", "length"), "mm", "millimeter", "millimetre")
_add(LogUnit("cm", "length", 10.0), "cm")
_add(LogUnit("inch", "length", MM_PER_INCH), "inch", "in", '"', "″", "inches", "zoll", "pouce", "pollici")
_add(LogUnit("thou", "length", MM_PER_INCH / 1000), "thou", "mil", "mils")
_add(LogUnit("degC", "temperature"), "degc", "°c", "*c", "c", "celsius", "grdc", "gradc", "deg.c", "'c")
_add(LogUnit("degF", "temperature"), "degf", "°f", "*f", "f", "fahrenheit", "deg.f", "'f")
_add(LogUnit("K", "temperature"), "k", "kelvin", "degk")
_add(LogUnit("percent", "percent"), "%", "percent", "pct", "prozent", "pourcent", "percento", "porciento")
_add(LogUnit("fraction", "percent", 100.0), "fraction", "0-1", "0..1", "frac")
_add(LogUnit("deg", "angle"), "deg", "°", "*", "degree", "degrees", "grad", "°tps", "degtps")
_add(LogUnit("V", "voltage"), "v", "volt", "volts", "mv", "vdc")
_add(
    LogUnit("other", "other"),
    *"a ma hz khz ohm km/h kmh mph km/hr m/s g/rev mg mg/stroke mg/str mg/hub mg/cyl mg/cycle".split(),
    *"g/stroke adc count counts raw rpm/s rpm/sec 1/min/s kpa/s %/s deg/s nm lb-ft hp kw ps l/h".split(),
    *"cc/min °btdc °crk degbtdc km m mpa v/s gear bool bit on/off text g l".split(),
)
_add(LogUnit("none", "none"), "-", "--", "[-]", "none", "n/a", "1", "unitless", "dimensionless", "ratio")


def _spelling(text: str) -> str:
    # Other signs that stand for the degree sign, as code pages mangle it, come first: NFKC would make them
    # "o".
    for sign in "º˚�":
        text = text.replace(sign, "°")
    text = unicodedata.normalize("NFKC", text.replace("Â°", "°")).lower().replace("μ", "u").strip()
    if len(text) > 1 and text[0] in "([{" and text[-1] in ")]}":
        text = text[1:-1]
    return re.sub(r"\s+", "", text).replace("·", "").replace("×", "x").replace("³", "3")


def find_unit(text: str) -> LogUnit | None:
    """Known unit that a piece of text names, None where it names none.

    Parameters
    ----------
    text : str
        What stands in brackets behind a name, or in a row of units.

    Returns
    -------
    LogUnit or None
        The unit.

    Examples
    --------
    >>> find_unit("1/min x 1000").factor
    1000.0
    >>> find_unit("filtered") is None
    True
    >>> find_unit("kPa (abs)").label, find_unit("gauge, psi").label
    ('kPa absolute', 'psi gauge')
    """
    unit = _UNITS.get(_spelling(text))
    if unit is not None:
        return unit
    # Words that say from where a pressure counts may stand apart from its unit, before or behind.
    parts = re.findall(r"[^\s,;:()\[\]{}_-]+", text)
    for first, last in ((parts[:-1], parts[-1:]), (parts[1:], parts[:1])):
        unit = _UNITS.get(_spelling("".join([*first, *last]).rstrip(".")))
        if first and unit is not None and unit.dimension == "pressure":
            return unit
    return None


def unit_from_text(text: str) -> LogUnit:
    """Known unit that the user names.

    Parameters
    ----------
    text : str
        A spelling such as ``kPa``, ``psi gauge``, ``inHg vacuum``, ``AFR``, ``ms``.

    Returns
    -------
    LogUnit
        The unit.

    Raises
    ------
    InputError
        If the spelling is not known.

    Examples
    --------
    >>> unit_from_text("inHg vacuum").gauge
    True
    """
    unit = find_unit(text)
    if unit is None:
        msg = (
            f"units: {text!r} is not a known unit. Known are s, ms, 1/min, lambda, AFR, phi, kPa, mbar, bar, psi, inHg, "
            "mmHg (each also with 'absolute', 'gauge' or 'vacuum' behind it), g/s, kg/h, lb/min, mm, inch, degC, degF, "
            "percent, fraction."
        )
        raise InputError(msg)
    return unit


# Tails that are units only where a mark sets them apart: alone behind a blank they are words of the name.
_WORDS_OF_NAMES = {
    "rpm",
    "afr",
    "lambda",
    "min",
    "in",
    "a",
    "f",
    "c",
    "v",
    "k",
    "m",
    "h",
    "d",
    "la",
    "day",
    "g",
    "l",
}
_WORDS_OF_NAMES |= {
    "1",
    "raw",
    "adc",
    "gear",
    "text",
    "counts",
    "count",
    "phi",
    "1000",
    "none",
    "ratio",
    "fraction",
}


_COUNTS = re.compile(
    rf"(.*[^\s_,:-])(?:[\s_,:-]+({'|'.join(sorted(_WORDS))})\.?|\s*[(\[{{]\s*({'|'.join(sorted(_WORDS))}|a|g|ga)\.?\s*[)\]}}])",
    re.IGNORECASE,
)


def split_name(name: str) -> tuple[str, LogUnit | None]:
    """Name of a column without its unit, and the unit written into it.

    Parameters
    ----------
    name : str
        Head of the column: unit in round or square brackets, or behind a dash, a comma or an underscore; a word that
        says from where a pressure counts may stand behind it, and stays in the name.

    Returns
    -------
    tuple of str and LogUnit or None
        Bare name and unit.

    Examples
    --------
    >>> split_name("Coolant temp. [degF]")[0]
    'Coolant temp.'
    >>> split_name("Inlet pressure - mbar")[1].label
    'mbar'
    >>> split_name("Inlet inHg abs")[1].label
    'inHg absolute'
    """
    text = name.strip()
    counts = _COUNTS.fullmatch(text)
    if counts:
        bare, unit = split_name(counts[1])
        stated = find_unit(f"{unit.label} {counts[2] or counts[3]}") if unit is not None else None
        if stated is not None and stated.dimension == "pressure":
            return f"{bare} {counts[2] or counts[3]}", stated
    bracket = re.fullmatch(r"(.*\S)\s*(?:\(([^()]*)\)|\[([^\[\]]*)\]|\{([^{}]*)\})\s*", text)
    if bracket:
        inner = next(group for group in bracket.groups()[1:] if group is not None)
        unit = find_unit(inner)
        if unit is not None:
            return bracket[1], unit
    for pattern in (
        r"(.*\S)\s+[-–:/]\s*(\S[^-–]*)",
        r"(.*\S)\s*,\s*(\S.*)",
        r"(.*[^\W_])_+([^_]+)",
        r"(.*\S)\s+((?:in|mm)\.?\s+[Hh](?:[Gg]|2[Oo]))",
    ):
        tail = re.fullmatch(pattern, text)
        unit = find_unit(tail[2]) if tail else None
        if tail and unit is not None and _spelling(tail[2]) not in {"raw", "adc", "count", "counts"}:
            return tail[1].rstrip(), unit
    tail = re.fullmatch(r"(.*\S)\s+(?:in\s+)?(\S+)", text)
    if tail and _spelling(tail[2]) not in _WORDS_OF_NAMES:
        unit = find_unit(tail[2])
        if unit is not None and unit.dimension != "none":
            return tail[1], unit
    return text, None
