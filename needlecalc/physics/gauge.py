r"""What a micrometer says of a tapering needle, and the uncertainty of a diameter.

Two flat anvils close on the thickest place between them. With the face centred on a mark that is not the mark but the edge
of the face towards the shoulder, half a face width away: on a taper *s* the reading is too thick by :math:`s W/2`, 51 um for
a 6.35 mm face at 0.016. With that edge set on the mark the reading is right; so it nearly is with narrow blades. The tilt of
the cone between the faces adds :math:`1 - \cos(s/2)`, 3e-5 of the diameter at 0.016, and is left out.
"""

from __future__ import annotations

from typing import Final, Literal, NamedTuple

import numpy as np
from numpy.typing import ArrayLike

from needlecalc.arrays import check_choice, check_each, check_range
from needlecalc.errors import InputError
from needlecalc.show import counted
from needlecalc.units import FloatArray

FLAT_FACE_MM: Final = 6.35

FaceOnMark = Literal["centre", "thick_edge"]


class DiameterBudget(NamedTuple):
    """Uncertainty of a measured diameter, and the parts it is made of."""

    standard_mm: FloatArray  # k = 1
    expanded_mm: FloatArray  # k = 2, some 95 %
    rows: dict[str, FloatArray]  # standard uncertainty of each part in mm


def micrometer_reading_mm(
    position_mm: ArrayLike,
    stations_mm: ArrayLike,
    diameters_mm: ArrayLike,
    *,
    face_width_mm: float = FLAT_FACE_MM,
    face_on_mark: FaceOnMark = "centre",
) -> FloatArray:
    r"""Diameter that a micrometer shows at a mark on a needle that is straight between its stations.

    .. math:: R(x) = \max_{|u - c| \le W/2} d(u), \qquad c = x \ \text{or}\ x + W/2

    Parameters
    ----------
    position_mm : array_like, shape (...)
        Distance of the mark from the shoulder. [mm]
    stations_mm, diameters_mm : array_like, shape (n,)
        Distances of the stations from the shoulder, rising, and true diameters there; beyond the first and the last the
        needle is taken as parallel. [mm]
    face_width_mm : float
        Width *W* of the anvil face along the needle: commonly 6.35 or 6.5 for flat anvils, 0.4 to 0.75 for blades; 0 for a
        knife edge or optical projection. [mm]
    face_on_mark : {"centre", "thick_edge"}
        What lies on the mark: the centre of the face, or its edge towards the shoulder.

    Returns
    -------
    float or array, shape (...)
        Reading; a face that reaches over the shoulder on to a thicker shank reads the shank instead. [mm]

    Raises
    ------
    InputError
        If a width is out of range, the stations do not rise, or ``face_on_mark`` is neither word.

    References
    ----------
    .. [1] Elementary geometry, derived for this project; the instrument as in ISO 3611.

    Examples
    --------
    >>> needle = [0.0, 3.175, 6.35, 9.525], [2.2733, 2.2225, 2.1717, 2.1209]
    >>> print(f"{micrometer_reading_mm(6.35, *needle):.4f} {micrometer_reading_mm(6.35, *needle, face_width_mm=0.75):.4f}")
    2.2225 2.1777
    >>> print(f"{micrometer_reading_mm(6.35, *needle, face_on_mark='thick_edge'):.4f}")
    2.1717
    """
    thick_edge = np.asarray(contact_position_mm(position_mm, face_width_mm=face_width_mm, face_on_mark=face_on_mark))
    thin_edge = thick_edge + face_width_mm
    stations, diameters = _needle(stations_mm, diameters_mm)
    if diameters.ndim != 1:
        msg = f"diameters_mm must be one row of numbers, but has shape {diameters.shape}."
        raise InputError(msg)
    at_edges = np.maximum(np.interp(thick_edge, stations, diameters), np.interp(thin_edge, stations, diameters))
    # A straight piece is thickest at an end, so only edges and stations under the face can touch.
    under_face = (stations >= thick_edge[..., None]) & (stations <= thin_edge[..., None])
    at_stations = np.where(under_face, diameters, -np.inf).max(axis=-1)
    return np.asarray(np.maximum(at_edges, at_stations))[()]


