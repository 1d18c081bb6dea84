"""Between two surfaces: how far the one lies above the other, cut, fill and net volume.

All points and edges of both are triangulated together, so that over each triangle both surfaces
are planes and so is their difference d. With the share s_i of the hat function of corner i above
(d > 0),

    cut = sum of area s_i d_i        fill = - the same of the part below

which is exact, and the derivative of the cut by a height of the one surface is the share of that
part times the barycentric coordinates of the corner in its triangle. What the two surfaces have in
common, a setup or the same points, cancels in the difference.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array

from tieup.model.arrays import FloatArray, IntArray
from tieup.surface.mesh import Mesh
from tieup.surface.spread import HeightSpread
from tieup.surface.triangle_search import Locator
from tieup.surface.triangulation import triangulate
from tieup.surface.water import hats_below


@dataclass(frozen=True)
class Between:
    """What lies between two surfaces where both are there.

    ``place`` (p, 2) are the corners of the common triangles, ``depth`` (p,) m of the first above
    the second there. ``area`` m^2 in plan; ``volume`` (3,) m^3 of cut, fill and net. ``of_first``
    (p, v) and ``of_second`` (p, w) give depths from the heights of vertices; ``volume_first``
    (3, v) and ``volume_second`` (3, w) the volumes, to first order.
    """

    place: FloatArray
    depth: FloatArray
    area: float
    volume: FloatArray
    of_first: csr_array
    of_second: csr_array
    volume_first: csr_array
    volume_second: csr_array


def between(first: Mesh, second: Mesh) -> Between:
    """Return what lies between two surfaces.

    Raises
    ------
    NetworkError
        The library that triangulates is missing.
    """
    plan, faces, area, of_face = _common(first, second)
    corner = faces.reshape(-1)
    rows = [
        _heights(mesh, plan[corner], np.repeat(own, 3))
        for mesh, own in zip((first, second), of_face, strict=True)
    ]
    depth = (rows[0] @ first.height - rows[1] @ second.height).reshape(-1, 3)
    above = hats_below(depth) * area[:, None]
    below = hats_below(-depth) * area[:, None]
    volume = np.array([(above * depth).sum(), -(below * depth).sum(), 0.0])
    volume[2] = volume[0] - volume[1]
    share = np.stack([above.reshape(-1), -below.reshape(-1), (above + below).reshape(-1)])
    # one row for each corner place: the first triangle that has it
    _, once = np.unique(corner, return_index=True)
    return Between(
        place=plan[corner[once]],
        depth=depth.reshape(-1)[once],
        area=float(area.sum()),
        volume=volume,
        of_first=rows[0][once],
        of_second=-rows[1][once],
        volume_first=csr_array(share) @ rows[0],
        volume_second=csr_array(-share) @ rows[1],
    )


def depths_at(
    first: Mesh, second: Mesh, places: FloatArray
) -> tuple[IntArray, csr_array, csr_array]:
    """Return which places (p, 2) both surfaces cover, and the depths there as in `Between`."""
    faces = [Locator(mesh).faces(places) for mesh in (first, second)]
    both = np.flatnonzero((faces[0] >= 0) & (faces[1] >= 0))
    of_first, of_second = (
        _heights(mesh, places[both], own[both])
        for mesh, own in zip((first, second), faces, strict=True)
    )
    return both, of_first, csr_array(-of_second)


def _common(
    first: Mesh, second: Mesh
) -> tuple[FloatArray, IntArray, FloatArray, tuple[IntArray, IntArray]]:
    """Return places, triangles, areas of what both cover, and the triangles of both there."""
    place = np.concatenate([first.place, second.place])
    place[:, 2] = 0.0
    used = np.concatenate([first.used, second.used])
    place[~used] = np.nan
    edges = np.concatenate([first.edges, second.edges + len(first.place)])
    alike = HeightSpread(np.ones(len(place)), np.zeros((len(place), 0)))  # only plan matters here
    mesh = triangulate(place, edges, alike).mesh
    middle = mesh.place[mesh.faces, :2].mean(axis=1) if len(mesh.faces) else np.zeros((0, 2))
    of_first, of_second = (Locator(own).faces(middle) for own in (first, second))
    both = (of_first >= 0) & (of_second >= 0) & (mesh.area > 0.0)
    return mesh.place[:, :2], mesh.faces[both], mesh.area[both], (of_first[both], of_second[both])


def _heights(mesh: Mesh, places: FloatArray, faces: IntArray) -> csr_array:
    """Return the heights (p, v) of a surface at places in given triangles, of vertices."""
    share = Locator(mesh).shares(places, faces)
    rows = np.repeat(np.arange(len(places)), 3)
    shape = (len(places), len(mesh.place))
    return csr_array((share.reshape(-1), (rows, mesh.faces[faces].reshape(-1))), shape=shape)
