"""Between two surfaces: closed forms, shapely, scipy and draws."""

from __future__ import annotations

import numpy as np
import pytest
import shapely
from scipy.interpolate import LinearNDInterpolator
from scipy.spatial import ConvexHull, Delaunay

from tests.surface.grounds import grid, lifted, rings, surface_of
from tieup.model.arrays import FloatArray
from tieup.surface.between import between
from tieup.surface.mesh import Mesh
from tieup.surface.spread import HeightSpread
from tieup.surface.triangle_search import heights_at


def mesh_of(place: FloatArray, **others: object) -> Mesh:
    return surface_of(place, **others).mesh


def test_heights_are_those_of_linear_interpolation() -> None:
    """scipy.interpolate.LinearNDInterpolator on the same triangles, 5,000 places; NaN outside."""
    rng = np.random.default_rng(1)
    place = rng.uniform(0, 50, (200, 3))
    asked = rng.uniform(-5, 55, (5000, 2))
    other = LinearNDInterpolator(Delaunay(place[:, :2]), place[:, 2])(asked)
    own = heights_at(mesh_of(place), asked)
    assert np.isnan(own).sum() > 500
    assert own == pytest.approx(other, abs=1e-9, nan_ok=True)


def test_a_prismoid() -> None:
    """A frustum of a pyramid on a plane: V = h (A1 + 4 Am + A2) / 6 (prismoidal formula)."""
    top, foot, high = 4.0, 10.0, 2.0
    corners = np.array([[-1, -1], [-1, 1], [1, 1], [1, -1.0]]) / 2
    heap = np.concatenate([corners * top, corners * foot])
    heap = np.column_stack([heap, np.repeat([high, 0.0], 4)])
    ring = [[4, 5, 6, 7, 4], [0, 1, 2, 3, 0], [0, 4], [1, 5], [2, 6], [3, 7]]
    ground = lifted(grid(5, 5, 5.0) - 10.0, lambda n, e: 0 * n)
    found = between(mesh_of(heap, lines=ring), mesh_of(ground))
    middle = (top + foot) / 2
    volume = high * (top**2 + 4 * middle**2 + foot**2) / 6
    assert found.volume == pytest.approx([volume, 0.0, volume])
    assert found.area == pytest.approx(foot**2)
    assert found.depth.max() == pytest.approx(high)


def test_cut_and_fill_part_where_the_surfaces_cross() -> None:
    """A plane that rises through another: two wedges, V = b h L / 2 each."""
    rng = np.random.default_rng(2)
    corners = np.array([[0, 0], [0, 10], [6, 0], [6, 10.0]])
    one = lifted(np.concatenate([corners, rng.uniform(0, 6, (30, 2))]), lambda n, e: 0.1 * (n - 2))
    two = lifted(np.concatenate([corners, rng.uniform(0, 6, (40, 2))]), lambda n, e: 0 * n)
    found = between(mesh_of(one), mesh_of(two))
    cut, fill = 0.1 * 4 * 4 / 2 * 10, 0.1 * 2 * 2 / 2 * 10
    assert found.volume == pytest.approx([cut, fill, cut - fill])


def test_a_cone_on_a_plane_and_only_where_both_are() -> None:
    """n-sided cone V = A h / 3; half of it lies beyond the other surface (shapely's area)."""
    around = 36
    cone = lifted(rings([3.0], around), lambda n, e: 1.5 - np.hypot(n, e) / 2)
    half = lifted(grid(2, 5, 5.0) + np.array([0.0, -10.0]), lambda n, e: 0 * n)
    found = between(mesh_of(cone), mesh_of(half))
    base = around / 2 * 9.0 * np.sin(2 * np.pi / around)
    assert found.area == pytest.approx(base / 2)
    assert found.volume[0] == pytest.approx(base * 1.5 / 3 / 2)
    outline = shapely.Polygon(cone[1:, :2]).intersection(shapely.box(0, -10, 5, 10))
    assert found.area == pytest.approx(outline.area)


