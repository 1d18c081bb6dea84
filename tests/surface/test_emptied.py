"""What leaves a surface without a triangle, and the area of a ring."""

from __future__ import annotations

import numpy as np
import pytest
import shapely

from tieup.surface.spread import HeightSpread
from tieup.surface.whole_surface import SurfaceGround, build_surface, emptied_by, ring_area

SQUARE = [(0.0, 0.0), (0.0, 10.0), (10.0, 10.0), (10.0, 0.0)]


def _ground(plan: list[tuple[float, float]], **more: object) -> SurfaceGround:
    place = np.column_stack([np.array(plan), np.zeros(len(plan))])
    spread = HeightSpread(np.full(len(plan), 0.001), np.zeros((len(plan), 0)))
    return SurfaceGround(place, spread, np.zeros(len(plan), dtype=np.int64), **more)


@pytest.mark.parametrize(
    ("ground", "by"),
    [
        (_ground(SQUARE[:2]), "points"),
        (_ground([(0.0, 0.0), (0.0, 5.0), (0.0, 9.0), (0.0, 11.0)]), "line"),
        (_ground(SQUARE, longest=1.0), "edges"),
        (_ground(SQUARE, holes=[[0, 1, 2, 3]]), "holes"),
        (_ground(SQUARE, boundary=[0, 1, 2, 3], holes=[[0, 1, 2, 3]]), "holes"),
        (_ground([(0.0, 0.0), (0.0, 5.0), (0.0, 9.0), (9.0, 1.0)], boundary=[0, 1, 2]), "boundary"),
    ],
)
def test_each_way_to_nothing_has_its_name(ground: SurfaceGround, by: str) -> None:
    """Made so that each leaves no triangle."""
    assert not len(build_surface(ground, 0.95).mesh.faces)
    assert emptied_by(ground) == by


def test_the_area_of_a_ring_is_that_of_the_polygon() -> None:
    """By shapely, far from the origin too; the sign is that of the way round."""
    rng = np.random.default_rng()
    angle = np.sort(rng.uniform(0.0, 2.0 * np.pi, 12))
    ring = np.column_stack([np.cos(angle), np.sin(angle)]) * rng.uniform(2.0, 9.0, (12, 1))
    ring += 5e5
    assert abs(ring_area(ring)) == pytest.approx(shapely.Polygon(ring).area, rel=1e-6)
    assert ring_area(ring[::-1]) == pytest.approx(-ring_area(ring))
