"""What a job does not state: the value taken for it, how far off that may be, and what it costs at the file."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import fields, replace
from inspect import signature
from typing import Any

import numpy as np

from needlecalc.design.inverse.proposal import Design
from needlecalc.errors import InputError
from needlecalc.jobkinds import TAKEN_BY, built
from needlecalc.measure.drive.bands import Bands, LiftSource
from needlecalc.measure.drive.make import typed_each
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.setup import FlowParameters, Setup, fuel_flow, fuel_flow_and_slopes
from needlecalc.priors import (
    BORE_LENGTH,
    DEPRESSION,
    DEPRESSION_U,
    FILLING,
    FOR_LIFT,
    PISTON,
    PRIORS,
    SLIDE_DEPRESSION,
    SLIDE_PA,
    SLIDE_U,
    THROAT,
    Doubts,
    LiftDoubts,
    Prior,
)
from needlecalc.report import say
from needlecalc.report.language import words_sheet
from needlecalc.show import Column, Table, counted
from needlecalc.units import FloatArray

Sections = Mapping[str, Mapping[str, Any]]
WORTH_MEASURING = 2  # facts that the sheet names as those that would help most
LEAST_COST_UM = 0.05
PARTS = ("engine", "air_valve", "slide_valve")  # sections that the list sums up


def value_of(prior: Prior) -> Any:
    """Value taken for a key left out."""
    made = TAKEN_BY[prior.section][0]
    return signature(made).parameters[prior.key].default if prior.value is None else prior.value


def completed(part: Sections) -> tuple[dict[str, Mapping[str, Any]], tuple[Prior, ...]]:
    """Sections of a job with what they leave out, and what that was."""
    out: dict[str, Mapping[str, Any]] = {name: dict(keys) for name, keys in part.items()}
    if not part["air"] and "home_m" in part["altitude"]:
        out["air"] = {"altitude_m": part["altitude"]["home_m"]}  # the drive was at home
    typed = bool(part["bands"].get("rpm"))
    taken = []
    flow_known = {"air_flow_g_s", "manifold_pressure_pa"} & set(part["bands"]) or "depression_pa" in part["lift"]
    if part["slide_valve"] and typed and not flow_known and "usual_depression_pa" not in part["slide_valve"]:
        out["slide_valve"] = {**part["slide_valve"], "usual_depression_pa": SLIDE_PA}
        taken.append(SLIDE_DEPRESSION)
    for prior in (*FOR_LIFT, *PRIORS):
        section = out[prior.section]
        if prior.key in section or (prior.section == "air_valve" and part["slide_valve"]):
            continue
        if prior.section == "air" and "altitude_m" in section:
            continue
        if (prior.key == "lift_u_mm" and "lift_mm" not in section) or (prior.key == "lambda_se" and not typed):
            continue
        value = value_of(prior)
        if prior is THROAT:
            value = max(value, float(np.ceil(_greatest(part["lift"]) / AirValve.travel_share)))
        if prior.key == "drop_mm":
            ends = [section[end] for end in ("drop_min_mm", "drop_max_mm") if end in section]
            value = min(max(value, *ends[:1]), *ends[1:]) if len(ends) == 2 else value
        if prior.value is not None:
            out[prior.section] = {**section, prior.key: value}
        taken.append(replace(prior, value=value))
    return out, tuple(taken)


def about(prior: Prior, *, slide: bool = False) -> tuple[str, str]:
    """What a key is, and how to find it; otherwise where a slide carries the needle."""
    words = words_sheet.NOT_STATED | (words_sheet.NOT_STATED_SLIDE if slide else {})
    what, how = words[f"{prior.section} {prior.key}"]
    return what, how


def _greatest(lift: Mapping[str, Any]) -> float:
    given = lift.get("lift_mm")
    given = given if isinstance(given, list) else []
    return max([0.0, *(float(one) for one in given if isinstance(one, int | float) and one > 0.0)])


def _depression_u(assumed: tuple[Prior, ...], bands: Bands | None = None) -> float:
    """Uncertainty of an assumed depression as a share; 0 where it was stated, or read in all bands."""
    if bands is not None and np.isfinite(bands.depression_pa).all():
        return 0.0
    if SLIDE_DEPRESSION in assumed:
        return SLIDE_U
    return DEPRESSION_U if {prior.key for prior in assumed} & {prior.key for prior in PISTON} else 0.0


def doubts_of(stated: Mapping[str, Any]) -> Doubts:
    """Uncertainties that a job's [doubts] states, the usual ones for all others."""
    of_lift = {item.name for item in fields(LiftDoubts)} & stated.keys()
    lift = built(LiftDoubts, stated, "doubts", beside=stated.keys() - of_lift)
    return built(Doubts, stated, "doubts", beside=of_lift, lift=lift)