def test_volumes_and_depths_scatter_as_they_are_told() -> None:
    """Sds against 20,000 draws within 3 % (their own error is 0.5 %), with shared errors."""
    rng = np.random.default_rng(3)
    one, two = (lifted(grid(5, 6) + rng.uniform(-0.2, 0.2, (30, 2)), lambda n, e: 0.01 * n)
                for _ in range(2))  # fmt: skip
    one[:, 2] += 0.05 + 0.02 * np.sin(one[:, 1])
    first, second = mesh_of(one), mesh_of(two)
    found = between(first, second)
    own, common = rng.uniform(0.001, 0.002, 60), 0.003 * rng.normal(size=(60, 2))
    spread = HeightSpread(own, common)
    rows = np.hstack([found.volume_first.toarray(), found.volume_second.toarray()])
    from scipy.sparse import csr_array

    told = spread.sd(csr_array(rows))
    depth = spread.sd(csr_array(np.hstack([found.of_first.toarray(), found.of_second.toarray()])))
    drawn, depths = [], []
    for error in spread.draws(20000, rng):
        moved = [
            Mesh(m.place + np.outer(e, [0, 0, 1]), m.faces, m.neighbours, m.fixed, m.weights)
            for m, e in zip((first, second), (error[:30], error[30:]), strict=True)
        ]
        heights = [m.height for m in moved]
        drawn.append(found.volume_first @ heights[0] + found.volume_second @ heights[1])
        depths.append(found.of_first @ heights[0] + found.of_second @ heights[1])
    assert found.volume[1] == 0.0  # all above: the volumes are linear, the draws exact
    assert np.std(drawn, axis=0)[[0, 2]] == pytest.approx(told[[0, 2]], rel=0.03)
    assert np.std(depths, axis=0) == pytest.approx(depth, rel=0.03)
    again = between(*moved)
    assert again.volume == pytest.approx(drawn[-1], abs=1e-9)


def test_a_convex_heap_holds_what_another_library_says() -> None:
    """Volume under a convex heap over its flat base: scipy.spatial.ConvexHull (qhull), 10 draws."""
    rng = np.random.default_rng(4)
    for _ in range(10):
        turn = rng.uniform(0, 2 * np.pi, 60)
        reach = 10.0 * np.sqrt(rng.uniform(0, 1, 60))
        plan = np.column_stack([reach * np.cos(turn), reach * np.sin(turn)])
        round_ = rings([10.5], 24)[1:]
        dome = lifted(np.concatenate([round_, plan]), lambda n, e: 12.0 - 0.1 * (n**2 + e**2))
        dome[:24, 2] = 0.0
        hull = ConvexHull(dome)
        order = np.unique(hull.vertices)
        # the hull's own upper faces are the heap: its edges as breaklines, not Delaunay's in plan
        upper = hull.simplices[hull.equations[:, 2] > 1e-9]
        number = {v: i for i, v in enumerate(order.tolist())}
        lines = [[number[v] for v in (*face, face[0])] for face in upper.tolist()]
        heap = mesh_of(dome[order], lines=lines)
        base = mesh_of(np.column_stack([round_, np.zeros(24)]))
        found = between(heap, base)
        assert found.volume[0] == pytest.approx(hull.volume, rel=1e-9)
        assert found.area == pytest.approx(ConvexHull(round_).volume, rel=1e-9)


def test_a_cap_of_a_sphere_on_a_plane() -> None:
    """V = pi h^2 (3 r - h) / 3 over A = pi a^2; finer rings come nearer, from below."""
    r, h = 12.0, 1.5
    a = np.sqrt(h * (2 * r - h))
    missing = []
    for count in (4, 8, 16):
        plan = rings([a * (i + 1) / count for i in range(count)], 6 * count)
        cap = lifted(plan, lambda n, e: np.sqrt(r**2 - n**2 - e**2) - (r - h))
        ground = lifted(grid(3, 3, 10.0) - 10.0, lambda n, e: 0 * n)
        volume = float(between(mesh_of(cap), mesh_of(ground)).volume[0])
        missing.append(1 - volume / (np.pi * h**2 * (3 * r - h) / 3))
    assert 0 < missing[2] < missing[1] / 3.5 < missing[0] / 12 and missing[2] < 0.01


def test_surfaces_that_do_not_meet_have_nothing_between() -> None:
    """No area, no volume, no crash."""
    found = between(mesh_of(lifted(grid(3, 3), lambda n, e: n)),
                    mesh_of(lifted(grid(3, 3) + 10.0, lambda n, e: n)))  # fmt: skip
    assert found.area == 0.0 and found.volume.tolist() == [0.0, 0.0, 0.0]
