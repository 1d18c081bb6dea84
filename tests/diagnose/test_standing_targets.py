"""Whether targets stood between two looks, told from the readings where nobody says it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from tests.diagnose.cases import case_of
from tests.simulate import Survey, random_site, simulate
from tests.simulate.mistakes import no_closing_backsight
from tests.simulate.mistakes.edit import shifted
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.search.look import settled_scatter
from tieup.model.settings import Precision, StandingTargets

GEAR = Precision(centring_target=0.003, height_target=0.003)


def a_day(seed: int) -> Survey:
    """Draw a day on which every setup closes on its first mark, whose target stood meanwhile."""
    rng = np.random.default_rng(seed)
    return simulate(random_site(rng, setups=4, side_shots=2), GEAR, rng)


def set_up_anew(survey: Survey, seed: int) -> Survey:
    """Return the day with the target set up anew, 3 mm off, for each closing look."""
    rng = np.random.default_rng(seed)
    for setup in survey.setups:
        first = survey.points[survey.shots.point[survey.rows(setup.label)[0]]]
        looks = survey.rows(setup.label, first)
        survey = shifted(survey, looks[len(looks) // 2 :], rng.normal(size=3) * 0.003)
    return survey


def untold(survey: Survey, standing: StandingTargets) -> Solved:
    """Solve a day of which so much is known about its targets."""
    return solve(replace(case_of(survey), precision=replace(GEAR, standing=standing)))


@pytest.mark.parametrize("seed", [0, 1])
def test_the_likelier_of_both_ways_is_taken(seed: int) -> None:
    """Looks that agree far better than two set-ups would: it stood. That differ by so much: not."""
    day = a_day(seed)
    for survey, stood in ((day, True), (set_up_anew(day, seed), False)):
        solved = untold(survey, StandingTargets())
        found, scatter = settled_scatter(solved)
        assert found.case.precision.standing.in_setups == stood
        assert (found is solved) != stood
        assert scatter is not None and (scatter.factors < 4.0).all()


def test_what_is_known_or_was_looked_at_once_is_left_as_it_is() -> None:
    """Targets that are said to stand; setups without a closing look."""
    day = a_day(2)
    known = untold(set_up_anew(day, 2), StandingTargets(in_setups=True))
    assert settled_scatter(known)[0] is known
    for setup in day.setups:
        day = no_closing_backsight(day, setup.label)
    once = untold(day, StandingTargets())
    assert settled_scatter(once)[0] is once
