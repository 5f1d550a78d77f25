"""What the checks before a cut look at, and the limits of each as data: all are defaults to be edited."""

# ruff: noqa: RUF009 (each default is a dataclass field, made by _limit)

from __future__ import annotations

from dataclasses import dataclass, field, fields
from enum import StrEnum
from typing import Any, Final

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.show import Shown

COMMON_PRACTICE: Final = "common practice, no source"
JUDGEMENT: Final = "judgement, no source"
Pair = tuple[float, float]


class CheckKind(StrEnum):
    """What was looked at; the text is the name it is asked for by."""

    COMPRESSION = "compression"
    VALVE_GAPS = "valve gaps"
    FILTER = "air filter"
    CHOKE = "choke"
    SLOW_RETURN = "slow return to idle"
    FLAT_SPOT = "flat spot on snapping the throttle"
    RICH_WHEN_HOT = "rich only when hot"
    LEADS = "plug leads"
    SECONDARY = "secondary in all"
    GAPS = "plug gaps"
    COIL = "gap and coil"
    RISE = "mechanical advance"
    TOTAL_ADVANCE = "total advance"
    IDLE_ADVANCE = "advance at idle"
    VACUUM = "vacuum source"
    MARKS = "timing marks"
    FREE_AIR = "sensor in free air"
    PLACE = "sensor place"
    GAS = "exhaust gas"
    CARBON_SUM = "CO + CO2"
    AIR_IN_SAMPLE = "air in the sample"
    GAS_LAMBDA = "lambda against gas"
    HYDROCARBONS = "hydrocarbons"
    CO_LIMIT = "CO limit"
    HC_LIMIT = "HC limit"
    LEAN_AT_IDLE = "lean at idle only"
    TWIN_AIR = "twin air balance"
    TWIN_LAMBDA = "twin mixture"
    TWIN_FLATS = "twin flats"
    WEAR = "needle wear"
    OVAL = "needle ovality"
    LEAK = "air leak signature"
    WANDER = "idle wander"
    STARVATION = "fuel starvation"
    HOT_IDLE = "idle from warm to hot"
    STUCK = "sensor stuck"
    CEILING = "sensor at its ceiling"
    WARM = "warm engine"
    REPEAT = "repeatability between visits"
    REACH = "reach of the drive"
    TABLE = "needle table"
    FULL_PRESSURE = "pressure at full load"
    LOADS = "loads against lifts"
    LIFTS = "lifts against air flow"
    ODD_BAND = "each band against the others"
    PARTS = "lambda against the parts"
    NOTED = "lambda noted with the gas"


def kinds(first: CheckKind, last: CheckKind) -> list[CheckKind]:
    """Kinds of checks from one to another, in the order of the list."""
    every = list(CheckKind)
    return every[every.index(first) : every.index(last) + 1]


def _limit(amber: float, red: float, unit: str, judges: str, kind: CheckKind | None = None, source: str = JUDGEMENT) -> Any:
    """One row of the table: both limits, their unit, what they judge, the check they are the limit of, and their source."""
    return field(default=(amber, red), metadata={"unit": unit, "judges": judges, "kind": kind, "source": source})


