"""What comes after a design, in words and tables: the file, the rescue, the next drive, other needles and places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import replace

import numpy as np

from needlecalc.design.after.altitude import THE_DRIVE, AltitudeOutlook, AltitudeRemark, Place
from needlecalc.design.after.changes import Changes, Tried
from needlecalc.design.after.outcome import Outcome
from needlecalc.design.after.progress import HURT, LIGHT_PASS_UM, STILL_FITS, Progress, Rescue, StationState, WayOut
from needlecalc.design.after.rank import RankedNeedle
from needlecalc.design.inverse.alternatives import Alternative, Change
from needlecalc.design.inverse.proposal import Stages
from needlecalc.design.inverse.uncertainty import LEAST_DIFFERENCE_MM
from needlecalc.measure.drive.bands import WORST_NAMED
from needlecalc.remark import Remark
from needlecalc.report import say
from needlecalc.report.language import band, spoken, stations, words, words_after, words_pages, words_sheet
from needlecalc.report.tables import brought, called
from needlecalc.show import Column, Table, columns_of, table, table_of

STOOD_STILL = 0.1  # of the change computed
INTERVAL = {"lambda_low": "from", "lambda_high": "to (90 %)"}


def stroke(found: Progress) -> str:
    """What to do with the file."""
    over, left = found.over_um, found.at(StationState.TO_GO)
    worst = sorted(found.at(StationState.OVERCUT), key=lambda k: -over[k - 1])
    past = found.at(StationState.PAST)
    most = max(left, key=lambda k: found.to_go_um[k - 1], default=0)
    return words_after.STROKES[found.next_stroke].format(
        overcut=", ".join(words_after.OVERCUT_AT.format(station=k, um=over[k - 1]) for k in worst),
        chance=100.0 * found.chance_rich_now,
        risk=100.0 * found.risk,
        to_go=stations(left),
        most=found.to_go_um[most - 1],
        where=most,
        light=LIGHT_PASS_UM,
        past=words_after.PAST.format(Stations=stations(past).capitalize()) if past else "",
    )


def way_out(found: Rescue) -> str:
    """What to do with an overcut needle."""
    kind, asked = found.way_out, found.planned()
    by_kind = {one.kind: one for one in found.alternatives}
    used = {WayOut.JET: Change.BEST_JET, WayOut.JET_AND_FILE: Change.JET_AND_FILE, WayOut.NONE: Change.JET_AND_FILE}
    one = by_kind[used.get(kind, Change.NONE)]
    jet = asked.setup.carburettor.jet
    flats = (one.drop_mm - jet.drop_mm) / jet.flat_mm
    turn = words_after.TURN_JET.format(way=words_after.LOWER if flats > 0 else words_after.RAISE, flats=abs(flats))
    figures = {**say.furthest(one, asked.target), "hurt": 100.0 * HURT, "within": 100.0 * float(abs(one.missed()).max())}
    return words_after.WAYS_OUT[kind].format(turn=turn, Turn=turn.capitalize(), **figures)


def rescued(one: Alternative, found: Rescue) -> str:
    """Name of one way out."""
    name = band(found.planned().target.called(one.band)[0])
    return words_after.RESCUES[one.kind].format(band=name, amount=one.amount)


def rescue_note(one: Alternative, found: Rescue) -> str:
    """What to know of one way out; empty where there is nothing."""
    target, lowest, missed = found.planned().target, found.lowest(), one.missed()
    low, high = found.car.setup.carburettor.jet.drop_range_mm()
    reached, fits = abs(missed[one.band]) < 1e-3, abs(missed[one.worst()]) <= STILL_FITS
    name = band(target.called(one.band)[0])
    cut = words_after.FILES_MORE.format(um=one.largest_cut_um, stations=stations(one.stations))
    figures = {
        "lowest": band(target.called(lowest)[0]),
        "before": found.alternatives[0].lambda_expected[lowest],
        "after": one.lambda_expected[lowest],
        "reached": "" if reached else words_after.NOT_REACHED.format(band=name, after=one.lambda_expected[one.band]),
        "assumed": words_after.RANGE_ASSUMED.format(low=low, high=high) if found.range_assumed() else "",
        "filing": cut if one.stations else words_after.FILES_NOTHING,
        "fit": "" if fits else words_after.NO_FIT.format(**say.furthest(one, target)),
        "richer": 100.0 * (1.0 - one.amount),
        "amount": one.amount,
    }
    return words_after.RESCUE_NOTES[one.kind].format(**figures)


def too_lean(one: Alternative, found: Rescue) -> str:
    """Full load that a way out leans past its target and past what pistons bear; empty where it does not."""
    target = found.planned().target
    over = target.full_load() & (one.lambda_expected > target.leanest_full_load()) & (one.missed() > HURT)
    lean = np.flatnonzero(over)
    if not lean.size:
        return ""
    listed = ", ".join(f"{band(target.called(b)[0])} at {one.lambda_expected[b]:.3f}" for b in lean[:WORST_NAMED].tolist())
    return words_after.TOO_LEAN.format(what=rescued(one, found), bands=listed)


def change(one: Tried, found: Changes) -> str:
    """What was changed before filing."""
    what, valve, jet = one.what, one.setup.carburettor.air_valve, found.design.setup.carburettor.jet
    grooves = round(abs(what.amount) / (found.at_hand.groove_mm or np.inf))
    up = what.amount > 0.0
    return words_sheet.CHANGES[what.kind].format(
        way=words_sheet.WAYS[up],
        flats=abs(what.amount) / jet.flat_mm,
        mm=abs(what.amount),
        count=grooves,
        s="" if grooves == 1 else words.PLURAL,
        down=words_sheet.DOWN[up],
        higher=words_sheet.HIGHER[up],
        under=words_sheet.UNDER[up],
        preload=getattr(valve, "spring_preload_n", 0.0),
        rate=getattr(valve, "spring_rate_n_mm", 0.0),
        bore_mm=what.bore_mm,
        needle=one.setup.carburettor.needle.name,
        um=1e3 * what.amount,
    )


def changes_notes(found: Changes) -> list[str]:
    """How the changes tried are meant, and that none serves where none does."""
    last = () if found.instead() or found.design.stages() is Stages.NOTHING else (words_sheet.NOTHING_INSTEAD,)
    return [*last, words_sheet.ONE_CHANGE.format(nut=words_sheet.NUT_SET), *map(say.remark, found.left_out)]


def altitude_notes(found: AltitudeOutlook) -> list[str]:
    """What to know of the places, but for full load that may run too lean: that stands where the cut is decided."""
    full = (AltitudeRemark.FULL_LOAD_LEAN, AltitudeRemark.FULL_LOAD_MAY_BE_LEAN)
    others = [one for one in found.remarks() if one.kind not in full]
    return [*at_altitudes(others), *idle_co(found), words_sheet.ALTITUDE_ASSUMES]


def at_places(found: Sequence[tuple[str, Remark]], then: Mapping[AltitudeRemark, str] | None) -> list[str]:
    """What melts, misfires or fouls at places as they are called: each kind once, with what to do then."""
    said = []
    for kind in AltitudeRemark:
        if those := [one for one in found if one[1].kind is kind]:
            figures = {"limit": those[0][1].numbers["limit"], "then": (then or {}).get(kind, words_pages.SHORT_PULLS)}
            said.append(words_pages.FOUND[kind].format(places="; ".join(_where(*one) for one in those), **figures))
    return said


def _where(place: str, one: Remark) -> str:
    """A place with the lambda of full load there, or with the bands it is about."""
    value = ", ".join(map(band, one.bands[:WORST_NAMED]))
    if one.kind is AltitudeRemark.FULL_LOAD_LEAN:
        value = words_pages.UP_TO.format(value=one.numbers["expected"])
    elif one.kind is AltitudeRemark.FULL_LOAD_MAY_BE_LEAN:
        value = words_pages.UP_TO.format(value=one.numbers["highest"])
    return words_pages.AT.format(place=place, value=value)


def at_altitudes(found: Iterable[Remark], then: Mapping[AltitudeRemark, str] | None = None) -> list[str]:
    """What melts, misfires or fouls at the places of an outlook, with the needle it is about."""
    called = ((str(one.numbers["place"]), words_sheet.NEEDLE_AT[int(one.numbers["at_stop"])], one) for one in found)
    return at_places([(f"{place_name(place)}{needle}", one) for place, needle, one in called], then)


def place_name(name: str) -> str:
    """Name of a place; those of the user's own are called as he called them."""
    return words_sheet.PLACES.get(name, name)


