"""Two carburettors on one engine: bands of both banks, and whether two filed needles match."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.design.forward.predict import compare
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.measure.drive.bands import Bands
from needlecalc.parts.needle import Needle
from needlecalc.parts.setup import Setup
from needlecalc.show import Column, Row, Shown, Table
from needlecalc.units import FloatArray

MATCHED_WITHIN_UM = 10.0  # common practice, no source


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


@dataclass(frozen=True, repr=False, eq=False)
class PairCheck(Shown):
    """Whether two filed needles are a matched pair.

    Parameters
    ----------
    first, second : Needle
        The needles as measured after filing.
    tolerance_um : float
        Greatest difference allowed at any station. [um]
    thicker_um : array, shape (n,)
        How much thicker the second is at each station. [um]
    lambda_percent : array, shape (n,)
        How much leaner the second runs with that station at the jet's face; NaN without a setup. [%]
    """

    first: Needle
    second: Needle
    tolerance_um: float
    thicker_um: FloatArray
    lambda_percent: FloatArray

    def __repr__(self) -> str:
        return f"Pair: {self.verdict()}"

    def within(self) -> NDArray[np.bool_]:
        """Stations that match."""
        return np.asarray(np.abs(self.thicker_um) <= self.tolerance_um + 1e-6)

    @property
    def matched(self) -> bool:
        """Whether every station matches."""
        return bool(self.within().all())

    def verdict(self) -> str:
        """What the check comes to."""
        worst = int(np.argmax(np.abs(self.thicker_um)))
        most = f"{abs(self.thicker_um[worst]):.1f} um at station {worst + 1}"
        if self.matched:
            return f"matched, they differ by {most} at most, within {self.tolerance_um:g} um."
        thicker = self.second if self.thicker_um[worst] > 0.0 else self.first
        return (
            f"not matched, they differ by {most}, more than {self.tolerance_um:g} um; take that off {thicker.name}, the "
            "thicker there, and measure both again with one instrument."
        )

    def table(self) -> Table:
        """Stations of both needles, to be shown."""
        columns = (
            Column("station", "station", "d"),
            Column("first_mm", f"{self.first.name} mm", ".4f"),
            Column("second_mm", f"{self.second.name} mm", ".4f"),
            Column("thicker_um", "second thicker um", "+.1f"),
            Column("lambda_percent", "lambda %", "+.1f"),
            Column("within", "matched"),
        )
        within = self.within()
        rows: list[Row] = [
            {
                "station": k + 1,
                "first_mm": float(self.first.diameters_mm[k]),
                "second_mm": float(self.second.diameters_mm[k]),
                "thicker_um": float(self.thicker_um[k]),
                "lambda_percent": float(self.lambda_percent[k]),
                "within": bool(within[k]),
            }
            for k in range(within.size)
        ]
        return Table(repr(self), columns, rows)


def pair_check(
    first: Needle, second: Needle, *, tolerance_um: float = MATCHED_WITHIN_UM, setup: Setup | None = None
) -> PairCheck:
    """Check of two needles that must be alike, after filing.

    Parameters
    ----------
    first, second : Needle
        The needles as measured, at the same stations.
    tolerance_um : float
        Greatest difference allowed at any station. [um]
    setup : Setup or None
        Carburettor they work in, for what each difference does to lambda.

    Returns
    -------
    PairCheck
        The verdict and the figures of each station.

    Raises
    ------
    InputError
        If the needles were measured at different stations.

    Examples
    --------
    >>> one = Needle("left", [0, 3, 6], [2.40, 2.30, 2.20])
    >>> pair_check(one, Needle("right", [0, 3, 6], [2.40, 2.305, 2.20]))
    Pair: matched, they differ by 5.0 um at station 2 at most, within 10 um.
    """
    check_range(tolerance_um, "tolerance_um", 0.1, 100.0, cure="It is on diameter, in um.")
    same = first.stations_mm.shape == second.stations_mm.shape
    if not same or not np.allclose(first.stations_mm, second.stations_mm, atol=1e-3):
        msg = (
            f"Needles {first.name} and {second.name} were measured at different stations; measure both at the same "
            "distances from the shoulder."
        )
        raise InputError(msg)
    percent = np.full(first.stations_mm.size, np.nan)
    if setup is not None:
        percent = np.array([row["lambda_change_percent"] for row in compare(setup, first, second).rows()])
    thicker = 1e3 * (second.diameters_mm - first.diameters_mm)
    return PairCheck(first, second, float(tolerance_um), thicker, percent)
