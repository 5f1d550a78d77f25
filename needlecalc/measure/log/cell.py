"""What one cell of a log says: a number, a time of day, or a unit; the one rule for every spelling."""

from __future__ import annotations

import math
import re
import unicodedata
from dataclasses import dataclass, replace

from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.units import (
    DRY_AIR_J_KG_K,
    G_S_PER_KG_H,
    G_S_PER_LB_MIN,
    KELVIN_AT_0_DEGC,
    MM_PER_INCH,
    PA_PER,
    STANDARD_PA,
    FloatArray,
    degc_from_degf,
)

# Beyond this no logger's number means anything, and arithmetic on it could overflow.
LARGEST_NUMBER = 1e16

_NONE = "- -- --- ---- nan na n/a n.a. n.a n.d. nd nodata no_data null none nil #n/a #na ? * . invalid k.a. s.d."
NO_READING = frozenset(["", *_NONE.split(), "no data"])

# Thousands in threes: the other mark, an apostrophe, a blank or a no-break blank between them.
_GROUPING = {".": ",'’ \xa0\u202f", ",": ".'’ \xa0\u202f"}
_NUMBER = {
    mark: re.compile(
        rf"[+-]?(?:\d+|[1-9]\d{{0,2}}([{signs}])\d{{3}}(?:\1\d{{3}})*|(?=[{mark}]\d))(?:[{mark}]\d*)?(?:[eE][+-]?\d+)?",
        re.ASCII,
    )
    for mark, signs in _GROUPING.items()
}
_PLAIN = {mark: str.maketrans({mark: ".", **dict.fromkeys(signs)}) for mark, signs in _GROUPING.items()}

_MONTH = (
    "(?:jan|ene|gen|f[eé]v|feb|m[aä]r|mrz|apr|avr|abr|mai|may|mag|jun|jui|giu|jul|lug|aug|ao[uû]|ago|sep|set|oct|okt|ott|"
    r"nov|dec|d[eé]c|dez|dic)[^\W\d_]*\.?"
)
_DATE = (
    r"\d{4}[-/.]\d{1,2}[-/.]\d{1,2}|\d{1,2}[-/.]\d{1,2}[-/.]\d{2,4}|"
    rf"(?:[^\W\d_]{{2,10}}[.,]*\s+)?(?:\d{{1,2}}\.?[-/ ]\s*{_MONTH}[-/ ,]\s*\d{{2,4}}|{_MONTH}\s+\d{{1,2}}(?:,?\s+\d{{4}})?)"
)
_CLOCK = re.compile(
    rf"(?:(?:{_DATE})(?:[T ]\s*|,?\s+))?(?:(\d{{1,3}}):)?(\d{{1,3}}):(\d{{2}})(?:[.,:](\d{{1,9}}))?\s*([ap]m)?"
    r"(?:\s*(?:z|utc|gmt|[+-]\d\d:?\d\d))?(?:\s+\d{4})?",
    re.IGNORECASE,
)


def number_from_cell(cell: str, decimal: str) -> float:
    """Cell as a number by the file's decimal mark, NaN where it holds none; never infinite."""
    text = cell.strip().replace("−", "-")
    if not _NUMBER[decimal].fullmatch(text):
        return math.nan
    number = float(text.translate(_PLAIN[decimal]))
    return number if abs(number) <= LARGEST_NUMBER else math.nan


def looks_like_number(cell: str) -> bool:
    """Whether a cell is a number by either decimal mark."""
    text = cell.strip()
    return any(pattern.fullmatch(text) for pattern in _NUMBER.values())


def decimal_mark(cell: str) -> str:
    """Decimal mark that a cell can only be read with, empty where it leaves that open as "1,234" does."""
    text = cell.strip()
    readable = [mark for mark, pattern in _NUMBER.items() if pattern.fullmatch(text)]
    return readable[0] if len(readable) == 1 else ""


def seconds_from_clock(cell: str) -> float:
    """Seconds since midnight, or since a watch was started; a date in front is passed over. NaN where there is none."""
    match = _CLOCK.fullmatch(cell.strip())
    if not match:
        return math.nan
    hours, minutes, seconds, fraction, half = match.groups()
    hour = int(hours or 0)
    if half and hours:
        hour = hour % 12 + (12 if half.lower() == "pm" else 0)
    return float(f"{hour * 3600 + int(minutes) * 60 + int(seconds)}.{int(fraction or 0):0{len(fraction or '0')}d}")


# Volumes of air are taken at 20 degC and 101325 Pa (dry air as an ideal gas).
STANDARD_AIR_G_M3 = 1000.0 * STANDARD_PA / (DRY_AIR_J_KG_K * 293.15)
_G_S_PER_CFM = STANDARD_AIR_G_M3 * (12 * MM_PER_INCH / 1000) ** 3 / 60


