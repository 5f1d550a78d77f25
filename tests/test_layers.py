"""A file imports only from floors above it, or from earlier rooms of its own floor."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "needlecalc"
FLOORS = [
    ["echo", "version", "errors", "units", "arrays", "show", "remark", "public", "gaussian", "files", "priors"],
    [
        "physics.airflow",
        "physics.strips",
        "physics.annulus",
        "physics.air",
        "physics.fuel",
        "physics.exhaust",
        "physics.gauge",
    ],
    [
        "parts.needle",
        "parts.needles",
        "parts.measured",
        "parts.engine",
        "parts.carburettor",
        "parts.setup",
    ],
    [
        "measure.log.cell",
        "measure.log.columns",
        "measure.log.table",
        "measure.log.rows",
        "measure.log.values",
        "measure.log.record",
        "measure.log.file",
        "measure.drive.samples",
        "measure.drive.lag",
        "measure.drive.bands",
        "measure.drive.steady",
        "measure.drive.make",
        "measure.lift.estimates",
        "measure.lift.withlift",
        "measure.drive.merge",
        "measure.drive.sweep",
        "measure.checks.inspection",
        "measure.checks.limits",
        "measure.checks.check",
        "measure.checks.gas",
        "measure.checks.plausible",
        "measure.checks.patterns",
        "measure.checks.engine",
    ],
    [
        "design.forward.predict",
        "design.forward.metering",
        "design.belief.history",
        "design.belief.readings",
        "design.belief.unknowns",
        "design.belief.law",
        "design.belief.learned",
        "design.belief.learn",
        "design.belief.calibration",
        "design.inverse.limits",
        "design.inverse.target",
        "design.inverse.maketarget",
        "design.inverse.problem",
        "design.inverse.fit",
        "design.inverse.uncertainty",
        "design.inverse.solution",
        "design.inverse.stages",
        "design.inverse.alternatives",
        "design.inverse.verdict",
        "design.inverse.proposal",
        "design.inverse.notes",
        "design.inverse.nextstep",
        "design.inverse.solve",
        "design.after.outcome",
        "design.after.progress",
        "design.after.altitude",
        "design.after.trip",
        "design.after.rank",
        "design.after.changes",
    ],
    [
        "report.language",
        "report.measured",
        "report.say",
        "report.tables",
        "report.after",
        "report.document",
        "report.axes",
        "report.plot",
        "report.drawing",
        "report.card",
        "report.handover",
        "report.orders",
        "report.sheet",
        "report.pages",
    ],
    [
        "jobkinds",
        "jobdrive",
        "jobassumed",
        "job",
        "jobfile",
        "designfile",
        "jobnew",
        "example",
        "jobkeys",
        "commands",
        "__main__",
        "__init__",
    ],
]
UPWARDS = {("show", "report.after")}  # records show themselves in the words of the report floor
ORDER = [room for floor in FLOORS for room in floor]
FILES = sorted(file for file in PACKAGE.rglob("*.py") if file.name != "__init__.py" or file.parent == PACKAGE)


def room_of(file: Path) -> str:
    return ".".join(file.relative_to(PACKAGE).with_suffix("").parts)


def test_every_room_has_its_place():
    assert sorted(ORDER) == sorted(room_of(file) for file in FILES)


@pytest.mark.parametrize("file", FILES, ids=room_of)
def test_imports_go_one_way(file):
    here = ORDER.index(room_of(file))
    for node in ast.walk(ast.parse(file.read_text(encoding="utf-8"))):
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("needlecalc."):
            there = node.module.removeprefix("needlecalc.")
            for room in [there] if there in ORDER else [f"{there}.{one.name}" for one in node.names]:
                if room in ORDER and (room_of(file), room) not in UPWARDS:
                    assert ORDER.index(room) < here, f"{file.name} imports {room}"


@pytest.mark.parametrize("file", FILES, ids=room_of)
def test_rooms_are_not_halls(file):
    assert len(file.read_text(encoding="utf-8").splitlines()) <= 500