def contact_position_mm(
    position_mm: ArrayLike, *, face_width_mm: float = FLAT_FACE_MM, face_on_mark: FaceOnMark = "centre"
) -> FloatArray:
    r"""Place on the needle whose diameter a reading is, on any needle that never thickens towards its tip.

    That place is the mark less half the face where the face is centred, the mark itself where its thick edge lies on it.

    Parameters
    ----------
    position_mm : array_like, shape (...)
        Distance of the mark from the shoulder. [mm]
    face_width_mm, face_on_mark
        As of :func:`micrometer_reading_mm`. [mm]

    Returns
    -------
    float or array, shape (...)
        Distance of the contact from the shoulder; below 0 the face stands over the shoulder. [mm]

    Examples
    --------
    >>> print(contact_position_mm([3.175, 6.35], face_width_mm=6.35))
    [0.    3.175]
    """
    position = check_each(position_mm, "position_mm", -500.0, 500.0, cure="It is mm from the shoulder.")
    return np.asarray(position - _half_mm(face_width_mm, face_on_mark))[()]


def diameters_from_readings_mm(
    readings_mm: ArrayLike,
    marks_mm: ArrayLike,
    *,
    face_width_mm: float = FLAT_FACE_MM,
    face_on_mark: FaceOnMark = "centre",
) -> FloatArray:
    r"""Needle diameters at the marks, from the readings at all of them: :func:`micrometer_reading_mm` undone.

    .. math:: d_i = \frac{R_i - f_i d_{i-1}}{1 - f_i}, \qquad f_i = \frac{W/2}{x_i - x_{i-1}}

    Parameters
    ----------
    readings_mm : array_like, shape (..., n)
        Readings at the marks, from the shoulder to the tip. [mm]
    marks_mm : array_like, shape (n,)
        Distances of the marks from the shoulder, rising. [mm]
    face_width_mm, face_on_mark
        As of :func:`micrometer_reading_mm`. [mm]

    Returns
    -------
    array, shape (..., n)
        Diameters at the marks, exact for a needle that never thickens towards its tip and is parallel before its first
        mark. A wrong reading spoils its own diameter by :math:`1/(1-f)` of it, the next by :math:`f/(1-f)` of that. [mm]

    Raises
    ------
    InputError
        If readings rise towards the tip, the marks do not rise, the numbers differ, or a centred face is wider than the
        distance of two marks, as errors would then grow from mark to mark.

    Examples
    --------
    >>> print(diameters_from_readings_mm([2.2733, 2.2285, 2.1777], [0.0, 3.175, 6.35], face_width_mm=0.75))
    [2.2733 2.2225 2.1717]
    """
    half = _half_mm(face_width_mm, face_on_mark)
    marks, readings = _needle(marks_mm, readings_mm, "marks_mm", "readings_mm")
    rises = np.diff(readings, axis=-1) > 0.0
    if rises.any():
        where = int(np.argmax(rises.reshape(-1, rises.shape[-1]).any(axis=0))) + 2
        msg = (
            f"readings_mm rises towards the tip at mark {where}, but a needle gets thinner towards its tip; "
            "measure it again, or give the table from the shoulder to the tip."
        )
        raise InputError(msg)
    share = half / np.diff(marks)
    if (share > 0.5).any():
        msg = (
            f"face_width_mm is {face_width_mm:g}, wider than the {float(np.diff(marks).min()):g} mm "
            "between two marks, so a centred face touches nearer to the mark before; set its edge towards "
            "the shoulder on the mark, use blades, or take the readings as diameters at contact_position_mm."
        )
        raise InputError(msg)
    diameters = readings.copy()
    for i in range(1, marks.size):
        fraction = share[i - 1]
        diameters[..., i] = (readings[..., i] - fraction * diameters[..., i - 1]) / (1.0 - fraction)
    return diameters