@dataclass(frozen=True)
class LogUnit:
    """A unit of a log column; ``zero`` says from where a pressure counts: absolute, gauge, vacuum or empty."""

    label: str
    dimension: str
    factor: float = 1.0
    zero: str = ""

    def convert(self, reading: FloatArray) -> FloatArray:
        """Column in s, 1/min, Pa, g/s, mm, degC or percent; a gauge pressure still without ambient."""
        if self.label == "degF":
            return degc_from_degf(reading)
        if self.label == "K":
            return reading - KELVIN_AT_0_DEGC
        return reading if self.factor == 1.0 else reading * self.factor


_REVS = "rpm r.p.m. 1/min min-1 min^-1 /min u/min umin upm tr/min trs/min giri/min rev/min r/min tpm rpms"
_OTHER = (
    "a ma hz khz ohm km/h kmh mph km/hr m/s g/rev mg mg/stroke mg/str mg/hub mg/cyl mg/cycle g/stroke adc count counts raw "
    "rpm/s rpm/sec 1/min/s kpa/s %/s deg/s nm lb-ft hp kw ps l/h cc/min °btdc °crk degbtdc km m mpa v/s gear bool bit "
    "on/off text g l bits"
)
_PRESSURES = {"inHg": 'inhg in.hg "hg inchhg incheshg', "mmHg": "mmhg torr"}
# What is measured, label, factor to the unit used inside, spellings; "other" and "voltage" carry nothing of interest.
_TABLE = (
    ("time", "s", 1.0, "s sec secs second seconds sek sekunde sekunden seconde secondes secondi segundo segundos"),
    ("time", "ms", 1e-3, "ms msec msecs msek millis millisecond milliseconds millisekunden"),
    ("time", "us", 1e-6, "us usec microseconds"),
    ("time", "min", 60.0, "min mins minutes minuten"),
    ("time", "h", 3600.0, "h hr hrs hours"),
    ("time", "day", 86400.0, "day days d"),
    ("time", "hh:mm:ss", 1.0, "hh:mm:ss h:m:s hh:mm:ss.s hh:mm:ss.ms hh:mm:ss.sss hh:mm:ss.mmm mm:ss.s hms"),
    ("speed", "1/min", 1.0, _REVS),
    ("speed", "1000/min", 1e3, "x1000 krpm 1000/min 10001/min 1000rpm"),
    ("mixture", "lambda", 1.0, "lambda λ lam la"),
    ("mixture", "AFR", 1.0, "afr a/f :1 x:1 a:f kg/kg l/k"),
    ("mixture", "phi", 1.0, "phi φ eqr"),
    *(("pressure", unit, pa, _PRESSURES.get(unit, unit.lower())) for unit, pa in PA_PER.items()),
    ("flow", "g/s", 1.0, "g/s g/sec gps gm/s grams/s gramm/s"),
    ("flow", "kg/h", G_S_PER_KG_H, "kg/h kg/hr kg/hour kg/std"),
    ("flow", "lb/min", G_S_PER_LB_MIN, "lb/min lbs/min lb/m lbm/min ppm/min"),
    ("flow", "cfm", _G_S_PER_CFM, "cfm scfm ft3/min cuft/min"),
    ("flow", "m3/h", STANDARD_AIR_G_M3 / 3600, "m3/h m3/hr"),
    ("length", "mm", 1.0, "mm millimeter millimetre"),
    ("length", "cm", 10.0, "cm"),
    ("length", "inch", MM_PER_INCH, 'inch in " ″ inches zoll pouce pollici'),
    ("length", "thou", MM_PER_INCH / 1000, "thou mil mils"),
    ("temperature", "degC", 1.0, "degc °c *c c celsius grdc gradc deg.c 'c"),
    ("temperature", "degF", 1.0, "degf °f *f f fahrenheit deg.f 'f"),
    ("temperature", "K", 1.0, "k kelvin degk"),
    ("percent", "percent", 1.0, "% percent pct prozent pourcent percento porciento"),
    ("percent", "fraction", 100.0, "fraction 0-1 0..1 frac"),
    ("angle", "deg", 1.0, "deg ° * degree degrees grad °tps degtps"),
    ("voltage", "V", 1.0, "v volt volts mv vdc"),
    ("other", "other", 1.0, _OTHER),
    ("none", "none", 1.0, "- -- [-] none n/a 1 unitless dimensionless ratio"),
)
_UNITS = {
    spelling: LogUnit(label, dimension, factor)
    for dimension, label, factor, spellings in _TABLE
    for spelling in spellings.split()
}
for _revs in _REVS.split():
    for _form in ("{}x1000", "{}*1000", "{}/1000", "{}1000", "x1000{}", "1000x{}", "1000*{}", "x1000*{}"):
        _UNITS[_form.format(_revs)] = _UNITS["krpm"]

