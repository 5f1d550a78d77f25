"""Facts into sentences: the words stand in ``words`` and ``words_after``, the figures come from the records."""

from __future__ import annotations

import math
from collections.abc import Iterable, Sequence
from enum import StrEnum
from typing import Any

import numpy as np

from needlecalc.design.after.rank import RankedNeedle
from needlecalc.design.forward.predict import Comparison
from needlecalc.design.inverse.alternatives import Alternative, Change, Unsolved
from needlecalc.design.inverse.limits import LEAST_TURN_FLATS, Limit
from needlecalc.design.inverse.notes import DesignRemark, rich_now, why_the_jet
from needlecalc.design.inverse.proposal import Design, NextStep, Stages
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import Trim, idle_band
from needlecalc.design.inverse.verdict import Cause, Missed, VerdictKind
from needlecalc.measure.checks.gas import SensorZero
from needlecalc.measure.drive.bands import NAMED_IN_FULL, WORST_NAMED
from needlecalc.measure.log.columns import ColumnFault, Note
from needlecalc.parts.carburettor import SlideValve
from needlecalc.parts.needle import Needle
from needlecalc.remark import Remark
from needlecalc.report.language import band, bands, by_load, side, stations, upper, words, words_after, words_drive
from needlecalc.report.measured import drive_figures, log_words
from needlecalc.show import say


def pair(found: Comparison, tolerance_um: float) -> str:
    """Whether two needles are a pair, and where to file if not."""
    off = found.thicker_um()
    worst = int(np.argmax(np.abs(off)))
    thicker = found.second if off[worst] > 0.0 else found.first
    figures = {"most": abs(off[worst]), "station": worst + 1, "tolerance": tolerance_um, "thicker": thicker.name}
    return words_after.MATCHED[found.matched(tolerance_um)].format(**figures)


def on_slide(record: Any) -> bool:
    """Whether a slide carries the needle, and so other words hold."""
    return isinstance(record.setup.carburettor.air_valve, SlideValve)


@say.register
def remark(one: Remark, *, pistons_said: bool = False) -> str:
    """What was found, in words; shorter where pistons were spoken of already."""
    if isinstance(one.kind, Note | ColumnFault):
        return log_words(one)
    said = {**words.REMARKS, **words.WHY, **words_after.OUTCOME, **words_drive.NOTES}
    figures = _figures(one) | drive_figures(one)
    if pistons_said:
        figures["pistons"] = words.THERE_TOO
    return said[one.kind].format(**figures)


def remarks(found: Iterable[Remark]) -> list[str]:
    """What was found, in words; of very many of one kind the first, and how many more."""
    by_kind: dict[StrEnum, list[Remark]] = {}
    for one in found:
        by_kind.setdefault(one.kind, []).append(one)
    said: list[str] = []
    for alike in by_kind.values():
        shown = alike if len(alike) <= NAMED_IN_FULL else alike[:WORST_NAMED]
        said += map(remark, shown)
        if len(shown) < len(alike):
            said.append(words.MORE_LIKE_THIS.format(count=len(alike) - len(shown)))
    return said


