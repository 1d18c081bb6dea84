"""From the ground to the grid of the control: one combined factor a line, where a job says so.

    k = line scale of the projection x R / (R + h)

A horizontal distance D becomes k D while heights stay, so slope distance and zenith angle
change together:

    z' = atan2(k sin z, cos z)        s' = s hypot(k sin z, cos z)

The line scale is Simpson's mean over the line, h the mean height of its ends over the surface
that the grid stands on. Convergence is left to the orientation of each setup; the bend of the
projected line (below 0.1 arc seconds on a site) is left out.

References: Ghilani, Adjustment Computations, reduction of distances to a map projection grid.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tieup.model.arrays import FloatArray
from tieup.model.network import Links
from tieup.model.observations import DISTANCE, ZENITH, Sights
from tieup.model.settings import Grid


def combined_factor(grid: Grid, place: FloatArray) -> FloatArray:
    """Return the combined factor (n,) at places (n, 3): N, E, H in m, in the job's frame."""
    return np.asarray(point_scale(grid, place) * height_factor(grid, place[:, 2]))


def point_scale(grid: Grid, place: FloatArray) -> FloatArray:
    """Return the scale of the projection (n,) at places (n, 2 or 3): a quadratic near the site."""
    north, east = (place[:, :2] - grid.centre[:2]).T / grid.reach
    terms = np.stack([np.ones_like(north), north, east, north**2, north * east, east**2])
    return np.asarray(np.array(grid.scale) @ terms)


def height_factor(grid: Grid, height: FloatArray) -> FloatArray:
    """Return R / (R + h) for elevations (n,) in m; 1 where heights are not to be reduced."""
    if not grid.reduces_height:
        return np.ones_like(height)
    return np.asarray(grid.radius / (grid.radius + height + grid.separation))


def line_factors(grid: Grid, start: FloatArray, end: FloatArray) -> FloatArray:
    """Return the combined factor (n,) of lines between places (n, 3)."""
    middle = 0.5 * (start + end)
    ends = point_scale(grid, start) + point_scale(grid, end)
    scale = (ends + 4.0 * point_scale(grid, middle)) / 6.0
    return np.asarray(scale * height_factor(grid, middle[:, 2]))


def site_factor(grid: Grid | None) -> float:
    """Return the combined factor at the middle of the site; 1 without a grid."""
    if grid is None:
        return 1.0
    return float(combined_factor(grid, np.array([grid.centre]))[0])


def sights_on_grid(sights: Sights, factor: FloatArray | float) -> Sights:
    """Return sights with their horizontal distances times ``factor`` (scalar or (k,)).

    A distance without a zenith angle counts as level.
    """
    value = sights.value.copy()
    zenith = np.where(np.isnan(value[:, ZENITH]), 0.5 * np.pi, value[:, ZENITH])
    plan, rise = factor * np.sin(zenith), np.cos(zenith)
    value[:, DISTANCE] *= np.hypot(plan, rise)
    value[:, ZENITH] += np.arctan2(plan, rise) - zenith
    return replace(sights, value=value)


def links_on_grid(links: Links, factor: FloatArray | float) -> Links:
    """Return links whose lengths on the ground are brought to the grid by ``factor`` (or (l,)).

    A horizontal distance is multiplied; a vector's rows say what it shows of an offset on the
    grid, so that its covariance stays that of what was observed. Heights stay.
    """
    along = links.along.copy()
    along[:, :2] /= np.broadcast_to(factor, len(along))[:, None]
    value = np.where(links.is_distance, links.value * factor, links.value)
    return replace(links, value=value, along=along)
