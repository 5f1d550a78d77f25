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
SCALED = "scaled to lifts read"

# What the choice of a column of a log rests on, by Why.
WHY = ("named by the user", "its name", "its name", "its name and unit", "a stand-in by its name", "its unit", "its name")
# Why rows are in no band, and the key of [bands] (or argument of make_bands) that lets them in.
ROW_REASONS = {
    RowReason.STEADY: ("steady", ""),
    RowReason.FLAGGED: ("log: {words}", ""),
    RowReason.NO_ANSWER: ("lambda lag reaches past the log's end or a gap", "lag_s"),
    RowReason.COLD: ("coolant below {limit:g} degC (choke, warm-up)", "warm_above_degc"),
    RowReason.NO_PRESSURE: ("manifold pressure not a number there", ""),
    RowReason.OVERRUN: ("overrun: closed throttle at speed", "overrun_below_pa"),
    RowReason.EDGE: ("too near the log's start or end or a gap", "steady_s"),
    RowReason.SPEED: ("engine speed not steady", "rpm_within"),
    RowReason.PRESSURE: ("manifold pressure not steady", "pressure_within_pa"),
    RowReason.THROTTLE: ("throttle not steady", "throttle_within_percent"),
    RowReason.OPENING: ("up to {limit:g} s after an opening (damper enriches)", "settle_s or opening_rise"),
    RowReason.LAMBDA: ("lambda not steady", "lambda_within"),
    RowReason.NO_LOAD: ("outside every load", "loads_pa (loads_kpa in a job) or loads_percent"),
    RowReason.NO_BAND: ("engine speed outside every band", "rpm_edges"),
    RowReason.FEW: ("fewer than {limit:.0f} samples in the band", "least_count"),
}

NO_IDLE = (
    "There is no idle band: {why}. Without one the idle and the first stations rest on what is usual alone, and more cars "
    "end too rich; hold a warm idle for 20 s."
)
NOTES = {
    DriveNote.TYPED: "bands typed in",
    DriveNote.LAG: "lambda read {seconds:.2f} +- {seconds_u:.2f} s late, {source}",
    DriveNote.CORRELATION: "samples hang together for {seconds:.2g} s; standard errors count visits and are widened for few "
    "of them",
    DriveNote.NO_COOLANT: "the log gives no coolant temperature: the engine is taken to be warm all along",
    DriveNote.SPEED_ALONE: "neither manifold pressure nor throttle was logged: openings show by engine speed alone",
    DriveNote.NO_IDLE: NO_IDLE,
    DriveNote.IDLE_DILUTED: "idle is left out: its exhaust holds air (red), so lambda read there is not that of the mixture",
    DriveNote.MERGED: "{drives} drives merged; scatter between drives taken as {spread:.4f} lambda",
    DriveNote.DESPITE: "merged despite: {reason}",
    DriveNote.DIFFER: "they differ: {what}",
    DriveNote.BROUGHT: "lambda x {low:.4f} to {high:.4f}, brought to {air}; {fuel}",
    DriveNote.AIR_SCALED: "Lift: {read} read put the air flow from the {name} {percent:+.1f} % (+- {percent_u:.1f} %), "
    "their own zero {zero_mm:.2f} +- {zero_u_mm:.2f} mm off; the air flow so scaled serves {served}{strange}",
    DriveNote.EDGE_HELD: "Lift: off the table of volumetric efficiency its edge is held, with more uncertainty: {bands}",
    DriveNote.THROAT_PASSES_LESS: "Lift: the air flow computed is up to {percent:.0f} % more than the throat passes at full "
    "travel (it is known to +- {percent_u:.0f} %), so all of it is taken for less. If that is much, check displacement, "
    "number of carburettors and throat bore; best read some lifts by a marker rod.",
    DriveNote.AT_THE_TOP: "Lift: air flow above what the throat passes, within its uncertainty; piston taken at its top: "
    "{bands}",
    DriveNote.BY_THROTTLE: "Lift: air flow by throttle and speed, set by {readings} lifts read, is good for +- "
    "{percent:.0f} %",
    DriveNote.OTHER_OIL: "Lift: read with damper oil {was}, now {now}; steady lifts stand, lambda while the piston rises "
    "does not",
    DriveNote.RESTATED: "Lift: readings read over at equal air from {changed}, air density {density_percent:+.1f} %",
}
STRANGE = "; that is beyond its uncertainty of {usual_percent:.0f} %, so check {suspects}, and the readings"


