"""What is left out of the first solution, and what is kept whatever it says."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.network.sites import REFRACTION, change, misses, only, random_job, start, with_control
from tieup.geometry import curvature_coefficient
from tieup.model.network import Links
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH
from tieup.model.settings import Datum
from tieup.network.assembly import assemble
from tieup.network.gross_marks import StartValues, gross_sights

BEND = curvature_coefficient(REFRACTION)


def site(seed, setups=4, marks=8, control=4, occupied=False):
    return random_job(
        seed, setups=setups, marks=marks, control=control, share=1.0, size=60.0, occupied=occupied
    )


def test_a_target_height_is_gross_in_the_zenith_angle_alone():
    """A pole 0.5 m wrong on a flat sight misses in height only."""
    for seed in range(20):
        job = site(seed)
        flat = int(np.argmax(job.sights.value[:, DISTANCE]))

        def raise_pole(s, value, point, height, row=flat):
            height[row] += 0.5

        gross = start(change(job, raise_pole)).start.gross
        assert gross[flat].tolist() == [False, True, False]
        assert gross.sum() == 1


def test_a_wrong_name_is_gross_in_everything():
    """The zenith angle of a sight to another mark goes with its direction and distance."""
    for seed in range(20):
        job = site(seed)

        def rename(s, value, point, height):
            point[3] = (point[3] + 1) % 8

        gross = start(change(job, rename)).start.gross
        assert gross[3].all()
        assert gross.sum() == 3


@pytest.mark.parametrize(("kind", "size"), [(DIRECTION, 0.05), (DISTANCE, 0.5), (ZENITH, 0.05)])
def test_one_wrong_reading_is_gross_alone(kind, size):
    """A direction or zenith angle off by 3 degrees, a distance off by 0.5 m."""
    for seed in range(20):
        job = site(seed)
        far = int(np.argmax(job.sights.value[:, DISTANCE]))

        def spoil_one(s, value, point, height, row=far):
            value[row, kind] += size

        gross = start(change(job, spoil_one)).start.gross
        assert gross[far].tolist() == [kind == k for k in range(3)]
        assert gross.sum() == 1


def test_a_wrong_station_name_and_a_wrong_instrument_height_are_found():
    """The occupied mark is gross, the sights of the setup are not."""
    job = site(9, occupied=True)
    first = job.setups[0]
    named = (replace(first, station="P7"), *job.setups[1:])
    network = start(replace(job, setups=named))
    assert network.start.gross_station.tolist() == [[True, True]] + 3 * [[False, False]]
    assert not network.start.gross.any()
    raised = replace(first, instrument_height=first.instrument_height + 0.3)
    network = start(replace(job, setups=(raised, *job.setups[1:])))
    assert network.start.gross_station.tolist() == [[False, True]] + 3 * [[False, False]]
    assert not network.start.gross.any()


@pytest.mark.parametrize("known", [3, 4, 6])
def test_one_wrong_control_coordinate_is_found_and_does_not_bend_the_start(known):
    """Northing 9 m off at one mark of three or more: transposed digits."""
    for seed in range(20):
        job = site(seed, control=known)

        def transpose(coordinates):
            coordinates[0, 0] += 9.0

        network = start(with_control(job, list(range(known)), transpose))
        bad = job.points.index(job.control.names[0])
        assert network.start.gross_control[bad].tolist() == [True, True, False]
        assert network.start.gross_control.sum() == 2
        assert not network.start.gross.any()
        assert np.max(misses(job, network).axis) < 0.03  # m


def test_two_control_marks_that_disagree_are_both_doubted():
    """Nothing tells which of two is wrong: neither holds the start alone."""
    job = site(3, control=2)

    def shift(coordinates):
        coordinates[0] += [0.3, 0.3, 0.0]

    network = start(with_control(job, [0, 1], shift))
    marks = [job.points.index(name) for name in job.control.names]
    assert network.start.gross_control[marks, :2].all()
    assert not network.start.gross.any()
    gap = network.start.position[marks] - network.control[marks]
    assert np.max(np.abs(gap[0] + gap[1])) < 0.01  # m; the difference is split


def test_a_level_line_and_a_tape_that_miss_are_gross():
    """Links are judged like sights."""
    job = site(4)
    rise = job.position[1, 2] - job.position[0, 2]
    apart = np.hypot(*(job.position[2] - job.position[1])[:2])
    kinds = np.array(["level", "tape", "level", "tape"], dtype=object)
    links = Links(
        kinds,
        np.array([0, 1, 0, 1]),
        np.array([1, 2, 1, 2]),
        np.array([rise, apart, rise + 0.5, apart + 1.0]),
        np.full(4, 0.002),
    )
    network = start(job, links=links)
    assert network.start.gross_link.tolist() == [False, False, True, True]


def test_two_marks_that_disagree_keep_what_places_the_setup():
    """0.4 m between two marks: one distance is left out, the setup still stands."""
    job = site(5)
    s = job.sights
    job = only(job, (s.setup != 3) | (s.point < 2))
    row = int(np.flatnonzero(job.sights.setup == 3)[0])

    def lengthen(s, value, point, height):
        value[row, DISTANCE] += 0.4

    network = start(change(job, lengthen))
    gross = network.start.gross
    assert network.start.plan_setup.all()
    assert gross.sum() == 1 and gross[job.sights.setup == 3, DISTANCE].sum() == 1
    assert np.max(misses(job, network).axis[:3]) < 0.02  # m; nobody else is pulled


def test_a_setup_that_would_lose_its_place_gets_it_back():
    """Everything of a two-mark setup misses: directions and all but the longest distance stay."""
    job = site(7)
    s = job.sights
    job = only(job, (s.setup != 3) | (s.point < 2))
    network = start(job)
    found = network.start
    axis = found.axis.copy()
    axis[3] += [3.0, 2.0, 0.0]
    moved = StartValues(
        axis, found.orientation, found.position, found.height_setup, found.height_point
    )
    assembly = assemble(job.setups, job.points, job.sights, job.control, None, Datum())
    assert not gross_sights(assembly, replace(moved, axis=found.axis), BEND).any()
    gross = gross_sights(assembly, moved, BEND)
    rows = np.flatnonzero(job.sights.setup == 3)
    longest = rows[np.argmax(job.sights.value[rows, DISTANCE])]
    plan = gross[:, [DIRECTION, DISTANCE]]
    assert plan.sum() == 1 and gross[longest, DISTANCE]


def test_numbers_used_again_for_other_points_are_gross_but_spoil_nothing():
    """Six true marks, thirty numbers that every setup used for points of its own."""
    job = site(6, marks=36, control=4)
    rng = np.random.default_rng(6)
    true = [job.points.index(name) for name in job.control.names]
    true += [n for n in range(36) if n not in true][:2]
    other = ~np.isin(job.sights.point, true)

    def mix(s, value, point, height):
        for setup in range(4):
            rows = np.flatnonzero(other & (s.setup == setup))
            point[rows] = rng.permutation(point[rows])

    network = start(change(job, mix))
    assert network.start.plan_setup.all()
    assert np.max(misses(job, network).axis) < 0.03  # m
    assert not network.start.gross[~other].any()
    assert network.start.gross[other, DIRECTION].mean() > 0.6  # each name keeps one place
