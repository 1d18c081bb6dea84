"""Ponds and flow against closed forms, and against a search that tries every way."""

from __future__ import annotations

import numpy as np
import pytest

from tests.surface.grounds import CONFIDENCE, certain, grid, lifted, rings, surface_of
from tests.surface.yards import draw_yard
from tieup.surface.drainage import drainage_of
from tieup.surface.flow import EDGE, shares
from tieup.surface.spread import HeightSpread, VertexSpread
from tieup.surface.water import filled


def test_a_cone_of_water() -> None:
    """Hollow of n sides, 2 m wide and 0.3 m deep: a pyramid, V = A d / 3; A = n/2 r^2 sin(2 pi/n).

    Elementary geometry.
    """
    around = 48
    plan = rings([2.0, 4.0], around)
    found = surface_of(lifted(plan, lambda n, e: np.where(np.hypot(n, e) < 1, -0.3, 0.0)))
    ponds = found.drainage.ponds
    area = around / 2 * 4.0 * np.sin(2 * np.pi / around)
    assert ponds.depth == pytest.approx([0.3]) and ponds.area == pytest.approx([area])
    assert ponds.volume == pytest.approx([area * 0.3 / 3])
    assert found.drainage.places.verdict.tolist() == ["holds"]


def test_a_trough_of_water() -> None:
    """Prism: a V-shaped trough of 1 m by 2 m under its spill, 10 m long, with upright ends.

    V = length width depth / 2. The ends are walls 1 mm thick, and the spill is in the long side.
    """
    profile = {-6.0: 3.0, -4.0: 2.0, 0.0: 0.0, 2.0: 1.0, 6.0: 3.0}
    along = (-0.001, 0.0, 10.0, 10.001)
    place = [
        (n, e, max(z, 5.0 * (n in (along[0], along[-1]))))
        for n in along
        for e, z in profile.items()
    ]
    found = surface_of(place, inlets=[8, 13])  # at height 1, both ends of a side
    ponds = found.drainage.ponds
    assert ponds.depth == pytest.approx([1.0])
    assert ponds.volume == pytest.approx([10 * 4 * 1.0 / 2], rel=2e-4)
    assert ponds.area == pytest.approx([40.0], rel=2e-4)


def test_a_bowl_of_water_comes_near_a_cap() -> None:
    """Sphere cap: V = pi h^2 (3 r - h) / 3, A = pi a^2; finer rings come nearer, from below."""
    r, h = 10.0, 0.5
    a = np.sqrt(h * (2 * r - h))
    cap = np.pi * h**2 * (3 * r - h) / 3
    missing = []
    for count in (6, 12, 24):
        radii = [*(a * (i + 1) / count for i in range(count)), a + 1.0]
        plan = rings(radii, 6 * count)
        bowl = lifted(plan, lambda n, e: np.minimum(r - np.sqrt(r**2 - n**2 - e**2), h))
        ponds = surface_of(bowl).drainage.ponds
        assert ponds.depth == pytest.approx([h])
        missing.append(1 - float(ponds.volume[0]) / cap)
    assert 0 < missing[2] < missing[1] / 3.5 < missing[0] / 12  # of second order
    assert missing[2] < 0.003


def test_the_level_is_the_lowest_way_out_of_all() -> None:
    """Against relaxation over all edges until nothing changes, on random yards with inlets."""
    rng = np.random.default_rng(1)
    for _ in range(20):
        yard = draw_yard(rng)
        mesh = yard.mesh()
        outlet = yard.outlet(mesh)
        level = np.where(outlet, mesh.height, np.inf)
        a, b = np.concatenate([mesh.edges, mesh.edges[:, ::-1]]).T
        for _ in range(len(level)):
            before = level.copy()
            np.minimum.at(level, a, np.maximum(mesh.height[a], level[b]))
            if np.array_equal(before, level):
                break
        assert np.array_equal(filled(mesh.height, mesh.edges, outlet).level, level)


def test_walls_all_around_leave_no_way_out() -> None:
    """A ring-shaped yard in which only the outer edge is open drains; without one it does not."""
    place = lifted(grid(5, 5), lambda n, e: np.hypot(n - 2, e - 2))
    found = surface_of(place)
    assert found.drainage.ponds.depth.tolist() == pytest.approx([2.0])
    mesh, none = found.mesh, np.zeros(len(place), dtype=bool)
    closed = drainage_of(mesh, VertexSpread(certain(25), mesh.weights), none, CONFIDENCE)
    assert closed.verdict == "holds" and np.isinf(closed.places.depth).all()
    assert closed.ponds.spill.tolist() == [-1]


