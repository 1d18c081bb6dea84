"""A knock before the side shots, where the last mark before them is the first one after."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.bench.days import draw_day
from tests.bench.outcomes import Outcome, reconciled
from tests.bench.whole_mistakes import SEED, Truth, _turn, judged
from tests.bench.worlds import world_of
from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.diagnose.proof.disputes import find_disputes
from tieup.diagnose.search.diagnose import diagnose
from tieup.geometry import ARC_SECOND
from tieup.model.settings import Precision, Tolerances
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


@pytest.mark.parametrize("seed", range(4))
def test_the_last_mark_of_a_setup_may_be_off_for_a_knock(seed: int) -> None:
    """All from the last tie mark on turned by 300", side shots too: nothing tells it from a
    wrong pointing at that mark, so both are told and the side shots after it are disputed.
    """
    rng = np.random.default_rng(seed)
    survey = simulate(random_site(rng, setups=3, ties=6, side_shots=4), Precision(), rng)
    shots, use = survey.shots, case_of(survey).use.copy()
    own = np.flatnonzero(shots.setup == 1)
    own = own[np.argsort(shots.time[own], kind="stable")]
    use[own[-2:]] = False  # no closing look
    own = own[:-2]
    ties = np.bincount(shots.point, weights=shots.setup != 1, minlength=len(survey.points)) > 0
    last = shots.point[own[ties[shots.point[own]]][-1]]
    first = int(np.flatnonzero(shots.point[own] == last)[0])
    after = own[first:]
    direction = shots.direction.copy()
    direction[after] += 300 * ARC_SECOND
    case = case_of(replace(survey, shots=replace(shots, direction=direction)))
    case = replace(case, use=use)
    diagnosis = diagnose(case)
    knocked = {
        kind: setup
        for one in diagnosis.mistakes
        for kind, setup in [
            (one.kind, one.setup),
            *((rival.kind, rival.setup) for rival in one.rivals if not rival.separable),
        ]
        if kind == "instrument-moved"
    }
    assert knocked == {"instrument-moved": survey.setups[1].label}
    side = {survey.points[p] for p in shots.point[after] if not ties[p]}
    found = find_disputes(diagnosis.solved, case, diagnosis.mistakes, Tolerances())
    assert side and side <= {dispute.point for dispute in found}
