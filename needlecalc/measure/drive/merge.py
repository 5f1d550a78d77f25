"""Drives brought to one air and fuel, each factor shown for itself, and merged where parts, fuel and air agree."""

from __future__ import annotations

from collections import Counter
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, fields, is_dataclass, replace
from itertools import combinations

import numpy as np

from needlecalc.arrays import read_only
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, DriveNote, LeftOut, LiftSource
from needlecalc.measure.drive.samples import USUAL_BETWEEN, Rows, between_visits, group_mean, stretch
from needlecalc.parts.engine import Air, Fuel
from needlecalc.parts.setup import Setup, fuel_flow
from needlecalc.physics.air import humidity_ratio, lambda_factor_of_air
from needlecalc.physics.fuel import lambda_factor_of_fuel
from needlecalc.remark import Remark
from needlecalc.show import Shown, counted
from needlecalc.units import FloatArray

# What drives may differ by and still be one: half a per cent of lambda by density, and at idle some 1 %
# of lambda a kelvin of fuel.
DENSITY_WITHIN = 0.01
FUEL_WITHIN_K = 5.0
# Drives on other days are less alike than visits of one: the usual repeatability is worth one drive.
USUAL_BETWEEN_DRIVES = 1.0
ETHANOL_WITHIN_PERCENT = 1.0
Key = tuple[float, float, str]
_MEANS = ("rpm", "lambda_measured", "manifold_pressure_pa", "air_flow_g_s", "lift_mm")
_SPREADS = ("lambda_spread", "spread_within", "spread_between")
_SUMS = ("count", "visits", "effective_count")


@dataclass(frozen=True, repr=False, eq=False)
class Normalisation(Shown):
    """Factors that bring the lambda of bands to another air and fuel; arrays have shape (m,).

    Parameters
    ----------
    bands : Bands
        The bands after it.
    before, after : Setup
        Setup of the drive, and with the air and fuel asked for.
    air, stoichiometry, fuel_density, viscosity : array, shape (m,)
        Factors on lambda, each for itself. [-]
    viscous_fraction : array, shape (m,)
        Share of the fuel's pressure difference that viscosity takes. [-]

    Examples
    --------
    >>> from needlecalc import Air
    >>> from needlecalc.example import road
    >>> print(normalise_bands(road.bands, air=Air.at_altitude(1800.0)).air.round(3)[:3])
    [0.959 0.959 0.959]
    """

    bands: Bands
    before: Setup
    after: Setup
    air: FloatArray
    stoichiometry: FloatArray
    fuel_density: FloatArray
    viscosity: FloatArray
    viscous_fraction: FloatArray

    def __repr__(self) -> str:
        low, high = self.total().min(), self.total().max()
        return f"Normalisation: {counted(self.air.size, 'band')}, lambda x {low:.4f} to {high:.4f}"

    def total(self) -> FloatArray:
        """Product of the factors: that on lambda."""
        return self.air * self.stoichiometry * self.fuel_density * self.viscosity


