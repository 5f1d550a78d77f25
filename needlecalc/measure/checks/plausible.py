"""Slips of the pen: figures typed in a job held against each other before they are believed."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from needlecalc.gaussian import NINETY
from needlecalc.measure.checks.check import Cause, Check, Verdict, graded, in_full, judged, worse
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.measure.checks.leaksign import COMMON_SHARE_OF_LIFT, expected_lambda, on_needle
from needlecalc.measure.checks.limits import CheckKind, CheckLimits
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.lift.estimates import readings_against_air
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup, fuel_flow
from needlecalc.priors import Doubts

ALONE = 0.1  # of the bend about a station: a slip leaves less once that station is set right, a kink of the taper a third
NEARLY_OPEN = 0.8  # of the pressure outside: a drive that came so far meant full load
LEAST_BANDS = 3
# What throat, flow law and meter leave open of lambda by needle and jet, k=1: its level, its change over a lift as great
# as the throat's bore, and humps about as wide as lift doubled, beside the repeatability.  Judgement.
LEVEL_U, TREND_U, HUMPS_U, HUMP_WIDTH, REPEAT_U = 0.3, 0.25, 0.02, 0.5, 0.01
BORE_STEP_MM = 0.01
MOST_SUSPECTS = 2
# Slips are no greater; the last is a share.
FARTHEST = {Cause.SUSPECT_BORE: 0.4, Cause.SUSPECT_PLACE: 10.0, Cause.SUSPECT_LIFTS: 8.0, Cause.SUSPECT_LEVEL: 0.7}


def plausible_checks(
    bands: Bands | None,
    setup: Setup | None,
    gases: Sequence[GasReading],
    limits: CheckLimits,
    doubts: Doubts,
    *,
    engine_stated: bool,
) -> list[Check]:
    """Needle table, pressure at full load, lifts against air flow, lambda against the parts, and that noted with the gas."""
    found = [] if setup is None else [_table(setup.carburettor.needle, limits)]
    if bands is not None and setup is not None:
        found += [*_loads(bands, setup, limits), *_against_parts(bands, setup, limits, doubts)]
        found += _lifts(bands, setup, limits, doubts) if engine_stated else []
    if bands is not None:
        found += _noted(bands, gases, limits)
    return in_full(CheckKind.TABLE, CheckKind.NOTED, found)


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
    return judged(CheckKind.TABLE, 1e3 * abs(off), limits, **numbers)


def _loads(bands: Bands, setup: Setup, limits: CheckLimits) -> Iterator[Check]:
    """Full load by its manifold pressure, and by its air a turn against that of light load."""
    light, full = (np.array([load == called for load in bands.load]) for called in ("light", "full"))
    # Greatest pressure over that outside, of the full-load bands; of all bands where none is called so.
    share = bands.manifold_pressure_pa / setup.air.pressure_pa
    open_wide = share[np.isfinite(share) & (full if (np.isfinite(share) & full).any() else share >= NEARLY_OPEN)]
    if open_wide.size:
        yield judged(CheckKind.FULL_PRESSURE, float(open_wide.max()), limits)
    # By the lifts: the light band that takes most over the full-load band that takes least.
    taken = setup.carburettor.air_valve.throat_area_mm2(bands.lift_mm) / bands.rpm
    if np.isfinite(taken[light]).any() and np.isfinite(taken[full]).any():
        most, least = int(np.nanargmax(np.where(light, taken, np.nan))), int(np.nanargmin(np.where(full, taken, np.nan)))
        named = dict(zip(("light", "full"), bands.called(most, least), strict=True))
        yield judged(CheckKind.LOADS, float(taken[most] / taken[least]), limits, **named)


def _against_parts(bands: Bands, setup: Setup, limits: CheckLimits, doubts: Doubts) -> Iterator[Check]:
    r"""Lambda against what needle, jet and lifts as stated give: all bands together, and each against all others.

    With r = ln of measured over expected lambda and C its covariance, the misfit is r C^-1 r over the bands, and a band
    stands :math:`(C^{-1} r)_k / \sqrt{C^{-1}_{kk}}` of its uncertainties off what the others foretell.
    """
    if (keep := on_needle(bands, setup)).sum() < LEAST_BANDS:
        return
    lift, lambdas = bands.lift_mm[keep], bands.lambda_measured[keep]
    model = expected_lambda(bands, setup, keep, doubts)
    left = np.log(lambdas * setup.fuel.afr()) - model.ln_lambda
    height = lift / setup.carburettor.air_valve.throat_bore_mm
    columns = np.column_stack([model.doubts, np.full(lift.size, LEVEL_U), TREND_U * (height - height.mean())])
    apart = np.log(lift)[:, None] - np.log(lift)
    own_lift = np.sqrt(1.0 - COMMON_SHARE_OF_LIFT**2) * model.by_lift_u
    own = np.hypot(np.hypot(bands.lambda_se[keep] / lambdas, REPEAT_U), own_lift)
    humps = HUMPS_U**2 * np.exp(-0.5 * (apart / HUMP_WIDTH) ** 2)
    weight = np.linalg.inv(columns @ columns.T + humps + np.diag(own**2))
    pull = weight @ left
    misfit = float(left @ pull) / left.size
    off = pull / np.sqrt(np.diag(weight))
    odd = int(np.argmax(np.abs(off)))
    read, (band,) = float(lambdas[odd]), bands.called(int(np.flatnonzero(keep)[odd]))
    foretold = read * float(np.exp(-pull[odd] / weight[odd, odd]))
    yield judged(CheckKind.ODD_BAND, abs(float(off[odd])), limits, band=band, read=read, foretold=foretold)
    # How far each part alone would have to be other than stated, and what misfit that takes away.
    known, wider = bands.depression_pa[keep], setup.with_jet(bore_mm=setup.carburettor.jet.bore_mm + BORE_STEP_MM)
    fuels = [fuel_flow(one, lift, depression_pa=known).fuel_flow_g_s for one in (setup, wider)]
    signs = {
        Cause.SUSPECT_BORE: np.log(fuels[0] / fuels[1]) / BORE_STEP_MM,
        Cause.SUSPECT_PLACE: -model.per_mm_position,
        Cause.SUSPECT_LIFTS: model.per_mm_lift,
        Cause.SUSPECT_LEVEL: np.ones(lift.size),
    }
    numbers, taken_away = {}, {Cause.ONE_BAND: float(off[odd]) ** 2 / left.size}
    for cause, sign in signs.items():
        sure = float(sign @ weight @ sign)
        by = float(sign @ pull) / sure
        numbers[cause.name.lower()] = by
        taken_away[cause] = by**2 * sure / left.size if abs(by) < FARTHEST[cause] else 0.0
    enough = [cause for cause, one in taken_away.items() if misfit - one < limits.parts_misfit[0]]
    causes = sorted(enough, key=lambda cause: -taken_away[cause])[:MOST_SUSPECTS] or [Cause.NO_ONE_PART]
    check = judged(CheckKind.PARTS, misfit, limits, *causes, **numbers)
    yield replace(check, causes=()) if check.verdict is Verdict.GREEN else check


def _lifts(bands: Bands, setup: Setup, limits: CheckLimits, doubts: Doubts) -> Iterator[Check]:
    """Lifts read against those computed: a shift or a share that parts and efficiency do not explain, or an odd one."""
    if (found := readings_against_air(bands, setup, doubts.lift)) is None:
        return
    shift = abs(found.shift_mm)
    sizes = {
        Cause.LIFTS_SHIFTED: graded(shift, limits.lift_shift_mm) if shift > NINETY * found.shift_u_mm else Verdict.GREEN,
        Cause.AIR_OFF: graded(abs(found.ln_share), limits.air_share),
        Cause.LIFT_ODD: graded(found.chance, limits.lift_chance),
    }
    verdict = worse(*sizes.values())
    causes = tuple(cause for cause, one in sizes.items() if one is verdict)[:1] if verdict is not Verdict.GREEN else ()
    numbers = {"value": -found.shift_mm, "percent": 100.0 * float(np.expm1(found.ln_share))}
    yield Check(CheckKind.LIFTS, verdict, numbers, limits.lift_shift_mm, causes=causes)


def _noted(bands: Bands, gases: Sequence[GasReading], limits: CheckLimits) -> Iterator[Check]:
    """Lambda noted beside the gas at idle against that of the drive at idle."""
    noted = [gas.lambda_measured for gas in gases if gas.at == "idle" and gas.lambda_measured is not None]
    if noted and (idle := bands.idle()) is not None:
        driven, read = float(bands.lambda_measured[idle]), float(np.mean(noted))
        yield judged(CheckKind.NOTED, abs(float(np.log(driven / read))), limits, driven=driven, noted=read)
