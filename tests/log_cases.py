"""Logs from bytes, as from an open file."""

from __future__ import annotations

import io

from needlecalc.measure.log.file import Log, read_log


def read(raw: bytes, name: str = "x", **options: object) -> Log:
    """Log of some bytes that stand in a file of that name."""
    file = io.BytesIO(raw)
    file.name = name
    return read_log(file, **options)