def normalise_bands(bands: Bands, *, air: Air | None = None, fuel: Fuel | None = None) -> Normalisation:
    r"""Bands as they would have been in another air and with another fuel, at the same lift.

    .. math:: \lambda' = \lambda\,\sqrt{\frac{\rho'}{\rho}}\,\frac{1+w}{1+w'}\cdot\frac{\mathrm{AFR}}{\mathrm{AFR}'}
              \cdot\frac{1}{x(\varphi, r_\rho, r_\nu)}

    Parameters
    ----------
    bands : Bands
        Bands whose ``setup`` is stated.
    air, fuel : Air or None, Fuel or None
        What to bring them to; that of the drive when not given.

    Returns
    -------
    Normalisation
        The bands, and each factor for itself.

    Raises
    ------
    InputError
        If the setup is not stated, or the fuel changes and a band has no lift.

    Notes
    -----
    The lift is kept: lambda belongs to a place on the needle.  In thinner air the engine's own lift at one
    speed is lower, which the forward model follows, not this.  The factor of viscosity is what remains of the
    fuel's factor after that of density, so their product is exact.  Sources:
    :func:`needlecalc.physics.air.lambda_factor_of_air`, :func:`needlecalc.physics.fuel.lambda_factor_of_fuel`.

    Examples
    --------
    >>> from needlecalc import Air
    >>> from needlecalc.example import road
    >>> normalise_bands(road.bands, air=Air.at_altitude(1800.0))
    Normalisation: 11 bands, lambda x 0.9590 to 0.9590
    """
    setup = bands.setup
    if setup is None:
        msg = "The bands do not say what they were measured with; state it: bands.having(setup=setup)."
        raise InputError(msg)
    after = replace(setup, air=air or setup.air, fuel=fuel or setup.fuel)
    there, here, old, new = after.air, setup.air, setup.fuel, after.fuel
    of_air = lambda_factor_of_air(
        there.density_kg_m3(),
        humidity_ratio(there.pressure_pa, there.temperature_degc, there.humidity),
        reference_density_kg_m3=here.density_kg_m3(),
        reference_humidity_ratio=humidity_ratio(here.pressure_pa, here.temperature_degc, here.humidity),
    )
    share = np.zeros(bands.rpm.size)
    if old != new:
        words = "it has no lift, so the share of viscosity in its fuel flow is not known; run with_lift first."
        bands.refuse(~np.isfinite(bands.lift_mm), words)
        share = fuel_flow(setup, bands.lift_mm, depression_pa=bands.depression_pa).viscous_fraction
    density = new.density_kg_m3() / old.density_kg_m3()
    by_density = lambda_factor_of_fuel(share, density_ratio=density)
    viscosity = new.viscosity_mm2_s() / old.viscosity_mm2_s()
    by_both = lambda_factor_of_fuel(share, density_ratio=density, viscosity_ratio=viscosity)
    of_stoichiometry = old.afr() / new.afr()
    total = float(of_air) * of_stoichiometry * by_both
    moved = {name: getattr(bands, name) * total for name in ("lambda_measured", "lambda_se", *_SPREADS)}
    brought: dict[str, float | int | str] = {"low": float(total.min()), "high": float(total.max())}
    brought |= {"air": repr(after.air), "fuel": repr(after.fuel)}
    return Normalisation(
        bands.having(**moved, setup=after, remarks=(*bands.remarks, Remark(DriveNote.BROUGHT, numbers=brought))),
        setup,
        after,
        read_only(np.full(share.size, float(of_air)), "air"),
        read_only(np.full(share.size, of_stoichiometry), "stoichiometry"),
        read_only(by_density, "fuel_density"),
        read_only(by_both / by_density, "viscosity"),
        read_only(share, "viscous_fraction"),
    )


def merge_bands(first: Bands, second: Bands, *others: Bands) -> Bands:
    r"""Bands of several drives combined into one set.

    Parameters
    ----------
    first, second, *others : Bands
        Bands made with the same edges and loads, each with its setup stated.

    Returns
    -------
    Bands
        A band of one drive alone keeps its mean; a shared one is weighted by its uncertainty.  Every
        standard error holds the scatter between drives.

    Raises
    ------
    InputError
        If edges differ, a setup is not stated, or parts, fuel or air differ.

    Notes
    -----
    Random effects as in :func:`needlecalc.measure.drive.samples.band_means`, a drive in the place of a visit: the
    variance between drives is the moment estimate over all shared bands, taken to have as many degrees of
    freedom as there are drives less one (what moves one band mostly moves all), mixed with a repeatability of
    0.004 worth one drive.  Nothing depends on the order of the drives but the order of the notes.

    Examples
    --------
    >>> from needlecalc.example import road
    >>> merge_bands(road.bands, road.bands)
    Bands: 11, 5090 samples, 850 to 5000 rpm
    """
    drives = (first, second, *others)
    if differences := _disagreements(drives):
        cure = (
            "Bring them to one air and fuel with nc.measure.normalise_bands; drives on other parts are passes of their own."
        )
        msg = f"The drives cannot be merged: {'; '.join(differences)}. {cure}"
        raise InputError(msg)
    edges = [
        (float(low), float(high), load)
        for drive in drives
        for low, high, load in zip(drive.rpm_low, drive.rpm_high, drive.load, strict=True)
    ]
    keys = _distinct(edges)
    group = np.array([keys.index(one) for one in edges])
    every = {name: np.concatenate([drive.columns[name] for drive in drives]) for name in first.columns}
    sources = [LiftSource.NONE] * len(keys)
    for place, source in zip(group.tolist(), (source for drive in drives for source in drive.lift_source), strict=True):
        sources[place] |= source
    dropped = Counter[LeftOut]()
    for drive in drives:
        dropped.update(dict(drive.dropped))
    between = _between_drives(every, group, len(drives))
    merged = Remark(DriveNote.MERGED, numbers={"drives": len(drives), "spread": float(np.sqrt(between))})
    return Bands(
        _combined(every, group, between, len(drives)),
        load=[load for _, _, load in keys],
        rpm_low=[low for low, _, _ in keys],
        rpm_high=[high for _, high, _ in keys],
        lift_source=sources,
        log=first.log if all(drive.log is first.log for drive in drives) else None,
        dropped=sorted(dropped.items()),
        remarks=[*(remark for drive in drives for remark in drive.remarks), merged],
        setup=first.setup,
    )


