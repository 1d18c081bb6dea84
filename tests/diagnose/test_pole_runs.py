"""A pole height left standing over several shots is one entry, and one finding."""

from __future__ import annotations

from dataclasses import replace

import numpy as np

from tests.diagnose.cases import case_of
from tests.simulate import random_site, simulate
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved, solve
from tieup.diagnose.evidence.evidence import gather
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.target_height import TARGET_HEIGHT, target_heights
from tieup.model.settings import Precision

OTHER = 0.005  # m; another entry in the book, and nothing that is gross


def _solved(seed: int) -> Solved:
    """Return a site whose first setup changed the pole's length at every second mark."""
    rng = np.random.default_rng(seed)
    case = case_of(simulate(random_site(rng, setups=2, kind="mixed", ties=6), Precision(), rng))
    shots = case.shots
    marks = np.unique(shots.point[shots.setup == 0])
    raised = (shots.setup == 0) & np.isin(shots.point, marks[::2])
    entry = np.where(raised, shots.target_height + OTHER, shots.target_height)
    return solve(replace(case, shots=replace(shots, target_height=entry)))


def _runs(solved: Solved) -> list[Hypothesis]:
    case = solved.case
    evidence = gather(solved.network, solved.adjustment, solved.reduction.pointings)
    subjects = Subjects(case.shots, case.setups, case.points, evidence)
    return [h for h in target_heights(subjects) if h.detail == "run"]


def test_a_run_is_of_one_entry_and_what_it_says_is_taken_out_whole() -> None:
    """No run mixes entries; the rows that its finding takes out hold all rows of the run."""
    for seed in range(3):
        solved = _solved(seed)
        runs = _runs(solved)
        heights = solved.case.shots.target_height
        in_first = [h for h in runs if h.setup == solved.case.setups[0].label]
        assert len({float(heights[h.rows[0]]) for h in in_first}) == 2, "runs of both entries"
        for run in runs:
            assert len(np.unique(heights[run.rows])) == 1
            out = TARGET_HEIGHT.contaminated_rows(solved.case, Mistake.of(run))
            assert set(run.rows.tolist()) <= set(out.tolist())
