"""The piece of a needle that stands inside the jet: where it changes taper, and which stations say so."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from needlecalc.errors import InputError
from needlecalc.units import FloatArray

ROUNDING_MM = 1e-9


class BorePoints(NamedTuple):
    """Break points of the needle down the bore, and the stations that carry each; one row a point."""

    z_mm: FloatArray  # (p, ...)
    diameter_mm: FloatArray  # (p, ...)
    station: NDArray[np.intp]  # (p, ...) upper station of the segment a point lies on
    weight: FloatArray  # (p, ...) share of the next station
    slope_face: FloatArray  # (...) d diameter / d z at the face
    stations: int  # of the needle


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
    off = (face < stations[0] - ROUNDING_MM) | (face > stations[-1] + ROUNDING_MM) | np.isnan(face)
    if off.any():
        msg = (
            f"The jet's face would stand {np.asarray(face)[off].flat[0]:.3f} mm from the shoulder, off the "
            f"needle's table ({stations[0]:g} to {stations[-1]:g} mm); add stations, or check lift, jet drop "
            "and shoulder offset."
        )
        raise InputError(msg)
    # Lift and drop that add up to the last station in decimals need not do so in binary.
    face = np.minimum(np.maximum(face, stations[0]), stations[-1])
    end = face + length
    # A point belongs to the segment that starts at or above it; past the last station the last goes on.
    first, past = stations.searchsorted(face, side="right"), stations.searchsorted(end, side="left")
    knots = max(int((past - first).max(initial=0)), 0)
    station = np.empty((knots + 2, *face.shape), dtype=np.intp)
    z = np.empty(station.shape)
    station[0], station[-1] = first - 1, past - 1
    z[0], z[-1] = face, end
    for knot in range(knots):
        here = np.minimum(first + knot, past - 1)
        reached = first + knot < past
        station[knot + 1] = here
        z[knot + 1] = np.where(reached, stations[here], end)
    np.minimum(station, stations.size - 2, out=station)
    above = stations[station]
    weight = (z - above) / (stations[station + 1] - above)
    if diameters.ndim == 1:
        left, right = diameters[station], diameters[station + 1]
    else:
        rows = np.arange(0, diameters.size, stations.size).reshape(diameters.shape[:-1])
        here, table = rows + station, diameters.ravel()
        left, right = table[here], table[here + 1]
    rise = (right[0] - left[0]) / (stations[station[0] + 1] - above[0])
    return BorePoints(z, left + weight * (right - left), station, weight, rise, stations.size)


def slopes_at_stations(per_point: FloatArray, points: BorePoints) -> FloatArray:
    """Slopes by the diameters at the break points, handed on to the two stations beside each.

    Parameters
    ----------
    per_point : array, shape (p, ...)
        Slope of anything by the diameter at each point. [1/mm]
    points : BorePoints
        The points.

    Returns
    -------
    array, shape (..., n)
        Slope by the diameter at each station. [1/mm]

    Examples
    --------
    >>> points = points_down_the_bore(1.0, [0.0, 4.0], [2.4, 2.3], 2.0)
    >>> print(slopes_at_stations(np.array([1.0, 1.0]), points))
    [1. 1.]
    """
    shape, stations = per_point.shape[1:], points.stations
    rows = np.arange(0, int(np.prod(shape)) * stations, stations).reshape(shape)
    upper = (rows + points.station).ravel()
    next_share = points.weight * per_point
    shares = np.concatenate([(per_point - next_share).ravel(), next_share.ravel()])
    summed = np.bincount(np.concatenate([upper, upper + 1]), shares, rows.size * stations)
    return np.asarray(summed, dtype=np.float64).reshape(*shape, stations)
