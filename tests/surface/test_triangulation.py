"""Triangles, breaklines and ends of a surface, against scipy and shapely."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
import shapely
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.spatial import Delaunay

from tests.surface.grounds import certain, grid, lifted, surface_of
from tieup.errors import NetworkError
from tieup.model.arrays import FloatArray
from tieup.surface.mesh import NEXT, Mesh, cross
from tieup.surface.triangulation import triangulate

NO_EDGES = np.zeros((0, 2), dtype=np.int64)


def drawn(rng: np.random.Generator, count: int, far: float = 0.0) -> FloatArray:
    """Return random places (n, 3)."""
    return np.asarray(rng.uniform(0, 100, (count, 3)) + np.array([far, far, 0.0]))


def triangles(faces: Any) -> set[frozenset[int]]:
    return {frozenset(face) for face in faces.tolist()}


@pytest.mark.parametrize("far", [0.0, 1e7])
def test_without_breaklines_the_triangles_are_those_of_another_library(far: float) -> None:
    """scipy.spatial.Delaunay (qhull), ten draws; at 1e7 m too."""
    rng = np.random.default_rng(1)
    for _ in range(10):
        place = drawn(rng, 60, far)
        local = place[:, :2] - place[:, :2].mean(axis=0)
        assert triangles(triangulate(place, NO_EDGES, certain(len(place))).mesh.faces) == triangles(
            Delaunay(local).simplices
        )


def test_what_no_breakline_forbids_is_delaunay_and_breaklines_stay() -> None:
    """Each free inner edge is locally Delaunay (in-circle test); each line is covered by edges."""
    rng = np.random.default_rng(2)
    for _ in range(10):
        place, lines = drawn(rng, 80), rng.integers(0, 80, (12, 2))
        mesh = triangulate(place, lines, certain(len(place))).mesh
        assert_locally_delaunay(mesh)
        for a, b in lines.tolist():
            assert covered(mesh, place[a, :2], place[b, :2])


def assert_locally_delaunay(mesh: Mesh) -> None:
    """The vertex beyond each free edge lies outside of the triangle's circle, but for rounding."""
    plan = mesh.place[:, :2]
    for face, edge in zip(*np.nonzero(~mesh.fixed & (mesh.neighbours >= 0)), strict=True):
        other = mesh.faces[mesh.neighbours[face, edge]]
        beyond = plan[np.setdiff1d(other, mesh.faces[face])[0]]
        a, b, c = plan[mesh.faces[face]]
        rows = np.array([[*(p - beyond), (p - beyond) @ (p - beyond)] for p in (a, b, c)])
        # counterclockwise with easting as x; columns here are N, E: the sign turns
        assert -np.linalg.det(rows) < 1e-6 * np.abs(rows).max() ** 2


def covered(mesh: Mesh, start: FloatArray, end: FloatArray) -> bool:
    """Whether the fixed edges of a mesh cover a line."""
    ends = np.stack([mesh.faces, mesh.faces[:, NEXT]], axis=-1)[mesh.fixed]
    edges = shapely.union_all(shapely.linestrings(mesh.place[ends][..., :2]))
    return bool(shapely.difference(shapely.LineString([start, end]), edges.buffer(1e-7)).is_empty)


def test_the_hull_has_the_area_of_shapelys() -> None:
    """All triangles turn one way and make up the convex hull, thin ones along it as well."""
    rng = np.random.default_rng(3)
    for _ in range(10):
        place = drawn(rng, 50)
        place[:20, 0] = rng.uniform(0, 1e-6, 20)  # all but on one line
        mesh = triangulate(place, NO_EDGES, certain(len(place))).mesh
        plan = place[:, 1::-1]
        assert (cross(*(plan[mesh.faces[:, k]] for k in (1, 2, 0))) > 0).all()
        whole = shapely.MultiPoint(plan).convex_hull.area
        assert mesh.area.sum() == pytest.approx(whole, rel=1e-9)


def test_a_boundary_and_holes_end_it_as_in_shapely() -> None:
    """Area of a star with a hole, the points outside told as lost."""
    turn = np.arange(10) * np.pi / 5
    reach = np.where(np.arange(10) % 2, 20.0, 50.0)
    star = np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
    hole = np.array([[-5, -5], [-5, 5], [5, 5], [5, -5.0]])
    spots = np.random.default_rng(4).uniform(-50, 50, (200, 2))
    plan = np.concatenate([star, hole, spots])
    found = surface_of(lifted(plan, lambda n, e: n * 0), boundary=range(10), holes=[range(10, 14)])
    wanted = shapely.Polygon(star).difference(shapely.Polygon(hole))
    assert found.mesh.area.sum() == pytest.approx(wanted.area, rel=1e-12)
    outside = {14 + i for i, p in enumerate(spots) if not wanted.covers(shapely.Point(p))}
    assert set(found.lost.tolist()) == outside
    assert found.bad_rings == ()


def test_a_boundary_that_crosses_itself_is_told_and_ends_by_the_even_odd_rule() -> None:
    """A bow tie: both wings, and the finding."""
    place = [[0, 0, 1], [10, 10, 1], [10, 0, 1], [0, 10, 1], [5, 1, 1], [5, 9, 1], [1, 5, 2]]
    found = surface_of(place, boundary=[0, 1, 2, 3])
    assert found.bad_rings == (0,)
    assert found.mesh.area.sum() == pytest.approx(50.0)
    assert found.lost.tolist() == [4, 5]  # between the wings
    assert found.vertex[6] < 0 or found.mesh.used[found.vertex[6]]


