"""What is told of a log, a drive, its bands, their lifts and the checks: words for each fact, and the tables."""

from __future__ import annotations

from dataclasses import fields, replace

import numpy as np

from needlecalc.measure.checks.check import Check, Checks, CheckWords, Found, Verdict
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource, RowReason
from needlecalc.measure.drive.merge import Normalisation
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.measure.log.columns import BY_KEY, ColumnFault, Note, how_to_state, listed, quoted
from needlecalc.measure.log.file import Log
from needlecalc.measure.log.rows import FLAGS
from needlecalc.remark import BandName, Remark, Severity
from needlecalc.report.language import band, words_after, words_checks, words_drive
from needlecalc.show import Column, Table, columns_of, counted, say, table_of


@say.register
def lift_source_words(source: LiftSource) -> tuple[str, str]:
    """Short name of one source of lifts, and what to look at where it is wrong as a whole."""
    _, name, suspects = words_drive.LIFT_SOURCES[(source & ~LiftSource.SCALED).code()]
    return name, suspects


def lift_from_words(source: LiftSource) -> str:
    """Where a lift comes from, as tables print it; more than one source were weighed together."""
    parts = [words_drive.LIFT_SOURCES[part.code()][0] for part in source & ~LiftSource.SCALED]
    return ", ".join([" and ".join(parts), *((words_drive.SCALED,) if LiftSource.SCALED & source else ())])


@say.register
def left_out_words(reason: LeftOut) -> str:
    """Why rows are in no band, and which key lets them in."""
    why, lets_in = words_drive.ROW_REASONS[reason.why]
    said = why.format(limit=reason.limit, words=FLAGS[reason.flag])
    return f"{f'{reason.bank}: ' if reason.bank else ''}{said}{f'; {lets_in} lets them in' if lets_in else ''}"


def drive_figures(remark: Remark) -> dict[str, object]:
    """What a remark on a drive, its bands or their lifts says beside its numbers."""
    numbers = remark.numbers
    if remark.kind is DriveNote.NO_IDLE:
        reason = LeftOut(RowReason(str(numbers["fate"])), float(numbers["limit"]), int(numbers["flag"]))
        why = words_drive.NO_IDLE[bool(numbers["seconds"])]
        return {"why": why.format(reason=left_out_words(reason), **numbers)}
    if remark.kind is DriveNote.AIR_SCALED:
        name, suspects = lift_source_words(LiftSource.of_code(str(numbers["source"])))
        strange = words_drive.STRANGE.format(suspects=suspects, **numbers) if remark.severity == Severity.CAUTION else ""
        return {"name": name, "strange": strange}
    if remark.kind in (DriveNote.OTHER_OIL, DriveNote.RESTATED):
        return {key: value or words_drive.NOT_NAMED[key] for key, value in numbers.items() if isinstance(value, str)}
    return {}


def log_words(fact: Remark) -> str:
    """What was assumed of a log or found in it, or why a column of it is not used."""
    numbers = dict(fact.numbers)
    numbers |= {key: quoted(str(numbers[key])) for key in ("column", "other") if key in numbers}
    if "key" in numbers:
        key = str(numbers["key"])
        numbers["label"] = BY_KEY[key].label
        numbers["choice"] = how_to_state("columns", key, str(fact.numbers["column"]))
        numbers["how"] = how_to_state("units", key, str(numbers.get("example", BY_KEY[key].example)))
    if isinstance(fact.kind, ColumnFault):
        numbers["in_ms"] = how_to_state("units", "time", "ms")
        numbers["zero_cure"] = words_drive.ZERO_CURE.format(gauge=how_to_state("units", "manifold_pressure", "psi gauge"))
    if fact.kind is Note.VACUUM:
        numbers["absolute"] = how_to_state("units", "manifold_pressure", f"{numbers['unit']} absolute")
    if "count" in numbers:
        numbers |= {f"{what}s": counted(int(numbers["count"]), what) for what in ("time", "row", "reading")}
    if "ambient" in numbers:
        usual = "the standard atmosphere; ambient_pa, or ambient_kpa under [log] of a job file, sets another"
        numbers["source"] = "stated" if numbers["stated"] else usual
    if isinstance(fact.kind, ColumnFault):
        fault = words_drive.COLUMN_FAULTS[fact.kind].format(**numbers)
        return f"{numbers['column']} is not used as {numbers['label']}: {fault}."
    return words_drive.LOG_NOTES[Note(fact.kind)].format(**numbers)


