"""Walks round the setups."""

from __future__ import annotations

from itertools import combinations

import networkx
import numpy as np
import pytest

from tests.simulate import Aim, Mark, SetupPlan, Site, Survey, in_faces, random_site, simulate
from tests.simulate.mistakes.edit import shifted
from tests.ties.jobs import network_of, reduction_of
from tieup.adjust.adjust import adjust
from tieup.adjust.problem import held_frame
from tieup.model.settings import Instrument, Precision
from tieup.ties.closures import find_closures

NOISELESS = Precision({"default": Instrument(1e-12, 1e-12, 1e-9, 0.0)}, 0.0, 0.0, 0.0, 0.0)


def _closures(survey):
    reduction = reduction_of(survey)
    network = network_of(survey, reduction)
    result = adjust(network, Precision(), survey.refraction, held_frame(network))
    return find_closures(result, reduction.sights, survey.refraction)


def _survey(precision):
    rng = np.random.default_rng(7)
    site = random_site(rng, setups=5, ties=6, side_shots=0)
    return simulate(site, precision, np.random.default_rng(8))


def test_perfect_observations_close():
    """Without noise every walk closes to a hundredth of a millimetre and second."""
    found = _closures(_survey(NOISELESS))
    assert len(found) >= 3
    for closure in found:
        assert closure.plan < 1e-5 and abs(closure.height) < 1e-5
        assert abs(closure.turn) < 5e-8


def test_one_wrong_sight_opens_the_walks_through_its_setup():
    """A 0.5 m mistake at one mark: walks through that setup misclose, the others close."""
    survey = _survey(NOISELESS)
    name = survey.points[survey.shots.point[survey.rows("S3")[0]]]
    wrong = shifted(survey, survey.rows("S3", name), np.array([0.5, 0.0, 0.5]))
    clean, found = _closures(survey), _closures(wrong)
    assert [c.setups for c in clean] == [c.setups for c in found]
    opened = [c for c in found if c.plan > 1e-3]
    assert opened and all(2 in c.setups for c in opened)
    assert all(c.plan < 1e-5 for c in found if 2 not in c.setups)


def test_length_and_ratio_are_those_of_the_walk():
    """The length is the sum of the legs between the setups walked; control adds none."""
    survey = _survey(Precision())
    for closure in _closures(survey):
        places = [survey.truth.axis[s, :2] for s in closure.setups if s >= 0]
        legs = [np.hypot(*(a - b)) for a, b in zip(places, places[1:] + places[:1], strict=True)]
        assert abs(closure.length - sum(legs)) < 0.05  # m
        assert closure.ratio == closure.plan / closure.length
        assert closure.stations == len(places)
        assert closure.ratio < 1e-3


def marks_of(reduction, refraction: float) -> dict[int, dict[int, np.ndarray]]:
    """Return N, E, H of what each setup has sighted whole, in its own frame.

    The zenith angle is that of the straight line and half of the earth's curve less refraction,
    on a sphere of 6371 km.
    """
    sights = reduction.sights
    frames: dict[int, dict[int, np.ndarray]] = {}
    for row in np.flatnonzero(np.isfinite(sights.value).all(axis=1)):
        direction, zenith, slope = sights.value[row]
        plan = slope * np.sin(zenith)
        for _ in range(50):  # the curve depends on the length in plan
            straight = zenith - (1.0 - refraction) * plan / (2 * 6371000.0)
            plan = slope * np.sin(straight)
        place = [plan * np.cos(direction), plan * np.sin(direction), slope * np.cos(straight)]
        place[2] -= sights.target_height[row]
        frames.setdefault(int(sights.setup[row]), {}).setdefault(
            int(sights.point[row]), np.array(place)
        )
    return frames


def onto(here: dict[int, np.ndarray], there: dict[int, np.ndarray]) -> np.ndarray:
    """Return the rigid motion (4, 4) of one frame onto another by common marks: Procrustes, SVD."""
    common = sorted(here.keys() & there.keys())
    a, b = (np.array([frame[mark] for mark in common]) for frame in (here, there))
    left, _, right = np.linalg.svd((a - a.mean(axis=0))[:, :2].T @ (b - b.mean(axis=0))[:, :2])
    turn = left @ np.diag([1.0, np.linalg.det(left @ right)]) @ right
    motion = np.eye(4)
    motion[:2, :2] = turn
    motion[:2, 3] = a.mean(axis=0)[:2] - turn @ b.mean(axis=0)[:2]
    motion[2, 3] = a.mean(axis=0)[2] - b.mean(axis=0)[2]
    return motion


