"""Targets made: from the user's table, an idle test, a sweep, or what is usual for the load."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from needlecalc.arrays import check_range, read_only
from needlecalc.design.inverse.target import LEANEST_FULL_LOAD, PERMITTED_EITHER_SIDE, IdleTest, Target, Why
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.checks.gas import SensorZero
from needlecalc.measure.drive.bands import Bands
from needlecalc.measure.drive.sweep import LeanLimits
from needlecalc.physics.exhaust import lambda_of_co_percent
from needlecalc.remark import Remark

# Common practice, no source; the user's own table goes before.
REGIMES = {"idle": 0.93, "light": 1.00, "part": 0.95, "full": 0.88, "all": 0.95}
HIGH_HC_PPM = 600.0  # as hexane, where no limit is stated
LEANEST_IDLE = 1.05  # beyond it few engines idle evenly; common practice
CO_MARGIN_PERCENT = 0.3
LAMBDA_MARGIN = 0.02
Wanted = float | Mapping[str, float]
WANTED_KEYS = ("lambda", "rich", "lean", "weight")


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
    idle_hc_ppm: float | None = None,
    idle_hc_limit_ppm: float = HIGH_HC_PPM,
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
    idle_hc_ppm, idle_hc_limit_ppm : float or None, float
        Hydrocarbons read at idle, as hexane; from where on they are high.  Idle is then asked to run no leaner than
        it does, as leaning raises them further; a CO limit that needs it leaner goes before. [ppm]
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
    if idle_hc_ppm is not None:
        check_range(idle_hc_ppm, "idle_hc_ppm", 0.0, 2e4, cure="It is in ppm as hexane.")
    check_range(idle_hc_limit_ppm, "idle_hc_limit_ppm", 1.0, 2e4, cure="It is in ppm as hexane.")
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
        if load == "idle" and idle_hc_ppm is not None and idle_hc_ppm > idle_hc_limit_ppm:
            limit = min(limit, max(float(bands.lambda_measured[b]) - off, test.edge if test else 0.0))
            if limit < aim:
                numbers = {"hc": idle_hc_ppm, "limit": idle_hc_limit_ppm, "asked": aim, "aim": limit}
                aim, why = limit, Remark(Why.HC_HIGH, numbers=numbers)
        permitted = _permitted(bands, b, aim, own, own_test, permitted_either_side, limit)
        rows.append((aim, *permitted, own.get("weight", 1.0), why))
    aims, rich, lean, weight, reasons = zip(*rows, strict=True)
    by_meter = [np.asarray(column) + off for column in (aims, rich, lean)]
    return Target(bands, by_meter[0], reasons, by_meter[1], by_meter[2], read_only(weight, "weight"), sensor_zero, test)


def _aim(
    bands: Bands, band: int, own: Mapping[str, float], own_key: str | None, test: IdleTest | None, off: float
) -> tuple[float, Remark]:
    """Lambda to aim at in a band, and why."""
    load = bands.load[band]
    if "lambda" in own:
        return own["lambda"], Remark(Why.TABLE, numbers={"key": own_key or load})
    if test is not None:
        aim, why = _aim_of_test(float(bands.lambda_measured[band]) - off, test)
    elif load in REGIMES:
        aim, why = REGIMES[load], Remark(Why.USUAL, numbers={"load": load})
    else:
        msg = f"Band {bands.name(band)}: no target for load {shown(load)}; add it to the target table."
        raise InputError(msg)
    # What is usual gives way to what the table permits.
    return min(max(aim, own.get("rich", aim)), own.get("lean", np.inf)), why


def _permitted(
    bands: Bands, band: int, aim: float, own: Mapping[str, float], test: IdleTest | None, either_side: float, limit: float
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
        if at and not speed.replace(".", "", 1).isdigit():
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


def idle_test(
    co_percent: float | None,
    co_margin_percent: float,
    tester_co_percent: float,
    o2_percent: float,
    lambda_least: float | None,
    lambda_margin: float,
    tester_lambda: float,
) -> IdleTest | None:
    """The stricter of a test of CO and one of lambda; None where there is neither."""
    tests = []
    if co_percent is not None:
        check_range(co_percent, "idle_co_percent", 0.1, 10.0, cure="It is the limit of the test, in per cent by volume.")
        check_range(co_margin_percent, "idle_margin_co_percent", 0.0, 5.0, cure="It is per cent by volume.")
        check_range(tester_co_percent, "tester_co_percent", 0.0, 2.0, cure="It is per cent by volume.")
        check_range(o2_percent, "idle_o2_percent", 0.0, 3.0, cure="It is what a sound engine leaves, under 1 % by volume.")
        read = co_percent - tester_co_percent
        if read <= 0.0:
            msg = (
                f"The CO limit is {co_percent:g} %, but the tester's meter may read {tester_co_percent:g} % too high: no "
                "mixture passes for certain; state a smaller tester_co_percent."
            )
            raise InputError(msg)
        # Half the limit at least must stay on a very strict one.  The more oxygen uneven cylinders leave, the leaner it is.
        aim = max(read - co_margin_percent, 0.5 * read)
        edge, aim = (float(lambda_of_co_percent(co, o2_percent=o2_percent)) for co in (read, aim))
        tests.append(IdleTest(Why.CO_TEST, co_percent, edge, aim, o2_percent))
    if lambda_least is not None:
        check_range(
            lambda_least, "idle_lambda_least", 0.7, 1.1, cure="It is a lambda; a CO limit goes into idle_co_percent."
        )
        check_range(lambda_margin, "idle_margin_lambda", 0.0, 0.1, cure="It is a lambda.")
        check_range(tester_lambda, "tester_lambda", 0.0, 0.1, cure="It is a lambda.")
        edge = lambda_least + tester_lambda
        tests.append(IdleTest(Why.LAMBDA_TEST, lambda_least, edge, edge + lambda_margin))
    return max(tests, key=lambda test: test.edge, default=None)


def _aim_of_test(measured: float, test: IdleTest) -> tuple[float, Remark]:
    """Lambda to aim at: the present one where it passes with its margin and idles evenly."""
    aim, kind = test.aim, test.kind
    if test.aim <= measured <= max(LEANEST_IDLE, test.aim) + 1e-9:
        aim, kind = measured, Why.PASSES
    elif measured > LEANEST_IDLE >= test.aim:
        aim, kind = LEANEST_IDLE, Why.EVEN_IDLE
    return aim, Remark(kind, numbers={"limit": test.limit, "aim": test.aim, "o2_percent": test.o2_percent})
