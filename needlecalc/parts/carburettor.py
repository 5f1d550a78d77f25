"""The carburettor: needle and jet under an air valve, or under a slide that the throttle opens by hand."""

from __future__ import annotations

from abc import ABC, abstractmethod
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_fields, check_range, one_of, within
from needlecalc.errors import InputError
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.needle import Needle
from needlecalc.physics.airflow import (
    air_flow_g_s,
    circular_throat_area_mm2,
    piston_depression_pa,
    rising_inverse,
    slide_depression_pa,
)
from needlecalc.priors import BORE_LENGTH
from needlecalc.show import Shown
from needlecalc.units import GRAVITY_M_S2, FloatArray

TURNED_FLATS = 0.5
DOWN_TO_THE_JET = "Measure from the bridge down to the jet's face."


@dataclass(frozen=True, repr=False)
class Jet(Shown):
    """The jet a needle works in.

    Parameters
    ----------
    bore_mm : float
        Bore. [mm]
    drop_mm : float
        Depth of the jet's face below the bridge. [mm]
    parallel_length_mm : float
        Length of the parallel bore; rarely known, measure it on a spare jet. [mm]
    parallel_length_u_mm : float
        Standard uncertainty of that length. [mm]
    drop_min_mm, drop_max_mm : float or None
        Least drop the jet nut can reach; greatest drop it can reach.  Both None keeps the jet where it is. [mm]
    flat_mm : float
        Travel for one flat, a sixth of a turn, of the jet nut; count your own thread. [mm]
    step_flats : float
        Least turn by which idle is trimmed; one flat where the nut's spring holds at flats only. [flats]
    mounting : str
        "centred" needle, or "biased" needle sprung against the bore.
    bore_least_mm : float or None
        Least bore of a jet worn oval, ``bore_mm`` being the greatest; None for a round jet. [mm]

    Raises
    ------
    InputError
        If a length is impossible or the mounting unknown.

    Examples
    --------
    >>> Jet(bore_mm=2.54, drop_mm=1.6)
    Jet 2.54 mm, face 1.60 mm below the bridge, centred needle
    """

    bore_mm: float = field(metadata=within(1.0, 6.0, "Check the unit.", inches_below=0.5))
    drop_mm: float = field(metadata=within(-2.0, 12.0, DOWN_TO_THE_JET))
    parallel_length_mm: float = field(default=3.5, metadata=within(0.2, 15.0, "Measure the parallel bore."))
    parallel_length_u_mm: float = field(default=BORE_LENGTH.u, metadata=within(0.0, 5.0, "State one sigma."))
    drop_min_mm: float | None = field(default=None, metadata=within(-2.0, 12.0, DOWN_TO_THE_JET))
    drop_max_mm: float | None = field(default=None, metadata=within(-2.0, 12.0, DOWN_TO_THE_JET))
    flat_mm: float = field(default=0.163, metadata=within(0.02, 0.6, "It is a sixth of the nut's thread pitch."))
    step_flats: float = field(default=0.5, metadata=within(0.0, 6.0, "Half a flat is usual; 6 flats are a whole turn."))
    mounting: str = field(default="centred", metadata=one_of("centred", "biased", cure="see how the needle is held."))
    bore_least_mm: float | None = None

    def __post_init__(self) -> None:
        check_fields(self)
        if (self.drop_min_mm is None) != (self.drop_max_mm is None):
            msg = "drop_min_mm and drop_max_mm go together; give both ends of the jet's travel, or neither."
            raise InputError(msg)
        low, high = self.drop_range_mm()
        # Ends are read no nearer than a hand turns: where the jet stands, the nut reaches.
        if 0.0 < max(low - self.drop_mm, self.drop_mm - high) <= TURNED_FLATS * self.flat_mm:
            object.__setattr__(self, "drop_min_mm", min(low, self.drop_mm))
            object.__setattr__(self, "drop_max_mm", max(high, self.drop_mm))
            low, high = self.drop_range_mm()
        if not low <= self.drop_mm <= high:
            msg = f"drop_mm is {self.drop_mm:g}, but the nut's range is {low:g} to {high:g} mm; check the three."
            raise InputError(msg)
        if self.bore_least_mm is not None:
            cure = "bore_mm is the greatest bore, bore_least_mm the least, measured square to it."
            check_range(self.bore_least_mm, "bore_least_mm", 0.8 * self.bore_mm, self.bore_mm, cure=cure)

    def __repr__(self) -> str:
        oval = "" if self.bore_least_mm is None else f" worn oval ({self.bore_least_mm:g} mm the other way)"
        return f"Jet {self.bore_mm:g} mm{oval}, face {self.drop_mm:.2f} mm below the bridge, {self.mounting} needle"

    def least_bore_mm(self) -> float:
        """Least bore, which a needle must pass: ``bore_mm`` for a round jet."""
        return self.bore_mm if self.bore_least_mm is None else self.bore_least_mm

    def drop_range_mm(self) -> tuple[float, float]:
        """Least and greatest drop the nut can give; both the present one where no range was stated."""
        if self.drop_min_mm is None or self.drop_max_mm is None:
            return self.drop_mm, self.drop_mm
        return self.drop_min_mm, self.drop_max_mm

    def farthest_off_mm(self) -> float:
        """How far from the right place the nut may have to stay: half its least turn."""
        return self.step_flats * self.flat_mm / 2.0

    def eccentricity(self) -> float:
        """Offset of the needle over the gap: 0 for a centred needle, 1 for one that touches."""
        return 1.0 if self.mounting == "biased" else 0.0


