"""Where water goes: from each triangle over edges and vertices to an inlet, the edge or a hollow.

Water on a triangle runs down its plane from the middle. Where the triangle beyond the edge that it
reaches sheds water back, that edge is a valley and water runs along it to its lower end; from a
vertex it runs along the steepest edge that leads lower, out of a pond over the spill. That each
triangle is a drop that starts in its middle shares out areas, it does not trace single lines.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.model.arrays import FloatArray, IntArray
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
    return Flow(outlet, _of_faces(mesh, outlet), _of_faces(mesh, first))


def _ends(ahead: IntArray) -> IntArray:
    """Return where each chain ends, one that runs in a ring at some place of it."""
    for _ in range(max(int(np.ceil(np.log2(len(ahead) + 1))), 1)):
        ahead = ahead[ahead]
    return ahead


def _ahead_of_vertices(mesh: Mesh, water: Filled, ponds: Ponds) -> IntArray:
    """Return the next vertex (v,) of the water of each; an outlet and a closed pond are their own.

    The level sinks along the way or the way out of the tree is taken: there are no rings.
    """
    own = np.arange(len(mesh.place))
    a, b, _ = mesh.spokes
    lower = water.level[b] < water.level[a]
    a, b = a[lower], b[lower]
    run = np.hypot(*(mesh.place[b, :2] - mesh.place[a, :2]).T)
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


def _of_faces(mesh: Mesh, outlet: IntArray) -> IntArray:
    """Return the outlet (t,) of each triangle, or what else vertices (v,) have for one."""
    count = len(mesh.faces)
    if not count:
        return np.zeros(0, dtype=np.int64)
    leaves = _exit_edge(mesh, -gradients(mesh))
    face = np.arange(count)
    beside = mesh.neighbours[face, leaves]
    over = beside < 0
    across = np.where(over, face, beside)
    ends = np.stack([mesh.faces[face, leaves], mesh.faces[face, np.array(NEXT)[leaves]]], axis=1)
    lower = np.where(mesh.height[ends[:, 0]] <= mesh.height[ends[:, 1]], ends[:, 0], ends[:, 1])
    back = ~over & (mesh.neighbours[across, leaves[across]] == face)
    fall = mesh.height[mesh.faces]
    flat = fall.max(axis=1) == fall.min(axis=1)
    stops = over | back | flat
    last = _ends(np.where(stops, face, across))
    pit = mesh.faces[last, np.argmin(fall[last], axis=1)]  # where triangles run in a ring
    end = np.where(over[last], EDGE, np.where(back[last], outlet[lower[last]], outlet[pit]))
    return np.asarray(end)


def _exit_edge(mesh: Mesh, direction: FloatArray) -> IntArray:
    """Return the edge (t,) that a line from the middle of each triangle along N, E leaves by."""
    corners = mesh.corners - mesh.corners.mean(axis=1, keepdims=True)
    start, end = corners, corners[:, NEXT]
    x, y = direction[:, 1][:, None], direction[:, 0][:, None]
    left = x * start[..., 1] - y * start[..., 0]
    right = x * end[..., 1] - y * end[..., 0]
    leaves = (left <= 0.0) & (right > 0.0)
    return np.asarray(np.argmax(leaves, axis=1))


def shares(mesh: Mesh, flow: Flow) -> dict[int, float]:
    """Return the plan area in m^2 that each outlet vertex (or `EDGE`, `LOST`) is reached from."""
    ends, number = np.unique(flow.of_face, return_inverse=True)
    area = np.bincount(number.reshape(-1), mesh.area, minlength=len(ends))
    return dict(zip(ends.tolist(), area.tolist(), strict=True))
