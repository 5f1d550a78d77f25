"""What lambda should be in each band, what is permitted, and which wishes contradict each other."""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range, read_only, same_length
from needlecalc.design.wish.idletest import CO_MARGIN_PERCENT, LAMBDA_MARGIN, Edge, edge_by_co, edge_by_lambda, idle_aim
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.checks.sensorzero import SensorZero
from needlecalc.measure.drive.bands import Bands, worst_of
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray

# Common practice, no source; the user's own table goes before.
REGIMES = {"idle": 0.93, "light": 1.00, "part": 0.95, "full": 0.88, "all": 0.95}
LEANEST_FULL_LOAD = 0.92
PERMITTED_EITHER_SIDE = 0.05
SAME_LIFT_MM = 0.3
CONFLICT_SHARE = 0.03
Wish = float | Mapping[str, float]
WISH_KEYS = ("lambda", "rich", "lean", "weight")


def lean_at_full_load(leanest: float = LEANEST_FULL_LOAD) -> str:
    """What to do where full load may run leaner than it bears.

    Parameters
    ----------
    leanest : float
        Leanest lambda it bears, as the meter shows it. [-]

    Returns
    -------
    str
        One sentence, the same wherever it is said.
    """
    return (
        "It can melt pistons: no full load there but short pulls, to read lambda, until it is read at "
        f"{leanest:.2f} or richer; stop on any pinking."
    )