def test_a_roof_sheds_half_to_each_side() -> None:
    """A ridge: half of the area leaves on each side, nothing crosses it."""
    place = lifted(grid(9, 9), lambda n, e: 10 - 0.1 * np.abs(n - 4) - 0.02 * np.abs(e - 4))
    found = surface_of(place, lines=[[36 + i for i in range(9)]])
    area = shares(found.mesh, found.flow)
    mesh = found.mesh
    north = sum(size for end, size in area.items() if end != EDGE and mesh.place[end, 0] > 4)
    assert found.drainage.verdict == "drains"
    assert sum(area.values()) == pytest.approx(64.0)
    of_face = found.flow.of_face
    over = mesh.corners.mean(axis=1)[:, 1] > 4
    ends = np.where(of_face >= 0, mesh.place[of_face, 0], np.nan)
    assert (ends[over] > 4).sum() == (of_face[over] >= 0).sum()
    assert (ends[~over] < 4).sum() == (of_face[~over] >= 0).sum()
    assert north <= 32.0 + 1e-9


def test_two_inlets_share_a_yard_along_the_high_line() -> None:
    """Cones to two inlets: the high line between them halves the area, give or take triangles."""
    plan = grid(21, 41)
    away = [np.hypot(plan[:, 0] - 10, plan[:, 1] - e) for e in (10, 30)]
    place = np.column_stack([plan, 0.015 * np.minimum(*away)])
    inlets = [10 * 41 + 10, 10 * 41 + 30]
    high = [n * 41 + 20 for n in range(21)]
    found = surface_of(place, inlets=inlets, lines=[high])
    area = shares(found.mesh, found.flow)
    assert {*area} == {*found.vertex[inlets].tolist()}
    assert area[int(found.vertex[inlets[0]])] == pytest.approx(400.0, rel=0.02)


@pytest.mark.slow
def test_depth_and_volume_scatter_as_they_are_told() -> None:
    """Sds against 6,000 draws with own and common errors, within 3 % (their own error is 1 %)."""
    rng = np.random.default_rng(1)
    plan = rings([2.0, 4.0], 12)
    place = lifted(plan, lambda n, e: np.where(np.hypot(n, e) < 1, -0.4, 0.05 * e))
    count = len(place)
    spread = HeightSpread(
        np.full(count, 0.001), 0.002 * rng.normal(size=(count, 3)) * [1, 0.5, 0.2]
    )
    found = surface_of(place, spread=spread)
    mesh, places = found.mesh, found.drainage.places
    outlet = found.drainage.outlet
    depths, volumes = [], []
    for error in spread.draws(6000, rng):
        moved = type(mesh)(mesh.place + np.outer(error, [0, 0, 1]), *_rest(mesh))
        drawn = drainage_of(moved, found.spread, outlet, CONFIDENCE).ponds
        depths.append(drawn.depth[0])
        volumes.append(drawn.volume[0])
    # the rim is uneven enough that one vertex is the spill: to first order nothing else matters
    assert np.std(depths) == pytest.approx(places.sd[0], rel=0.03)
    assert np.std(volumes) == pytest.approx(places.sd_volume[0], rel=0.03)


def _rest(mesh: object) -> tuple[object, ...]:
    return tuple(getattr(mesh, name) for name in ("faces", "neighbours", "fixed", "weights"))


def test_a_bowl_holds_all_that_goes_over_its_edge_once_full() -> None:
    """All of a cone with its tip down fills the pond first, on a plane no triangle does."""
    corners = np.array([[0.0, 0.0], [0.0, 20.0], [20.0, 20.0], [20.0, 0.0], [10.0, 10.0]])
    bowl = surface_of(np.column_stack([corners, [1.0, 1.0, 1.0, 1.0, 0.7]]))
    assert (bowl.flow.pond == 0).all() and (bowl.flow.of_face >= -1).all()
    plane = surface_of(np.column_stack([corners, 0.02 * corners[:, 0]]))
    assert (plane.flow.pond == -1).all()
