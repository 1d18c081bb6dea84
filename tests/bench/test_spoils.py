"""The planted mistakes do what the bench says they do."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.days import World, draw_day, without_errors
from tests.bench.experiments import printed_poses
from tests.bench.outcomes import reconciled
from tests.bench.plain import Linear
from tests.bench.spoils import KINDS, draw_spoil, possible, spoiled

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
    assert np.abs(printed - expected)[:, :3].max() < 2e-5  # m
    assert np.abs(printed - expected)[:, 3].max() < 1e-6  # rad, 0.02 mm at 20 m


def test_a_free_job_has_no_control_to_be_wrong() -> None:
    """Of a free job of free setups neither control nor an instrument height can be wrong."""
    day = draw_day(World(layout="small"), 1, 0)
    assert set(KINDS) - set(possible(day)) == {"instrument", "control"}
