"""Finding columns by what their names mean, in five languages; decoys never win.

The words are general trade vocabulary (common practice, no source). Words of five letters and more also count
inside compounds, as German writes them.
"""

from __future__ import annotations

import re
import unicodedata
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

from needlecalc.errors import InputError, LogFormatError
from needlecalc.measure.log.text import LogText
from needlecalc.measure.log.units import LogUnit, find_unit, split_name, unit_from_text


@dataclass(frozen=True)
class Meaning:
    """What a column can mean, and the words that say so.

    Parameters
    ----------
    key : str
        Its name in ``columns=`` and ``units=``.
    label : str
        Its name in print.
    dimension : str
        What its unit must measure.
    first, second : tuple of str
        Phrases that name it, and phrases that name a stand-in, taken only where nothing better is there.
    decoys : str
        Words that rule a column out for this meaning.
    """

    key: str
    label: str
    dimension: str
    first: tuple[str, ...]
    second: tuple[str, ...] = ()
    decoys: str = ""


MEANINGS = (
    Meaning(
        "time",
        "time",
        "time",
        tuple(
            "time,zeit,temps,tempo,tiempo,timestamp,datetime,zeitstempel,uhrzeit,messzeit,laufzeit,logzeit,clock,elapsed,"
            "seconds,sekunden,secondes,secondi,segundos,millis,milliseconds,heure,ora,hora,sec,t,ms".split(",")
        ),
    ),
    Meaning(
        "rpm",
        "engine speed",
        "speed",
        tuple(
            "rpm,engine speed,engine rpm,engine revs,revs,drehzahl,regime,giri,regimen,revoluciones,vitesse "
            "moteur,"
            "velocidad motor,velocidad del motor,velocita motore,vitesse rotation,nmot,n mot,tours moteur,"
            "tours minute,tach,tacho,tachometer,compte tours,contagiri".split(",")
        ),
        decoys="dot dt d s sec rate gradient turbo turbine turbina alternator shaft wheel fan pump gear vehicle "
        "cut shift idle change acceleration accel derivative roc",
    ),
    Meaning(
        "lambda",
        "mixture",
        "mixture",
        tuple(
            "lambda,afr,air fuel,wideband,luftzahl,luftverhaltnis,luft kraftstoff,richesse,equivalence "
            "ratio,phi,eqr,"
            "rapport air,rapporto aria,relacion aire,wbo".split(",")
        ),
        decoys="heater temp temperature resistance impedance current ready status stoich "
        "stoichiometric load map table duty delta loop controller control integrator regler regelung "
        "efficiency ego cl enable window narrowband narrow nb pump flow mass maf pressure",
    ),
    Meaning(
        "throttle",
        "throttle",
        "percent",
        tuple("throttle,tps,drosselklappe,dk,papillon,farfalla,mariposa".split(",")),
        tuple("pedal,pedale,accelerator,accel ped,gaspedal,fahrpedal,accelerateur,acceleratore,acelerador".split(",")),
        decoys="dot dt rate enrich enrichment closed switch idle delta temp body stop area",
    ),
    Meaning(
        "manifold_pressure",
        "manifold absolute pressure",
        "pressure",
        tuple(
            "map,manifold pressure,manifold absolute pressure,manifold air pressure,intake pressure,inlet "
            "pressure,"
            "saugrohrdruck,ansaugdruck,pression collecteur,pression admission,pression tubulure,"
            "pressione collettore,pressione aspirazione,presion colector,presion admision,presion "
            "multiple".split(",")
        ),
        tuple(
            "boost,vacuum,manifold vacuum,ladedruck,unterdruck,suralimentation,sovralimentazione,depression,vuoto,"
            "depressione,vacio,depresion".split(",")
        ),
        decoys="table fuel ignition ign spark ve switch select ambient baro barometric "
        "rate dot dt exhaust oil rail solenoid duty advance",
    ),
    Meaning(
        "air_flow",
        "air flow",
        "flow",
        tuple(
            "maf,air flow,airflow,mass air,air mass,luftmasse,luftmassenstrom,debit air,debit d air,portata "
            "aria,"
            "flusso aria,massa aria,caudal aire,flujo aire,masa aire".split(",")
        ),
        decoys="load hz freq frequency period temp temperature stroke per rev fuel",
    ),
    Meaning(
        "lift",
        "lift of the air valve or slide",
        "length",
        tuple(
            "lift,kolbenhub,schieberhub,nadelhub,hub,levee,alzata,alzada,levantamiento,slide opening,slide "
            "position,"
            "piston height".split(",")
        ),
        decoys="cam camshaft vvl vanos intake exhaust nockenwelle ventilhub wheel pump",
    ),
    Meaning(
        "coolant",
        "coolant temperature",
        "temperature",
        tuple(
            "coolant,clt,ect,water temp,water temperature,wassertemp,kuhlmittel,kuhlwasser,kuehlmittel,kuehlwasser,"
            "refroidissement,temperature eau,temp eau,eau,acqua,liquido,refrigerante,agua,engine temp,"
            "engine temperature,motortemp,temperature moteur,temperatura motore,temperatura motor".split(",")
        ),
        decoys="fan pressure level enrich enrichment comp radiator oil pump",
    ),
)
BY_KEY = {meaning.key: meaning for meaning in MEANINGS}
NEEDED = ("time", "rpm", "lambda")

