"""The diagnosis: gross mistakes first, then what the statistics show, until all is explained.

Takes a case, gives the last solution, in which nothing contaminated takes part, and the
mistakes. Detect, identify, adapt, look back: the search looks back inside one solution;
here the site is solved anew after each adaptation until nothing is found any more.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tieup.diagnose.adapt import adapt, as_mistake
from tieup.diagnose.case import Case
from tieup.diagnose.evidence import gather, stack
from tieup.diagnose.gross import explain_gross
from tieup.diagnose.measure import measure
from tieup.diagnose.mistake import Mistake, RivalCause
from tieup.diagnose.registry import all_hypotheses
from tieup.diagnose.search import INSEPARABLE, Accepted, search
from tieup.diagnose.solve import Solved, solve, without_gross
from tieup.diagnose.subjects import Subjects

ROUNDS = 4


@dataclass(frozen=True)
class Diagnosis:
    """The final solution, the first one (everything in it that could be), the mistakes."""

    solved: Solved
    mistakes: tuple[Mistake, ...]


def diagnose(case: Case) -> Diagnosis:
    """Find and take out the mistakes of a case.

    Raises
    ------
    NetworkError, AdjustmentError
        The data cannot be tied or solved at all.
    """
    solved, gross = explain_gross(solve(case))
    found: list[Mistake] = []
    for _ in range(ROUNDS):
        new = [as_mistake(solved.case, mistake) for mistake in look(solved)]
        if not new:
            break
        adapted = solved.case
        for mistake in new:
            adapted = adapt(adapted, mistake)
        solved, more = explain_gross(solve(adapted))
        found += new
        gross += more
    measured = [measure(solved, mistake) for mistake in gross]
    return Diagnosis(solved, (*measured, *found))


def look(solved: Solved) -> list[Mistake]:
    """Search one solution for mistakes that its statistics show."""
    network = without_gross(solved.network, solved.network.start.gross)
    evidence = gather(network, solved.adjustment, solved.reduction.pointings)
    case = solved.case
    hypotheses = all_hypotheses(Subjects(case.shots, case.setups, case.points, evidence))
    if not hypotheses:
        return []
    return [_mistake(accepted) for accepted in search(stack(evidence, hypotheses), hypotheses)]


def _mistake(accepted: Accepted) -> Mistake:
    hypothesis = accepted.hypothesis
    rivals = tuple(
        RivalCause(
            rival.kind,
            rival.setup,
            rival.points,
            float(np.sqrt(test.statistic)),
            separable=test.margin > INSEPARABLE,
        )
        for rival, test in accepted.rivals
    )
    return Mistake(
        kind=hypothesis.kind,
        setup=hypothesis.setup,
        points=hypothesis.points,
        rows=hypothesis.rows,
        kinds=hypothesis.kinds,
        unit=hypothesis.unit,
        size=accepted.size,
        covariance=accepted.covariance,
        statistic=float(np.sqrt(max(accepted.statistic, 0.0))),
        detail=hypothesis.detail,
        rivals=rivals,
    )
