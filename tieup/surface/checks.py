"""What is odd in a surface before anyone asks whether it drains.

Meetings of breaklines at different heights, points of one place at two heights, points that lie
off the plane of their neighbours by more than the ground does elsewhere, and triangles with all
three corners on one line, which are level where the ground is not.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from scipy.sparse import csr_array
from scipy.spatial import cKDTree

from tieup.adjust.distributions import normal_critical
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import NEXT, Mesh
from tieup.surface.planes import off_planes
from tieup.surface.spread import HeightSpread, VertexSpread
from tieup.surface.triangulation import Meetings

NEAR = 0.02  # m; points closer than this in plan are looked at as twins; our choice
TOUCH = 0.005  # m; a point this near to a breakline lies on it; our choice
ROBUST = 1.4826  # sd of normal errors for one median absolute deviation
FAR = 6.0  # robust sds of the ground itself that a spike is beyond; our choice
LEAST = 12  # points that show how rough the ground is
ALPHA = 0.001  # chance that sound data is called odd, as for mistakes in the raw rows


@dataclass(frozen=True)
class Twins:
    """Pairs of points (k, 2) in one place, the height of the second less the first, and its sd."""

    points: IntArray
    step: FloatArray
    sd: FloatArray


@dataclass(frozen=True)
class Spikes:
    """Vertices (k,) off the plane of their neighbours: how far (m), with the sd by the heights."""

    vertex: IntArray
    off: FloatArray
    sd: FloatArray


def clear_meetings(
    meetings: Meetings, place: FloatArray, spread: HeightSpread
) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return which meetings differ in height beyond chance, and all steps and sds (c,) in m."""
    step = meetings.by @ np.nan_to_num(place[:, 2])
    sd = spread.sd(meetings.by)
    return np.flatnonzero(np.abs(step) > critical() * sd), step, sd


def twins_of(place: FloatArray, spread: HeightSpread, on_line: BoolArray) -> Twins:
    """Return points that are one place in plan and differ in height beyond chance.

    Top and foot of a curb lie like this and are meant: two points that both stand on breaklines
    (``on_line`` (n,)) are twins only where they are closer than breaklines are drawn apart.
    """
    solid = np.flatnonzero(np.isfinite(place).all(axis=1))
    solid = solid[_crowded(place[solid, :2])]
    if len(solid) < 2:
        return Twins(np.zeros((0, 2), dtype=np.int64), np.zeros(0), np.zeros(0))
    pairs = solid[cKDTree(place[solid, :2]).query_pairs(NEAR, output_type="ndarray")]
    pairs = np.sort(pairs.reshape(-1, 2), axis=1)
    away = np.hypot(*(place[pairs[:, 1], :2] - place[pairs[:, 0], :2]).T)
    pairs = pairs[~on_line[pairs].all(axis=1) | (away < TOUCH)]
    pairs = pairs[np.lexsort(pairs.T[::-1])]
    step = place[pairs[:, 1], 2] - place[pairs[:, 0], 2]
    sd = spread.sd(_differences(pairs, len(place)))
    clear = np.abs(step) > critical() * sd
    return Twins(pairs[clear], step[clear], sd[clear])


def _crowded(plan: FloatArray) -> BoolArray:
    """Return which points (n, 2) may have another within `NEAR`: few, of a large ground.

    Two that do share a cell of twice that size in one of four grids, each half a cell off.
    """
    crowded = np.zeros(len(plan), dtype=bool)
    if len(plan):
        cell = np.floor((plan - plan.min(axis=0)) / NEAR).astype(np.int64)
        width = int(cell[:, 1].max()) + 2
        for north, east in np.ndindex(2, 2):
            key = (cell[:, 0] + north) // 2 * width + (cell[:, 1] + east) // 2
            inside = np.sort(key)
            crowded |= np.isin(key, inside[1:][np.diff(inside) == 0])
    return crowded