class Throat(Shown, ABC):
    """What air valve and slide have in common: a round throat that opens with the lift, and the air it passes."""

    throat_bore_mm: float
    max_lift_mm: float | None
    discharge_coefficient: float
    bridge_mm = 0.0
    travel_share = 1.0  # of the bore, where no travel was stated

    def __post_init__(self) -> None:
        check_fields(self)
        if self.max_lift_mm is not None:
            check_range(self.max_lift_mm, "max_lift_mm", 2.0, self.throat_bore_mm, cure="It cannot pass the bore.")

    def travel_mm(self) -> float:
        """Greatest lift: as stated, else a share of the bore."""
        return self.travel_share * self.throat_bore_mm if self.max_lift_mm is None else self.max_lift_mm

    def throat_area_mm2(self, lift_mm: ArrayLike) -> FloatArray:
        """Open throat at a lift."""
        return circular_throat_area_mm2(lift_mm, bore_mm=self.throat_bore_mm, bridge_mm=self.bridge_mm)

    @abstractmethod
    def depression_pa(self, lift_mm: ArrayLike) -> FloatArray:
        """Depression at a lift, where none was read."""

    def depression_rise_pa_mm(self) -> float:
        """Rise of that depression with lift in Pa/mm."""
        return 0.0

    def air_flow_g_s(self, lift_mm: ArrayLike, air: Air, depression_pa: ArrayLike | None = None) -> FloatArray:
        """Air that passes this one carburettor at a lift, under the depression that is known, else the usual one there."""
        return air_flow_g_s(
            self.throat_area_mm2(lift_mm),
            self.depression_pa(lift_mm) if depression_pa is None else depression_pa,
            density_kg_m3=air.density_kg_m3(),
            pressure_pa=air.pressure_pa,
            discharge_coefficient=self.discharge_coefficient,
        )


@dataclass(frozen=True, repr=False)
class AirValve(Throat):
    """Piston, spring and throat of a constant-depression carburettor.

    Parameters
    ----------
    throat_bore_mm : float
        Bore of the round throat. [mm]
    disc_diameter_mm : float
        Diameter of the suction disc. [mm]
    piston_mass_kg : float
        Piston with rod and needle. [kg]
    spring_preload_n : float
        Spring force at no lift. [N]
    spring_rate_n_mm : float
        Spring rate. [N/mm]
    bridge_mm : float
        Height of the bridge above the bottom of the bore. [mm]
    foot_area_mm2 : float
        Part of the piston's foot on which the bridge depression pulls down, as an area. [mm2]
    max_lift_mm : float or None
        Travel of the piston; 0.8 of the throat's bore when not given. [mm]
    discharge_coefficient : float
        Share of the ideal air flow that passes the throat. [-]
    tilt_deg : float
        Tilt of the chamber from upright. [deg]
    damper_oil : str
        Oil in the damper, as its label says.  It drags only while the piston rises, so no steady lift
        depends on it.

    Examples
    --------
    >>> AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.26, spring_preload_n=1.2)
    AirValve 38 mm throat, depression 1326 Pa at no lift
    """

    throat_bore_mm: float = field(metadata=within(15.0, 80.0, "Check the unit.", inches_below=4.0))
    disc_diameter_mm: float = field(metadata=within(25.0, 150.0, "Check the unit."))
    piston_mass_kg: float = field(metadata=within(0.03, 1.0, "Weigh piston, rod and needle; in kg."))
    spring_preload_n: float = field(metadata=within(0.0, 12.0, "One ounce-force is 0.278 N."))
    spring_rate_n_mm: float = field(default=0.0, metadata=within(0.0, 0.5, "It is in N per mm."))
    bridge_mm: float = 0.0
    foot_area_mm2: float = 0.0
    max_lift_mm: float | None = None
    discharge_coefficient: float = field(default=0.7, metadata=within(0.3, 1.0, "Usual is 0.6 to 0.85."))
    tilt_deg: float = field(default=0.0, metadata=within(0.0, 45.0, "It is measured from upright."))
    damper_oil: str = ""

    travel_share = 0.8

    def __post_init__(self) -> None:
        super().__post_init__()
        check_range(self.bridge_mm, "bridge_mm", 0.0, 0.5 * self.throat_bore_mm, cure="Measure from the bore's bottom.")
        check_range(self.foot_area_mm2, "foot_area_mm2", 0.0, 0.9 * self._disc_mm2(), cure="It is less than the disc.")

    def __repr__(self) -> str:
        return f"AirValve {self.throat_bore_mm:g} mm throat, depression {self.depression_pa(0.0):.0f} Pa at no lift"

    def _disc_mm2(self) -> float:
        return float(np.pi / 4.0 * self.disc_diameter_mm**2)

    def depression_pa(self, lift_mm: ArrayLike) -> FloatArray:
        """Depression at a lift."""
        return piston_depression_pa(
            lift_mm,
            piston_mass_kg=self.piston_mass_kg,
            spring_preload_n=self.spring_preload_n,
            spring_rate_n_mm=self.spring_rate_n_mm,
            suction_area_mm2=self._disc_mm2() - self.foot_area_mm2,
            tilt_deg=self.tilt_deg,
        )

    def depression_rise_pa_mm(self) -> float:
        """Rise of the depression with lift in Pa/mm, by the spring."""
        return 1e6 * self.spring_rate_n_mm / (self._disc_mm2() - self.foot_area_mm2)

    def lift_mm(self, air_flow: ArrayLike, air: Air) -> FloatArray:
        """Lift that passes an air flow; NaN where it is more than the throat passes."""
        return rising_inverse(air_flow, lambda lift: self.air_flow_g_s(lift, air), 0.0, self.travel_mm())[()]


