"""The passes of a job: what was fitted and measured each time, kept in one file."""

from __future__ import annotations

import json
import re
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import MISSING, dataclass, fields, replace
from datetime import datetime
from functools import reduce
from operator import or_
from pathlib import Path
from typing import Any, NoReturn, TypeVar

import numpy as np

from needlecalc.arrays import check_range, same_length
from needlecalc.design.forward.predict import need_lift
from needlecalc.echo import LONGEST_NAME, plain, shown
from needlecalc.errors import InputError, LogFormatError
from needlecalc.files import write_files
from needlecalc.measure.drive.bands import COLUMNS, Bands, LiftSource
from needlecalc.measure.drive.merge import normalise_bands
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray
from needlecalc.version import __version__, made_facts, now

SAME_NEEDLE_MM = 1e-9
EDITED = "the history was edited, so take it from a copy"
FORMAT = "needlecalc history 1"
LONGEST_WHOLE = 2**63 - 1
Part = TypeVar("Part", Needle, Air, Fuel)
A_NUMBER, A_TEXT, A_TABLE = ((int, float), "a number"), ((str,), "text"), ((dict,), "a table in braces")
NUMBERS, TEXTS = ((int, float, type(None)), "numbers, null where one is not known"), ((str,), "texts")
LIFT_SENTENCES = {  # older files said so where a lift comes from
    "typed in": LiftSource.TYPED,
    "logged": LiftSource.LOGGED,
    "computed from logged air flow": LiftSource.AIR_METER,
    "weighed against air meter": LiftSource.AIR_METER,
    "computed from manifold pressure": LiftSource.PRESSURE,
    "weighed against manifold pressure": LiftSource.PRESSURE,
    "computed from throttle": LiftSource.THROTTLE,
    "scaled to": LiftSource.SCALED,
}


@dataclass(frozen=True, repr=False, eq=False)
class Pass(Shown):
    """One needle and jet height with the bands measured on them.

    Parameters
    ----------
    needle : Needle
        The needle fitted, as measured before the drive.
    drop_mm : float
        Jet drop of the drive. [mm]
    bands : Bands
        What the drive gave, with lifts.
    log_sha256 : str
        Hash of the drive's log, by which it is known again; that of the bands' log when not given.
    driven : bool
        False for a needle whose lambda is only predicted: it shows the way on, but teaches nothing.
    jet_drive : bool
        True for a drive with the jet moved, made to learn from; it belongs to the pass after it.
    air, fuel : Air, Fuel or None
        Those of the drive; where not given those under which the bands' lifts stand, or None where that is not known.

    Raises
    ------
    InputError
        If a band has no lift or no uncertainty of it, an uncertainty is negative, or the jet drop is no number.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> Pass(road.design.present(), road.setup.carburettor.jet.drop_mm, road.bands)
    Pass: needle 'van as fitted', jet drop 1.60 mm, 11 bands
    """

    needle: Needle
    drop_mm: float
    bands: Bands
    log_sha256: str = ""
    driven: bool = True
    jet_drive: bool = False
    air: Air | None = None
    fuel: Fuel | None = None

    def __post_init__(self) -> None:
        stated = self.bands.setup or self.bands.lift_setup
        for name in ("air", "fuel"):
            if getattr(self, name) is None and stated is not None:
                object.__setattr__(self, name, getattr(stated, name))
        if self.bands.log is not None and not self.log_sha256:
            object.__setattr__(self, "log_sha256", self.bands.log.sha256)
        need_lift(self.bands)
        check_range(self.drop_mm, "drop_mm", -2.0, 12.0, cure="Measure from the bridge down to the jet's face.")
        for name in ("lift_u_mm", "lambda_se", "lambda_spread"):
            u = self.bands.columns[name]
            self.bands.refuse(~(u >= 0.0), f"{name} is {{u:g}}, but an uncertainty must be zero or more; state it.", u=u)

    def __repr__(self) -> str:
        return f"Pass: needle {self.needle.name!r}, jet drop {self.drop_mm:.2f} mm, {counted(self.bands.rpm.size, 'band')}"

    def same_drive(self, other: Pass) -> bool:
        """Whether another pass was the very same drive: by the hash of the log, or by readings where one has none."""
        if self.log_sha256 and other.log_sha256:
            return self.log_sha256 == other.log_sha256
        mine, theirs = self.bands, other.bands
        return np.array_equal(mine.rpm, theirs.rpm) and np.array_equal(mine.lambda_measured, theirs.lambda_measured)