@table_of.register
def _(bands: Bands, _part: str = "") -> Table:
    """Bands, one row each, and why all other rows are in none; a column that holds nothing is left out."""
    samples, visits = ("samples", "visits") if np.isfinite(bands.effective_count).any() else ("", "")
    columns = (
        *columns_of(bands, ".0f", rpm="rpm"),
        *columns_of(bands, "", load="load", bank="bank" if any(bands.bank) else ""),
        *columns_of(bands, ".0f", count=samples, visits=visits, effective_count="independent"),
        *columns_of(bands, ".3f", lambda_measured="lambda", lambda_spread=""),
        *columns_of(bands, ".3f", spread_within="within", spread_between="between visits"),
        *columns_of(bands, ".4f", lambda_se="std error"),
        Column("manifold_pressure_kpa", "manifold kPa", ".0f", bands.manifold_pressure_pa / 1e3),
        *columns_of(bands, ".2f", lift_mm="lift mm", lift_u_mm="+- mm"),
        *columns_of(bands, ".0f", depression_pa="depression Pa"),
    )
    shown = [one if not one.form or np.isfinite(one.values).any() else replace(one, head="") for one in columns]
    notes = [f"{counted(count, 'row')} in no band: {left_out_words(reason)}" for reason, count in bands.dropped if count]
    notes += [f"lift: {lift_from_words(source)}" for source in dict.fromkeys(bands.lift_source) if source]
    filling = None if bands.lift_setup is None else bands.lift_setup.engine.volumetric_efficiency
    if isinstance(filling, float) and bands.lift_from(LiftSource.PRESSURE).any():
        notes.append(f"volumetric efficiency {filling:g} at every speed and load")
    return Table("Bands", shown, notes=[*notes, *bands.assumptions])


@table_of.register
def _(log: Log, part: str = "") -> Table:
    """Columns chosen, one a row, what was assumed and which columns are left; or what became of the rows."""
    rows = dict(log.fates())
    total = sum(rows.values())
    if part == "rows":
        rows["all rows of the file"] = total
        return Table("Rows", (Column("rows", "rows", "d", [*rows.values()]), Column("fate", "fate", values=[*rows])))
    spare = f"{counted(len(log.unused), 'column')} not used: {listed(map(quoted, log.unused))}."
    same = ["".join(f"; {quoted(name)} carries the same" for name in choice.same) for choice in log.columns]
    why = [f"{words_drive.CHOSEN_BY[one.why]}{more}" for one, more in zip(log.columns, same, strict=True)]
    columns = (
        Column("meaning", "meaning", values=[BY_KEY[choice.meaning].label for choice in log.columns]),
        *columns_of([*log.columns], "", column="column in the file", unit="unit"),
        Column("why", "chosen by", values=why),
    )
    fit = f"{counted(total, 'row')}, {len(log.time_s)} kept, {rows[FLAGS[0]]} fit for use."
    notes = (*log.assumptions, *([spare] if log.unused else []))
    return Table(f"Log {log.name}", columns, intro=(f"sha256 {log.sha256}", fit), notes=notes)


@table_of.register
def _(found: LeanLimits, _part: str = "") -> Table:
    """Limits and what targets may ask, to be shown; one row a sweep."""
    columns = (
        *columns_of(found, "", load="load"),
        *columns_of(found, ".0f", rpm="rpm"),
        *columns_of(found, ".3f", lambda_limit="leanest smooth", lambda_rough="rough from"),
        Column("lambda_most", "target at most", ".3f", found.lambda_limit - found.margin),
        Column("source", "source", "", found.source),
    )
    notes = [
        f"{found.load[k]} {found.rpm[k]:.0f} rpm: the sweep ended before it ran rough; the limit is as far as it went."
        for k in np.flatnonzero(np.isnan(found.lambda_rough)).tolist()
    ]
    return Table(f"Lean limits, margin {found.margin:g}", columns, notes=notes)


