"""Alternatives tested on the factor equal the solution with the bias as extra unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.hypothesis import gram, no_bias, project, score
from tieup.adjust.problem import held_frame
from tieup.ties.marks import mark_ties


@pytest.mark.parametrize("seed", range(6))
def test_score_is_the_projected_bias_on_the_misclosure(seed):
    """C'R C from the factor equals the drop of v'Pv when that row is left out."""
    network, _ = random_network(np.random.default_rng(seed), setups=4, occupied=seed % 2, drop=0.0)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    chosen = [3, 10, 17]
    bias = no_bias(result, 3)
    for column, connection in enumerate(chosen):
        bias.connections[connection, 1, column] = 1.0
    spread = np.diagonal(gram(bias, project(result, bias)))
    redundancy = result.redundancy[chosen, 1]
    assert np.abs(spread - redundancy).max() < 1e-9
    statistic = score(result, bias) ** 2 / spread
    for column, connection in enumerate(chosen):
        value = network.sights.value.copy()
        value[result.connections.source[connection], 1] = np.nan
        without = replace(network, sights=replace(network.sights, value=value))
        again = adjust(without, PRECISION, 0.13, held_frame(network))
        drop = result.weighted_sum - again.weighted_sum
        assert statistic[column] == pytest.approx(drop, rel=1e-4, abs=1e-5)


@pytest.mark.parametrize("seed", range(4))
def test_tie_difference_is_the_setup_alone_minus_the_rest(seed):
    """Leave a setup's sight of a mark out, compute the mark both ways: the same difference."""
    network, _ = random_network(np.random.default_rng(40 + seed), setups=4, occupied=0, drop=0.0)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    ties = mark_ties(result)
    for row in range(0, len(ties.point), 5):
        point, setup = ties.point[row], ties.setup[row]
        value = network.sights.value.copy()
        mine = np.flatnonzero((network.sights.point == point) & (network.sights.setup == setup))[0]
        observed = value[mine].copy()
        value[mine] = np.nan
        without = replace(network, sights=replace(network.sights, value=value))
        rest = adjust(without, PRECISION, 0.13, held_frame(network))
        azimuth = observed[0] + rest.orientation[setup]
        bent = observed[1] - (1 - 0.13) / (2 * 6371000) * observed[2]
        alone = rest.axis[setup] + observed[2] * np.array(
            [np.sin(bent) * np.cos(azimuth), np.sin(bent) * np.sin(azimuth), np.cos(bent)]
        )
        alone[2] -= network.sights.target_height[mine]
        assert np.abs(ties.difference[row] - (alone - rest.position[point])).max() < 5e-6  # m
