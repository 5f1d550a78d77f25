"""What is held of everything that nobody measured, before a drive has spoken: the one table of priors."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any

import numpy as np

from needlecalc.arrays import check_fields, within

SPRUNG_U = 0.05  # offset of a needle sprung against the bore, which hardly leaves it
HANGING_U = 0.2  # and of one that hangs free
OWN_GAIN = 0.6  # of flow_gain: what each band errs by of its own
MOVED_JET = 2.0  # of flow_gain: what its change by a moved jet errs by besides; engines of another flow law differ so
# Why each is as large as it is; all judgement but where a source is named.
REASONS = {
    "repeatability": "0.004 between visits of one drive",
    "sensor_offset": "wideband meters in use, beside a gas analyser",
    "sensor_gain": "a pump current read 5 % wrong",
    "flow_gain": "3 % beside exact and computed flow, and room; 0.6 of it more by band, twice it by a moved jet",
    "flow_shape": "1 to 4 % beside exact flow, by gap and taper",
    "viscosity": "petrols of winter and summer differ so",
    "fuel_temperature_k": "the weather, some 4.5, and how long the float chamber soaked, some 4",
    "eccentricity": f"if not given {HANGING_U:g}, {SPRUNG_U:g} for one sprung to a side, more where nobody said",
    "lift_zero_mm": "shoulder and jet face by depth gauge",
    "table_mm": "a copied table, and the wear of years",
    "table_offset_mm": "two micrometers seldom agree to less",
    "micrometer_mm": "a hundredth read to its sixth part",
    "hand_mm": "fine abrasive takes 2 to 3 um a stroke",
    "throat_u": "throats pass 0.6 to 0.9 of the ideal flow",
    "throat_shape_u": "bridge and piston edge part the flow otherwise at each lift",
    "throat_trend_u": "a low slit and an open bore differ by some 10 %",
    "balance_u": "a spring read to 5 %, a disc to 0.5 mm, some friction",
    "meter_u": "a hot-wire meter, soiled",
    "meter_shape_u": "its curve is smooth",
    "manifold_pressure_u_pa": "zero and span of a sensor of 1 bar",
    "pulsation_u": "two to four cylinders on one carburettor",
    "sensor_u_mm": "a lever or a cable has play",
    "zero_u_mm": "the place at rest, read by eye",
}


def _u(usual: float | None, most: float, unit: str, what: str) -> Any:
    """One row of the table: standard uncertainty (k=1), the most it may be, its unit, and of what."""
    cure = "It is one standard uncertainty" + ("; 2.5 um is 0.0025." if unit == "mm" else ".")
    return field(default=usual, metadata={**within(0.0, most, cure), "unit": unit, "what": what})


@dataclass(frozen=True)
class LiftDoubts:
    """Standard uncertainties (k=1) of lifts, the fields those of the table ``python -m needlecalc keys doubts``.

    Those in ``_mm`` and ``_pa`` are in mm and Pa, all others shares. [mm, Pa, -]

    Examples
    --------
    >>> LiftDoubts(sensor_u_mm=0.1).sensor_u_mm
    0.1
    """

    throat_u: float = _u(0.10, 0.5, "", "discharge coefficient of the throat, as a share; shared by all bands")
    throat_shape_u: float = _u(0.04, 0.5, "", "its change from lift to lift, as a share")
    throat_trend_u: float = _u(0.06, 0.5, "", "its change from shut to a lift of the whole bore, as a share")
    balance_u: float = _u(0.04, 0.5, "", "depression from piston, spring and disc, as a share; air flow errs by half of it")
    meter_u: float = _u(0.03, 0.5, "", "level of the air-flow meter, as a share; shared by all bands")
    meter_shape_u: float = _u(0.01, 0.5, "", "its error from flow to flow, as a share")
    manifold_pressure_u_pa: float = _u(700.0, 1e4, "Pa", "manifold pressure gauge")
    pulsation_u: float = _u(0.02, 0.5, "", "rise of the piston by pulses through an open throttle, as a share of air flow")
    sensor_u_mm: float = _u(0.2, 5.0, "mm", "lift sensor")
    zero_u_mm: float = _u(0.1, 5.0, "mm", "zero of lift sensor or lift readings, which all bands share")

    def __post_init__(self) -> None:
        check_fields(self)

    def throat_share(self) -> float:
        """Uncertainty of the air that passes at a lift, shared by all bands, as a share."""
        return float(np.hypot(self.throat_u, self.balance_u / 2.0))


@dataclass(frozen=True)
class Doubts:
    """Standard uncertainties (k=1) a design starts from, the fields those of the table ``python -m needlecalc keys doubts``.

    Those in ``_mm`` and ``_k`` are in mm and K, all others shares. [mm, K, -]  ``eccentricity`` None: by how the needle
    hangs.  ``lift`` holds those of the lifts.

    Examples
    --------
    >>> Doubts(viscosity=0.08).viscosity
    0.08
    """

    repeatability: float = _u(0.004, 0.1, "", "lambda of one running point measured on two days, as a share")
    sensor_offset: float = _u(0.010, 0.1, "", "zero of the lambda meter, the same in all passes")
    sensor_gain: float = _u(0.05, 0.5, "", "error of the lambda meter as a share of the distance from lambda 1")
    flow_gain: float = _u(0.05, 0.5, "", "change of fuel really seen over change computed, less one")
    flow_shape: float = _u(0.015, 0.5, "", "error of the flow law from one air flow to the next")
    viscosity: float = _u(0.08, 0.5, "", "viscosity of the fuel in the tank, as a share")
    fuel_temperature_k: float = _u(6.0, 30.0, "K", "fuel in the jet, from one day's drive to another's")
    eccentricity: float | None = _u(None, 1.0, "", "offset of the needle over the gap")
    lift_zero_mm: float = _u(0.1, 2.0, "mm", "place of the needle in the jet, shared by all bands: shoulder, jet face")
    table_mm: float = _u(0.002, 0.05, "mm", "each diameter of a needle not yet measured by hand, wear included")
    table_offset_mm: float = _u(0.003, 0.05, "mm", "all diameters of that needle alike, over the micrometer it is filed by")
    micrometer_mm: float = _u(0.0015, 0.05, "mm", "one micrometer reading")
    hand_mm: float = _u(0.0025, 0.05, "mm", "a diameter filed to size with fine abrasive")
    lean_limit: float = field(
        default=1.15,
        metadata={
            **within(0.9, 1.6, "It is a lambda."),
            "what": "Lambda past which an engine misfires; bands past it count as at least so lean.",
        },
    )
    lift: LiftDoubts = LiftDoubts()

    def __post_init__(self) -> None:
        check_fields(self)

    def eccentricity_u(self, mounting: str) -> float:
        """Uncertainty of the offset of a needle so mounted, over the gap: as stated, else by how it hangs."""
        return {"biased": SPRUNG_U}.get(mounting, HANGING_U) if self.eccentricity is None else self.eccentricity


@dataclass(frozen=True)
class Prior:
    """A key that a job may leave out; values and uncertainties are common practice, no source."""

    section: str
    key: str
    value: float | str | None  # None: as the part's own signature has it
    u: float  # standard uncertainty, in the key's unit


# A typical piston: 1600 Pa over the jet.  Only that figure counts at lifts that were read; it is 1200 to 2000 on most.
DEPRESSION_U = 0.25
DEPRESSION = Prior("lift", "depression_pa", None, DEPRESSION_U)
# Under a slide it changes with the throttle; this is between what light and full load have.
SLIDE_PA, SLIDE_U = 1500.0, 0.7
SLIDE_DEPRESSION = Prior("slide_valve", "usual_depression_pa", SLIDE_PA, SLIDE_U * SLIDE_PA)
BORE_LENGTH = Prior("jet", "parallel_length_mm", None, 1.5)
# Where lift is computed from manifold pressure.
FILLING = Prior("engine", "volumetric_efficiency", None, 0.09)
# Its error from one running point to the next where none is stated: by a table, and by one number.
TABLE_SHAPE_U, NUMBER_SHAPE_U = 0.03, 0.06
THROTTLED_U = 0.5  # of what exhaust left behind takes: valves open together make it more, a long pipe less
LIFT_READ = Prior("lift", "lift_u_mm", None, 0.3)
LAMBDA_READ = Prior("bands", "lambda_se", None, 0.01)
PRIORS = (
    Prior("jet", "drop_mm", 1.6, 0.5),
    BORE_LENGTH,
    Prior("jet", "mounting", None, 0.5),
    Prior("carburettor", "shoulder_offset_mm", None, 0.1),
    Prior("carburettor", "float_level_mm", None, 2.0),
    Prior("fuel", "temperature_degc", None, 8.0),
    Prior("fuel", "ethanol_percent", None, 3.0),
    Prior("air", "pressure_pa", None, 2500.0),
    Prior("air", "temperature_degc", None, 10.0),
    LIFT_READ,
    LAMBDA_READ,
)
# Only the sum from air flow to lift asks for these.
THROAT = Prior("air_valve", "throat_bore_mm", 38.0, 0.0)
PISTON = (
    Prior("air_valve", "disc_diameter_mm", 60.0, 0.0),
    Prior("air_valve", "piston_mass_kg", 0.26, 0.0),
    Prior("air_valve", "spring_preload_n", 1.97, 0.0),
)
FOR_LIFT = (
    Prior("engine", "displacement_cm3", 1300.0, 0.0),
    Prior("engine", "cylinders", 4, 0.0),
    THROAT,
    *PISTON,
)
