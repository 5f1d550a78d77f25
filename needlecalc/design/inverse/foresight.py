"""What a measurement not yet made would do to the doubt of a design, before metal is lost."""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.belief.arrowhead import Arrowhead, BandRows, Spread
from needlecalc.design.belief.learned import Learned
from needlecalc.design.inverse.proposal import Design
from needlecalc.design.inverse.sure import idle_band, trimmed
from needlecalc.units import FloatArray

DRAWS, LEAST_DRAWS = 4000, 400
ERRORS_DRAWN = 4_000_000  # of all bands together: with thousands of them fewer draws must do
LEAST_WISH = 1e-3  # of ln lambda: a band the cut hardly moves has no first stop of its own


@dataclass(frozen=True)
class Promise:
    """What a design would be worth under some knowledge of the car.

    Parameters
    ----------
    lambda_u_percent : float
        Doubt of lambda after the whole cut, root mean square over the bands. [%]
    variance_sum : float
        Sum over the bands of the variance of ln(lambda). [-]
    chance_rich : float
        Chance that some band ends richer than permitted if all is cut at once. [-]
    first_stop_share : float
        How much of the way to its target the first stop may go, over the bands cut; NaN without a cut. [-]
    """

    lambda_u_percent: float
    variance_sum: float
    chance_rich: float
    first_stop_share: float


