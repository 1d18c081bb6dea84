"""A seeded part of the field-mistake benchmark (tests/bench/field_mistakes.py)."""

from __future__ import annotations

import pytest

from tests.bench.field_mistakes import DISCRETE, SIZED, run_clean, run_kind, run_pairs

pytestmark = pytest.mark.slow

JOBS = 12


@pytest.mark.parametrize("kind", [*SIZED, *DISCRETE])
def test_a_strong_mistake_is_named_or_honestly_left_open(kind):
    """Of 12 jobs with one mistake of 5 to 20 minimal biases at most one is not named rightly."""
    tally = run_kind(kind, (5.0, 20.0), JOBS, seed=7)
    assert tally.jobs == JOBS
    assert tally.detected == JOBS
    assert tally.identified + tally.honest >= JOBS - 1
    if kind != "swapped-axes":  # there the frame itself is in doubt, and left free
        assert tally.marks_good >= 0.95 * tally.marks


@pytest.mark.parametrize("kind", SIZED)
def test_a_small_mistake_is_detected(kind):
    """Of 12 jobs with one mistake of 1.5 to 5 minimal biases at least ten show it."""
    assert run_kind(kind, (1.5, 5.0), JOBS, seed=8).detected >= JOBS - 2


def test_two_mistakes_in_one_job():
    """Of 24 jobs with two mistakes at least 20 have both named or honestly left open."""
    tally = run_pairs(24, seed=9)
    assert tally.identified + tally.honest >= 20


def test_clean_jobs_raise_nothing():
    """The promise is one false stop in 100 jobs: of 120 clean jobs at most three show one.

    Three or more come by chance in one of 30 seeds at exactly 1 %, far more often at 5 %.
    """
    done, false = run_clean(120, seed=10)
    assert done == 120
    assert false <= 3


def test_a_knock_is_not_taken_for_gear_that_scatters():
    """Of 60 knocks of 5 to 20 minimal biases all are seen and at most three not named rightly.

    A setup turned by half a degree between its looks at few marks: the directions of the whole
    job then seem to scatter hundreds of times as much as stated.
    """
    tally = run_kind("instrument-moved", (5.0, 20.0), 60, seed=1)
    assert tally.detected == tally.jobs == 60
    assert tally.identified + tally.honest >= 57