# Decoys for every meaning but time: what is wanted, corrected, limited or not yet a reading.
_DECOY_PARTS = (
    "target,command,request,requir,desire,demand,setpoint,sollwert,consigne,consigna,cible,obiettivo,objetivo,"
    "richiest,solicit,deseado,trim,correct,correction,korrektur,correzion,correccion,adapt,learn,faktor,factor,"
    "multiplier,enrich,error,abweichung,ecart,deviation,volt,spannung,tension,limit,derivat,gradient,"
    "predict,model,"
    "expected,theor,setting,threshold,narrowband,lambdasoll,soll"
).split(",")
_DECOY_WORDS = set(
    "req cmd cmded tgt trg set des goal ref reference want wanted ltft stft fuel_trim corr korr adj adc raw "
    "counts count "
    "roh brut grezzo crudo v mv max maximum peak err errore status state mode flag fault gain offset delta "
    "diff limiter "
    "lim alarm warning warn stage sim simulated est estimated std stdev sigma min minimum objectif".split()
)
_FILTERED = ("filter", "filtr", "smooth", "gefiltert", "geglattet", "lisse", "suaviz")
_FILTERED_WORDS = {"avg", "average", "mean", "mittel", "mittelwert", "moyenne", "media", "filt", "flt", "lp"}
_TIME_WORDS = set(
    "log logger logging since start started elapsed rel relative abs absolute total record recorded "
    "recording session "
    "run system sys stamp date datum fecha et e y und of day local utc the x s "
    "ms us min h sec secs hh mm ss de du del di dem da der in "
    "point data "
    "enregistrement registrazione registro aufzeichnung mesure misura medida engine on axis ecu device "
    "index".split()
)


_PLACES = {
    "rpm": ("engine", "motor", "moteur", "motore", "crank", "crankshaft"),
    "manifold_pressure": ("manifold", "intake", "inlet", "saugrohr", "collecteur", "collettore", "colector"),
}


@dataclass(frozen=True)
class Candidate:
    """A column that may carry a meaning.

    Parameters
    ----------
    place : int
        Place of the column, from 0.
    name : str
        Its name in the file.
    unit : LogUnit or None
        Unit the file or the user states.
    unit_given : bool
        Whether the user stated the unit: then it is not doubted.
    filtered : bool
        Whether its name marks it as filtered.
    rank : int
        0 named by the user, 1 by name, 2 a stand-in or known by its unit alone, 3 in degrees.
    why : str
        Why it was taken, a piece of a sentence.
    """

    place: int
    name: str
    unit: LogUnit | None
    unit_given: bool
    filtered: bool
    rank: int
    why: str

    def words(self) -> set[str]:
        """Words of the column's name, lower case and without accents.

        Returns
        -------
        set of str
            The words.
        """
        return set(_words(split_name(self.name)[0]))