def spikes_of(mesh: Mesh, spread: VertexSpread) -> Spikes:
    """Return vertices off the plane of their neighbours beyond chance and the shape of the ground.

    Vertices on breaklines and those on the edge are not looked at: the ground bends there.
    """
    even = mesh.used.copy()
    ends = mesh.faces[:, NEXT][mesh.fixed], mesh.faces[mesh.fixed]
    for vertices in (*ends, mesh.border()[0]):
        even[vertices] = False
    vertex, beside, weight = off_planes(mesh, even)
    inner = vertex[np.flatnonzero(np.diff(vertex, prepend=-1))]  # they stand in order
    plane = np.bincount(vertex, weight * mesh.height[beside], minlength=len(even))
    off = mesh.height[inner] - plane[inner]
    if len(inner) < LEAST:
        return Spikes(inner[:0], off[:0], off[:0])
    middle = np.median(off)
    rough = ROBUST * float(np.median(np.abs(off - middle)))
    far = np.flatnonzero(np.abs(off - middle) > FAR * rough)
    sd = spread.points.sd(_off(inner[far], vertex, beside, weight, len(even)) @ spread.weights)
    clear = np.abs(off[far]) > critical() * sd
    # A spike pulls its neighbours' planes: of those that touch only the farthest off is one.
    lone = _farthest(mesh, inner[far][clear], off[far][clear])
    return Spikes(inner[far][clear][lone], off[far][clear][lone], sd[clear][lone])


def _off(
    chosen: IntArray, vertex: IntArray, beside: IntArray, weight: FloatArray, count: int
) -> csr_array:
    """Return how far chosen vertices lie off their planes as functions (k, v) of the heights."""
    number = np.full(count, -1)
    number[chosen] = np.arange(len(chosen))
    own = number[vertex] >= 0
    row = np.concatenate([np.arange(len(chosen)), number[vertex[own]]])
    column = np.concatenate([chosen, beside[own]])
    value = np.concatenate([np.ones(len(chosen)), -weight[own]])
    return csr_array((value, (row, column)), shape=(len(chosen), count))


def _farthest(mesh: Mesh, vertex: IntArray, off: FloatArray) -> BoolArray:
    size = np.zeros(len(mesh.place))
    size[vertex] = np.abs(off)
    higher = np.zeros(len(mesh.place))
    for a, b in (mesh.edges.T, mesh.edges[:, ::-1].T):
        np.maximum.at(higher, a, size[b])
    return np.asarray(size[vertex] >= higher[vertex])


def flat_triangles(mesh: Mesh, line: IntArray) -> IntArray:
    """Return the triangles with all corners on one breakline; ``line`` (v,) is -1 for none.

    Slivers along a line that is all but straight do no harm.
    """
    own = line[mesh.faces]
    found = np.flatnonzero((own[:, 0] >= 0) & (own[:, 0] == own[:, 1]) & (own[:, 0] == own[:, 2]))
    return found[~mesh.slivers(found)]


def touching(mesh: Mesh) -> tuple[IntArray, csr_array]:
    """Return vertices within `TOUCH` of a breakline edge beside them that is not theirs.

    With each (k,) the height of the edge above it, as functions (k, v) of the heights.
    """
    face, edge = np.nonzero(mesh.fixed)
    a, b = mesh.faces[face, edge], mesh.faces[face, np.array(NEXT)[edge]]
    apex = mesh.faces[face, (edge + 2) % 3]
    step = mesh.place[b, :2] - mesh.place[a, :2]
    length = np.hypot(*step.T)
    near = 2.0 * mesh.area[face] < TOUCH * length
    a, b, apex, step, length = a[near], b[near], apex[near], step[near], length[near]
    share = ((mesh.place[apex, :2] - mesh.place[a, :2]) * step).sum(axis=1) / length**2
    inside = (share > 0.0) & (share < 1.0)
    a, b, apex, share = a[inside], b[inside], apex[inside], share[inside]
    rows = np.tile(np.arange(len(apex)), 3)
    values = np.concatenate([1.0 - share, share, np.full(len(apex), -1.0)])
    shape = (len(apex), len(mesh.place))
    return apex, csr_array((values, (rows, np.concatenate([a, b, apex]))), shape=shape)


def _differences(pairs: IntArray, count: int) -> csr_array:
    rows = np.repeat(np.arange(len(pairs)), 2)
    values = np.tile([-1.0, 1.0], len(pairs))
    return csr_array((values, (rows, pairs.reshape(-1))), shape=(len(pairs), count))


def critical() -> float:
    """Return the sds beyond which something is odd."""
    return float(normal_critical(ALPHA / 2.0))