@dataclass(frozen=True, repr=False, eq=False)
class History(Shown):
    """Passes of one job, oldest first; all on one set of stations.

    Parameters
    ----------
    passes : tuple of Pass
        At least one.

    Raises
    ------
    InputError
        If there is no pass, or the needles do not share their stations.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.job.passes(road.bands)
    History of 1 pass, 1 needle
    """

    passes: tuple[Pass, ...]

    def __post_init__(self) -> None:
        if not self.passes:
            msg = "A history needs at least one pass; give the first drive."
            raise InputError(msg)
        stations = self.passes[0].needle.stations_mm
        for number, one in enumerate(self.passes[1:], start=2):
            here = one.needle.stations_mm
            if here.shape != stations.shape or not np.allclose(here, stations, atol=1e-6):
                msg = (
                    f"Pass {number} has needle {one.needle.name} on other stations than pass 1; measure every pass "
                    "at the same stations from the same datum."
                )
                raise InputError(msg)

    def __repr__(self) -> str:
        count, needles = len(self.passes), int(self.needle_of_pass().max()) + 1
        return f"History of {counted(count, 'pass', 'passes')}, {counted(needles, 'needle')}"

    def needle_of_pass(self) -> FloatArray:
        """Number of the needle of each pass, from 0; passes with the same diameters share one."""
        numbers: list[int] = []
        diameters = np.array([one.needle.diameters_mm for one in self.passes])
        for number, mine in enumerate(diameters):
            alike = np.flatnonzero(np.abs(diameters[:number] - mine).max(axis=1) < SAME_NEEDLE_MM)
            numbers.append(numbers[alike[0]] if alike.size else max(numbers, default=-1) + 1)
        return np.array(numbers)

    def day_of_pass(self) -> FloatArray:
        """Number of the day of each pass, from 0; a drive with the jet moved is made on the day of the drive after it."""
        return np.cumsum([0, *(not one.jet_drive for one in self.passes[:-1])])

    def then(self, needle: Needle, drop_mm: float, bands: Bands) -> History:
        """The history with one more pass."""
        return History((*self.passes, Pass(needle, drop_mm, bands)))

    def driven(self) -> History:
        """The passes that were really driven, without needles whose lambda is only predicted."""
        return History(tuple(one for one in self.passes if one.driven))

    def in_one_air(self, setup: Setup) -> History:
        """Lambda of every pass as in the air and with the fuel of the last; as it is where either is not known."""
        last = self.passes[-1]
        moved = []
        for one in self.passes:
            air, fuel = last.air or one.air, last.fuel or one.fuel
            if one.air is None or one.fuel is None or (one.air == air and one.fuel == fuel):
                moved.append(one)
                continue
            then = replace(History((one,)).present(setup), air=one.air, fuel=one.fuel)
            bands = normalise_bands(one.bands.having(setup=then), air=air, fuel=fuel).bands
            moved.append(replace(one, bands=replace(bands, setup=one.bands.setup), air=air, fuel=fuel))
        return History(tuple(moved))

    def present(self, setup: Setup) -> Setup:
        """The setup with the needle and jet height of the last pass."""
        last = self.passes[-1]
        # The fuel level stays where it is when the jet moves.
        head = setup.carburettor.float_level_mm + setup.carburettor.jet.drop_mm - last.drop_mm
        return setup.with_parts(needle=last.needle, float_level_mm=head).with_jet(drop_mm=last.drop_mm)

    def save(
        self, path: str | Path, *, job: str = "", made_at: datetime | None = None, last_read: str | None = None
    ) -> None:
        """Write the passes driven to a JSON file, every figure in full; the old file stays whole until the new one is.

        ``job`` and ``made_at`` (now, when not given) are kept with them.  ``last_read`` is the hash (sha256) that the file
        had when the passes were read, empty where it was not there yet: it is left alone if it has another one by now.
        InputError if it cannot be written, or another run wrote it since it was read.
        """
        made_by = {**made_facts(made_at or now()), "job": job}
        content = {"format": FORMAT, "made_by": made_by, "passes": [_facts(one) for one in self.driven().passes]}
        path = Path(path)
        write_files({path: json.dumps(content, indent=1).encode()}, f"{path.name}: the history", last_read=last_read)