def test_misclosures_are_those_of_the_motions_chained():
    """Gear of 2 minutes and 30 mm: every walk round, control among them, by matrices."""
    coarse = Precision({"default": Instrument(6e-4, 6e-4, 0.03, 0.0)})
    survey = _survey(coarse)
    reduction = reduction_of(survey)
    frames = marks_of(reduction, survey.refraction)
    network = network_of(survey, reduction)
    listed = np.flatnonzero(np.isfinite(network.control).all(axis=1))
    frames[-1] = {int(mark): network.control[mark] for mark in listed}
    found = _closures(survey)
    assert any(-1 in closure.setups for closure in found)
    for closure in found:
        whole = np.eye(4)
        for a, b in zip(closure.setups, closure.setups[1:] + closure.setups[:1], strict=True):
            whole = whole @ onto(frames[a], frames[b])
        assert closure.setups[0] >= 0
        assert closure.plan > 1e-4  # m
        assert abs(closure.plan - np.hypot(*whole[:2, 3])) < 1e-7  # m
        assert abs(closure.height - whole[2, 3]) < 1e-7  # m
        assert abs(closure.turn - np.arctan2(whole[1, 0], whole[0, 0])) < 1e-9  # rad


def test_there_are_as_many_walks_among_setups_as_redundant_pairs():
    """Kirchhoff: edges less nodes and one, of the setups that share two marks; control beside."""
    survey = _survey(Precision())
    frames = marks_of(reduction_of(survey), survey.refraction)
    graph = networkx.Graph()
    for a, b in combinations(frames, 2):
        if len(frames[a].keys() & frames[b].keys()) >= 2:
            graph.add_edge(a, b)
    walks = [set(closure.setups) for closure in _closures(survey)]
    alone = [walk for walk in walks if -1 not in walk]
    assert len(alone) == len(networkx.cycle_basis(graph)) > 3
    assert set().union(*alone) == set(graph.nodes)
    by_control = [walk for walk in walks if -1 in walk]
    assert set().union(*by_control) == {-1, *graph.nodes}


def _between_marks(apart: float, marks: int = 2) -> Survey:
    """Return two setups that sight known marks in a row, the last this far (m) from the first."""
    names = "ABC"[:marks]
    along = np.linspace(0.0, apart, marks)
    places = [
        Mark(n, 120.0, 100.0 + a, 10.0, (0.0, 0.0, 0.0)) for n, a in zip(names, along, strict=True)
    ]
    aims = tuple(aim for name in names for aim in in_faces(Aim(name), 1, 2))
    plans = [
        SetupPlan(label, aims, axis=axis, start=start)
        for label, axis, start in (
            ("S1", (100.0, 90.0, 11.5), 1e9),
            ("S2", (105.0, 115.0, 11.5), 2e9),
        )
    ]
    return simulate(Site(tuple(places), tuple(plans)), NOISELESS, np.random.default_rng(0))


def test_a_walk_needs_two_marks_a_metre_apart_from_frame_to_frame():
    """S1, S2 and control share A and B: one walk round all three, none through 0.9 m of base.

    It begins at a setup, and control adds nothing to its length.
    """
    (walk,) = _closures(_between_marks(1.1))
    assert sorted(walk.setups) == [-1, 0, 1] and walk.setups[0] == 0
    assert walk.stations == 2 and walk.length == pytest.approx(2 * np.hypot(5.0, 25.0), abs=1e-3)
    assert walk.plan < 1e-4 and abs(walk.height) < 1e-4  # m
    assert _closures(_between_marks(0.9)) == []
    (walk,) = _closures(_between_marks(1.1, marks=3))  # the first and the last are apart
    assert walk.plan < 1e-4
    assert _closures(_between_marks(0.9, marks=3)) == []
