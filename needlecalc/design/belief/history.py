"""The passes of a job: what was fitted and measured each time, kept in one file."""

from __future__ import annotations

import json
from dataclasses import dataclass, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.design.belief.keptpass import (
    FORMAT,
    a_value,
    bands_of_facts,
    facts_of_bands,
    passes_in,
    record_of_facts,
    refused_as,
)
from needlecalc.design.forward.predict import need_lift
from needlecalc.errors import InputError
from needlecalc.files import write_files
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.merge import normalise_bands
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray
from needlecalc.version import made_facts, now

SAME_NEEDLE_MM = 1e-9


@dataclass(frozen=True, repr=False, eq=False)
class Pass(Shown):
    """One needle and jet height with the bands measured on them.

    Parameters
    ----------
    needle : Needle
        The needle fitted, as measured before the drive.
    drop_mm : float
        Jet drop of the drive. [mm]
    bands : Bands
        What the drive gave, with lifts.
    log_sha256 : str
        Hash of the drive's log, by which it is known again; that of the bands' log when not given.
    driven : bool
        False for a needle whose lambda is only predicted: it shows the way on, but teaches nothing.
    jet_drive : bool
        True for a drive with the jet moved, made to learn from; it belongs to the pass after it.
    air, fuel : Air, Fuel or None
        Those of the drive; where not given those under which the bands' lifts stand, or None where that is not known.

    Raises
    ------
    InputError
        If a band has no lift or no uncertainty of it, an uncertainty is negative, or the jet drop is no number.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> Pass(road.design.present(), road.setup.carburettor.jet.drop_mm, road.bands)
    Pass: needle 'van as fitted', jet drop 1.60 mm, 11 bands
    """

    needle: Needle
    drop_mm: float
    bands: Bands
    log_sha256: str = ""
    driven: bool = True
    jet_drive: bool = False
    air: Air | None = None
    fuel: Fuel | None = None

    def __post_init__(self) -> None:
        stated = self.bands.setup or self.bands.lift_setup
        for name in ("air", "fuel"):
            if getattr(self, name) is None and stated is not None:
                object.__setattr__(self, name, getattr(stated, name))
        if self.bands.log is not None and not self.log_sha256:
            object.__setattr__(self, "log_sha256", self.bands.log.sha256)
        need_lift(self.bands)
        check_range(self.drop_mm, "drop_mm", -2.0, 12.0, cure="Measure from the bridge down to the jet's face.")
        for name in ("lift_u_mm", "lambda_se", "lambda_spread"):
            u = self.bands.columns[name]
            self.bands.refuse(~(u >= 0.0), f"{name} is {{u:g}}, but an uncertainty must be zero or more; state it.", u=u)

    def __repr__(self) -> str:
        return f"Pass: needle {self.needle.name!r}, jet drop {self.drop_mm:.2f} mm, {counted(self.bands.rpm.size, 'band')}"

    def same_drive(self, other: Pass) -> bool:
        """Whether another pass was the very same drive: by the hash of the log, or by readings where one has none."""
        if self.log_sha256 and other.log_sha256:
            return self.log_sha256 == other.log_sha256
        mine, theirs = self.bands, other.bands
        return np.array_equal(mine.rpm, theirs.rpm) and np.array_equal(mine.lambda_measured, theirs.lambda_measured)


