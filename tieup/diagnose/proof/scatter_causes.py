"""What could be why a kind of reading scatters more than stated, though it is not named.

A mistake that is in every reading of a kind, of a setup or of the job, may be too small to be
named among all the mistakes that the job could hold, and large enough to be in the scatter. Where
the scatter is told, these few are held against a level of their own: nothing is alarmed by it,
the alarm is there already, and it says what to look at.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.distributions import chi_square_critical
from tieup.adjust.scatter import GROUPS, Scatter
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake, RivalCause
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.conditional_tests import estimate
from tieup.diagnose.evidence.detection import judged
from tieup.diagnose.evidence.identification import INSEPARABLE
from tieup.diagnose.evidence.misclosures import Dense, misclosures_of
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.evidence.thresholds import FALSE_ALARM
from tieup.diagnose.gross.gross import is_large
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
    if scatter is None or not asked or is_large(stated):
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
            found[group] = _explaining(stated, dense, scatter, whole)
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
    stated: Solved, dense: Dense, scatter: Scatter, whole: Sequence[Hypothesis]
) -> tuple[RivalCause, ...]:
    """Return which of the hypotheses are no chance, each judged by the scatter without it."""
    tested, degrees = dense.columns(whole), degrees_of(whole)
    usual = chi_square_critical(FALSE_ALARM / len(whole), degrees)
    found: list[tuple[float, RivalCause]] = []
    for number, hypothesis in enumerate(whole):
        alone = judged(tested, (number,), scatter, degrees)
        if alone is None or not alone.chance < FALSE_ALARM / len(whole):
            continue
        size, covariance = estimate(alone.weighed, (number,), number)
        kind = kind_of(hypothesis)
        cause = replace(Mistake.of(hypothesis), size=size, covariance=covariance)
        away = float(np.sqrt(alone.statistic))
        rival = kind.rival(hypothesis.setup, hypothesis.points, away)
        rival = replace(rival, cause=kind.proposed(stated.case, cause))
        found.append((alone.statistic - float(usual[number]), rival))
    found.sort(key=lambda one: -one[0])
    return tuple(rival for surplus, rival in found if found[0][0] - surplus <= INSEPARABLE)
