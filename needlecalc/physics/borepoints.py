"""The piece of a needle that stands inside the jet: where it changes taper, and which stations say so."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.errors import InputError
from needlecalc.units import FloatArray

ROUNDING_MM = 1e-9


class BorePoints(NamedTuple):
    """Break points of the needle down the bore, and the stations that carry each."""

    z_mm: FloatArray  # (..., p)
    diameter_mm: FloatArray  # (..., p)
    station: NDArray[np.intp]  # (..., p) upper station of the segment a point lies on
    weight: FloatArray  # (..., p) share of the next station
    slope_face: FloatArray  # (...) d diameter / d z at the face


def points_down_the_bore(
    position_mm: ArrayLike, stations_mm: ArrayLike, diameters_mm: ArrayLike, length_mm: ArrayLike
) -> BorePoints:
    """Break points of the needle between the jet's face and the end of its bore.

    Parameters
    ----------
    position_mm : array_like, shape (...)
        Distance along the needle from its shoulder to the point at the jet's face. [mm]
    stations_mm : array_like, shape (n,)
        Distances of the stations from the shoulder, rising. [mm]
    diameters_mm : array_like, shape (..., n)
        Needle diameters at the stations. [mm]
    length_mm : array_like, shape (...)
        Parallel length of the bore. [mm]

    Returns
    -------
    BorePoints
        Face, stations inside the bore and its end; rows with fewer stations repeat the end.

    Raises
    ------
    InputError
        If the face lies off the needle.

    Notes
    -----
    Past the last station the needle goes on straight.

    Examples
    --------
    >>> points = points_down_the_bore(1.0, [0.0, 3.0, 6.0], [2.4, 2.3, 2.1], 4.0)
    >>> print(points.z_mm, points.diameter_mm.round(4))
    [1. 3. 5.] [2.3667 2.3    2.1667]
    """
    stations = np.asarray(stations_mm, dtype=np.float64)
    diameters = np.asarray(diameters_mm, dtype=np.float64)
    length = np.asarray(length_mm, dtype=np.float64)
    face = np.asarray(position_mm, dtype=np.float64) + np.zeros(np.broadcast_shapes(length.shape, diameters.shape[:-1]))
    off = ~((face >= stations[0] - ROUNDING_MM) & (face <= stations[-1] + ROUNDING_MM))
    if off.any():
        msg = (
            f"The jet's face would stand {np.asarray(face)[off].flat[0]:.3f} mm from the shoulder, off the "
            f"needle's table ({stations[0]:g} to {stations[-1]:g} mm); add stations, or check lift, jet drop "
            "and shoulder offset."
        )
        raise InputError(msg)
    # Lift and drop that add up to the last station in decimals need not do so in binary.
    face = np.clip(face, stations[0], stations[-1])
    end = face + length
    first = np.searchsorted(stations, face, side="right")
    inside = np.searchsorted(stations, end, side="left") - first
    knots = max(int(inside.max(initial=0)), 0)
    z = np.empty((*face.shape, knots + 2))
    z[..., 0] = face
    for knot in range(knots):
        here = np.minimum(first + knot, stations.size - 1)
        z[..., knot + 1] = np.where(knot < inside, stations[here], end)
    z[..., -1] = end
    # A point belongs to the segment that starts at or above it; past the last station the last goes on.
    upper = np.clip(np.searchsorted(stations, z, side="right") - 1, 0, stations.size - 2)
    weight = (z - stations[upper]) / (stations[upper + 1] - stations[upper])
    table = np.broadcast_to(diameters, (*face.shape, stations.size))
    left, right = (np.take_along_axis(table, index, axis=-1) for index in (upper, upper + 1))
    rise = (right[..., 0] - left[..., 0]) / (stations[upper[..., 0] + 1] - stations[upper[..., 0]])
    return BorePoints(z, left + weight * (right - left), upper, weight, rise)


def slopes_at_stations(per_point: FloatArray, points: BorePoints, stations: int) -> FloatArray:
    """Slopes by the diameters at the break points, handed on to the two stations beside each.

    Parameters
    ----------
    per_point : array, shape (..., p)
        Slope of anything by the diameter at each point. [1/mm]
    points : BorePoints
        The points.
    stations : int
        Number of stations of the needle.

    Returns
    -------
    array, shape (..., stations)
        Slope by the diameter at each station. [1/mm]

    Examples
    --------
    >>> points = points_down_the_bore(1.0, [0.0, 4.0], [2.4, 2.3], 2.0)
    >>> print(slopes_at_stations(np.array([1.0, 1.0]), points, 2))
    [1. 1.]
    """
    out = np.zeros((*per_point.shape[:-1], stations))
    for point in range(per_point.shape[-1]):
        upper = np.broadcast_to(points.station[..., point, None], (*out.shape[:-1], 1))
        weight = np.broadcast_to(points.weight[..., point, None], upper.shape)
        here = per_point[..., point, None]
        for index, share in ((upper, 1.0 - weight), (upper + 1, weight)):
            np.put_along_axis(out, index, np.take_along_axis(out, index, axis=-1) + share * here, axis=-1)
    return out
