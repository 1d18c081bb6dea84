"""Cross-covariances of two setups, against the joint covariance asked of the factor."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import covariance, unknown_functions
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.adjust.setup_pairs import cross_covariance
from tieup.adjust.solution import Adjustment


def check_pairs(found: Adjustment) -> int:
    """Hold every pair of setups against the joint covariance; return how many were at hand."""
    count = len(found.axis)
    pairs = np.array(list(combinations(range(count), 2)))
    pairs = np.concatenate([pairs, pairs[:, ::-1]])
    every = unknown_functions(found, np.arange(count), np.zeros(0, dtype=np.int64))
    joint = covariance(found, every).reshape(count, 4, count, 4)
    cross = cross_covariance(found, pairs)
    scale = np.sqrt(np.einsum("sisi->si", joint))
    for (one, two), block in zip(pairs.tolist(), cross, strict=True):
        size = np.maximum(np.outer(scale[one], scale[two]), 1e-12)  # held: no variance
        share = (block - joint[one, :, two, :]) / size
        assert np.abs(share).max() < 1e-7  # of correlation
    return int(np.isfinite(found.between.of(pairs)[:, 0, 0]).sum())


@pytest.mark.parametrize("links", [0, 4])
@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
def test_pairs_are_those_of_the_joint_covariance(frame, links) -> None:
    """Held and free sites; marks that a link keeps in the system leave pairs to be asked for."""
    for seed in range(4):
        rng = np.random.default_rng(seed)
        network, _ = random_network(rng, setups=5, marks=8, links=links)
        assert check_pairs(adjust(network, PRECISION, 0.13, frame(network))) > 0
