"""Error ellipses from plan covariances: one point, or one point relative to another.

Takes covariance matrices in the order N, E; gives semi-axes and the azimuth of the major
axis, for any number of points at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray


@dataclass(frozen=True)
class ErrorEllipse:
    """Semi-axes (unit of the sds, m) and azimuth of the major axis (rad), shape (n,) each.

    The azimuth runs clockwise from N and lies in [0, pi); it is 0 for a circle.
    """

    semi_major: FloatArray
    semi_minor: FloatArray
    azimuth: FloatArray


def error_ellipse(covariance: FloatArray, factor: float = 1.0) -> ErrorEllipse:
    """Return the ellipses of plan covariances, scaled by ``factor``.

    With ``m = (q_nn + q_ee) / 2`` and ``h = hypot((q_nn - q_ee) / 2, q_ne)`` the squared
    semi-axes are ``m + h`` and ``m - h``; the second is computed as determinant over first,
    since the difference loses the digits of a needle-shaped ellipse.

    Parameters
    ----------
    covariance
        Shape (n, 2, 2), m^2, order N, E. NaN stays NaN.
    factor
        1 for the standard ellipse (39.35 %), `distributions.confidence_factor` for others.

    References
    ----------
    Ghilani, Adjustment Computations, error ellipses: tan 2t = 2 q_ne / (q_nn - q_ee).
    """
    north, east, mixed = covariance[:, 0, 0], covariance[:, 1, 1], covariance[:, 0, 1]
    major = (north + east) / 2.0 + np.hypot((north - east) / 2.0, mixed)
    determinant = north * east - mixed**2
    minor = determinant / np.where(major > 0.0, major, 1.0)
    azimuth = np.mod(np.arctan2(2.0 * mixed, north - east) / 2.0, np.pi)
    return ErrorEllipse(
        semi_major=factor * np.sqrt(np.maximum(major, 0.0)),
        semi_minor=factor * np.sqrt(np.maximum(minor, 0.0)),
        azimuth=np.where(azimuth >= np.pi, 0.0, azimuth),
    )


def relative_covariance(first: FloatArray, second: FloatArray, cross: FloatArray) -> FloatArray:
    """Return the covariance of the coordinate difference second minus first.

    ``first`` and ``second`` are the points' own covariances, ``cross`` the covariance of
    first (rows) with second (columns); shape (n, k, k) each, m^2. The relative error
    ellipse is `error_ellipse` of the result with k = 2.
    """
    return first + second - cross - np.swapaxes(cross, -1, -2)