@table_of.register
def _(found: Normalisation, _part: str = "") -> Table:
    """Each factor by band, to be shown."""
    columns = (
        Column("band", "band", "", [found.bands.name(b) for b in range(found.air.size)]),
        *columns_of(found, ".4f", air="air", stoichiometry="stoichiometry"),
        *columns_of(found, ".4f", fuel_density="fuel density", viscosity="viscosity"),
        Column("total", "total", ".4f", found.total()),
        Column("viscous_fraction", "viscous fraction", ".2f", found.viscous_fraction),
        Column("lambda_measured", "lambda", ".3f", found.bands.lambda_measured),
    )
    notes = [f"from {part!r}" for part in (found.before.air, found.before.fuel)]
    notes += [f"to {part!r}" for part in (found.after.air, found.after.fuel)]
    return Table("Lambda brought to another air and fuel, at the same lift", columns, notes=notes)


def check_name(check: Check) -> str:
    """Name of a check: the kind, and where it was looked at."""
    kind = words_checks.NAMES[check.kind]
    return words_checks.NAME_AT.format(kind=kind, at=words_checks.POINTS.get(check.at, check.at)) if check.at else kind


@say.register
def check_words(check: Check) -> CheckWords:
    """A check in words_checks."""
    (found, right, todo, missing), name = words_checks.WORDS[check.kind], check_name(check)
    numbers: dict[str, object] = {key: _said(value) for key, value in check.numbers.items()}
    if check.limit is not None:
        numbers |= {"amber": check.limit[0], "red": check.limit[1]}
    causes = [words_checks.CAUSES[cause] for cause in check.causes if cause in words_checks.CAUSES]
    if check.verdict == Verdict.NOT_MEASURED:
        return CheckWords(name, "-", "", (causes or [missing])[0].format(**numbers))
    told = [] if check.verdict == Verdict.GREEN else causes or [todo]
    told += [words_checks.ASIDES[cause] for cause in check.causes if cause in words_checks.ASIDES]
    said = " ".join(template for template in told if template).format(**numbers)
    if check.kind in words_checks.ANSWERS:
        well, wrong = words_checks.ANSWERS[check.kind]
        return CheckWords(name, well if check.verdict == Verdict.GREEN else wrong, well, said)
    right = "{wanted}" if "wanted" in numbers else right
    return CheckWords(name, found.format(**numbers), right.format(**numbers), said)


def _said(value: Found) -> object:
    """A figure as it is; what the user chose, and a band, in words_checks."""
    if isinstance(value, BandName):
        return band(value)
    return words_checks.VALUES.get(value, value) if isinstance(value, str) else value


@say.register
def checks_notes(checks: Checks, *, slips: bool = True) -> tuple[str, ...]:
    """What is said of the checks: counts, what is red and why it was overridden, what to do about amber."""
    lines = [words_checks.COUNTED.format(counts=checks_count(checks))]
    if checks.reason:
        red = "; ".join(words_checks.RED_FOUND.format(**one.words()._asdict()) for one in checks.of(Verdict.RED))
        lines.append(words_checks.RED_OVERRIDDEN.format(reason=checks.reason, red=red))
    amber = (check for check in checks.of(Verdict.AMBER) if slips or check not in checks.slips())
    lines += [words_checks.AMBER.format(**check.words()._asdict()) for check in amber]
    return tuple(lines)


def checks_count(checks: Checks) -> str:
    """How many stand at each verdict."""
    return ", ".join(said.format(count=len(checks.of(verdict))) for verdict, said in words_checks.COUNT.items())


@table_of.register
def _(checks: Checks, _part: str = "") -> Table:
    """Every check, one row each; what to do as notes."""
    spoken = [(check, check.words()) for check in checks.checks]
    columns = (
        Column("check", "check", "", [said.name for _, said in spoken]),
        *columns_of([said for _, said in spoken], "", found="found", right="right"),
        Column("verdict", "verdict", "", [check.verdict.upper() for check, _ in spoken]),
        *columns_of([said for _, said in spoken], "", todo=""),
    )
    order = (Verdict.RED, Verdict.AMBER, Verdict.GREEN)
    notes = [
        f"{said.name}: {said.todo}" for verdict in order for check, said in spoken if check.verdict == verdict and said.todo
    ]
    unknown = [f"{said.name} ({said.todo.rstrip('.')})" for check, said in spoken if check.verdict == Verdict.NOT_MEASURED]
    if unknown:
        notes.append(f"Not measured, so not proven: {'; '.join(unknown)}.")
    if checks.reason:
        notes.append(f"Red overridden, reason given: {checks.reason!r}.")
    return Table("Checks before a cut", columns, (), (checks.count(),), (*notes, *words_after.CHECK_CAUTIONS))


@table_of.register
def _(limits: CheckLimits, _part: str = "") -> Table:
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
