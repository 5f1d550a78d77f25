"""Tables of a design and of what it rests on: each column spelt once, with its key, head, form and values."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import replace
from textwrap import wrap

import numpy as np

from needlecalc.design.after.rank import Ranking
from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.learned import Learned
from needlecalc.design.belief.unknowns import SHARED, BySource, Source
from needlecalc.design.forward.metering import Metering
from needlecalc.design.forward.predict import Comparison
from needlecalc.design.inverse.nextstep import NextSteps
from needlecalc.design.inverse.notes import DesignRemark
from needlecalc.design.inverse.proposal import Budget, Design, in_squares
from needlecalc.design.inverse.target import Target
from needlecalc.measure.drive.bands import Bands, DriveNote
from needlecalc.report import say
from needlecalc.report.language import spoken, stations, upper, words, words_after, words_pages
from needlecalc.show import Column, Table, columns_of, counted, table, table_of
from needlecalc.units import inch_from_mm

MOST_SOURCES, HEAD_WIDTH = 6, 12  # that stand by themselves, and letters of their heads


def called(bands: Bands) -> tuple[Column, ...]:
    """Columns that name a band."""
    heads = words.CALLED
    banks = (Column("bank", heads["bank"], "", bands.bank),) if any(bands.bank) else ()
    return (Column("rpm", heads["rpm"], ".0f", bands.rpm), Column("load", heads["load"], "", bands.load), *banks)


@table_of.register
def _(found: Comparison, part: str = "") -> Table:
    """Both needles station by station, or band by band."""
    one, two, bands = found.first_flow, found.second_flow, found.bands
    if part == "bands":
        by_band = (
            Column("lift_mm", "", ".2f", bands.lift_mm if bands else ()),
            Column("lambda_first", "", ".3f", found.lambda_first),
            Column("lambda_second", "", ".3f", found.lambda_second),
            Column("lambda_change_percent", "", "+.1f", found.band_change_percent()),
        )
        return table(words_pages.BY_BAND, *(called(bands) if bands else ()), *headed(by_band, words_pages.BAND_HEADS))
    at_mm, own_mm = (values[found.station - 1] for values in (found.first.stations_mm, found.first.diameters_mm))
    names = {"first": found.first.name, "second": found.second.name, "bore_mm": found.setup.carburettor.jet.bore_mm}
    columns = (
        Column("station", "", "d", found.station),
        Column("distance_mm", "", ".3f", at_mm),
        Column("first_mm", "", ".4f", own_mm),
        Column("second_mm", "", ".4f", found.second.diameter_at_mm(at_mm)),
        Column("thicker_um", "", "+.1f", found.thicker_um()),
        Column("first_metering_mm2", "", ".3f", one.metering_area_mm2),
        Column("second_metering_mm2", "", ".3f", two.metering_area_mm2),
        Column("first_effective_mm2", "", ".3f", one.effective_area_mm2),
        Column("second_effective_mm2", "", ".3f", two.effective_area_mm2),
        Column("lambda_change_percent", "", "+.1f", found.lambda_change_percent()),
    )
    notes = (words_pages.AS_AT_FACE,)
    return table(words_pages.BY_STATION.format(**names), *headed(columns, words_pages.STATION_HEADS), notes=notes)


def headed(columns: Iterable[Column], heads: Mapping[str, str]) -> list[Column]:
    """Columns with the heads of their keys, in their order; those without one are in the rows and not printed."""
    named = [replace(column, head=heads.get(column.key, "")) for column in columns]
    return sorted(named, key=lambda one: [*heads].index(one.key) if one.key in heads else len(heads))


@table_of.register
def _(law: Metering, _part: str = "") -> Table:
    """The local law, one row a lift."""
    flow = law.flow
    return table(
        repr(law),
        *columns_of(law, ".1f", lift_mm="lift mm"),
        *columns_of(law, ".2f", position_mm="place mm"),
        *columns_of(law, ".3f", diameter_mm="diameter mm"),
        *columns_of(flow, ".3f", metering_area_mm2="metering mm2", effective_area_mm2="effective mm2"),
        *columns_of(flow, ".3f", discharge_coefficient="Cd"),
        *columns_of(flow, ".2f", viscous_fraction="viscous"),
        *columns_of(flow, ".0f", reynolds="Re"),
        *columns_of(
            law, ".2f", gap_exponent="by gap", viscosity_exponent="by viscosity", depression_exponent="by depression"
        ),
        *columns_of(law, ".1f", lambda_per_step="lambda % per 0.01 mm"),
        *columns_of(law, ".2f", acts_below_mm="acts below face mm"),
        *columns_of(law, ".0%", share_elsewhere="elsewhere"),
        notes=(words_after.EXPONENTS, words_after.ELSEWHERE),
    )


@table_of.register
def _(budget: Budget, part: str = "") -> Table:
    """Sources of each final diameter, or of lambda of each band: the greatest, the others together, and the total."""
    bands = part == "bands"
    parts = budget.lambda_percent if bands else budget.diameter_um
    unit, form = ("percent", ".2f") if bands else ("um", ".1f")
    great, rest = greatest(parts)
    columns = [
        Column(f"{one.name.lower()}_{unit}", "\n".join(wrap(words.SOURCES[one], HEAD_WIDTH)), form, parts[one])
        for one in great
    ]
    columns += [Column(f"{one.name.lower()}_{unit}", "", form, parts[one]) for one in rest]
    columns.append(Column(f"others_{unit}", words.OTHERS, form, in_squares({one: parts[one] for one in rest})))
    columns.append(Column(f"total_{unit}", words.TOTAL, form, in_squares(parts)))
    if bands:
        return table(words.BAND_BUDGET, *called(budget.bands), *columns, notes=(words.BAND_BUDGET_MEANS,))
    at = Column("station", "station", "d", range(1, budget.stations_mm.size + 1))
    place = Column("distance_mm", "from\nshoulder mm", ".3f", budget.stations_mm)
    return table(words.BUDGET, at, place, *columns, notes=(words.BUDGET_MEANS,))


def greatest(parts: BySource) -> tuple[list[Source], list[Source]]:
    """Sources that stand by themselves, the greatest first, and those taken together."""
    order = sorted(parts, key=lambda one: -float(np.nansum(parts[one] ** 2)))
    return order[:MOST_SOURCES], order[MOST_SOURCES:]


@table_of.register
def _(shift: JetShift, _: str = "") -> Table:
    """The change of each band by a move of the jet."""
    return table(
        repr(shift),
        Column("band", "band", "", shift.names),
        Column("expected_percent", "expected %", "+.1f", 100.0 * np.expm1(shift.expected)),
        Column("seen_percent", "seen %", "+.1f", 100.0 * np.expm1(shift.seen)),
        Column("seen_u_percent", "+-", ".1f", 100.0 * shift.seen_u),
        notes=("Change of lambda by the move; + is leaner.",),
    )


@table_of.register
def _(one: Pass, _: str = "") -> Table:
    """Bands of a pass."""
    return replace(one.bands.table(), title=repr(one))


@table_of.register
def _(history: History, _: str = "") -> Table:
    """Passes, a row each."""
    passes, start = history.passes, history.passes[0].needle.diameters_mm
    read = [one.bands.lambda_measured for one in passes]
    return table(
        repr(history),
        Column("number", "pass", "d", range(1, len(passes) + 1)),
        Column("needle", "needle", "", [one.needle.name for one in passes]),
        Column(
            "off_um", "taken off since, most um", ".1f", [1e3 * float((start - p.needle.diameters_mm).max()) for p in passes]
        ),
        Column("drop_mm", "jet drop mm", ".3f", [one.drop_mm for one in passes]),
        Column("bands", "bands", "d", [one.size for one in read]),
        Column("leanest", "leanest", ".3f", [float(one.max()) for one in read]),
        Column("richest", "richest", ".3f", [float(one.min()) for one in read]),
    )


def station_columns(design: Design) -> tuple[Column, ...]:
    """What to do at each station."""
    present, final, own = design.present().diameters_mm, design.needle.diameters_mm, design.stations
    known = np.isfinite(own.idle_percent_per_um).any()
    return (
        Column("station", "station", "d", range(1, present.size + 1)),
        Column("distance_mm", "from shoulder mm", ".3f", design.needle.stations_mm),
        Column("present_mm", "present mm", ".4f", present),
        Column("stop_mm", "stop mm", ".4f", design.stop_mm()),
        Column("target_mm", "target mm", ".4f", final),
        Column("remove_um", "take off um", ".1f", design.remove_um()),
        Column("per_side_um", "", ".1f", design.remove_um() / 2.0),
        Column("target_u_um", "+- um", ".1f", own.u_um),
        Column("mostly_from", "mostly from", "", own.mostly_from),
        Column("tolerance_um", "1 % tolerance um", ".1f", own.tolerance_um),
        Column("idle_percent_per_um", "idle % per um" if known else "", ".2f", own.idle_percent_per_um),
        Column("present_in", "", ".5f", inch_from_mm(present)),
        Column("target_in", "", ".5f", inch_from_mm(final)),
        Column("data", "data", "", own.supported),
    )


def band_columns(design: Design) -> tuple[Column, ...]:
    """What becomes of each band; intervals are 90 %."""
    bands, final, stop = design.target.bands, design.final, design.stop
    return (
        *called(bands),
        Column("lift_mm", "lift mm", ".1f", bands.lift_mm),
        Column("lambda_measured", "lambda now", ".3f", bands.lambda_measured),
        Column("lambda_target", "target", ".3f", design.target.lambda_target),
        Column("lambda_stop", "at stop", ".3f", stop.expected),
        Column("lambda_stop_low", "", ".3f", stop.low),
        Column("lambda_stop_high", "", ".3f", stop.high),
        Column("lambda_final", "final", ".3f", final.expected),
        Column("lambda_final_low", "from", ".3f", final.low),
        Column("lambda_final_high", "to (90 %)", ".3f", final.high),
    )


def brought(bands: Bands) -> list[str]:
    """To which air and fuel the bands were brought last; empty where they stand as measured."""
    return [say.remark(one) for one in bands.remarks if one.kind is DriveNote.BROUGHT][-1:]


@table_of.register
def _(learned: Learned, _part: str = "") -> Table:
    (before, before_u), (now, now_u) = learned.shared()
    passes = learned.history.passes
    notes = (
        words.PASS_BROUGHT.format(number=number, words=said)
        for number, one in enumerate(passes, start=1)
        for said in brought(one.bands)
    )
    return table(
        f"Learned from {counted(len(passes), 'pass', 'passes')}",
        Column("what", "what", "", SHARED),
        Column("unit", "unit", "", words.LEARNED_UNITS),
        Column("before", "before", ".3f", before),
        Column("before_u", "+-", ".3f", before_u),
        Column("now", "now", ".3f", now),
        Column("now_u", "+-", ".3f", now_u),
        notes=(*map(say.remark, learned.remarks()), *notes),
    )


@table_of.register
def _(target: Target, _part: str = "") -> Table:
    zero = target.sensor_zero.words() if target.sensor_zero else ()
    return table(
        "Target",
        *called(target.bands),
        Column("lambda_measured", "measured", ".3f", target.bands.lambda_measured),
        *columns_of(target, ".3f", lambda_target="target", lambda_rich="richest", lambda_lean="leanest"),
        *columns_of(target, ".1f", weight="weight"),
        Column("why", "why", "", [*map(say.remark, target.why)]),
        notes=(*zero, *say.remarks(target.remarks())),
    )


@table_of.register
def _(design: Design, part: str = "") -> Table:
    with spoken(slide=say.on_slide(design)):
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
    said = [upper(say.measurement(one)) for one in steps]
    return table(
        "Measure next",
        Column("rank", "rank", "d", range(1, len(steps) + 1)),
        Column("what", "measure", "", [str(one.what) for one in steps]),
        Column("u_before_percent", "uncertainty now % lambda", ".2f", [one.now.lambda_u_percent for one in steps]),
        *then,
        notes=(
            *(f"{k}. {one}" for k, one in enumerate(said, start=1)),
            words.EACH_ALONE,
            *map(say.remark, found.remarks),
        ),
    )


@table_of.register
def _(found: Ranking, _part: str = "") -> Table:
    ranked, jet = list(found.needles), found.setup.carburettor.jet

    def percent(name: str) -> list[float]:
        return [100.0 * float(getattr(one, name)) for one in ranked]

    return table(
        f"Needles for {counted(len(found.target.why), 'band')}",
        Column("rank", "rank", "d", range(1, len(ranked) + 1)),
        Column("needle", "needle", "", [one.needle.name for one in ranked]),
        *columns_of(ranked, ".2f", drop_mm="jet drop mm"),
        Column("flats", "flats", "+.1f", [(one.drop_mm - jet.drop_mm) / jet.flat_mm for one in ranked]),
        Column("worst_percent", "worst %", ".1f", percent("worst")),
        Column("rms_percent", "rms %", ".1f", percent("rms")),
        Column("chance_percent", "chance %", ".0f", percent("chance")),
        *columns_of(ranked, ".0f", filing_um="to file um", lacks_um=""),
        *columns_of(ranked, ".2f", donor_drop_mm="at drop mm"),
        Column("stations", "touching", "", [stations(one.stations) for one in ranked]),
        Column("verdict", "verdict", "", [*map(say.ranked, ranked)]),
        notes=(
            words_after.RANKED_BY,
            *((words_after.NO_CHANCE,) if any(np.isnan(one.chance) for one in ranked) else ()),
            words_after.FLATS,
            *(words_after.REFUSED_AS.format(name=name, why=why) for name, why in found.refused),
        ),
    )
