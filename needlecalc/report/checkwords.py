"""The checks in words, and the tables of checks and their limits."""

from __future__ import annotations

from dataclasses import fields

from needlecalc.measure.checks.check import Check, Checks, CheckWords, Found, Verdict
from needlecalc.measure.checks.gas import GasLeftOut, SensorZero
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.remark import BandName
from needlecalc.report.language import words as words_design
from needlecalc.report.language import words_after
from needlecalc.report.language import words_checks as words
from needlecalc.show import Column, Table, counted


def check_name(check: Check) -> str:
    """Name of a check: the kind, and where it was looked at."""
    kind = words.NAMES[check.kind]
    return words.NAME_AT.format(kind=kind, at=words.POINTS.get(check.at, check.at)) if check.at else kind


def check_words(check: Check) -> CheckWords:
    """A check in words."""
    (found, right, todo, missing), name = words.WORDS[check.kind], check_name(check)
    numbers: dict[str, object] = {key: _said(value) for key, value in check.numbers.items()}
    if check.limit is not None:
        numbers |= {"amber": check.limit[0], "red": check.limit[1]}
    causes = [words.CAUSES[cause] for cause in check.causes if cause in words.CAUSES]
    if check.verdict == Verdict.NOT_MEASURED:
        return CheckWords(name, "-", "", (causes or [missing])[0].format(**numbers))
    told = [] if check.verdict == Verdict.GREEN else causes or [todo]
    told += [words.ASIDES[cause] for cause in check.causes if cause in words.ASIDES]
    said = " ".join(template for template in told if template).format(**numbers)
    if check.kind in words.ANSWERS:
        well, wrong = words.ANSWERS[check.kind]
        return CheckWords(name, well if check.verdict == Verdict.GREEN else wrong, well, said)
    right = "{wanted}" if "wanted" in numbers else right
    return CheckWords(name, found.format(**numbers), right.format(**numbers), said)


def _said(value: Found) -> object:
    """A figure as it is; what the user chose, and a band, in words."""
    if isinstance(value, BandName):
        load = words_design.LOADS.get(value.load, value.load)
        return words_design.BAND.format(rpm=value.rpm, load=load, bank=value.bank).rstrip()
    return words.VALUES.get(value, value) if isinstance(value, str) else value


def checks_notes(checks: Checks, *, slips: bool = True) -> tuple[str, ...]:
    """What is said of the checks: counts, what is red and why it was overridden, what to do about amber."""
    lines = [words.COUNTED.format(counts=checks_count(checks))]
    if checks.reason:
        red = "; ".join(words.RED_FOUND.format(**one.words()._asdict()) for one in checks.of(Verdict.RED))
        lines.append(words.RED_OVERRIDDEN.format(reason=checks.reason, red=red))
    amber = (check for check in checks.of(Verdict.AMBER) if slips or check not in checks.slips())
    lines += [words.AMBER.format(**check.words()._asdict()) for check in amber]
    return tuple(lines)


def checks_count(checks: Checks) -> str:
    """How many stand at each verdict."""
    return ", ".join(said.format(count=len(checks.of(verdict))) for verdict, said in words.COUNT.items())


def checks_table(checks: Checks, _part: str = "") -> Table:
    """Every check, one row each; what to do as notes."""
    heads = {"check": "check", "found": "found", "right": "right", "verdict": "verdict"}
    columns = [Column(key, head) for key, head in heads.items()]
    spoken = [(check, check.words()) for check in checks.checks]
    rows = [
        {"check": said.name, "found": said.found, "right": said.right, "verdict": check.verdict.upper(), "todo": said.todo}
        for check, said in spoken
    ]
    order = (Verdict.RED, Verdict.AMBER, Verdict.GREEN)
    notes = [
        f"{said.name}: {said.todo}" for verdict in order for check, said in spoken if check.verdict == verdict and said.todo
    ]
    unknown = [f"{said.name} ({said.todo.rstrip('.')})" for check, said in spoken if check.verdict == Verdict.NOT_MEASURED]
    if unknown:
        notes.append(f"Not measured, so not proven: {'; '.join(unknown)}.")
    if checks.reason:
        notes.append(f"Red overridden, reason given: {checks.reason!r}.")
    return Table("Checks before a cut", columns, rows, (checks.count(),), (*notes, *words_after.CHECK_CAUTIONS))


def zero_words(zero: SensorZero) -> tuple[str, ...]:
    """What gas readings say of the meter's zero, and why others say nothing."""
    said = []
    if zero.readings:
        way = "lean" if zero.mean > 0.0 else "rich"
        read = counted(zero.readings, "gas reading")
        said.append(
            f"By {read} the meter reads {abs(zero.mean):.3f} +- {zero.u:.3f} too {way}; lambda here is as it shows it."
        )
    for remark in zero.left_out:
        why = words_after.GAS_LEFT_OUT[GasLeftOut(remark.kind)].format(**remark.numbers)
        said.append(f"Gas at {remark.numbers['at']} {why}, so it says nothing of the meter's zero.")
    return tuple(said)


def limits_table(limits: CheckLimits, _part: str = "") -> Table:
    """Every limit with its source, to be shown; one row a limit."""
    forms = {"amber": "g", "red": "g"}
    columns = [Column(key, key, forms.get(key, "")) for key in ("limit", "amber", "red", "unit", "judges", "source")]
    rows = []
    for item in fields(limits):
        amber, red = getattr(limits, item.name)
        told = {key: item.metadata[key] for key in ("unit", "judges", "source")}
        row = {"limit": item.name, "amber": amber, "red": red, **told}
        rows.append(row if (amber, red) == item.default else row | {"source": "user's own"})
    return Table("Limits of the checks", columns, rows)