def diameter_budget(
    slope: ArrayLike,
    *,
    accuracy_limit_mm: ArrayLike = 0.004,
    resolution_mm: ArrayLike = 0.002,
    repeat_mm: ArrayLike = 0.0015,
    position_error_mm: ArrayLike = 0.1,
    form_mm: ArrayLike = 0.001,
    zero_mm: ArrayLike = 0.001,
) -> DiameterBudget:
    r"""Uncertainty of a measured diameter and the parts it is made of.

    .. math:: u^2 = \frac{G^2}{3} + \frac{(r/2)^2}{3} + s_r^2 + \frac{(s\,\delta x)^2}{3}
              + \frac{F^2}{3} + \frac{Z^2}{3}, \qquad U = 2u

    Parameters
    ----------
    slope : array_like, shape (...)
        Local fall of diameter over length *s*, either sign, up to 0.5. [mm/mm]
    accuracy_limit_mm, zero_mm, position_error_mm : array_like, shape (...)
        Limits of error *G* of the instrument, *Z* of its zero setting, :math:`\delta x` of the place along the needle. [mm]
    resolution_mm, repeat_mm, form_mm : array_like, shape (...)
        Smallest step read *r*; standard deviation :math:`s_r` of a repeated reading, over root n for the mean of n; half
        the difference of diameters round the needle *F*. [mm]

    Returns
    -------
    DiameterBudget
        Standard (k = 1) and expanded (k = 2) uncertainty, and the standard uncertainty of each part by name; the taper
        error of a wide anvil is no part of it, as it is known and must be taken off first. [mm]

    References
    ----------
    .. [1] JCGM 100:2008, *Guide to the expression of uncertainty in measurement*, 4.3.7 and 5.1.2: limits are half widths.
    .. [2] ISO 3611 and DIN 863-1, *Micrometers for external measurements* (limit of 4 um from memory; the rest judgement).

    Examples
    --------
    >>> budget = diameter_budget(0.016)
    >>> print(f"U = {1e3 * budget.expanded_mm:.1f} um, of it reading {1e3 * budget.rows['repeat']:.1f} um")
    U = 6.1 um, of it reading 1.5 um
    """
    taper = np.abs(check_each(slope, "slope", -0.5, 0.5, cure="It is mm of diameter for one mm of length."))
    root_three = np.sqrt(3.0)
    parts = {
        "accuracy_limit": _part(accuracy_limit_mm, "accuracy_limit_mm") / root_three,
        "resolution": _part(resolution_mm, "resolution_mm") / 2.0 / root_three,
        "repeat": _part(repeat_mm, "repeat_mm"),
        "position": taper * _part(position_error_mm, "position_error_mm", 10.0) / root_three,
        "form": _part(form_mm, "form_mm") / root_three,
        "zero": _part(zero_mm, "zero_mm") / root_three,
    }
    standard = np.sqrt(sum(np.square(part) for part in parts.values()))
    return DiameterBudget(standard[()], np.asarray(2.0 * standard)[()], {name: part[()] for name, part in parts.items()})


def _needle(
    stations_mm: ArrayLike, diameters_mm: ArrayLike, places: str = "stations_mm", values: str = "diameters_mm"
) -> tuple[FloatArray, FloatArray]:
    """Stations that rise and as many diameters, on the last axis."""
    stations = check_each(stations_mm, places, -500.0, 500.0, cure="It is mm from the shoulder.")
    diameters = check_each(diameters_mm, values, 0.0, 25.0, open_low=True, cure="They are in mm.")
    if stations.ndim != 1 or stations.size < 2 or not (np.diff(stations) > 0.0).all():
        msg = f"{places} must be two or more distances from the shoulder, each greater than the one before."
        raise InputError(msg)
    found = diameters.shape[-1] if diameters.ndim else 1
    if diameters.ndim == 0 or found != stations.size:
        msg = f"{places} has {counted(stations.size, 'entry', 'entries')} but {values} has {found}; give one for each."
        raise InputError(msg)
    return stations, diameters


def _half_mm(face_width_mm: float, face_on_mark: str) -> float:
    """From the edge towards the shoulder to what lies on the mark."""
    width = check_range(face_width_mm, "face_width_mm", 0.0, 25.0, cure="Flat anvils have 6 to 8 mm.")
    check_choice(face_on_mark, "face_on_mark", ("centre", "thick_edge"), cure="see how you set the anvils.")
    return width / 2.0 if face_on_mark == "centre" else 0.0


def _part(value: ArrayLike, name: str, most: float = 1.0) -> FloatArray:
    return check_each(value, name, 0.0, most, cure="It is in mm; one um is 0.001.")