def _words(name: str) -> list[str]:
    # "a/f" is one word, and the sign of lambda is its name.
    text = re.sub(r"\b[aA]\s*/\s*[fF]\b", " afr ", name.replace("λ", " lambda ").replace("Λ", " lambda "))
    text = unicodedata.normalize("NFKD", text.replace("ß", "ss"))
    text = "".join(sign for sign in text if not unicodedata.combining(sign))
    text = re.sub(r"(?<=[a-z])(?=[A-Z])|(?<=[A-Z])(?=[A-Z][a-z]{2})", " ", text)
    return re.findall(r"[a-z]+", text.lower())


def _says(phrase: str, words: Sequence[str], squashed: str) -> bool:
    return all(part in words or (len(part) >= 5 and part in squashed) for part in phrase.split())


def _is_decoy(meaning: Meaning, words: Sequence[str], squashed: str) -> bool:
    own = set(meaning.decoys.split())
    return bool(
        own & set(words)
        or _DECOY_WORDS & set(words)
        or any(part in squashed for part in _DECOY_PARTS)
        or any(len(part) >= 6 and part in squashed for part in own)
    )


def _rank(meaning: Meaning, words: list[str], unit: LogUnit | None) -> int:
    squashed = "".join(words)
    if unit is not None and unit.dimension not in (meaning.dimension, "none", "angle"):
        return 0
    if unit is not None and unit.dimension == "angle" and meaning.key != "throttle":
        return 0
    if unit is not None and unit.dimension == "angle":
        # Degrees are no percent of anything: only where nothing else is there, to be told.
        return (
            3 * any(_says(phrase, words, squashed) for phrase in meaning.first) * (not _is_decoy(meaning, words, squashed))
        )
    if meaning.key == "time":
        # Time stands in the names of many things (injection time, lap time): no foreign word may stand
        # beside it.
        named = any(phrase in words for phrase in meaning.first)
        return int(named and all(word in meaning.first or word in _TIME_WORDS for word in words))
    if _is_decoy(meaning, words, squashed):
        return 0
    if any(_says(phrase, words, squashed) for phrase in meaning.first):
        # Boost and vacuum count from ambient pressure, whatever else the name says.
        gauge = any(_says(phrase, words, squashed) for phrase in meaning.second)
        return 2 if gauge and meaning.key == "manifold_pressure" else 1
    if any(_says(phrase, words, squashed) for phrase in meaning.second):
        return 2
    if unit is None or unit.dimension != meaning.dimension:
        return 0
    # A place and a unit make a meaning between them, as in "engine_rpm" and "manifold_kpa".
    if set(_PLACES.get(meaning.key, ())) & set(words):
        return 1
    return 2 if meaning.key in ("rpm", "lambda") else 0


