"""What a file and a needle allow: the limits of a design as linear inequalities."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.arrays import check_range
from needlecalc.parts.setup import Setup
from needlecalc.units import FloatArray


@dataclass(frozen=True)
class Limits:
    """Limits of a design.

    Parameters
    ----------
    new_blank : bool
        False when filing the present needle, which only takes metal off; True for a new needle.
    max_cut_mm : float
        Most metal to take off any diameter. [mm]
    least_diameter_mm : float
        Least diameter left anywhere. [mm]
    least_gap_mm : float
        Least gap per side left anywhere, for a new blank. [mm]
    steepest : float
        Steepest taper, diameter per length, unless the present one is steeper. [mm/mm]
    """

    new_blank: bool = False
    max_cut_mm: float = 0.30
    least_diameter_mm: float = 0.6
    least_gap_mm: float = 0.025
    steepest: float = 0.06

    def __post_init__(self) -> None:
        check_range(self.max_cut_mm, "max_cut_mm", 0.0, 2.0, cure="It is on diameter, in mm.")
        check_range(self.least_diameter_mm, "least_diameter_mm", 0.2, 4.0, cure="It is in mm.")
        check_range(self.least_gap_mm, "least_gap_mm", 0.005, 0.5, cure="It is per side, in mm.")
        check_range(self.steepest, "steepest", 0.005, 0.2, cure="It is mm of diameter per mm of length.")

    def inequalities(
        self, setup: Setup, free: NDArray[np.bool_], drop_low_mm: float, drop_high_mm: float
    ) -> tuple[FloatArray, FloatArray, tuple[str, ...]]:
        """Rows of G x >= h for x = removal at every free station, then jet drop; with their names.

        Parameters
        ----------
        setup : Setup
            Needle and jet.
        free : array of bool, shape (n,)
            Stations that may change.
        drop_low_mm, drop_high_mm : float
            Range of the change of jet drop. [mm]

        Returns
        -------
        array, shape (k, free + 1)
            G. [-]
        array, shape (k,)
            h. [mm]
        tuple of str
            What each row is called on the sheet.
        """
        needle = setup.carburettor.needle
        diameters, gaps = needle.diameters_mm, np.diff(needle.stations_mm)
        count = diameters.size
        rows: list[FloatArray] = []
        least: list[float] = []
        names: list[str] = []

        def add(weights: dict[int, float], bound: float, name: str) -> None:
            row = np.zeros(count + 1)
            for index, weight in weights.items():
                row[index] = weight
            if row[:-1][free].any() or row[-1]:
                rows.append(row)
                least.append(bound)
                names.append(name)

        thickest = setup.carburettor.jet.least_bore_mm() - 2.0 * self.least_gap_mm
        for k in np.flatnonzero(free).tolist():
            add({k: 1.0}, min(diameters[k] - thickest, 0.0) if self.new_blank else 0.0, f"no metal to add at {k + 1}")
            room = max(min(self.max_cut_mm, diameters[k] - self.least_diameter_mm), 0.0)
            add({k: -1.0}, -room, f"largest cut or least diameter at {k + 1}")
        for k in range(count - 1):
            fall = float(diameters[k] - diameters[k + 1])
            add({k: -1.0, k + 1: 1.0}, -fall, f"taper not reversed {k + 1} to {k + 2}")
            steep = max(self.steepest * gaps[k], fall)
            add({k: 1.0, k + 1: -1.0}, fall - steep, f"steepest taper {k + 1} to {k + 2}")
        add({count: 1.0}, drop_low_mm, "jet at its highest")
        add({count: -1.0}, -drop_high_mm, "jet at its lowest")
        columns = np.append(free, True)
        return np.array(rows)[:, columns], np.array(least), tuple(names)
