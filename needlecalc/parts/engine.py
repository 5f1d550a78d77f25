"""The engine: what it draws through how many carburettors."""

from __future__ import annotations

from dataclasses import dataclass

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.show import Column, Shown, Table


@dataclass(frozen=True, repr=False)
class Engine(Shown):
    """A four-stroke engine.

    Parameters
    ----------
    displacement_cm3 : float
        Swept volume. [cm3]
    cylinders : int
        Number of cylinders.
    carburettors : int
        Number of carburettors that share its air evenly.
    volumetric_efficiency : float
        Filling on manifold density, a guess unless measured. [-]
    volumetric_efficiency_u : float
        Standard uncertainty of that guess, as a share of it. [-]

    Examples
    --------
    >>> Engine(displacement_cm3=1900.0, cylinders=4)
    Engine 1900 cm3, 4 cylinders, 1 carburettor
    """

    displacement_cm3: float
    cylinders: int
    carburettors: int = 1
    volumetric_efficiency: float = 0.85
    volumetric_efficiency_u: float = 0.08

    def __post_init__(self) -> None:
        check_range(self.displacement_cm3, "displacement_cm3", 100.0, 9000.0, cure="One litre is 1000 cm3.")
        check_range(self.volumetric_efficiency, "volumetric_efficiency", 0.3, 1.2, cure="It is a share, not per cent.")
        check_range(
            self.volumetric_efficiency_u,
            "volumetric_efficiency_u",
            0.0,
            0.5,
            cure="It is one sigma, a share.",
        )
        for name in ("cylinders", "carburettors"):
            count = getattr(self, name)
            if not isinstance(count, int) or not 1 <= count <= 16:
                msg = f"{name} is {count!r}, but must be a whole number from 1 to 16."
                raise InputError(msg)

    def __repr__(self) -> str:
        plural = "carburettor" if self.carburettors == 1 else "carburettors"
        return f"Engine {self.displacement_cm3:g} cm3, {self.cylinders} cylinders, {self.carburettors} {plural}"

    def table(self) -> Table:
        """Facts of the engine, to be shown.

        Returns
        -------
        Table
            One row.
        """
        row = {"volumetric_efficiency": self.volumetric_efficiency, "u": self.volumetric_efficiency_u}
        columns = (
            Column("volumetric_efficiency", "volumetric efficiency", ".2f"),
            Column("u", "+- share", ".2f"),
        )
        return Table(repr(self), columns, [row])
