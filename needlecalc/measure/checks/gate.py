"""Checks and their verdicts, and the gate they make before a cut."""

from __future__ import annotations

from dataclasses import dataclass, replace

from needlecalc.echo import shown
from needlecalc.errors import InputError, SolveError
from needlecalc.measure.checks.limits import CheckLimits, Pair
from needlecalc.show import Column, Shown, Table

GREEN, AMBER, RED, NOT_MEASURED = "green", "amber", "red", "not measured"
VERDICTS = (GREEN, AMBER, RED, NOT_MEASURED)
LEAST_WORDS = 3
CAUTIONS = (
    "Exhaust is poison: never run the engine indoors without forced extraction.",
    "High tension kills: engine off and leads cold before touching ignition; mind fan and belts at the strobe.",
    "Emission limits and what may be altered are local law; a licensed tester decides.",
)


@dataclass(frozen=True)
class Check:
    """One check before a cut.

    Parameters
    ----------
    name : str
        What was looked at.
    value : str
        What was found, unit included.
    limit : str
        What is right.
    verdict : str
        "green", "amber", "red" or "not measured".
    todo : str
        What to do about it; what is missing where nothing was measured.
    """

    name: str
    value: str
    limit: str
    verdict: str
    todo: str = ""

    def __post_init__(self) -> None:
        if self.verdict not in VERDICTS:
            msg = f"verdict of {self.name} is {shown(self.verdict)}, but must be one of {', '.join(VERDICTS)}."
            raise InputError(msg)

    def line(self) -> str:
        """The check in one sentence.

        Returns
        -------
        str
            Name, finding, limit and cure.
        """
        limit = f" (right: {self.limit})" if self.limit else ""
        return f"{self.name}: {self.value}{limit}. {self.todo}".strip()


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
    """

    checks: tuple[Check, ...]
    limits: CheckLimits
    reason: str = ""

    def __repr__(self) -> str:
        return f"Checks: {self.count()}"

    def count(self) -> str:
        """How many stand at each verdict.

        Returns
        -------
        str
            The counts in words.
        """
        return ", ".join(f"{len(self.of(verdict))} {verdict}" for verdict in (RED, AMBER, GREEN, NOT_MEASURED))

    def of(self, verdict: str) -> tuple[Check, ...]:
        """Checks of one verdict.

        Parameters
        ----------
        verdict : str
            "green", "amber", "red" or "not measured".

        Returns
        -------
        tuple of Check
            In their order.
        """
        return tuple(check for check in self.checks if check.verdict == verdict)

    def named(self, name: str) -> Check:
        """One check.

        Parameters
        ----------
        name : str
            Its name as printed.

        Returns
        -------
        Check
            The check.

        Raises
        ------
        InputError
            If there is no such check.
        """
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
        if not self.of(RED):
            msg = "No check is red, so there is nothing to override; take the reason out, lest it covers a later fault."
            raise InputError(msg)
        return replace(self, reason=words)

    def gate(self) -> None:
        """Let the cut through, or refuse it.

        Raises
        ------
        SolveError
            If a check is red and not overridden; the message names each and its cure.
        """
        red = self.of(RED)
        if red and not self.reason:
            msg = (
                f"No needle is proposed: {len(red)} check{'s are' if len(red) > 1 else ' is'} red. "
                f"{' '.join(check.line() for check in red)} Put this right and measure again, or override it with a "
                "written reason, which prints on every sheet."
            )
            raise SolveError(msg)

    def notes(self) -> tuple[str, ...]:
        """What the sheet says of the checks.

        Returns
        -------
        tuple of str
            Counts, what is red with the reason it was overridden for, and what to do about each amber one.
        """
        lines = [f"Checks: {self.count()}."]
        red = "; ".join(f"{check.name}, {check.value}" for check in self.of(RED))
        if self.reason:
            lines.append(f"Checks: RED OVERRIDDEN, reason given: {self.reason!r}. Red: {red}.")
        lines += [f"Checks, amber: {check.name}: {check.todo}" for check in self.of(AMBER)]
        return tuple(lines)

    def table(self) -> Table:
        """Every check, to be shown.

        Returns
        -------
        Table
            One row a check; what to do as notes.
        """
        columns = (
            Column("check", "check"),
            Column("value", "found"),
            Column("limit", "right"),
            Column("verdict", "verdict"),
        )
        rows = [
            {"check": c.name, "value": c.value, "limit": c.limit, "verdict": c.verdict.upper(), "todo": c.todo}
            for c in self.checks
        ]
        notes = [f"{c.name}: {c.todo}" for c in (*self.of(RED), *self.of(AMBER), *self.of(GREEN)) if c.todo]
        missing = [f"{c.name} ({c.todo.rstrip('.')})" for c in self.of(NOT_MEASURED)]
        if missing:
            notes.append(f"Not measured, so not proven: {'; '.join(missing)}.")
        if self.reason:
            notes.append(f"Red overridden, reason given: {self.reason!r}.")
        return Table("Checks before a cut", columns, rows, (self.count(),), (*notes, *CAUTIONS))


def gated(checks: Checks | None) -> tuple[str, ...]:
    """What the sheet says of the checks, if they let the cut through.

    Parameters
    ----------
    checks : Checks or None
        The checks; None where none were made.

    Returns
    -------
    tuple of str
        Their notes; none without checks.

    Raises
    ------
    SolveError
        If a check is red and not overridden.
    """
    if checks is None:
        return ()
    checks.gate()
    return checks.notes()


def graded(value: float, limit: Pair) -> str:
    """Verdict on a number.

    Parameters
    ----------
    value : float
        The number. [as named]
    limit : tuple of float
        Amber and red; red above amber means that too high is bad, below that too low is. [as named]

    Returns
    -------
    str
        "green", "amber" or "red".

    Examples
    --------
    >>> graded(38.0, (20.0, 30.0)), graded(12.4, (13.0, 12.0))
    ('red', 'amber')
    """
    amber, red = limit
    way = 1.0 if red > amber else -1.0
    if way * value >= way * red:
        return RED
    return AMBER if way * value >= way * amber else GREEN


def right(limit: Pair, unit: str = "", form: str = "g") -> str:
    """What is right, in words.

    Parameters
    ----------
    limit : tuple of float
        Amber and red. [as named]
    unit : str
        Unit to print.
    form : str
        Format of the number.

    Returns
    -------
    str
        "under" or "over" the amber limit.
    """
    amber, red = limit
    words = f"{'under' if red > amber else 'over'} {format(amber, form)} {unit}"
    return words.strip()


def missing(name: str, todo: str) -> Check:
    """A check for which nothing was written down.

    Parameters
    ----------
    name : str
        What was not looked at.
    todo : str
        What to measure.

    Returns
    -------
    Check
        Not measured, never green.
    """
    return Check(name, "-", "", NOT_MEASURED, todo)


def worse(first: str, second: str) -> str:
    """The worse of two verdicts.

    Parameters
    ----------
    first, second : str
        Verdicts on measured things.

    Returns
    -------
    str
        One of them.
    """
    order = (GREEN, AMBER, RED)
    return max(first, second, key=order.index)
