"""What the tuner found before the cut; whatever is left out counts as not measured."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import Any

import numpy as np

from needlecalc.arrays import check_choice, check_range, read_only
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.parts.needle import Needle
from needlecalc.physics.analyser import CARBON_OF_HYDROCARBON
from needlecalc.show import counted
from needlecalc.units import FloatArray

# What each key may be: one of some words, or a range with what to do about it.
_WORDS = {
    "coil": ("standard", "high-energy"),
    "vacuum_source": ("ported", "manifold", "none"),
    "vacuum_specified": ("ported", "manifold", "none"),
    "hc_as": tuple(CARBON_OF_HYDROCARBON),
    "place": ("manifold", "downpipe", "tailpipe"),
}
_GAP = (0.1, 3.0, "0.025 in is 0.64 mm.")
_CRANK = (-20.0, 80.0, "Degrees of the crank before top dead centre.")
_DRY_GAS = "Per cent by volume of dry gas."
_RANGES = {
    "lead_kohm": (0.0, 1000.0, "Ohms over 1000 are kohm."),
    "plug_kohm": (0.0, 100.0, "Ohms over 1000 are kohm."),
    "rotor_kohm": (0.0, 100.0, "Ohms over 1000 are kohm."),
    "gap_mm": _GAP,
    "gap_specified_mm": _GAP,
    "initial_deg": _CRANK,
    "total_deg": _CRANK,
    "idle_deg": _CRANK,
    "total_rpm": (500.0, 9000.0, "Revolutions of the crank."),
    "marks_wander_deg": (0.0, 60.0, "Degrees of the crank."),
    "altitude_m": (-500.0, 6000.0, "Metres above the sea."),
    "co_percent": (0.0, 15.0, _DRY_GAS),
    "co2_percent": (0.0, 20.0, _DRY_GAS),
    "o2_percent": (0.0, 21.5, _DRY_GAS),
    "co_limit_percent": (0.0, 15.0, _DRY_GAS),
    "hc_limit_ppm": (1.0, 20000.0, "It is in ppm, counted as hc_as says."),
    "hc_ppm": (0.0, 50e3, "One per cent is 10000 ppm."),
    "lambda_measured": (0.5, 3.0, "It is a lambda, not an AFR."),
    "lambda_u": (0.0, 0.2, "It is a lambda, some 0.02."),
    "free_air_o2_percent": (5.0, 40.0, "Free air holds 20.9 %."),
    "coolant_degc": (-40.0, 140.0, "In degrees Celsius."),
    "compression_kpa": (100.0, 2500.0, "One bar is 100 kPa, 100 psi are 690 kPa."),
    "air": (1e-6, 1e6, "An air flow is above zero."),
    "lambda_each": (0.5, 2.0, "It is a lambda, not an AFR."),
    "flats": (-5.0, 60.0, "Count from the highest setting."),
}


@dataclass(frozen=True)
class Ignition:
    """Readings of the ignition, each left out where it was not taken; degrees are of the crank.

    Parameters
    ----------
    lead_kohm, plug_kohm : sequence of float or None
        Resistance of each plug lead, end to end, and of each plug, one for all allowed. [kohm]
    rotor_kohm : float or None
        Resistance of the rotor, and of the coil lead where there is one. [kohm]
    gap_mm : sequence of float or None
        Gap of each plug. [mm]
    gap_specified_mm : float or None
        Gap the engine's papers ask for. [mm]
    coil : str or None
        "standard" or "high-energy".
    initial_deg, total_deg : float or None
        Advance at rest of the weights and all in, vacuum hose off. [deg]
    total_rpm : float or None
        Speed at which it is all in. [1/min]
    idle_deg : float or None
        Advance at idle as it runs, vacuum hose on. [deg]
    vacuum_source, vacuum_specified : str or None
        "ported", "manifold" or "none", as found and as specified.
    marks_wander_deg : float or None
        How far the timing marks wander at steady speed. [deg]
    altitude_m : float or None
        Where the car drives most. [m]

    Raises
    ------
    InputError
        If a reading is impossible or a word unknown.

    Examples
    --------
    >>> Ignition(lead_kohm=[9.8, 10.4, 11.1, 38.0]).lead_kohm
    (9.8, 10.4, 11.1, 38.0)
    """

    lead_kohm: Sequence[float] | None = None
    plug_kohm: Sequence[float] | None = None
    rotor_kohm: float | None = None
    gap_mm: Sequence[float] | None = None
    gap_specified_mm: float | None = None
    coil: str | None = None
    initial_deg: float | None = None
    total_deg: float | None = None
    total_rpm: float | None = None
    idle_deg: float | None = None
    vacuum_source: str | None = None
    vacuum_specified: str | None = None
    marks_wander_deg: float | None = None
    altitude_m: float | None = None

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True)
class GasReading:
    """One reading of an exhaust analyser, with the lambda meter's at the same time.

    Parameters
    ----------
    at : str
        Running point: "idle", "2500 rpm".
    co_percent, co2_percent, o2_percent : float or None
        Dry gas by volume. [%]
    hc_ppm : float or None
        Hydrocarbons. [ppm]
    hc_as : str
        What they are counted as, "hexane" or "propane"; the analyser's plate says. [-]
    lambda_measured, lambda_u : float or None, float
        The lambda meter's reading and its uncertainty. [-]
    co_limit_percent, hc_limit_ppm : float or None
        CO and HC limit of the test, which local law sets; HC counted as the reading is. [%, ppm]

    Examples
    --------
    >>> GasReading(at="idle", co_percent=1.2, co2_percent=14.3, o2_percent=0.4, hc_ppm=150.0).hc_as
    'hexane'
    """

    at: str = "idle"
    co_percent: float | None = None
    co2_percent: float | None = None
    o2_percent: float | None = None
    hc_ppm: float | None = None
    hc_as: str = "hexane"
    lambda_measured: float | None = None
    lambda_u: float = 0.02
    co_limit_percent: float | None = None
    hc_limit_ppm: float | None = None

    def __post_init__(self) -> None:
        _check(self)

    def hexane_ppm(self) -> float | None:
        """Hydrocarbons turned to the hexane scale by their carbon, ppm."""
        return self._as_hexane(self.hc_ppm)

    def hexane_limit_ppm(self) -> float | None:
        """Their limit on the same scale, ppm."""
        return self._as_hexane(self.hc_limit_ppm)

    def _as_hexane(self, ppm: float | None) -> float | None:
        return None if ppm is None else ppm * CARBON_OF_HYDROCARBON[self.hc_as] / CARBON_OF_HYDROCARBON["hexane"]


@dataclass(frozen=True)
class Sensor:
    """What is known of the lambda sensor.

    Parameters
    ----------
    free_air_o2_percent : float or None
        O2 that its controller shows in free air. [%]
    place : str or None
        "manifold", "downpipe" or "tailpipe".

    Examples
    --------
    >>> Sensor(free_air_o2_percent=20.9, place="downpipe")
    Sensor(free_air_o2_percent=20.9, place='downpipe')
    """

    free_air_o2_percent: float | None = None
    place: str | None = None

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True)
class Mechanical:
    """State of the engine while it was measured.

    Parameters
    ----------
    coolant_degc : float or None
        Coolant, where the log has none. [degC]
    compression_kpa : sequence of float or None
        Compression of each cylinder, any one gauge. [kPa]
    valve_gaps_right, filter_fitted, choke_off : bool or None
        As found.
    slow_return, flat_spot_on_snap, rich_when_hot : bool or None
        Symptoms: idle comes down slowly; hesitates only when the throttle is snapped; rich only when hot.

    Examples
    --------
    >>> Mechanical(compression_kpa=[1150, 1180, 1160, 1140]).compression_kpa
    (1150.0, 1180.0, 1160.0, 1140.0)
    """

    coolant_degc: float | None = None
    compression_kpa: Sequence[float] | None = None
    valve_gaps_right: bool | None = None
    filter_fitted: bool | None = None
    choke_off: bool | None = None
    slow_return: bool | None = None
    flat_spot_on_snap: bool | None = None
    rich_when_hot: bool | None = None

    def __post_init__(self) -> None:
        _check(self)


@dataclass(frozen=True)
class Twins:
    """Two or more carburettors side by side, one figure each.

    Parameters
    ----------
    air : sequence of float or None
        Air flow of each at idle, in any one unit. [any]
    lambda_each : sequence of float or None
        Lambda of each bank. [-]
    flats : sequence of float or None
        Flats each jet nut stands below its highest, at the same idle mixture. [flats]

    Examples
    --------
    >>> Twins(air=[10.0, 10.4]).air
    (10.0, 10.4)
    """

    air: Sequence[float] | None = None
    lambda_each: Sequence[float] | None = None
    flats: Sequence[float] | None = None

    def __post_init__(self) -> None:
        _check(self, least=2)


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


def _check(record: Any, least: int = 1) -> None:
    """Every reading given is of its kind and inside its range; rows become tuples."""
    for item in fields(record):
        name, value = item.name, getattr(record, item.name)
        if value is None:
            continue
        if name in _WORDS:
            check_choice(value, name, _WORDS[name], cure="leave it out if not known.")
        elif str(item.type).startswith("bool"):
            if not isinstance(value, bool):
                msg = f"{name} is {shown(value)}, but must be true or false; leave it out if not looked at."
                raise InputError(msg)
        elif str(item.type).startswith("Sequence"):
            object.__setattr__(record, name, _row(value, name, least))
        elif name in _RANGES:
            low, high, cure = _RANGES[name]
            check_range(value, name, low, high, cure=cure)


def _row(values: Any, name: str, least: int) -> tuple[float, ...]:
    row = (values,) if isinstance(values, (int, float)) else values
    if isinstance(row, str) or len(row) < least:
        rule = f"must be a row of at least {counted(least, 'number')}; leave it out if not measured."
        msg = f"{name} is {shown(values)}, but {rule}"
        raise InputError(msg)
    low, high, cure = _RANGES[name]
    return tuple(check_range(value, f"{name}, number {k}", low, high, cure=cure) for k, value in enumerate(row, 1))