def find_candidates(
    text: LogText, *, columns: Mapping[str, str] | None = None, units: Mapping[str, str] | None = None
) -> dict[str, list[Candidate]]:
    """Columns that may carry each meaning, the best rank only.

    Parameters
    ----------
    text : LogText
        The log.
    columns : mapping of str to str, optional
        The user's choice: meaning to column name, empty to do without the meaning.
    units : mapping of str to str, optional
        The user's units: meaning to unit.

    Returns
    -------
    dict of str to list of Candidate
        Candidates by meaning, by rising name; a meaning without any has an empty list.

    Raises
    ------
    InputError
        If a meaning or a unit is not known.
    LogFormatError
        If the column named by the user is not in the file.
    """
    for argument, given in (("columns", columns), ("units", units)):
        for key in given or {}:
            if key not in BY_KEY:
                msg = f"{argument}: {key!r} is not a meaning; known are {', '.join(BY_KEY)}."
                raise InputError(msg)
    stated = {key: _stated_unit(key, spelling) for key, spelling in (units or {}).items()}
    found: dict[str, list[Candidate]] = {}
    for meaning in MEANINGS:
        key = meaning.key
        if columns and key in columns:
            chosen = [_place(text, key, columns[key])] if columns[key] else []
            ranks = dict.fromkeys(chosen, 0)
        else:
            ranks = {}
            for place, name in enumerate(text.names):
                bare, unit = _name_and_unit(text, place)
                # A unit the user states for the meaning overrules what the file says of a likely column.
                odd = unit is not None and unit.dimension in ("other", "voltage")
                stands = unit if odd else stated.get(key, unit)
                words = _words(bare) or _words(name)
                rank = _rank(meaning, words, stands)
                if rank == 2 and key in stated and not _rank(meaning, words, unit):
                    rank = 0
                if rank:
                    ranks[place] = rank
        best = min(ranks.values(), default=0)
        found[key] = sorted(
            (_candidate(text, place, rank, stated.get(key), meaning) for place, rank in ranks.items() if rank == best),
            key=lambda candidate: candidate.name,
        )
    return found


def how_to_name(key: str, name: str = "...") -> str:
    """How the user names a column himself, in a call and in a job file.

    Parameters
    ----------
    key : str
        Meaning.
    name : str
        The column's name.

    Returns
    -------
    str
        Part of a sentence.

    Examples
    --------
    >>> print(how_to_name("rpm", "Engine"))
    columns={'rpm': 'Engine'} (in a job file rpm = "Engine" under [log.columns])
    """
    return f'columns={{{key!r}: {name!r}}} (in a job file {key} = "{name}" under [log.columns])'


def _stated_unit(key: str, spelling: str) -> LogUnit:
    unit = unit_from_text(spelling)
    if unit.dimension != BY_KEY[key].dimension:
        msg = f"units: {spelling!r} does not measure {key}; it must be a unit of {BY_KEY[key].dimension}."
        raise InputError(msg)
    return unit


def _place(text: LogText, key: str, wanted: str) -> int:
    for form in (str, str.strip, str.casefold):
        places = [place for place, name in enumerate(text.names) if form(name) == form(wanted)]
        if len(places) == 1:
            return places[0]
    msg = (
        f"{text.name}: columns says {key} is {wanted!r}, but the header in line {text.header_line} has no such name. "
        f"It has: {', '.join(text.names)}."
    )
    raise LogFormatError(msg, path=text.name, line=text.header_line, column=wanted)


def _name_and_unit(text: LogText, place: int) -> tuple[str, LogUnit | None]:
    bare, unit = split_name(text.header_cells[place] or text.names[place])
    below = find_unit(text.units[place]) if text.units[place] else None
    if below is None or below.dimension == "none":
        return bare, unit
    if unit is not None and unit.gauge and below.dimension == "pressure" and not (below.gauge or below.absolute):
        # A row of units that says no more than kPa does not take back the name's gauge or vacuum.
        return bare, unit_from_text(f"{below.label} {unit.label.split()[-1]}")
    return bare, below


def _candidate(text: LogText, place: int, rank: int, stated: LogUnit | None, meaning: Meaning) -> Candidate:
    bare, unit = _name_and_unit(text, place)
    words = _words(bare) or _words(text.names[place])
    squashed = "".join(words)
    filtered = bool(_FILTERED_WORDS & set(words)) or any(part in squashed for part in _FILTERED)
    named = any(_says(phrase, words, squashed) for phrase in (*meaning.first, *meaning.second))
    why = "a stand-in by its name" if named else "its unit"
    if rank < 2:
        why = "named by the user" if rank == 0 else "its name" if named else "its name and unit"
    return Candidate(place, text.names[place], stated or unit, stated is not None, filtered, rank, why)