def widened(stated: Mapping[str, Any], assumed: tuple[Prior, ...], setup: Setup) -> Doubts:
    """Uncertainties with those of what was left out, but for those the job states itself."""
    doubts = doubts_of(stated)
    left = {f"{prior.section} {prior.key}": prior.u for prior in assumed}
    # At one lift the depression only enters through the Reynolds number: as half its share of the viscosity.
    viscosity = [doubts.viscosity, _depression_u(assumed) / 2.0]
    for key in ("temperature_degc", "ethanol_percent"):
        other = replace(setup.fuel, **{key: getattr(setup.fuel, key) + left.get(f"fuel {key}", 0.0)})
        viscosity.append(abs(float(np.log(other.viscosity_mm2_s() / setup.fuel.viscosity_mm2_s()))))
    found: dict[str, Any] = {
        "viscosity": float(np.linalg.norm(viscosity)),
        "lift_zero_mm": float(np.hypot(doubts.lift_zero_mm, left.get("jet drop_mm", 0.0))),
    }
    if "jet mounting" in left:
        found["eccentricity"] = max(left["jet mounting"], doubts.eccentricity_u("centred"))
    return replace(doubts, **{key: value for key, value in found.items() if key not in stated})


def needs_parts(bands: Bands, lift: Mapping[str, Any], assumed: tuple[Prior, ...], *, slide: bool) -> None:
    """Refuse to compute a lift, or the depression under a slide, from parts nobody stated: all are named at once."""
    sections = ("engine",) if slide else ("engine", "air_valve")
    if slide:
        what, instead = "the depression under the slide", "depression_pa"
        here = np.isfinite(bands.manifold_pressure_pa) & ~np.isfinite(bands.air_flow_g_s) & (instead not in lift)
    else:
        what, instead = "its lift", "lift_mm"
        here = ~np.isfinite(bands.lift_mm)
        if instead in lift:
            here &= ~np.isfinite(typed_each(lift[instead], bands, instead))
    lacks = [prior for prior in assumed if prior.section in sections]
    if not lacks or not here.any():
        return
    band = bands.name(int(np.argmax(here)))
    more = f" and {counted(int(here.sum()) - 1, 'more')}".removesuffix("s") if here.sum() > 1 else ""
    keys = "; ".join(f"[{prior.section}] {prior.key} ({about(prior, slide=slide)[1]})" for prior in lacks)
    lack = f"was not read and must be computed, for which the job lacks {keys}"
    msg = f"Band {band}{more}: {what} {lack}. Add them, or type {instead} under [lift]."
    raise InputError(msg)


