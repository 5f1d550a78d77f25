"""A round throat and the slide that the throttle opens in it; under a slide the depression varies with the air flow."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_fields, check_range, within
from needlecalc.errors import InputError
from needlecalc.parts.engine import Air
from needlecalc.physics.airflow import air_flow_g_s, circular_throat_area_mm2, slide_depression_pa
from needlecalc.show import Shown
from needlecalc.units import FloatArray


class Throat(Shown):
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

    def depression_pa(self, lift_mm: ArrayLike) -> FloatArray:
        """Depression at a lift, where none was read."""
        raise NotImplementedError

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

    def depression_rise_pa_mm(self) -> float:
        """Rise of the usual depression with lift in Pa/mm: none."""
        return 0.0

    def lift_mm(self, air_flow: ArrayLike, air: Air) -> FloatArray:
        """No lift: the throttle sets the opening, so this refuses where an air valve would answer."""
        flow = float(np.max(air_flow))
        msg = (
            f"A slide opens as far as the throttle pulls it, so no lift follows from {flow:.3g} g/s of air at "
            f"{air.density_kg_m3():.3f} kg/m3; log the slide's opening, or type lift_mm in."
        )
        raise InputError(msg)
