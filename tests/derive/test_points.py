"""Derived points: published examples, strings, names, and what cannot be built."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.derive.ground import derive, ground_of, only, placed_by_hand, yard
from tieup.derive.placed import covariances
from tieup.derive.points import derive_points
from tieup.errors import ConfigError
from tieup.model.derived import (
    Crossing,
    Derived,
    Mean,
    OffsetString,
    Polar,
    ProjectedString,
    Typed,
)

NAN = float("nan")
STRINGS = {"LINE": (("T1", "T2", "T4", "T5"),), "EDGE": (("T11", "T9", "T6"),)}
FLAT = {"A": (0.0, 0.0, 10.0), "B": (10.0, 0.0, 11.0), "C": (3.0, 4.0, 12.0), "D": (3.0, -2.0, 9.0)}


def degrees(d: float, m: float, s: float) -> float:
    """Return an angle in radians."""
    return float(np.radians(d + m / 60.0 + s / 3600.0))


def test_a_chain_of_bearings_and_distances_is_the_published_traverse() -> None:
    """Mahun, Open Access Surveying Library, traverse computations chapter I: Q to T.

    S56-23-38E 398.75, S75-17-42W 422.89, N43-05-47E 604.49 from Q (2600.480, 1391.670) end at
    T (2713.835, 1727.740); recomputed 2713.834.
    """
    ground = placed_by_hand({"Q": (2600.480, 1391.670, 0.0)})
    points = derive(
        ground,
        Polar("T", 3, "S", degrees(43, 5, 47), 604.49),  # chains may stand in any order
        Polar("R", 1, "Q", np.pi - degrees(56, 23, 38), 398.75),
        Polar("S", 2, "R", np.pi + degrees(75, 17, 42), 422.89),
    ).points
    assert [point.place.name for point in points] == ["T", "R", "S"]
    assert points[0].place.position[:2] == pytest.approx([2713.834, 1727.740], abs=0.0006)  # ft
    assert points[0].place.marks == (0,)


@pytest.mark.parametrize(
    ("azimuths", "northing", "easting"),
    [
        ((degrees(253, 26, 15), degrees(314, 33, 26)), 836.4449, 1450.0508),
        ((degrees(140, 54, 25), degrees(91, 34, 8)), 463.8456, 2435.6129),
    ],
)
def test_two_rays_cross_at_the_published_point(
    azimuths: tuple[float, float], northing: float, easting: float
) -> None:
    """Mahun, Open Access Surveying Library, COGO self-study solution 1, part 3: four digits.

    Rays from 1 (1000, 2000) and 2 (480.951, 1811.082); published with three decimals (836.445,
    1450.051 and 463.846, 2435.613), recomputed with four from the printed azimuths.
    """
    ground = placed_by_hand({"1": (1000.0, 2000.0, 5.0), "2": (480.951, 1811.082, 5.0)})
    points = derive(
        ground,
        Polar("P", 1, "1", azimuths[0], 100.0),
        Polar("Q", 2, "2", azimuths[1], 100.0),
        Crossing("X", 3, ("1", "P"), ("2", "Q")),
    ).points
    assert points[2].place.position[:2] == pytest.approx([northing, easting], abs=0.0002)  # ft


def test_grades_rise_and_falls_drop() -> None:
    """A grade of -2 % over 2.5 m is 50 mm down; without one the elevation is kept."""
    ground = placed_by_hand(FLAT)
    sloped, level = derive(
        ground, Polar("P", 1, "A", 0.0, 2.5, -0.02), Polar("Q", 2, "A", 0.0, 2.5)
    ).points
    assert sloped.place.position == pytest.approx([2.5, 0.0, 9.95], abs=1e-12)
    assert level.place.position == pytest.approx([2.5, 0.0, 10.0], abs=1e-12)


def test_an_intersection_takes_the_elevation_of_the_first_line() -> None:
    """Line A-B rises 1 in 10 and stands at 10.3 where C-D crosses it, which passes 1.3 below."""
    point = only(derive(placed_by_hand(FLAT), Crossing("X", 1, ("A", "B"), ("C", "D"))))
    assert point.place.position == pytest.approx([3.0, 0.0, 10.3], abs=1e-12)
    assert point.crossed is not None
    assert point.crossed.gap == pytest.approx(10.0 - 10.3, abs=1e-12)  # C-D: 9 + 3 * 2 / 6


def test_a_mean_says_how_far_its_points_lie_apart() -> None:
    """The mean of three shots of one lid, and the one farthest from it."""
    ground = placed_by_hand({"1": (5.0, 5.0, 1.0), "2": (5.0, 5.006, 1.0), "3": (5.0, 5.0, 1.006)})
    point = only(derive(ground, Mean("M", 1, ("1", "2", "3"))))
    assert point.place.position == pytest.approx([5.0, 5.002, 1.002], abs=1e-12)
    assert point.farthest == "2"
    assert point.spread == pytest.approx(0.004, abs=1e-12)  # m


def test_a_typed_elevation_stands_beside_the_measured_one() -> None:
    """The typed value is held: it has no spread, and the mark's own stays at hand."""
    typed = Typed("LID", 1, "T7", 112.25, "office", "lid set to plan")
    ground = ground_of(yard())
    point = only(derive_points([typed], ground, yard()))
    number = ground.names.index("T7")
    assert point.place.position == pytest.approx([*ground.position[number, :2], 112.25], abs=1e-12)
    covariance = covariances(yard(), [point.place])[0]
    assert covariance[2] == pytest.approx([0.0, 0.0, 0.0], abs=0.0)
    np.testing.assert_allclose(
        covariance[:2, :2], yard().point_covariance[number][:2, :2], rtol=1e-9
    )
    assert point.measured is not None
    assert point.measured.position[2] == ground.position[number, 2]


