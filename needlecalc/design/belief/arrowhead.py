"""A joint normal distribution of what belongs to the whole car and of two unknowns a band, at a cost linear in the bands.

Given the car's unknowns, bands know nothing of each other.  So it is enough to hold how well the car is known, how
each band's two unknowns follow the car's, and what doubt of their own they keep; the matrix of information has the
shape of an arrowhead.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.linalg import solve_triangular

from needlecalc.units import FloatArray

AT_ONCE = 500  # bands worked on together: memory does not grow with their number


def parts(count: int) -> Iterator[slice]:
    """Bands cut into stretches that are worked on one after the other.

    Parameters
    ----------
    count : int
        Bands.

    Yields
    ------
    slice
        Some of them, in order.
    """
    for start in range(0, count, AT_ONCE):
        yield slice(start, min(start + AT_ONCE, count))


@dataclass(frozen=True, eq=False)
class BandRows:
    """Slopes of one quantity a band, which no other band's own unknowns move.

    Parameters
    ----------
    by_car : array, shape (m, s)
        By the unknowns of the whole car. [mixed]
    by_own : array, shape (m, 2)
        By the two of the band itself. [mixed]
    """

    by_car: FloatArray
    by_own: FloatArray

    def __add__(self, other: BandRows) -> BandRows:
        return BandRows(self.by_car + other.by_car, self.by_own + other.by_own)

    def only(self, band: NDArray[np.intp]) -> BandRows:
        """Rows of some bands.

        Parameters
        ----------
        band : array of int, shape (r,)
            Which.

        Returns
        -------
        BandRows
            One a band named.
        """
        return BandRows(self.by_car[band], self.by_own[band])

    def promoted(self, band: int) -> BandRows:
        """The same rows where one band's own unknowns count as the car's, see :meth:`Arrowhead.promoted`.

        Parameters
        ----------
        band : int
            The band.

        Returns
        -------
        BandRows
            Two columns more by the car, and none of that band's own.
        """
        more, own = np.zeros((self.by_own.shape[0], 2)), self.by_own.copy()
        more[band], own[band] = own[band], 0.0
        return BandRows(np.hstack([self.by_car, more]), own)

    def widened(self, by_new: FloatArray) -> BandRows:
        """The same rows with one more unknown of the car, see :meth:`Arrowhead.widened`.

        Parameters
        ----------
        by_new : array, shape (m,)
            Slopes by it. [mixed]

        Returns
        -------
        BandRows
            One column more by the car.
        """
        return BandRows(np.column_stack([self.by_car, by_new]), self.by_own)


@dataclass(frozen=True, eq=False)
class Arrowhead:
    """How well the car is known, and each band beside it; means are kept elsewhere.

    Parameters
    ----------
    root : array, shape (s, s)
        Any root of the covariance of the car's unknowns. [mixed]
    follow : array, shape (m, 2, s)
        How far each band's own two are off for each of the car's being off. [mixed]
    own_root : array, shape (m, 2, 2)
        Root of the covariance each band's own two keep when the car is known. [mixed]

    Examples
    --------
    >>> known = Arrowhead(np.array([[2.0]]), np.array([[[1.0], [0.0]]]), np.array([[[1.5, 0.0], [0.0, 3.0]]]))
    >>> print(known.car_u(), known.own_u())
    [2.] [[2.5 3. ]]
    """

    root: FloatArray
    follow: FloatArray
    own_root: FloatArray

    @classmethod
    def independent(cls, car_u: FloatArray, own_u: FloatArray, bands: int) -> Arrowhead:
        """Unknowns that know nothing of each other.

        Parameters
        ----------
        car_u : array, shape (s,)
            Standard uncertainty of the car's. [mixed]
        own_u : array, shape (2,)
            Of the two of every band. [mixed]
        bands : int
            Number of bands, m.

        Returns
        -------
        Arrowhead
            Their distribution.
        """
        return cls(np.diag(car_u), np.zeros((bands, 2, car_u.size)), np.tile(np.diag(own_u), (bands, 1, 1)))

    def car_u(self) -> FloatArray:
        """Standard uncertainty of the car's unknowns.

        Returns
        -------
        array, shape (s,)
            One each. [mixed]
        """
        return np.asarray(np.linalg.norm(self.root, axis=1))

    def own_u(self) -> FloatArray:
        """Standard uncertainty of each band's own unknowns.

        Returns
        -------
        array, shape (m, 2)
            Two a band. [mixed]
        """
        variance = ((self.follow @ self.root) ** 2).sum(axis=-1) + (self.own_root**2).sum(axis=-1)
        return np.asarray(np.sqrt(variance))

    def by_car(self, rows: BandRows) -> FloatArray:
        """Slopes by the car alone, the band's own unknowns following it.

        Parameters
        ----------
        rows : BandRows
            A row for every band.

        Returns
        -------
        array, shape (m, s)
            Slopes. [mixed]
        """
        return np.asarray(rows.by_car + np.einsum("bi,bis->bs", rows.by_own, self.follow))

    def by_own(self, rows: BandRows) -> FloatArray:
        """Slopes by two standard normal draws that are each band's own.

        Parameters
        ----------
        rows : BandRows
            A row for every band.

        Returns
        -------
        array, shape (m, 2)
            Slopes. [mixed]
        """
        return np.asarray(np.einsum("bi,bij->bj", rows.by_own, self.own_root))

    def u_of(self, rows: BandRows) -> FloatArray:
        """Standard uncertainty of one quantity a band.

        Parameters
        ----------
        rows : BandRows
            A row for every band.

        Returns
        -------
        array, shape (m,)
            Doubt. [as the rows]
        """
        shared, own = self.by_car(rows) @ self.root, self.by_own(rows)
        return np.asarray(np.sqrt((shared**2).sum(axis=1) + (own**2).sum(axis=1)))

    def u_of_sums(self, by_car: FloatArray, by_own: FloatArray) -> FloatArray:
        """Standard uncertainty of quantities that every band may move.

        Parameters
        ----------
        by_car : array, shape (r, s)
            Slopes by the car's unknowns. [mixed]
        by_own : array, shape (r, m, 2)
            Slopes by each band's own. [mixed]

        Returns
        -------
        array, shape (r,)
            Doubt. [as the slopes]
        """
        shared = (by_car + np.einsum("rbi,bis->rs", by_own, self.follow, optimize=True)) @ self.root
        own = np.einsum("rbi,bij->rbj", by_own, self.own_root)
        return np.asarray(np.sqrt((shared**2).sum(axis=1) + (own**2).sum(axis=(1, 2))))

    def draw_car(self, rng: np.random.Generator, count: int) -> FloatArray:
        """Errors of the car's unknowns, drawn at random.

        Parameters
        ----------
        rng : numpy.random.Generator
            Where from.
        count : int
            How many cars.

        Returns
        -------
        array, shape (count, s)
            Errors. [mixed]
        """
        return np.asarray(rng.standard_normal((count, self.root.shape[1])) @ self.root.T)

    def draw_own(self, rng: np.random.Generator, car: FloatArray, part: slice) -> FloatArray:
        """Errors of the own unknowns of some bands in cars drawn before; bands in order, in one go or in parts.

        Parameters
        ----------
        rng : numpy.random.Generator
            Where from.
        car : array, shape (count, s)
            Errors of the car's unknowns. [mixed]
        part : slice
            Which bands.

        Returns
        -------
        array, shape (count, bands, 2)
            Errors. [mixed]
        """
        follow, root = self.follow[part], self.own_root[part]
        # Drawn band by band, so that it makes no difference how the bands are cut into parts.
        fresh = root @ rng.standard_normal((root.shape[0], 2, car.shape[0]))
        return np.asarray(np.moveaxis(follow @ car.T + fresh, -1, 0))

    def promoted(self, band: int) -> Arrowhead:
        """The same distribution where one band's own unknowns count as the car's, since other bands heed them.

        Parameters
        ----------
        band : int
            The band.

        Returns
        -------
        Arrowhead
            Two unknowns of the car more, at the end; the band follows them.
        """
        size = self.root.shape[0]
        root = np.zeros((size + 2, self.root.shape[1] + 2))
        root[:size, :-2] = self.root
        root[size:, :-2], root[size:, -2:] = self.follow[band] @ self.root, self.own_root[band]
        follow, own = np.pad(self.follow, ((0, 0), (0, 0), (0, 2))), self.own_root.copy()
        follow[band] = np.eye(2, size + 2, size)
        own[band] = 0.0
        return Arrowhead(root, follow, own)

    def widened(self, u: float) -> Arrowhead:
        """The same distribution with one more unknown of the car, of which nothing else knows.

        Parameters
        ----------
        u : float
            Its standard uncertainty. [mixed]

        Returns
        -------
        Arrowhead
            With it at the end.
        """
        root = np.pad(self.root, ((0, 1), (0, 1)))
        root[-1, -1] = u
        return Arrowhead(root, np.pad(self.follow, ((0, 0), (0, 0), (0, 1))), self.own_root)

    def after(self, band: NDArray[np.intp], rows: BandRows, noise_u: FloatArray) -> Arrowhead:
        r"""The distribution after readings that err independently, at most one a band.

        Parameters
        ----------
        band : array of int, shape (r,)
            Band of each reading, none twice; any, where the reading heeds the car alone.
        rows : BandRows
            Slopes of each reading, shapes (r, s) and (r, 2).
        noise_u : array, shape (r,)
            Standard error of each reading, above 0. [as the readings]

        Returns
        -------
        Arrowhead
            Whatever the readings will say.

        Notes
        -----
        The linear-Gaussian update :math:`P' = P - P H^T (H P H^T + R)^{-1} H P`, worked on roots: a band's own
        doubt counts as noise towards the car and is then lessened by itself.

        References
        ----------
        .. [1] Tarantola, *Inverse Problem Theory*, SIAM, 2005, section 3.2 (section from memory).
        """
        follow, own_root = self.follow[band], self.own_root[band]
        own = np.einsum("bi,bij->bj", rows.by_own, own_root)
        variance = noise_u**2 + (own**2).sum(axis=1)
        spread = np.sqrt(variance)
        by_car = rows.by_car + np.einsum("bi,bis->bs", rows.by_own, follow)
        told = (by_car @ self.root) / spread[:, None]
        triangle = triangle_of(np.vstack([np.eye(told.shape[1]), told]))
        root = solve_triangular(triangle.T, self.root.T, lower=True).T
        heed = np.einsum("bij,bj->bi", own_root, own) / variance[:, None]
        # Root of 1 - vv'/(n + v'v), written so that nothing cancels.
        less = own[:, :, None] * own[:, None, :] / (spread * (spread + noise_u))[:, None, None]
        then, then_own = self.follow.copy(), self.own_root.copy()
        then[band] = follow - heed[:, :, None] * by_car[:, None, :]
        then_own[band] = own_root - own_root @ less
        return Arrowhead(_lower(root), then, then_own)


def triangle_of(rows: FloatArray) -> FloatArray:
    """Upper triangle of a QR factorisation: rows as few as the unknowns that say the same.

    Parameters
    ----------
    rows : array, shape (q, s)
        Any rows. [any]

    Returns
    -------
    array, shape (min(q, s), s)
        The triangle. [any]
    """
    return np.asarray(np.linalg.qr(rows, mode="r"))


def _lower(root: FloatArray) -> FloatArray:
    """The root of the same covariance that is a lower triangle, so that like covariances have like roots."""
    triangle = triangle_of(root.T)
    return np.asarray((triangle * np.where(np.diag(triangle) < 0.0, -1.0, 1.0)[:, None]).T)


@dataclass(frozen=True, eq=False)
class Spread:
    """Errors of one quantity a band: causes that all bands share, and one of each band's own.

    Parameters
    ----------
    by_cause : array, shape (m, q)
        Error of each band for one standard uncertainty of each cause. [any]
    own_u : array, shape (m,)
        Standard uncertainty of what is its own. [any]
    """

    by_cause: FloatArray
    own_u: FloatArray

    def u(self) -> FloatArray:
        """Standard uncertainty of each band.

        Returns
        -------
        array, shape (m,)
            Doubt. [any]
        """
        return np.asarray(np.sqrt((self.by_cause**2).sum(axis=1) + self.own_u**2))

    def drawn(self, count: int, seed: int) -> Iterator[tuple[slice, FloatArray]]:
        """Errors drawn at random, some bands at a time.

        Parameters
        ----------
        count : int
            How many draws.
        seed : int
            Seed; the same one and as many causes give the same draws.

        Yields
        ------
        slice
            The bands.
        array, shape (bands, count)
            Their errors. [any]
        """
        rng = np.random.default_rng(seed)
        causes = rng.standard_normal((self.by_cause.shape[1], count))
        for part in parts(self.own_u.size):
            fresh = rng.standard_normal((part.stop - part.start, count))
            yield part, np.asarray(self.by_cause[part] @ causes + self.own_u[part, None] * fresh)
