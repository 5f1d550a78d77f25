"""What comes after a design, in words: the file, the rescue, the next drive, other places."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence

import numpy as np

from needlecalc.design.after.altitude import AltitudeOutlook, AltitudeRemark
from needlecalc.design.after.changes import Changes, Tried
from needlecalc.design.after.outcome import Outcome
from needlecalc.design.after.progress import LIGHT_PASS_UM, Progress, StationState
from needlecalc.design.after.rescue import HURT, STILL_FITS, Rescue, WayOut
from needlecalc.design.inverse.alternatives import Alternative, Change
from needlecalc.design.inverse.proposal import Stages
from needlecalc.measure.drive.bands import WORST_NAMED
from needlecalc.remark import Remark
from needlecalc.report import say
from needlecalc.report.language import words, words_after, words_pages, words_sheet

STOOD_STILL = 0.1  # of the change computed


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
        to_go=say.stations(left),
        most=found.to_go_um[most - 1],
        where=most,
        light=LIGHT_PASS_UM,
        past=words_after.PAST.format(Stations=say.stations(past).capitalize()) if past else "",
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
    missed, worst = one.missed(), one.worst()
    return words_after.WAYS_OUT[kind].format(
        hurt=100.0 * HURT,
        band=say.band(asked.target.called(worst)[0]),
        worst=100.0 * missed[worst],
        within=100.0 * float(abs(missed).max()),
        turn=turn,
        Turn=turn.capitalize(),
    )


def rescued(one: Alternative, found: Rescue) -> str:
    """Name of one way out."""
    name = say.band(found.planned().target.called(one.band)[0])
    return words_after.RESCUES[one.kind].format(band=name, amount=one.amount, bore_mm=one.bore_mm)


def rescue_note(one: Alternative, found: Rescue) -> str:
    """What to know of one way out; empty where there is nothing."""
    target, lowest, missed = found.planned().target, found.lowest(), one.missed()
    low, high = found.car.setup.carburettor.jet.drop_range_mm()
    worst, name = one.worst(), say.band(target.called(one.band)[0])
    reached, worst_named = abs(missed[one.band]) < 1e-3, say.band(target.called(worst)[0])
    fits = abs(missed[worst]) <= STILL_FITS
    cut = words_after.FILES_MORE.format(um=one.largest_cut_um, stations=say.stations(one.stations))
    figures = {
        "lowest": say.band(target.called(lowest)[0]),
        "before": found.alternatives[0].lambda_expected[lowest],
        "after": one.lambda_expected[lowest],
        "reached": "" if reached else words_after.NOT_REACHED.format(band=name, after=one.lambda_expected[one.band]),
        "assumed": words_after.RANGE_ASSUMED.format(low=low, high=high) if found.range_assumed() else "",
        "filing": cut if one.stations else words_after.FILES_NOTHING,
        "fit": "" if fits else words_after.NO_FIT.format(band=worst_named, worst=100.0 * missed[worst]),
        "richer": 100.0 * (1.0 - one.amount),
        "amount": one.amount,
        "bore_mm": one.bore_mm,
    }
    return words_after.RESCUE_NOTES[one.kind].format(**figures)


def too_lean(one: Alternative, found: Rescue) -> str:
    """Full load that a way out leans past its target and past what pistons bear; empty where it does not."""
    target = found.planned().target
    over = target.full_load() & (one.lambda_expected > target.leanest_full_load()) & (one.missed() > HURT)
    lean = np.flatnonzero(over)
    if not lean.size:
        return ""
    listed = ", ".join(
        f"{say.band(target.called(b)[0])} at {one.lambda_expected[b]:.3f}" for b in lean[:WORST_NAMED].tolist()
    )
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
    nut = words_sheet.PILOT_SET if say.on_slide(found.design) else words_sheet.NUT_SET
    last = () if found.instead() or found.design.stages() is Stages.NOTHING else (words_sheet.NOTHING_INSTEAD,)
    return [*last, words_sheet.ONE_CHANGE.format(nut=nut), *map(say.remark, found.left_out)]


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
    value = ", ".join(map(say.band, one.bands[:WORST_NAMED]))
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
        furthest=say.band(found.bands.called(int(found.band[worst]))[0]),
        first_aid=words.FIRST_AID,
        moved=(words_after.STOOD_STILL if abs(1.0 + size) < STOOD_STILL else words_after.MOVED).format(share=1.0 + size),
        share=1.0 + size,
        percent=100.0 * abs(size),
        above=words_after.ABOVE if size > 0.0 else words_after.BELOW,
        mm=abs(size),
        further=words_after.OUT_OF if size > 0.0 else words_after.INTO,
        alike=words_after.ALIKE.format(causes=alike) if alike else "",
    )
