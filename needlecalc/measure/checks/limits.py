"""Limits of the checks before a cut, as data: all are defaults to be edited."""

from __future__ import annotations

from dataclasses import dataclass, fields
from typing import Final

import numpy as np

from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.show import Column, Shown, Table

COMMON_PRACTICE: Final = "common practice, no source"
JUDGEMENT: Final = "judgement, no source"
Pair = tuple[float, float]


# Unit, what it judges, and where its default comes from.
ABOUT: Final = {
    "lead_kohm": ("kohm", "resistance of one plug lead", JUDGEMENT),
    "lead_ratio": ("", "worst lead over the middle one", JUDGEMENT),
    "secondary_kohm": ("kohm", "lead, plug and rotor in line", JUDGEMENT),
    "gap_spread_mm": ("mm", "plug gap off the specified or middle one", JUDGEMENT),
    "standard_coil_gap_mm": ("mm", "gap that asks for a high-energy coil (0.035 in is 0.889 mm)", COMMON_PRACTICE),
    "least_rise_deg": (
        "deg",
        "mechanical advance; 12 in all is flat, 23 right for a high-compression four",
        COMMON_PRACTICE,
    ),
    "greatest_rise_deg": ("deg", "mechanical advance", JUDGEMENT),
    "total_deg": ("deg", "total advance, vacuum off", JUDGEMENT),
    "total_rpm": ("rpm", "speed at which all advance is in", JUDGEMENT),
    "most_idle_deg": ("deg", "advance at idle; 8 to 10 for a clean idle test", COMMON_PRACTICE),
    "least_idle_deg": ("deg", "advance at idle; 8 to 10 for a clean idle test", COMMON_PRACTICE),
    "marks_wander_deg": ("deg", "wander of the timing marks", JUDGEMENT),
    "carbon_sum_percent": ("%", "CO + CO2 of a dry sample", COMMON_PRACTICE),
    "air_in_sample": ("", "share of air in a sample that holds CO", JUDGEMENT),
    "contradiction_lambda": ("", "meter leaner than the gas", JUDGEMENT),
    "misfire_hc_ppm": ("ppm", "hydrocarbons as hexane", JUDGEMENT),
    "idle_excess": ("", "idle made lean by a leak", JUDGEMENT),
    "idle_wander": ("", "spread of lambda at idle over that of the other bands", JUDGEMENT),
    "starving_per_s": ("1/s", "rise of lambda in a hold at the greatest flow", JUDGEMENT),
    "rich_when_hot": ("", "idle lambda falls from warm to hot", JUDGEMENT),
    "free_air_o2_percent": ("%", "free-air reading off 20.9 %", JUDGEMENT),
    "stuck_share": ("", "rows with lambda stuck", JUDGEMENT),
    "ceiling_share": ("", "rows with lambda at its ceiling, overrun included", JUDGEMENT),
    "coolant_degc": ("degC", "coolant while measuring", JUDGEMENT),
    "visits_spread": ("", "scatter of lambda between visits", JUDGEMENT),
    "least_reach": ("", "greatest lift of the drive over the travel", JUDGEMENT),
    "wear_um": ("um", "needle off its table, on diameter", JUDGEMENT),
    "oval_um": ("um", "needle at two angles, on diameter", JUDGEMENT),
    "compression_spread": ("", "worst cylinder below the best", JUDGEMENT),
    "twin_air": ("", "air of the carburettors differs", JUDGEMENT),
    "twin_lambda": ("", "lambda of the banks differs", JUDGEMENT),
    "twin_flats": ("flats", "jet nuts stand apart for the same idle", JUDGEMENT),
}