def _distinct(edges: Sequence[Key]) -> list[Key]:
    """Edges and loads met, each once; refused where edges overlap without being the same."""
    keys = sorted(set(edges))
    for one, other in combinations(keys, 2):
        if one[2] == other[2] and one[0] < other[1] and other[0] < one[1]:
            msg = (
                f"The drives cannot be merged: load {one[2]!r} has bands {one[0]:g} to {one[1]:g} and "
                f"{other[0]:g} to {other[1]:g} rpm; make all bands with the same rpm_edges."
            )
            raise InputError(msg)
    return keys


def _disagreements(drives: Sequence[Bands]) -> list[str]:
    """What the drives differ in, in words."""
    setups = [(number, drive.setup) for number, drive in enumerate(drives, start=1)]
    if unstated := [str(number) for number, setup in setups if setup is None]:
        return [f"drive {', '.join(unstated)} does not say what it was measured with (bands.having(setup=setup) states it)"]
    return [
        f"drives {here} and {there}: {words}"
        for (here, old), (there, new) in combinations(setups, 2)
        if old is not None and new is not None
        for words in _differences(old, new)
    ]


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
    if is_dataclass(old) and type(old) is type(new):
        inner = [field.name for field in fields(old) if field.name not in ("name", "source")]
        return [found for key in inner for found in _unequal(getattr(old, key), getattr(new, key), f"{name}.{key}")]
    return [] if np.array_equal(np.asarray(old), np.asarray(new)) else [name]


def _between_drives(every: Mapping[str, FloatArray], group: Rows, drives: int) -> float:
    """Variance between drives, from all bands that more than one of them has."""
    variance = np.maximum(every["lambda_se"], 1e-6) ** 2
    excess, carries = (float(part.sum()) for part in between_visits(every["lambda_measured"], variance, group))
    free = drives - 1.0 if group.max() + 1 < group.size else 0.0
    own = excess / carries if free else 0.0
    return max((free * own + USUAL_BETWEEN_DRIVES * USUAL_BETWEEN**2) / (free + USUAL_BETWEEN_DRIVES), 0.0)


def _combined(every: Mapping[str, FloatArray], group: Rows, between: float, drives: int) -> dict[str, FloatArray]:
    """Columns of the merged bands, from those of all drives and the merged band that each belongs to."""
    error = every["lambda_se"]
    weight = 1.0 / (error**2 + between + 1e-18)
    share = weight / np.bincount(group, weight)[group]
    # Lifts computed from one efficiency err together: their uncertainty does not shrink by averaging.
    out = {name: group_mean(every[name], share, group) for name in (*_MEANS, "lift_u_mm")}
    out |= {name: np.bincount(group, every[name]).astype(np.float64) for name in _SUMS}
    out |= {name: np.sqrt(group_mean(every[name] ** 2, share, group)) for name in _SPREADS}
    variance_between = np.bincount(group, share**2) * between
    variance = variance_between + np.bincount(group, share**2 * error**2)
    free = (drives - 1.0 + USUAL_BETWEEN_DRIVES) * (variance / (variance_between + 1e-18)) ** 2
    return out | {"lambda_se": stretch(free) * np.sqrt(variance)}
