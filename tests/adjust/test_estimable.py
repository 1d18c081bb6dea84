"""What of a bias shows does not depend on how the axes of the site are turned."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.adjust.estimable import Information, estimates, freed

PLAN, UP = np.arange(2), np.array([2])


def turned(matrix: np.ndarray, angle: float) -> np.ndarray:
    """Return a matrix (3, 3) of N, E, H in axes turned by ``angle`` (rad) about the vertical."""
    cosine, sine = np.cos(angle), np.sin(angle)
    turn = np.array([[cosine, -sine, 0.0], [sine, cosine, 0.0], [0.0, 0.0, 1.0]])
    return np.asarray(turn @ matrix @ turn.T)


@pytest.mark.parametrize("angle", np.radians([0.0, 10.0, 45.0, 77.0]))
def test_a_bias_that_is_all_left_shows_however_the_axes_lie(angle: float) -> None:
    """Well known along one line, 60 times worse across it, and nothing of it taken up.

    Judged by its components alone the bias would seem hidden where the line runs at 45 degrees.
    """
    known = turned(np.diag([1e6, 1e6 / 3600.0, 1e6]), angle)
    push = known @ np.array([0.004, -0.002, 0.001])
    info = Information(known[None], known[None], push[None])
    size, covariance = estimates(info, (np.arange(3), PLAN, UP))
    assert size[0] == pytest.approx([0.004, -0.002, 0.001], abs=1e-12)  # m
    assert covariance[0] == pytest.approx(np.linalg.inv(known), rel=1e-9)


@pytest.mark.parametrize("angle", np.radians([0.0, 10.0, 45.0, 77.0]))
def test_only_what_shows_is_solved_for(angle: float) -> None:
    """A tenth of a thousandth of a plan bias stays along one line: height alone is solved for."""
    seen = turned(np.diag([1e6, 1e6, 4e6]), angle)
    left = turned(np.diag([1e6, 1e2, 1e6]), angle)
    info = Information(seen[None], left[None], np.array([[1e3, 1e3, 2e3]]))
    size, covariance = estimates(info, (np.arange(3), PLAN, UP))
    assert np.isnan(size[0, :2]).all()
    assert size[0, 2] == pytest.approx(2e-3)  # m
    assert covariance[0, 2, 2] == pytest.approx(1e-6)
    assert np.isnan(covariance[0, :2]).all()


def test_an_alternative_set_free_takes_its_share() -> None:
    """Reduced by hand: with one other bias free, left - x n^-1 x' and push - x n^-1 p."""
    rng = np.random.default_rng(1)
    half = rng.normal(size=(2, 9))
    normal = half @ half.T
    info = Information(
        np.diag(normal)[:, None, None], np.diag(normal)[:, None, None], np.array([[1.0], [2.0]])
    )
    cross = normal[:, 1][:, None, None]
    left, push = freed(info, np.array([0]), [1], cross)
    share = normal[0, 1] / normal[1, 1]
    assert left[0, 0, 0] == pytest.approx(normal[0, 0] - share * normal[0, 1])
    assert push[0, 0] == pytest.approx(1.0 - share * 2.0)
