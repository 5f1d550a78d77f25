"""Lambda of measured bands on another needle, two needles side by side, and both banks of twin carburettors."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.carburettor import AirValve
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup, fuel_flow
from needlecalc.physics.annulus import BoreFlow
from needlecalc.show import Shown, Table, counted
from needlecalc.units import FloatArray

MATCHED_WITHIN_UM = 10.0  # common practice, no source


def predict_lambda(
    setup: Setup,
    bands: Bands,
    *,
    needle: Needle | None = None,
    drop_mm: float | None = None,
    air_valve: AirValve | None = None,
) -> FloatArray:
    r"""Lambda of each band after a change of needle, jet height, or spring and piston.

    Parameters
    ----------
    setup : Setup
        The setup the bands were measured in.
    bands : Bands
        Measured bands with their lifts.
    needle : Needle or None
        The other needle; the present one when not given.
    drop_mm : float or None
        The other jet drop; the present one when not given. [mm]
    air_valve : AirValve or None
        The air valve with another spring or piston; the present one when not given.

    Returns
    -------
    array, shape (m,)
        Predicted lambda. [-]

    Raises
    ------
    InputError
        If a band has no lift or lies off the needle, or another air valve is asked for where a slide is
        fitted or where the piston would meet a stop.

    Notes
    -----
    The engine breathes the same air, so :math:`\lambda' = \lambda\,\dot m_f/\dot m_f'`; everything on
    the air side cancels.  With the same air valve the lift stays; with another the piston settles where
    the same air passes at the other depression.

    Examples
    --------
    >>> from needlecalc import Carburettor, Engine, Jet, typed_bands
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> present, thinner = Needle("present", [0.0, 40.0], [2.476, 1.836]), Needle("thinner", [0.0, 40.0], [2.466, 1.826])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(present, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> bands = typed_bands([900, 4000], [1.00, 1.05], lift_mm=[2.5, 18.0])
    >>> print(predict_lambda(setup, bands, needle=thinner).round(3))
    [0.836 1.012]
    """
    need_lift(bands)
    known = bands.depression_pa
    before = fuel_flow(setup, bands.lift_mm, depression_pa=known)
    changed = setup if needle is None else setup.with_needle(needle)
    lift = bands.lift_mm
    if air_valve is not None:
        lift, known = under_other_valve(setup, bands, air_valve)
        changed = changed.with_parts(air_valve=air_valve)
    after = fuel_flow(changed, lift, drop_mm=drop_mm, depression_pa=known)
    return np.asarray(bands.lambda_measured * before.fuel_flow_g_s / after.fuel_flow_g_s)


def under_other_valve(setup: Setup, bands: Bands, air_valve: AirValve) -> tuple[FloatArray, FloatArray]:
    """Lift and depression of each band at the same air flow; a depression once read changes in proportion."""
    present = setup.carburettor.air_valve
    if not isinstance(present, AirValve):
        msg = "A slide has no piston or spring to change; leave air_valve out."
        raise InputError(msg)
    lift = air_valve.lift_mm(present.air_flow_g_s(bands.lift_mm, setup.air), setup.air)
    stopped = ~np.isfinite(lift)
    if stopped.any():
        msg = (
            f"Band {bands.name(int(np.argmax(stopped)))}: with the other air valve the piston would meet a stop at this "
            "air flow, where lift no longer tells the fuel; leave that band out."
        )
        raise InputError(msg)
    ratio = air_valve.depression_pa(lift) / present.depression_pa(bands.lift_mm)
    return lift, np.asarray(setup.carburettor.depression_pa(bands.lift_mm, bands.depression_pa) * ratio)


def need_lift(bands: Bands) -> None:
    """Refuse bands of which one has no lift."""
    if not np.isfinite(bands.lift_mm).all():
        band = int(np.argmax(~np.isfinite(bands.lift_mm)))
        msg = f"Band {bands.name(band)} has no lift; run with_lift(bands, setup) first, or type the lift in."
        raise InputError(msg)


@dataclass(frozen=True, repr=False, eq=False)
class Comparison(Shown):
    """Two needles in one setup, station by station and band by band.

    Parameters
    ----------
    setup : Setup
        The setup both are put into.
    first, second : Needle
        The needles compared.
    station : array of int, shape (k,)
        Stations of the first that the second is known at, counted from 1.
    first_flow, second_flow : BoreFlow
        Fuel and areas of each as with that station at the jet's face.
    bands : Bands or None
        Measured bands.
    lambda_first, lambda_second : array, shape (m,)
        Lambda of each band with either needle; empty without bands. [-]

    Examples
    --------
    >>> from needlecalc.example import road
    >>> compare(road.setup, road.design.present(), road.design.needle)
    Comparison of 'van as fitted' with 'van as fitted at its target': 13 stations
    """

    setup: Setup
    first: Needle
    second: Needle
    station: NDArray[np.intp]
    first_flow: BoreFlow
    second_flow: BoreFlow
    bands: Bands | None
    lambda_first: FloatArray
    lambda_second: FloatArray

    def __repr__(self) -> str:
        return f"Comparison of {self.first.name!r} with {self.second.name!r}: {counted(self.station.size, 'station')}"

    def thicker_um(self) -> FloatArray:
        """How much thicker the second is at each station."""
        at_mm, own_mm = (values[self.station - 1] for values in (self.first.stations_mm, self.first.diameters_mm))
        return 1e3 * (self.second.diameter_at_mm(at_mm) - own_mm)

    def lambda_change_percent(self) -> FloatArray:
        """How much leaner the second runs with each station at the jet's face."""
        return _change(self.second_flow.fuel_flow_g_s, self.first_flow.fuel_flow_g_s)

    def band_change_percent(self) -> FloatArray:
        """How much leaner each band runs with the second; empty without bands."""
        return _change(self.lambda_first, self.lambda_second)

    def matched(self, tolerance_um: float = MATCHED_WITHIN_UM) -> bool:
        """Whether the two are a pair after filing: no station differs by more.

        Raises
        ------
        InputError
            If the needles were measured at different stations.

        Examples
        --------
        >>> from needlecalc.example import road
        >>> compare(road.setup, road.design.present(), road.design.present()).matched()
        True
        """
        check_range(tolerance_um, "tolerance_um", 0.1, 100.0, cure="It is on diameter, in um.")
        first, second = self.first.stations_mm, self.second.stations_mm
        if first.shape != second.shape or not np.allclose(first, second, atol=1e-3):
            msg = (
                f"Needles {self.first.name} and {self.second.name} were measured at different stations; measure both at the "
                "same distances from the shoulder."
            )
            raise InputError(msg)
        return bool((np.abs(self.thicker_um()) <= tolerance_um + 1e-6).all())

    def band_table(self) -> Table:
        """Lambda of each band with each needle, one row a band."""
        return self._part("bands")


def _change(before: FloatArray, after: FloatArray) -> FloatArray:
    return np.asarray(100.0 * (after / before - 1.0))


def compare(setup: Setup, first: Needle, second: Needle, *, bands: Bands | None = None) -> Comparison:
    """Two needles compared in one setup.

    Parameters
    ----------
    setup : Setup
        The setup; its own needle is the one any bands were measured with.
    first, second : Needle
        The needles.
    bands : Bands or None
        Measured bands with lifts, for lambda by band.

    Returns
    -------
    Comparison
        Diameters, areas and lambda changes.

    Raises
    ------
    InputError
        If the needles do not overlap or do not fit the jet.

    Examples
    --------
    >>> from needlecalc import AirValve, Carburettor, Engine, Jet, Needle, Setup
    >>> valve = AirValve(throat_bore_mm=38.0, disc_diameter_mm=60.0, piston_mass_kg=0.3, spring_preload_n=2.0)
    >>> first, second = Needle("first", [0.0, 40.0], [2.476, 1.836]), Needle("second", [0.0, 40.0], [2.47, 1.80])
    >>> setup = Setup(Engine(1500.0, 4), Carburettor(first, Jet(bore_mm=2.54, drop_mm=1.0), valve))
    >>> compare(setup, first, second)
    Comparison of 'first' with 'second': 2 stations
    """
    low = max(first.stations_mm[0], second.stations_mm[0])
    high = min(first.stations_mm[-1], second.stations_mm[-1])
    shared = np.flatnonzero((first.stations_mm >= low) & (first.stations_mm <= high))
    if not shared.size:
        msg = f"Needles {first.name} and {second.name} share no station; check their datum."
        raise InputError(msg)
    lift = first.stations_mm[shared] - setup.carburettor.position_mm(0.0)
    # Stations that stand below the jet's face at no lift never reach it: they are compared as at no lift.
    depression = setup.carburettor.depression_pa(np.maximum(lift, 0.0))
    one, two = (fuel_flow(setup.with_needle(needle), lift, depression_pa=depression) for needle in (first, second))
    blank = np.empty(0)
    lambdas = (blank, blank) if bands is None else tuple(predict_lambda(setup, bands, needle=n) for n in (first, second))
    return Comparison(setup, first, second, shared + 1, one, two, bands, *lambdas)


def both_banks(left: Bands, right: Bands, *, names: tuple[str, str] = ("left", "right")) -> Bands:
    """Bands of two banks as one table, for one profile that serves both.

    Parameters
    ----------
    left, right : Bands
        Bands of each bank, with their lifts; loads stay what they are.
    names : tuple of str
        What the banks are called.

    Returns
    -------
    Bands
        Bands of the left bank, then of the right, each named by its bank.

    Raises
    ------
    InputError
        If the banks have one name, or lifts that belong to different parts.

    Notes
    -----
    A design for both holds one needle and one jet height; idle of each bank is then set by its own nut, after
    the air of the two has been balanced.

    Examples
    --------
    >>> from needlecalc import typed_bands
    >>> left = typed_bands([3000], [1.08], lift_mm=[11.0])
    >>> right = typed_bands([3000], [1.11], lift_mm=[11.4])
    >>> both_banks(left, right).name(1)
    '3000 rpm full right'
    """
    if len(names) != 2 or names[0] == names[1]:
        msg = f"names is {shown(names)}, but must be two; give each bank a name of its own."
        raise InputError(msg)
    if left.lift_setup is not right.lift_setup:
        msg = "The lifts of the two banks were given under different setups; give both with_lift() the same setup."
        raise InputError(msg)
    same = left.log is right.log
    return left.having(
        columns={name: np.concatenate([left.columns[name], right.columns[name]]) for name in left.columns},
        load=left.load + right.load,
        bank=(names[0],) * left.rpm.size + (names[1],) * right.rpm.size,
        lift_source=left.lift_source + right.lift_source,
        log=left.log if same else None,
        samples=left.samples + right.samples if same else (),
        dropped=[
            (reason._replace(bank=name), count)
            for name, bands in zip(names, (left, right), strict=True)
            for reason, count in bands.dropped
        ],
        remarks=left.remarks + right.remarks,
    )
