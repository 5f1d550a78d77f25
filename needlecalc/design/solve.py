"""The inverse: station diameters and jet height that bring each band to its target."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.leastsquares import least_squares_with_inequalities
from needlecalc.design.limits import Limits
from needlecalc.design.predict import fuel_of, predict_lambda
from needlecalc.design.target import Target
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray, inch_from_mm

FLOOR_OF_DOUBT = 1e-4
SENSOR_U = 0.01
REPEATABILITY = 0.004
HAND_U_MM = 0.003
MISSED_BY = 0.02
FAR_OFF = 0.05
FIRST_STAGE_SHARE = 0.65
SAME_LIFT_MM = 0.3
CONFLICT_SHARE = 0.03
GIVING_WAY = 10.0
SUPPORT_SHARE = 0.15
BETTER_WITH_METAL = 0.7
SMOOTHNESS_LADDER = np.logspace(1.5, -5.0, 14)
BEND_UNIT_MM = 0.01
DROP_RELUCTANCE_PER_MM = 0.3
REMOVAL_RELUCTANCE_PER_MM = 1e-3
ROUNDS = 25
SETTLED_MM = 1e-8
NINETY_PERCENT = 1.645


@dataclass(frozen=True, repr=False, eq=False)
class Design(Shown):
    """A proposed needle and jet height, with what it does to each band and how sure that is.

    Parameters
    ----------
    setup : Setup
        The setup the drive was made in.
    target : Target
        Bands and what was asked of each.
    needle : Needle
        The needle as asked.
    drop_mm : float
        Jet drop as asked. [mm]
    lambda_predicted, lambda_predicted_u : array, shape (m,)
        Lambda expected of each band and its standard uncertainty. [-]
    tolerance_um : array, shape (n,)
        Error of a diameter that keeps every band it serves within 1 % lambda; NaN where no band is. [um]
    supported : array of bool, shape (n,)
        Stations that the data speak for.
    status : str
        One sentence.
    met : bool
        Whether filing (or the blank) can do what was asked.
    flags : tuple of str
        What to know station by station and band by band.
    smoothness : float
        Weight of the smoothness chosen by the data.
    limits : Limits
        The limits kept.
    """

    setup: Setup
    target: Target
    needle: Needle
    drop_mm: float
    lambda_predicted: FloatArray
    lambda_predicted_u: FloatArray
    tolerance_um: FloatArray
    supported: NDArray[np.bool_]
    status: str
    met: bool
    flags: tuple[str, ...]
    smoothness: float
    limits: Limits

    def __repr__(self) -> str:
        return f"Design: {self.status}"

    def present(self) -> Needle:
        """Needle fitted during the drive.

        Returns
        -------
        Needle
            As the setup has it.
        """
        return self.setup.carburettor.needle

    def remove_um(self) -> FloatArray:
        """Metal to take off each diameter.

        Returns
        -------
        array, shape (n,)
            Removal on diameter. [um]
        """
        return np.asarray(1e3 * (self.present().diameters_mm - self.needle.diameters_mm))

    def flats(self) -> float:
        """Flats of the jet nut to turn; positive lowers the jet.

        Returns
        -------
        float
            Flats. [-]
        """
        jet = self.setup.carburettor.jet
        return (self.drop_mm - jet.drop_mm) / jet.flat_mm

    def station_rows(self) -> list[Row]:
        """What to do at each station.

        Returns
        -------
        list of dict
            One a station, full precision.
        """
        rows = []
        for k, remove in enumerate(self.remove_um()):
            present, asked = float(self.present().diameters_mm[k]), float(self.needle.diameters_mm[k])
            rows.append(
                {
                    "station": k + 1,
                    "distance_mm": float(self.needle.stations_mm[k]),
                    "present_mm": present,
                    "asked_mm": asked,
                    "remove_um": float(remove),
                    "per_side_um": float(remove) / 2.0,
                    "first_stop_mm": present - FIRST_STAGE_SHARE * float(remove) * 1e-3,
                    "tolerance_um": float(self.tolerance_um[k]),
                    "present_in": inch_from_mm(present),
                    "asked_in": inch_from_mm(asked),
                    "data": bool(self.supported[k]),
                }
            )
        return rows

    def band_rows(self) -> list[Row]:
        """What becomes of each band.

        Returns
        -------
        list of dict
            One a band, full precision; the interval is 90 %.
        """
        bands = self.target.bands
        return [
            {
                "rpm": float(bands.rpm[b]),
                "load": bands.load[b],
                "lift_mm": float(bands.lift_mm[b]),
                "lambda_measured": float(bands.lambda_measured[b]),
                "lambda_target": float(self.target.lambda_target[b]),
                "lambda_predicted": float(self.lambda_predicted[b]),
                "lambda_low": float(self.lambda_predicted[b] - NINETY_PERCENT * self.lambda_predicted_u[b]),
                "lambda_high": float(self.lambda_predicted[b] + NINETY_PERCENT * self.lambda_predicted_u[b]),
            }
            for b in range(bands.rpm.size)
        ]

    def table(self) -> Table:
        """Stations, to be shown.

        Returns
        -------
        Table
            One row a station, flags below.
        """
        columns = (
            Column("station", "station", "d"),
            Column("distance_mm", "from shoulder mm", ".3f"),
            Column("present_mm", "present mm", ".4f"),
            Column("asked_mm", "asked mm", ".4f"),
            Column("remove_um", "take off um", ".1f"),
            Column("tolerance_um", "1 % tolerance um", ".1f"),
            Column("data", "data"),
        )
        return Table(f"Design for {self.present().name}", columns, self.station_rows(), (self.status,), self.flags)

    def band_table(self) -> Table:
        """Bands before and after, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lift_mm", "lift mm", ".1f"),
            Column("lambda_measured", "lambda now", ".3f"),
            Column("lambda_target", "target", ".3f"),
            Column("lambda_predicted", "predicted", ".3f"),
            Column("lambda_low", "from", ".3f"),
            Column("lambda_high", "to (90 %)", ".3f"),
        )
        return Table("Lambda by band", columns, self.band_rows())


