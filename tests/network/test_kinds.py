"""Setups with less than direction, zenith angle and distance to every mark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.network.sites import (
    SHIFT,
    Gear,
    blank,
    change,
    make_job,
    make_sights,
    misses,
    observe,
    only,
    random_job,
    start,
    traverse,
    with_control,
)
from tieup.errors import NetworkError
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH, Sights

CLOSE = 0.03  # m


def site(setups, marks, control, seed):
    return random_job(seed, setups=setups, marks=marks, control=control, share=1.0, size=60.0)


def in_plan(job, network):
    return np.nanmax(misses(job, network).axis[:, :2])


def test_setups_that_see_one_control_mark_each_tie_through_work_points():
    """Each alone could swing about its control mark; together they stand."""
    for seed in range(20):
        job = site(2, 8, 2, seed)
        one, two = (job.points.index(name) for name in job.control.names)
        s = job.sights
        keep = ~(((s.setup == 0) & (s.point == two)) | ((s.setup == 1) & (s.point == one)))
        network = start(only(job, keep))
        assert network.start.plan_setup.all()
        assert in_plan(job, network) < CLOSE


@pytest.mark.parametrize("control", [3, 4, 6])
def test_angles_alone_to_three_marks_or_more_place_a_setup(control):
    """Resection from the known marks of a job without any distance."""
    reached = 0
    for seed in range(30):
        job = blank(site(1, control, control, seed), slice(None), DISTANCE)
        try:
            network = start(job)
        except NetworkError:
            continue
        reached += 1
        assert in_plan(job, network) < 0.3  # m; some stand near the danger circle
        assert not network.start.gross.any()
    assert reached >= 27  # of 30; the others stand on the danger circle for all purposes


def test_a_swap_of_names_does_not_spoil_a_resection():
    """One setup of three has angles only, nine marks, two of them swapped."""
    for seed in range(20):
        job = blank(site(3, 9, 5, seed), site(3, 9, 5, seed).sights.setup == 1, DISTANCE)
        rows = np.flatnonzero(job.sights.setup == 1)[:2]

        def swap(s, value, point, height, rows=rows):
            point[rows] = point[rows[::-1]]

        network = start(change(job, swap))
        assert in_plan(job, network) < CLOSE
        assert network.start.gross[rows, DIRECTION].all()
        assert network.start.gross[:, DIRECTION].sum() == 2


def test_a_triangulation_without_distances_is_carried_through():
    """Two occupied control marks, a third mark by intersection, then occupied itself."""
    rng = np.random.default_rng(3)
    plan = [[0, 0, 0], [100, 10, 1], [50, 80, 2], [60, -70, 0], [160, 60, 1.0]]
    position = np.array(plan, dtype=float) + SHIFT
    sees = np.array([[0, 1, 1, 1, 0], [1, 0, 1, 1, 1], [1, 1, 0, 0, 1], [1, 1, 0, 0, 0]], bool)
    job = make_job(position[:4], position, sees, np.array([0, 1]), rng, station=np.arange(4))
    network = start(blank(job, slice(None), DISTANCE))
    assert network.start.plan_point.all() and network.start.height_point.all()
    miss = misses(job, network)
    assert np.max(miss.axis) < CLOSE
    assert np.max(miss.position) < CLOSE


def test_backsights_without_distance_orient_a_traverse():
    """Occupied mark and one direction to a known one are enough to go on."""
    job = traverse(10, 2)
    back = job.sights.point == (job.sights.setup - 1) % 10
    network = start(blank(job, back, DISTANCE))
    assert network.start.plan_setup.all()
    assert np.max(misses(job, network).axis) < 0.05  # m, ten legs
    assert not network.start.gross.any()


def test_distances_alone_and_one_direction_place_a_setup():
    """Trilateration from five marks; the one direction turns the circle."""
    for seed in range(20):
        job = site(1, 5, 5, seed)
        network = start(blank(job, np.arange(5) > 0, DIRECTION))
        assert in_plan(job, network) < CLOSE


def test_half_of_the_distances_missing_changes_nothing():
    """Marks with and without distance mix in every setup."""
    for seed in range(20):
        job = site(3, 8, 4, seed)
        network = start(blank(job, np.arange(len(job.sights)) % 2 == 0, DISTANCE))
        assert network.start.plan_point.all()
        assert in_plan(job, network) < CLOSE


def test_without_zenith_angles_the_plan_stands_as_if_level():
    """A flat site without one zenith angle: plan solved, no height claimed, none missing."""
    for seed in range(10):
        job = site(3, 8, 4, seed)
        flat, level = job.position * [1, 1, 0], job.axis * [1, 1, 0] + [0, 0, 1.5]
        rng = np.random.default_rng(seed)
        job = make_job(level, flat, np.ones((3, 8), bool), np.arange(3), rng)
        free = with_control(job, [0, 1, 2], lambda known: known[:, 2].fill(np.nan))
        network = start(blank(free, slice(None), ZENITH))
        assert in_plan(job, network) < CLOSE
        assert not network.start.height_setup.any()
        assert not network.start.height_point.any()
        assert np.isfinite(network.start.position).all()
        assert not network.start.gross.any()


def test_a_mirrored_circle_in_one_setup_leaves_its_place_right():
    """Distances place the setup; its directions are gross, nothing else is."""
    for seed in range(20):
        job = site(3, 8, 5, seed)
        rows = job.sights.setup == 1

        def mirror(s, value, point, height, rows=rows):
            value[rows, DIRECTION] = 2.0 * np.pi - value[rows, DIRECTION]

        network = start(change(job, mirror))
        assert in_plan(job, network) < CLOSE
        gross = network.start.gross
        assert gross[rows, DIRECTION].sum() >= 6
        assert not gross[~rows].any()
        assert not gross[:, DISTANCE].any()


def test_distances_in_feet_in_one_setup_leave_its_place_right():
    """Directions place the setup; its distances are gross, nothing else is."""
    for seed in range(20):
        job = site(3, 8, 5, seed)
        rows = job.sights.setup == 1

        def in_feet(s, value, point, height, rows=rows):
            value[rows, DISTANCE] /= 0.3048

        network = start(change(job, in_feet))
        assert in_plan(job, network) < CLOSE
        assert network.start.gross[rows, DISTANCE].all()
        assert not network.start.gross[~rows].any()
        assert not network.start.gross[:, DIRECTION].any()


def test_a_tower_sighted_by_direction_from_hundreds_of_setups_is_placed():
    """A mark without distance seen from 100 setups costs nothing and comes out right."""
    job = random_job(3, setups=100, marks=60, control=5, share=0.2, size=200.0)
    rng = np.random.default_rng(3)
    tower = np.array([[50.0, 80.0, 30.0]]) + SHIFT
    target = np.repeat(tower, 100, axis=0)
    value = observe(job.axis, job.orientation, target, Gear(), rng)
    value[:, DISTANCE] = np.nan
    more = make_sights(np.arange(100), np.full(100, 60), np.zeros(100), value, Gear())
    names = ("setup", "point", "target_height", "value", "count", "pointing_sd", "common_sd")
    both = [np.concatenate([getattr(job.sights, n), getattr(more, n)]) for n in names]
    job = replace(
        job,
        sights=Sights(*both),
        points=(*job.points, "tower"),
        position=np.concatenate([job.position, tower]),
    )
    network = start(job)
    assert network.start.plan_point.all()
    assert np.max(misses(job, network).position[60]) < CLOSE


def test_weak_but_clean_geometry_is_not_called_gross():
    """Marks in line, in a narrow fan, close by, far off; fine and coarse gear."""
    for gear in (Gear(), Gear(60.0, 0.01, 0.004)):
        for seed in range(30):
            rng = np.random.default_rng(seed)
            spread = [[50, 0.05, 1], [4, 4, 1], [3, 3, 1], [400, 400, 5]][seed % 4]
            middle = [[0, 0, 0], [100, 0, 0], [0, 0, 0], [0, 0, 0]][seed % 4]
            marks = rng.normal(size=(5, 3)) * spread + middle + SHIFT
            shots = rng.normal(size=(10, 3)) * [60, 60, 2] + SHIFT
            axis = rng.normal(size=(3, 3)) * [20, 20, 1] + SHIFT
            position = np.concatenate([marks, shots])
            job = make_job(axis, position, np.ones((3, 15), bool), np.arange(3), rng, gear=gear)
            network = start(job)
            assert network.start.plan_setup.all()
            assert not network.start.gross.any(), (gear, seed)
