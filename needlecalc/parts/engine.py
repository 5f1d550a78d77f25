"""What the engine is, burns and breathes: what it draws through how many carburettors, its fuel and its air."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.arrays import check_each, check_fields, check_range, one_of, read_only, within
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.physics.air import (
    moist_air_density_kg_m3,
    sea_level_pressure_pa,
    standard_atmosphere,
    station_pressure_pa,
)
from needlecalc.physics.airflow import engine_air_flow_g_s, throttled_share
from needlecalc.physics.fuel import blend_atoms, fuel_density_kg_m3, fuel_viscosity_mm2_s, stoichiometric_afr
from needlecalc.priors import FILLING, NUMBER_SHAPE_U, TABLE_SHAPE_U, THROTTLED_U
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import DRY_AIR_J_KG_K, KELVIN_AT_0_DEGC, PA_PER_KPA, STANDARD_PA, FloatArray, kelvin_from_degc

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

    ethanol_percent: float = field(default=5.0, metadata=within(0.0, 100.0, "State it in per cent by volume."))
    temperature_degc: float = field(default=25.0, metadata=within(-30.0, 70.0, "It is the fuel's temperature."))

    def __post_init__(self) -> None:
        check_fields(self)

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

    def viscosity_per_k(self) -> float:
        """Share by which the viscosity falls for one degree more."""
        step = -1.0 if self.temperature_degc > 0.0 else 1.0  # the formula ends at -40 and 80 degC
        other = fuel_viscosity_mm2_s(self.ethanol_percent, self.temperature_degc + step)
        return abs(float(np.log(other / self.viscosity_mm2_s())))


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

    pressure_pa: float = field(default=STANDARD_PA, metadata=within(45e3, 110e3, "One hPa or mbar is 100 Pa."))
    temperature_degc: float = field(default=15.0, metadata=within(-40.0, 60.0, "It is the intake air's."))
    humidity: float = field(default=0.0, metadata=within(0.0, 1.0, "Divide per cent by 100."))
    altitude_m: float | None = field(default=None, metadata=within(-500.0, 6000.0, "It is in metres above sea level."))

    def __post_init__(self) -> None:
        check_fields(self)
        if self.altitude_m is None:
            return
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
        degc = float(state.temperature_k) - KELVIN_AT_0_DEGC if temperature_degc is None else temperature_degc
        return cls(float(state.pressure_pa), degc, humidity)


@dataclass(frozen=True, repr=False, eq=False)
class VolumetricEfficiency(Shown):
    """Volumetric efficiency over speed and manifold pressure.

    Parameters
    ----------
    rpm : array_like, shape (p,)
        Engine speeds of the rows, rising. [1/min]
    manifold_pressure_pa : array_like, shape (q,)
        Absolute manifold pressures of the columns, rising. [Pa]
    efficiency : array_like, shape (p, q)
        The table. [-]
    reference : {"manifold", "outside"}
        The air it refers to: air of manifold pressure and outside temperature, or the outside air.

    Raises
    ------
    InputError
        If rows or columns do not rise, the table does not fit them, or an entry is no share.

    Notes
    -----
    On manifold pressure the figures change little with throttle (0.6 to 1), on outside air they fall
    with it (0.2 to 0.3 at idle); values from memory.

    Examples
    --------
    >>> filling = VolumetricEfficiency([1000, 5000], [40e3, 100e3], [[0.7, 0.8], [0.6, 0.8]])
    >>> print(filling.at(3000.0, 70e3))
    0.725
    """

    rpm: FloatArray
    manifold_pressure_pa: FloatArray
    efficiency: FloatArray
    reference: str = field(
        default="manifold", metadata=one_of("manifold", "outside", cure="see what air the table refers to.")
    )

    def __post_init__(self) -> None:
        for name in ("rpm", "manifold_pressure_pa"):
            edges = read_only(getattr(self, name), name)
            if edges.size < 2 or (np.diff(edges) <= 0.0).any():
                msg = f"{name} of the volumetric efficiency must rise and be at least two; put them in order."
                raise InputError(msg)
            object.__setattr__(self, name, edges)
        in_pa = "It is absolute and in Pa; one kPa is 1000 Pa."
        check_each(self.manifold_pressure_pa, "manifold_pressure_pa of the volumetric efficiency", 1e3, 300e3, cure=in_pa)
        check_fields(self)
        # A copy, so that nobody writes to it any more.
        table = np.array(check_each(self.efficiency, "efficiency", 0.05, 1.5, cure="It is a share, so write 80 % as 0.8."))
        shape = self.rpm.size, self.manifold_pressure_pa.size
        if table.shape != shape:
            msg = (
                f"efficiency must have one row a speed and one column a pressure, {shape[0]} x {shape[1]}, but it is "
                f"{' x '.join(map(str, table.shape)) or 'one number'}; turn or mend it."
            )
            raise InputError(msg)
        table.flags.writeable = False
        object.__setattr__(self, "efficiency", table)

    def __repr__(self) -> str:
        low, high = self.efficiency.min(), self.efficiency.max()
        rows, columns = self.efficiency.shape
        return f"VolumetricEfficiency {low:.2f} to {high:.2f} on {self.reference} air, {rows} x {columns}"

    def table(self) -> Table:
        """Speeds down, pressures across."""
        heads = [f"{pressure / PA_PER_KPA:g} kPa" for pressure in self.manifold_pressure_pa]
        across = (Column(head, head, ".3f", values) for head, values in zip(heads, self.efficiency.T, strict=True))
        return Table(repr(self), (Column("rpm", "rpm", ".0f", self.rpm), *across))

    def covers(self, rpm: ArrayLike, manifold_pressure_pa: ArrayLike) -> NDArray[np.bool_]:
        """Whether points lie inside the table."""
        speed, pressure = np.asarray(rpm), np.asarray(manifold_pressure_pa)
        inside = (speed >= self.rpm[0]) & (speed <= self.rpm[-1])
        return np.asarray(inside & (pressure >= self.manifold_pressure_pa[0]) & (pressure <= self.manifold_pressure_pa[-1]))

    def at(self, rpm: ArrayLike, manifold_pressure_pa: ArrayLike, *, hold_edge: bool = False) -> FloatArray:
        """Volumetric efficiency between the table's entries, linear both ways; NaN where a pressure is.

        A point off the table is refused, or takes the nearest edge with ``hold_edge``.
        """
        speed, pressure = np.broadcast_arrays(np.asarray(rpm, dtype=float), np.asarray(manifold_pressure_pa, dtype=float))
        (slow, fast), (low, high) = self.rpm[[0, -1]], self.manifold_pressure_pa[[0, -1]]
        off = np.isfinite(speed) & np.isfinite(pressure) & ~self.covers(speed, pressure)
        if off.any() and not hold_edge:
            n, p = float(speed[off][0]), float(pressure[off][0])
            msg = (
                f"{n:.0f} rpm at {p / PA_PER_KPA:.1f} kPa lies off the volumetric efficiency table "
                f"({slow:g} to {fast:g} rpm, {low / PA_PER_KPA:g} to {high / PA_PER_KPA:g} kPa); widen the table or ask for "
                "its edge."
            )
            raise InputError(msg)
        return self._read(np.clip(speed, slow, fast), np.clip(pressure, low, high))

    def edge_u(self, rpm: ArrayLike, manifold_pressure_pa: ArrayLike) -> FloatArray:
        """Standard uncertainty, as a share, of an edge held off the table: what its last slope would have given."""
        speed, pressure = np.broadcast_arrays(np.asarray(rpm, dtype=float), np.asarray(manifold_pressure_pa, dtype=float))
        return np.abs(self._read(speed, pressure) / self.at(speed, pressure, hold_edge=True) - 1.0)

    def _read(self, speed: FloatArray, pressure: FloatArray) -> FloatArray:
        """Table read linearly, carried on beyond its edges."""
        from scipy.interpolate import RegularGridInterpolator  # late: slow to import

        grid = (self.rpm, self.manifold_pressure_pa)
        reading = RegularGridInterpolator(grid, self.efficiency, bounds_error=False, fill_value=None)
        return np.asarray(reading(np.stack([speed, pressure], axis=-1)), dtype=np.float64).reshape(speed.shape)


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
    volumetric_efficiency : float or VolumetricEfficiency
        Filling, a guess unless measured; a number refers to air of manifold pressure and outside
        temperature, at full load; as the throttle shuts, exhaust left behind lessens it. [-]
    volumetric_efficiency_u : float
        Standard uncertainty of its level, as a share of it: one error shared by all speeds. [-]
    volumetric_efficiency_shape_u : float or None
        Standard uncertainty left from one running point to the next, as a share; 0.03 for a table and
        0.06 for a number, more where the throttle shuts, when not given (judgement, no source). [-]

    Examples
    --------
    >>> Engine(displacement_cm3=1900.0, cylinders=4)
    Engine 1900 cm3, 4 cylinders, 1 carburettor
    """

    displacement_cm3: float = field(metadata=within(100.0, 9000.0, "One litre is 1000 cm3."))
    cylinders: int
    carburettors: int = 1
    volumetric_efficiency: float | VolumetricEfficiency = 0.80
    volumetric_efficiency_u: float = field(default=FILLING.u, metadata=within(0.0, 0.5, "It is one sigma, a share."))
    volumetric_efficiency_shape_u: float | None = field(default=None, metadata=within(0.0, 0.5, "It is one sigma, a share."))

    def __post_init__(self) -> None:
        check_fields(self)
        if not isinstance(self.volumetric_efficiency, VolumetricEfficiency):
            check_range(self.volumetric_efficiency, "volumetric_efficiency", 0.3, 1.2, cure="It is a share, not per cent.")
        for name in ("cylinders", "carburettors"):
            count = getattr(self, name)
            if not isinstance(count, int) or not 1 <= count <= 16:
                msg = f"{name} is {shown(count)}, but must be a whole number from 1 to 16."
                raise InputError(msg, argument=name)

    def __repr__(self) -> str:
        fed_by = counted(self.carburettors, "carburettor")
        return f"Engine {self.displacement_cm3:g} cm3, {self.cylinders} cylinders, {fed_by}"

    def filling_shape_u(self, manifold_share: FloatArray) -> FloatArray:
        """Standard uncertainty of the volumetric efficiency from point to point, as a share, by the share of pressure."""
        if self.volumetric_efficiency_shape_u is not None:
            return np.full(manifold_share.shape, self.volumetric_efficiency_shape_u)
        if isinstance(self.volumetric_efficiency, VolumetricEfficiency):
            return np.full(manifold_share.shape, TABLE_SHAPE_U)
        return np.hypot(NUMBER_SHAPE_U, THROTTLED_U * (1.0 - throttled_share(manifold_share)))

    def air_flow_g_s(
        self, rpm: ArrayLike, manifold_pressure_pa: ArrayLike, air: Air, *, hold_edge: bool = False
    ) -> FloatArray:
        """Air the engine draws through all its carburettors; NaN where a pressure is, points off a table as in ``at``."""
        speed, pressure = np.broadcast_arrays(np.asarray(rpm, dtype=float), np.asarray(manifold_pressure_pa, dtype=float))
        density: ArrayLike = pressure / (DRY_AIR_J_KG_K * kelvin_from_degc(air.temperature_degc))
        filling: ArrayLike
        if isinstance(self.volumetric_efficiency, VolumetricEfficiency):
            filling = self.volumetric_efficiency.at(speed, pressure, hold_edge=hold_edge)
            if self.volumetric_efficiency.reference == "outside":
                density = air.density_kg_m3()
        else:
            filling = self.volumetric_efficiency * throttled_share(pressure / air.pressure_pa)
        return engine_air_flow_g_s(
            speed, displacement_cm3=self.displacement_cm3, volumetric_efficiency=filling, density_kg_m3=density
        )
