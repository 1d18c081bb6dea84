"""A line carried over a change-over, against geometry written out anew.

The referee has its own way to every number: lines met by `numpy.linalg.solve`, heights by
`numpy.interp` and straight lines, the law of propagation by a difference for each input, as what
is read is linear in the heights or nearly so.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from tieup.ties.carried import carry, off_course, roughness
from tieup.ties.change_over_readings import GAP, GRADE, KINK, STEP, read_line, smoothness

# A1, A0, B0, B1 (m): legs of different lengths, grades of both signs, 12 degrees of bend; then a
# corner of about 70 degrees between unlike ways.
BENT = np.array([[1.0, 2.0, 5.00], [5.0, 5.0, 5.12], [9.5, 9.5, 5.20], [13.0, 14.5, 5.05]])
CORNER = np.array([[0.0, 0.0, 8.00], [6.0, 1.0, 7.90], [8.9, 3.1, 7.83], [9.6, 6.4, 7.91]])


def spread(size: int, seed: int) -> np.ndarray:
    """Return a full covariance of some mm^2, in m^2."""
    root = np.random.default_rng(seed).normal(size=(size, size)) * 1e-3
    return np.asarray(root @ root.T + 1e-6 * np.eye(size))


def propagated(
    read: Callable[[np.ndarray], float], at: np.ndarray, covariance: np.ndarray, step: float
) -> float:
    """Return the sd of what is read by the law of propagation, central differences."""
    flat = at.ravel()
    units = step * np.eye(len(flat))
    slope = [
        (read((flat + u).reshape(at.shape)) - read((flat - u).reshape(at.shape))) / (2 * step)
        for u in units
    ]
    return float(np.sqrt(np.array(slope) @ covariance @ np.array(slope)))


def ways_of(points: np.ndarray) -> tuple[float, float]:
    """Return how far each line goes (m): to where they meet, else beside the middle."""
    a, b = points[1, :2] - points[0, :2], points[3, :2] - points[2, :2]
    a, b = a / np.linalg.norm(a), b / np.linalg.norm(b)
    if a @ b < np.cos(np.radians(30.0)):
        s, t = np.linalg.solve(np.column_stack([a, b]), points[2, :2] - points[1, :2])
        return float(s), float(t)
    half = (points[2, :2] - points[1, :2]) / 2.0
    return float(half @ a), float(half @ b)


def met(points: np.ndarray, ways: tuple[float, float]) -> float:
    """Return the height of the second line over the first at the end of both ways."""
    first, last = (np.linalg.norm(points[k + 1, :2] - points[k, :2]) for k in (0, 2))
    ahead = np.polynomial.Polynomial.fit([-first, 0.0], points[:2, 2], 1)
    back = np.polynomial.Polynomial.fit([0.0, last], points[2:, 2], 1)
    return float(back(-ways[1]) - ahead(ways[0]))


@pytest.mark.parametrize(
    "points", [BENT, CORNER, CORNER[::-1].copy()], ids=["bent", "corner", "back"]
)
def test_two_lines_are_carried_to_where_they_meet(points: np.ndarray) -> None:
    """Step, its sds and what the shape may make of it, with heights that are correlated."""
    heights, rough, ways = spread(4, 5), 0.004, ways_of(points)
    found = carry(points, heights, rough)
    whole = heights + rough**2 * np.eye(4)

    def sd(ends: tuple[float, float]) -> float:
        def read(up: np.ndarray) -> float:
            return met(np.column_stack([points[:, :2], up]), ends)

        return propagated(read, points[:, 2], whole, 0.5)

    far = sum(ways)
    assert abs(found.step - met(points, ways)) < 1e-12  # m
    assert abs(found.sd - sd(ways)) < 1e-12  # m
    assert abs(found.sd_end - max(sd(ways), sd((far, 0.0)), sd((0.0, far)))) < 1e-12  # m
    legs = np.linalg.norm(np.diff(points[:, :2], axis=0), axis=1)
    grades = np.diff(points[:, 2])[[0, 2]] / legs[[0, 2]]
    cut = max(far - legs[1], 0.0) * np.abs(grades).max()
    assert abs(found.unsure - abs(grades[1] - grades[0]) * max(ways) - cut) < 1e-12  # m


def test_a_way_over_a_corner_far_outside_the_gap_tells_nothing() -> None:
    """Lines that meet behind one of them, or after 1.7 times the gap: no step; at 1.5 there is."""

    def corner(reach: float) -> np.ndarray:
        """Lines of 40 degrees that meet ``reach`` times their chord away, both ways alike."""
        inside = 2.0 * np.arcsin(0.5 / (reach / 2.0))  # the angle at the corner
        arms = [np.array([np.cos(x), np.sin(x)]) for x in (0.0, inside)]
        plan = np.array([arms[0] * 9.0, arms[0] * 4.0, arms[1] * 4.0, arms[1] * 9.0])
        return np.column_stack([plan, np.zeros(4)])

    assert np.isnan(carry(corner(1.7), np.eye(4), 0.0).step)
    assert carry(corner(1.5), np.eye(4), 0.0).step == pytest.approx(0.0, abs=1e-12)  # m
    behind = np.array([[0.0, 0.0, 0.0], [6.0, 0.0, 0.0], [3.0, 2.0, 0.0], [3.0, 8.0, 0.0]])
    assert np.isnan(carry(behind, np.eye(4), 0.0).step)
    assert np.isnan(carry(BENT[[0, 0, 2, 3]], np.eye(4), 0.0).step)  # one point twice


def test_a_point_lies_off_the_chord_of_its_neighbours() -> None:
    """By `numpy.interp` along the chord, over the sd that three points of sd 1 give it."""
    rng = np.random.default_rng(3)
    along = np.cumsum(rng.uniform(1.0, 9.0, 9))
    place = np.column_stack([0.8 * along, 0.6 * along, rng.normal(size=9)])
    found = off_course([(0, 1, 2, 3), (4, 5), (6, 7, 8)], place)
    own = []
    for i in (1, 2, 7):
        near = along[[i - 1, i + 1]]
        share = np.interp(along[i], near, [0.0, 1.0])
        off = place[i, 2] - np.interp(along[i], near, place[[i - 1, i + 1], 2])
        own.append(off / np.linalg.norm([1.0, share, 1.0 - share]))
    np.testing.assert_allclose(found, own, rtol=0, atol=1e-12)  # m
    assert off_course([(0, 1), (2,)], place).shape == (0,)


def test_roughness_is_the_median_deviation_and_an_sd_more() -> None:
    """By hand: of 1, 2, 4, 8 mm the median is 3, the deviations 2, 1, 1, 5, their median 1.5.

    1.4826 makes it an sd (Rousseeuw and Croux, 1993; from memory), known to sqrt(1.36 / 4).
    """
    found = roughness(np.array([1.0, 2.0, 4.0, 8.0]))
    assert found == pytest.approx(1.5 * 1.4826 * (1.0 + np.sqrt(0.34)), abs=1e-12)  # mm


def reading_of(points: np.ndarray) -> np.ndarray:
    """Return step, gap, kink of direction and of grade by lines in the plane as complex numbers."""
    z, up = points[:, 0] + 1j * points[:, 1], points[:, 2]
    a, b = z[1] - z[0], z[-1] - z[-2]
    grades = (up[1] - up[0]) / abs(a), (up[-1] - up[-2]) / abs(b)
    middle, ends = (z[1] + z[-2]) / 2.0, []
    for foot, way, height, grade in ((z[1], a, up[1], grades[0]), (z[-2], b, up[-2], grades[1])):
        run = ((middle - foot) / (way / abs(way))).real
        ends.append((foot + run * way / abs(way), height + run * grade))
    mean = a / abs(a) + b / abs(b)
    across = ((ends[1][0] - ends[0][0]) / (mean / abs(mean))).imag
    step, gap = (ends[1][1] - ends[0][1], across) if len(points) == 4 else (np.nan, np.nan)
    return np.array([step, gap, np.angle(b / a), grades[1] - grades[0]])


@pytest.mark.parametrize("points", [BENT, BENT[[0, 1, 3]]], ids=["four", "three"])
def test_a_line_is_read_with_the_sds_of_correlated_points(points: np.ndarray) -> None:
    """Step, gap and kinks of unlike legs; the law of propagation over all coordinates."""
    covariance = spread(points.size, 7)
    found, expected = read_line(points, covariance), reading_of(points)
    np.testing.assert_allclose(found.value, expected, rtol=0, atol=1e-12)  # m, rad
    for part in (STEP, GAP, KINK, GRADE):
        sd = propagated(lambda at, part=part: reading_of(at)[part], points, covariance, 1e-3)
        assert found.sd[part] == pytest.approx(sd, abs=1e-8, nan_ok=True)  # m, rad
    corner = read_line(CORNER, covariance[:12, :12]) if len(points) == 4 else None
    assert corner is None or np.isnan(corner.value[[STEP, GAP]]).all()
    assert np.isnan(read_line(points[:2], np.eye(6)).value).all()


def test_how_smooth_a_line_runs_by_its_triples() -> None:
    """A curve of unlike legs: offsets from the chord by the area of the triangle, and bends.

    A corner of 90 degrees in it counts for nothing. Offsets are made sds of a step by 5 / 1.5.
    """
    rng = np.random.default_rng(11)
    bearing = np.cumsum(rng.normal(0.06, 0.04, 9))
    leg = rng.uniform(3.0, 8.0, 9)
    plan = np.cumsum(leg * np.exp(1j * bearing))
    place = np.column_stack([plan.real, plan.imag, rng.normal(scale=0.05, size=9)])
    corner = np.array([[0.0, 0.0, 0.0], [5.0, 0.0, 0.1], [5.0, 5.0, 0.3]])
    found = smoothness([tuple(range(9)), (9, 10, 11)], np.vstack([place, corner]))
    rows = [place[i : i + 3] for i in range(7)]
    sides, above = [], []
    for p, q, r in rows:
        chord = r[:2] - p[:2]
        double = np.linalg.det(np.column_stack([chord, q[:2] - p[:2]]))
        sides.append(double / np.linalg.norm(chord))
        share = np.linalg.lstsq(chord[:, None], q[:2] - p[:2], rcond=None)[0][0]
        above.append(q[2] - p[2] - share * (r[2] - p[2]))
    kinks = np.array([reading_of(row)[[KINK, GRADE]] for row in rows])
    expected = [np.std(above) * np.sqrt(5 / 1.5), np.std(sides) * np.sqrt(5 / 1.5), *kinks.std(0)]
    np.testing.assert_allclose(found.sd, expected, rtol=0, atol=1e-12)  # m, rad
    assert found.kink == pytest.approx(kinks[:, 0].mean(), abs=1e-12)  # rad
    short = smoothness([(0, 1, 2, 3, 4), (9, 10, 11)], np.vstack([place, corner]))
    assert np.isinf(short.sd).all() and short.kink == 0.0
