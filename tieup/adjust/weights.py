"""Standard deviations of the means, with centring and heights at their distance.

    sd_direction^2 = pointing^2 / n + centring_t^2 / D^2
    sd_zenith^2    = pointing^2 / n + (centring_t cos z / s)^2 + (height_t sin z / s)^2
    sd_distance^2  = (a + b s)^2 / n + (centring_t sin z)^2 + (height_t cos z)^2,
                     of a horizontal one (a + b s)^2 / n + centring_t^2
    covariance of zenith angle and distance: (centring_t^2 - height_t^2) sin z cos z / s

n pointings of one visit share one centring of the target, so only the pointing itself averages.
The instrument's own centring and height are common to a setup and stand in its
plumb line (`tieup.adjust.observation_equations`); a free station has neither.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.adjust.observation_equations import Connections, offsets
from tieup.adjust.stacks import chunks, new_columns
from tieup.adjust.whitening import Whitening, make_whitening
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights
from tieup.model.settings import Precision

SMALLEST_SD = 1e-5  # m; a stated centring or height of 0 is held this well
SHORTEST = 1e-3  # m; keeps the centring of a target at the axis finite


def pointing_variance(sights: Sights) -> FloatArray:
    """Return the variance of the mean from pointing alone, (k, 3) in rad^2, rad^2, m^2."""
    return sights.pointing_sd**2 / np.maximum(sights.count, 1)


def target_variance(
    offset: FloatArray, precision: Precision, level: BoolArray
) -> tuple[FloatArray, FloatArray]:
    """Return what target centring and height add at offsets (n, 3) in m.

    ``level`` (n,) marks the sights whose distance is horizontal.

    Returns
    -------
    The variances (n, 3) in rad^2, rad^2, m^2, and the covariance (n,) of zenith angle and
    distance in rad m.
    """
    plan_square = np.maximum(offset[:, 0] ** 2 + offset[:, 1] ** 2, SHORTEST**2)
    slope_square = plan_square + offset[:, 2] ** 2
    sin_square = plan_square / slope_square
    cos_square = 1.0 - sin_square
    centring, height = precision.centring_target**2, precision.height_target**2
    variance = new_columns(len(offset), 3)
    variance[:, DIRECTION] = centring / plan_square
    variance[:, ZENITH] = (centring * cos_square + height * sin_square) / slope_square
    variance[:, DISTANCE] = centring * sin_square + height * cos_square
    variance[level, DISTANCE] = centring
    across = np.sqrt(plan_square) * offset[:, 2] / (slope_square * np.sqrt(slope_square))
    return variance, (centring - height) * across


def connection_noise(
    connections: Connections,
    sights: Sights,
    precision: Precision,
    axis: FloatArray,
    position: FloatArray,
) -> Whitening:
    """Return the noise of every connection's observations: rad, rad, m or m, m, m.

    ``axis`` (S, 3) and ``position`` (P, 3) are approximate coordinates (m).
    """
    sd, shared = new_columns(len(connections), 3), np.zeros(len(connections))
    for part in chunks(len(connections)):
        some = connections.part(part)
        variance, shared[part] = target_variance(
            offsets(some, axis, position), precision, some.level
        )
        stood = _stood(some, sights, precision)
        variance[stood] = shared[part][stood] = 0.0
        sight = np.flatnonzero(~some.plumb) if some.plumb.any() else slice(None)
        variance[sight] += _own_variance(sights, some.source[sight])
        np.sqrt(variance, out=sd[part])
    plumb = np.flatnonzero(connections.plumb)
    centring = max(precision.centring_instrument, SMALLEST_SD)
    sd[plumb] = [centring, centring, max(precision.height_instrument, SMALLEST_SD)]
    shared[plumb] = 0.0
    return make_whitening(sd, shared, np.isfinite(connections.value))


def _own_variance(sights: Sights, row: IntArray) -> FloatArray:
    """Return the variance of the chosen means (n, 3) without their targets."""
    pointing, common, count = (
        np.take(part, row, axis=0) for part in (sights.pointing_sd, sights.common_sd, sights.count)
    )
    return np.asarray(np.square(pointing) / np.maximum(count, 1) + np.square(common))


def _stood(connections: Connections, sights: Sights, precision: Precision) -> BoolArray:
    """Say which connections (c,) are sights of targets that stand all day.

    Their one error is in the place of the target for every setup alike, and in no sight.
    """
    standing = precision.standing
    if not standing.everywhere and not standing.points:
        return np.zeros(len(connections), dtype=bool)
    point = sights.point[np.where(connections.plumb, 0, connections.source)]
    stood = np.isin(point, sorted(standing.points)) | standing.everywhere
    return np.asarray(stood & ~connections.plumb)


def noise_parts(
    connections: Connections,
    sights: Sights,
    precision: Precision,
    axis: FloatArray,
    position: FloatArray,
) -> FloatArray:
    """Return what each group adds to the covariance of every connection (5, c, 3, 3).

    In the order of `tieup.adjust.scatter.GROUPS`; they sum to the covariance of
    `connection_noise`. Components that are not observed count like the others.
    """
    parts = np.zeros((5, len(connections), 3, 3))
    sight, plumb = np.flatnonzero(~connections.plumb), np.flatnonzero(connections.plumb)
    own = _own_variance(sights, connections.source[sight])
    for kind in (DIRECTION, ZENITH, DISTANCE):
        parts[kind, sight, kind, kind] = own[:, kind]
    seen = connections.take(sight)
    away, stood = offsets(seen, axis, position), _stood(seen, sights, precision)
    for group, only in (
        (3, replace(precision, height_target=0.0)),
        (4, replace(precision, centring_target=0.0)),
    ):
        variance, shared = target_variance(away, only, seen.level)
        variance[stood] = shared[stood] = 0.0
        parts[group][sight[:, None], range(3), range(3)] = variance
        parts[group, sight, ZENITH, DISTANCE] = parts[group, sight, DISTANCE, ZENITH] = shared
    centring = max(precision.centring_instrument, SMALLEST_SD) ** 2
    parts[3, plumb, 0, 0] = parts[3, plumb, 1, 1] = centring
    parts[4, plumb, 2, 2] = max(precision.height_instrument, SMALLEST_SD) ** 2
    return parts