@dataclass(frozen=True)
class _Problem:
    """Everything that stays while the smoothness is chosen."""

    setup: Setup
    target: Target
    doubt: FloatArray  # (m,) of ln lambda, repeatability of the sensor included: how much each band weighs
    noise: FloatArray  # (m,) of ln lambda alone: how near the targets are worth meeting
    base: FloatArray  # (m,) ln fuel now
    free: NDArray[np.bool_]
    limits_matrix: FloatArray
    limits_least: FloatArray
    names: tuple[str, ...]

    def misfit(self, x: FloatArray) -> tuple[FloatArray, FloatArray]:
        """ln(predicted / target) of each band, and its slopes by x."""
        diameters = np.array(self.setup.carburettor.needle.diameters_mm)
        diameters[self.free] -= x[:-1]
        drop = self.setup.carburettor.jet.drop_mm + float(x[-1])
        bands = self.target.bands
        flow, slopes = fuel_of(
            self.setup, bands.lift_mm, diameters_mm=diameters, drop_mm=drop, depression_pa=bands.depression_pa
        )
        ratio = bands.lambda_measured / self.target.lambda_target
        # The jet's height moves the place on the needle; its effect on the head is left to the next round.
        by_x = np.column_stack([slopes.per_mm_diameter[:, self.free], -slopes.per_mm_position])
        return np.log(ratio) + self.base - np.log(flow.fuel_flow_g_s), by_x