@dataclass(frozen=True, repr=False)
class CheckLimits(Shown):
    """Amber and red limit of every check; red beyond amber says which way is bad, and amber itself is bad.

    Printed, it lists every limit with its unit, what it judges and where it comes from.

    Raises
    ------
    InputError
        If a limit is no pair of two different numbers, or points the other way round.

    Examples
    --------
    >>> CheckLimits(lead_kohm=(15.0, 25.0)).lead_kohm
    (15.0, 25.0)
    """

    lead_kohm: Pair = _limit(20.0, 30.0, "kohm", "resistance of one plug lead", CheckKind.LEADS)
    lead_ratio: Pair = _limit(1.5, 2.0, "", "worst lead over the middle one of the set")
    secondary_kohm: Pair = _limit(25.0, 40.0, "kohm", "lead, plug and rotor in line", CheckKind.SECONDARY)
    gap_spread_mm: Pair = _limit(0.10, 0.20, "mm", "plug gap off the specified or middle one", CheckKind.GAPS)
    standard_coil_gap_mm: Pair = _limit(
        0.88, 1.3, "mm", "gap that asks for a high-energy coil (0.035 in is 0.889 mm)", CheckKind.COIL, COMMON_PRACTICE
    )
    least_rise_deg: Pair = _limit(
        18.0,
        14.0,
        "deg",
        "mechanical advance; 12 in all is flat, 23 right for a high-compression four",
        None,
        COMMON_PRACTICE,
    )
    greatest_rise_deg: Pair = _limit(30.0, 36.0, "deg", "mechanical advance")
    total_deg: Pair = _limit(35.0, 40.0, "deg", "total advance, vacuum off", CheckKind.TOTAL_ADVANCE)
    total_rpm: Pair = _limit(5000.0, 6000.0, "rpm", "speed at which all advance is in")
    most_idle_deg: Pair = _limit(10.0, 20.0, "deg", "advance at idle; 8 to 10 for a clean idle test", None, COMMON_PRACTICE)
    least_idle_deg: Pair = _limit(8.0, 0.0, "deg", "advance at idle; 8 to 10 for a clean idle test", None, COMMON_PRACTICE)
    marks_wander_deg: Pair = _limit(2.0, 5.0, "deg", "wander of the timing marks at steady speed", CheckKind.MARKS)
    carbon_sum_percent: Pair = _limit(13.0, 12.0, "%", "CO + CO2 of a dry sample", CheckKind.CARBON_SUM, COMMON_PRACTICE)
    air_in_sample: Pair = _limit(0.07, 0.12, "", "share of air in a sample that holds CO", CheckKind.AIR_IN_SAMPLE)
    contradiction_lambda: Pair = _limit(0.03, 0.08, "", "meter off the lambda that the gas belongs to", CheckKind.GAS_LAMBDA)
    misfire_hc_ppm: Pair = _limit(600.0, 1500.0, "ppm", "hydrocarbons as hexane", CheckKind.HYDROCARBONS)
    idle_excess: Pair = _limit(0.08, 0.15, "", "idle made lean by a leak", CheckKind.LEAK)
    idle_wander: Pair = _limit(2.5, 5.0, "", "spread of lambda at idle over that of the other bands", CheckKind.WANDER)
    starving_per_s: Pair = _limit(0.004, 0.010, "1/s", "rise of lambda in a hold at the greatest flow", CheckKind.STARVATION)
    rich_when_hot: Pair = _limit(0.03, 0.08, "", "fall of idle lambda from warm to hot", CheckKind.HOT_IDLE)
    free_air_o2_percent: Pair = _limit(0.3, 0.8, "%", "free-air reading off 20.9 %", CheckKind.FREE_AIR)
    stuck_share: Pair = _limit(0.005, 0.05, "", "rows with lambda stuck", CheckKind.STUCK)
    ceiling_share: Pair = _limit(0.20, 0.50, "", "rows with lambda at its ceiling, overrun included", CheckKind.CEILING)
    coolant_degc: Pair = _limit(75.0, 65.0, "degC", "coolant while measuring", CheckKind.WARM)
    visits_spread: Pair = _limit(0.015, 0.030, "", "scatter of lambda between visits to one band", CheckKind.REPEAT)
    least_reach: Pair = _limit(0.5, 0.0, "", "greatest lift of the drive over the travel of the piston", CheckKind.REACH)
    table_station_um: Pair = _limit(50.0, 500.0, "um", "one diameter off the curve of its neighbours", CheckKind.TABLE)
    full_load_pressure: Pair = _limit(0.92, 0.50, "", "manifold at full load over the air outside", CheckKind.FULL_PRESSURE)
    light_over_full: Pair = _limit(1.3, 10.0, "", "air a turn by lift, most at light over least at full", CheckKind.LOADS)
    parts_misfit: Pair = _limit(3.2, 100.0, "", "square misfit to needle, jet and lifts; 1 where all fit", CheckKind.PARTS)
    odd_band: Pair = _limit(4.0, 100.0, "", "one band off what others foretell, in its uncertainties", CheckKind.ODD_BAND)
    lift_shift_mm: Pair = _limit(2.5, 8.0, "mm", "lifts read off those computed, all alike", CheckKind.LIFTS)
    air_share: Pair = _limit(0.5, 1.2, "", "air flow by the lifts read off that computed, in ln")
    lift_chance: Pair = _limit(0.05, 0.0, "", "chance that lifts read and computed differ so in their pattern")
    noted_lambda: Pair = _limit(0.03, 0.10, "", "idle lambda noted with gas off that of the drive, in ln", CheckKind.NOTED)
    wear_um: Pair = _limit(5.0, 10.0, "um", "needle off its table, on diameter", CheckKind.WEAR)
    oval_um: Pair = _limit(5.0, 10.0, "um", "needle at two angles, on diameter", CheckKind.OVAL)
    compression_spread: Pair = _limit(0.10, 0.20, "", "worst cylinder below the best, as a share", CheckKind.COMPRESSION)
    twin_air: Pair = _limit(0.05, 0.12, "", "air of the carburettors differs, as a share", CheckKind.TWIN_AIR)
    twin_lambda: Pair = _limit(0.03, 0.06, "", "lambda of the banks differs", CheckKind.TWIN_LAMBDA)
    twin_flats: Pair = _limit(1.0, 2.5, "flats", "jet nuts stand apart for the same idle", CheckKind.TWIN_FLATS)

    def __post_init__(self) -> None:
        for item in fields(self):
            given: Any = getattr(self, item.name)
            usual: Any = item.default
            try:
                amber, red = (check_range(one, item.name, -np.inf, np.inf) for one in (*given,))
            except (InputError, TypeError, ValueError) as error:
                msg = f"limit {item.name} is {shown(given)}, but must be two numbers, amber then red, such as {usual}."
                raise InputError(msg) from error
            if (red - amber) * (usual[1] - usual[0]) <= 0.0:
                way = "above" if usual[1] > usual[0] else "below"
                msg = f"limit {item.name} is {(amber, red)}, but red must lie {way} amber; put amber first, then red."
                raise InputError(msg)
            object.__setattr__(self, item.name, (amber, red))

    def of(self, kind: CheckKind) -> Pair:
        """Amber and red limit of a kind of check."""
        pair: Pair = getattr(self, _FIELD_OF[kind])
        return pair

    def __repr__(self) -> str:
        changed = [item.name for item in fields(self) if getattr(self, item.name) != item.default]
        return f"CheckLimits: {len(fields(self))}, changed: {', '.join(changed) or 'none'}"


_FIELD_OF = {item.metadata["kind"]: item.name for item in fields(CheckLimits)}
