"""Covariances of groups of functions, against whole solutions for each of them."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tests.adjust.test_turns import with_bases
from tieup.adjust import local_covariances
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import (
    Functions,
    cofactors,
    group_covariances,
    unknown_functions,
)
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.adjust.solution import Adjustment


def whole(found: Adjustment, functions: Functions) -> np.ndarray:
    """Return F Q F' of all functions, each solved for."""
    matrix = functions.own.toarray()
    for span, solved in cofactors(found, functions.rows):
        matrix[:, span] += functions.rows @ solved
    return matrix


def check_groups(found: Adjustment, size: int) -> None:
    """Ask for all unknowns, shuffled, so many at a time; hold the blocks against the whole."""
    rng = np.random.default_rng(size)
    points = np.flatnonzero(np.isfinite(found.position).all(axis=1))
    asked = unknown_functions(found, np.arange(len(found.axis)), points)
    order = rng.permutation(asked.rows.shape[0])
    mixed = Functions(asked.rows[order], asked.own[order][:, order])
    edges = np.append(np.arange(0, len(order), size), len(order))
    joint = whole(found, mixed)
    scale = np.sqrt(np.maximum(np.diag(joint), 1e-30))
    blocks = group_covariances(found, mixed, edges)
    for (start, end), block in zip(pairwise(edges.tolist()), blocks, strict=True):
        part = slice(start, end)
        share = (block - joint[part, part]) / np.outer(scale[part], scale[part])
        assert np.abs(share).max() < 1e-7  # of correlation


@pytest.mark.parametrize("links", [0, 4])
@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
@pytest.mark.parametrize("together", [1, 1000])
def test_blocks_are_those_of_whole_solutions(
    frame, links, together: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Fewer functions than unknowns that they meet, and more; marks that links keep."""
    monkeypatch.setattr(local_covariances, "TOGETHER", together)
    network, _ = random_network(np.random.default_rng(links), setups=5, marks=8, links=links)
    found = adjust(network, PRECISION, 0.13, frame(network))
    for size in (1, 4, 30):
        check_groups(found, size)


@pytest.mark.parametrize("control", ["held", "mixed"])
def test_turns_of_bases_count_in_blocks(control: str) -> None:
    network = with_bases(np.random.default_rng(3), control, links=2)
    found = adjust(network, PRECISION, 0.13, held_frame(network))
    assert found.system.border.bases.count == 2
    for size in (2, 50):
        check_groups(found, size)


def test_functions_of_nothing_have_no_covariance() -> None:
    """What is held has no unknown; an empty group is an empty matrix."""
    network, _ = random_network(np.random.default_rng(1), setups=4, marks=6)
    found = adjust(network, PRECISION, 0.13, held_frame(network))
    held = np.flatnonzero(found.held.point.all(axis=1))[:1]
    assert len(held) == 1
    asked = unknown_functions(found, np.array([0]), held)
    edges = np.array([0, 0, 4, 7])
    empty, pose, mark = group_covariances(found, asked, edges)
    assert empty.shape == (0, 0) and (np.diag(pose) > 0).all() and not mark.any()