def test_a_closed_line_is_moved_closed() -> None:
    """A square walked with the clock, moved to its right, is the smaller square inside it."""
    corners = {"1": (0.0, 0.0, 1.0), "2": (10.0, 0.0, 1.0), "3": (10.0, 10.0, 1.0)}
    ground = placed_by_hand(corners | {"4": (0.0, 10.0, 1.0)}, {"S": (("1", "2", "3", "4", "1"),)})
    points = derive(ground, OffsetString("IN", 1, "S", 2.0))
    inner = np.array([point.place.position[:2] for point in points.points])
    np.testing.assert_allclose(inner, [[2, 2], [8, 2], [8, 8], [2, 8]], atol=1e-12)
    assert points.strings == {"IN": (("IN-1", "IN-2", "IN-3", "IN-4", "IN-1"),)}


def test_an_offset_bigger_than_the_bend_leaves_a_gap() -> None:
    """A notch 1 m wide cannot be moved 3 m inwards: its corners have no place, and say why."""
    line = ("1", "2", "3", "4")
    notch = {"1": (0.0, 0.0, 1.0), "2": (10.0, 0.0, 1.0), "3": (10.0, 1.0, 1.0)}
    ground = placed_by_hand(notch | {"4": (0.0, 1.0, 1.0)}, {"S": (line,)})
    outside = derive(ground, OffsetString("OUT", 1, "S", -3.0))
    assert not any(point.reason for point in outside.points)
    inside = derive(ground, OffsetString("IN", 1, "S", 3.0))
    reasons = {point.place.name: point.reason for point in inside.points if point.reason}
    assert reasons["IN-2"] == "the offset is bigger than the bend at 2 allows"
    assert {"IN-2", "IN-3"} <= set(reasons)
    turned = [point.place for point in inside.points if point.reason]
    assert np.isnan([place.position for place in turned]).all()
    assert np.isnan(covariances(yard(), turned)).all()
    assert all(not set(part) & set(reasons) for part in inside.strings["IN"])


def test_parts_of_a_string_are_moved_apart() -> None:
    """A break stays a break: each part has ends of its own, and the numbers run on."""
    places = {str(i): (5.0 * i, 0.0, 1.0) for i in range(5)}
    ground = placed_by_hand(places, {"S": (("0", "1"), ("2", "3", "4"))})
    points = derive(ground, OffsetString("R", 7, "S", 1.0))
    assert points.strings["R"] == (("R-1", "R-2"), ("R-3", "R-4", "R-5"))
    assert [point.source for point in points.points] == list("01234")


def test_points_are_projected_square_onto_the_nearest_leg() -> None:
    """Two points fall on legs, one on an outer corner, one beyond the end of the line."""
    fence = {"F1": (0.0, 0.0, 0.0), "F2": (10.0, 0.0, 0.0), "F3": (10.0, 10.0, 0.0)}
    crest = {"1": (4.0, -2.0, 5.0), "2": (12.0, -1.0, 5.0), "3": (12.0, 6.0, 5.0)}
    ground = placed_by_hand(
        fence | crest | {"4": (12.0, 11.0, 5.0)},
        {"FENCE": (("F1", "F2", "F3"),), "CREST": (("1", "2", "3", "4"),)},
    )
    points = derive(ground, ProjectedString("TOE", 1, "CREST", "FENCE", 0.1))
    places = np.array([point.place.position for point in points.points])
    corner = 5.0 - 0.1 * np.hypot(2.0, 1.0)
    np.testing.assert_allclose(
        places[:3], [[4.0, 0.0, 4.8], [10.0, 0.0, corner], [10.0, 6.0, 4.8]], atol=1e-12
    )
    assert points.points[3].reason == "4 lies beyond the end of FENCE at F3"
    assert points.strings["TOE"] == (("TOE-1", "TOE-2", "TOE-3"),)


