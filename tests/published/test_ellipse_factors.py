"""Ellipse multipliers, ellipses and the propagation behind them.

E1: Mahun, Open Access Surveying Library, least squares self-study 2, problem 4
(jerrymahun.com): printed standard and 95 % semi-axes, read in the document.
"""

import numpy as np
import pytest

from tieup.adjust.distributions import chi_square_tail, confidence_factor, f_critical
from tieup.adjust.ellipse import error_ellipse, relative_covariance
from tieup.adjust.observation_equations import Connections, linearise


@pytest.mark.parametrize(
    ("dimensions", "table"),
    [
        (1, {0.90: 1.6449, 0.95: 1.9600, 0.99: 2.5758}),
        (2, {0.90: 2.1460, 0.95: 2.4477, 0.99: 3.0349}),
        (3, {0.6827: 1.8780, 0.90: 2.5003, 0.95: 2.7955, 0.99: 3.3682}),
    ],
)
def test_confidence_factors(dimensions, table):
    """Factors of interval, ellipse and ellipsoid, as in the handbooks (from memory)."""
    for confidence, printed in table.items():
        assert confidence_factor(dimensions, confidence) == pytest.approx(printed, abs=5.1e-5)


def test_probability_of_the_standard_ellipse():
    """39.35 % of the points lie inside the standard ellipse (from memory)."""
    assert chi_square_tail(1.0, 2) == pytest.approx(1.0 - 0.3935, abs=5.1e-5)


def test_f_based_multipliers():
    """sqrt(2 F) at 95 %: f = 3 is what E1 uses, the rest regression values."""
    dof = np.array([1, 2, 3, 4, 5, 10, 15, 20, 30, 60, 120])
    printed = [19.975, 6.164, 4.371, 3.727, 3.402, 2.865, 2.714, 2.643, 2.575, 2.510, 2.479]
    np.testing.assert_allclose(np.sqrt(2 * f_critical(0.05, 2, dof)), printed, atol=5.1e-4)


def test_mahun_scales_by_f():
    """E1: printed 95 % semi-axes of G and H are sqrt(2 F) times the standard ones (f = 3).

    Shows that this source does not use the chi-square factor that the tool prints
    (2.4477 would give .018 for the first). f = 3 is inferred from the printed ratios.
    """
    standard = np.array([0.0075, 0.0066, 0.0145, 0.0084])
    printed = [0.033, 0.029, 0.0634, 0.037]
    scaled = standard * np.sqrt(2 * f_critical(0.05, 2, 3))
    assert (np.abs(scaled - printed) <= [5.1e-4, 5.1e-4, 5.1e-5, 5.1e-4]).all()


def test_ellipse_is_the_eigen_decomposition():
    """Axes and azimuth are the eigenvalues and the major eigenvector found by numpy."""
    random = np.random.default_rng(7)
    root = random.standard_normal((500, 2, 2)) * random.uniform(1e-4, 1e-2, (500, 1, 2))
    covariance = root @ np.swapaxes(root, 1, 2)
    values, vectors = np.linalg.eigh(covariance)
    ellipse = error_ellipse(covariance, factor=2.0)
    np.testing.assert_allclose(ellipse.semi_major, 2 * np.sqrt(values[:, 1]), rtol=1e-12)
    np.testing.assert_allclose(
        ellipse.semi_minor, 2 * np.sqrt(np.maximum(values[:, 0], 0)), rtol=0, atol=1e-9
    )
    across = vectors[:, 0, 1] * np.sin(ellipse.azimuth) - vectors[:, 1, 1] * np.cos(ellipse.azimuth)
    np.testing.assert_allclose(across, 0.0, atol=1e-9)
    assert ((ellipse.azimuth >= 0) & (ellipse.azimuth < np.pi)).all()


@pytest.mark.parametrize(
    ("covariance", "azimuth"),
    [
        ([[4.0, 0.0], [0.0, 1.0]], 0.0),
        ([[1.0, 0.0], [0.0, 4.0]], 90.0),
        ([[2.0, 1.0], [1.0, 2.0]], 45.0),
        ([[2.0, -1.0], [-1.0, 2.0]], 135.0),
        ([[2.0, 0.0], [0.0, 2.0]], 0.0),
        ([[4.0, -1e-20], [-1e-20, 1.0]], 0.0),
    ],
)
def test_azimuth_runs_clockwise_from_north(covariance, azimuth):
    """The major axis points where the larger variance is: N, E, north-east, north-west."""
    ellipse = error_ellipse(np.array([covariance]))
    assert np.degrees(ellipse.azimuth[0]) == pytest.approx(azimuth, abs=1e-12)


def test_degenerate_ellipses():
    """A needle keeps its thin axis, a held point is a dot, the unknown stays unknown."""
    needle, held, unknown = np.diag([1.0, 1e-20]), np.zeros((2, 2)), np.full((2, 2), np.nan)
    ellipse = error_ellipse(np.array([needle, held, unknown]))
    np.testing.assert_allclose(ellipse.semi_minor, [1e-10, 0.0, np.nan], rtol=1e-12)
    np.testing.assert_allclose(ellipse.semi_major, [1.0, 0.0, np.nan], rtol=1e-12)


def test_relative_covariance_is_the_propagated_difference():
    """Covariance of a coordinate difference equals D C D' with the full matrix of both points."""
    random = np.random.default_rng(8)
    root = random.standard_normal((20, 4, 4))
    full = root @ np.swapaxes(root, 1, 2)
    difference = np.hstack([-np.eye(2), np.eye(2)])
    relative = relative_covariance(full[:, :2, :2], full[:, 2:, 2:], full[:, :2, 2:])
    np.testing.assert_allclose(relative, difference @ full @ difference.T, atol=1e-12)


# Partials of distance, azimuth, zenith angle by E, N, H of a vector (30, 40, 5) m, and the
# sds (m, rad, rad) that sds of .01 .02 .03 m give: computed with sympy and with the
# uncertainties package, which agree to 1e-16; no published answer.
PARTIALS = np.array(
    [
        [0.59702231, 0.79602975, 0.09950372],
        [0.016, -0.012, 0.0],
        [0.00118812, 0.00158416, -0.01980198],
    ]
)
PROPAGATED = [0.01726325, 2.8844410e-4, 5.9502232e-4]


def network_partials():
    """Return the same partials from the network's observation equations."""
    connection = Connections(
        setup=np.array([0]), point=np.array([0]), value=np.zeros((1, 3)),
        rise=np.zeros(1), plumb=np.array([False]), source=np.array([0]),
    )  # fmt: skip
    target = np.array([[40.0, 30.0, 5.0]])
    by_mark = linearise(connection, np.zeros((1, 3)), np.zeros(1), target, 0.0).by_mark[0]
    return by_mark[[2, 0, 1]][:, [1, 0, 2]]


def test_partials_and_propagation():
    """Partials of a polar shot and the sds they propagate agree with two symbolic packages."""
    jacobian = network_partials()
    np.testing.assert_allclose(jacobian, PARTIALS, rtol=0, atol=5.1e-9)
    sd = np.sqrt(jacobian**2 @ np.square([0.01, 0.02, 0.03]))
    np.testing.assert_allclose(sd, PROPAGATED, rtol=2e-7)