@dataclass(frozen=True, repr=False, eq=False)
class Target(Shown):
    """Lambda asked for in each band, as the lambda meter shows it.

    Parameters
    ----------
    bands : Bands
        The bands it is for.
    lambda_target : array, shape (m,)
        Lambda. [-]
    why : tuple of str
        Where each comes from.
    lambda_rich, lambda_lean : array, shape (m,), or None
        Richest and leanest lambda permitted; 0.05 either side of the target when not given, and never past
        the target's own limits. [-]
    weight : array, shape (m,), or None
        How much each band matters; all alike when not given. [-]
    tested : array of bool, shape (m,), or None
        Bands whose richest permitted lambda is that of a test, which a design must not spoil; none when not
        given.
    sensor_zero : SensorZero or None
        How far the meter is known to be off, which the targets allow for already; None where no gas was read.

    Raises
    ------
    InputError
        If a target is no lambda or lies outside what is permitted, or a weight is not positive.
    """

    bands: Bands
    lambda_target: FloatArray
    why: tuple[str, ...]
    lambda_rich: FloatArray = None  # type: ignore[assignment]  # filled in below, an array ever after
    lambda_lean: FloatArray = None  # type: ignore[assignment]
    weight: FloatArray = None  # type: ignore[assignment]
    tested: NDArray[np.bool_] = None  # type: ignore[assignment]
    sensor_zero: SensorZero | None = None

    def __post_init__(self) -> None:
        aim = read_only(self.lambda_target, "lambda_target")
        given = {
            "lambda_target": aim,
            "lambda_rich": aim - PERMITTED_EITHER_SIDE if self.lambda_rich is None else self.lambda_rich,
            "lambda_lean": aim + PERMITTED_EITHER_SIDE if self.lambda_lean is None else self.lambda_lean,
            "weight": np.ones(aim.size) if self.weight is None else self.weight,
        }
        for name, value in given.items():
            object.__setattr__(self, name, read_only(value, name))
        if not ((aim >= 0.5) & (aim <= 2.0)).all():
            msg = f"lambda_target runs from {aim.min():g} to {aim.max():g}, but must lie between 0.5 and 2; is it an AFR?"
            raise InputError(msg)
        tested = np.zeros(aim.size, dtype=bool) if self.tested is None else np.atleast_1d(np.array(self.tested, dtype=bool))
        tested.flags.writeable = False
        object.__setattr__(self, "tested", tested)
        same_length("target", bands=self.bands.rpm, why=self.why, tested=tested, **given)
        outside = (aim < self.lambda_rich) | (aim > self.lambda_lean)
        if outside.any():
            band = int(np.argmax(outside))
            msg = (
                f"Target of {self.bands.name(band)} is lambda {aim[band]:.3f}, outside its permitted "
                f"{self.lambda_rich[band]:.3f} to {self.lambda_lean[band]:.3f}; change one of them."
            )
            raise InputError(msg)
        if (self.weight <= 0.0).any():
            msg = "A target weight must be positive; leave a band out of the drive if it does not matter at all."
            raise InputError(msg)

    def __repr__(self) -> str:
        low, high = self.lambda_target.min(), self.lambda_target.max()
        return f"Target: {counted(self.lambda_target.size, 'band')}, lambda {low:.2f} to {high:.2f}"

    def table(self) -> Table:
        """Measured and asked lambda, to be shown.

        Returns
        -------
        Table
            One row a band.
        """
        columns = (
            Column("rpm", "rpm", ".0f"),
            Column("load", "load"),
            Column("lambda_measured", "measured", ".3f"),
            Column("lambda_target", "target", ".3f"),
            Column("lambda_rich", "richest", ".3f"),
            Column("lambda_lean", "leanest", ".3f"),
            Column("weight", "weight", ".1f"),
            Column("why", "why"),
        )
        rows = [
            {
                "rpm": float(self.bands.rpm[b]),
                "load": self.bands.load[b],
                "lambda_measured": float(self.bands.lambda_measured[b]),
                "lambda_target": float(self.lambda_target[b]),
                "lambda_rich": float(self.lambda_rich[b]),
                "lambda_lean": float(self.lambda_lean[b]),
                "weight": float(self.weight[b]),
                "why": self.why[b],
            }
            for b in range(len(self.why))
        ]
        zero = self.sensor_zero.words() if self.sensor_zero else ()
        return Table("Target", columns, rows, notes=(*zero, *self.contradictions(), *self.cautions()))

    def opposed(self) -> NDArray[np.intp]:
        """Bands on one lift that ask for different changes.

        Returns
        -------
        array of int, shape (r, 2)
            Each band that gives way, after the one of its lift that asks for most fuel; the pairs furthest apart first.

        Notes
        -----
        One sweep up and one down the lifts, keeping of those near enough only what may still be the greatest wish.
        """
        wish = self._wish()
        # A band whose lift is not known yet is on no one's lift.
        order = np.argsort(self.bands.lift_mm, kind="stable")[: int(np.isfinite(self.bands.lift_mm).sum())]
        greatest = np.arange(wish.size)
        for way in (order.tolist(), order[::-1].tolist()):
            near: deque[int] = deque()
            for band in way:
                while near and not abs(self.bands.lift_mm[band] - self.bands.lift_mm[near[0]]) <= SAME_LIFT_MM:
                    near.popleft()
                if near and wish[near[0]] > wish[greatest[band]]:
                    greatest[band] = near[0]
                while near and wish[near[-1]] <= wish[band]:
                    near.pop()
                near.append(band)
        apart = wish[greatest] - wish
        leaner = np.flatnonzero(apart > CONFLICT_SHARE)
        leaner = leaner[np.argsort(-apart[leaner], kind="stable")]
        return np.column_stack([greatest[leaner], leaner])

    def _wish(self) -> FloatArray:
        """Fuel asked for more than now, as a share."""
        return np.asarray(np.log(self.bands.lambda_measured / self.lambda_target))

    def contradictions(self) -> tuple[str, ...]:
        """Wishes that one needle cannot grant together.

        Returns
        -------
        tuple of str
            One sentence each; of very many the worst, and how many more.
        """
        bands, words, wish = self.bands, [], self._wish()
        now, opposed = bands.lambda_measured, self.opposed()
        named, more = worst_of(range(len(opposed)))
        for richer, leaner in opposed[named].tolist():
            # Fuel, as a factor, that each would still permit.
            apart = now[richer] / self.lambda_lean[richer] > now[leaner] / self.lambda_rich[leaner]
            even = " Not even what is permitted of the two can be had together." if apart else ""
            words.append(
                f"Conflict: {bands.name(richer)} and {bands.name(leaner)} share the lift of "
                f"{bands.lift_mm[richer]:.1f} mm but ask for {100 * wish[richer]:+.0f} % and "
                f"{100 * wish[leaner]:+.0f} % fuel; one needle cannot give both, so the richer wins.{even}"
            )
        if more:
            words.append(f"Conflict: {more} more bands give way to a richer wish on their lift, these being the worst.")
        return tuple(words)

    def leanest_full_load(self) -> float:
        """Leanest lambda that is safe at full load, as the meter shows it.

        Returns
        -------
        float
            Lambda 0.92, common practice, and what the meter is off. [-]
        """
        return LEANEST_FULL_LOAD + (self.sensor_zero.mean if self.sensor_zero else 0.0)

    def cautions(self) -> tuple[str, ...]:
        """What is dangerous in what was asked.

        Returns
        -------
        tuple of str
            One sentence each.
        """
        full = np.array([load == "full" for load in self.bands.load])
        limit = self.leanest_full_load()
        lean, more = worst_of(np.flatnonzero(full & (self.lambda_target > limit + 1e-9)).tolist(), self.lambda_target)
        if not lean:
            return ()
        named = ", ".join(f"{self.bands.name(b)} at {self.lambda_target[b]:.2f}" for b in lean)
        by_meter = f", {limit:.3f} by this meter," if self.sensor_zero else ""
        return (
            f"Full-load targets leaner than lambda {LEANEST_FULL_LOAD:g}{by_meter} can melt pistons (common practice): "
            f"{named}{f' and {more} more' if more else ''}. Make them richer, and stop on any pinking.",
        )


