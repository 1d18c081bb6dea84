"""Plain mathematics on coordinates and angles; no data model, no units but SI.

Conventions, written once for the whole package: right-handed local frame with
columns N, E, H (metres); azimuths and directions in radians, clockwise from N;
zenith angles in radians, 0 straight up.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

FloatArray = NDArray[np.float64]

TWO_PI = 2.0 * np.pi
ARC_SECOND = np.pi / 648_000.0
EARTH_RADIUS = 6_371_000.0  # metres; mean radius, as handbooks of geodesy give it


def wrap_full(angle: ArrayLike) -> FloatArray:
    """Bring angles (rad) into [0, 2 pi).

    >>> float(wrap_full(-np.pi / 2)) == 1.5 * np.pi
    True
    """
    wrapped = np.mod(np.asarray(angle, dtype=np.float64), TWO_PI)
    return np.where(wrapped >= TWO_PI, 0.0, wrapped)


def wrap_half(angle: ArrayLike) -> FloatArray:
    """Bring angles (rad) into [-pi, pi): the form of every angular difference.

    >>> float(wrap_half(1.5 * np.pi)) == -0.5 * np.pi
    True
    """
    return np.mod(np.asarray(angle, dtype=np.float64) + np.pi, TWO_PI) - np.pi


def azimuth(delta_north: ArrayLike, delta_east: ArrayLike) -> FloatArray:
    """Return the azimuth (rad, [0, 2 pi)) of coordinate differences (m)."""
    return wrap_full(np.arctan2(delta_east, delta_north))


def polar_offset(
    direction: ArrayLike, zenith: ArrayLike, distance: ArrayLike, bend: float = 0.0
) -> FloatArray:
    """Turn azimuth, zenith angle (rad) and slope distance (m) into dN, dE, dH.

    The zenith angle in the plane frame is ``zenith - bend * D`` with D the
    horizontal distance and ``bend`` from `curvature_coefficient`.

    Returns
    -------
    array, shape (..., 3), metres, from the instrument axis to the target.
    """
    zenith = np.asarray(zenith, dtype=np.float64)
    distance = np.asarray(distance, dtype=np.float64)
    straight = zenith - bend * distance * np.sin(zenith)
    horizontal = distance * np.sin(straight)
    return np.stack(
        [
            horizontal * np.cos(direction),
            horizontal * np.sin(direction),
            distance * np.cos(straight),
        ],
        axis=-1,
    )


def curvature_coefficient(refraction: float) -> float:
    """Return (1 - k) / 2R in rad per metre of horizontal distance.

    ``coefficient * D`` is the combined effect of the earth's curvature and of
    refraction on a zenith angle: the straight line in the plane frame has the
    zenith angle ``observed - coefficient * D``, so the height difference gains
    ``coefficient * D**2``.

    References
    ----------
    Ghilani, Adjustment Computations, curvature and refraction: (1 - k) D^2 / 2R.
    """
    return (1.0 - refraction) / (2.0 * EARTH_RADIUS)
