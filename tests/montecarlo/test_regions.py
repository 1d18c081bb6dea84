"""The regions that are printed hold the truth as often as they say."""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

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
from tests.montecarlo.stack import chosen, errors, per_copy, roles
from tieup.model.arrays import BoolArray, FloatArray

pytestmark = pytest.mark.slow

ELLIPSE = 2.4477468306808166  # sqrt of chi-square 0.95, 2: published_checks, E1 and section 7
INTERVAL = 1.959963984540054  # normal 0.975


@dataclass(frozen=True)
class Places:
    """Errors (n, k, 3) in m of the points of one role, with their covariances (n, k, 3, 3)."""

    error: FloatArray
    covariance: FloatArray


@lru_cache(maxsize=1)
def places(setting: Setting) -> dict[str, Places]:
    """Return the places of every role of a setting that the adjustment has to find."""
    stacks = draws_of(setting)
    pairs = [errors(stack) for stack in stacks]
    setup = np.concatenate([pair[0] for pair in pairs])
    point = np.concatenate([pair[1] for pair in pairs])
    of_setup = np.concatenate([per_copy(s, s.adjustment.setup_covariance) for s in stacks])
    of_point = np.concatenate([per_copy(s, s.adjustment.point_covariance) for s in stacks])
    role = roles(stacks[0])
    found = {"station": Places(setup[:, :, :3], of_setup[:, :, :3, :3])}
    for name in ("control", "tie", "shot"):
        numbers = chosen(role, name)
        if len(numbers):
            found[name] = Places(point[:, numbers], of_point[:, numbers])
    return found


def hits(place: Places, factor: float) -> BoolArray:
    """Tell which truths lie in the 95 % ellipses of sds multiplied by ``factor``, (n, k)."""
    plan = place.covariance[:, :, :2, :2] * factor**2
    return inside_ellipse(place.error[:, :, :2], plan, ELLIPSE)


def test_95_percent_ellipses_hold_the_truth_95_times_in_100(setting: Setting) -> None:
    """Of marks, side shots and instrument axes together; sds wrong by 5 % would show."""
    found = places(setting)

    def measure(factor: float) -> FloatArray:
        inside = [hits(place, factor) for place in found.values()]
        return np.concatenate(inside, axis=1).astype(np.float64)

    assert_promise(measure, 0.95)


def test_every_single_point_has_its_own_95_percent(setting: Setting) -> None:
    """No point hides behind the others: one binomial test each."""
    for place in places(setting).values():
        inside = hits(place, 1.0)
        height = np.abs(place.error[:, :, 2]) <= INTERVAL * np.sqrt(place.covariance[:, :, 2, 2])
        for column in range(inside.shape[1]):
            assert_rate(int(inside[:, column].sum()), len(inside), 0.95)
            assert_rate(int(height[:, column].sum()), len(inside), 0.95)


def test_95_percent_elevation_intervals_hold_the_truth_95_times_in_100(setting: Setting) -> None:
    """Elevations of marks, side shots and instrument axes; sds wrong by 5 % would show."""
    found = places(setting)

    def measure(factor: float) -> FloatArray:
        inside = [
            np.abs(p.error[:, :, 2]) <= factor * INTERVAL * np.sqrt(p.covariance[:, :, 2, 2])
            for p in found.values()
        ]
        return np.concatenate(inside, axis=1).astype(np.float64)

    assert_promise(measure, 0.95)


def test_mean_chi_square_of_a_place_is_3(setting: Setting) -> None:
    """e' Q^-1 e has mean 3 and variance 6 for each role: the full 3 x 3 covariance is right."""
    for place in places(setting).values():
        squares = quadratic_form(place.error, place.covariance)
        assert_squares(squares, 3.0)
        assert_mean((squares - 3.0) ** 2, 6.0)


def test_orientations_have_their_sd(setting: Setting) -> None:
    """Squared error over variance of the circle's orientation has mean 1."""
    stacks = draws_of(setting)
    error = np.concatenate([errors(stack)[0][:, :, 3] for stack in stacks])
    variance = np.concatenate(
        [per_copy(s, s.adjustment.setup_covariance)[:, :, 3, 3] for s in stacks]
    )
    assert_squares(error**2 / variance, 1.0)


def test_places_are_without_bias(setting: Setting) -> None:
    """The mean error of every coordinate is 0 within its spread, some hundredths of a mm."""
    for place in places(setting).values():
        for column in range(place.error.shape[1]):
            for axis in range(3):
                assert_mean(place.error[:, column, axis], 0.0)  # m
