"""What a finished solution proves: how well its sds are known, what it is guarded against.

Tests and bounds go by the larger of stated and estimated scatter; sds by how the readings do
scatter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.adjust.guards import Guards
from tieup.adjust.local_guards import local_hidden
from tieup.adjust.pointings import DELTA, PointingTests, examine_pointings
from tieup.adjust.scatter import Scatter
from tieup.adjust.solution import Adjustment
from tieup.diagnose.certainty import Certainty, certainty_of
from tieup.diagnose.diagnose import Diagnosis, weighed
from tieup.diagnose.guarding import Guarded, guard
from tieup.diagnose.solve import Solved
from tieup.diagnose.thresholds import FALSE_ALARM
from tieup.model.arrays import FloatArray
from tieup.model.observations import KINDS
from tieup.model.settings import Datum

FOUND = 0.8416  # normal value: what is found 80 times in 100 stands this far above the threshold
HIDES = 0.05  # chance that a mistake hides more than is said


def planned_margin(freedom: float) -> float:
    """Return what a threshold is multiplied by before the readings.

    The scatter that they will be judged by is not known yet, and it can only be larger than stated.
    """
    return 1.0 + 0.35 / float(np.sqrt(freedom))


@dataclass(frozen=True)
class Proven:
    """``certainty`` of the sds; ``careful`` is the solution that is judged by.

    ``guarded`` is None of a large site. ``mdb`` (m, 3): the smallest mistake of each reading that
    would be noticed 80 times in 100, rad, rad, m. ``hidden`` (P + S, 2): how far one that is not
    noticed could have moved each mark and each instrument, plan and height in m; infinite where
    nothing would show it.
    """

    certainty: Certainty
    careful: Adjustment
    guarded: Guarded | None
    mdb: FloatArray
    hidden: FloatArray

    @property
    def guards(self) -> Guards | None:
        """Return what the solution is guarded against, None of a large site."""
        return None if self.guarded is None else self.guarded.guards


def prove(diagnosis: Diagnosis) -> Proven:
    """Say what the solution of a diagnosis proves."""
    solved, scatter = diagnosis.solved, diagnosis.scatter
    certainty = certainty_of(solved, scatter)
    careful = careful_solution(diagnosis.stated, diagnosis.scatter)
    guarded = None if scatter is None else guard(careful, scatter)
    count = len(careful.adjustment.position) + len(careful.adjustment.axis)
    if scatter is None:
        hidden = np.full((count, 2), np.inf)
    elif guarded is None:
        hidden = local_hidden(careful.adjustment, certainty.whole, HIDES)
    else:
        hidden = _hidden(careful.adjustment, guarded.guards)
    mdb = _tests(careful, _smallest(careful, guarded, certainty)).mdb
    return Proven(certainty, careful.adjustment, guarded, mdb, hidden)


def careful_solution(stated: Solved, scatter: Scatter | None) -> Solved:
    """Return the solution of a ``stated`` case by the larger of stated and estimated scatter."""
    if scatter is None:
        return stated
    larger = Scatter(scatter.cautious, scatter.covariance, scatter.redundancy, 0.0, np.eye(5))
    if stated.case.datum.kind == "local":
        # How the bays lie to each other does not hang on the mark that somebody held.
        stated = replace(stated, case=replace(stated.case, datum=Datum("free")))
    return weighed(stated, larger)


def _tests(solved: Solved, smallest: FloatArray | float) -> PointingTests:
    sights, pointings = solved.network.sights, solved.reduction.pointings
    return examine_pointings(solved.adjustment, sights, pointings, smallest)


def _smallest(solved: Solved, guarded: Guarded | None, certainty: Certainty) -> FloatArray | float:
    """Return the mistake of each reading (m, 3) that is noticed, in units of its own sd."""
    if guarded is None:
        tests = 4.0 * float(np.isfinite(solved.adjustment.redundancy).sum())
        if tests == 0.0:
            return DELTA
        return float(student_critical(0.5 * FALSE_ALARM / tests, certainty.whole)) + FOUND
    level = 0.5 * FALSE_ALARM / guarded.family
    values = student_critical(level, guarded.guards.freedom) + FOUND
    usual = float(np.median(values))
    result = np.full(solved.reduction.pointings.corrected.shape, usual)
    for hypothesis, value in zip(guarded.hypotheses, values.tolist(), strict=True):
        if hypothesis.kind in KINDS and len(hypothesis.rows) == 1:
            result[hypothesis.rows[0], KINDS.index(hypothesis.kind)] = value
    return result


def _hidden(adjustment: Adjustment, guards: Guards) -> FloatArray:
    """Return how far an unnoticed mistake could have moved points and instruments (P + S, 2)."""
    hidden = np.full((len(adjustment.position) + len(adjustment.axis), 2), np.inf)
    marks = adjustment.system.structure.marks
    moved = np.concatenate([guards.point[marks], guards.setup[:, :3]])
    rows = np.concatenate([marks, len(adjustment.position) + np.arange(len(adjustment.axis))])
    for column, parts in enumerate((slice(0, 2), slice(2, 3))):
        hidden[rows, column] = guards.bounds(moved[:, parts], HIDES).max(axis=1, initial=0.0)
    unsolved = ~np.isfinite(adjustment.axis[:, 0])
    hidden[len(adjustment.position) :][unsolved] = np.inf
    hidden[: len(adjustment.position)][~adjustment.problem.solved_point] = np.inf
    return hidden
