"""The frame of one place that stays and one mark on its azimuth, beside the free one."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.problem import local_frame, minimal_frame
from tieup.adjust.solution import Adjustment
from tieup.model.network import Network


def a_network(seed: int) -> Network:
    """Draw a net without control, of four setups, one of them over a mark."""
    rng = np.random.default_rng(seed)
    return random_network(rng, setups=4, marks=7, side_shots=3, control="none", drop=0.0)[0]


def solved(network: Network, point: str, toward: str) -> Adjustment:
    """Adjust a network in the frame of a point and a mark it looks toward."""
    return adjust(network, PRECISION, 0.13, local_frame(network, point, toward))


def spread(result: Adjustment, points: list[int], by: np.ndarray) -> float:
    """Return the variance of a function of points, ``by`` (n, 3) its derivatives."""
    joint = point_covariance(result, np.array(points)).reshape(3 * len(points), -1)
    return float(by.ravel() @ joint @ by.ravel())


@pytest.mark.parametrize("seed", [1, 2])
@pytest.mark.parametrize("point", ["P3", "S2"])
def test_the_place_and_the_azimuth_stay_and_the_shape_is_that_of_the_free_net(
    point: str, seed: int
) -> None:
    """A mark, or an instrument: no sd of its own, none of the azimuth; the sum is the free one."""
    network = a_network(seed)
    result = solved(network, point, "P5")
    free = adjust(network, PRECISION, 0.13, minimal_frame(network))
    assert result.weighted_sum == pytest.approx(free.weighted_sum, abs=1e-6)
    assert (result.defect, result.dof) == (4, free.dof)
    number = int(point[1:])
    if point[0] == "P":
        here, start = result.position[number], network.start.position[number]
        own = result.point_covariance[number]
    else:
        here, start = result.axis[number], network.start.axis[number]
        own = result.setup_covariance[number][:3, :3]
    np.testing.assert_allclose(here, start, rtol=0, atol=1e-7)  # m
    assert np.abs(own).max() < 1e-14  # m^2
    away = result.position[5] - here
    wanted = network.start.position[5] - start
    turn = np.arctan2(away[1], away[0]) - np.arctan2(wanted[1], wanted[0])
    assert abs(turn) * np.hypot(*away[:2]) < 1e-7  # m
    across = np.array([-away[1], away[0], 0.0]) / np.hypot(*away[:2])
    along = np.array([away[0], away[1], 0.0]) / np.hypot(*away[:2])
    assert abs(spread(result, [5], across[None])) < 1e-13  # m^2
    assert spread(result, [5], along[None]) > 1e-7
    for a, b in ((1, 2), (0, 6), (5, 4)):
        ends = result.position[[a, b]], free.position[[a, b]]
        lengths = [np.linalg.norm(one[1] - one[0]) for one in ends]
        assert lengths[0] == pytest.approx(lengths[1], abs=1e-6)  # m
        rays = [(one[1] - one[0]) / np.linalg.norm(one[1] - one[0]) for one in ends]
        variances = [
            spread(r, [a, b], np.array([-ray, ray]))
            for r, ray in zip((result, free), rays, strict=True)
        ]
        assert variances[0] == pytest.approx(variances[1], rel=1e-4)


@pytest.mark.parametrize(("point", "toward"), [("P6", "P1"), ("P1", "P6")])
def test_a_place_that_nobody_sighted_fixes_nothing(point: str, toward: str) -> None:
    """The net is solved all the same, in a frame of its own, and the sum is the free one."""
    network = a_network(3)
    value = network.sights.value.copy()
    value[network.sights.point == 6] = np.nan
    network = replace(network, sights=replace(network.sights, value=value))
    result = solved(network, point, toward)
    free = adjust(network, PRECISION, 0.13, minimal_frame(network))
    assert result.weighted_sum == pytest.approx(free.weighted_sum, abs=1e-6)
    assert np.isfinite(result.position[:6]).all()
