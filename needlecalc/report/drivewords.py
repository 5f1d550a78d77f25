"""What a log, a drive, its bands and their lifts are told by: words for each fact, and the tables."""

from __future__ import annotations

import numpy as np

from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource, RowReason
from needlecalc.measure.drive.merge import Normalisation
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.measure.log.columns import BY_KEY
from needlecalc.measure.log.file import Log
from needlecalc.measure.log.flags import FLAGS
from needlecalc.measure.log.words import ColumnFault, Note, how_to_state, listed, quoted
from needlecalc.remark import BandName, Remark, Severity
from needlecalc.report.language import words_drive as texts
from needlecalc.show import Column, Table, counted
from needlecalc.units import FloatArray

# Each source of a lift as tables print it, its short name, and what to look at where it is wrong as a whole.
LIFT_SOURCES = {
    LiftSource.TYPED: ("typed in", "reading", "zero or scale of the readings"),
    LiftSource.LOGGED: ("logged", "lift sensor", "zero or scale of the sensor"),
    LiftSource.AIR_METER: ("computed from logged air flow", "air meter", "air meter, throat coefficient or spring"),
    LiftSource.PRESSURE: (
        "computed from manifold pressure, speed and volumetric efficiency",
        "manifold pressure",
        "volumetric efficiency, throat coefficient or spring",
    ),
    LiftSource.THROTTLE: (
        "computed from throttle and speed, set by lifts read",
        "throttle and speed",
        "throttle sensor, or the readings that set it",
    ),
}


def lift_source_words(source: LiftSource) -> tuple[str, str]:
    """Short name of one source of lifts, and what to look at where it is wrong as a whole."""
    _, name, suspects = LIFT_SOURCES[source & ~LiftSource.SCALED]
    return name, suspects


def lift_from_words(source: LiftSource) -> str:
    """Where a lift comes from, as tables print it; more than one source were weighed together."""
    words = [words for part, (words, _, _) in LIFT_SOURCES.items() if part & source]
    return ", ".join([" and ".join(words), *((texts.SCALED,) if LiftSource.SCALED & source else ())])


def left_out_words(reason: LeftOut, *, key: bool = True) -> str:
    """Why rows are in no band, and which key lets them in."""
    words, lets_in = texts.ROW_REASONS[reason.why]
    said = words.format(limit=reason.limit, words=FLAGS[reason.flag])
    bank = f"{reason.bank}: " if reason.bank else ""
    return f"{bank}{said}; {lets_in} lets them in" if key and lets_in else f"{bank}{said}"


def drive_note_words(remark: Remark) -> str:
    """A remark on a drive, its bands or their lifts in words."""
    numbers = dict(remark.numbers)
    if remark.kind == DriveNote.NO_IDLE:
        numbers["why"] = _why_no_idle(remark)
    elif remark.kind == DriveNote.AIR_SCALED:
        name, suspects = lift_source_words(LiftSource.of_code(str(numbers["source"])))
        strange = texts.STRANGE.format(suspects=suspects, **numbers) if remark.severity == Severity.CAUTION else ""
        numbers |= {"name": name, "strange": strange}
        numbers |= {"read": counted(int(numbers["readings"]), "lift"), "served": counted(int(numbers["bands"]), "band")}
    elif remark.kind == DriveNote.OTHER_OIL:
        numbers = {key: value or "not named" for key, value in numbers.items()}
    elif remark.kind == DriveNote.RESTATED:
        numbers["changed"] = numbers["changed"] or "the same parts"
    elif remark.bands:
        numbers["bands"] = ", ".join(map(_band, remark.bands))
    return texts.NOTES[DriveNote(remark.kind)].format(**numbers)


def _why_no_idle(remark: Remark) -> str:
    numbers = remark.numbers
    why, seconds, below = RowReason(str(numbers["fate"])), float(numbers["seconds"]), float(numbers["below_rpm"])
    if not seconds:
        return f"the log never runs below {below:.0f} rpm"
    reason = left_out_words(LeftOut(why, float(numbers["limit"]), int(numbers["flag"])))
    return f"the log runs below {below:.0f} rpm for {seconds:.0f} s, but most of it is left out ({reason})"


def log_words(fact: Remark) -> str:
    """What was assumed of a log or found in it, or why a column of it is not used."""
    numbers = dict(fact.numbers)
    numbers |= {key: quoted(str(numbers[key])) for key in ("column", "other") if key in numbers}
    if "key" in numbers:
        key = str(numbers["key"])
        numbers["label"] = BY_KEY[key].label
        numbers["choice"] = how_to_state("columns", key, str(fact.numbers["column"]))
        numbers["how"] = how_to_state("units", key, str(numbers.get("example", BY_KEY[key].example)))
        numbers["percent"] = how_to_state("units", key, "%")
    if isinstance(fact.kind, ColumnFault):
        numbers["in_ms"] = how_to_state("units", "time", "ms")
        numbers["zero_cure"] = texts.ZERO_CURE.format(gauge=how_to_state("units", "manifold_pressure", "psi gauge"))
    if fact.kind is Note.VACUUM:
        numbers["absolute"] = how_to_state("units", "manifold_pressure", f"{numbers['unit']} absolute")
    if "count" in numbers:
        numbers |= {f"{what}s": counted(int(numbers["count"]), what) for what in ("time", "row", "reading")}
    if "ambient" in numbers:
        usual = "the standard atmosphere; ambient_pa, or ambient_kpa under [log] of a job file, sets another"
        numbers["source"] = "stated" if numbers["stated"] else usual
    if isinstance(fact.kind, ColumnFault):
        return f"{numbers['column']} is not used as {numbers['label']}: {texts.COLUMN_FAULTS[fact.kind].format(**numbers)}."
    return texts.LOG_NOTES[Note(fact.kind)].format(**numbers)


