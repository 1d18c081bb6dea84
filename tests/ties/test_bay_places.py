"""Where bays are used and how well they are known there, from sights and joint covariances."""

from __future__ import annotations

from dataclasses import replace
from itertools import combinations

import numpy as np
import pytest
from scipy import stats

from tests.adjust.networks import PRECISION, random_network
from tests.simulate import Aim, Mark, SetupPlan, Site, simulate
from tests.ties.evidence import solution_of
from tieup.adjust.adjust import adjust
from tieup.adjust.cofactors import covariance, unknown_functions
from tieup.adjust.local_guards import pose_bounds
from tieup.adjust.problem import held_frame, minimal_frame
from tieup.adjust.solution import Adjustment
from tieup.model.settings import Precision
from tieup.ties.bay_places import known_at, uses_of
from tieup.ties.bays import PASSES, Shooting, stand_bays
from tieup.ties.tie_checks import shooting_in

PAIRS = np.array(list(combinations(range(5), 2)))


def site(seed: int, frame=held_frame, **more) -> Adjustment:
    """Return a site of five setups, one of them over a mark, that each have seen some of it."""
    rng = np.random.default_rng(seed)
    network, _ = random_network(rng, setups=5, marks=8, drop=0.0, **more)
    return adjust(network, PRECISION, 0.13, frame(network))


@pytest.mark.parametrize("side_shots", [0, 12])
def test_bays_are_used_at_their_farthest_side_shot_and_amid_common_marks(side_shots: int) -> None:
    """Without side shots at the farthest mark. What a setup stands over counts as seen by both."""
    result = site(2, side_shots=side_shots)
    network = result.problem.network
    seen: list[set[int]] = [set() for _ in range(5)]
    for setup, point in zip(network.sights.setup, network.sights.point, strict=True):
        seen[setup].add(int(point))
    uses, joints = uses_of(result, PAIRS)
    for setup, use in enumerate(uses):
        own = [p for p in seen[setup] if p >= 8] or sorted(seen[setup])
        far = max(own, key=lambda p: np.linalg.norm((result.position[p] - result.axis[setup])[:2]))
        assert use is not None and use.setups == (setup,) and use.point == far
        np.testing.assert_array_equal(use.place, result.position[far, :2])
    for first, second in PAIRS.tolist():
        ends = [seen[s] | ({int(network.station[s])} - {-1}) for s in (first, second)]
        common = sorted(ends[0] & ends[1])
        use = joints[first, second]
        assert use.setups == (first, second) and use.point == -1
        middle = np.mean([result.position[p, :2] for p in common], axis=0)
        np.testing.assert_allclose(use.place, middle, rtol=0, atol=1e-12)  # m


@pytest.mark.parametrize("frame", [held_frame, minimal_frame])
def test_a_place_is_known_as_the_joint_covariance_of_its_setups_says(frame) -> None:
    """Carried to the place, of two setups the difference: worst sd times F, height times Student.

    F of 2 and n degrees and Student's t of n at 95 % by scipy.
    """
    result = site(3, frame, control="held", links=3)
    uses, joints = uses_of(result, PAIRS)
    every = [*(use for use in uses if use is not None), *joints.values()]
    rng = np.random.default_rng(1)
    freedom = rng.uniform(3.0, 60.0, (len(every), 2))
    found = known_at(result, every, freedom)
    functions = unknown_functions(result, np.arange(5), np.zeros(0, dtype=np.int64))
    joint = covariance(result, functions)
    for use, known, (flat, up) in zip(every, found, freedom, strict=True):
        lever = np.zeros((3, 20))
        for setup, sign in zip(use.setups, (1.0, -1.0), strict=False):
            north, east = use.place - result.axis[setup, :2]
            own = np.array([[1, 0, 0, -east], [0, 1, 0, north], [0, 0, 1, 0]])
            lever[:, 4 * setup : 4 * setup + 4] = sign * own
        spread = lever @ joint @ lever.T
        plan = np.sqrt(np.linalg.eigvalsh(spread[:2, :2])[-1])
        expected = [
            plan * np.sqrt(2.0 * stats.f.ppf(0.95, 2, flat)),
            np.sqrt(spread[2, 2]) * stats.t.ppf(0.975, up),
        ]
        np.testing.assert_allclose(known, expected, rtol=0, atol=1e-9)  # m


def test_without_guards_a_joint_has_the_worse_bound_of_its_two_setups() -> None:
    """A large site: each setup's own sights bound it where it is used; Student's t for the sds.

    The least degrees of freedom speak for all.
    """
    result = site(6, side_shots=10)
    freedom = np.random.default_rng(2).uniform(8.0, 50.0, (5, 2))
    when = Shooting(np.zeros(5), np.ones(5), np.zeros(1), np.zeros(len(result.position)))
    bays = stand_bays(result, None, freedom, PAIRS, when)
    quantile = stats.t.isf(PASSES, freedom.min())

    def bound(setup: int, place: np.ndarray) -> np.ndarray:
        away = place - result.axis[setup, :2]
        return pose_bounds(result, np.array([setup]), away[None], quantile)[0]

    for setup, one in enumerate(bays.setups):
        assert one is not None
        np.testing.assert_allclose(one.bound, bound(setup, one.use.place), rtol=0, atol=1e-8)  # m
    assert list(bays.joints) == [tuple(pair) for pair in PAIRS.tolist()]
    for pair, one in bays.joints.items():
        both = np.max([bound(setup, one.use.place) for setup in pair], axis=0)
        np.testing.assert_allclose(one.bound, both, rtol=0, atol=1e-8)  # m
        own = freedom[list(pair)].min(axis=0)
        np.testing.assert_allclose(one.known, known_at(result, [one.use], own[None])[0], atol=1e-12)


def test_side_shots_are_taken_when_their_rows_that_take_part_say() -> None:
    """First and last of each setup, and each point's own, by hand; rows by the clock.

    S1 shoots A, X, B, C, Y, D, Z, and S2 the marks, then U, V and W. Left out are Z, V and what S2
    saw of A, which belong to no setup then.
    """
    held = (0.0, 0.0, 0.0)
    places = {"A": (-30, -20), "B": (35, -25), "C": (-5, 40), "D": (45, 30)}
    marks = [Mark(n, 100.0 + x, 100.0 + y, 20.0, held) for n, (x, y) in places.items()]
    marks += [Mark(n, 90.0 + 5 * k, 110.0, 20.0) for k, n in enumerate("XYZUVW")]
    first = SetupPlan("S1", tuple(map(Aim, "AXBCYDZ")), axis=(100.0, 100.0, 21.6), start=1e9)
    second = SetupPlan("S2", tuple(map(Aim, "ABCDUVW")), axis=(115.0, 95.0, 21.6), start=2e9)
    survey = simulate(Site(tuple(marks), (first, second)), Precision(), np.random.default_rng(1))
    solution = solution_of(survey)
    sight, time = solution.pointings.sight.copy(), survey.shots.time
    sight[[6, 7, 12]] = -1
    when = shooting_in(replace(solution, pointings=replace(solution.pointings, sight=sight)))
    assert when.first.tolist() == [time[1], time[11]] and when.last.tolist() == [time[4], time[13]]
    names = solution.held.problem.network.point_names
    assert names[1] == "X"
    own = {name: order for name, order in zip(names, when.shot, strict=True) if order == order}
    assert own == {"X": time[1], "Y": time[4], "U": time[11], "W": time[13]}
    assert when.order.tolist() == time.tolist()
