"""Everything another program may want of a sheet, as plain figures and names: what ``design.json`` holds."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import is_dataclass
from enum import Enum
from typing import Any

import numpy as np

from needlecalc.design.inverse.alternatives import Alternative
from needlecalc.report.sheet import GrindSheet
from needlecalc.version import made_facts

# 4 held chances of a measurement, 3 no uncertainty of a diameter by source, 2 no figures of the stations and no risk
FORMAT = 5


def facts_of(sheet: GrindSheet) -> dict[str, Any]:
    """Facts of a sheet and its design, no sentence among them; what is not known is None."""
    design, altitude = sheet.design, sheet.altitude
    log, jet = design.target.bands.log, design.setup.carburettor.jet
    facts = {
        "format": FORMAT,
        "job": design.setup.name,
        "made_by": made_facts(sheet.made_at),
        "verdict": {"met": design.met, **_fields(design.verdict)},
        "stages": design.stages(),
        "before_cutting": sheet.before_remarks(),
        "altitude_red": None if altitude is None else altitude.red(),
        "remarks": design.remarks,
        "alternatives": [_alternative(one, sheet) for one in design.alternatives],
        "next_step": design.next_step,
        "checks": None if design.checks is None else [check.facts() for check in design.checks.checks],
        "override": design.checks.reason if design.checks else None,
        "stations_mm": design.needle.stations_mm,
        "present_mm": design.present().diameters_mm,
        "stop_mm": design.stop.needle.diameters_mm,  # as planned; the sheet leaves what no hand can tell: design.stop_mm()
        "target_mm": design.needle.diameters_mm,
        "jet_drop_mm": {"before": jet.drop_mm, "target": design.drop_mm},
        "stations": {**_fields(design.stations), "u_um": design.stations.u_um, "mostly_from": design.stations.mostly_from},
        "risk": design.risk,
        "lean_margin": design.lean_margin,
        "chance_rich": design.final.chance_rich,
        "chance_rich_stop": design.stop.chance_rich,
        "chance_least": design.chance_least,
        "chance_fails": design.final.chance_fails,
        "chance_fails_stop": design.stop.chance_fails,
        "bands": [dict(row) for row in design.band_table().rows],
        "log": None if log is None else {"file": log.name, "sha256": log.sha256},
    }
    return {key: _plain(value) for key, value in facts.items()}


def _alternative(one: Alternative, sheet: GrindSheet) -> dict[str, Any]:
    called = sheet.design.target.called
    named = {"band": called(one.band)[0], "worst_band": called(one.worst())[0], "missed": one.missed()}
    return {**_fields(one), **named}


def _fields(record: Any) -> dict[str, Any]:
    return {key: getattr(record, key) for key in record.__dataclass_fields__}


def _plain(value: Any) -> Any:
    """The same in what JSON knows: names for kinds, None for what is no number."""
    if isinstance(value, Enum):
        return value.value
    if hasattr(value, "_asdict"):
        return _plain(value._asdict())
    if is_dataclass(value):
        return _plain(_fields(value))
    if isinstance(value, Mapping):
        return {str(key): _plain(one) for key, one in value.items()}
    if isinstance(value, np.ndarray):
        return _plain(value.tolist())
    if isinstance(value, Sequence) and not isinstance(value, str):
        return [_plain(one) for one in value]
    return None if isinstance(value, float) and not np.isfinite(value) else value
