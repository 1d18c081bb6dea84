"""What is odd in a surface: crossings, twins, spikes, flat triangles; sound ground has none."""

from __future__ import annotations

import numpy as np
import pytest

from tests.surface.grounds import certain, grid, lifted, surface_of


def crossing(up: float) -> object:
    """Return a surface with two lines that cross in (5, 5), the second ``up`` (m) higher there."""
    place = [[0, 0, 1], [10, 10, 2], [0, 10, 1 + up], [10, 0, 2 + up], [-5, 5, 0], [15, 5, 0]]
    return surface_of(place, lines=[[0, 1], [2, 3]])


def test_lines_that_cross_at_different_heights_are_told_with_place_and_height() -> None:
    """0.2 m between the two; the surface lies in the middle and keeps both lines as edges."""
    found = crossing(0.2)
    assert found.meeting_step == pytest.approx([0.2])
    assert found.meeting_sd == pytest.approx([0.001])  # four ends of 1 mm, each taken half
    vertex = int(found.meetings.vertex[0])
    assert found.mesh.place[vertex] == pytest.approx([5, 5, 1.6])
    lines = found.line_of_edge[[found.meetings.first[0], found.meetings.second[0]]]
    assert sorted(lines.tolist()) == [0, 1]
    assert found.mesh.fixed.sum() == 8  # four pieces, seen from both sides


def test_lines_that_cross_at_one_height_are_sound() -> None:
    """Within chance nothing is told."""
    assert len(crossing(0.002).meetings) == 0


def test_a_line_that_passes_over_a_point_is_told() -> None:
    """On the line exactly, and 3 mm beside it: both are told with how far the line lies above."""
    for beside in (0.0, 0.003):
        place = [[0, 0, 1], [0, 10, 1], [beside, 5, 0.5], [9, 5, 0], [-9, 5, 0]]
        found = surface_of(place, lines=[[0, 1]])
        steps = found.meeting_step if beside == 0 else found.touches[1]
        assert steps == pytest.approx([0.5])


def test_two_points_in_one_place_are_twins_where_they_differ() -> None:
    """80 mm apart in height and in one place, or 10 mm beside: told; 1 mm is chance."""
    plan = np.concatenate([grid(3, 3, 5.0), [[5.0, 5.01]], [[0.0, 0.0]]])
    place = lifted(plan, lambda n, e: 0.02 * n)
    place[9, 2] += 0.08
    place[10, 2] += 0.001
    found = surface_of(place)
    assert found.twins.points.tolist() == [[4, 9]]
    assert found.twins.step == pytest.approx([0.08], abs=1e-12)
    assert found.vertex[0] == found.vertex[10]
    place[9, :2] = [5.0, 5.0]
    assert surface_of(place).twins.points.tolist() == [[4, 9]]


def test_top_and_foot_of_a_curb_are_no_twins() -> None:
    """Two lines 10 mm apart in plan and 150 mm in height are meant."""
    foot, top = ([[n, e, z] for n in range(0, 9, 4)] for e, z in ((5.0, 0.0), (5.01, 0.15)))
    place = [*foot, *top, [0, 0, 0], [8, 0, 0], [0, 9, 0.15], [8, 9, 0.15]]
    found = surface_of(place, lines=[[0, 1, 2], [3, 4, 5]])
    assert len(found.twins.points) == 0
    assert len(found.touches[0]) == 0


@pytest.mark.parametrize("size", [0.1, -0.1])
def test_a_wrong_pole_height_is_a_spike(size: float) -> None:
    """One point of 64, 0.1 m off; its neighbours, whose planes it pulls, are not told."""
    rng = np.random.default_rng(1)
    place = lifted(grid(8, 8, 5.0), lambda n, e: 0.02 * n + 1e-5 * e**2)
    place[:, 2] += 0.001 * rng.normal(size=64)
    place[27, 2] += size
    found = surface_of(place)
    assert found.spikes.vertex.tolist() == [27]
    assert found.spikes.off == pytest.approx([size], abs=0.006)


def test_sound_ground_has_no_spikes_and_no_twins() -> None:
    """200 yards with errors as stated: 20 or fewer of 12,800 points are called odd."""
    rng = np.random.default_rng(1)
    odd = 0
    for _ in range(200):
        plan = grid(8, 8, 5.0) + rng.uniform(-1, 1, (64, 2))
        place = lifted(plan, lambda n, e: 0.02 * n - 0.01 * e)
        place[:, 2] += 0.001 * rng.normal(size=64)
        found = surface_of(place, spread=certain(64))
        odd += len(found.spikes.vertex) + len(found.twins.points)
    assert odd <= 20


def test_triangles_within_the_bend_of_a_line_are_flat() -> None:
    """A U-shaped contour with nothing shot inside: all its inner triangles; a spot inside helps."""
    line = [[0, 0], [0, 4], [0, 8], [4, 9], [8, 8], [8, 4], [8, 0]]
    outer = [[-9, -9], [-9, 20], [17, 20], [17, -9]]
    place = lifted(np.array([*line, *outer], dtype=float), lambda n, e: 0 * n)
    place[7:, 2] = 2.0
    found = surface_of(place, lines=[range(7)])
    inside = found.mesh.corners.mean(axis=1)
    assert len(found.flat) >= 4
    assert (inside[found.flat, 0] < 9).all()
    spot = np.concatenate([place, [[4, 5, -1.0]]])
    assert len(surface_of(spot, lines=[range(7)]).flat) < len(found.flat)
