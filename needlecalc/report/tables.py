"""Tables of the records: each column spelt once, with its key, head, form and values."""

from __future__ import annotations

from dataclasses import fields, is_dataclass, replace
from functools import singledispatch

import numpy as np

from needlecalc.design.after.altitude import THE_DRIVE, AltitudeOutlook, Place
from needlecalc.design.after.changes import Changes
from needlecalc.design.after.outcome import Outcome
from needlecalc.design.after.progress import Progress
from needlecalc.design.after.rank import RankedNeedle, Ranking
from needlecalc.design.after.rescue import Rescue
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import SHARED
from needlecalc.design.forward.metering import Metering
from needlecalc.design.forward.predict import Comparison, PairCheck
from needlecalc.design.inverse.alternatives import Change
from needlecalc.design.inverse.nextstep import NextSteps
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.proposal import Budget, Design
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import LEAST_DIFFERENCE_MM
from needlecalc.measure.checks.check import Checks
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands, DriveNote
from needlecalc.measure.drive.merge import Normalisation
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.measure.log.file import Log
from needlecalc.report import say, say_after
from needlecalc.report.checkwords import checks_table, limits_table
from needlecalc.report.comparewords import (
    budget_table,
    called,
    comparison_table,
    history_table,
    metering_table,
    pair_table,
    pass_table,
    shift_table,
    table,
)
from needlecalc.report.drivewords import bands_table, lean_limits_table, log_table, normalisation_table
from needlecalc.report.language import words, words_after, words_sheet
from needlecalc.report.stations import band_columns, station_columns
from needlecalc.show import Column, Shown, Table, counted


@singledispatch
def table_of(record: object, part: str = "") -> Table:
    """One of the tables of a record; one without a table of its own shows its fields, a part within in a line."""
    if part or not is_dataclass(record):
        msg = f"{type(record).__name__} does not say what it shows{f' as {part}' if part else ''}."
        raise TypeError(msg)
    facts = {one.name: getattr(record, one.name) for one in fields(record)}
    values = [repr(value) if isinstance(value, Shown) else value for value in facts.values()]
    return table(repr(record), Column("fact", "fact", "", [*facts]), Column("value", "value", "", values))


table_of.register(Bands)(bands_table)
table_of.register(Budget)(budget_table)
table_of.register(CheckLimits)(limits_table)
table_of.register(Checks)(checks_table)
table_of.register(Comparison)(comparison_table)
table_of.register(History)(history_table)
table_of.register(JetShift)(shift_table)
table_of.register(LeanLimits)(lean_limits_table)
table_of.register(Log)(log_table)
table_of.register(Metering)(metering_table)
table_of.register(Normalisation)(normalisation_table)
table_of.register(PairCheck)(pair_table)
table_of.register(Pass)(pass_table)


def _brought(bands: Bands) -> list[str]:
    """To which air and fuel the bands were brought last; empty where they stand as measured."""
    return [say.remark(one) for one in bands.remarks if one.kind is DriveNote.BROUGHT][-1:]


@table_of.register
def _(learned: Learned, _part: str = "") -> Table:
    (before, before_u), (now, now_u) = learned.shared()
    passes = learned.history.passes
    brought = (
        words.PASS_BROUGHT.format(number=number, words=said)
        for number, one in enumerate(passes, start=1)
        for said in _brought(one.bands)
    )
    return table(
        f"Learned from {counted(len(passes), 'pass', 'passes')}",
        Column("what", "what", "", SHARED),
        Column("unit", "unit", "", words.LEARNED_UNITS),
        Column("before", "before", ".3f", before),
        Column("before_u", "+-", ".3f", before_u),
        Column("now", "now", ".3f", now),
        Column("now_u", "+-", ".3f", now_u),
        notes=(*map(say.remark, learned.remarks()), *brought),
    )


@table_of.register
def _(target: Target, _part: str = "") -> Table:
    zero = target.sensor_zero.words() if target.sensor_zero else ()
    return table(
        "Target",
        *called(target.bands),
        Column("lambda_measured", "measured", ".3f", target.bands.lambda_measured),
        Column("lambda_target", "target", ".3f", target.lambda_target),
        Column("lambda_rich", "richest", ".3f", target.lambda_rich),
        Column("lambda_lean", "leanest", ".3f", target.lambda_lean),
        Column("weight", "weight", ".1f", target.weight),
        Column("why", "why", "", say.whys(target)),
        notes=(*zero, *say.remarks(target.remarks())),
    )