def _figures(one: Remark) -> dict[str, object]:
    figures: dict[str, object] = {**one.numbers, "first_aid": words.FIRST_AID}
    if "limit" in one.numbers:
        figures["pistons"] = words.PISTONS.format(limit=one.numbers["limit"])
    for key, value in one.numbers.items():
        if isinstance(value, (int, float)):
            figures |= {f"{key}_abs": abs(value), f"{key}_side": side(value), f"{key}_s": "" if value == 1 else words.PLURAL}
            ends = (words.LEANER, words.RICHER) if value > 0 else (words.RICHER, words.LEANER)
            figures |= dict(zip((f"{key}_leaner", f"{key}_richer"), ends, strict=True))
    if one.bands:
        more = len(one.bands) - 1
        figures |= {"band": band(one.bands[0]), "bands": bands(one.bands), "other": band(one.bands[-1])}
        figures["count"] = figures.get("count", len(one.bands))
        figures["and_more"] = words.AND_MORE.format(count=more) if more else ""
    if one.stations:
        figures["stations"] = stations(one.stations)
        figures["Stations"] = upper(stations(one.stations))
    if "blank" in one.numbers:
        blank = int(one.numbers["blank"])
        figures |= {"stay": words.STAY[blank], "changed": words.CHANGED[blank]}
    if "low" in one.numbers:
        figures["low_to_high"] = words.TO.join(dict.fromkeys(f"{one.numbers[end]:.2f}" for end in ("low", "high")))
    if isinstance(one.kind, Unsolved):
        figures["what"] = words.CHANGED_BY[Change(str(one.numbers["what"]))]
    if "in_pass" in one.numbers:
        read = words.LAMBDA_READ if "lambda_read" in one.numbers else words.LIFT_READ
        figures["read_and_due"] = read.format(**one.numbers)
    if "metal" in one.numbers:
        figures["deeper"] = words_after.DEEPER_CUT if float(one.numbers["metal"]) > 1.0 else words_after.SHALLOWER_CUT
    if one.kind in (DesignRemark.TEST, DesignRemark.TEST_IN_DANGER):
        figures["chance"] = one.numbers.get("stop_percent", one.numbers["percent"])  # of the drive that follows
        figures["result"] = words.RESULTS.get(one.numbers.get("result"))
        figures["idle_test"] = words.IDLE_TEST[one.numbers.get("of", "")].format(**figures)
    return figures


@say.register
def _(zero: SensorZero) -> tuple[str, ...]:
    """What gas readings say of the meter's zero, and why others say nothing."""
    found = Remark(DesignRemark.METER_ZERO, numbers={"readings": zero.readings, "off": zero.mean, "u": zero.u})
    why = ((words_after.GAS_LEFT_OUT[one.kind].format(**one.numbers), one.numbers["at"]) for one in zero.left_out)
    left_out = (words_after.SAYS_NOTHING.format(at=at, why=said) for said, at in why)
    return (*((remark(found),) if zero.readings else ()), *left_out)


def verdict(design: Design) -> tuple[str, ...]:
    """What a design is worth, why each band is missed, and what the first stop leaves: the headline first."""
    found, flats = design.verdict, design.flats()
    figures: dict[str, object] = {
        "work": words.NEW_BLANK if design.limits.new_blank else words.FILING,
        "worst": max(100.0 * found.worst, 0.1),  # nearer than that nobody measures
        "turn": (words.DOWN if flats > 0.0 else words.UP).format(flats=abs(flats)),
    }
    shown = [one for one in found.missed if one.outside] or list(found.missed)
    if shown:
        worst, more = shown[0], len(shown) - 1
        figures["miss"] = words.MISS.format(band=band(worst.band), percent=100.0 * abs(worst.off), side=side(worst.off))
        figures["more"] = words.AND_MORE.format(count=more) if more else ""
    said = [words.VERDICTS[found.kind].format(**figures)]
    if found.gaps_mm and found.kind in (VerdictKind.USABLE, VerdictKind.USABLE_OFF):
        said.append(words.AT_LIFTS_DRIVEN)
    for reason in Cause:
        if these := [one for one in shown if one.cause is reason]:
            said.append(_cause(reason, these, named=len(these) < len(shown)))
    if design.stages() is Stages.IN_STAGES:
        said.append(_at_stop(design))
    return tuple(said)


def _cause(reason: Cause, these: Sequence[Missed], *, named: bool) -> str:
    """Why bands are missed; they are named where others are missed for other causes."""
    called = next((limit(one.limit) for one in these if one.limit), "")
    u = max(one.reading_u for one in these)
    names = f"{bands([one.band for one in these])}: " if named else ""
    return upper(words.CAUSES[reason].format(bands=names, limit=called, reading_u=u))


