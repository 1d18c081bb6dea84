"""Shifts that no longer show once other ties are out: what is lost, and what stands for it."""

from __future__ import annotations

import numpy as np
from scipy import stats

from tieup.adjust.estimable import Information
from tieup.ties.shifts import Shifts, solve_shifts

NAN = np.nan


def shifts(plan: list[int], up: list[float], base: float) -> Shifts:
    """Return ties with so many degrees in plan and such heights; all else counts from ``base``."""
    count = len(plan)
    difference = base + np.arange(3.0 * count).reshape(count, 3)
    difference[:, 2] = up
    return Shifts(
        difference,
        base + np.arange(9.0 * count).reshape(count, 3, 3),
        base + np.arange(count),
        base + 10.0 + np.arange(count),
        base + 20.0 + np.arange(count),
        np.array(plan),
    )


BEFORE = shifts([2, 2, 2, 0], [0.1, 0.2, 0.3, NAN], 0.0)
AFTER = shifts([2, 1, 2, 0], [0.5, 0.6, NAN, NAN], 1000.0)


def test_a_tie_is_lost_in_plan_or_in_height() -> None:
    """Fewer degrees in plan, or a height that is no more; what never showed is not lost."""
    assert AFTER.lost(BEFORE).tolist() == [False, True, True, False]
    assert not BEFORE.lost(BEFORE).any()


def test_what_is_lost_stands_as_it_was_and_no_other_part() -> None:
    """Plan and height each by itself."""
    found = AFTER.where_lost(BEFORE)
    plan_lost, up_lost = [False, True, False, False], [False, False, True, False]
    for row in range(4):
        plan = BEFORE if plan_lost[row] else AFTER
        up = BEFORE if up_lost[row] else AFTER
        np.testing.assert_array_equal(found.difference[row, :2], plan.difference[row, :2])
        np.testing.assert_array_equal(found.difference[row, 2], up.difference[row, 2])
        np.testing.assert_array_equal(found.covariance[row, :2, :2], plan.covariance[row, :2, :2])
        assert found.covariance[row, 2, 2] == up.covariance[row, 2, 2]
        for column in ("plan", "plan_sd", "plan_statistic", "plan_freedom"):
            assert getattr(found, column)[row] == getattr(plan, column)[row]


def test_vague_differences_are_no_ties() -> None:
    """Beyond the largest sd in plan, in height, in both; the other part stays."""
    covariance = np.tile(np.eye(3) * 0.099**2, (4, 1, 1))
    covariance[2, 2, 2] = covariance[3, 2, 2] = 0.101**2
    sd = np.array([0.099, 0.101, 0.099, 0.101])
    whole = Shifts(np.ones((4, 3)), covariance, np.ones(4), sd, np.ones(4), np.full(4, 2))
    found = whole.without_vague(0.1)
    flat, up = np.array([False, True, False, True]), np.array([False, False, True, True])
    assert (np.isnan(found.difference[:, 0]) == flat).all()
    assert (np.isnan(found.difference[:, 2]) == up).all()
    assert (np.isnan(found.covariance[:, 0, 1]) == flat).all()
    assert (np.isnan(found.covariance[:, 2, 2]) == up).all()
    assert (np.isnan(found.plan) == flat).all()
    assert found.plan_freedom.tolist() == [2, 0, 2, 0]
    np.testing.assert_allclose(found.height_statistic[~up], 1.0 / 0.099**2)


def test_what_shows_along_one_line_only_is_told_along_it() -> None:
    """A mark fixed across a sight and hardly along it: part, sd and chance of the part that shows.

    By hand: 7 mm at 30 degrees with an sd of 2 mm, whichever way the axis points; the height by
    itself with 3 mm. Where plan is not asked for, or less than a thousandth shows, nothing is told;
    where height is not asked for, nothing of that.
    """
    line = np.array([np.cos(np.radians(30.0)), np.sin(np.radians(30.0))])
    left = np.zeros((5, 3, 3))
    left[:, :2, :2], left[:, 2, 2] = np.outer(line, line) / 0.002**2, 1.0 / 0.003**2
    left[3, :2, :2] *= 1e-9
    push = np.zeros((5, 3))
    push[:, :2], push[:, 2] = line * 0.007 / 0.002**2, 0.006 / 0.003**2
    push[1] *= -1.0
    seen = np.tile(np.diag(np.array([0.002, 0.002, 0.003]) ** -2.0), (5, 1, 1))
    asked = np.ones((5, 3), dtype=bool)
    asked[2, 1] = asked[4, 2] = False
    found = solve_shifts(Information(seen, left, push), asked)
    assert np.isnan(found.difference[:, :2]).all()
    height = [0.006, -0.006, 0.006, 0.006, NAN]
    np.testing.assert_allclose(found.difference[:, 2], height, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.plan, [0.007, 0.007, NAN, NAN, 0.007], rtol=0, atol=1e-12)  # m
    np.testing.assert_allclose(found.plan_sd, [0.002, 0.002, NAN, NAN, 0.002], rtol=0, atol=1e-12)
    assert found.plan_freedom.tolist() == [1, 1, 0, 0, 1]
    chances = stats.norm.sf([3.5, 2.0]) * 2.0
    np.testing.assert_allclose(found.chances()[:, 1], chances, rtol=0, atol=1e-12)
    np.testing.assert_allclose(found.clearness()[1], -np.log(chances[0]), rtol=0, atol=1e-9)


def test_a_whole_shift_has_its_size_its_sd_along_itself_and_its_chance() -> None:
    """Full covariances: `numpy.linalg.lstsq` on a root, propagation along it, scipy's tail."""
    rng = np.random.default_rng(8)
    half = rng.normal(size=(5, 7, 3)) * [500.0, 300.0, 200.0]
    readings = rng.normal(size=(5, 7)) * 4.0
    left = half.transpose(0, 2, 1) @ half
    push = np.einsum("tri,tr->ti", half, readings)
    found = solve_shifts(Information(left * 1.5, left, push))
    for number in range(5):
        shift = np.linalg.lstsq(half[number], readings[number], rcond=None)[0]
        covariance = np.linalg.inv(left[number])
        size = np.linalg.norm(shift[:2])
        sd = np.sqrt(shift[:2] @ covariance[:2, :2] @ shift[:2]) / size
        score = shift[:2] @ np.linalg.solve(covariance[:2, :2], shift[:2])
        np.testing.assert_allclose(found.difference[number], shift, rtol=0, atol=1e-12)  # m
        np.testing.assert_allclose(found.covariance[number], covariance, rtol=0, atol=1e-12)
        assert abs(found.plan[number] - size) < 1e-12 and abs(found.plan_sd[number] - sd) < 1e-12
        assert found.plan_freedom[number] == 2
        up = shift[2] ** 2 / covariance[2, 2]
        expected = [stats.chi2.sf(score, 2), stats.chi2.sf(up, 1)]
        np.testing.assert_allclose(found.chances()[:, number], expected, rtol=1e-9, atol=0)
        assert abs(found.clearness()[number] + np.log(min(expected))) < 1e-9
