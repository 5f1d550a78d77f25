"""A check before a cut as facts, its verdict, and the gate that all checks make."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Any, NamedTuple

from needlecalc.echo import shown
from needlecalc.errors import InputError, SolveError
from needlecalc.measure.checks.limits import CheckKind, CheckLimits, Pair, kinds
from needlecalc.remark import BandName
from needlecalc.show import Shown, in_words

LEAST_WORDS = 3
Found = float | str | BandName  # a text only where the user typed it


class Verdict(StrEnum):
    """What a check comes to; the worst comes last."""

    NOT_MEASURED = "not measured"
    GREEN = "green"
    AMBER = "amber"
    RED = "red"


class Cause(StrEnum):
    """Which of several explanations a check found, where its kind and verdict do not say it."""

    NO_ROTOR = "rotor not measured"
    FLAT_CURVE = "too little advance from the weights"
    STEEP_CURVE = "too much advance from the weights"
    HIGH_UP = "driven at altitude"
    VACUUM_ACTS_AT_IDLE = "advance acts at idle"
    WRONG_TAPPING = "hose on another tapping than specified"
    MISFIRE = "unburnt mixture"
    DILUTED = "air in the sample"
    METER_RICH = "meter richer than the gas"
    MISFIRE_OR_LEAK = "misfire, leak or sensor"
    RICH_MISFIRE = "misfire with fuel to spare"
    LEAN_MISFIRE = "misfire of a lean mixture"
    OVER_LIMIT = "over the limit"
    HC_OVER_LIMIT = "hydrocarbons over the limit"
    NOT_PROVEN = "limit inside the uncertainty"
    THIN_AT_IDLE = "little CO + CO2 at idle alone"
    LEAN_JET_OR_LEAK = "lean at idle, gas whole"
    NEITHER = "neither needle nor leak explains lambda"
    NO_LIFT_OR_PRESSURE = "no lift or manifold pressure"
    FEW_BANDS = "too few bands"
    NARROW_FLOW = "too little range of air flow"
    TOO_SMALL_TO_SHOW = "a leak could hide"
    TOO_SHORT = "holds too short to tell"
    LIFTS_SHIFTED = "all lifts shifted"
    AIR_OFF = "air flow another than computed"
    LIFT_ODD = "lifts that no one air flow explains"
    ONE_BAND = "one band alone"
    SUSPECT_BORE = "another jet bore"
    SUSPECT_PLACE = "needle standing elsewhere in the jet"
    SUSPECT_LIFTS = "lifts read from another zero"
    SUSPECT_LEVEL = "lambda on another scale"
    NO_ONE_PART = "no one part explains it"


class CheckWords(NamedTuple):
    """A check in words: what was found, what is right, and what to do or to measure."""

    name: str
    found: str
    right: str
    todo: str

    def line(self) -> str:
        """All of it in one line."""
        right = f" (right: {self.right})" if self.right else ""
        return f"{self.name}: {self.found}{right}. {self.todo}".strip()


@dataclass(frozen=True)
class Check:
    """One check before a cut, as facts; :meth:`words` has what was found, what is right and what to do.

    Parameters
    ----------
    kind : CheckKind
        What was looked at.
    verdict : Verdict
        What it comes to.
    numbers : mapping of str to float or str
        What was found, units in the names; a text only where the user typed it.
    limit : tuple of float or None
        Amber and red limit of it.
    at : str
        Running point of a gas reading, or bank of twins.
    causes : tuple of Cause
        Which explanations, where several are possible.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> check = road.checks.checks[0]
    >>> check.kind.value, check.verdict.value
    ('compression', 'green')
    """

    kind: CheckKind
    verdict: Verdict = Verdict.NOT_MEASURED
    numbers: Mapping[str, Found] = field(default_factory=dict)
    limit: Pair | None = None
    at: str = ""
    causes: tuple[Cause, ...] = ()

    @property
    def name(self) -> str:
        """Its name: the kind, and where it was looked at."""
        return f"{self.kind} at {self.at}" if self.at else str(self.kind)

    def at_least(self, verdict: Verdict) -> Check:
        """The same, but no better than a verdict."""
        return replace(self, verdict=worse(self.verdict, verdict))

    def words(self) -> CheckWords:
        """What was found, what is right and what to do, in words."""
        words: CheckWords = in_words(self)
        return words

    def facts(self) -> dict[str, Any]:
        """The check as another program may want it."""
        return {
            "check": str(self.kind),
            "at": self.at,
            "verdict": str(self.verdict),
            "numbers": dict(self.numbers),
            "limit": None if self.limit is None else list(self.limit),
            "causes": [str(cause) for cause in self.causes],
        }


@dataclass(frozen=True, repr=False)
class Checks(Shown):
    """Every check before a cut, and the override where the tuner wrote one.

    Parameters
    ----------
    checks : tuple of Check
        The checks in the order of the job.
    limits : CheckLimits
        The limits they were held against.
    reason : str
        Why a red check was overridden; empty where none was.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> road.checks
    Checks: 0 red, 0 amber, 41 green, 5 not measured
    """

    checks: tuple[Check, ...]
    limits: CheckLimits
    reason: str = ""

    def __repr__(self) -> str:
        return f"Checks: {self.count()}"

    def count(self) -> str:
        """How many stand at each verdict."""
        order = (Verdict.RED, Verdict.AMBER, Verdict.GREEN, Verdict.NOT_MEASURED)
        return ", ".join(f"{len(self.of(verdict))} {verdict}" for verdict in order)

    def of(self, verdict: str) -> tuple[Check, ...]:
        """Checks of one verdict, in their order."""
        return tuple(check for check in self.checks if check.verdict == verdict)

    def named(self, name: str) -> Check:
        """One check by its name; InputError where there is none."""
        for check in self.checks:
            if check.name == name:
                return check
        msg = f"There is no check {shown(name)}; they are {', '.join(check.name for check in self.checks)}."
        raise InputError(msg)

    def override(self, reason: str) -> Checks:
        """The same checks with the red ones overridden in writing.

        Parameters
        ----------
        reason : str
            Why the cut may go on, three words at least; printed on every sheet.

        Returns
        -------
        Checks
            Let through by the gate, the reason with them.

        Raises
        ------
        InputError
            If nothing is red, or the reason is too short to be one.
        """
        words = " ".join(str(reason).split())
        if len(words.split()) < LEAST_WORDS:
            msg = (
                f"The override's reason is {shown(words)}, but must be a sentence of {LEAST_WORDS} words or more; it prints."
            )
            raise InputError(msg)
        if not self.of(Verdict.RED):
            msg = "No check is red, so there is nothing to override; take the reason out, lest it covers a later fault."
            raise InputError(msg)
        return replace(self, reason=words)

    def gate(self) -> None:
        """Let the cut through; SolveError where a check is red and not overridden, naming each and its cure."""
        red = self.of(Verdict.RED)
        if red and not self.reason:
            msg = (
                f"No needle is proposed: {len(red)} check{'s are' if len(red) > 1 else ' is'} red. "
                f"{' '.join(check.words().line() for check in red)} Put this right and measure again, or override it with a "
                "written reason, which prints on every sheet."
            )
            raise SolveError(msg)

    def slips(self) -> tuple[Check, ...]:
        """Amber checks that a slip of the pen in the job may stand behind."""
        slips = kinds(CheckKind.TABLE, CheckKind.NOTED)
        return tuple(check for check in self.of(Verdict.AMBER) if check.kind in slips)

    def notes(self) -> tuple[str, ...]:
        """What a sheet says of the checks: counts, what is red and why it was overridden, what to do about amber."""
        notes: tuple[str, ...] = in_words(self)
        return notes


def graded(value: float, limit: Pair) -> Verdict:
    """Verdict on a number by its amber and red limit, each of them already bad.

    Examples
    --------
    >>> str(graded(38.0, (20.0, 30.0))), str(graded(12.4, (13.0, 12.0)))
    ('red', 'amber')
    """
    (amber, red), value = limit, round(value, 9)  # 0.7 - 0.5 is 0.2
    way = 1.0 if red > amber else -1.0
    if way * value >= way * red:
        return Verdict.RED
    return Verdict.AMBER if way * value >= way * amber else Verdict.GREEN


def worse(*verdicts: Verdict) -> Verdict:
    """The worst of some verdicts."""
    return max(verdicts, key=list(Verdict).index)


def judged(kind: CheckKind, figure: float, limits: CheckLimits, *causes: Cause, **numbers: Found) -> Check:
    """Check of one figure against the limit of its kind; ``value`` is what is shown, the figure unless given."""
    limit = limits.of(kind)
    return Check(kind, graded(figure, limit), {"value": figure, **numbers}, limit, causes=causes)


def in_full(first: CheckKind, last: CheckKind, found: Iterable[Check]) -> list[Check]:
    """A check of each kind from the first to the last: the latest found, else that it was not measured."""
    by_kind = {check.kind: check for check in found}
    return [by_kind.get(kind) or Check(kind) for kind in kinds(first, last)]
