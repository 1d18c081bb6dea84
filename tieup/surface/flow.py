"""Where water goes: from each triangle over edges and vertices to an inlet, the edge or a hollow.

Water on a triangle runs down its plane from the middle. Where the triangle beyond the edge that it
reaches sheds water back, that edge is a valley and water runs along it to its lower end; from a
vertex it runs along the steepest edge that leads lower, out of a pond over the spill. That each
triangle is a drop that starts in its middle shares out areas, it does not trace single lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.grades import gradients
from tieup.surface.mesh import NEXT, Mesh, greatest
from tieup.surface.water import Filled, Ponds

EDGE = -1  # water leaves over the edge of the surface there
LOST = -2  # it has no way out


@dataclass(frozen=True)
class Flow:
    """``outlet`` (v,) the outlet vertex that water of a vertex reaches, `LOST` for none.

    ``of_face`` (t,) the same of triangles, `EDGE` where water leaves over the edge in between;
    ``pond`` (t,) the pond that their water fills first, -1 for none.
    """

    outlet: IntArray
    of_face: IntArray
    pond: IntArray


def flow_of(mesh: Mesh, water: Filled, ponds: Ponds) -> Flow:
    """Return where the water of each vertex and each triangle goes."""
    ahead = _ahead_of_vertices(mesh, water, ponds)
    outlet = _ends(ahead)
    closed = (ponds.of_vertex >= 0) & (ahead == np.arange(len(ahead)))
    outlet = np.where(closed[outlet], LOST, outlet)
    stops = np.where(ponds.of_vertex >= 0, np.arange(len(ahead)), ahead)
    first = ponds.of_vertex[_ends(stops)]
    runs = _runs(mesh)
    return Flow(outlet, runs.ends(outlet), runs.ends(first))


@dataclass(frozen=True)
class _Runs:
    """Where the water of each triangle (t,) comes to: a ``vertex``, or over the edge there."""

    over: BoolArray
    vertex: IntArray

    def ends(self, of_vertex: IntArray) -> IntArray:
        """Return what the vertices (v,) have, for the triangles (t,)."""
        return np.where(self.over, EDGE, of_vertex[self.vertex])


def _ends(ahead: IntArray) -> IntArray:
    """Return where each chain ends, one that runs in a ring at some place of it."""
    for _ in range(max(int(np.ceil(np.log2(len(ahead) + 1))), 1)):
        further = ahead[ahead]
        if np.array_equal(further, ahead):
            break
        ahead = further
    return ahead


def _ahead_of_vertices(mesh: Mesh, water: Filled, ponds: Ponds) -> IntArray:
    """Return the next vertex (v,) of the water of each; an outlet and a closed pond are their own.

    The level sinks along the way or the way out of the tree is taken: there are no rings.
    """
    own = np.arange(len(mesh.place))
    a, b, _ = mesh.spokes
    lower = np.flatnonzero(water.level[b] < water.level[a])
    a, b = a[lower], b[lower]
    run = np.hypot(*(axis[b] - axis[a] for axis in mesh.plan))
    first = greatest(a, (mesh.height[a] - mesh.height[b]) / run)
    ahead = np.where(water.onward >= 0, water.onward, own)
    inner = water.onward >= 0
    steepest = ahead.copy()
    steepest[a[first]] = b[first]
    ahead = np.where(inner, steepest, own)
    wet = ponds.of_vertex >= 0
    spill = ponds.spill[ponds.of_vertex[wet]]
    ahead[wet] = np.where(spill >= 0, spill, own[wet])
    return np.asarray(ahead)


def _runs(mesh: Mesh) -> _Runs:
    """Return where the water of each triangle comes to."""
    count = len(mesh.faces)
    leaves = _exit_edge(mesh, -gradients(mesh))
    face = np.arange(count)
    beside = mesh.neighbours[face, leaves]
    over = beside < 0
    across = np.where(over, face, beside)
    start, end = mesh.faces[face, leaves], mesh.faces[face, np.array(NEXT)[leaves]]
    lower = np.where(mesh.height[start] <= mesh.height[end], start, end)
    back = ~over & (mesh.neighbours[across, leaves[across]] == face)
    fall = mesh.height[mesh.faces]
    flat = (fall[:, 0] == fall[:, 1]) & (fall[:, 0] == fall[:, 2])
    stops = over | back | flat
    last = _ends(np.where(stops, face, across))
    vertex = lower[last]
    ring = np.flatnonzero(~back[last])  # or a level one, or the edge
    vertex[ring] = mesh.faces[last[ring], np.argmin(fall[last[ring]], axis=1)]
    return _Runs(over[last], vertex)


def _exit_edge(mesh: Mesh, direction: FloatArray) -> IntArray:
    """Return the edge (t,) that a line from the middle of each triangle along N, E leaves by."""
    corners = mesh.corners - mesh.corners.mean(axis=1, keepdims=True)
    north, east = direction.T
    side = [east * corners[:, k, 1] - north * corners[:, k, 0] for k in range(3)]
    leaves = [(side[k] <= 0.0) & (side[NEXT[k]] > 0.0) for k in range(3)]
    return np.select(leaves, range(3), 0)


def shares(mesh: Mesh, flow: Flow) -> dict[int, float]:
    """Return the plan area in m^2 that each outlet vertex (or `EDGE`, `LOST`) is reached from."""
    ends, number = np.unique(flow.of_face, return_inverse=True)
    area = np.bincount(number.reshape(-1), mesh.area, minlength=len(ends))
    return dict(zip(ends.tolist(), area.tolist(), strict=True))
