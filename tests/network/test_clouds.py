"""Horizontal distance and rise of a sight."""

from __future__ import annotations

import numpy as np
import pytest

from tests.network.sites import Gear, make_sights
from tieup.geometry import curvature_coefficient
from tieup.network.polar_sets import level_parts, make_ties

FOOT = 0.3048  # m
EARTH_FEET = 20_906_000.0  # ft, the radius of the table below


def level_sight(distance):
    value = np.array([[0.0, 0.5 * np.pi, distance]])
    return make_sights(np.zeros(1, int), np.zeros(1, int), np.zeros(1), value, Gear())


@pytest.mark.parametrize(
    ("feet", "fall"),
    [(500, 0.005142), (1000, 0.020568), (5000, 0.514206), (10000, 2.056826)],
)
def test_a_level_sight_rises_by_curvature_less_refraction(feet, fall):
    """Table of c - r, lecture notes on Wolf & Ghilani 11th ed. ch. 4, k = 0.14, in feet.

    The table's radius is 20 906 000 ft, the package's 6 371 km: scaled to it.
    """
    _, rise = level_parts(level_sight(feet * FOOT), curvature_coefficient(0.14))
    expected = fall * FOOT * EARTH_FEET * FOOT / 6_371_000.0
    assert abs(rise[0] - expected) < 1e-6 * FOOT * feet / 500  # m, the table's last digit


def test_a_target_height_is_taken_off_and_a_distance_without_zenith_is_level():
    """Rise is to the mark, not to the prism; without zenith angle there is none."""
    value = np.array([[0.0, np.radians(60.0), 100.0], [1.0, np.nan, 100.0]])
    sights = make_sights(np.zeros(2, int), np.arange(2), np.full(2, 1.5), value, Gear())
    horizontal, rise = level_parts(sights, 0.0)
    assert np.allclose(horizontal, [100.0 * np.sqrt(0.75), 100.0], rtol=0.0, atol=1e-12)  # m
    assert abs(rise[0] - 48.5) < 1e-12  # m
    assert np.isnan(rise[1])


def test_marks_of_one_setup_tie_nothing_unless_something_else_knows_them():
    """Seen by two setups, occupied, or known: a tie. Seen by one setup: a side shot."""
    setup, point = np.array([0, 0, 0, 1, 1]), np.array([0, 1, 2, 0, 4])
    value = np.tile([0.5, 1.5, 50.0], (5, 1))
    sights = make_sights(setup, point, np.zeros(5), value, Gear())
    known = np.array([False, False, True, False, False])
    level = level_parts(sights, 0.0)
    ties = make_ties(sights, np.array([-1, 1]), np.array([np.nan, 1.6]), known, level)
    assert sorted(zip(ties.setup.tolist(), ties.point.tolist(), strict=True)) == [
        (0, 0),
        (0, 1),
        (0, 2),
        (1, 0),
        (1, 1),
    ]
    over = int(np.flatnonzero(ties.sight < 0)[0])
    assert ties.plan[over] == 0 and ties.rise[over] == -1.6