@dataclass(frozen=True, repr=False)
class SlideValve(Throat):
    """Slide and throat of a slide carburettor; it stands where a carburettor else has its air valve.

    Parameters
    ----------
    throat_bore_mm : float
        Bore of the round throat. [mm]
    max_lift_mm : float or None
        Greatest opening of the slide; the throat's bore when not given. [mm]
    discharge_coefficient : float
        Share of the ideal air flow that passes the opening. [-]
    usual_depression_pa : float or None
        Depression to reckon with where no air flow is known; None refuses to reckon there. [Pa]

    Notes
    -----
    Lift is the opening under the slide.  The throttle sets it, so it is measured, never computed from air
    flow; the depression follows from opening and air flow.  In the ratio of two needles at equal opening and
    air flow it cancels but for its part in the viscous share.

    Examples
    --------
    >>> SlideValve(throat_bore_mm=32.0)
    SlideValve 32 mm throat, opened 0 to 32 mm by the throttle
    """

    throat_bore_mm: float = field(metadata=within(10.0, 80.0, "Check the unit.", inches_below=4.0))
    max_lift_mm: float | None = None
    discharge_coefficient: float = field(default=0.75, metadata=within(0.3, 1.0, "Usual is 0.6 to 0.85."))
    usual_depression_pa: float | None = field(default=None, metadata=within(100.0, 2e4, "One inch of water is 249 Pa."))

    def __repr__(self) -> str:
        return f"SlideValve {self.throat_bore_mm:g} mm throat, opened 0 to {self.travel_mm():g} mm by the throttle"

    def depression_pa(self, lift_mm: ArrayLike) -> FloatArray:
        """Usual depression, at every opening the same; for where no air flow is known."""
        if self.usual_depression_pa is None:
            msg = (
                "The depression under a slide follows from its opening and the air flow, and here no air flow is "
                "known; give the bands air_flow_g_s, or state usual_depression_pa of the slide valve."
            )
            raise InputError(msg)
        return np.full(np.shape(lift_mm), self.usual_depression_pa)

    def depression_of_flow_pa(self, lift_mm: ArrayLike, air_flow: ArrayLike, air: Air) -> FloatArray:
        """Depression that draws an air flow under the slide; NaN where the opening cannot pass it.

        >>> print(SlideValve(throat_bore_mm=32.0).depression_of_flow_pa([8.0, 16.0], 10.0, Air()).round(0))
        [3031.  451.]
        """
        return slide_depression_pa(
            air_flow,
            self.throat_area_mm2(lift_mm),
            density_kg_m3=air.density_kg_m3(),
            pressure_pa=air.pressure_pa,
            discharge_coefficient=self.discharge_coefficient,
        )

    def lift_mm(self, air_flow: ArrayLike, air: Air) -> FloatArray:
        """No lift: the throttle sets the opening, so this refuses where an air valve would answer."""
        flow = float(np.max(air_flow))
        msg = (
            f"A slide opens as far as the throttle pulls it, so no lift follows from {flow:.3g} g/s of air at "
            f"{air.density_kg_m3():.3f} kg/m3; log the slide's opening, or type lift_mm in."
        )
        raise InputError(msg)


