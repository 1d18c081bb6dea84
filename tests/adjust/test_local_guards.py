"""Bounds on what one unnoticed mistake does to its own two ends, reading by reading."""

from __future__ import annotations

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tests.adjust.test_turns import with_bases
from tieup.adjust.adjust import adjust
from tieup.adjust.hypothesis import Bias, everything, informations, responses
from tieup.adjust.local_guards import local_hidden, pose_bounds
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.adjust.solution import Adjustment

QUANTILE = 1.7


def mistakes(result: Adjustment) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return of each reading its connection, what one sd of it moves, and its bound in sds (h,).

    Setups (S, 4, h) and points (P, 3, h) by `responses`, the bound by `informations` of a bias in
    that reading alone: infinite where it does not show.
    """
    seen = np.argwhere(result.noise.scale > 0)
    unit = np.zeros((len(seen), len(result.connections), 3))
    unit[np.arange(len(seen)), seen[:, 0], seen[:, 1]] = result.sd[seen[:, 0], seen[:, 1]]
    white = np.array([result.noise.whitened(one) for one in unit])
    columns = np.zeros((len(everything(result)), len(seen)))
    columns[: white[0].size] = white.reshape(len(seen), -1).T
    biases = [Bias(seen[k, :1], white[k, seen[k, 0]][None, :, None]) for k in range(len(seen))]
    known = informations(result, biases)
    left = np.array([one.left[0, 0] for one in known])
    push = np.array([one.push[0] for one in known])
    shows = left > 1e-4
    safe = np.where(shows, left, 1.0)
    bound = np.where(shows, np.abs(push / safe) + QUANTILE * safe**-0.5, np.inf)
    return seen[:, 0], *responses(result, columns), bound


def worst(moved: np.ndarray, bound: np.ndarray) -> float:
    """Return the longest of several displacements (k, h).

    What does not show and moves less than a hundredth of a millimetre per sd does not count.
    """
    size = np.linalg.norm(moved, axis=0)
    shows = np.isfinite(bound)
    far = np.where(size > 1e-5, np.inf, 0.0)
    far[shows] = (size * bound)[shows]
    return float(far.max())


@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
@pytest.mark.parametrize("based", [False, True])
def test_each_reading_is_bounded_at_its_own_mark_and_setup(frame, based) -> None:
    """Marks and instruments in plan and height, and a setup carried to a place 40 m off.

    Some readings are missing, two setups stand over marks or azimuths have bases of bearings.
    """
    rng = np.random.default_rng(4)
    if based:
        network = with_bases(rng, "held", links=1)
    else:
        network, _ = random_network(rng, setups=4, marks=6, occupied=2, control="held", links=1)
    result = adjust(network, PRECISION, 0.13, frame(network))
    connection, setup, point, bound = mistakes(result)
    found, points = local_hidden(result, QUANTILE), len(result.position)
    away = np.tile([25.0, -31.0], (len(result.axis), 1))
    poses = pose_bounds(result, np.arange(len(result.axis))[::-1], away, QUANTILE)[::-1]
    for mark in np.unique(result.connections.point).tolist():
        own = result.connections.point[connection] == mark
        moved = point[mark][:, own]
        expected = [worst(moved[:2], bound[own]), worst(moved[2:], bound[own])]
        np.testing.assert_allclose(found[mark], expected, rtol=0, atol=1e-7)  # m
    for number in range(len(result.axis)):
        own = result.connections.setup[connection] == number
        pose = setup[number][:, own]
        up = worst(pose[2:3], bound[own])
        expected = [worst(pose[:2], bound[own]), up]
        np.testing.assert_allclose(found[points + number], expected, rtol=0, atol=1e-7)
        carried = pose[:2] + np.array([[31.0], [25.0]]) * pose[3]
        np.testing.assert_allclose(
            poses[number], [worst(carried, bound[own]), up], rtol=0, atol=1e-7
        )
    unseen = np.setdiff1d(np.arange(points), result.connections.point)
    assert len(unseen) and np.isinf(found[unseen]).all()
