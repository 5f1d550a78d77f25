"""Bands brought to another air and fuel, each factor shown for itself."""

from __future__ import annotations

from dataclasses import dataclass, replace
from numbers import Real

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import read_only
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands, DriveNote
from needlecalc.measure.drive.typed import typed_each
from needlecalc.parts.conditions import Air, Fuel
from needlecalc.parts.fuelflow import fuel_flow
from needlecalc.parts.setup import Setup
from needlecalc.physics.air import humidity_ratio, lambda_factor_of_air
from needlecalc.physics.fuel import lambda_factor_of_fuel
from needlecalc.remark import Remark
from needlecalc.show import Column, Shown, Table, counted
from needlecalc.units import FloatArray


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

    def table(self) -> Table:
        """Each factor by band, to be shown."""
        bands = self.bands
        columns = (
            Column("band", "band", "", [bands.name(b) for b in range(bands.rpm.size)]),
            Column("air", "air", ".4f", self.air),
            Column("stoichiometry", "stoichiometry", ".4f", self.stoichiometry),
            Column("fuel_density", "fuel density", ".4f", self.fuel_density),
            Column("viscosity", "viscosity", ".4f", self.viscosity),
            Column("total", "total", ".4f", self.total()),
            Column("viscous_fraction", "viscous fraction", ".2f", self.viscous_fraction),
            Column("lambda_measured", "lambda", ".3f", bands.lambda_measured),
        )
        notes = [f"from {part!r}" for part in (self.before.air, self.before.fuel)]
        notes += [f"to {part!r}" for part in (self.after.air, self.after.fuel)]
        return Table("Lambda brought to another air and fuel, at the same lift", columns, notes=notes)


def normalise_bands(
    bands: Bands, *, air: Air | None = None, fuel: Fuel | None = None, viscous_fraction: ArrayLike | None = None
) -> Normalisation:
    r"""Bands as they would have been in another air and with another fuel, at the same lift.

    .. math:: \lambda' = \lambda\,\sqrt{\frac{\rho'}{\rho}}\,\frac{1+w}{1+w'}\cdot\frac{\mathrm{AFR}}{\mathrm{AFR}'}
              \cdot\frac{1}{x(\varphi, r_\rho, r_\nu)}

    Parameters
    ----------
    bands : Bands
        Bands whose ``setup`` is stated (:func:`with_setup`).
    air : Air or None
        The air to bring them to; that of the drive when not given.
    fuel : Fuel or None
        The fuel; that of the drive when not given.
    viscous_fraction : array_like, shape (m,), or None
        Share of the fuel's pressure difference that viscosity takes; from needle, jet and lift when not
        given.  Asked for only if the fuel changes. [-]

    Returns
    -------
    Normalisation
        The bands, and each factor for itself.

    Raises
    ------
    InputError
        If the setup is not stated, or the fuel changes and neither lift nor viscous fraction is known.

    Notes
    -----
    The lift is kept: lambda belongs to a place on the needle.  In thinner air the engine's own lift at one
    speed is lower, which the forward model follows, not this.  The factor of viscosity is what remains of the
    fuel's factor after that of density, so their product is exact.

    References
    ----------
    .. [1] As :func:`needlecalc.physics.air.lambda_factor_of_air` and
       :func:`needlecalc.physics.fuel.lambda_factor_of_fuel`.
    """
    setup = _stated(bands)
    after = replace(setup, air=air or setup.air, fuel=fuel or setup.fuel)
    size = bands.rpm.size
    there, here = after.air, setup.air
    of_air = lambda_factor_of_air(
        there.density_kg_m3(),
        humidity_ratio(there.pressure_pa, there.temperature_degc, there.humidity),
        reference_density_kg_m3=here.density_kg_m3(),
        reference_humidity_ratio=humidity_ratio(here.pressure_pa, here.temperature_degc, here.humidity),
    )
    old, new = setup.fuel, after.fuel
    changes = old != new
    share = np.zeros(size)
    if viscous_fraction is not None:
        one = isinstance(viscous_fraction, Real)
        share = typed_each(np.full(size, viscous_fraction) if one else viscous_fraction, bands, "viscous_fraction")
    elif changes:
        share = _viscous_fraction(bands, setup)
    density = new.density_kg_m3() / old.density_kg_m3()
    viscosity = new.viscosity_mm2_s() / old.viscosity_mm2_s()
    by_density = lambda_factor_of_fuel(share, density_ratio=density)
    by_both = lambda_factor_of_fuel(share, density_ratio=density, viscosity_ratio=viscosity)
    of_stoichiometry = old.afr() / new.afr()
    total = float(of_air) * of_stoichiometry * by_both
    moved = {
        name: getattr(bands, name) * total
        for name in ("lambda_measured", "lambda_spread", "lambda_se", "spread_within", "spread_between")
    }
    brought: dict[str, float | int | str] = {"low": float(total.min()), "high": float(total.max())}
    brought |= {"air": repr(after.air), "fuel": repr(after.fuel)}
    remarks = (*bands.remarks, Remark(DriveNote.BROUGHT, numbers=brought))
    return Normalisation(
        bands.having(**moved, setup=after, remarks=remarks),
        setup,
        after,
        read_only(np.full(size, float(of_air)), "air"),
        read_only(np.full(size, of_stoichiometry), "stoichiometry"),
        read_only(by_density, "fuel_density"),
        read_only(by_both / by_density, "viscosity"),
        read_only(share, "viscous_fraction"),
    )


def with_setup(bands: Bands, setup: Setup) -> Bands:
    """The same bands, with the setup they were measured with.

    Parameters
    ----------
    bands : Bands
        The bands.
    setup : Setup
        Parts, fuel and air on the day of the drive.

    Returns
    -------
    Bands
        As before, the setup stated.
    """
    return bands.having(setup=setup)


def _stated(bands: Bands) -> Setup:
    if bands.setup is None:
        msg = "The bands do not say what they were measured with; state it: with_setup(bands, setup)."
        raise InputError(msg)
    return bands.setup


def _viscous_fraction(bands: Bands, setup: Setup) -> FloatArray:
    if not np.isfinite(bands.lift_mm).all():
        band = int(np.argmax(~np.isfinite(bands.lift_mm)))
        msg = (
            f"Band {bands.name(band)} has no lift, so the share of viscosity in its fuel flow is not known; "
            "run with_lift first, or give viscous_fraction."
        )
        raise InputError(msg)
    return fuel_flow(setup, bands.lift_mm, depression_pa=bands.depression_pa).viscous_fraction
