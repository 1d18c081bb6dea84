"""What takes part in an adjustment: readings, unknowns, control and links, by hand."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.adjust.networks import random_network
from tieup.adjust.problem import Problem, held_frame, make_problem
from tieup.model.network import Links, Network, Start
from tieup.model.observations import ZENITH

SETUPS, POINTS = 3, 8


@pytest.fixture
def network() -> Network:
    """Return three setups, the first over P0, that see six marks; two side shots; two links."""
    rng = np.random.default_rng(3)
    found = random_network(rng, setups=SETUPS, marks=6, side_shots=2, drop=0.0)[0]
    links = Links(
        np.array(["level", "tape", "level"], dtype=object),
        np.array([1, 2, 4]),
        np.array([3, 5, 5]),
        np.array([0.1, 20.0, 0.2]),
        np.full(3, 0.001),
    )
    return replace(found, links=links)


def problem_of(
    network: Network,
    without_setup: tuple[int, ...] = (),
    without_point: tuple[int, ...] = (),
    **start: np.ndarray,
) -> Problem:
    """Return the problem held to control without some setups and points."""
    network = replace(network, start=replace(network.start, **start))
    masks = np.zeros(SETUPS, dtype=bool), np.zeros(POINTS, dtype=bool)
    masks[0][list(without_setup)] = True
    masks[1][list(without_point)] = True
    return make_problem(network, held_frame(network), *masks)


def but_for(count: int, *missing: int) -> np.ndarray:
    """Return flags that are all set but for some."""
    flags = np.ones(count, dtype=bool)
    flags[list(missing)] = False
    return flags


def test_all_takes_part_where_all_is_known(network: Network) -> None:
    """Every sight, the plumb line of the one setup over a mark, three links; control as listed."""
    found = problem_of(network)
    assert len(found.connections) == len(network.sights) + 1
    assert found.connections.plumb.sum() == 1 and found.links.tolist() == [0, 1, 2]
    assert found.turned.all() and found.solved_setup.all() and found.solved_point.all()
    assert not found.held_setup.any()
    assert (found.held_point == (network.control_sd == 0.0)).all()
    weighted = network.control_sd > 0.0
    assert ((found.weight > 0.0) == weighted).all() and weighted.sum() == 3
    np.testing.assert_allclose(found.weight[weighted], network.control_sd[weighted] ** -2.0)


def test_zenith_angles_reach_from_a_height_to_a_height(network: Network) -> None:
    """Where setup or mark has none they are dropped; so is the height of a plumb line."""
    found = problem_of(network, height_setup=but_for(SETUPS, 0), height_point=but_for(POINTS, 4))
    own = found.connections
    flat = (own.setup == 0) | (own.point == 4)
    sight = ~own.plumb
    assert (np.isnan(own.value[sight, ZENITH]) == flat[sight]).all()
    assert np.isnan(own.value[own.plumb, 2]).all() and np.isfinite(own.value[own.plumb, :2]).all()
    assert found.held_setup[:, 2].tolist() == [True, False, False]
    assert found.held_point[4].tolist() == [False, False, True]
    assert found.links.tolist() == [0, 1]  # the level run to P4 says nothing


def test_what_is_left_out_takes_its_readings_with_it(network: Network) -> None:
    """Setup 2 and mark 3: no sights of either, nothing to solve for; nor the run to the mark."""
    found = problem_of(network, without_setup=(2,), without_point=(3,))
    own = found.connections
    assert not (own.setup == 2).any() and not (own.point == 3).any()
    assert found.held_setup[2].all() and found.held_point[3].all()
    assert not found.solved_setup[2] and not found.solved_point[3]
    assert found.links.tolist() == [1, 2]
    over = problem_of(network, without_point=(0,))  # the mark it stands over
    assert not over.connections.plumb.any()


def test_a_mark_that_nothing_speaks_of_any_more_is_not_solved(network: Network) -> None:
    """A side shot of a setup that is left out; a mark that a link or control still names stays."""
    side = int(network.sights.setup[network.sights.point == 7][0])
    found = problem_of(network, without_setup=(side,))
    assert not found.solved_point[7] and found.solved_point[:6].all()
    seen = np.unique(found.connections.point)
    assert 7 not in seen and (found.held_point[7]).all()


def test_levelled_marks_have_a_height_alone(network: Network) -> None:
    """No place in plan for P3 and P5, which runs reach: heights are solved for, tapes need both."""
    found = problem_of(network, plan_point=but_for(POINTS, 3, 5))
    assert found.held_in_plan.tolist() == [p in (3, 5) for p in range(POINTS)]
    assert found.held_point[5].tolist() == [True, True, False]
    assert found.held_point[3].all()  # its height is known
    assert not np.isin(found.connections.point, [3, 5]).any()
    assert found.links.tolist() == [0, 2]


def test_a_setup_without_circle_readings_has_no_orientation_to_solve_for(network: Network) -> None:
    """Its distances and zenith angles place it; the orientation stands still."""
    value = network.sights.value.copy()
    value[network.sights.setup == 1, 0] = np.nan
    found = problem_of(replace(network, sights=replace(network.sights, value=value)))
    assert found.turned.tolist() == [True, False, True]
    assert found.held_setup[:, 3].tolist() == [False, True, False]
    azimuths = replace(network.sights, azimuth=network.sights.setup == 1)
    assert problem_of(replace(network, sights=azimuths)).turned.tolist() == [True, False, True]


def test_starts_are_the_reference_of_the_held_frame(network: Network) -> None:
    """Control is held or weighted as listed, what is not listed is NaN in both."""
    frame, start = held_frame(network), network.start
    assert isinstance(start, Start)
    np.testing.assert_array_equal(frame.reference, start.position)
    np.testing.assert_array_equal(frame.reference_axis, start.axis)
    assert (np.isnan(frame.control_sd) == np.isnan(frame.control)).all()
    whole = np.isfinite(network.control).all(axis=1)
    np.testing.assert_array_equal(frame.datum_points, whole)