@table_of.register
def _(design: Design, part: str = "") -> Table:
    if part == "bands":
        return table("Lambda by band", *band_columns(design))
    above = [one for one in design.remarks if one.kind is DesignRemark.IDLE_NOT_MEASURED]
    intro = (" ".join(say.verdict(design)), *map(say.remark, above), say.jet(design))
    below = (one for one in design.remarks if one not in above and one.kind is not DesignRemark.CHECKS_NOT_MADE)
    notes = say.remarks(below)
    notes += [say.alternative(one, design) for one in design.alternatives]
    notes += [say.next_step(design)] if design.next_step else []
    notes += design.checks.notes() if design.checks else []
    return table(f"Design for {design.present().name}", *station_columns(design), intro=intro, notes=notes)


@table_of.register
def _(found: NextSteps, _part: str = "") -> Table:
    steps = found.steps
    then = (
        Column("u_after_percent", "then % lambda", ".2f", [one.then.lambda_u_percent for one in steps]),
        Column("variance_after", "variances left", ".0%", [1.0 - one.gain() for one in steps]),
    )
    said = [say.upper(say.measurement(one)) for one in steps]
    return table(
        "Measure next",
        Column("rank", "rank", "d", range(1, len(steps) + 1)),
        Column("what", "measure", "", [str(one.what) for one in steps]),
        Column("u_before_percent", "uncertainty now % lambda", ".2f", [one.now.lambda_u_percent for one in steps]),
        *then,
        Column("chance_before", "too rich now", ".0%", [one.now.chance_rich for one in steps]),
        Column("chance_after", "then", ".0%", [one.then.chance_rich for one in steps]),
        Column("first_stop_before", "first stop now", ".0%", [one.now.first_stop_share for one in steps]),
        Column("first_stop_after", "then", ".0%", [one.then.first_stop_share for one in steps]),
        notes=(
            *(f"{k}. {one}" for k, one in enumerate(said, start=1)),
            words.EACH_ALONE,
            *map(say.remark, found.remarks),
        ),
    )


@table_of.register
def _(found: Progress, part: str = "") -> Table:
    design, target = found.design, found.design.target
    if part == "bands":
        return table(
            "Lambda with what was cut",
            *called(design.learned.bands),
            Column("lambda_before", "before", ".3f", design.learned.bands.lambda_measured),
            Column("lambda_now", "as cut now", ".3f", found.lambda_now),
            Column("lambda_low", "from", ".3f", found.lambda_low),
            Column("lambda_high", "to (90 %)", ".3f", found.lambda_high),
            Column("lambda_rest", "at stop", ".3f", found.lambda_rest),
            Column("lambda_target", "target", ".3f", target.lambda_target),
            Column("lambda_rich", "richest allowed", ".3f", target.lambda_rich),
            notes=(words_after.COMPUTED.format(drop_mm=design.drop_mm),),
        )
    more = (found.to_go_um > 1e3 * LEAST_DIFFERENCE_MM).any()
    rest = words_after.CHANCE_REST.format(rest=100.0 * found.chance_rich_rest) if more else ""
    lean = found.full_load()
    return table(
        f"Where {design.present().name} is",
        Column("station", "station", "d", range(1, found.to_go_um.size + 1)),
        Column("distance_mm", "from shoulder mm", ".3f", found.measured.stations_mm),
        Column("present_mm", "before mm", ".4f", design.present().diameters_mm),
        Column("stop_mm", "stop mm", ".4f", design.stop_mm()),
        Column("target_mm", "", ".4f", design.needle.diameters_mm),
        Column("measured_mm", "measured mm", ".4f", found.measured.diameters_mm),
        Column("to_go_um", "to go um", "+.1f", found.to_go_um),
        Column("over_um", "", ".1f", found.over_um),
        Column("state", "state", "", [str(one) for one in found.states]),
        intro=(say_after.stroke(found), *((say.remark(lean),) if lean else ())),
        notes=(
            words_after.CHANCE_NOW.format(now=100.0 * found.chance_rich_now, rest=rest),
            words_after.THERE.format(told_um=1e3 * design.least_difference_mm()),
            words_after.READINGS_OF.format(source=found.measured.source),
            words_after.CARE,
        ),
    )


