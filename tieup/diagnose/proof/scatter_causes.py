"""What could be why a kind of reading scatters more than stated, though it is not named.

A mistake that is in every reading of a kind, of a setup or of the job, may be too small to be
named among all the mistakes that the job could hold, and large enough to be in the scatter. Where
the scatter is told, these few are held against a level of their own: nothing is alarmed by it,
the alarm is there already, and it says what to look at.
"""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np

from tieup.adjust.distributions import chi_square_critical
from tieup.adjust.scatter import GROUPS, Scatter
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import RivalCause
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.detection import judged
from tieup.diagnose.evidence.identification import INSEPARABLE
from tieup.diagnose.evidence.misclosures import Dense, misclosures_of
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.evidence.thresholds import FALSE_ALARM
from tieup.diagnose.kinds.catalogue import all_hypotheses, kind_of
from tieup.diagnose.search.look import degrees_of, evidence_of
from tieup.model.observations import DIRECTION, DISTANCE, ZENITH

READ_IN = {"direction": DIRECTION, "zenith": ZENITH, "distance": DISTANCE}


def causes_of_scatter(
    stated: Solved, scatter: Scatter | None, groups: Sequence[int]
) -> dict[int, tuple[RivalCause, ...]]:
    """Return for each of ``groups`` that scatter more than stated what could be why.

    Of those that explain it about as well all are given, the best first. None of a large site.
    """
    asked = [group for group in groups if GROUPS[group] in READ_IN]
    if scatter is None or not asked:
        return {}
    evidence = evidence_of(stated)
    dense = misclosures_of(evidence, stated.case.precision)
    if dense is None:
        return {}
    case = stated.case
    subjects = Subjects(case.shots, case.setups, case.points, evidence)
    hypotheses, found = all_hypotheses(subjects), {}
    for group in asked:
        whole = [h for h in hypotheses if _in_every_one(subjects, h, READ_IN[GROUPS[group]])]
        if whole:
            found[group] = _explaining(dense, scatter, whole)
    return found


def _in_every_one(subjects: Subjects, hypothesis: Hypothesis, component: int) -> bool:
    """Say whether a hypothesis is in every tested reading of a kind, of its setup or of the job."""
    if hypothesis.kinds != (component,) or not len(hypothesis.rows):
        return False
    rows, shots = subjects.rows, subjects.shots
    own = rows[subjects.observed[rows, component]]
    if hypothesis.setup:
        own = own[shots.setup[own] == shots.setup[hypothesis.rows[0]]]
    return len(own) > len(np.unique(shots.setup[own])) and set(own) <= set(hypothesis.rows)


def _explaining(
    dense: Dense, scatter: Scatter, whole: Sequence[Hypothesis]
) -> tuple[RivalCause, ...]:
    """Return which of the hypotheses are no chance, each judged by the scatter without it."""
    tested, degrees = dense.columns(whole), degrees_of(whole)
    usual = chi_square_critical(FALSE_ALARM / len(whole), degrees)
    surplus: dict[int, float] = {}
    for number in range(len(whole)):
        alone = judged(tested, (number,), scatter, degrees)
        if alone is not None and alone.chance < FALSE_ALARM / len(whole):
            surplus[number] = alone.statistic - float(usual[number])
    best = max(surplus.values(), default=0.0)
    return tuple(
        kind_of(whole[number]).rival(
            whole[number].setup,
            whole[number].points,
            float(np.sqrt(surplus[number] + usual[number])),
        )
        for number in sorted(surplus, key=lambda n: -surplus[n])
        if best - surplus[number] <= INSEPARABLE
    )
