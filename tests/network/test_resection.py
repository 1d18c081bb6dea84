"""Closed forms against published numbers and against the geometry they came from."""

from __future__ import annotations

import numpy as np
import pytest

from tests.network.sites import SHIFT
from tieup.network.resection import cross_circles, intersect, resect, turn_on_pair

PLACE = complex(*SHIFT[:2])  # far from zero, as on a national grid


def dms(degrees: int, minutes: int, seconds: float) -> float:
    return np.radians(degrees + minutes / 60.0 + seconds / 3600.0)


@pytest.mark.parametrize(
    ("apb", "bpc", "east", "north", "close"),
    [
        # Ferris State University, SURE 215 notes, "Three Point Resection Problem"
        (dms(109, 30, 45), dms(115, 5, 20), 2128.3903, 5578.1443, 2e-4),  # m
        # the same triangle in the test file of the library pygeodesy
        (np.radians(109.3), np.radians(115.1), 2129.3018, 5575.8016, 1e-4),  # m
    ],
)
def test_resection_gives_the_published_point(apb, bpc, east, north, close):
    """The three-point problem of the course notes comes out to the printed digits."""
    marks = np.array([[5300 + 1000j, 6300 + 2200j, 5000 + 3100j]])  # N + iE of A, B, C
    directions = np.array([[0.0, apb, apb + bpc]])
    station, _ = resect(marks, directions)
    assert abs(station[0] - complex(north, east)) < close


@pytest.mark.parametrize(
    ("first", "second", "north", "east"),
    [
        (dms(253, 26, 15), dms(314, 33, 26), 836.445, 1450.051),
        (dms(140, 54, 25), dms(91, 34, 8), 463.846, 2435.613),
    ],
)
def test_intersection_gives_the_published_point(first, second, north, east):
    """Mahun, Open Access Surveying Library, COGO self-study 1: both ends of the line."""
    origins = np.array([[1000 + 2000j, 480.951 + 1811.082j]])
    point = intersect(origins, np.array([[first, second]]))
    assert abs(point[0] - complex(north, east)) < 1e-3  # m, the print's last digit


def test_resection_finds_every_station_far_from_the_origin():
    """A thousand random stations come back, turn and place, wherever the marks lie."""
    rng = np.random.default_rng(1)
    station = PLACE + 50.0 * (rng.normal(size=1000) + 1j * rng.normal(size=1000))
    marks = PLACE + 100.0 * (rng.normal(size=(1000, 3)) + 1j * rng.normal(size=(1000, 3)))
    orientation = rng.uniform(0.0, 2.0 * np.pi, 1000)
    directions = np.angle(marks - station[:, None]) - orientation[:, None]
    found, turn = resect(marks, directions)
    # the worst of a thousand lies within 0.1 % of the danger circle
    assert np.median(np.abs(found - station)) < 1e-7  # m
    assert np.max(np.abs(found - station)) < 1e-4  # m
    assert np.max(np.abs(turn - np.exp(1j * orientation))) < 1e-5  # rad


def test_resection_refuses_the_danger_circle():
    """Marks and station on one circle leave the station open: no answer, not a wrong one."""
    circle = 100.0 * np.exp(1j * np.array([[0.3, 1.4, 2.9, 5.0]]))
    directions = np.angle(circle[:, :3] - circle[:, 3:])
    station, turn = resect(circle[:, :3], directions)
    assert np.isnan(station[0])
    assert np.isnan(turn[0])


def test_rays_that_meet_behind_a_station_give_no_point():
    """Lines cross behind, rays do not."""
    origins = np.array([[0j, 100j], [0j, 100j]])
    bearings = np.array([[np.radians(45), np.radians(315)], [np.radians(225), np.radians(135)]])
    point = intersect(origins, bearings)
    assert abs(point[0] - (50 + 50j)) < 1e-9  # m
    assert np.isnan(point[1])


def test_distances_to_two_marks_leave_the_station_and_its_mirror_image():
    """One of the two crossings of the circles is the station."""
    rng = np.random.default_rng(2)
    marks = rng.normal(size=(500, 2)) * 60.0 + 1j * rng.normal(size=(500, 2)) * 60.0
    station = rng.normal(size=500) * 40.0 + 1j * rng.normal(size=500) * 40.0
    both = cross_circles(marks, np.abs(marks - station[:, None]))
    assert np.max(np.min(np.abs(both - station[:, None]), axis=1)) < 1e-4  # m
    apart = cross_circles(np.array([[0j, 100 + 0j]]), np.array([[10.0, 20.0]]))
    assert np.isnan(apart).all()


def test_one_distance_and_one_angle_place_a_station():
    """Law of sines: one of at most two answers is the station."""
    rng = np.random.default_rng(3)
    mark, other, station = (rng.normal(size=500) + 1j * rng.normal(size=500) for _ in range(3))
    angle = np.angle((other - station) / (mark - station))
    both = turn_on_pair(mark, np.abs(mark - station), other, angle)
    assert np.nanmax(np.nanmin(np.abs(both - station[:, None]), axis=1)) < 1e-6  # m
