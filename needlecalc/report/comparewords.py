"""Tables of needles side by side, of a needle's metering, of a budget, of passes and jet drives, with their words."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace
from textwrap import wrap

import numpy as np

from needlecalc.design.belief.calibration import JetShift
from needlecalc.design.belief.history import History, Pass
from needlecalc.design.belief.unknowns import BySource, Source
from needlecalc.design.forward.metering import Metering
from needlecalc.design.forward.predict import Comparison, PairCheck
from needlecalc.design.inverse.proposal import Budget, in_squares
from needlecalc.measure.drive.bands import Bands
from needlecalc.report.language import words, words_after, words_pages
from needlecalc.show import Column, Table

MOST_SOURCES, HEAD_WIDTH = 6, 12  # that stand by themselves, and letters of their heads


def table(title: str, *columns: Column, intro: Sequence[str] = (), notes: Sequence[str] = ()) -> Table:
    """A table of columns that hold their values."""
    return Table(title, columns, intro=intro, notes=notes)


def called(bands: Bands) -> tuple[Column, ...]:
    """Columns that name a band."""
    heads = words.CALLED
    banks = (Column("bank", heads["bank"], "", bands.bank),) if any(bands.bank) else ()
    return (Column("rpm", heads["rpm"], ".0f", bands.rpm), Column("load", heads["load"], "", bands.load), *banks)


def comparison_table(found: Comparison, part: str = "") -> Table:
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
    """Columns with the heads of their keys; those without one are not printed."""
    return [replace(column, head=heads.get(column.key, "")) for column in columns]


def pair_words(found: PairCheck) -> str:
    """Whether a pair matches, and where to file if not."""
    off, worst = found.thicker_um, found.worst()
    thicker = found.second if off[worst] > 0.0 else found.first
    figures = {"most": abs(off[worst]), "station": worst + 1, "tolerance": found.tolerance_um, "thicker": thicker.name}
    return words_after.MATCHED[found.matched].format(**figures)


def pair_table(found: PairCheck, _part: str = "") -> Table:
    """Stations of both needles."""
    return table(
        pair_words(found),
        Column("station", "station", "d", range(1, found.thicker_um.size + 1)),
        Column("first_mm", f"{found.first.name} mm", ".4f", found.first.diameters_mm),
        Column("second_mm", f"{found.second.name} mm", ".4f", found.second.diameters_mm),
        Column("thicker_um", "second thicker um", "+.1f", found.thicker_um),
        Column("lambda_percent", "lambda %", "+.1f", found.lambda_percent),
        Column("within", "matched", "", found.within()),
    )


def metering_table(law: Metering, _part: str = "") -> Table:
    """The local law, one row a lift."""
    flow = law.flow
    return table(
        repr(law),
        Column("lift_mm", "lift mm", ".1f", law.lift_mm),
        Column("position_mm", "place mm", ".2f", law.position_mm),
        Column("diameter_mm", "diameter mm", ".3f", law.diameter_mm),
        Column("metering_area_mm2", "metering mm2", ".3f", flow.metering_area_mm2),
        Column("effective_area_mm2", "effective mm2", ".3f", flow.effective_area_mm2),
        Column("discharge_coefficient", "Cd", ".3f", flow.discharge_coefficient),
        Column("viscous_fraction", "viscous", ".2f", flow.viscous_fraction),
        Column("reynolds", "Re", ".0f", flow.reynolds),
        Column("gap_exponent", "by gap", ".2f", law.gap_exponent),
        Column("viscosity_exponent", "by viscosity", ".2f", law.viscosity_exponent),
        Column("depression_exponent", "by depression", ".2f", law.depression_exponent),
        Column("lambda_per_step", "lambda % per 0.01 mm", ".1f", law.lambda_per_step),
        Column("acts_below_mm", "acts below face mm", ".2f", law.acts_below_mm),
        Column("share_elsewhere", "elsewhere", ".0%", law.share_elsewhere),
        notes=(words_after.EXPONENTS, words_after.ELSEWHERE),
    )


def budget_table(budget: Budget, part: str = "") -> Table:
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


def shift_table(shift: JetShift, _: str = "") -> Table:
    """The change of each band by a move of the jet."""
    return table(
        repr(shift),
        Column("band", "band", "", shift.names),
        Column("expected_percent", "expected %", "+.1f", 100.0 * np.expm1(shift.expected)),
        Column("seen_percent", "seen %", "+.1f", 100.0 * np.expm1(shift.seen)),
        Column("seen_u_percent", "+-", ".1f", 100.0 * shift.seen_u),
        notes=("Change of lambda by the move; + is leaner.",),
    )


def pass_table(one: Pass, _: str = "") -> Table:
    """Bands of a pass."""
    return replace(one.bands.table(), title=repr(one))


def history_table(history: History, _: str = "") -> Table:
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
