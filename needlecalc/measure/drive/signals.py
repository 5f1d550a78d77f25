"""What of a log stands for the air of one turn, and which rows are cold."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from needlecalc.measure.log.file import Log
from needlecalc.units import FloatArray

WARM_ABOVE_DEGC = 70.0


def load_signal(log: Log) -> tuple[FloatArray, str] | None:
    """What stands for the air of one turn, and its name.

    Parameters
    ----------
    log : Log
        The drive.

    Returns
    -------
    tuple of array, shape (n,), and str, or None
        Manifold pressure, else throttle + 5 %, else air flow over speed; blanks filled from their
        neighbours.  None where none of them was logged. [Pa, % or g min/s]
    """
    signals = (
        ("manifold pressure", log.manifold_pressure_pa),
        ("throttle", None if log.throttle_percent is None else np.maximum(log.throttle_percent, 0.0) + 5.0),
        ("air flow", None if log.air_flow_g_s is None else log.air_flow_g_s / np.maximum(log.rpm, 100.0)),
    )
    for name, raw in signals:
        if raw is None:
            continue
        good = np.isfinite(raw) & (raw > 0.0)
        if good.sum() > 0.5 * raw.size:
            return np.asarray(np.interp(log.time_s, log.time_s[good], raw[good])), name
    return None


def filled(values: FloatArray) -> FloatArray:
    """Blanks filled with the last value before them (the first after, at the start).

    Parameters
    ----------
    values : array, shape (n,)
        One column, NaN where blank. [any]

    Returns
    -------
    array, shape (n,)
        Zeros where all are blank. [as given]

    Examples
    --------
    >>> print(filled(np.array([np.nan, 1.0, np.nan, 2.0])))
    [1. 1. 1. 2.]
    """
    good = np.isfinite(values)
    if not good.any():
        return np.zeros(values.size)
    last = np.maximum.accumulate(np.where(good, np.arange(values.size), -1))
    return np.asarray(values[np.where(last < 0, int(np.argmax(good)), last)])


def cold_rows(log: Log, warm_above_degc: float = WARM_ABOVE_DEGC) -> NDArray[np.bool_]:
    """Rows with the coolant below a temperature: choke or warm-up.

    Parameters
    ----------
    log : Log
        The drive.
    warm_above_degc : float
        Least temperature of a warm engine. [degC]

    Returns
    -------
    array of bool, shape (n,)
        False throughout where the coolant was not logged.
    """
    if log.coolant_degc is None or not np.isfinite(log.coolant_degc).any():
        return np.zeros(log.rpm.size, dtype=bool)
    return np.asarray(filled(log.coolant_degc) < warm_above_degc)
