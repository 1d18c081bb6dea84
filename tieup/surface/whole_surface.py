"""A whole surface out of points and lines: triangulated, ended, checked, asked for its water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np

from tieup.model.arrays import BoolArray, FloatArray, IntArray, distinct_pairs
from tieup.surface.checks import (
    Spikes,
    Twins,
    clear_meetings,
    critical,
    flat_triangles,
    spikes_of,
    touching,
    twins_of,
)
from tieup.surface.drainage import HOLDS, Drainage, drainage_of, outlets_of
from tieup.surface.flow import Flow, flow_of
from tieup.surface.grades import Grades, grades_of
from tieup.surface.mesh import Mesh
from tieup.surface.one_place import disputed, merged
from tieup.surface.outline import outlined
from tieup.surface.raising import Raises, raises_of
from tieup.surface.seams import SHARED, Seam, seams_of
from tieup.surface.spread import HeightSpread, VertexSpread
from tieup.surface.triangulation import Meetings, triangulate

NO_LINE = -1
LEAST_POINTS = 3  # of a triangle
LEAST_AREA = 0.01  # m^2; a ring of less is none; our choice


@dataclass(frozen=True)
class SurfaceGround:
    """What a surface is made of.

    ``place`` (n, 3) northing, easting, elevation in m, NaN for a point that takes no part;
    ``setup`` (n,) the number of the setup that alone has shot a point, -1 for several or none.
    ``lines`` are breaklines, points in order, a closed one ends with its first; ``boundary`` and
    ``holes`` are rings of points. ``inlets`` are points that let water away. ``longest`` (m) is the
    longest edge along the hull where there is no boundary.
    """

    place: FloatArray
    spread: HeightSpread
    setup: IntArray
    lines: Sequence[Sequence[int]] = ()
    boundary: Sequence[int] = ()
    holes: Sequence[Sequence[int]] = ()
    inlets: Sequence[int] = ()
    longest: float = np.inf


@dataclass(frozen=True)
class Surface:
    """A surface and what was found in it.

    The first ``points`` of the vertices are points, those behind are crossings of breaklines.
    ``vertex`` (n,) says where each point is, -1 where it is no corner of a triangle. ``meetings``
    are those that differ in height beyond chance (``meeting_step``, ``meeting_sd`` in m);
    ``touches`` the vertices on a breakline that passes by, with its height above them and sd.
    ``rings`` that cross themselves or enclose nothing are named by ``bad_rings``: 0 the boundary,
    from 1 on the holes. ``line_of_edge`` (e,) is the line of each edge that ``meetings`` number.
    ``confidence`` is that of the verdicts. ``ground`` has the spread that stands for ``twins`` too.
    """

    ground: SurfaceGround
    mesh: Mesh
    spread: VertexSpread
    points: int
    vertex: IntArray
    meetings: Meetings
    meeting_step: FloatArray
    meeting_sd: FloatArray
    line_of_edge: IntArray
    touches: tuple[IntArray, FloatArray, FloatArray]
    twins: Twins
    spikes: Spikes
    flat: IntArray
    bad_rings: tuple[int, ...]
    seams: tuple[Seam, ...]
    seam_ponds: BoolArray
    grades: Grades
    drainage: Drainage
    flow: Flow
    confidence: float

    @cached_property
    def raises(self) -> Raises:
        """Return by how much to raise each vertex until the surface is proved to drain.

        What a seam's step makes is not cured by raising the ground.
        """
        found = raises_of(self.mesh, self.spread, self.drainage, self.confidence)
        pond = self.drainage.ponds.of_vertex
        stepped = np.unique(found.part[np.append(self.seam_ponds, False)[pond]])
        return replace(found, up=np.where(np.isin(found.part, stepped), np.nan, found.up))

    @property
    def lost(self) -> IntArray:
        """Return the points with a place that are no corner of any triangle."""
        placed = np.isfinite(self.ground.place).all(axis=1)
        return np.flatnonzero(placed & (self.vertex < 0))

    @property
    def disputed(self) -> BoolArray:
        """Return which vertices (v,) stand where two points differ in height beyond chance."""
        found = np.zeros(len(self.mesh.place), dtype=bool)
        own = self.vertex[self.twins.points].reshape(-1)
        found[own[own >= 0]] = True
        return found

    @property
    def setup(self) -> IntArray:
        """Return the setup that alone has shot each vertex (v,), -1 for several or none."""
        return _of_vertices(self.ground.setup, self.mesh)


def build_surface(ground: SurfaceGround, confidence: float) -> Surface:
    """Return the surface over a ground, with all that is to be known of it."""
    edges, line_of_edge = _edges(ground)
    twins = twins_of(ground.place, ground.spread, _on_line(ground))
    if len(twins.points):
        heights = disputed(ground.spread, merged(ground.place), twins.points, twins.step)
        ground = replace(ground, spread=heights)
    made = triangulate(ground.place, edges, ground.spread)
    rings = [_ring(ground, ring) for ring in (ground.boundary, *ground.holes)]
    lines = len(ground.lines)
    crossed = {*_self_crossed(made.meetings, line_of_edge).tolist()}
    bad = tuple(i for i, ring in enumerate(rings) if lines + i in crossed or _encloses_none(ring))
    boundary = rings[0] if len(rings[0]) > 2 else None
    mesh = outlined(made.mesh, boundary, [r for r in rings[1:] if len(r) > 2], ground.longest)
    spread = VertexSpread(ground.spread, mesh.weights)
    vertex = np.where(np.append(mesh.used, False)[made.vertex], made.vertex, -1)
    setup = _of_vertices(ground.setup, mesh)
    walls = made.vertex[_numbers([point for hole in ground.holes for point in hole])]
    inlets = vertex[_numbers(ground.inlets)]
    outlet = outlets_of(mesh, inlets[inlets >= 0], walls[walls >= 0])
    drainage = drainage_of(mesh, spread, outlet, confidence)
    clear, step, sd = clear_meetings(made.meetings, ground.place, ground.spread)
    seams = tuple(seams_of(mesh, spread, setup))
    return Surface(
        ground=ground,
        mesh=mesh,
        spread=spread,
        points=int(made.vertex.max(initial=-1)) + 1,
        vertex=vertex,
        meetings=made.meetings.of(clear),
        meeting_step=step[clear],
        meeting_sd=sd[clear],
        line_of_edge=line_of_edge,
        touches=_touches(mesh, spread),
        twins=twins,
        spikes=spikes_of(mesh, spread),
        flat=flat_triangles(mesh, _line_of_vertex(ground, made.vertex, mesh)),
        bad_rings=bad,
        seams=seams,
        seam_ponds=seam_ponds(mesh, spread, drainage, setup, seams, confidence),
        grades=grades_of(mesh, spread),
        drainage=drainage,
        flow=flow_of(mesh, drainage.water, drainage.ponds),
        confidence=confidence,
    )


def _edges(ground: SurfaceGround) -> tuple[IntArray, IntArray]:
    """Return the edges (e, 2) of lines and rings, and the number of the line of each (e,)."""
    rings = [[*ring, *ring[:1]] for ring in (ground.boundary, *ground.holes)]
    lines = [*ground.lines, *rings]
    points = _numbers([point for line in lines for point in line])
    number = np.repeat(np.arange(len(lines)), [len(line) for line in lines])
    legs = np.flatnonzero((np.diff(number) == 0) & (np.diff(points) != 0))
    return np.column_stack([points[legs], points[legs + 1]]), number[legs]


def _numbers(points: Sequence[int]) -> IntArray:
    return np.array(points, dtype=np.int64)


def _ring(ground: SurfaceGround, ring: Sequence[int]) -> FloatArray:
    """Return a ring (k, 2) in plan; points without a place are none of it."""
    plan = ground.place[_numbers(ring), :2]
    return np.asarray(plan[np.isfinite(plan).all(axis=1)])


def _encloses_none(ring: FloatArray) -> bool:
    """Return whether a ring has points and no area."""
    return bool(len(ring)) and abs(ring_area(ring)) < LEAST_AREA


def ring_area(ring: FloatArray) -> float:
    """Return the area (m^2) of a ring (k, 2) in plan, positive one way round.

    By the shoelace formula, from the middle of the ring so that large coordinates cost no digits.

    >>> ring_area(np.array([[0.0, 0.0], [0.0, 2.0], [2.0, 2.0], [2.0, 0.0]]))
    -4.0
    """
    north, east = (ring - ring.mean(axis=0)).T
    return 0.5 * float(north @ np.roll(east, -1) - east @ np.roll(north, -1))


def emptied_by(ground: SurfaceGround) -> str:
    """Return what leaves a surface without a triangle.

    ``points`` where fewer than three take part, ``line`` where all are on one, ``boundary``,
    ``holes`` or ``edges`` where that takes every triangle away.
    """
    if np.isfinite(ground.place).all(axis=1).sum() < LEAST_POINTS:
        return "points"
    mesh = triangulate(ground.place, _edges(ground)[0], ground.spread).mesh
    if not len(outlined(mesh, None, [], np.inf).faces):
        return "line"
    boundary = _ring(ground, ground.boundary)
    closed = len(boundary) >= LEAST_POINTS
    if len(outlined(mesh, boundary if closed else None, [], ground.longest).faces):
        return "holes"
    return "boundary" if closed else "edges"


def _self_crossed(meetings: Meetings, line_of_edge: IntArray) -> IntArray:
    """Return the lines that cross themselves."""
    both = meetings.first >= 0
    first, second = line_of_edge[meetings.first[both]], line_of_edge[meetings.second[both]]
    return np.unique(first[first == second])


def _of_vertices(values: IntArray, mesh: Mesh) -> IntArray:
    """Return a number (v,) of vertices out of that of their points, -1 where those differ."""
    weights = mesh.weights
    if not weights.shape[0]:
        return np.zeros(0, dtype=np.int64)
    own = values[weights.indices]
    start = weights.indptr[:-1]
    low, high = np.minimum.reduceat(own, start), np.maximum.reduceat(own, start)
    return np.where(low == high, low, SHARED)


def _line_of_vertex(ground: SurfaceGround, vertex: IntArray, mesh: Mesh) -> IntArray:
    """Return the one line that each vertex (v,) stands on, -1 for none or several."""
    line = np.full(len(mesh.place), NO_LINE)
    points = _numbers([point for own in ground.lines for point in own])
    number = np.repeat(np.arange(len(ground.lines)), [len(own) for own in ground.lines])
    there = vertex[points] >= 0
    pairs, _ = distinct_pairs(vertex[points][there], number[there])
    lone = np.bincount(pairs[:, 0], minlength=len(line)) == 1
    line[pairs[:, 0]] = pairs[:, 1]
    return np.where(lone, line, NO_LINE)


def _on_line(ground: SurfaceGround) -> BoolArray:
    on = np.zeros(len(ground.place), dtype=bool)
    for points in (*ground.lines, ground.boundary, *ground.holes):
        on[_numbers(points)] = True
    return on


def _touches(mesh: Mesh, spread: VertexSpread) -> tuple[IntArray, FloatArray, FloatArray]:
    """Return vertices that a breakline passes by at another height, how far above, and its sd."""
    vertex, rows = touching(mesh)
    step, sd = rows @ mesh.height, spread.points.sd(rows @ spread.weights)
    clear = np.abs(step) > critical() * sd
    return vertex[clear], step[clear], sd[clear]


def seam_ponds(
    mesh: Mesh,
    spread: VertexSpread,
    drainage: Drainage,
    setup: IntArray,
    seams: Sequence[Seam],
    confidence: float,
) -> BoolArray:
    """Return which ponds (p,) are there because of a step along a seam that they touch.

    Without the step, the second setup put down by it, it is not proved that water stands there.
    ``setup`` (v,) is that of each vertex.
    """
    ponds = drainage.ponds
    found = np.zeros(len(ponds), dtype=bool)
    for seam in seams:
        near = np.zeros(len(mesh.place), dtype=bool)
        near[seam.edges] = True
        near[mesh.edges[near[mesh.edges].any(axis=1)]] = True
        touched = np.unique(ponds.of_vertex[near & (ponds.of_vertex >= 0)])
        if not seam.clear > critical() or not len(touched):
            continue
        share = np.where(setup == SHARED, 0.5, setup == seam.setups[1])
        place = mesh.place - np.outer(share * seam.step, [0.0, 0.0, 1.0])
        without = drainage_of(replace(mesh, place=place), spread, drainage.outlet, confidence)
        of_vertex = without.places.of_vertex
        holds = np.append(without.places.verdict == HOLDS, False)[of_vertex]
        held = np.unique(ponds.of_vertex[holds & (ponds.of_vertex >= 0)])
        found[np.setdiff1d(touched, held)] = True
    return found