@dataclass(frozen=True, eq=False)
class Foresight:
    """Linear picture of ln(lambda) after the cut planned, by every unknown and the sensor's zero.

    Parameters
    ----------
    design : Design
        The design.
    belief : Arrowhead
        Of the unknowns now; the car's go on with the sensor's zero and, where the nut trims idle, with level and lift
        of that band.
    rows : BandRows
        Slopes of ln(lambda) of each band after the cut, idle trimmed by the nut.
    remains : array, shape (m, q)
        Errors that no measurement before the cut can lessen, by cause: the hand at each station, and the last step
        of the nut. [-]
    idle : int or None
        Band that is trimmed.
    """

    design: Design
    belief: Arrowhead
    rows: BandRows
    remains: FloatArray
    idle: int | None

    @classmethod
    def of(cls, design: Design) -> Foresight:
        """Picture of a design.

        Parameters
        ----------
        design : Design
            The design.

        Returns
        -------
        Foresight
            Ready to be asked.
        """
        learned, doubts = design.learned, design.learned.doubts
        measured, cut = design.present().diameters_mm, design.needle.diameters_mm
        touched = cut < measured
        diameters = np.where(touched, cut, learned.present_mm())
        rows, by_needle = learned.slopes(diameters, design.drop_mm)
        # What the file leaves keeps the metal it has: what was measured less its error.
        rows.by_car[:, needle_places(learned)] -= np.where(touched, 0.0, by_needle[:, :-1])
        hand = np.where(touched, by_needle[:, :-1], 0.0) * doubts.hand_mm
        idle = idle_band(learned, design.target)
        by_drop, zero = by_needle[:, -1], learned.place.car().stop
        belief, rows = learned.belief.widened(doubts.sensor_offset), rows.widened(np.zeros(hand.shape[0]))
        belief, rows = trimmed_picture(belief, rows, by_drop, idle)
        rows.by_car[:, zero] = -1.0 / design.lambda_predicted
        remains = np.hstack([trimmed_rows(hand, by_drop, idle), last_step(learned, by_drop, idle)])
        return cls(design, belief, rows, remains, idle)

    def extended(self, rows: BandRows) -> BandRows:
        """Rows by the unknowns of the car alone, as rows by those of this picture.

        Parameters
        ----------
        rows : BandRows
            A row for every band.

        Returns
        -------
        BandRows
            The same, which do not heed the sensor's zero.
        """
        rows = rows.widened(np.zeros(rows.by_own.shape[0]))
        return rows if self.idle is None else rows.promoted(self.idle)

    def of_the_car(self, place: int) -> tuple[NDArray[np.intp], BandRows]:
        """A reading of one unknown of the car itself.

        Parameters
        ----------
        place : int
            Which.

        Returns
        -------
        array of int, shape (1,)
            A band it is counted with, though it heeds none.
        BandRows
            The one row.
        """
        row = np.zeros((1, self.belief.root.shape[0]))
        row[0, place] = 1.0
        return np.zeros(1, dtype=np.intp), BandRows(row, np.zeros((1, 2)))

    def spread(self, belief: Arrowhead) -> Spread:
        """Errors of ln(lambda) after the cut.

        Parameters
        ----------
        belief : Arrowhead
            Of the unknowns, now or after a measurement.

        Returns
        -------
        Spread
            What the unknowns bring, and what remains anyway.
        """
        return spread_of(belief, self.rows, self.remains)

    def widened(self, u: float) -> Foresight:
        """The same picture with one more unknown of the car, which lambda does not heed.

        Parameters
        ----------
        u : float
            Its standard uncertainty. [any]

        Returns
        -------
        Foresight
            With it at the end.
        """
        rows = self.rows.widened(np.zeros(self.rows.by_own.shape[0]))
        return replace(self, belief=self.belief.widened(u), rows=rows)

    def gains(self, belief: Arrowhead, reads: BandRows, noise_u: float) -> FloatArray:
        """How much one reading at each band alone would take off :meth:`variance_sum`.

        Parameters
        ----------
        belief : Arrowhead
            Of the unknowns.
        reads : BandRows
            Slopes of a reading at each band.
        noise_u : float
            Standard error of any. [as the readings]

        Returns
        -------
        array, shape (m,)
            Gain. [-]
        """
        errors, told = (belief.by_car(rows) @ belief.root for rows in (self.rows, reads))
        own = belief.by_own(reads)
        # A reading tells of its own band more than of the others.
        here = (belief.by_own(self.rows) * own).sum(axis=1)
        of_all = ((told @ (errors.T @ errors)) * told).sum(axis=1) + 2.0 * here * (errors * told).sum(axis=1) + here**2
        return np.asarray(of_all / ((told**2).sum(axis=1) + (own**2).sum(axis=1) + noise_u**2))

    def variance_sum(self, belief: Arrowhead) -> float:
        """Sum over the bands of the variance of ln(lambda) after the cut.

        Parameters
        ----------
        belief : Arrowhead
            Of the unknowns.

        Returns
        -------
        float
            The sum. [-]
        """
        return float((self.spread(belief).u() ** 2).sum())

    def promise(self, belief: Arrowhead, risk: float) -> Promise:
        """What the design is worth under some knowledge of the car.

        Parameters
        ----------
        belief : Arrowhead
            Of the unknowns.
        risk : float
            Chance of a rich band that the first stop may carry. [-]

        Returns
        -------
        Promise
            Doubt, chance and first stop, each for a design solved again with that knowledge.

        Notes
        -----
        A measurement also moves the best values, and the design is then solved again: it aims where it aims
        now, with less doubt.  So only the spread changes here.  The draws are the same for every question, so that
        answers can be compared.
        """
        design = self.design
        spread = self.spread(belief)
        u = np.maximum(spread.u(), 1e-8)
        aim = np.log(design.lambda_predicted)
        room = aim - np.log(design.target.lambda_rich)
        draws = draws_for(u.size)
        rich, lean = np.zeros(draws, dtype=bool), np.full(draws, -np.inf)
        for part, errors in spread.drawn(draws, seed=2):
            over = room[part, None] + errors
            rich |= (over < 0.0).any(axis=0)
            lean = np.maximum(lean, (-over / u[part, None]).max(axis=0))
        # Every band is aimed so many of its own standard uncertainties lean, as the first stop is.
        times = max(float(np.quantile(lean, 1.0 - risk)), 0.0)
        wish = np.log(design.learned.lambda_now()) - aim
        moved = wish > LEAST_WISH
        short = np.minimum(times * u, np.maximum(wish, 0.0))[moved].sum()
        return Promise(
            100.0 * float(np.sqrt(np.mean(u**2))),
            float(np.sum(u**2)),
            float(rich.mean()),
            1.0 - float(short / wish[moved].sum()) if moved.any() else float("nan"),
        )

    def reading_rows(self, drop_mm: float) -> tuple[BandRows, FloatArray]:
        """Slopes of a lambda reading on the needle now fitted, the jet anywhere, and lambda expected there.

        Parameters
        ----------
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        BandRows
            Slopes of ln(lambda) by the unknowns.
        array, shape (m,)
            Lambda. [-]
        """
        learned = self.design.learned
        present = learned.present_mm()
        rows, by_needle = learned.slopes(present, drop_mm)
        rows.by_car[:, needle_places(learned)] -= by_needle[:, :-1]
        return self.extended(rows), np.exp(learned.log_lambda(learned.mean, present, drop_mm))