def test_what_cannot_be_built_has_no_place_and_a_reason() -> None:
    """Parallel lines, points upon each other, and lost points give reasons, not numbers."""
    places = FLAT | {"E": (0.0, 3.0, 1.0), "F": (10.0, 3.0, 1.0), "G": (0.0, 0.0, 2.0)}
    ground = placed_by_hand(places | {"LOST": (NAN, NAN, NAN), "LOW": (1.0, 1.0, NAN)})
    points = derive(
        ground,
        Crossing("1", 1, ("A", "B"), ("E", "F")),
        Crossing("2", 2, ("A", "G"), ("C", "D")),
        Mean("3", 3, ("A", "LOST")),
        Polar("4", 4, "3", 0.0, 1.0),
        Mean("5", 5, ("A", "LOW")),
        Typed("6", 6, "LOW", 3.5, "crew", "taped from the wall"),
    ).points
    assert [point.reason for point in points] == [
        "lines A-B and E-F are parallel as far as anyone can tell",
        "A and G are one place and show no line",
        "LOST has no place",
        "3 has no place",
        "no elevation: LOW has none",
        "",
    ]
    positions = np.array([point.place.position for point in points])
    assert np.isnan(positions[:4]).all()
    assert positions[4, :2] == pytest.approx([0.5, 0.5]) and np.isnan(positions[4, 2])
    assert positions[5] == pytest.approx([1.0, 1.0, 3.5])


def test_a_crossing_that_the_marks_cannot_tell_from_none_is_refused() -> None:
    """Lines turned by less than 5 sds of their angle are parallel; by more they cross, badly."""
    adjustment = yard()
    ground = ground_of(adjustment)
    number = {name: i for i, name in enumerate(ground.names)}
    a, b, c, d = (number[name] for name in ("T1", "T5", "T2", "T4"))
    entry = Crossing("X", 1, ("T1", "T5"), ("T2", "T4"))
    direction = (ground.position[b] - ground.position[a])[:2]
    sds = []
    for turn in (2e-5, 2e-4, 2e-3):  # rad
        across = np.array([-direction[1], direction[0]])
        position = ground.position.copy()
        position[d, :2] = position[c, :2] + 0.5 * (direction + np.tan(turn) * across)
        point = only(derive_points([entry], replace(ground, position=position), adjustment))
        sds.append(np.sqrt(covariances(adjustment, [point.place])[0, 0, 0]))
        assert (point.reason != "") == (turn < 1e-4)
    assert np.isnan(sds[0])
    assert sds[1] > 5.0 * sds[2] > 0.0


@pytest.mark.parametrize(
    ("entries", "message"),
    [
        (
            [Polar("D1", 9, "T55", 0.0, 1.0)],
            "job.yaml:9: derived D1: from names point T55, which this job does not have. "
            "Did you mean T5?",
        ),
        (
            [OffsetString("S", 9, "LINES", 1.0)],
            "job.yaml:9: derived S: offset names string LINES, which this job does not have. "
            "Did you mean LINE?",
        ),
        (
            [Mean("T5", 9, ("T1", "T2"))],
            "job.yaml:9: derived T5: the job has a point of this name already. Choose another",
        ),
        (
            [Mean("S4", 9, ("T1", "T2"))],
            "job.yaml:9: derived S4: the job has a point of this name already. Choose another",
        ),
        (
            [Mean("A", 8, ("T1", "T2")), Mean("A", 9, ("T1", "T2"))],
            "job.yaml:9: derived A: is there twice, first on line 8. Rename one",
        ),
        (
            [OffsetString("S", 8, "LINE", 1.0), Mean("S-2", 9, ("T1", "T2"))],
            "job.yaml:9: derived S-2: is named like a point of string S. Choose another",
        ),
        (
            [OffsetString("LINE", 9, "EDGE", 1.0)],
            "job.yaml:9: derived LINE: the job has a string of this name already. Choose another",
        ),
        (
            [OffsetString("S", 8, "LINE", 1.0), Polar("P", 9, "S-5", 0.0, 1.0)],
            "job.yaml:9: derived P: S-5 is beyond the end of its string",
        ),
        (
            [Polar("A", 8, "B", 0.0, 1.0), Polar("B", 9, "A", 0.0, 1.0)],
            "job.yaml:8: derived A: A and B are derived from each other. Start from a mark",
        ),
        (
            [OffsetString("S", 9, "S", 1.0)],
            "job.yaml:9: derived S: is derived from itself. Start from a mark",
        ),
        (
            [Polar("P", 9, "P", 0.0, 1.0)],
            "job.yaml:9: derived P: is derived from itself. Start from a mark",
        ),
    ],
)
def test_wrong_names_are_refused_with_the_nearest_right_one(
    entries: list[Derived], message: str
) -> None:
    """Unknown, taken, twice, past the end, in a circle: file, line, what to do."""
    with pytest.raises(ConfigError) as caught:
        derive_points(entries, ground_of(yard(), STRINGS), yard(), ["S4"])
    assert str(caught.value) == message


def test_every_wrong_name_is_told_at_once() -> None:
    """Three entries with three mistakes give three messages."""
    entries: list[Derived] = [
        Polar("P", 1, "X1", 0.0, 1.0),
        Mean("Q", 2, ("T1", "X2")),
        ProjectedString("R", 3, "LINE", "X3", 0.0),
    ]
    with pytest.raises(ConfigError) as caught:
        derive_points(entries, ground_of(yard(), STRINGS), yard())
    assert [problem.split(":")[1] for problem in caught.value.problems] == ["1", "2", "3"]
