"""Checks before a cut: faults of ignition, leaks, sensor and needle come before mixture."""

from __future__ import annotations

from collections.abc import Sequence

from needlecalc.measure.checks.check import Checks
from needlecalc.measure.checks.gas import gas_checks
from needlecalc.measure.checks.inspected import (
    ignition_checks,
    mechanical_checks,
    needle_checks,
    sensor_checks,
    twin_checks,
)
from needlecalc.measure.checks.inspection import GasReading, Ignition, Mechanical, NeedleReading, Sensor, Twins
from needlecalc.measure.checks.limits import CheckLimits
from needlecalc.measure.checks.patterns import drive_checks
from needlecalc.measure.checks.plausible import plausible_checks
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.setup import Setup
from needlecalc.priors import Doubts


def check_engine(
    bands: Bands | None = None,
    *,
    setup: Setup | None = None,
    engine_stated: bool = True,
    ignition: Ignition | None = None,
    mechanical: Mechanical | None = None,
    sensor: Sensor | None = None,
    gases: Sequence[GasReading] | None = None,
    twins: Twins | None = None,
    needle: NeedleReading | None = None,
    limits: CheckLimits | None = None,
    doubts: Doubts | None = None,
) -> Checks:
    """Every check before a cut; whatever was not measured says so and is never green.

    Parameters
    ----------
    bands : Bands or None
        Bands of the drive, with lifts.
    setup : Setup or None
        Engine and carburettor of the drive.
    engine_stated : bool
        Whether engine and air valve of the setup are known; if not, only needle, jet and lifts are held against lambda.
    ignition, mechanical, sensor, twins, needle : record or None
        What the tuner found.
    gases : sequence of GasReading or None
        Readings of an exhaust analyser.
    limits : CheckLimits or None
        Limits; the defaults when not given.
    doubts : Doubts or None
        How far off each thing nobody measured may be; the usual when not given.

    Returns
    -------
    Checks
        A row a check; its ``gate()`` lets a cut through or refuses it.

    Examples
    --------
    >>> found = check_engine(ignition=Ignition(lead_kohm=[9.8, 10.4, 11.1, 38.0], vacuum_source="ported"))
    >>> print(found.named("plug leads").verdict, "/", found.named("plug gaps").verdict)
    red / not measured
    """
    held, state, before = limits or CheckLimits(), mechanical or Mechanical(), doubts or Doubts()
    return Checks(
        (
            *mechanical_checks(state, held),
            *ignition_checks(ignition or Ignition(), held),
            *sensor_checks(sensor or Sensor(), held),
            *gas_checks(gases or (), held),
            *twin_checks(twins, bands, held),
            *needle_checks(needle, held),
            *drive_checks(bands, setup if engine_stated else None, state.coolant_degc, held, before),
            *plausible_checks(bands, setup, gases or (), held, before, engine_stated=engine_stated),
        ),
        held,
    )
