"""What a drive, its bands and their lifts are told by: words for each fact, and the tables."""

from __future__ import annotations

import numpy as np

from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource, RowReason
from needlecalc.measure.log.flags import FLAGS
from needlecalc.remark import BandName, Remark, Severity
from needlecalc.show import Column, Table, counted

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
    DriveNote.NO_COOLANT: "coolant was not logged: the engine is taken to be warm all along",
    DriveNote.SPEED_ALONE: "neither manifold pressure nor throttle was logged: openings show by engine speed alone",
    DriveNote.NO_IDLE: NO_IDLE,
    DriveNote.MERGED: "{drives} drives merged; scatter between drives taken as {spread:.4f} lambda",
    DriveNote.DESPITE: "merged despite: {reason}",
    DriveNote.DIFFER: "they differ: {what}",
    DriveNote.BROUGHT: "lambda x {low:.4f} to {high:.4f}, brought to {air}; {fuel}",
    DriveNote.AIR_SCALED: "Lift: {read} read put the air flow from the {name} {percent:+.1f} % (+- {percent_u:.1f} %) and "
    "their own zero {zero_mm:+.2f} mm (+- {zero_u_mm:.2f} mm); the air flow so scaled serves {served}{strange}",
    DriveNote.EDGE_HELD: "Lift: off the table of volumetric efficiency its edge is held, with more uncertainty: {bands}",
    DriveNote.AT_THE_TOP: "Lift: air flow above what the throat passes, within its uncertainty; piston taken at its top: "
    "{bands}",
    DriveNote.BY_THROTTLE: "Lift: air flow by throttle and speed, set by {readings} lifts read, is good for +- "
    "{percent:.0f} %",
    DriveNote.OTHER_OIL: "Lift: read with damper oil {was}, now {now}; steady lifts stand, lambda while the piston rises "
    "does not",
    DriveNote.RESTATED: "Lift: readings read over at equal air from {changed}, air density {density_percent:+.1f} %",
}
STRANGE = "; that is beyond its uncertainty of {usual_percent:.0f} %, so check {suspects}, and the readings"


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


def _band(name: BandName) -> str:
    return f"{name.rpm:.0f} rpm {name.load} {name.bank}".rstrip()


def bands_table(bands: Bands) -> Table:
    """Bands, and why all other rows are in none; one row a band."""
    columns = (
        Column("rpm", "rpm", ".0f", bands.rpm),
        Column("load", "load", "", bands.load),
        Column("bank", "bank" if any(bands.bank) else "", "", bands.bank),
        Column("count", "samples", ".0f", bands.count),
        Column("visits", "visits", ".0f", bands.visits),
        Column("effective_count", "independent", ".0f", bands.effective_count),
        Column("lambda_measured", "lambda", ".3f", bands.lambda_measured),
        Column("lambda_spread", "", ".3f", bands.lambda_spread),
        Column("spread_within", "within", ".3f", bands.spread_within),
        Column("spread_between", "between visits", ".3f", bands.spread_between),
        Column("lambda_se", "std error", ".4f", bands.lambda_se),
        Column("manifold_pressure_kpa", "manifold kPa", ".0f", bands.manifold_pressure_pa / 1e3),
        Column("lift_mm", "lift mm", ".2f", bands.lift_mm),
        Column("lift_u_mm", "+- mm", ".2f", bands.lift_u_mm),
        Column(
            "depression_pa",
            "depression Pa" if np.isfinite(bands.depression_pa).any() else "",
            ".0f",
            bands.depression_pa,
        ),
    )
    notes = [f"{counted(count, 'row')} in no band: {left_out_words(reason)}" for reason, count in bands.dropped if count]
    notes += [f"lift: {lift_from_words(source)}" for source in dict.fromkeys(bands.lift_source) if source]
    filling = None if bands.lift_setup is None else bands.lift_setup.engine.volumetric_efficiency
    if isinstance(filling, float) and bands.lift_from(LiftSource.PRESSURE).any():
        notes.append(f"volumetric efficiency {filling:g} at every speed and load")
    return Table("Bands", columns, notes=[*notes, *bands.assumptions])
