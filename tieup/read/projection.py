"""The grid that a job states: its scale near the site, from a coordinate reference system.

Only here is pyproj asked, and only when job.yaml names a crs: the rest of the package works
with a quadratic that agrees with it to a tenth of a part in a million over the site.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from tieup.errors import ConfigError
from tieup.model.arrays import FloatArray
from tieup.model.control import Control
from tieup.model.settings import Grid, GridWish

REACH = 5000.0  # m; sampled this far from the middle of the site


def site_grid(wish: GridWish | None, control: Control | None) -> Grid | None:
    """Return the grid at the site, None where the job states none.

    Raises
    ------
    ConfigError
        There is no control to say where the site is, pyproj is not installed, or the crs is
        not known, not a map grid, or not conformal.
    """
    if wish is None:
        return None
    centre = _centre(control)
    if not wish.crs:
        height = ", reduced to sea level" if wish.sea_level else ""
        return Grid(
            centre=centre,
            scale=(wish.scale, 0.0, 0.0, 0.0, 0.0, 0.0),
            reduces_height=wish.sea_level,
            separation=wish.separation,
            words=f"scale {wish.scale:.8f} as stated{height}",
        )
    projection, unit, radius = _projection(wish.crs, centre)
    steps = np.linspace(-1.0, 1.0, 5)
    north, east = (part.ravel() for part in np.meshgrid(steps, steps, indexing="ij"))
    scale = _point_scale(
        projection, centre[0] + REACH * north, centre[1] + REACH * east, unit, wish.crs
    )
    terms = np.stack([np.ones_like(north), north, east, north**2, north * east, east**2], axis=1)
    fitted = np.linalg.lstsq(terms, scale, rcond=None)[0].tolist()
    a, b, c, d, e, f = fitted
    height = ", reduced for height" if wish.sea_level else ""
    return Grid(
        centre=centre,
        scale=(a, b, c, d, e, f),
        reach=REACH,
        reduces_height=wish.sea_level,
        separation=wish.separation,
        radius=radius,
        words=f"grid {wish.crs}, scale {a:.8f} at the site{height}",
    )


def _centre(control: Control | None) -> tuple[float, float, float]:
    """Return the middle of the control marks (m); elevation 0 where none has one."""
    if control is not None:
        plan = control.coordinates[np.isfinite(control.coordinates[:, :2]).all(axis=1)]
        heights = control.coordinates[np.isfinite(control.coordinates[:, 2]), 2]
        if len(plan):
            north, east = plan[:, :2].mean(axis=0).tolist()
            return north, east, float(heights.mean()) if len(heights) else 0.0
    raise ConfigError(
        "job.yaml: grid: needs a control list with northing and easting, which say where on the "
        "grid the site is. Add control.csv, or take grid: out"
    )


def _projection(crs: str, centre: tuple[float, float, float]) -> tuple[Any, float, float]:
    """Return the projection, metres in its unit, and the radius (m) of the earth at the site."""
    try:
        import pyproj
    except ImportError as error:
        raise ConfigError(
            f"job.yaml: grid: crs {crs} needs the package pyproj. Install tieup[grid], or state "
            "grid: {scale: ...} instead"
        ) from error
    try:
        system = pyproj.CRS.from_user_input(crs)
    except pyproj.exceptions.CRSError as error:
        raise ConfigError(
            f'job.yaml: grid: crs is "{crs}", which is not known. Expected the like of EPSG:32633'
        ) from error
    if not system.is_projected:
        raise ConfigError(
            f"job.yaml: grid: crs {crs} ({system.name}) is no map grid with northing and easting"
        )
    unit = float(system.axis_info[0].unit_conversion_factor)
    projection = pyproj.Proj(system)
    _, latitude = projection(centre[1] / unit, centre[0] / unit, inverse=True, errcheck=False)
    return projection, unit, _gauss_radius(system.ellipsoid, math.radians(float(latitude)), crs)


def _gauss_radius(ellipsoid: Any, latitude: float, crs: str) -> float:
    """Return the geometric mean of the two radii of curvature (m)."""
    if not math.isfinite(latitude):
        raise ConfigError(
            f"job.yaml: grid: the control lies outside what crs {crs} can map. Check the "
            "coordinates, their order and units.length"
        )
    minor, major = float(ellipsoid.semi_minor_metre), float(ellipsoid.semi_major_metre)
    second = (major / minor) ** 2 - 1.0
    return major**2 / minor / (1.0 + second * math.cos(latitude) ** 2)


def _point_scale(
    projection: Any, north: FloatArray, east: FloatArray, unit: float, crs: str
) -> FloatArray:
    """Return the scale at places (m); a projection without one scale for all ways is refused."""
    longitude, latitude = projection(east / unit, north / unit, inverse=True)
    factors = projection.get_factors(longitude, latitude)
    along, across = np.array(factors.meridional_scale), np.array(factors.parallel_scale)
    if not np.allclose(along, across, rtol=0.0, atol=1e-6) or not np.isfinite(along).all():
        raise ConfigError(
            f"job.yaml: grid: crs {crs} has no single scale at a place (not conformal), or does "
            "not reach the site. Name the grid of the control list"
        )
    return along