def _unit(key: str, value: str) -> str:
    """How the user states a unit, in a template."""
    return how_to_state("units", key, value).replace("{", "{{").replace("}", "}}")


ZERO_CURE = f"{_unit('manifold_pressure', 'psi gauge')} or 'inHg vacuum' (with its own unit) settles it"
# Why a column of a log is not used, and what was assumed of a log or found in it.
COLUMN_FAULTS = {
    ColumnFault.NO_NUMBERS: "it holds no numbers",
    ColumnFault.STEP: (
        "it states no unit and its usual step of {step:.3g} fits neither seconds nor milliseconds; "
        + _unit("time", "ms")
        + " or 's' or 'day' settles it"
    ),
    ColumnFault.VOLTS: "its values stay below 1.2 and often below 0.4: the volts of a narrow-band sensor, not lambda",
    ColumnFault.STUCK: "{share:.0f} % of its rows stand at {value:.4g}, no lambda and no AFR: the sensor is stuck or not "
    "connected",
    ColumnFault.NO_MIXTURE: "its values (median {middle:.4g}) are neither lambda nor AFR; counts and volts are no use",
    ColumnFault.DEGREES: "it is in degrees, and percent of what is not known; {percent} reads it as percent",
    ColumnFault.NO_UNIT: "it states no unit, and its values (highest {top:.4g}) leave it open; {how} states it",
    ColumnFault.OUTSIDE: "{readings} outside {low:g} to {high:g}, so it measures something else",
    ColumnFault.TWO_ZEROS: "its name and its unit differ on from where it counts; " + ZERO_CURE,
    ColumnFault.EITHER_WAY: "it may count from ambient pressure either way, and its values leave it open; " + ZERO_CURE,
    ColumnFault.DIFFER: "it differs from {other}; {choice} chooses it",
    ColumnFault.FILTERED: "it is filtered, and there is a plain one",
    ColumnFault.LONGER_NAME: "another one is named plainly",
}
LOG_NOTES = {
    Note.LAYOUT: (
        "The header is line {header}, the rows begin in line {first}; cells are divided by {delimiter}, "
        "numbers have a decimal {mark}, the encoding is {encoding}."
    ),
    Note.COMMA_ASSUMED: (
        "Numbers such as 1,234 are read with a decimal comma; "
        "decimal='.' (in a job file the same under [log]) reads thousands."
    ),
    Note.REVERSED: "The log is written last row first: its rows are turned round.",
    Note.PASTED: "A block of rows stands in the file more than once ({rows} again): it counts once.",
    Note.COARSE: "Time stamps are coarser than the rows: rows that share a stamp are spread evenly up to the next.",
    Note.MIDNIGHT: "The clock passes midnight {times}: a day is added each time.",
    Note.RESTART: (
        "The logger's clock restarts {times}: what follows is set one usual step ({usual:.3g} s) behind what went before."
    ),
    Note.PAUSES: "Pauses are left as they are: {count}, the longest of {longest:.4g} s.",
    Note.CLOCK: "{column} is read as a time of day.",
    Note.TIME_UNIT: "{column} states no unit: its usual step of {step:.3g} is taken for {unit}.",
    Note.THOUSANDS: "{column} states no unit and never exceeds {top:g}: read in thousands.",
    Note.UNIT: "{column} states no unit: its values (highest {top:.4g}) are taken for {unit}.",
    Note.HEAD_LIES: "{column} says {stated}, but its values (median {middle:.4g}) are {found}: read as {found}.",
    Note.AFR_USUAL: (
        "AFR is divided by {stoich:g} to give lambda, the usual setting of a display (common practice); "
        "afr_stoich (in a job file under [log]) sets another."
    ),
    Note.AFR_STATED: "AFR is divided by {stoich:g} to give lambda, as stated.",
    Note.PHI: "{column} is the equivalence ratio: lambda is one divided by it.",
    Note.GAUGE: "{column} counts from ambient pressure, taken as {ambient:g} Pa ({source}).",
    Note.GAUGE_SEEN: "{column} falls to {low:.3g} kPa, so it counts from ambient pressure, taken as {ambient:g} Pa "
    "({source}).",
    Note.VACUUM: (
        "{column} is read as a vacuum gauge, down from ambient pressure, taken as {ambient:g} Pa ({source}); "
        "{absolute} or '{unit} gauge' reads it otherwise."
    ),
    Note.VOLUME: "{column} is a volume of air: taken at 20 degC and 101325 Pa.",
    Note.PEDAL: "The driver's pedal stands in for the throttle, for want of a throttle column in percent.",
    Note.BLANKED: "{readings} of {column} left blank: no possible {label}.",
    Note.NO_NUMBERS_LEFT: "{column} holds no number in the rows kept, so it is left out.",
}


