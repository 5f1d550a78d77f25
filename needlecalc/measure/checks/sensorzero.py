"""Zero of the lambda meter, from an exhaust analyser read beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.gaussian import Gaussian
from needlecalc.measure.checks.inspection import GasReading
from needlecalc.physics.analyser import HydrocarbonScale, brettschneider_lambda, dilution, gas_lambda_uncertainty
from needlecalc.priors import Doubts
from needlecalc.remark import Remark
from needlecalc.show import in_words

METER_SCATTER = 0.005  # one reading of a wandering display
MOST_AIR_SHARE = 0.05  # of the sample: more than a sound engine leaves, so lambda of the gas is that of a leak
LEAST_CO_TO_TELL_AIR = 0.5  # per cent: below it a lean mixture and a diluted one look alike
LEANEST_TOLD = 1.03


class GasLeftOut(StrEnum):
    """Why a gas reading says nothing of the meter's zero."""

    LACKS = "lacks a gas"
    NO_CARBON = "holds no carbon"
    DILUTED = "too little CO + CO2"
    AIR = "air beside its CO"
    LEAN = "lean with little CO"


@dataclass(frozen=True)
class SensorZero:
    """How far the lambda meter reads too lean, and its uncertainty.

    Parameters
    ----------
    mean : float
        Meter less true lambda; negative where it reads too rich. [-]
    u : float
        Its standard uncertainty. [-]
    readings : int
        Gas readings that had a say.
    left_out : tuple of Remark
        Gas readings that had none: why, and where each was taken (``at``).

    Examples
    --------
    >>> SensorZero(mean=0.012, u=0.006, readings=2)
    SensorZero(mean=0.012, u=0.006, readings=2, left_out=())
    """

    mean: float = 0.0
    u: float = Doubts.sensor_offset
    readings: int = 0
    left_out: tuple[Remark, ...] = ()

    def words(self) -> tuple[str, ...]:
        """What it means for a sheet; nothing where no gas was read."""
        words: tuple[str, ...] = in_words(self)
        return words


def sensor_zero(gases: Sequence[GasReading], *, before_u: float = Doubts.sensor_offset) -> SensorZero:
    r"""Zero of the lambda meter by gas readings made beside it.

    Parameters
    ----------
    gases : sequence of GasReading
        Readings of CO, CO2, O2 and HC with the meter's lambda at the same moment; others are left out.
    before_u : float
        Standard uncertainty of the zero before any gas was read; of a zero known for sure (0) no gas can say more. [-]

    Returns
    -------
    SensorZero
        Best value and its uncertainty; zero and ``before_u`` where no reading tells.

    Raises
    ------
    InputError
        If ``before_u`` is no uncertainty of a lambda.

    Notes
    -----
    Each reading says meter less Brettschneider's lambda, with the uncertainty of the analyser and of a wandering
    display; readings and the prior weigh by the inverse of their variances.  The analyser's own errors
    are the same in all its readings, so they count once.  Oxygen beside CO may be what uneven cylinders leave
    or air that leaked in past the sensor: lambda with and without it lie as far apart as that goes, evenly
    spread.  A sample with much air in it says nothing.

    References
    ----------
    .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).

    Examples
    --------
    >>> gas = GasReading(co_percent=1.1, co2_percent=14.5, o2_percent=0.2, hc_ppm=120.0, lambda_measured=0.98)
    >>> zero = sensor_zero([gas])
    >>> print(f"{zero.mean:+.4f} +- {zero.u:.4f}")
    +0.0039 +- 0.0064
    """
    check_range(before_u, "before_u", 0.0, 0.1, cure="It is a lambda, some 0.01.")
    zeros, zero_u, left_out = [], [], []
    for gas in gases:
        if gas.lambda_measured is None:
            continue
        by_gas = _lambda_of(gas)
        if isinstance(by_gas, Remark):
            left_out.append(by_gas)
            continue
        zeros.append(gas.lambda_measured - by_gas[0])
        zero_u.append(by_gas[1])
    if not zeros or before_u == 0.0:
        return SensorZero(0.0, before_u, 0, tuple(left_out))
    mean_u = np.hypot([np.mean(zero_u)], METER_SCATTER / np.sqrt(len(zeros)))
    zero = Gaussian(np.zeros(1), np.full((1, 1), before_u)).after(np.ones((1, 1)), mean_u, np.array([np.mean(zeros)]))
    return SensorZero(float(zero.mean[0]), float(zero.u()[0]), len(zeros), tuple(left_out))


def _lambda_of(gas: GasReading) -> tuple[float, float] | Remark:
    """Lambda of a gas and its uncertainty, or why it cannot say what the meter should read."""
    co, co2, o2, hc = gas.co_percent, gas.co2_percent, gas.o2_percent, gas.hc_ppm

    def no(kind: GasLeftOut, **numbers: float | str) -> Remark:
        return Remark(kind, numbers={"at": gas.at, **numbers})

    if co is None or co2 is None or o2 is None or hc is None:
        names = {"CO": co, "CO2": co2, "O2": o2, "HC": hc}
        return no(GasLeftOut.LACKS, gases=", ".join(name for name, value in names.items() if value is None))
    if co + co2 <= 0.0:
        return no(GasLeftOut.NO_CARBON)
    found = dilution(co2, co)
    if found.diluted:
        return no(GasLeftOut.DILUTED, sum_percent=float(found.sum_percent))
    if co >= LEAST_CO_TO_TELL_AIR and found.air_share > MOST_AIR_SHARE:
        return no(GasLeftOut.AIR, air_percent=100.0 * float(found.air_share))
    if co < LEAST_CO_TO_TELL_AIR and gas.lambda_measured is not None and gas.lambda_measured > LEANEST_TOLD:
        return no(GasLeftOut.LEAN)
    scale: HydrocarbonScale = "propane" if gas.hc_as == "propane" else "hexane"
    by_gas = float(brettschneider_lambda(co2, co, o2, hc_ppm=hc, hc_as=scale))
    kept = max(o2 - max(float(found.o2_of_air_percent), 0.0), 0.0)
    leaked = by_gas - float(brettschneider_lambda(co2, co, kept, hc_ppm=hc, hc_as=scale))
    doubt = gas_lambda_uncertainty(co2, co, o2, hc_ppm=hc, hc_as=scale)
    return by_gas, float(np.hypot(doubt, leaked / np.sqrt(3.0)))
