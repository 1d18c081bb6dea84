"""What a finished solution proves: how well its sds are known, what it is guarded against.

Tests and bounds go by the larger of stated and estimated scatter; sds by how the readings do
scatter.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.distributions import student_critical
from tieup.adjust.guards import Guards
from tieup.adjust.link_tests import link_tests
from tieup.adjust.local_guards import local_hidden
from tieup.adjust.pointings import DELTA, PointingTests, examine_pointings
from tieup.adjust.scatter import Scatter
from tieup.adjust.solution import Adjustment
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.margins import noticed_size, noticed_sizes
from tieup.diagnose.proof.certainty import Certainty, certainty_of
from tieup.diagnose.proof.guarding import Guarded, guard
from tieup.diagnose.search.diagnose import Diagnosis, weighed
from tieup.model.arrays import FloatArray, IntArray
from tieup.model.link_kinds import of_kind
from tieup.model.settings import Datum

HIDES = 0.05  # chance that a mistake hides more than is said
PARTS = (slice(0, 2), slice(2, 3))  # components of a place that are plan, and height


@dataclass(frozen=True)
class Proven:
    """``certainty`` of the sds; ``careful`` is the solution that is judged by.

    ``guarded`` is None of a large site. ``mdb`` (m, 3): the smallest mistake of each reading that
    would be noticed 80 times in 100, rad, rad, m, and ``link_mdb`` (l,) that of each link of the
    adjustment, m; ``noticed`` is that of any other value in units of its own sd. ``hidden``
    (P + S, 2): how far one that is not noticed could have moved each mark and each instrument, plan
    and height in m; infinite where nothing would show it.
    """

    certainty: Certainty
    careful: Adjustment
    guarded: Guarded | None
    mdb: FloatArray
    link_mdb: FloatArray
    noticed: float
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
        quantile = float(student_critical(HIDES, certainty.whole))
        hidden = local_hidden(careful.adjustment, quantile)
    else:
        hidden = _hidden(careful.adjustment, guarded.guards)
    noticed = _noticed(careful, guarded, certainty)
    mdb = _tests(careful, _smallest(careful, guarded, noticed)).mdb
    in_links = link_sizes(careful, guarded, certainty.whole)
    in_links = in_links * link_tests(careful.adjustment).bias_sd
    return Proven(certainty, careful.adjustment, guarded, mdb, in_links, noticed, hidden)


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


def _noticed(solved: Solved, guarded: Guarded | None, certainty: Certainty) -> float:
    """Return the mistake that is usually noticed, in units of its own sd."""
    if guarded is None:
        tests = tests_of(solved)
        return float(noticed_size(tests, certainty.whole)) if tests else DELTA
    return float(np.median(noticed_size(guarded.family, guarded.guards.freedom)))


def _smallest(solved: Solved, guarded: Guarded | None, usual: float) -> FloatArray | float:
    """Return the mistake of each reading (m, 3) that is noticed, in units of its own sd."""
    if guarded is None:
        return usual
    values = noticed_size(guarded.family, guarded.guards.freedom)
    result = np.full(solved.reduction.pointings.corrected.shape, usual)
    for hypothesis, value in zip(guarded.hypotheses, values.tolist(), strict=True):
        if hypothesis.reading >= 0 and len(hypothesis.rows) == 1:
            result[hypothesis.rows[0], hypothesis.reading] = value
    return result


def link_sizes(
    solved: Solved, guarded: Guarded | None, freedom: float, *, planned: bool = False
) -> FloatArray:
    """Return the mistake of each link (l,) that is noticed, in units of its own sd.

    A vector is tested as a whole, so that each of its components counts against all three.
    ``freedom`` is that of a large site; ``planned``: nothing is measured yet.
    """
    problem = solved.adjustment.problem
    links = problem.network.links.take(problem.links)
    if guarded is None:
        degrees = np.where(of_kind(links.kind, "is_vector"), 3, 1)
        known = np.full(len(degrees), freedom)
        return noticed_sizes(tests_of(solved), known, degrees, planned=planned)
    guards = guarded.guards
    values = noticed_sizes(guarded.family, guards.freedom, guards.degrees, planned=planned)
    result = np.full(len(links.kind), np.nan)
    for hypothesis, value in zip(guarded.hypotheses, values.tolist(), strict=True):
        result[list(hypothesis.links)] = value
    return result


def tests_of(solved: Solved) -> int:
    """Return how many tests a site of this size has, where they are not listed one by one."""
    return 4 * int(np.isfinite(solved.adjustment.redundancy).sum())


def _hidden(adjustment: Adjustment, guards: Guards) -> FloatArray:
    """Return how far an unnoticed mistake could have moved points and instruments (P + S, 2)."""
    marks, moved = moved_by(adjustment, guards)
    hidden = np.full((len(adjustment.position) + len(adjustment.axis), 2), np.inf)
    for column, part in enumerate(PARTS):
        hidden[marks, column] = guards.bounds(moved[:, part], HIDES).max(axis=1, initial=0.0)
    return hidden


def moved_by(adjustment: Adjustment, guards: Guards) -> tuple[IntArray, FloatArray]:
    """Return what mistakes do to solved marks and instruments (f, 3, h), and their numbers (f,).

    Instruments count on after the points.
    """
    points = len(adjustment.position)
    marks = adjustment.system.structure.marks
    marks = marks[adjustment.problem.solved_point[marks]]
    setups = np.flatnonzero(np.isfinite(adjustment.axis[:, 0]))
    moved = np.concatenate([guards.point[marks], guards.setup[setups, :3]])
    return np.concatenate([marks, points + setups]), moved
