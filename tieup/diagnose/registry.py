"""Every family of mistakes the search knows: to add one, write it and name it here."""

from __future__ import annotations

from tieup.diagnose.hypotheses import Hypothesis
from tieup.diagnose.levels import single_runs
from tieup.diagnose.marks import control_values, moved_marks
from tieup.diagnose.setups import (
    distance_constants,
    distance_scales,
    movements,
    occupations,
    vertical_index,
)
from tieup.diagnose.shots import single_readings, target_heights, wrong_targets
from tieup.diagnose.subjects import Subjects

FAMILIES = (
    single_readings,
    target_heights,
    wrong_targets,
    occupations,
    distance_constants,
    distance_scales,
    movements,
    vertical_index,
    control_values,
    moved_marks,
    single_runs,
)


def all_hypotheses(subjects: Subjects) -> tuple[Hypothesis, ...]:
    """Return every mistake that the tested rows could show."""
    return tuple(hypothesis for family in FAMILIES for hypothesis in family(subjects))