def idle_co(found: AltitudeOutlook) -> tuple[str, ...]:
    """CO at idle in the places where it is known."""
    known = [place for place in found.places if np.isfinite(place.idle_co_percent)]
    said = ", ".join(words_sheet.CO_AT.format(place=place_name(one.name), percent=one.idle_co_percent) for one in known)
    return (words_sheet.CO_AT_IDLE.format(places=said),) if known else ()


def diagnosis(found: Outcome) -> str:
    """What explains the misses of a pass."""
    kind, of, out = found.diagnosis, found.inside.size, int((~found.inside).sum())
    size = found.causes[0].size
    held = words_after.ONLY_BAND if of == 1 else words_after.SOME_BANDS if out else words_after.ALL_BANDS
    alike = words_after.OR_A.join(found.alike())
    worst = int(np.argmax(np.abs(found.off())))
    return words_after.DIAGNOSES[kind].format(
        held=held.format(of=of, inside=of - out),
        their=words_after.ITS_INTERVAL if of == 1 else words_after.THEIR_INTERVALS,
        outside=(words_after.ONE_OUTSIDE if out == 1 else words_after.MORE_OUTSIDE).format(count=out),
        furthest=band(found.bands.called(int(found.band[worst]))[0]),
        first_aid=words.FIRST_AID,
        moved=(words_after.STOOD_STILL if abs(1.0 + size) < STOOD_STILL else words_after.MOVED).format(share=1.0 + size),
        share=1.0 + size,
        percent=100.0 * abs(size),
        above=words_after.ABOVE if size > 0.0 else words_after.BELOW,
        mm=abs(size),
        further=words_after.OUT_OF if size > 0.0 else words_after.INTO,
        alike=words_after.ALIKE.format(causes=alike) if alike else "",
    )


