"""Closed forms that place a station or a mark from angles or distances.

Plan positions are complex numbers, northing + i easting (m); directions are in
radians, clockwise. All functions work on many cases at once, one a row.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.network.rigid import ComplexArray

SINGULAR = 1e-9  # of the largest singular value: three marks on the danger circle
FLATTEST = 0.05  # radians; rays that cross at less place nothing


def resect(places: ComplexArray, directions: FloatArray) -> tuple[ComplexArray, ComplexArray]:
    """Place a station from the directions to three known marks.

    With ``c = exp(-i direction)`` and the conjugate turn ``w`` of the circle, each ray
    passes through its mark when ``Im((mark - station) c w) = 0``: linear in ``w`` and in
    ``q = station * w``, so that three rays leave one solution up to its length and sign.
    The length is that of a turn, the sign puts the marks before the instrument.

    Parameters
    ----------
    places, directions
        Shape (h, 3): marks (m, complex) and circle readings (rad).

    Returns
    -------
    station, turn
        Shape (h,), complex: the station and ``exp(i orientation)``; NaN where the marks
        and the station lie on one circle (the danger circle) or a mark lies behind.

    References
    ----------
    The condition is collinearity in the plane; any textbook solution of the three-point
    problem (Cassini, Collins, Tienstra) gives the same point.
    """
    middle = places.mean(axis=1, keepdims=True)
    size = np.abs(places - middle).max(axis=1, keepdims=True)
    size = np.where(size > 0.0, size, 1.0)
    reduced = (places - middle) / size
    circle = np.exp(-1j * directions)
    seen = reduced * circle
    rows = np.stack([seen.imag, seen.real, -circle.imag, -circle.real], axis=-1)
    _, singular, right = np.linalg.svd(rows)
    null = right[:, 3]
    turn = null[:, 0] + 1j * null[:, 1]
    length = np.abs(turn)
    with np.errstate(divide="ignore", invalid="ignore"):
        station = (null[:, 2] + 1j * null[:, 3]) / turn
        turn = turn / length
    ahead = ((reduced - station[:, None]) * circle * turn[:, None]).real
    turn = np.where(ahead.sum(axis=1) < 0.0, -turn, turn)
    one_side = np.abs(np.sign(ahead).sum(axis=1)) == 3
    sound = one_side & (singular[:, 2] > SINGULAR * singular[:, 0]) & (length > SINGULAR)
    station = station * size[:, 0] + middle[:, 0]
    return np.where(sound, station, np.nan), np.where(sound, np.conj(turn), np.nan)


def intersect(origins: ComplexArray, bearings: FloatArray) -> ComplexArray:
    """Place a mark where two rays cross.

    Parameters
    ----------
    origins, bearings
        Shape (h, 2): stations (m, complex) and azimuths of the rays (rad).

    Returns
    -------
    Shape (h,), complex; NaN where the rays cross behind a station or too flatly.
    """
    along = np.exp(1j * bearings)
    base = origins[:, 1] - origins[:, 0]
    crossing = (np.conj(along[:, 0]) * along[:, 1]).imag
    with np.errstate(divide="ignore", invalid="ignore"):
        first = (np.conj(base) * along[:, 1]).imag / crossing
        second = (np.conj(base) * along[:, 0]).imag / crossing
    sound = (np.abs(crossing) > FLATTEST) & (first > 0.0) & (second > 0.0)
    return np.where(sound, origins[:, 0] + first * along[:, 0], np.nan)


def cross_circles(centres: ComplexArray, radii: FloatArray) -> ComplexArray:
    """Place a point from its distances to two known ones.

    Parameters
    ----------
    centres, radii
        Shape (h, 2), m.

    Returns
    -------
    Shape (h, 2), complex: both crossings. Circles that miss each other by less than 1 %
    of the base count as touching; others give NaN.
    """
    base = centres[:, 1] - centres[:, 0]
    length = np.abs(base)
    with np.errstate(divide="ignore", invalid="ignore"):
        foot = (radii[:, 0] ** 2 - radii[:, 1] ** 2 + length**2) / (2.0 * length)
        square = radii[:, 0] ** 2 - foot**2
        square = np.where(square < -0.01 * length * radii[:, 0], np.nan, np.maximum(square, 0.0))
        height = np.sqrt(square)
        unit = base / length
    sides = np.stack([foot + 1j * height, foot - 1j * height], axis=1)
    crossings: ComplexArray = centres[:, :1] + unit[:, None] * sides
    return crossings


def ray_on_circle(
    origin: ComplexArray, bearing: FloatArray, centre: ComplexArray, radius: FloatArray
) -> ComplexArray:
    """Place a point on a ray from one known point, at a distance from another.

    Parameters
    ----------
    origin, bearing, centre, radius
        Shape (h,): m (complex), rad, m (complex), m.

    Returns
    -------
    Shape (h, 2), complex: both points, NaN where there is none ahead.
    """
    along = np.exp(1j * bearing)
    foot = ((centre - origin) * np.conj(along)).real
    off = np.abs(centre - origin - foot * along)
    with np.errstate(invalid="ignore"):
        half = np.sqrt(radius**2 - off**2)
        far = np.stack([foot + half, foot - half], axis=1)
        return np.where(far > 0.0, origin[:, None] + far * along[:, None], np.nan)


def turn_on_pair(
    mark: ComplexArray,
    distance: FloatArray,
    other: ComplexArray,
    angle: FloatArray,
) -> ComplexArray:
    """Place a station from a mark at a known distance and the angle to another mark.

    Law of sines in the triangle of both marks and the station. ``angle`` (rad) runs
    clockwise from ``mark`` to ``other`` at the station.

    Returns
    -------
    Shape (h, 2), complex: both stations that fit, NaN where the triangle does not close
    or ``other`` would lie behind.
    """
    base = other - mark
    with np.errstate(invalid="ignore", divide="ignore"):
        at_other = np.arcsin(distance * np.sin(angle) / np.abs(base))
    bent = np.stack([at_other, np.pi - at_other], axis=1)
    toward_other = np.angle(base)[:, None] - bent
    toward_mark = toward_other - angle[:, None]
    station = mark[:, None] - distance[:, None] * np.exp(1j * toward_mark)
    ahead = ((other[:, None] - station) * np.exp(-1j * toward_other)).real
    return np.where(ahead > 0.0, station, np.nan)
