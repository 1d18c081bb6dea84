"""The constrained Delaunay triangulation of points and breaklines, through the library pythoncdt.

Its predicates are exact, so that near-degenerate places neither crash it nor turn triangles over.
Points that are one place in plan are one vertex. Where two breaklines cross, a vertex is added:
its height is the mean of what the two lines say there, and the crossing is told. Both lines stay
edges of the surface.

The hull is given to the library as an outline of its own: it starts from a triangle around
everything, and would otherwise leave out thin triangles along the hull.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from importlib import import_module
from importlib.util import find_spec
from itertools import combinations
from typing import Any

import numpy as np
from scipy.sparse import csr_array, identity, vstack
from scipy.spatial import ConvexHull, QhullError

from tieup.errors import NetworkError
from tieup.model.arrays import BoolArray, FloatArray, IntArray
from tieup.surface.mesh import NEXT, Mesh
from tieup.surface.one_place import SAME, height_weights, merged
from tieup.surface.spread import HeightSpread

NONE = np.iinfo(np.uint32).max  # the library's word for no neighbour

Pair = tuple[int, int]
Pieces = Mapping[Pair, Sequence[Pair]]


@dataclass(frozen=True)
class Meetings:
    """Where breakline edges meet without a point in common (c,).

    ``vertex`` is where. ``first`` and ``second`` are numbers of edges that cross there; ``first``
    is -1 where the second passes over a point instead. ``by`` (c, n) gives the height of the second
    above the first (or above the point) from the heights of the points.
    """

    vertex: IntArray
    first: IntArray
    second: IntArray
    by: csr_array

    def __len__(self) -> int:
        return len(self.vertex)

    def of(self, rows: IntArray) -> Meetings:
        """Return some of them."""
        return Meetings(self.vertex[rows], self.first[rows], self.second[rows], self.by[rows])


@dataclass(frozen=True)
class Triangulated:
    """A mesh over the whole hull; ``vertex`` (n,) says where each point is, -1 for nowhere."""

    mesh: Mesh
    vertex: IntArray
    meetings: Meetings


def check_library() -> None:
    """Raise NetworkError where the library is missing."""
    if find_spec("pythoncdt") is None:
        raise NetworkError(
            "surfaces: needs the library pythoncdt, which is not installed. "
            'Install it: pip install "tieup[surface]", or take surfaces: out of job.yaml'
        )


def triangulate(place: FloatArray, edges: IntArray, spread: HeightSpread) -> Triangulated:
    """Triangulate points and breakline edges.

    Parameters
    ----------
    place
        Northing, easting, elevation (n, 3) in m; a point with a NaN takes no part.
    edges
        Pairs of point numbers (e, 2). Edges without length and repeated ones say nothing.
    spread
        How well the heights are known: what points of one place count for its height.

    Raises
    ------
    NetworkError
        The library is missing, or breaklines cannot be told apart.
    """
    check_library()
    vertex = merged(place)
    weights = height_weights(vertex, spread)
    solid = weights @ np.nan_to_num(place)
    hull = _hull(solid)
    if hull is None:
        none = np.zeros((0, 3), dtype=np.int64)
        mesh = Mesh(solid, none, none, none.astype(bool), weights)
        return Triangulated(mesh, vertex, _meetings({}, {}, solid, weights))
    ends = np.sort(vertex[edges.reshape(-1, 2)], axis=1)
    number = np.flatnonzero((ends[:, 0] >= 0) & (ends[:, 0] != ends[:, 1]))
    keys, first = np.unique(ends[number] @ np.array([len(solid), 1]), return_index=True)
    number = number[first]
    middle = solid[:, :2].mean(axis=0)
    found = _library(solid[:, :2] - middle, np.concatenate([ends[number], hull]))
    pieces = {
        (piece.v1, piece.v2): [(whole.v1, whole.v2) for whole in wholes]
        for piece, wholes in found.piece_to_originals_iter()
    }
    points = np.column_stack([found.vertices_array()[axis] for axis in ("y", "x")]) + middle
    over = _over(pieces)
    place, by = _with_heights(points, solid, over)
    meetings = _meetings(over, _numbered(over, keys, number, len(solid)), points, weights)
    table = found.triangles_array()
    faces = table["vertices"].astype(np.int64, order="F")
    beside = table["neighbors"].astype(np.int64, order="F")
    beside[beside == NONE] = -1
    fixed = _fixed(faces, len(place), ends[number], pieces)
    return Triangulated(Mesh(place, faces, beside, fixed, by @ weights), vertex, meetings)


def _hull(place: FloatArray) -> IntArray | None:
    """Return the edges (h, 2) of the hull; None where the points enclose no area."""
    if len(place) < 3:
        return None
    plan = place[:, :2] - place[:, :2].mean(axis=0)
    try:
        hull = ConvexHull(plan)
    except QhullError:
        return None
    return np.sort(hull.simplices.astype(np.int64), axis=1)


def _library(plan: FloatArray, edges: IntArray) -> Any:
    """Return the library's triangulation; easting is its x.

    A point within 1 um of a breakline lies on it; farther away as well, up to `SAME`, where lines
    cross so near to it that the crossing could not be told from the point.
    """
    library: Any = import_module("pythoncdt")
    places = np.ascontiguousarray(plan[:, ::-1])
    pairs = np.unique(edges, axis=0).astype(np.uintc)
    resolve = library.IntersectingConstraintEdges.TRY_RESOLVE
    for near in (1e-6, 1e-5, 1e-4, SAME):
        found = library.Triangulation(library.VertexInsertionOrder.AUTO, resolve, near)
        found.insert_vertices(places)
        try:
            found.insert_edges(pairs)
        except RuntimeError:
            continue
        found.erase_super_triangle()
        return found
    raise NetworkError(
        "surfaces: some breaklines lie so close to each other that they cannot be told apart. "
        "Name all but one of them in points_only, or correct them where the raw data comes from"
    )


def _over(pieces: Pieces) -> dict[int, list[Pair]]:
    """Return for each vertex that edges pass over these edges, in order."""
    over: dict[int, set[Pair]] = {}
    for piece, wholes in pieces.items():
        for vertex in piece:
            over.setdefault(vertex, set()).update(w for w in wholes if vertex not in w)
    return {vertex: sorted(edges) for vertex, edges in sorted(over.items()) if edges}


def _numbered(
    over: Mapping[int, Sequence[Pair]], keys: IntArray, number: IntArray, count: int
) -> dict[Pair, int]:
    """Return the number of each given edge that passes over something, by its ends.

    ``keys`` (e,) are the ends of the given edges as one number each, in order.
    """
    edges = sorted({edge for own in over.values() for edge in own})
    wanted = np.array(edges, dtype=np.int64).reshape(-1, 2) @ [count, 1]
    at = np.searchsorted(keys, wanted)
    given = np.append(keys, -1)[at] == wanted
    rows = np.append(number, -1)[at]
    table = zip(edges, rows.tolist(), given.tolist(), strict=True)
    return {edge: row for edge, row, there in table if there}


def _with_heights(
    points: FloatArray, solid: FloatArray, over: Mapping[int, Sequence[Pair]]
) -> tuple[FloatArray, csr_array]:
    """Return the vertices with heights (v, 3), and these from the heights of those without."""
    count = len(solid)
    added = len(points) - count
    if not added:
        return solid, csr_array(identity(count, format="csr"))
    lines = [(vertex, edge) for vertex in range(count, len(points)) for edge in over[vertex]]
    row = np.array([vertex - count for vertex, _ in lines])
    share = np.bincount(row, minlength=added)[row, None]
    edges, shares = _along(points, lines)
    new = _rows(row, edges, shares / share, (added, count))
    by = csr_array(vstack([csr_array(identity(count, format="csr")), new], format="csr"))
    place = np.column_stack([points, by @ solid[:, 2]])
    place[:count] = solid
    return place, by


def _along(points: FloatArray, lines: Sequence[tuple[int, Pair]]) -> tuple[IntArray, FloatArray]:
    """Return the ends (k, 2) of edges that pass over vertices, and their shares of the height."""
    vertex = np.array([own for own, _ in lines], dtype=np.int64)
    ends = np.array([edge for _, edge in lines], dtype=np.int64).reshape(-1, 2)
    start = points[ends[:, 0]]
    step = points[ends[:, 1]] - start
    share = ((points[vertex] - start) * step).sum(axis=1) / (step**2).sum(axis=1)
    return ends, np.column_stack([1.0 - share, share])


def _rows(row: IntArray, columns: IntArray, values: FloatArray, shape: Pair) -> csr_array:
    """Return the rows of a table whose places (k,), several for a row, have columns and values."""
    rows = np.repeat(row, columns.shape[1])
    return csr_array((values.reshape(-1), (rows, columns.reshape(-1))), shape=shape)


def _meetings(
    over: Mapping[int, Sequence[Pair]],
    number_of: Mapping[Pair, int],
    points: FloatArray,
    weights: csr_array,
) -> Meetings:
    """Return the meetings of the given edges; the hull is none of them."""
    count = weights.shape[0]
    found: list[tuple[int, int, int]] = []
    passing: list[tuple[int, Pair]] = []
    met: list[Pair] = []  # the edge that crosses, or the vertex twice where it is a point
    for vertex, edges in over.items():
        named = [edge for edge in edges if edge in number_of]
        pairs = [(None, e) for e in named] if vertex < count else [*combinations(named, 2)]
        for first, second in pairs:
            found.append((vertex, number_of[first] if first else -1, number_of[second]))
            passing.append((vertex, second))
            met.append(first or (vertex, vertex))
    table = np.array(found, dtype=np.int64).reshape(-1, 3)
    crosses = np.flatnonzero(table[:, 1] >= 0)
    below, less = np.array(met, dtype=np.int64).reshape(-1, 2), np.tile([1.0, 0.0], (len(met), 1))
    less[crosses] = _along(points, [(found[i][0], met[i]) for i in crosses.tolist()])[1]
    above, more = _along(points, passing)
    columns, values = np.hstack([above, below]), np.hstack([more, -less])
    by = _rows(np.arange(len(met)), columns, values, (len(met), count))
    return Meetings(table[:, 0], table[:, 1], table[:, 2], by @ weights)


def _fixed(faces: IntArray, count: int, lines: IntArray, pieces: Pieces) -> BoolArray:
    """Return which edges (t, 3) of triangles are pieces of ``lines`` (e, 2)."""
    whole = np.sort(lines, axis=1) @ [count, 1]
    wanted = np.unique(whole)
    named = {*wanted.tolist()}
    parts = [
        a * count + b
        for (a, b), wholes in pieces.items()
        if any(i * count + j in named for i, j in wholes)
    ]
    wanted = np.unique(np.concatenate([wanted, np.array(parts, dtype=np.int64)]))
    on = np.zeros(count, dtype=bool)
    on[np.concatenate(np.divmod(wanted, count))] = True
    fixed = on[faces] & on[faces[:, NEXT]]
    face, edge = np.nonzero(fixed)
    ends = np.sort(np.stack([faces[face, edge], faces[face, np.array(NEXT)[edge]]], axis=1), axis=1)
    fixed[face, edge] = np.isin(ends @ [count, 1], wanted)
    return np.asarray(fixed)
