"""Which triangle a place lies in, and how high the surface is there.

Triangles are sorted into square cells by what their bounding boxes touch; a place is held against
the triangles of its cell.
"""

from __future__ import annotations

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
from tieup.surface.mesh import NEXT, Mesh, cross

OUTSIDE = -1
PER_CELL = 2.0  # triangles of mean size in a cell
MOST_CELLS = 64  # across, that a single triangle may touch: the cells are made that large
SLACK = 1e-9  # of the longest side: a place this little outside is in


class Locator:
    """The triangles of a mesh, sorted for many questions."""

    def __init__(self, mesh: Mesh) -> None:
        self._mesh = mesh
        corners = mesh.corners
        low, high = corners.min(axis=1), corners.max(axis=1)
        self._origin = low.min(axis=0) if len(low) else np.zeros(2)
        size = float(np.sqrt(PER_CELL * mesh.area.mean())) if len(low) else 1.0
        self._size = max(size, float((high - low).max(initial=0.0)) / MOST_CELLS)
        first, last = self._cells(low), self._cells(high)
        span = last - first + 1
        count = span.prod(axis=1)
        face = np.repeat(np.arange(len(low)), count)
        within = np.arange(len(face)) - np.repeat(np.cumsum(count) - count, count)
        column = first[face] + np.stack(np.divmod(within, span[face, 1]), axis=1)
        self._width = int(last[:, 1].max(initial=0)) + 2
        key = column @ [self._width, 1]
        order = np.argsort(key, kind="stable")
        self._key, self._face = key[order], face[order]

    def _cells(self, places: FloatArray) -> IntArray:
        return np.floor((places - self._origin) / self._size).astype(np.int64)

    def faces(self, places: FloatArray) -> IntArray:
        """Return the triangle (p,) of each place (p, 2) northing, easting; -1 outside."""
        found = np.full(len(places), OUTSIDE)
        at = np.asarray(places)[:, ::-1]
        cell = self._cells(at)
        sound = (cell >= 0).all(axis=1) & (cell[:, 1] < self._width)
        key = np.where(sound, cell @ [self._width, 1], -1)
        first = np.searchsorted(self._key, key, side="left")
        count = np.searchsorted(self._key, key, side="right") - first
        row = np.repeat(np.arange(len(at)), count)
        within = np.arange(len(row)) - np.repeat(np.cumsum(count) - count, count)
        face = self._face[first[row] + within]
        corners = self._mesh.corners[face]
        longest = np.ptp(corners, axis=1).max(axis=1) ** 2
        inside = np.ones(len(row), dtype=bool)
        for k in range(3):
            side = cross(corners[:, NEXT[k]], at[row], corners[:, k])
            inside &= side >= -SLACK * longest
        found[row[inside][::-1]] = face[inside][::-1]
        return found

    def shares(self, places: FloatArray, faces: IntArray) -> FloatArray:
        """Return the barycentric coordinates (p, 3) of places (p, 2) in triangles (p,)."""
        corners, at = self._mesh.corners[faces], np.asarray(places)[:, ::-1]
        whole = 2.0 * self._mesh.area[faces]
        share = [
            cross(corners[:, NEXT[k]], corners[:, NEXT[NEXT[k]]], at) / whole for k in range(3)
        ]
        return np.column_stack(share)


def heights_at(mesh: Mesh, places: FloatArray) -> FloatArray:
    """Return the heights (p,) of a surface at places (p, 2), NaN outside."""
    locator = Locator(mesh)
    faces = locator.faces(places)
    share = locator.shares(places, faces)
    height = (share * mesh.height[mesh.faces[faces]]).sum(axis=1) if len(mesh.faces) else faces
    return np.where(faces >= 0, height, np.nan)
