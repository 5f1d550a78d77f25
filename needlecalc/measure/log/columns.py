"""Finding columns by what their names mean, in five languages; decoys never win.

The words are general trade vocabulary (common practice, no source). Words of five letters and more also count
inside compounds, as German writes them.
"""

from __future__ import annotations

import json
import re
import unicodedata
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass
from enum import IntEnum, StrEnum

from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.measure.log.cell import LogUnit, counted_from, find_unit, split_name
from needlecalc.show import counted

MOST_NAMES = 40


# Why a column cannot be used.
ColumnFault = StrEnum(
    "ColumnFault",
    "NO_NUMBERS STEP VOLTS STUCK NO_MIXTURE NO_UNIT OUTSIDE TWO_ZEROS EITHER_WAY DIFFER FILTERED LONGER_NAME",
)
# What was assumed or found.
Note = StrEnum(
    "Note",
    "LAYOUT COMMA_ASSUMED REVERSED PASTED COARSE MIDNIGHT RESTART PAUSES CLOCK TIME_UNIT THOUSANDS UNIT "
    "HEAD_LIES AFR_USUAL AFR_STATED PHI GAUGE GAUGE_SEEN VACUUM VOLUME PEDAL BLANKED NO_NUMBERS_LEFT",
)


def quoted(name: str) -> str:
    """Name of a column in quotes, cut where it is very long."""
    return repr(plain(name, LONGEST_NAME))


def listed(names: Iterable[str]) -> str:
    """Names of columns, the first ones where there are many."""
    every = [plain(name, LONGEST_NAME) for name in names]
    more = len(every) - MOST_NAMES
    return ", ".join(every[:MOST_NAMES]) + (f" and {counted(more, 'more column')}" if more > 0 else "")


def how_to_state(table: str, key: str, value: str) -> str:
    """How the user names a column or its unit himself, in a call and in a job file."""
    cut = plain(value, LONGEST_NAME)
    return f"{table}={{{key!r}: {cut!r}}} (in a job file {key} = {json.dumps(cut, ensure_ascii=False)} under [log.{table}])"


def how_to_name(key: str, name: str = "...") -> str:
    """How the user names a column himself."""
    return how_to_state("columns", key, name)


@dataclass(frozen=True)
class Meaning:
    """What a column can mean: a unit as an example, phrases that name it or a stand-in, and words that rule it out."""

    key: str
    label: str
    dimension: str
    example: str
    named: str
    stand_in: str = ""
    decoys: str = ""