def make_target(
    bands: Bands,
    *,
    lambda_by_load: Mapping[str, Wish] | None = None,
    idle_co_percent: float | None = None,
    idle_margin_co_percent: float = CO_MARGIN_PERCENT,
    tester_co_percent: float = 0.0,
    idle_lambda_least: float | None = None,
    idle_margin_lambda: float = LAMBDA_MARGIN,
    tester_lambda: float = 0.0,
    permitted_either_side: float = PERMITTED_EITHER_SIDE,
    lean_limits: LeanLimits | None = None,
    idle_o2_percent: float = 0.0,
    sensor_zero: SensorZero | None = None,
) -> Target:
    """Target lambda by load, from the user's table, an idle test, or the usual regimes.

    Parameters
    ----------
    bands : Bands
        The bands.
    lambda_by_load : mapping or None
        The user's own table: load to lambda, or "load@rpm" to lambda for one band (the one whose speed edges
        hold it).  In place of a lambda a mapping may stand with any of "lambda", "rich" and "lean" (what is
        permitted) and "weight".  Loads not named take the usual regime. [-]
    idle_co_percent : float or None
        Limit of CO at idle, which local law sets. [%]
    idle_margin_co_percent : float
        How far under that limit to aim. [%]
    tester_co_percent : float
        How much too high the tester's meter may read. [%]
    idle_lambda_least : float or None
        Least lambda at idle, where the test is of lambda; with a CO limit too, the stricter holds. [-]
    idle_margin_lambda : float
        How far above it to aim. [-]
    tester_lambda : float
        How much too rich the tester's meter may read. [-]
    permitted_either_side : float
        Permitted interval either side of a target, where the table states none; at full load it ends at
        lambda 0.92 on the lean side. [-]
    lean_limits : LeanLimits or None
        Leanest smooth lambda found by sweeps; no target of their bands goes leaner than that less the margin.
    idle_o2_percent : float
        Oxygen an analyser finds at idle beside the CO: the more is left over, the leaner the CO limit lies. [%]
    sensor_zero : SensorZero or None
        How far the lambda meter is off, by gas read beside it; targets are then given as that meter shows them.

    Returns
    -------
    Target
        One lambda a band, with its permitted interval, weight and reason.

    Raises
    ------
    InputError
        If a load in the table is in no band, a lambda is impossible, or two wishes cannot both be had: a
        target outside what is permitted, or richer than the idle test.

    Notes
    -----
    An idle that passes the test with its margin is asked to stay as it is, up to lambda 1.05 (common practice);
    metal taken for it would only spend what the test needs.

    Examples
    --------
    >>> from needlecalc import typed_bands
    >>> bands = typed_bands([850, 3000], [1.05, 1.12], lift_mm=[2.0, 11.0], load=["idle", "full"])
    >>> target = make_target(bands, idle_lambda_least=0.97, lambda_by_load={"full": {"lambda": 0.87, "weight": 2}})
    >>> print(target.lambda_target, target.lambda_rich, target.lambda_lean)
    [1.05 0.87] [0.97 0.82] [1.1 0.92]
    """
    table = {key: _wish(key, value) for key, value in (lambda_by_load or {}).items()}
    known = set(bands.load) | {"idle", *REGIMES}
    for key in table:
        load, at, speed = key.partition("@")
        if load not in known:
            msg = f"The target table names load {shown(key)}, but the bands have {', '.join(sorted(set(bands.load)))}."
            raise InputError(msg)
        if at and not _is_number(speed):
            msg = f"The target table names {shown(key)}, but after @ stands the speed of one band, as in 'full@3000'."
            raise InputError(msg)
    check_range(permitted_either_side, "permitted_either_side", 0.005, 0.2, cure="It is a lambda either side.")
    by_co = edge_by_co(idle_co_percent, idle_margin_co_percent, tester_co_percent, idle_o2_percent)
    by_lambda = edge_by_lambda(idle_lambda_least, idle_margin_lambda, tester_lambda)
    test = max((edge for edge in (by_co, by_lambda) if edge is not None), key=lambda edge: edge[0], default=None)
    # Wishes are of true lambda: what the meter read is brought to it, and the answer back.
    off = sensor_zero.mean if sensor_zero else 0.0
    rows = []
    for b, load in enumerate(bands.load):
        own_key = _own_key(bands, b, table)
        own = table[own_key] if own_key else {}
        idle_test = test if load == "idle" else None
        if "lambda" in own:
            aim, why = own["lambda"], f"table: {own_key}"
        elif idle_test is not None:
            aim, why = idle_aim(float(bands.lambda_measured[b]) - off, idle_test)
        elif load in REGIMES:
            aim, why = REGIMES[load], f"usual for {load}, common practice"
        else:
            msg = f"Band {bands.name(b)}: no target for load {shown(load)}; add it to the target table."
            raise InputError(msg)
        if "lambda" not in own:
            # What is usual gives way to what the table permits.
            aim = min(max(aim, own.get("rich", aim)), own.get("lean", np.inf))
        limit = np.inf
        swept = None if lean_limits is None else lean_limits.most(load, float(bands.rpm_low[b]), float(bands.rpm_high[b]))
        if lean_limits is not None and swept is not None:
            limit = float(lean_limits.lambda_limit[swept[1]]) - off
            if swept[0] - off < aim:
                why = f"lean limit {limit:.2f} less {lean_limits.margin:g}; {aim:.2f} was asked ({why})"
                aim = swept[0] - off
        permitted = _permitted(bands, b, aim, own, idle_test, permitted_either_side, limit)
        rows.append((aim, *permitted, own.get("weight", 1.0), why))
    aims, rich, lean, weight, reasons = zip(*rows, strict=True)
    by_meter = [np.asarray(column) + off for column in (aims, rich, lean)]
    tested = np.array([test is not None and load == "idle" for load in bands.load])
    return Target(
        bands,
        read_only(by_meter[0], "lambda_target"),
        tuple(reasons),
        read_only(by_meter[1], "lambda_rich"),
        read_only(by_meter[2], "lambda_lean"),
        read_only(weight, "weight"),
        tested,
        sensor_zero,
    )


