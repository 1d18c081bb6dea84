"""Alternatives tested on the factor equal the solution with the bias as extra unknown."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import PRECISION, random_network
from tieup.adjust.adjust import adjust
from tieup.adjust.hypothesis import Bias, Spoken, informations, misclosure, remaining
from tieup.adjust.problem import held_frame
from tieup.ties.marks import mark_ties


@pytest.mark.parametrize("seed", range(6))
def test_score_is_the_projected_bias_on_the_misclosure(seed):
    """C'R C from the factor equals the drop of v'Pv when that row is left out."""
    network, _ = random_network(np.random.default_rng(seed), setups=4, occupied=seed % 2, drop=0.0)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    chosen = [3, 10, 17]
    alternatives = []
    for connection in chosen:
        one = np.zeros((len(result.connections), 3))
        one[connection, 1] = result.sd[connection, 1]
        own = np.array([connection])
        alternatives.append(Bias(own, result.noise.whitened(one)[own][:, :, None]))
    known = informations(result, alternatives)
    spread = np.array([one.left[0, 0] for one in known])
    information = result.noise.information(result.leverage) * result.sd**2
    assert np.abs(spread - information[chosen, 1]).max() < 1e-9
    statistic = np.array([one.push[0] for one in known]) ** 2 / spread
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


def _dense_rows(result, spoken):
    """Return A and the whitened rows spoken of, unknown by unknown, held ones left out."""
    connections, problem, rows = result.connections, result.problem, result.rows
    setups, points = len(result.axis), len(result.position)
    links, root = problem.network.links, np.sqrt(problem.weight)
    count = 3 * len(connections) + 3 * points + len(problem.links)
    whole = np.zeros((count, 4 * setups + 3 * points))
    for c in range(len(connections)):
        s, p = 4 * connections.setup[c], 4 * setups + 3 * connections.point[c]
        whole[3 * c : 3 * c + 3, s : s + 4] = rows.by_setup[c]
        whole[3 * c : 3 * c + 3, p : p + 3] = rows.by_mark[c]
    first = 3 * len(connections)
    whole[first : first + 3 * points, 4 * setups :] = np.diag(root.ravel())
    for number, link in enumerate(problem.links):
        for end, values in ((links.start, rows.link_start), (links.end, rows.link_end)):
            p = 4 * setups + 3 * end[link]
            whole[first + 3 * points + number, p : p + 3] += values[number]
    own = [*(3 * spoken.connections[:, None] + np.arange(3)).ravel()]
    own += [*(first + 3 * spoken.points[:, None] + np.arange(3)).ravel()]
    own += [*(first + 3 * points + spoken.links)]
    return whole, np.array(own, dtype=np.int64)


@pytest.mark.parametrize("width", [2, 200])
@pytest.mark.parametrize("seed", range(4))
def test_what_remains_is_that_of_the_full_matrices(seed, width):
    """R = I - A pinv(A) by numpy, cut to a few rows, whether rows or columns are fewer.

    Moore-Penrose: A pinv(A) projects onto the columns of A (Golub and Van Loan, 5.5).
    """
    rng = np.random.default_rng(100 + seed)
    network, _ = random_network(rng, setups=4, occupied=seed % 2, links=seed, drop=0.0)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    weighted = np.flatnonzero((result.problem.weight > 0).any(axis=1))
    spoken = Spoken(np.array([1, 4, 5, 11]), weighted, np.arange(len(result.problem.links)))
    whole, own = _dense_rows(result, spoken)
    columns = rng.normal(size=(len(spoken), width))
    given = np.zeros((len(whole), width))
    given[own] = columns
    expected = (given - whole @ (np.linalg.pinv(whole, rcond=1e-12) @ given))[own]
    assert np.abs(remaining(result, spoken, columns) - expected).max() < 1e-7  # whitened, no unit


def test_the_misclosure_is_the_whitened_residual_turned():
    """Cut to the rows spoken of, -v is what the score of a unit column at each sight reads.

    At weighted control and links it is observed minus adjusted in units of the stated sd.
    """
    network, _ = random_network(np.random.default_rng(3), setups=4, occupied=1, links=3, drop=0.0)
    result = adjust(network, PRECISION, 0.13, held_frame(network))
    weighted = np.flatnonzero((result.problem.weight > 0).any(axis=1))
    spoken = Spoken(np.array([2, 7]), weighted, np.arange(len(result.problem.links)))
    off = misclosure(result, spoken)
    unit = Bias(spoken.connections, np.eye(6).reshape(2, 3, 6))
    (known,) = informations(result, [unit])
    assert np.abs(off[:6] - known.push).max() < 1e-12  # whitened, no unit
    control = (network.control - result.position)[weighted] / network.control_sd[weighted]
    links = -result.link_residual / network.links.sd[result.problem.links]
    rest = np.concatenate([np.nan_to_num(control).ravel(), links])
    assert np.abs(off[6:] - rest).max() < 1e-9  # whitened, no unit