MEANINGS = (
    Meaning(
        "time", "time", "time", "s",
        "time,zeit,temps,tempo,tiempo,timestamp,timestamps,datetime,zeitstempel,uhrzeit,messzeit,laufzeit,logzeit,clock,"
        "elapsed,seconds,secs,sekunden,secondes,secondi,segundos,millis,milliseconds,heure,ora,hora,sec,t,ms",
    ),
    Meaning(
        "rpm", "engine speed", "speed", "1/min",
        "rpm,engine speed,engine rpm,engine revs,engine rev,eng speed,eng rpm,eng rev,revs,drehzahl,regime,giri,regimen,"
        "revoluciones,vitesse moteur,velocidad motor,velocidad del motor,velocita motore,vitesse rotation,nmot,n mot,"
        "tours moteur,tours minute,tach,tacho,tachometer,compte tours,contagiri",
        decoys="dot dt d s sec rate gradient turbo turbine turbina alternator shaft wheel fan pump gear vehicle cut shift "
        "idle change acceleration accel derivative roc",
    ),
    Meaning(
        "lambda", "mixture", "mixture", "AFR",
        "lambda,afr,air fuel,wideband,wb oxy,wb o,wbo,luftzahl,luftverhaltnis,luft kraftstoff,richesse,equivalence ratio,"
        "phi,eqr,rapport air,rapporto aria,relacion aire",
        decoys="heater temp temperature resistance impedance ready status stoich stoichiometric load map table duty delta "
        "loop controller control integrator regler regelung efficiency ego cl enable window narrowband narrow nb pump flow "
        "mass maf pressure",
    ),
    Meaning(
        "throttle", "throttle", "percent", "%",
        "throttle,tps,drosselklappe,dk,papillon,farfalla,mariposa",
        "pedal,pedale,accelerator,accel ped,gaspedal,fahrpedal,accelerateur,acceleratore,acelerador",
        "dot dt rate enrich enrichment closed switch idle delta temp body stop area",
    ),
    Meaning(
        "manifold_pressure", "manifold absolute pressure", "pressure", "kPa",
        "map,manifold pressure,manifold absolute pressure,manifold air pressure,intake pressure,inlet pressure,"
        "saugrohrdruck,ansaugdruck,pression collecteur,pression admission,pression tubulure,pressione collettore,"
        "pressione aspirazione,presion colector,presion admision,presion multiple",
        "boost,vacuum,vac,manifold vacuum,ladedruck,unterdruck,suralimentation,sovralimentazione,depression,vuoto,"
        "depressione,vacio,depresion",
        "table fuel ignition ign spark ve switch select ambient baro barometric rate dot dt exhaust oil rail solenoid duty "
        "advance brake tank crankcase",
    ),
    Meaning(
        "air_flow", "air flow", "flow", "g/s",
        "maf,air flow,airflow,mass air,air mass,luftmasse,luftmassenstrom,debit air,debit d air,portata aria,flusso aria,"
        "massa aria,caudal aire,flujo aire,masa aire",
        decoys="load hz freq frequency period temp temperature stroke per rev fuel",
    ),
    Meaning(
        "lift", "lift of the air valve or slide", "length", "mm",
        "lift,kolbenhub,schieberhub,nadelhub,hub,levee,alzata,alzada,levantamiento,slide opening,slide position,"
        "piston height",
        decoys="cam camshaft vvl vanos intake exhaust nockenwelle ventilhub wheel pump",
    ),
    Meaning(
        "coolant", "coolant temperature", "temperature", "degC",
        "coolant,clt,ect,cts,e temp,eng temp,wtr temp,wtr t,water t,water temp,water temperature,wassertemp,kuhlmittel,"
        "kuhlwasser,kuehlmittel,kuehlwasser,refroidissement,temperature eau,temp eau,eau,acqua,liquido,refrigerante,agua,"
        "engine temp,engine temperature,motortemp,temperature moteur,temperatura motore,temperatura motor",
        decoys="fan pressure level enrich enrichment comp radiator oil pump exhaust intake inlet ambient",
    ),
)  # fmt: skip
BY_KEY = {meaning.key: meaning for meaning in MEANINGS}
NEEDED = ("time", "rpm", "lambda")

# Decoys for every meaning but time: what is wanted, corrected, limited or not yet a reading.
_DECOYS = """
    target command request requir desire demand setpoint sollwert consigne consigna cible obiettivo objetivo richiest
    solicit deseado trim correct korrektur correzion correccion adapt learn faktor factor multiplier enrich error
    abweichung ecart deviation volt spannung tension limit derivat gradient predict model expected theor setting
    threshold narrowband lambdasoll soll req cmd cmded tgt trg set sp final des goal ref reference want wanted ltft
    stft corr korr adj adc raw count roh brut grezzo crudo v mv max maximum peak err status state mode flag fault gain
    offset delta diff mult lim alarm warning warn stage sim simulated est estimated std stdev sigma min minimum
    objectif trims volts voltage solldrehzahl
""".split()
_FILTERED = "filter filtr smooth gefiltert geglattet lisse suaviz avg average mean mittel moyenne media filt flt lp".split()
_TIME_WORDS = """
    log logger logging since start started elapsed rel relative abs absolute total record recorded recording session
    run system sys stamp date datum fecha et e y und of day local utc the x s ms us min h sec secs hh mm ss de du del
    di dem da der in point data enregistrement registrazione registro aufzeichnung mesure misura medida engine on axis
    ecu device index
""".split()
_PLACES = {
    "rpm": {"engine", "motor", "moteur", "motore", "crank", "crankshaft"},
    "manifold_pressure": {"manifold", "intake", "inlet", "saugrohr", "collecteur", "collettore", "colector"},
    "coolant": {"water", "wtr", "wasser"},
}
# A product of two quantities is neither: "MAPxRPM", "load * rpm".
_PRODUCT = re.compile(r"[^\W\d_]\s*[*×·]\s*[^\W\d_]|[A-Z]x[A-Z]|[^\W\d_][\s_]+x[\s_]+[^\W\d_]")


class Why(IntEnum):
    """What the choice of a column rests on, the surest first."""

    USER = 0
    EXACT_NAME = 1
    NAME = 2
    NAME_AND_UNIT = 3
    STAND_IN = 4
    UNIT = 5


