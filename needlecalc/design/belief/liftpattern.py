"""How computed lifts err alike: an error that wanders slowly from small lifts to great ones, known at a few knots."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from needlecalc.measure.lift.ways import ALIKE_OVER
from needlecalc.units import FloatArray

MOST_KNOTS = 48  # up to so many lifts each is a knot, and nothing is lost; between 48 knots some 2 % of the variance is


@dataclass(frozen=True, eq=False)
class LiftPattern:
    r"""The error computed lifts share, as one of unit variance that goes with ln(lift).

    Parameters
    ----------
    knots : array, shape (k,)
        Places in :math:`\ln(y + 1)`, rising. [-]
    root : array, shape (k, k)
        Error at each knot by independent standard normal unknowns, one a knot: lower triangle. [-]

    Notes
    -----
    The correlation of :func:`~needlecalc.measure.lift.ways.alike`, less what is each lift's own, is that of an
    Ornstein-Uhlenbeck process in :math:`\ln(y+1)`, which knows its past by its last value alone.  So each knot adds
    one fresh unknown, and between two knots only these two tell.

    References
    ----------
    .. [1] Rasmussen and Williams, *Gaussian Processes for Machine Learning*, MIT Press, 2006, appendix B and
       section 2.2 (Ornstein-Uhlenbeck process, prediction; sections from memory).
    """

    knots: FloatArray
    root: FloatArray

    @classmethod
    def through(cls, lift_mm: FloatArray) -> LiftPattern:
        """Pattern of some computed lifts.

        Parameters
        ----------
        lift_mm : array, shape (r,)
            The lifts; none for a drive whose lifts were all read. [mm]

        Returns
        -------
        LiftPattern
            With a knot at every lift, or evenly over them where they are too many.
        """
        knots = np.unique(np.log(lift_mm + 1.0))
        if knots.size > MOST_KNOTS:
            knots = np.linspace(knots[0], knots[-1], MOST_KNOTS)
        root = np.zeros((knots.size, knots.size))
        for k in range(knots.size):
            if k:
                apart = (knots[k] - knots[k - 1]) / ALIKE_OVER
                root[k] = np.exp(-apart) * root[k - 1]
                root[k, k] = np.sqrt(-np.expm1(-2.0 * apart))
            else:
                root[0, 0] = 1.0
        return cls(knots, root)

    def at(self, lift_mm: FloatArray) -> FloatArray:
        """What the knots tell of the error at any lift.

        Parameters
        ----------
        lift_mm : array, shape (r,)
            Lift. [mm]

        Returns
        -------
        array, shape (r, k)
            Error by each unknown; what the sum of squares lacks of 1 is left to the lift itself. [-]
        """
        if not self.knots.size:
            return np.zeros((lift_mm.size, 0))
        here = np.log(lift_mm + 1.0)
        after = np.searchsorted(self.knots, here, side="right")
        low, high = np.maximum(after - 1, 0), np.minimum(after, self.knots.size - 1)
        from_low, to_high, between = (
            np.abs(span) / ALIKE_OVER
            for span in (here - self.knots[low], self.knots[high] - here, self.knots[high] - self.knots[low])
        )
        whole = np.where(between > 0.0, np.sinh(between), 1.0)
        # Between two knots as kriging says; past an end, or on the last knot, that one alone.
        by_low = np.where(between > 0.0, np.sinh(to_high) / whole, np.exp(-from_low))
        by_high = np.where(between > 0.0, np.sinh(from_low) / whole, 0.0)
        return np.asarray(by_low[:, None] * self.root[low] + by_high[:, None] * self.root[high])