def read_history(path: str | Path) -> History:
    """History from the file :meth:`History.save` wrote.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    History
        The passes; the logs themselves are not kept, only their bands.

    Raises
    ------
    LogFormatError
        If the file is no history.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from needlecalc.example import road
    >>> with TemporaryDirectory() as folder:
    ...     road.job.passes(road.bands).save(Path(folder) / "passes.json")
    ...     read_history(Path(folder) / "passes.json")
    History of 1 pass, 1 needle
    """
    passes = []
    for number, facts in enumerate(_passes_in(path), start=1):
        with _refused_as(path, f", pass {number}"):
            passes.append(_pass_of(facts))
    with _refused_as(path):
        return History(tuple(passes))


@contextmanager
def _refused_as(path: str | Path, where: str = "") -> Iterator[None]:
    """Put the file's name, and the place in it, before what is wrong with what it holds."""
    try:
        yield
    except (InputError, KeyError) as error:
        lacks = f"the history lacks {error}; it was cut or edited, so take it from a copy."
        msg = f"{plain(Path(path).name, LONGEST_NAME)}{where}: {lacks if isinstance(error, KeyError) else error}"
        raise LogFormatError(msg, path=str(path)) from error


def _passes_in(path: str | Path) -> list[Any]:
    """What the file of a history holds of its passes; refused where it is no history, or one of another format."""

    def refuse(words: str, cause: Exception | None = None) -> NoReturn:
        msg = f"{plain(Path(path).name, LONGEST_NAME)}{words}"
        raise LogFormatError(msg, path=str(path)) from cause

    try:
        written = Path(path).read_bytes()
    except (OSError, ValueError) as error:
        refuse(f": the history cannot be opened ({getattr(error, 'strerror', error)}); check its name and folder.", error)
    try:
        content = json.loads(written.decode())
    except (ValueError, RecursionError) as error:
        refuse(" is no history: it is not JSON; give the file History.save wrote.", error)
    stated = str(content.get("format")) if isinstance(content, dict) else ""
    if stated != FORMAT:
        if other := re.fullmatch(r"needlecalc history (\d{1,4})", stated):
            refuse(f" is a history of format {other[1]}, {_made_by(content)}")
        refuse(f" is no history: it does not say {FORMAT!r}; give the file History.save wrote.")
    listed = content.get("passes")
    if not isinstance(listed, list):
        refuse(": the history has no list of passes; it was cut or edited, so take it from a copy.")
    return listed


def _made_by(content: Mapping[str, Any]) -> str:
    """Who wrote a history of another format, and what to do about it."""
    made_by = content.get("made_by")
    version = str(made_by.get("needlecalc")) if isinstance(made_by, dict) else ""
    writer = f"needlecalc {version}" if re.fullmatch(r"\d[\w.+-]{0,29}", version) else "another needlecalc"
    return (
        f"written by {writer}; this is needlecalc {__version__}, which knows format {FORMAT.rpartition(' ')[2]}. Use the "
        "needlecalc that wrote it, or a newer one."
    )


def _facts(one: Pass) -> dict[str, Any]:
    """What the file keeps of a pass: of its bands the columns, as logs and setups are kept elsewhere."""
    needle, bands = one.needle, one.bands
    columns = {name: [None if np.isnan(v) else v for v in column.tolist()] for name, column in bands.columns.items()}
    sources = [source.code() for source in bands.lift_source]
    facts: dict[str, Any] = {
        "needle": {
            "name": needle.name,
            "stations_mm": needle.stations_mm.tolist(),
            "diameters_mm": needle.diameters_mm.tolist(),
            "source": needle.source,
        },
        "drop_mm": one.drop_mm,
        "log_sha256": one.log_sha256,
        "bands": {**columns, "load": list(bands.load), "bank": list(bands.bank), "lift_source": sources},
    }
    if one.jet_drive:
        facts["jet_drive"] = True
    for name, conditions in (("air", one.air), ("fuel", one.fuel)):
        if conditions is not None:
            facts[name] = {key: value for key, value in vars(conditions).items() if value is not None}
    return facts