@table_of.register
def _(found: Rescue, part: str = "") -> Table:
    asked, bands = found.planned(), found.car.bands
    if part == "design" and found.design is not None:
        shown = found.design.table()
        filed = next(one for one in found.alternatives if one.kind is Change.JET_AND_FILE)
        return replace(shown, title=f"{shown.title}, row {say_after.rescued(filed, found)!r}")
    if part == "bands":
        return table(
            "Lambda of each way out",
            *called(bands),
            Column("target", "target", ".3f", asked.target.lambda_target),
            Column("planned", "as planned", ".3f", asked.final.expected),
            *(
                Column(str(k), say_after.rescued(one, found), ".3f", one.lambda_expected)
                for k, one in enumerate(found.alternatives, 1)
            ),
        )
    ways, jet, lowest = (*found.alternatives, *found.spares), found.car.setup.carburettor.jet, found.lowest()
    first, missed = asked.setup.carburettor.jet.drop_mm, [one.missed() for one in ways]
    outside = [int((asked.target.excess(one.lambda_expected) > 0.0).sum()) for one in found.alternatives]
    said, noted = [say_after.rescued(one, found) for one in ways], [say_after.rescue_note(one, found) for one in ways]
    lean = filter(None, (say_after.too_lean(one, found) for one in found.alternatives))
    return table(
        "Rescue",
        Column("way_out", "way out", "", said),
        Column("drop_mm", "jet drop mm", ".2f", [one.drop_mm for one in ways]),
        Column("flats", "flats from now", "+.1f", [(one.drop_mm - first) / jet.flat_mm for one in ways]),
        Column("worst_miss_percent", "worst miss %", "+.1f", [100.0 * float(one.missed()[one.worst()]) for one in ways]),
        Column("worst_band", "at", "", [bands.name(one.worst()) for one in ways]),
        Column("rms_miss_percent", "", ".1f", [100.0 * float(np.sqrt(np.mean(m**2))) for m in missed]),
        Column(
            "lambda_lowest_band",
            f"lambda {bands.name(lowest)}",
            ".3f",
            [float(one.lambda_expected[lowest]) for one in ways],
        ),
        Column("outside", "not permitted", "d", [*outside, *[None] * len(found.spares)]),
        Column("note", "", "", noted),
        intro=(say_after.stroke(found.progress), say_after.way_out(found)),
        notes=(
            *(f"{what}: {note}" for what, note in zip(said, noted, strict=True) if note),
            *lean,
            words_after.NOT_TRIMMED,
            words_after.FLATS_MEAN,
            words_after.CARE,
        ),
    )


@table_of.register
def _(found: Changes, _part: str = "") -> Table:
    target, tried = found.design.target, found.tried
    ways = [one.what for one in tried]
    worst, jet = [one.worst() for one in ways], found.design.setup.carburettor.jet
    full = target.full_load() if target.full_load().any() else np.ones(target.weight.size, dtype=bool)
    outlooks = [one.outlook for one in tried if one.outlook is not None]
    names = [place.name for place in outlooks[0].places if place.name != THE_DRIVE] if outlooks else []
    leanest = [[float(one.at(name).lambda_predicted[full].max()) for one in outlooks] for name in names]
    off = [100.0 * float(one.missed()[at]) for one, at in zip(ways, worst, strict=True)]
    heads, full_load = words_sheet.CHANGE_HEADS, words_sheet.FULL_LOAD_AT
    heads = heads | ({"flats": ""} if say.on_slide(found.design) else {})
    return table(
        words_sheet.CHANGES_TITLE,
        Column("what", heads["what"], "", [say_after.change(one, found) for one in tried]),
        Column("flats", heads["flats"], "+.1f", [(one.drop_mm - jet.drop_mm) / jet.flat_mm for one in ways]),
        Column("worst_percent", heads["worst_percent"], "+.1f", off),
        Column("worst_band", heads["worst_band"], "", [say.band(target.called(at)[0]) for at in worst]),
        Column("met", heads["met"], "", [one.met for one in ways]),
        Column("cut_um", heads["cut_um"], ".0f", [one.largest_cut_um for one in ways]),
        *(
            Column(name, full_load.format(place=say_after.place_name(name)), ".2f", values)
            for name, values in zip(names, leanest, strict=True)
        ),
        notes=say_after.changes_notes(found),
    )


def _foretold(one: RankedNeedle | Place | Outcome, head: str) -> tuple[Column, ...]:
    """Lambda predicted of each band, and its interval."""
    return (
        Column("lambda_predicted", head, ".3f", one.lambda_predicted),
        Column("lambda_low", "from", ".3f", one.lambda_low),
        Column("lambda_high", "to (90 %)", ".3f", one.lambda_high),
    )


@table_of.register
def _(found: RankedNeedle, _part: str = "") -> Table:
    return table(
        repr(found),
        *_foretold(found, "lambda"),
    )


