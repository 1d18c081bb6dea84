"""A triangulated surface: vertices, triangles, which edges are breaklines, where heights come from.

Every height of a vertex is a linear function of the heights of the points it was made of
(``weights``): a vertex is a point, the mean of points that are one place, or a crossing of two
breaklines. So every sd of the surface is that of a linear function of point heights.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property

import numpy as np
from scipy.sparse import csr_array, identity

from tieup.model.arrays import BoolArray, FloatArray, IntArray

SLIVER = 0.1  # m; our choice
NEXT = (1, 2, 0)  # edge k of a triangle runs from its vertex k to vertex NEXT[k]


@dataclass(frozen=True)
class Mesh:
    """Triangles over vertices.

    ``place`` (v, 3) northing, easting, elevation in m. ``faces`` (t, 3) vertices, counterclockwise
    seen from above. ``neighbours`` (t, 3) the triangle across the edge from vertex k to the next,
    -1 where there is none; ``fixed`` (t, 3) whether that edge is (a piece of) a breakline or of
    the outline. ``weights`` (v, n) gives the heights of vertices from those of the n points.

    Tables of triangles lie column by column in memory, and so does what is worked out of them:
    numpy goes through three long columns many times as fast as through many rows of three.
    """

    place: FloatArray
    faces: IntArray
    neighbours: IntArray
    fixed: BoolArray
    weights: csr_array

    @cached_property
    def height(self) -> FloatArray:
        """Return the elevations (v,) in m."""
        return self.place[:, 2].copy()

    @cached_property
    def plan(self) -> FloatArray:
        """Return northings and eastings (2, v) in m, each in one piece: fast to pick from."""
        return self.place[:, :2].T.copy()

    @cached_property
    def edges(self) -> IntArray:
        """Return every edge (e, 2) once."""
        face, edge = self._first
        return np.stack([self.faces[face, edge], self.faces[face, np.array(NEXT)[edge]]]).T

    @cached_property
    def sides(self) -> IntArray:
        """Return the triangles (e, 2) on both sides of each edge; the second -1 for none."""
        face, edge = self._first
        return np.stack([face, self.neighbours[face, edge]]).T

    @cached_property
    def held(self) -> BoolArray:
        """Return which edges (e,) are pieces of a breakline or of the outline."""
        return np.asarray(self.fixed[self._first])

    @cached_property
    def _first(self) -> tuple[IntArray, IntArray]:
        """Return of each edge one triangle, and which of its edges it is."""
        own = np.arange(len(self.faces))[:, None]
        face, edge = np.nonzero((self.neighbours < 0) | (self.neighbours < own))
        return face, edge

    @cached_property
    def spokes(self) -> tuple[IntArray, IntArray, IntArray]:
        """Return every edge twice (2 e,), once from each end, in order of the first end.

        Both ends and the number of the edge.
        """
        count, (first, second) = len(self.place), self.edges.T
        number = np.tile(np.arange(len(first)), 2)
        ends = np.concatenate([first, second]), np.concatenate([second, first])
        sorted_ = csr_array((number, ends), shape=(count, count))  # by counting: no sort
        start = np.repeat(np.arange(count), np.diff(sorted_.indptr))
        return start, sorted_.indices.astype(np.int64), sorted_.data

    @cached_property
    def area(self) -> FloatArray:
        """Return the plan areas (t,) in m^2."""
        return np.asarray(0.5 * cross(self.corners[:, 1], self.corners[:, 2], self.corners[:, 0]))

    @cached_property
    def corners(self) -> FloatArray:
        """Return the corners (t, 3, 2) in plan, easting before northing."""
        north, east = self.plan
        return np.asarray(np.stack([east[self.faces.T], north[self.faces.T]]).transpose(2, 1, 0))

    @cached_property
    def slopes(self) -> FloatArray:
        """Return the derivatives (t, 3, 2) of the hat function of each corner by N and E.

        The gradient of the surface over a triangle is the sum of heights times these.
        """
        x, y = self.corners[..., 0], self.corners[..., 1]
        after, before = np.array(NEXT), np.array([2, 0, 1])
        twice = 2.0 * self.area[:, None]
        with np.errstate(divide="ignore", invalid="ignore"):
            north = (x[:, before] - x[:, after]) / twice
            east = (y[:, after] - y[:, before]) / twice
        return np.asarray(np.stack([north.T, east.T]).transpose(2, 1, 0))

    def slivers(self, faces: IntArray | slice = slice(None)) -> BoolArray:
        """Return which triangles are narrower than `SLIVER`: they show no grade."""
        corners = self.corners[faces]
        ends = corners[:, NEXT] - corners
        longest = np.hypot(ends[..., 0], ends[..., 1]).max(axis=1)
        return np.asarray(2.0 * self.area[faces] < SLIVER * longest)

    @cached_property
    def used(self) -> BoolArray:
        """Return which vertices (v,) are a corner of a triangle."""
        used = np.zeros(len(self.place), dtype=bool)
        used[self.faces] = True
        return used

    def border(self) -> tuple[IntArray, IntArray]:
        """Return the edges (b, 2) with a triangle on one side only, and that triangle (b,)."""
        face, edge = np.nonzero(self.neighbours < 0)
        ends = np.stack([self.faces[face, edge], self.faces[face, np.array(NEXT)[edge]]], axis=-1)
        return ends, face


def cross(a: FloatArray, b: FloatArray, origin: FloatArray) -> FloatArray:
    """Return the cross product (n,) of a - origin and b - origin, plan vectors (n, 2)."""
    u, v = a - origin, b - origin
    return np.asarray(u[..., 0] * v[..., 1] - u[..., 1] * v[..., 0])


def greatest(groups: IntArray, values: FloatArray) -> IntArray:
    """Return the row of the greatest value of each group that there is; groups stand in order.

    >>> greatest(np.array([0, 0, 2, 2]), np.array([5.0, 5.0, 1.0, 3.0]))
    array([0, 3])
    """
    new = np.diff(groups, prepend=-1) != 0
    start = np.flatnonzero(new)
    if not len(start):
        return start
    most = np.repeat(np.maximum.reduceat(values, start), np.diff(start, append=len(groups)))
    top = np.flatnonzero(values == most)
    return np.asarray(top[np.diff(groups[top], prepend=-1) != 0])


def mesh_of_faces(place: FloatArray, faces: IntArray) -> Mesh:
    """Return a mesh of given triangles, their vertices in any order; breaklines are not known.

    Of more than two triangles at an edge, which is no surface, two are neighbours.
    """
    turn = cross(*(place[faces[:, k], 1::-1] for k in (1, 2, 0)))
    faces = np.asfortranarray(np.where((turn < 0.0)[:, None], faces[:, ::-1], faces))
    ends = np.sort(np.stack([faces, faces[:, NEXT]], axis=-1), axis=-1) @ [len(place), 1]
    key = ends.reshape(-1)
    order = np.argsort(key, kind="stable")
    same = np.flatnonzero(key[order][1:] == key[order][:-1])
    beside = np.full(key.shape, -1)
    one, other = order[same], order[same + 1]
    beside[one], beside[other] = other // 3, one // 3
    fixed = np.zeros(faces.shape, dtype=bool)
    weights = csr_array(identity(len(place), format="csr"))
    return Mesh(place, faces, beside.reshape(-1, 3), fixed, csr_array(weights))


def kept(mesh: Mesh, keep: BoolArray) -> Mesh:
    """Return the mesh with some of its triangles (t,) only."""
    number = np.append(np.where(keep, np.cumsum(keep) - 1, -1), -1)
    return Mesh(
        mesh.place,
        mesh.faces.T[:, keep].T,
        number[mesh.neighbours.T[:, keep]].T,
        mesh.fixed.T[:, keep].T,
        mesh.weights,
    )
