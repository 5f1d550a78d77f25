"""A stored design read back: ``design.json``, beside the job that it was made for."""

from __future__ import annotations

import json
from collections.abc import Iterator, Mapping
from contextlib import contextmanager
from dataclasses import replace
from enum import Enum
from pathlib import Path
from types import NoneType
from typing import Any, get_args, get_origin, get_type_hints

import numpy as np

from needlecalc.design.inverse.alternatives import Alternative
from needlecalc.design.inverse.notes import remarks_of
from needlecalc.design.inverse.proposal import Design, NextStep, Stage, Stations
from needlecalc.design.inverse.solve import prepared
from needlecalc.design.inverse.stages import RISK
from needlecalc.design.inverse.target import Target
from needlecalc.design.inverse.verdict import Verdict
from needlecalc.echo import LONGEST_NAME, plain
from needlecalc.errors import InputError
from needlecalc.job import Job
from needlecalc.measure.drive.bands import Bands
from needlecalc.remark import BandName
from needlecalc.report.sheet import FORMAT
from needlecalc.units import FloatArray

READABLE = (2, 3, 4, FORMAT)
SAME = 1e-6  # other processors round otherwise
# An older version of the program finds the bands of the same log some 1e-5 off; another drive is off by 1e-3 and more.
SAME_DRIVE = 1e-4


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
    >>> from needlecalc.report.sheet import facts_of
    >>> file = pathlib.Path(tempfile.mkdtemp()) / "design.json"
    >>> _ = file.write_text(json.dumps(facts_of(road.job.sheet(road.design))))
    >>> read_design(file, road.job, road.bands)
    Design: usable, worst band 0.7 % off target
    """
    path = Path(path)
    name = plain(path.name, LONGEST_NAME)
    facts = _facts(path, name)
    bands = job.bands(job.read_log()) if bands is None else bands
    target, limits, present = job.target(bands), job.limits(), job.setup.carburettor.needle
    with _whole(name):
        other = _other_than(facts, job, target)
    if other:
        msg = f"{name} was made for another {' and '.join(other)} than the job now names; run the design again."
        raise InputError(msg)
    learned, checks = prepared(job.learned(bands), target, limits), job.checks(bands)
    called = target.called(*range(target.bands.rpm.size))
    with _whole(name):
        made = Design(
            learned=learned,
            target=target,
            limits=limits,
            risk=float(facts.get("risk", RISK)),
            drop_mm=float(facts["jet_drop_mm"]["target"]),
            final=_stage(facts, "final", "target", f"{present.name} at its target"),
            stop=_stage(facts, "stop", "stop", f"{present.name} at the first stop"),
            lean_margin=float(facts["lean_margin"]),
            chance_least=float(facts["chance_least"]),
            stations=_stations(facts.get("stations"), present.stations_mm.size),
            verdict=_made(Verdict, facts["verdict"]),
            alternatives=tuple(
                _made(Alternative, {**one, "band": called.index(_made(BandName, one["band"]))})
                for one in facts["alternatives"]
            ),
            next_step=_made(NextStep | None, facts["next_step"]),
            checks=checks,
        )
    return replace(made, remarks=remarks_of(made))


@contextmanager
def _whole(name: str) -> Iterator[None]:
    """Refuse a file that lacks a fact, or holds one of another kind."""
    try:
        yield
    except (KeyError, TypeError, ValueError) as error:
        msg = f"{name} is no whole design; it was cut or edited: run the design again."
        raise InputError(msg) from error


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


def _other_than(facts: Mapping[str, Any], job: Job, target: Target) -> list[str]:
    """What the job now names otherwise than the design was made for: needle, jet height, drive or target."""
    needle, bands, rows = job.setup.carburettor.needle, target.bands, facts["bands"]
    stored = {key: [row[key] for row in rows] for key in ("rpm", "load", "lift_mm", "lambda_measured", "lambda_target")}
    same = {
        "needle": _alike(facts["stations_mm"], needle.stations_mm) and _alike(facts["present_mm"], needle.diameters_mm),
        "jet height": _alike([facts["jet_drop_mm"]["before"]], [job.setup.carburettor.jet.drop_mm]),
        "drive": tuple(stored["load"]) == bands.load
        and all(_alike(stored[key], getattr(bands, key), SAME_DRIVE) for key in ("rpm", "lift_mm", "lambda_measured")),
        "target": _alike(stored["lambda_target"], target.lambda_target, SAME_DRIVE),
    }
    return [what for what, alike in same.items() if not alike]


def _alike(one: Any, other: Any, within: float = SAME) -> bool:
    first, second = _made(FloatArray, one), np.asarray(other, dtype=np.float64)
    return first.shape == second.shape and bool(np.allclose(first, second, rtol=within, atol=within))


def _stage(facts: Mapping[str, Any], stage: str, diameters: str, name: str) -> Stage:
    needle = {
        "name": name,
        "stations_mm": facts["stations_mm"],
        "diameters_mm": facts[f"{diameters}_mm"],
        "source": "proposed",
    }
    at = "_stop" if stage == "stop" else ""
    rows = {end: [row[f"lambda_{stage}{end}"] for row in facts["bands"]] for end in ("", "_low", "_high")}
    chances = {"chance_rich": facts[f"chance_rich{at}"], "chance_fails": facts[f"chance_fails{at}"]}
    bands = {"expected": rows[""], "low": rows["_low"], "high": rows["_high"]}
    made: Stage = _made(Stage, {"needle": needle, **bands, **chances})
    return made


def _stations(stored: Mapping[str, Any] | None, size: int) -> Stations:
    if stored is None:  # an older version: how uncertain each diameter is was not kept
        nan = np.full(size, np.nan)
        return Stations({}, nan, nan, np.ones(size, dtype=bool))
    made: Stations = _made(Stations, {"by_source": {}, **stored})
    if any(
        len(one) != size for one in (*made.by_source.values(), made.tolerance_um, made.idle_percent_per_um, made.supported)
    ):
        msg = "figures that are not one for each station"
        raise ValueError(msg)
    return made


def _made(kind: Any, stored: Any) -> Any:
    """What plain figures and names of the file stand for: a value of this kind, a record by the kinds of its fields."""
    origin, inner = get_origin(kind), get_args(kind)
    if kind is float:
        return float("nan") if stored is None else float(stored)
    if NoneType in inner:
        return None if stored is None else _made(inner[0], stored)
    if origin is np.ndarray:
        return np.array([_made(float, one) for one in stored], dtype=get_args(inner[1])[0])
    if origin is tuple:
        return tuple(_made(inner[0], one) for one in stored)
    if origin is Mapping:
        return {_made(inner[0], key): _made(inner[1], one) for key, one in stored.items()}
    if issubclass(kind, Enum | int | str):
        return kind(stored)
    return kind(**{key: _made(field, stored[key]) for key, field in get_type_hints(kind).items() if key in stored})
