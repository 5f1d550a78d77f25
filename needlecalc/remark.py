"""Facts worth a word: what was found, how grave, where, and its numbers; `report` makes the sentences."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import IntEnum, StrEnum
from typing import NamedTuple


class Severity(IntEnum):
    """How grave a remark is; the greater, the graver."""

    NOTE = 0
    CAUTION = 1
    STOP = 2


class BandName(NamedTuple):
    """What tells one band from the others: speed in 1/min, load, and the bank of twins."""

    rpm: float
    load: str
    bank: str = ""


@dataclass(frozen=True)
class Remark:
    """One fact that the user should know of; equal facts are equal remarks."""

    kind: StrEnum  # what was found; each room that makes remarks has an enum of its kinds
    severity: Severity = Severity.NOTE  # how grave it is
    stations: tuple[int, ...] = ()  # those it is about, counted from 1 at the shoulder
    bands: tuple[BandName, ...] = ()  # those it is about, the worst first
    # Figures by name, units in the names; a text only where the user typed it.
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)
