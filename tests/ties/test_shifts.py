"""Shifts that no longer show once other ties are out: what is lost, and what stands for it."""

from __future__ import annotations

import numpy as np

from tieup.ties.shifts import Shifts

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
    covariance = np.tile(np.eye(3) * 0.01**2, (4, 1, 1))
    covariance[2, 2, 2] = covariance[3, 2, 2] = 0.2**2
    sd = np.array([0.01, 0.15, 0.01, 0.15])
    whole = Shifts(np.ones((4, 3)), covariance, np.ones(4), sd, np.ones(4), np.full(4, 2))
    found = whole.without_vague(0.1)
    flat, up = np.array([False, True, False, True]), np.array([False, False, True, True])
    assert (np.isnan(found.difference[:, 0]) == flat).all()
    assert (np.isnan(found.difference[:, 2]) == up).all()
    assert (np.isnan(found.covariance[:, 0, 1]) == flat).all()
    assert (np.isnan(found.covariance[:, 2, 2]) == up).all()
    assert (np.isnan(found.plan) == flat).all()
    assert found.plan_freedom.tolist() == [2, 0, 2, 0]
    np.testing.assert_allclose(found.height_statistic[~up], 1.0 / 0.01**2)
