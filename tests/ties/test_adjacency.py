"""Which setups are neighbours: none stands inside the circle over the two, seen from above."""

from __future__ import annotations

from itertools import combinations

import numpy as np
import pytest
from scipy.spatial import cKDTree

from tests.simulate import Aim, Mark, SetupPlan, Site, in_faces, simulate
from tests.ties.jobs import solve
from tieup.model.settings import Precision
from tieup.ties.adjacency import neighbour_pairs, neighbours_among
from tieup.ties.pairs import joined_setups, pair_steps


@pytest.mark.parametrize("seed", range(3))
def test_neighbours_are_those_with_an_empty_circle(seed: int) -> None:
    """Gabriel and Sokal (1969): by a tree of scipy that is asked who is inside each circle."""
    place = np.random.default_rng(seed).uniform(0.0, 100.0, (40, 2))
    tree = cKDTree(place)
    pairs = np.array(list(combinations(range(len(place)), 2)))
    middles = place[pairs].mean(axis=1)
    radii = np.linalg.norm(place[pairs[:, 0]] - middles, axis=1)
    empty = [
        not tree.query_ball_point(middle, radius * (1.0 - 1e-9))
        for middle, radius in zip(middles, radii, strict=True)
    ]
    assert neighbours_among(place, pairs).tolist() == empty
    assert neighbours_among(place, pairs[::-1, ::-1]).tolist() == empty[::-1]
    assert np.column_stack(neighbour_pairs(place)).tolist() == pairs[empty].tolist()


def test_two_alone_are_neighbours_wherever_the_grid_begins() -> None:
    """1 to 4 m apart at coordinates of a map, where what rounding leaves of them is 1e-9 m."""
    rng = np.random.default_rng(5)
    for _ in range(200):
        origin = rng.uniform(1e5, 9e6, 2)
        place = origin + rng.uniform(-2.0, 2.0, (2, 2))
        assert np.column_stack(neighbour_pairs(place)).tolist() == [[0, 1]]


@pytest.mark.parametrize("work", [1, 2])
def test_a_setup_on_a_roof_stands_between_two_on_the_ground(work: int) -> None:
    """60 m up in the middle between two: in space it is far from both, on the plan between them.

    The two on the ground make a joint by two work marks that they share, by one alone not.
    """
    held = (0.0, 0.0, 0.0)
    places = {"A": (-20, -30, 0), "B": (80, -25, 9), "C": (-5, 45, 4), "D": (70, 50, 30)}
    marks = [Mark(n, 100.0 + x, 100.0 + y, 20.0 + z, held) for n, (x, y, z) in places.items()]
    names = [f"W{n}" for n in range(work)]
    marks += [Mark(n, 110.0 + 25 * k, 125.0, 20.0) for k, n in enumerate(names)]
    axes = [(100.0, 100.0, 21.6), (160.0, 100.0, 21.6), (130.0, 105.0, 81.6)]
    aims = tuple(a for n in (*places, *names) for a in in_faces(Aim(n), 1, 2))
    plans = [
        SetupPlan(f"S{k + 1}", aims, axis=axis, start=1e9 + 7200 * k) for k, axis in enumerate(axes)
    ]
    survey = simulate(Site(tuple(marks), tuple(plans)), Precision(), np.random.default_rng(1))
    result = solve(survey)
    steps = pair_steps(result)
    assert steps.pair.tolist() == [[0, 1], [0, 2], [1, 2]]
    assert steps.neighbour.tolist() == [False, True, True]
    assert steps.work.tolist() == [work] * 3 and steps.common.tolist() == [4 + work] * 3
    assert steps.shared.tolist() == [2 if work == 2 else 5] * 3
    joints = [[0, 1], [0, 2], [1, 2]] if work == 2 else [[0, 2], [1, 2]]
    assert joined_setups(result).tolist() == joints