def solve(target: Target, setup: Setup, *, limits: Limits | None = None, named_as: str | None = None) -> Design:
    r"""Design that brings every band as near to its target as the limits allow.

    Parameters
    ----------
    target : Target
        Bands with lifts, and lambda asked of each.
    setup : Setup
        The setup they were measured in; its jet's drop range says how far the jet may move.
    limits : Limits or None
        Limits to keep; filing only, when not given.
    named_as : str or None
        Name of the new needle.

    Returns
    -------
    Design
        Diameters of all stations and jet drop, found together.  ``met`` is False where the limits forbid
        the target; the status says what could help.

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle.
    SolveError
        If the limits contradict each other.

    Notes
    -----
    Least squares of :math:`\ln(\lambda/\lambda_t)` over the doubt of each band, plus the bend of the
    removal, under linear limits; each linear step is solved exactly.  The greatest smoothness that still
    meets the targets within the noise of lambda is taken (discrepancy principle).  Stations that carry less than
    15 % of every band's metering are left as they are beyond the data, and blended inside it.
    """
    limits = limits or Limits()
    bands = target.bands
    needle = setup.carburettor.needle
    if not np.isfinite(bands.lift_mm).all():
        predict_lambda(setup, bands)  # raises, naming the band
    flow, slopes = fuel_of(setup, bands.lift_mm, depression_pa=bands.depression_pa)
    conflicts, giving_way = _conflicts(target)
    noise = np.maximum(bands.lambda_se / bands.lambda_measured, FLOOR_OF_DOUBT) * giving_way
    doubt = np.hypot(noise, REPEATABILITY * giving_way)
    share = np.abs(slopes.per_mm_diameter) / np.abs(slopes.per_mm_diameter).sum(axis=1, keepdims=True)
    supported = (share >= SUPPORT_SHARE).any(axis=0)
    inside = np.zeros(needle.stations_mm.size, dtype=bool)
    inside[np.flatnonzero(supported)[0] : np.flatnonzero(supported)[-1] + 1] = True
    low, high = setup.carburettor.jet.drop_range_mm()
    drop = setup.carburettor.jet.drop_mm
    matrix, least, names = limits.inequalities(setup, inside, low - drop, high - drop)
    problem = _Problem(setup, target, doubt, noise, np.log(flow.fuel_flow_g_s), inside, matrix, least, names)
    x, smoothness = _smoothest(problem)
    diameters = np.array(needle.diameters_mm)
    diameters[inside] -= x[:-1]
    # Rounding of the exact step must not show as a thousandth of a micron of added metal or reversed taper.
    if not limits.new_blank:
        diameters = np.minimum(diameters, needle.diameters_mm)
    diameters = np.minimum.accumulate(diameters)
    asked = Needle(named_as or f"{needle.name} as asked", needle.stations_mm, diameters, source="proposed")
    drop_asked = drop + float(x[-1])
    after, slopes_after = fuel_of(
        setup, bands.lift_mm, diameters_mm=diameters, drop_mm=drop_asked, depression_pa=bands.depression_pa
    )
    predicted = bands.lambda_measured * flow.fuel_flow_g_s / after.fuel_flow_g_s
    shift = (slopes_after.per_mm_position - slopes.per_mm_position) * np.nan_to_num(bands.lift_u_mm)
    length = (slopes_after.per_mm_length - slopes.per_mm_length) * setup.carburettor.jet.parallel_length_u_mm
    hand = np.sqrt(((slopes_after.per_mm_diameter * HAND_U_MM) ** 2).sum(axis=1))
    doubts = np.array([bands.lambda_se / predicted, np.full(predicted.size, SENSOR_U), shift, length, hand])
    missed = predicted / target.lambda_target - 1.0
    blocked = _blocked(problem, limits, missed, drop)
    status, met, advice = _verdict(problem, limits, missed, blocked, x)
    return Design(
        setup,
        target,
        asked,
        drop_asked,
        np.asarray(predicted),
        np.asarray(predicted * np.sqrt((doubts**2).sum(axis=0))),
        _tolerance_um(slopes_after.per_mm_diameter, share),
        supported,
        status,
        met,
        (*advice, *conflicts, *_station_flags(supported, inside), *target.cautions()),
        smoothness,
        limits,
    )


def _conflicts(target: Target) -> tuple[list[str], FloatArray]:
    """Bands at one lift that ask for different changes; the leaner wish gives way."""
    bands = target.bands
    wish = np.log(bands.lambda_measured / target.lambda_target)  # more fuel asked, as a share
    words, giving_way = [], np.ones(wish.size)
    order = np.argsort(bands.lift_mm)
    for i, a in enumerate(order.tolist()):
        for b in order[i + 1 :].tolist():
            if bands.lift_mm[b] - bands.lift_mm[a] > SAME_LIFT_MM:
                break
            if abs(wish[a] - wish[b]) > CONFLICT_SHARE:
                richer, leaner = (a, b) if wish[a] > wish[b] else (b, a)
                giving_way[leaner] = GIVING_WAY
                words.append(
                    f"Conflict: {bands.name(richer)} and {bands.name(leaner)} share the lift of "
                    f"{bands.lift_mm[richer]:.1f} mm but ask for {100 * wish[richer]:+.0f} % and "
                    f"{100 * wish[leaner]:+.0f} % fuel; one needle cannot give both, so the richer wins."
                )
    return words, giving_way


