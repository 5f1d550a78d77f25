"""The normal distribution: of one quantity, and of many unknowns together."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.linalg import solve_triangular

from needlecalc.units import FloatArray

NINETY = 1.645  # standard uncertainties to either side that hold 90 %; on one side, 95 %


@dataclass(frozen=True, eq=False)
class Gaussian:
    """Joint normal distribution of some unknowns: best values, and any root of their covariance.

    Parameters
    ----------
    mean : array, shape (k,)
        Best value of each unknown. [mixed]
    root : array, shape (k, q)
        The covariance is ``root @ root.T``. [mixed]

    Examples
    --------
    >>> known = Gaussian(np.zeros(2), np.array([[2.0, 0.0], [1.5, 2.0]]))
    >>> print(known.u(), known.u_of(np.array([[1.0, -1.0]])))
    [2.  2.5] [2.0616]
    >>> print(known.after(np.array([[0.0, 1.0]]), np.array([0.01])).u().round(4))
    [1.6  0.01]
    """

    mean: FloatArray
    root: FloatArray

    def u(self) -> FloatArray:
        """Standard uncertainty of each unknown."""
        return np.asarray(np.linalg.norm(self.root, axis=1))

    def u_of(self, slopes: FloatArray) -> FloatArray:
        """Standard uncertainty of quantities with these slopes by the unknowns, shape (r, k)."""
        return np.asarray(np.linalg.norm(slopes @ self.root, axis=1))

    def of(self, slopes: FloatArray) -> Gaussian:
        """Errors of quantities with these slopes, shape (r, k): the root is lower, so like covariances draw alike."""
        return Gaussian(np.zeros(slopes.shape[0]), triangle_of((slopes @ self.root).T).T)

    def covariance(self) -> FloatArray:
        """Covariance of the unknowns, shape (k, k)."""
        return np.asarray(self.root @ self.root.T)

    def at(self, normal: FloatArray) -> FloatArray:
        """Values of the unknowns for standard normal draws, shape (count, q)."""
        return np.asarray(self.mean + normal @ self.root.T)

    def joined(self, u: FloatArray) -> Gaussian:
        """The same with more unknowns at the end, about zero and independent of all others."""
        root = np.zeros((self.root.shape[0] + u.size, self.root.shape[1] + u.size))
        root[: self.root.shape[0], : self.root.shape[1]] = self.root
        root[self.root.shape[0] :, self.root.shape[1] :] = np.diag(u)
        return Gaussian(np.append(self.mean, np.zeros(u.size)), root)

    def after(self, slopes: FloatArray, noise_u: FloatArray, seen: FloatArray | None = None) -> Gaussian:
        """The distribution once quantities with these slopes are read, errors independent; ``seen`` moves the best values.

        P' = P - P H^T (H P H^T + R)^-1 H P (Tarantola, Inverse Problem Theory, SIAM, 2005, section 3.2, from memory),
        on the root.
        """
        size = self.root.shape[1]
        away = np.zeros(noise_u.size) if seen is None else (seen - slopes @ self.mean) / noise_u
        rows = np.column_stack([(slopes @ self.root) / noise_u[:, None], away])
        triangle = triangle_of(np.vstack([np.eye(size, size + 1), rows]))
        square, moved = triangle[:size, :size], triangle[:size, size]
        root = solve_triangular(square.T, self.root.T, lower=True).T
        return Gaussian(self.mean + self.root @ solve_triangular(square, moved), root)


def triangle_of(rows: FloatArray) -> FloatArray:
    """Upper triangle of a QR factorisation: rows as few as the unknowns that say the same.

    Its diagonal is made positive, as rounding alone settles the signs: another processor then draws the same cars.
    """
    triangle = np.linalg.qr(rows, mode="r")
    return np.asarray(triangle * np.where(np.diag(triangle) < 0.0, -1.0, 1.0)[:, None])


def log_u(share: float) -> float:
    """Standard uncertainty of the logarithm of a positive quantity (log-normal) that errs by a share."""
    return float(np.sqrt(np.log1p(share**2)))


def offset_squared_u(offset: float, u: float) -> float:
    """Standard uncertainty of the square of an offset.

    About the middle the square is taken as normal, cut off at zero, of the mean that a normal offset's square has.
    """
    return float(np.hypot(2.0 * offset * u, np.sqrt(2.0 * np.pi) * u**2))


def offset_of(squared: float, squared_u: float) -> tuple[float, float]:
    """Offset and its standard uncertainty, from those of its square: the way back of ``offset_squared_u``."""
    offset, b = np.sqrt(max(squared, 0.0)), 2.0 * max(squared, 0.0)
    return float(offset), float(np.sqrt((np.sqrt(b**2 + 2.0 * np.pi * squared_u**2) - b) / (2.0 * np.pi)))