@dataclass(frozen=True, repr=False)
class CheckLimits(Shown):
    """Amber and red limit of every check; red beyond amber says which way is bad.

    Parameters
    ----------
    lead_kohm : tuple of float
        Resistance of one plug lead. [kohm]
    lead_ratio : tuple of float
        Worst lead over the middle one of the set. [-]
    secondary_kohm : tuple of float
        Lead, plug and rotor in line. [kohm]
    gap_spread_mm : tuple of float
        Plug gap away from the one specified, or from the middle one. [mm]
    standard_coil_gap_mm : tuple of float
        Gap that asks for a high-energy coil. [mm]
    least_rise_deg, greatest_rise_deg : tuple of float
        Total less initial advance, vacuum off, on the crank. [deg]
    total_deg : tuple of float
        Total advance, vacuum off. [deg]
    total_rpm : tuple of float
        Speed at which all advance is in. [1/min]
    most_idle_deg, least_idle_deg : tuple of float
        Advance at idle as it runs. [deg]
    marks_wander_deg : tuple of float
        Wander of the timing marks at steady speed. [deg]
    carbon_sum_percent : tuple of float
        CO + CO2 of a dry sample. [%]
    air_in_sample : tuple of float
        Share of air in a dry sample that holds CO. [-]
    contradiction_lambda : tuple of float
        Lambda of the meter above that of the gas. [-]
    misfire_hc_ppm : tuple of float
        Hydrocarbons as hexane. [ppm]
    idle_excess : tuple of float
        Lambda at idle too lean by an air leak, as a share. [-]
    idle_wander : tuple of float
        Spread of lambda at idle over that of the other bands. [-]
    starving_per_s : tuple of float
        Rise of lambda in a hold at the greatest flow. [1/s]
    rich_when_hot : tuple of float
        Fall of idle lambda from warm to hot. [-]
    free_air_o2_percent : tuple of float
        O2 reading in free air away from 20.9 %. [%]
    stuck_share, ceiling_share : tuple of float
        Rows of the log with lambda stuck or at its ceiling. [-]
    coolant_degc : tuple of float
        Coolant while measuring. [degC]
    visits_spread : tuple of float
        Scatter of lambda between visits to one band, k=1. [-]
    least_reach : tuple of float
        Greatest lift of the drive over the travel of the piston. [-]
    wear_um, oval_um : tuple of float
        Needle against its table, and between two angles, on diameter. [um]
    compression_spread : tuple of float
        Worst cylinder below the best, as a share. [-]
    twin_air, twin_lambda, twin_flats : tuple of float
        Difference between carburettors: air as a share, lambda, flats of the jet nut. [-]

    Raises
    ------
    InputError
        If a limit is no pair of two different numbers, or points the other way round.

    Examples
    --------
    >>> CheckLimits(lead_kohm=(15.0, 25.0)).lead_kohm
    (15.0, 25.0)
    """

    lead_kohm: Pair = (20.0, 30.0)
    lead_ratio: Pair = (1.5, 2.0)
    secondary_kohm: Pair = (25.0, 40.0)
    gap_spread_mm: Pair = (0.10, 0.20)
    standard_coil_gap_mm: Pair = (0.88, 1.3)
    least_rise_deg: Pair = (18.0, 14.0)
    greatest_rise_deg: Pair = (30.0, 36.0)
    total_deg: Pair = (35.0, 40.0)
    total_rpm: Pair = (5000.0, 6000.0)
    most_idle_deg: Pair = (10.0, 20.0)
    least_idle_deg: Pair = (8.0, 0.0)
    marks_wander_deg: Pair = (2.0, 5.0)
    carbon_sum_percent: Pair = (13.0, 12.0)
    air_in_sample: Pair = (0.07, 0.12)
    contradiction_lambda: Pair = (0.03, 0.08)
    misfire_hc_ppm: Pair = (600.0, 1500.0)
    idle_excess: Pair = (0.08, 0.15)
    idle_wander: Pair = (2.5, 5.0)
    starving_per_s: Pair = (0.004, 0.010)
    rich_when_hot: Pair = (0.03, 0.08)
    free_air_o2_percent: Pair = (0.3, 0.8)
    stuck_share: Pair = (0.005, 0.05)
    ceiling_share: Pair = (0.20, 0.50)
    coolant_degc: Pair = (75.0, 65.0)
    visits_spread: Pair = (0.015, 0.030)
    least_reach: Pair = (0.5, 0.0)
    wear_um: Pair = (5.0, 10.0)
    oval_um: Pair = (5.0, 10.0)
    compression_spread: Pair = (0.10, 0.20)
    twin_air: Pair = (0.05, 0.12)
    twin_lambda: Pair = (0.03, 0.06)
    twin_flats: Pair = (1.0, 2.5)

    def __post_init__(self) -> None:
        for item in fields(self):
            given = getattr(self, item.name)
            usual = item.default
            if (
                not isinstance(given, (tuple, list))
                or len(given) != 2
                or not all(isinstance(v, (int, float)) and not isinstance(v, bool) and np.isfinite(v) for v in given)
            ):
                msg = f"limit {item.name} is {shown(given)}, but must be two numbers, amber then red, such as {usual}."
                raise InputError(msg)
            pair = (float(given[0]), float(given[1]))
            assert isinstance(usual, tuple)
            if (pair[1] - pair[0]) * (usual[1] - usual[0]) <= 0.0:
                way = "above" if usual[1] > usual[0] else "below"
                msg = f"limit {item.name} is {pair}, but red must lie {way} amber; put amber first, then red."
                raise InputError(msg)
            object.__setattr__(self, item.name, pair)

    def __repr__(self) -> str:
        changed = [item.name for item in fields(self) if getattr(self, item.name) != item.default]
        return f"CheckLimits: {len(fields(self))}, changed: {', '.join(changed) or 'none'}"

    def table(self) -> Table:
        """Every limit with its source, to be shown.

        Returns
        -------
        Table
            One row a limit.
        """
        columns = (
            Column("limit", "limit"),
            Column("amber", "amber", "g"),
            Column("red", "red", "g"),
            Column("unit", "unit"),
            Column("says", "what it judges"),
            Column("source", "source"),
        )
        rows = []
        for item in fields(self):
            amber, red = getattr(self, item.name)
            unit, says, source = ABOUT[item.name]
            rows.append(
                {
                    "limit": item.name,
                    "amber": amber,
                    "red": red,
                    "unit": unit,
                    "says": says,
                    "source": source if (amber, red) == item.default else "user's own",
                }
            )
        return Table("Limits of the checks", columns, rows)
