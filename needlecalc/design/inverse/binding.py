"""Which limits hold a design back, and what easing each would bring, solved anew."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from needlecalc.design.inverse.fit import fit, forces
from needlecalc.design.inverse.limits import Limit, LimitKind, Limits
from needlecalc.design.inverse.solution import Solution
from needlecalc.units import FloatArray

EASED_CUT_MM = 0.010
EASED_DROP_MM = 0.3
WORTH_EASING = 0.01  # a band nearer its target than this needs nothing eased
WORTH_SAYING = 0.005
AT_MOST = 4


@dataclass(frozen=True)
class Binding:
    """A limit that binds, and what easing it would bring.

    Parameters
    ----------
    limit : Limit
        The limit.
    eased : str
        How it was eased, in figures.
    eased_mm : float
        By how much. [mm]
    force : float
        Its multiplier: fall of the fit's sum of squares, halved, per millimetre. [1/mm]
    band : str
        The band that gains most.
    before_percent, after_percent : float
        How far that band stays from its target; positive is lean. [%]
    """

    limit: Limit
    eased: str
    eased_mm: float
    force: float
    band: str
    before_percent: float
    after_percent: float

    def __str__(self) -> str:
        return (
            f"Limit ({_called(self.limit)}): {self.eased} would bring {self.band} from {_side(self.before_percent)} "
            f"to {_side(self.after_percent)}."
        )


def binding_limits(solution: Solution) -> tuple[Binding, ...]:
    """Limits that bind and are worth easing, the most helpful first.

    Parameters
    ----------
    solution : Solution
        The solution.

    Returns
    -------
    tuple of Binding
        At most four, each with the figures of a fit solved anew with that limit a little eased; none where
        no band more than 1 % off would gain half a per cent.

    Notes
    -----
    A limit binds where its multiplier in the last linear step is positive.  Easing is 0.010 mm for a diameter
    and 0.3 mm for the jet, in the direction the multiplier says would help.
    """
    problem, smoothness, x = solution.problem, solution.smoothness, solution.x
    missed = solution.missed()
    if np.abs(missed).max() < WORTH_EASING:
        return ()
    found = []

    def tell(limit: Limit, eased: str, eased_mm: float, force: float, then: FloatArray) -> None:
        gain = np.where(np.abs(missed) > WORTH_EASING, np.abs(missed) - np.abs(then), 0.0)
        band = int(np.argmax(gain))
        if gain[band] >= WORTH_SAYING:
            name = problem.target.bands.name(band)
            after = 100.0 * float(then[band])
            found.append(Binding(limit, eased, eased_mm, force, name, 100.0 * float(missed[band]), after))

    force = forces(problem, smoothness, x)
    for row in np.flatnonzero(force > 1e-9 * max(float(force.max()), 1e-300)).tolist():
        limit = problem.limit_of_row[row]
        by_mm, eased = _easing(limit)
        if not by_mm or (limit.station is None and problem.limits.flats):
            continue
        least = problem.limits_least.copy()
        least[row] -= by_mm
        looser = replace(problem, limits_least=least)
        then = looser.misfit(fit(looser, smoothness, x))
        if limit.station is None and problem.drop_range_mm[0] == problem.drop_range_mm[1]:
            limit = Limit(LimitKind.JET_KEPT)
        tell(limit, eased, by_mm, float(force[row]), np.expm1(then))
    for station in problem.limits.keep:
        if solution.inside[station - 1]:
            free = problem.free.copy()
            free[station - 1] = True
            looser = problem.with_free(free, _without_keep(problem.limits, station))
            start = np.insert(x, int(problem.free[: station - 1].sum()), 0.0)
            again = fit(looser, smoothness, start)
            then = looser.misfit(again)
            cut = float(again[int(free[: station - 1].sum())])
            words = f"{1e3 * cut:.0f} um off station {station} too"
            tell(Limit(LimitKind.STATION_KEPT, station), words, cut, np.nan, np.expm1(then))
    found.sort(key=lambda one: abs(one.after_percent) - abs(one.before_percent))
    return tuple(found[:AT_MOST])


def _without_keep(limits: Limits, station: int) -> Limits:
    return replace(limits, keep=tuple(number for number in limits.keep if number != station))


def _called(limit: Limit) -> str:
    if limit.kind is LimitKind.STATION_KEPT:
        return f"station {limit.station} kept as it is"
    if limit.kind in (LimitKind.STEEPEST_TAPER, LimitKind.NO_REVERSED_TAPER) and limit.station:
        return f"{limit.kind} {limit.station} to {limit.station + 1}"
    return f"{limit.kind} at {limit.station}" if limit.station else str(limit.kind)


def _easing(limit: Limit) -> tuple[float, str]:
    """How much a limit is eased, and in which words; nothing for what nature sets."""
    um, station = f"{1e3 * EASED_CUT_MM:.0f} um", limit.station
    if limit.kind in (LimitKind.JET_AT_ITS_HIGHEST, LimitKind.JET_AT_ITS_LOWEST):
        way = "raise" if limit.kind is LimitKind.JET_AT_ITS_HIGHEST else "drop"
        return EASED_DROP_MM, f"{EASED_DROP_MM:g} mm more jet {way}"
    if limit.kind is LimitKind.NO_METAL_TO_ADD:
        return EASED_CUT_MM, f"{um} more metal at station {station}"
    if limit.kind in (LimitKind.LARGEST_CUT, LimitKind.LEAST_DIAMETER):
        return EASED_CUT_MM, f"{um} more cut at station {station}"
    if limit.kind is LimitKind.STEEPEST_TAPER and station:
        return EASED_CUT_MM, f"a taper steeper by {um} from station {station} to {station + 1}"
    return 0.0, ""


def _side(percent: float) -> str:
    if abs(percent) < 0.3:
        return "target"
    return f"{abs(percent):.1f} % {'lean' if percent > 0.0 else 'rich'}"
