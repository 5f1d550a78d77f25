"""A stored design read back: ``design.json``, beside the job that it was made for."""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np

from needlecalc.design.belief.unknowns import Source
from needlecalc.design.inverse.alternatives import Alternative, Change
from needlecalc.design.inverse.limits import Limit, LimitKind
from needlecalc.design.inverse.notes import remarks_of
from needlecalc.design.inverse.proposal import Design, Measurement, NextStep, Stage, Stations
from needlecalc.design.inverse.solve import prepared
from needlecalc.design.inverse.stages import RISK
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.uncertainty import Promise
from needlecalc.design.inverse.verdict import Cause, Missed, Verdict, VerdictKind
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError
from needlecalc.job import Job
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.remark import BandName
from needlecalc.report.facts import FORMAT
from needlecalc.units import FloatArray

READABLE = (2, 3, FORMAT)
SAME = 1e-6  # other processors round otherwise


def read_design(path: str | Path, job: Job, bands: Bands | None = None) -> Design:
    """Design stored as ``design.json``, without solving again.

    Parameters
    ----------
    path : str or Path
        The file, as ``design`` wrote it.
    job : Job
        The job that it was made for: its drive, its needle, its jet height.
    bands : Bands or None
        Bands of that drive, where they are at hand; made from the job's log when not given.

    Returns
    -------
    Design
        Diameters, stages, chances, intervals, verdict, alternatives and next measurement as stored; what is known of the
        car, target and checks from the job.

    Raises
    ------
    InputError
        If the file cannot be read, is of no version known, or was made for another needle, jet height, drive or target.

    Examples
    --------
    >>> import json, pathlib, tempfile
    >>> from needlecalc.example import road
    >>> from needlecalc.report.facts import facts_of
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "design.json"
    >>> _ = file.write_text(json.dumps(facts_of(road.job.sheet(road.design))))
    >>> read_design(file, road.job, road.bands)
    Design: usable, worst band 0.7 % off target
    """
    path = Path(path)
    name = plain(path.name, LONGEST_NAME)
    facts = _facts(path, name)
    bands = job.bands(job.read_log()) if bands is None else bands
    target, limits = job.target(bands), job.limits()
    _same_case(facts, job, target, name)
    learned = prepared(job.learned(bands), target, limits)
    present = job.setup.carburettor.needle
    try:
        chances = facts["chance_rich"], facts["chance_fails"], facts["chance_rich_stop"], facts["chance_fails_stop"]
        made = Design(
            learned=learned,
            target=target,
            limits=limits,
            risk=float(facts.get("risk", RISK)),
            drop_mm=float(facts["jet_drop_mm"]["target"]),
            final=_stage(facts, "final", f"{present.name} at its target", facts["target_mm"], *chances[:2]),
            stop=_stage(facts, "stop", f"{present.name} at the first stop", facts["stop_mm"], *chances[2:]),
            lean_margin=float(facts["lean_margin"]),
            chance_least=float(facts["chance_least"]),
            stations=_stations(facts.get("stations"), present.stations_mm.size),
            verdict=_verdict(facts["verdict"]),
            alternatives=tuple(_alternative(one, target.called(*range(bands.rpm.size))) for one in facts["alternatives"]),
            next_step=_next_step(facts["next_step"]),
            checks=job.checks(bands),
        )
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{name} is no whole design; it was cut or edited: run the design again."
        raise InputError(msg) from error
    return replace(made, remarks=remarks_of(made))


def _facts(path: Path, name: str) -> dict[str, Any]:
    try:
        facts = json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError, RecursionError) as error:
        reason = getattr(error, "strerror", None) or "it is no JSON"
        msg = f"{name}: the stored design cannot be read ({reason}); run the design first."
        raise InputError(msg) from error
    version = facts.get("format") if isinstance(facts, dict) else None
    if version not in READABLE:
        msg = f"{name}: a design of this version cannot be read back; run the design again."
        raise InputError(msg)
    return dict(facts)


