"""The setup: everything that stays the same while needles are compared."""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from needlecalc.arrays import check_text
from needlecalc.parts.carburettor import Carburettor
from needlecalc.parts.conditions import Air, Fuel
from needlecalc.parts.engine import Engine
from needlecalc.parts.needle import Needle
from needlecalc.show import Column, Shown, Table


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

    def table(self) -> Table:
        """The parts, one a row."""
        parts = (self.engine, self.carburettor, self.fuel, self.air)
        return Table(f"Setup {self.name}", (Column("part", "part", "", [repr(part) for part in parts]),))

    def with_needle(self, needle: Needle) -> Setup:
        """The same setup with another needle, which is checked against the jet."""
        return replace(self, carburettor=replace(self.carburettor, needle=needle))
