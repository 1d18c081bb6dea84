"""Where a surface ends: at a closed string, at holes, or where the hull spans too far.

A triangle belongs to the surface where it lies inside the boundary by the even-odd rule and in no
hole. Without a boundary the hull ends it; triangles are then taken away from outside as long as
the way in leads over edges longer than a limit, never over a breakline. What is left does not
depend on the order in which they go. Points along a straight edge of the ground are never quite on
one line: thin triangles that the hull spans over them go as well, so that all of them are on the
edge, where water leaves. No point goes with them.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import NEXT, Mesh, kept

FLAT = 1e-9  # m^2; less is no triangle: its points are on one line
STRAIGHT = 0.02  # m; a point this little inside of the hull is on the edge; our choice


def outlined(
    mesh: Mesh, boundary: FloatArray | None, holes: Sequence[FloatArray], longest: float
) -> Mesh:
    """Return the part of a mesh that is the surface.

    ``boundary`` and ``holes`` are rings (k, 2) northing, easting, whose edges are breaklines of
    the mesh; ``longest`` (m) is the longest edge along the hull where there is no boundary.
    """
    if not len(mesh.faces):
        return mesh
    keep = mesh.area > FLAT
    if boundary is None:
        keep &= ~_outside(mesh, longest)
        keep = _without_slivers(mesh, keep)
    else:
        keep &= _inside(mesh, [boundary])
    for hole in holes:
        keep &= ~_inside(mesh, [hole])
    return kept(mesh, keep)


def _outside(mesh: Mesh, longest: float) -> BoolArray:
    """Return the triangles (t,) that can be reached from outside over long edges."""
    ends = mesh.corners[:, NEXT] - mesh.corners
    passable = (np.hypot(ends[..., 0], ends[..., 1]) > longest) & ~mesh.fixed
    face, edge = np.nonzero(passable)
    beside = mesh.neighbours[face, edge]
    outside = len(mesh.faces)
    beside = np.where(beside < 0, outside, beside)
    label = _labels(face, beside, outside + 1)
    return np.asarray(label[:-1] == label[-1])


def _without_slivers(mesh: Mesh, keep: BoolArray) -> BoolArray:
    """Return which triangles (t,) stay when those that are thin along the edge go, in rounds.

    One goes that has a single edge outside, its longest and no breakline, and no height over it.
    """
    keep = np.append(keep, False)  # the last one is where the neighbour is -1: outside
    used = np.bincount(mesh.faces[keep[:-1]].reshape(-1), minlength=len(mesh.place))
    some = np.flatnonzero(keep[:-1] & ~keep[mesh.neighbours].all(axis=1))
    while len(some):
        thin = some[_thin_over_one(mesh, some, ~keep[mesh.neighbours[some]])]
        left = used - np.bincount(mesh.faces[thin].reshape(-1), minlength=len(used))
        gone = thin[~((used > 0) & (left == 0))[mesh.faces[thin]].any(axis=1)]
        used -= np.bincount(mesh.faces[gone].reshape(-1), minlength=len(used))
        keep[gone] = False
        some = np.unique(mesh.neighbours[gone])
        some = some[keep[some]]
    return keep[:-1]


def _thin_over_one(mesh: Mesh, some: IntArray, outside: BoolArray) -> BoolArray:
    """Return which triangles (k,) are thin over the only one of their edges (k, 3) outside."""
    corners = mesh.corners[some]
    ends = corners[:, NEXT] - corners
    length = np.hypot(ends[..., 0], ends[..., 1])
    longest = np.argmax(length, axis=1)
    row = np.arange(len(some))
    thin = 2.0 * mesh.area[some] < STRAIGHT * length[row, longest]
    over = outside[row, longest] & (outside.sum(axis=1) == 1) & ~mesh.fixed[some, longest]
    return np.asarray(thin & over)


def _inside(mesh: Mesh, rings: Sequence[FloatArray]) -> BoolArray:
    """Return the triangles (t,) inside of rings, by the middle of one in each region."""
    label = panels(mesh)
    order = np.lexsort([mesh.area, label])  # the largest of each region stands last
    last = np.flatnonzero(np.append(np.diff(label[order]) != 0, True))
    middle = mesh.corners[order[last]].mean(axis=1)[:, ::-1]
    return np.asarray(within(middle, rings)[label])


def panels(mesh: Mesh) -> IntArray:
    """Return which triangles (t,) hang together without a breakline between them, by number."""
    face, edge = np.nonzero(~mesh.fixed & (mesh.neighbours >= 0))
    return _labels(face, mesh.neighbours[face, edge], len(mesh.faces))


def _labels(first: IntArray, second: IntArray, count: int) -> IntArray:
    graph = csr_array((np.ones(len(first), dtype=bool), (first, second)), shape=(count, count))
    return np.asarray(connected_components(graph, directed=False)[1])


def within(points: FloatArray, rings: Sequence[FloatArray]) -> BoolArray:
    """Return which points (p, 2) lie inside of rings by the even-odd rule.

    >>> within(np.array([[1.0, 1.0], [3.0, 1.0]]), [np.array([[0, 0], [2, 0], [2, 2], [0, 2.0]])])
    array([ True, False])
    """
    odd = np.zeros(len(points), dtype=bool)
    for ring in rings:
        for (a, b), (c, d) in zip(ring, np.roll(ring, -1, axis=0), strict=True):
            spans = (points[:, 0] < a) != (points[:, 0] < c)
            if spans.any():  # then c is not a
                share = (points[spans, 0] - a) / (c - a)
                odd[spans] ^= points[spans, 1] < b + share * (d - b)
    return odd