def lift_source_words(source: LiftSource) -> tuple[str, str]:
    """Short name of one source of lifts, and what to look at where it is wrong as a whole."""
    _, name, suspects = LIFT_SOURCES[source & ~LiftSource.SCALED]
    return name, suspects


def lift_from_words(source: LiftSource) -> str:
    """Where a lift comes from, as tables print it; more than one source were weighed together."""
    words = [words for part, (words, _, _) in LIFT_SOURCES.items() if part & source]
    return ", ".join([" and ".join(words), *((SCALED,) if LiftSource.SCALED & source else ())])


def left_out_words(reason: LeftOut, *, key: bool = True) -> str:
    """Why rows are in no band, and which key lets them in."""
    words, lets_in = ROW_REASONS[reason.why]
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
        strange = STRANGE.format(suspects=suspects, **numbers) if remark.severity == Severity.CAUTION else ""
        numbers |= {"name": name, "strange": strange}
        numbers |= {"read": counted(int(numbers["readings"]), "lift"), "served": counted(int(numbers["bands"]), "band")}
    elif remark.kind == DriveNote.OTHER_OIL:
        numbers = {key: value or "not named" for key, value in numbers.items()}
    elif remark.kind == DriveNote.RESTATED:
        numbers["changed"] = numbers["changed"] or "the same parts"
    elif remark.bands:
        numbers["bands"] = ", ".join(map(_band, remark.bands))
    return NOTES[DriveNote(remark.kind)].format(**numbers)


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
    if fact.kind is Note.VACUUM:
        numbers["absolute"] = how_to_state("units", "manifold_pressure", f"{numbers['unit']} absolute")
    if "count" in numbers:
        numbers |= {f"{what}s": counted(int(numbers["count"]), what) for what in ("time", "row", "reading")}
    if "ambient" in numbers:
        usual = "the standard atmosphere; ambient_pa, or ambient_kpa under [log] of a job file, sets another"
        numbers["source"] = "stated" if numbers["stated"] else usual
    if isinstance(fact.kind, ColumnFault):
        return f"{numbers['column']} is not used as {numbers['label']}: {COLUMN_FAULTS[fact.kind].format(**numbers)}."
    return LOG_NOTES[Note(fact.kind)].format(**numbers)


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
        Column("why", "chosen by", values=[f"{WHY[one.why]}{more}" for one, more in zip(log.columns, same, strict=True)]),
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