@dataclass(frozen=True, repr=False, eq=False)
class Carburettor(Shown):
    """One carburettor: needle and jet under an air valve or a slide.

    Parameters
    ----------
    needle : Needle
        The needle fitted.
    jet : Jet
        The jet fitted.
    air_valve : AirValve or SlideValve
        Piston, spring and throat; or slide and throat.
    shoulder_offset_mm : float
        How far the needle's shoulder sits above the piston's face; 0 when flush. [mm]
    float_level_mm : float
        Height of the jet's face above the fuel level in the float chamber. [mm]
    float_ahead_mm : float or None
        How far the float chamber lies ahead of the jet, along the car; negative behind it; None where nobody measured. [mm]

    Raises
    ------
    InputError
        If the needle is thicker than the jet where it works.

    Examples
    --------
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> Carburettor(Needle("straight", [0.0, 40.0], [2.476, 1.836]), Jet(bore_mm=2.54, drop_mm=1.0), valve)
    Carburettor with needle 'straight' in a 2.54 mm jet
    """

    needle: Needle
    jet: Jet
    air_valve: AirValve | SlideValve
    shoulder_offset_mm: float = field(default=0.0, metadata=within(-5.0, 10.0, "It is 0 when flush."))
    float_level_mm: float = field(default=6.0, metadata=within(-10.0, 30.0, "Measure from fuel level to jet face."))
    float_ahead_mm: float | None = field(default=None, metadata=within(-300.0, 300.0, "Measure it along the car."))

    def __post_init__(self) -> None:
        check_fields(self)
        station = int(np.argmax(self.needle.diameters_mm))
        thickest = float(self.needle.diameters_mm[station])
        if thickest >= self.jet.least_bore_mm():
            msg = (
                f"Needle {self.needle.name} is {thickest:.4f} mm at station {station + 1}, but the jet's bore is only "
                f"{self.jet.least_bore_mm():.4f} mm; a needle must be thinner than its jet, so check both, and their units."
            )
            raise InputError(msg)

    def __repr__(self) -> str:
        return f"Carburettor with needle {self.needle.name!r} in a {self.jet.bore_mm:g} mm jet"

    def position_mm(self, lift_mm: ArrayLike, drop_mm: ArrayLike | None = None) -> FloatArray:
        """Place on the needle at the jet's face, from its shoulder: lift + drop (the present if None) + shoulder offset."""
        drop = self.jet.drop_mm if drop_mm is None else drop_mm
        return np.asarray(np.asarray(lift_mm) + np.asarray(drop) + self.shoulder_offset_mm)

    def depression_pa(self, lift_mm: ArrayLike, known_pa: ArrayLike | None = None) -> FloatArray:
        """Depression over the jet: what is known of it, and where that is NaN or None what the valve gives at the lift.

        InputError if a slide's is not known and no usual one was stated.
        """
        if known_pa is None:
            return self.air_valve.depression_pa(lift_mm)
        known = np.asarray(known_pa, dtype=np.float64)
        missing = ~np.isfinite(known)
        return np.where(missing, self.air_valve.depression_pa(lift_mm), known) if missing.any() else known

    def depression_rise_pa_mm(self, lift_mm: ArrayLike, known_pa: ArrayLike | None = None) -> FloatArray:
        """Rise of the depression with lift in Pa/mm, 0 where it is known and so stays."""
        free = np.asarray(True) if known_pa is None else ~np.isfinite(np.asarray(known_pa, dtype=np.float64))
        return np.where(free, self.air_valve.depression_rise_pa_mm(), 0.0) + np.zeros(np.shape(lift_mm))

    def head_pa_mm(self, fuel: Fuel) -> float:
        """Pressure in Pa that one mm of fuel makes."""
        return fuel.density_kg_m3() * GRAVITY_M_S2 * 1e-3

    def fuel_pressure_pa(
        self,
        lift_mm: ArrayLike,
        fuel: Fuel,
        drop_mm: ArrayLike | None = None,
        *,
        depression_pa: ArrayLike | None = None,
    ) -> FloatArray:
        """Pressure that drives the fuel: depression (the valve's if not known) less the head up to the jet's face."""
        drop = self.jet.drop_mm if drop_mm is None else drop_mm
        head_mm = self.float_level_mm + self.jet.drop_mm - np.asarray(drop)
        return np.asarray(self.depression_pa(lift_mm, depression_pa) - self.head_pa_mm(fuel) * head_mm)