def _same_case(facts: Mapping[str, Any], job: Job, target: Target, name: str) -> None:
    """Refuse a design of another needle, jet height, drive or target than the job now names."""
    needle, bands = job.setup.carburettor.needle, target.bands
    try:
        rows = facts["bands"]
        stored = {key: _floats([row[key] for row in rows]) for key in ("rpm", "lift_mm", "lambda_measured", "lambda_target")}
        loads = tuple(row["load"] for row in rows)
        parts: dict[str, list[tuple[Any, Any]]] = {
            "needle": [(facts["stations_mm"], needle.stations_mm), (facts["present_mm"], needle.diameters_mm)],
            "jet height": [([facts["jet_drop_mm"]["before"]], [job.setup.carburettor.jet.drop_mm])],
            "drive": [(stored[key], getattr(bands, key)) for key in ("rpm", "lift_mm", "lambda_measured")],
            "target": [(stored["lambda_target"], target.lambda_target)],
        }
        other = [what for what, pairs in parts.items() if not all(_alike(*pair) for pair in pairs)]
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{name} is no whole design; it was cut or edited: run the design again."
        raise InputError(msg) from error
    if loads != bands.load and "drive" not in other:
        other.append("drive")
    if other:
        msg = f"{name} was made for another {' and '.join(other)} than the job now names; run the design again."
        raise InputError(msg)


def _alike(one: Any, other: Any) -> bool:
    first, second = np.asarray(one, dtype=np.float64), np.asarray(other, dtype=np.float64)
    return first.shape == second.shape and bool(np.allclose(first, second, rtol=SAME, atol=SAME))


def _number(value: float | None) -> float:
    return float("nan") if value is None else float(value)


def _floats(values: Sequence[float | None]) -> FloatArray:
    return np.array([_number(value) for value in values])


def _stage(facts: Mapping[str, Any], stage: str, name: str, diameters: Sequence[float], rich: float, fails: float) -> Stage:
    needle = Needle(name, _floats(facts["stations_mm"]), _floats(diameters), source="proposed")
    expected, low, high = (_floats([row[f"lambda_{stage}{end}"] for row in facts["bands"]]) for end in ("", "_low", "_high"))
    return Stage(needle, expected, low, high, float(rich), float(fails))


def _stations(stored: Mapping[str, Any] | None, size: int) -> Stations:
    if stored is None:  # an older version: how uncertain each diameter is was not kept
        nan = np.full(size, np.nan)
        return Stations({}, nan, nan, np.ones(size, dtype=bool))
    return Stations(
        {Source(name): _floats(um) for name, um in stored.get("by_source", {}).items()},
        _floats(stored["tolerance_um"]),
        _floats(stored["idle_percent_per_um"]),
        np.array(stored["supported"], dtype=bool),
    )


def _limit(stored: Mapping[str, Any] | None) -> Limit | None:
    return None if stored is None else Limit(LimitKind(stored["kind"]), stored["station"])


def _verdict(stored: Mapping[str, Any]) -> Verdict:
    missed = tuple(
        Missed(**{**one, "band": BandName(**one["band"]), "cause": Cause(one["cause"]), "limit": _limit(one["limit"])})
        for one in stored["missed"]
    )
    gaps = tuple((float(low), float(high)) for low, high in stored["gaps_mm"])
    return Verdict(VerdictKind(stored["kind"]), float(stored["worst"]), missed, gaps)


def _alternative(stored: Mapping[str, Any], bands: Sequence[BandName]) -> Alternative:
    """One change solved again; the band that it is about is stored by name."""
    figures = {key: stored[key] for key in ("drop_mm", "bore_mm", "met", "largest_cut_um")}
    figures |= {key: _number(stored[key]) for key in ("before", "amount", "multiplier")}
    figures |= {key: _floats(stored[key]) for key in ("diameters_mm", "lambda_expected", "lambda_target")}
    return Alternative(
        kind=Change(stored["kind"]),
        band=bands.index(BandName(**stored["band"])),
        stations=tuple(stored["stations"]),
        limit=_limit(stored["limit"]),
        **figures,
    )


def _next_step(stored: Mapping[str, Any] | None) -> NextStep | None:
    if stored is None:
        return None
    now, then = ({key: _number(value) for key, value in stored[when].items()} for when in ("now", "then"))
    bands, left_out = (tuple(BandName(**one) for one in stored[key]) for key in ("bands", "left_out"))
    what, amount = Measurement(stored["what"]), _number(stored["amount"])
    return NextStep(what, Promise(**now), Promise(**then), bands, left_out, stored["flats"], amount)
