"""Joint covariances of any points against the full inverse and against the stored blocks."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.adjust.compare import dense_problem
from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import group_point_covariances, point_covariance
from tieup.adjust.problem import held_frame, minimal_frame


def test_joint_covariance_equals_the_full_inverse():
    """Any pair of points, side shots included, agrees with the full inverse to 1e-6."""
    network, _ = random_network(np.random.default_rng(5), setups=4, occupied=2, side_shots=8)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    oracle, x, free = dense_problem(result, control=True)
    setup = np.column_stack([result.axis, result.orientation])
    x = np.concatenate([setup.ravel(), result.position.ravel()])
    design = oracle.jacobian(x)[:, free]
    full = np.zeros((len(x), len(x)))
    full[np.ix_(free, free)] = np.linalg.inv(design.T @ design)
    cut, points = setup.size, np.arange(len(result.position))
    joint = point_covariance(result, points).reshape(3 * len(points), -1)
    assert np.abs(joint - full[cut:, cut:]).max() < 1e-6 * full[cut:, cut:].max()


def test_joint_covariance_in_the_free_frame_repeats_the_blocks():
    """In the inner-constrained frame the diagonal blocks are those of the adjustment."""
    network, _ = random_network(np.random.default_rng(6), control="held", occupied=0)
    result = adjust(network, PRECISION, 0.13, minimal_frame(network))
    points = np.arange(len(result.position))
    joint = point_covariance(result, points)
    blocks = joint[points, :, points, :]
    assert np.abs(blocks - result.point_covariance).max() < 1e-9 * np.abs(blocks).max()


def test_control_that_nobody_sighted_keeps_its_own_covariance():
    """A weighted mark without any sight is as well known as it was given, and by itself."""
    rng = np.random.default_rng(7)
    network, _ = random_network(rng, control="mixed", occupied=0, drop=0.0)
    (alone,) = np.flatnonzero((network.control_sd > 0).all(axis=1)).tolist()
    value = network.sights.value.copy()
    value[network.sights.point == alone] = np.nan
    without = replace(network, sights=replace(network.sights, value=value))
    result = adjust(without, PRECISION, 0.13, held_frame(without))
    points = np.array([alone, int(np.flatnonzero(np.isnan(network.control[:, 0]))[0])])
    assert result.problem.solved_point[points].all()
    own = np.diag(network.control_sd[alone] ** 2)
    together = group_point_covariances(result, [points])[0].reshape(2, 3, 2, 3)
    for joint in (point_covariance(result, points), together):
        assert np.abs(joint[0, :, 0] - own).max() < 1e-15  # m^2
        assert np.abs(joint[0, :, 1]).max() < 1e-15
        assert np.abs(joint[1, :, 1] - result.point_covariance[points[1]]).max() < 1e-12
