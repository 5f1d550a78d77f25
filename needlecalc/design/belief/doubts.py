"""How far off each thing nobody measured may be, before the car has spoken."""

from __future__ import annotations

from dataclasses import dataclass, fields

from needlecalc.arrays import check_range


@dataclass(frozen=True)
class Doubts:
    """Standard uncertainties (k=1) a design starts from; common practice, no source, and yours to change.

    Parameters
    ----------
    repeatability : float
        Lambda of one running point measured on two days, as a share. [-]
    sensor_offset : float
        Zero error of the lambda meter, which stays the same in all passes. [-]
    flow_gain : float
        Error of the flow law: change of fuel really seen over change computed, less one. [-]
    viscosity : float
        Viscosity of the fuel in the tank, as a share. [-]
    eccentricity : float
        Offset of the needle over the gap. [-]
    sensor_gain : float
        Error of the lambda meter that grows with the distance from lambda 1, as a share of it. [-]
    fuel_temperature_k : float
        Fuel in the jet, from one day's drive to another's; it acts through the viscosity. [K]
    lift_zero_mm : float
        Error of the needle's place in the jet that all bands share: shoulder, datum, jet face. [mm]
    table_mm : float
        Error of each diameter of a needle not yet measured by hand, wear included. [mm]
    table_offset_mm : float
        Error that all diameters of that needle share, over the micrometer it is filed by. [mm]
    micrometer_mm : float
        Error of one micrometer reading. [mm]
    hand_mm : float
        Error of a diameter filed to size with fine abrasive. [mm]
    lean_limit : float
        Lambda past which an engine misfires and the meter reads too lean; bands past it count as at least
        so lean. [-]

    Examples
    --------
    >>> Doubts(viscosity=0.08).viscosity
    0.08
    """

    repeatability: float = 0.004
    sensor_offset: float = 0.010
    flow_gain: float = 0.05
    viscosity: float = 0.08
    sensor_gain: float = 0.05
    fuel_temperature_k: float = 5.0
    eccentricity: float = 0.2
    lift_zero_mm: float = 0.1
    table_mm: float = 0.002
    table_offset_mm: float = 0.003
    micrometer_mm: float = 0.0015
    hand_mm: float = 0.0025
    lean_limit: float = 1.15

    def __post_init__(self) -> None:
        highest = {"repeatability": 0.1, "sensor_offset": 0.1, "viscosity": 0.5, "eccentricity": 1.0, "lift_zero_mm": 2.0}
        highest["fuel_temperature_k"] = 30.0
        for item in fields(self):
            name = item.name
            if name == "lean_limit":
                check_range(self.lean_limit, name, 0.9, 1.6, cure="It is a lambda.")
            elif name.endswith("_mm") and name != "lift_zero_mm":
                check_range(getattr(self, name), name, 0.0, 0.05, cure="It is in mm; 2.5 um is 0.0025.")
            else:
                check_range(getattr(self, name), name, 0.0, highest.get(name, 0.5), cure="It is one standard uncertainty.")
