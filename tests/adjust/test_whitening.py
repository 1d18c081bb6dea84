"""Correlated zenith angles and distances made independent, against the 3 x 3 matrices."""

from __future__ import annotations

import numpy as np
import pytest

from tieup.adjust.whitening import make_whitening

# sds in rad, rad, m and correlations of zenith angle and distance of five connections; of the last
# two zenith angle, distance are not observed
SD = np.array([[2.0, 3.0, 5.0], [1.0, 4.0, 2.0], [0.5, 0.7, 0.9], [1.0, 2.0, 3.0], [4.0, 5.0, 6.0]])
RHO = np.array([0.8, -0.6, 0.0, 0.5, 0.5])
SEEN = np.array([[1, 1, 1], [1, 1, 1], [0, 1, 1], [1, 0, 1], [1, 1, 0]], dtype=bool)
NOISE = make_whitening(SD, RHO * SD[:, 1] * SD[:, 2], SEEN)


def covariance(row: int) -> np.ndarray:
    """Return the covariance of what was observed of a connection."""
    whole = np.diag(SD[row] ** 2)
    whole[1, 2] = whole[2, 1] = RHO[row] * SD[row, 1] * SD[row, 2]
    own = np.flatnonzero(SEEN[row])
    return np.asarray(whole[np.ix_(own, own)])


@pytest.mark.parametrize("row", range(5))
def test_whitened_rows_have_the_unit_covariance_and_come_back(row: int) -> None:
    """T C T' = 1, and T' T are the weights; one column of values, or several at once."""
    own = np.flatnonzero(SEEN[row])
    units = np.broadcast_to(np.eye(3), (5, 3, 3))
    whiten = NOISE.whitened(units)[row][np.ix_(own, own)]
    np.testing.assert_allclose(whiten @ covariance(row) @ whiten.T, np.eye(len(own)), atol=1e-12)
    weights = np.linalg.inv(covariance(row))
    values = np.random.default_rng(row).normal(size=(5, 3))
    whitened = NOISE.whitened(values)
    np.testing.assert_allclose(whitened[row, own], whiten @ values[row, own], atol=1e-12)
    assert not whitened[row, ~SEEN[row]].any()
    np.testing.assert_allclose(NOISE.restored(whitened)[row, own], values[row, own], atol=1e-12)
    assert np.isnan(NOISE.restored(whitened)[row, ~SEEN[row]]).all()
    weighed = NOISE.weighed(whitened)[row, own]
    np.testing.assert_allclose(weighed, weights @ values[row, own], atol=1e-12)
    several = np.random.default_rng(row).normal(size=(5, 3, 4))
    both = NOISE.whitened(several)
    np.testing.assert_allclose(both[row, own], whiten @ several[row, own], atol=1e-12)
    np.testing.assert_allclose(NOISE.restored(both)[row, own], several[row, own], atol=1e-12)
    alone = NOISE.of(np.array([row]))
    np.testing.assert_array_equal(alone.whitened(values[row][None])[0], whitened[row])


@pytest.mark.parametrize("row", range(5))
def test_what_a_leverage_leaves_of_each_reading(row: int) -> None:
    """Qv = C - J with J what the adjusted reading still scatters: its diagonals with the weights.

    Redundancy Qv P, information P Qv P, variance Qv; J is any covariance smaller than C.
    """
    rng = np.random.default_rng(10 + row)
    own = np.flatnonzero(SEEN[row])
    half = rng.normal(size=(len(own), 5))
    stated = covariance(row)
    fitted = half @ half.T
    fitted *= 0.6 / np.linalg.eigvals(np.linalg.solve(stated, fitted)).real.max()
    whiten = NOISE.whitened(np.broadcast_to(np.eye(3), (5, 3, 3)))[row][np.ix_(own, own)]
    leverage = np.zeros((5, 3, 3))
    leverage[np.ix_([row], own, own)] = whiten @ fitted @ whiten.T
    left, weights = stated - fitted, np.linalg.inv(stated)
    for found, expected in (
        (NOISE.redundancy(leverage), left @ weights),
        (NOISE.information(leverage), weights @ left @ weights),
        (NOISE.residual_variance(leverage), left),
    ):
        np.testing.assert_allclose(found[row, own], np.diagonal(expected), rtol=0, atol=1e-12)
    assert np.isnan(NOISE.redundancy(leverage)[row, ~SEEN[row]]).all()
    assert np.isnan(NOISE.residual_variance(leverage)[row, ~SEEN[row]]).all()
