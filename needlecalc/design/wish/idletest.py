"""The idle test: which lambda it asks for, and where to aim so as to pass it."""

from __future__ import annotations

from needlecalc.arrays import check_range
from needlecalc.errors import InputError
from needlecalc.physics.exhaust import lambda_of_co_percent

LEANEST_IDLE = 1.05  # common practice: beyond it few engines idle evenly
CO_MARGIN_PERCENT = 0.3
LAMBDA_MARGIN = 0.02
Edge = tuple[float, float, str]  # lambda of the limit, lambda to aim at, what it is called


def edge_by_co(limit: float | None, margin: float, tester: float, oxygen: float = 0.0) -> Edge | None:
    """Edge and aim of an idle test of CO.

    Parameters
    ----------
    limit : float or None
        Limit of the test; None where there is none. [%]
    margin : float
        How far under it to aim. [%]
    tester : float
        How much too high the tester's meter may read. [%]
    oxygen : float
        Oxygen left over beside that CO, as an analyser read it at idle. [%]

    Returns
    -------
    tuple or None
        Lambda of the limit, lambda to aim at, and what it is called; None without a limit.

    Raises
    ------
    InputError
        If a figure is impossible, or no mixture passes for certain.

    Notes
    -----
    The more oxygen uneven cylinders leave, the leaner the engine must run for the same CO.
    """
    if limit is None:
        return None
    check_range(limit, "idle_co_percent", 0.1, 10.0, cure="It is the limit of the test, in per cent by volume.")
    check_range(margin, "idle_margin_co_percent", 0.0, 5.0, cure="It is per cent by volume.")
    check_range(tester, "tester_co_percent", 0.0, 2.0, cure="It is per cent by volume.")
    check_range(oxygen, "idle_o2_percent", 0.0, 3.0, cure="It is what a sound engine leaves, under 1 % by volume.")
    read = limit - tester
    if read <= 0.0:
        msg = (
            f"The CO limit is {limit:g} %, but the tester's meter may read {tester:g} % too high: no mixture passes for "
            "certain; state a smaller tester_co_percent."
        )
        raise InputError(msg)
    # Half the limit at least must stay on a very strict one.
    aim = max(read - margin, 0.5 * read)
    left = f"{oxygen:g} % oxygen" if oxygen else "no oxygen"
    words = f"CO limit {limit:g} %, aimed at {aim:g} % ({left} left over)"
    edge, lambda_aim = (float(lambda_of_co_percent(co, o2_percent=oxygen)) for co in (read, aim))
    return edge, lambda_aim, words


def edge_by_lambda(least: float | None, margin: float, tester: float) -> Edge | None:
    """Edge and aim of an idle test of lambda.

    Parameters
    ----------
    least : float or None
        Least lambda that passes; None where there is no such test. [-]
    margin : float
        How far above it to aim. [-]
    tester : float
        How much too rich the tester's meter may read. [-]

    Returns
    -------
    tuple or None
        Lambda of the limit, lambda to aim at, and what it is called; None without a limit.

    Raises
    ------
    InputError
        If a figure is impossible.
    """
    if least is None:
        return None
    check_range(least, "idle_lambda_least", 0.7, 1.1, cure="It is a lambda; a CO limit goes into idle_co_percent.")
    check_range(margin, "idle_margin_lambda", 0.0, 0.1, cure="It is a lambda.")
    check_range(tester, "tester_lambda", 0.0, 0.1, cure="It is a lambda.")
    edge = least + tester
    return edge, edge + margin, f"idle test at lambda {least:g}, aimed at {edge + margin:g}"


def idle_aim(measured: float, test: Edge) -> tuple[float, str]:
    """Lambda to aim at in an idle band that has a test.

    Parameters
    ----------
    measured : float
        Lambda it runs at now. [-]
    test : tuple
        Its edge, as ``edge_by_co`` or ``edge_by_lambda`` gives it.

    Returns
    -------
    float
        Lambda: the present one where it passes with its margin and idles evenly. [-]
    str
        Why.
    """
    _, aim, words = test
    if aim <= measured <= max(LEANEST_IDLE, aim) + 1e-9:
        return measured, f"passes as it is: {words.split(',')[0]}"
    if measured > LEANEST_IDLE >= aim:
        return LEANEST_IDLE, f"{words.split(',')[0]}; no leaner than even idling, common practice"
    return aim, words
