"""How a surface falls: the gradient of each triangle, its fall and its direction, with sds.

Over a triangle the surface is a plane, z = sum of z_i h_i with the hat functions h_i of its
corners, so the gradient g = sum of z_i grad h_i is linear in the heights. The fall is f = |g|,
toward -g; to first order df = g / |g| . dg.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.surface.mesh import Mesh
from tieup.surface.spread import VertexSpread


@dataclass(frozen=True)
class Grades:
    """Of each triangle (t,): ``gradient`` (t, 2) upward by N and E, ``fall`` (a ratio), its ``sd``.

    ``azimuth`` of the fall, rad from north, NaN where it is level.
    """

    gradient: FloatArray
    fall: FloatArray
    sd: FloatArray
    azimuth: FloatArray


def gradients(mesh: Mesh) -> FloatArray:
    """Return the gradients (t, 2) of the triangles by northing and easting."""
    height = mesh.height[mesh.faces]
    by_axis = [(height * mesh.slopes[..., axis]).sum(axis=1) for axis in (0, 1)]
    return np.stack(by_axis).T


def grades_of(mesh: Mesh, spread: VertexSpread) -> Grades:
    """Return the falls of all triangles."""
    gradient = gradients(mesh)
    fall = np.hypot(gradient[:, 0], gradient[:, 1])
    level = fall == 0.0
    direction = gradient / np.where(level, 1.0, fall)[:, None]
    direction[level, 0] = 1.0  # any will do where there is none
    azimuth = np.arctan2(-gradient[:, 1], -gradient[:, 0]) % (2.0 * np.pi)
    return Grades(
        gradient=gradient,
        fall=fall,
        sd=sd_along(mesh, spread, slice(None), direction),
        azimuth=np.where(level, np.nan, azimuth),
    )


def sd_along(
    mesh: Mesh, spread: VertexSpread, faces: IntArray | slice, direction: FloatArray
) -> FloatArray:
    """Return the sd (k,) of the slope of triangles ``faces`` (k,) along directions (k, 2)."""
    north, east = (mesh.slopes[..., axis][faces] for axis in (0, 1))
    by_corner = north * direction[:, :1] + east * direction[:, 1:]
    return spread.sd(mesh.faces[faces], by_corner)