def draws_for(bands: int) -> int:
    """How many draws count a chance, by the number of bands.

    Parameters
    ----------
    bands : int
        Bands.

    Returns
    -------
    int
        4000 up to a thousand bands, then as many errors in all, but never fewer than 400.
    """
    return min(DRAWS, max(LEAST_DRAWS, ERRORS_DRAWN // bands))


def needle_places(learned: Learned) -> slice:
    """Where the errors of the needle now fitted stand among the unknowns.

    Parameters
    ----------
    learned : Learned
        The car.

    Returns
    -------
    slice
        Places.
    """
    return learned.place.needle(int(learned.history.needle_of_pass()[-1]))


def trimmed_rows(rows: FloatArray, by_drop: FloatArray, idle: int | None) -> FloatArray:
    """Slopes by anything, with the jet turned so that idle stays.

    Parameters
    ----------
    rows : array, shape (m, k)
        Slopes of ln(lambda). [mixed]
    by_drop : array, shape (m,)
        Slopes by the jet drop. [1/mm]
    idle : int or None
        Band that is trimmed.

    Returns
    -------
    array, shape (m, k)
        Slopes after the nut has put idle back. [mixed]
    """
    return trimmed(np.column_stack([rows, by_drop]), idle)[:, :-1]


def trimmed_picture(belief: Arrowhead, rows: BandRows, by_drop: FloatArray, idle: int | None) -> tuple[Arrowhead, BandRows]:
    """Distribution and slopes with the jet turned so that idle stays, which lets every band heed that of idle.

    Parameters
    ----------
    belief : Arrowhead
        Of the unknowns.
    rows : BandRows
        Slopes of ln(lambda) of each band.
    by_drop : array, shape (m,)
        Slopes by the jet drop. [1/mm]
    idle : int or None
        Band that is trimmed.

    Returns
    -------
    Arrowhead
        With level and lift of idle among the unknowns of the car.
    BandRows
        Slopes after the nut has put idle back.
    """
    if idle is None:
        return belief, rows
    rows = rows.promoted(idle)
    return belief.promoted(idle), BandRows(trimmed_rows(rows.by_car, by_drop, idle), rows.by_own)


def last_step(learned: Learned, by_drop: FloatArray, idle: int | None) -> FloatArray:
    """Error of ln(lambda) that remains as the nut turns by steps.

    Parameters
    ----------
    learned : Learned
        The car.
    by_drop : array, shape (m,)
        Slopes by the jet drop. [1/mm]
    idle : int or None
        Band that is trimmed.

    Returns
    -------
    array, shape (m, 1) or (m, 0)
        One standard uncertainty; nothing where no band is trimmed. [-]
    """
    if idle is None:
        return np.zeros((by_drop.size, 0))
    return np.asarray(by_drop[:, None] * (learned.setup.carburettor.jet.farthest_off_mm() / np.sqrt(3.0)))


def spread_of(belief: Arrowhead, rows: BandRows, causes: FloatArray) -> Spread:
    """Errors of one quantity a band, by what is believed and by causes beside it.

    Parameters
    ----------
    belief : Arrowhead
        Of the unknowns.
    rows : BandRows
        Slopes of the quantity.
    causes : array, shape (m, q)
        Error of each band for one standard uncertainty of each cause. [any]

    Returns
    -------
    Spread
        Of all together.
    """
    by_cause = np.hstack([causes, belief.by_car(rows) @ belief.root])
    return Spread(by_cause, np.linalg.norm(belief.by_own(rows), axis=1))


def on_table(learned: Learned, drop_mm: float) -> NDArray[np.bool_]:
    """Bands that stand on the needle's table with the jet anywhere.

    Parameters
    ----------
    learned : Learned
        The car.
    drop_mm : float
        Jet drop. [mm]

    Returns
    -------
    array of bool, shape (m,)
        True where the place lies between first and last station.
    """
    stations = learned.setup.carburettor.needle.stations_mm
    place = learned.setup.carburettor.position_mm(learned.lift_mm(), drop_mm)
    return np.asarray((place >= stations[0]) & (place <= stations[-1]))
