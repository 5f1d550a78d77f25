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
    """One fact that the user should know of; equal facts are equal remarks.

    Parameters
    ----------
    kind : StrEnum
        What was found; each room that makes remarks has an enum of its kinds.
    severity : Severity
        How grave it is.
    stations : tuple of int
        Stations it is about, counted from 1 at the shoulder; empty where it is about none.
    bands : tuple of BandName
        Bands it is about, the worst first; empty where it is about none.
    numbers : mapping of str to float, int or str
        Figures by name, units in the names; a text only where the user typed it.

    Examples
    --------
    >>> class Kind(StrEnum):
    ...     BLENDED = "blended between neighbours"
    >>> Remark(Kind.BLENDED, Severity.NOTE, stations=(4, 5))
    Remark(blended between neighbours, stations 4 5)
    """

    kind: StrEnum
    severity: Severity = Severity.NOTE
    stations: tuple[int, ...] = ()
    bands: tuple[BandName, ...] = ()
    numbers: Mapping[str, float | int | str] = field(default_factory=dict)

    def __repr__(self) -> str:
        said = [str(self.kind.value)]
        if self.stations:
            said.append(f"stations {' '.join(map(str, self.stations))}")
        if self.bands:
            said.append(f"bands {', '.join(f'{band.rpm:.0f} {band.load} {band.bank}'.rstrip() for band in self.bands)}")
        said += [
            f"{key} {value:.4g}" if isinstance(value, float) else f"{key} {value}" for key, value in self.numbers.items()
        ]
        return f"Remark({', '.join(said)})"
