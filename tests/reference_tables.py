"""Reference tables: rows of text below '#' lines that must name their source."""

from __future__ import annotations

import csv
from pathlib import Path

FOLDER = Path(__file__).parent / "reference"


def read_reference(name: str) -> list[dict[str, str]]:
    lines = (FOLDER / f"{name}.csv").read_text(encoding="utf-8").splitlines()
    heads = [line for line in lines if line.startswith("#")]
    assert any(line.startswith("# source:") for line in heads), f"{name}: no source named"
    return list(csv.DictReader(line for line in lines if not line.startswith("#")))
