"""Least squares with a few unknowns of the whole car and two a band: each band is solved by itself, then the car."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from needlecalc.design.belief.arrowhead import Arrowhead, triangle_of
from needlecalc.units import FloatArray


@dataclass(frozen=True, eq=False)
class BandSquares:
    r"""A linear least-squares problem, turned so that each band's own unknowns stand in two rows and no other.

    Parameters
    ----------
    triangle : array, shape (s + 1, s + 1)
        What is left for the car's unknowns: upper triangle, misses in the last column.
    own : array, shape (m, 2, 2)
        Rows of each band by its own unknowns, an upper triangle.
    car : array, shape (m, 2, s)
        The same rows by the car's.
    missed : array, shape (m, 2)
        Their misses.

    Notes
    -----
    Orthogonal all through: normal equations would square the span from certain to wide open.

    References
    ----------
    .. [1] Golub, Plemmons and Sameh, "Parallel block schemes for large-scale least-squares computations", in
       *High-Speed Computing*, University of Illinois Press, 1988 (block-angular problems; from memory).
    """

    triangle: FloatArray
    own: FloatArray
    car: FloatArray
    missed: FloatArray

    @classmethod
    def begun(cls, rows: FloatArray, misses: FloatArray, bands: int) -> BandSquares:
        """The problem before any band has spoken.

        Parameters
        ----------
        rows : array, shape (q, s)
            Rows that heed the car alone, q of s or more: its priors.
        misses : array, shape (q,)
            Their misses.
        bands : int
            Number of bands to come.

        Returns
        -------
        BandSquares
            To be given every band by :meth:`add`.
        """
        size = rows.shape[1]
        blank = np.empty((bands, 2, 2)), np.empty((bands, 2, size)), np.empty((bands, 2))
        triangle = np.zeros((size + 1, size + 1))
        first = triangle_of(np.column_stack([rows, misses]))
        triangle[: first.shape[0]] = first
        return cls(triangle, *blank)

    def add(self, part: slice, own: FloatArray, car: FloatArray, misses: FloatArray) -> None:
        """Let some bands speak.

        Parameters
        ----------
        part : slice
            Which bands.
        own : array, shape (c, q, 2)
            Rows of each by its own unknowns, its priors among them.
        car : array, shape (c, q, s)
            The same rows by the car's.
        misses : array, shape (c, q)
            Their misses.
        """
        q, r = np.linalg.qr(own, mode="complete")
        turned = np.swapaxes(q, 1, 2) @ np.concatenate([car, misses[:, :, None]], axis=2)
        self.own[part] = r[:, :2]
        self.car[part], self.missed[part] = turned[:, :2, :-1], turned[:, :2, -1]
        left = turned[:, 2:].reshape(-1, turned.shape[2])
        self.triangle[:] = triangle_of(np.vstack([self.triangle, left]))

    def step(self, free: NDArray[np.bool_]) -> tuple[FloatArray, FloatArray]:
        """Change of every unknown that makes the sum of squares least.

        Parameters
        ----------
        free : array of bool, shape (s,)
            Unknowns of the car that may change.

        Returns
        -------
        array, shape (s,)
            Of the car's.
        array, shape (m, 2)
            Of each band's own.
        """
        size = free.size
        # The priors stand in the rows, so their columns are never alike.
        q, r = np.linalg.qr(self.triangle[:, :size][:, free])
        car = np.zeros(size)
        car[free] = solve_triangular(r, q.T @ -self.triangle[:, size])
        return car, -_solved(self.own, (self.missed + self.car @ car)[:, :, None])[:, :, 0]

    def belief(self, car_scale: FloatArray, own_scale: FloatArray) -> Arrowhead:
        """Distribution of the unknowns, the rows being residuals over their doubts.

        Parameters
        ----------
        car_scale : array, shape (s,)
            What one of each of the car's unknowns stands for. [mixed]
        own_scale : array, shape (2,)
            The same of a band's own. [mixed]

        Returns
        -------
        Arrowhead
            In the units of the scales.
        """
        size = car_scale.size
        root = car_scale[:, None] * solve_triangular(self.triangle[:size, :size], np.eye(size))
        follow = -_solved(self.own, self.car) * own_scale[:, None] / car_scale
        own_root = _solved(self.own, np.broadcast_to(np.eye(2), self.own.shape)) * own_scale[:, None]
        return Arrowhead(root, follow, own_root)


def _solved(triangle: FloatArray, right: FloatArray) -> FloatArray:
    """Solution of an upper triangle of two for each band, shapes (m, 2, 2) and (m, 2, k)."""
    second = right[:, 1] / triangle[:, 1, 1, None]
    first = (right[:, 0] - triangle[:, 0, 1, None] * second) / triangle[:, 0, 0, None]
    return np.stack([first, second], axis=1)