@dataclass(frozen=True)
class Candidate:
    """A column that may carry a meaning: its place from 0, its unit, and why it may."""

    place: int
    name: str
    words: tuple[str, ...]
    unit: LogUnit | None
    unit_given: bool
    why: Why

    def is_filtered(self) -> bool:
        """Whether its name marks it as filtered."""
        return _says(_FILTERED, self.words)


def _words(name: str) -> tuple[str, ...]:
    """Words of a name, lower case and without accents; "a/f" is one word, and the sign of lambda is its name."""
    text = re.sub(r"\b[aA]\s*/\s*[fF]\b", " afr ", name.replace("λ", " lambda ").replace("Λ", " lambda "))
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})", " ", text)
    return tuple(re.findall(r"[a-z]+", text.lower()))


def _says(phrases: Iterable[str], words: Sequence[str]) -> bool:
    """Whether a name has all words of one of some phrases; those of five letters and more count inside compounds."""
    squashed = "".join(words)
    return any(all(part in words or (len(part) >= 5 and part in squashed) for part in phrase.split()) for phrase in phrases)


def _why(meaning: Meaning, words: Sequence[str], unit: LogUnit | None) -> Why | None:
    """Why a column of that name and unit may carry a meaning, None if it may not."""
    if unit is not None and unit.dimension not in (meaning.dimension, "none"):
        return None
    names = meaning.named.split(",")
    if meaning.key == "time":
        # Time stands in the names of many things (injection time, lap time): no foreign word may stand beside it.
        named = any(word in names for word in words) and set(words).issubset([*_TIME_WORDS, *names])
        return (Why.EXACT_NAME if len(words) == 1 else Why.NAME) if named else None
    if _says([*_DECOYS, *meaning.decoys.split()], words):
        return None
    named = _says(names, words)
    # Boost and vacuum count from ambient pressure, whatever else the name says.
    stands_in = bool(meaning.stand_in) and _says(meaning.stand_in.split(","), words)
    if stands_in and (meaning.key == "manifold_pressure" or not named):
        return Why.STAND_IN
    if named:
        exact = "".join(words) in {phrase.replace(" ", "") for phrase in names}
        return Why.EXACT_NAME if exact else Why.NAME
    if unit is None or unit.dimension != meaning.dimension:
        return None
    # A place and a unit make a meaning between them, as in "engine_rpm" and "manifold_kpa".
    if not _PLACES.get(meaning.key, set()).isdisjoint(words):
        return Why.NAME_AND_UNIT
    return Why.UNIT if meaning.key in ("rpm", "lambda") else None


def find_candidates(
    names: Sequence[str],
    heads: Sequence[str],
    units: Sequence[str],
    *,
    places: Mapping[str, int | None] | None = None,
    stated: Mapping[str, LogUnit] | None = None,
) -> dict[str, list[Candidate]]:
    """Columns that may carry each meaning, the surest first, by the cells of the header and of the units row.

    ``places`` are columns named by the user (None to do without the meaning), ``stated`` the units stated.
    """
    places, stated = places or {}, stated or {}
    parts = [_name_and_unit(head or name, unit) for name, head, unit in zip(names, heads, units, strict=True)]
    found: dict[str, list[Candidate]] = {meaning.key: [] for meaning in MEANINGS}
    for meaning in MEANINGS:
        key, given = meaning.key, stated.get(meaning.key)
        for place, (bare, unit) in enumerate(parts):
            words = _words(bare) or _words(names[place])
            if key in places:
                why = Why.USER if places[key] == place else None
            elif key != "time" and _PRODUCT.search(heads[place] or names[place]):
                why = None
            else:
                why = _why(meaning, words, unit)
                # A unit the user states for the meaning overrules what the file says of a likely column.
                odd = unit is not None and unit.dimension in ("other", "voltage")
                over = _why(meaning, words, given) if given and not odd else why
                why = over if why or over not in (Why.UNIT, Why.NAME_AND_UNIT) else None
            if why is not None:
                found[key].append(Candidate(place, names[place], words, given or unit, given is not None, why))
        found[key].sort(key=lambda candidate: (candidate.why, candidate.name))
    return found


def _name_and_unit(head: str, below: str) -> tuple[str, LogUnit | None]:
    bare, unit = split_name(head)
    under = find_unit(below) if below else None
    if under is None or under.dimension == "none":
        return bare, unit
    if unit is not None and unit.zero in ("gauge", "vacuum") and under.dimension == "pressure" and not under.zero:
        # A row of units that says no more than kPa does not take back the name's gauge or vacuum.
        return bare, counted_from(under, unit.zero)
    return bare, under
