"""Bands of several drives combined into one set, where parts, fuel and air agree."""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from dataclasses import fields, is_dataclass
from functools import reduce
from operator import or_

import numpy as np

from needlecalc.errors import InputError
from needlecalc.measure.drive.averages import USUAL_BETWEEN, between_visits, stretch
from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource
from needlecalc.parts.setup import Setup
from needlecalc.remark import Remark, Severity
from needlecalc.units import FloatArray

# What drives may differ by and still be one: half a per cent of lambda by density, and at idle some 1 %
# of lambda a kelvin of fuel.
DENSITY_WITHIN = 0.01
FUEL_WITHIN_K = 5.0
# Drives on other days are less alike than visits of one: the usual repeatability is worth one drive.
USUAL_BETWEEN_DRIVES = 1.0
ETHANOL_WITHIN_PERCENT = 1.0


def merge_bands(first: Bands, second: Bands, *others: Bands, despite: str | None = None) -> Bands:
    r"""Bands of several drives combined into one set.

    Parameters
    ----------
    first, second, *others : Bands
        Bands made with the same edges and loads, each with its setup stated.
    despite : str or None
        Why drives that differ in parts, fuel or air shall be merged all the same; it is printed with the
        result.

    Returns
    -------
    Bands
        A band of one drive alone keeps its mean; a shared one is weighted by its uncertainty.  Every
        standard error holds the scatter between drives.

    Raises
    ------
    InputError
        If edges differ, a setup is not stated, or parts, fuel or air differ and no reason is given.

    Notes
    -----
    Random effects as in :func:`needlecalc.measure.drive.averages.band_means`, a drive in the place of a visit: the
    variance between drives is the moment estimate over all shared bands, taken to have as many degrees of
    freedom as there are drives less one (what moves one band mostly moves all), mixed with a repeatability of
    0.004 worth one drive.  Nothing depends on the order of the drives but the order of the notes.

    References
    ----------
    .. [1] DerSimonian and Laird, "Meta-analysis in clinical trials", *Controlled Clinical Trials* 7 (1986) 177
       (from memory).
    """
    drives = (first, second, *others)
    if despite is not None and not despite.strip():
        msg = "despite is empty; write the reason why differing drives may be merged, it is printed with the bands."
        raise InputError(msg)
    differences = _disagreements(drives)
    if differences and despite is None:
        msg = (
            f"The drives cannot be merged: {differences[0]}. Bring them to one air and fuel with normalise_bands, "
            "or give despite='reason'."
        )
        raise InputError(msg)
    keys = _keys(drives)
    members = {key: [(d, b) for d, drive in enumerate(drives) for b in _place(drive, key)] for key in keys}
    between = _between_drives(drives, list(members.values()))
    parts = [_combined(drives, group, between) for group in members.values()]
    columns = {name: np.array([part[name] for part in parts]) for name in parts[0]}
    dropped = Counter[LeftOut]()
    for drive in drives:
        dropped.update(dict(drive.dropped))
    numbers = {"drives": len(drives), "spread": float(np.sqrt(between))}
    remarks = [remark for drive in drives for remark in drive.remarks]
    remarks.append(Remark(DriveNote.MERGED, numbers=numbers))
    if despite is not None:
        remarks.append(Remark(DriveNote.DESPITE, Severity.CAUTION, numbers={"reason": despite.strip()}))
        remarks += [Remark(DriveNote.DIFFER, numbers={"what": words}) for words in differences]
    logs = {id(drive.log): drive.log for drive in drives}
    setups = [drive.setup for drive in drives if drive.setup is not None]
    return Bands(
        columns,
        load=[key[2] for key in keys],
        rpm_low=[key[0] for key in keys],
        rpm_high=[key[1] for key in keys],
        lift_source=[
            reduce(or_, (drives[d].lift_source[b] for d, b in group), LiftSource.NONE) for group in members.values()
        ],
        log=first.log if len(logs) == 1 else None,
        dropped=sorted(dropped.items()),
        remarks=remarks,
        setup=setups[0] if setups and not differences else None,
    )


Key = tuple[float, float, str]


def _key(drive: Bands, band: int) -> Key:
    return float(drive.rpm_low[band]), float(drive.rpm_high[band]), drive.load[band]


def _keys(drives: Sequence[Bands]) -> list[Key]:
    """Bands of all drives by edges and load; refused where edges overlap without being the same."""
    keys = sorted({_key(drive, b) for drive in drives for b in range(drive.rpm.size)})
    for one in keys:
        for other in keys:
            if one < other and one[2] == other[2] and one[0] < other[1] and other[0] < one[1]:
                msg = (
                    f"The drives cannot be merged: load {one[2]!r} has bands {one[0]:g} to {one[1]:g} and "
                    f"{other[0]:g} to {other[1]:g} rpm; make all bands with the same rpm_edges."
                )
                raise InputError(msg)
    return keys