def _pass_of(facts: object) -> Pass:
    whole = _a_value(facts, "it", A_TABLE)
    return Pass(
        _record_of(Needle, whole["needle"]),
        _a_value(whole["drop_mm"], "drop_mm", A_NUMBER),
        _bands_of(whole["bands"]),
        _a_value(whole.get("log_sha256", ""), "log_sha256", A_TEXT),
        jet_drive=whole.get("jet_drive") is True,
        air=_record_of(Air, whole["air"]) if whole.get("air") is not None else None,
        fuel=_record_of(Fuel, whole["fuel"]) if whole.get("fuel") is not None else None,
    )


def _bands_of(facts: object) -> Bands:
    saved = _a_value(facts, "bands", A_TABLE)
    bands: dict[str, Any] = {}
    for name, column in COLUMNS.items():
        if name in saved or column.always or name in ("lift_mm", "lift_u_mm"):  # older files lack some others
            bands[name] = _a_row(saved[name], f"bands.{name}", NUMBERS)
            same_length("bands", **{"rpm": bands["rpm"], name: bands[name]})
    load, bank, sources = saved["load"], saved.get("bank", []), saved["lift_source"]
    bands |= {"load": _a_row(load, "bands.load", TEXTS), "bank": _a_row(bank, "bands.bank", TEXTS)}
    return Bands(**bands, lift_source=[_lift_source(text) for text in _a_row(sources, "bands.lift_source", TEXTS)])


def _lift_source(text: str) -> LiftSource:
    """Where a lift comes from; files of older versions said it in a sentence."""
    try:
        return LiftSource.of_code(text)
    except KeyError:
        pieces = re.split(r" \+ |, ", text)
        found = [source for words, source in LIFT_SENTENCES.items() if any(piece.startswith(words) for piece in pieces)]
    if not found:
        msg = f"bands.lift_source holds {_shown(text)}, but must say where the lift comes from, such as 'typed'; {EDITED}."
        raise InputError(msg)
    return reduce(or_, found)


def _record_of(kind: type[Part], facts: object) -> Part:
    """Needle, air or fuel from its fields."""
    name = kind.__name__.lower()
    table: Mapping[str, Any] = _a_value(facts, name, A_TABLE)
    known = {item.name: str(item.type) for item in fields(kind)}
    if odd := sorted(set(table) - set(known)):
        msg = f"{name} has {shown(odd[0])}, which it does not know; {EDITED}."
        raise InputError(msg)
    read: dict[str, Any] = {}
    for key in dict.fromkeys([*(item.name for item in fields(kind) if item.default is MISSING), *table]):
        single = A_TEXT if known[key] == "str" else A_NUMBER
        given = table[key], f"{name}.{key}"
        read[key] = _a_row(*given, NUMBERS) if known[key] == "FloatArray" else _a_value(*given, single)
    return kind(**read)


def _a_value(value: object, name: str, kind: tuple[tuple[type, ...], str]) -> Any:
    """A value, if it is of the kind it must be; true and false are no numbers."""
    if isinstance(value, bool) or not isinstance(value, kind[0]):
        msg = f"{name} is {_shown(value)}, but must be {kind[1]}; {EDITED}."
        raise InputError(msg)
    return value


def _a_row(value: object, name: str, kind: tuple[tuple[type, ...], str]) -> list[Any]:
    """A list of the kinds named; true and false are no numbers, nor is what no float can hold."""
    kinds, words = kind
    listed: list[Any] = _a_value(value, name, ((list,), f"a row of {words}"))
    for place, one in enumerate(listed, start=1):
        too_long = isinstance(one, int) and abs(one) > LONGEST_WHOLE
        if isinstance(one, bool) or not isinstance(one, kinds) or too_long:
            msg = f"{name} holds {_shown(one)} as entry {place}, but must hold {words}; {EDITED}."
            raise InputError(msg)
    return listed


def _shown(value: object) -> str:
    text = json.dumps(value)
    return text if len(text) <= 40 else f"{text[:40]}..."
