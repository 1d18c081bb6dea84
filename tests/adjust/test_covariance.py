"""Joint covariances of any points against the full inverse and against the stored blocks."""

from __future__ import annotations

import numpy as np

from tests.adjust.networks import PRECISION, random_network
from tests.adjust.test_oracle import _dense
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.problem import held_frame, minimal_frame


def test_joint_covariance_equals_the_full_inverse():
    """Any pair of points, side shots included, agrees with the full inverse to 1e-6."""
    network, _ = random_network(np.random.default_rng(5), setups=4, occupied=2, side_shots=8)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    oracle, x, free = _dense(result, control=True)
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
