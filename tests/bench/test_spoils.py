"""The planted mistakes do what the bench says they do."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.days import World, draw_day, without_errors
from tests.bench.experiments import printed_poses
from tests.bench.outcomes import fitted_motion, reconciled
from tests.bench.plain import Linear
from tests.bench.spoils import (
    KINDS,
    draw_spoil,
    noticed,
    possible,
    rightly_named,
    spoiled,
    touches,
)

SMALL = 0.002  # m; nothing is left out for it


@pytest.mark.parametrize("kind", KINDS)
def test_the_linear_model_moves_setups_as_the_program_does(kind: str) -> None:
    """A mistake of 2 mm in faultless readings moves each setup as predicted, within 0.02 mm."""
    day = without_errors(draw_day(World(), 1, 0))
    wrong = spoiled(day, draw_spoil(np.random.default_rng(1), day, (kind,)), SMALL)
    linear = Linear(day)
    expected = linear.poses(linear.model.effect(linear.change(wrong)))
    printed = printed_poses(reconciled(day), reconciled(wrong))
    assert np.abs(expected).max() > 1e-4  # m: there is something to compare
    assert np.abs(printed - expected)[:, :3].max() < 3e-4  # m; weighed as the day scatters
    assert np.abs(printed - expected)[:, 3].max() < 3e-6  # rad, 0.06 mm at 20 m


def test_a_free_job_has_no_control_to_be_wrong() -> None:
    """Of a free job of free setups neither control nor an instrument height can be wrong."""
    day = draw_day(World(layout="small"), 1, 0)
    assert set(KINDS) - set(possible(day)) == {"instrument", "control"}


def test_a_pole_height_is_counted_where_it_was_planted() -> None:
    """30 mm in a pole height: a finding touches it and names it; of another point, none does."""
    day = draw_day(World(), 1, 0)
    spoil = draw_spoil(np.random.default_rng(1), day, ("pole",))
    wrong = spoiled(day, spoil, 0.030)
    stop = next(found for found in reconciled(wrong).stops if spoil.point in found.points)
    assert touches(stop, wrong, spoil)
    assert rightly_named(stop, wrong, spoil)
    other = next(k for k in day.shared() if day.rows[k].point != spoil.point)
    row = day.rows[other]
    elsewhere = replace(spoil, bay=row.bay, point=row.point, rows=(other,))
    assert not noticed(stop, wrong, elsewhere)


def test_the_error_of_a_turned_frame_lies_along_its_own_axes() -> None:
    """Places turned by 1 rad with one of them 5 mm off: the 5 mm come back along the same axis."""
    there = np.random.default_rng(1).uniform(0.0, 50.0, (400, 3))
    turn = np.array([[np.cos(1), -np.sin(1), 0.0], [np.sin(1), np.cos(1), 0.0], [0.0, 0.0, 1.0]])
    here = there @ turn + 7.0
    here[0] += [0.0, 0.005, 0.0]
    motion = fitted_motion(here, there)
    off = motion.back(motion.onto(here[0]) - there[0])
    assert np.allclose(off, [0.0, 0.005, 0.0], atol=5e-5)  # m: one of 400 turns the fit a little
