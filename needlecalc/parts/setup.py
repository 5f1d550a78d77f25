"""The setup, everything that stays the same while needles are compared; and the fuel that passes its needle."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Any, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_text
from needlecalc.errors import InputError
from needlecalc.parts.carburettor import Carburettor
from needlecalc.parts.engine import Air, Engine, Fuel
from needlecalc.parts.needle import Needle
from needlecalc.physics.annulus import BoreFlow, bore_flow, bore_flow_and_slopes
from needlecalc.show import Shown
from needlecalc.units import FloatArray


@dataclass(frozen=True, repr=False, eq=False)
class Setup(Shown):
    """Engine, carburettor, fuel and air of one job.

    Parameters
    ----------
    engine : Engine
        The engine.
    carburettor : Carburettor
        One of its carburettors; all are alike.
    fuel : Fuel
        Fuel of the drive.
    air : Air
        Air of the drive.
    name : str
        What the user calls the job.

    Examples
    --------
    >>> from needlecalc import AirValve, Jet, Needle
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> carburettor = Carburettor(Needle("straight", [0.0, 40.0], [2.476, 1.836]), Jet(bore_mm=2.54, drop_mm=1.0), valve)
    >>> Setup(Engine(1500.0, 4), carburettor, name="van").air
    Air 101325 Pa, 15.0 degC, 0 % humidity: 1.2255 kg/m3
    """

    engine: Engine
    carburettor: Carburettor
    fuel: Fuel = field(default_factory=Fuel)
    air: Air = field(default_factory=Air)
    name: str = "job"

    def __post_init__(self) -> None:
        object.__setattr__(self, "name", check_text(self.name, "name of a job"))

    def __repr__(self) -> str:
        return f"Setup {self.name!r}: {self.engine!r}; {self.carburettor!r}"

    def with_needle(self, needle: Needle) -> Setup:
        """The same setup with another needle, which is checked against the jet."""
        return self.with_parts(needle=needle)

    def with_parts(self, **parts: Any) -> Setup:
        """The same setup with other fields of the carburettor."""
        return replace(self, carburettor=replace(self.carburettor, **parts))

    def with_jet(self, **changes: Any) -> Setup:
        """The same setup with other fields of the jet."""
        return self.with_parts(jet=replace(self.carburettor.jet, **changes))


@dataclass(frozen=True)
class FlowParameters:
    """What the flow law takes of jet and fuel beyond the needle; each may be an array that broadcasts with the lift.

    Parameters
    ----------
    length_mm : array_like
        Parallel length of the jet's bore. [mm]
    viscosity_factor : array_like
        Viscosity over that of the fuel stated. [-]
    eccentricity : array_like
        Offset of the needle over the gap: 0 centred, 1 touching. [-]

    Examples
    --------
    >>> FlowParameters(length_mm=4.4, viscosity_factor=1.05, eccentricity=0.2)
    FlowParameters(length_mm=4.4, viscosity_factor=1.05, eccentricity=0.2)
    """

    length_mm: ArrayLike
    viscosity_factor: ArrayLike
    eccentricity: ArrayLike

    @classmethod
    def of(cls, setup: Setup) -> FlowParameters:
        """Parameters as the setup states them."""
        jet = setup.carburettor.jet
        return cls(jet.parallel_length_mm, 1.0, jet.eccentricity())


class FuelSlopes(NamedTuple):
    """Slopes of ln(fuel flow), shape (m,); ``per_mm_diameter`` has one more axis, the stations."""

    per_mm_diameter: FloatArray
    per_mm_position: FloatArray  # along the needle, the pressure held
    per_mm_lift: FloatArray
    per_mm_drop: FloatArray
    per_mm_length: FloatArray
    per_eccentricity: FloatArray
    per_ln_viscosity: FloatArray
    per_ln_pressure: FloatArray


def fuel_flow(
    setup: Setup,
    lift_mm: ArrayLike,
    *,
    diameters_mm: ArrayLike | None = None,
    drop_mm: ArrayLike | None = None,
    depression_pa: ArrayLike | None = None,
    parameters: FlowParameters | None = None,
) -> BoreFlow:
    """Fuel flow of one carburettor at each lift, and the areas it passes.

    Parameters
    ----------
    setup : Setup
        Carburettor and fuel.
    lift_mm : array_like, shape (..., m)
        Lift of the air valve. [mm]
    diameters_mm : array_like, shape (..., n), or None
        Needle diameters at the stations of the needle fitted, the leading axes broadcasting with the lift; its own
        when not given. [mm]
    drop_mm : array_like or None
        Jet drop; the present one when not given. [mm]
    depression_pa : array_like, shape (..., m), or None
        Depression where it is known, as ``bands.depression_pa``; the valve's at the lift where it is NaN or not
        given. [Pa]
    parameters : FlowParameters or None
        Jet length, viscosity and eccentricity; as the setup states them when not given.

    Returns
    -------
    BoreFlow
        Flow in g/s, areas in mm2, discharge coefficient, viscous fraction and Reynolds number, shape (..., m).

    Raises
    ------
    InputError
        If a lift's place lies off the needle, or the depression under a slide is not known.

    Examples
    --------
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle, Setup
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = Needle("straight", [0.0, 40.0], [2.476, 1.836])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(needle, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> print(fuel_flow(setup, [2.0, 20.0]).fuel_flow_g_s.round(3))
    [0.149 1.482]
    """
    return bore_flow(**_at_the_jet(setup, lift_mm, diameters_mm, drop_mm, depression_pa, parameters))


def fuel_flow_and_slopes(
    setup: Setup,
    lift_mm: ArrayLike,
    *,
    diameters_mm: ArrayLike | None = None,
    drop_mm: ArrayLike | None = None,
    depression_pa: ArrayLike | None = None,
    parameters: FlowParameters | None = None,
) -> tuple[BoreFlow, FuelSlopes]:
    """Fuel flow as from ``fuel_flow``, with the slopes of its logarithm.

    Parameters
    ----------
    setup, lift_mm, diameters_mm, drop_mm, depression_pa, parameters
        As of ``fuel_flow``. [as there]

    Returns
    -------
    BoreFlow
        As from ``fuel_flow``.
    FuelSlopes
        d ln(flow) by each diameter, lift, drop and what else the law takes. A depression that is known stays when the lift
        changes, else the spring pulls harder higher up; a lower jet face is farther down the needle and nearer the fuel.

    Examples
    --------
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle, Setup
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> needle = Needle("straight", [0.0, 40.0], [2.476, 1.836])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(needle, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> _, slopes = fuel_flow_and_slopes(setup, [2.0, 20.0])
    >>> print(slopes.per_mm_drop.round(3))
    [0.329 0.054]
    """
    known = _at_the_jet(setup, lift_mm, diameters_mm, drop_mm, depression_pa, parameters)
    flow, by = bore_flow_and_slopes(**known)
    per_pa = by.per_ln_pressure / known["pressure_pa"]
    rise, head = setup.carburettor.depression_rise_pa_mm(lift_mm, depression_pa), setup.carburettor.head_pa_mm(setup.fuel)
    moved = {"per_mm_lift": by.per_mm_position + per_pa * rise, "per_mm_drop": by.per_mm_position + per_pa * head}
    return flow, FuelSlopes(**by._asdict(), **moved)


def _at_the_jet(
    setup: Setup,
    lift_mm: ArrayLike,
    diameters_mm: ArrayLike | None,
    drop_mm: ArrayLike | None,
    depression_pa: ArrayLike | None,
    parameters: FlowParameters | None,
) -> dict[str, Any]:
    """What the flow law asks for, by name."""
    carburettor, fuel = setup.carburettor, setup.fuel
    needle, jet, given = carburettor.needle, carburettor.jet, parameters or FlowParameters.of(setup)
    _one_for_each(lift_mm, drop_mm, depression_pa, diameters_mm, needle.stations_mm.size)
    return {
        "position_mm": carburettor.position_mm(lift_mm, drop_mm),
        "stations_mm": needle.stations_mm,
        "diameters_mm": needle.diameters_mm if diameters_mm is None else diameters_mm,
        "bore_mm": jet.bore_mm,
        "length_mm": given.length_mm,
        "pressure_pa": carburettor.fuel_pressure_pa(lift_mm, fuel, drop_mm, depression_pa=depression_pa),
        "density_kg_m3": fuel.density_kg_m3(),
        "viscosity_mm2_s": fuel.viscosity_mm2_s() * np.asarray(given.viscosity_factor),
        "eccentricity": given.eccentricity,
        "bore_least_mm": jet.bore_least_mm,
    }


def _one_for_each(lift: ArrayLike, drop: Any, depression: Any, diameters: Any, stations: int) -> None:
    """Refuse figures that do not go together: one for each lift, or one for all; diameters one for each station."""
    shape = (stations,) if diameters is None else np.shape(diameters)
    if shape[-1:] != (stations,):
        msg = f"diameters_mm has shape {shape}, but the needle has {stations} stations; give each its diameter."
        raise InputError(msg)
    try:
        np.broadcast_shapes(np.shape(lift), np.shape(drop), np.shape(depression), shape[:-1])
    except ValueError as error:
        given = f"lift_mm {np.shape(lift)}, drop_mm {np.shape(drop)}, depression_pa {np.shape(depression)}"
        msg = (
            f"Shapes that do not go together: {given}, diameters_mm {shape}; give one figure for each lift, or one for all."
        )
        raise InputError(msg) from error
