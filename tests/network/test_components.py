"""What is not reached is named, with the reason, and the rest is solved."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.network.sites import FREE, blank, change, make_job, misses, only, random_job, start
from tieup.network.unreached import unlocated, unreached


def site(seed=12, setups=4):
    return random_job(seed, setups=setups, marks=8, control=4, share=1.0, size=60.0)


def apart(job, setups, shared):
    """Give the marks of some setups names of their own, but for those that stay shared."""

    def rename(s, value, point, height):
        own = np.isin(s.setup, setups) & ~np.isin(point, shared)
        point[own] += len(job.points)

    more = tuple(f"Q{n}" for n in range(len(job.points)))
    both = np.concatenate([job.position, job.position])
    return change(replace(job, points=job.points + more, position=both), rename)


def test_a_setup_without_a_shared_mark_is_named():
    """The words of the trade: how many other setups, and no control."""
    job = apart(site(), [3], [])
    network = start(job)
    assert network.start.component.tolist() == [0, 0, 0, 1]
    assert network.start.plan_setup.tolist() == [True, True, True, False]
    assert np.isnan(network.start.axis[3]).all()
    (piece,) = unreached(network)
    assert piece.reason == "no shared mark"
    assert piece.says == ("setup S3 shares no mark with the other 3 setups and sights no control")
    assert len(piece.points) == 8 and piece.shared == ()
    assert np.max(misses(job, network).axis[:3]) < 0.03  # m


def test_of_two_lone_setups_each_is_held_against_those_that_are_tied():
    """Two of four are tied: the other two do not count as "the other setups"."""
    pieces = unreached(start(apart(apart(site(), [3], []), [2], [])))
    assert [piece.setups for piece in pieces] == [("S2",), ("S3",)]
    assert all("shares no mark with the 2 setups tied together" in p.says for p in pieces)


def test_a_setup_on_one_shared_mark_is_not_solved():
    """It can swing about the mark, control mark or not."""
    job = site()
    for mark in range(8):
        network = start(apart(job, [3], [mark]))
        (piece,) = unreached(network)
        assert piece.reason == "one shared mark"
        assert piece.shared == (job.points[mark],)
        assert f"by {job.points[mark]} alone" in piece.says
        assert not network.start.plan_setup[3]


def test_two_marks_side_by_side_tie_like_one():
    """A nail and a tack 0.2 m apart: the setup can swing about both."""
    job = site()
    position = job.position.copy()
    position[1] = position[0] + [0.2, 0.0, 0.0]
    rng = np.random.default_rng(1)
    job = make_job(job.axis, position, np.ones((4, 8), bool), np.array([4, 5, 6]), rng)
    (piece,) = unreached(start(apart(job, [3], [0, 1])))
    assert piece.reason == "one shared mark"
    assert "by P0 and P1 alone, which stand too close together" in piece.says


def test_two_setups_tied_to_each_other_but_not_to_the_rest_are_one_piece():
    """One record for the pair, in the plural."""
    network = start(apart(site(), [2, 3], [0]))
    (piece,) = unreached(network)
    assert piece.setups == ("S2", "S3")
    assert piece.says == (
        "setups S2 and S3 are tied to the other 2 setups by P0 alone and can swing about it"
    )


def test_a_traverse_leg_is_no_swinging_setup():
    """An occupied mark and a backsight are two marks."""
    job = random_job(3, setups=4, marks=8, control=4, share=1.0, size=60.0, occupied=True)
    s = job.sights
    other = next(n for n in range(8) if job.points[n] != job.setups[0].station)
    network = start(only(job, (s.setup != 0) | (s.point == other)))
    assert network.start.plan_setup.all()
    assert unreached(network) == ()


def test_a_setup_whose_marks_disagree_is_left_out_and_named():
    """Two marks 20 m further apart by its own shots: no tie at all."""
    job = site()
    s = job.sights
    job = only(job, (s.setup != 3) | (s.point < 2))

    def lengthen(s, value, point, height):
        value[np.flatnonzero(s.setup == 3)[0], 2] += 60.0

    network = start(change(job, lengthen))
    (piece,) = unreached(network)
    assert piece.reason == "marks disagree"
    assert piece.shared == ("P0", "P1")
    assert not network.start.gross.any()


def test_a_setup_with_two_bare_directions_is_named():
    """Angles to two marks place nothing."""
    job = site()
    s = job.sights
    job = only(job, (s.setup != 3) | (s.point < 2))
    (piece,) = unreached(start(blank(job, job.sights.setup == 3, 2)))
    assert piece.reason == "too few observations"


def test_a_mark_with_one_bare_direction_is_named():
    """A ray from one setup has no end."""
    job = site()
    job = only(job, (job.sights.point != 7) | (job.sights.setup == 1))
    (mark,) = unlocated(start(blank(job, job.sights.point == 7, 2)))
    assert mark.point == "P7" and mark.setups == ("S1",)
    assert mark.says.startswith("P7 is sighted from S1 without a distance")


def test_a_setup_without_readings_is_named():
    """A label whose rows were all left out."""
    job = site()
    network = start(only(job, job.sights.setup != 3))
    assert unreached(network)[0].setups == ("S3",)


def test_the_largest_piece_of_a_free_job_is_solved():
    """Three setups against one, whatever their order."""
    for lone in range(4):
        job = replace(apart(site(), [lone], []), control=None)
        network = start(job, FREE)
        assert network.start.component[lone] == 1
        assert network.start.plan_setup.sum() == 3
