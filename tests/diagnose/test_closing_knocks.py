"""A knock before the side shots, where the last mark before them is the first one after."""

from __future__ import annotations

import numpy as np
import pytest

from tests.bench.days import draw_day
from tests.bench.outcomes import Outcome, reconciled
from tests.bench.whole_mistakes import SEED, Truth, _turn, judged
from tests.bench.worlds import world_of
from tests.simulate import random_site, simulate
from tieup.model.settings import Precision
from tieup.reduce.target_visits import runs_at_marks


def turned(job: int) -> tuple[Outcome, Truth]:
    """Return a day on which one setup was turned by 180" before its side shots, reconciled."""
    planted = _turn(
        np.random.default_rng([SEED, job]), draw_day(world_of("closing-far-reset"), SEED, job)
    )
    assert planted is not None
    day, truth = planted
    return reconciled(day), truth


@pytest.mark.parametrize("job", [5, 42, 50])
def test_the_knock_is_named_and_nothing_beside_it(job: int) -> None:
    """Both looks at one mark follow each other among the marks; the side shots lie between."""
    outcome, truth = turned(job)
    named, rival, others = judged(outcome, truth)
    assert (named or rival) and not others


@pytest.mark.slow
def test_of_many_days_each_is_named() -> None:
    """12 days drawn: the knock in 11 at least, another stop beside it in one at most."""
    good = beside = 0
    for job in range(100, 112):
        outcome, truth = turned(job)
        named, rival, others = judged(outcome, truth)
        good += named or rival
        beside += bool(others)
    assert good >= 11 and beside <= 1


def test_runs_end_where_another_mark_or_setup_is_shot() -> None:
    """Worked out shot by shot: a run is the shots at a mark with none at another between."""
    rng = np.random.default_rng(8)
    shots = simulate(random_site(rng, setups=3, ties=4, side_shots=3), Precision(), rng).shots
    run, last = runs_at_marks(shots), (-1, -1)
    expected, number = np.zeros(len(shots), dtype=int), 0
    for row in np.lexsort((np.arange(len(shots)), shots.time, shots.setup)):
        here = (int(shots.setup[row]), int(shots.point[row]))
        number += here != last
        expected[row], last = number, here
    assert np.array_equal(run, expected)
