"""Control, free and local frames, and the heights that belong to them."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.network.sites import (
    FREE,
    blank,
    change,
    control_of,
    misses,
    only,
    random_job,
    spoil,
    start,
    with_control,
)
from tieup.errors import NetworkError
from tieup.model.network import Links
from tieup.model.observations import ZENITH
from tieup.model.settings import Datum, LocalDatum


def site(seed, setups=4, marks=9, control=3):
    return random_job(seed, setups=setups, marks=marks, control=control, share=1.0, size=60.0)


def shape_error(network, job):
    """Largest difference of a distance between two marks from the truth (m)."""
    found, true = network.start.position, job.position
    apart = [np.linalg.norm(p[:, None] - p, axis=-1) for p in (found, true)]
    return np.max(np.abs(apart[0] - apart[1]))


def test_a_free_job_with_control_starts_near_it_but_is_not_bent_by_it():
    """Control coordinates 4 m wrong: the shape is that of the shots, the place near control."""
    job = site(1)
    bent = with_control(job, [0, 1, 2], lambda known: known.__setitem__((0, 0), known[0, 0] + 4.0))
    network = start(bent, FREE)
    assert shape_error(network, job) < 0.01  # m
    assert np.max(misses(job, network).axis[:, :2]) < 5.0  # m
    assert not network.start.gross.any()


def test_a_free_job_without_control_stands_on_its_best_tied_setup():
    """That setup is at 0, 0, 0 with its circle to the north."""
    job = replace(only(site(2), np.arange(36) != 35), control=None)
    network = start(spoil(job, 5), FREE)
    found = network.start
    at_zero = np.flatnonzero(np.abs(found.axis).max(axis=1) < 0.1)  # m; the block has settled
    assert len(at_zero) == 1
    assert np.array_equal(network.origin, np.zeros(3))
    assert found.height_setup.all() and found.height_point.all()
    assert shape_error(network, job) < 0.03  # m


def test_control_does_not_tie_setups_of_a_free_job():
    """Two setups share no mark: control joins them in its own frame only."""
    job = site(3, setups=2, marks=10, control=6)
    s = job.sights
    job = only(job, (s.setup == 0) == (s.point < 5))
    both = sum(job.points.index(name) < 5 for name in job.control.names)
    assert 2 <= both <= 4
    assert start(job).start.plan_setup.all()
    with pytest.raises(NetworkError, match="no common marks"):
        start(job, FREE)


def test_a_local_frame_has_its_mark_and_azimuth_exactly():
    """A mark, or a free setup by its label, gets the stated coordinates and azimuth."""
    job = replace(site(4), control=None)
    for point in ("P3", "S2"):
        local = LocalDatum(point, 5000.0, 6000.0, 100.0, "P5", 1.0)
        network = start(job, Datum("local", local))
        marks = network.start.position + network.origin
        here = marks[3] if point == "P3" else network.start.axis[2] + network.origin
        assert np.max(np.abs(here - [5000.0, 6000.0, 100.0])) < 1e-9  # m
        toward = marks[5] - here
        assert abs(np.arctan2(toward[1], toward[0]) - 1.0) < 1e-12  # rad
        assert shape_error(network, job) < 0.01  # m


def test_control_in_plan_only_gives_relative_heights_and_says_so():
    """Without a known elevation heights hang together but belong to no frame."""
    job = site(5)
    network = start(with_control(job, [0, 1, 2], lambda known: known[:, 2].fill(np.nan)))
    assert network.start.plan_point.all()
    assert not network.start.height_point.any() and not network.start.height_setup.any()
    gap = network.start.position[:, 2] - job.position[:, 2]
    assert np.ptp(gap) < 0.02  # m


def test_one_elevation_only_mark_gives_the_heights():
    """Plan from three marks, height from a fourth of which nothing else is known."""
    job = site(6)
    other = next(n for n in range(9) if job.points[n] not in job.control.names)
    known = np.concatenate([job.control.coordinates, job.position[[other]]])
    known[:3, 2] = np.nan
    known[3, :2] = np.nan
    names = (*job.control.names, job.points[other])
    network = start(replace(job, control=control_of(names, known)))
    assert network.start.height_point.all()
    assert np.max(misses(job, network).axis) < 0.02  # m


def test_a_level_line_brings_the_heights_of_a_bench_mark():
    """A bench mark nobody sighted, levelled to a work point: all heights are known."""
    job = site(7)
    other = next(n for n in range(9) if job.points[n] not in job.control.names)
    known = np.concatenate([job.control.coordinates, [[np.nan, np.nan, 50.0]]])
    known[:3, 2] = np.nan
    job = replace(
        job,
        points=(*job.points, "BM"),
        control=control_of((*job.control.names, "BM"), known),
        position=np.concatenate([job.position, [[np.nan, np.nan, 50.0]]]),
    )
    rise = job.position[other, 2] - 50.0
    level = np.array(["level"], dtype=object)
    links = Links(level, np.array([9]), np.array([other]), np.array([rise]), np.array([0.001]))
    network = start(job, links=links)
    assert network.start.height_point.all() and not network.start.plan_point[9]
    assert np.max(misses(job, network).axis) < 0.02  # m
    assert not network.start.gross_link.any()


def test_a_setup_without_zenith_angles_has_no_height_and_spoils_none():
    """Its distances are taken as level; everything else keeps its height."""
    job = site(8)
    network = start(blank(job, job.sights.setup == 1, ZENITH))
    assert network.start.height_setup.tolist() == [True, False, True, True]
    assert network.start.height_point.all()
    assert np.max(misses(job, network).axis[[0, 2, 3]]) < 0.02  # m


def test_side_shots_of_one_setup_come_out_as_polar_points():
    """Marks seen by one setup; of three sights of one of them a false one does not count."""
    job = site(9, setups=2, marks=30)
    s = job.sights
    own = (s.setup == 0) & (s.point >= 8)
    job = only(job, own | (s.point < 8))
    last = int(np.flatnonzero(job.sights.point == 29)[0])
    job = only(job, np.append(np.arange(len(job.sights)), [last, last]))

    def spoil_last(s, value, point, height):
        value[-1, 2] += 7.0

    network = start(change(job, spoil_last))
    assert network.start.plan_point.all() and network.start.height_point.all()
    assert np.max(misses(job, network).position) < 0.03  # m
    assert network.start.gross[-1].tolist() == [False, False, True]
    assert network.start.gross.sum() == 1
