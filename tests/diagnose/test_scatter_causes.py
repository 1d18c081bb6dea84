"""A lean too small to be named: it is not taken for scatter, or the scatter says what it may be.

How often, beside how often any test could: `whole_mistakes tilt` and `best_test` of tests/bench.
"""

from __future__ import annotations

import numpy as np

from tests.bench.days import SECOND, draw_day
from tests.bench.outcomes import Outcome, reconciled
from tests.bench.whole_mistakes import SEED, Truth, _tilt, judged
from tests.bench.worlds import world_of
from tieup.model.finding import Finding

SIZE = 20.0 * SECOND


def leaning(job: int) -> tuple[Outcome, Truth]:
    """Return a day of 500 m with a lean of 20" in one setup, reconciled."""
    planted = _tilt(
        SIZE, np.random.default_rng([SEED, job]), draw_day(world_of("500-m"), SEED, job)
    )
    assert planted is not None
    day, truth = planted
    return reconciled(day), truth


def scatter_told(outcome: Outcome) -> list[Finding]:
    return [f for f in outcome.result.findings if f.kind == "precision" and f.severity == "check"]


def test_a_lean_that_is_in_the_scatter_is_tried_against_the_stated_one_too() -> None:
    """Judged by a scatter that holds the lean a single zenith angle seems to explain more."""
    outcome, truth = leaning(8)
    named, rival, others = judged(outcome, truth)
    assert (named or rival) and not others
    assert any(f.kind in ("axis-tilt", "vertical-index") for f in outcome.noticed)


def test_scatter_says_what_it_may_come_from() -> None:
    """A lean below what is named among all mistakes: the finding of the scatter speaks of it."""
    outcome, truth = leaning(26)
    assert not outcome.noticed
    (found,) = scatter_told(outcome)
    assert found.key == "zenith"
    assert ("axis-tilt", truth.setup) in {(r.kind, r.setup) for r in found.rivals}
    assert found.says.endswith(f"It is as if the vertical axis in {truth.setup} leaned.")
    assert found.cure.startswith("Look at that first. State zenith: ")
    assert found.confirm.startswith(f"Level {truth.setup} again, look at the compensator")
    (there,) = [e for e in outcome.result.answer.todo if e.place.startswith(f"At {truth.setup}")]
    assert "look at the compensator" in there.said


def test_gear_that_is_worse_has_no_cause_put_to_it() -> None:
    """Every reading twice as rough as stated: it is said in each of 5 days, of the gear alone."""
    for job in range(5):
        outcome = reconciled(draw_day(world_of("gear-2"), 5, job))
        told = scatter_told(outcome)
        assert told
        assert not any(f.rivals or "as if" in f.says for f in told), job
