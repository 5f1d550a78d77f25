"""What lambda should be in each band, what is permitted, and which bands contradict each other."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range, read_only, same_length
from needlecalc.design.inverse.idletest import CO_MARGIN_PERCENT, LAMBDA_MARGIN, IdleTest, Why, idle_aim, idle_test
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.checks.sensorzero import SensorZero
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.remark import BandName, Remark, Severity
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

# Common practice, no source; the user's own table goes before.
REGIMES = {"idle": 0.93, "light": 1.00, "part": 0.95, "full": 0.88, "all": 0.95}
LEANEST_FULL_LOAD = 0.92
PERMITTED_EITHER_SIDE = 0.05
SAME_LIFT_MM = 0.3
CONFLICT_SHARE = 0.03
GIVING_WAY = 10.0
HARDLY = 5e-4  # of lambda: nobody reads as near
Wanted = float | Mapping[str, float]
WANTED_KEYS = ("lambda", "rich", "lean", "weight")


class TargetRemark(StrEnum):
    """What is worth a word in a target."""

    CONFLICT = "two bands on one lift ask for different changes"
    CONFLICT_PAST_PERMITTED = "two bands on one lift, and not even what is permitted of both can be had"
    FULL_LOAD_LEAN = "target of full load leaner than it bears"


@dataclass(frozen=True, repr=False, eq=False)
class Target(Shown):
    """Lambda asked for in each band, as the lambda meter shows it.

    Parameters
    ----------
    bands : Bands
        The bands it is for.
    lambda_target : array, shape (m,)
        Lambda. [-]
    why : tuple of Remark
        Where each comes from; stated, when not given.
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
    why: tuple[Remark, ...] = ()
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
        object.__setattr__(self, "why", tuple(self.why) or (Remark(Why.STATED),) * aim.size)
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

    def called(self, *bands: int) -> tuple[BandName, ...]:
        """Names of some bands."""
        return self.bands.called(*bands)

    def fuel_asked(self) -> FloatArray:
        """Change of ln(fuel) that each band asks for."""
        return np.asarray(np.log(self.bands.lambda_measured / self.lambda_target))

    def opposed(self) -> NDArray[np.intp]:
        """Pairs of bands on one lift that ask for different changes, furthest apart first.

        The second of each pair gives way to the first, the one of its lift that asks for most fuel.
        """
        asked, lift = self.fuel_asked(), self.bands.lift_mm
        # A band whose lift is not known is on no one's lift.
        near = np.abs(np.subtract.outer(lift, lift)) <= SAME_LIFT_MM
        np.fill_diagonal(near, True)
        greatest = np.where(near, asked, -np.inf).argmax(axis=1)
        apart = asked[greatest] - asked
        leaner = np.flatnonzero(apart > CONFLICT_SHARE)
        leaner = leaner[np.argsort(-apart[leaner], kind="stable")]
        return np.column_stack([greatest[leaner], leaner])

    def giving_way(self) -> FloatArray:
        """Factor on the doubt of each band: 1, and more for one that gives way to a richer one on its lift."""
        factor = np.ones(self.lambda_target.size)
        factor[self.opposed()[:, 1]] = GIVING_WAY
        return factor

    def excess(self, lambda_expected: FloatArray) -> FloatArray:
        """How far each band would lie outside what is permitted, richer or leaner; 0 or less where it is inside."""
        return np.maximum(self.lambda_rich - lambda_expected, lambda_expected - self.lambda_lean)

    def outside(self, lambda_expected: FloatArray) -> NDArray[np.bool_]:
        """Bands that would lie outside what is permitted, by more than anybody reads."""
        return np.asarray(self.excess(lambda_expected) > HARDLY)

    def leanest_full_load(self) -> float:
        """Leanest lambda that full load bears, as the meter shows it: 0.92, common practice, and what the meter is off."""
        return LEANEST_FULL_LOAD + (self.sensor_zero.mean if self.sensor_zero else 0.0)

    def full_load(self) -> NDArray[np.bool_]:
        """Bands at full load."""
        return np.array([load == "full" for load in self.bands.load])

    def remarks(self) -> tuple[Remark, ...]:
        """Bands that contradict each other, and full load asked to run too lean."""
        now, asked, found = self.bands.lambda_measured, self.fuel_asked(), []
        for richer, leaner in self.opposed().tolist():
            # Fuel, as a factor, that each would still permit.
            apart = now[richer] / self.lambda_lean[richer] > now[leaner] / self.lambda_rich[leaner]
            numbers = {
                "lift_mm": float(self.bands.lift_mm[richer]),
                "richer_percent": 100.0 * float(asked[richer]),
                "leaner_percent": 100.0 * float(asked[leaner]),
            }
            kind = TargetRemark.CONFLICT_PAST_PERMITTED if apart else TargetRemark.CONFLICT
            found.append(Remark(kind, Severity.CAUTION, bands=self.called(richer, leaner), numbers=numbers))
        limit = self.leanest_full_load()
        lean = np.flatnonzero(self.full_load() & (self.lambda_target > limit + 1e-9))
        if lean.size:
            lean = lean[np.argsort(-self.lambda_target[lean], kind="stable")]
            numbers = {"limit": limit, "leanest": float(self.lambda_target[lean[0]])}
            bands = self.called(*lean.tolist())
            found.append(Remark(TargetRemark.FULL_LOAD_LEAN, Severity.CAUTION, bands=bands, numbers=numbers))
        return tuple(found)