def _band(name: BandName) -> str:
    return f"{name.rpm:.0f} rpm {name.load} {name.bank}".rstrip()


def bands_table(bands: Bands, _part: str = "") -> Table:
    """Bands, one row each, and why all other rows are in none; a column that holds nothing is left out."""
    logged = np.isfinite(bands.effective_count).any()

    def known(key: str, head: str, form: str, values: FloatArray) -> Column:
        return Column(key, head if np.isfinite(values).any() else "", form, values)

    columns = (
        Column("rpm", "rpm", ".0f", bands.rpm),
        Column("load", "load", "", bands.load),
        Column("bank", "bank" if any(bands.bank) else "", "", bands.bank),
        Column("count", "samples" if logged else "", ".0f", bands.count),
        Column("visits", "visits" if logged else "", ".0f", bands.visits),
        known("effective_count", "independent", ".0f", bands.effective_count),
        Column("lambda_measured", "lambda", ".3f", bands.lambda_measured),
        Column("lambda_spread", "", ".3f", bands.lambda_spread),
        known("spread_within", "within", ".3f", bands.spread_within),
        known("spread_between", "between visits", ".3f", bands.spread_between),
        Column("lambda_se", "std error", ".4f", bands.lambda_se),
        known("manifold_pressure_kpa", "manifold kPa", ".0f", bands.manifold_pressure_pa / 1e3),
        known("lift_mm", "lift mm", ".2f", bands.lift_mm),
        known("lift_u_mm", "+- mm", ".2f", bands.lift_u_mm),
        known("depression_pa", "depression Pa", ".0f", bands.depression_pa),
    )
    notes = [f"{counted(count, 'row')} in no band: {left_out_words(reason)}" for reason, count in bands.dropped if count]
    notes += [f"lift: {lift_from_words(source)}" for source in dict.fromkeys(bands.lift_source) if source]
    filling = None if bands.lift_setup is None else bands.lift_setup.engine.volumetric_efficiency
    if isinstance(filling, float) and bands.lift_from(LiftSource.PRESSURE).any():
        notes.append(f"volumetric efficiency {filling:g} at every speed and load")
    return Table("Bands", columns, notes=[*notes, *bands.assumptions])


def log_table(log: Log, part: str = "") -> Table:
    """Columns chosen, one a row, what was assumed and which columns are left; or what became of the rows."""
    rows = dict(log.fates())
    total = sum(rows.values())
    if part == "rows":
        rows["all rows of the file"] = total
        return Table("Rows", (Column("rows", "rows", "d", [*rows.values()]), Column("fate", "fate", values=[*rows])))
    spare = f"{counted(len(log.unused), 'column')} not used: {listed(map(quoted, log.unused))}."
    same = ["".join(f"; {quoted(name)} carries the same" for name in choice.same) for choice in log.columns]
    columns = (
        Column("meaning", "meaning", values=[BY_KEY[choice.meaning].label for choice in log.columns]),
        Column("column", "column in the file", values=[choice.column for choice in log.columns]),
        Column("unit", "unit", values=[choice.unit for choice in log.columns]),
        Column(
            "why",
            "chosen by",
            values=[f"{texts.CHOSEN_BY[one.why]}{more}" for one, more in zip(log.columns, same, strict=True)],
        ),
    )
    fit = f"{counted(total, 'row')}, {len(log.time_s)} kept, {rows[FLAGS[0]]} fit for use."
    notes = (*log.assumptions, *([spare] if log.unused else []))
    return Table(f"Log {log.name}", columns, intro=(f"sha256 {log.sha256}", fit), notes=notes)


def lean_limits_table(found: LeanLimits, _part: str = "") -> Table:
    """Limits and what targets may ask, to be shown; one row a sweep."""
    columns = (
        Column("load", "load", "", found.load),
        Column("rpm", "rpm", ".0f", found.rpm),
        Column("lambda_limit", "leanest smooth", ".3f", found.lambda_limit),
        Column("lambda_rough", "rough from", ".3f", found.lambda_rough),
        Column("lambda_most", "target at most", ".3f", found.lambda_limit - found.margin),
        Column("source", "source", "", found.source),
    )
    notes = [
        f"{found.load[k]} {found.rpm[k]:.0f} rpm: the sweep ended before it ran rough; the limit is as far as it went."
        for k in np.flatnonzero(np.isnan(found.lambda_rough)).tolist()
    ]
    return Table(f"Lean limits, margin {found.margin:g}", columns, notes=notes)


def normalisation_table(found: Normalisation, _part: str = "") -> Table:
    """Each factor by band, to be shown."""
    columns = (
        Column("band", "band", "", [found.bands.name(b) for b in range(found.air.size)]),
        Column("air", "air", ".4f", found.air),
        Column("stoichiometry", "stoichiometry", ".4f", found.stoichiometry),
        Column("fuel_density", "fuel density", ".4f", found.fuel_density),
        Column("viscosity", "viscosity", ".4f", found.viscosity),
        Column("total", "total", ".4f", found.total()),
        Column("viscous_fraction", "viscous fraction", ".2f", found.viscous_fraction),
        Column("lambda_measured", "lambda", ".3f", found.bands.lambda_measured),
    )
    notes = [f"from {part!r}" for part in (found.before.air, found.before.fuel)]
    notes += [f"to {part!r}" for part in (found.after.air, found.after.fuel)]
    return Table("Lambda brought to another air and fuel, at the same lift", columns, notes=notes)