def _at_stop(design: Design) -> str:
    missed = 100.0 * (design.stop.expected / design.target.lambda_target - 1.0)
    worst = int(np.argmax(np.abs(missed)))
    er = words.LEANER if missed[worst] > 0.0 else words.RICHER
    name = band(design.target.called(worst)[0])
    return words.AT_STOP.format(band=name, percent=abs(missed[worst]), er=er)


def limit(one: Limit) -> str:
    """Name of a limit."""
    return words.LIMITS[one.kind].format(station=one.station, next=(one.station or 0) + 1)


def alternative(one: Alternative, design: Design) -> str:
    """What one change would bring."""
    target = design.target
    if one.kind is Change.LIMIT and one.limit is not None:
        eased = words.EASED[one.limit.kind].format(um=1e3 * one.amount, mm=one.amount)
        name = band(target.called(one.band)[0])
        before, after = (_near(off) for off in (one.before, float(one.missed()[one.band])))
        return words.ACTIVE_LIMIT.format(limit=limit(one.limit), eased=eased, band=name, before=before, after=after)
    serves, cut_um = words.SERVES[one.met], one.largest_cut_um
    return words.ALTERNATIVE.format(what=change(one, design), serves=serves, cut_um=cut_um, **furthest(one, target))


def furthest(one: Alternative, target: Target) -> dict[str, Any]:
    """The band that is furthest off with one change, and how far in %."""
    worst = one.worst()
    return {"band": band(target.called(worst)[0]), "worst": 100.0 * float(one.missed()[worst])}


def change(one: Alternative, design: Design) -> str:
    """What was changed."""
    jet = design.setup.carburettor.jet
    return words.ALTERNATIVES[one.kind].format(
        way=words.LOWERING if one.amount > 0.0 else words.RAISING,
        mm=abs(one.amount),
        flats=abs(one.amount) / jet.flat_mm,
        um=1e3 * one.amount,
        stations=stations(one.stations),
        most=words.MOST_AT.format(station=one.stations[0]) if len(one.stations) > 1 else "",
        bore_mm=one.bore_mm,
        present_mm=jet.bore_mm,
    )


def _near(off: float) -> str:
    if abs(off) < 0.003:
        return words.AT_TARGET
    return words.OFF_TARGET.format(percent=100.0 * abs(off), side=side(off))


def jet(design: Design) -> str:
    """What to do with the jet nut, and what for."""
    drop, flats = design.setup.carburettor.jet.drop_mm, design.flats()
    why = why_the_jet(design)
    if why is None:
        return words.JET_LEAVE.format(drop_mm=drop)
    way = words.LOWER if flats > 0 else words.RAISE
    by = abs(design.drop_mm - drop)
    turn = words.JET_TURN.format(way=way, flats=abs(flats), mm=by, from_mm=drop, drop_mm=design.drop_mm)
    return f"{turn} {remark(why)}"


def jet_on_sheet(design: Design) -> str:
    """What to do with the jet nut now, and after the cut."""
    trim, why, nut = _trim(design), why_the_jet(design), _nut(design)
    if nut is not None and nut.share < 1.0 and trim:
        return _set_first(design, nut, trim)
    if design.stages() is not Stages.IN_STAGES or not trim or why is None or on_slide(design):
        return f"{jet(design)}{trim}"
    # Turned to its last place now it would only be turned back, as idle is trimmed on a needle that is not the last.
    flats = design.flats()
    way = words.DEEPER if flats > 0.0 else words.HIGHER
    return f"{words.JET_LATER.format(trim=trim, flats=abs(flats), way=way, drop_mm=design.drop_mm)} {remark(why)}"


