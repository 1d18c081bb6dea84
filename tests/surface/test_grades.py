"""Falls of triangles: planes, other ways to work them out, and draws."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.spatial import Delaunay

from tests.surface.grounds import grid, lifted, surface_of
from tests.surface.yards import draw_yard
from tieup.model.surfaces import ACROSS, ALONG, GradeLimit
from tieup.surface.grades import grades_of, gradients
from tieup.surface.limits import faces_along, faces_within, held_to
from tieup.surface.spread import HeightSpread, VertexSpread, factor_of


@pytest.mark.parametrize(("azimuth", "fall"), [(0, 0.01), (37, 0.02), (200, 0.004), (359, 0.08)])
def test_a_plane_falls_the_same_everywhere(azimuth: float, fall: float) -> None:
    """Each triangle has the fall and the direction of the plane."""
    way = np.radians(azimuth)
    place = lifted(grid(5, 5, 3.0), lambda n, e: -fall * (n * np.cos(way) + e * np.sin(way)))
    found = surface_of(place).grades
    assert found.fall == pytest.approx(fall)
    assert np.degrees(found.azimuth) == pytest.approx(azimuth)


def test_gradients_are_those_of_the_plane_through_three_points() -> None:
    """Against a solution of three equations for each triangle (numpy.linalg.solve)."""
    mesh = draw_yard(np.random.default_rng(1)).mesh()
    for face, gradient in zip(mesh.faces, gradients(mesh), strict=True):
        rows = np.column_stack([mesh.place[face, :2], np.ones(3)])
        assert gradient == pytest.approx(np.linalg.solve(rows, mesh.height[face])[:2], abs=1e-12)


def test_falls_scatter_as_they_are_told() -> None:
    """Sds of all triangles against 20,000 draws, within 3 % (their own error is 0.5 %).

    Own and common errors; falls of 2 % and more, so that direction does not matter.
    """
    rng = np.random.default_rng(1)
    place = lifted(grid(4, 4, 5.0), lambda n, e: 0.03 * n + 0.01 * e)
    spread = HeightSpread(rng.uniform(0.001, 0.003, 16), 0.002 * rng.normal(size=(16, 4)))
    found = surface_of(place, spread=spread)
    mesh = found.mesh
    heights = mesh.height + spread.draws(20000, rng)
    drawn = np.einsum("dtk,tkc->dtc", heights[:, mesh.faces], mesh.slopes)
    falls = np.hypot(drawn[..., 0], drawn[..., 1])
    assert falls.std(axis=0) == pytest.approx(found.grades.sd, rel=0.03)


def test_what_a_setup_has_in_common_does_not_tilt_a_triangle() -> None:
    """An instrument height unknown to 1 m leaves the fall known to the shots' own 1 mm."""
    place = lifted(grid(3, 3, 5.0), lambda n, e: 0.02 * n)
    own = HeightSpread(np.full(9, 0.001), np.zeros((9, 0)))
    common = HeightSpread(np.full(9, 0.001), np.ones((9, 1)))
    assert surface_of(place, spread=common).grades.sd == pytest.approx(
        surface_of(place, spread=own).grades.sd, rel=1e-6
    )


def test_a_covariance_comes_back_out_of_its_parts() -> None:
    """Whole = own + common, for a covariance of low rank with own parts on its diagonal."""
    rng = np.random.default_rng(1)
    factor, own = rng.normal(size=(8, 3)), np.array([0, 0, 1, 2, 1, 1, 0.5, 3.0])
    whole = factor @ factor.T + np.diag(own**2)
    found = HeightSpread(own, factor_of(factor @ factor.T))
    assert found.common.shape == (8, 3)
    assert found.common @ found.common.T + np.diag(own**2) == pytest.approx(whole)
    mesh = surface_of(lifted(grid(2, 4), lambda n, e: n)).mesh
    rows = rng.normal(size=(5, 3))
    vertices = rng.integers(0, 8, (5, 3))
    full = np.zeros((5, 8))
    np.add.at(full, (np.arange(5)[:, None], vertices), rows)
    told = VertexSpread(found, mesh.weights).sd(vertices, rows)
    distinct = [len({*row}) == 3 for row in vertices.tolist()]
    wanted = np.sqrt(np.diag(full @ whole @ full.T))
    assert told[distinct] == pytest.approx(wanted[distinct]) and sum(distinct) > 2


def test_along_and_across_a_route() -> None:
    """A plane of 3 % north and 4 % east: along a route to the north 3 %, across 4 %, any 5 %."""
    place = lifted(grid(6, 6, 2.0), lambda n, e: 0.03 * n + 0.04 * e)
    route = [[2 + 6 * i for i in range(6)]]
    found = surface_of(place, lines=route)
    mesh, spread = found.mesh, found.spread
    grades = grades_of(mesh, spread)
    chosen = faces_along(mesh, route)
    for of, value in ((ALONG, 0.03), (ACROSS, 0.04)):
        for most, word in ((value + 0.01, "pass"), (value - 0.01, "fail"), (value, "cannot tell")):
            limit = GradeLimit("one", of, -np.inf, most, "test")
            held = held_to(mesh, spread, grades, limit, chosen, 0.95)
            assert held.value == pytest.approx(value) and set(held.verdict) == {word}
    assert len(chosen[0]) == 10 and grades.fall == pytest.approx(0.05)


def test_triangles_within_a_ring() -> None:
    """A square of 4 m by 4 m of a yard of 10 by 10 has 32 triangles."""
    found = surface_of(lifted(grid(11, 11), lambda n, e: n))
    ring = np.array([[2, 2], [6, 2], [6, 6], [2, 6.0]])
    assert len(faces_within(found.mesh, ring)) == 32
    assert (
        len(faces_within(found.mesh, None))
        == len(found.mesh.faces)
        == len(Delaunay(grid(11, 11)).simplices)
    )