def _smoothest(problem: _Problem) -> tuple[FloatArray, float]:
    """Solution of the greatest smoothness that meets the targets within the noise of lambda."""
    x = np.zeros(int(problem.free.sum()) + 1)
    tried = []
    for smoothness in SMOOTHNESS_LADDER:
        x = _gauss_newton(problem, float(smoothness), x)
        misfit, _ = problem.misfit(x)
        # Bands at a limit or in conflict keep their misfit however rough the profile: compare with the best.
        tried.append((x, float(smoothness), float(((misfit / problem.noise) ** 2).sum())))
    best = min(chi for _, _, chi in tried)
    bands = float(problem.doubt.size)
    allowed = max(bands, best + np.sqrt(2.0 * bands))
    for x, smoothness, chi in tried:
        if chi <= allowed:
            return x, smoothness
    return tried[-1][0], tried[-1][1]


def _gauss_newton(problem: _Problem, smoothness: float, x: FloatArray) -> FloatArray:
    count = x.size
    bend = np.zeros((max(count - 3, 0), count))
    stations = problem.setup.carburettor.needle.stations_mm[problem.free]
    for k in range(bend.shape[0]):
        left, right = stations[k + 1] - stations[k], stations[k + 2] - stations[k + 1]
        mean = (left + right) / 2.0
        bend[k, k : k + 3] = [mean / left, -mean / left - mean / right, mean / right]
    bend *= np.sqrt(smoothness) / BEND_UNIT_MM
    reluctance = np.full(count, REMOVAL_RELUCTANCE_PER_MM)
    reluctance[-1] = DROP_RELUCTANCE_PER_MM
    for _ in range(ROUNDS):
        misfit, slopes = problem.misfit(x)
        rows = np.vstack([slopes / problem.doubt[:, None], bend, np.diag(reluctance)])
        aims = np.concatenate([(slopes @ x - misfit) / problem.doubt, np.zeros(bend.shape[0] + count)])
        new, _ = least_squares_with_inequalities(rows, aims, problem.limits_matrix, problem.limits_least)
        step = new - x
        cost = _cost(problem, x, bend, reluctance)
        share = 1.0
        # Both ends meet the limits, so every point between does; halve until the true cost falls.
        while share > 1e-3 and _cost(problem, x + share * step, bend, reluctance) > cost * (1.0 + 1e-12):
            share /= 2.0
        if share <= 1e-3:
            break
        x = x + share * step
        if np.abs(step).max() < SETTLED_MM:
            break
    return x


def _cost(problem: _Problem, x: FloatArray, bend: FloatArray, reluctance: FloatArray) -> float:
    misfit, _ = problem.misfit(x)
    return float(((misfit / problem.doubt) ** 2).sum() + ((bend @ x) ** 2).sum() + ((reluctance * x) ** 2).sum())


def _blocked(problem: _Problem, limits: Limits, missed: FloatArray, drop: float) -> NDArray[np.bool_]:
    """Bands that miss their target because of the limits, and would not with free metal."""
    if limits.new_blank or not (np.abs(missed) > MISSED_BY).any():
        return np.zeros(missed.size, dtype=bool)
    low, high = problem.setup.carburettor.jet.drop_range_mm()
    free = replace(limits, new_blank=True, max_cut_mm=2.0)
    matrix, least, names = free.inequalities(problem.setup, problem.free, low - drop, high - drop)
    loose = replace(problem, limits_matrix=matrix, limits_least=least, names=names)
    x, _ = _smoothest(loose)
    misfit, _ = loose.misfit(x)
    return np.asarray((np.abs(missed) > MISSED_BY) & (np.abs(misfit) < BETTER_WITH_METAL * np.abs(missed)))


