"""What is not determined is found, named and left out; the rest is as if it were not there."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import held_to_control, random_network
from tieup.adjust.solution import Adjustment
from tieup.model.network import Network


def network_of(seed: int, **options: object) -> Network:
    """Draw a network of free stations in which everything was observed."""
    rng = np.random.default_rng(seed)
    return random_network(rng, setups=4, marks=8, occupied=0, drop=0.0, **options)[0]


def blanked(network: Network, rows: np.ndarray, components: list[int]) -> Network:
    """Return the network without these components of these sights."""
    value = network.sights.value.copy()
    value[np.ix_(np.flatnonzero(rows), components)] = np.nan
    return replace(network, sights=replace(network.sights, value=value))


def assert_same_but_for(result: Adjustment, other: Adjustment, points: list[int]) -> None:
    """Demand the same site in both, the given points unknown in the first."""
    rest = np.setdiff1d(np.arange(len(result.position)), points)
    assert np.isnan(result.position[points]).all()
    assert np.isnan(result.point_covariance[points]).all()
    assert np.abs(result.position[rest] - other.position[rest]).max() < 1e-8  # m
    spread = np.abs(result.point_covariance[rest] - other.point_covariance[rest]).max()
    assert spread < 1e-6 * np.abs(other.point_covariance[rest]).max()
    assert result.dof == other.dof
    assert result.weighted_sum == pytest.approx(other.weighted_sum, rel=1e-8)


def test_a_mark_on_one_line_of_sight_is_left_out():
    """Directions and zenith angles from one setup alone place no mark, whatever the start says."""
    network = network_of(1)
    of_mark = network.sights.point == 6
    without = blanked(network, of_mark, [0, 1, 2])
    only = of_mark & (network.sights.setup != 2)
    line = blanked(blanked(network, only, [0, 1, 2]), of_mark, [2])
    result = held_to_control(line)
    assert np.flatnonzero(result.undetermined_point).tolist() == [6]
    assert not result.undetermined_setup.any()
    assert_same_but_for(result, held_to_control(without), [6])


def test_many_undetermined_marks_are_named_together():
    """Every mark without a distance and with one direction only."""
    network = network_of(2, side_shots=20)
    side = network.sights.point >= 8
    result = held_to_control(blanked(network, side, [2]))
    assert np.flatnonzero(result.undetermined_point).tolist() == list(range(8, 28))
    assert_same_but_for(
        result, held_to_control(blanked(network, side, [0, 1, 2])), list(range(8, 28))
    )


def test_a_kept_mark_that_nothing_places_is_named():
    """A mark of one direction that a level run joins to another."""
    network = network_of(3, links=1)
    links = replace(network.links, start=np.array([4]), end=np.array([6]))
    network = replace(network, links=links)
    of_mark = network.sights.point == 6
    network = blanked(network, of_mark & (network.sights.setup != 1), [0, 1, 2])
    result = held_to_control(blanked(network, of_mark, [1, 2]))
    assert np.flatnonzero(result.undetermined_point).tolist() == [6]


def test_a_setup_that_sees_one_mark_is_left_out_with_what_hangs_on_it():
    """One shared mark leaves a setup free to turn about it; its side shots go with it."""
    network = network_of(4, side_shots=12)
    sights = network.sights
    loose = sights.setup == 3
    network = blanked(network, loose & (sights.point < 8) & (sights.point != 5), [0, 1, 2])
    hanging = sorted(set(sights.point[loose & (sights.point >= 8)].tolist()))
    assert hanging
    result = held_to_control(network)
    assert np.flatnonzero(result.undetermined_setup).tolist() == [3]
    assert np.flatnonzero(result.undetermined_point).tolist() == hanging
    assert np.isnan(result.axis[3]).all() and np.isnan(result.setup_covariance[3]).all()
    assert_same_but_for(result, held_to_control(blanked(network, loose, [0, 1, 2])), hanging)


def test_control_that_nobody_sighted_changes_nothing():
    """Weighted or held, it keeps its coordinates and its sds, and checks nothing."""
    network = network_of(5)
    unseen = blanked(network, network.sights.point == 7, [0, 1, 2])
    given, sd = unseen.control.copy(), unseen.control_sd.copy()
    given[7], sd[7] = unseen.start.position[7], [0.002, 0.003, 0.0]
    result = held_to_control(replace(unseen, control=given, control_sd=sd))
    assert not result.undetermined_point.any()
    assert (result.position[7] == given[7]).all()
    assert np.allclose(result.point_covariance[7], np.diag([4e-6, 9e-6, 0.0]), atol=1e-15)  # m^2
    assert np.abs(result.control_redundancy[7, :2]).max() < 1e-9
    other = held_to_control(unseen)
    assert np.abs(result.position[:7] - other.position[:7]).max() < 1e-8  # m
    assert result.dof == other.dof
    total = np.nansum(result.redundancy) + np.nansum(result.control_redundancy)
    assert total == pytest.approx(result.dof, abs=1e-7)
