"""Zero of the lambda meter, from an exhaust analyser read beside it."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from needlecalc.arrays import check_range
from needlecalc.measure.checks.noted import GasReading
from needlecalc.physics.analyser import HydrocarbonScale, brettschneider_lambda, dilution, gas_lambda_uncertainty
from needlecalc.show import counted

SENSOR_U = 0.010  # zero of a wideband sensor in use; judgement, no source
METER_SCATTER = 0.005  # one reading of a wandering display
MOST_AIR_SHARE = 0.05  # of the sample: more than a sound engine leaves, so lambda of the gas is that of a leak
LEAST_CO_TO_TELL_AIR = 0.5  # per cent: below it a lean mixture and a diluted one look alike
LEANEST_TOLD = 1.03


@dataclass(frozen=True)
class SensorZero:
    """How far the lambda meter reads too lean, and how sure that is.

    Parameters
    ----------
    mean : float
        Meter less true lambda; negative where it reads too rich. [-]
    u : float
        Its standard uncertainty. [-]
    readings : int
        Gas readings that had a say.
    left_out : tuple of str
        Gas readings that had none, each with its reason.
    """

    mean: float = 0.0
    u: float = SENSOR_U
    readings: int = 0
    left_out: tuple[str, ...] = ()

    def words(self) -> tuple[str, ...]:
        """What it means for a sheet.

        Returns
        -------
        tuple of str
            A sentence, and one for each gas reading left out; none where no gas was read.
        """
        said = [f"Gas at {reason}, so it says nothing of the meter's zero." for reason in self.left_out]
        if self.readings:
            way = "lean" if self.mean > 0.0 else "rich"
            read = counted(self.readings, "gas reading")
            said.insert(
                0,
                f"By {read} the meter reads {abs(self.mean):.3f} +- {self.u:.3f} too {way}; lambda here is as it shows it.",
            )
        return tuple(said)


def sensor_zero(gases: Sequence[GasReading], *, before_u: float = SENSOR_U) -> SensorZero:
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
        Best value and its doubt; nought and ``before_u`` where no reading tells.

    Raises
    ------
    InputError
        If ``before_u`` is no uncertainty of a lambda.

    Notes
    -----
    Each reading says meter less Brettschneider's lambda, with the doubt of the analyser and of a wandering
    display; readings and the belief before weigh by the inverse of their variances.  The analyser's own errors
    are the same in all its readings, so they count once.  Oxygen beside CO may be what uneven cylinders leave
    or air that leaked in past the sensor: lambda with and without it lie as far apart as that doubt goes, evenly
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
    zeros, doubts, left_out = [], [], []
    for gas in gases:
        if gas.lambda_measured is None:
            continue
        told = _lambda_of(gas)
        if isinstance(told, str):
            left_out.append(f"{gas.at} {told}")
            continue
        zeros.append(gas.lambda_measured - told[0])
        doubts.append(told[1])
    if not zeros or before_u == 0.0:
        return SensorZero(0.0, before_u, 0, tuple(left_out))
    told_u = np.hypot(np.mean(doubts), METER_SCATTER / np.sqrt(len(zeros)))
    weight = before_u**2 / (before_u**2 + told_u**2)
    return SensorZero(float(weight * np.mean(zeros)), float(np.sqrt(weight) * told_u), len(zeros), tuple(left_out))


def _lambda_of(gas: GasReading) -> tuple[float, float] | str:
    """Lambda of a gas and its doubt, or why it cannot say what the meter should read."""
    co, co2, o2, hc = gas.co_percent, gas.co2_percent, gas.o2_percent, gas.hc_ppm
    if co is None or co2 is None or o2 is None or hc is None:
        names = {"CO": co, "CO2": co2, "O2": o2, "HC": hc}
        return f"lacks {', '.join(name for name, value in names.items() if value is None)}"
    if co + co2 <= 0.0:
        return "holds no carbon"
    found = dilution(co2, co)
    if found.diluted:
        return f"holds CO + CO2 of only {found.sum_percent:.1f} %: air in the sample, or a misfire"
    if co >= LEAST_CO_TO_TELL_AIR and found.air_share > MOST_AIR_SHARE:
        return f"holds {100.0 * found.air_share:.0f} % air beside its CO: a leak, a shallow probe or a misfire"
    if co < LEAST_CO_TO_TELL_AIR and gas.lambda_measured is not None and gas.lambda_measured > LEANEST_TOLD:
        return "is lean with little CO, where air in the sample does not show"
    scale: HydrocarbonScale = "propane" if gas.hc_as == "propane" else "hexane"
    by_gas = float(brettschneider_lambda(co2, co, o2, hc_ppm=hc, hc_as=scale))
    kept = max(o2 - max(float(found.o2_of_air_percent), 0.0), 0.0)
    leaked = by_gas - float(brettschneider_lambda(co2, co, kept, hc_ppm=hc, hc_as=scale))
    doubt = gas_lambda_uncertainty(co2, co, o2, hc_ppm=hc, hc_as=scale)
    return by_gas, float(np.hypot(doubt, leaked / np.sqrt(3.0)))
