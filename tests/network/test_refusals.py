"""A job that cannot be solved says what is missing and what to do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.network.sites import FREE, blank, change, only, random_job, start, with_control
from tieup.errors import NetworkError
from tieup.model.settings import Datum, LocalDatum


def site(setups=3, control=3, seed=5):
    return random_job(seed, setups=setups, marks=6, control=control, share=1.0, size=60.0)


def refusal(job, datum=None):
    with pytest.raises(NetworkError) as caught:
        start(job, datum)
    assert len(caught.value.problems) == 1
    return str(caught.value)


def test_control_is_wanted_but_there_is_none():
    """The message offers the other frames."""
    assert "no mark with northing and easting" in refusal(replace(site(), control=None))
    heights = with_control(site(), [0, 1, 2], lambda known: known[:, :2].fill(np.nan))
    assert "datum: free or datum: local" in refusal(heights)


def test_control_that_nobody_sighted_is_named_beside_what_was():
    """Both lists of names stand in the message."""
    job = site()
    names = tuple(f"X{name}" for name in job.control.names)
    text = refusal(replace(job, control=replace(job.control, names=names)))
    assert "none of its 3 marks" in text
    assert names[0] in text and "P0" in text


def test_one_control_mark_fixes_no_turn():
    """Named, with the local frame as the way out."""
    job = with_control(site(), [1])
    text = refusal(job)
    assert f"only {job.control.names[0]} is both observed and known" in text
    assert "fixes no turn" in text and "datum: local" in text


def test_control_marks_in_different_pieces_fix_no_turn():
    """Each setup sees one control mark, and they share a single other mark."""
    job = with_control(site(setups=2), [0, 1])
    one, two = (job.points.index(name) for name in job.control.names)
    other = next(n for n in range(6) if n not in (one, two))
    s = job.sights
    keep = ((s.setup == 0) & (s.point == one)) | ((s.setup == 1) & (s.point == two))
    assert "one mark fixes no turn" in refusal(only(job, keep | (s.point == other)))


def test_control_that_no_shot_agrees_with_is_shown_in_numbers():
    """Distance by control and by the shots stand side by side."""

    def throw(known):
        known[0, :2] += [400.0, 300.0]

    text = refusal(with_control(site(control=2), [0, 1], throw))
    assert "no two marks agree" in text and "m apart by control" in text


def test_no_distance_and_no_known_marks_leave_the_scale_open():
    """Free job of angles."""
    job = replace(blank(site(), slice(None), 2), control=None)
    assert "the scale is unknown" in refusal(job, FREE)


def test_too_few_angles_to_known_marks():
    """Angles to two control marks from free stations."""
    job = blank(with_control(site(setups=1), [0, 1]), slice(None), 2)
    assert "angles alone need three marks" in refusal(job)


def test_setups_without_common_marks():
    """Every setup has names of its own and there is no control."""
    job = site()

    def rename(s, value, point, height):
        point += 6 * s.setup

    names = tuple(f"X{n}" for n in range(18))
    job = change(replace(job, points=names, control=None), rename)
    assert "3 setups have no common marks" in refusal(job, FREE)


def test_a_local_frame_names_its_marks():
    """Not observed, not reached, or one on the other."""
    job = replace(site(), control=None)

    def local(point, toward):
        return Datum("local", LocalDatum(point, 0.0, 0.0, 0.0, toward, 0.0))

    assert "local.point P9 is neither" in refusal(job, local("P9", "P1"))
    assert "local.toward P9 is neither" in refusal(job, local("P1", "P9"))
    assert "lies on local.point P1" in refusal(job, local("P1", "P1"))
    lone = change(replace(job, points=(*job.points, "far")), _name_one(6))
    lone = blank(lone, lone.sights.point == 6, 2)
    assert "local.toward far is not reached" in refusal(lone, local("P1", "far"))


def _name_one(mark):
    def edit(s, value, point, height):
        point[0] = mark

    return edit


def test_no_reading_at_all():
    """Everything excluded."""
    job = site()
    assert "no reading can be used" in refusal(only(job, job.sights.setup > 9))
