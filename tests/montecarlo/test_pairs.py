"""Relative ellipses of pairs of points, and the sds of ties, against thousands of draws."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tests.montecarlo.judge import (
    assert_mean,
    assert_promise,
    assert_rate,
    assert_squares,
    inside_ellipse,
    quadratic_form,
)
from tests.montecarlo.sites import Setting, draws_of
from tests.montecarlo.stack import errors, per_copy, roles
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.ellipse import relative_covariance
from tieup.model.arrays import FloatArray, IntArray
from tieup.ties.marks import mark_ties

pytestmark = pytest.mark.slow

ELLIPSE = 2.4477468306808166  # sqrt of chi-square 0.95, 2: published_checks, E1 and section 7


def pairs_of(setting: Setting) -> tuple[FloatArray, FloatArray]:
    """Return errors (n, k, 3) of coordinate differences and their covariances (k, 3, 3).

    All pairs of points that are not held: two marks, a mark and a side shot, side shots of one
    setup and of two. The covariance is that of the first draw: the others differ by 1e-4.
    """
    stacks = draws_of(setting)
    points: IntArray = np.flatnonzero(roles(stacks[0]) != "")
    joint = point_covariance(stacks[0].adjustment, points)
    error = np.concatenate([errors(stack)[1][:, points] for stack in stacks])
    first, second = np.array(list(combinations(range(len(points)), 2))).T
    own = joint[np.arange(len(points)), :, np.arange(len(points)), :]
    covariance = relative_covariance(own[first], own[second], joint[first, :, second, :])
    return error[:, second] - error[:, first], covariance


def test_relative_ellipses_hold_the_true_difference_95_times_in_100(setting: Setting) -> None:
    """Of every pair of points; sds wrong by 5 % would show."""
    error, covariance = pairs_of(setting)
    plan = np.broadcast_to(covariance[:, :2, :2], (*error.shape[:2], 2, 2))

    def measure(factor: float) -> FloatArray:
        inside = inside_ellipse(error[:, :, :2], plan * factor**2, ELLIPSE)
        return inside.astype(np.float64)

    assert_promise(measure, 0.95)
    inside = measure(1.0)
    for column in range(error.shape[1]):
        assert_rate(int(inside[:, column].sum()), len(inside), 0.95)


def test_mean_chi_square_of_a_difference_is_3(setting: Setting) -> None:
    """e' Q^-1 e of every pair has mean 3: the cross covariances are right in all components."""
    error, covariance = pairs_of(setting)
    squares = quadratic_form(error, np.broadcast_to(covariance, (*error.shape[:2], 3, 3)))
    assert_squares(squares, 3.0)
    for column in squares.T:
        assert_mean(column, 3.0)


def test_what_a_tie_differs_has_its_sd(setting: Setting) -> None:
    """Each component of each tie over its sd has mean 0 and mean square 1: setup minus the rest."""
    parts, plans = [], []
    for stack in draws_of(setting):
        ties = mark_ties(stack.adjustment)
        parts.append(per_copy(stack, ties.difference / ties.sd))
        plans.append(per_copy(stack, ties.shifts.plan_statistic))
        assert len(ties) % stack.copies == 0
    values = np.concatenate(parts)
    values = values.reshape(len(values), -1)
    tested = np.isfinite(values).all(axis=0)
    assert tested.sum() > 10
    assert_squares(values[:, tested] ** 2, 1.0)
    for column in values[:, tested].T:
        assert_mean(column, 0.0)
        assert_mean(column**2, 1.0)
    plan = np.concatenate(plans)
    plan = plan[:, (plan > 0).all(axis=0)]
    assert_mean(plan, 2.0)
