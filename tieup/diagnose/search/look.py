"""One look at a solved site: how its readings scatter, and what stands out of that."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np

from tieup.adjust.scatter import Scatter, estimate_scatter
from tieup.diagnose.basis.hypotheses import Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.solve import Solved, reweighed, solve, without_gross
from tieup.diagnose.evidence.block_scatter import block_scatter
from tieup.diagnose.evidence.detection import detect
from tieup.diagnose.evidence.evidence import Evidence, gather, stack
from tieup.diagnose.evidence.identification import Accepted, search
from tieup.diagnose.evidence.misclosures import Dense, misclosures_of
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.evidence.thresholds import Thresholds
from tieup.diagnose.gross.gross import is_large
from tieup.diagnose.kinds.booked_links import of_case
from tieup.diagnose.kinds.catalogue import all_hypotheses
from tieup.model.arrays import BoolArray, FloatArray, IntArray


@dataclass(frozen=True)
class Look:
    """The mistakes that a solution shows and the ``scatter`` without them, None where unknown.

    ``rough`` is the solution weighed by how the readings scatter, where it had to be made.
    """

    mistakes: list[Mistake]
    scatter: Scatter | None
    rough: Solved | None = None


def look(solved: Solved) -> Look:
    """Search one solution for mistakes that its statistics show."""
    evidence = evidence_of(solved)
    dense = misclosures_of(evidence, solved.case.precision)
    if dense is not None:
        found, scatter = _look_at_all(solved, dense)
        return Look(_mistakes(solved, found), scatter)
    scatter = block_scatter(evidence, solved.case.precision)
    if scatter is None:
        return Look([], None)
    if not (scatter.cautious > 1.0).any():
        return Look(_mistakes(solved, _look_at_large(solved, evidence, scatter)), scatter)
    rough = reweighed(solved, solved.case.precision.scattering(scatter.cautious.tolist()))
    return Look(
        _mistakes(solved, _look_at_large(rough, evidence_of(rough), scatter)), scatter, rough
    )


def _mistakes(solved: Solved, found: Sequence[Accepted]) -> list[Mistake]:
    return [of_case(solved, accepted.mistake) for accepted in found]


def evidence_of(solved: Solved) -> Evidence:
    """Return the evidence of a solution, what is gross left out."""
    return gather(without_gross(solved.network), solved.adjustment, solved.reduction.pointings)


def hypotheses_of(
    solved: Solved, evidence: Evidence, focus: BoolArray | None = None
) -> tuple[Hypothesis, ...]:
    """Return every mistake that could be in the tested rows of a solution, or in ``focus`` (m,)."""
    case = solved.case
    return all_hypotheses(Subjects(case.shots, case.setups, case.points, evidence, focus))


def _look_at_all(solved: Solved, dense: Dense) -> tuple[tuple[Accepted, ...], Scatter | None]:
    """Detect outward, then say which mistakes explain what was detected."""
    hypotheses = hypotheses_of(solved, dense.evidence)
    tested = dense.columns(hypotheses)
    detected = detect(tested, len(hypotheses))
    scatter = detected.scatter
    if not detected.taken:
        return (), scatter

    def freedom(numbers: IntArray) -> FloatArray:
        return tested.freedom(scatter.cautious, scatter, numbers)

    limits = Thresholds(degrees_of(hypotheses), len(hypotheses), freedom)
    found = search(tested.stack(scatter.cautious), hypotheses, limits)
    taken = tested.of([accepted.number for accepted in found])
    return found, estimate_scatter(dense.misclosures, taken, scatter)


def degrees_of(hypotheses: Sequence[Hypothesis]) -> FloatArray:
    """Return the number of sizes of each hypothesis."""
    return np.array([hypothesis.degrees for hypothesis in hypotheses], dtype=np.float64)


def _look_at_large(solved: Solved, evidence: Evidence, scatter: Scatter) -> tuple[Accepted, ...]:
    """Look at a large site on its factor, weighed by how the readings scatter on the whole."""
    focus = None
    if is_large(solved):
        focus = _focus(solved, evidence, scatter)
        if focus is None:
            return ()
    hypotheses = hypotheses_of(solved, evidence, focus)
    if not hypotheses:
        return ()
    share = scatter.redundancy / scatter.redundancy.sum()
    least = float(scatter.freedom(share[None])[0])

    def freedom(numbers: IntArray) -> FloatArray:
        return np.full(len(numbers), least)

    family = max(len(hypotheses), int(4 * np.isfinite(solved.adjustment.redundancy).sum()))
    limits = Thresholds(degrees_of(hypotheses), family, freedom)
    return search(stack(evidence, hypotheses), hypotheses, limits)


def _focus(solved: Solved, evidence: Evidence, scatter: Scatter) -> BoolArray | None:
    """Return the rows (m,) about the setup and the mark of the worst reading of a large site.

    None where no reading stands out of so many.
    """
    adjustment = solved.adjustment
    size = np.nan_to_num(np.abs(adjustment.standardised))
    size[adjustment.connections.plumb] = 0.0
    limits = Thresholds(np.ones(1), size.size)
    worst = int(np.argmax(size.max(axis=1)))
    if not (size[worst].max() ** 2 > limits.values[0]):
        return None
    setup = adjustment.connections.setup[worst]
    point = adjustment.connections.point[worst]
    shots = solved.case.shots
    return np.asarray((shots.setup == setup) | (shots.point == point))


def settled_scatter(solved: Solved) -> tuple[Solved, Scatter | None]:
    """Return how a solution without mistakes scatters, None where nothing is checked.

    Where a setup looked at marks again and nothing says whether the targets stood meanwhile, the
    way in which the readings are more likely is taken, and the solution returned is that one.
    """
    dense = misclosures_of(evidence_of(solved), solved.case.precision)
    if dense is None:
        return solved, block_scatter(evidence_of(solved), solved.case.precision, clipped=False)
    scatter = _scatter(dense)
    precision = solved.case.precision
    if precision.standing.in_setups or not _looks_again(solved):
        return solved, scatter
    stood = solve(replace(solved.case, precision=precision.with_targets_standing()))
    other = misclosures_of(evidence_of(stood), stood.case.precision)
    if other is None:
        return solved, scatter
    standing = _scatter(other)
    if other.volume + standing.support > dense.volume + scatter.support:
        return stood, standing
    return solved, scatter


def _scatter(dense: Dense) -> Scatter:
    return estimate_scatter(dense.misclosures, np.zeros((len(dense.misclosures), 0)))


def _looks_again(solved: Solved) -> bool:
    """Say whether a setup visited a mark more than once."""
    pointings = solved.reduction.pointings
    taken = pointings.sight >= 0
    pairs = np.unique(np.column_stack([pointings.look[taken], pointings.sight[taken]]), axis=0)
    return len(pairs) > len(np.unique(pairs[:, 0]))
