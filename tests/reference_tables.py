"""Reads a reference table: '#' header lines with source and tolerance, then plain CSV."""

from __future__ import annotations

import csv
from pathlib import Path
from typing import Any

REFERENCE_FOLDER = Path(__file__).parent / "reference"


def read_reference(name: str, *, folder: Path = REFERENCE_FOLDER) -> list[dict[str, Any]]:
    """Rows of ``name`` (with or without '.csv'); numbers become floats, empty cells None, text stays.

    A table that does not say where its numbers come from ('# source: ...') is refused.
    """
    path = folder / (name if name.endswith(".csv") else f"{name}.csv")
    lines = path.read_text(encoding="utf-8").splitlines()
    header = [line.lstrip("# ") for line in lines if line.startswith("#")]
    if not any(line.lower().startswith("source:") and line[7:].strip() for line in header):
        msg = f"{path.name} has no line '# source: ...'; say where the numbers come from."
        raise ValueError(msg)
    body = [line for line in lines if line.strip() and not line.startswith("#")]
    reader = csv.DictReader(body, strict=True, skipinitialspace=True)
    rows = [{key: _cell(value) for key, value in row.items()} for row in reader]
    if not rows:
        msg = f"{path.name} has no rows below its header."
        raise ValueError(msg)
    for number, row in enumerate(rows, start=1):
        if None in row or len(row) != len(reader.fieldnames or ()) or any(v is _MISSING for v in row.values()):
            msg = f"{path.name}, row {number}: it has not one cell for each of {reader.fieldnames}."
            raise ValueError(msg)
    return rows


_MISSING = object()


def _cell(text: Any) -> Any:
    if text is None:  # DictReader's mark for a cell that is not there
        return _MISSING
    if isinstance(text, list):  # and for cells too many
        return text
    text = text.strip()
    if not text:
        return None
    try:
        return float(text)
    except ValueError:
        return text