@dataclass(frozen=True, repr=False, eq=False)
class History(Shown):
    """Passes of one job, oldest first; all on one set of stations.

    Parameters
    ----------
    passes : tuple of Pass
        At least one.

    Raises
    ------
    InputError
        If there is no pass, or the needles do not share their stations.

    Examples
    --------
    >>> import numpy as np
    >>> from needlecalc import Needle, typed_bands
    >>> stock = Needle("stock", np.arange(13) * 3.175, np.linspace(2.45, 1.66, 13))
    >>> first = Pass(stock, 1.6, typed_bands([900, 3000], [0.97, 1.12], lift_mm=[2.0, 9.0]))
    >>> History((first,))
    History of 1 pass, 1 needle
    """

    passes: tuple[Pass, ...]

    def __post_init__(self) -> None:
        if not self.passes:
            msg = "A history needs at least one pass; give the first drive."
            raise InputError(msg)
        stations = self.passes[0].needle.stations_mm
        for number, one in enumerate(self.passes[1:], start=2):
            here = one.needle.stations_mm
            if here.shape != stations.shape or not np.allclose(here, stations, atol=1e-6):
                msg = (
                    f"Pass {number} has needle {one.needle.name} on other stations than pass 1; measure every pass "
                    "at the same stations from the same datum."
                )
                raise InputError(msg)

    def __repr__(self) -> str:
        count, needles = len(self.passes), int(self.needle_of_pass().max()) + 1
        return f"History of {counted(count, 'pass', 'passes')}, {counted(needles, 'needle')}"

    def needle_of_pass(self) -> FloatArray:
        """Number of the needle of each pass, from 0; passes with the same diameters share one."""
        numbers: list[int] = []
        diameters = np.array([one.needle.diameters_mm for one in self.passes])
        for number, mine in enumerate(diameters):
            alike = np.flatnonzero(np.abs(diameters[:number] - mine).max(axis=1) < SAME_NEEDLE_MM)
            numbers.append(numbers[alike[0]] if alike.size else max(numbers, default=-1) + 1)
        return np.array(numbers)

    def day_of_pass(self) -> FloatArray:
        """Number of the day of each pass, from 0; a drive with the jet moved is made on the day of the drive after it."""
        return np.cumsum([0, *(not one.jet_drive for one in self.passes[:-1])])

    def then(self, needle: Needle, drop_mm: float, bands: Bands) -> History:
        """The history with one more pass."""
        return History((*self.passes, Pass(needle, drop_mm, bands)))

    def driven(self) -> History:
        """The passes that were really driven, without needles whose lambda is only predicted."""
        return History(tuple(one for one in self.passes if one.driven))

    def in_one_air(self, setup: Setup) -> History:
        """Lambda of every pass as in the air and with the fuel of the last; as it is where either is not known."""
        last = self.passes[-1]
        moved = []
        for one in self.passes:
            air, fuel = last.air or one.air, last.fuel or one.fuel
            if one.air is None or one.fuel is None or (one.air == air and one.fuel == fuel):
                moved.append(one)
                continue
            then = replace(History((one,)).present(setup), air=one.air, fuel=one.fuel)
            bands = normalise_bands(one.bands.having(setup=then), air=air, fuel=fuel).bands
            moved.append(replace(one, bands=replace(bands, setup=one.bands.setup), air=air, fuel=fuel))
        return History(tuple(moved))

    def present(self, setup: Setup) -> Setup:
        """The setup with the needle and jet height of the last pass."""
        last = self.passes[-1]
        # The fuel level stays where it is when the jet moves.
        head = setup.carburettor.float_level_mm + setup.carburettor.jet.drop_mm - last.drop_mm
        return setup.with_parts(needle=last.needle, float_level_mm=head).with_jet(drop_mm=last.drop_mm)

    def save(
        self, path: str | Path, *, job: str = "", made_at: datetime | None = None, last_read: str | None = None
    ) -> None:
        """Write the passes driven to a JSON file, every figure in full; the old file stays whole until the new one is.

        Parameters
        ----------
        path : str or Path
            File to write.
        job : str
            Name of the job, kept with the passes.
        made_at : datetime or None
            Date and time to be kept with them; now when not given.
        last_read : str or None
            Hash (sha256) the file had when the passes were read, empty where it was not there yet; the file is left alone
            if it has another one by now.

        Raises
        ------
        InputError
            If it cannot be written, or another run wrote it since it was read.
        """
        made_by = {**made_facts(made_at or now()), "job": job}
        content = {"format": FORMAT, "made_by": made_by, "passes": [_facts(one) for one in self.driven().passes]}
        path = Path(path)
        write_files({path: json.dumps(content, indent=1).encode()}, f"{path.name}: the history", last_read=last_read)


def read_history(path: str | Path) -> History:
    """History from the file :meth:`History.save` wrote.

    Parameters
    ----------
    path : str or Path
        The file.

    Returns
    -------
    History
        The passes; the logs themselves are not kept, only their bands.

    Raises
    ------
    LogFormatError
        If the file is no history.

    Examples
    --------
    >>> from pathlib import Path
    >>> from tempfile import TemporaryDirectory
    >>> from needlecalc.example import road
    >>> with TemporaryDirectory() as folder:
    ...     road.job.passes(road.bands).save(Path(folder) / "passes.json")
    ...     read_history(Path(folder) / "passes.json")
    History of 1 pass, 1 needle
    """
    listed = passes_in(path)
    passes = []
    for number, facts in enumerate(listed, start=1):
        with refused_as(path, f", pass {number}"):
            passes.append(_pass_of(facts))
    with refused_as(path):
        return History(tuple(passes))


def _facts(one: Pass) -> dict[str, Any]:
    needle = one.needle
    facts = {
        "needle": {
            "name": needle.name,
            "stations_mm": needle.stations_mm.tolist(),
            "diameters_mm": needle.diameters_mm.tolist(),
            "source": needle.source,
        },
        "drop_mm": one.drop_mm,
        "log_sha256": one.log_sha256,
        "bands": facts_of_bands(one.bands),
    }
    if one.jet_drive:
        facts["jet_drive"] = True
    for name, conditions in (("air", one.air), ("fuel", one.fuel)):
        if conditions is not None:
            facts[name] = {key: value for key, value in vars(conditions).items() if value is not None}
    return facts


def _pass_of(facts: object) -> Pass:
    whole = a_value(facts, "it", (dict,), "a table in braces")
    return Pass(
        record_of_facts(Needle, whole["needle"]),
        a_value(whole["drop_mm"], "drop_mm", (int, float), "a number"),
        bands_of_facts(whole["bands"]),
        a_value(whole.get("log_sha256", ""), "log_sha256", (str,), "text"),
        jet_drive=whole.get("jet_drive") is True,
        air=record_of_facts(Air, whole["air"]) if whole.get("air") is not None else None,
        fuel=record_of_facts(Fuel, whole["fuel"]) if whole.get("fuel") is not None else None,
    )
