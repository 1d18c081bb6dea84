"""N2: a plan net with one new point, Ghilani and Wolf, Adjustment Computations, ex. 16.1.

Inputs and the published S0 = 1.82 are from memory. The other numbers are regression values
computed for this test, with no published answer.
"""

import numpy as np
import pytest

from tieup.adjust.dense import gauss_newton
from tieup.adjust.ellipse import error_ellipse
from tieup.geometry import ARC_SECOND, azimuth, wrap_half

# Coordinates (N, E) in ft.
Q, R, S, T = (
    np.array(c) for c in ((800.0, 1000.0), (1000.0, 1000.0), (1186.5, 1223.0), (1186.5, 1400.0))
)
OBSERVED = np.append([200.0, 100.0], np.radians([240.0, 150.0, 240.0 + 1.0 / 60.0]))
SD = np.append([0.05, 0.08], np.full(3, 30.0 * ARC_SECOND))


def ray(start, end):
    """Return distance, azimuth and their derivatives by the end point's N, E."""
    north, east = end - start
    distance = np.hypot(north, east)
    along = np.array([north, east]) / distance
    across = np.array([-east, north]) / distance**2
    return distance, float(azimuth(north, east)), along, across


def model(point):
    """Distances RU, US; angles to the right QRU, RUS, UST."""
    from_r, az_ru, along_r, across_r = ray(R, point)
    from_s, az_su, along_s, across_s = ray(S, point)
    back_q, onward = (float(azimuth(*(end - start))) for start, end in ((R, Q), (S, T)))
    az_ur, az_us = az_ru + np.pi, az_su + np.pi
    angles = np.array([az_ru - back_q, az_us - az_ur, onward - az_su])
    near = OBSERVED[2:] + wrap_half(angles - OBSERVED[2:])
    jacobian = np.array([along_r, along_s, across_r, across_s - across_r, -across_s])
    return np.append([from_r, from_s], near), jacobian


@pytest.fixture(scope="module")
def solution():
    return gauss_newton(model, np.array([1100.0, 1173.0]), OBSERVED, SD)


def test_reference_sd_is_the_recalled_one(solution):
    """Ghilani and Wolf ex. 16.1: S0 = 1.82 (from memory)."""
    assert solution.dof == 3
    assert solution.sigma0 == pytest.approx(1.82, abs=0.0051)


def test_new_point_regression(solution):
    """Coordinates, sds, residuals and standard ellipse of U (regression values)."""
    np.testing.assert_allclose(solution.parameters, [1099.9872, 1173.0886], rtol=0, atol=6e-5)
    covariance = solution.sigma0**2 * solution.cofactor
    np.testing.assert_allclose(np.sqrt(np.diag(covariance)), [0.0526, 0.0419], atol=6e-5)  # ft
    np.testing.assert_allclose(solution.residuals[:2], [-0.107, -0.122], atol=5.1e-4)  # ft
    np.testing.assert_allclose(
        solution.residuals[2:] / ARC_SECOND, [-48.67, -17.16, 5.83], rtol=0, atol=0.0051
    )
    ellipse = error_ellipse(covariance[None])
    assert ellipse.semi_major[0] == pytest.approx(0.0657, abs=5.1e-5)  # ft
    assert ellipse.semi_minor[0] == pytest.approx(0.0145, abs=5.1e-5)  # ft
    assert np.degrees(ellipse.azimuth[0]) == pytest.approx(37.87, abs=0.0051)
