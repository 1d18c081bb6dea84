"""The look at a large site, on its factor and about its worst reading: tried on small ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest

from tests.diagnose.cases import a_job, case_of
from tests.simulate.mistakes import target_height
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.search import look
from tieup.model.arrays import BoolArray


def solved(seed: int, mistake: float = 0.0) -> tuple[Solved, str]:
    """Return a job, the pole of its second setup booked wrong at one mark, and that mark."""
    survey = a_job(seed, side_shots=3)
    name = survey.points[survey.shots.point[survey.rows("S2")[2]]]
    if mistake:
        survey = target_height(survey, survey.rows("S2", name), mistake)
    return solve(case_of(survey)), name


def as_large(monkeypatch: pytest.MonkeyPatch, *, very: bool) -> list[BoolArray | None]:
    """Have every site looked at as a large one; return the list of where mistakes are sought."""
    sought: list[BoolArray | None] = []
    hypotheses = look.hypotheses_of

    def noted(one: Solved, evidence: Any, focus: BoolArray | None = None) -> Any:
        sought.append(focus)
        return hypotheses(one, evidence, focus)

    monkeypatch.setattr(look, "misclosures_of", lambda *_: None)
    monkeypatch.setattr(look, "is_large", lambda _: very)
    monkeypatch.setattr(look, "hypotheses_of", noted)
    return sought


@pytest.mark.parametrize("very", [False, True])
@pytest.mark.parametrize("seed", [1, 3])
def test_the_planted_mistake_is_found_and_its_surroundings_searched(
    seed: int, very: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Everywhere, or of a very large site in the shots of that setup and of that mark."""
    sought = as_large(monkeypatch, very=very)
    site, name = solved(seed, 0.03)
    found = look.look(site)
    (mistake,) = found.mistakes
    assert (mistake.kind, mistake.setup, mistake.points) == ("target-height", "S2", (name,))
    assert mistake.magnitude == pytest.approx(0.03, abs=0.003)  # m
    assert found.scatter is not None and (found.scatter.cautious >= 1.0).all()
    (focus,) = sought
    if not very:
        assert focus is None
        return
    shots = site.case.shots
    about = (shots.setup == 1) | (shots.point == site.case.points.index(name))
    assert focus is not None and np.array_equal(focus, about)


def test_where_no_mistake_could_show_the_scatter_is_told_all_the_same(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No row is tested by another, or too little is: nothing is found and nothing fails."""
    site, _ = solved(3, 0.03)
    as_large(monkeypatch, very=False)
    monkeypatch.setattr(look, "hypotheses_of", lambda *_: ())
    found = look.look(site)
    assert found.mistakes == [] and found.scatter is not None
    monkeypatch.setattr(look, "block_scatter", lambda *_: None)
    assert look.look(site) == look.Look([], None)


def test_a_clean_site_has_none_and_a_very_large_one_is_not_searched(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """No reading stands out of so many: nothing to look about."""
    site, _ = solved(3)
    for very in (False, True):
        sought = as_large(monkeypatch, very=very)
        found = look.look(site)
        assert found.mistakes == [] and found.scatter is not None
        assert len(sought) == (0 if very else 1)
