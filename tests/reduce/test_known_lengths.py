"""Lengths between known places against triangles worked by hand."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.model.observations import Sights
from tieup.reduce.known_lengths import known_lengths

NONE = (np.nan, np.nan)


def sights(*rows: tuple[int, int, float, float, float]) -> Sights:
    """Return sights of (setup, point, direction deg, zenith deg, slope distance m)."""
    setup, point, direction, zenith, distance = (
        np.array(column) for column in zip(*rows, strict=True)
    )
    value = np.column_stack([np.radians(direction), np.radians(zenith), distance])
    n = len(rows)
    return Sights(setup, point, np.zeros(n), value, np.ones((n, 3), int), value, value)


def test_from_a_known_station_and_between_marks_of_a_free_one() -> None:
    """Slope 10 at 60 deg is 8.660 level; 30 and 40 at a right angle are 50 apart (3-4-5)."""
    seen = sights(
        (0, 0, 10.0, 60.0, 10.0),
        (0, 1, 50.0, 90.0, 7.0),  # not known
        (1, 0, 0.0, 90.0, 30.0),
        (1, 2, 90.0, 90.0, 40.0),
        (1, 2, 90.0, 90.0, 40.0),  # at another height of the target: counts once
    )
    place = np.array([(0.0, 9.0), NONE, (0.0, 0.0), (48.0, 0.0), (48.0, 0.0)])
    found = known_lengths(seen, np.array([(0.0, 0.0), NONE]), place)
    assert found.setup.tolist() == [0, 1]
    assert (found.start.tolist(), found.end.tolist()) == ([-1, 2], [0, 3])
    np.testing.assert_allclose(found.measured, [10 * 3**0.5 / 2, 50.0], rtol=0, atol=1e-12)  # m
    np.testing.assert_allclose(found.inverse, [9.0, 48.0], rtol=0, atol=1e-12)  # m


def test_pairs_stay_within_a_setup_and_need_directions() -> None:
    """One mark from each of two setups, and one without a direction: nothing to compare."""
    seen = sights((0, 0, 0.0, 90.0, 10.0), (1, 1, 0.0, 90.0, 20.0), (1, 2, np.nan, 90.0, 20.0))
    place = np.array([(0.0, 0.0), (5.0, 5.0), (9.0, 9.0)])
    assert len(known_lengths(seen, np.array([NONE, NONE]), place).inverse) == 0


def test_a_mark_on_its_own_station_is_no_length() -> None:
    """Where coordinates coincide there is nothing to divide by."""
    seen = sights((0, 0, 0.0, 90.0, 10.0))
    found = known_lengths(seen, np.array([(5.0, 5.0)]), np.array([(5.0, 5.0)]))
    assert len(found.inverse) == 0
    assert found.measured == pytest.approx([])


@pytest.mark.parametrize(
    ("angle", "side"), [(60.0, 1300**0.5), (120.0, 3700**0.5), (-60.0, 1300**0.5), (180.0, 70.0)]
)
def test_the_third_side_at_any_angle(angle: float, side: float) -> None:
    """30 and 40 m: 900 + 1600 - 2400 cos 60 = 1300; without a zenith angle a sight is level.

    In line the sides add up; both marks in one direction are their difference apart.
    """
    seen = sights((0, 0, 350.0, np.nan, 30.0), (0, 1, 350.0 + angle, 90.0, 40.0))
    place = np.array([(3.0, 4.0), (0.0, 0.0)])
    found = known_lengths(seen, np.array([NONE]), place)
    assert found.measured == pytest.approx([side], abs=1e-12)  # m
    assert found.inverse == pytest.approx([5.0], abs=1e-12)
    same = sights((0, 0, 20.0, 90.0, 30.0), (0, 1, 20.0, 90.0, 40.0))
    assert known_lengths(same, np.array([NONE]), place).measured == pytest.approx([10.0], abs=1e-6)


def test_marks_of_a_free_station_are_taken_two_by_two_in_the_order_of_the_points() -> None:
    """Points 0, 1, 2 and 3 as shot 3, 0, 2, 1: 0-1, 1-2 and 2-3, each as long as its arc's chord.

    A mark that is not known and one without a distance stand aside.
    """
    seen = sights(
        (0, 3, 180.0, 90.0, 10.0),
        (0, 0, 0.0, 90.0, 10.0),
        (0, 2, 120.0, 90.0, 10.0),
        (0, 1, 60.0, 90.0, 10.0),
        (0, 4, 30.0, 90.0, 10.0),
        (0, 5, 40.0, 90.0, np.nan),
    )
    place = np.array([(9.0, 0.0), (0.0, 0.0), (7.0, 0.0), (4.0, 0.0), NONE, (1.0, 1.0)])
    found = known_lengths(seen, np.array([NONE]), place)
    ends = seen.point[np.column_stack([found.start, found.end])]
    lengths = dict(zip(map(tuple, ends.tolist()), found.inverse.tolist(), strict=True))
    assert lengths == {(0, 1): 4.0, (1, 2): 3.0, (2, 3): 2.0}
    assert found.measured == pytest.approx([10.0] * 3, abs=1e-9)  # 60 degrees: the radius