@table_of.register
def _(found: Progress, part: str = "") -> Table:
    design = found.design
    if part == "bands":
        return table(
            "Lambda with what was cut",
            *called(design.learned.bands),
            Column("lambda_before", "before", ".3f", design.learned.bands.lambda_measured),
            *columns_of(found, ".3f", lambda_now="as cut now", **INTERVAL, lambda_rest="at stop"),
            *columns_of(design.target, ".3f", lambda_target="target", lambda_rich="richest allowed"),
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
        Column("measured_mm", "measured mm", ".4f", found.measured.diameters_mm),
        *columns_of(found, "+.1f", to_go_um="to go um"),
        Column("state", "state", "", [str(one) for one in found.states]),
        intro=(stroke(found), *((say.remark(lean),) if lean else ())),
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
        return replace(shown, title=f"{shown.title}, row {rescued(filed, found)!r}")
    if part == "bands":
        return table(
            "Lambda of each way out",
            *called(bands),
            Column("target", "target", ".3f", asked.target.lambda_target),
            Column("planned", "as planned", ".3f", asked.final.expected),
            *(
                Column(str(k), rescued(one, found), ".3f", one.lambda_expected)
                for k, one in enumerate(found.alternatives, 1)
            ),
        )
    ways, jet, lowest = [*found.alternatives, *filter(None, [found.spare])], found.car.setup.carburettor.jet, found.lowest()
    first = asked.setup.carburettor.jet.drop_mm
    outside = [int((asked.target.excess(one.lambda_expected) > 0.0).sum()) for one in found.alternatives]
    said, noted = [rescued(one, found) for one in ways], [rescue_note(one, found) for one in ways]
    lean = filter(None, (too_lean(one, found) for one in found.alternatives))
    return table(
        "Rescue",
        Column("way_out", "way out", "", said),
        *columns_of(ways, ".2f", drop_mm="jet drop mm"),
        Column("flats", "flats from now", "+.1f", [(one.drop_mm - first) / jet.flat_mm for one in ways]),
        Column("worst_miss_percent", "worst miss %", "+.1f", [100.0 * float(one.missed()[one.worst()]) for one in ways]),
        Column("worst_band", "at", "", [bands.name(one.worst()) for one in ways]),
        Column("lambda_lowest_band", f"lambda {bands.name(lowest)}", ".3f", [one.lambda_expected[lowest] for one in ways]),
        Column("outside", "not permitted", "d", [*outside, *[None] * (len(ways) - len(outside))]),
        intro=(stroke(found.progress), way_out(found)),
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
    with spoken(slide=say.on_slide(found.design)):
        target, tried = found.design.target, found.tried
        ways = [one.what for one in tried]
        worst, jet = [one.worst() for one in ways], found.design.setup.carburettor.jet
        full = target.full_load() if target.full_load().any() else np.ones(target.weight.size, dtype=bool)
        outlooks = [one.outlook for one in tried if one.outlook is not None]
        names = [place.name for place in outlooks[0].places if place.name != THE_DRIVE] if outlooks else []
        leanest = [[float(one.at(name).lambda_predicted[full].max()) for one in outlooks] for name in names]
        off = [100.0 * float(one.missed()[at]) for one, at in zip(ways, worst, strict=True)]
        heads, full_load = words_sheet.CHANGE_HEADS, words_sheet.FULL_LOAD_AT
        return table(
            words_sheet.CHANGES_TITLE,
            Column("what", heads["what"], "", [change(one, found) for one in tried]),
            Column("flats", heads["flats"], "+.1f", [(one.drop_mm - jet.drop_mm) / jet.flat_mm for one in ways]),
            Column("worst_percent", heads["worst_percent"], "+.1f", off),
            Column("worst_band", heads["worst_band"], "", [band(target.called(at)[0]) for at in worst]),
            Column("met", heads["met"], "", [one.met for one in ways]),
            Column("cut_um", heads["cut_um"], ".0f", [one.largest_cut_um for one in ways]),
            *(
                Column(name, full_load.format(place=place_name(name)), ".2f", values)
                for name, values in zip(names, leanest, strict=True)
            ),
            notes=changes_notes(found),
        )


@table_of.register
def _(found: RankedNeedle, _part: str = "") -> Table:
    return table(repr(found), *columns_of(found, ".3f", lambda_predicted="lambda", **INTERVAL))


@table_of.register
def _(place: Place, _part: str = "") -> Table:
    lift = columns_of(place, ".2f", lift_mm="lift mm")
    return table(repr(place), *lift, *columns_of(place, ".3f", lambda_predicted="lambda", **INTERVAL))


@table_of.register
def _(found: AltitudeOutlook, _part: str = "") -> Table:
    stop, heads = found.stop.places if found.stop else (), words_sheet.ALTITUDE_HEADS
    last = heads["final" if found.stop else "only"]
    names = [place_name(one.name) for one in found.places]
    return table(
        f"Lambda by altitude, {found.needle}, jet {found.places[0].drop_mm:.2f} mm below the bridge",
        *called(found.bands),
        *(
            Column(f"{key}_{k}", head.format(place=name), ".3f", one.lambda_predicted)
            for key, head, places in (("stop", heads["stop"], stop), ("lambda", last, found.places))
            for k, (name, one) in enumerate(zip(names, places, strict=False), 1)
        ),
        notes=(
            *at_altitudes(found.remarks()),
            *idle_co(found),
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
        *columns_of(
            found, ".3f", lambda_before="before", lambda_predicted="predicted", **INTERVAL, lambda_measured="measured"
        ),
        *columns_of(found, "", inside="inside"),
        *columns_of(found, ".2f", gain="gain", gain_u="+-"),
        intro=(diagnosis(found),),
        notes=(
            words_after.GAIN_MEANS,
            *map(say.remark, found.remarks()),
            *(words_after.MEASURED_BUT.format(words=one) for one in brought(found.bands)),
            *((say.remark(apart),) if apart else ()),
        ),
    )