def _set_first(design: Design, nut: Trim, trim: str) -> str:
    """The nut set where idle is expected right, and not trimmed for all that one day shows."""
    jet, why = design.setup.carburettor.jet, why_the_jet(design)
    flats = (nut.drop_mm - jet.drop_mm) / jet.flat_mm
    first = words.JET_LEAVE.format(drop_mm=jet.drop_mm)
    if abs(flats) >= LEAST_TURN_FLATS:
        way = words.DEEPER if flats > 0.0 else words.HIGHER
        first = words.JET_FIRST.format(drop_mm=nut.drop_mm, flats=abs(flats), way=way)
    last = words.JET_AT_LAST.format(drop_mm=design.drop_mm) if design.stages() is Stages.IN_STAGES else ""
    return f"{first}{trim}{last if why else ''}{f' {remark(why)}' if why else ''}"


def _trim(design: Design) -> str:
    aim, target = design.idle_to(), design.target
    idle = idle_band(design.learned, target)
    if aim is None or idle is None or design.stages() is Stages.NOTHING:
        return ""
    wanted, steps = float(target.lambda_target[idle]), design.limits.flats
    other = words.TRIM_OTHER.format(target=wanted) if aim != wanted else ""
    near = words.TRIM_NEAR.format(flats=words.STEPS[steps]) if steps else ""
    nut = _nut(design)
    return words.TRIMS.get(1.0 if nut is None else nut.share, words.TRIM).format(aim=aim, near=near, other=other)


def _nut(design: Design) -> Trim | None:
    """How the nut is turned after the cut; None where a pilot circuit sets idle."""
    return None if on_slide(design) else design.trim()


def measurement(one: NextStep) -> str:
    """A measurement and what it would bring."""
    what = words.MEASUREMENTS[one.what].format(
        bands=by_load(one.bands),
        way=words.LOWERED if one.flats > 0 else words.RAISED,
        flats=abs(one.flats),
        s="" if abs(one.flats) == 1 else words.PLURAL,
        amount=one.amount,
        left_out=words.LEFT_OUT.format(bands=by_load(one.left_out)) if one.left_out else "",
    )
    now, then, helps = one.now.lambda_u_percent, one.then.lambda_u_percent, words.HELPS
    if not one.helps():
        return words.HARDLY_HELPS.format(what=what, now=now)
    if not math.isnan(one.then.miss_percent):
        now, then, helps = one.now.miss_percent, one.then.miss_percent, words.MISSES_LESS
    first, after = 100.0 * one.now.first_stop_share, 100.0 * one.then.first_stop_share
    stop = words.STOP_GOES.format(then=after, now=first) if after - first >= 1.0 else ""
    figures = 1 if f"{now:.1f}" != f"{then:.1f}" else 2
    return helps.format(what=what, now=now, then=then, figures=figures, stop=stop)


def next_step(design: Design) -> str:
    """The measurement that would help most before the cut."""
    best = design.next_step
    if best is None or not best.helps():
        return words.NOTHING_HELPS
    return words.BEFORE_CUTTING.format(what=measurement(best))


def chance(design: Design) -> str:
    """How likely the cut, or the turn, is to make a band too rich, and what to do then; empty where nothing is done."""
    stages = design.stages()
    if stages is Stages.NOTHING and not design.turns():
        return ""
    least = words.CHANCE_LEAST.format(least=100.0 * design.chance_least) if design.chance_least else ""
    rich = rich_now(design)
    figures = {"final": 100.0 * design.final.chance_rich, "stop": 100.0 * design.stop.chance_rich, "least": least}
    return f"{words.CHANCE[stages].format(**figures)}{f' {remark(rich)}' if rich else ''}"


def needle(one: Needle) -> str:
    """Name of a needle and where its table is from; a name that is that of its file is said once."""
    return one.called(words.TYPED_IN.get(one.source, one.source))


@say.register
def ranked(one: RankedNeedle) -> str:
    """What a needle is good for."""
    return words_after.WORTH[one.worth].format(filing=one.filing_um, lacks=one.lacks_um)
