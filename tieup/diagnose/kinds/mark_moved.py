"""A mark that moved: what was sighted after some time saw it elsewhere."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import replace

import numpy as np

from tieup.adjust.cofactors import point_covariance
from tieup.diagnose.basis.case import Case, new_name
from tieup.diagnose.basis.hypotheses import BiasColumn, Hypothesis
from tieup.diagnose.basis.mistake import Mistake
from tieup.diagnose.basis.phrases import MistakeText, Phrases
from tieup.diagnose.basis.solve import Solved
from tieup.diagnose.evidence.subjects import Subjects
from tieup.diagnose.kinds.kind import ALL, RARE, USUAL, Kind, some_points
from tieup.model.arrays import IntArray

FROM = "from "  # before the label of the first setup that saw the mark elsewhere


def moved_marks(subjects: Subjects) -> Iterator[Hypothesis]:
    """Give a mark as moved: what was sighted after some time saw it elsewhere.

    Needs two sights before or after: with one of each, the sight is as suspect as the mark.
    A listed mark was seen before by who listed it.
    """
    sight = subjects.evidence.pointings.sight
    for point in np.unique(subjects.shots.point[subjects.rows]):
        rows = subjects.of_point(int(point))
        setup = subjects.shots.setup[rows]
        setups = np.unique(setup)
        ordered = setups[np.argsort(subjects.clock[setups], kind="stable")]
        known = np.isfinite(subjects.evidence.adjustment.problem.frame.control[point, :2]).all()
        for cut in range(1, len(ordered)):
            after = np.isin(setup, ordered[cut:])
            before, later = (len(np.unique(sight[rows[part]])) for part in (~after, after))
            if later > 1 or before > 1 or known:
                prior = USUAL if later > 1 else RARE
                yield _moved(subjects, rows[after], int(ordered[cut]), prior)


def _moved(subjects: Subjects, rows: IntArray, setup: int, prior: float) -> Hypothesis:
    """Return the hypothesis that ``rows``, from ``setup`` on, saw the mark at another place."""
    derivative, shown = subjects.derivative[rows], subjects.observed[rows]
    columns = tuple(
        BiasColumn(rows, np.where(shown, derivative[:, :, component], 0.0))
        for component in range(3)
    )
    return Hypothesis(
        kind=MARK_MOVED.name,
        setup="",
        points=(subjects.name(rows[0]),),
        columns=columns,
        rows=rows,
        kinds=ALL,
        unit="m",
        prior=prior,
        detail=since(subjects.setups[setup].label),
    )


def since(label: str) -> str:
    """Return the detail of a mark that moved before a setup."""
    return f"{FROM}{label}"


class MarkMoved(Kind):
    """A mark that lay elsewhere from some setup on; the detail of a mistake says since when."""

    def renamed(self, case: Case, mistake: Mistake) -> Mistake:
        """Give the mark the name that its later self will have."""
        if mistake.instead:
            return mistake
        name = f"{mistake.points[0]}@{mistake.detail.removeprefix(FROM)}"
        if name in case.points:
            name = new_name(name, "~", set(case.points))
        return replace(mistake, instead=(name,))

    def taken_out(self, case: Case, mistake: Mistake) -> Case:
        """Take the mark as two, before and after."""
        return case.with_renamed(mistake.rows, mistake.instead[0])

    def put_back(self, case: Case, original: Case, mistake: Mistake) -> Case:
        """Take the two as one mark again."""
        later = np.flatnonzero(case.shots.point == case.points.index(mistake.instead[0]))
        return case.with_renamed(later, mistake.points[0]).without_names(mistake.instead)

    def measured(self, solved: Solved, mistake: Mistake) -> Mistake:
        """Compare the mark's two places: later minus earlier."""
        points = np.array(
            [solved.case.points.index(n) for n in (mistake.points[0], mistake.instead[0])]
        )
        position = solved.adjustment.position[points]
        if not np.isfinite(position).all():
            return mistake
        joint = point_covariance(solved.adjustment, points)
        covariance = joint[0, :, 0] + joint[1, :, 1] - joint[0, :, 1] - joint[1, :, 0]
        return self.sized(mistake, position[1] - position[0], covariance)

    def words(self, mistake: Mistake, phrases: Phrases) -> MistakeText:
        """Say how far the mark moved, and since when."""
        m, mark = mistake, mistake.points[0]
        own = m.instead[0] if m.instead else ""
        return MistakeText(
            f"Mark {mark} moved by {phrases.shift(m.magnitude)} ({phrases.vector(m)}) {m.detail} "
            "on",
            f"from then on it is a mark of its own, {own}",
            f"Look at {mark}; measure from it to two neighbours.",
            f"Do not use {mark} until it is re-set; leave the two places apart (accept).",
            f"{mark} and {own} stay two marks",
        )

    def clause(self, setup: str, points: Sequence[str]) -> str:
        """Say that it moved."""
        return f"{some_points(points)} moved"

    def thing(self, setup: str, points: Sequence[str]) -> str:
        """Name the place of the mark."""
        return f"place of {some_points(points)}"


MARK_MOVED = MarkMoved("mark-moved", ALL, "m", moved_marks, action="split", of_mark=True)
