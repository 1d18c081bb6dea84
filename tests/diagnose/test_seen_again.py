"""A gross sight is looked at again when no other mistake is left in the solution."""

from __future__ import annotations

import pytest

from tests.diagnose.cases import a_job, case_of
from tests.simulate.mistakes.distances import false_distance
from tests.simulate.mistakes.heights import target_height
from tieup.diagnose.search.diagnose import diagnose


@pytest.mark.parametrize("seed", [2, 3])
def test_a_gross_distance_beside_a_pole_height_is_named_a_distance(seed: int) -> None:
    """400 mm in what S2 measured to one mark, 50 mm of pole in S3's shots of another.

    While the pole is in, the sight seems off in more than its distance, another mark as it were.
    Put back last it is off in that alone, and its angles are used.
    """
    survey = a_job(seed, setups=4, ties=5, side_shots=2)

    def marks(label: str) -> list[str]:
        rows = survey.shots.point[survey.rows(label)]
        return [name for name in dict.fromkeys(survey.points[p] for p in rows) if name[0] in "TC"]

    wrong, beside = marks("S2")[1], marks("S3")[2]
    spoiled = false_distance(survey, survey.rows("S2", wrong), 0.400)
    spoiled = target_height(spoiled, spoiled.rows("S3", beside), 0.050)
    found = diagnose(case_of(spoiled))
    (one,) = [m for m in found.mistakes if (m.setup, m.points) == ("S2", (wrong,))]
    assert (one.kind, one.kinds) == ("distance", (2,))
    assert one.magnitude == pytest.approx(0.400, abs=0.010)  # m
    use = found.solved.case.use[survey.rows("S2", wrong)]
    assert use[:, :2].all() and not use[:, 2].any()
    assert any(beside in m.points for m in found.mistakes)