def test_the_longest_edge_takes_what_spans_an_inner_corner() -> None:
    """An L of points 1 m apart keeps its 48 m^2 and the half square in the corner (edge 1.41 m).

    The order of the points does not matter.
    """
    plan = np.array([p for p in grid(9, 9).tolist() if p[0] <= 4 or p[1] <= 4])
    order = np.random.default_rng(5).permutation(len(plan))
    for some in (plan, plan[order]):
        found = surface_of(lifted(some, lambda n, e: n), longest=1.5)
        assert found.mesh.area.sum() == pytest.approx(48.5)


NUMBERS = st.one_of(
    st.sampled_from([0.0, 1.0, 2.0, 3.0, 1e7, 1e7 + 1.0, 1e-9, np.nan]),
    st.floats(-1e3, 1e3, allow_nan=False),
)


@settings(max_examples=300, deadline=None)
@given(
    st.lists(st.tuples(NUMBERS, NUMBERS, NUMBERS), min_size=0, max_size=14),
    st.lists(st.lists(st.integers(0, 13), min_size=0, max_size=6), max_size=4),
    st.lists(st.integers(0, 13), max_size=6),
    st.lists(st.integers(0, 13), max_size=5),
)
def test_hostile_points_and_lines_make_a_surface_or_none_and_lose_no_point(
    place: list[tuple[float, ...]], lines: list[list[int]], ring: list[int], hole: list[int]
) -> None:
    """Crossing, collinear, equal, far, undefined: nothing crashes, each point is somewhere.

    Lines of thousands of km may be refused, in words: there a float is coarser than a crossing.
    """
    count = len(place)
    sound = [[p for p in line if p < count] for line in (*lines, ring, hole)]
    try:
        found = surface_of(place, lines=sound[:-2], boundary=sound[-2], holes=[sound[-1]])
    except NetworkError as error:
        assert "cannot be told apart" in str(error)
        assert np.nanmax(np.abs(place)) > 1e6
        return
    placed = np.isfinite(np.array(place).reshape(-1, 3)).all(axis=1)
    there = {*np.flatnonzero(found.vertex >= 0).tolist(), *found.lost.tolist()}
    assert there == set(np.flatnonzero(placed).tolist())
    assert (found.mesh.area > 0).all()
    assert found.drainage.verdict in ("drains", "holds", "cannot tell")


def test_lines_on_top_of_each_other_are_one_surface() -> None:
    """Two strings along one line that share no points, crossings within 1e-9 m of points."""
    rng = np.random.default_rng(6)
    for _ in range(50):
        way = rng.normal(size=2)
        along = np.sort(rng.uniform(0, 30, 12))[:, None] * way / np.hypot(*way)
        aside = rng.uniform(-40, 40, (12, 2))
        plan = np.concatenate([along, aside, along[:3] + rng.uniform(-1e-9, 1e-9, (3, 2)) + 0.002])
        lines = [[0, 2, 5, 7, 11], [1, 3, 4, 8, 10], [0, 11], [12, 5, 13], [14, 24, 15], [6, 16]]
        found = surface_of(lifted(plan + 1e6, lambda n, e: 0 * n), lines=lines)
        whole = shapely.MultiPoint(plan).convex_hull.area
        edge = shapely.MultiPoint(plan).convex_hull.length
        assert 0.0 <= whole - found.mesh.area.sum() + 1e-6 * whole < 0.02 * edge
        assert len(found.lost) == 0


@pytest.mark.parametrize("count", [0, 1, 2, 3, 5])
def test_points_on_one_line_make_no_surface(count: int) -> None:
    """No triangle, no crash; every point is told as outside."""
    found = surface_of([[i, 2.0 * i, 3.0] for i in range(count)])
    assert len(found.mesh.faces) == 0 and len(found.lost) == count


def test_a_straight_edge_is_the_edge_though_its_points_are_not_quite_on_a_line() -> None:
    """Points along four curbs, up to 8 mm off the line: every one of them lets water away.

    No point is lost, and the area that goes is less than 8 mm along the edge.
    """
    rng = np.random.default_rng(7)
    inner = 0
    for _ in range(30):
        count = int(rng.integers(4, 12))
        along = np.linspace(0.0, 5.0 * count, count + 1)[:-1]
        side = 5.0 * count
        edges = [(along, 0.0), (side, along), (side - along, side), (0.0, side - along)]
        curbs = np.concatenate(
            [np.column_stack(np.broadcast_arrays(n, e)) for n, e in edges]
        ) + rng.uniform(-0.008, 0.008, (4 * count, 2))
        plan = np.concatenate([curbs, rng.uniform(1.0, side - 1.0, (20, 2))])
        turn = rng.uniform(0, 2 * np.pi)
        spun = plan @ np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
        found = surface_of(lifted(spun + 1e5, lambda n, e: 0.01 * n))
        border = np.unique(found.mesh.border()[0])
        assert {*range(4 * count)} <= {*border.tolist()}
        inner += len(plan) - len(border)
        assert len(found.lost) == 0
        whole = shapely.MultiPoint(plan).convex_hull.area
        assert 0.0 <= whole - found.mesh.area.sum() < 0.016 * 4 * side
        assert not found.mesh.slivers(found.mesh.border()[1]).any()
    assert inner == 30 * 20


def test_a_curb_of_points_alone_stays_a_surface() -> None:
    """All points within 10 mm of a line: thin as it is, none of them is lost."""
    rng = np.random.default_rng(8)
    plan = np.column_stack([np.arange(12.0), rng.uniform(-0.01, 0.01, 12)])
    found = surface_of(lifted(plan, lambda n, e: 0.01 * n))
    assert len(found.lost) == 0 and len(found.mesh.faces) > 0
