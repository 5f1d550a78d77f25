"""What the engine burns and breathes: fuel and air."""

from __future__ import annotations

from dataclasses import dataclass

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.physics.air import (
    moist_air_density_kg_m3,
    sea_level_pressure_pa,
    standard_atmosphere,
    station_pressure_pa,
)
from needlecalc.physics.fuel import blend_atoms, fuel_density_kg_m3, fuel_viscosity_mm2_s, stoichiometric_afr
from needlecalc.show import Shown

WEATHER_PA = (95e3, 105e3)  # sea-level pressure of nearly all weather


@dataclass(frozen=True, repr=False)
class Fuel(Shown):
    """Petrol with some ethanol, at a temperature.

    Parameters
    ----------
    ethanol_percent : float
        Ethanol by volume. [%]
    temperature_degc : float
        Temperature of the fuel at the jet, warm engine. [degC]

    Examples
    --------
    >>> Fuel(ethanol_percent=5.0)
    Fuel with 5 % ethanol at 25 degC: AFR 14.28, 738.4 kg/m3, 0.613 mm2/s
    """

    ethanol_percent: float = 5.0
    temperature_degc: float = 25.0

    def __post_init__(self) -> None:
        check_range(self.ethanol_percent, "ethanol_percent", 0.0, 100.0, cure="State it in per cent by volume.")
        check_range(self.temperature_degc, "temperature_degc", -30.0, 70.0, cure="It is the fuel's temperature.")

    def __repr__(self) -> str:
        return (
            f"Fuel with {self.ethanol_percent:g} % ethanol at {self.temperature_degc:g} degC: AFR {self.afr():.2f}, "
            f"{self.density_kg_m3():.1f} kg/m3, {self.viscosity_mm2_s():.3f} mm2/s"
        )

    def afr(self) -> float:
        """Stoichiometric air-fuel ratio by mass."""
        return float(stoichiometric_afr(*blend_atoms(self.ethanol_percent)))

    def density_kg_m3(self) -> float:
        """Density at its temperature."""
        return float(fuel_density_kg_m3(self.ethanol_percent, self.temperature_degc))

    def viscosity_mm2_s(self) -> float:
        """Kinematic viscosity at its temperature."""
        return float(fuel_viscosity_mm2_s(self.ethanol_percent, self.temperature_degc))


@dataclass(frozen=True, repr=False)
class Air(Shown):
    """The air on the day of the drive.

    Parameters
    ----------
    pressure_pa : float
        Station pressure, not reduced to sea level. [Pa]
    temperature_degc : float
        Temperature at the air intake. [degC]
    humidity : float
        Relative humidity, 0 to 1. [-]
    altitude_m : float or None
        Height above sea level, to check the pressure by; None checks nothing. [m]

    Raises
    ------
    InputError
        If a value is impossible, or the pressure at this altitude can only be one reduced to sea level.

    Examples
    --------
    >>> Air.at_altitude(1600.0)
    Air 83528 Pa, 4.6 degC, 0 % humidity: 1.0480 kg/m3
    """

    pressure_pa: float = 101325.0
    temperature_degc: float = 15.0
    humidity: float = 0.0
    altitude_m: float | None = None

    def __post_init__(self) -> None:
        check_range(self.pressure_pa, "pressure_pa", 45e3, 110e3, cure="One hPa or mbar is 100 Pa.")
        check_range(self.temperature_degc, "temperature_degc", -40.0, 60.0, cure="It is the intake air's.")
        check_range(self.humidity, "humidity", 0.0, 1.0, cure="Divide per cent by 100.")
        if self.altitude_m is None:
            return
        check_range(self.altitude_m, "altitude_m", -500.0, 6000.0, cure="It is in metres above sea level.")
        low, high = WEATHER_PA
        at_sea_level = float(sea_level_pressure_pa(self.pressure_pa, self.altitude_m))
        if low <= at_sea_level <= high:
            return
        if low <= self.pressure_pa <= high < at_sea_level:
            on_the_spot = float(station_pressure_pa(self.pressure_pa, self.altitude_m))
            found = (
                "looks reduced to sea level: it is far too high for this altitude; "
                f"on the spot it would be {on_the_spot:.0f} Pa."
            )
        else:
            usual = float(standard_atmosphere(self.altitude_m).pressure_pa)
            found = (
                "fits neither as station pressure nor as sea-level pressure: check its unit and the altitude; "
                f"the standard atmosphere has {usual:.0f} Pa there."
            )
        msg = (
            f"pressure_pa is {self.pressure_pa:g} at altitude_m {self.altitude_m:g}, but must be the pressure on the "
            f"spot: it {found}"
        )
        raise InputError(msg)

    def __repr__(self) -> str:
        return (
            f"Air {self.pressure_pa:.0f} Pa, {self.temperature_degc:.1f} degC, {100 * self.humidity:.0f} % humidity: "
            f"{self.density_kg_m3():.4f} kg/m3"
        )

    def density_kg_m3(self) -> float:
        """Density of the moist air."""
        return float(moist_air_density_kg_m3(self.pressure_pa, self.temperature_degc, self.humidity))

    @classmethod
    def at_altitude(cls, altitude_m: float, *, temperature_degc: float | None = None, humidity: float = 0.0) -> Air:
        """Air at a height: pressure, and temperature unless given, of the standard atmosphere."""
        state = standard_atmosphere(altitude_m)
        degc = float(state.temperature_k) - 273.15 if temperature_degc is None else temperature_degc
        return cls(float(state.pressure_pa), degc, humidity)