# Words beside a unit of pressure that say from where it counts; single letters only behind it.
_ZEROS = {
    "absolute": ("absolute", "abs"),
    "gauge": ("gauge", "gage", "relative", "rel", "boost"),
    "vacuum": ("vacuum", "vac"),
}
_LETTERS = {"a": "absolute", "g": "gauge", "ga": "gauge"}
_WORDS = "|".join(word for words in _ZEROS.values() for word in words)


def counted_from(unit: LogUnit, zero: str) -> LogUnit:
    """The unit of pressure with its zero stated; a depth of vacuum counts downwards from ambient."""
    return replace(unit, label=f"{unit.label} {zero}", factor=-unit.factor if zero == "vacuum" else unit.factor, zero=zero)


def _spelling(text: str) -> str:
    # Signs that stand for the degree sign, as code pages mangle it, come first: NFKC would make them "o".
    for sign in "º˚�":
        text = text.replace(sign, "°")
    text = unicodedata.normalize("NFKC", text.replace("Â°", "°")).lower().replace("μ", "u").strip()
    if len(text) > 1 and text[0] in "([{" and text[-1] in ")]}":
        text = text[1:-1]
    return re.sub(r"\s+", "", text).replace("·", "").replace("×", "x").replace("³", "3")


def find_unit(text: str) -> LogUnit | None:
    """Known unit that a piece of text names, such as "1/min x 1000" or "gauge, psi"; None where it names none."""
    spelling = _spelling(text)
    if spelling in _UNITS:
        return _UNITS[spelling]
    squashed = re.sub(r"[,;:()\[\]{}_.-]", "", spelling)
    zeros = [(word, zero) for zero, words in _ZEROS.items() for word in words]
    bases = [(squashed.removesuffix(word), zero) for word, zero in (*zeros, *_LETTERS.items())]
    bases += [(squashed.removeprefix(word), zero) for word, zero in zeros]
    for base, zero in bases:
        unit = _UNITS.get(base)
        if base != squashed and unit is not None and unit.dimension == "pressure":
            return counted_from(unit, zero)
    return None


def unit_from_text(text: str) -> LogUnit:
    """Known unit that the user names, such as ``kPa``, ``inHg vacuum``, ``AFR``, ``ms``; InputError if not known."""
    unit = find_unit(text)
    if unit is None:
        msg = (
            f"units: {shown(text)} is not a known unit. Known are s, ms, 1/min, lambda, AFR, phi, kPa, mbar, bar, psi, "
            "inHg, mmHg (each also with 'absolute', 'gauge' or 'vacuum' behind it), g/s, kg/h, lb/min, cfm, mm, inch, "
            "degC, degF, percent, fraction."
        )
        raise InputError(msg)
    return unit


_COUNTS = rf"(?i)(.*[^\s_,:-])(?:[\s_,:-]+({_WORDS})\.?|\s*[(\[{{]\s*({_WORDS}|a|g|ga)\.?\s*[)\]}}])"
# How a unit stands behind a name, and what is no unit there: alone behind a blank many are words of the name.
_RAW = frozenset("raw adc count counts".split())
_WORDS_OF_NAMES = _RAW.union(
    "rpm afr lambda min in a f c v k m h d la day g l 1 gear text phi 1000 none ratio fraction bits dimensionless".split()
)
_TAILS: tuple[tuple[str, frozenset[str]], ...] = (
    (r"(.*\S)\s*[(\[{]([^()\[\]{}]*)[)\]}]\s*", frozenset()),
    (r"(.*\S)\s+[-–:/]\s*(\S[^-–]*)", _RAW),
    (r"(.*\S)\s*,\s*(\S.*)", _RAW),
    (r"(.*[^\W_])_+([a-z]+_[a-z]+)", _RAW),
    (r"(.*[^\W_])_+([^_]+)", _RAW),
    (r"(.*\S)\s+((?:in|mm)\.?\s+[Hh](?:[Gg]|2[Oo]))", _RAW),
    (r"(.*\S)\s+(?:in\s+)?(\S+)", _WORDS_OF_NAMES),
)


def split_name(name: str) -> tuple[str, LogUnit | None]:
    """Name of a column without its unit, and the unit; a word that says from where a pressure counts stays in the name."""
    text = name.strip()
    counts = re.fullmatch(_COUNTS, text)
    if counts:
        zero = counts[2] or counts[3]
        bare, unit = split_name(counts[1])
        stated = find_unit(f"{unit.label} {zero}") if unit is not None else None
        if stated is not None and stated.dimension == "pressure":
            return f"{bare} {zero}", stated
    for pattern, words in _TAILS:
        tail = re.fullmatch(pattern, text)
        unit = find_unit(tail[2].replace("_", "/")) if tail else None
        if tail and unit is not None and _spelling(tail[2]) not in words:
            return tail[1].rstrip(), unit
    return text, None