def _permitted(
    bands: Bands,
    band: int,
    aim: float,
    own: Mapping[str, float],
    test: Edge | None,
    either_side: float,
    limit: float,
) -> tuple[float, float]:
    """Richest and leanest permitted lambda; what cannot be is refused in a sentence that names both wishes."""
    lean = min(own.get("lean", aim + either_side), limit)
    if bands.load[band] == "full" and "lean" not in own:
        # The user's own target may lie past it, but then has no room on the lean side.
        lean = max(min(lean, LEANEST_FULL_LOAD), aim)
    rich = own.get("rich", aim - either_side)
    name = bands.name(band)
    if test is not None:
        edge, _, words = test
        if "rich" not in own or own["rich"] < edge:
            rich = edge
        if lean < edge:
            msg = (
                f"{name} may be no leaner than lambda {lean:.3f}, but its test needs {edge:.3f} or more ({words}): both "
                "cannot be had; cure what makes it run unevenly so lean, or have the limit checked."
            )
            raise InputError(msg)
        if aim < edge:
            msg = (
                f"{name} is asked to run at lambda {aim:.3f}, but its test needs {edge:.3f} or more ({words}): both "
                "cannot be had; take idle out of the table, or ask for a leaner one."
            )
            raise InputError(msg)
    if aim > lean:
        msg = (
            f"{name} is asked to run at lambda {aim:.3f}, leaner than its lean limit of {lean:.3f}; ask for a richer one, "
            "or find out why it runs unevenly there."
        )
        raise InputError(msg)
    return rich, lean


def _wish(key: str, value: Wish) -> Mapping[str, float]:
    wish = {"lambda": value} if isinstance(value, (int, float)) else dict(value)
    for name, number in wish.items():
        if name not in WISH_KEYS:
            msg = f"The target table's {shown(key)} has {shown(name)}, but a wish may hold {', '.join(WISH_KEYS)}."
            raise InputError(msg)
        if name == "weight":
            check_range(number, f"weight for {key}", 0.01, 100.0, cure="1 is usual; twice as much matters twice.")
        else:
            called = f"target for {key}" if name == "lambda" else f"{name} for {key}"
            check_range(number, called, 0.7, 1.3, cure="It is a lambda, not an AFR.")
    return wish


def _own_key(bands: Bands, band: int, table: Mapping[str, object]) -> str | None:
    """Key of the user's table that speaks for a band; one for its speed goes before one for its load."""
    load = bands.load[band]
    for key in table:
        name, at, speed = key.partition("@")
        if at and name == load and bands.rpm_low[band] <= float(speed) <= bands.rpm_high[band]:
            return key
    return load if load in table else None


def _is_number(text: str) -> bool:
    try:
        float(text)
    except ValueError:
        return False
    return True