@table_of.register
def _(found: Ranking, _part: str = "") -> Table:
    ranked, refused, jet = found.needles, found.refused, found.setup.carburettor.jet
    none = [None] * len(refused)

    def percent(name: str) -> list[float | None]:
        return [*(100.0 * float(getattr(one, name)) for one in ranked), *none]

    return table(
        f"Needles for {counted(len(found.target.why), 'band')}",
        Column("rank", "rank", "d", [*range(1, len(ranked) + 1), *none]),
        Column("needle", "needle", "", [*(one.needle.name for one in ranked), *(name for name, _ in refused)]),
        Column("drop_mm", "jet drop mm", ".2f", [*(one.drop_mm for one in ranked), *none]),
        Column("flats", "flats", "+.1f", [*((one.drop_mm - jet.drop_mm) / jet.flat_mm for one in ranked), *none]),
        Column("worst_percent", "worst %", ".1f", percent("worst")),
        Column("rms_percent", "rms %", ".1f", percent("rms")),
        Column("chance_percent", "chance %", ".0f", percent("chance")),
        Column("filing_um", "to file um", ".0f", [*(one.filing_um for one in ranked), *none]),
        Column("donor_drop_mm", "at drop mm", ".2f", [*(one.donor_drop_mm for one in ranked), *none]),
        Column("stations", "touching", "", [*(say.stations(one.stations) for one in ranked), *none]),
        Column("lacks_um", "", ".0f", [*(one.lacks_um for one in ranked), *none]),
        Column("verdict", "verdict", "", [*map(say.say, ranked), *[words_after.REFUSED] * len(refused)]),
        *(
            Column(
                f"lambda {found.target.bands.name(k)}", "", "", [*(float(one.lambda_predicted[k]) for one in ranked), *none]
            )
            for k in range(found.target.lambda_target.size)
        ),
        Column("why", "", "", [*[""] * len(ranked), *(why for _, why in refused)]),
        notes=(
            words_after.RANKED_BY,
            *((words_after.NO_CHANCE,) if any(np.isnan(one.chance) for one in ranked) else ()),
            words_after.FLATS,
            *(words_after.REFUSED_AS.format(name=name, why=why) for name, why in refused),
        ),
    )


@table_of.register
def _(place: Place, _part: str = "") -> Table:
    return table(
        repr(place),
        Column("lift_mm", "lift mm", ".2f", place.lift_mm),
        *_foretold(place, "lambda"),
    )


@table_of.register
def _(found: AltitudeOutlook, _part: str = "") -> Table:
    stop, heads = found.stop.places if found.stop else (), words_sheet.ALTITUDE_HEADS
    last = heads["final" if found.stop else "only"]
    names = [say_after.place_name(one.name) for one in found.places]
    return table(
        f"Lambda by altitude, {found.needle}, jet {found.places[0].drop_mm:.2f} mm below the bridge",
        *called(found.bands),
        *(
            Column(f"{key}_{k}", head.format(place=name), ".3f", one.lambda_predicted)
            for key, head, places in (("stop", heads["stop"], stop), ("lambda", last, found.places))
            for k, (name, one) in enumerate(zip(names, places, strict=False), 1)
        ),
        *(Column(f"lift_{k}_mm", "", ".2f", one.lift_mm) for k, one in enumerate(found.places, 1)),
        notes=(
            *say_after.at_altitudes(found.remarks()),
            *say_after.idle_co(found),
            words_sheet.ALTITUDE_ASSUMES,
            *words_after.ALTITUDE_CAUTIONS,
        ),
    )


@table_of.register
def _(found: Outcome, _part: str = "") -> Table:
    apart = found.after.contradiction()
    return table(
        "What the pass did",
        Column("rpm", "rpm", ".0f", found.bands.rpm[found.band]),
        Column("load", "load", "", [found.bands.load[b] for b in found.band.tolist()]),
        Column("lambda_before", "before", ".3f", found.lambda_before),
        *_foretold(found, "predicted"),
        Column("lambda_measured", "measured", ".3f", found.lambda_measured),
        Column("inside", "inside", "", found.inside),
        Column("gain", "gain", ".2f", found.gain),
        Column("gain_u", "+-", ".2f", found.gain_u),
        intro=(say_after.diagnosis(found),),
        notes=(
            words_after.GAIN_MEANS,
            *map(say.remark, found.remarks()),
            *(words_after.MEASURED_BUT.format(words=one) for one in _brought(found.bands)),
            *((say.remark(apart),) if apart else ()),
        ),
    )
