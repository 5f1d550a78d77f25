"""Lag of the lambda reading behind the engine: from the log, or as given."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.gaussian import NINETY
from needlecalc.measure.drive.lagfit import fit_lag
from needlecalc.measure.log.file import Log
from needlecalc.show import Shown

USUAL_LAG_S, USUAL_LAG_U_S = 0.4, 0.2
STATED_LAG_U_S = 0.1
# Fall of the piston, filling of the manifold and wet walls are not told from the sensor: judgement.
MODEL_U_S = 0.04
# Beyond the first the estimate says so, beyond the second the usual lag is taken.
TIGHT_S, WORST_U_S = 0.1, 0.12


@dataclass(frozen=True, repr=False)
class Lag(Shown):
    """Time by which the lambda reading follows the engine.

    Parameters
    ----------
    seconds, seconds_u : float
        The lag and its standard uncertainty. [s]
    source : str
        Where it comes from.

    Examples
    --------
    >>> Lag(0.4, 0.1, "as stated")
    Lag 0.40 +- 0.10 s, as stated
    """

    seconds: float
    seconds_u: float
    source: str

    def __post_init__(self) -> None:
        check_range(self.seconds, "lag_s", 0.0, 5.0, cure="It is the delay of the sensor in seconds.")
        check_range(self.seconds_u, "lag_u_s", 0.0, 5.0, cure="It is a standard uncertainty in seconds.")

    def __repr__(self) -> str:
        return f"Lag {self.seconds:.2f} +- {self.seconds_u:.2f} s, {self.source}"


def find_lag(log: Log, lag_s: float | Lag | None = None) -> Lag:
    r"""Lag of a log: as given, else estimated from the log, else the usual one.

    Parameters
    ----------
    log : Log
        The drive.
    lag_s : float, Lag or None
        The lag, where it is known; 0.1 s of uncertainty is added to a bare number. [s]

    Returns
    -------
    Lag
        Its ``source`` says which of the three it is, and why none could be estimated.

    Raises
    ------
    InputError
        If the number given is no lag.

    Notes
    -----
    The lag meant is the shift that brings readings in line with what caused them: the mean of the response to a
    short puff of mixture, which is delay + transport + time constant of the sensor.  It is that at middling
    flow, the geometric mean of the log's 5 % and 95 % points of speed times load; the part that is pipe is
    longer below and shorter above.

    It is fitted to closings (:func:`needlecalc.measure.drive.lagfit.fit_lag`), with 0.04 s joined to its uncertainty
    for what the model leaves out: the piston's fall and the filling of the manifold (some 0.05 s, which
    count as lag), and the fuel on the walls.  An estimate whose 90 % interval is wider than +- 0.1 s says so;
    beyond 0.12 s of standard uncertainty the usual lag is taken.

    The mean of a band hardly depends on the lag, as its window is steady: it tells which rows to use.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> print(round(find_lag(road.log).seconds, 1))
    0.3
    """
    if isinstance(lag_s, Lag):
        return lag_s
    if lag_s is not None:
        return Lag(
            check_range(lag_s, "lag_s", 0.0, 5.0, cure="It is the delay of the sensor in seconds."),
            STATED_LAG_U_S,
            "as stated",
        )
    found = fit_lag(log)
    if not isinstance(found, str):
        spread = float(np.hypot(found.lag_u_s, MODEL_U_S))
        if spread <= WORST_U_S:
            loose = f", good to {NINETY * spread:.2f} s only" if NINETY * spread > TIGHT_S else ""
            return Lag(found.lag_s, spread, f"estimated from {found.signal} and lambda in this log{loose}")
        found = f"the log tells it only within {spread:.2f} s"
    return Lag(USUAL_LAG_S, USUAL_LAG_U_S, f"assumed (common practice), as {found}")
