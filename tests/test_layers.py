"""A file imports only from floors above it, or from earlier rooms of its own floor."""

from __future__ import annotations

import ast
from pathlib import Path

import pytest

PACKAGE = Path(__file__).parent.parent / "needlecalc"
FLOORS = [
    ["errors", "units", "arrays", "show"],
    [
        "physics.limits",
        "physics.rising",
        "physics.isentropic",
        "physics.airdemand",
        "physics.throat",
        "physics.airvalve",
        "physics.jetarea",
        "physics.annulus_exact",
        "physics.gapintegral",
        "physics.ovalbore",
        "physics.borepoints",
        "physics.strips",
        "physics.annulus",
        "physics.air",
        "physics.barometer",
        "physics.stoichiometry",
        "physics.fuel",
        "physics.fuelchange",
        "physics.exhaust",
        "physics.analyser",
        "physics.gauge",
        "physics.leak",
    ],
    [
        "parts.tablefile",
        "parts.needle",
        "parts.measured",
        "parts.jet",
        "parts.conditions",
        "parts.slide",
        "parts.carburettor",
        "parts.engine",
        "parts.setup",
    ],
    [
        "measure.logunits",
        "measure.logcell",
        "measure.logtable",
        "measure.logtext",
        "measure.logrows",
        "measure.logcolumns",
        "measure.logflags",
        "measure.logvalues",
        "measure.logtime",
        "measure.logrecord",
        "measure.logfile",
        "measure.windows",
        "measure.signals",
        "measure.lagfit",
        "measure.lag",
        "measure.steady",
        "measure.averages",
        "measure.bands",
        "measure.typedbands",
        "measure.depression",
        "measure.liftparts",
        "measure.liftways",
        "measure.throttlelift",
        "measure.liftweigh",
        "measure.lift",
        "measure.liftcheck",
        "measure.normalise",
        "measure.merge",
        "measure.sweep",
        "measure.noted",
        "measure.sensorzero",
        "measure.checklimits",
        "measure.gate",
        "measure.leaksign",
        "measure.signatures",
        "measure.checktyped",
        "measure.checkgas",
        "measure.checkbands",
        "measure.checks",
    ],
    [
        "design.predict",
        "design.compare",
        "design.metering",
        "design.idletest",
        "design.target",
        "design.doubts",
        "design.history",
        "design.liftpattern",
        "design.readings",
        "design.unknowns",
        "design.arrowhead",
        "design.bandsquares",
        "design.learned",
        "design.learn",
        "design.calibration",
        "design.leastsquares",
        "design.limits",
        "design.problem",
        "design.fit",
        "design.sure",
        "design.stages",
        "design.verdict",
        "design.solution",
        "design.binding",
        "design.options",
        "design.blend",
        "design.twins",
        "design.proposal",
        "design.foresight",
        "design.nextstep",
        "design.solve",
        "design.refit",
        "design.progress",
        "design.rescue",
        "design.outcome",
        "design.altitude",
        "design.rank",
    ],
    ["report.plot", "report.sheetwords", "report.sheet", "report.paper", "report.pages"],
    ["jobparts", "jobdrive", "job", "__main__", "__init__"],
]
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
        if isinstance(node, ast.ImportFrom) and (node.module or "").startswith("needlecalc"):
            assert ORDER.index(node.module.removeprefix("needlecalc.")) < here, f"{file.name} imports {node.module}"


@pytest.mark.parametrize("file", FILES, ids=room_of)
def test_rooms_are_not_halls(file):
    assert len(file.read_text(encoding="utf-8").splitlines()) <= 500