def _verdict(
    problem: _Problem, limits: Limits, missed: FloatArray, blocked: NDArray[np.bool_], x: FloatArray
) -> tuple[str, bool, list[str]]:
    """Status sentence, whether the job is met, and advice."""
    bands = problem.target.bands
    advice = [
        f"{bands.name(b)}: predicted {100 * missed[b]:+.1f} % from target ({'leaner' if missed[b] > 0 else 'richer'})."
        for b in np.flatnonzero(np.abs(missed) > MISSED_BY).tolist()
    ]
    at_limit = problem.limits_matrix @ x - problem.limits_least < 1e-7
    jet = [name for name, on in zip(problem.names, at_limit, strict=True) if on and name.startswith("jet at")]
    low, high = problem.setup.carburettor.jet.drop_range_mm()
    if high > low and jet:
        advice.append(f"The {jet[0]} in the range stated; a wider range of the nut may serve.")
    if blocked.any():
        needs_metal = bool((missed[blocked] < 0.0).any())
        named = blocked & (missed < 0.0) if needs_metal else blocked
        names = ", ".join(bands.name(b) for b in np.flatnonzero(named).tolist())
        advice += _what_could(problem, missed, blocked)
        reason = "it needs metal added, which cannot be filed" if needs_metal else "a limit on the cut binds"
        return f"Cannot be met by filing: at {names} {reason}.", False, advice
    if np.abs(missed).max() > FAR_OFF:
        far = ", ".join(bands.name(b) for b in np.flatnonzero(np.abs(missed) > FAR_OFF).tolist())
        advice.append("Measure the bands named again, or ask less of those that give way; one needle serves one lift.")
        return f"Cannot be met by filing: neighbouring lifts ask for different things, {far} stay far off.", False, advice
    if np.abs(x[:-1]).max(initial=0.0) < 5e-4 and abs(x[-1]) < 0.02:
        return "Leave it: no station asks for as much as half a micron.", True, advice
    if (np.abs(missed) > MISSED_BY).any():
        missing = int((np.abs(missed) > MISSED_BY).sum())
        return (
            f"Usable, but {missing} of {missed.size} bands stay more than 2 % off target; see the flags.",
            True,
            advice,
        )
    kind = "a new blank" if limits.new_blank else "filing"
    return f"Usable: {kind} brings every band within {100 * np.abs(missed).max():.1f} % of its target.", True, advice


def _what_could(problem: _Problem, missed: FloatArray, blocked: NDArray[np.bool_]) -> list[str]:
    """Cures worked out in figures where filing cannot reach."""
    setup = problem.setup
    rich = blocked & (missed < 0.0)
    if not rich.any():
        return ["Raise the largest cut or lower the least diameter, or take a thinner needle."]
    band = int(np.flatnonzero(rich)[np.argmin(missed[rich])])
    bands = problem.target.bands
    _, slopes = fuel_of(setup, bands.lift_mm, depression_pa=bands.depression_pa)
    thicker = 1e3 * float(missed[band]) / float(slopes.per_mm_diameter[band].sum())
    words = [
        f"A donor some {thicker:.0f} um thicker than asked at the stations of {problem.target.bands.name(band)} would do."
    ]
    rise = -float(missed[band]) / max(float(slopes.per_mm_position[band]), 1e-9)
    jet = setup.carburettor.jet
    if 0.0 < rise < 3.0:
        words.append(
            f"Or raise the jet by some {rise:.2f} mm ({rise / jet.flat_mm:.1f} flats), which leans every band, and file "
            "the others back: state drop_min_mm and drop_max_mm to let the solver do it."
        )
    return words


def _station_flags(supported: NDArray[np.bool_], inside: NDArray[np.bool_]) -> list[str]:
    words = []
    outside = np.flatnonzero(~inside) + 1
    if outside.size:
        words.append(f"No data at stations {_listed(outside)}: left as they are; a proposal there needs load and speed.")
    between = np.flatnonzero(inside & ~supported) + 1
    if between.size:
        words.append(f"No band stands at stations {_listed(between)}: blended between their neighbours.")
    return words


def _listed(numbers: NDArray[np.intp]) -> str:
    return ", ".join(str(number) for number in numbers)


def _tolerance_um(slopes: FloatArray, share: FloatArray) -> FloatArray:
    """Error all over that turns 1 % lambda in the touchiest band a station serves."""
    whole = np.abs(slopes).sum(axis=1)
    serves = share >= SUPPORT_SHARE
    worst = np.where(serves, whole[:, None], 0.0).max(axis=0)
    return np.where(worst > 0.0, 1e3 * 0.01 / np.where(worst > 0.0, worst, 1.0), np.nan)
