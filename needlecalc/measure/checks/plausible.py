"""Slips of the pen: figures typed in a job held against each other before they are believed."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from needlecalc.gaussian import NINETY
from needlecalc.measure.checks.check import Cause, Check, CheckKind, Verdict, graded, judged, missing, worse
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.lift.estimates import readings_against_air
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup

ALONE = 0.1  # of the bend about a station: a slip leaves less once that station is set right, a kink of the taper a third
NEARLY_OPEN = 0.8  # of the pressure outside: a drive that came so far meant full load


def plausible_checks(
    bands: Bands | None, setup: Setup | None, gases: Sequence[GasReading], limits: CheckLimits
) -> list[Check]:
    """Needle table, pressure at full load, lifts read against air flow, and lambda noted with the gas against the log's."""
    return [
        missing(CheckKind.TABLE) if setup is None else _table(setup.carburettor.needle, limits),
        _full_load(bands, setup, limits),
        _lifts(bands, setup, limits),
        _noted(bands, gases, limits),
    ]


def _table(needle: Needle, limits: CheckLimits) -> Check:
    """One diameter off the curve of its neighbours to both sides: how far, at the station where that explains most."""
    x, count = needle.stations_mm, needle.stations_mm.size
    # Each row: how far a station stands thick of the straight line between its neighbours.
    rows = np.zeros((max(count - 2, 0), count))
    for k in range(count - 2):
        part = (x[k + 1] - x[k]) / (x[k + 2] - x[k])
        rows[k, k : k + 3] = part - 1.0, 1.0, -part
    bend = rows @ needle.diameters_mm
    off, at = 0.0, 0
    for station in range(2, count - 2):
        near = slice(station - 2, station + 1)
        by_station, seen = rows[near, station], bend[near]
        error = float(by_station @ seen / (by_station @ by_station))
        left = float(((seen - error * by_station) ** 2).sum())
        if abs(error) > abs(off) and left < ALONE * float(seen @ seen):
            off, at = error, station
    numbers = {"station": at + 1.0, "typed": float(needle.diameters_mm[at]), "smooth": float(needle.diameters_mm[at]) - off}
    return judged(CheckKind.TABLE, 1e3 * abs(off), limits.table_station_um, **numbers)


def _full_load(bands: Bands | None, setup: Setup | None, limits: CheckLimits) -> Check:
    """Greatest manifold pressure of the full-load bands over the air outside; of all bands where none is called so."""
    if bands is None or setup is None:
        return missing(CheckKind.FULL_PRESSURE)
    share = bands.manifold_pressure_pa / setup.air.pressure_pa
    full = np.isfinite(share) & np.array([load == "full" for load in bands.load])
    open_wide = share[full] if full.any() else share[np.isfinite(share) & (share >= NEARLY_OPEN)]
    if not open_wide.size:
        return missing(CheckKind.FULL_PRESSURE)
    return judged(CheckKind.FULL_PRESSURE, float(open_wide.max()), limits.full_load_pressure)


def _lifts(bands: Bands | None, setup: Setup | None, limits: CheckLimits) -> Check:
    """Lifts read against those computed: a shift or a share that parts and efficiency do not explain, or an odd one."""
    kind, found = CheckKind.LIFTS, None if bands is None or setup is None else readings_against_air(bands, setup)
    if found is None:
        return missing(kind)
    shift, share = abs(found.shift_mm), abs(found.ln_share)
    sizes = {
        Cause.LIFTS_SHIFTED: graded(shift, limits.lift_shift_mm) if shift > NINETY * found.shift_u_mm else Verdict.GREEN,
        Cause.AIR_OFF: graded(share, limits.air_share),
        Cause.LIFT_ODD: graded(found.chance, limits.lift_chance),
    }
    verdict = worse(*sizes.values())
    causes = tuple(cause for cause, one in sizes.items() if one is verdict)[:1] if verdict is not Verdict.GREEN else ()
    percent = 100.0 * float(np.expm1(found.ln_share))
    return Check(kind, verdict, {"value": -found.shift_mm, "percent": percent}, limits.lift_shift_mm, causes=causes)


def _noted(bands: Bands | None, gases: Sequence[GasReading], limits: CheckLimits) -> Check:
    """Lambda noted beside the gas at idle against that of the drive at idle."""
    noted = [gas.lambda_measured for gas in gases if gas.at == "idle" and gas.lambda_measured is not None]
    idle = None if bands is None else bands.idle()
    if bands is None or idle is None or not noted:
        return missing(CheckKind.NOTED)
    driven = float(bands.lambda_measured[idle])
    away = abs(float(np.log(driven / np.mean(noted))))
    return judged(CheckKind.NOTED, away, limits.noted_lambda, driven=driven, noted=float(np.mean(noted)))
