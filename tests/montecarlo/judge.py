"""Is a rate or a mean what was promised? With the sharpness to see a 5 % error of an sd.

The draws are independent, what one draw says of several points is not: the spread of a
rate is taken from draw to draw. Every judgement is made twice, once of what the tool says
and once of the same with standard deviations 5 % too small and 5 % too large: the first
must pass and the other two must not.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy.stats import binomtest

from tieup.adjust.ellipse import error_ellipse
from tieup.model.arrays import BoolArray, FloatArray

SIGMAS = 4.0  # chance of a false alarm 6e-5 for each judgement, and the seeds are fixed
WRONG = 0.05  # an error of an sd that must show


def assert_mean(values: FloatArray, expected: float) -> None:
    """Assert that the mean of ``values`` (draws, ...) is ``expected`` within its own spread."""
    mean, spread = _mean(values)
    assert abs(mean - expected) < SIGMAS * spread, f"{mean:.4f} +- {spread:.4f}, not {expected}"


def assert_promise(measure: Callable[[float], FloatArray], expected: float) -> None:
    """Assert that a measure has its expected mean, and that a 5 % error would be seen.

    ``measure(factor)`` are its values (draws, ...) with every sd multiplied by ``factor``.
    """
    assert_mean(measure(1.0), expected)
    for factor in (1.0 - WRONG, 1.0 + WRONG):
        mean, spread = _mean(measure(factor))
        assert abs(mean - expected) > SIGMAS * spread, (
            f"too few draws: {mean:.4f} +- {spread:.4f} with sds wrong by 5 %"
        )


def assert_squares(squares: FloatArray, expected: float) -> None:
    """Assert the mean of squares over variances (draws, ...); a 5 % error would be seen."""
    assert_promise(lambda factor: np.asarray(squares / factor**2), expected)


def assert_share(happened: BoolArray, probability: float) -> None:
    """Assert how often something happens (draws, ...), draws independent."""
    assert_mean(happened.astype(np.float64), probability)


def _mean(values: FloatArray) -> tuple[float, float]:
    by_draw = np.asarray(values, dtype=np.float64).reshape(len(values), -1).mean(axis=1)
    return float(by_draw.mean()), float(by_draw.std(ddof=1)) / len(by_draw) ** 0.5


def assert_rate(hits: int, trials: int, probability: float) -> None:
    """Assert that independent trials hit as often as promised (exact binomial test)."""
    found = binomtest(hits, trials, probability)
    assert found.pvalue > 6e-5, f"{hits} of {trials}, expected {probability * trials:.0f}"


def inside_ellipse(error: FloatArray, covariance: FloatArray, factor: float) -> BoolArray:
    """Tell which plan errors (..., 2) lie in the ellipses of ``covariance`` (..., 2, 2).

    By semi-axes and azimuth as they are printed, not by the quadratic form.
    """
    shape = error.shape[:-1]
    ellipse = error_ellipse(covariance.reshape(-1, 2, 2), factor)
    north, east = error.reshape(-1, 2).T
    cos, sin = np.cos(ellipse.azimuth), np.sin(ellipse.azimuth)
    along, across = north * cos + east * sin, east * cos - north * sin
    squares = (along / ellipse.semi_major) ** 2 + (across / ellipse.semi_minor) ** 2
    return np.asarray(squares <= 1.0).reshape(shape)


def quadratic_form(error: FloatArray, covariance: FloatArray) -> FloatArray:
    """Return e' Q^-1 e of errors (..., k) with covariances (..., k, k)."""
    solved = np.linalg.solve(covariance, error[..., None])[..., 0]
    return np.asarray((error * solved).sum(axis=-1))