def _place(drive: Bands, key: Key) -> list[int]:
    return [b for b in range(drive.rpm.size) if _key(drive, b) == key]


def _disagreements(drives: Sequence[Bands]) -> list[str]:
    """What the drives differ in, in words."""
    out: list[str] = []
    unstated = [str(d + 1) for d, drive in enumerate(drives) if drive.setup is None]
    if unstated:
        out.append(f"drive {', '.join(unstated)} does not say what it was measured with (with_setup states it)")
    stated = [(d, drive.setup) for d, drive in enumerate(drives) if drive.setup is not None]
    for place, (d, old) in enumerate(stated):
        for e, new in stated[place + 1 :]:
            out += [f"drives {d + 1} and {e + 1}: {words}" for words in _differences(old, new)]
    return out


def _differences(old: Setup, new: Setup) -> list[str]:
    out = [
        f"{name} differs"
        for part in ("engine", "carburettor")
        for name in _unequal(getattr(old, part), getattr(new, part), part)
    ]
    dense, thin = old.air.density_kg_m3(), new.air.density_kg_m3()
    if abs(dense / thin - 1.0) > DENSITY_WITHIN:
        out.append(f"air of {dense:.3f} and {thin:.3f} kg/m3, more than {100 * DENSITY_WITHIN:g} % apart")
    if abs(old.fuel.ethanol_percent - new.fuel.ethanol_percent) > ETHANOL_WITHIN_PERCENT:
        out.append(f"fuel with {old.fuel.ethanol_percent:g} and {new.fuel.ethanol_percent:g} % ethanol")
    if abs(old.fuel.temperature_degc - new.fuel.temperature_degc) > FUEL_WITHIN_K:
        out.append(
            f"fuel at {old.fuel.temperature_degc:g} and {new.fuel.temperature_degc:g} degC, over {FUEL_WITHIN_K:g} K apart"
        )
    return out


def _unequal(old: object, new: object, name: str) -> list[str]:
    """Names of the fields in which two parts differ; what they are called does not matter."""
    if is_dataclass(old) and not isinstance(old, type) and type(old) is type(new):
        inner = [field.name for field in fields(old) if field.name not in ("name", "source")]
        return [found for key in inner for found in _unequal(getattr(old, key), getattr(new, key), f"{name}.{key}")]
    if isinstance(old, np.ndarray) or isinstance(new, np.ndarray):
        return [] if np.array_equal(np.asarray(old), np.asarray(new)) else [name]
    return [] if old == new else [name]


def _between_drives(drives: Sequence[Bands], groups: Sequence[list[tuple[int, int]]]) -> float:
    """Variance between drives, from all bands that more than one of them has."""
    shared = [group for group in groups if len(group) > 1]
    moments = [
        between_visits(_column(drives, group, "lambda_measured"), np.maximum(_column(drives, group, "lambda_se"), 1e-6) ** 2)
        for group in shared
    ]
    excess, carries = sum(one for one, _ in moments), sum(one for _, one in moments)
    free = len(drives) - 1.0 if carries else 0.0
    own = excess / carries if carries else 0.0
    return max((free * own + USUAL_BETWEEN_DRIVES * USUAL_BETWEEN**2) / (free + USUAL_BETWEEN_DRIVES), 0.0)


def _column(drives: Sequence[Bands], group: list[tuple[int, int]], name: str) -> FloatArray:
    return np.array([drives[d].columns[name][b] for d, b in group])


def _combined(drives: Sequence[Bands], group: list[tuple[int, int]], between: float) -> dict[str, float]:
    """One merged band."""
    error = _column(drives, group, "lambda_se")
    weight = 1.0 / (error**2 + between + 1e-18)
    share = weight / weight.sum()
    # Lifts computed from one efficiency err together: their uncertainty does not shrink by averaging.
    out = {name: _mean(_column(drives, group, name), share) for name in (*_MEANS, "lift_u_mm")}
    out |= {name: float(_column(drives, group, name).sum()) for name in _SUMS}
    out |= {name: float(np.sqrt(_mean(_column(drives, group, name) ** 2, share))) for name in _SPREADS}
    variance_between = float((share**2).sum()) * between
    variance = variance_between + float((share**2 * error**2).sum())
    free = (len(drives) - 1.0 + USUAL_BETWEEN_DRIVES) * (variance / (variance_between + 1e-18)) ** 2
    return out | {"lambda_se": stretch(free) * float(np.sqrt(variance))}


_MEANS = ("rpm", "lambda_measured", "manifold_pressure_pa", "air_flow_g_s", "lift_mm")
_SPREADS = ("lambda_spread", "spread_within", "spread_between")
_SUMS = ("count", "visits", "effective_count")


def _mean(values: FloatArray, share: FloatArray) -> float:
    """Weighted mean of what is known; NaN where nothing is."""
    good = np.isfinite(values)
    return float(np.average(values[good], weights=share[good])) if good.any() else float("nan")
