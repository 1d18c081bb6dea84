"""Tests of what nobody read at a target: weighted control left out, plumb lines."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, held_to_control, random_network
from tieup.adjust.believed_tests import control_tests, plumb_tests
from tieup.adjust.cofactors import point_covariance
from tieup.adjust.hypothesis import Bias, informations
from tieup.model.control import Correlated
from tieup.model.network import Network


def network_of(seed: int) -> Network:
    """Return a network with weighted control of 1 to 3 mm, and a height known to 2 m."""
    rng = np.random.default_rng(seed)
    network, _ = random_network(rng, setups=4, marks=7, occupied=2, drop=0.0)
    given, sd = network.control.copy(), network.control_sd.copy()
    given[5, 2], sd[5, 2] = network.start.position[5, 2] + 3.0, 2.0
    return replace(network, control=given, control_sd=sd)


@pytest.mark.parametrize("seed", range(3))
def test_weighted_control_left_out_takes_its_statistic_with_it(seed: int) -> None:
    """The weighted sum falls by (v / sd of v)^2; without it the mark lies a bias away from it.

    Redundancy 1 - (sd adjusted / sd stated)^2, as independent values have it.
    """
    network = network_of(seed)
    result = held_to_control(network)
    tests = control_tests(result)
    weighted = np.argwhere(network.control_sd > 0)
    assert len(weighted) == 4
    assert (np.isfinite(tests.residual) == (network.control_sd > 0)).all()
    for point, component in weighted.tolist():
        one = (point, component)
        sd = network.control_sd.copy()
        sd[one] = np.nan
        again = held_to_control(
            replace(network, control_sd=sd, control=np.where(np.isnan(sd), np.nan, network.control))
        )
        drop = result.weighted_sum - again.weighted_sum
        statistic = tests.residual[one] / tests.residual_sd[one]
        assert statistic**2 == pytest.approx(drop, abs=1e-3)  # no unit
        bias = again.position[one] - network.control[one]
        assert bias / tests.bias_sd[one] == pytest.approx(statistic, abs=1e-3)
        share = result.point_covariance[point, component, component] / network.control_sd[one] ** 2
        assert tests.redundancy[one] == pytest.approx(1.0 - share, abs=1e-6)
        assert tests.sd[one] == pytest.approx(network.control_sd[one], abs=1e-12)  # m


def test_a_mistake_in_one_of_several_correlated_coordinates() -> None:
    """Three marks with a full covariance: the weighted sum is a parabola over a mistake in one.

    Its curve is the information on it, its least value the sum without that coordinate, the others
    keeping what was said of them. The redundancy numbers of all nine sum to the trace of
    the residuals' cofactors times the weights.
    """
    rng = np.random.default_rng(7)
    network = network_of(0)
    marks, given, sd = np.array([2, 4, 6]), network.control.copy(), network.control_sd.copy()
    root = rng.normal(size=(9, 12)) * 0.001
    covariance = root @ root.T
    sd[marks] = np.sqrt(np.diagonal(covariance)).reshape(3, 3)
    given[marks] = network.start.position[marks] + rng.normal(size=(3, 3)) * 0.003
    network = replace(
        network, control=given, control_sd=sd, correlated=Correlated(marks, covariance)
    )
    result = held_to_control(network)
    tests = control_tests(result)
    for point, component in [(int(p), k) for p in marks for k in range(3)]:
        one = (point, component)
        less, known = sd.copy(), given.copy()
        less[one] = known[one] = np.nan
        again = held_to_control(replace(network, control_sd=less, control=known))
        sums = []
        for mistake in (-0.004, 0.0, 0.004):
            wrong = given.copy()
            wrong[one] += mistake
            sums.append(held_to_control(replace(network, control=wrong)).weighted_sum)
        curve = (sums[0] + sums[2] - 2.0 * sums[1]) / (2.0 * 0.004**2)
        assert curve**-0.5 == pytest.approx(tests.bias_sd[one], rel=1e-3)  # m
        slope = (sums[2] - sums[0]) / 0.008
        least = sums[1] - slope**2 / (4.0 * curve)
        assert again.weighted_sum == pytest.approx(least, abs=1e-2)  # no unit
        apart = result.position[one] - given[one]
        assert tests.residual[one] == pytest.approx(apart, abs=1e-9)  # m
        spread = sd[one] ** 2 - result.point_covariance[point, component, component]
        assert tests.residual_sd[one] == pytest.approx(np.sqrt(spread), rel=1e-6)
        assert tests.sd[one] == pytest.approx(sd[one], abs=1e-12)  # m
    joint = point_covariance(result, marks).reshape(9, 9)
    share = 9.0 - np.trace(np.linalg.solve(covariance, joint))
    assert tests.redundancy[marks].sum() == pytest.approx(share, abs=1e-6)


def test_plumb_lines_have_the_information_of_a_bias_in_them() -> None:
    """Centring in N and E and the instrument height, each by a solve for that bias alone."""
    network = network_of(4)
    result = held_to_control(network)
    tests = plumb_tests(result)
    own = np.flatnonzero(result.connections.plumb)
    assert result.connections.setup[own].tolist() == [0, 1]
    stated = [PRECISION.centring_instrument] * 2 + [PRECISION.height_instrument]
    for setup, connection in enumerate(own.tolist()):
        mark = network.station[setup]
        over = result.axis[setup] - result.position[mark]
        over[2] -= network.instrument_height[setup]
        np.testing.assert_allclose(tests.residual[setup], over, rtol=0, atol=1e-9)  # m
        for part in range(3):
            unit = np.zeros((1, 3, 1))
            unit[0, part] = 1.0 / stated[part]
            (known,) = informations(result, [Bias(np.array([connection]), unit)])
            assert tests.sd[setup, part] == pytest.approx(stated[part], abs=1e-12)
            assert tests.bias_sd[setup, part] == pytest.approx(known.left[0, 0] ** -0.5, rel=1e-6)
            statistic = known.push[0] ** 2 / known.left[0, 0]
            w = tests.residual[setup, part] / tests.residual_sd[setup, part]
            assert w**2 == pytest.approx(statistic, abs=1e-6)
    assert np.isnan(tests.residual[2:]).all()
