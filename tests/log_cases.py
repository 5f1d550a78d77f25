"""Small logs of invented lines."""

from __future__ import annotations

import io

import numpy as np

from needlecalc.measure.log.file import Log, read_log

N = 60
SECONDS = np.arange(N) / 10
RPM = 900.0 + 10 * np.arange(N)
LAMBDA = 0.9 + 0.001 * (np.arange(N) % 9)
BASE = {"Time (s)": SECONDS, "RPM": RPM, "Lambda": LAMBDA}


def read(raw: bytes, name: str = "x", **options: object) -> Log:
    """Log of some bytes that stand in a file of that name."""
    file = io.BytesIO(raw)
    file.name = name
    return read_log(file, **options)


def made(table: dict[str, object], **options: object) -> Log:
    """Log of columns of numbers."""
    cells = [np.broadcast_to(np.asarray(values, dtype=float), N).tolist() for values in table.values()]
    lines = [";".join(table), *(";".join(f"{cell:.6g}" for cell in row) for row in zip(*cells, strict=True)), ""]
    return read("\n".join(lines).encode(), "made.csv", **{"decimal": ".", **options})


def kinds(log: Log) -> list[object]:
    """What was noted of it."""
    return [remark.kind for remark in log.remarks]


def rows_of(first: int, last: int) -> str:
    """Rows of a small log, a tenth of a second apart."""
    return "".join(f"{k / 10:.1f},{900 + k % 40},{0.9 + k % 7 / 100:.2f}\n" for k in range(first, last))
