"""What a measurement not yet made would do to the doubt of a design, before metal is lost."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from needlecalc.design.learn import Learned
from needlecalc.design.proposal import Design
from needlecalc.design.sure import QUARTER_FLAT, idle_band, trimmed
from needlecalc.units import FloatArray

DRAWS = 4000
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
    covariance : array, shape (k + 1, k + 1)
        Of the unknowns now, the sensor's zero last. [mixed]
    rows : array, shape (m, k + 1)
        Slopes of ln(lambda) of each band after the cut, idle trimmed by the nut. [mixed]
    remains : array, shape (m, m)
        Covariance that no measurement before the cut can lessen: the hand and the last half flat. [-]
    standard : array, shape (s, m)
        Standard normal draws, the same for every question, so that answers can be compared. [-]
    """

    design: Design
    covariance: FloatArray
    rows: FloatArray
    remains: FloatArray
    standard: FloatArray

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
        learned, target = design.learned, design.target
        doubts, size = learned.doubts, learned.mean.size
        measured, cut = design.present().diameters_mm, design.needle.diameters_mm
        touched = cut < measured
        diameters = np.where(touched, cut, learned.present_mm())
        by_unknowns, by_needle = learned.slopes(diameters, design.drop_mm)
        rows = np.zeros((by_unknowns.shape[0], size + 1))
        rows[:, :size] = by_unknowns
        # What the file leaves keeps the metal it has: what was measured less its error.
        rows[:, needle_places(learned)] -= np.where(touched, 0.0, by_needle[:, :-1])
        hand = np.where(touched, by_needle[:, :-1], 0.0) * doubts.hand_mm
        idle = idle_band(learned, target)
        rows = trimmed_rows(rows, by_needle[:, -1], idle)
        hand = trimmed_rows(hand, by_needle[:, -1], idle)
        rows[:, size] = -1.0 / design.lambda_predicted
        remains = hand @ hand.T
        if idle is not None:
            jet = learned.setup.carburettor.jet
            turn = by_needle[:, -1] * QUARTER_FLAT * jet.flat_mm / np.sqrt(3.0)
            remains = remains + np.outer(turn, turn)
        covariance = np.zeros((size + 1, size + 1))
        covariance[:size, :size] = learned.covariance
        covariance[size, size] = doubts.sensor_offset**2
        standard = np.random.default_rng(2).standard_normal((DRAWS, rows.shape[0]))
        return cls(design, covariance, rows, remains, standard)

    def after(self, rows: FloatArray, noise: FloatArray) -> FloatArray:
        """Covariance of the unknowns after a measurement.

        Parameters
        ----------
        rows : array, shape (r, k + 1)
            Slopes of each reading by the unknowns. [mixed]
        noise : array, shape (r, r)
            Covariance of the readings' own errors. [mixed]

        Returns
        -------
        array, shape (k + 1, k + 1)
            Covariance then, whatever the readings will say. [mixed]

        Notes
        -----
        Linear-Gaussian update :math:`P' = P - P H^T (H P H^T + R)^{-1} H P`.

        References
        ----------
        .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).
        """
        if not rows.shape[0]:
            return self.covariance
        with_reading = self.covariance @ rows.T
        total = rows @ with_reading + noise
        less = self.covariance - with_reading @ np.linalg.solve(total, with_reading.T)
        return np.asarray((less + less.T) / 2.0)

    def promise(self, covariance: FloatArray, risk: float) -> Promise:
        """What the design is worth under a covariance.

        Parameters
        ----------
        covariance : array, shape (k + 1, k + 1)
            Of the unknowns. [mixed]
        risk : float
            Chance of a rich band that the first stop may carry. [-]

        Returns
        -------
        Promise
            Doubt, chance and first stop, each for a design solved again with that knowledge.

        Notes
        -----
        A measurement also moves the best values, and the design is then solved again: it aims where it aims
        now, with less doubt.  So only the covariance changes here.
        """
        design = self.design
        spread = self.rows @ covariance @ self.rows.T + self.remains
        values, vectors = np.linalg.eigh(spread)
        errors = self.standard @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
        u = np.sqrt(np.maximum(np.diag(spread), 1e-16))
        aim = np.log(design.lambda_predicted)
        room = aim - np.log(design.target.lambda_rich)
        # Every band is aimed so many of its own standard uncertainties lean, as the first stop is.
        times = max(float(np.quantile((-(room + errors) / u).max(axis=1), 1.0 - risk)), 0.0)
        wish = np.log(design.learned.lambda_now()) - aim
        moved = wish > LEAST_WISH
        short = np.minimum(times * u, np.maximum(wish, 0.0))[moved].sum()
        return Promise(
            100.0 * float(np.sqrt(np.mean(u**2))),
            float(np.sum(u**2)),
            float((room + errors < 0.0).any(axis=1).mean()),
            1.0 - float(short / wish[moved].sum()) if moved.any() else float("nan"),
        )

    def reading_rows(self, drop_mm: float) -> tuple[FloatArray, FloatArray]:
        """Slopes of a lambda reading on the needle now fitted, the jet anywhere, and lambda expected there.

        Parameters
        ----------
        drop_mm : float
            Jet drop. [mm]

        Returns
        -------
        array, shape (m, k + 1)
            Slopes of ln(lambda). [mixed]
        array, shape (m,)
            Lambda. [-]
        """
        learned = self.design.learned
        present = learned.present_mm()
        by_unknowns, by_needle = learned.slopes(present, drop_mm)
        rows = np.zeros((by_unknowns.shape[0], self.covariance.shape[0]))
        rows[:, :-1] = by_unknowns
        rows[:, needle_places(learned)] -= by_needle[:, :-1]
        return rows, np.exp(learned.log_lambda(learned.mean, present, drop_mm))


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
