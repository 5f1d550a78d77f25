"""What the tuner found before the cut; whatever is left out counts as not measured."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, fields
from typing import Any

import numpy as np

from needlecalc.arrays import check_fields, check_range, one_of, read_only, within
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle
from needlecalc.physics.exhaust import CARBON_OF_HYDROCARBON
from needlecalc.show import counted
from needlecalc.units import FloatArray

_OHMS, _CRANK, _DRY_GAS = "Ohms over 1000 are kohm.", "Degrees of the crank before top dead centre.", "Per cent of dry gas."
_VACUUM = ("ported", "manifold", "none")


def _read(low: float, high: float, what: str, cure: str, usual: float | None = None, *, least: int = 1) -> Any:
    """A reading: its range, what it is, and the cure of one that cannot be; of a row, the least count of its numbers."""
    return field(default=usual, metadata={**within(low, high, cure), "what": what, "least": least})


def _word(what: str, *words: str, usual: str | None = None) -> Any:
    return field(default=usual, metadata={**one_of(*words, cure="leave it out if not known."), "what": what})


def _yes(what: str) -> Any:
    return field(default=None, metadata={"what": what})


class _Found:
    """Every reading given is of its kind and inside its range; rows become tuples."""

    def __post_init__(self) -> None:
        for item in fields(self):  # type: ignore[arg-type]  # each is a dataclass
            name, value = item.name, getattr(self, item.name)
            if value is None:
                continue
            if str(item.type).startswith("bool") and not isinstance(value, bool):
                msg = f"{name} is {shown(value)}, but must be true or false; leave it out if not looked at."
                raise InputError(msg)
            if str(item.type).startswith("Sequence"):
                object.__setattr__(self, name, _row(value, name, item.metadata))
        check_fields(self)


@dataclass(frozen=True)
class Ignition(_Found):
    """Readings of the ignition, each left out where it was not taken; the fields are those of ``keys checks.ignition``.

    Resistances in kohm, gaps in mm, angles in degrees of the crank.

    Raises
    ------
    InputError
        If a reading is impossible or a word unknown.

    Examples
    --------
    >>> Ignition(lead_kohm=[9.8, 10.4, 11.1, 38.0]).lead_kohm
    (9.8, 10.4, 11.1, 38.0)
    """

    lead_kohm: Sequence[float] | None = _read(0.0, 1000.0, "Resistance of each plug lead, end to end.", _OHMS)
    plug_kohm: Sequence[float] | None = _read(0.0, 100.0, "Resistance of each plug, one for all allowed.", _OHMS)
    rotor_kohm: float | None = _read(0.0, 100.0, "Resistance of the rotor, and of the coil lead where there is one.", _OHMS)
    gap_mm: Sequence[float] | None = _read(0.1, 3.0, "Gap of each plug.", "0.025 in is 0.64 mm.")
    gap_specified_mm: float | None = _read(0.1, 3.0, "Gap the engine's papers ask for.", "0.025 in is 0.64 mm.")
    coil: str | None = _word("Coil fitted.", "standard", "high-energy")
    initial_deg: float | None = _read(-20.0, 80.0, "Advance at rest of the weights, vacuum hose off.", _CRANK)
    total_deg: float | None = _read(-20.0, 80.0, "Advance all in, vacuum hose off.", _CRANK)
    total_rpm: float | None = _read(500.0, 9000.0, "Speed at which it is all in.", "Revolutions of the crank.")
    idle_deg: float | None = _read(-20.0, 80.0, "Advance at idle as it runs, vacuum hose on.", _CRANK)
    vacuum_source: str | None = _word("Tapping the vacuum hose goes to, as found.", *_VACUUM)
    vacuum_specified: str | None = _word("Tapping the engine's papers ask for.", *_VACUUM)
    marks_wander_deg: float | None = _read(
        0.0, 60.0, "How far the timing marks wander at steady speed.", "Degrees of the crank."
    )
    altitude_m: float | None = _read(-500.0, 6000.0, "Where the car drives most.", "Metres above the sea.")


@dataclass(frozen=True)
class GasReading(_Found):
    """One reading of an exhaust analyser, with the lambda meter's; the fields are those of ``keys checks.gases``.

    Dry gas in per cent by volume, hydrocarbons in ppm counted as ``hc_as`` says.

    Examples
    --------
    >>> GasReading(at="idle", co_percent=1.2, co2_percent=14.3, o2_percent=0.4, hc_ppm=150.0).hc_as
    'hexane'
    """

    at: str = field(default="idle", metadata={"what": 'Running point: "idle", "2500 rpm".'})
    co_percent: float | None = _read(0.0, 15.0, "CO of dry gas, by volume.", _DRY_GAS)
    co2_percent: float | None = _read(0.0, 20.0, "CO2 of dry gas, by volume.", _DRY_GAS)
    o2_percent: float | None = _read(0.0, 21.5, "O2 of dry gas, by volume.", _DRY_GAS)
    hc_ppm: float | None = _read(0.0, 50e3, "Hydrocarbons.", "One per cent is 10000 ppm.")
    hc_as: str = _word("What they are counted as; the analyser's plate says.", *CARBON_OF_HYDROCARBON, usual="hexane")
    lambda_measured: float | None = _read(
        0.5, 3.0, "The lambda meter's reading at the same time.", "It is a lambda, not an AFR."
    )
    lambda_u: float = _read(0.0, 0.2, "Its uncertainty.", "It is a lambda, some 0.02.", 0.02)
    co_limit_percent: float | None = _read(0.0, 15.0, "CO limit of the test, which local law sets.", _DRY_GAS)
    hc_limit_ppm: float | None = _read(
        1.0, 20000.0, "HC limit of the test, counted as the reading is.", "It is in ppm, counted as hc_as says."
    )

    def hexane_ppm(self) -> float | None:
        """Hydrocarbons turned to the hexane scale by their carbon, ppm."""
        return self._as_hexane(self.hc_ppm)

    def hexane_limit_ppm(self) -> float | None:
        """Their limit on the same scale, ppm."""
        return self._as_hexane(self.hc_limit_ppm)

    def _as_hexane(self, ppm: float | None) -> float | None:
        return None if ppm is None else ppm * CARBON_OF_HYDROCARBON[self.hc_as] / CARBON_OF_HYDROCARBON["hexane"]


@dataclass(frozen=True)
class Sensor(_Found):
    """What is known of the lambda sensor; the fields are those of ``keys checks.sensor``.

    Examples
    --------
    >>> Sensor(free_air_o2_percent=20.9, place="downpipe")
    Sensor(free_air_o2_percent=20.9, place='downpipe')
    """

    free_air_o2_percent: float | None = _read(
        5.0, 40.0, "O2 that its controller shows in free air.", "Free air holds 20.9 %."
    )
    place: str | None = _word("Where it sits.", "manifold", "downpipe", "tailpipe")


@dataclass(frozen=True)
class Mechanical(_Found):
    """State of the engine while it was measured; the fields are those of ``keys checks.mechanical``.

    Coolant in degC, compression in kPa.

    Examples
    --------
    >>> Mechanical(compression_kpa=[1150, 1180, 1160, 1140]).compression_kpa
    (1150.0, 1180.0, 1160.0, 1140.0)
    """

    coolant_degc: float | None = _read(-40.0, 140.0, "Coolant, where the log has none.", "In degrees Celsius.")
    compression_kpa: Sequence[float] | None = _read(
        100.0, 2500.0, "Compression of each cylinder, any one gauge.", "One bar is 100 kPa, 100 psi are 690 kPa."
    )
    valve_gaps_right: bool | None = _yes("Whether the valve gaps are right.")
    filter_fitted: bool | None = _yes("Whether the air filter is fitted.")
    choke_off: bool | None = _yes("Whether the choke is off.")
    slow_return: bool | None = _yes("Whether idle comes down slowly.")
    flat_spot_on_snap: bool | None = _yes("Whether it hesitates only when the throttle is snapped.")
    rich_when_hot: bool | None = _yes("Whether it is rich only when hot.")


@dataclass(frozen=True)
class Twins(_Found):
    """Two or more carburettors side by side, one figure each; the fields are those of ``keys checks.twins``.

    Air in any one unit, flats counted from the highest nut.

    Examples
    --------
    >>> Twins(air=[10.0, 10.4]).air
    (10.0, 10.4)
    """

    air: Sequence[float] | None = _read(
        1e-6, 1e6, "Air flow of each at idle, in any one unit.", "An air flow is above zero.", least=2
    )
    lambda_each: Sequence[float] | None = _read(0.5, 2.0, "Lambda of each bank.", "It is a lambda, not an AFR.", least=2)
    flats: Sequence[float] | None = _read(
        -5.0,
        60.0,
        "Flats each jet nut stands below its highest, at the same idle mixture.",
        "Count from the highest setting.",
        least=2,
    )


@dataclass(frozen=True, eq=False)
class NeedleReading:
    """The needle fitted, measured at its stations.

    Parameters
    ----------
    needle : Needle
        The table it should meet.
    diameters_mm : array_like, shape (n,)
        Diameters as measured; NaN where not. [mm]
    second_mm : array_like, shape (n,), or None
        The same at another angle. [mm]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> needle = road.design.present()
    >>> NeedleReading(needle, needle.diameters_mm, needle.diameters_mm - 0.002).needle
    Needle 'van as fitted': 13 stations, 0 to 38.1 mm from the shoulder, 2.475 to 1.378 mm
    """

    needle: Needle
    diameters_mm: FloatArray
    second_mm: FloatArray | None = None

    def __post_init__(self) -> None:
        for name in ("diameters_mm", "second_mm"):
            given = getattr(self, name)
            if given is None:
                continue
            array = read_only(given, name, allow_nan=True)
            if array.size != self.needle.diameters_mm.size or np.isnan(array).all():
                msg = (
                    f"{name} holds {counted(int(np.isfinite(array).sum()), 'reading')} of {array.size}, but needle "
                    f"{self.needle.name} has {self.needle.diameters_mm.size} stations; give one each, nan where none."
                )
                raise InputError(msg)
            if (np.abs(array - self.needle.diameters_mm) > 0.5).any():
                msg = f"{name} is more than 0.5 mm off the table of needle {self.needle.name}; check unit and order."
                raise InputError(msg)
            object.__setattr__(self, name, array)


def _row(values: Any, name: str, facts: Mapping[str, Any]) -> tuple[float, ...]:
    least, (low, high), cure = facts["least"], facts["range"], facts["cure"]
    row = (values,) if isinstance(values, (int, float)) else values
    if isinstance(row, str) or len(row) < least:
        rule = f"must be a row of at least {counted(least, 'number')}; leave it out if not measured."
        msg = f"{name} is {shown(values)}, but {rule}"
        raise InputError(msg)
    return tuple(check_range(value, f"{name}, number {k}", low, high, cure=cure) for k, value in enumerate(row, 1))
