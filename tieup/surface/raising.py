"""By how much to raise each vertex until the whole surface is proved to drain.

Let s be the vertices that are not proved to. Each of them is put just so high that it falls to one
of its k neighbours by what proves a fall (`tieup.surface.drainage`), z_v = z(alpha / k):

    h_v = max(own height of v, min over its neighbours w of h_w + z_v sd_vw)     v in s
    h_v = own height of v                                                        else

the lengths of shortest ways from the vertices outside of s, found by relaxation (Bellman, On a
routing problem, Quarterly of Applied Mathematics 16, 1958; to fill with a fall: Barnes, Lehman and
Mulla, Priority-flood, Computers and Geosciences 62, 2014). Where a vertex outside of s fell to one
that is raised and is no longer proved, it joins s, until there is none. Then every vertex falls to
a neighbour beyond chance. Nothing is cut.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.sparse.csgraph import connected_components

from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.drainage import Drainage, quantiles
from tieup.surface.mesh import Mesh
from tieup.surface.spread import VertexSpread

STEP = 1e-4  # m; raises are whole steps, rounded up: nobody grades finer
SLACK = 2e-5  # m beyond what proves a fall: more than a raise changes where it is printed in feet
NONE = -1


@dataclass(frozen=True)
class Raises:
    """By how much to raise vertices: ``up`` (v,) m, 0 for not at all, NaN where that is no cure.

    ``part`` (v,) numbers what must be raised together, -1 for none.
    """

    up: FloatArray
    part: IntArray

    def together(self, vertex: int) -> IntArray:
        """Return the vertices to raise with one, the highest raise first."""
        own = np.flatnonzero((self.part == self.part[vertex]) & (self.up > 0.0))
        return own[np.argsort(-self.up[own], kind="stable")] if self.part[vertex] >= 0 else own[:0]


def raises_of(mesh: Mesh, spread: VertexSpread, drainage: Drainage, confidence: float) -> Raises:
    """Return by how much to raise the vertices of a surface."""
    inner = mesh.used & ~drainage.outlet
    lost = inner & np.isinf(drainage.water.level)
    tested = inner & ~lost
    ways = _ways(mesh, spread, 0.5 * (1.0 - confidence))
    todo = tested & ((drainage.ponds.of_vertex >= 0) | ~ways.falls(mesh.height))
    height = mesh.height
    while True:
        height = _filled(mesh.height, todo, ways)
        left = tested & ~todo & ~ways.falls(height)
        if not left.any():
            break
        todo |= left
    up = np.where(lost, np.nan, np.round(height - mesh.height, 9))
    return Raises(up, _parts(mesh, todo))


@dataclass(frozen=True)
class _Ways:
    """Every edge twice (2 e,), in order of the first end, with the fall that it must have (m)."""

    start: IntArray
    end: IntArray
    fall: FloatArray

    def falls(self, height: FloatArray) -> BoolArray:
        """Return which vertices (v,) fall to a neighbour beyond chance."""
        found = np.zeros(len(height), dtype=bool)
        found[self.start[height[self.start] - height[self.end] > self.fall]] = True
        return found


def _ways(mesh: Mesh, spread: VertexSpread, alpha: float) -> _Ways:
    start, end, edge = mesh.spokes
    sd = spread.sd_between(*mesh.edges.T)[edge]
    return _Ways(start, end, quantiles(mesh, alpha)[start] * sd)


def _filled(height: FloatArray, todo: BoolArray, ways: _Ways) -> FloatArray:
    """Return the heights (v,) with those of ``todo`` (v,) raised until they fall to others."""
    own = np.flatnonzero(todo[ways.start])
    start, end, fall = ways.start[own], ways.end[own], ways.fall[own] + SLACK
    first = np.flatnonzero(np.diff(start, prepend=-1))
    vertex = start[first]
    found = np.where(todo, np.inf, height)
    while len(first):
        least = np.minimum.reduceat(found[end] + fall, first)
        steps = np.ceil(np.maximum(least - height[vertex], 0.0) / STEP)
        raised = np.minimum(height[vertex] + steps * STEP, found[vertex])
        if np.array_equal(raised, found[vertex]):
            break
        found[vertex] = raised
    return found


def _parts(mesh: Mesh, todo: BoolArray) -> IntArray:
    """Return the number (v,) of what hangs together of ``todo``, -1 for the rest."""
    edges = mesh.edges[todo[mesh.edges[:, 0]] & todo[mesh.edges[:, 1]]]
    shape = (len(todo), len(todo))
    graph = csr_array((np.ones(len(edges), dtype=bool), edges.T), shape=shape)
    return np.where(todo, connected_components(graph, directed=False)[1], NONE)
