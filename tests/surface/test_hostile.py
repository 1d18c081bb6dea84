"""What no surface should be made of: told by its name, nothing crashes, no point is lost."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.surface.grounds import surface_of
from tests.surface.yards import draw_yard
from tieup.surface.whole_surface import Surface, SurfaceGround, build_surface, emptied_by

SQUARE = [[0, 0, 1.0], [0, 10, 1.0], [10, 10, 1.0], [10, 0, 1.0], [5, 4, 1.5]]


def nothing_is_lost(found: Surface) -> None:
    """Every point with a place is a vertex, or told to be outside."""
    placed = np.isfinite(found.ground.place).all(axis=1)
    there = {*np.flatnonzero(found.vertex >= 0).tolist(), *found.lost.tolist()}
    assert there == {*np.flatnonzero(placed).tolist()}
    assert (found.mesh.area > 0.0).all()


@pytest.mark.parametrize("far", [0.0, 1e7])
@pytest.mark.parametrize(
    ("place", "parts", "told"),
    [
        (  # two lines that cross at different heights
            [*SQUARE[:4], [2, 2, 1.0], [8, 8, 1.0], [2, 8, 1.4], [8, 2, 1.4]],
            {"lines": [[4, 5], [6, 7]]},
            "meetings",
        ),
        ([*SQUARE, [2, 2, 2.0]], {"lines": [[0, 2]]}, "meetings"),  # one over a point
        ([*SQUARE, [5, 4, 1.9]], {}, "twins"),  # one place, two heights
        (SQUARE, {"boundary": [0, 2, 1, 3]}, "bad_rings"),  # it crosses itself
        (SQUARE, {"boundary": [0, 1, 0, 1]}, "bad_rings"),  # it encloses nothing
        (SQUARE, {"holes": [[0, 4]]}, "bad_rings"),
        ([[0, 0, 1], [1, 2, 1], [2, 4, 2], [3, 6, 1]], {}, "line"),
        ([[0, 0, 1], [0, 0, 1], [0, 0, 1]], {}, "line"),  # three times one place
        ([[np.nan, 0, 1], [1, 2, 1], [2, 0, np.nan]], {}, "points"),
        (SQUARE, {"boundary": [0, 1]}, "bad_rings"),
    ],
)
def test_each_is_told(far: float, place: list[Any], parts: dict[str, Any], told: str) -> None:
    """As an oddity of the surface, or as what leaves it without a triangle; at 1e7 m as well."""
    table = np.array(place, dtype=float) + np.array([far, far, 0.0])
    found = surface_of(table, **parts)
    nothing_is_lost(found)
    if told in ("line", "points"):
        assert not len(found.mesh.faces) and emptied_by(found.ground) == told
        return
    odd = {
        "meetings": len(found.meetings),
        "twins": len(found.twins.points),
        "bad_rings": len(found.bad_rings),
    }
    assert odd.pop(told) == 1 and not any(odd.values())


@pytest.mark.parametrize("length", [0, 1, 2])
def test_lines_without_length_say_nothing(length: int) -> None:
    """Empty, of a single point, of one point again and again."""
    found = surface_of(SQUARE, lines=[[4] * length], boundary=[0, 1, 2, 3])
    nothing_is_lost(found)
    assert found.mesh.area.sum() == pytest.approx(100.0) and found.drainage.verdict == "drains"


def test_far_from_the_origin_it_is_the_same_surface() -> None:
    """Yards moved by 1e7 m north and east: the same triangles, places and words, mm by mm."""
    rng = np.random.default_rng(9)
    for _ in range(20):
        yard = draw_yard(rng)
        parts = {"lines": [rng.integers(0, len(yard.setup), 5).tolist()]}
        here, there = (
            build_surface(
                SurfaceGround(
                    np.round(yard.measured, 4) + np.array([far, far, 0.0]),
                    yard.spread, yard.setup,
                    inlets=yard.inlets.tolist(), **parts,
                ),
                0.95,
            )
            for far in (0.0, 1e7)
        )  # fmt: skip
        nothing_is_lost(there)
        assert here.drainage.verdict == there.drainage.verdict
        assert len(here.mesh.faces) == len(there.mesh.faces)
        assert np.array_equal(here.drainage.places.verdict, there.drainage.places.verdict)
        near = np.abs(here.drainage.places.depth - there.drainage.places.depth) < 1e-4
        assert (near | np.isinf(here.drainage.places.depth)).all()
        assert here.mesh.area.sum() == pytest.approx(there.mesh.area.sum(), rel=1e-6)