def make_target(
    bands: Bands,
    *,
    lambda_by_load: Mapping[str, Wanted] | None = None,
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
    idle_co_percent, idle_margin_co_percent, tester_co_percent : float or None
        Limit of CO at idle, which local law sets; how far under it to aim; how much too high the tester's meter
        may read. [%]
    idle_lambda_least, idle_margin_lambda, tester_lambda : float or None
        Least lambda at idle, where the test is of lambda; how far above it to aim; how much too rich the tester's
        meter may read.  With a CO limit too, the stricter holds. [-]
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
        If a load in the table is in no band, a lambda is impossible, or two things asked cannot both be had: a
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
    table = _checked(bands, lambda_by_load or {})
    check_range(permitted_either_side, "permitted_either_side", 0.005, 0.2, cure="It is a lambda either side.")
    by_co = idle_co_percent, idle_margin_co_percent, tester_co_percent, idle_o2_percent
    test = idle_test(*by_co, idle_lambda_least, idle_margin_lambda, tester_lambda)
    # Targets are of true lambda: what the meter read is brought to it, and the answer back.
    off = sensor_zero.mean if sensor_zero else 0.0
    rows = []
    for b, load in enumerate(bands.load):
        own_key = _own_key(bands, b, table)
        own = table[own_key] if own_key else {}
        own_test = test if load == "idle" else None
        aim, why = _aim(bands, b, own, own_key, own_test, off)
        limit = np.inf
        swept = None if lean_limits is None else lean_limits.most(load, float(bands.rpm_low[b]), float(bands.rpm_high[b]))
        if lean_limits is not None and swept is not None:
            limit = float(lean_limits.lambda_limit[swept[1]]) - off
            if swept[0] - off < aim:
                numbers = {"limit": limit, "margin": lean_limits.margin, "asked": aim}
                aim, why = swept[0] - off, Remark(Why.LEAN_LIMIT, numbers=numbers)
        permitted = _permitted(bands, b, aim, own, own_test, permitted_either_side, limit)
        rows.append((aim, *permitted, own.get("weight", 1.0), why))
    aims, rich, lean, weight, reasons = zip(*rows, strict=True)
    by_meter = [np.asarray(column) + off for column in (aims, rich, lean)]
    tested = np.array([test is not None and load == "idle" for load in bands.load])
    return Target(bands, by_meter[0], reasons, by_meter[1], by_meter[2], read_only(weight, "weight"), tested, sensor_zero)


def _aim(
    bands: Bands, band: int, own: Mapping[str, float], own_key: str | None, test: IdleTest | None, off: float
) -> tuple[float, Remark]:
    """Lambda to aim at in a band, and why."""
    load = bands.load[band]
    if "lambda" in own:
        return own["lambda"], Remark(Why.TABLE, numbers={"key": own_key or load})
    if test is not None:
        aim, why = idle_aim(float(bands.lambda_measured[band]) - off, test)
    elif load in REGIMES:
        aim, why = REGIMES[load], Remark(Why.USUAL, numbers={"load": load})
    else:
        msg = f"Band {bands.name(band)}: no target for load {shown(load)}; add it to the target table."
        raise InputError(msg)
    # What is usual gives way to what the table permits.
    return min(max(aim, own.get("rich", aim)), own.get("lean", np.inf)), why


def _permitted(
    bands: Bands,
    band: int,
    aim: float,
    own: Mapping[str, float],
    test: IdleTest | None,
    either_side: float,
    limit: float,
) -> tuple[float, float]:
    """Richest and leanest permitted lambda; what cannot be is refused in a sentence that names both."""
    lean = min(own.get("lean", aim + either_side), limit)
    if bands.load[band] == "full" and "lean" not in own:
        # The user's own target may lie past it, but then has no room on the lean side.
        lean = max(min(lean, LEANEST_FULL_LOAD), aim)
    rich = own.get("rich", aim - either_side)
    name = bands.name(band)
    if test is not None:
        what = f"CO limit {test.limit:g} %" if test.kind is Why.CO_TEST else f"idle test at lambda {test.limit:g}"
        if "rich" not in own or own["rich"] < test.edge:
            rich = test.edge
        if lean < test.edge:
            msg = (
                f"{name} may be no leaner than lambda {lean:.3f}, but its test needs {test.edge:.3f} or more ({what}): both "
                "cannot be had; cure what makes it run unevenly so lean, or have the limit checked."
            )
            raise InputError(msg)
        if aim < test.edge:
            msg = (
                f"{name} is asked to run at lambda {aim:.3f}, but its test needs {test.edge:.3f} or more ({what}): both "
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


def _checked(bands: Bands, by_load: Mapping[str, Wanted]) -> dict[str, Mapping[str, float]]:
    """The user's table with a mapping for every key."""
    table = {key: _wanted(key, value) for key, value in by_load.items()}
    known = set(bands.load) | {"idle", *REGIMES}
    for key in table:
        load, at, speed = key.partition("@")
        if load not in known:
            msg = f"The target table names load {shown(key)}, but the bands have {', '.join(sorted(set(bands.load)))}."
            raise InputError(msg)
        if at and not _is_number(speed):
            msg = f"The target table names {shown(key)}, but after @ stands the speed of one band, as in 'full@3000'."
            raise InputError(msg)
    return table


def _wanted(key: str, value: Wanted) -> Mapping[str, float]:
    wanted = {"lambda": value} if isinstance(value, (int, float)) else dict(value)
    for name, number in wanted.items():
        if name not in WANTED_KEYS:
            msg = f"The target table's {shown(key)} has {shown(name)}, but it may hold {', '.join(WANTED_KEYS)}."
            raise InputError(msg)
        if name == "weight":
            check_range(number, f"weight for {key}", 0.01, 100.0, cure="1 is usual; twice as much matters twice.")
        else:
            called = f"target for {key}" if name == "lambda" else f"{name} for {key}"
            check_range(number, called, 0.7, 1.3, cure="It is a lambda, not an AFR.")
    return wanted


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
