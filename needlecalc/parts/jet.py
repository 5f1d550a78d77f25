"""The jet: bore, bore length, how far it stands below the bridge."""

from __future__ import annotations

from dataclasses import dataclass

from needlecalc.arrays import check_range
from needlecalc.echo import shown
from needlecalc.errors import InputError
from needlecalc.show import Shown

MOUNTINGS = ("centred", "biased")


@dataclass(frozen=True, repr=False)
class Jet(Shown):
    """The jet a needle works in.

    Parameters
    ----------
    bore_mm : float
        Bore. [mm]
    drop_mm : float
        Depth of the jet's face below the bridge. [mm]
    parallel_length_mm : float
        Length of the parallel bore; rarely known, measure it on a spare jet. [mm]
    parallel_length_u_mm : float
        Standard uncertainty of that length. [mm]
    drop_min_mm, drop_max_mm : float or None
        Range the jet nut can reach; both None keeps the jet where it is. [mm]
    flat_mm : float
        Travel for one flat, a sixth of a turn, of the jet nut; count your own thread. [mm]
    step_flats : float
        Least turn by which idle is trimmed; one flat where the nut's spring holds at flats only. [flats]
    mounting : str
        "centred" needle, or "biased" needle sprung against the bore.
    bore_least_mm : float or None
        Least bore of a jet worn oval, ``bore_mm`` being the greatest; None for a round jet. [mm]

    Raises
    ------
    InputError
        If a length is impossible or the mounting unknown.

    Examples
    --------
    >>> Jet(bore_mm=2.54, drop_mm=1.6)
    Jet 2.54 mm, face 1.60 mm below the bridge, centred needle
    """

    bore_mm: float
    drop_mm: float
    parallel_length_mm: float = 4.0
    parallel_length_u_mm: float = 1.0
    drop_min_mm: float | None = None
    drop_max_mm: float | None = None
    flat_mm: float = 0.163
    step_flats: float = 0.5
    mounting: str = "centred"
    bore_least_mm: float | None = None

    def __post_init__(self) -> None:
        inches = "It looks like inches; 0.100 in is 2.54 mm." if self.bore_mm < 0.5 else "Check the unit."
        check_range(self.bore_mm, "bore_mm", 1.0, 6.0, cure=inches)
        check_range(self.drop_mm, "drop_mm", -2.0, 12.0, cure="Measure from the bridge down to the jet's face.")
        check_range(self.parallel_length_mm, "parallel_length_mm", 0.2, 15.0, cure="Measure the parallel bore.")
        check_range(self.parallel_length_u_mm, "parallel_length_u_mm", 0.0, 5.0, cure="State one sigma.")
        check_range(self.flat_mm, "flat_mm", 0.02, 0.6, cure="It is a sixth of the nut's thread pitch.")
        check_range(self.step_flats, "step_flats", 0.0, 6.0, cure="Half a flat is usual; 6 flats are a whole turn.")
        if (self.drop_min_mm is None) != (self.drop_max_mm is None):
            msg = "drop_min_mm and drop_max_mm go together; give both ends of the jet's travel, or neither."
            raise InputError(msg)
        for name in ("drop_min_mm", "drop_max_mm"):
            if (end := getattr(self, name)) is not None:
                check_range(end, name, -2.0, 12.0, cure="Measure from the bridge down to the jet's face.")
        low, high = self.drop_range_mm()
        if not low <= self.drop_mm <= high:
            msg = f"drop_mm is {self.drop_mm:g}, but the nut's range is {low:g} to {high:g} mm; check the three."
            raise InputError(msg)
        if self.mounting not in MOUNTINGS:
            msg = f"mounting is {shown(self.mounting)}, but must be 'centred' or 'biased'; see how the needle is held."
            raise InputError(msg)
        if self.bore_least_mm is not None:
            cure = "bore_mm is the greatest bore, bore_least_mm the least, measured square to it."
            check_range(self.bore_least_mm, "bore_least_mm", 0.8 * self.bore_mm, self.bore_mm, cure=cure)

    def __repr__(self) -> str:
        oval = "" if self.bore_least_mm is None else f" worn oval ({self.bore_least_mm:g} mm the other way)"
        return f"Jet {self.bore_mm:g} mm{oval}, face {self.drop_mm:.2f} mm below the bridge, {self.mounting} needle"

    def least_bore_mm(self) -> float:
        """Least bore, which a needle must pass: ``bore_mm`` for a round jet."""
        return self.bore_mm if self.bore_least_mm is None else self.bore_least_mm

    def drop_range_mm(self) -> tuple[float, float]:
        """Least and greatest drop the nut can give; both the present one where no range was stated."""
        if self.drop_min_mm is None or self.drop_max_mm is None:
            return self.drop_mm, self.drop_mm
        return self.drop_min_mm, self.drop_max_mm

    def farthest_off_mm(self) -> float:
        """How far from the right place the nut may have to stay: half its least turn."""
        return self.step_flats * self.flat_mm / 2.0

    def eccentricity(self) -> float:
        """Offset of the needle over the gap: 0 for a centred needle, 1 for one that touches."""
        return 1.0 if self.mounting == "biased" else 0.0
