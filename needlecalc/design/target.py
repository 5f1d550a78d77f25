"""What lambda should be in each band."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np

from needlecalc.arrays import check_range, read_only, same_length
from needlecalc.errors import InputError
from needlecalc.measure.bands import Bands
from needlecalc.measure.sweep import LeanLimits
from needlecalc.physics.exhaust import lambda_of_co_percent
from needlecalc.show import Column, Shown, Table
from needlecalc.units import FloatArray

# Common practice, no source; the user's own table goes before.
REGIMES = {"idle": 0.93, "light": 1.00, "part": 0.95, "full": 0.88, "all": 0.95}
LEANEST_FULL_LOAD = 0.92
CO_MARGIN_PERCENT = 0.3
PERMITTED_EITHER_SIDE = 0.05


@dataclass(frozen=True, repr=False, eq=False)
class Target(Shown):
    """Lambda asked for in each band.

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
        same_length("target", bands=self.bands.rpm, why=self.why, **given)
        if not ((aim >= 0.5) & (aim <= 2.0)).all():
            msg = f"lambda_target runs from {aim.min():g} to {aim.max():g}, but must lie between 0.5 and 2; is it an AFR?"
            raise InputError(msg)
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
        return f"Target: {self.lambda_target.size} bands, lambda {low:.2f} to {high:.2f}"

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
            Column("why", "why"),
        )
        rows = [
            {
                "rpm": float(self.bands.rpm[b]),
                "load": self.bands.load[b],
                "lambda_measured": float(self.bands.lambda_measured[b]),
                "lambda_target": float(self.lambda_target[b]),
                "why": self.why[b],
            }
            for b in range(len(self.why))
        ]
        return Table("Target", columns, rows, notes=self.cautions())

    def cautions(self) -> tuple[str, ...]:
        """What is dangerous in what was asked.

        Returns
        -------
        tuple of str
            One sentence each.
        """
        lean = [
            f"{self.bands.name(b)} at {self.lambda_target[b]:.2f}"
            for b, load in enumerate(self.bands.load)
            if load == "full" and self.lambda_target[b] > LEANEST_FULL_LOAD + 1e-9
        ]
        if not lean:
            return ()
        return (
            f"Full-load targets leaner than lambda {LEANEST_FULL_LOAD:g} can melt pistons (common practice): "
            f"{', '.join(lean)}. Make them richer, and stop on any pinking.",
        )


def make_target(
    bands: Bands,
    *,
    lambda_by_load: Mapping[str, float] | None = None,
    idle_co_percent: float | None = None,
    lean_limits: LeanLimits | None = None,
) -> Target:
    """Target lambda by load, from the user's table or the usual regimes.

    Parameters
    ----------
    bands : Bands
        The bands.
    lambda_by_load : mapping or None
        Load to lambda, or "load@rpm" to lambda for one band (nearest speed edge range that holds it).
        Loads not named take the usual regime. [-]
    idle_co_percent : float or None
        Limit of CO at idle, which local law sets; the target keeps 0.3 % CO under it. [%]
    lean_limits : LeanLimits or None
        Leanest smooth lambda found by sweeps; no target of their bands goes leaner than that less the margin.

    Returns
    -------
    Target
        One lambda a band, with its reason.

    Raises
    ------
    InputError
        If a load in the table is in no band, or a lambda is impossible.
    """
    table = dict(lambda_by_load or {})
    known = set(bands.load) | {"idle", *REGIMES}
    for key, value in table.items():
        if key.split("@")[0] not in known:
            msg = f"The target table names load {key!r}, but the bands have {', '.join(sorted(set(bands.load)))}."
            raise InputError(msg)
        check_range(value, f"target for {key}", 0.7, 1.3, cure="It is a lambda, not an AFR.")
    targets, why = [], []
    for b, load in enumerate(bands.load):
        ranged = [
            key
            for key in table
            if "@" in key and key.split("@")[0] == load and bands.rpm_low[b] <= float(key.split("@")[1]) <= bands.rpm_high[b]
        ]
        if ranged:
            targets.append(float(table[ranged[0]]))
            why.append(f"table: {ranged[0]}")
        elif load == "idle" and idle_co_percent is not None:
            # Half the margin at least must stay on a very strict limit.
            aim = max(idle_co_percent - CO_MARGIN_PERCENT, 0.5 * idle_co_percent)
            targets.append(float(lambda_of_co_percent(aim)))
            why.append(f"CO limit {idle_co_percent:g} %, aimed at {aim:g} % (no oxygen left over)")
        elif load in table:
            targets.append(float(table[load]))
            why.append(f"table: {load}")
        elif load in REGIMES:
            targets.append(REGIMES[load])
            why.append(f"usual for {load}, common practice")
        else:
            msg = f"Band {bands.name(b)}: no target for load {load!r}; add it to the target table."
            raise InputError(msg)
    if lean_limits is not None:
        for b, load in enumerate(bands.load):
            found = lean_limits.most(load, float(bands.rpm_low[b]), float(bands.rpm_high[b]))
            if found is not None and found[0] < targets[b]:
                limit = float(lean_limits.lambda_limit[found[1]])
                why[b] = f"lean limit {limit:.2f} less {lean_limits.margin:g}; {targets[b]:.2f} was asked ({why[b]})"
                targets[b] = found[0]
    return Target(bands, read_only(targets, "lambda_target"), tuple(why))
