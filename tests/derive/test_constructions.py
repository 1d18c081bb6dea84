"""The geometry of derived points against a geometry library, and its derivatives."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import numpy as np
import pytest

from tieup.derive import constructions as build
from tieup.derive.constructions import Built
from tieup.model.arrays import FloatArray

BEND = np.array([[0.0, 0.0, 1.0], [12.0, 3.0, 2.0], [20.0, 15.0, 1.5], [16.0, 30.0, 0.0]])
ACROSS = np.array([[0.0, 0.0, 1.0], [20.0, 18.0, 2.0], [3.0, 16.0, 0.5], [14.0, -2.0, 0.0]])


def crossed(places: FloatArray) -> Built:
    """Return the crossing of two lines that do cross."""
    found = build.crossing(places)
    assert found is not None
    return found.built


def vertex(before: Any, at: Any, after: Any, aside: float) -> Built:
    """Return a moved vertex that does not turn back."""
    found = build.offset_vertex(before, at, after, aside, 0.1)
    assert found is not None
    return found


CONSTRUCTIONS: dict[str, tuple[Callable[[FloatArray], Built], FloatArray]] = {
    "polar": (lambda p: build.polar(p[0], 1.1, 7.5, -0.02), BEND[:1]),
    "mean": (build.mean, BEND),
    "typed": (lambda p: build.typed_elevation(p[0], 3.0), BEND[:1]),
    "crossing": (crossed, ACROSS),
    "mitre, right": (lambda p: vertex(p[0], p[1], p[2], 1.4), BEND[:3]),
    "mitre, left": (lambda p: vertex(p[0], p[1], p[2], -0.6), BEND[:3]),
    "first vertex": (lambda p: vertex(None, p[0], p[1], 1.4), BEND[:2]),
    "last vertex": (lambda p: vertex(p[0], p[1], None, 1.4), BEND[:2]),
    "foot on a leg": (lambda p: build.foot_on_leg(p[0], p[1], p[2], 0.03), ACROSS[[2, 0, 1]]),
    "foot at a vertex": (lambda p: build.foot_at_vertex(p[0], p[1], 0.03), BEND[:2]),
}


@pytest.mark.parametrize("name", CONSTRUCTIONS)
def test_derivatives_are_those_of_the_places(name: str) -> None:
    """Every Jacobian equals central differences over 0.1 mm, to 1e-7 m per m."""
    construct, places = CONSTRUCTIONS[name]
    step = 1e-4
    differences = [
        (construct(places + d).place - construct(places - d).place) / (2.0 * step)
        for d in step * np.eye(places.size).reshape(places.size, *places.shape)
    ]
    np.testing.assert_allclose(construct(places).jacobian, np.transpose(differences), atol=1e-7)


def test_the_crossing_angle_turns_with_the_points() -> None:
    """Its derivatives equal central differences of the difference of two bearings."""

    def angle(places: FloatArray) -> float:
        u, v = places[1] - places[0], places[3] - places[2]
        return float(np.arctan2(v[1], v[0]) - np.arctan2(u[1], u[0]))

    found = build.crossing(ACROSS)
    assert found is not None
    moves = 1e-5 * np.eye(12).reshape(12, 4, 3)
    expected = [(angle(ACROSS + d) - angle(ACROSS - d)) / 2e-5 for d in moves]
    np.testing.assert_allclose(found.turning, expected, atol=1e-9)  # rad per m
    between = abs(angle(ACROSS)) % np.pi
    assert found.angle == pytest.approx(min(between, np.pi - between), abs=1e-12)


def test_lines_cross_where_a_geometry_library_says() -> None:
    """shapely (GEOS): the intersection of the two segments, with the first one's elevation."""
    shapely = pytest.importorskip("shapely")
    first, second = (shapely.LineString(ACROSS[rows, :2]) for rows in ([0, 1], [2, 3]))
    point = first.intersection(second)
    found = build.crossing(ACROSS)
    assert found is not None
    assert found.built.place[:2] == pytest.approx([point.x, point.y], abs=1e-9)  # m
    share = first.project(point) / first.length
    assert found.built.place[2] == pytest.approx(1.0 + share, abs=1e-9)
    over = second.project(point) / second.length
    assert found.gap == pytest.approx(0.5 - 0.5 * over - (1.0 + share), abs=1e-9)
    assert found.along == pytest.approx((share, over), abs=1e-9)


@pytest.mark.parametrize("aside", [1.4, -0.6])
def test_an_offset_line_is_that_of_a_geometry_library(aside: float) -> None:
    """shapely (GEOS) offset_curve with mitred joins; its left is positive in x, y = N, E.

    With x to the north and y to the east the frame is mirrored, so its left is our right.
    """
    shapely = pytest.importorskip("shapely")
    curve = shapely.LineString(BEND[:, :2]).offset_curve(
        aside, join_style="mitre", mitre_limit=50.0
    )
    none = [None]
    ends = zip([*none, *BEND[:-1]], BEND, [*BEND[1:], *none], strict=True)
    moved = np.array([vertex(before, at, after, aside).place for before, at, after in ends])
    np.testing.assert_allclose(moved[:, :2], np.array(curve.coords), atol=1e-9)  # m
    np.testing.assert_allclose(moved[:, 2], BEND[:, 2] + 0.1, atol=1e-12)


def test_right_of_a_line_to_the_north_is_east() -> None:
    """The side is the trade's: looking along the line, positive to the right hand."""
    start, end = np.array([0.0, 0.0, 5.0]), np.array([10.0, 0.0, 5.0])
    assert vertex(None, start, end, 2.0).place[:2] == pytest.approx([0.0, 2.0], abs=1e-12)
    assert vertex(start, end, None, -2.0).place[:2] == pytest.approx([10.0, -2.0], abs=1e-12)


def test_a_foot_is_the_nearest_point_of_a_geometry_library() -> None:
    """shapely (GEOS) project and interpolate; the height falls by 3 % of the distance."""
    shapely = pytest.importorskip("shapely")
    point, start, end = ACROSS[[2, 0, 1]]
    line = shapely.LineString([start[:2], end[:2]])
    nearest = line.interpolate(line.project(shapely.Point(point[:2])))
    place = build.foot_on_leg(point, start, end, 0.03).place
    assert place[:2] == pytest.approx([nearest.x, nearest.y], abs=1e-9)  # m
    distance = line.distance(shapely.Point(point[:2]))
    assert place[2] == pytest.approx(point[2] - 0.03 * distance, abs=1e-9)


def test_lines_without_a_crossing_have_none() -> None:
    """Parallel to the last digit, one upon the other, or a line of one point: no crossing."""
    line = np.array([[0.0, 0.0, 0.0], [10.0, 10.0, 1.0]])
    aside = line + np.array([0.0, 3.0, 0.0])
    assert build.crossing(np.vstack([line, aside])) is None
    assert build.crossing(np.vstack([line, line])) is None
    assert build.crossing(np.vstack([line, aside[:1], aside[:1]])) is None


def test_a_line_that_turns_back_has_no_mitre() -> None:
    """A bend of 150 degrees and more throws the mitre out beyond 3.8 times the offset."""
    at = np.zeros(3)
    for bend, there in ((149.0, True), (151.0, False), (180.0, False)):
        turned = np.radians(bend)
        before = np.array([-10.0, 0.0, 0.0])
        after = np.array([10.0 * np.cos(turned), 10.0 * np.sin(turned), 0.0])
        assert (build.offset_vertex(before, at, after, 1.0, 0.0) is not None) == there
