"""Where water stands: how high it fills a surface, and the ponds that this makes.

On triangles that are planes, low spots and the saddles where water spills are at vertices, and
what hangs together below a level does so along edges. So the level to which water fills at a
vertex is the least, over all ways along edges to an outlet, of the highest vertex on the way. A
minimum spanning tree has such ways (each edge weighs as its higher end; Hu, The maximum capacity
route problem, Operations Research 9, 1961), and the level is the running maximum along the tree.

Outlets are the inlets and the vertices on the open edge of the surface. A pond is a connected set
of vertices that fill above themselves; it spills over the first vertex of the way out that does
not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import (
    breadth_first_order,
    connected_components,
    minimum_spanning_tree,
)

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import Mesh

NOWHERE = -1


@dataclass(frozen=True)
class Filled:
    """``level`` (v,) m to which water fills, infinite where it cannot leave; ``onward`` (v,) the
    next vertex on the way out, -1 at an outlet and where there is no way."""

    level: FloatArray
    onward: IntArray


@dataclass(frozen=True)
class Ponds:
    """Ponds (p,) of standing water.

    ``of_vertex`` (v,) the pond of a vertex, -1 for none. ``lowest`` and ``spill`` (p,) vertices
    (spill -1 where there is no way out), ``level`` and ``depth`` (p,) in m, ``area`` m^2,
    ``volume`` m^3. ``held`` (p, v) has the area of the hat function of each vertex under water, in
    m^2: the volume changes by -held per m that the vertex rises, and by the area per m of level.
    """

    of_vertex: IntArray
    lowest: IntArray
    spill: IntArray
    level: FloatArray
    depth: FloatArray
    area: FloatArray
    volume: FloatArray
    held: csr_array

    def __len__(self) -> int:
        return len(self.lowest)


def filled(height: FloatArray, edges: IntArray, outlet: BoolArray) -> Filled:
    """Return how high water fills at each vertex.

    Parameters
    ----------
    height
        Elevations (v,) in m.
    edges
        Pairs of vertices (e, 2).
    outlet
        Which vertices (v,) let water away.
    """
    count = len(height)
    rank = np.empty(count, dtype=np.int64)
    rank[np.argsort(height, kind="stable")] = np.arange(count)
    out = np.flatnonzero(outlet)
    first = np.concatenate([edges[:, 0], np.full(len(out), count)])
    second = np.concatenate([edges[:, 1], out])
    higher = np.concatenate([np.maximum(rank[edges[:, 0]], rank[edges[:, 1]]), rank[out]])
    graph = csr_array((higher + 1.0, (first, second)), shape=(count + 1, count + 1))
    tree = minimum_spanning_tree(graph)
    order, before = breadth_first_order(tree, count, directed=False)
    onward = np.full(count + 1, count)
    onward[order] = np.where(before[order] < 0, count, before[order])
    reached = np.zeros(count + 1, dtype=bool)
    reached[order] = True
    level = _highest(np.append(height, -np.inf), onward)[:-1]
    level[~reached[:-1]] = np.inf
    onward = np.where(onward[:-1] == count, NOWHERE, onward[:-1])
    return Filled(level, onward)


def _highest(values: FloatArray, onward: IntArray) -> FloatArray:
    """Return the greatest value on the way from each vertex, by doubling the step each time."""
    values, ahead = values.copy(), onward
    while True:
        values = np.maximum(values, values[ahead])
        further = ahead[ahead]
        if np.array_equal(further, ahead):
            return values
        ahead = further


def ponds_of(mesh: Mesh, water: Filled) -> Ponds:
    """Return the ponds of a surface that is filled."""
    wet = water.level > mesh.height
    wet &= mesh.used
    of_vertex, lowest = _pond_of_vertex(mesh, wet)
    level = water.level[lowest]
    spill = _spill(water, wet, lowest)
    area, volume, held = _stored(mesh, of_vertex, level)
    return Ponds(of_vertex, lowest, spill, level, level - mesh.height[lowest], area, volume, held)


def _pond_of_vertex(mesh: Mesh, wet: BoolArray) -> tuple[IntArray, IntArray]:
    """Return the pond of each vertex, deepest first in no order but that of their vertices."""
    edges = mesh.edges[wet[mesh.edges].all(axis=1)]
    count = len(wet)
    graph = csr_array((np.ones(len(edges), dtype=bool), edges.T), shape=(count, count))
    label = connected_components(graph, directed=False)[1]
    own = np.flatnonzero(wet)
    _, number = np.unique(label[own], return_inverse=True)
    of_vertex = np.full(count, NOWHERE)
    of_vertex[own] = number
    order = own[np.lexsort([mesh.height[own], number])]
    first = np.flatnonzero(np.diff(of_vertex[order], prepend=-1) != 0)
    return of_vertex, order[first]


def _spill(water: Filled, wet: BoolArray, lowest: IntArray) -> IntArray:
    """Return the first vertex on the way out of each pond that is not wet, -1 for none."""
    own = np.arange(len(wet))
    ahead = np.where(wet & (water.onward >= 0), water.onward, own)
    while True:
        further = ahead[ahead]
        if np.array_equal(further, ahead):
            return np.asarray(np.where(wet[ahead[lowest]], NOWHERE, ahead[lowest]))
        ahead = further


def _stored(
    mesh: Mesh, of_vertex: IntArray, level: FloatArray
) -> tuple[FloatArray, FloatArray, csr_array]:
    """Return area, volume and held of the ponds: triangles cut off at the level."""
    pond = of_vertex[mesh.faces].max(axis=1, initial=NOWHERE)
    rows = np.flatnonzero(pond >= 0)
    pond, faces = pond[rows], mesh.faces[rows]
    below = level[pond][:, None] - mesh.height[faces]
    share = hats_below(below) * mesh.area[rows][:, None]
    count = len(level)
    volume = np.where(share > 0.0, share * np.where(share > 0.0, below, 0.0), 0.0).sum(axis=1)
    held = csr_array(
        (share.reshape(-1), (np.repeat(pond, 3), faces.reshape(-1))),
        shape=(count, len(of_vertex)),
    )
    area: FloatArray = np.bincount(pond, share.sum(axis=1), minlength=count).astype(float)
    return area, np.bincount(pond, volume, minlength=count).astype(float), held


def hats_below(below: FloatArray) -> FloatArray:
    """Return the shares (t, 3) of the area of triangles under a level, by hat function.

    ``below`` (t, 3) is how far each corner lies below the level. The part of a triangle below is a
    triangle at one corner, or what a triangle at one corner leaves; over a triangle with corners
    b_1, b_2, b_3 in barycentric coordinates the hat function of corner i has the integral
    (area / 3) (b_1i + b_2i + b_3i).
    """
    wet = below > 0.0
    count = wet.sum(axis=1)
    share = np.zeros_like(below)
    share[count == 3] = 1.0 / 3.0
    for k in range(3):
        one = (count == 1) & wet[:, k]
        share[one] = _corner(below[one], k)
        two = (count == 2) & ~wet[:, k]
        share[two] = 1.0 / 3.0 - _corner(below[two], k)
    return share


def _corner(below: FloatArray, k: int) -> FloatArray:
    """Return the shares (t, 3) of the triangle that the level cuts off at corner ``k``."""
    i, j = (k + 1) % 3, (k + 2) % 3
    to_i = below[:, k] / (below[:, k] - below[:, i])
    to_j = below[:, k] / (below[:, k] - below[:, j])
    share = np.empty_like(below)
    share[:, k] = 3.0 - to_i - to_j
    share[:, i], share[:, j] = to_i, to_j
    return np.asarray(share * (to_i * to_j / 3.0)[:, None])