def assumed_table(design: Design, assumed: tuple[Prior, ...], engine: Mapping[str, Any]) -> Table | None:
    """What was assumed, and what each costs: how far the target diameters move if it is off by its uncertainty."""
    listed = [prior for prior in assumed if prior.section not in PARTS]
    if share := _depression_u(assumed, design.target.bands):
        pa = round(float(design.setup.carburettor.air_valve.depression_pa(0.0)), -1)
        which = SLIDE_DEPRESSION if SLIDE_DEPRESSION in assumed else DEPRESSION
        listed.append(replace(which, value=pa, u=share * pa))
    by_pressure = any(LiftSource.PRESSURE in source for source in design.target.bands.lift_source)
    usual = design.setup.engine
    if by_pressure and FILLING.key not in engine and isinstance(usual.volumetric_efficiency, float):
        listed.append(replace(FILLING, value=usual.volumetric_efficiency, u=usual.volumetric_efficiency_u))
    if not listed:
        return None
    costs = {prior: _cost_um(design, prior) for prior in listed}
    listed.sort(key=costs.__getitem__, reverse=True)
    called = {prior: about(prior, slide=say.on_slide(design)) for prior in (*assumed, *listed)}
    rows = [
        {
            "what": called[prior][0],
            "value": words_sheet.MOUNTINGS.get(str(prior.value), prior.value),
            "u": None if isinstance(prior.value, str) else prior.u,
            "um": costs[prior],
            "key": f"[{prior.section}] {prior.key}",  # for whoever edits the job; no key stands on the sheet
        }
        for prior in listed
    ]
    forms = {"what": "", "value": "g", "u": ".4g", "um": ".1f"}
    columns = [Column(key, head, forms[key]) for key, head in words_sheet.ASSUMED_HEADS.items()]
    notes = [words_sheet.COSTS]
    if best := [called[prior] for prior in listed if costs[prior] > LEAST_COST_UM][:WORTH_MEASURING]:
        things = (words_sheet.HELPS_BY.format(what=what.partition(",")[0], how=how) for what, how in best)
        notes.append(words_sheet.HELPS_MOST.format(things="; ".join(things)))
    if unused := [called[prior][0] for prior in assumed if prior.section == "engine" or prior.key == THROAT.key]:
        notes.append(words_sheet.NOT_NEEDED.format(things=", ".join(unused)))
    return Table(words_sheet.ASSUMED, columns, rows, notes=notes)


def _cost_um(design: Design, prior: Prior) -> float:
    """How far the target diameters move, in um, where a value is off by one standard uncertainty; of the worst band."""
    setup, bands, key, u = design.setup, design.target.bands, prior.key, prior.u
    value: Any = prior.value
    carburettor, usual = setup.carburettor, FlowParameters.of(setup)
    known = carburettor.depression_pa(bands.lift_mm, bands.depression_pa)
    given: dict[str, Any] = {"diameters_mm": design.needle.diameters_mm, "drop_mm": design.drop_mm}
    _, slopes = fuel_flow_and_slopes(setup, bands.lift_mm, depression_pa=known, **given)
    per_um = np.abs(slopes.per_mm_diameter.sum(axis=-1)) * 1e-3
    if prior.section == "bands":
        return float(np.max(u / bands.lambda_measured / per_um))
    # Along the needle a lift and the jet's height count alike; held below its first station.
    highest = min(float(carburettor.position_mm(0.0, drop)) for drop in (design.drop_mm, carburettor.jet.drop_mm))
    lowest_lift = carburettor.needle.stations_mm[0] - highest

    def effect(setup: Setup, lift_mm: FloatArray, pressure: FloatArray, off: FlowParameters) -> FloatArray:
        """Logarithm of the fuel past the needle proposed over that past the present one."""
        place: dict[str, Any] = {"depression_pa": pressure, "parameters": off}
        lift = np.maximum(lift_mm, lowest_lift)
        after, before = (fuel_flow(setup, lift, **place, **needle).fuel_flow_g_s for needle in (given, {}))
        return np.asarray(np.log(after / before))

    other, lift, pressure, off = setup, bands.lift_mm, known, usual
    if key in (DEPRESSION.key, SLIDE_DEPRESSION.key):
        pressure = known * np.exp(u / value)
    elif prior.section == "fuel":
        other = replace(setup, fuel=replace(setup.fuel, **{key: getattr(setup.fuel, key) + u}))
    elif key == BORE_LENGTH.key:
        off = replace(usual, length_mm=carburettor.jet.parallel_length_mm + u)
    elif key == "mounting":
        off = replace(usual, eccentricity=abs(carburettor.jet.eccentricity() - u))
    elif key == "float_level_mm":
        other = setup.with_parts(float_level_mm=carburettor.float_level_mm + u)
    elif key in ("drop_mm", "shoulder_offset_mm", "lift_u_mm"):
        lift = lift - u  # towards the shoulder, where the needle surely is
    elif key == FILLING.key:
        lift = lift - bands.lift_common_u_mm  # by far the most of what moves all computed lifts at once
    change = effect(other, lift, pressure, off) - effect(setup, bands.lift_mm, known, usual)
    return float(np.max(np.abs(change) / per_um))
