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
        """The parts, to be shown.

        Returns
        -------
        Table
            One row a part.
        """
        rows = [{"part": repr(part)} for part in (self.engine, self.carburettor, self.fuel, self.air)]
        return Table(f"Setup {self.name}", (Column("part", "part"),), rows)

    def with_needle(self, needle: Needle) -> Setup:
        """The same setup with another needle.

        Parameters
        ----------
        needle : Needle
            The needle to fit.

        Returns
        -------
        Setup
            A new setup; the needle is checked against the jet.
        """
        return replace(self, carburettor=replace(self.carburettor, needle=needle))
